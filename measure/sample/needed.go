package sample

import (
	"fmt"
	"math"

	"sapward/numeric/describe"
)

// MaxTreesNeeded is where TreesNeeded stops looking when the number of trees in
// the block is unknown.
const MaxTreesNeeded = 1_000_000_000

// Needed says how many trees must be taped.
type Needed struct {
	// Trees is the smallest sample that is enough; 0 if none is reachable.
	Trees int `json:"trees_needed"`
	// Reachable is false when the block's size is unknown and more than
	// MaxTreesNeeded trees would be needed.
	Reachable bool `json:"trees_needed_reachable"`
	// WholeBlock is true when only taping every tree of the block is enough.
	WholeBlock bool `json:"trees_needed_whole_block"`
}

// relativeHalfWidth returns t(n-1, 1-a/2) * cv * sqrt(1/n - 1/N), with 1/N = 0
// where N is 0. Given an sd in place of cv it returns the half width itself.
func relativeHalfWidth(n int, cv float64, block int, confidence float64) (float64, error) {
	if n < 2 {
		return 0, ErrTooFew
	}
	f := 1 / float64(n)
	if block > 0 {
		f = float64(block-n) / (float64(n) * float64(block))
	}
	if f == 0 || cv == 0 {
		return 0, nil
	}
	// The upper quantile from the lower tail, which keeps its digits near 1.
	t, err := describe.StudentQuantile((1-confidence)/2, float64(n-1))
	if err != nil {
		return 0, err
	}
	h := -t * cv * math.Sqrt(f)
	if math.IsInf(h, 0) || math.IsNaN(h) {
		return math.MaxFloat64, nil
	}
	return h, nil
}

// TreesNeeded returns the smallest n in 2..N with
//
//	t(n-1, 1-a/2) * cv * sqrt(1/n - 1/N) <= E
//
// (1/N = 0 and no upper end if N is unknown). cv is sd/mean as a ratio; E is
// o.TolerancePct/100; a = 1 - o.Confidence; N is o.BlockTrees (Freese 1962, USDA
// Agriculture Handbook 232). Both factors fall as n grows, so bisection finds the
// smallest n; the textbook iteration n = (t cv/E)^2 with t taken from the last n
// can swing between two numbers for ever.
//
// The answer rests on cv being known; a cv from few trees is itself uncertain.
//
// Special cases: cv 0 needs 2. A census always suffices when N is known.
// Errors: ErrTolerance for a negative or not finite cv too, ErrConfidence,
// ErrBlock for a block of one tree.
func TreesNeeded(cv float64, o Options) (Needed, error) {
	if err := o.check(0); err != nil {
		return Needed{}, err
	}
	if !(cv >= 0) || math.IsInf(cv, 0) {
		return Needed{}, fmt.Errorf("%w: coefficient of variation %v", ErrTolerance, cv)
	}
	if o.BlockTrees == 1 {
		return Needed{}, fmt.Errorf("%w: a block of one tree has no variation", ErrBlock)
	}
	limit := o.TolerancePct / 100
	var fail error
	enough := func(n int) bool {
		h, err := relativeHalfWidth(n, cv, o.BlockTrees, o.Confidence)
		if err != nil {
			fail = err
		}
		return h <= limit
	}
	lo, hi := 1, 2 // lo is not enough (one tree has no interval), hi will be
	last := o.BlockTrees
	if last == 0 {
		last = MaxTreesNeeded
	}
	for !enough(hi) && fail == nil {
		if hi == last {
			return Needed{}, nil
		}
		lo, hi = hi, min(2*hi, last)
	}
	for hi-lo > 1 && fail == nil {
		if mid := lo + (hi-lo)/2; enough(mid) {
			hi = mid
		} else {
			lo = mid
		}
	}
	if fail != nil {
		return Needed{}, fail
	}
	return Needed{Trees: hi, Reachable: true, WholeBlock: hi == o.BlockTrees}, nil
}

// TreesAtFixedT returns the unrounded sample size for a t that is given rather
// than taken from the table,
//
//	n = 1 / ( (E / (t cv))^2 + 1/N ),
//
// the short form of field handbooks, which take t = 2 (USDA Forest Service
// Handbook 2409.12; Freese 1962). cv and E are ratios; blockTrees 0 is unknown.
// Compare TreesNeeded, which does not fix t.
//
// Special case: cv 0 gives 0.
// Errors: ErrTolerance unless t and E are positive and cv is 0 or more, all
// finite; ErrBlock for a negative blockTrees.
func TreesAtFixedT(t, cv, e float64, blockTrees int) (float64, error) {
	if !(t > 0 && e > 0 && cv >= 0) || math.IsInf(t, 0) || math.IsInf(e, 0) || math.IsInf(cv, 0) {
		return 0, fmt.Errorf("%w: t %v, cv %v, tolerance %v", ErrTolerance, t, cv, e)
	}
	if blockTrees < 0 {
		return 0, fmt.Errorf("%w: %d", ErrBlock, blockTrees)
	}
	if cv == 0 {
		return 0, nil
	}
	r := e / (t * cv)
	inverse := r * r
	if blockTrees > 0 {
		inverse += 1 / float64(blockTrees)
	}
	return 1 / inverse, nil
}
