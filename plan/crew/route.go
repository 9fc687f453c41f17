package crew

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
)

// startClass marks the start of a route; no tree has it, so no move may touch position 0.
const startClass = 255

// route is a path under improvement: nodes 0..n-1 are trees, node n is the start and stands at position 0 for good.
// The trees of one class fill one run of positions. Every move stays inside one run, so precedence cannot be lost.
type route struct {
	n      int
	x, y   []float64
	class  []uint8
	dist   func(i, j int) float64 // nil: straight line
	free   bool                   // no parking point: the way to the first tree costs nothing
	closed bool                   // the way back to the start counts

	at  []int32 // position -> node, n+1 long
	pos []int32 // node -> position

	nbr []int32 // candidate neighbours of all nodes, nearest first
	off []int32 // node -> first of its neighbours

	eps     float64 // smallest gain that counts
	maxMove int     // longest reversal or shift tried
	gained  float64 // sum of the gains since it was last reset

	queue  []int32
	queued []bool

	logging bool
	log     []placement
}

// placement remembers which node stood at a position before a write, so that a failed kick can be undone.
type placement struct{ pos, node int32 }

// d returns the length of the way between two nodes; -1 stands for the open end, which costs nothing.
func (r *route) d(a, b int32) float64 {
	if a < 0 || b < 0 {
		return 0
	}
	if r.free && (int(a) == r.n || int(b) == r.n) {
		return 0
	}
	if r.dist != nil {
		return r.dist(int(a), int(b))
	}
	dx, dy := r.x[a]-r.x[b], r.y[a]-r.y[b]
	return math.Sqrt(float64(dx*dx) + float64(dy*dy))
}

// node returns the node at a position; the position after the last is the start of a closed route or the open end.
func (r *route) node(p int) int32 {
	if p <= r.n {
		return r.at[p]
	}
	if r.closed {
		return r.at[0]
	}
	return -1
}

func (r *route) set(p int, v int32) {
	if r.logging {
		r.log = append(r.log, placement{int32(p), r.at[p]})
	}
	r.at[p] = v
	r.pos[v] = int32(p)
}

func (r *route) undo() {
	for i := len(r.log) - 1; i >= 0; i-- {
		w := r.log[i]
		r.at[w.pos] = w.node
		r.pos[w.node] = w.pos
	}
	r.log = r.log[:0]
}

func (r *route) push(v int32) {
	if v >= 0 && !r.queued[v] {
		r.queued[v] = true
		r.queue = append(r.queue, v)
	}
}

// length returns the sum of all legs.
func (r *route) length() float64 {
	sum := 0.0
	for p := 0; p <= r.n; p++ {
		sum += r.d(r.node(p), r.node(p+1))
	}
	return sum
}

func (r *route) sameClass(lo, hi int) bool {
	return lo >= 1 && hi <= r.n && r.class[r.at[lo]] == r.class[r.at[hi]]
}

func (r *route) reverse(lo, hi int) {
	for lo < hi {
		a, b := r.at[lo], r.at[hi]
		r.set(lo, b)
		r.set(hi, a)
		lo++
		hi--
	}
}

// shift moves the segment at positions i..j (three nodes at most) between positions s and s+1, turned round if asked.
func (r *route) shift(i, j, s int, turned bool) {
	var seg [3]int32
	n := copy(seg[:], r.at[i:j+1])
	if turned {
		slices.Reverse(seg[:n])
	}
	to := s + 1
	if s > j {
		for p := j + 1; p <= s; p++ {
			r.set(p-n, r.at[p])
		}
		to = s - n + 1
	} else {
		for p := i - 1; p > s; p-- {
			r.set(p+n, r.at[p])
		}
	}
	for k := range n {
		r.set(to+k, seg[k])
	}
}

// improve tries to shorten the route at one node and reports whether it did: 2-opt with either neighbour of the node
// on the route, then Or-opt of the segments of one to three nodes that end at it.
func (r *route) improve(t int32) bool {
	return r.twoOpt(t) || (int(t) != r.n && r.orOpt(t))
}

