package decline

import (
	"math"

	"sapward/numeric/fit"
	"sapward/numeric/special"
)

// point is one assay, days from the start of the fit. A censored one lies
// below y, its detection limit.
type point struct {
	t, y     float64
	censored bool
	tree     string
}

// Errors says how errors grow with the concentration.
type Errors string

// Constant errors in mg/kg, or proportional: constant on the logarithm.
const (
	Constant     Errors = "constant"
	Proportional Errors = "proportional"
)

// task is one model to be fitted to one series. build turns free values into
// parameters; bounds and starts are of the free values.
type task struct {
	model  Model
	points []point
	errors Errors
	build  func(v []float64) []float64
	bounds []fit.Bound
	starts [][]float64

	grouped *groups // of the points, once they are known
}

// groups holds what many assays share: a curve has one value a day, and the
// logarithm of an assay is taken once.
//
// Where there are more than gathered assays a day, they enter by their sums:
// for n assays of a day with mean m, sum (y - f)^2 = n (m - f)^2 + sum (y -
// m)^2, and non-detects of one day and limit by their number. The sum of squares
// and the likelihood are the same numbers; the work no longer grows with the
// assays.
type groups struct {
	days   []float64 // each once
	at     []int     // day of each point
	scaled []float64 // assay or limit on the scale of the errors
	sums   bool      // by their sums
	n      []float64 // detected assays of each day
	mean   []float64
	within float64 // sum of squares within days
	tails  []tail
}

// tail is the non-detects of one day and limit.
type tail struct {
	day   int
	limit float64 // on the scale of the errors
	count float64
}

// gathered is how many assays a day are still taken one by one.
var gathered = 4

func (k task) group() *groups {
	g := &groups{at: make([]int, len(k.points)), scaled: make([]float64, len(k.points))}
	dayOf, tailOf := map[float64]int{}, map[[2]float64]int{}
	for i, p := range k.points {
		d, ok := dayOf[p.t]
		if !ok {
			d = len(g.days)
			dayOf[p.t] = d
			g.days = append(g.days, p.t)
		}
		g.at[i], g.scaled[i] = d, k.scale(p.y)
	}
	g.sums = len(k.points) > gathered*len(g.days) && len(g.days)+1 > len(k.bounds)
	if !g.sums {
		return g
	}
	g.n, g.mean = make([]float64, len(g.days)), make([]float64, len(g.days))
	for i, p := range k.points {
		if p.censored {
			key := [2]float64{p.t, p.y}
			c, ok := tailOf[key]
			if !ok {
				c = len(g.tails)
				tailOf[key] = c
				g.tails = append(g.tails, tail{day: g.at[i], limit: g.scaled[i]})
			}
			g.tails[c].count++
			continue
		}
		d := g.at[i]
		g.n[d]++
		g.mean[d] += (g.scaled[i] - g.mean[d]) / g.n[d]
	}
	for i, p := range k.points {
		if !p.censored {
			e := g.scaled[i] - g.mean[g.at[i]]
			g.within += e * e
		}
	}
	return g
}

// residuals fills r; by sums the last one holds what is left within days.
func (g *groups) residuals(f, r []float64) {
	if !g.sums {
		for i := range r {
			r[i] = f[g.at[i]] - g.scaled[i]
		}
		return
	}
	for d := range f {
		r[d] = math.Sqrt(g.n[d]) * (f[d] - g.mean[d])
	}
	r[len(f)] = math.Sqrt(g.within)
}

// size is the number of residuals.
func (g *groups) size() int {
	if g.sums {
		return len(g.days) + 1
	}
	return len(g.at)
}

// curve fills out with the predicted value of each day.
func (k task) curve(v []float64, out []float64) bool {
	p := k.build(v)
	if p == nil {
		return false
	}
	for i, t := range k.grouped.days {
		out[i] = k.scale(Concentration(k.model, p, t))
	}
	return true
}

// scale is the value on the scale of the errors.
func (k task) scale(c float64) float64 {
	if k.errors == Proportional {
		return math.Log(c)
	}
	return c
}

func (k task) censored() int {
	n := 0
	for _, p := range k.points {
		if p.censored {
			n++
		}
	}
	return n
}

// outcome of a fit: free values, parameters, the sum of squares over detected
// assays, -2 log-likelihood and, with non-detects, the standard deviation.
type outcome struct {
	free, params []float64
	rss, minus2l float64
	sigma        float64
	cov          [][]float64 // of the free values; nil if not determined
	stop         fit.Stop
	hit          []bool
	found        []float64 // free values before a fixed break was put among them
}

