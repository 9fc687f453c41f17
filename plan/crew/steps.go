package crew

import (
	"bytes"
	_ "embed" // the default step times are a data file
	"encoding/json"
	"math/big"
)

//go:embed steps.json
var defaultSteps []byte

// The kinds of step and of bar. Text for them is in the message catalogue.
const (
	StepWalk      = "walk"          // to the next visit
	StepWait      = "wait"          // for a device to run dry, or for disinfectant to act
	StepBreak     = "break"         // rest
	StepCleanBark = "clean-bark"    // brush loose bark off where ports go
	StepMark      = "mark"          // tape round, paint mark, port marks
	StepClimb     = "climb"         // rig, go up, come down; high ports only
	StepDrill     = "drill"         // holes
	StepSet       = "set"           // ports flush with the sapwood
	StepLoad      = "load"          // syringes or lines
	StepDeliver   = "deliver"       // start delivery; by hand: hold it to the end
	StepWatch     = "watch"         // look for leaks; also the counted watcher's and the stayer's time
	StepSealPull  = "seal-or-pull"  // after delivery
	StepRinse     = "rinse"         // port and tools with clean water
	StepDisinfect = "disinfect"     // bits and tools between trees
	StepSecond    = "second-person" // stands by while another works aloft
)

// The groups of steps a pilot tree rescales. Uptake is the delivery time itself, not a hands-on step.
const (
	GroupPrepare = "prepare"
	GroupClimb   = "climb"
	GroupDrill   = "drill"
	GroupDeliver = "deliver"
	GroupClose   = "close"
	GroupHygiene = "hygiene"
	GroupUptake  = "uptake"
)

// stepOrder is the order of the steps at a tree, with the group each belongs to.
var stepOrder = []struct{ id, group string }{
	{StepCleanBark, GroupPrepare}, {StepMark, GroupPrepare}, {StepClimb, GroupClimb}, {StepDrill, GroupDrill},
	{StepSet, GroupDrill}, {StepLoad, GroupDeliver}, {StepDeliver, GroupDeliver}, {StepWatch, GroupDeliver},
	{StepSealPull, GroupClose}, {StepRinse, GroupClose}, {StepDisinfect, GroupHygiene},
}

// Step is the hands-on time of one kind of step: PerTreeS + ports * PerPortS. For "climb" the ports are the high ones.
// ContactS, of "disinfect" only, is how long the disinfectant must act before the next hole is drilled.
type Step struct {
	ID       string `json:"id"`
	Group    string `json:"group"`
	PerTreeS int64  `json:"per_tree_s"`
	PerPortS int64  `json:"per_port_s"`
	ContactS int64  `json:"contact_s,omitempty"`
}

// Steps are the times a day is planned with, and where they come from.
type Steps struct {
	Schema      string `json:"schema"`
	Source      string `json:"source"`
	WalkingMMin int64  `json:"walking_m_per_min"` // metres a minute with the kit
	Steps       []Step `json:"steps"`
}

// StepsSchema names the form of the step file.
const StepsSchema = "sapward/crew-steps/1"

// DefaultSteps returns the program's own step times: program defaults, common practice, no source. They are meant to be
// replaced by the crew's own log.
func DefaultSteps() (Steps, error) { return ParseSteps(defaultSteps) }

// ParseSteps reads step times from JSON and checks them: schema, every step of the job once and in its group, times
// from 0 to 24 h, walking speed from 1 to 300 m/min. Unknown fields are errors.
func ParseSteps(data []byte) (Steps, error) {
	var s Steps
	dec := json.NewDecoder(bytes.NewReader(data))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&s); err != nil {
		return Steps{}, fault(CodeNoSteps, "steps", "%v", err)
	}
	return s, s.Check()
}

const dayS = int64(86_400)

// Check reports the first thing wrong with the step times, nil if they can be used.
func (s Steps) Check() error {
	if s.Schema != StepsSchema {
		return fault(CodeUnknown, "schema", "%q", s.Schema)
	}
	if s.Source == "" {
		return fault(CodeMissing, "source", "step times must say where they come from")
	}
	if s.WalkingMMin < 1 || s.WalkingMMin > 300 {
		return fault(CodeOutOfRange, "walking_m_per_min", "%d", s.WalkingMMin)
	}
	group := map[string]string{}
	for _, o := range stepOrder {
		group[o.id] = o.group
	}
	for _, p := range s.Steps {
		want, open := group[p.ID]
		switch {
		case want == "":
			return fault(CodeUnknown, "steps", "%q", p.ID)
		case !open || want == "seen":
			return fault(CodeDuplicate, "steps", "%q", p.ID)
		case p.Group != want:
			return fault(CodeUnknown, "group", "%s: %q", p.ID, p.Group)
		case min(p.PerTreeS, p.PerPortS, p.ContactS) < 0 || max(p.PerTreeS, p.PerPortS, p.ContactS) > dayS:
			return fault(CodeOutOfRange, "steps", "%s", p.ID)
		case p.ContactS > 0 && p.ID != StepDisinfect:
			return fault(CodeUnknown, "contact_s", "%s has none", p.ID)
		}
		group[p.ID] = "seen"
	}
	for _, o := range stepOrder {
		if group[o.id] != "seen" {
			return fault(CodeMissing, "steps", "%q", o.id)
		}
	}
	return nil
}

