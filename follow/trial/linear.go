package trial

import "math"

// linear is a linear model fitted by orthogonalising its columns one after the
// other (modified Gram-Schmidt, each column twice), so that the sum of squares
// of a term, adjusted for the terms before it, is the sum of the squared
// effects of its columns.
type linear struct {
	n      int
	q      [][]float64 // orthonormal columns
	r      [][]float64 // r[j][i], i <= j: the upper triangle by columns
	effect []float64   // q'y
	rest   []float64   // residuals
	rss    float64
	logR   float64 // sum of ln r_jj
}

// dependent is the share of its length a column must keep.
const dependent = 1e-9

// fitLinear fits y on the columns; it returns the number of the first column
// that depends on those before it, -1 for none.
func fitLinear(cols [][]float64, y []float64) (*linear, int) {
	m := &linear{n: len(y)}
	for j, c := range cols {
		v := append([]float64(nil), c...)
		length := norm(v)
		r := make([]float64, j+1)
		for range 2 {
			for i, q := range m.q {
				d := dot(q, v)
				r[i] += d
				for k := range v {
					v[k] -= float64(d * q[k])
				}
			}
		}
		left := norm(v)
		if !(left > dependent*length) {
			return nil, j
		}
		r[j] = left
		for k := range v {
			v[k] /= left
		}
		m.q, m.r = append(m.q, v), append(m.r, r)
		m.logR += math.Log(left)
	}
	m.solve(y)
	return m, -1
}

// solve puts another y through the same columns.
func (m *linear) solve(y []float64) {
	m.effect = make([]float64, len(m.q))
	m.rest = append([]float64(nil), y...)
	for range 2 {
		for j, q := range m.q {
			d := dot(q, m.rest)
			m.effect[j] += d
			for k := range m.rest {
				m.rest[k] -= float64(d * q[k])
			}
		}
	}
	m.rss = dot(m.rest, m.rest)
}

// df is what is left for the residuals.
func (m *linear) df() int { return m.n - len(m.q) }

// back solves R'z = l, so that l'b = z'effect and l'(X'X)^-1 l = z'z.
func (m *linear) back(l []float64) []float64 {
	z := make([]float64, len(m.q))
	for j := range z {
		s := l[j]
		for i := range j {
			s -= float64(m.r[j][i] * z[i])
		}
		z[j] = s / m.r[j][j]
	}
	return z
}

// of is the estimate of l'b.
func (m *linear) of(l []float64) float64 { return dot(m.back(l), m.effect) }

// ss is the sum of squares of columns from to to, adjusted for those before.
func (m *linear) ss(from, to int) float64 { return dot(m.effect[from:to], m.effect[from:to]) }

// leverage is the diagonal of the hat matrix.
func (m *linear) leverage() []float64 {
	h := make([]float64, m.n)
	for _, q := range m.q {
		for k, v := range q {
			h[k] += v * v
		}
	}
	return h
}

func dot(a, b []float64) float64 {
	s := 0.0
	for i := range a {
		s += float64(a[i] * b[i])
	}
	return s
}

func norm(x []float64) float64 {
	big := 0.0
	for _, v := range x {
		big = math.Max(big, math.Abs(v))
	}
	if big == 0 || math.IsInf(big, 0) {
		return big
	}
	s := 0.0
	for _, v := range x {
		u := v / big
		s += float64(u * u)
	}
	return big * math.Sqrt(s)
}

// dummies returns a column for each level but the first.
func dummies(level []int, levels int) [][]float64 {
	var out [][]float64
	for l := 1; l < levels; l++ {
		c := make([]float64, len(level))
		for i, v := range level {
			if v == l {
				c[i] = 1
			}
		}
		out = append(out, c)
	}
	return out
}

// products returns the column products of two sets.
func products(a, b [][]float64) [][]float64 {
	var out [][]float64
	for _, x := range a {
		for _, y := range b {
			c := make([]float64, len(x))
			for i := range c {
				c[i] = x[i] * y[i]
			}
			out = append(out, c)
		}
	}
	return out
}

func ones(n int) []float64 {
	c := make([]float64, n)
	for i := range c {
		c[i] = 1
	}
	return c
}
