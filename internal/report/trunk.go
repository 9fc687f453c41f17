package report

import (
	"strconv"
	"strings"

	"sapward/internal/draw"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/plan"
	"sapward/plan/label"
	"sapward/plan/port"
)

// stem is the measured stem a planned tree's ring shows.
func (d *document) stem(t *plan.Tree) *tree.Stem {
	b := d.block[t.Tag]
	if b == nil || len(b.Stems) == 0 {
		return nil
	}
	want := t.Stem
	if ps := trunkPorts(t); want == "" && len(ps) > 0 {
		want = ps[0].Stem
	}
	for i := range b.Stems {
		if b.Stems[i].Name == want {
			return &b.Stems[i]
		}
	}
	return &b.Stems[0]
}

// bark is the bark's thickness in mm for the drawing: the gauge's, else the
// middle of the estimate for the species; 0 where neither is known.
func (d *document) bark(t *plan.Tree) float64 {
	s := d.stem(t)
	if s == nil {
		return 0
	}
	mm := 0.0
	if s.Bark.Known {
		mm = s.Bark.Value.Float() * 10
	} else if table, err := port.Barks(); err == nil {
		place := label.Trunk
		if ps := trunkPorts(t); len(ps) > 0 {
			place = label.Place(ps[0].Where)
		}
		b := d.block[t.Tag]
		if e, ok := table.Estimate(b.Species, b.Wood, s.Diameter.Float(), place); ok {
			mm = (e.Thin.Float() + e.Thick.Float()) / 2 * 10
		}
	}
	if mm*2 >= t.GirthCM/3.2*10 { // cannot be; the drawing does without
		return 0
	}
	return mm
}

func (d *document) holeMM() float64 {
	if d.use.Ports.Hole.Known {
		return d.use.Ports.Hole.Value.Float() * 10
	}
	return 0
}

func (d *document) stemWounds(t *plan.Tree) []tree.Wound {
	var out []tree.Wound
	for _, w := range d.wounds[t.Tag] {
		if d.sameStem(t, w.Stem) {
			out = append(out, w)
		}
	}
	return out
}

func (d *document) stemObstacles(t *plan.Tree) []tree.Obstacle {
	var out []tree.Obstacle
	for _, o := range d.obstacles[t.Tag] {
		if d.sameStem(t, o.Stem) {
			out = append(out, o)
		}
	}
	return out
}

// sameStem reports whether a wound's stem is the one the ring shows.
func (d *document) sameStem(t *plan.Tree, stem string) bool {
	s := d.stem(t)
	return stem == "" || s == nil || s.Name == stem
}

// oldHoles are the tree's wounds for a drawing, with the distance kept from
// those that still count (plan/port's rule).
func (d *document) oldHoles(t *plan.Tree, ports []plan.Port) []draw.OldHole {
	keep := port.KeepOutFor(d.use.Ports.KeepOut)
	low, high := 0.0, 0.0
	for i, p := range ports {
		if i == 0 || p.HeightCM < low {
			low = p.HeightCM
		}
		high = max(high, p.HeightCM)
	}
	var out []draw.OldHole
	for _, w := range d.stemWounds(t) {
		h := draw.OldHole{AzimuthDeg: w.AzimuthDeg, HeightCm: w.Height.Float(), HoleMm: w.Hole.Float() * 10, Closed: w.Closed}
		if w.Year != 0 {
			h.Label = strconv.Itoa(w.Year)
		}
		near := port.Holes([]tree.Wound{w}, keep, lengthCM(low), lengthCM(high), d.season)
		if len(near) > 0 {
			h.KeepOutCm, h.BelowCm, h.AboveCm = near[0].ClearanceCm, keep.Below.Float(), keep.Above.Float()
		}
		out = append(out, h)
	}
	return out
}

// lengthCM is a length given in cm to the tenth.
func lengthCM(cm float64) q.Length { return q.New[q.LengthKind](int64(cm*10+0.5), "mm") }

// obstacleName is the name of what is in the way, in the reader's language
// where the catalogue knows it.
func (d *document) obstacleName(kind string) string {
	id := "obstacle-" + strings.ReplaceAll(strings.ToLower(strings.TrimSpace(kind)), " ", "-")
	if d.say.Has(id) {
		return d.say.T(id)
	}
	return kind
}
