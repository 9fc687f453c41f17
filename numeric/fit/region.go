package fit

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// region is the linear model |J D^-1 x + r| in singular coordinates.
type region struct {
	s, b []float64  // singular values, U'Q'r
	v    *mat.Dense // right singular vectors
	rr   float64    // length of r
}

func newRegion(cols [][]float64, d, r []float64) (*region, bool) {
	// The residuals ride along as a last column: R then holds Q'r beside it,
	// and the m by m matrix Q is never formed.
	m, n := len(r), len(cols)
	j := mat.NewDense(max(m, n+1), n+1, nil)
	for k, c := range cols {
		for i, v := range c {
			j.Set(i, k, v/d[k])
		}
	}
	for i, v := range r {
		j.Set(i, n, v)
	}
	var qr mat.QR
	qr.Factorize(j)
	var rt mat.Dense
	qr.RTo(&rt)
	var svd mat.SVD
	if !svd.Factorize(rt.Slice(0, n, 0, n), mat.SVDFull) {
		return nil, false
	}
	g := &region{s: svd.Values(nil), b: make([]float64, n), v: new(mat.Dense), rr: norm(r)}
	var u mat.Dense
	svd.UTo(&u)
	svd.VTo(g.v)
	qtr := make([]float64, n)
	for k := range qtr {
		qtr[k] = rt.At(k, n)
	}
	for k := 0; k < n; k++ {
		for i := 0; i < n; i++ {
			g.b[k] += float64(u.At(i, k) * qtr[i])
		}
	}
	return g, true
}

// step returns the scaled step of at most the given length, its length, and
// the share of the sum of squares that the linear model takes away.
func (g *region) step(radius float64) (x []float64, length, predicted float64) {
	n := len(g.s)
	floor := g.s[0] * epsilon * float64(n)
	at := func(l float64) (y []float64, size, slope float64) {
		y = make([]float64, n)
		for k, s := range g.s {
			if s <= floor {
				continue
			}
			q := s*s + l
			y[k] = -s * g.b[k] / q
			slope += y[k] * y[k] / q
		}
		return y, norm(y), slope
	}
	l := 0.0
	y, size, slope := at(0)
	if size > 1.1*radius {
		// Newton's method on 1/size - 1/radius, which is nearly straight in l.
		low, high := 0.0, 0.0
		for k, s := range g.s {
			high = math.Max(high, math.Abs(s*g.b[k]))
		}
		high = high * math.Sqrt(float64(n)) / radius
		for i := 0; i < 60; i++ {
			next := l + (size-radius)/radius*size*size/math.Max(slope*size, 1e-300)
			if slope > 0 {
				next = l + (size*size/slope)*((size-radius)/radius)
			}
			if size > radius {
				low = l
			} else {
				high = l
			}
			if !(next > low && next < high) {
				next = math.Max(1e-3*high, math.Sqrt(low*high))
			}
			l = next
			y, size, slope = at(l)
			if math.Abs(size-radius) <= 0.1*radius {
				break
			}
		}
	}
	x = make([]float64, n)
	for i := 0; i < n; i++ {
		for k := 0; k < n; k++ {
			x[i] += float64(g.v.At(i, k) * y[k])
		}
	}
	for k, s := range g.s {
		if s <= floor {
			continue
		}
		// |r|^2 - |r + J x|^2, term by term without cancellation.
		q := s * s / (s*s + l)
		t := g.b[k] / g.rr
		predicted += t * t * q * (2 - q)
	}
	return x, size, predicted
}
