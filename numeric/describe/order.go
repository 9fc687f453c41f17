package describe

import (
	"fmt"
	"math"
	"slices"
)

// midpoint returns a + (b-a)/2 without leaving the range of a float64.
func midpoint(a, b float64) float64 { return a/2 + b/2 }

// medianSorted returns the median of sorted, non-empty values.
func medianSorted(s []float64) float64 {
	n := len(s)
	if n%2 == 1 {
		return s[n/2]
	}
	return midpoint(s[n/2-1], s[n/2])
}

// Median returns the middle value, or the mean of the two middle values when n
// is even.
//
// Errors: ErrEmpty, ErrNotFinite.
func Median(x []float64) (float64, error) {
	if err := check(x, 1); err != nil {
		return 0, err
	}
	s := slices.Clone(x)
	slices.Sort(s)
	return medianSorted(s), nil
}

// deviations returns |x_i - median|.
func deviations(x []float64) ([]float64, float64, error) {
	med, err := Median(x)
	if err != nil {
		return nil, 0, err
	}
	d := make([]float64, len(x))
	for i, v := range x {
		d[i] = math.Abs(v - med)
		if math.IsInf(d[i], 0) {
			return nil, 0, ErrOverflow
		}
	}
	return d, med, nil
}

// MAD returns the median absolute deviation from the median, not scaled.
//
// Errors: ErrEmpty, ErrNotFinite, ErrOverflow.
func MAD(x []float64) (float64, error) {
	d, _, err := deviations(x)
	if err != nil {
		return 0, err
	}
	return Median(d)
}

// MeanAbsDeviation returns the mean absolute deviation from the median,
// (1/n) sum |x_i - median|.
//
// Errors: ErrEmpty, ErrNotFinite, ErrOverflow.
func MeanAbsDeviation(x []float64) (float64, error) {
	d, _, err := deviations(x)
	if err != nil {
		return 0, err
	}
	return Mean(d)
}

// Scale says which measure of spread a robust score was divided by.
type Scale string

// The measures of spread RobustZ divides by.
const (
	// ScaleMAD: the median absolute deviation.
	ScaleMAD Scale = "median absolute deviation"
	// ScaleMeanAbs: the mean absolute deviation, because the median one is 0.
	ScaleMeanAbs Scale = "mean absolute deviation"
	// ScaleNone: all values are equal; every score is 0.
	ScaleNone Scale = "none"
)

// MADFactor is the 0.75 quantile of the normal distribution to four digits:
// MAD/0.6745 estimates the standard deviation of normal data
// (Iglewicz and Hoaglin 1993).
const MADFactor = 0.6745

// OutlierZ is the score beyond which Iglewicz and Hoaglin (1993) label a value
// a potential outlier.
const OutlierZ = 3.5

// RobustZ returns the modified z score of each value, in the order of x,
//
//	z_i = 0.6745 (x_i - median) / MAD
//
// (Iglewicz and Hoaglin 1993, How to Detect and Handle Outliers).
//
// Special cases: where MAD is 0 (more than half of the values are equal) it is
// z_i = (x_i - median) / (sqrt(pi/2) * mean absolute deviation), since the mean
// absolute deviation of normal data is sd*sqrt(2/pi); where that is 0 too, all
// values are equal and every score is 0. The scale used is returned.
// Errors: ErrEmpty, ErrNotFinite, ErrOverflow.
func RobustZ(x []float64) ([]float64, Scale, error) {
	d, med, err := deviations(x)
	if err != nil {
		return nil, "", err
	}
	z := make([]float64, len(x))
	mad, err := Median(d)
	if err != nil {
		return nil, "", err
	}
	unit, scale := mad/MADFactor, ScaleMAD
	if unit == 0 {
		mean, err := Mean(d)
		if err != nil {
			return nil, "", err
		}
		unit, scale = mean*math.Sqrt(math.Pi/2), ScaleMeanAbs
	}
	if unit == 0 {
		return z, ScaleNone, nil
	}
	for i, v := range x {
		if z[i], err = finite((v - med) / unit); err != nil {
			return nil, "", err
		}
	}
	return z, scale, nil
}

// Outliers returns the positions in x (counted from 0, ascending) whose robust
// z score is beyond +/- OutlierZ. No value is removed.
//
// Errors: as RobustZ.
func Outliers(x []float64) ([]int, error) {
	z, _, err := RobustZ(x)
	if err != nil {
		return nil, err
	}
	var out []int
	for i, v := range z {
		if math.Abs(v) > OutlierZ {
			out = append(out, i)
		}
	}
	return out, nil
}

// Quantile7 returns the p quantile of x by linear interpolation between order
// statistics, definition 7 of Hyndman and Fan (1996, The American Statistician
// 50:361, from memory): with h = (n-1)p and x_(0) the smallest value,
//
//	Q(p) = x_(floor h) + (h - floor h) (x_(floor h + 1) - x_(floor h)).
//
// p: 0 to 1 inclusive; p = 0 is the smallest value, 0.5 the median, 1 the largest.
// Errors: ErrEmpty, ErrNotFinite, ErrProbability.
func Quantile7(x []float64, p float64) (float64, error) {
	if err := check(x, 1); err != nil {
		return 0, err
	}
	if !(p >= 0 && p <= 1) {
		return 0, fmt.Errorf("%w: quantile %v is not between 0 and 1", ErrProbability, p)
	}
	s := slices.Clone(x)
	slices.Sort(s)
	h := float64(len(s)-1) * p
	i := int(math.Floor(h))
	if i >= len(s)-1 {
		return s[len(s)-1], nil
	}
	f := h - float64(i)
	return float64((1-f)*s[i]) + float64(f*s[i+1]), nil
}
