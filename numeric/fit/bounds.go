package fit

import (
	"fmt"
	"math"
)

// Bound keeps a parameter strictly between Low and High; either may be
// infinite. Inside the solver the parameter is transformed so that it is free:
// p = Low + exp(z), p = High - exp(z), or p = Low + (High-Low)/(1+exp(-z)).
type Bound struct{ Low, High float64 }

// Free is a parameter without bounds.
func Free() Bound { return Bound{math.Inf(-1), math.Inf(1)} }

// Above keeps a parameter above low.
func Above(low float64) Bound { return Bound{low, math.Inf(1)} }

// Between keeps a parameter between low and high.
func Between(low, high float64) Bound { return Bound{low, high} }

func (b Bound) kind() (low, high bool) { return !math.IsInf(b.Low, -1), !math.IsInf(b.High, 1) }

// inward is the free value of p; p on a bound is moved just inside.
func (b Bound) inward(p float64) (float64, error) {
	if math.IsNaN(b.Low) || math.IsNaN(b.High) || b.Low >= b.High || !isFinite(p) || p < b.Low || p > b.High {
		return 0, fmt.Errorf("%w: %g not between %g and %g", ErrBounds, p, b.Low, b.High)
	}
	low, high := b.kind()
	switch {
	case low && high:
		u := (p - b.Low) / (b.High - b.Low)
		u = math.Min(math.Max(u, 1e-6), 1-1e-6)
		return math.Log(u) - math.Log1p(-u), nil
	case low:
		return math.Log(math.Max(p-b.Low, 1e-6*math.Max(1e-6, math.Abs(b.Low)))), nil
	case high:
		return math.Log(math.Max(b.High-p, 1e-6*math.Max(1e-6, math.Abs(b.High)))), nil
	}
	return p, nil
}

// outward is the parameter of a free value, and its derivative.
func (b Bound) outward(z float64) (p, slope float64) {
	low, high := b.kind()
	switch {
	case low && high:
		w := b.High - b.Low
		if z >= 0 {
			e := math.Exp(-z)
			return b.High - w*e/(1+e), w * e / ((1 + e) * (1 + e))
		}
		e := math.Exp(z)
		return b.Low + w*e/(1+e), w * e / ((1 + e) * (1 + e))
	case low:
		e := math.Exp(z)
		return b.Low + e, e
	case high:
		e := math.Exp(z)
		return b.High - e, -e
	}
	return z, 1
}

// at reports whether p lies on a bound as far as start can tell its scale.
func (b Bound) at(p, start float64) bool {
	low, high := b.kind()
	if low && high {
		return p-b.Low < 1e-7*(b.High-b.Low) || b.High-p < 1e-7*(b.High-b.Low)
	}
	if low {
		return p-b.Low < 1e-9*math.Max(math.Abs(b.Low), math.Abs(start-b.Low))
	}
	if high {
		return b.High-p < 1e-9*math.Max(math.Abs(b.High), math.Abs(b.High-start))
	}
	return false
}

// Outward is the parameter of a free value, see Bound.
func (b Bound) Outward(z float64) float64 { p, _ := b.outward(z); return p }

// Slope is the derivative of Outward.
func (b Bound) Slope(z float64) float64 { _, s := b.outward(z); return s }

// Inward is the free value of a parameter; one on its bound is moved just
// inside. Errors: ErrBounds.
func (b Bound) Inward(p float64) (float64, error) { return b.inward(p) }

// At reports whether p lies on a bound as far as start can tell its scale.
func (b Bound) At(p, start float64) bool { return b.at(p, start) }
