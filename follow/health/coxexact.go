package health

import "math"

// affordable bounds the work of the exact likelihood.
func (m *coxModel) affordable() error {
	work, inSet := 0.0, 0
	for i := 0; i < m.n; {
		if i == 0 || m.stratum[i] != m.stratum[i-1] {
			inSet = 0
		}
		j, d := i, 0
		for j < m.n && m.stratum[j] == m.stratum[i] && m.day[j] == m.day[i] {
			if m.died[j] {
				d++
			}
			j++
		}
		inSet += j - i
		work += float64(inSet) * float64(d) * float64(m.p*m.p)
		i = j
	}
	if work > 1e8 {
		return ErrManyTies
	}
	return nil
}

// exact takes the logarithm of the sum, over all sets of as many trees as died,
// of the product of their weights (the elementary symmetric function of order
// d) from the likelihood, with its derivatives; the recursion adds one tree of
// the risk set [from,to) at a time. Common scaling keeps it from overflow.
func (m *coxModel) exact(out *sums, from, to, d int, top float64, mean []float64) {
	p := m.p
	e := make([]float64, d+1)
	g, h := make([]float64, (d+1)*p), make([]float64, (d+1)*p*p)
	e[0] = 1
	logScale := 0.0
	for i := from; i < to; i++ {
		w := math.Exp(m.hold[i] - top)
		x := m.x[i*p : i*p+p]
		for k := min(d, i-from+1); k >= 1; k-- {
			for a := 0; a < p; a++ {
				for b := 0; b <= a; b++ {
					h[(k*p+a)*p+b] += w * (h[((k-1)*p+a)*p+b] + x[a]*g[(k-1)*p+b] + x[b]*g[(k-1)*p+a] + x[a]*x[b]*e[k-1])
				}
			}
			for a := 0; a < p; a++ {
				g[k*p+a] += w * (g[(k-1)*p+a] + x[a]*e[k-1])
			}
			e[k] += w * e[k-1]
		}
		most := 0.0
		for _, v := range e {
			most = math.Max(most, v)
		}
		if most > 1e100 {
			for k := range e {
				e[k] /= most
			}
			for k := range g {
				g[k] /= most
			}
			for k := range h {
				h[k] /= most
			}
			logScale += math.Log(most)
		}
	}
	out.l -= math.Log(e[d]) + logScale + float64(d)*top
	for a := 0; a < p; a++ {
		ga := g[d*p+a] / e[d]
		out.g[a] -= ga
		mean[a] = ga / float64(d)
		for b := 0; b <= a; b++ {
			out.h[a*p+b] += h[(d*p+a)*p+b]/e[d] - ga*g[d*p+b]/e[d]
		}
	}
}
