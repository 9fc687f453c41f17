package trial

import (
	"math"

	"sapward/finding"
)

// splitPlot analyses a split plot in complete blocks.
func (a *Analysis) splitPlot(t *table, o Options) error {
	tr, sub, bl := t.index()
	if t.complete(tr, sub, bl) {
		return a.strata(t, o, tr, sub, bl)
	}
	return a.reml(t, o, tr, sub, bl)
}

// complete reports one value in every combination of block, treatment and sub.
func (t *table) complete(tr, sub, bl []int) bool {
	cells := map[[3]int]int{}
	for i := range tr {
		cells[[3]int{bl[i], tr[i], sub[i]}]++
	}
	if len(cells) != len(t.plots) {
		return false
	}
	return len(cells) == len(t.blocks)*len(t.treatments)*len(t.subs)
}

// strata is the analysis by error strata of a split plot without gaps.
func (a *Analysis) strata(t *table, o Options, tr, sub, bl []int) error {
	a.Method = "strata"
	nt, ns, nb, n := len(t.treatments), len(t.subs), len(t.blocks), len(t.plots)
	origin := t.plots[0].y
	y := make([]float64, n)
	for i, p := range t.plots {
		y[i] = p.y - origin
	}
	b, v, s := dummies(bl, nb), dummies(tr, nt), dummies(sub, ns)
	cols, at := [][]float64{ones(n)}, []int{1}
	for _, part := range [][][]float64{b, v, products(b, v), s, products(v, s)} {
		cols = append(cols, part...)
		at = append(at, len(cols))
	}
	m, _ := fitLinear(cols, y)
	if m == nil {
		return finding.Faults{finding.Bad("trial-not-estimable", finding.Where{}, nil)}
	}
	dfA, dfB := (nb-1)*(nt-1), m.df()
	if dfB < 1 || dfA < 1 {
		return finding.Faults{finding.Bad("trial-no-residual", finding.Where{}, finding.Args{"plots": finding.Count(n)})}
	}
	ssA := m.ss(at[2], at[3])
	msA, msB := ssA/float64(dfA), m.rss/float64(dfB)
	total := m.rss
	for _, e := range m.effect[1:] {
		total += e * e
	}
	if !(m.rss > 1e-24*total) || !(ssA > 1e-24*total) {
		return finding.Faults{finding.Bad("trial-nothing-varies", finding.Where{}, nil)}
	}
	a.Table = append(a.Table, Line{Stratum: "blocks", Source: "block", DF: nb - 1, SS: some(m.ss(at[0], at[1])), MS: some(m.ss(at[0], at[1]) / float64(nb-1))})
	a.line("main-plots", "treatment", nt-1, m.ss(at[1], at[2]), msA, dfA)
	a.residualLine("main-plots", dfA, ssA)
	a.line("plots", "sub", ns-1, m.ss(at[3], at[4]), msB, dfB)
	a.line("plots", "treatment:sub", (nt-1)*(ns-1), m.ss(at[4], at[5]), msB, dfB)
	a.residualLine("plots", dfB, m.rss)
	a.noteDF(dfA)

	sums := func(level []int, levels int) (mean []float64) {
		mean = make([]float64, levels)
		for i, l := range level {
			mean[l] += y[i] * float64(levels) / float64(n)
		}
		for i := range mean {
			mean[i] += origin
		}
		return mean
	}
	// Means of the levels are independent given the blocks, each with the mean
	// square of its stratum over its plots.
	own := func(factor string, names []string, level []int, df int, ms float64) family {
		f := family{factor: factor, names: names, mean: sums(level, len(names)), df: float64(df), dfInt: df, variance: ms * float64(len(names)) / float64(n)}
		for i := range names {
			z := make([]float64, len(names))
			z[i] = 1
			f.z, f.n = append(f.z, z), append(f.n, n/len(names))
		}
		return f
	}
	main := own("treatment", t.treatments, tr, dfA, msA)
	minor := own("sub", t.subs, sub, dfB, msB)
	a.Means, a.SubMeans = main.means(a, o), minor.means(a, o)
	a.compare(main, o, o.Control)
	a.compare(minor, o, "")
	a.effects(main, o)
	// A cell's mean: (Ea + (s - 1) Eb)/(s r), Satterthwaite's degrees of freedom.
	cell := make([]int, n)
	for i := range cell {
		cell[i] = tr[i]*ns + sub[i]
	}
	w := float64(ns - 1)
	e := msA + w*msB
	df := e * e / (msA*msA/float64(dfA) + w*w*msB*msB/float64(dfB))
	for k, mean := range sums(cell, nt*ns) {
		c := newMean(mean, math.Sqrt(e/float64(ns*nb)), df, o)
		c.Treatment, c.Sub, c.N = t.treatments[k/ns], t.subs[k%ns], nb
		a.CellMeans = append(a.CellMeans, c)
	}
	a.cv(t, msB, o)
	a.residuals(t, m, msB, origin)
	return nil
}

