package fit

import (
	"fmt"
	"math"
)

// Problem is a sum of squares to be made least: sum over i of r_i(p)^2.
type Problem struct {
	// Points is the number of residuals.
	Points int
	// Residuals fills r with predicted minus observed, weights included.
	Residuals func(p, r []float64)
	// Jacobian fills columns[j][i] with the derivative of r_i by p_j; nil lets
	// the solver take differences.
	Jacobian func(p []float64, columns [][]float64)
	// Bounds, if given, holds one bound for each parameter.
	Bounds []Bound
	// Starts are tried one after another; the least sum wins, the earlier start
	// among equals.
	Starts [][]float64
}

// Options of a solver; a zero value means the default.
type Options struct {
	// Iterations allowed from one start (default 1000).
	Iterations int
	// Quick tries one first step length instead of three. Enough where the
	// starts are good.
	Quick bool
	// Coarse ends at a relative change of 1e-9 in the sum of squares and leaves
	// the polish out, for searches that need the sum only.
	Coarse bool
}

// Result is a fit. Covariance and StdErrors are s^2 (J'J)^-1 with
// s^2 = RSS/DF; they are left out (nil) where DF is 0 or J has not full rank.
// A parameter on its bound has the standard error 0 and AtBound true.
type Result struct {
	Parameters  []float64   `json:"parameters"`
	StdErrors   []float64   `json:"std_errors,omitempty"`
	Covariance  [][]float64 `json:"covariance,omitempty"`
	RSS         float64     `json:"rss"`
	ResidualSD  float64     `json:"residual_sd"`
	DF          int         `json:"df"`
	Rank        int         `json:"rank"`
	AtBound     []bool      `json:"at_bound"`
	Iterations  int         `json:"iterations"`
	Evaluations int         `json:"evaluations"`
	Start       int         `json:"start"` // which start won, from 0
	Stop        Stop        `json:"stop"`
}

// search is one problem in free coordinates.
type search struct {
	Problem
	p     []float64 // scratch
	evals int
	tol   float64 // relative change of the sum of squares that ends a run
}

func (s *search) params(z []float64) []float64 {
	for j, v := range z {
		if s.Bounds == nil {
			s.p[j] = v
		} else {
			s.p[j], _ = s.Bounds[j].outward(v)
		}
	}
	return s.p
}

// residuals returns the length of r, infinite where the model fails.
func (s *search) residuals(z, r []float64) float64 {
	s.evals++
	s.Problem.Residuals(s.params(z), r)
	return norm(r)
}

// jacobian fills the columns by analytic derivatives or central differences.
func (s *search) jacobian(z []float64, cols [][]float64, fine bool) {
	if s.Problem.Jacobian != nil {
		s.Problem.Jacobian(s.params(z), cols)
		if s.Bounds != nil {
			for j := range cols {
				_, slope := s.Bounds[j].outward(z[j])
				for i := range cols[j] {
					cols[j][i] *= slope
				}
			}
		}
	} else {
		for j := range z {
			if fine {
				s.romberg(z, j, cols[j])
			} else {
				h := 6e-6 * math.Max(math.Abs(z[j]), 1e-3)
				if s.Bounds != nil {
					h = 6e-6 * math.Max(math.Abs(z[j]), 1)
				}
				s.difference(z, j, h, cols[j])
			}
		}
	}
	for _, c := range cols {
		for i, v := range c {
			if !isFinite(v) {
				c[i] = 0
			}
		}
	}
}

// difference is the central difference (r(z+h)-r(z-h))/2h; false if not finite.
func (s *search) difference(z []float64, j int, h float64, out []float64) bool {
	w := append([]float64(nil), z...)
	up, down := make([]float64, s.Points), make([]float64, s.Points)
	w[j] = z[j] + h
	hi := w[j]
	a := s.residuals(w, up)
	w[j] = z[j] - h
	lo := w[j]
	b := s.residuals(w, down)
	if !isFinite(a) || !isFinite(b) || hi == lo {
		return false
	}
	for i := range out {
		out[i] = (up[i] - down[i]) / (hi - lo)
	}
	return true
}

