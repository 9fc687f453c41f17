package trial

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"sync"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"

	"sapward/finding"
	"sapward/numeric/describe"
)

// SplitPowerRequest asks for the power of a split plot in complete blocks: rows
// of Means are treatments on main plots, columns the levels of the second
// factor. SDs are in the unit of the means: between blocks, between main plots
// of a block, between plots of a main plot, between trees of a plot. Loss is the
// share of plots that will give no value.
type SplitPowerRequest struct {
	Outcome      Outcome
	Means        [][]float64
	BlockSD      float64
	MainSD       float64
	PlotSD       float64
	TreeSD       float64
	TreesPerPlot int // 0: 1
	Loss         float64
	Alpha        float64 // 0: 0.05
	Target       float64 // 0: 0.8
	From, To     int     // blocks tried; 0: 2 to 12
	Sims         int     // 0: 2,000; 400 with Loss, where each trial is fitted by restricted likelihood
	Effect       string  // treatment (default), sub or interaction: what must be found
	Seed         uint64
	Workers      int // 0: all
	Progress     func(done, total int)
}

// EffectPower is the power of one F test: the share of simulated trials, its
// Wilson 95 % interval, and the exact figure of the noncentral F distribution
// where errors are normal and no plot is lost.
type EffectPower struct {
	Power float64  `json:"power"`
	Low   float64  `json:"low"`
	High  float64  `json:"high"`
	Exact *float64 `json:"exact"`
}

// SplitPowerPoint is the power at one number of blocks.
type SplitPowerPoint struct {
	Replicates  int         `json:"replicates"`
	Trees       int         `json:"trees"`
	MainDF      int         `json:"main_df"` // residual, main plots
	PlotDF      int         `json:"plot_df"` // residual, plots
	Sims        int         `json:"sims"`
	Failed      int         `json:"failed"`
	Treatment   EffectPower `json:"treatment"`
	Sub         EffectPower `json:"sub"`
	Interaction EffectPower `json:"interaction"`
}

// SplitPowerReport is the answer to `sapward trial power --design split-plot`.
type SplitPowerReport struct {
	Design     Design            `json:"design"`
	Outcome    Outcome           `json:"outcome"`
	Effect     string            `json:"effect"`
	Means      [][]float64       `json:"means"`
	BlockSD    float64           `json:"block_sd"`
	MainSD     float64           `json:"main_sd"`
	PlotSD     float64           `json:"plot_sd"`
	TreeSD     float64           `json:"tree_sd"`
	PerPlot    int               `json:"trees_per_plot"`
	Loss       float64           `json:"loss"`
	Alpha      float64           `json:"alpha"`
	Target     float64           `json:"target"`
	Seed       uint64            `json:"seed"`
	Sims       int               `json:"sims"`
	Needed     *int              `json:"replicates_needed"`
	NeedTrees  *int              `json:"trees_needed"`
	PowerAt    *float64          `json:"power_at_needed"`
	Points     []SplitPowerPoint `json:"points"`
	Assumption string            `json:"assumption"`
	Notes      []finding.Finding `json:"notes"`
}

// Effects of a split plot that can be asked for.
const (
	EffectTreatment   = "treatment"
	EffectSub         = "sub"
	EffectInteraction = "interaction"
)

