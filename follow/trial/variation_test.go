package trial_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"sapward/finding"
	"sapward/follow/trial"
)

// By hand: two treatments in three blocks, one tree a plot. Values
// 10 14 18 (a) and 20 22 30 (b): block means 15 18 24, treatment means 14 24,
// grand mean 19. SS blocks = 2(16+1+25) = 84; SS total = 81+25+1+1+9+121 = 238;
// SS treatments = 150; residual = 4, df 2, MS 2. Blocks: (84 - 2 x 2)/k with
// k = 6 - 2 x 3/3 = 4: 20.
func TestVary_ByHand(t *testing.T) {
	var rows []trial.Rated
	for i, v := range []float64{10, 14, 18, 20, 22, 30} {
		rows = append(rows, trial.Rated{Treatment: string(rune('a' + i/3)), Block: fmt.Sprint(i % 3), Value: v})
	}
	v, err := trial.Vary(rows)
	if err != nil {
		t.Fatal(err)
	}
	if !v.Single || v.DF != 2 || v.Blocks != 3 || math.Abs(*v.TreeSD-math.Sqrt2) > 1e-12 || *v.PlotSD != 0 || math.Abs(*v.BlockSD-math.Sqrt(20)) > 1e-12 || v.Means[1].Mean != 24 {
		t.Errorf("%+v, tree %v, block %v", v, *v.TreeSD, *v.BlockSD)
	}
	// Two trees a plot, one 1 above and one 1 below: within 12/6 = 2, plots
	// 2 - 2/2 = 1, blocks as before.
	var pairs []trial.Rated
	for i, r := range rows {
		for _, d := range []float64{-1, 1} {
			pairs = append(pairs, trial.Rated{Treatment: r.Treatment, Block: r.Block, Plot: fmt.Sprint(i), Value: r.Value + d})
		}
	}
	if v, err = trial.Vary(pairs); err != nil || v.Single || math.Abs(*v.TreeSD-math.Sqrt2) > 1e-12 || math.Abs(*v.PlotSD-1) > 1e-12 || math.Abs(*v.BlockSD-math.Sqrt(20)) > 1e-12 {
		t.Errorf("pairs: %+v, %v", v, err)
	}
}

// What is put in comes out, on the mean of many unequal trials: the estimates of
// the variances have no bias before they are cut at 0. 400 trials of 3 x 10
// plots with 1 to 3 trees, SDs 12, 6 and 4; 4 standard errors allowed.
func TestVary_FindsWhatWasPutIn(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 7))
	const runs = 400
	var sum, squares [3]float64
	for range runs {
		var rows []trial.Rated
		for b := range 10 {
			block := 12 * rng.NormFloat64()
			for k := range 3 {
				plot := 6 * rng.NormFloat64()
				for range 2 + rng.IntN(2) {
					rows = append(rows, trial.Rated{Treatment: fmt.Sprint(k), Block: fmt.Sprint(b), Plot: fmt.Sprint(b, k), Value: 50 + 5*float64(k) + block + plot + 4*rng.NormFloat64()})
				}
			}
		}
		v, err := trial.Vary(rows)
		if err != nil {
			t.Fatal(err)
		}
		for i, s := range []*float64{v.BlockSD, v.PlotSD, v.TreeSD} {
			sum[i] += *s * *s
			squares[i] += *s * *s * *s * *s
		}
	}
	for i, want := range []float64{144, 36, 16} {
		mean := sum[i] / runs
		se := math.Sqrt((squares[i]/runs - mean*mean) / runs)
		if math.Abs(mean-want) > 4*se {
			t.Errorf("variance %d: %.2f, want %.0f, standard error %.2f", i, mean, want, se)
		}
	}
}

// What cannot be told is one clear fault, never a figure that is none.
func TestVary_BadInput(t *testing.T) {
	row := func(tr, b string, x float64) trial.Rated { return trial.Rated{Treatment: tr, Block: b, Value: x} }
	for id, rows := range map[string][]trial.Rated{
		"trial-vary-few":    {row("a", "1", 3), row("b", "1", 4)},
		"trial-vary-number": {row("a", "1", 3), row("b", "1", math.NaN()), row("b", "2", 1)},
		"trial-vary-none":   {row("a", "1", 3), row("b", "1", 4), row("c", "1", 5)},
	} {
		_, err := trial.Vary(rows)
		if fs := finding.AsFaults(err); len(fs) != 1 || fs[0].ID != id {
			t.Errorf("%s: %v", id, err)
		}
	}
	alike := []trial.Rated{row("a", "1", 3), row("a", "2", 3), row("a", "3", 3)}
	if _, err := trial.Vary(alike); finding.AsFaults(err)[0].ID != "trial-vary-none" {
		t.Error(err)
	}
	// Treatments that lie in blocks of their own: no block can be told from them.
	apart := []trial.Rated{row("a", "1", 3), row("a", "1", 5), row("b", "2", 8), row("b", "2", 9)}
	if v, err := trial.Vary(apart); err != nil || v.BlockSD != nil || v.TreeSD == nil {
		t.Errorf("%+v %v", v, err)
	}
}
