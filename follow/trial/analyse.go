package trial

import (
	"math"
	"slices"
	"sort"

	"sapward/finding"
	"sapward/numeric/describe"
	"sapward/numeric/fit"
)

// Analyse does the analysis of variance that the design asks for.
//
// Completely randomised: y = mu + treatment + e. Complete blocks: y = mu +
// block + treatment + e, blocks fixed, the sum of squares of treatments
// adjusted for blocks (and for the covariate). Split plot without gaps: the two
// strata of Yates (1935), treatments tested by the block by treatment mean
// square, the second factor and the interaction by the residual. Split plot
// with gaps: blocks fixed, main plots random, by restricted maximum likelihood
// (Patterson and Thompson 1971).
//
// Rows of one plot are averaged first and a note says so: sub-samples are not
// replicates. Missing plots are left out; no value is made up for them; means
// are then those of the model, each block with equal weight.
//
// Errors: finding.Faults.
func Analyse(rows []Observation, o Options) (Analysis, error) {
	o, err := o.filled()
	if err != nil {
		return Analysis{}, err
	}
	t, err := collect(rows, o)
	if err != nil {
		return Analysis{}, err
	}
	a := Analysis{Design: o.Design, Unit: o.Unit, Control: o.Control, Scale: o.Scale, Transform: o.Transform, Confidence: o.Confidence,
		Treatments: t.treatments, Subs: t.subs, Blocks: append([]string{}, t.blocks...), Plots: len(t.plots), Trees: t.trees,
		Missing: append([]string{}, t.missing...), Seed: o.Seed, Comparisons: []Comparison{}, Effects: []Effect{},
		Permutations: []PermutationTest{}, Notes: []finding.Finding{}, Verdict: "none"}
	a.noteRows(t, o)
	if o.Design == SplitPlot {
		err = a.splitPlot(t, o)
	} else {
		err = a.oneFactor(t, o)
	}
	if err != nil {
		return Analysis{}, err
	}
	if o.Permutations > 0 && !o.Covariate {
		a.permute(t, o)
	}
	a.judge(t, o)
	finding.Sort(a.Notes)
	return a, nil
}

// filled checks the options and puts defaults in.
func (o Options) filled() (Options, error) {
	var fs finding.Faults
	bad := func(option, text string) {
		fs = append(fs, &finding.Fault{Class: finding.Usage, ID: "trial-option-unknown", Args: finding.Args{"option": finding.Text(option), "text": finding.Text(text)}})
	}
	if !o.Design.Known() {
		bad("design", string(o.Design))
	}
	if o.Scale == "" {
		o.Scale = Number
	}
	if o.Scale != Number && o.Scale != Percent && o.Scale != Class {
		bad("scale", string(o.Scale))
	}
	if o.Transform == "" {
		o.Transform = Plain
	}
	if o.Transform != Plain && o.Transform != Arcsine && o.Transform != Log && o.Transform != Root {
		bad("transform", string(o.Transform))
	}
	if o.Transform == Arcsine && o.Scale != Percent {
		fs = append(fs, &finding.Fault{Class: finding.Usage, ID: "trial-arcsine-needs-percent"})
	}
	if o.Compare == "" {
		o.Compare = "tukey"
		if o.Control != "" {
			o.Compare = "dunnett"
		}
	}
	if o.Compare != "tukey" && o.Compare != "dunnett" && o.Compare != "both" {
		bad("compare", o.Compare)
	}
	if o.Compare != "tukey" && o.Control == "" {
		fs = append(fs, &finding.Fault{Class: finding.Usage, ID: "trial-dunnett-needs-control"})
	}
	if o.Confidence == 0 {
		o.Confidence = 0.95
	}
	if !(o.Confidence > 0 && o.Confidence < 1) {
		fs = append(fs, &finding.Fault{Class: finding.Usage, ID: "confidence-out-of-range", Args: finding.Args{"confidence": finding.Number(o.Confidence, "")}})
	}
	if o.Unit != "" && o.Unit != "tree" && o.Unit != "plot" {
		bad("unit", o.Unit)
	}
	if o.Permutations == 0 {
		o.Permutations = 9999
	}
	if o.Permutations > 10_000_000 {
		bad("permutations", "")
	}
	if o.Covariate && o.Design == SplitPlot {
		fs = append(fs, &finding.Fault{Class: finding.Usage, ID: "trial-covariate-split"})
	}
	return o, fs.OrNil()
}