// SplitPower simulates a split plot and its planned analysis: the two strata of
// Analyse without gaps, its restricted likelihood with. Simulation i at r blocks
// uses the PCG generator with words seed and r 2^32 + i. Where errors are normal
// and nothing is lost the exact power stands beside it: with
// s_b^2 = PlotSD^2 + TreeSD^2/n and s_a^2 = s_b^2 + s MainSD^2,
//
//	treatment:   lambda = s r sum a_i^2/s_a^2,        F with (t-1), (t-1)(r-1)
//	sub:         lambda = t r sum b_j^2/s_b^2,        F with (s-1), t(r-1)(s-1)
//	interaction: lambda = r sum (ab)_ij^2/s_b^2,      F with (t-1)(s-1), t(r-1)(s-1)
//
// a, b, ab the effects that add to zero (Scheffe 1959, from memory). Errors:
// finding.Faults, or that of the context.
func SplitPower(ctx context.Context, q SplitPowerRequest) (SplitPowerReport, error) {
	q, err := q.filled()
	if err != nil {
		return SplitPowerReport{}, err
	}
	out := SplitPowerReport{Design: SplitPlot, Outcome: q.Outcome, Effect: q.Effect, BlockSD: q.BlockSD, MainSD: q.MainSD, PlotSD: q.PlotSD, TreeSD: q.TreeSD, PerPlot: q.TreesPerPlot,
		Loss: q.Loss, Alpha: q.Alpha, Target: q.Target, Seed: q.Seed, Sims: q.Sims, Points: []SplitPowerPoint{}, Notes: []finding.Finding{}, Assumption: "trial-assume-" + string(q.Outcome)}
	for _, row := range q.Means {
		out.Means = append(out.Means, slices.Clone(row))
	}
	total, done := (q.To-q.From+1)*q.Sims, 0
	failed := 0
	for r := q.From; r <= q.To; r++ {
		p, err := q.at(ctx, r, func(n int) {
			if q.Progress != nil {
				q.Progress(done+n, total)
			}
		})
		if err != nil {
			return SplitPowerReport{}, err
		}
		done += q.Sims
		failed += p.Failed
		out.Points = append(out.Points, p)
	}
	for i := len(out.Points) - 1; i >= 0 && q.wanted(out.Points[i]) >= q.Target; i-- {
		p := out.Points[i]
		n, trees, v := p.Replicates, p.Trees, q.wanted(p)
		out.Needed, out.NeedTrees, out.PowerAt = &n, &trees, &v
	}
	say := func(f finding.Finding) { out.Notes = append(out.Notes, f) }
	if out.Needed == nil {
		say(note("trial-power-not-reached", finding.Warning, finding.Args{"to": finding.Count(q.To), "target": finding.Number(100*q.Target, "pct")}))
	} else if df := (len(q.Means) - 1) * (*out.Needed - 1); df < LeastDF && q.Effect == EffectTreatment {
		say(practice("trial-few-df", finding.Warning, finding.Args{"df": finding.Count(df), "least": finding.Count(LeastDF)}))
	}
	if failed > 0 {
		say(note("trial-power-failed", finding.Note, finding.Args{"count": finding.Count(failed)}))
	}
	finding.Sort(out.Notes)
	return out, nil
}

func (q SplitPowerRequest) wanted(p SplitPowerPoint) float64 {
	switch q.Effect {
	case EffectSub:
		return p.Sub.Power
	case EffectInteraction:
		return p.Interaction.Power
	}
	return p.Treatment.Power
}

// filled judges the request as Power does, the means of a row at a time.
func (q SplitPowerRequest) filled() (SplitPowerRequest, error) {
	if q.Sims == 0 && q.Loss > 0 {
		q.Sims = 400
	}
	if q.To == 0 {
		q.To = max(12, q.From)
	}
	var all []float64
	var fs finding.Faults
	bad := func(id string, a finding.Args) {
		fs = append(fs, &finding.Fault{Class: finding.Usage, ID: id, Args: a})
	}
	for _, row := range q.Means {
		all = append(all, row...)
		if len(row) != len(q.Means[0]) || len(row) < 2 || len(row) > 20 {
			bad("trial-split-means", nil)
		}
	}
	if len(q.Means) < 2 || len(q.Means) > 20 {
		bad("trial-split-means", nil)
	}
	plain := PowerRequest{Design: RCBD, Outcome: q.Outcome, Means: []float64{0, 0}, BlockSD: q.BlockSD, PlotSD: q.PlotSD, TreeSD: q.TreeSD, TreesPerPlot: q.TreesPerPlot, Loss: q.Loss, Alpha: q.Alpha,
		Target: q.Target, From: q.From, To: q.To, Sims: q.Sims, Workers: q.Workers}
	for _, m := range all { // within the bounds of the outcome
		if plain.Means[0] = m; q.Outcome != "" && q.Outcome != NumberOutcome && !(m >= 0 && m <= 100) || math.IsNaN(m) || math.Abs(m) > 1e12 {
			break
		}
	}
	plain, err := plain.filled()
	fs = append(fs, finding.AsFaults(err)...)
	if !(q.MainSD >= 0 && q.MainSD <= 1e12) {
		bad("trial-option-range", finding.Args{"option": finding.Text("main-sd"), "value": finding.Number(q.MainSD, ""), "low": finding.Number(0, ""), "high": finding.Number(1e12, "")})
	}
	if q.Effect == "" {
		q.Effect = EffectTreatment
	}
	if q.Effect != EffectTreatment && q.Effect != EffectSub && q.Effect != EffectInteraction {
		bad("trial-option-unknown", finding.Args{"option": finding.Text("effect"), "text": finding.Text(q.Effect)})
	}
	q.Outcome, q.TreesPerPlot, q.Alpha, q.Target, q.From, q.To, q.Sims, q.Workers = plain.Outcome, plain.TreesPerPlot, plain.Alpha, plain.Target, plain.From, plain.To, plain.Sims, plain.Workers
	if q.Workers <= 0 {
		q.Workers = runtime.GOMAXPROCS(0)
	}
	return q, fs.OrNil()
}

