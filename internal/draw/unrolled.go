package draw

import (
	"fmt"
	"math"
	"slices"
)

// TrunkPort is one port on the unrolled trunk.
type TrunkPort struct {
	Number     int
	AzimuthDeg float64
	HeightCm   float64
}

// Unrolled is the bark of the trunk laid flat as a person sees it from
// outside: azimuth falls from left to right, so the tape runs to the left.
type Unrolled struct {
	Frame
	GirthCm  float64
	MarkDeg  float64
	LeftDeg  float64 // azimuth of the left edge, where the roll is cut; 315 shows W, S, E, N
	TopCm    float64 // height shown; 0 means 40 cm above the highest port, at least 100 cm
	Unit     LengthUnit
	Ports    []TrunkPort
	OldHoles []OldHole
	Blocked  []Blocked
}

// DrawUnrolled returns the unrolled trunk. Keep-out boxes that reach above the
// shown height end in an arrow head. Numbers that find no room are left out,
// the first and every fifth last.
func DrawUnrolled(u Unrolled) (Scene, error) {
	s, top, err := u.begin(KindUnrolled)
	if err != nil {
		return Scene{}, err
	}
	if !finite(u.GirthCm, u.MarkDeg, u.LeftDeg, u.TopCm) || u.GirthCm <= 0 || u.TopCm < 0 {
		return Scene{}, fmt.Errorf("draw: unrolled: girth %g cm must be above 0", u.GirthCm)
	}
	high := u.TopCm
	for _, p := range u.Ports {
		if !finite(p.AzimuthDeg, p.HeightCm) || p.HeightCm < 0 {
			return Scene{}, fmt.Errorf("draw: unrolled: port %d has no usable position", p.Number)
		}
		if u.TopCm == 0 {
			high = max(high, p.HeightCm+40, 100)
		}
	}
	for _, h := range u.OldHoles {
		if !finite(h.AzimuthDeg, h.HeightCm, h.KeepOutCm, h.BelowCm, h.AboveCm) {
			return Scene{}, fmt.Errorf("draw: unrolled: an old hole has no usable position")
		}
		if u.TopCm == 0 {
			high = max(high, h.HeightCm+20, 100)
		}
	}
	high = max(high, 40)
	v := unrolledView{Unrolled: u, s: s, w: u.Words, high: high}
	v.x0, v.x1 = margin+34, u.WidthPx-margin-8
	v.perCm = (v.x1 - v.x0) / u.GirthCm
	v.up = min(max(high*v.perCm, 170), max(260, 0.55*u.WidthPx)) / high
	v.y0 = top + 22
	v.y1 = v.y0 + high*v.up
	v.frame()
	v.boxes()
	v.ports()
	y := v.tape()
	y = s.paragraph(u.Words.say("outside_view"), y+2, Muted)
	s.Height = v.key(y) + margin
	return *s, nil
}

type unrolledView struct {
	Unrolled
	s              *Scene
	w              Words
	high           float64 // cm
	x0, x1, y0, y1 float64
	perCm, up      float64 // px per cm across and up
}

// x is where an azimuth stands: falling to the right.
func (v unrolledView) x(azDeg float64) float64 {
	return v.x0 + wrapDeg(v.LeftDeg-azDeg)/360*(v.x1-v.x0)
}

func (v unrolledView) y(heightCm float64) float64 {
	return v.y1 - min(max(heightCm, 0), v.high)*v.up
}

func (v unrolledView) frame() {
	s := v.s
	s.add(Rect{v.x0, v.y0, v.x1 - v.x0, v.y1 - v.y0, Style{Fill: Sapwood}})
	for i, key := range []string{"north", "east", "south", "west"} {
		x := v.x(float64(i) * 90)
		s.add(Line(Point{x, v.y0 - 4}, Point{x, v.y1}, Style{Stroke: BarkSoft, WidthPx: 0.8, Dash: Dotted}))
		s.add(Text{At: Point{x, v.y0 - 8}, S: v.w.say(key), Size: Large, Bold: true, Anchor: Middle, Role: Ink})
	}
	k := v.Unit.perCm()
	step := niceStep(v.high*k, max(3, int((v.y1-v.y0)/34)))
	for h := 0.0; h <= v.high*k*(1+1e-9); h += step {
		y := v.y(h / k)
		if h > 0 {
			s.add(Line(Point{v.x0, y}, Point{v.x1, y}, Style{Stroke: BarkSoft, WidthPx: 0.4}))
		}
		s.add(Text{At: Point{v.x0 - 5, y + 4}, S: v.w.num(h, decimalsOf(step)), Size: Small, Anchor: End, Role: Muted})
	}
	s.add(Text{At: Point{margin, v.y0 - 8}, S: v.w.say("length_unit"), Size: Small, Role: Muted})
	for _, x := range []float64{v.x0, v.x1} {
		s.add(Line(Point{x, v.y0}, Point{x, v.y1}, Style{Stroke: Bark, WidthPx: 1, Dash: Dashed}))
	}
}

