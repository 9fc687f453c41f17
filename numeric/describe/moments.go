package describe

import "math"

// accumulator is a compensated sum (Neumaier 1974, from memory): the part that
// each addition rounds away is kept in c and added at the end.
type accumulator struct{ s, c float64 }

func (a *accumulator) add(v float64) {
	t := a.s + v
	if math.Abs(a.s) >= math.Abs(v) {
		a.c += (a.s - t) + v
	} else {
		a.c += (v - t) + a.s
	}
	a.s = t
}

func (a *accumulator) sum() float64 { return a.s + a.c }

// Sum returns the compensated sum of x.
//
// Errors: ErrEmpty, ErrNotFinite, ErrOverflow.
func Sum(x []float64) (float64, error) {
	if err := check(x, 1); err != nil {
		return 0, err
	}
	var a accumulator
	for _, v := range x {
		a.add(v)
	}
	return finite(a.sum())
}

// Mean returns the arithmetic mean
//
//	m = (1/n) sum x_i
//
// from the compensated sum.
//
// Accuracy: 13 digits or better on the NIST StRD univariate data sets.
// Errors: ErrEmpty, ErrNotFinite, ErrOverflow.
func Mean(x []float64) (float64, error) {
	s, err := Sum(x)
	if err != nil {
		return 0, err
	}
	return s / float64(len(x)), nil
}

// squares returns the mean and sum((x_i - m)^2) of already checked values, by
// the corrected two-pass formula sum(d^2) - (sum d)^2/n (Chan, Golub and LeVeque
// 1983, from memory); the second term removes what rounding of the mean left.
func squares(x []float64) (mean, ss float64, err error) {
	mean, err = Mean(x)
	if err != nil {
		return 0, 0, err
	}
	var d1, d2 accumulator
	for _, v := range x {
		d := v - mean
		d1.add(d)
		d2.add(float64(d * d))
	}
	r := d1.sum()
	ss, err = finite(d2.sum() - float64(r*r)/float64(len(x)))
	if err != nil {
		return 0, 0, err
	}
	return mean, math.Max(ss, 0), nil
}

// SumSquares returns sum((x_i - mean)^2), the squared deviations from the mean.
//
// Errors: ErrEmpty, ErrNotFinite, ErrOverflow.
func SumSquares(x []float64) (float64, error) {
	if err := check(x, 1); err != nil {
		return 0, err
	}
	_, ss, err := squares(x)
	return ss, err
}

// Variance returns the sample variance
//
//	s^2 = sum((x_i - mean)^2) / (n - 1).
//
// Errors: ErrEmpty, ErrTooFew for one value, ErrNotFinite, ErrOverflow.
func Variance(x []float64) (float64, error) {
	if err := check(x, 2); err != nil {
		return 0, err
	}
	_, ss, err := squares(x)
	if err != nil {
		return 0, err
	}
	return ss / float64(len(x)-1), nil
}

// SD returns the sample standard deviation, the square root of Variance.
//
// Accuracy on NIST StRD: sd of NumAcc3 9 digits and of NumAcc4 8 digits, which
// is what float64 data allow (their values cannot be held exactly), 13 digits
// on the others.
// Errors: as Variance.
func SD(x []float64) (float64, error) {
	v, err := Variance(x)
	if err != nil {
		return 0, err
	}
	return math.Sqrt(v), nil
}

// Autocorrelation1 returns the lag-1 autocorrelation coefficient of the values
// in their given order,
//
//	r1 = sum_{i=1}^{n-1} (x_i - m)(x_{i+1} - m) / sum_{i=1}^{n} (x_i - m)^2
//
// (definition of NIST StRD univariate summary statistics).
//
// Errors: ErrEmpty, ErrTooFew for one value, ErrNotFinite, ErrOverflow,
// ErrConstant when all values are equal.
func Autocorrelation1(x []float64) (float64, error) {
	if err := check(x, 2); err != nil {
		return 0, err
	}
	mean, ss, err := squares(x)
	if err != nil {
		return 0, err
	}
	if ss == 0 {
		return 0, ErrConstant
	}
	var a accumulator
	for i := 1; i < len(x); i++ {
		a.add(float64((x[i-1] - mean) * (x[i] - mean)))
	}
	return finite(a.sum() / ss)
}

// QuadraticMean returns sqrt(mean(x_i^2)), never less than |mean|. For trunk
// diameters it is the diameter of the tree of mean basal area.
//
// Errors: ErrEmpty, ErrNotFinite, ErrOverflow.
func QuadraticMean(x []float64) (float64, error) {
	if err := check(x, 1); err != nil {
		return 0, err
	}
	var a accumulator
	for _, v := range x {
		a.add(float64(v * v))
	}
	q, err := finite(a.sum() / float64(len(x)))
	if err != nil {
		return 0, err
	}
	return math.Sqrt(q), nil
}

// Skewness returns the adjusted Fisher-Pearson coefficient
//
//	G1 = sqrt(n(n-1))/(n-2) * m3 / m2^(3/2),   m_k = (1/n) sum (x_i - mean)^k
//
// (Joanes and Gill 1998, "type 2", from memory).
//
// Errors: ErrEmpty, ErrTooFew for fewer than three values, ErrNotFinite,
// ErrOverflow, ErrConstant when all values are equal.
func Skewness(x []float64) (float64, error) {
	if err := check(x, 3); err != nil {
		return 0, err
	}
	mean, ss, err := squares(x)
	if err != nil {
		return 0, err
	}
	if ss == 0 {
		return 0, ErrConstant
	}
	n := float64(len(x))
	s := math.Sqrt(ss / n)
	if s == 0 {
		return 0, ErrConstant
	}
	var a accumulator
	for _, v := range x {
		z := (v - mean) / s
		a.add(float64(z * z * z))
	}
	return finite(math.Sqrt(n*(n-1)) / (n - 2) * a.sum() / n)
}

// SkewnessError returns the standard error of G1 (see Skewness) in samples of
// n values from a normal distribution,
//
//	SES = sqrt( 6 n (n-1) / ((n-2)(n+1)(n+3)) )
//
// (Cramer 1997, from memory).
//
// Errors: ErrTooFew for n < 3.
func SkewnessError(n int) (float64, error) {
	if n < 3 {
		return 0, ErrTooFew
	}
	f := float64(n)
	return math.Sqrt(6 * f * (f - 1) / ((f - 2) * (f + 1) * (f + 3))), nil
}
