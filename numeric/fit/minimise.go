package fit

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// Objective is a smooth function to be made least, such as a negative
// logarithm of a likelihood. Gradient may be nil.
type Objective struct {
	Value    func(x []float64) float64
	Gradient func(x, g []float64)
}

// Minimum is the least value found. Hessian is symmetric, by differences.
type Minimum struct {
	X          []float64
	Value      float64
	Hessian    [][]float64
	Iterations int
	Start      int
	Stop       Stop
}

func (o Objective) gradient(x, g []float64) {
	if o.Gradient != nil {
		o.Gradient(x, g)
		return
	}
	w := append([]float64(nil), x...)
	for j := range x {
		h := 1e-4 * math.Max(math.Abs(x[j]), 1)
		f := func(k float64) float64 { w[j] = x[j] + k*h; return o.Value(w) }
		g[j] = (8*(f(1)-f(-1)) - (f(2) - f(-2))) / (12 * h)
		w[j] = x[j]
	}
}

// hessian takes central differences of the gradient and makes them symmetric.
func (o Objective) hessian(x []float64) [][]float64 {
	n := len(x)
	h := make([][]float64, n)
	w := append([]float64(nil), x...)
	up, down := make([]float64, n), make([]float64, n)
	for j := range h {
		h[j] = make([]float64, n)
	}
	for j := range x {
		d := 1e-5 * math.Max(math.Abs(x[j]), 1)
		if o.Gradient == nil {
			d = 1e-3 * math.Max(math.Abs(x[j]), 1)
		}
		w[j] = x[j] + d
		o.gradient(w, up)
		w[j] = x[j] - d
		o.gradient(w, down)
		w[j] = x[j]
		for k := range x {
			h[j][k] = (up[k] - down[k]) / (2 * d)
		}
	}
	for j := range h {
		for k := 0; k < j; k++ {
			m := (h[j][k] + h[k][j]) / 2
			h[j][k], h[k][j] = m, m
		}
	}
	return h
}

// Minimise runs Newton's method from each start, with the eigenvalues of the
// Hessian made positive and the step halved until the value falls, and keeps
// the least end. The coordinates should be of the order of 1 (logarithms,
// logits). Errors: ErrShape, ErrStart.
func Minimise(o Objective, starts [][]float64, opt Options) (Minimum, error) {
	if o.Value == nil || len(starts) == 0 || len(starts[0]) == 0 {
		return Minimum{}, ErrShape
	}
	most := opt.Iterations
	if most <= 0 {
		most = 200
	}
	best := Minimum{Value: math.Inf(1), Start: -1}
	for k, s := range starts {
		if len(s) != len(starts[0]) {
			return Minimum{}, ErrShape
		}
		m := o.descend(s, most)
		if m.Value < best.Value-1e-10*math.Abs(best.Value) || best.Start < 0 && isFinite(m.Value) {
			m.Start = k
			best = m
		}
	}
	if best.Start < 0 {
		return Minimum{}, ErrStart
	}
	return best, nil
}

func (o Objective) descend(start []float64, most int) Minimum {
	n := len(start)
	m := Minimum{X: append([]float64(nil), start...), Stop: StopIterations}
	m.Value = o.Value(m.X)
	if !isFinite(m.Value) {
		m.Value = math.Inf(1)
		return m
	}
	g, trial := make([]float64, n), make([]float64, n)
	for ; m.Iterations < most; m.Iterations++ {
		o.gradient(m.X, g)
		m.Hessian = o.hessian(m.X)
		flat := make([]float64, 0, n*n)
		ok := isFinite(norm(g))
		for _, row := range m.Hessian {
			flat = append(flat, row...)
			ok = ok && isFinite(norm(row))
		}
		var e mat.EigenSym
		if !ok || !e.Factorize(mat.NewSymDense(n, flat), true) {
			m.Stop = StopStuck
			return m
		}
		values := e.Values(nil)
		var v mat.Dense
		e.VectorsTo(&v)
		top := 0.0
		for _, l := range values {
			top = math.Max(top, math.Abs(l))
		}
		step := make([]float64, n)
		gain := 0.0
		for k, l := range values {
			l = math.Max(math.Abs(l), math.Max(1e-10*top, 1e-300))
			c := 0.0
			for i := range g {
				c += v.At(i, k) * g[i]
			}
			gain += c * c / l
			for i := range step {
				step[i] -= v.At(i, k) * c / l
			}
		}
		if gain <= 1e-22*math.Max(1, math.Abs(m.Value)) {
			m.Stop = StopGradient
			return m
		}
		// No step of more than 5 in logarithms or logits at once.
		if l := norm(step); l > 5 {
			for i := range step {
				step[i] *= 5 / l
			}
			gain *= 5 / l
		}
		moved := false
		for t := 1.0; t > 1e-14; t /= 2 {
			for i := range trial {
				trial[i] = m.X[i] + t*step[i]
			}
			f := o.Value(trial)
			if f < m.Value-1e-4*t*gain || f < m.Value && t*gain < 1e-10*math.Max(1, math.Abs(m.Value)) {
				copy(m.X, trial)
				m.Value, moved = f, true
				break
			}
		}
		if !moved {
			m.Stop = StopReduction
			if gain > 1e-7*math.Max(1, math.Abs(m.Value)) {
				m.Stop = StopStuck
			}
			return m
		}
	}
	return m
}
