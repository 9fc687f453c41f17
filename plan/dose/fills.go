package dose

import (
	"errors"
	"math"
	"math/bits"
	"sort"
)

// A fill is the volume one syringe is loaded with for one port. FewestFills
// finds the smallest number of different fills that serves every dose unit;
// LeastMisdose finds at most K fills that keep the doses nearest to their
// targets (SCIENCE S4). Both are exact.

// ErrGrid means the grid is too fine for an exact search.
var ErrGrid = errors.New("dose: more than 4096 graduations between the smallest and the largest volume of a port")

// ErrNoFill means a unit suits no volume of the grid; leave such units out.
var ErrNoFill = errors.New("dose: a unit has no volume that suits it")

// ErrTooMany means that no K fills serve every unit.
var ErrTooMany = errors.New("dose: more fills are needed than were asked for")

// Fills is the answer of a search.
type Fills struct {
	Volumes []int64 // graduations, ascending
	Misdose int64   // sum over units of |dose - target|, tenths of a graduation
	Ports   int64   // ports over all units
	Nearest bool    // number of ports chosen nearest to the target, else fewest
}

// Choose returns the fill and number of ports of one unit: the fill whose dose
// is nearest to the target, then the fewer ports, then the smaller volume. It
// returns zeros when no fill suits.
func (f Fills) Choose(n Need, g Grid) (volume int64, ports int) {
	best := int64(-1)
	for _, v := range f.Volumes {
		k := n.Fewest(v, g)
		if f.Nearest {
			k = n.Nearest(v, g)
		}
		if k == 0 {
			continue
		}
		if d := distance(10*int64(k)*v, n.Target); best < 0 || d < best || d == best && k < ports {
			best, volume, ports = d, v, k
		}
	}
	return volume, ports
}

// table is the problem laid out: one row for each distinct need that suits the
// same volumes with the same numbers of ports and the same target.
type table struct {
	grid   Grid
	points int
	ports  [][]int16 // row, point
	miss   [][]int64 // row, point: |dose - target|, noFill where it does not suit
	weight []int64
	sets   [][]uint64 // distinct minimal sets of suiting points
}

const noFill = math.MaxInt64 / 4

func newTable(needs []Weighted, g Grid, nearest bool) (*table, error) {
	if g.Max-g.Min >= 4096 {
		return nil, ErrGrid
	}
	t := &table{grid: g, points: int(g.Max - g.Min + 1)}
	words := (t.points + 63) / 64
	rows := map[string]int{}
	seen := map[string][]uint64{}
	for _, w := range needs {
		ports := w.Need.Volumes(g, nearest)
		key := make([]byte, 0, 2*len(ports)+8)
		set := make([]uint64, words)
		any := false
		for i, k := range ports {
			key = append(key, byte(k), byte(k>>8))
			if k > 0 {
				set[i>>6] |= 1 << uint(i&63)
				any = true
			}
		}
		if !any {
			return nil, ErrNoFill
		}
		seen[bitKey(set)] = set
		for i := 0; i < 8; i++ {
			key = append(key, byte(w.Need.Target>>(8*i)))
		}
		if r, ok := rows[string(key)]; ok {
			t.weight[r] += w.Count
			continue
		}
		rows[string(key)] = len(t.weight)
		miss := make([]int64, t.points)
		for i, k := range ports {
			miss[i] = noFill
			if k > 0 {
				miss[i] = distance(10*int64(k)*(g.Min+int64(i)), w.Need.Target)
			}
		}
		t.ports, t.miss, t.weight = append(t.ports, ports), append(t.miss, miss), append(t.weight, w.Count)
	}
	t.sets = minimalSets(seen)
	return t, nil
}

func bitKey(set []uint64) string {
	b := make([]byte, 0, 8*len(set))
	for _, w := range set {
		for i := 0; i < 8; i++ {
			b = append(b, byte(w>>(8*i)))
		}
	}
	return string(b)
}

