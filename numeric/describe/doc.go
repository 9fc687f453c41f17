// Package describe computes descriptive statistics of a sample and the
// quantiles and intervals that go with them: compensated mean and standard
// deviation, lag-1 autocorrelation, median, median absolute deviation, robust
// outlier scores, type-7 quantiles, skewness, Student's t, and the Wilson and
// Clopper-Pearson limits of a proportion.
//
// Every function takes plain float64 values in any unit, returns its result in
// the same unit, and leaves the caller's slice as it was. Empty input, values
// that are not finite, and samples too small for the statistic are errors; a
// result is never NaN.
//
// Sums are compensated (Neumaier 1974, from memory), because a sum of n values
// added one by one loses up to n units in the last place, and the variance of
// values far from zero loses far more.
package describe
