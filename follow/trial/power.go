package trial

import (
	"context"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"strings"
	"sync"

	"gonum.org/v1/gonum/stat/distuv"

	"sapward/finding"
	"sapward/numeric/describe"
	"sapward/numeric/special"
)

// Outcome says what will be rated.
type Outcome string

// The outcomes: a number with normal errors; a percent of each tree (beta about
// its mean); the share of trees that fall ill or die, counted per plot.
const (
	NumberOutcome Outcome = "number"
	PercentRated  Outcome = "percent"
	ShareOfTrees  Outcome = "share"
)

// PowerRequest holds the user's own variation. Means are one a treatment, the
// control first. SDs are in the unit of the means: between blocks, between
// plots of a block, between trees of a plot. For the share of trees the
// binomial scatter of the trees comes by itself and TreeSD is not used. Loss is
// the share of plots that will give no value.
type PowerRequest struct {
	Design       Design // crd or rcbd
	Outcome      Outcome
	Means        []float64
	BlockSD      float64
	PlotSD       float64
	TreeSD       float64
	TreesPerPlot int // 0: 1
	Loss         float64
	Alpha        float64 // 0: 0.05
	Target       float64 // 0: 0.8
	From, To     int     // replicates tried; 0: 2 to 20
	Sims         int     // 0: 2,000
	Compare      string  // dunnett (default) or f
	Seed         uint64
	Workers      int // 0: all
	Progress     func(done, total int)
}

// PowerPoint is the power at one number of replicates.
type PowerPoint struct {
	Replicates int     `json:"replicates"`
	Trees      int     `json:"trees"` // rated ones
	ResidualDF int     `json:"residual_df"`
	Sims       int     `json:"sims"`   // runs that could be analysed
	Failed     int     `json:"failed"` // too many plots lost
	FPower     float64 `json:"f_power"`
	FLow       float64 `json:"f_low"`
	FHigh      float64 `json:"f_high"`
	// Each is the power of each treatment against the control, All that of all
	// of them at once, Any of at least one, by Dunnett.
	Each    []float64 `json:"each"`
	All     float64   `json:"all"`
	AllLow  float64   `json:"all_low"`
	AllHigh float64   `json:"all_high"`
	Any     float64   `json:"any"`
}

// PowerReport is the answer to `sapward trial power`.
type PowerReport struct {
	Design     Design            `json:"design"`
	Outcome    Outcome           `json:"outcome"`
	Compare    string            `json:"compare"`
	Means      []float64         `json:"means"`
	BlockSD    float64           `json:"block_sd"`
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
	Points     []PowerPoint      `json:"points"`
	Assumption string            `json:"assumption"` // message identifier
	Notes      []finding.Finding `json:"notes"`
}

