package crew

import (
	"math"
	"slices"
)

// Bar is one stretch of one person's day, in seconds from the start of the working day.
type Bar struct {
	StartS int64  `json:"start_s"`
	EndS   int64  `json:"end_s"`
	Tree   string `json:"tree,omitempty"`
	Step   string `json:"step"`
}

// treeWork is what a tree costs, from the step times.
type treeWork struct {
	first   []Bar // steps of the first visit up to the start of delivery, as lengths in EndS
	after   []Bar // steps of the first visit after it
	closing []Bar // steps of the return visit
	uptake  int64
	handsOn int64 // everything a person must be there for
	toDrill int64 // hands-on time before the drill
	rank    uint8
	ports   int
	high    int
}

// visit is when product ran at one tree.
type visit struct {
	tree               int
	load, start        int64 // loading begins; delivery begins
	dry                int64 // last port dry
	closeStart, closed int64
}

// run is one person's (or team's) day over a piece of the walk.
type run struct {
	bars   []Bar
	visits []visit
	finish int64
	walkM  float64
}

func (r run) lastDry() int64 {
	var t int64
	for _, v := range r.visits {
		t = max(t, v.dry)
	}
	return t
}

// yard is what all runs of a schedule share.
type yard struct {
	trees   []DayTree
	work    []treeWork
	place   []Point
	parking *Point
	speed   int64 // m/min
	hand    bool  // delivery itself holds the person
	stays   bool  // the person stays at the tree until it is dry; always so by hand
	contact int64
	bitSets int
	breaks  []Break
}

func newYard(q Request, stays bool) *yard {
	y := &yard{trees: q.Trees, parking: q.Parking, speed: q.Steps.WalkingMMin, breaks: q.Breaks,
		hand: q.Delivery == ByHand, stays: stays || q.Delivery == ByHand,
		contact: q.Steps.step(StepDisinfect).ContactS, bitSets: q.BitSets}
	if y.bitSets == 0 {
		y.bitSets = defaultBitSets
	}
	y.locate()
	for _, t := range q.Trees {
		w := treeWork{ports: len(t.Ports), high: highPorts(t.Ports), uptake: uptakeS(t.Ports, q.Delivery)}
		w.rank, _ = t.Health.rank()
		list := func(ids ...string) (out []Bar) {
			for _, id := range ids {
				s := q.Steps.seconds(id, w.ports, w.high)
				if !skips(id, q.Delivery) {
					out = append(out, Bar{EndS: s, Tree: t.Tree, Step: id})
					w.handsOn += s
				}
			}
			return out
		}
		w.first = list(StepCleanBark, StepMark, StepClimb, StepDrill, StepSet, StepLoad, StepDeliver)
		for _, b := range w.first {
			if b.Step == StepDrill {
				break
			}
			w.toDrill += b.EndS
		}
		switch {
		case y.hand:
			w.after = list(StepSealPull, StepRinse, StepDisinfect)
			w.handsOn += w.uptake
		case y.stays:
			// Watching is the uptake itself, or the look for leaks where that takes longer.
			w.after = list(StepWatch, StepSealPull, StepRinse, StepDisinfect)
			more := max(0, w.uptake-w.after[0].EndS)
			w.after[0].EndS += more
			w.handsOn += more
		default:
			w.after = list(StepWatch, StepDisinfect)
			w.closing = list(StepClimb, StepSealPull, StepRinse)
		}
		y.work = append(y.work, w)
	}
	return y
}

// locate gives every tree a place. A tree without one stands where the tree before it in the walk does (before the first
// known place: at the parking point, or else at the first known place), and each way to or from it costs a fixed time more.
func (y *yard) locate() {
	y.place = make([]Point, len(y.trees))
	var here Point
	if y.parking != nil {
		here = *y.parking
	} else if k := slices.IndexFunc(y.trees, func(t DayTree) bool { return t.At != nil }); k >= 0 {
		here = *y.trees[k].At
	}
	for i, t := range y.trees {
		if t.At != nil {
			here = *t.At
		}
		y.place[i] = here
	}
}

// way returns how far and how long it is from tree to tree. Seconds are rounded up, which keeps a straight way no
// longer than any way round.
func (y *yard) way(i, j int) (float64, int64) {
	m := distanceM(y.place[i], y.place[j])
	s := y.pace(m)
	if y.trees[i].At == nil || y.trees[j].At == nil {
		s += unplacedWayS
	}
	return m, s
}

func (y *yard) pace(m float64) int64 { return int64(math.Ceil(m*60/float64(y.speed) - 1e-9)) }

// lead returns the way to a tree from where people start.
func (y *yard) lead(i int) (float64, int64) {
	if y.parking == nil {
		return 0, 0
	}
	m := distanceM(*y.parking, y.place[i])
	s := y.pace(m)
	if y.trees[i].At == nil {
		s += unplacedWayS
	}
	return m, s
}

