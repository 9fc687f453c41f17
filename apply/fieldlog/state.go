package fieldlog

import (
	"math"
	"slices"
	"sort"
	"strings"

	"sapward/finding"
	"sapward/measure/tree"
	"sapward/plan"
)

// Stage is how far a port has come.
type Stage string

// The stages of a port, in order.
const (
	Planned    Stage = "planned"
	Marked     Stage = "marked"
	DrilledIn  Stage = "drilled"
	SetIn      Stage = "set"
	Loaded     Stage = "loaded"
	Delivering Stage = "delivering"
	Delivered  Stage = "delivered"
	Sealed     Stage = "sealed"
	Pulled     Stage = "pulled"
	LeftIn     Stage = "left-in"
)

var stages = []Stage{Planned, Marked, DrilledIn, SetIn, Loaded, Delivering, Delivered, Sealed, Pulled, LeftIn}

func (s Stage) rank() int { return slices.Index(stages, s) }

// PortState is what is known of one port. Volumes are of what goes into ports:
// product for an injection, finished mix for an infusion.
type PortState struct {
	N          int     `json:"n"`
	Stem       string  `json:"stem,omitempty"`
	Unit       int     `json:"unit"` // index of its dose unit
	Where      string  `json:"where"`
	AlongCM    float64 `json:"along_girth_cm"` // actual, once drilled
	AzimuthDeg float64 `json:"azimuth_deg"`
	HeightCM   float64 `json:"height_cm"`
	DepthMM    *int    `json:"depth_mm"`
	BitUM      int64   `json:"bit_um,omitempty"`
	PlannedUL  int64   `json:"planned_ul"`
	Replaces   int     `json:"replaces,omitempty"`

	Stage   Stage  `json:"stage"`
	Moved   bool   `json:"moved_place"` // drilled elsewhere than planned
	Leaking bool   `json:"leaking"`
	Refused bool   `json:"refused"` // the wood takes no more
	GivenUp string `json:"given_up,omitempty"`

	LoadedUL int64  `json:"loaded_ul"` // put in, less what was moved on
	Read     bool   `json:"read"`      // what is left was read
	LeftUL   int64  `json:"left_ul"`   // if Read
	GoneUL   int64  `json:"gone_ul"`   // if Read: left the device; all of it counts as applied
	LostUL   int64  `json:"lost_ul"`   // of that, leaked by measure
	LostRead bool   `json:"lost_read"` // every leak was measured
	Begun    string `json:"begun,omitempty"`
	Ended    string `json:"ended,omitempty"` // of the reading

	Containers []string `json:"containers,omitempty"` // "number / lot"
	last       *entry   // the reading in force
	lost       bool     // a leak was not measured
}

// Open reports that the port still waits for somebody: it was drilled and has
// not come to its end.
func (p *PortState) Open() bool {
	if p.GivenUp != "" {
		return p.LoadedUL > 0 && !p.Read || p.Read && p.Stage.rank() < Sealed.rank() && p.LoadedUL > 0
	}
	return p.Stage.rank() >= DrilledIn.rank() && p.Stage.rank() < Sealed.rank()
}

// Drilled reports that there is a hole.
func (p *PortState) Drilled() bool { return p.Stage.rank() >= DrilledIn.rank() }

// CommittedUL is what counts against the card's limits: what left the device
// if it was read, else all that was loaded.
func (p *PortState) CommittedUL() int64 {
	if p.Read {
		return p.GoneUL
	}
	return p.LoadedUL
}

// UnitState is one dose: a stem where the card doses each stem, else the tree.
type UnitState struct {
	Stem        string `json:"stem,omitempty"`
	MostUL      int64  `json:"most_ul"`
	LeastUL     int64  `json:"least_ul"`
	PlannedUL   int64  `json:"planned_ul"`
	CommittedUL int64  `json:"committed_ul"`
}

// TreeStage is how far a tree has come.
type TreeStage string

// The stages of a tree.
const (
	ToDo     TreeStage = "to-do"
	UnderWay TreeStage = "under-way"
	Waiting  TreeStage = "waiting" // everything is delivering or waits for a reading
	Finished TreeStage = "done"
	Skipped  TreeStage = "skipped"
	NoDose   TreeStage = "refused" // the card gives this tree no dose
)

