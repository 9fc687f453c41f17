package sample_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"sapward/measure/sample"
)

// SCIENCE S2: 10 trunks, mean 31.4 cm, within 2.9 cm (9 %); 5 % needs 29.
func TestTreesNeeded_TenTrunks(t *testing.T) {
	t9 := distuv.StudentsT{Sigma: 1, Nu: 9}.Quantile(0.975)
	cv := 2.9 / 31.4 * math.Sqrt(10) / t9
	got, err := sample.TreesNeeded(cv, sample.Options{Confidence: 0.95, TolerancePct: 5})
	if err != nil || got != (sample.Needed{Trees: 29, Reachable: true}) {
		t.Errorf("%+v %v, want 29", got, err)
	}
}

// Brute force: for thousands of cv, block sizes, tolerances and confidences,
// scan n = 2, 3, ... with gonum's t quantiles until the condition first holds.
// The smallest n must be the same. A case whose half width is within 1e-9
// (relative) of the tolerance at n or n-1 could differ by rounding; there is none.
func TestTreesNeeded_BruteForce(t *testing.T) {
	cases := 6000
	if os.Getenv("SAPWARD_SOAK") == "1" {
		cases = 200000
	}
	r := rand.New(rand.NewPCG(20, 26))
	quantiles := map[float64][]float64{}
	quantile := func(conf float64, df int) float64 {
		q := quantiles[conf]
		for len(q) <= df {
			if len(q) == 0 {
				q = append(q, math.NaN())
				continue
			}
			q = append(q, distuv.StudentsT{Sigma: 1, Nu: float64(len(q))}.Quantile(0.5+conf/2))
		}
		quantiles[conf] = q
		return q[df]
	}
	largest, whole, cycling := 0, 0, 0
	for range cases {
		conf := []float64{0.8, 0.9, 0.95, 0.99}[r.IntN(4)]
		tol := []float64{2, 5, 10, 15, 20}[r.IntN(5)]
		cv := 0.01 + 0.7*r.Float64()
		if tol == 2 {
			cv /= 4
		}
		block := 0
		if r.IntN(3) > 0 {
			block = 2 + int(math.Exp(r.Float64()*9))
		}
		half := func(n int) float64 {
			f := 1 / float64(n)
			if block > 0 {
				f -= 1 / float64(block)
			}
			return quantile(conf, n-1) * cv * math.Sqrt(math.Max(f, 0))
		}
		want := 2
		for half(want) > tol/100 {
			want++
		}
		got, err := sample.TreesNeeded(cv, sample.Options{BlockTrees: block, Confidence: conf, TolerancePct: tol})
		if err != nil {
			t.Fatal(err)
		}
		if !got.Reachable || got.Trees != want || got.WholeBlock != (want == block) {
			t.Errorf("cv %.17g N %d tolerance %g confidence %g: %+v, scan %d", cv, block, tol, conf, got, want)
		}
		largest = max(largest, want)
		if got.WholeBlock {
			whole++
		}
		// The textbook iteration, to show that the problem is real.
		n := 10
		seen := map[int]bool{}
		for !seen[n] {
			seen[n] = true
			q := quantile(conf, max(n, 2)-1) * cv / (tol / 100)
			next := int(math.Ceil(q * q))
			if next == n {
				break
			}
			n = max(next, 2)
			if n > 20000 {
				break
			}
		}
		q := quantile(conf, min(max(n, 2), 20000)-1) * cv / (tol / 100)
		if max(int(math.Ceil(q*q)), 2) != n {
			cycling++
		}
	}
	t.Logf("%d cases, largest n %d, whole block %d, textbook iteration without an end %d", cases, largest, whole, cycling)
}

// Every block of 2 to 60 trees against every cv from 1 to 200 %: n is enough and
// n-1 is not, by a separate evaluation of the condition.
func TestTreesNeeded_Exhaustive(t *testing.T) {
	var q [60]float64
	for df := 1; df < len(q); df++ {
		q[df] = distuv.StudentsT{Sigma: 1, Nu: float64(df)}.Quantile(0.975)
	}
	for block := 2; block <= 60; block++ {
		for pct := 1; pct <= 200; pct++ {
			cv := float64(pct) / 100
			got, err := sample.TreesNeeded(cv, options(block))
			if err != nil {
				t.Fatal(err)
			}
			want := 2
			for want < block && q[want-1]*cv*math.Sqrt(1/float64(want)-1/float64(block)) > 0.1 {
				want++
			}
			if got.Trees != want {
				t.Fatalf("block %d cv %d %%: %d, scan %d", block, pct, got.Trees, want)
			}
		}
	}
}

func TestTreesNeeded_Edges(t *testing.T) {
	for _, c := range []struct {
		cv    float64
		block int
		tol   float64
		want  sample.Needed
	}{
		{0, 0, 10, sample.Needed{Trees: 2, Reachable: true}},
		{0, 2, 10, sample.Needed{Trees: 2, Reachable: true, WholeBlock: true}},
		{3, 40, 0.001, sample.Needed{Trees: 40, Reachable: true, WholeBlock: true}},
		{3, 0, 0.001, sample.Needed{}}, // (1.96*3/0.00001)^2 = 3.5e11 is beyond a billion
	} {
		got, err := sample.TreesNeeded(c.cv, sample.Options{BlockTrees: c.block, Confidence: 0.95, TolerancePct: c.tol})
		if err != nil || got != c.want {
			t.Errorf("%+v: %+v %v", c, got, err)
		}
	}
	for _, cv := range []float64{-0.1, math.NaN(), math.Inf(1)} {
		if _, err := sample.TreesNeeded(cv, options(0)); !errors.Is(err, sample.ErrTolerance) {
			t.Error(cv, err)
		}
	}
	if _, err := sample.TreesNeeded(0.2, options(1)); !errors.Is(err, sample.ErrBlock) {
		t.Error(err)
	}
}
