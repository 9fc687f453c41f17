package fieldlog

import (
	"slices"
	"time"
)

// Why nobody can say when somebody will be finished.
const (
	CannotFew   = "forecast-few"   // no finished tree tells a pace yet
	CannotClock = "forecast-clock" // the last note lies in the future: a clock is wrong
)

// clockSlack is how far ahead of the server a phone's clock may be before its
// times are not believed (program default).
const clockSlack = 5 * time.Minute

// leastS is how quickly nobody gets a port ready, in seconds: a tree noted
// faster was typed in at its end and tells no pace (program default).
const leastS = 5

// sureTrees is from how many finished trees on their spread and the person's
// way of working are believed (program default).
const sureTrees = 3

// Pace is what one finished tree took, by the clock of the phone that noted it.
// Before is from the first note at the tree to its last port delivering, After
// from its first reading to the note that it is finished, both divided by its
// ports. Uptake is the median from delivering to read over its ports, Way the
// time from the same person's note before to the first here.
type Pace struct {
	Tree    string
	Person  string
	Ports   int
	BeforeS float64 // a port
	AfterS  float64 // a port
	UptakeS float64
	WayS    float64
	HasWay  bool
	Stayed  bool // nothing was noted elsewhere while its ports delivered
}

// Outlook is when one person, or the day, will be finished.
type Outlook struct {
	Person  string // identifier; empty: the day
	Name    string
	Trees   int    // still open
	Ports   int    // of them, not closed
	Rests   int    // finished trees it rests on
	Own     bool   // they are the person's own; else those of the others
	Why     string // CannotFew, CannotClock; empty: the times below are there
	HeardAt time.Time
	Best    time.Time
	Likely  time.Time
	Late    time.Time
	Overdue bool // even the late time has passed
	Behind  bool // the likely time is after the planned end
}

// Forecast is an estimate from what was noted so far. It is no promise.
type Forecast struct {
	People  []Outlook // with trees still open, in the order of the day
	Day     Outlook
	Paces   []Pace
	UptakeS float64  // median of the finished trees; 0 with none
	Slow    []string // trees that deliver longer than the slow uptake
	SlowS   float64  // what that is; 0: not known
}

// spread are the lower quartile, the median and the upper quartile by nearest
// rank: of n sorted values those of rank ceil(n/4), ceil(n/2) and ceil(3n/4).
type spread [3]float64

func spreadOf(xs []float64) (s spread) {
	if len(xs) == 0 {
		return s
	}
	xs = slices.Sorted(slices.Values(xs))
	for i := range s {
		s[i] = xs[((i+1)*len(xs)+3)/4-1]
	}
	return s
}