// reml fits a split plot with gaps: y = block + treatment + sub + treatment:sub
// + main plot + e, the main plots random with variance theta times that of e,
// theta at least 0 by restricted maximum likelihood. Terms are tested in order,
// treatments with the degrees of freedom of the main plots.
func (a *Analysis) reml(t *table, o Options, tr, sub, bl []int) error {
	a.Method = "reml"
	a.Notes = append(a.Notes, note("trial-split-gaps", finding.Warning, nil))
	nt, ns, nb, n := len(t.treatments), len(t.subs), len(t.blocks), len(t.plots)
	origin := t.plots[0].y
	y := make([]float64, n)
	for i, p := range t.plots {
		y[i] = p.y - origin
	}
	b, v, s := dummies(bl, nb), dummies(tr, nt), dummies(sub, ns)
	cols, at := [][]float64{ones(n)}, []int{1}
	for _, part := range [][][]float64{b, v, s, products(v, s)} {
		cols = append(cols, part...)
		at = append(at, len(cols))
	}
	group := make([]int, n)
	names := map[int]int{}
	for i := range group {
		key := bl[i]*nt + tr[i]
		if _, ok := names[key]; !ok {
			names[key] = len(names)
		}
		group[i] = names[key]
	}
	mains := len(names)
	dfA, dfB := mains-nb-nt+1, n-mains-(ns-1)*nt
	if dfA < 1 || dfB < 1 {
		return finding.Faults{finding.Bad("trial-no-residual", finding.Where{}, finding.Args{"plots": finding.Count(n)})}
	}
	deviance := func(theta float64) (float64, *linear) {
		c2, y2, logV := whiten(cols, y, group, mains, theta)
		m, _ := fitLinear(c2, y2)
		if m == nil || !(m.rss > 0) {
			return math.Inf(1), nil
		}
		return float64(m.df())*math.Log(m.rss/float64(m.df())) + logV + 2*m.logR, m
	}
	theta := lowest(func(x float64) float64 { d, _ := deviance(x); return d })
	_, m := deviance(theta)
	if m == nil {
		return finding.Faults{finding.Bad("trial-not-estimable", finding.Where{}, nil)}
	}
	ms := m.rss / float64(m.df())
	terms := []struct {
		stratum, source string
		df, den         int
	}{{"main-plots", "block", nb - 1, dfA}, {"main-plots", "treatment", nt - 1, dfA}, {"plots", "sub", ns - 1, dfB}, {"plots", "treatment:sub", (nt - 1) * (ns - 1), dfB}}
	for k, term := range terms {
		f := m.ss(at[k], at[k+1]) / float64(term.df) / ms
		l := Line{Stratum: term.stratum, Source: term.source, DF: term.df, F: some(f), P: some(tailF(f, term.df, term.den))}
		if term.source == "block" {
			l.F, l.P = nil, nil
		}
		a.Table = append(a.Table, l)
	}
	a.Table = append(a.Table,
		Line{Stratum: "main-plots", Source: "residual", DF: dfA, MS: some(theta * ms)},
		Line{Stratum: "plots", Source: "residual", DF: dfB, MS: some(ms)})
	a.noteDF(dfA)
	point := func(t1, s1 float64, treatment, level int) []float64 {
		l := make([]float64, len(cols))
		l[0] = 1
		for i := at[0]; i < at[1]; i++ {
			l[i] = 1 / float64(nb)
		}
		for i := range nt - 1 {
			l[at[1]+i] = share(i+1, treatment, t1)
			for j := range ns - 1 {
				l[at[3]+i*(ns-1)+j] = share(i+1, treatment, t1) * share(j+1, level, s1)
			}
		}
		for j := range ns - 1 {
			l[at[2]+j] = share(j+1, level, s1)
		}
		return l
	}
	build := func(factor string, names []string, df int, l func(k int) []float64, level []int) family {
		f := family{factor: factor, names: names, df: float64(df), dfInt: df, variance: ms}
		for k := range names {
			f.z = append(f.z, m.back(l(k)))
			f.mean = append(f.mean, origin+dot(f.z[k], m.effect))
			count := 0
			for _, v := range level {
				if v == k {
					count++
				}
			}
			f.n = append(f.n, count)
		}
		return f
	}
	main := build("treatment", t.treatments, dfA, func(k int) []float64 { return point(0, 1/float64(ns), k, -1) }, tr)
	minor := build("sub", t.subs, dfB, func(k int) []float64 { return point(1/float64(nt), 0, -1, k) }, sub)
	a.Means, a.SubMeans = main.means(a, o), minor.means(a, o)
	a.compare(main, o, o.Control)
	a.compare(minor, o, "")
	a.effects(main, o)
	for k := range nt {
		for j := range ns {
			z := m.back(point(0, 0, k, j))
			count := 0
			for i := range tr {
				if tr[i] == k && sub[i] == j {
					count++
				}
			}
			c := newMean(origin+dot(z, m.effect), math.Sqrt(ms*dot(z, z)), float64(min(dfA, dfB)), o)
			c.Treatment, c.Sub, c.N = t.treatments[k], t.subs[j], count
			a.CellMeans = append(a.CellMeans, c)
		}
	}
	a.cv(t, ms, o)
	a.residuals(t, m, ms, origin)
	return nil
}

