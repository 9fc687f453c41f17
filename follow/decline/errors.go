package decline

import (
	"maps"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"sapward/finding"
	"sapward/numeric/fit"
	"sapward/numeric/special"
)

// gradient of h over the free values by central differences.
func gradient(v []float64, h func([]float64) float64) []float64 {
	g, w := make([]float64, len(v)), append([]float64(nil), v...)
	for j := range v {
		d := 1e-5 * math.Abs(v[j])
		if d == 0 {
			continue
		}
		w[j] = v[j] + d
		up := h(w)
		w[j] = v[j] - d
		g[j] = (up - h(w)) / (2 * d)
		w[j] = v[j]
	}
	return g
}

// se of h by the delta method; not ok where it is not determined.
func (f *Fit) se(h func([]float64) float64) (float64, bool) {
	if f.cov == nil {
		return 0, false
	}
	g := gradient(f.out.free, h)
	v := 0.0
	for i := range g {
		for j := range g {
			v += g[i] * f.cov[i][j] * g[j]
		}
	}
	s := math.Sqrt(math.Max(v, 0))
	return s, isFinite(s) && s > 0
}

func describeFit(m Model, ps []point, out, simple outcome, clustered bool, trees map[string]int, o Options) Fit {
	f := Fit{Model: m, Parameters: map[string]Parameter{}, C0: out.params[0], RSS: out.rss, Sigma: out.sigma, Stop: string(out.stop), out: out, cov: out.cov, c: 1}
	p := len(out.params)
	df := len(ps) - p
	f.quant = tQuantile(o.Confidence, df)
	build := f.builder()
	half := func(x float64) func([]float64) float64 {
		return func(v []float64) float64 {
			d, _ := LossTime(m, build(v), x)
			return math.Log(d)
		}
	}
	if clustered && out.cov != nil {
		plain, ok := f.se(half(0.5))
		f.cov = byTree(m, ps, out, build, trees, o.Errors)
		f.quant = tQuantile(o.Confidence, len(trees)-1)
		if wide, ok2 := f.se(half(0.5)); ok && ok2 {
			f.c = math.Max(1, wide/plain*wide/plain)
		}
	}
	f.AIC = out.minus2l + 2*float64(p+1)
	f.Chi2Error, f.Chi2DF = chi2Error(m, out.params, ps)
	for j, name := range names[m] {
		q := Parameter{Value: out.params[j]}
		if s, ok := f.se(func(v []float64) float64 { return build(v)[j] }); ok {
			q.SE = &s
		}
		f.Parameters[name] = q
	}
	limits := func(x float64) (*float64, Interval) {
		d, ok := LossTime(m, out.params, x)
		if !ok {
			return nil, Interval{}
		}
		s, ok := f.se(half(x))
		if !ok {
			return &d, Interval{}
		}
		return &d, Interval{some(d * math.Exp(-f.quant*s)), some(d * math.Exp(f.quant*s))}
	}
	f.DT50, f.DT50Delta = limits(0.5)
	f.DT90, f.DT90Delta = limits(0.9)
	f.Collapsed = collapsed(m, ps, out, simple)
	return f
}

// collapsed names why a richer model says no more than a simpler one.
func collapsed(m Model, ps []point, out, simple outcome) string {
	if m == SFO {
		return ""
	}
	p := out.params
	if simple.params != nil && out.minus2l > simple.minus2l-1e-3 {
		return "same as sfo"
	}
	ds := dates(ps)
	switch m {
	case FOMC:
		if p[1] > 1e4 {
			return "alpha unlimited"
		}
	case DFOP:
		switch {
		case out.hit[2]:
			return "k1 at its bound"
		case p[1] < 1e-6 || p[1] > 1-1e-6:
			return "one compartment empty"
		case p[3]*ds[len(ds)-1] < 1e-6:
			return "k2 falls to 0"
		}
	case HS:
		for _, d := range ds {
			if math.Abs(p[1]-d) <= 1e-6*math.Max(1, d) {
				return "break on a sampling day"
			}
		}
		if p[1] < ds[1] || p[1] > ds[len(ds)-2] {
			return "break beside the first or last date"
		}
	}
	if out.cov == nil {
		return "parameters not determined"
	}
	return ""
}