// noteRows says what the rows leave open.
func (a *Analysis) noteRows(t *table, o Options) {
	say := func(f finding.Finding) { a.Notes = append(a.Notes, f) }
	if o.Unit == "" {
		say(practice("trial-unit-open", finding.Open, nil))
	}
	if t.averaged > 0 {
		say(note("trial-subsamples", finding.Warning, finding.Args{"rows": finding.Count(t.trees), "plots": finding.Count(len(t.plots))}))
	}
	if t.partly > 0 {
		say(note("trial-subsamples-gaps", finding.Note, finding.Args{"plots": finding.Count(t.partly)}))
	}
	if len(t.missing) > 0 {
		f := note("trial-plots-missing", finding.Warning, finding.Args{"plots": finding.Count(len(t.missing))})
		for _, m := range t.missing {
			f.AddTree(m)
		}
		say(f)
	}
	if o.Control == "" {
		say(practice("trial-no-control", finding.Warning, nil))
	}
	least := len(t.plots)
	for _, tr := range t.treatments {
		n := 0
		for _, p := range t.plots {
			if p.treatment == tr && (len(t.subs) == 0 || p.sub == t.subs[0]) {
				n++
			}
		}
		least = min(least, n)
	}
	if least < LeastReplicates {
		say(practice("trial-few-replicates", finding.Warning, finding.Args{"count": finding.Count(least), "least": finding.Count(LeastReplicates)}))
	}
}

// oneFactor analyses CRD and RCBD.
func (a *Analysis) oneFactor(t *table, o Options) error {
	a.Method = "least-squares"
	tr, _, bl := t.index()
	n := len(t.plots)
	origin := t.plots[0].y
	y := make([]float64, n)
	for i, p := range t.plots {
		y[i] = p.y - origin
	}
	cols := [][]float64{ones(n)}
	nb := 0
	if o.Design == RCBD {
		cols = append(cols, dummies(bl, len(t.blocks))...)
		nb = len(t.blocks) - 1
	}
	meanX := 0.0
	if o.Covariate {
		x := make([]float64, n)
		for _, p := range t.plots {
			meanX += p.x / float64(n)
		}
		for i, p := range t.plots {
			x[i] = p.x - meanX
		}
		cols = append(cols, x)
	}
	first := len(cols)
	cols = append(cols, dummies(tr, len(t.treatments))...)
	m, at := fitLinear(cols, y)
	if m == nil {
		if o.Covariate && at == first-1 {
			return finding.Faults{finding.Bad("trial-covariate-constant", finding.Where{}, nil)}
		}
		return finding.Faults{finding.Bad("trial-not-estimable", finding.Where{}, nil)}
	}
	if m.df() < 1 {
		return finding.Faults{finding.Bad("trial-no-residual", finding.Where{}, finding.Args{"plots": finding.Count(n)})}
	}
	ms := m.rss / float64(m.df())
	total := 0.0
	for _, e := range m.effect[1:] {
		total += e * e
	}
	if !(m.rss > 1e-24*(total+m.rss)) || total+m.rss == 0 {
		return finding.Faults{finding.Bad("trial-nothing-varies", finding.Where{}, nil)}
	}
	if nb > 0 {
		a.line("plots", "block", nb, m.ss(1, 1+nb), ms, m.df())
	}
	if o.Covariate {
		a.line("plots", "covariate", 1, m.ss(first-1, first), ms, m.df())
		l := make([]float64, len(cols))
		l[first-1] = 1
		a.Slope = some(m.of(l))
	}
	a.line("plots", "treatment", len(t.treatments)-1, m.ss(first, len(cols)), ms, m.df())
	a.residualLine("plots", m.df(), m.rss)
	a.noteDF(m.df())

	f := family{factor: "treatment", names: t.treatments, df: float64(m.df()), dfInt: m.df(), variance: ms}
	for k := range t.treatments {
		l := make([]float64, len(cols))
		l[0] = 1
		for b := 1; b <= nb; b++ {
			l[b] = 1 / float64(nb+1)
		}
		if k > 0 {
			l[first+k-1] = 1
		}
		f.z = append(f.z, m.back(l))
		f.mean = append(f.mean, origin+dot(f.z[k], m.effect))
		count := 0
		for _, v := range tr {
			if v == k {
				count++
			}
		}
		f.n = append(f.n, count)
	}
	a.Means = f.means(a, o)
	a.compare(f, o, o.Control)
	a.effects(f, o)
	a.cv(t, ms, o)
	a.residuals(t, m, ms, origin)
	a.rank(t, o)
	return nil
}

// line writes a source with its test.
func (a *Analysis) line(stratum, source string, df int, ss, ms float64, dfResidual int) {
	l := Line{Stratum: stratum, Source: source, DF: df, SS: some(ss)}
	if df > 0 {
		l.MS = some(ss / float64(df))
		if ms > 0 {
			f := ss / float64(df) / ms
			l.F, l.P = some(f), some(tailF(f, df, dfResidual))
		}
	}
	a.Table = append(a.Table, l)
}

func (a *Analysis) residualLine(stratum string, df int, ss float64) {
	a.Table = append(a.Table, Line{Stratum: stratum, Source: "residual", DF: df, SS: some(ss), MS: some(ss / float64(df))})
}