// solve fits by least squares, or by maximum likelihood where there are
// non-detects.
func (k task) solve(quick bool) (outcome, error) {
	k.grouped = k.group()
	if k.censored() > 0 {
		return k.likelihood(quick)
	}
	g, f := k.grouped, make([]float64, len(k.grouped.days))
	r, err := fit.Solve(fit.Problem{Points: g.size(), Bounds: k.bounds, Starts: k.starts, Residuals: func(v, r []float64) {
		if k.curve(v, f) {
			g.residuals(f, r)
			return
		}
		for i := range r {
			r[i] = math.NaN()
		}
	}}, fit.Options{Quick: true, Iterations: 300, Coarse: quick})
	if err != nil {
		return outcome{}, err
	}
	n := float64(len(k.points))
	if g.sums { // the variance is the sum of squares over the assays' degrees of freedom
		factor := float64(r.DF) / float64(len(k.points)-len(k.bounds))
		for _, row := range r.Covariance {
			for j := range row {
				row[j] *= factor
			}
		}
	}
	o := outcome{free: r.Parameters, params: k.build(r.Parameters), rss: r.RSS, cov: r.Covariance, stop: r.Stop, hit: r.AtBound}
	o.sigma = math.Sqrt(r.RSS / n)
	o.minus2l = n * (math.Log(2*math.Pi*math.Max(r.RSS/n, 1e-300)) + 1)
	return o, nil
}

// likelihood is the censored normal likelihood: density for a detected assay,
// P(Z < (limit - f)/sigma) for a non-detect. The free values are searched in
// the coordinates of their bounds, with ln sigma beside them.
func (k task) likelihood(quick bool) (outcome, error) {
	n := len(k.bounds)
	g, f := k.grouped, make([]float64, len(k.grouped.days))
	v := make([]float64, n)
	constant := math.Log(2*math.Pi) / 2
	value := func(z []float64) float64 {
		for j := range v {
			v[j] = k.bounds[j].Outward(z[j])
		}
		if !k.curve(v, f) {
			return math.Inf(1)
		}
		s := math.Exp(z[n])
		l := 0.0
		if g.sums {
			for d, m := range g.n {
				if m > 0 {
					u := (g.mean[d] - f[d]) / s
					l += m * (u*u/2 + z[n] + constant)
				}
			}
			l += g.within / (2 * s * s)
			for _, c := range g.tails {
				l -= c.count * logNormalCDF((c.limit-f[c.day])/s)
			}
		} else {
			for i, p := range k.points {
				u := (g.scaled[i] - f[g.at[i]]) / s
				if p.censored {
					l -= logNormalCDF(u)
				} else {
					l += u*u/2 + z[n] + constant
				}
			}
		}
		if math.IsNaN(l) {
			return math.Inf(1)
		}
		return l
	}
	// Starts: least squares with non-detects at their limits, then the likelihood.
	plain := k
	plain.points = append([]point(nil), k.points...)
	for i := range plain.points {
		if plain.points[i].censored {
			plain.points[i].censored = false
			plain.points[i].y /= 2
		}
	}
	first, err := plain.solve(quick)
	if err != nil {
		return outcome{}, err
	}
	var starts [][]float64
	for _, s := range append([][]float64{first.free}, k.starts[:1]...) {
		z := make([]float64, n+1)
		for j := range s {
			if z[j], err = k.bounds[j].Inward(s[j]); err != nil {
				return outcome{}, err
			}
		}
		z[n] = math.Log(math.Max(first.sigma, 1e-6*math.Abs(k.scale(k.points[0].y))+1e-12))
		starts = append(starts, z)
	}
	m, err := fit.Minimise(fit.Objective{Value: value}, starts, fit.Options{Iterations: 100})
	if err != nil {
		return outcome{}, err
	}
	o := outcome{minus2l: 2 * m.Value, stop: m.Stop, sigma: math.Exp(m.X[n]), hit: make([]bool, n)}
	slope := make([]float64, n)
	for j := range k.bounds {
		o.free = append(o.free, k.bounds[j].Outward(m.X[j]))
		slope[j] = k.bounds[j].Slope(m.X[j])
		o.hit[j] = k.bounds[j].At(o.free[j], k.starts[0][j])
	}
	o.params = k.build(o.free)
	k.curve(o.free, f)
	for i, p := range k.points {
		if !p.censored {
			e := g.scaled[i] - f[g.at[i]]
			o.rss += e * e
		}
	}
	if inv := invert(m.Hessian); inv != nil {
		o.cov = make([][]float64, n)
		for i := range o.cov {
			o.cov[i] = make([]float64, n)
			for j := range o.cov[i] {
				o.cov[i][j] = inv[i][j] * slope[i] * slope[j]
			}
		}
	}
	return o, nil
}

// logNormalCDF is ln P(Z < u), accurate far out on the left.
func logNormalCDF(u float64) float64 {
	if u > -5 {
		return math.Log(special.NormalCDF(u))
	}
	// P = exp(-u^2/2) erfcx(-u/sqrt 2)/2.
	return -u*u/2 + math.Log(special.Erfcx(-u/math.Sqrt2)/2)
}