// byTree is the cluster-robust covariance V (sum over trees of u u') V, u the
// score of a tree, with the factor G/(G-1) (n-1)/(n-p) (Liang and Zeger 1986,
// from memory). Samples without a tree are clusters of their own.
func byTree(m Model, ps []point, out outcome, build func([]float64) []float64, trees map[string]int, e Errors) [][]float64 {
	n := len(out.free)
	scores := map[string][]float64{}
	k := task{model: m, points: ps, errors: e}
	s2 := out.sigma * out.sigma
	if k.censored() == 0 { // least squares: the covariance uses RSS/(n-p)
		s2 = out.rss / float64(len(ps)-len(out.params))
	}
	groups := 0
	for i, p := range ps {
		name := p.tree
		if name == "" {
			name = string(rune(0)) + string(rune(i+1))
		}
		predict := func(v []float64) float64 { return k.scale(Concentration(m, build(v), p.t)) }
		f := predict(out.free)
		weight := (k.scale(p.y) - f) / s2
		if p.censored {
			u := (k.scale(p.y) - f) / out.sigma
			weight = -math.Exp(-u*u/2-logNormalCDF(u)) / (math.Sqrt(2*math.Pi) * out.sigma)
			if special.NormalCDF(u) == 1 {
				weight = 0
			}
		}
		if scores[name] == nil {
			scores[name] = make([]float64, n)
			groups++
		}
		for j, g := range gradient(out.free, predict) {
			scores[name][j] += weight * g
		}
	}
	meat := make([][]float64, n)
	for i := range meat {
		meat[i] = make([]float64, n)
	}
	for _, name := range slices.Sorted(maps.Keys(scores)) { // in order, so that the last digit is always the same
		u := scores[name]
		for i := range u {
			for j := range u {
				meat[i][j] += u[i] * u[j]
			}
		}
	}
	g, all := float64(groups), float64(len(ps))
	factor := g / (g - 1) * (all - 1) / (all - float64(len(out.params)))
	v := make([][]float64, n)
	for i := range v {
		v[i] = make([]float64, n)
		for j := range v[i] {
			for a := range meat {
				for b := range meat {
					v[i][j] += factor * out.cov[i][a] * meat[a][b] * out.cov[b][j]
				}
			}
		}
	}
	return v
}

// profile is the interval of the time in which the share x is lost: all times
// at which the best fit through that time is not significantly worse,
// RSS < RSS_min (1 + t^2/df) for least squares, 2(l_max - l) < t^2 with
// non-detects; t^2 is widened by the ratio of variances where trees repeat.
func (f *Fit) profile(ps []point, o Options, x float64, at *float64) *Interval {
	if at == nil {
		return nil
	}
	censored := task{points: ps}.censored() > 0
	best := f.out.minus2l
	n, df := float64(len(ps)), float64(len(ps)-len(f.out.params))
	q := f.quant * f.quant * f.c
	if censored {
		q = distuv.ChiSquared{K: 1}.Quantile(o.Confidence) * f.c
	}
	limit := n * math.Log1p(q/df)
	if censored {
		limit = q
	}
	ds := dates(ps)
	warm := f.out.params
	worse := func(d float64) bool {
		out, err := f.through(ps, ds, o.Errors, x, d, warm)
		return err != nil || out.minus2l-best > limit
	}
	side := func(sign float64) *float64 {
		in, step := math.Log(*at), 0.02
		outside := in + sign*step
		for !worse(math.Exp(outside)) {
			in = outside
			step *= 1.7
			if outside += sign * step; math.Abs(outside-math.Log(*at)) > 8 {
				return nil
			}
		}
		for range 20 {
			mid := (in + outside) / 2
			if worse(math.Exp(mid)) {
				outside = mid
			} else {
				in = mid
			}
		}
		return some(math.Exp((in + outside) / 2))
	}
	return &Interval{side(-1), side(1)}
}

