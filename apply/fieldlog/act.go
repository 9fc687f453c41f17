package fieldlog

import (
	"slices"
	"strings"

	"sapward/finding"
	"sapward/measure/tree"
	"sapward/plan"
)

// Judgement is what the core says before something is noted.
type Judgement struct {
	Against  []finding.Finding `json:"against"`  // any of these: it must not be done
	Mind     []finding.Finding `json:"mind"`     // to be looked at; stops nothing
	Cautions []plan.Caution    `json:"cautions"` // of this step
	Units    []plan.Tree       `json:"units,omitempty"`
	Spot     *plan.Spot        `json:"spot,omitempty"`
}

// Judge says what stands against noting an event now. Acts (load, move, hole)
// are held to the card's limits. What has already happened (a reading, a leak,
// where a hole is) is refused only where it cannot be: more left than was put
// in.
func (l *Log) Judge(e Event) Judgement {
	j := Judgement{Against: []finding.Finding{}, Mind: []finding.Finding{}, Cautions: l.cautions(e.Kind)}
	if e.Tree == "" {
		return j
	}
	s := l.Tree(e.Tree)
	if s == nil {
		j.no("event-no-tree", finding.ByEstimate, nil)
		return j
	}
	p := s.Port(e.Port)
	if onPort[e.Kind] && e.Kind != Hole && p == nil {
		j.no("event-no-port", finding.ByEstimate, finding.Args{"port": finding.Count(e.Port)})
		return j
	}
	switch e.Kind {
	case Tape:
		l.judgeTape(&j, s, e)
	case Load:
		if e.VolumeUL != nil {
			l.judgeMore(&j, s, p, *e.VolumeUL)
		}
		if p.Stage.rank() < DrilledIn.rank() {
			j.no("port-not-drilled", finding.ByPractice, nil)
		}
		if p.GivenUp != "" {
			j.no("port-given-up", finding.ByPractice, nil)
		}
	case Read, Refuse:
		if e.LeftUL != nil && *e.LeftUL > p.LoadedUL {
			j.no("left-more-than-loaded", finding.ByEstimate, finding.Args{"left": ml(*e.LeftUL), "loaded": ml(p.LoadedUL)})
		}
		if e.Kind == Read && p.LoadedUL == 0 {
			j.no("port-not-loaded", finding.ByEstimate, nil)
		}
	case Leak:
		if e.LostUL != nil && *e.LostUL > p.LoadedUL {
			j.no("lost-more-than-loaded", finding.ByEstimate, finding.Args{"lost": ml(*e.LostUL), "loaded": ml(p.LoadedUL)})
		}
	case Begin:
		if p.LoadedUL == 0 {
			j.no("port-not-loaded", finding.ByEstimate, nil)
		}
	case Move:
		l.judgeMove(&j, s, p, e)
	case Hole:
		l.judgeHole(&j, s, e)
	case Drill:
		l.judgeDrill(&j, s, p, e)
	case Pull:
		if l.pack.Ends == "leave" {
			j.no("port-must-stay", finding.ByLabel, nil)
		}
	case Leave:
		if l.pack.Ends == "pull" {
			j.no("port-must-go", finding.ByLabel, nil)
		}
	case Done:
		open, unread := 0, 0
		for i := range s.Ports {
			if s.Ports[i].Open() {
				open++
			}
			if s.Ports[i].LoadedUL > 0 && !s.Ports[i].Read {
				unread++
			}
		}
		if open > 0 {
			j.mind("done-open-ports", finding.Args{"ports": finding.Count(open)})
		}
		if unread > 0 {
			j.mind("done-unread", finding.Args{"ports": finding.Count(unread)})
		}
	}
	if e.Kind == Drill && !s.Cleaned && s.first() {
		j.mind("tools-not-cleaned", nil)
	}
	return j
}

// first reports that nothing was drilled in the tree yet.
func (s *TreeState) first() bool {
	return !slices.ContainsFunc(s.Ports, func(p PortState) bool { return p.Stage.rank() >= DrilledIn.rank() })
}

func (j *Judgement) no(id string, by finding.Authority, args finding.Args) {
	f := finding.Finding{ID: id, Severity: finding.Refused, Force: finding.Advisory, Authority: by, Args: args}
	if by == finding.ByLabel {
		f.Force = finding.Mandatory
	}
	j.Against = append(j.Against, f)
}

func (j *Judgement) mind(id string, args finding.Args) {
	j.Mind = append(j.Mind, finding.Finding{ID: id, Severity: finding.Warning, Authority: finding.ByPractice, Args: args})
}

func ml(ul int64) finding.Value { return finding.Number(float64(ul)/1000, "mL") }

