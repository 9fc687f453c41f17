package port

import (
	"math"

	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/plan/label"
)

// Hole is an old hole that new ports must keep clear of along the girth.
type Hole struct {
	AzimuthDeg  float64
	ClearanceCm float64 // from the middle of the old hole to the middle of a new port
}

// Arc is a part of the girth where no port may go, clockwise from FromDeg to
// ToDeg. Equal ends are a single point; an arc of 360 degrees or more is the
// whole girth.
type Arc struct{ FromDeg, ToDeg float64 }

// Ring is the girth on which ports are to be placed.
type Ring struct {
	GirthCm      float64
	Holes        []Hole
	Blocked      []Arc
	Prefer       []float64 // azimuths of main root flares, each to get a port if possible
	SpacingMinCm float64   // 0: none
	SpacingMaxCm float64   // 0: none
}

// MaxPorts is the greatest number of ports that Place accepts. It only guards
// against a slip of input: a girth of 12 m with a port every centimetre has
// fewer.
const MaxPorts = 2000

// NewRing returns the ring of a girth under a card's spacing rule. A spacing
// given as one value is the greatest distance (see Counts).
func NewRing(girth q.LengthSpan, rule label.PortRule, holes []Hole, blocked []Arc, flares []float64) Ring {
	r := Ring{GirthCm: girth.Float(), Holes: holes, Blocked: blocked, Prefer: flares}
	if rule.Spacing.Known {
		r.SpacingMaxCm = rule.Spacing.Value.High.Float()
		if !rule.Spacing.Value.Single {
			r.SpacingMinCm = rule.Spacing.Value.Low.Float()
		}
	}
	return r
}

// check returns a fault for a ring or count that cannot be used.
func (r *Ring) check(n int) error {
	switch {
	case !(r.GirthCm > 0) || math.IsInf(r.GirthCm, 0):
		return badRing("girth", r.GirthCm, "cm")
	case !(r.SpacingMinCm >= 0) || math.IsInf(r.SpacingMinCm, 0):
		return badRing("spacing", r.SpacingMinCm, "cm")
	case !(r.SpacingMaxCm >= 0) || math.IsInf(r.SpacingMaxCm, 0):
		return badRing("spacing", r.SpacingMaxCm, "cm")
	case n < 1 || n > MaxPorts:
		return badRing("ports", float64(n), "")
	}
	for _, h := range r.Holes {
		if !finite(h.AzimuthDeg) {
			return badRing("hole azimuth", h.AzimuthDeg, "deg")
		}
		if !(h.ClearanceCm >= 0) || math.IsInf(h.ClearanceCm, 0) {
			return badRing("clearance", h.ClearanceCm, "cm")
		}
	}
	for _, a := range r.Blocked {
		if !finite(a.FromDeg) || !finite(a.ToDeg) {
			return badRing("arc", a.FromDeg+a.ToDeg, "deg")
		}
	}
	for _, f := range r.Prefer {
		if !finite(f) {
			return badRing("flare azimuth", f, "deg")
		}
	}
	return nil
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

func badRing(what string, x float64, unit string) error {
	v := finding.Number(x, unit)
	if !finite(x) { // such a number has no JSON form
		v = finding.Text("?")
	}
	return finding.Bad("port-ring-bad", finding.Where{}, finding.Args{"what": finding.Text(what), "value": v})
}

// span is a keep-out on a circle: from start over width, degrees.
type span struct{ start, width float64 }

// spans appends the ring's keep-outs, starts in [0, 360), widths at most 360.
func (r *Ring) spans(to []span) []span {
	for _, h := range r.Holes {
		half := h.ClearanceCm / r.GirthCm * 360
		if half >= 180 {
			to = append(to, span{0, 360})
			continue
		}
		to = append(to, span{Turn(h.AzimuthDeg-half, 360), 2 * half})
	}
	for _, a := range r.Blocked {
		to = append(to, span{Turn(a.FromDeg, 360), arcWidth(a.FromDeg, a.ToDeg)})
	}
	return to
}

// arcWidth is the width of an arc clockwise between two azimuths, at most 360.
// Ends too far apart for float64 count as the whole girth.
func arcWidth(from, to float64) float64 {
	switch w := to - from; {
	case w >= 360 || math.IsInf(w, 0):
		return 360
	case w < 0:
		return Turn(w, 360)
	default:
		return w
	}
}

// Turn brings an angle into [0, period), period > 0. A result that rounding
// would lift to period itself is 0.
func Turn(deg, period float64) float64 {
	if deg >= 0 && deg < period {
		return deg + 0 // -0 becomes 0
	}
	x := math.Mod(deg, period)
	if x < 0 {
		x += period
	}
	if x >= period || x == 0 {
		return 0
	}
	return x
}