// ways returns work, lead and link of a list of trees for SplitWalk. A lead is never longer than going by the tree
// before; the minimum only takes the rounding of sums away.
func (y *yard) ways(list []int) (work, lead, link []int64) {
	work, lead, link = make([]int64, len(list)), make([]int64, len(list)), make([]int64, len(list))
	for k, i := range list {
		work[k] = y.work[i].handsOn
		_, lead[k] = y.lead(i)
		if k == 0 {
			continue
		}
		_, link[k] = y.way(list[k-1], i)
		if y.bitSets == 1 {
			link[k] += max(0, y.contact-link[k]-y.work[i].toDrill)
		}
		lead[k] = min(lead[k], lead[k-1]+work[k-1]+link[k])
	}
	return work, lead, link
}

// person is the state of one run.
type person struct {
	*yard
	run
	t      int64
	here   int // tree, -1 at the start
	rested int // breaks taken
	soaked []int64
}

func (p *person) bar(step, tree string, length int64) {
	if length <= 0 {
		return
	}
	p.bars = append(p.bars, Bar{p.t, p.t + length, tree, step})
	p.t += length
}

func (p *person) rest() {
	for p.rested < len(p.breaks) && p.breaks[p.rested].AfterS <= p.t {
		p.bar(StepBreak, "", p.breaks[p.rested].LengthS)
		p.rested++
	}
}

func (p *person) walkTo(i int) {
	var m float64
	var s int64
	switch {
	case p.here < 0:
		m, s = p.lead(i)
	case p.here != i:
		m, s = p.way(p.here, i)
	}
	p.walkM += m
	p.bar(StepWalk, p.trees[i].Tree, s)
	p.here = i
}

func (p *person) steps(list []Bar) {
	for _, b := range list {
		p.bar(b.Step, b.Tree, b.EndS)
		if b.Step == StepDisinfect {
			p.soaked = append(p.soaked, p.t+p.contact)
		}
	}
}

// treat does the first visit: everything up to leaving the tree.
func (p *person) treat(i int) {
	p.walkTo(i)
	w := p.work[i]
	v := visit{tree: i}
	for _, b := range w.first {
		switch b.Step {
		case StepDrill: // only with tools whose disinfectant has acted
			if k := len(p.soaked) - p.bitSets; k >= 0 {
				p.bar(StepWait, b.Tree, p.soaked[k]-p.t)
			}
		case StepLoad:
			v.load = p.t
		case StepDeliver:
			v.start = p.t
			if p.hand {
				b.EndS += w.uptake
			}
		}
		p.bar(b.Step, b.Tree, b.EndS)
	}
	v.dry = p.t
	if !p.hand {
		v.dry += w.uptake
	}
	p.steps(w.after)
	if p.stays {
		v.closeStart, v.closed = v.dry, p.t
	}
	p.visits = append(p.visits, v)
}

// pull does the return visit to the tree of a visit.
func (p *person) pull(k int) {
	v := &p.visits[k]
	p.walkTo(v.tree)
	v.closeStart = p.t
	p.steps(p.work[v.tree].closing)
	v.closed = p.t
}

// simulate runs one person over a piece of the walk from a time on. Staying, trees follow each other. Otherwise trees
// are set while a device is free, and pulled when dry; two habits are tried, going on setting while one can, and
// pulling whatever is dry first, and the one that finishes sooner is kept (then the shorter walk). Trees of one class
// are all pulled before the first tree of the next class is touched.
func (y *yard) simulate(piece []int, begin int64, devices int) run {
	if y.stays {
		p := person{yard: y, t: begin, here: -1}
		for _, i := range piece {
			p.rest()
			p.treat(i)
		}
		p.finish = p.t
		return p.run
	}
	best := y.settingFirst(piece, begin, devices, true)
	if other := y.settingFirst(piece, begin, devices, false); other.finish < best.finish ||
		(other.finish == best.finish && other.walkM < best.walkM) {
		best = other
	}
	return best
}

func (y *yard) settingFirst(piece []int, begin int64, devices int, goOn bool) run {
	p := person{yard: y, t: begin, here: -1}
	var open []int // visits not yet pulled
	next := 0
	for next < len(piece) || len(open) > 0 {
		p.rest()
		soonest := -1
		for k, v := range open {
			if soonest < 0 || p.visits[v].dry < p.visits[open[soonest]].dry {
				soonest = k
			}
		}
		canSet := next < len(piece) && (devices == 0 || len(open) < devices) &&
			(len(open) == 0 || y.work[piece[next]].rank == y.work[p.visits[open[0]].tree].rank)
		dryNow := soonest >= 0 && p.visits[open[soonest]].dry <= p.t
		if canSet && (goOn || !dryNow) {
			p.treat(piece[next])
			open = append(open, len(p.visits)-1)
			next++
			continue
		}
		v := open[soonest]
		// Wait where one stands, but no longer than the way there leaves, and no longer than to the next break.
		_, s := p.way(p.here, p.visits[v].tree)
		if p.here == p.visits[v].tree {
			s = 0
		}
		wait := p.visits[v].dry - s - p.t
		if p.rested < len(p.breaks) && p.breaks[p.rested].AfterS < p.t+wait {
			p.bar(StepWait, "", p.breaks[p.rested].AfterS-p.t)
			continue
		}
		p.bar(StepWait, p.trees[p.visits[v].tree].Tree, wait)
		p.pull(v)
		open = slices.Delete(open, soonest, soonest+1)
	}
	p.finish = p.t
	return p.run
}
