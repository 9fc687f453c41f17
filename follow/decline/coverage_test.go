package decline

import (
	"math"
	"math/rand/v2"
	"os"
	"testing"
)

func soak() bool { return os.Getenv("SAPWARD_SOAK") == "1" }

// Intervals of DT50 hold the truth as they promise, 2,000 simulations (60
// without SAPWARD_SOAK=1); so does the day on which the lower limit comes down
// to the level, which must not be later than the true day in 97.5 %. Samples
// repeated on a few trees get a wider interval than they need where the trees
// differ in level only: errors by tree never make the profile narrower.
func TestDecline_Coverage(t *testing.T) {
	n, low, high := 60, 0.84, 1.0
	if soak() {
		n, low, high = 2000, 0.93, 0.97
	}
	const k, c0, level = 0.008, 40.0, 6.0
	truth, crossing := math.Ln2/k, math.Log(c0/level)/k
	rng := rand.New(rand.NewPCG(41, 1))
	plain := func(a *Assay) { a.MgKg = c0 * math.Exp(-k*a.Day) }
	for _, c := range []struct {
		what        string
		o           Options
		trees       int
		err         func(*Assay)
		limit       float64
		least, most float64
	}{
		{"SFO, proportional errors", Options{Model: SFO, Errors: Proportional}, 0, func(a *Assay) { a.MgKg *= math.Exp(0.25 * rng.NormFloat64()) }, 0, low, high},
		{"SFO, constant errors", Options{Model: SFO, Errors: Constant}, 0, func(a *Assay) { a.MgKg += 1.5 * rng.NormFloat64() }, 0.001, low, high},
		{"SFO, proportional, non-detects under 4", Options{Model: SFO, Errors: Proportional}, 0, func(a *Assay) { a.MgKg *= math.Exp(0.25 * rng.NormFloat64()) }, 4, min(low, 0.92), high},
		{"FOMC fitted to SFO, proportional", Options{Model: FOMC, Errors: Proportional}, 0, func(a *Assay) { a.MgKg *= math.Exp(0.25 * rng.NormFloat64()) }, 0, min(low, 0.92), 1},
		{"SFO, six trees of their own level", Options{Model: SFO, Errors: Proportional}, 6, func(a *Assay) { a.MgKg *= math.Exp(0.15 * rng.NormFloat64()) }, 0, min(low, 0.95), 1},
	} {
		c.o.EffectiveMgKg = level
		hits, of, none, safe, days := 0, 0, 0, 0, 0
		runs := n
		if c.o.Model == FOMC {
			runs = n / 4
		}
		for range runs {
			var rows []Assay
			own := make([]float64, max(c.trees, 1))
			for i := range own {
				own[i] = math.Exp(0.3 * rng.NormFloat64())
			}
			reps := 3
			if c.trees > 0 {
				reps = c.trees
			}
			for _, d := range []float64{0, 40, 80, 140, 200, 280} {
				for j := range reps {
					a := Assay{Day: d, Detected: true}
					plain(&a)
					if c.trees > 0 {
						a.Tree = string(rune('a' + j))
						a.MgKg *= own[j]
					}
					c.err(&a)
					if a.MgKg < c.limit {
						a.Detected, a.DetectionLimit, a.MgKg = false, c.limit, 0
					}
					rows = append(rows, a)
				}
			}
			r, err := Decline(rows, c.o)
			if err != nil {
				t.Fatal(err)
			}
			f := r.Series[0].Chosen
			if f == nil || f.DT50Range == nil || r.Series[0].StartDay > 0 { // from the highest residue, which chance may put on a later day
				none++
				continue
			}
			of++
			i := f.DT50Range
			if (i.Low == nil || *i.Low <= truth) && (i.High == nil || truth <= *i.High) {
				hits++
			}
			if g := r.Series[0].Again; g != nil && g.LowerDay != nil {
				days++
				if *g.LowerDay <= crossing {
					safe++
				}
			}
		}
		share, early := float64(hits)/float64(of), float64(safe)/float64(days)
		t.Logf("%-42s DT50 %.3f of %d (%d from a later day or without); level's last day not too late in %.3f of %d", c.what, share, of, none, early, days)
		if share < c.least || share > c.most {
			t.Errorf("%s: %.3f", c.what, share)
		}
		if c.trees == 0 && early < map[bool]float64{true: 0.95, false: 0.88}[soak()] {
			t.Errorf("%s: the last day is too late in %.3f", c.what, 1-early)
		}
	}
}
