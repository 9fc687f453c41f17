package trial

import (
	"math"
	"math/rand/v2"
	"slices"
)

// exactDeals is the largest number of deals that are all tried.
const exactDeals = 20_000

// stream is the second word of the PCG generators of this package.
const stream = 0x5361707761726400 // "Sapward" in ASCII and a zero

// permute adds the permutation tests: values are dealt anew among the plots of
// a block, which is the same as dealing the treatments, and the sum of squares
// of the treatments is worked out again. In a split plot without gaps the means
// of main plots are dealt inside blocks, and plots inside main plots for the
// second factor.
func (a *Analysis) permute(t *table, o Options) {
	tr, sub, bl := t.index()
	y := make([]float64, len(t.plots))
	for i, p := range t.plots {
		y[i] = p.y - t.plots[0].y
	}
	nt, ns := len(t.treatments), len(t.subs)
	if o.Design != SplitPlot {
		if o.Design == CRD {
			bl = make([]int, len(y))
		}
		a.deal("treatment", y, tr, bl, nt, o)
		return
	}
	if a.Method != "strata" {
		return
	}
	var mean []float64
	var mainTreatment, mainBlock []int
	at := map[int]int{}
	main := make([]int, len(y))
	for i := range y {
		key := bl[i]*nt + tr[i]
		k, ok := at[key]
		if !ok {
			k = len(mean)
			at[key] = k
			mean, mainTreatment, mainBlock = append(mean, 0), append(mainTreatment, tr[i]), append(mainBlock, bl[i])
		}
		mean[k] += y[i] / float64(ns)
		main[i] = k
	}
	a.deal("treatment", mean, mainTreatment, mainBlock, nt, o)
	a.deal("sub", y, sub, main, ns, o)
}

// deal does one test: level of the factor and block of every plot.
func (a *Analysis) deal(factor string, y []float64, level, block []int, levels int, o Options) {
	blocks := slices.Max(block) + 1
	cols := append([][]float64{ones(len(y))}, dummies(block, blocks)...)
	first := len(cols)
	m, _ := fitLinear(append(cols, dummies(level, levels)...), y)
	if m == nil {
		return
	}
	// Only the part of the treatment columns that is square to the blocks counts.
	q := m.q[first:]
	statistic := func(y []float64) float64 {
		s := 0.0
		for _, c := range q {
			d := dot(c, y)
			s += d * d
		}
		return s
	}
	seen := statistic(y)
	bar := seen * (1 - 1e-9)
	members := make([][]int, blocks)
	for i, b := range block {
		members[b] = append(members[b], i)
	}
	test := PermutationTest{Factor: factor}
	if deals := countDeals(members, level, levels); deals <= exactDeals {
		hits, runs := 0, 0
		everyDeal(members, level, y, func(z []float64) {
			runs++
			if statistic(z) >= bar {
				hits++
			}
		})
		test.P, test.Runs, test.Exact = float64(hits)/float64(runs), runs, true
	} else {
		rng := rand.New(rand.NewPCG(o.Seed, stream))
		z := append([]float64(nil), y...)
		hits := 0
		for range o.Permutations {
			for _, m := range members {
				for i := len(m) - 1; i > 0; i-- {
					j := rng.IntN(i + 1)
					z[m[i]], z[m[j]] = z[m[j]], z[m[i]]
				}
			}
			if statistic(z) >= bar {
				hits++
			}
		}
		// The deal that was seen counts as one of them.
		test.P, test.Runs = float64(hits+1)/float64(o.Permutations+1), o.Permutations
	}
	a.Permutations = append(a.Permutations, test)
}

// countDeals is the number of different deals: the product over blocks of the
// multinomial coefficients.
func countDeals(members [][]int, level []int, levels int) float64 {
	total := 0.0
	for _, m := range members {
		count := make([]int, levels)
		for _, i := range m {
			count[level[i]]++
		}
		g, _ := math.Lgamma(float64(len(m) + 1))
		total += g
		for _, n := range count {
			g, _ := math.Lgamma(float64(n + 1))
			total -= g
		}
	}
	return math.Round(math.Exp(math.Min(total, 700)))
}

// everyDeal calls f with the values of every different deal.
func everyDeal(members [][]int, level []int, y []float64, f func([]float64)) {
	z := append([]float64(nil), y...)
	var block func(b int)
	block = func(b int) {
		if b == len(members) {
			f(z)
			return
		}
		m := members[b]
		labels := make([]int, len(m))
		for k, i := range m {
			labels[k] = level[i]
		}
		slices.Sort(labels)
		for {
			// Plots of a level take the values dealt to that level, in order.
			next := map[int][]float64{}
			for k, i := range m {
				next[labels[k]] = append(next[labels[k]], y[i])
			}
			for _, i := range m {
				l := level[i]
				z[i] = next[l][0]
				next[l] = next[l][1:]
			}
			block(b + 1)
			if !nextArrangement(labels) {
				return
			}
		}
	}
	block(0)
}

// nextArrangement turns labels into the next arrangement in order; false after
// the last.
func nextArrangement(x []int) bool {
	i := len(x) - 2
	for i >= 0 && x[i] >= x[i+1] {
		i--
	}
	if i < 0 {
		return false
	}
	j := len(x) - 1
	for x[j] <= x[i] {
		j--
	}
	x[i], x[j] = x[j], x[i]
	slices.Reverse(x[i+1:])
	return true
}
