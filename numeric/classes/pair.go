package classes

import "math"

// pair is an unevaluated sum hi + lo with |lo| at most half a unit in the last
// place of hi: about 31 decimal digits (Dekker 1971, from memory).
type pair struct{ hi, lo float64 }

// twoSum returns a + b exactly (Knuth 1969, from memory).
func twoSum(a, b float64) pair {
	s := a + b
	t := s - a
	return pair{s, (a - (s - t)) + (b - t)}
}

// quick renormalises when |a| >= |b|.
func quick(a, b float64) pair {
	s := a + b
	return pair{s, b - (s - a)}
}

// twoProduct returns a*b exactly.
func twoProduct(a, b float64) pair {
	h := float64(a * b)
	return pair{h, math.FMA(a, b, -h)}
}

func (p pair) minus() pair { return pair{-p.hi, -p.lo} }

func (p pair) plus(q pair) pair {
	s := twoSum(p.hi, q.hi)
	t := twoSum(p.lo, q.lo)
	s = quick(s.hi, s.lo+t.hi)
	return quick(s.hi, s.lo+t.lo)
}

func (p pair) times(q pair) pair {
	r := twoProduct(p.hi, q.hi)
	return quick(r.hi, r.lo+(float64(p.hi*q.lo)+float64(p.lo*q.hi)))
}

// over divides by an ordinary number.
func (p pair) over(d float64) pair {
	h := p.hi / d
	r := twoProduct(h, d)
	return quick(h, ((p.hi-r.hi)-r.lo+p.lo)/d)
}