// Foresee estimates when each person and the day will be finished. now is the
// server's clock; end is the planned end, zero where there is none.
//
// What a finished tree took is split into hands-on time before delivery and
// after it, each a port, the uptake, and the way to it (Pace). Of each the lower
// quartile, the median and the upper quartile over a person's finished trees
// give the best, the likely and the late time; a person without one takes the
// trees of the others. From the instant of the person's last note on,
//
//	B = sum over open trees of way (if not begun) + before * ports not delivering
//	A = after * ports not closed
//	overlapped: max(B + A, B + u + after * ports of the last tree, remaining uptake of what delivers + after * its ports)
//	staying:    max(B + A + u * trees with ports not delivering, remaining uptake + A)
//
// with u the uptake. Best overlaps. Likely stays where most of at least three
// trees were stayed at, else it overlaps as the walk is planned. Late stays
// unless at least three trees are known and most were not stayed at. A finish is
// never before the last note. Trees typed in from paper or all at
// once at their end, worked by several people, or without a reading give no pace.
//
// Special cases: no finished tree with a pace gives CannotFew; a last note ahead of now by
// more than five minutes gives CannotClock; nothing open gives no line.
func Foresee(l *Log, now, end time.Time) Forecast {
	f := Forecast{Paces: paces(l)}
	f.Day.Trees, f.Day.Ports = 0, 0
	var uptakes []float64
	for _, p := range f.Paces {
		uptakes = append(uptakes, p.UptakeS)
	}
	if s := spreadOf(uptakes); len(uptakes) > 0 {
		f.UptakeS, f.SlowS = s[1], s[2]
	}
	if l.pack.ExpectS > 0 && len(uptakes) < sureTrees { // a slow tree is told from the plan while few are known
		f.SlowS = max(f.SlowS, 1.5*float64(l.pack.ExpectS))
	}
	heard := map[string]time.Time{}
	for _, x := range l.byID {
		if t, ok := Instant(x.At); ok && x.EnteredAt == "" && t.After(heard[x.Person]) {
			heard[x.Person] = t
		}
	}
	open := map[string][]*TreeState{}
	for i := range l.pack.Trees {
		s := l.Tree(l.pack.Trees[i].Tag)
		if s.Stage == Finished || s.Stage == Skipped || s.Stage == NoDose {
			continue
		}
		who := worker(l, &l.pack.Trees[i], s)
		open[who] = append(open[who], s)
		if f.SlowS > 0 {
			for k := range s.Ports {
				p := &s.Ports[k]
				if b, ok := Instant(p.Begun); ok && p.Stage == Delivering && now.Sub(b).Seconds() > f.SlowS {
					f.Slow = append(f.Slow, s.Tag)
					break
				}
			}
		}
	}
	f.Day.Rests = len(f.Paces)
	people := slices.Clone(l.pack.People)
	if len(open[""]) > 0 {
		people = append(people, Person{})
	}
	for _, p := range people {
		trees := open[p.ID]
		if len(trees) == 0 {
			continue
		}
		o := outlook(p, trees, f.Paces, heard[p.ID], now)
		o.Behind = o.Why == "" && !end.IsZero() && o.Likely.After(end)
		f.People = append(f.People, o)
		d := &f.Day
		d.Trees += o.Trees
		d.Ports += o.Ports
		if o.Why != "" && d.Why != CannotClock {
			d.Why = o.Why
		}
		d.Best, d.Likely, d.Late = later(d.Best, o.Best), later(d.Likely, o.Likely), later(d.Late, o.Late)
		d.HeardAt = later(d.HeardAt, o.HeardAt)
		d.Overdue, d.Behind = d.Overdue || o.Overdue, d.Behind || o.Behind
	}
	if f.Day.Why != "" {
		f.Day.Best, f.Day.Likely, f.Day.Late, f.Day.Behind = time.Time{}, time.Time{}, time.Time{}, false
	}
	return f
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// worker is whose tree it is: who noted at it last, else who it was given to.
func worker(l *Log, t *PackTree, s *TreeState) string {
	if s.Stage != UnderWay && s.Stage != Waiting {
		return t.Person
	}
	who, at := t.Person, ""
	for _, x := range l.byTree[t.Tag] {
		if onPort[x.Kind] && !x.void && (at == "" || before(at, x.At)) {
			who, at = x.Person, x.At
		}
	}
	if slices.ContainsFunc(l.pack.People, func(p Person) bool { return p.ID == who }) {
		return who
	}
	return t.Person
}

// outlook works out one person's finish.
func outlook(p Person, trees []*TreeState, all []Pace, heard, now time.Time) Outlook {
	o := Outlook{Person: p.ID, Name: p.Name, Trees: len(trees), HeardAt: heard}
	var own []Pace
	for _, x := range all {
		if x.Person == p.ID {
			own = append(own, x)
		}
	}
	o.Own = len(own) > 0
	if !o.Own {
		own = all
	}
	o.Rests = len(own)
	for _, s := range trees {
		for k := range s.Ports {
			if !closed(&s.Ports[k]) {
				o.Ports++
			}
		}
	}
	switch {
	case len(own) == 0:
		o.Why = CannotFew
		return o
	case heard.After(now.Add(clockSlack)):
		o.Why = CannotClock
		return o
	}
	from := heard
	if heard.IsZero() { // nothing noted yet: from now on
		from = now
	}
	var before, after, uptake, way []float64
	stayed := 0
	for _, x := range own {
		before, after, uptake = append(before, x.BeforeS), append(after, x.AfterS), append(uptake, x.UptakeS)
		if x.HasWay {
			way = append(way, x.WayS)
		}
		if x.Stayed {
			stayed++
		}
	}
	b, a, u, w := spreadOf(before), spreadOf(after), spreadOf(uptake), spreadOf(way)
	known := len(own) >= sureTrees
	stays := [3]bool{false, known && 2*stayed > len(own), !known || 2*stayed > len(own)}
	var out [3]time.Time
	for i := range out {
		s := left(trees, from, b[i], a[i], u[i], w[i], stays[i])
		out[i] = from.Add(time.Duration(s * float64(time.Second))).Round(time.Second)
	}
	o.Best, o.Likely, o.Late = out[0], later(out[0], out[1]), later(later(out[0], out[1]), out[2])
	o.Overdue = now.After(o.Late)
	return o
}

// closed reports a port that asks for nothing more.
func closed(p *PortState) bool {
	return p.Stage.rank() >= Sealed.rank() || p.GivenUp != "" && !p.Open()
}

// left is how many seconds of work and waiting are left from an instant on.
func left(trees []*TreeState, from time.Time, before, after, uptake, way float64, stays bool) float64 {
	hands, close, waits, runs, last := 0.0, 0.0, 0.0, 0.0, 0.0
	for _, s := range trees {
		todo, shut := 0, 0
		longest := 0.0 // of what delivers here, until it is dry
		for k := range s.Ports {
			p := &s.Ports[k]
			if closed(p) {
				continue
			}
			shut++
			if p.Stage.rank() < Delivering.rank() && p.GivenUp == "" {
				todo++
			}
			if t, ok := Instant(p.Begun); ok && p.Stage == Delivering {
				longest = max(longest, uptake-from.Sub(t).Seconds())
			}
		}
		if s.Stage == ToDo {
			hands += way
		}
		hands += float64(before * float64(todo))
		close += float64(after * float64(shut))
		if todo > 0 {
			waits++
			last = float64(after * float64(shut))
		}
		if longest > 0 {
			runs = max(runs, longest+float64(after*float64(shut)))
		}
	}
	if stays {
		return max(hands+close+float64(uptake*waits), runs)
	}
	out := max(hands+close, runs)
	if waits > 0 {
		out = max(out, hands+uptake+last)
	}
	return out
}

// stamp is when somebody noted something, and where.
type stamp struct {
	at   time.Time
	tree string
}

// paces measures the finished trees, in the order they were finished.
func paces(l *Log) (out []Pace) {
	byPerson := map[string][]stamp{}
	for _, x := range l.byID {
		if t, ok := Instant(x.At); ok && x.EnteredAt == "" && x.Tree != "" {
			byPerson[x.Person] = append(byPerson[x.Person], stamp{t, x.Tree})
		}
	}
	for _, list := range byPerson {
		slices.SortFunc(list, func(a, b stamp) int { return a.at.Compare(b.at) })
	}
	type timed struct {
		Pace
		at time.Time
	}
	var list []timed
	for i := range l.pack.Trees {
		s := l.Tree(l.pack.Trees[i].Tag)
		if s.Stage != Finished || s.Late || len(s.People) != 1 || len(s.Conflicts) > 0 {
			continue
		}
		if p, at, ok := pace(l, s, byPerson[s.People[0]]); ok {
			list = append(list, timed{p, at})
		}
	}
	slices.SortStableFunc(list, func(a, b timed) int { return a.at.Compare(b.at) })
	for _, x := range list {
		out = append(out, x.Pace)
	}
	return out
}

// pace measures one finished tree from the notes of the person who did it.
func pace(l *Log, s *TreeState, notes []stamp) (p Pace, at time.Time, ok bool) {
	p = Pace{Tree: s.Tag, Person: s.People[0]}
	var first, begun, read, done time.Time
	begin := map[int]time.Time{}
	var runs []float64
	for _, x := range l.ordered(s.Tag) {
		t, good := Instant(x.At)
		if x.void || !good {
			continue
		}
		if (onPort[x.Kind] || onTree[x.Kind]) && (first.IsZero() || t.Before(first)) {
			first = t
		}
		switch x.Kind {
		case Begin:
			begin[x.Port], begun = t, later(begun, t)
		case Read:
			if b, there := begin[x.Port]; there {
				runs = append(runs, t.Sub(b).Seconds())
				delete(begin, x.Port)
			}
			if read.IsZero() || t.Before(read) {
				read = t
			}
		case Done:
			done = later(done, t)
		}
	}
	for k := range s.Ports {
		if s.Ports[k].Drilled() {
			p.Ports++
		}
	}
	if p.Ports == 0 || len(runs) == 0 || done.IsZero() || begun.Before(first) || done.Before(read) {
		return p, done, false
	}
	n := float64(p.Ports)
	if begun.Sub(first).Seconds() < leastS*n {
		return p, done, false
	}
	p.BeforeS, p.AfterS, p.UptakeS = begun.Sub(first).Seconds()/n, done.Sub(read).Seconds()/n, spreadOf(runs)[1]
	from, _ := slices.BinarySearchFunc(notes, first, func(x stamp, t time.Time) int { return x.at.Compare(t) })
	for i := from - 1; i >= 0 && !p.HasWay; i-- {
		if notes[i].tree != s.Tag {
			p.WayS, p.HasWay = first.Sub(notes[i].at).Seconds(), true
		}
	}
	p.Stayed = true
	for i := from; i < len(notes) && notes[i].at.Before(read); i++ {
		if notes[i].tree != s.Tag && notes[i].at.After(begun) {
			p.Stayed = false
		}
	}
	return p, done, true
}
