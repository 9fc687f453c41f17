package fieldlog

import (
	"slices"
	"sort"
	"strings"

	"sapward/finding"
)

// TreeLine is one tree in the list of a day.
type TreeLine struct {
	Tag         string    `json:"tree"`
	Order       int       `json:"order"`
	Person      string    `json:"person,omitempty"` // whose tree it is
	By          []string  `json:"by"`               // who noted something
	Stage       TreeStage `json:"stage"`
	Why         string    `json:"why,omitempty"`
	Ports       int       `json:"ports"`
	Drilled     int       `json:"drilled"`
	Read        int       `json:"read"`
	Closed      int       `json:"closed"` // sealed, pulled, left in or given up
	Leaking     bool      `json:"leaking"`
	PlannedUL   int64     `json:"planned_ul"`
	LoadedUL    int64     `json:"loaded_ul"`
	GoneUL      int64     `json:"gone_ul"`   // by reading
	LostUL      int64     `json:"lost_ul"`   // of it, leaked by measure
	UnreadUL    int64     `json:"unread_ul"` // loaded and never read
	Conflicts   int       `json:"conflicts"`
	Findings    int       `json:"findings"`
	Late        bool      `json:"entered_later"`
	FirstAt     string    `json:"first_at,omitempty"`
	LastAt      string    `json:"last_at,omitempty"`
	LongestFrom string    `json:"longest_from,omitempty"` // start of the port that has been delivering longest
}

// Balance accounts for the product, or the mix, that was drawn.
type Balance struct {
	DrawnUL     int64 `json:"drawn_ul"`     // taken from containers
	ReturnedUL  int64 `json:"returned_ul"`  // brought back
	DeliveredUL int64 `json:"delivered_ul"` // into trees, by reading, measured leaks taken off
	LostUL      int64 `json:"lost_ul"`      // leaked, by measure
	LeftUL      int64 `json:"left_ul"`      // still in devices, by reading
	UnreadUL    int64 `json:"unread_ul"`    // in devices nobody has read
	MissingUL   int64 `json:"missing_ul"`   // drawn less all of these; unread counts as unknown
	WithinUL    int64 `json:"within_ul"`    // what the readings can be off by together
	Known       bool  `json:"known"`        // something was drawn, and every device was read
	Fits        bool  `json:"fits"`         // |missing| <= within
}

// ComeBack is something a person must come back for.
type ComeBack struct {
	Tree string `json:"tree"`
	Port int    `json:"port,omitempty"`
	What string `json:"what"` // return-read, return-close, return-leaking, return-unfinished, return-skipped, return-conflict
	Why  string `json:"why,omitempty"`
}

// PersonLine is what one person did.
type PersonLine struct {
	ID      string `json:"id"`
	Name    string `json:"name"`
	Trees   int    `json:"trees"` // their own
	Done    int    `json:"done"`
	At      string `json:"at,omitempty"` // tree of their last note
	LastAt  string `json:"last_at,omitempty"`
	Waiting int    `json:"waiting"` // trees of theirs that deliver
}

// DayState is the day at a glance.
type DayState struct {
	Trees     []TreeLine        `json:"trees"`
	People    []PersonLine      `json:"people"`
	ByStage   map[TreeStage]int `json:"by_stage"`
	Ports     int               `json:"ports"`
	Closed    int               `json:"closed"`
	PlannedUL int64             `json:"planned_ul"`
	Balance   Balance           `json:"balance"`
	Returns   []ComeBack        `json:"returns"`
	Conflicts []Conflict        `json:"conflicts"`
	Incidents []Event           `json:"incidents"`
	Notes     []Event           `json:"notes"` // of the day itself
	Clashes   []string          `json:"clashes"`
	Gaps      []Gap             `json:"gaps"`
	Findings  []finding.Finding `json:"findings"`
	Events    int               `json:"events"`
	StartAt   string            `json:"start_at,omitempty"` // first and last act on a port
	EndAt     string            `json:"end_at,omitempty"`
}

// Day folds the whole day.
func (l *Log) Day() DayState {
	d := DayState{Trees: []TreeLine{}, People: []PersonLine{}, ByStage: map[TreeStage]int{}, Returns: []ComeBack{}, Conflicts: []Conflict{}, Incidents: []Event{}, Notes: []Event{}, Findings: []finding.Finding{}, Clashes: l.Clashes(), Gaps: l.Gaps(), Events: l.Len()}
	trees := slices.Clone(l.pack.Trees)
	sort.SliceStable(trees, func(i, k int) bool { return trees[i].Order < trees[k].Order })
	devices := 0
	for i := range trees {
		s := l.Tree(trees[i].Tag)
		line := lineOf(&trees[i], s)
		d.Trees = append(d.Trees, line)
		d.ByStage[s.Stage]++
		d.Ports += line.Ports
		d.Closed += line.Closed
		d.PlannedUL += line.PlannedUL
		d.Balance.DeliveredUL += line.GoneUL - line.LostUL
		d.Balance.LostUL += line.LostUL
		d.Balance.UnreadUL += line.UnreadUL
		d.Conflicts = append(d.Conflicts, s.Conflicts...)
		for _, f := range s.Findings {
			if f.Severity == finding.Refused && s.Stage != NoDose {
				f.Trees, f.TreeCount = []string{s.Tag}, 1
				d.Findings = append(d.Findings, f)
			}
		}
		for k := range s.Ports {
			p := &s.Ports[k]
			if p.LoadedUL > 0 {
				devices++
			}
			if p.Read {
				d.Balance.LeftUL += p.LeftUL
			}
		}
		for _, n := range s.Notes {
			if n.Kind == Incident {
				d.Incidents = append(d.Incidents, n)
			}
		}
		d.Returns = append(d.Returns, returnsOf(s)...)
	}
	for tag := range l.byTree {
		if tag != "" && l.trees[tag] == nil {
			d.Findings = append(d.Findings, finding.Finding{ID: "event-no-tree", Severity: finding.Warning, Authority: finding.ByEstimate, Trees: []string{tag}, TreeCount: 1})
		}
	}
	sort.SliceStable(d.Findings, func(i, k int) bool {
		return strings.Join(d.Findings[i].Trees, "") < strings.Join(d.Findings[k].Trees, "")
	})
	for _, x := range l.ordered("") {
		if x.void {
			continue
		}
		switch x.Kind {
		case Draw:
			d.Balance.DrawnUL += *x.VolumeUL
		case Return:
			d.Balance.ReturnedUL += *x.VolumeUL
		case Incident:
			d.Incidents = append(d.Incidents, x.Event)
		case Note, Photo:
			d.Notes = append(d.Notes, x.Event)
		}
	}
	d.Balance.close(devices, l.pack.GradUL)
	d.People = l.people()
	for _, line := range d.Trees {
		if line.FirstAt != "" && (d.StartAt == "" || before(line.FirstAt, d.StartAt)) {
			d.StartAt = line.FirstAt
		}
		if line.LastAt != "" && (d.EndAt == "" || before(d.EndAt, line.LastAt)) {
			d.EndAt = line.LastAt
		}
	}
	return d
}

