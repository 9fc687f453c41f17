package draw

import (
	"fmt"
	"slices"
)

// Limb is one limb of the sketch.
type Limb struct {
	Name        string
	AzimuthDeg  float64
	HeightM     float64
	DiameterCm  float64
	Ports       int
	AmountLabel string // what goes in, number and unit as printed; empty: none
}

// Limbs is a sketch of the trunk from one side with its limbs. Heights are to
// scale; the lengths of limbs are not.
type Limbs struct {
	Frame
	DiameterCm  float64
	ViewDeg     float64 // azimuth at which the viewer stands; 180 is south of the tree
	ClimbM      float64 // a dashed line at this height; 0 draws none
	Unit        LengthUnit
	TrunkPorts  int
	TrunkHeight float64 // m, of the trunk's ports
	TrunkAmount string
	Limbs       []Limb
}

// DrawLimbs returns the sketch. Limbs on the far side are dashed.
func DrawLimbs(l Limbs) (Scene, error) {
	s, top, err := l.begin(KindLimbs)
	if err != nil {
		return Scene{}, err
	}
	if !finite(l.DiameterCm, l.ViewDeg, l.ClimbM, l.TrunkHeight) || l.DiameterCm <= 0 {
		return Scene{}, fmt.Errorf("draw: limbs: diameter %g cm must be above 0", l.DiameterCm)
	}
	high := max(l.ClimbM*1.15, l.TrunkHeight+0.5, 2.5)
	for _, b := range l.Limbs {
		if !finite(b.AzimuthDeg, b.HeightM, b.DiameterCm) || b.HeightM < 0 || b.DiameterCm <= 0 || b.Ports < 0 {
			return Scene{}, fmt.Errorf("draw: limbs: limb %q has no usable position, diameter or ports", b.Name)
		}
		high = max(high, b.HeightM*1.18)
	}
	v := limbView{Limbs: l, s: s, w: l.Words, high: high}
	v.layout(top)
	v.draw()
	y := v.y1 + 18
	items := []legendItem{{func(c Point) []Element { return []Element{Circle{c, 3.5, Style{Fill: Ink}}} }, l.Words.say("limb_port")},
		{stroke(Style{Stroke: Bark, WidthPx: 1.4, Dash: Dashed}), l.Words.say("behind")}}
	if l.ClimbM > 0 {
		items = append(items, legendItem{stroke(Style{Stroke: Warn, WidthPx: 1.2, Dash: LongDash}), l.Words.say("climb")})
	}
	s.Height = s.legend(items, y) + margin
	return *s, nil
}

type limbView struct {
	Limbs
	s               *Scene
	w               Words
	high            float64
	cx, y0, y1      float64
	half, reach     float64
	leftIx, rightIx []int
	side            float64 // width of a label column
}

func (v *limbView) y(m float64) float64 { return v.y1 - m/v.high*(v.y1-v.y0) }

// lines are the texts of a limb.
func (v *limbView) lines(b Limb) []string {
	first := fmt.Sprintf("%s, %s", compass(b.AzimuthDeg, v.w), with(v.w.num(b.HeightM, 1), v.w.say("height_unit")))
	second := with(v.w.num(b.DiameterCm*v.Unit.perCm(), v.Unit.Decimals), v.w.say("length_unit"))
	room := max(v.WidthPx/2-58-margin, 60)
	out := []string{shorten(b.Name, Small, true, room)}
	add := func(s string) {
		for _, line := range wrapText(s, Small, false, room) {
			out = append(out, shorten(line, Small, false, room))
		}
	}
	add(first + ", " + second)
	if b.Ports > 0 {
		t := fmt.Sprintf("%d %s", b.Ports, v.w.ports(b.Ports))
		if b.AmountLabel != "" {
			t += ", " + b.AmountLabel
		}
		add(t)
	}
	return out
}

// compass names an azimuth by the letters of the four winds.
func compass(azDeg float64, w Words) string {
	n, e, s, o := w.say("north"), w.say("east"), w.say("south"), w.say("west")
	return []string{n, n + e, e, s + e, s, s + o, o, n + o}[int(wrapDeg(azDeg+22.5)/45)%8]
}

