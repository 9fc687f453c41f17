package describe

import (
	"fmt"
	"math"
)

// NormalQuantile returns z with P(Z < z) = p for a standard normal Z.
//
// p: above 0 and below 1. Method: Newton steps on the logarithm of the tail
// probability from the inverse error function of the standard library.
// Errors: ErrProbability.
func NormalQuantile(p float64) (float64, error) {
	if !(p > 0 && p < 1) {
		return 0, fmt.Errorf("%w: %v is not between 0 and 1", ErrProbability, p)
	}
	tail, sign := 1-p, 1.0
	if p < 0.5 {
		tail, sign = p, -1
	}
	if tail == 0.5 {
		return 0, nil
	}
	z := math.Sqrt2 * math.Erfinv(1-2*tail)
	if tail < 1e-8 {
		z = math.Sqrt(-2 * math.Log(tail))
	}
	for range 60 {
		q := math.Erfc(z/math.Sqrt2) / 2
		density := math.Exp(-z*z/2) / math.Sqrt(2*math.Pi)
		if density == 0 || q == 0 {
			break
		}
		step := (math.Log(q) - math.Log(tail)) * q / density
		z += step
		if math.Abs(step) <= 1e-15*math.Abs(z) {
			break
		}
	}
	return sign * z, nil
}

// lnGammaRatio returns ln( Gamma(a+1/2) / Gamma(a) ). From a = 20 on it uses
// the asymptotic series (1/2)ln a - 1/(8a) + 1/(192a^3) - 1/(640a^5) +
// 17/(14336a^7), whose next term is below 4e-15 there, because the difference
// of two large logarithms would lose digits.
func lnGammaRatio(a float64) float64 {
	if a < 20 {
		g1, _ := math.Lgamma(a + 0.5)
		g0, _ := math.Lgamma(a)
		return g1 - g0
	}
	i := 1 / a
	i2 := i * i
	return math.Log(a)/2 + i*(-1.0/8+i2*(1.0/192+i2*(-1.0/640+i2*17.0/14336)))
}

// lnRootPi is ln sqrt(pi), which is ln Gamma(1/2).
var lnRootPi = math.Log(math.Pi) / 2

// studentTail returns P(T > t) and the density at t, for t >= 0:
// P(T > t) = I_x(df/2, 1/2)/2 with x = df/(df + t^2).
func studentTail(t, df float64) (tail, density float64, err error) {
	r := t * t / df
	if math.IsInf(r, 0) {
		return 0, 0, nil
	}
	lnx := -math.Log1p(r)
	g := lnGammaRatio(df / 2)
	density = math.Exp(g - lnRootPi - math.Log(df)/2 + float64((df+1)/2*lnx))
	x, y := 1/(1+r), r/(1+r)
	lower, _, err := incompleteBeta(df/2, 0.5, x, y, lnx, math.Log(r)+lnx, lnRootPi-g)
	return lower / 2, density, err
}

// StudentCDF returns P(T <= t) of Student's t distribution with df degrees of
// freedom (Student 1908), any df >= 1; +Inf df is the normal distribution.
//
// Errors: ErrNotFinite for a NaN t, ErrDomain for df below 1, ErrNoConvergence
// above about 1e9 degrees of freedom.
func StudentCDF(t, df float64) (float64, error) {
	if math.IsNaN(t) {
		return 0, ErrNotFinite
	}
	if !(df >= 1) {
		return 0, fmt.Errorf("%w: %v degrees of freedom", ErrDomain, df)
	}
	if math.IsInf(t, 0) {
		if t > 0 {
			return 1, nil
		}
		return 0, nil
	}
	if math.IsInf(df, 1) {
		return math.Erfc(-t/math.Sqrt2) / 2, nil
	}
	tail, _, err := studentTail(math.Abs(t), df)
	if err != nil {
		return 0, err
	}
	if t > 0 {
		return 1 - tail, nil
	}
	return tail, nil
}

// expansion returns Student's t quantile from the normal quantile z in powers of
// 1/df (Abramowitz and Stegun 1964, 26.7.5, from memory), three terms. Used
// where (z^2+3)/df < 0.001; the fourth term is below 1e-15 of z there.
func expansion(z, df float64) float64 {
	y := z * z
	g1 := (y + 1) / 4
	g2 := ((5*y+16)*y + 3) / 96
	g3 := (((3*y+19)*y+17)*y - 15) / 384
	return z + z*(g1+(g2+g3/df)/df)/df
}

// StudentQuantile returns t with P(T <= t) = p for Student's t distribution
// with df degrees of freedom.
//
// p: above 0 and below 1 (a p near 1 is held to 1e-16 only); df: 1 or more, +Inf is the normal distribution.
// Method: closed form for df 1 and 2; else Newton steps on the logarithm of the
// tail, kept inside a bracket; where (z^2+3)/df < 0.001, z the normal quantile,
// the expansion in powers of 1/df (Abramowitz and Stegun 1964, 26.7.5, from
// memory), to three terms.
// Accuracy: 11 digits or better against R 4.2.2 for df 1 to 1000.
// Errors: ErrProbability, ErrDomain, ErrNoConvergence.
func StudentQuantile(p, df float64) (float64, error) {
	if !(p > 0 && p < 1) {
		return 0, fmt.Errorf("%w: %v is not between 0 and 1", ErrProbability, p)
	}
	if !(df >= 1) {
		return 0, fmt.Errorf("%w: %v degrees of freedom", ErrDomain, df)
	}
	if p == 0.5 {
		return 0, nil
	}
	tail, sign := 1-p, 1.0
	if p < 0.5 {
		tail, sign = p, -1
	}
	switch df {
	case 1:
		return sign / math.Tan(math.Pi*tail), nil
	case 2:
		return sign * (1 - 2*tail) / math.Sqrt(2*tail*(1-tail)), nil
	}
	z, err := NormalQuantile(tail)
	if err != nil {
		return 0, err
	}
	z = -z
	if math.IsInf(df, 1) {
		return sign * z, nil
	}
	t := expansion(z, df)
	if (z*z+3)/df < 1e-3 {
		return sign * t, nil
	}
	if !(t > 0) {
		t = z
	}
	lo, hi := 0.0, math.Inf(1)
	for range 300 {
		q, density, err := studentTail(t, df)
		if err != nil {
			return 0, err
		}
		if q > tail {
			lo = t
		} else {
			hi = t
		}
		next := t
		if density > 0 && q > 0 {
			gap := math.Log(q) - math.Log(tail)
			next = t + gap*q/density
			if math.Abs(gap) > 1 { // far out the tail is a power of t
				next = t * math.Exp(gap*q/(density*t))
			}
		}
		if !(next > lo && next < hi) || density == 0 {
			if math.Abs(next-t) <= 1e-15*t {
				return sign * t, nil
			}
			if math.IsInf(hi, 1) {
				next = 2 * t
			} else {
				next = lo + (hi-lo)/2
			}
		}
		if math.Abs(next-t) <= 1e-14*t {
			return sign * next, nil
		}
		t = next
	}
	return sign * t, nil
}