// TreeState is what is known of one tree.
type TreeState struct {
	Tag       string            `json:"tree"`
	Stage     TreeStage         `json:"stage"`
	Why       string            `json:"why,omitempty"` // of a skip
	People    []string          `json:"people"`        // who noted something
	Cleaned   bool              `json:"cleaned"`
	Reading   string            `json:"reading,omitempty"`
	GirthCM   float64           `json:"girth_at_ports_cm"`
	Units     []UnitState       `json:"units"`
	Ports     []PortState       `json:"ports"`
	Findings  []finding.Finding `json:"findings"`
	Conflicts []Conflict        `json:"conflicts"`
	Notes     []Event           `json:"notes"` // notes, photos, incidents
	FirstAt   string            `json:"first_at,omitempty"`
	LastAt    string            `json:"last_at,omitempty"`
	Late      bool              `json:"entered_later"` // something was typed in afterwards
	Events    int               `json:"events"`

	taped tree.Tree // with the readings of the day
	by    string    // those readings, by stem
}

// Port returns a port by number.
func (t *TreeState) Port(n int) *PortState {
	for i := range t.Ports {
		if t.Ports[i].N == n {
			return &t.Ports[i]
		}
	}
	return nil
}

// Tree returns the state of a tree of the day; nil for a tag it has not.
func (l *Log) Tree(tag string) *TreeState {
	if l.trees[tag] == nil {
		return nil
	}
	if s := l.folded[tag]; s != nil && !l.stale[tag] {
		return s
	}
	s := l.fold(tag)
	l.folded[tag], l.stale[tag] = s, false
	return s
}

func (l *Log) fold(tag string) *TreeState {
	p := l.trees[tag]
	s := &TreeState{Tag: tag, Stage: ToDo, People: []string{}, Findings: []finding.Finding{}, Conflicts: []Conflict{}, Notes: []Event{}, taped: p.Taped}
	s.plan(p.Units, p.Refused)
	list := l.ordered(tag)
	s.Events = len(list)
	live := slices.DeleteFunc(slices.Clone(list), func(x *entry) bool { return x.void })
	l.readTapes(s, live)
	for _, x := range live {
		l.apply(s, x)
	}
	s.finish(live)
	s.Conflicts = conflicts(tag, live)
	return s
}

// plan sets the tree's ports and doses to a laid plan.
func (s *TreeState) plan(units []plan.Tree, refused []finding.Finding) {
	s.Units, s.Ports = []UnitState{}, []PortState{}
	if len(units) == 0 {
		s.Findings = append(s.Findings, refused...)
	}
	for i, u := range units {
		s.GirthCM = u.GirthCM
		s.Units = append(s.Units, UnitState{Stem: u.Stem, MostUL: int64(u.High), LeastUL: int64(u.Low), PlannedUL: int64(u.Dose)})
		for _, q := range u.Ports {
			stem := q.Stem
			if stem == "" {
				stem = u.Stem
			}
			s.Ports = append(s.Ports, PortState{N: len(s.Ports) + 1, Stem: stem, Unit: i, Where: q.Where, AlongCM: q.AlongCM, AzimuthDeg: q.AzimuthDeg, HeightCM: q.HeightCM, DepthMM: q.DepthMM, PlannedUL: int64(q.Volume), Stage: Planned})
		}
	}
}

// readTapes lays the tree out anew by the day's tape readings, the last of each
// stem. A hole that is drilled stays where it is: readings after the first hole
// change nothing but are kept.
func (l *Log) readTapes(s *TreeState, live []*entry) {
	t := s.taped
	t.Stems = slices.Clone(t.Stems)
	var last *entry
	by := make([]*entry, len(t.Stems))
	for _, x := range live {
		if x.Kind == Drill || x.Kind == Hole {
			break
		}
		if x.Kind != Tape {
			continue
		}
		i := slices.IndexFunc(t.Stems, func(m tree.Stem) bool { return strings.EqualFold(m.Name, x.Stem) })
		v, err := x.stemRead()
		if i < 0 || err != nil {
			continue
		}
		stem := tree.FromDiameter(v)
		if x.Taped == "girth" {
			stem = tree.FromGirth(v)
		}
		old := t.Stems[i]
		stem.Name, stem.MeasuredAt, stem.Bark, stem.Flare = old.Name, old.MeasuredAt, old.Bark, old.Flare
		t.Stems[i], s.Reading, last, by[i] = stem, x.Reading, x, x
	}
	if last == nil {
		return
	}
	s.taped, s.by = t, readings(by)
	one, err := l.layOne(t, s.by)
	if err != nil {
		s.Findings = append(s.Findings, finding.Finding{ID: "tape-no-plan", Severity: finding.Warning, Authority: finding.ByEstimate})
		return
	}
	var refused []finding.Finding
	for _, r := range one.Refused {
		refused = append(refused, r.Findings...)
	}
	s.plan(one.Trees, refused)
	if len(one.Trees) > 0 {
		s.Findings = append(s.Findings, refused...)
	}
	if n := len(last.VolumesUL); n > 0 || len(s.Ports) == 0 {
		same := n == len(s.Ports)
		for i := range s.Ports {
			same = same && s.Ports[i].PlannedUL == last.VolumesUL[i]
		}
		if !same {
			s.Findings = append(s.Findings, finding.Finding{ID: "core-differs", Severity: finding.Warning, Authority: finding.ByEstimate})
		}
	}
}