// Power simulates the trial and its planned analysis (Analyse's least squares
// with F and Dunnett) at every number of replicates from From to To and gives
// the share of simulated trials that find what is there, with Wilson's 95 %
// interval of that estimate. Replicates needed are the fewest from which on
// the estimate stays at the target or above.
//
// Simulation i at r replicates uses the PCG generator with words seed and r
// 2^32 + i: the answer does not depend on the number of workers. Dunnett's
// critical value is that of the design without gaps at the degrees of freedom
// each run has. Errors: finding.Faults, or that of the context.
func Power(ctx context.Context, q PowerRequest) (PowerReport, error) {
	q, err := q.filled()
	if err != nil {
		return PowerReport{}, err
	}
	out := PowerReport{Design: q.Design, Outcome: q.Outcome, Compare: q.Compare, Means: slices.Clone(q.Means), BlockSD: q.BlockSD, PlotSD: q.PlotSD, TreeSD: q.TreeSD,
		PerPlot: q.TreesPerPlot, Loss: q.Loss, Alpha: q.Alpha, Target: q.Target, Seed: q.Seed, Sims: q.Sims, Points: []PowerPoint{}, Notes: []finding.Finding{},
		Assumption: "trial-assume-" + string(q.Outcome)}
	total := (q.To - q.From + 1) * q.Sims
	done := 0
	for r := q.From; r <= q.To; r++ {
		p, err := q.at(ctx, r, func(n int) {
			if q.Progress != nil {
				q.Progress(done+n, total)
			}
		})
		if err != nil {
			return PowerReport{}, err
		}
		done += q.Sims
		out.Points = append(out.Points, p)
	}
	power := func(p PowerPoint) float64 {
		if q.Compare == "f" {
			return p.FPower
		}
		return p.All
	}
	for i := len(out.Points) - 1; i >= 0 && power(out.Points[i]) >= q.Target; i-- {
		p := out.Points[i]
		n, trees, v := p.Replicates, p.Trees, power(p)
		out.Needed, out.NeedTrees, out.PowerAt = &n, &trees, &v
	}
	say := func(f finding.Finding) { out.Notes = append(out.Notes, f) }
	switch {
	case out.Needed == nil:
		say(note("trial-power-not-reached", finding.Warning, finding.Args{"to": finding.Count(q.To), "target": finding.Number(100*q.Target, "pct")}))
	case *out.Needed < LeastReplicates:
		say(practice("trial-few-replicates", finding.Warning, finding.Args{"count": finding.Count(*out.Needed), "least": finding.Count(LeastReplicates)}))
	}
	if out.Needed != nil {
		if df := ResidualDF(q.Design, len(q.Means), *out.Needed); df < LeastDF {
			say(practice("trial-few-df", finding.Warning, finding.Args{"df": finding.Count(df), "least": finding.Count(LeastDF)}))
		}
	}
	if q.Outcome != NumberOutcome && q.Means[0] < LeastDisease {
		say(note("trial-power-control-healthy", finding.Warning, finding.Args{"mean": finding.Number(q.Means[0], "pct")}))
	}
	failed := 0
	for _, p := range out.Points {
		failed += p.Failed
	}
	if failed > 0 {
		say(note("trial-power-failed", finding.Note, finding.Args{"count": finding.Count(failed)}))
	}
	finding.Sort(out.Notes)
	return out, nil
}

func (q PowerRequest) filled() (PowerRequest, error) {
	var fs finding.Faults
	bad := func(id string, a finding.Args) {
		fs = append(fs, &finding.Fault{Class: finding.Usage, ID: id, Args: a})
	}
	outside := func(option string, v, low, high float64) {
		if !(v >= low && v <= high) {
			bad("trial-option-range", finding.Args{"option": finding.Text(option), "value": finding.Number(v, ""), "low": finding.Number(low, ""), "high": finding.Number(high, "")})
		}
	}
	fill := func(x *int, v int) {
		if *x == 0 {
			*x = v
		}
	}
	if q.Design == "" {
		q.Design = RCBD
	}
	if q.Outcome == "" {
		q.Outcome = NumberOutcome
	}
	if q.Compare == "" {
		q.Compare = "dunnett"
	}
	fill(&q.TreesPerPlot, 1)
	fill(&q.From, 2)
	fill(&q.To, max(20, q.From))
	fill(&q.Sims, 2000)
	if q.Alpha == 0 {
		q.Alpha = 0.05
	}
	if q.Target == 0 {
		q.Target = 0.8
	}
	option := func(name, text string) {
		bad("trial-option-unknown", finding.Args{"option": finding.Text(name), "text": finding.Text(text)})
	}
	if q.Design == SplitPlot {
		bad("trial-power-split", nil)
	} else if !q.Design.Known() {
		option("design", string(q.Design))
	}
	if q.Outcome != NumberOutcome && q.Outcome != PercentRated && q.Outcome != ShareOfTrees {
		option("outcome", string(q.Outcome))
	}
	if q.Compare != "dunnett" && q.Compare != "f" {
		option("compare", q.Compare)
	}
	if len(q.Means) < 2 || len(q.Means) > 20 {
		bad("trial-means-count", finding.Args{"count": finding.Count(len(q.Means))})
	}
	for _, m := range q.Means {
		if q.Outcome == NumberOutcome {
			outside("means", m, -1e12, 1e12)
		} else {
			outside("means", m, 0, 100)
		}
	}
	outside("block-sd", q.BlockSD, 0, 1e12)
	outside("plot-sd", q.PlotSD, 0, 1e12)
	outside("tree-sd", q.TreeSD, 0, 1e12)
	outside("loss", q.Loss, 0, 0.9)
	outside("alpha", q.Alpha, 1e-6, 0.5)
	outside("target", q.Target, 0.01, 0.999)
	outside("from", float64(q.From), 2, 500)
	outside("to", float64(q.To), float64(q.From), 500)
	outside("sims", float64(q.Sims), 100, 1_000_000)
	outside("trees-per-plot", float64(q.TreesPerPlot), 1, 10_000)
	if q.Outcome == NumberOutcome && q.PlotSD == 0 && q.TreeSD == 0 {
		bad("trial-no-spread", nil)
	}
	if q.Workers <= 0 {
		q.Workers = runtime.GOMAXPROCS(0)
	}
	return q, fs.OrNil()
}

