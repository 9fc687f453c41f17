package port

import (
	"math"
	"slices"
)

// GridDeg is the grid of unequal spacing, in degrees from north; cells is the
// number of its points round the girth.
const (
	GridDeg = 0.5
	cells   = 720
)

// LeastApart is the least distance between neighbours at unequal spacing, as a
// share of equal spacing, where the card sets none. Program default; judgement,
// no source: nearer ports would share one column of sapwood.
const LeastApart = 0.5

// MostApart is the greatest distance between neighbours at unequal spacing, as
// a multiple of equal spacing, where the card sets none. Program default;
// judgement, no source: a wider gap leaves sapwood between ports dry. Ports on
// either side of an arc where none may go stand as far apart as that arc asks,
// and at most one equal space more.
const MostApart = 2

// unequal returns the grid points, ascending, of the n ports with the least
// sum of squared deviations from equal spacing, or nil if keep-outs and
// spacing leave no solution on the grid:
//
//	minimise sum (g_i - 720/n)^2, sum g_i = 720, low <= g_i <= high
//
// where g_i are the whole steps between neighbours. It is a dynamic programme
// round the circle, started from every free point of a stretch that any
// solution must touch. If u is the cost of a solution, no gap of a better one
// differs from 720/n by more than sqrt(u (n-1)/n), because the other gaps make
// up for it at the least cost when they share it equally; so the range of gaps
// starts narrow and widens only as far as that bound. Costs are integers (in
// units of 1/n^2), ties go to the first start and, counted back from it, the smallest gap: the answer
// is exact on the grid and the same on every machine.
func (r *Ring) unequal(n int) []int {
	low, high := r.gaps(n)
	low, high = max(low, cells-(n-1)*high), min(high, cells-(n-1)*low)
	if low < 1 || low > high || n*low > cells || n*high < cells {
		return nil
	}
	w := newWalk(r, n)
	for half := 2; ; {
		lo := max(low, cells/n-half)
		hi := min(high, (cells+n-1)/n+half)
		all := lo == low && hi == high
		cost, at, ok := w.solve(lo, hi)
		if ok {
			need := int(math.Ceil(math.Sqrt(float64(cost)*float64(n-1)/float64(n))/float64(n))) + 1
			if all || need <= half {
				return w.trace(at, lo, hi)
			}
			half = need
			continue
		}
		if all {
			return nil
		}
		half *= 2
	}
}

// gaps returns the least and greatest step between neighbours.
func (r *Ring) gaps(n int) (low, high int) {
	least := r.SpacingMinCm
	if least == 0 {
		least = LeastApart * r.GirthCm / float64(n)
	}
	low = max(1, int(math.Ceil(min(least/r.GirthCm*cells-1e-9, 2*cells))))
	high = min(cells, max(MostApart*cells, cells+n*r.widest())/n)
	if r.SpacingMaxCm > 0 {
		high = int(math.Floor(min(r.SpacingMaxCm/r.GirthCm*cells+1e-9, cells)))
	}
	return low, high
}

// widest is the number of grid points in the longest arc where no port may go.
func (r *Ring) widest() int {
	w := newWalk(r, 1)
	run, longest := 0, 0
	for i := 0; i < 2*cells; i++ { // twice round, for an arc across north
		if w.free[i%cells] {
			run = 0
			continue
		}
		run++
		longest = max(longest, min(run, cells))
	}
	return longest + 1
}

// walk holds the work space of one dynamic programme.
type walk struct {
	n    int
	free [cells]bool
	cost [2][cells]int64
}

const unreached = math.MaxInt64

// newWalk marks the grid points that lie clear of every keep-out.
func newWalk(r *Ring, n int) *walk {
	w := &walk{n: n}
	for i := range w.free {
		w.free[i] = true
	}
	for _, a := range r.spans(nil) {
		for i := range w.free {
			if Turn(float64(i)*GridDeg-a.start+margin, 360) < a.width+2*margin {
				w.free[i] = false
			}
		}
	}
	return w
}

