package describe

import (
	"fmt"
	"math"
)

func checkProportion(x, n int, confidence float64) error {
	if n < 1 || x < 0 || x > n {
		return fmt.Errorf("%w: %d of %d", ErrDomain, x, n)
	}
	if !(confidence > 0 && confidence < 1) {
		return fmt.Errorf("%w: confidence %v is not between 0 and 1", ErrProbability, confidence)
	}
	return nil
}

// Wilson returns the score limits of a proportion, x out of n,
//
//	(p + z^2/2n +/- z sqrt(p(1-p)/n + z^2/4n^2)) / (1 + z^2/n),   p = x/n
//
// without continuity correction (Wilson 1927; Newcombe 1998, method 3, both
// from memory). z is the normal quantile of 1 - (1-confidence)/2.
//
// Special cases: the lower limit is exactly 0 for x = 0, the upper exactly 1
// for x = n.
// Errors: ErrDomain unless 0 <= x <= n and n >= 1; ErrProbability unless the
// confidence is above 0 and below 1.
func Wilson(x, n int, confidence float64) (low, high float64, err error) {
	if err := checkProportion(x, n, confidence); err != nil {
		return 0, 0, err
	}
	z, err := NormalQuantile(0.5 + confidence/2)
	if err != nil {
		return 0, 0, err
	}
	f := float64(n)
	p, z2 := float64(x)/f, z*z
	centre := p + z2/(2*f)
	half := z * math.Sqrt(p*(1-p)/f+z2/(4*f*f))
	d := 1 + z2/f
	low, high = (centre-half)/d, (centre+half)/d
	if x == 0 {
		low = 0
	}
	if x == n {
		high = 1
	}
	return low, high, nil
}

// ClopperPearson returns the exact limits of a proportion, x out of n: the
// probabilities at which x or more, and x or fewer, successes have probability
// (1-confidence)/2 (Clopper and Pearson 1934, from memory). They are quantiles
// of the beta distribution.
//
// Special cases: the lower limit is 0 for x = 0, the upper 1 for x = n.
// Accuracy: 1e-11 for n up to 10,000; logarithms of large factorials cost up to
// two digits more at n = 1,000,000.
// Errors: as Wilson, and ErrNoConvergence.
func ClopperPearson(x, n int, confidence float64) (low, high float64, err error) {
	if err := checkProportion(x, n, confidence); err != nil {
		return 0, 0, err
	}
	tail := (1 - confidence) / 2
	low, high = 0, 1
	if x > 0 {
		if low, err = betaQuantile(tail, float64(x), float64(n-x+1), false); err != nil {
			return 0, 0, err
		}
	}
	if x < n {
		if high, err = betaQuantile(tail, float64(x+1), float64(n-x), true); err != nil {
			return 0, 0, err
		}
	}
	return low, high, nil
}