// cautionsAt names the cautions that stand at a kind of event.
var cautionsAt = map[Kind][]string{
	Start:    {"caution-bystanders", "caution-heat"},
	Mark:     {"caution-look-before-drilling"},
	Drill:    {"caution-drilling", "caution-clean-bits", "caution-aloft"},
	Hole:     {"caution-each-port-a-wound", "caution-drilling", "caution-look-before-drilling"},
	Cleaned:  {"caution-clean-bits"},
	Load:     {"gear-mix", "caution-mixing"},
	Begin:    {"gear-apply", "caution-pressure", "caution-unattended", "caution-temperature"},
	Leak:     {"caution-leak", "caution-pressure"},
	Refuse:   {"caution-pressure", "caution-leak"},
	Incident: {"caution-exposure", "first-aid", "emergency-number", "caution-leak"},
	Pull:     {"caution-waste", "caution-pressure"},
	Done:     {"caution-reentry"},
}

func (l *Log) cautions(k Kind) []plan.Caution {
	out := []plan.Caution{}
	for _, c := range l.pack.Cautions {
		if slices.Contains(cautionsAt[k], c.ID) {
			out = append(out, c)
		}
	}
	return out
}

// judgeTape lays the tree out by the new reading. It stands against it when
// holes are drilled already.
func (l *Log) judgeTape(j *Judgement, s *TreeState, e Event) {
	if !s.first() {
		j.no("tape-after-drill", finding.ByPractice, nil)
		return
	}
	t := &TreeState{Tag: s.Tag, taped: l.trees[s.Tag].Taped}
	t.plan(l.trees[s.Tag].Units, l.trees[s.Tag].Refused)
	live := slices.DeleteFunc(l.ordered(s.Tag), func(x *entry) bool { return x.void })
	l.readTapes(t, append(live, &entry{Event: e}))
	if len(t.Ports) == 0 {
		for _, f := range t.Findings {
			j.Mind = append(j.Mind, f)
		}
		j.mind("tape-no-dose", nil)
		return
	}
	one, err := l.layOne(t.taped, t.by)
	if err == nil {
		j.Units = slices.Clone(one.Trees)
		j.Mind = append(j.Mind, one.Findings...)
	}
}

// judgeMore holds an addition to a port to the card: the port's greatest volume
// and the greatest dose of its unit. What is still in the device goes in too, so
// all that was loaded counts.
func (l *Log) judgeMore(j *Judgement, s *TreeState, p *PortState, v int64) {
	if most := l.pack.PortMost; most > 0 && p.LoadedUL+v > most {
		j.no("port-over-most", finding.ByLabel, finding.Args{"volume": ml(p.LoadedUL + v), "most": ml(most)})
	}
	if p.Unit < len(s.Units) {
		u := s.Units[p.Unit]
		if after := u.CommittedUL - p.CommittedUL() + p.LoadedUL + v; after > u.MostUL {
			j.no("tree-over-most", finding.ByLabel, finding.Args{"committed": ml(after), "most": ml(u.MostUL), "stem": finding.Text(u.Stem)})
		}
	}
}

// Goal is a port that may take some of what is left of another.
type Goal struct {
	Port     int   `json:"port"`
	VolumeUL int64 `json:"volume_ul"` // at most
}

// Goals returns where what is left of a port may go inside every limit: to
// ports of the same dose unit that are drilled, not given up, do not leak and
// take product. Volumes are whole graduations. why names the reason when there
// is none.
func (l *Log) Goals(tag string, port int) (goals []Goal, why string) {
	goals = []Goal{}
	s := l.Tree(tag)
	if s == nil || s.Port(port) == nil {
		return goals, "event-no-port"
	}
	p := s.Port(port)
	switch {
	case !p.Read:
		return goals, "move-unread" // what is left is not known
	case p.LeftUL == 0:
		return goals, "move-nothing-left"
	}
	room := int64(0)
	if p.Unit < len(s.Units) {
		room = s.Units[p.Unit].MostUL - s.Units[p.Unit].CommittedUL
	}
	for i := range s.Ports {
		t := &s.Ports[i]
		if t.N == p.N || t.Unit != p.Unit || t.GivenUp != "" || t.Refused || t.Leaking || t.Stage.rank() < DrilledIn.rank() || t.Stage.rank() >= Sealed.rank() {
			continue
		}
		v := min(p.LeftUL, room-(t.LoadedUL-t.CommittedUL())) // what the other still holds goes in too
		if most := l.pack.PortMost; most > 0 {
			v = min(v, most-t.LoadedUL)
		}
		if g := l.pack.GradUL; g > 0 && v < p.LeftUL {
			v -= v % g
		}
		if v > 0 {
			goals = append(goals, Goal{t.N, v})
		}
	}
	if len(goals) == 0 {
		why = "move-no-port"
		if room <= 0 {
			why = "move-no-room"
		}
	}
	return goals, why
}

func (l *Log) judgeMove(j *Judgement, s *TreeState, p *PortState, e Event) {
	goals, why := l.Goals(s.Tag, p.N)
	if why != "" {
		j.no(why, finding.ByLabel, nil)
		return
	}
	for _, g := range goals {
		if g.Port == e.To {
			if e.VolumeUL != nil && *e.VolumeUL > g.VolumeUL {
				j.no("move-too-much", finding.ByLabel, finding.Args{"volume": ml(*e.VolumeUL), "most": ml(g.VolumeUL)})
			}
			return
		}
	}
	j.no("move-not-there", finding.ByLabel, finding.Args{"port": finding.Count(e.To)})
}