// share is the weight of a level's column: 1 for the level asked for, 0 for
// others; with none asked for (-1) the even weight.
func share(level, asked int, even float64) float64 {
	switch {
	case asked < 0:
		return even
	case level == asked:
		return 1
	}
	return 0
}

// whiten multiplies columns and values by V^(-1/2), V = I + theta ZZ': from each
// value the share 1 - 1/sqrt(1 + n theta) of its group's mean is taken off. It
// returns ln |V| beside.
func whiten(cols [][]float64, y []float64, group []int, groups int, theta float64) ([][]float64, []float64, float64) {
	count := make([]float64, groups)
	for _, g := range group {
		count[g]++
	}
	off, logV := make([]float64, groups), 0.0
	for g, n := range count {
		off[g] = 1 - 1/math.Sqrt(1+n*theta)
		logV += math.Log1p(n * theta)
	}
	turn := func(x []float64) []float64 {
		mean := make([]float64, groups)
		for i, g := range group {
			mean[g] += x[i] / count[g]
		}
		out := make([]float64, len(x))
		for i, g := range group {
			out[i] = x[i] - off[g]*mean[g]
		}
		return out
	}
	out := make([][]float64, len(cols))
	for j, c := range cols {
		out[j] = turn(c)
	}
	return out, turn(y), logV
}

// lowest finds the theta of the smallest value: a scan over ln theta, golden
// sections around the best, and 0 itself.
func lowest(f func(float64) float64) float64 {
	best, at := f(0), math.Inf(-1)
	for x := -12.0; x <= 12; x += 0.5 {
		if v := f(math.Exp(x)); v < best {
			best, at = v, x
		}
	}
	if math.IsInf(at, -1) {
		return 0
	}
	const ratio = 0.6180339887498949
	low, high := at-0.5, at+0.5
	a, b := high-ratio*(high-low), low+ratio*(high-low)
	fa, fb := f(math.Exp(a)), f(math.Exp(b))
	for high-low > 1e-9 {
		if fa < fb {
			high, b, fb = b, a, fa
			a = high - ratio*(high-low)
			fa = f(math.Exp(a))
		} else {
			low, a, fa = a, b, fb
			b = low + ratio*(high-low)
			fb = f(math.Exp(b))
		}
	}
	return math.Exp((low + high) / 2)
}