// chunk is the number of simulations between two looks at the context.
const chunk = 50

// at simulates one number of replicates.
func (q PowerRequest) at(ctx context.Context, r int, progress func(int)) (PowerPoint, error) {
	k := len(q.Means)
	sim := newSimulator(q, r)
	chunks := (q.Sims + chunk - 1) / chunk
	found := make([]tally, chunks)
	next, finished := 0, 0
	var mu sync.Mutex
	var group sync.WaitGroup
	for range min(q.Workers, chunks) {
		group.Add(1)
		go func() {
			defer group.Done()
			w := sim.worker()
			for {
				mu.Lock()
				c := next
				next++
				mu.Unlock()
				if c >= chunks || ctx.Err() != nil {
					return
				}
				t := tally{each: make([]int, k-1)}
				for i := c * chunk; i < min((c+1)*chunk, q.Sims); i++ {
					w.run(uint64(r)<<32+uint64(i), &t)
				}
				found[c] = t
				mu.Lock()
				finished += chunk
				progress(min(finished, q.Sims))
				mu.Unlock()
			}
		}()
	}
	group.Wait()
	if err := ctx.Err(); err != nil {
		return PowerPoint{}, err
	}
	all := tally{each: make([]int, k-1)}
	for _, t := range found {
		all.add(t)
	}
	p := PowerPoint{Replicates: r, Trees: k * r * q.TreesPerPlot, ResidualDF: ResidualDF(q.Design, k, r), Sims: all.n, Failed: q.Sims - all.n, Each: make([]float64, k-1)}
	if all.n == 0 {
		return p, nil
	}
	n := float64(all.n)
	p.FPower, p.All, p.Any = float64(all.f)/n, float64(all.every)/n, float64(all.any)/n
	for i, v := range all.each {
		p.Each[i] = float64(v) / n
	}
	var err error
	if p.FLow, p.FHigh, err = describe.Wilson(all.f, all.n, 0.95); err != nil {
		return PowerPoint{}, err
	}
	if p.AllLow, p.AllHigh, err = describe.Wilson(all.every, all.n, 0.95); err != nil {
		return PowerPoint{}, err
	}
	return p, nil
}

// tally counts what simulated trials found.
type tally struct {
	n, f, every, any int
	each             []int
}

func (t *tally) add(o tally) {
	t.n, t.f, t.every, t.any = t.n+o.n, t.f+o.f, t.every+o.every, t.any+o.any
	for i, v := range o.each {
		t.each[i] += v
	}
}

// simulator holds what all runs at one number of replicates share.
type simulator struct {
	q          PowerRequest
	r          int
	tr, bl     []int
	whole      *linear // of the design without gaps
	first      int
	critical   []float64 // Dunnett's, by residual degrees of freedom
	criticalF  []float64
	criticalAt []sync.Once
	corr       *special.Correlations
}