// romberg extrapolates central differences to step zero (Ridders 1982, from
// memory) and keeps the level at which two neighbours agree best.
func (s *search) romberg(z []float64, j int, out []float64) {
	const levels = 14
	h := 0.05 * math.Max(math.Abs(z[j]), 1e-2)
	if s.Bounds != nil {
		h = 0.1
	}
	best := math.Inf(1)
	var before [][]float64
	for level := 0; level < levels; level, h = level+1, h/2 {
		row := [][]float64{make([]float64, s.Points)}
		if !s.difference(z, j, h, row[0]) {
			before = nil
			continue
		}
		if math.IsInf(best, 1) {
			copy(out, row[0])
		}
		factor := 4.0
		for k := range before {
			next := make([]float64, s.Points)
			gap, size := make([]float64, s.Points), norm(row[k])
			for i := range next {
				next[i] = row[k][i] + (row[k][i]-before[k][i])/(factor-1)
				gap[i] = math.Max(math.Abs(next[i]-row[k][i]), math.Abs(next[i]-before[k][i]))
			}
			if e := norm(gap); e < best && size > 0 {
				best = e
				copy(out, next)
			}
			row = append(row, next)
			factor *= 4
		}
		before = row
	}
}

// Solve makes the sum of squares least by Levenberg and Marquardt's method in
// the trust-region form of More (1978, from memory): the Jacobian, scaled by
// the largest column lengths met so far, is split by QR, its triangle by
// singular values, and the step is the one of bounded length that reduces the
// linear model most. From each start three first step lengths are tried
// unless Options.Quick is set. At the end Gauss-Newton steps with extrapolated
// differences polish the parameters to the resolution of float64.
//
// Errors: ErrShape, ErrTooFew (fewer points than parameters), ErrBounds,
// ErrStart. A Stop that is not Good comes back in the result, not as an error.
func Solve(p Problem, o Options) (Result, error) {
	if p.Residuals == nil || len(p.Starts) == 0 || len(p.Starts[0]) == 0 {
		return Result{}, ErrShape
	}
	n := len(p.Starts[0])
	if p.Points < n {
		return Result{}, fmt.Errorf("%w: %d points for %d parameters", ErrTooFew, p.Points, n)
	}
	if p.Bounds != nil && len(p.Bounds) != n {
		return Result{}, ErrShape
	}
	if o.Iterations <= 0 {
		o.Iterations = 1000
	}
	s := &search{Problem: p, p: make([]float64, n), tol: 1e-15}
	if o.Coarse {
		s.tol = 1e-9
	}
	factors, usual := []float64{100, 1, 0.1, 0.01, 0.001}, 3
	if o.Quick {
		factors, usual = factors[1:2], 1
	}
	var best attempt
	best.f = math.Inf(1)
	won, total := -1, 0
	for k, start := range p.Starts {
		if len(start) != n {
			return Result{}, ErrShape
		}
		z := make([]float64, n)
		for j, v := range start {
			z[j] = v
			if !isFinite(v) {
				return Result{}, ErrNotFinite
			}
			if p.Bounds != nil {
				var err error
				if z[j], err = p.Bounds[j].inward(v); err != nil {
					return Result{}, err
				}
			}
		}
		for i, factor := range factors {
			// Short first steps are for models with mirror images: they are
			// tried only when the longer ones changed a sign.
			if i >= usual && (won != k || flips(best.z, z) == 0) {
				break
			}
			a := s.run(z, factor, o.Iterations)
			total += a.iterations
			// A later attempt must be better by more than rounding, or equally
			// good and, where the model has mirror images, nearer to its start.
			better := a.f < best.f*(1-1e-9)
			if !better && won == k && a.f <= best.f*(1+1e-9) {
				better = flips(a.z, z) < flips(best.z, z)
			}
			if better {
				best, won = a, k
			}
		}
	}
	if won < 0 {
		return Result{}, ErrStart
	}
	if o.Coarse {
		best.cols = columns(n, s.Points)
		s.jacobian(best.z, best.cols, false)
	} else {
		s.polish(&best)
	}
	return s.report(best, won, total), nil
}

// flips counts the coordinates whose sign differs from the start's.
func flips(z, start []float64) int {
	n := 0
	for j := range z {
		if z[j]*start[j] < 0 {
			n++
		}
	}
	return n
}

// attempt is where one run ended.
type attempt struct {
	z, r       []float64
	f          float64 // length of r
	stop       Stop
	iterations int
	cols       [][]float64
}

func columns(n, m int) [][]float64 {
	c := make([][]float64, n)
	for j := range c {
		c[j] = make([]float64, m)
	}
	return c
}

