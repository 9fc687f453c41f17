// Package decline fits the decline of a residue in the tree and says when the
// effective level is lost (SCIENCE S15). Days are counted from the user's day
// 0; concentrations are in mg/kg. The models are those of FOCUS (2006); a
// figure that the data cannot give is left out (nil), never NaN.
package decline

import (
	"math"
)

// Model names a curve of decline from C0 at the start.
type Model string

// The models (FOCUS 2006, Sanco/10058/2005, chapter 5):
//
//	sfo   C0 exp(-k t)
//	fomc  C0 (t/beta + 1)^-alpha
//	dfop  C0 (g exp(-k1 t) + (1-g) exp(-k2 t)), k1 the faster rate
//	hs    C0 exp(-k1 t) to tb, then exp(-k1 tb - k2 (t-tb))
const (
	SFO  Model = "sfo"
	FOMC Model = "fomc"
	DFOP Model = "dfop"
	HS   Model = "hs"
)

// names of the parameters, in the order of the slices of this package.
var names = map[Model][]string{
	SFO:  {"c0", "k"},
	FOMC: {"c0", "alpha", "beta"},
	DFOP: {"c0", "g", "k1", "k2"},
	HS:   {"c0", "tb", "k1", "k2"},
}

// Names returns the names of a model's parameters; nil for an unknown model.
func Names(m Model) []string { return append([]string(nil), names[m]...) }

// Concentration is C(t) for t >= 0 with parameters in the order of Names.
func Concentration(m Model, p []float64, t float64) float64 {
	switch m {
	case SFO:
		return p[0] * math.Exp(-p[1]*t)
	case FOMC:
		return p[0] * math.Exp(-p[1]*math.Log1p(t/p[2]))
	case DFOP:
		return p[0] * (p[1]*math.Exp(-p[2]*t) + (1-p[1])*math.Exp(-p[3]*t))
	case HS:
		if t <= p[1] {
			return p[0] * math.Exp(-p[2]*t)
		}
		return p[0] * math.Exp(-p[2]*p[1]-p[3]*(t-p[1]))
	}
	return math.NaN()
}

// LossTime is the time in days in which the share x (0.5, 0.9) is lost: closed
// for SFO, FOMC and HS, by bisection for DFOP. Not ok where the curve never
// falls so far.
func LossTime(m Model, p []float64, x float64) (days float64, ok bool) {
	l := -math.Log1p(-x)
	switch m {
	case SFO:
		days = l / p[1]
	case FOMC:
		days = p[2] * math.Expm1(l/p[1])
	case HS:
		if days = l / p[2]; !(days <= p[1]) {
			days = p[1] + (l-p[2]*p[1])/p[3]
		}
	case DFOP:
		if p[2] <= 0 {
			return 0, false
		}
		tau, ok := biphasic(p[1], p[3]/p[2], x)
		if !ok {
			return 0, false
		}
		days = tau / p[2]
	}
	return days, days >= 0 && days < 1e15
}

// biphasic solves g exp(-u) + (1-g) exp(-rho u) = 1-x for u.
func biphasic(g, rho, x float64) (float64, bool) {
	f := func(u float64) float64 { return g*math.Exp(-u) + (1-g)*math.Exp(-rho*u) - (1 - x) }
	low, high := 0.0, 1.0
	for f(high) > 0 {
		if high *= 2; high > 1e15 {
			return 0, false
		}
	}
	for range 200 {
		mid := low + (high-low)/2
		if mid <= low || mid >= high {
			break
		}
		if f(mid) > 0 {
			low = mid
		} else {
			high = mid
		}
	}
	return low + (high-low)/2, true
}

// withLoss builds the parameters of a model from its shape q so that the share
// x is lost at day d: the time scale is fixed, C0 and shape stay free. q is
// SFO: c0; FOMC: c0, alpha; DFOP: c0, g, rho = k2/k1; HS: c0, u = tb/d,
// rho = k2/k1.
func withLoss(m Model, q []float64, d, x float64) []float64 {
	l := -math.Log1p(-x)
	switch m {
	case SFO:
		return []float64{q[0], l / d}
	case FOMC:
		return []float64{q[0], q[1], d / math.Expm1(l/q[1])}
	case DFOP:
		tau, ok := biphasic(q[1], q[2], x)
		if !ok {
			return nil
		}
		return []float64{q[0], q[1], tau / d, q[2] * tau / d}
	case HS:
		k1 := l / d
		if q[1] < 1 {
			k1 = l / (d * (q[1] + q[2]*(1-q[1])))
		}
		return []float64{q[0], q[1] * d, k1, q[2] * k1}
	}
	return nil
}

// shape is the inverse of withLoss.
func shape(m Model, p []float64, d float64) []float64 {
	switch m {
	case FOMC:
		return []float64{p[0], p[1]}
	case DFOP:
		return []float64{p[0], p[1], p[3] / p[2]}
	case HS:
		return []float64{p[0], p[1] / d, p[3] / p[2]}
	}
	return []float64{p[0]}
}