func size(set []uint64) (n int) {
	for _, w := range set {
		n += bits.OnesCount64(w)
	}
	return n
}

// minimalSets drops every set that contains another: hitting the smaller one
// hits it too. The result is ordered by size, then content.
func minimalSets(seen map[string][]uint64) [][]uint64 {
	all := make([][]uint64, 0, len(seen))
	for _, s := range seen {
		all = append(all, s)
	}
	sort.Slice(all, func(i, j int) bool {
		if a, b := size(all[i]), size(all[j]); a != b {
			return a < b
		}
		return bitKey(all[i]) < bitKey(all[j])
	})
	var out [][]uint64
next:
	for _, s := range all {
		for _, o := range out {
			if within(o, s) {
				continue next
			}
		}
		out = append(out, s)
	}
	return out
}

func within(a, b []uint64) bool {
	for i := range a {
		if a[i]&^b[i] != 0 {
			return false
		}
	}
	return true
}

func hits(set []uint64, p int) bool { return set[p>>6]&(1<<uint(p&63)) != 0 }

// search walks hitting sets by branching on the points of the smallest unhit
// set. Points tried before on the same branch are forbidden later, so each
// hitting set without a superfluous point is visited once.
type search struct {
	t       *table
	limit   int
	chosen  []int
	banned  []int // how often a point is forbidden
	visit   func(chosen []int)
	stopAll bool
}

// disjoint is a lower bound: sets that share no free point need a point each.
func (s *search) disjoint() int {
	used := make([]uint64, (s.t.points+63)/64)
	n := 0
next:
	for _, set := range s.t.sets {
		for _, p := range s.chosen {
			if hits(set, p) {
				continue next
			}
		}
		for i := range set {
			if set[i]&used[i] != 0 {
				continue next
			}
		}
		for i := range set {
			used[i] |= set[i]
		}
		n++
	}
	return n
}

func (s *search) walk() {
	if s.stopAll {
		return
	}
	var open []uint64
	for _, set := range s.t.sets {
		hit := false
		for _, p := range s.chosen {
			if hits(set, p) {
				hit = true
				break
			}
		}
		if !hit {
			open = set
			break
		}
	}
	if open == nil {
		s.visit(s.chosen)
		return
	}
	if len(s.chosen)+s.disjoint() > s.limit {
		return
	}
	var tried []int
	for p := 0; p < s.t.points; p++ {
		if !hits(open, p) || s.banned[p] > 0 {
			continue
		}
		s.chosen = append(s.chosen, p)
		s.walk()
		s.chosen = s.chosen[:len(s.chosen)-1]
		s.banned[p]++
		tried = append(tried, p)
	}
	for _, p := range tried {
		s.banned[p]--
	}
}

// smallest returns the size of a smallest hitting set.
func (t *table) smallest() int {
	s := &search{t: t, banned: make([]int, t.points)}
	for s.limit = s.disjoint(); ; s.limit++ {
		found := false
		s.visit = func([]int) { found, s.stopAll = true, true }
		s.walk()
		s.stopAll = false
		if found {
			return s.limit
		}
	}
}

// cost returns the misdose and the ports of a choice of points.
func (t *table) cost(chosen []int) (miss, ports int64) {
	for r := range t.weight {
		best, k := int64(noFill), int16(0)
		for _, p := range chosen {
			m := t.miss[r][p]
			if m < best || m == best && t.ports[r][p] < k {
				best, k = m, t.ports[r][p]
			}
		}
		miss += t.weight[r] * best
		ports += t.weight[r] * int64(k)
	}
	return miss, ports
}

// best keeps the better of two answers: less misdose, fewer ports, smaller
// volumes first.
type best struct {
	set         bool
	miss, ports int64
	points      []int
}

func (b *best) offer(miss, ports int64, points []int) {
	p := append([]int(nil), points...)
	sort.Ints(p)
	if b.set {
		switch {
		case miss != b.miss:
			if miss > b.miss {
				return
			}
		case ports != b.ports:
			if ports > b.ports {
				return
			}
		case !lessInts(p, b.points):
			return
		}
	}
	*b = best{true, miss, ports, p}
}