// dfs are the degrees of freedom of treatment, its residual, second factor,
// interaction and their residual.
func (q SplitPowerRequest) dfs(r int) (dt, ea, ds, di, eb int) {
	t, s := len(q.Means), len(q.Means[0])
	return t - 1, (t - 1) * (r - 1), s - 1, (t - 1) * (s - 1), t * (r - 1) * (s - 1)
}

// at simulates one number of blocks.
func (q SplitPowerRequest) at(ctx context.Context, r int, progress func(int)) (SplitPowerPoint, error) {
	dt, ea, ds, di, eb := q.dfs(r)
	critical := [3]float64{}
	for i, d := range [3][2]int{{dt, ea}, {ds, eb}, {di, eb}} {
		critical[i] = distuv.F{D1: float64(d[0]), D2: float64(d[1])}.Quantile(1 - q.Alpha)
	}
	chunks := (q.Sims + chunk - 1) / chunk
	found := make([][4]int, chunks) // trials, treatment, sub, interaction
	next, finished := 0, 0
	var mu sync.Mutex
	var group sync.WaitGroup
	for range min(q.Workers, chunks) {
		group.Go(func() {
			y := make([]float64, len(q.Means)*len(q.Means[0])*r)
			for {
				mu.Lock()
				c := next
				next++
				mu.Unlock()
				if c >= chunks || ctx.Err() != nil {
					return
				}
				for i := c * chunk; i < min((c+1)*chunk, q.Sims); i++ {
					sig, ok := q.run(rand.New(rand.NewPCG(q.Seed, uint64(r)<<32+uint64(i))), r, y, critical)
					if !ok {
						continue
					}
					found[c][0]++
					for k, hit := range sig {
						if hit {
							found[c][k+1]++
						}
					}
				}
				mu.Lock()
				finished += chunk
				progress(min(finished, q.Sims))
				mu.Unlock()
			}
		})
	}
	group.Wait()
	if err := ctx.Err(); err != nil {
		return SplitPowerPoint{}, err
	}
	var sum [4]int
	for _, f := range found {
		for k := range sum {
			sum[k] += f[k]
		}
	}
	t, s := len(q.Means), len(q.Means[0])
	p := SplitPowerPoint{Replicates: r, Trees: t * s * r * q.TreesPerPlot, MainDF: ea, PlotDF: eb, Sims: sum[0], Failed: q.Sims - sum[0]}
	if sum[0] == 0 {
		return p, nil
	}
	exact := q.exact(r)
	for k, e := range []*EffectPower{&p.Treatment, &p.Sub, &p.Interaction} {
		var err error
		e.Power = float64(sum[k+1]) / float64(sum[0])
		if e.Low, e.High, err = describe.Wilson(sum[k+1], sum[0], 0.95); err != nil {
			return p, err
		}
		if exact != nil {
			e.Exact = &exact[k]
		}
	}
	return p, nil
}

// run simulates and analyses one trial.
func (q SplitPowerRequest) run(rng *rand.Rand, r int, y []float64, critical [3]float64) (sig [3]bool, ok bool) {
	if lost := q.draw(rng, r, y); lost > 0 {
		return q.fitted(r, y)
	}
	f, ok := splitF(y, r, len(q.Means), len(q.Means[0]))
	for k := range f {
		sig[k] = f[k] > critical[k]
	}
	return sig, ok
}

// draw fills the plots' values, block by block, treatment by treatment; lost
// plots are NaN.
func (q SplitPowerRequest) draw(rng *rand.Rand, r int, y []float64) (lost int) {
	one := PowerRequest{Outcome: q.Outcome, PlotSD: q.PlotSD, TreeSD: q.TreeSD, TreesPerPlot: q.TreesPerPlot}
	i := 0
	for range r {
		block := q.BlockSD * rng.NormFloat64()
		for _, row := range q.Means {
			main := q.MainSD * rng.NormFloat64()
			for _, m := range row {
				y[i] = one.plot(rng, m+block+main)
				if q.Loss > 0 && rng.Float64() < q.Loss {
					y[i] = math.NaN()
					lost++
				}
				i++
			}
		}
	}
	return lost
}

// fitted analyses a trial with gaps as Analyse does.
func (q SplitPowerRequest) fitted(r int, y []float64) (sig [3]bool, ok bool) {
	var rows []Observation
	i := 0
	for b := range r {
		for t, row := range q.Means {
			for s := range row {
				o := Observation{Block: fmt.Sprint("b", b), Treatment: fmt.Sprint("t", t), Sub: fmt.Sprint("s", s)}
				if v := y[i]; !math.IsNaN(v) {
					o.Value = &v
				}
				rows = append(rows, o)
				i++
			}
		}
	}
	a, err := Analyse(rows, Options{Design: SplitPlot, Permutations: -1})
	if err != nil {
		return sig, false
	}
	seen := 0
	for _, l := range a.Table {
		k := map[string]int{"treatment": 1, "sub": 2, "treatment:sub": 3}[l.Source]
		if k == 0 || l.P == nil {
			continue
		}
		seen++
		sig[k-1] = *l.P < q.Alpha
	}
	return sig, seen == 3
}

