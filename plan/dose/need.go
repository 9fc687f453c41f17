package dose

import (
	"math/bits"
	"sort"

	"sapward/numeric/exact"
)

// MaxPorts bounds the number of ports of one dose unit.
const MaxPorts = 511

// Counts is the set of port numbers a dose unit may have.
type Counts [8]uint64

// Add puts n in the set; n outside 0..MaxPorts is ignored.
func (c *Counts) Add(n int) {
	if n >= 0 && n <= MaxPorts {
		c[n>>6] |= 1 << uint(n&63)
	}
}

// AddRange puts low..high in the set.
func (c *Counts) AddRange(low, high int) {
	for n := max(low, 0); n <= min(high, MaxPorts); n++ {
		c.Add(n)
	}
}

// Has reports whether n is in the set.
func (c *Counts) Has(n int) bool {
	return n >= 0 && n <= MaxPorts && c[n>>6]&(1<<uint(n&63)) != 0
}

// Empty reports whether the set has no member.
func (c *Counts) Empty() bool { return *c == Counts{} }

// Min returns the smallest member, or -1.
func (c *Counts) Min() int {
	for i, w := range c {
		if w != 0 {
			return i<<6 + bits.TrailingZeros64(w)
		}
	}
	return -1
}

// Max returns the largest member, or -1.
func (c *Counts) Max() int {
	for i := len(c) - 1; i >= 0; i-- {
		if c[i] != 0 {
			return i<<6 + 63 - bits.LeadingZeros64(c[i])
		}
	}
	return -1
}

// Grid is what the syringes and bottles can measure: whole graduations, from
// Min to Max of them in one port.
type Grid struct {
	Graduation exact.Rat // mL, > 0
	Min, Max   int64     // graduations in one port, 1 <= Min <= Max
}

// Need is one dose unit in whole graduations: n ports of v graduations suit it
// when n is in Counts, the grid has v, and Low <= n v <= High. Nothing is lost
// by the whole numbers, since n v is whole. Target is in tenths of a
// graduation and only steers. Need is comparable, so equal trees are counted,
// not repeated.
type Need struct {
	Low, High int64
	Target    int64
	PortLow   int64 // bounds of v of this unit's own, for rates per port; 0 if none
	PortHigh  int64
	Counts    Counts
}

// NewNeed turns limits in mL into whole graduations: the low limit up, the
// high limit down.
func NewNeed(l Limits, g exact.Rat, counts Counts) Need {
	n := Need{Counts: counts}
	if l.PerPort {
		n.PortLow, n.PortHigh = l.Low.Quo(g).Ceil(), l.High.Quo(g).Floor()
		n.Low, n.High = 1, 1<<40
		n.Target = l.Target.Mul(exact.Int(10)).Quo(g).Floor() * int64(max(counts.Min(), 1))
		return n
	}
	n.Low, n.High = max(l.Low.Quo(g).Ceil(), 1), l.High.Quo(g).Floor()
	n.Target = l.Target.Mul(exact.Int(10)).Quo(g).Floor()
	return n
}

// portBounds returns the volumes of one port that grid and unit both allow.
func (n *Need) portBounds(g Grid) (low, high int64) {
	low, high = g.Min, g.Max
	if n.PortHigh > 0 {
		low, high = max(low, n.PortLow), min(high, n.PortHigh)
	}
	return low, high
}

// Fewest returns the smallest permitted number of ports of v graduations, or 0.
func (n *Need) Fewest(v int64, g Grid) int {
	if lo, hi := n.portBounds(g); v < lo || v > hi {
		return 0
	}
	for k := max(ceilDiv(n.Low, v), int64(n.Counts.Min()), 1); k <= min(n.High/v, MaxPorts); k++ {
		if n.Counts.Has(int(k)) {
			return int(k)
		}
	}
	return 0
}

// Nearest returns the permitted number of ports of v graduations whose dose is
// nearest to the target, the smaller of two equals, or 0.
func (n *Need) Nearest(v int64, g Grid) int {
	best, miss := 0, int64(0)
	first := n.Fewest(v, g)
	if first == 0 {
		return 0
	}
	for k := int64(first); k <= min(n.High/v, MaxPorts); k++ {
		if !n.Counts.Has(int(k)) {
			continue
		}
		if d := distance(10*k*v, n.Target); best == 0 || d < miss {
			best, miss = int(k), d
		}
	}
	return best
}

