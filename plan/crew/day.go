package crew

import (
	"cmp"
	"slices"
	"time"
)

// Roles of a person on a day.
const (
	RoleGround  = "ground"  // treats trees
	RoleAloft   = "aloft"   // climber of the pair that treats trees with high ports
	RoleSecond  = "second"  // second trained person of that pair
	RoleWatcher = "watcher" // watches product on a public site
	RoleIdle    = "idle"    // no tree is left for this person
)

// PersonDay is one person's timeline of a day.
type PersonDay struct {
	Person   string   `json:"person"`
	Role     string   `json:"role"`
	Bars     []Bar    `json:"bars"`
	Trees    []string `json:"trees"`
	WalkM    float64  `json:"walk_m"`
	WalkS    int64    `json:"walk_s"`
	HandsOnS int64    `json:"hands_on_s"` // everything but walk, wait and break
	WaitS    int64    `json:"wait_s"`
	BreakS   int64    `json:"break_s"`
	FinishS  int64    `json:"finish_s"` // end of the last bar; 0 without work
}

// TreeVisit is when product ran at one tree. Times count from the start of the day.
type TreeVisit struct {
	Tree     string `json:"tree"`
	Person   string `json:"person"`
	LoadS    int64  `json:"load_s"`    // loading begins: the mix must be ready
	DeliverS int64  `json:"deliver_s"` // delivery begins
	DryS     int64  `json:"dry_s"`     // its last port is dry
	PullS    int64  `json:"pull_s"`    // sealing or pulling begins
	ClosedS  int64  `json:"closed_s"`
}

// Day is one working day of the plan.
type Day struct {
	Number       int         `json:"number"`
	Start        time.Time   `json:"start"`
	BeginS       int64       `json:"begin_s"` // people set out; later than 0 where the treatable hours begin later
	People       []PersonDay `json:"people"`
	Visits       []TreeVisit `json:"visits"` // by start of delivery
	Trees        int         `json:"trees"`
	Ports        int         `json:"ports"`
	LongestS     int64       `json:"longest_s"`     // longest piece of the split, hands-on and ways, breaks and waiting apart
	LowerBoundS  int64       `json:"lower_bound_s"` // no split of the day's trees over these people is shorter
	FinishS      int64       `json:"finish_s"`
	LastPortDry  time.Time   `json:"last_port_dry"`
	Finish       time.Time   `json:"finish"`
	SignsDown    time.Time   `json:"signs_down"` // last port dry plus restricted-entry interval
	UnderWayMost int         `json:"under_way_most"`
	Watchers     int         `json:"watchers"`
	PersonS      int64       `json:"person_s"` // sum over people from the start of the day to their finish
	REIS         int64       `json:"rei_s"`
}

// RefusedTree is a tree the crew or the hours cannot serve.
type RefusedTree struct {
	Tree   string `json:"tree"`
	Reason string `json:"reason"`
}

// Reasons for refusing a tree, kinds of return and cautions: identifiers of the message catalogue.
const (
	RefusedNoClimber = "tree-needs-climber"
	RefusedNoSecond  = "tree-needs-second-person"
	RefusedTooLong   = "tree-longer-than-any-day"

	ReturnPull    = "return-pull-ports"
	ReturnLines   = "return-collect-lines"
	ReturnSigns   = "return-signs-down"
	ReturnClosure = "return-closure-check"

	CautionAloft      = "caution-aloft"
	CautionUnattended = "caution-never-unattended"
	CautionStay       = "caution-stay-with-tree"
	CautionDays       = "caution-more-than-one-day"
	CautionUnplaced   = "caution-way-unknown"
	CautionDevices    = "caution-fewer-devices-than-people"
	CautionUnfinished = "caution-trees-unscheduled"
)

// Return is something to come back for. At is an instant, On a civil date (year-month-day).
type Return struct {
	Kind   string     `json:"kind"`
	Tree   string     `json:"tree,omitempty"`
	Person string     `json:"person,omitempty"`
	At     *time.Time `json:"at,omitempty"`
	On     string     `json:"on,omitempty"`
}