func newSimulator(q PowerRequest, r int) *simulator {
	k := len(q.Means)
	s := &simulator{q: q, r: r}
	for b := range r {
		for t := range k {
			s.tr, s.bl = append(s.tr, t), append(s.bl, b)
		}
	}
	cols := s.columns(s.tr, s.bl)
	s.first = len(cols) - (k - 1)
	s.whole, _ = fitLinear(cols, make([]float64, len(s.tr)))
	df := len(s.tr) - len(cols) + 1
	s.critical, s.criticalF, s.criticalAt = make([]float64, df+k), make([]float64, df+k), make([]sync.Once, df+k)
	rho := make([][]float64, k-1)
	for i := range rho {
		rho[i] = make([]float64, k-1)
		for j := range rho[i] {
			rho[i][j] = 0.5
		}
		rho[i][i] = 1
	}
	s.corr, _ = special.NewCorrelations(rho)
	return s
}

func (s *simulator) columns(tr, bl []int) [][]float64 {
	cols := [][]float64{ones(len(tr))}
	if s.q.Design == RCBD {
		cols = append(cols, dummies(bl, s.r)...)
	}
	return append(cols, dummies(tr, len(s.q.Means))...)
}

// limits returns Dunnett's critical value and the F above which the test
// rejects, for these residual degrees of freedom.
func (s *simulator) limits(df int) (float64, float64) {
	s.criticalAt[df].Do(func() {
		s.critical[df] = s.corr.Critical(1-s.q.Alpha, float64(df))
		s.criticalF[df] = distuv.F{D1: float64(len(s.q.Means) - 1), D2: float64(df)}.Quantile(1 - s.q.Alpha)
	})
	return s.critical[df], s.criticalF[df]
}

type simWorker struct {
	*simulator
	y []float64
}

func (s *simulator) worker() *simWorker { return &simWorker{s, make([]float64, len(s.tr))} }

// run simulates and analyses one trial.
func (w *simWorker) run(index uint64, t *tally) {
	rng := rand.New(rand.NewPCG(w.q.Seed, index))
	lost := w.draw(rng)
	m, tr := w.whole, w.tr
	if lost == 0 {
		c := *m
		m = &c
		m.solve(w.y)
	} else {
		var y []float64
		var bl []int
		tr = nil
		for i, v := range w.y {
			if !math.IsNaN(v) {
				y, tr, bl = append(y, v), append(tr, w.tr[i]), append(bl, w.bl[i])
			}
		}
		if !present(bl, w.r) && w.q.Design == RCBD {
			bl = dense(bl)
		}
		cols := [][]float64{ones(len(tr))}
		if w.q.Design == RCBD && len(bl) > 0 {
			cols = append(cols, dummies(bl, slices.Max(bl)+1)...)
		}
		cols = append(cols, dummies(tr, len(w.q.Means))...)
		if len(y) <= len(cols) {
			return
		}
		if m, _ = fitLinear(cols, y); m == nil {
			return
		}
	}
	df := m.df()
	if df < 1 {
		return
	}
	t.n++
	k := len(w.q.Means)
	first := len(m.q) - (k - 1)
	ms := m.rss / float64(df)
	d, f := w.limits(df)
	if m.ss(first, len(m.q)) > f*float64(k-1)*ms {
		t.f++
	}
	all, any := true, false
	l := make([]float64, len(m.q))
	for j := range k - 1 {
		l[first+j] = 1
		z := m.back(l)
		l[first+j] = 0
		if math.Abs(dot(z, m.effect)) > d*math.Sqrt(ms*dot(z, z)) {
			t.each[j]++
			any = true
		} else if w.q.Means[j+1] != w.q.Means[0] {
			all = false // a treatment without an effect need not be found
		}
	}
	if all && any {
		t.every++
	}
	if any {
		t.any++
	}
}

