package plume

import (
	"math"
	"testing"
)

// The table against math.Erf, between knots and beyond its end.
func TestQuickErf(t *testing.T) {
	table := erfTable()
	worst := 0.0
	for i := 0; i <= 200_000; i++ {
		x := -7 + 14*float64(i)/200_000
		worst = math.Max(worst, math.Abs(quickErf(table, x)-math.Erf(x)))
	}
	if worst > 1e-11 {
		t.Errorf("largest deviation %g", worst)
	}
	t.Logf("largest deviation %.1e", worst)
}

// The quick field against the exact kernels, over spreads and distances.
func TestPatchField_IsTheKernels(t *testing.T) {
	w := newTwin(120, 64)
	for _, x := range []float64{0.01, 0.5, 6.9, 30} {
		for _, acrossM := range []float64{1e-5, 1e-3} {
			k := Dispersion{DispersivityM: w.alongM}
			if 2*acrossM*x >= w.around*w.around/16 {
				continue
			}
			heights, arcs := make([]float64, w.rows), make([]float64, w.columns)
			for i := range heights {
				heights[i] = w.height(i)
			}
			for j := range arcs {
				arcs[j] = w.arc(j)
			}
			dst := make([]float64, w.rows*w.columns)
			k.PatchField(dst, heights, arcs, problemHalf, problemHalfWide, x, acrossM, w.around, 0.8)
			peak, worst := 0.0, 0.0
			for i, z := range heights {
				for j, y := range arcs {
					want := 0.8 * k.Patch(z, problemHalf, x) * Around(y, problemHalfWide, 2*acrossM*x, w.around)
					peak = math.Max(peak, want)
					worst = math.Max(worst, math.Abs(dst[i*w.columns+j]-want))
				}
			}
			if worst > 1e-9*math.Max(peak, 1e-3) {
				t.Errorf("x %g, alpha_T %g: largest deviation %g of a peak of %g", x, acrossM, worst, peak)
			}
		}
	}
}

// BenchmarkPatchField120x64 is the problem of BenchmarkPatch120x64 from the
// table: what bench/plume compares with NumPy and SciPy.
func BenchmarkPatchField120x64(b *testing.B) {
	w := newTwin(120, 64)
	k := Dispersion{DispersivityM: w.alongM}
	heights, arcs, dst := make([]float64, w.rows), make([]float64, w.columns), make([]float64, w.rows*w.columns)
	for i := range heights {
		heights[i] = w.height(i)
	}
	for j := range arcs {
		arcs[j] = w.arc(j)
	}
	x := w.speed * problemDays
	for b.Loop() {
		k.PatchField(dst, heights, arcs, problemHalf, problemHalfWide, x, w.acrossM, w.around, math.Exp(-w.loss*problemDays))
	}
}