func (r *route) twoOpt(t int32) bool {
	near := r.nbr[r.off[t]:r.off[t+1]]
	p := int(r.pos[t])
	next := r.node(p + 1)
	old := r.d(t, next)
	for _, c := range near {
		dc := r.d(t, c)
		if dc >= old {
			break
		}
		q := int(r.pos[c])
		far := r.node(q + 1)
		g := old + r.d(c, far) - dc - r.d(next, far)
		lo, hi := min(p, q)+1, max(p, q)
		if g > r.eps && hi-lo < r.maxMove && r.sameClass(lo, hi) {
			r.accept(g, t, c, next, far)
			r.reverse(lo, hi)
			return true
		}
	}
	if p == 0 {
		if !r.closed {
			return false
		}
		p = r.n + 1
	}
	prev := r.node(p - 1)
	old = r.d(prev, t)
	for _, c := range near {
		dc := r.d(t, c)
		if dc >= old {
			break
		}
		q := int(r.pos[c])
		if q == 0 {
			if !r.closed {
				continue
			}
			q = r.n + 1
		}
		far := r.node(q - 1)
		g := old + r.d(far, c) - dc - r.d(prev, far)
		lo, hi := min(p, q), max(p, q)-1
		if g > r.eps && hi-lo < r.maxMove && r.sameClass(lo, hi) {
			r.accept(g, t, c, prev, far)
			r.reverse(lo, hi)
			return true
		}
	}
	return false
}

func (r *route) orOpt(t int32) bool {
	near := r.nbr[r.off[t]:r.off[t+1]]
	p := int(r.pos[t])
	for size := 1; size <= 3; size++ {
		for side := range 2 {
			i, j := p, p+size-1 // t is the left end
			if side == 1 {
				if size == 1 {
					break
				}
				i, j = p-size+1, p
			}
			if !r.sameClass(i, j) {
				continue
			}
			before, after := r.node(i-1), r.node(j+1)
			other := r.at[i+j-p]
			freed := r.d(before, r.at[i]) + r.d(r.at[j], after) - r.d(before, after)
			if freed <= r.eps {
				continue
			}
			for _, c := range near {
				dc := r.d(t, c)
				if dc >= freed {
					break
				}
				q := int(r.pos[c])
				if q >= i && q <= j {
					continue
				}
				for slot := range 2 { // after c, then before c
					s := q - slot
					if q == 0 && slot == 1 {
						if !r.closed {
							continue
						}
						s = r.n
					}
					if s == i-1 || s == j {
						continue
					}
					beyond := r.node(s + 1)
					if slot == 1 {
						beyond = r.node(s)
					}
					g := freed - dc - r.d(other, beyond) + r.d(c, beyond)
					if g <= r.eps || !r.fits(s, r.class[t]) || max(s, j)-min(s, i) > r.maxMove {
						continue
					}
					r.accept(g, before, after, c, beyond)
					r.push(t)
					r.push(other)
					// After c the node t must come first, before c it must come last.
					turned := (slot == 0) != (side == 0)
					if size == 1 {
						turned = false
					}
					r.shift(i, j, s, turned)
					return true
				}
			}
		}
	}
	return false
}

// fits reports whether a node of this class may stand between positions s and s+1.
func (r *route) fits(s int, class uint8) bool {
	if r.class[r.at[s]] == class {
		return true
	}
	v := r.node(s + 1)
	return v >= 0 && r.class[v] == class
}

func (r *route) accept(gain float64, a, b, c, d int32) {
	r.gained += gain
	r.push(a)
	r.push(b)
	r.push(c)
	r.push(d)
}

// settle works the queue off until no move at any queued node shortens the route.
func (r *route) settle() {
	for head := 0; head < len(r.queue); head++ {
		v := r.queue[head]
		r.queued[v] = false
		for r.improve(v) {
		}
		if head > 1<<16 && head*2 > len(r.queue) {
			r.queue = append(r.queue[:0], r.queue[head+1:]...)
			head = -1
		}
	}
	r.queue = r.queue[:0]
}