func (a *Analysis) noteDF(df int) {
	if df < LeastDF {
		a.Notes = append(a.Notes, practice("trial-few-df", finding.Warning, finding.Args{"df": finding.Count(df), "least": finding.Count(LeastDF)}))
	}
}

// cv is the coefficient of variation, of untransformed values only.
func (a *Analysis) cv(t *table, ms float64, o Options) {
	if o.Transform != Plain {
		return
	}
	y := make([]float64, len(t.plots))
	for i, p := range t.plots {
		y[i] = p.y
	}
	if mean, err := describe.Mean(y); err == nil && mean > 0 {
		a.CVPct = some(100 * math.Sqrt(ms) / mean)
	}
}

// residuals fills the residuals, tests their spread and names one that lies
// far off.
func (a *Analysis) residuals(t *table, m *linear, ms, origin float64) {
	n := len(t.plots)
	h := m.leverage()
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	a.Residuals = make([]Residual, n)
	farthest, at := 0.0, -1
	for i, p := range t.plots {
		r := Residual{Plot: p.name, Block: p.block, Treatment: p.treatment, Sub: p.sub, Fitted: p.y - m.rest[i], Residual: m.rest[i]}
		if left := ms * (1 - h[i]); left > 1e-12*ms {
			s := m.rest[i] / math.Sqrt(left)
			r.Standard = some(s)
			if math.Abs(s) > farthest {
				farthest, at = math.Abs(s), i
			}
		}
		a.Residuals[i] = r
	}
	sort.SliceStable(order, func(i, j int) bool { return m.rest[order[i]] < m.rest[order[j]] })
	for rank, i := range order {
		z, _ := describe.NormalQuantile((float64(rank+1) - 0.375) / (float64(n) + 0.25))
		a.Residuals[i].Normal = z
	}
	df := float64(m.df())
	if at >= 0 && df > 2 && df-farthest*farthest > 0 {
		// Deleted residual, Bonferroni over the plots.
		s := farthest * math.Sqrt((df-1)/(df-farthest*farthest))
		if p, err := describe.StudentCDF(-s, df-1); err == nil && 2*p*float64(n) < 0.05 {
			f := note("trial-residual-far", finding.Warning, finding.Args{"plot": finding.Text(t.plots[at].name)})
			a.Notes = append(a.Notes, f)
		}
	}
	groups := map[string][]float64{}
	for i, p := range t.plots {
		groups[p.treatment] = append(groups[p.treatment], m.rest[i])
	}
	var spread [][]float64
	for _, name := range t.treatments {
		g := groups[name]
		if len(g) < 3 {
			return
		}
		mid, err := describe.Median(g)
		if err != nil {
			return
		}
		d := make([]float64, len(g))
		for i := range g {
			d[i] = math.Abs(g[i] - mid)
		}
		spread = append(spread, d)
	}
	v, err := fit.OneWay(spread)
	if err != nil {
		return
	}
	a.Spread = &SpreadTest{F: v.F, DF1: v.DFBetween, DF2: v.DFWithin, P: v.P}
	if v.P < 0.05 {
		a.Notes = append(a.Notes, note("trial-spread-differs", finding.Warning, finding.Args{"p": finding.Number(math.Round(v.P*1e4)/1e4, "")}))
	}
}

// judge says what the comparisons allow to be said.
func (a *Analysis) judge(t *table, o Options) {
	if o.Scale == Percent && o.Transform == Plain && a.Spread != nil {
		for _, m := range a.Means {
			if m.Mean < 20 || m.Mean > 80 {
				a.Notes = append(a.Notes, note("trial-percent-transform", finding.Note, nil))
				break
			}
		}
	}
	if o.Scale == Percent && o.Transform == Plain && slices.ContainsFunc(a.Means, func(m Mean) bool {
		return m.Low != nil && *m.Low < 0 || m.High != nil && *m.High > 100
	}) {
		a.Notes = append(a.Notes, note("trial-percent-beyond", finding.Warning, nil))
	}
	if o.Transform != Plain {
		a.Notes = append(a.Notes, note("trial-transformed", finding.Note, nil))
	}
	if o.Control != "" && o.Scale != Number {
		i := slices.IndexFunc(a.Means, func(m Mean) bool { return m.Treatment == o.Control })
		if i >= 0 && (o.Scale == Percent && backOf(a.Means[i]) < LeastDisease || o.Scale == Class && backOf(a.Means[i]) == 0) {
			a.Why = "trial-control-healthy"
			a.Notes = append(a.Notes, note("trial-control-healthy", finding.Warning, finding.Args{"control": finding.Text(o.Control), "mean": finding.Number(math.Round(backOf(a.Means[i])*10)/10, "pct")}))
			return
		}
	}
	a.Verdict = "not-shown"
	for _, c := range a.Comparisons {
		if c.Factor == "treatment" && c.Shown() {
			a.Verdict = "differ"
		}
	}
}

func backOf(m Mean) float64 {
	if m.Back != nil {
		return *m.Back
	}
	return m.Mean
}