// solve returns the least cost with gaps in lo..hi and the start it has.
func (w *walk) solve(lo, hi int) (cost int64, at int, ok bool) {
	from, most := w.stretch(hi)
	if most == 0 {
		return 0, 0, false
	}
	cost = unreached
	for i := range hi {
		s := (from + i) % cells
		if !w.free[s] || !w.reach(s, lo, hi) {
			continue
		}
		if c := w.run(s, lo, hi, cost, nil); c < cost {
			cost, at = c, s
		}
	}
	return cost, at, cost != unreached
}

// stretch returns the start of the hi consecutive points with the fewest free
// ones; a gap of at most hi cannot step over it.
func (w *walk) stretch(hi int) (from, free int) {
	count := 0
	for i := range hi {
		if w.free[i%cells] {
			count++
		}
	}
	from, free = 0, count
	for s := 1; s < cells; s++ {
		if w.free[s-1] {
			count--
		}
		if w.free[(s+hi-1)%cells] {
			count++
		}
		if count < free {
			from, free = s, count
		}
	}
	return from, free
}

// layer returns the positions after k gaps from which the circle still closes.
func (w *walk) layer(k, lo, hi int) (from, to int) {
	return max(k*lo, cells-(w.n-k)*hi), min(k*hi, cells-(w.n-k)*lo, cells-1)
}

// reach reports whether some closed walk starts at s; sums over a sliding
// window make it O(720 n) at most.
func (w *walk) reach(s, lo, hi int) bool {
	var now, next [cells]bool
	now[0] = true
	for k := 1; k < w.n; k++ {
		from, to := w.layer(k, lo, hi)
		if from > to {
			return false
		}
		any := false
		count, head, tail := 0, from-hi, from-hi // window [x-hi, x-lo]
		for x := from; x <= to; x++ {
			for ; head <= x-lo; head++ {
				if head >= 0 && now[head] {
					count++
				}
			}
			for ; tail < x-hi; tail++ {
				if tail >= 0 && now[tail] {
					count--
				}
			}
			next[x] = count > 0 && w.free[(s+x)%cells]
			any = any || next[x]
		}
		if !any {
			return false
		}
		now, next = next, [cells]bool{}
	}
	return true
}

// run is the dynamic programme from start s; it returns unreached when no walk
// costs less than bound. With back it keeps the gap that leads to each point,
// cells a layer.
func (w *walk) run(s, lo, hi int, bound int64, back []int16) int64 {
	n := int64(w.n)
	sq := func(g int) int64 { d := int64(g)*n - cells; return d * d }
	now, next := &w.cost[0], &w.cost[1]
	for i := range now {
		now[i] = unreached
	}
	now[0] = 0
	for k := 1; k < w.n; k++ {
		for i := range next {
			next[i] = unreached
		}
		open := false
		from, to := w.layer(k, lo, hi)
		for x := from; x <= to; x++ {
			if !w.free[(s+x)%cells] {
				continue
			}
			best, by := bound, 0
			for g := lo; g <= min(hi, x); g++ {
				if c := now[x-g]; c < bound && c+sq(g) < best {
					best, by = c+sq(g), g
				}
			}
			if by == 0 {
				continue
			}
			next[x], open = best, true
			if back != nil {
				back[k*cells+x] = int16(by)
			}
		}
		if !open {
			return unreached
		}
		now, next = next, now
	}
	best, by := bound, 0
	for g := lo; g <= hi && g <= cells; g++ {
		x := cells - g
		if c := now[x]; c < bound && c+sq(g) < best {
			best, by = c+sq(g), g
		}
	}
	if by == 0 {
		return unreached
	}
	if back != nil {
		back[0] = int16(by)
	}
	return best
}

// trace returns the points of the best walk from s, ascending from north.
func (w *walk) trace(s, lo, hi int) []int {
	back := make([]int16, w.n*cells)
	w.run(s, lo, hi, unreached, back)
	points := make([]int, 0, w.n)
	x := cells - int(back[0])
	for k := w.n - 1; k >= 1; k-- {
		points = append(points, (s+x)%cells)
		x -= int(back[k*cells+x])
	}
	points = append(points, s)
	slices.Sort(points)
	return points
}