// Volumes returns, for every v of the grid in order, the number of ports to
// use (Fewest, or Nearest when nearest is set), 0 where v does not suit.
func (n *Need) Volumes(g Grid, nearest bool) []int16 {
	out := make([]int16, g.Max-g.Min+1)
	for i := range out {
		v := g.Min + int64(i)
		if nearest {
			out[i] = int16(n.Nearest(v, g))
		} else {
			out[i] = int16(n.Fewest(v, g))
		}
	}
	return out
}

// Own returns a load of the unit's own: the total nearest to the target and
// the fewest ports that hold it, dealt out so that no two ports differ by more
// than one graduation. It returns nil when nothing suits.
func (n *Need) Own(g Grid) []int64 {
	lo, hi := n.portBounds(g)
	want := n.Target / 10
	var best []int64
	bestMiss := int64(-1)
	for k := n.Counts.Min(); k >= 0 && k <= n.Counts.Max(); k++ {
		if k == 0 || !n.Counts.Has(k) {
			continue
		}
		least, most := max(n.Low, int64(k)*lo), min(n.High, int64(k)*hi)
		if least > most {
			continue
		}
		total := min(max(want, least), most)
		if miss := distance(total, want); best == nil || miss < bestMiss {
			best, bestMiss = Deal(total, k), miss
			if miss == 0 {
				break
			}
		}
	}
	return best
}

// Deal splits total graduations over k ports, the larger ones first.
func Deal(total int64, k int) []int64 {
	out := make([]int64, k)
	for i := range out {
		out[i] = total / int64(k)
		if int64(i) < total%int64(k) {
			out[i]++
		}
	}
	return out
}

func ceilDiv(a, b int64) int64 { return (a + b - 1) / b }

func distance(a, b int64) int64 {
	if a < b {
		return b - a
	}
	return a - b
}

// Tally counts equal needs. The zero value is ready.
type Tally struct {
	counts map[Need]int64
	Units  int64
}

// Add counts a need.
func (t *Tally) Add(n Need) {
	if t.counts == nil {
		t.counts = make(map[Need]int64)
	}
	t.counts[n]++
	t.Units++
}

// Merge adds another tally.
func (t *Tally) Merge(o *Tally) {
	if t.counts == nil {
		t.counts = make(map[Need]int64)
	}
	for n, w := range o.counts {
		t.counts[n] += w
	}
	t.Units += o.Units
}

// Weighted is a need with the number of units that share it.
type Weighted struct {
	Need  Need
	Count int64
}

// Sorted returns the distinct needs in one fixed order.
func (t *Tally) Sorted() []Weighted {
	out := make([]Weighted, 0, len(t.counts))
	for n, w := range t.counts {
		out = append(out, Weighted{n, w})
	}
	sort.Slice(out, func(i, j int) bool { return less(&out[i].Need, &out[j].Need) })
	return out
}

func less(a, b *Need) bool {
	for _, p := range [][2]int64{{a.Low, b.Low}, {a.High, b.High}, {a.Target, b.Target}, {a.PortLow, b.PortLow}, {a.PortHigh, b.PortHigh}} {
		if p[0] != p[1] {
			return p[0] < p[1]
		}
	}
	for i := range a.Counts {
		if a.Counts[i] != b.Counts[i] {
			return a.Counts[i] < b.Counts[i]
		}
	}
	return false
}

// Feasible reports whether some permitted number of ports and some volume of
// the grid suit the unit. A grid without an upper end has Max 0.
func (n *Need) Feasible(g Grid) bool {
	if g.Max == 0 {
		g.Max = 1 << 40
	}
	lo, hi := n.portBounds(g)
	for k := n.Counts.Min(); k >= 0 && k <= n.Counts.Max(); k++ {
		if k == 0 || !n.Counts.Has(k) {
			continue
		}
		if max(lo, ceilDiv(n.Low, int64(k))) <= min(hi, n.High/int64(k)) {
			return true
		}
	}
	return false
}