// spans cuts a box of azimuths at the edges of the roll; fromDeg runs
// clockwise to toDeg, so it lies to the right of toDeg.
func (v unrolledView) spans(fromDeg, toDeg float64) [][2]float64 {
	w := sweep(fromDeg, toDeg) / 360 * (v.x1 - v.x0)
	left := v.x(toDeg)
	right := left + w
	if right <= v.x1+1e-9 {
		return [][2]float64{{left, right}}
	}
	return [][2]float64{{left, v.x1}, {v.x0, v.x0 + right - v.x1}}
}

func (v unrolledView) boxes() {
	for _, b := range v.Blocked {
		from, to := b.FromCm, b.ToCm
		if from == 0 && to == 0 {
			to = v.high
		}
		g := Group{Label: b.Label}
		for _, sp := range v.spans(b.FromDeg, b.ToDeg) {
			g.Items = append(g.Items, Rect{sp[0], v.y(to), sp[1] - sp[0], v.y(from) - v.y(to),
				Style{Fill: Paper, Stroke: Ink, WidthPx: 0.8, Hatch: Crossed}})
		}
		v.s.add(g)
	}
	for _, h := range v.OldHoles {
		half := min(h.KeepOutCm/v.GirthCm*360, 179.9)
		if half <= 0 {
			continue
		}
		g := Group{Label: h.Label}
		lo, hi := h.HeightCm-h.BelowCm, h.HeightCm+h.AboveCm
		for _, sp := range v.spans(h.AzimuthDeg-half, h.AzimuthDeg+half) {
			st := Style{Fill: WarnSoft, Hatch: Sparse, HatchRole: Warn}
			g.Items = append(g.Items, Rect{sp[0], v.y(hi), sp[1] - sp[0], v.y(lo) - v.y(hi), st})
			edge := Style{Stroke: Warn, WidthPx: 0.9, Dash: Dashed}
			for _, x := range sp {
				if x > v.x0+0.5 && x < v.x1-0.5 {
					g.Items = append(g.Items, Line(Point{x, v.y(hi)}, Point{x, v.y(lo)}, edge))
				}
			}
			if hi > v.high && sp[1]-sp[0] > 8 {
				g.Items = append(g.Items, arrow(Point{(sp[0] + sp[1]) / 2, v.y0 + 3}, 0, 8, Warn))
			} else if hi <= v.high {
				g.Items = append(g.Items, Line(Point{sp[0], v.y(hi)}, Point{sp[1], v.y(hi)}, edge))
			}
		}
		v.s.add(g)
	}
}

func (v unrolledView) ports() {
	s := v.s
	taken := newShelf(Box{v.x0 + 1, v.y0 + 1, v.x1 - 1, v.y1 - 1})
	dot := func(azDeg, heightCm, r float64) Point {
		c := Point{v.x(azDeg), v.y(heightCm)}
		taken.take(Box{c.X - r, c.Y - r, c.X + r, c.Y + r})
		return c
	}
	// the mark is a line on the bark
	m := v.x(v.MarkDeg)
	s.add(Line(Point{m, v.y0}, Point{m, v.y1}, Style{Stroke: Bark, WidthPx: 2}))
	for _, h := range v.OldHoles {
		c := dot(h.AzimuthDeg, h.HeightCm, 4.5)
		st := Style{Fill: Paper, Stroke: Warn, WidthPx: 1.3}
		if h.Closed {
			st.Dash = Dotted
		}
		s.add(Circle{c, 4, st})
	}
	n := len(v.Ports)
	r := min(4.5, max(2.2, (v.x1-v.x0)/float64(max(n, 1))*0.3))
	centres := make([]Point, n)
	for i, p := range v.Ports {
		centres[i] = dot(p.AzimuthDeg, p.HeightCm, r+0.5)
		s.add(Circle{centres[i], r, Style{Fill: Ink}})
	}
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	rank := func(i int) int {
		switch k := v.Ports[i].Number; {
		case k == 1:
			return 0
		case k%10 == 0:
			return 1
		case k%5 == 0:
			return 2
		}
		return 3
	}
	slices.SortStableFunc(order, func(a, b int) int { return rank(a) - rank(b) })
	for k, i := range order {
		if k == 1 { // only the first number may stand on the mark's line
			taken.take(Box{m - 2, v.y0, m + 2, v.y1})
		}
		t := Text{S: fmt.Sprint(v.Ports[i].Number), Size: Small, Bold: true, Role: Ink, Halo: true}
		c := around(t, centres[i], r)
		taken.place(s, c[2], c[3], c[0], c[1], c[4], c[5], c[6], c[7])
	}
	for _, h := range v.OldHoles {
		if h.Label != "" {
			taken.place(s, around(Text{S: h.Label, Size: Small, Role: Warn, Halo: true}, Point{v.x(h.AzimuthDeg), v.y(h.HeightCm)}, 4)...)
		}
	}
	for _, b := range v.Blocked {
		if b.Label == "" {
			continue
		}
		mid := v.x(b.FromDeg + sweep(b.FromDeg, b.ToDeg)/2)
		to := b.ToCm
		if b.FromCm == 0 && to == 0 {
			to = v.high
		}
		var at []Text
		w := sweep(b.FromDeg, b.ToDeg) / 720 * (v.x1 - v.x0)
		for _, dy := range []float64{14, 30, 46} {
			at = append(at,
				Text{At: Point{mid + w + 4, v.y(to) + dy}, S: b.Label, Size: Small, Role: Ink, Halo: true},
				Text{At: Point{mid - w - 4, v.y(to) + dy}, S: b.Label, Size: Small, Anchor: End, Role: Ink, Halo: true})
		}
		for _, dy := range []float64{-5, 14} {
			at = append(at, Text{At: Point{mid, v.y(to) + dy}, S: b.Label, Size: Small, Anchor: Middle, Role: Ink, Halo: true})
		}
		taken.place(s, at...)
	}
}