// Schedule is the work of a block over as many days as it takes.
type Schedule struct {
	Days        []Day         `json:"days"`
	Refused     []RefusedTree `json:"refused_trees"`
	Unscheduled []string      `json:"unscheduled"` // no day was left for them
	Returns     []Return      `json:"returns"`
	Cautions    []string      `json:"cautions"`
	PersonS     int64         `json:"person_s"`
	StepsSource string        `json:"steps_source"`
}

// planner holds what is constant over the days.
type planner struct {
	Request
	*yard
	watchers int
	devices  int // effective limit over the crew, 0 none
	climber  int // index into People, -1 none
	second   int
}

// unit is one person, or a climber with the second trained person, working a piece together.
type unit struct {
	people []int
	piece  []int
	run    run
}

// MakeSchedule plans the work of a block, day by day.
//
// The walk is cut into days, each day's part into contiguous pieces, one a person (SplitWalk), and each piece is played
// through with the step times, breaks at the first boundary between visits, devices, treatable hours and return
// visits. A day takes the longest part of the walk found that still ends in time: delivery begins and the last port is
// dry within the treatable hours, everything is closed by the end of the day; nothing is left running overnight.
//
// A tree with a port above 2.0 m takes a climber and a second trained person, who work it as a pair; on such a day the
// pair takes the trees with high ports and the others share the rest. On a public site delivery other than by hand needs
// counted watchers, who limit the trees under way; where nobody can be spared, people stay at each tree until it is dry.
// Every person visits healthy, suspect and symptomatic trees in that order, return visits included.
//
// The caller's slices are not changed. Errors: bad values, trees not in the order of precedence.
func MakeSchedule(q Request) (Schedule, error) {
	if err := q.check(); err != nil {
		return Schedule{}, err
	}
	p := newPlanner(q)
	s := Schedule{StepsSource: q.Steps.Source, Days: []Day{}, Refused: []RefusedTree{}, Unscheduled: []string{}, Returns: []Return{}}
	var list []int
	for i, t := range q.Trees {
		reason := p.refuse(i)
		if reason != "" {
			s.Refused = append(s.Refused, RefusedTree{t.Tree, reason})
			continue
		}
		list = append(list, i)
	}
	for d := 0; d < len(q.Windows)+q.RepeatDays && len(list) > 0; d++ {
		w := p.window(d)
		n, units, split := p.fill(list, w)
		if n == 0 {
			continue
		}
		day := p.day(len(s.Days)+1, w, units, split)
		s.Days = append(s.Days, day)
		s.Returns = append(s.Returns, p.returns(day)...)
		s.PersonS += day.PersonS
		list = list[n:]
	}
	for _, i := range list {
		s.Unscheduled = append(s.Unscheduled, q.Trees[i].Tree)
	}
	s.Cautions = p.cautions(s)
	return s, nil
}

func newPlanner(q Request) *planner {
	p := &planner{Request: q, climber: -1, second: -1, devices: q.Devices}
	high := false
	for _, t := range q.Trees {
		high = high || highPorts(t.Ports) > 0
	}
	if high {
		for i, v := range q.People {
			if v.Climber && p.climber < 0 {
				p.climber = i
			}
		}
		for i, v := range q.People { // a second who does not climb is taken before another climber
			if i != p.climber && (v.AloftTrained || v.Climber) && (p.second < 0 || (q.People[p.second].Climber && !v.Climber)) {
				p.second = i
			}
		}
	}
	stays := false
	if q.Public && q.Delivery != ByHand {
		p.watchers = q.Watchers
		if p.watchers == 0 {
			p.watchers = defaultWatchers
		}
		needed := 1
		if p.climber >= 0 && p.second >= 0 {
			needed = 2
		}
		if len(q.People)-p.watchers < needed {
			p.watchers, stays = 0, true
		} else {
			each := q.TreesPerWatcher
			if each == 0 {
				each = defaultTreesPerWatcher
			}
			if limit := p.watchers * each; p.devices == 0 || limit < p.devices {
				p.devices = limit
			}
		}
	}
	p.yard = newYard(q, stays)
	return p
}