// today lists the holes made in a stem: every drilled port where it is, and
// both of two that were noted apart.
func (l *Log) today(s *TreeState, stem string, except int) (out []plan.Drilled) {
	for i := range s.Ports {
		p := &s.Ports[i]
		if p.N != except && strings.EqualFold(p.Stem, stem) && p.Stage.rank() >= DrilledIn.rank() && !strings.HasPrefix(p.Where, "limb") {
			out = append(out, plan.Drilled{AzimuthDeg: p.AzimuthDeg, HeightCM: p.HeightCM, Spoiled: p.GivenUp != "" && p.CommittedUL() == 0})
		}
	}
	for _, c := range s.Conflicts {
		for _, id := range c.IDs {
			if x := l.byID[id]; x != nil && x.Kind == Drill && x.AlongMM != nil && s.GirthCM > 0 && x.Port != except {
				out = append(out, plan.Drilled{AzimuthDeg: l.pack.Request.MarkAzimuthDeg + float64(*x.AlongMM)/10/s.GirthCM*360})
			}
		}
	}
	return out
}

// planned lists where the ports that are not drilled yet will go.
func (s *TreeState) planned(stem string) (out []plan.Drilled) {
	for i := range s.Ports {
		p := &s.Ports[i]
		if p.Stage.rank() < DrilledIn.rank() && p.GivenUp == "" && strings.EqualFold(p.Stem, stem) && !strings.HasPrefix(p.Where, "limb") {
			out = append(out, plan.Drilled{AzimuthDeg: p.AzimuthDeg, HeightCM: p.HeightCM})
		}
	}
	return out
}

// judgeHole holds a port in place of another to the rules of the first ones.
func (l *Log) judgeHole(j *Judgement, s *TreeState, e Event) {
	old := s.Port(e.Replaces)
	switch {
	case old == nil:
		j.no("event-no-port", finding.ByEstimate, finding.Args{"port": finding.Count(e.Replaces)})
		return
	case s.Port(e.Port) != nil:
		j.no("hole-number-taken", finding.ByEstimate, finding.Args{"port": finding.Count(e.Port)})
		return
	case strings.HasPrefix(old.Where, "limb"):
		j.no("hole-on-limb", finding.ByPractice, nil)
		return
	case e.AlongMM == nil || e.HeightMM == nil:
		j.no("hole-place-unclear", finding.ByEstimate, nil)
		return
	}
	if len(s.Ports) > 0 && !slices.ContainsFunc(s.Ports, func(p PortState) bool { return p.N == e.Replaces && (p.GivenUp != "" || p.Refused || p.Leaking) }) {
		j.no("hole-not-needed", finding.ByPractice, nil)
	}
	spot, err := plan.JudgeHole(l.pack.Request, l.pack.Frame, s.taped, old.Stem, float64(*e.AlongMM)/10, float64(*e.HeightMM)/10, append(l.today(s, old.Stem, 0), s.planned(old.Stem)...))
	if err != nil {
		j.no("hole-place-unclear", finding.ByEstimate, nil)
		return
	}
	j.Against = append(j.Against, spot.Against...)
	j.Spot = &spot
}

// judgeDrill looks at where and how deep a hole is.
func (l *Log) judgeDrill(j *Judgement, s *TreeState, p *PortState, e Event) {
	if e.BitUM != nil && l.pack.HoleUM > 0 && *e.BitUM != l.pack.HoleUM {
		j.mind("bit-not-the-cards", finding.Args{"bit": finding.Number(float64(*e.BitUM)/1000, "mm"), "hole": finding.Number(float64(l.pack.HoleUM)/1000, "mm")})
	}
	if e.DepthMM != nil && p.DepthMM != nil && l.pack.Depth[1] > 0 && *e.DepthMM > int64(*p.DepthMM)+l.pack.Depth[1]-l.pack.Depth[0] {
		j.mind("drilled-deep", finding.Args{"depth": finding.Number(float64(*e.DepthMM), "mm"), "planned": finding.Number(float64(*p.DepthMM), "mm")})
	}
	if e.AlongMM == nil || strings.HasPrefix(p.Where, "limb") {
		return
	}
	height := p.HeightCM
	if e.HeightMM != nil {
		height = float64(*e.HeightMM) / 10
	}
	if spot, err := plan.JudgeHole(l.pack.Request, l.pack.Frame, s.taped, p.Stem, float64(*e.AlongMM)/10, height, l.today(s, p.Stem, p.N)); err == nil {
		for _, f := range spot.Against {
			if f.ID != "hole-too-many" && f.ID != "wounds-too-many" { // its number was planned
				f.Severity = finding.Warning
				j.Mind = append(j.Mind, f)
			}
		}
		j.Spot = &spot
	}
}

// Taped returns the tree with the day's readings, for who wants its sizes.
func (s *TreeState) Taped() tree.Tree { return s.taped }