// tape draws the ground and the tape below it: 0 at the mark, growing to the
// left, the way the tape runs for a person at the bark.
func (v unrolledView) tape() float64 {
	s := v.s
	s.add(Line(Point{v.x0 - 4, v.y1}, Point{v.x1 + 4, v.y1}, Style{Stroke: Ink, WidthPx: 2}))
	k := v.Unit.perCm()
	total := v.GirthCm * k
	step := niceStep(total, max(3, int((v.x1-v.x0)/46)))
	taken := newShelf(Box{margin / 2, v.y1, v.WidthPx - margin/2, v.y1 + 40})
	y := v.y1 + 7
	minor := step / 5
	for i := 0; float64(i)*minor < total-1e-9; i++ {
		d := float64(i) * minor
		x := v.x(v.MarkDeg + d/total*360)
		length := 3.0
		if i%5 == 0 {
			length = 6
		}
		s.add(Line(Point{x, y}, Point{x, y + length}, Style{Stroke: Muted, WidthPx: 0.7}))
	}
	zero := Text{At: Point{v.x(v.MarkDeg), y + 17}, S: v.w.say("mark") + " 0", Size: Small, Bold: true, Anchor: Middle, Role: Bark}
	b := boxOf(zero)
	zero.At.X += max(0, margin/2+1-b.X0+1) - max(0, b.X1-(v.WidthPx-margin/2-2))
	taken.place(s, zero)
	for d := step; d < total-1e-9; d += step {
		x := v.x(v.MarkDeg + d/total*360)
		taken.place(s, Text{At: Point{x, y + 17}, S: v.w.num(d, decimalsOf(step)), Size: Small, Anchor: Middle, Role: Muted})
	}
	s.add(Line(Point{v.x0, y}, Point{v.x1, y}, Style{Stroke: Muted, WidthPx: 0.7}))
	label := fmt.Sprintf("%s (%s)", v.w.say("tape"), v.w.say("length_unit"))
	s.add(arrow(Point{v.x0, y + 29}, 270, 7, Bark), Line(Point{v.x0 + 5, y + 29}, Point{v.x0 + 24, y + 29}, Style{Stroke: Bark, WidthPx: 1.1}))
	s.add(Text{At: Point{v.x0 + 30, y + 33}, S: label, Size: Small, Role: Bark})
	return y + 38
}

func (v unrolledView) key(y float64) float64 {
	w := v.w
	items := []legendItem{{func(c Point) []Element { return []Element{Circle{c, 4, Style{Fill: Ink}}} }, w.say("port")}}
	if len(v.OldHoles) > 0 {
		items = append(items, legendItem{func(c Point) []Element {
			return []Element{Circle{c, 4, Style{Fill: Paper, Stroke: Warn, WidthPx: 1.3}}}
		}, w.say("old_hole")},
			legendItem{swatch(Style{Fill: WarnSoft, Stroke: Warn, WidthPx: 0.9, Dash: Dashed, Hatch: Sparse, HatchRole: Warn}), w.say("keep_out")})
	}
	if len(v.Blocked) > 0 {
		items = append(items, legendItem{swatch(Style{Fill: Paper, Stroke: Ink, WidthPx: 0.8, Hatch: Crossed}), w.say("unusable")})
	}
	items = append(items, legendItem{func(c Point) []Element {
		return []Element{Line(Point{c.X, c.Y - 6}, Point{c.X, c.Y + 6}, Style{Stroke: Bark, WidthPx: 2})}
	}, w.say("mark")}, legendItem{stroke(Style{Stroke: Ink, WidthPx: 2}), w.say("ground")})
	return v.s.legend(items, y)
}

// sideOf tells on which side of a trunk seen from viewDeg an azimuth lies: x
// is -1 on the far left to 1 on the far right, near says whether it points to
// the viewer.
func sideOf(azDeg, viewDeg float64) (x float64, near bool) {
	d := (azDeg - viewDeg) * math.Pi / 180
	return -math.Sin(d), math.Cos(d) > -1e-9
}