func (s Steps) step(id string) Step {
	for _, p := range s.Steps {
		if p.ID == id {
			return p
		}
	}
	return Step{ID: id}
}

// seconds returns the hands-on time of a step at a tree.
func (s Steps) seconds(id string, ports, highPorts int) int64 {
	p := s.step(id)
	if id == StepClimb {
		if highPorts == 0 {
			return 0
		}
		ports = highPorts
	}
	return p.PerTreeS + int64(ports)*p.PerPortS
}

// Pilot is what was clocked on one tree: hands-on seconds by group and the uptake. A group that was not clocked is
// left out.
type Pilot struct {
	Tree      string           `json:"tree"`
	Ports     []Port           `json:"ports"` // with the uptake that was planned
	Delivery  Delivery         `json:"delivery"`
	MeasuredS map[string]int64 `json:"measured_s"` // by group; "uptake" is the delivery time
}

// Ratio is how much slower (above 1) or faster a group of steps went than planned.
type Ratio struct {
	Group     string  `json:"group"`
	PlannedS  int64   `json:"planned_s"`
	MeasuredS int64   `json:"measured_s"`
	Ratio     float64 `json:"ratio"`
	FarOff    bool    `json:"far_off"` // outside 1/5 to 5: measured in another unit, or the tree is not typical
}

// Rescaled are step times after a pilot tree. Uptake multiplies the uptake of every port still to be done.
type Rescaled struct {
	Steps  Steps   `json:"steps"`
	Ratios []Ratio `json:"ratios"`
	Uptake Ratio   `json:"uptake"` // ratio 1 with nothing measured
}

// Rescale returns step times that would have fitted the pilot tree: every step of a group is multiplied by measured
// over planned of that group, rounded up to whole seconds; groups not clocked and the contact time stay. The caller's
// steps are not changed.
//
// Errors: unknown group, times that are not positive, a group planned at no time (nothing to scale).
func Rescale(s Steps, p Pilot) (Rescaled, error) {
	if err := s.Check(); err != nil {
		return Rescaled{}, err
	}
	if err := p.Delivery.check(); err != nil {
		return Rescaled{}, err
	}
	if err := checkPorts(p.Tree, p.Ports); err != nil {
		return Rescaled{}, err
	}
	out := Rescaled{Steps: s, Uptake: Ratio{Group: GroupUptake, Ratio: 1}}
	out.Steps.Steps = append([]Step(nil), s.Steps...)
	out.Steps.Source = s.Source + "; rescaled by pilot tree"
	n, high := len(p.Ports), highPorts(p.Ports)
	for _, g := range []string{GroupPrepare, GroupClimb, GroupDrill, GroupDeliver, GroupClose, GroupHygiene, GroupUptake} {
		measured, clocked := p.MeasuredS[g]
		if !clocked {
			continue
		}
		planned := uptakeS(p.Ports, p.Delivery)
		if g != GroupUptake {
			planned = 0
			for _, o := range stepOrder {
				if o.group == g && !skips(o.id, p.Delivery) {
					planned += s.seconds(o.id, n, high)
				}
			}
		}
		if measured < 1 || measured > dayS || planned < 1 {
			return Rescaled{}, fault(CodeOutOfRange, "measured_s", "%s: measured %d s, planned %d s", g, measured, planned)
		}
		r := Ratio{Group: g, PlannedS: planned, MeasuredS: measured, Ratio: float64(measured) / float64(planned)}
		r.FarOff = 5*measured < planned || measured > 5*planned
		out.Ratios = append(out.Ratios, r)
		if g == GroupUptake {
			out.Uptake = r
			continue
		}
		for i := range out.Steps.Steps {
			if q := &out.Steps.Steps[i]; q.Group == g {
				q.PerTreeS = scaleUp(q.PerTreeS, r)
				q.PerPortS = scaleUp(q.PerPortS, r)
			}
		}
	}
	for g := range p.MeasuredS {
		known := g == GroupUptake
		for _, o := range stepOrder {
			known = known || o.group == g
		}
		if !known {
			return Rescaled{}, fault(CodeUnknown, "measured_s", "%q", g)
		}
	}
	return out, nil
}

// ScaleUptake returns the ports with their uptake multiplied by the ratio and rounded up to whole seconds.
func ScaleUptake(ports []Port, r Ratio) []Port {
	out := append([]Port(nil), ports...)
	for i := range out {
		out[i].UptakeS = scaleUp(out[i].UptakeS, r)
	}
	return out
}

// scaleUp returns seconds * measured / planned, exactly, rounded up, at most a day.
func scaleUp(seconds int64, r Ratio) int64 {
	if r.PlannedS == 0 {
		return seconds
	}
	v := new(big.Int).Mul(big.NewInt(seconds), big.NewInt(r.MeasuredS))
	v.Add(v, big.NewInt(r.PlannedS-1)).Quo(v, big.NewInt(r.PlannedS))
	if !v.IsInt64() || v.Int64() > dayS {
		return dayS
	}
	return v.Int64()
}