// run is one descent from z with a first step of at most factor times the
// scaled length of z.
func (s *search) run(start []float64, factor float64, most int) attempt {
	n := len(start)
	a := attempt{z: append([]float64(nil), start...), r: make([]float64, s.Points), stop: StopIterations}
	a.f = s.residuals(a.z, a.r)
	if !isFinite(a.f) {
		a.f = math.Inf(1)
		return a
	}
	cols := columns(n, s.Points)
	scale := make([]float64, n)
	trial, tr := make([]float64, n), make([]float64, s.Points)
	radius := 0.0
	small := 0
	for a.iterations = 0; a.iterations < most; a.iterations++ {
		if a.f <= 1e-300 {
			a.stop = StopZero
			return a
		}
		s.jacobian(a.z, cols, false)
		square := true
		for j, c := range cols {
			l := norm(c)
			if l > 0 && math.Abs(dot(c, a.r)) > 1e-14*l*a.f {
				square = false
			}
			scale[j] = math.Max(scale[j], l)
		}
		if square {
			a.stop = StopGradient
			return a
		}
		d := make([]float64, n)
		for j := range d {
			d[j] = scale[j]
			if d[j] == 0 {
				d[j] = 1
			}
		}
		if a.iterations == 0 {
			w := make([]float64, n)
			for j := range w {
				w[j] = d[j] * a.z[j]
			}
			if radius = factor * norm(w); radius == 0 || !isFinite(radius) {
				radius = factor
			}
		}
		// Residuals below the rounding of the predicted values are zero.
		if a.f <= 2*epsilon*weighted(d, a.z) {
			a.stop = StopZero
			return a
		}
		region, ok := newRegion(cols, d, a.r)
		if !ok {
			a.stop = StopStuck
			return a
		}
		accepted := false
		for !accepted {
			step, length, predicted := region.step(radius)
			for j := range trial {
				trial[j] = a.z[j] + step[j]/d[j]
			}
			f := s.residuals(trial, tr)
			actual := -1.0
			if f < math.Inf(1) && 0.1*f < a.f {
				q := f / a.f
				actual = (1 - q) * (1 + q)
			}
			ratio := 0.0
			if predicted > 0 {
				ratio = actual / predicted
			}
			if a.iterations == 0 && !accepted {
				radius = math.Min(radius, length)
			}
			switch {
			case ratio <= 0.25:
				shrink := 0.25
				if actual < -3 {
					shrink = 0.1
				}
				radius = shrink * math.Min(radius, 4*length)
			case ratio >= 0.75 || length < 0.9*radius:
				radius = math.Max(radius, 2*length)
			}
			still := length <= 1e-15*weighted(d, a.z)
			if ratio >= 1e-4 && actual > 0 {
				copy(a.z, trial)
				copy(a.r, tr)
				a.f = f
				accepted = true
			}
			if math.Abs(actual) <= s.tol && predicted <= s.tol {
				if small++; small >= 3 || !accepted {
					a.stop = StopReduction
					return a
				}
			}
			if still || radius <= 1e-16*weighted(d, a.z) || radius < 1e-300 {
				a.stop = StopStep
				if predicted > 1e-6 {
					a.stop = StopStuck
				}
				return a
			}
		}
	}
	return a
}

func weighted(d, z []float64) float64 {
	w := make([]float64, len(z))
	for j := range z {
		w[j] = d[j] * z[j]
	}
	return norm(w)
}

// polish takes Gauss-Newton steps with fine derivatives while they shrink.
func (s *search) polish(a *attempt) {
	n := len(a.z)
	a.cols = columns(n, s.Points)
	trial, tr := make([]float64, n), make([]float64, s.Points)
	last := math.Inf(1)
	for i := 0; i < 30; i++ {
		s.jacobian(a.z, a.cols, true)
		if a.f == 0 {
			return
		}
		d := make([]float64, n)
		for j, c := range a.cols {
			if d[j] = norm(c); d[j] == 0 {
				return
			}
		}
		g, ok := newRegion(a.cols, d, a.r)
		if !ok || g.s[n-1] <= g.s[0]*1e-13 {
			return
		}
		step, length, _ := g.step(math.Inf(1))
		if length >= 0.7*last {
			return
		}
		last = length
		for j := range trial {
			trial[j] = a.z[j] + step[j]/d[j]
		}
		f := s.residuals(trial, tr)
		if !(f <= a.f*(1+1e-12)) {
			return
		}
		copy(a.z, trial)
		copy(a.r, tr)
		a.f = f
	}
}