// window returns the window of a day, repeating the last one.
func (p *planner) window(d int) Window {
	if d < len(p.Windows) {
		return p.Windows[d]
	}
	return p.Windows[len(p.Windows)-1].later(d - len(p.Windows) + 1)
}

// refuse returns why a tree cannot be done at all, or nothing.
func (p *planner) refuse(i int) string {
	if p.work[i].high > 0 {
		switch {
		case p.climber < 0:
			return RefusedNoClimber
		case p.second < 0:
			return RefusedNoSecond
		}
	}
	for _, w := range p.Windows {
		begin, dry, end := limits(w)
		r := p.simulate([]int{i}, begin, 1)
		if r.lastDry() <= dry && r.finish <= end {
			return ""
		}
	}
	return RefusedTooLong
}

// limits returns, in seconds from the start of the day, when work begins, when the last port must be dry, and the end.
func limits(w Window) (begin, dry, end int64) {
	from, to := w.treat()
	return int64(from.Sub(w.Start) / time.Second), int64(to.Sub(w.Start) / time.Second), int64(w.End.Sub(w.Start) / time.Second)
}

// fill returns how many trees of the list fit into the window, and who does them. It doubles the number until it no
// longer fits and halves the difference; every number it settles on has been played through.
func (p *planner) fill(list []int, w Window) (int, []unit, Split) {
	best, units, split := 0, []unit(nil), Split{}
	try := func(n int) bool {
		u, s, ok := p.assign(list[:n], w)
		if ok && n > best {
			best, units, split = n, u, s
		}
		return ok
	}
	bad := 1
	for bad <= len(list) && try(bad) {
		if bad == len(list) {
			return best, units, split
		}
		bad = min(2*bad, len(list))
	}
	for best+1 < bad {
		mid := (best + bad) / 2
		if !try(mid) {
			bad = mid
		}
	}
	return best, units, split
}

// assign divides trees over the people of a day and plays it through; ok says whether it ends in time.
func (p *planner) assign(list []int, w Window) (units []unit, split Split, ok bool) {
	var low, high []int
	for _, i := range list {
		if p.work[i].high > 0 {
			high = append(high, i)
		} else {
			low = append(low, i)
		}
	}
	pair := len(high) > 0
	var others []int
	for i := range p.People {
		if !pair || (i != p.climber && i != p.second) {
			others = append(others, i)
		}
	}
	others = others[:max(0, len(others)-p.watchers)]
	if pair {
		if len(others) == 0 {
			low, high = nil, list
		}
		units = append(units, unit{people: []int{p.climber, p.second}, piece: high})
	}
	for _, i := range others {
		units = append(units, unit{people: []int{i}})
	}
	if p.devices > 0 && p.devices < len(units) {
		units = units[:p.devices]
		if pair && len(units) == 1 {
			units[0].piece, low = list, nil
		}
	}
	ground := units
	if pair {
		ground = units[1:]
		work, lead, link := p.ways(units[0].piece)
		s, err := SplitWalk(work, lead, link, 1)
		if err != nil {
			return nil, Split{}, false
		}
		split = s
	}
	if len(low) > 0 {
		work, lead, link := p.ways(low)
		s, err := SplitWalk(work, lead, link, len(ground))
		if err != nil {
			return nil, Split{}, false
		}
		for k, piece := range s.Pieces {
			ground[k].piece = low[piece.From:piece.To]
		}
		split.LongestS = max(split.LongestS, s.LongestS)
		split.LowerBoundS = max(split.LowerBoundS, s.LowerBoundS)
	}
	begin, dry, end := limits(w)
	for k := range units {
		devices := 0
		if p.devices > 0 {
			devices = p.devices / len(units)
			if k < p.devices%len(units) {
				devices++
			}
		}
		u := &units[k]
		if len(u.piece) == 0 {
			continue
		}
		u.run = p.simulate(u.piece, begin, devices)
		if u.run.lastDry() > dry || u.run.finish > end {
			return nil, Split{}, false
		}
	}
	return units, split, true
}