// through fits the model so that the share x is lost at day d.
func (f *Fit) through(ps []point, ds []float64, e Errors, x, d float64, warm []float64) (outcome, error) {
	t := task{model: f.Model, points: ps, errors: e, build: func(v []float64) []float64 { return withLoss(f.Model, v, d, x) }}
	base := shape(f.Model, warm, d)
	switch f.Model {
	case SFO:
		t.bounds, t.starts = []fit.Bound{fit.Above(0)}, [][]float64{base}
	case FOMC:
		t.bounds = []fit.Bound{fit.Above(0), fit.Between(1e-3, 1e6)}
		t.starts = [][]float64{base, {base[0], 1}, {base[0], 20}}
	case DFOP:
		t.bounds = []fit.Bound{fit.Above(0), fit.Between(0, 1), fit.Between(0, 1)}
		t.starts = [][]float64{base, {base[0], 0.3, 0.2}, {base[0], 0.8, 0.05}, {base[0], 0.6, 0.3}}
	case HS:
		return hockey(ds, false, func(low, high float64) task {
			t := task{model: HS, points: ps, errors: e}
			if low == high {
				t.bounds = []fit.Bound{fit.Above(0), fit.Above(0)}
				t.build = func(v []float64) []float64 { return withLoss(HS, []float64{v[0], low / d, v[1]}, d, x) }
				t.starts = [][]float64{{base[0], base[2]}, {base[0], 0.3}, {base[0], 3}}
				return t
			}
			t.bounds = []fit.Bound{fit.Above(0), fit.Between(low/d, high/d), fit.Above(0)}
			t.build = func(v []float64) []float64 { return withLoss(HS, v, d, x) }
			mid := (low + high) / 2 / d
			t.starts = [][]float64{{base[0], mid, base[2]}, {base[0], mid, 0.3}, {base[0], mid, 3}}
			return t
		})
	}
	return t.solve(true)
}

// Band is the curve on a day with its limits, symmetric on the logarithm:
// C exp(-+ t se(ln C)). Days count from the user's day 0; ok is false before
// the start or where errors are not determined.
func (s Series) Band(day float64) (low, curve, high float64, ok bool) {
	if s.Chosen == nil || day < s.StartDay {
		return 0, 0, 0, false
	}
	f, t := s.Chosen, day-s.StartDay
	curve = Concentration(f.Model, f.out.params, t)
	build := f.builder()
	se, ok := f.se(func(v []float64) float64 { return math.Log(Concentration(f.Model, build(v), t)) })
	if !ok || curve <= 0 {
		return curve, curve, curve, false
	}
	w := math.Exp(f.quant * se)
	return curve / w, curve, curve * w, isFinite(w)
}

// builder maps the free values of an outcome to parameters.
func (f *Fit) builder() func([]float64) []float64 {
	switch f.Model {
	case FOMC:
		return func(v []float64) []float64 { return []float64{v[0], v[1], v[1] / v[2]} }
	case DFOP:
		return func(v []float64) []float64 { return []float64{v[0], v[1], v[2], v[2] * v[3]} }
	}
	return func(v []float64) []float64 { return v }
}

// again finds the days on which the limits fall under the effective level.
func (s *Series) again(o Options, say func(string, finding.Severity, finding.Args)) {
	a := &Again{EffectiveMgKg: o.EffectiveMgKg, FromDay: math.Max(o.MinIntervalD, o.NotBeforeD)}
	s.Again = a
	span := math.Max(s.LastDay-s.StartDay, 1)
	first := func(of func(day float64) (float64, bool)) *float64 {
		const steps = 4000
		before := s.StartDay
		for i := 0; i <= steps; i++ {
			day := s.StartDay + 10*span*float64(i)/steps
			v, ok := of(day)
			if !ok {
				return nil
			}
			if v >= o.EffectiveMgKg {
				before = day
				continue
			}
			if i == 0 {
				return some(day)
			}
			for range 60 {
				mid := (before + day) / 2
				if v, _ := of(mid); v >= o.EffectiveMgKg {
					before = mid
				} else {
					day = mid
				}
			}
			return some(day)
		}
		return nil
	}
	a.CurveDay = first(func(d float64) (float64, bool) {
		return Concentration(s.Chosen.Model, s.Chosen.out.params, d-s.StartDay), true
	})
	a.LowerDay = first(func(d float64) (float64, bool) { l, _, _, ok := s.Band(d); return l, ok })
	a.UpperDay = first(func(d float64) (float64, bool) { _, _, h, ok := s.Band(d); return h, ok })
	a.ByDay = a.LowerDay
	if a.LowerDay == nil {
		id := "again-not-in-sight"
		if _, _, _, ok := s.Band(s.StartDay); !ok {
			id = "again-cannot-say"
		}
		say(id, finding.Warning, nil)
		return
	}
	a.Extrapolated = *a.LowerDay > s.LastDay
	if a.Extrapolated {
		say("again-extrapolated", finding.Warning, finding.Args{"day": finding.Number(s.LastDay, "d")})
	}
	if *a.LowerDay < a.FromDay {
		a.GapD = a.FromDay - *a.LowerDay
		say("again-gap", finding.Warning, finding.Args{"days": finding.Number(a.GapD, "d"), "from": finding.Number(a.FromDay, "d"), "level": finding.Number(o.EffectiveMgKg, "")})
	}
}