func (v *limbView) layout(top float64) {
	for i, b := range v.Limbs.Limbs {
		if x, _ := sideOf(b.AzimuthDeg, v.ViewDeg); x < 0 || (x == 0 && i%2 == 1) {
			v.leftIx = append(v.leftIx, i)
		} else {
			v.rightIx = append(v.rightIx, i)
		}
		for j, t := range v.lines(b) {
			v.side = max(v.side, TextWidth(t, Small, j == 0))
		}
	}
	v.side = max(v.side, 70)
	byHeight := func(ix []int) {
		slices.SortStableFunc(ix, func(a, b int) int {
			switch x, y := v.Limbs.Limbs[a].HeightM, v.Limbs.Limbs[b].HeightM; {
			case x > y:
				return -1
			case x < y:
				return 1
			}
			return 0
		})
	}
	byHeight(v.leftIx)
	byHeight(v.rightIx)
	n := max(len(v.leftIx), len(v.rightIx))
	v.y0 = top + 8
	v.y1 = v.y0 + max(260, float64(n)*59+50)
	v.cx = v.WidthPx / 2
	v.reach = min(max((v.WidthPx-2*margin-2*v.side)/2-24, 36), 150)
	v.half = min(22, v.reach*0.32)
}

func (v *limbView) draw() {
	s := v.s
	bark := Style{Stroke: Bark, WidthPx: 1.4}
	type drawn struct{ tip, port Point }
	at := map[int]drawn{}
	limb := func(i int) {
		b := v.Limbs.Limbs[i]
		x, near := sideOf(b.AzimuthDeg, v.ViewDeg)
		if x == 0 {
			x = 0.02
			if slices.Contains(v.leftIx, i) {
				x = -x
			}
		}
		dir := 1.0
		if x < 0 {
			dir = -1
		}
		reach := v.half + (v.reach-v.half)*max(0.35, abs(x))
		w := min(max(b.DiameterCm/v.DiameterCm*v.half*1.1, 3), v.half)
		y := v.y(b.HeightM)
		tip := Point{v.cx + dir*reach, max(y-26, v.y0+2)}
		st := bark
		st.Fill = Sapwood
		if !near {
			st.Dash = Dashed
		}
		from := Point{v.cx + dir*v.half*0.55, y + w/2}
		if near && abs(x) < 0.7 {
			from.X = v.cx + dir*v.half*abs(x)
		}
		s.add(Path{[]Segment{
			{Op: 'M', P: [3]Point{from}},
			{Op: 'C', P: [3]Point{{from.X + dir*(reach-v.half)*0.45, y + w/2}, {tip.X - dir*8, tip.Y + 14 + w*0.3}, {tip.X, tip.Y + w*0.3}}},
			{Op: 'L', P: [3]Point{{tip.X, tip.Y - w*0.3}}},
			{Op: 'C', P: [3]Point{{tip.X - dir*12, tip.Y + 8 - w*0.3}, {from.X + dir*(reach-v.half)*0.35, y - w/2}, {from.X, y - w/2}}},
		}, st})
		// the port stands on the limb's middle line, a third of the way out
		at[i] = drawn{tip, bezier(from.X, y, from.X+dir*(reach-v.half)*0.4, y, tip.X-dir*10, tip.Y+11, tip.X, tip.Y, 0.4)}
	}
	for i, b := range v.Limbs.Limbs {
		if _, near := sideOf(b.AzimuthDeg, v.ViewDeg); !near {
			limb(i)
		}
	}
	v.trunk(bark)
	for i, b := range v.Limbs.Limbs {
		if _, near := sideOf(b.AzimuthDeg, v.ViewDeg); near {
			limb(i)
		}
	}
	for i, b := range v.Limbs.Limbs {
		if b.Ports > 0 {
			s.add(Circle{at[i].port, 3.5, Style{Fill: Ink, Stroke: Paper, WidthPx: 0.8}})
		}
	}
	for _, dir := range []float64{-1, 1} {
		ix := v.rightIx
		if dir < 0 {
			ix = v.leftIx
		}
		want, heights := make([]float64, len(ix)), make([]float64, len(ix))
		for k, i := range ix {
			want[k], heights[k] = at[i].tip.Y, float64(len(v.lines(v.Limbs.Limbs[i])))*13+6
			if k > 0 {
				want[k] = max(want[k], want[k-1])
			}
		}
		for k, y := range spread(want, heights, v.y0-6, v.y1-34) {
			i := ix[k]
			x := v.cx + dir*(v.reach+22)
			a := Start
			if dir < 0 {
				a = End
			}
			s.add(Polyline([]Point{{at[i].tip.X + dir*2, at[i].tip.Y}, {x - dir*9, y}, {x - dir*3, y}}, Style{Stroke: Muted, WidthPx: 0.6}))
			lines := v.lines(v.Limbs.Limbs[i])
			for j, t := range lines {
				s.add(Text{At: Point{x, y + 4 + 13*(float64(j)-float64(len(lines)-1)/2)}, S: t, Size: Small, Bold: j == 0, Anchor: a, Role: Ink})
			}
		}
	}
}

