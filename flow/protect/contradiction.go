package protect

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"sapward/numeric/quasi"
)

// The criterion of a contradiction.
const (
	// LeastChance is the probability below which one of the three checks of a
	// Contradiction finds one. Our choice.
	LeastChance = 0.01
	// usual is the probability to which the error is widened: that of an ordinary
	// misfit (the idea of Birge 1932, Phys. Rev. 40:207, from memory).
	usual = 0.5
	// mostScale is as far as the error is widened.
	mostScale = 64
	// replicates is the number of data sets that the misfit is held against.
	replicates = 2000
)

// Contradiction tells how ill the assays go with one another and with the
// model. Each probability is that of so ill a match, or a worse one, if the
// model with its prior and error were right; one below LeastChance is a
// contradiction. The error of every assay is then widened by Scale, the least
// factor at which what contradicted is an ordinary event (probability one
// half), and all answers widen with it.
type Contradiction struct {
	// Misfit of all assays together: sum of -2 ln of their likelihoods at the
	// largest posterior density, against 2,000 data sets made there (Gelman, Meng
	// and Stern 1996, Statist. Sinica 6:733, from memory; as the parameters were
	// fitted to the assays and are not fitted again, it is on the safe side).
	Misfit float64 `json:"misfit_p"`
	// Pairs of the same tree, place and day (within 1 day, 0.1 m of height and 0.01 m of
	// arc): the most different one, by the difference of two errors, times the
	// number of pairs (Bonferroni); 1 without a pair.
	Pairs float64 `json:"pairs_p"`
	// First and Second are the indices of that pair; -1 without a pair.
	First  int `json:"first"`
	Second int `json:"second"`
	// Prior: the assays ask for parameters so far from the middle of the prior
	// (chi-square of the whitened parameters).
	Prior float64 `json:"prior_p"`
	// Scale is the factor on AssayScale, 1 without a contradiction.
	Scale float64 `json:"error_scale"`
}

// Found tells whether there is a contradiction.
func (c Contradiction) Found() bool { return c.Scale > 1 }

// contradiction checks the assays at the largest posterior density, best first
// of modes, and, if they contradict, widens k.scale.
func (k *calibration) contradiction(modes []mode, seed uint64) (Contradiction, error) {
	check := func(z []float64) Contradiction {
		c := Contradiction{Scale: k.scale / AssayScale}
		c.Misfit = k.misfitChance(z, seed)
		c.Pairs, c.First, c.Second = k.pairChance()
		square := 0.0
		for _, x := range z {
			square += x * x
		}
		c.Prior = distuv.ChiSquared{K: float64(len(z))}.Survival(square)
		return c
	}
	found := check(modes[0].z)
	misfit, pairs, prior := found.Misfit < LeastChance, found.Pairs < LeastChance, found.Prior < LeastChance
	if !misfit && !pairs && !prior {
		return found, nil
	}
	starts := [][]float64{make([]float64, len(k.free)), modes[0].z}
	low, high := 0.0, math.Log(mostScale)
	for high-low > 0.02 {
		middle := (low + high) / 2
		k.scale = AssayScale * math.Exp(middle)
		at, err := k.modes(starts)
		if err != nil {
			return found, err
		}
		c := check(at[0].z)
		if misfit && c.Misfit < usual || pairs && c.Pairs < usual || prior && c.Prior < usual {
			low = middle
		} else {
			high = middle
		}
	}
	k.scale = AssayScale * math.Exp(high)
	found.Scale = math.Exp(high)
	return found, nil
}

// misfitChance returns the probability of a total misfit at a point at least as
// large as that of the assays. Data sets are made at the point, with the limits
// of detection of the assays.
func (k *calibration) misfitChance(z []float64, seed uint64) float64 {
	out := make([]float64, len(k.assays))
	k.predictAt(new(expected), z, out)
	observed := 0.0
	for i := range out {
		observed += k.misfit(i, out[i])
	}
	// A draw below cut is not detected and then counts as much as censored.
	cut, censored := make([]float64, len(out)), make([]float64, len(out))
	for i, a := range k.assays {
		cut[i] = math.Inf(-1)
		if a.Limit > 0 {
			cut[i] = (math.Log(a.Limit) - math.Log(out[i]+faintest)) / k.scale
			censored[i] = -2 * math.Log(student4(cut[i]))
		}
	}
	worse := 0
	for r := range replicates {
		sum := 0.0
		for i := range out {
			t := student4Quantile(quasi.Uniform(seed, uint64(r*len(out)+i)))
			if t < cut[i] {
				sum += censored[i]
			} else {
				sum += student4Misfit(t)
			}
		}
		if sum >= observed {
			worse++
		}
	}
	return (float64(worse) + 0.5) / (replicates + 1)
}

// pairChance returns the probability of the most different pair of assays of
// the same place and day times the number of such pairs, and the pair. A value
// beside one that was not detected differs by its ratio to the limit.
func (k *calibration) pairChance() (chance float64, first, second int) {
	pairs, most := 0, -1.0
	first, second = -1, -1
	for i := range k.assays {
		for j := range i {
			a, b := &k.assays[j], &k.assays[i]
			if k.trees[i] != k.trees[j] || !a.samePlace(b, k.c.Tree.PerimeterM) {
				continue
			}
			pairs++
			if d := logRatio(a, b); d > most {
				most, first, second = d, j, i
			}
		}
	}
	if pairs == 0 {
		return 1, -1, -1
	}
	return math.Min(1, float64(pairs)*differenceChance(most/k.scale)), first, second
}

// logRatio returns how far two assays are apart at least, as a logarithm.
func logRatio(a, b *Assay) float64 {
	switch {
	case a.NotDetected && b.NotDetected:
		return 0
	case a.NotDetected:
		return math.Max(0, math.Log(b.Value/a.Limit))
	case b.NotDetected:
		return math.Max(0, math.Log(a.Value/b.Limit))
	}
	return math.Abs(math.Log(a.Value / b.Value))
}

// differenceChance returns the probability that two independent t4 variables
// are further apart than x >= 0: twice the mean of F(t - x) over t, by Simpson's
// rule in s = t/sqrt(4+t^2), whose density is (3/4)(1-s^2), on 2,000 steps. Error
// below 1e-6 of the value (see the test).
func differenceChance(x float64) float64 {
	const steps = 2000
	sum := 0.0
	for i := 1; i < steps; i++ {
		s := -1 + 2*float64(i)/steps
		weight := 2.0
		if i%2 == 1 {
			weight = 4
		}
		sum += weight * 0.75 * (1 - s*s) * student4(2*s/math.Sqrt(1-s*s)-x)
	}
	return math.Min(1, 2*sum*(2.0/steps)/3)
}