// day turns the runs into timelines.
func (p *planner) day(number int, w Window, units []unit, split Split) Day {
	begin, _, _ := limits(w)
	d := Day{Number: number, Start: w.Start, BeginS: begin, LongestS: split.LongestS, LowerBoundS: split.LowerBoundS,
		People: make([]PersonDay, len(p.People)), Watchers: p.watchers, REIS: p.REIS}
	var dry int64
	var events [][2]int64
	for i, who := range p.People {
		d.People[i] = PersonDay{Person: who.ID, Role: RoleIdle, Bars: []Bar{}, Trees: []string{}}
	}
	for _, u := range units {
		if len(u.piece) == 0 {
			continue
		}
		for k, i := range u.people {
			d.People[i] = p.timeline(p.People[i].ID, u, k)
		}
		dry = max(dry, u.run.lastDry())
		d.FinishS = max(d.FinishS, u.run.finish)
		for _, v := range u.run.visits {
			d.Trees++
			d.Ports += p.work[v.tree].ports
			d.Visits = append(d.Visits, TreeVisit{p.trees[v.tree].Tree, p.People[u.people[0]].ID, v.load, v.start, v.dry, v.closeStart, v.closed})
			events = append(events, [2]int64{v.start, 1}, [2]int64{v.closed, -1})
		}
	}
	slices.SortFunc(d.Visits, func(a, b TreeVisit) int {
		return cmp.Or(cmp.Compare(a.DeliverS, b.DeliverS), CompareTags(a.Tree, b.Tree))
	})
	slices.SortFunc(events, func(a, b [2]int64) int { return cmp.Or(cmp.Compare(a[0], b[0]), cmp.Compare(a[1], b[1])) })
	now := 0
	for _, e := range events {
		now += int(e[1])
		d.UnderWayMost = max(d.UnderWayMost, now)
	}
	p.watch(&d, units)
	for _, v := range d.People {
		d.PersonS += v.FinishS
	}
	d.Finish = w.Start.Add(time.Duration(d.FinishS) * time.Second)
	d.LastPortDry = w.Start.Add(time.Duration(dry) * time.Second)
	d.SignsDown = d.LastPortDry.Add(time.Duration(p.REIS) * time.Second)
	return d
}

// watch gives the watchers their bar: from the first delivery to the last tree closed.
func (p *planner) watch(d *Day, units []unit) {
	if p.watchers == 0 {
		return
	}
	from, to := d.Visits[0].DeliverS, int64(0)
	for _, v := range d.Visits {
		to = max(to, v.ClosedS)
	}
	working := map[int]bool{}
	for _, u := range units {
		for _, i := range u.people {
			working[i] = true
		}
	}
	left := p.watchers
	for i := len(p.People) - 1; i >= 0 && left > 0; i-- {
		if working[i] {
			continue
		}
		v := &d.People[i]
		v.Role, v.FinishS, v.HandsOnS = RoleWatcher, to, to-from
		v.Bars = []Bar{{from, to, "", StepWatch}}
		left--
	}
}

func (p *planner) timeline(id string, u unit, k int) PersonDay {
	v := PersonDay{Person: id, Role: RoleGround, WalkM: u.run.walkM, FinishS: u.run.finish, Bars: slices.Clone(u.run.bars), Trees: []string{}}
	if len(u.people) == 2 {
		v.Role = []string{RoleAloft, RoleSecond}[k]
	}
	for i := range v.Bars {
		b := &v.Bars[i]
		n := b.EndS - b.StartS
		switch b.Step {
		case StepWalk:
			v.WalkS += n
		case StepWait:
			v.WaitS += n
		case StepBreak:
			v.BreakS += n
		default:
			v.HandsOnS += n
			if k == 1 {
				b.Step = StepSecond
			}
		}
	}
	for _, i := range u.piece {
		v.Trees = append(v.Trees, p.trees[i].Tree)
	}
	return v
}