func (v *limbView) trunk(bark Style) {
	s := v.s
	flare := v.half * 1.7
	bark.Fill = BarkSoft
	s.add(Path{[]Segment{
		{Op: 'M', P: [3]Point{{v.cx - flare, v.y1}}},
		{Op: 'C', P: [3]Point{{v.cx - v.half, v.y1 - 8}, {v.cx - v.half, v.y1 - 26}, {v.cx - v.half, v.y1 - 40}}},
		{Op: 'L', P: [3]Point{{v.cx - v.half*0.62, v.y0}}},
		{Op: 'L', P: [3]Point{{v.cx + v.half*0.62, v.y0}}},
		{Op: 'L', P: [3]Point{{v.cx + v.half, v.y1 - 40}}},
		{Op: 'C', P: [3]Point{{v.cx + v.half, v.y1 - 26}, {v.cx + v.half, v.y1 - 8}, {v.cx + flare, v.y1}}},
	}, bark})
	s.add(Line(Point{margin, v.y1}, Point{v.WidthPx - margin, v.y1}, Style{Stroke: Ink, WidthPx: 2}))
	s.add(Text{At: Point{margin, v.y1 + 15}, S: v.w.say("ground"), Size: Small, Role: Muted})
	s.add(Text{At: Point{v.cx - v.reach, v.y1 + 15}, S: "\u2190 " + compass(v.ViewDeg+90, v.w), Size: Small, Bold: true, Anchor: Middle, Role: Ink},
		Text{At: Point{v.cx + v.reach, v.y1 + 15}, S: compass(v.ViewDeg-90, v.w) + " \u2192", Size: Small, Bold: true, Anchor: Middle, Role: Ink})
	if v.ClimbM > 0 {
		y := v.y(v.ClimbM)
		s.add(Line(Point{v.cx - v.reach - 12, y}, Point{v.cx + v.reach + 12, y}, Style{Stroke: Warn, WidthPx: 1.2, Dash: LongDash}))
		s.add(Text{At: Point{v.cx + v.half + 4, y + 13}, S: with(v.w.short(v.ClimbM), v.w.say("height_unit")), Size: Small, Role: Warn, Halo: true})
	}
	if v.TrunkPorts > 0 {
		y := min(v.y(v.TrunkHeight), v.y1-8)
		for _, dx := range []float64{-0.6, 0, 0.6} {
			s.add(Circle{Point{v.cx + dx*v.half, y}, 3.5, Style{Fill: Ink, Stroke: Paper, WidthPx: 0.8}})
		}
		t := fmt.Sprintf("%d %s", v.TrunkPorts, v.w.ports(v.TrunkPorts))
		if v.TrunkAmount != "" {
			t += ", " + v.TrunkAmount
		}
		x := v.cx + flare + 8
		s.add(Text{At: Point{x, v.y1 - 21}, S: v.w.say("trunk"), Size: Small, Bold: true, Role: Ink})
		s.add(Text{At: Point{x, v.y1 - 8}, S: shorten(t, Small, false, v.WidthPx-margin-x), Size: Small, Role: Ink})
	}
}

// bezier is the point at share t of a cubic.
func bezier(x0, y0, x1, y1, x2, y2, x3, y3, t float64) Point {
	u := 1 - t
	a, b, c, d := u*u*u, 3*u*u*t, 3*u*t*t, t*t*t
	return Point{a*x0 + b*x1 + c*x2 + d*x3, a*y0 + b*y1 + c*y2 + d*y3}
}

func abs(x float64) float64 {
	if x < 0 {
		return -x
	}
	return x
}
