// Package special holds special functions that the standard library lacks: for
// the transport kernels the scaled complementary error function and the normal
// distribution function with accurate tails; for comparing several treatments
// at once the studentized range and the greatest of correlated t variables.
package special

import "math"

const (
	// invSqrtPi is 1/sqrt(pi) (computed, 20 digits).
	invSqrtPi = 0.56418958354775628695
	// invSqrt2Hi + invSqrt2Lo is 1/sqrt(2) to about 32 digits (computed):
	// 0.70710678118654752440084436210484904.
	invSqrt2Hi = 0.70710678118654757 // the nearest float64, 0.707106781186547572737310929369414225220680236816406
	invSqrt2Lo = -4.8336466567264565e-17
	// asymptoticFrom is where Erfcx turns from exp(x^2) erfc(x) to the
	// asymptotic series; there the last kept term is under 1e-17.
	asymptoticFrom = 10
)

// Erfcx returns the scaled complementary error function exp(x^2) erfc(x).
//
// Below x = 10 it is the product itself, with x^2 carried to twice the working
// precision; from 10 on it is the asymptotic series (Abramowitz and Stegun 1964,
// eq. 7.1.23, from memory)
//
//	erfcx(x) = 1/(x sqrt(pi)) [1 - 1/(2x^2) + 1*3/(2x^2)^2 - ...]
//
// Accuracy: relative error below 1.5e-15 for every x (see the tests).
// Special cases: Erfcx(+Inf) = 0, Erfcx(-Inf) = +Inf, Erfcx(NaN) = NaN; below
// about -26.63 the value is beyond the range of float64 and +Inf is returned.
func Erfcx(x float64) float64 {
	switch {
	case math.IsNaN(x):
		return x
	case x < -26.7:
		return math.Inf(1)
	case x < asymptoticFrom:
		high := x * x
		low := math.FMA(x, x, -high)
		return math.Exp(high) * math.Erfc(x) * (1 + low)
	case math.IsInf(x, 1):
		return 0
	}
	return invSqrtPi / x * erfcTail(x)
}

// erfcTail returns x sqrt(pi) erfcx(x) for x >= 10 by 15 terms of the
// asymptotic series, innermost first.
func erfcTail(x float64) float64 {
	if x > 1e8 {
		return 1
	}
	h := 0.5 / x / x
	sum := 1.0
	for n := 15; n >= 1; n-- {
		sum = 1 - float64(float64(2*n-1)*h)*sum
	}
	return sum
}

// NormalCDF returns Phi(x), the probability that a standard normal variable is
// at most x: Phi(x) = erfc(-x/sqrt 2)/2.
//
// In the lower tail the rounding of x/sqrt 2 would be magnified by x^2; it is
// carried to twice the working precision, so the relative error stays below
// 1e-15 wherever the result is a normal number (x > -37.5).
// Special cases: NormalCDF(-Inf) = 0, NormalCDF(+Inf) = 1, NormalCDF(NaN) = NaN.
func NormalCDF(x float64) float64 {
	if x > -1 {
		return 0.5 * math.Erfc(-x*invSqrt2Hi)
	}
	if x < -39 {
		return 0
	}
	high := -x * invSqrt2Hi
	low := math.FMA(-x, invSqrt2Hi, -high) - float64(x*invSqrt2Lo)
	// erfc(high+low) = erfc(high) [1 - low 2/(sqrt(pi) erfcx(high))] + O(low^2), and
	// the factor of low is close enough to high + sqrt(high^2 + 4/pi), its upper bound
	// (Abramowitz and Stegun 1964, 7.1.13, from memory).
	return 0.5 * math.Erfc(high) * (1 - low*(high+math.Sqrt(float64(high*high)+4/math.Pi)))
}

// NormalBetween returns Phi(b) - Phi(a), the probability between a and b
// (negative when b < a), taken on the side of the axis where the difference
// loses least. Special cases: any NaN gives NaN.
func NormalBetween(a, b float64) float64 {
	if a > 0 && b > 0 {
		return NormalCDF(-a) - NormalCDF(-b)
	}
	return NormalCDF(b) - NormalCDF(a)
}

// NormalPDF returns the standard normal density exp(-x^2/2)/sqrt(2 pi).
func NormalPDF(x float64) float64 {
	return math.Exp(-0.5*x*x) * invSqrtPi * invSqrt2Hi
}