// splitF are the F values of treatment, second factor and interaction of a split
// plot without gaps, by the two strata. Not ok where nothing varies.
func splitF(y []float64, r, t, s int) (f [3]float64, ok bool) {
	n := float64(r * t * s)
	grand := 0.0
	block, treat, sub, main, cell := make([]float64, r), make([]float64, t), make([]float64, s), make([]float64, r*t), make([]float64, t*s)
	for i, v := range y {
		b, k, j := i/(t*s), i/s%t, i%s
		grand += v / n
		block[b] += v / float64(t*s)
		treat[k] += v / float64(r*s)
		sub[j] += v / float64(r*t)
		main[b*t+k] += v / float64(s)
		cell[k*s+j] += v / float64(r)
	}
	square := func(x float64) float64 { return x * x }
	var sst, sse, sss, ssi, ssw float64
	for _, m := range treat {
		sst += float64(r*s) * square(m-grand)
	}
	for _, m := range sub {
		sss += float64(r*t) * square(m-grand)
	}
	for i, m := range main {
		sse += float64(s) * square(m-block[i/t]-treat[i%t]+grand)
	}
	for i, m := range cell {
		ssi += float64(r) * square(m-treat[i/s]-sub[i%s]+grand)
	}
	for i, v := range y {
		k, j := i/s%t, i%s
		ssw += square(v - main[i/s] - cell[k*s+j] + treat[k])
	}
	ea, eb := sse/float64((t-1)*(r-1)), ssw/float64(t*(r-1)*(s-1))
	if !(ea > 0) || !(eb > 0) {
		return f, false
	}
	return [3]float64{sst / float64(t-1) / ea, sss / float64(s-1) / eb, ssi / float64((t-1)*(s-1)) / eb}, true
}

// exact is the power by the noncentral F, nil where it does not hold.
func (q SplitPowerRequest) exact(r int) []float64 {
	if q.Outcome != NumberOutcome || q.Loss > 0 {
		return nil
	}
	t, s := len(q.Means), len(q.Means[0])
	grand, treat, sub := 0.0, make([]float64, t), make([]float64, s)
	for i, row := range q.Means {
		for j, m := range row {
			grand += m / float64(t*s)
			treat[i] += m / float64(s)
			sub[j] += m / float64(t)
		}
	}
	var a, b, ab float64
	for i, row := range q.Means {
		a += (treat[i] - grand) * (treat[i] - grand)
		for j, m := range row {
			d := m - treat[i] - sub[j] + grand
			ab += d * d
		}
	}
	for _, m := range sub {
		b += (m - grand) * (m - grand)
	}
	vb := q.PlotSD*q.PlotSD + q.TreeSD*q.TreeSD/float64(q.TreesPerPlot)
	va := vb + float64(s)*q.MainSD*q.MainSD
	dt, ea, ds, di, eb := q.dfs(r)
	power := func(d1, d2 int, lambda float64) float64 {
		f := distuv.F{D1: float64(d1), D2: float64(d2)}.Quantile(1 - q.Alpha)
		return 1 - noncentralF(f, float64(d1), float64(d2), lambda)
	}
	return []float64{power(dt, ea, float64(s*r)*a/va), power(ds, eb, float64(t*r)*b/vb), power(di, eb, float64(r)*ab/vb)}
}

// noncentralF is P(F <= f) of the noncentral F distribution: the mixture by
// Poisson weights of lambda/2 of I_x(d1/2 + j, d2/2), x = d1 f/(d1 f + d2)
// (Johnson, Kotz and Balakrishnan 1995, from memory). Terms are added outward
// from the greatest weight until they are under 1e-16.
func noncentralF(f, d1, d2, lambda float64) float64 {
	if f <= 0 {
		return 0
	}
	x, h := d1*f/(d1*f+d2), lambda/2
	term := func(j float64) float64 {
		w := -h
		if j > 0 {
			l, _ := math.Lgamma(j + 1)
			w = j*math.Log(h) - h - l
		}
		return math.Exp(w) * mathext.RegIncBeta(d1/2+j, d2/2, x)
	}
	if h == 0 {
		return mathext.RegIncBeta(d1/2, d2/2, x)
	}
	mode, sum := math.Floor(h), 0.0
	far := 20 + 12*math.Sqrt(h)
	for j := mode; j >= math.Max(0, mode-far); j-- {
		sum += term(j)
	}
	for j := mode + 1; j <= mode+far+20; j++ {
		sum += term(j)
	}
	return math.Min(1, sum)
}