// draw fills the plots' values; lost plots are NaN. It returns how many.
func (w *simWorker) draw(rng *rand.Rand) (lost int) {
	q := &w.q
	k := len(q.Means)
	for b := range w.r {
		block := 0.0
		if q.Design == RCBD {
			block = q.BlockSD * rng.NormFloat64()
		}
		for t := range k {
			i := b*k + t
			w.y[i] = q.plot(rng, q.Means[t]+block)
			if q.Loss > 0 && rng.Float64() < q.Loss {
				w.y[i] = math.NaN()
				lost++
			}
		}
	}
	return lost
}

// plot draws the value of a plot about its mean.
func (q *PowerRequest) plot(rng *rand.Rand, mean float64) float64 {
	switch q.Outcome {
	case PercentRated:
		p := beta(rng, mean, q.PlotSD)
		sum := 0.0
		for range q.TreesPerPlot {
			sum += beta(rng, p, q.TreeSD)
		}
		return sum / float64(q.TreesPerPlot)
	case ShareOfTrees:
		p := beta(rng, mean, q.PlotSD) / 100
		ill := 0
		for range q.TreesPerPlot {
			if rng.Float64() < p {
				ill++
			}
		}
		return 100 * float64(ill) / float64(q.TreesPerPlot)
	}
	v := mean + q.PlotSD*rng.NormFloat64()
	return v + q.TreeSD/math.Sqrt(float64(q.TreesPerPlot))*rng.NormFloat64()
}

// beta draws a percent with this mean and standard deviation: beta with
// parameters m c and (1 - m) c, c = m (1 - m)/s^2 - 1. A mean outside 0 to 100
// is taken to the end; a spread wider than a beta with that mean can have is
// taken to the widest without two peaks at the ends, c at least 0.2.
func beta(rng *rand.Rand, mean, sd float64) float64 {
	m, s := mean/100, sd/100
	if m <= 0 {
		return 0
	}
	if m >= 1 {
		return 100
	}
	if s == 0 {
		return mean
	}
	c := math.Max(0.2, m*(1-m)/(s*s)-1)
	a := gamma(rng, m*c)
	b := gamma(rng, (1-m)*c)
	if a+b == 0 {
		if rng.Float64() < m {
			return 100
		}
		return 0
	}
	return 100 * a / (a + b)
}

// gamma draws from the gamma distribution of this shape (Marsaglia and Tsang
// 2000, ACM Trans. Math. Softw. 26:363).
func gamma(rng *rand.Rand, shape float64) float64 {
	boost := 1.0
	if shape < 1 {
		boost = math.Pow(rng.Float64(), 1/shape)
		shape++
	}
	d := shape - 1.0/3
	c := 1 / math.Sqrt(9*d)
	for {
		x := rng.NormFloat64()
		v := 1 + c*x
		if v <= 0 {
			continue
		}
		v = v * v * v
		if math.Log(rng.Float64()) < x*x/2+d-d*v+d*math.Log(v) {
			return boost * d * v
		}
	}
}

func present(bl []int, blocks int) bool {
	seen := make([]bool, blocks)
	for _, b := range bl {
		seen[b] = true
	}
	return !slices.Contains(seen, false)
}

// dense renumbers levels without gaps.
func dense(x []int) []int {
	at := map[int]int{}
	out := make([]int, len(x))
	for i, v := range x {
		if _, ok := at[v]; !ok {
			at[v] = len(at)
		}
		out[i] = at[v]
	}
	return out
}

// LetterList lists letter and treatment in order of the letters.
func (l Layout) LetterList() [][2]string {
	var out [][2]string
	for _, t := range l.Treatments {
		out = append(out, [2]string{l.Letters[t], t})
	}
	slices.SortFunc(out, func(a, b [2]string) int {
		if n := len(a[0]) - len(b[0]); n != 0 {
			return n
		}
		return strings.Compare(a[0], b[0])
	})
	return out
}
