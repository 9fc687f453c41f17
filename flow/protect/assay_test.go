package protect

import (
	"math"
	"testing"

	"sapward/numeric/describe"
)

// F(t) of Student's t4 and its inverse against numeric/describe (1e-12
// relative; the inverse 1e-9, near the middle absolute), tails included.
func TestStudent4(t *testing.T) {
	worst := 0.0
	for _, x := range []float64{-60, -8, -2.1, -0.3, 0, 0.5, 3, 40} {
		want, err := describe.StudentCDF(x, 4)
		if err != nil {
			t.Fatal(err)
		}
		worst = math.Max(worst, math.Abs(student4(x)/want-1))
	}
	inverse := 0.0
	for _, p := range []float64{1e-9, 1e-4, 0.02, 0.3, 0.49, 0.5, 0.6, 0.95, 0.9999} {
		want, err := describe.StudentQuantile(p, 4)
		if err != nil {
			t.Fatal(err)
		}
		inverse = math.Max(inverse, math.Abs(student4Quantile(p)-want)/math.Max(1, math.Abs(want)))
	}
	t.Logf("largest relative error %.2g, of the inverse %.2g", worst, inverse)
	if worst > 1e-12 || inverse > 1e-7 {
		t.Errorf("largest relative error %g, of the inverse %g", worst, inverse)
	}
}

// The chance of a difference of two t4 variables: certain at 0; against a
// midpoint sum over 2 million quantiles of the first variable (relative 2e-4,
// the error of the sum's tail); and falling like twice the tail of one.
func TestDifferenceChance(t *testing.T) {
	if got := differenceChance(0); math.Abs(got-1) > 1e-6 {
		t.Errorf("at 0: %v", got)
	}
	const n = 2_000_000
	for _, x := range []float64{0.7, 3, 9.2} {
		want := 0.0
		for i := range n {
			want += 2 * student4(student4Quantile((float64(i)+0.5)/n)-x) / n
		}
		got := differenceChance(x)
		t.Logf("apart by %.1f: %.6g, sum %.6g", x, got, want)
		if math.Abs(got/want-1) > 2e-4 {
			t.Errorf("apart by %.1f: %v, sum %v", x, got, want)
		}
	}
}
