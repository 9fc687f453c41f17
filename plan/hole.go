package plan

import (
	"math"
	"slices"
	"strings"

	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan/label"
	"sapward/plan/port"
)

// Drilled is a hole made on the day. One that was given up before any product
// went in is a wound and no port.
type Drilled struct {
	AzimuthDeg float64 `json:"azimuth_deg"`
	HeightCM   float64 `json:"height_cm"`
	Spoiled    bool    `json:"spoiled,omitempty"`
}

// Spot says whether one more hole may be drilled at a place, and where else.
type Spot struct {
	Against []finding.Finding `json:"against"` // none: it may
	// BeforeCM and AfterCM are the nearest places along the girth, before and
	// after the asked one, that nothing stands against; nil where there is none.
	BeforeCM *float64 `json:"before_cm"`
	AfterCM  *float64 `json:"after_cm"`
}

// JudgeHole judges one more hole on a trunk: a new port in place of one that
// failed, under every rule of number, spacing, old wounds, obstacles and wound
// share that the first ones kept. today are the holes made or still to be made
// on this stem today. A port keeps the card's spacing from ports, and from a
// spoiled hole the distance kept from old holes; both spend girth. alongCM is
// the tape distance from the mark, heightCM the height above ground.
//
// Where the card gives no least spacing, the distance kept from old holes is
// kept from today's ports too (program default).
//
// Errors: finding.Faults for a stem the tree has not, or for places that are no
// numbers.
func JudgeHole(r Request, frame Frame, t tree.Tree, stem string, alongCM, heightCM float64, today []Drilled) (Spot, error) {
	use, ok := useUnder(&r, frame)
	at := slices.IndexFunc(t.Stems, func(s tree.Stem) bool { return strings.EqualFold(s.Name, stem) })
	if at < 0 && len(t.Stems) == 1 {
		at = 0
	}
	height, fine := exact.FromFloat(heightCM)
	if !ok || at < 0 || !fine || math.IsNaN(alongCM) || math.IsInf(alongCM, 0) || heightCM < 0 || heightCM > 1e4 || math.Abs(alongCM) > 1e5 {
		return Spot{}, finding.Faults{{Class: finding.Usage, ID: "hole-place-unclear"}}
	}
	j := &Job{r: &r, use: use, ref: frame.Ref}
	s := t.Stems[at]
	place := placeOf(use.Ports)
	h := holeRules{
		rule: use.Ports, girth: girthAt(s, place), mark: r.MarkAzimuthDeg, season: r.On.Year, today: today,
		keep:   port.KeepOutFor(use.Ports.KeepOut),
		wounds: ofStem(slices.DeleteFunc(slices.Clone(r.Wounds), func(w tree.Wound) bool { return w.Tree != t.Tag }), &t, s.Name, func(w tree.Wound) string { return w.Stem }),
	}
	var blocked []tree.Obstacle
	for _, o := range ofStem(slices.DeleteFunc(slices.Clone(r.Obstacles), func(o tree.Obstacle) bool { return o.Tree != t.Tag }), &t, s.Name, func(o tree.Obstacle) string { return o.Stem }) {
		if !strings.EqualFold(o.Kind, "flare") && !strings.EqualFold(o.Kind, "root flare") {
			blocked = append(blocked, o)
		}
	}
	h.arcs = port.Arcs(blocked, h.girth, use.Ports.Hole.Value)
	h.old = port.Holes(h.wounds, h.keep, q.Cm(height), q.Cm(height), h.season)
	out := Spot{Against: []finding.Finding{}}
	for _, f := range append(h.number(), h.along(alongCM, heightCM)...) {
		out.Against = append(out.Against, *j.at(f))
	}
	if len(h.number()) > 0 {
		return out, nil // no place would help
	}
	girth := h.girth.Low.Float()
	for step := 1; float64(step)*0.5 <= girth/2; step++ {
		d := float64(step) * 0.5
		if out.BeforeCM == nil && len(h.along(alongCM-d, heightCM)) == 0 {
			v := turnCM(alongCM-d, girth)
			out.BeforeCM = &v
		}
		if out.AfterCM == nil && len(h.along(alongCM+d, heightCM)) == 0 {
			v := turnCM(alongCM+d, girth)
			out.AfterCM = &v
		}
	}
	return out, nil
}

func turnCM(along, girth float64) float64 { return round(port.Turn(along, girth), 1) }

