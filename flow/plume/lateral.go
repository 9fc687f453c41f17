package plume

import "math"

// reach is the number of standard deviations beyond which the normal tail
// (5e-18) counts as nothing.
const reach = 8.6

// Around returns the density across the grain, in 1/m, at an arc distance d
// from the middle of a source of half-width b and normal variance S on a
// perimeter L (MODEL 1.5). It integrates to 1 over the perimeter. Images while
// sqrt(S) < L/4, a Fourier series beyond:
//
//	1/(4b) sum_k { erf[(d+kL+b)/sqrt(2S)] - erf[(d+kL-b)/sqrt(2S)] },  k = -2..2
//	(1/L) [1 + 2 sum_n sinc(k_n b) exp(-k_n^2 S/2) cos(k_n d)],  k_n = 2 pi n/L, n = 1..4
//
// S = 0 is the top-hat itself (half its height on the edge), b = 0 the wrapped
// normal. The perimeter and one of b and S must be above 0; b at most L.
func Around(d, b, variance, perimeter float64) float64 {
	d = math.Abs(wrapped(d, perimeter))
	if variance >= perimeter*perimeter/16 {
		sum := 0.0
		for n := 1; n <= 4; n++ {
			k := 2 * math.Pi * float64(n) / perimeter
			sinc := 1.0
			if x := k * b; x > 0 {
				sinc = math.Sin(x) / x
			}
			sum += sinc * math.Exp(-k*k*variance/2) * math.Cos(k*d)
		}
		return math.Max(0, 1+2*sum) / perimeter
	}
	sd := math.Sqrt(variance)
	sum := 0.0
	for k := -2; k <= 2; k++ {
		u := math.Abs(d + float64(float64(k)*perimeter))
		if u-b > reach*sd {
			continue
		}
		sum += overHat(u, b, sd)
	}
	return sum
}

// wrapped returns d less the whole turns, from -L/2 to L/2.
func wrapped(d, perimeter float64) float64 {
	return d - perimeter*math.Floor(d/perimeter+0.5)
}

// overHat is a top-hat of half-width b spread by a normal of deviation sd, at a
// distance u >= 0 from its middle.
func overHat(u, b, sd float64) float64 {
	switch {
	case b == 0:
		x := u / sd
		return math.Exp(-x*x/2) / (sd * math.Sqrt(2*math.Pi))
	case sd == 0 && u < b:
		return 1 / (2 * b)
	case sd == 0 && u == b:
		return 1 / (4 * b)
	case sd == 0:
		return 0
	}
	w := sd * math.Sqrt2
	if u > b { // both arguments positive: erfc keeps the tail
		return (math.Erfc((u-b)/w) - math.Erfc((u+b)/w)) / (4 * b)
	}
	return (math.Erf((u+b)/w) - math.Erf((u-b)/w)) / (4 * b)
}

// Ripple returns the least over the mean density of n equal sources spaced
// evenly round a perimeter, to first order in the ripple (MODEL section 8):
// 1 - 2 exp(-2 pi^2 S/D^2), D = L/n. It is meant for results above about 0.3.
func Ripple(n int, variance, perimeter float64) float64 {
	d := perimeter / float64(n)
	return 1 - 2*math.Exp(-2*math.Pi*math.Pi*variance/(d*d))
}
