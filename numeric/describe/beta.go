package describe

import (
	"errors"
	"math"
)

// ErrNoConvergence: an iteration did not settle; the argument is far outside
// the range this package is made for.
var ErrNoConvergence = errors.New("iteration did not converge")

const maxFraction = 200000

// betaFraction evaluates the continued fraction of the incomplete beta function
// (Abramowitz and Stegun 1964, 26.5.8, from memory) by the modified Lentz
// method. It converges fast for x < (a+1)/(a+b+2).
func betaFraction(a, b, x float64) (float64, error) {
	const tiny = 1e-300
	guard := func(v float64) float64 {
		if math.Abs(v) < tiny {
			return tiny
		}
		return v
	}
	c := 1.0
	d := 1 / guard(1-(a+b)*x/(a+1))
	h := d
	for m := 1.0; m <= maxFraction; m++ {
		e := m * (b - m) * x / ((a + 2*m - 1) * (a + 2*m))
		d = 1 / guard(1+e*d)
		c = guard(1 + e/c)
		h *= d * c
		o := -(a + m) * (a + b + m) * x / ((a + 2*m) * (a + 2*m + 1))
		d = 1 / guard(1+o*d)
		c = guard(1 + o/c)
		step := d * c
		h *= step
		if math.Abs(step-1) < 3e-16 {
			return h, nil
		}
	}
	return 0, ErrNoConvergence
}

// incompleteBeta returns the regularized incomplete beta function I_x(a, b) and
// 1 - I_x(a, b), each without cancellation in the smaller one. lnx and lny are
// ln x and ln(1-x); lnB is ln B(a, b).
func incompleteBeta(a, b, x, y, lnx, lny, lnB float64) (lower, upper float64, err error) {
	if x <= 0 {
		return 0, 1, nil
	}
	if y <= 0 {
		return 1, 0, nil
	}
	front := math.Exp(float64(a*lnx) + float64(b*lny) - lnB)
	if x < (a+1)/(a+b+2) {
		h, err := betaFraction(a, b, x)
		if err != nil {
			return 0, 0, err
		}
		p := front * h / a
		return p, 1 - p, nil
	}
	h, err := betaFraction(b, a, y)
	if err != nil {
		return 0, 0, err
	}
	q := front * h / b
	return 1 - q, q, nil
}

// lnBeta returns ln B(a, b).
func lnBeta(a, b float64) float64 {
	la, _ := math.Lgamma(a)
	lb, _ := math.Lgamma(b)
	lab, _ := math.Lgamma(a + b)
	return la + lb - lab
}

// betaQuantile returns x with I_x(a, b) = p where upper is false, and x with
// 1 - I_x(a, b) = p where upper is true, by bisection down to neighbouring
// numbers. a, b > 0 and 0 < p < 1.
func betaQuantile(p, a, b float64, upper bool) (float64, error) {
	lnB := lnBeta(a, b)
	lo, hi := 0.0, 1.0
	for range 1200 {
		x := lo + (hi-lo)/2
		if x <= lo || x >= hi || hi-lo <= 1e-16*hi {
			break
		}
		l, u, err := incompleteBeta(a, b, x, 1-x, math.Log(x), math.Log1p(-x), lnB)
		if err != nil {
			return 0, err
		}
		if (!upper && l < p) || (upper && u > p) {
			lo = x
		} else {
			hi = x
		}
	}
	return lo + (hi-lo)/2, nil
}