// close works out what is missing. Every reading may be off by half a
// graduation, at loading and at reading.
func (b *Balance) close(devices int, grad int64) {
	b.MissingUL = b.DrawnUL - b.ReturnedUL - b.DeliveredUL - b.LostUL - b.LeftUL - b.UnreadUL
	b.WithinUL = int64(devices) * max(grad, 1)
	b.Known = b.DrawnUL > 0 && b.UnreadUL == 0
	b.Fits = b.MissingUL <= b.WithinUL && -b.MissingUL <= b.WithinUL
}

// Line returns one tree's line in the list of the day, as Day does. ok is false
// for a tag the day has not.
func (l *Log) Line(tag string) (line TreeLine, ok bool) {
	t := l.trees[tag]
	if t == nil {
		return TreeLine{}, false
	}
	return lineOf(t, l.Tree(tag)), true
}

func lineOf(t *PackTree, s *TreeState) TreeLine {
	line := TreeLine{Tag: t.Tag, Order: t.Order, Person: t.Person, By: s.People, Stage: s.Stage, Why: s.Why, Ports: len(s.Ports), Conflicts: len(s.Conflicts), Findings: len(s.Findings), Late: s.Late, FirstAt: s.FirstAt, LastAt: s.LastAt}
	for _, u := range s.Units {
		line.PlannedUL += u.PlannedUL
	}
	for i := range s.Ports {
		p := &s.Ports[i]
		if p.Stage.rank() >= DrilledIn.rank() {
			line.Drilled++
		}
		if p.Stage.rank() >= Sealed.rank() || p.GivenUp != "" {
			line.Closed++
		}
		line.Leaking = line.Leaking || p.Leaking
		line.LoadedUL += p.LoadedUL
		if p.Read {
			line.Read++
			line.GoneUL += p.GoneUL
			line.LostUL += p.LostUL
		} else {
			line.UnreadUL += p.LoadedUL
		}
		if p.Stage == Delivering && p.Begun != "" && (line.LongestFrom == "" || before(p.Begun, line.LongestFrom)) {
			line.LongestFrom = p.Begun
		}
	}
	return line
}

// returnsOf lists what a tree still asks for.
func returnsOf(s *TreeState) (out []ComeBack) {
	put := func(port int, what, why string) { out = append(out, ComeBack{s.Tag, port, what, why}) }
	if len(s.Conflicts) > 0 {
		put(0, "return-conflict", "")
	}
	if s.Stage == Skipped {
		put(0, "return-skipped", s.Why)
	}
	untouched := 0
	for i := range s.Ports {
		p := &s.Ports[i]
		switch {
		case p.Leaking && p.Stage.rank() < Sealed.rank():
			put(p.N, "return-leaking", "")
		case p.LoadedUL > 0 && !p.Read:
			put(p.N, "return-read", "")
		case p.GivenUp == "" && p.Stage.rank() >= DrilledIn.rank() && p.Stage.rank() < Sealed.rank():
			put(p.N, "return-close", "")
		case p.GivenUp == "" && p.Stage.rank() < DrilledIn.rank():
			untouched++
		}
	}
	if untouched > 0 && (s.Stage == UnderWay || s.Stage == Waiting || s.Stage == Finished) {
		put(0, "return-unfinished", "")
	}
	return out
}

func (l *Log) people() []PersonLine {
	out := []PersonLine{}
	at := map[string]int{}
	for _, p := range l.pack.People {
		at[p.ID] = len(out)
		out = append(out, PersonLine{ID: p.ID, Name: p.Name})
	}
	for i := range l.pack.Trees {
		t := &l.pack.Trees[i]
		k, ok := at[t.Person]
		if !ok {
			continue
		}
		out[k].Trees++
		switch l.Tree(t.Tag).Stage {
		case Finished:
			out[k].Done++
		case Waiting:
			out[k].Waiting++
		}
	}
	for _, x := range l.byID {
		k, ok := at[x.Person]
		if ok && (out[k].LastAt == "" || before(out[k].LastAt, x.At) || x.At == out[k].LastAt && x.Tree > out[k].At) {
			out[k].LastAt, out[k].At = x.At, x.Tree
		}
	}
	return out
}