// apply brings the state up to date with one event.
func (l *Log) apply(s *TreeState, x *entry) {
	if !slices.Contains(s.People, x.Person) {
		s.People = append(s.People, x.Person)
	}
	s.Late = s.Late || x.EnteredAt != ""
	if s.FirstAt == "" || before(x.At, s.FirstAt) {
		s.FirstAt = x.At
	}
	if s.LastAt == "" || before(s.LastAt, x.At) {
		s.LastAt = x.At
	}
	switch x.Kind {
	case Start:
		s.Stage, s.Why = UnderWay, ""
	case Cleaned:
		s.Cleaned = true
	case Skip:
		s.Stage, s.Why = Skipped, x.Reason
	case Done:
		s.Stage, s.Why = Finished, ""
	case Note, Photo:
		s.Notes = append(s.Notes, x.Event)
	case Incident:
		s.Notes = append(s.Notes, x.Event)
		if p := s.Port(x.Port); x.Reason == "over" && p != nil {
			p.LoadedUL += *x.VolumeUL
			if p.Read {
				p.GoneUL += *x.VolumeUL
			}
		}
	case Hole:
		l.hole(s, x)
	}
	p := s.Port(x.Port)
	if p == nil {
		if onPort[x.Kind] {
			s.Findings = append(s.Findings, finding.Finding{ID: "event-no-port", Severity: finding.Warning, Authority: finding.ByEstimate, Args: finding.Args{"port": finding.Count(x.Port)}})
		}
		return
	}
	if onPort[x.Kind] && s.Stage != UnderWay {
		s.Stage, s.Why = UnderWay, ""
	}
	reach := func(to Stage) {
		if p.Stage.rank() < to.rank() {
			p.Stage = to
		}
	}
	switch x.Kind {
	case Mark:
		reach(Marked)
	case Drill:
		reach(DrilledIn)
		s.drilled(p, x, l.pack.Request.MarkAzimuthDeg)
	case Set:
		reach(SetIn)
	case Load:
		if p.Stage.rank() < Delivering.rank() || p.Stage == Delivered {
			p.Stage = Loaded
		}
		p.LoadedUL += *x.VolumeUL
		p.unread()
		if c := strings.Trim(x.Container+" / "+x.Lot, " /"); c != "" && !slices.Contains(p.Containers, c) {
			p.Containers = append(p.Containers, c)
		}
	case Begin:
		reach(Delivering)
		if p.Begun == "" || p.Stage == Delivering {
			p.Begun = x.At
		}
	case Read:
		reach(Delivered)
		p.reading(x)
	case Leak:
		p.Leaking = true
		if x.LostUL == nil {
			p.lost = true
		} else {
			p.LostUL += *x.LostUL
		}
	case Refuse:
		p.Refused = true
		if x.LeftUL != nil {
			reach(Delivered)
			p.reading(x)
		}
	case Move:
		s.move(p, x)
	case GiveUp:
		p.GivenUp = x.Reason
	case Seal:
		reach(Sealed)
		p.Leaking = false
	case Pull:
		reach(Pulled)
	case Leave:
		reach(LeftIn)
	}
}

// unread says that the device holds something nobody has read.
func (p *PortState) unread() { p.Read, p.LeftUL, p.GoneUL, p.Ended = false, 0, 0, "" }

