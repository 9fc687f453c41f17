package port

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// Slow oracle: every way to set 2, 3 or 4 ports on the 720 half degrees is too
// many, so free points are few: all but a handful of short arcs are blocked.
// Feasibility and least cost must both agree with trying every combination.
func TestUnequal_AgainstEveryCombination(t *testing.T) {
	placed := 0
	rapid.Check(t, func(t *rapid.T) {
		girth := rapid.Float64Range(30, 300).Draw(t, "girth")
		r := Ring{GirthCm: girth}
		at := 0.0
		for at < 340 { // free stretches of up to 2 degrees between blocked ones
			free := float64(rapid.IntRange(0, 4).Draw(t, "free")) / 2
			blocked := float64(rapid.IntRange(10, 70).Draw(t, "blocked"))
			r.Blocked = append(r.Blocked, Arc{at + free + 0.2, min(359.8, at+free+blocked-0.2)})
			at += free + blocked
		}
		n := rapid.IntRange(2, 4).Draw(t, "n")
		each := girth / float64(n)
		r.SpacingMinCm = each * rapid.Float64Range(0.3, 1).Draw(t, "min")
		r.SpacingMaxCm = each * rapid.Float64Range(1, 1.9).Draw(t, "max")
		var points []int
		for i := range cells {
			if clearance(r, float64(i)*GridDeg) > 1e-9 {
				points = append(points, i)
			}
		}
		best := math.Inf(1)
		var try func(from int, chosen []int)
		try = func(from int, chosen []int) {
			if len(chosen) == n {
				cost := 0.0
				for i, c := range chosen {
					next := chosen[0] + cells
					if i+1 < n {
						next = chosen[i+1]
					}
					gap := float64(next-c) * GridDeg / 360 * girth
					if gap < r.SpacingMinCm*(1-1e-9) || gap > r.SpacingMaxCm*(1+1e-9) {
						return
					}
					d := float64(next-c) - float64(cells)/float64(n)
					cost += d * d
				}
				best = min(best, cost)
				return
			}
			for i := from; i < len(points); i++ {
				if k := len(chosen); k > 0 && float64(points[i]-chosen[k-1])*GridDeg/360*girth > r.SpacingMaxCm*(1+1e-9) {
					break
				}
				try(i+1, append(chosen, points[i]))
			}
		}
		try(0, make([]int, 0, n))
		got := r.unequal(n)
		if (got == nil) != math.IsInf(best, 1) {
			t.Fatalf("got %v, trying all gives cost %v", got, best)
		}
		if got == nil {
			return
		}
		placed++
		cost := 0.0
		for i, c := range got {
			next := got[0] + cells
			if i+1 < n {
				next = got[i+1]
			}
			d := float64(next-c) - float64(cells)/float64(n)
			cost += d * d
		}
		if math.Abs(cost-best) > 1e-6 {
			t.Fatalf("cost %v, trying all gives %v", cost, best)
		}
	})
	t.Logf("%d rings had an unequal layout", placed)
	if placed == 0 {
		t.Error("no ring drawn had a layout, so costs were never compared")
	}
}

// The narrow range of gaps must find what the whole range finds.
func TestUnequal_NarrowRangeLosesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := drawRing(t)
		n := rapid.IntRange(2, 12).Draw(t, "n")
		r.SpacingMinCm = r.GirthCm / float64(n) * rapid.Float64Range(0.6, 1).Draw(t, "min")
		r.SpacingMaxCm = r.GirthCm / float64(n) * rapid.Float64Range(1, 1.5).Draw(t, "max")
		low, high := r.gaps(n)
		low, high = max(low, cells-(n-1)*high), min(high, cells-(n-1)*low)
		if low > high {
			return
		}
		full := newWalk(&r, n)
		cost, _, ok := full.solve(low, high)
		got := r.unequal(n)
		if ok != (got != nil) {
			t.Fatalf("whole range %v, narrow %v", ok, got)
		}
		if !ok {
			return
		}
		var sum int64
		for i, c := range got {
			next := got[0] + cells
			if i+1 < n {
				next = got[i+1]
			}
			d := int64(next-c)*int64(n) - cells
			sum += d * d
		}
		if sum != cost {
			t.Fatalf("cost %d, whole range %d", sum, cost)
		}
	})
}
