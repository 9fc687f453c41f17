package crew

import "math"

// planeTree is a two-dimensional search tree over a subset of the points (Bentley 1975): the median splits the longer
// side, leaves hold a few points. Equal points cost nothing extra.
type planeTree struct {
	x, y []float64
	idx  []int32
	axis []uint8 // by middle position
}

const planeLeaf = 8

func newPlaneTree(x, y []float64, members []int32) *planeTree {
	t := &planeTree{x: x, y: y, idx: append([]int32(nil), members...), axis: make([]uint8, len(members))}
	t.build(0, len(members))
	return t
}

func (t *planeTree) coordinate(i int32, axis uint8) float64 {
	if axis == 0 {
		return t.x[i]
	}
	return t.y[i]
}

func (t *planeTree) build(lo, hi int) {
	if hi-lo <= planeLeaf {
		return
	}
	minX, maxX, minY, maxY := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	for _, i := range t.idx[lo:hi] {
		minX, maxX = min(minX, t.x[i]), max(maxX, t.x[i])
		minY, maxY = min(minY, t.y[i]), max(maxY, t.y[i])
	}
	var axis uint8
	if maxY-minY > maxX-minX {
		axis = 1
	}
	mid := (lo + hi) / 2
	t.selectMiddle(lo, hi-1, mid, axis)
	t.axis[mid] = axis
	t.build(lo, mid)
	t.build(mid+1, hi)
}

// selectMiddle is Hoare's selection: afterwards nothing before k is larger and nothing after it is smaller.
func (t *planeTree) selectMiddle(lo, hi, k int, axis uint8) {
	for lo < hi {
		pivot := t.coordinate(t.idx[(lo+hi)/2], axis)
		i, j := lo, hi
		for i <= j {
			for t.coordinate(t.idx[i], axis) < pivot {
				i++
			}
			for t.coordinate(t.idx[j], axis) > pivot {
				j--
			}
			if i <= j {
				t.idx[i], t.idx[j] = t.idx[j], t.idx[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			hi = j
		case k >= i:
			lo = i
		default:
			return
		}
	}
}

// near collects the k nearest members of a point, itself left out, in heap, nearest first.
type near struct {
	self int32
	k    int
	heap []candidate
}

type candidate struct {
	d    float64 // squared distance
	node int32
}

func (n *near) worst() float64 {
	if len(n.heap) < n.k {
		return math.Inf(1)
	}
	return n.heap[len(n.heap)-1].d
}

func (n *near) add(d float64, node int32) {
	if node == n.self || d >= n.worst() {
		return
	}
	if len(n.heap) < n.k {
		n.heap = append(n.heap, candidate{})
	}
	i := len(n.heap) - 1
	for i > 0 && n.heap[i-1].d > d {
		n.heap[i] = n.heap[i-1]
		i--
	}
	n.heap[i] = candidate{d, node}
}

func (t *planeTree) search(px, py float64, lo, hi int, n *near) {
	if hi-lo <= planeLeaf {
		for _, i := range t.idx[lo:hi] {
			dx, dy := t.x[i]-px, t.y[i]-py
			n.add(float64(dx*dx)+float64(dy*dy), i)
		}
		return
	}
	mid := (lo + hi) / 2
	i := t.idx[mid]
	dx, dy := t.x[i]-px, t.y[i]-py
	n.add(float64(dx*dx)+float64(dy*dy), i)
	gap := dx
	if t.axis[mid] == 1 {
		gap = dy
	}
	if gap >= 0 {
		t.search(px, py, lo, mid, n)
		if gap*gap < n.worst() {
			t.search(px, py, mid+1, hi, n)
		}
	} else {
		t.search(px, py, mid+1, hi, n)
		if gap*gap < n.worst() {
			t.search(px, py, lo, mid, n)
		}
	}
}