// reading takes what is left. Of two readings whose writers did not know of
// each other the smaller counts: more went into the tree.
func (p *PortState) reading(x *entry) {
	p.Ended = x.At
	if x.LeftUL == nil { // nobody read it: not recorded, never zero
		if p.last == nil || !apart(p.last, x) {
			p.unread()
			p.Ended = x.At
		}
		return
	}
	left := min(*x.LeftUL, p.LoadedUL)
	if p.Read && p.last != nil && apart(p.last, x) {
		left = min(left, p.LeftUL)
	}
	p.Read, p.LeftUL, p.GoneUL, p.last = true, left, p.LoadedUL-left, x
}

// move carries what is left of one port to another. More than is left cannot
// be moved.
func (s *TreeState) move(p *PortState, x *entry) {
	to := s.Port(x.To)
	if to == nil {
		return
	}
	v := *x.VolumeUL
	if p.Read {
		v = min(v, p.LeftUL)
		p.LeftUL -= v
	}
	v = min(v, p.LoadedUL)
	p.LoadedUL -= v
	to.LoadedUL += v
	to.unread()
	if to.Stage == Delivered || to.Stage.rank() < Loaded.rank() {
		to.Stage = Loaded
	}
}

// farMM is how far from its planned place a hole may be and still count as
// there (program default: the width of two fingers).
const farMM = 20

// drilled keeps where a hole really is.
func (s *TreeState) drilled(p *PortState, x *entry, mark float64) {
	if x.AlongMM != nil && s.GirthCM > 0 {
		along := math.Mod(float64(*x.AlongMM)/10, s.GirthCM)
		if along < 0 {
			along += s.GirthCM
		}
		d := math.Abs(along - p.AlongCM)
		p.Moved = min(d, s.GirthCM-d)*10 > farMM
		p.AlongCM = along
		p.AzimuthDeg = math.Mod(mark+along/s.GirthCM*360+360, 360)
	}
	if x.HeightMM != nil {
		p.HeightCM = float64(*x.HeightMM) / 10
	}
	if x.DepthMM != nil {
		d := int(*x.DepthMM)
		p.DepthMM = &d
	}
	if x.BitUM != nil {
		p.BitUM = *x.BitUM
	}
}

// hole adds a port in place of another.
func (l *Log) hole(s *TreeState, x *entry) {
	old := s.Port(x.Replaces)
	if old == nil || s.Port(x.Port) != nil {
		return
	}
	n := PortState{N: x.Port, Stem: old.Stem, Unit: old.Unit, Where: old.Where, Replaces: x.Replaces, Stage: DrilledIn}
	s.drilled(&n, x, l.pack.Request.MarkAzimuthDeg)
	n.Moved = false
	s.Ports = append(s.Ports, n)
	sort.SliceStable(s.Ports, func(i, k int) bool { return s.Ports[i].N < s.Ports[k].N })
}

// finish adds up and says what stands out.
func (s *TreeState) finish(live []*entry) {
	waiting, open, touched := 0, 0, false
	for i := range s.Ports {
		p := &s.Ports[i]
		p.LostRead = !p.lost
		p.LostUL = min(p.LostUL, p.CommittedUL())
		if p.Unit < len(s.Units) {
			s.Units[p.Unit].CommittedUL += p.CommittedUL()
		}
		touched = touched || p.Stage != Planned
		if p.GivenUp == "" && p.Stage.rank() < Sealed.rank() {
			open++
			if p.Stage == Delivering || p.Stage == Delivered {
				waiting++
			}
		}
	}
	for _, u := range s.Units {
		if u.CommittedUL > u.MostUL && u.MostUL > 0 {
			s.Findings = append(s.Findings, finding.Finding{ID: "tree-over-most", Severity: finding.Refused, Force: finding.Mandatory, Authority: finding.ByLabel, Args: finding.Args{
				"committed": finding.Number(float64(u.CommittedUL)/1000, "mL"), "most": finding.Number(float64(u.MostUL)/1000, "mL"), "stem": finding.Text(u.Stem)}})
		}
	}
	switch {
	case s.Stage == UnderWay && open > 0 && waiting == open:
		s.Stage = Waiting
	case s.Stage == ToDo && touched:
		s.Stage = UnderWay
	case s.Stage == ToDo && len(s.Ports) == 0:
		s.Stage = NoDose
	}
}

// before orders instants; text that is none comes first.
func before(a, b string) bool {
	x, _ := Instant(a)
	y, _ := Instant(b)
	return x.Before(y)
}
