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

func (k task) predicted(v []float64) ([]float64, bool) {
	p := k.build(v)
	if p == nil {
		return nil, false
	}
	out := make([]float64, len(k.points))
	for i, q := range k.points {
		out[i] = k.scale(Concentration(k.model, p, q.t))
	}
	return out, true
}

// solve fits by least squares, or by maximum likelihood where there are
// non-detects.
func (k task) solve(quick bool) (outcome, error) {
	if k.censored() > 0 {
		return k.likelihood(quick)
	}
	r, err := fit.Solve(fit.Problem{Points: len(k.points), Bounds: k.bounds, Starts: k.starts, Residuals: func(v, r []float64) {
		f, ok := k.predicted(v)
		for i := range r {
			if !ok {
				r[i] = math.NaN()
				continue
			}
			r[i] = f[i] - k.scale(k.points[i].y)
		}
	}}, fit.Options{Quick: true, Iterations: 300, Coarse: quick})
	if err != nil {
		return outcome{}, err
	}
	n := float64(len(k.points))
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
	value := func(z []float64) float64 {
		v := make([]float64, n)
		for j := range v {
			v[j] = k.bounds[j].Outward(z[j])
		}
		f, ok := k.predicted(v)
		if !ok {
			return math.Inf(1)
		}
		s := math.Exp(z[n])
		l := 0.0
		for i, p := range k.points {
			u := (k.scale(p.y) - f[i]) / s
			if p.censored {
				l -= logNormalCDF(u)
			} else {
				l += u*u/2 + z[n] + math.Log(2*math.Pi)/2
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
	f, _ := k.predicted(o.free)
	for i, p := range k.points {
		if !p.censored {
			e := k.scale(p.y) - f[i]
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
