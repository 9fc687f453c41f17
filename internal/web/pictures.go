package web

import (
	"math"
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/internal/draw"
	"sapward/measure/tree"
	"sapward/plan"
)

// words are the label words of one kind of drawing in the reader's language.
func (v *view) words(k draw.Kind) draw.Words {
	w := draw.Words{Lang: v.Lang, DecimalMark: ".", Label: map[string]string{}}
	for _, key := range draw.Keys(k) {
		switch key {
		case "length_unit":
			w.Label[key] = pick(v.US, "in", "cm")
		case "depth_unit":
			w.Label[key] = "mm"
		case "height_unit", "map_unit":
			w.Label[key] = pick(v.US, "ft", "m")
		default:
			id := "draw-" + strings.ReplaceAll(key, "_", "-")
			w.Label[key] = v.T(id)
		}
	}
	return w
}

func pick[T any](first bool, a, b T) T {
	if first {
		return a
	}
	return b
}

func (v *view) frame(k draw.Kind, id string, width float64, title, desc string) draw.Frame {
	return draw.Frame{WidthPx: width, ID: id, Title: title, Desc: desc, Words: v.words(k)}
}

func (v *view) lengthUnit() draw.LengthUnit {
	if v.US {
		return draw.LengthUnit{PerCm: 1 / 2.54, Decimals: 1}
	}
	return draw.LengthUnit{PerCm: 1, Decimals: 1}
}

// ringOf is the drawing of one planned tree's ports with its old holes and
// obstacles, seen from above.
func (v *view) ringOf(t *plan.Tree, mark float64, wounds []tree.Wound, obstacles []tree.Obstacle, holeMM, barkMM, width float64) (draw.Scene, error) {
	title := v.Say("report-ring-title", finding.Args{"tree": finding.Text(nameOf(t.Tag, t.Stem))})
	r := draw.Ring{
		Frame:   v.frame(draw.KindRing, "ring", width, title, v.S("web-ring-desc", "ports", len(t.Ports), "volume", t.Dose.String())),
		GirthCm: t.GirthCM, DiameterCm: t.GirthCM / math.Pi, MarkDeg: mark, Unit: v.lengthUnit(), BarkMm: barkMM,
	}
	if r.DiameterCm <= 0 {
		r.DiameterCm, r.GirthCm = t.DiameterCM, 0
	}
	for _, q := range trunkPorts(t) {
		depth := 0.0
		if q.DepthMM != nil {
			depth = float64(*q.DepthMM)
		}
		r.Ports = append(r.Ports, draw.RingPort{
			Number: q.N, AzimuthDeg: q.AzimuthDeg, TapeCm: q.AlongCM, DepthMm: depth, HoleMm: holeMM,
			VolumeLabel: q.Volume.String() + "\u00a0mL",
		})
	}
	r.OldHoles = oldHoles(wounds)
	for _, o := range obstacles {
		r.Blocked = append(r.Blocked, draw.Blocked{FromDeg: o.FromDeg, ToDeg: o.ToDeg, Label: v.obstacle(o.Kind)})
	}
	return draw.DrawRing(r)
}

// trunkOf is the trunk laid flat as a person sees it who stands at an azimuth.
func (v *view) trunkOf(t *plan.Tree, mark, stand float64, wounds []tree.Wound, obstacles []tree.Obstacle, width float64) (draw.Scene, error) {
	u := draw.Unrolled{
		Frame:   v.frame(draw.KindUnrolled, "trunk", width, v.Say("report-unrolled-title", finding.Args{"tree": finding.Text(nameOf(t.Tag, t.Stem))}), v.S("web-trunk-desc", "deg", int(stand))),
		GirthCm: t.GirthCM, MarkDeg: mark, LeftDeg: math.Mod(stand+180, 360), Unit: v.lengthUnit(),
	}
	if u.GirthCm <= 0 {
		u.GirthCm = t.DiameterCM * math.Pi
	}
	for _, q := range trunkPorts(t) {
		u.Ports = append(u.Ports, draw.TrunkPort{Number: q.N, AzimuthDeg: q.AzimuthDeg, HeightCm: q.HeightCM})
	}
	u.OldHoles = oldHoles(wounds)
	for _, o := range obstacles {
		u.Blocked = append(u.Blocked, draw.Blocked{FromDeg: o.FromDeg, ToDeg: o.ToDeg, Label: v.obstacle(o.Kind)})
	}
	return draw.DrawUnrolled(u)
}

func oldHoles(wounds []tree.Wound) (out []draw.OldHole) {
	for _, w := range wounds {
		h := draw.OldHole{AzimuthDeg: w.AzimuthDeg, HeightCm: w.Height.Float(), HoleMm: w.Hole.Float() * 10, Closed: w.Closed}
		if w.Year != 0 {
			h.Label = strconv.Itoa(w.Year)
		}
		out = append(out, h)
	}
	return out
}

func (v *view) obstacle(kind string) string {
	id := "obstacle-" + strings.ReplaceAll(strings.ToLower(strings.TrimSpace(kind)), " ", "-")
	if v.Has(id) {
		return v.T(id)
	}
	return kind
}

// trunkPorts are the ports of the first stem that are not on limbs.
func trunkPorts(t *plan.Tree) (out []plan.Port) {
	for _, q := range t.Ports {
		if !strings.HasPrefix(q.Where, "limb ") && (len(out) == 0 || q.Stem == out[0].Stem) {
			out = append(out, q)
		}
	}
	return out
}

func nameOf(tag, stem string) string {
	if stem == "" {
		return tag
	}
	return tag + "/" + stem
}