func lessInts(a, b []int) bool {
	for i := range a {
		if i >= len(b) || a[i] != b[i] {
			return i < len(b) && a[i] < b[i]
		}
	}
	return len(a) < len(b)
}

func (t *table) fills(b best, nearest bool) Fills {
	f := Fills{Misdose: b.miss, Ports: b.ports, Nearest: nearest}
	for _, p := range b.points {
		f.Volumes = append(f.Volumes, t.grid.Min+int64(p))
	}
	return f
}

// FewestFills returns the smallest number of fills with which every unit has a
// permitted number of ports; among these the least sum of |dose - target|,
// then the fewest ports, then the smallest volumes. Every need must suit some
// volume of the grid.
func FewestFills(needs []Weighted, g Grid) (Fills, error) {
	if len(needs) == 0 {
		return Fills{}, nil
	}
	t, err := newTable(needs, g, false)
	if err != nil {
		return Fills{}, err
	}
	var b best
	s := &search{t: t, limit: t.smallest(), banned: make([]int, t.points)}
	s.visit = func(chosen []int) {
		miss, ports := t.cost(chosen)
		b.offer(miss, ports, chosen)
	}
	s.walk()
	return t.fills(b, false), nil
}

// LeastMisdose returns at most k fills, 1 <= k <= 4, that serve every unit with
// the least sum of |dose - target|, the number of ports being free inside each
// unit's limits. It returns ErrTooMany when k fills cannot serve every unit.
func LeastMisdose(needs []Weighted, g Grid, k int) (Fills, error) {
	if len(needs) == 0 {
		return Fills{}, nil
	}
	t, err := newTable(needs, g, true)
	if err != nil {
		return Fills{}, err
	}
	if t.smallest() > k {
		return Fills{}, ErrTooMany
	}
	var b best
	none := make([]int64, len(t.weight))
	for r := range none {
		none[r] = noFill
	}
	t.subsets(k, nil, none, t.suffixMinima(), &b)
	return t.fills(b, true), nil
}

// suffixMinima returns, for every point p and row, the least misdose over the
// points from p on.
func (t *table) suffixMinima() [][]int64 {
	out := make([][]int64, t.points+1)
	for p := t.points; p >= 0; p-- {
		out[p] = make([]int64, len(t.weight))
		for r := range out[p] {
			if p == t.points {
				out[p][r] = noFill
			} else {
				out[p][r] = min(out[p+1][r], t.miss[r][p])
			}
		}
	}
	return out
}

// total sums misdoses over units; ok is false when a row has none.
func (t *table) total(miss, also []int64) (sum int64, ok bool) {
	for r, m := range miss {
		m = min(m, also[r])
		if m == noFill {
			return 0, false
		}
		sum += t.weight[r] * m
	}
	return sum, true
}

// subsets tries every set of up to k points in ascending order, carrying each
// row's best misdose along, and cuts a branch when even all later points
// together could not beat the best answer.
func (t *table) subsets(k int, chosen []int, sofar []int64, later [][]int64, b *best) {
	if sum, ok := t.total(sofar, sofar); ok && len(chosen) > 0 && (!b.set || sum <= b.miss) {
		miss, ports := t.cost(chosen)
		b.offer(miss, ports, chosen)
	}
	if len(chosen) == k {
		return
	}
	first := 0
	if len(chosen) > 0 {
		first = chosen[len(chosen)-1] + 1
	}
	next := make([]int64, len(t.weight))
	for p := first; p < t.points; p++ {
		if bound, ok := t.total(sofar, later[p]); !ok || b.set && bound > b.miss {
			return
		}
		for r := range next {
			next[r] = min(sofar[r], t.miss[r][p])
		}
		t.subsets(k, append(chosen, p), next, later, b)
	}
}