// holeRules is what a new hole on one trunk keeps to.
type holeRules struct {
	rule   label.PortRule
	girth  q.LengthSpan
	mark   float64
	season int
	today  []Drilled
	keep   port.KeepOut
	wounds []tree.Wound
	old    []port.Hole
	arcs   []port.Arc
}

// number judges what one more hole does to the number of ports and the wound
// share.
func (h *holeRules) number() (out []finding.Finding) {
	n := len(h.today) + 1
	ports := n
	for _, d := range h.today {
		if d.Spoiled {
			ports--
		}
	}
	if c := port.Counts(h.rule, h.girth, 0); ports > c.Max {
		out = append(out, finding.Finding{ID: "hole-too-many", Severity: finding.Refused, Force: finding.Mandatory, Authority: finding.ByLabel, Ref: "ports",
			Args: finding.Args{"ports": finding.Count(ports), "max": finding.Count(c.Max)}})
	}
	if h.rule.Hole.Known {
		if share, ok := port.WoundShare(h.wounds, h.season, n, h.rule.Hole.Value, h.girth); ok {
			if f, over := port.WoundLimitsFor(h.rule).Judge(share); over && f.Severity == finding.Refused {
				out = append(out, f)
			}
		}
	}
	return out
}

// along judges a place by its distances to today's holes, old holes and
// obstacles.
func (h *holeRules) along(alongCM, heightCM float64) (out []finding.Finding) {
	girth := h.girth.Low.Float()
	apart := func(azimuth float64) float64 {
		d := port.Turn(alongCM-(azimuth-h.mark)/360*girth, girth)
		return min(d, girth-d)
	}
	refused := func(id, ref string, by finding.Authority, args finding.Args) {
		f := finding.Finding{ID: id, Severity: finding.Refused, Force: finding.Advisory, Authority: by, Ref: ref, Args: args}
		if by == finding.ByLabel {
			f.Force = finding.Mandatory
		}
		out = append(out, f)
	}
	least, by, ref := h.keep.Sideways.Float(), finding.ByPractice, ""
	if s := h.rule.Spacing; s.Known && !s.Value.Single {
		least, by, ref = s.Value.Low.Float(), finding.ByLabel, "ports.spacing"
	} else if h.keep.SidewaysCard {
		by, ref = finding.ByLabel, "ports.keep_out"
	}
	const within = 0.05 // a tape reads to a millimetre
	nearest, spoiled := math.Inf(1), math.Inf(1)
	for _, d := range h.today {
		if d.Spoiled {
			spoiled = min(spoiled, apart(d.AzimuthDeg))
		} else {
			nearest = min(nearest, apart(d.AzimuthDeg))
		}
	}
	if nearest < least-within {
		refused("hole-too-near", ref, by, finding.Args{"apart": finding.Number(nearest, "cm"), "least": finding.Number(least, "cm")})
	}
	by, ref = finding.ByPractice, ""
	if h.keep.ByCard() {
		by, ref = finding.ByLabel, "ports.keep_out"
	}
	clear := h.keep.Sideways.Add(h.rule.Hole.Value.Times(exact.Frac(1, 2))).Float()
	if spoiled < clear-within {
		refused("hole-near-old", ref, by, finding.Args{"apart": finding.Number(spoiled, "cm"), "least": finding.Number(clear, "cm")})
	}
	for _, o := range h.old {
		if d := apart(o.AzimuthDeg); d < o.ClearanceCm-within {
			refused("hole-near-old", ref, by, finding.Args{"apart": finding.Number(d, "cm"), "least": finding.Number(o.ClearanceCm, "cm")})
			break
		}
	}
	azimuth := port.Turn(h.mark+alongCM/girth*360, 360)
	for _, a := range h.arcs {
		width := a.ToDeg - a.FromDeg
		if port.Turn(azimuth-a.FromDeg, 360) < width || width >= 360 {
			refused("hole-on-obstacle", "", finding.ByPractice, nil)
			break
		}
	}
	low, high, given := h.rule.Height.Value.Low, h.rule.Height.Value.High, h.rule.Height.Known
	if given && (heightCM < low.Float()-within && !h.rule.Height.Value.Single || heightCM > high.Float()+within) {
		refused("hole-wrong-height", "ports.height", finding.ByLabel, finding.Args{"height": finding.Number(heightCM, "cm"), "low": finding.Number(low.Float(), "cm"), "high": finding.Number(high.Float(), "cm")})
	}
	return out
}
