package protect

import (
	"math"
	"slices"
	"testing"

	"sapward/flow/sap"
	"sapward/numeric/quasi"
)

func logWidth(t *testing.T, p *Posterior) float64 {
	t.Helper()
	low, high := interval(t, p)
	return math.Log((high + faintest) / (low + faintest))
}

func contradicts(p *Posterior) bool {
	return slices.ContainsFunc(p.Warnings, func(w sap.Warning) bool { return w.Code == AssaysContradict })
}

// Assays that contradict are found, said and widen the answer: two of one place
// and day 1,000-fold apart (ln 1,000/0.78 = 8.9 scales, whose chance lies
// near the 0.0019 of 9.2, see TestDifferenceChance), and all of them 1,000 times what the
// tree would hold. The same assays without the fault are not found to contradict.
func TestCalibrate_ContradictionWidens(t *testing.T) {
	c := reference(t, "ring-porous")
	x := injection(t, 11, 30)
	clean := narrowTruth(t, c, x, places(x, 15), AssayScale, 5).assays
	p := calibrateOn(t, c, x, clean, 1024, 3)
	if p.Contradiction.Found() || contradicts(p) {
		t.Fatalf("consistent assays: %+v", p.Contradiction)
	}
	width := logWidth(t, p)
	first := slices.IndexFunc(clean, func(a Assay) bool { return !a.NotDetected })
	twice := clean[first]
	twice.Value *= 1000
	thousand := slices.Clone(clean)
	for i := range thousand {
		thousand[i].Value *= 1000
		thousand[i].Limit *= 1000
	}
	for name, assays := range map[string][]Assay{
		"one place and day, 1,000-fold apart": append(slices.Clone(clean), twice),
		"all 1,000-fold":                      thousand,
	} {
		p := calibrateOn(t, c, x, assays, 1024, 3)
		t.Logf("%s: %+v; log-width of the prediction %.2f, without the fault %.2f", name, p.Contradiction, logWidth(t, p), width)
		if !p.Contradiction.Found() || !contradicts(p) {
			t.Errorf("%s: not found", name)
		}
		if logWidth(t, p) <= width {
			t.Errorf("%s: log-width %.2f, without the fault %.2f", name, logWidth(t, p), width)
		}
	}
	if p := calibrateOn(t, c, x, append(slices.Clone(clean), twice), 1024, 3); p.Contradiction.First != first || p.Contradiction.Second != len(clean) || p.Contradiction.Pairs > 0.003 {
		t.Errorf("pair %+v, wanted %d and %d", p.Contradiction, first, len(clean))
	}
}

// Errors four times as large as supposed, 15 assays: where that is found, the
// widened 90 % interval of the prediction holds the truth in at least 3 of 4 data
// sets, and it is found in at least half. (Bounds of ours.)
func TestCalibrate_WidenedIntervalsHoldTheTruth(t *testing.T) {
	sets := 8
	if soak() {
		sets = 100
	}
	c := reference(t, "ring-porous")
	x := injection(t, 11, 30)
	hits, found := 0, 0
	for i := range sets {
		seed := quasi.Mix(79, uint64(i))
		truth := narrowTruth(t, c, x, places(x, 15), 4*AssayScale, seed)
		p := calibrateOn(t, c, x, truth.assays, 1024, seed)
		if !p.Contradiction.Found() {
			continue
		}
		found++
		if low, high := interval(t, p); truth.place >= low && truth.place <= high {
			hits++
		}
	}
	t.Logf("contradiction found in %d of %d; %d of these inside the 90 %% interval", found, sets, hits)
	if 2*found < sets || 4*hits < 3*found {
		t.Errorf("found in %d of %d, %d of these inside", found, sets, hits)
	}
}
