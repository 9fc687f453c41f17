package compare

import (
	"errors"
	"math"
	"slices"
	"sort"

	"sapward/flow/protect"
	"sapward/numeric/quasi"
)

// Driver is an uncertain input with its hold on the verdict.
type Driver struct {
	Input string
	// Total is the Sobol total index of the score (1 infusion, -1 injection, 0
	// neither): the share of its variance that is left while this input alone is
	// unknown, with the half-width of a 95 % interval. With assays it is the
	// share that the input explains by itself over the weighted draws, whose
	// inputs are no longer independent, and Half is 0.
	Total, Half float64
	Weighted    bool // the second of the two
}

// driverPoints is the power of 2 at or below an eighth of the draws.
func driverPoints(draws int) int {
	n := 8
	for 2*n <= min(mostDriverPoints, draws/8) {
		n *= 2
	}
	return n
}

// drivers estimates the total indices of the score over all inputs.
func (q Question) drivers(v Verdict) ([]Driver, error) {
	s, err := protect.NewSampler(q.Case, q.Seed)
	if err != nil {
		return nil, err
	}
	names := s.Inputs()
	d, err := quasi.NewDesign(len(names), driverPoints(q.Draws), quasi.Mix(q.Seed, 77))
	if err != nil {
		return nil, err
	}
	draws, u := make([]protect.Draw, d.Runs()), make([]float64, len(names))
	for i := range draws {
		d.At(u, i)
		if draws[i], err = s.At(u); err != nil {
			return nil, err
		}
	}
	quick := q.Case
	quick.Trunk = false
	quick.ReportD = []float64{}
	var all [][]protect.Outcome
	for _, t := range q.ways() {
		o, err := protect.Evaluate(quick, t, draws, q.Workers)
		if err != nil {
			return nil, err
		}
		all = append(all, o)
	}
	indices, err := d.Estimate(scores(all, v))
	if errors.Is(err, quasi.ErrConstant) {
		return nil, nil // every draw says the same: nothing hangs on anything
	}
	if err != nil {
		return nil, err
	}
	var out []Driver
	for i, n := range names {
		out = append(out, Driver{Input: n, Total: indices.Total[i], Half: indices.TotalHalf[i]})
	}
	sort.SliceStable(out, func(a, b int) bool { return out[a].Total > out[b].Total })
	return out, nil
}

// ranked estimates for weighted draws how much of the score each input explains
// by itself.
func (q Question) ranked(draws []protect.Draw, score []float64) ([]Driver, error) {
	var out []Driver
	values := make([]float64, len(draws))
	for _, a := range q.Case.Inputs() {
		known := true
		for i, d := range draws {
			if values[i], known = d.Value(a); !known {
				break
			}
		}
		if known {
			out = append(out, Driver{Input: a, Total: explained(score, groups(values, 12)), Weighted: true})
		}
	}
	sort.SliceStable(out, func(a, b int) bool { return out[a].Total > out[b].Total })
	return out, nil
}

// groups puts values into n groups of equal size by rank and returns the group
// of each. Ties stay together.
func groups(values []float64, n int) []int {
	order := make([]int, len(values))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case values[a] < values[b]:
			return -1
		case values[a] > values[b]:
			return 1
		}
		return 0
	})
	out := make([]int, len(values))
	for rank, i := range order {
		g := rank * n / len(values)
		if rank > 0 && values[i] == values[order[rank-1]] {
			g = out[order[rank-1]]
		}
		out[i] = g
	}
	return out
}

// explained returns the share of the variance of y that the means of groups
// explain, less what as many random groups would: 1 - (1-R2)(n-1)/(n-k), held
// to 0..1. A constant y gives 0.
func explained(y []float64, group []int) float64 {
	sum, count := map[int]float64{}, map[int]int{}
	mean := 0.0
	for i, v := range y {
		sum[group[i]] += v
		count[group[i]]++
		mean += v / float64(len(y))
	}
	total, within := 0.0, 0.0
	for i, v := range y {
		g := group[i]
		total += (v - mean) * (v - mean)
		d := v - sum[g]/float64(count[g])
		within += d * d
	}
	n, k := float64(len(y)), float64(len(count))
	if total <= 0 || n <= k {
		return 0
	}
	return math.Min(1, math.Max(0, 1-within/total*(n-1)/(n-k)))
}
