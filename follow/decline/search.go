package decline

import (
	"math"
	"sort"

	"gonum.org/v1/gonum/mat"

	"sapward/numeric/fit"
)

// invert returns the inverse of a symmetric positive matrix, nil for another.
func invert(h [][]float64) [][]float64 {
	n := len(h)
	s := mat.NewSymDense(n, nil)
	for i := range h {
		for j := 0; j <= i; j++ {
			s.SetSym(i, j, h[i][j])
		}
	}
	var c mat.Cholesky
	if n == 0 || !c.Factorize(s) || c.Cond() > 1e13 {
		return nil
	}
	var inv mat.SymDense
	if err := c.InverseTo(&inv); err != nil {
		return nil
	}
	out := make([][]float64, n)
	for i := range out {
		out[i] = make([]float64, n)
		for j := range out[i] {
			out[i][j] = inv.At(i, j)
		}
	}
	return out
}

// dates of the points, rising, each once.
func dates(ps []point) []float64 {
	var out []float64
	for _, p := range ps {
		out = append(out, p.t)
	}
	sort.Float64s(out)
	n := 0
	for i, t := range out {
		if i == 0 || t != out[n-1] {
			out[n] = t
			n++
		}
	}
	return out[:n]
}

// rough is C0 and k by a straight line through the logarithms.
func rough(ps []point) (c0, k float64) {
	n, sx, sy, sxx, sxy, top := 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
	for _, p := range ps {
		y := p.y
		if p.censored {
			y /= 2
		}
		top = math.Max(top, y)
		if y <= 0 {
			continue
		}
		l := math.Log(y)
		n, sx, sy, sxx, sxy = n+1, sx+p.t, sy+l, sxx+p.t*p.t, sxy+p.t*l
	}
	d := n*sxx - sx*sx
	k = 0.01
	if d > 0 {
		k = -(n*sxy - sx*sy) / d
	}
	end := 1.0
	for _, p := range ps {
		end = math.Max(end, p.t)
	}
	return top, math.Min(math.Max(k, 0.01/end), 50/end)
}

// fullTask sets up the fit of a model. A rate above 10 over the first gap
// between dates leaves nothing at the next one and cannot be told from a faster
// one: it is the upper bound of k1 and k2 (a program default).
func fullTask(m Model, ps []point, e Errors) task {
	ds := dates(ps)
	c0, k := rough(ps)
	fastest := 10 / (ds[1] - ds[0])
	k = math.Min(k, fastest/4)
	t := task{model: m, points: ps, errors: e, build: func(v []float64) []float64 { return v }}
	switch m {
	case SFO:
		t.bounds = []fit.Bound{fit.Above(0), fit.Above(0)}
		for _, f := range []float64{1, 0.3, 3} {
			t.starts = append(t.starts, []float64{c0, k * f})
		}
	case FOMC:
		// Free: C0, alpha, first rate alpha/beta.
		t.bounds = []fit.Bound{fit.Above(0), fit.Between(1e-3, 1e6), fit.Above(0)}
		t.build = func(v []float64) []float64 { return []float64{v[0], v[1], v[1] / v[2]} }
		for _, a := range []float64{0.5, 1, 3, 30} {
			for _, f := range []float64{1, 4} {
				t.starts = append(t.starts, []float64{c0, a, k * f})
			}
		}
	case DFOP:
		// Free: C0, g, k1, k2/k1.
		t.bounds = []fit.Bound{fit.Above(0), fit.Between(0, 1), fit.Between(0, fastest), fit.Between(0, 1)}
		t.build = func(v []float64) []float64 { return []float64{v[0], v[1], v[2], v[2] * v[3]} }
		for _, g := range []float64{0.1, 0.4, 0.7, 0.9} {
			for _, f := range []float64{1.5, 5, 20} {
				for _, r := range []float64{0.03, 0.3} {
					t.starts = append(t.starts, []float64{c0, g, math.Min(k*f, 0.9*fastest), r})
				}
			}
		}
	}
	return t
}

// fitModel fits a model from several starts.
func fitModel(m Model, ps []point, e Errors) (outcome, error) {
	if m != HS {
		return fullTask(m, ps, e).solve(false)
	}
	ds := dates(ps)
	c0, k := rough(ps)
	fastest := 10 / (ds[1] - ds[0])
	return hockey(ds, true, func(low, high float64) task {
		t := task{model: HS, points: ps, errors: e}
		rate := fit.Between(0, fastest)
		k := math.Min(k, fastest/4)
		if low == high {
			t.bounds = []fit.Bound{fit.Above(0), rate, rate}
			t.build = func(v []float64) []float64 { return []float64{v[0], low, v[1], v[2]} }
			t.starts = [][]float64{{c0, k, k / 2}, {c0, k / 2, k}, {c0, 2 * k, k / 10}}
			return t
		}
		t.bounds = []fit.Bound{fit.Above(0), fit.Between(low, high), rate, rate}
		t.build = func(v []float64) []float64 { return v }
		mid := (low + high) / 2
		t.starts = [][]float64{{c0, mid, k, k / 2}, {c0, mid, k / 2, k}, {c0, mid, 2 * k, k / 10}}
		return t
	})
}

// hockey fits the broken curve with its break between each two dates and at
// each date: the sum of squares has a corner at every date, so one search over
// all breaks would stop at the nearest.
func hockey(ds []float64, fine bool, make func(low, high float64) task) (outcome, error) {
	best := outcome{minus2l: math.Inf(1)}
	var last error
	var where [2]float64
	coarse, again := true, []float64(nil)
	try := func(low, high float64) {
		t := make(low, high)
		if again != nil {
			t.starts = [][]float64{again}
		}
		o, err := t.solve(coarse)
		if err != nil {
			last = err
			return
		}
		better := o.minus2l < best.minus2l-1e-9
		if low == high { // a break between dates is preferred if as good
			if better = o.minus2l < best.minus2l-1e-6; better {
				o.found = o.free
				o.free, o.hit = o.params, []bool{o.hit[0], true, o.hit[1], o.hit[2]}
				if c := o.cov; c != nil {
					z := func(i, j int) float64 { return c[i][j] }
					o.cov = [][]float64{{z(0, 0), 0, z(0, 1), z(0, 2)}, {0, 0, 0, 0}, {z(1, 0), 0, z(1, 1), z(1, 2)}, {z(2, 0), 0, z(2, 1), z(2, 2)}}
				}
			}
		}
		if better {
			best, where = o, [2]float64{low, high}
		}
	}
	for i := 1; i < len(ds); i++ {
		try(ds[i-1], ds[i])
	}
	for i := 1; i < len(ds)-1; i++ {
		try(ds[i], ds[i])
	}
	if math.IsInf(best.minus2l, 1) {
		return outcome{}, last
	}
	if fine { // once more, to the resolution of the parameters
		coarse = false
		again = best.found
		if again == nil {
			again = best.free
		}
		best.minus2l = math.Inf(1)
		try(where[0], where[1])
	}
	return best, nil
}