// kick exchanges two adjacent short segments of one class (the double bridge of Martin, Otto and Felten 1991, kept
// local), lets the search settle round the cuts and takes everything back if the route became longer.
func (r *route) kick(rng *rand.Rand, longest int) {
	p := 1 + rng.IntN(r.n)
	a, b := 1+rng.IntN(longest), 1+rng.IntN(longest)
	end := p + a + b - 1
	if end > r.n || !r.sameClass(p, end) {
		return
	}
	mid := p + a // first of the second segment
	n0, n1 := r.node(p-1), r.at[p]
	n2, n3 := r.at[mid-1], r.at[mid]
	n4, n5 := r.at[end], r.node(end+1)
	loss := r.d(n0, n3) + r.d(n4, n1) + r.d(n2, n5) - r.d(n0, n1) - r.d(n2, n3) - r.d(n4, n5)
	r.gained, r.log, r.logging = -loss, r.log[:0], true
	first := make([]int32, 0, 64)
	first = append(first, r.at[p:mid]...)
	for k := mid; k <= end; k++ {
		r.set(k-a, r.at[k])
	}
	for k, v := range first {
		r.set(p+b+k, v)
	}
	for _, v := range []int32{n0, n1, n2, n3, n4, n5} {
		r.push(v)
	}
	r.settle()
	if r.gained < 0 {
		r.undo()
	}
	r.logging = false
}

// neighbours fills the candidate lists: the k nearest of the own class and, where there are several classes, a few of
// the class before and after, which matter where one run of positions meets the next. The start is a candidate of
// the trees it sees.
func (r *route) neighbours(k, across int) {
	classes := map[uint8][]int32{}
	var order []uint8
	for v := range r.n {
		c := r.class[v]
		if classes[c] == nil {
			order = append(order, c)
		}
		classes[c] = append(classes[c], int32(v))
	}
	slices.Sort(order)
	trees := make([]*planeTree, len(order))
	place := map[uint8]int{}
	for i, c := range order {
		trees[i] = newPlaneTree(r.x, r.y, classes[c])
		place[c] = i
	}
	fromStart := map[int32]bool{}
	lists := make([]candidate, 0, k+2*across+1)
	find := func(v int32, i, k int) {
		if i < 0 || i >= len(trees) {
			return
		}
		n := near{self: v, k: k}
		trees[i].search(r.x[v], r.y[v], 0, len(trees[i].idx), &n)
		lists = append(lists, n.heap...)
	}
	start := int32(r.n)
	if !r.free {
		find(start, 0, k)
		if r.closed {
			find(start, len(trees)-1, k)
		}
		for _, c := range lists {
			fromStart[c.node] = true
		}
	}
	startList := slices.Clone(lists)
	r.off = make([]int32, r.n+2)
	r.nbr = make([]int32, 0, (r.n+1)*k)
	for v := int32(0); v <= start; v++ {
		if v == start {
			lists = startList
		} else {
			lists = lists[:0]
			i := place[r.class[v]]
			find(v, i, k)
			if len(trees) > 1 {
				find(v, i-1, across)
				find(v, i+1, across)
			}
			if fromStart[v] {
				lists = append(lists, candidate{node: start})
			}
		}
		if r.dist != nil || len(trees) > 1 || fromStart[v] || v == start {
			for j := range lists {
				lists[j].d = r.d(v, lists[j].node)
			}
			slices.SortFunc(lists, func(a, b candidate) int {
				return cmp.Or(cmp.Compare(a.d, b.d), cmp.Compare(a.node, b.node))
			})
		}
		last := int32(-1)
		for _, c := range lists {
			if c.node != last {
				r.nbr = append(r.nbr, c.node)
			}
			last = c.node
		}
		r.off[v+1] = int32(len(r.nbr))
	}
}
