package draw

import (
	"fmt"
	"math"
	"slices"
)

// DayBar is one step of one person's day.
type DayBar struct {
	FromMin, ToMin float64 // minutes after midnight
	Kind           int     // index of Day.Kinds; -1 is a break
}

// DayRow is one person's day.
type DayRow struct {
	Person string
	Bars   []DayBar
}

// DayMarker is a moment of the whole crew: last port dry, end of the
// restricted-entry interval.
type DayMarker struct {
	AtMin float64
	Label string
	Warn  bool
}

// Day is the working day as bars.
type Day struct {
	Frame
	Kinds          []string // names of the kinds of step, at most 8
	Rows           []DayRow
	Markers        []DayMarker
	FromMin, ToMin float64 // hours shown; both 0: what the bars and markers need
	TwelveHour     bool    // am and pm
}

var kindStyles = []Style{
	{Fill: LeafSoft, Stroke: Leaf, WidthPx: 0.8},
	{Fill: Leaf, Stroke: Leaf, WidthPx: 0.8},
	{Fill: Paper, Stroke: Bark, WidthPx: 0.8, Hatch: Rising, HatchRole: Bark},
	{Fill: Bark, Stroke: Bark, WidthPx: 0.8},
	{Fill: Sapwood, Stroke: Bark, WidthPx: 0.8, Hatch: Spots, HatchRole: Bark},
	{Fill: Paper, Stroke: Ink, WidthPx: 0.8, Hatch: Falling},
	{Fill: LeafSoft, Stroke: Leaf, WidthPx: 0.8, Hatch: Level, HatchRole: Leaf},
	{Fill: Paper, Stroke: Ink, WidthPx: 0.8, Hatch: Crossed},
}

var breakStyle = Style{Fill: Paper, Stroke: Muted, WidthPx: 0.8, Dash: Dotted}

// clock writes minutes after midnight; a later day counts on from 24 h as the
// next day's time.
func (d Day) clock(minutes float64) string {
	m := int(math.Round(minutes)) % (24 * 60)
	h := m / 60
	if !d.TwelveHour {
		return fmt.Sprintf("%d:%02d", h, m%60)
	}
	half := d.Words.say("am")
	if h >= 12 {
		half = d.Words.say("pm")
	}
	if h %= 12; h == 0 {
		h = 12
	}
	if m%60 == 0 {
		return with(fmt.Sprint(h), half)
	}
	return with(fmt.Sprintf("%d:%02d", h, m%60), half)
}

// pennant is a marker's line and its label, which stands to the left of the line.
type pennant struct {
	x    float64
	row  int
	t    Text
	warn bool
}

// pennants sets the labels of markers, the latest on top: a label reaches only
// over lines of earlier markers, which begin below it.
func (d Day) pennants(x func(float64) float64, top float64) []pennant {
	markers := slices.Clone(d.Markers)
	slices.SortStableFunc(markers, func(a, b DayMarker) int { return int(math.Ceil(b.AtMin)) - int(math.Ceil(a.AtMin)) })
	var out []pennant
	for _, m := range markers {
		f := pennant{x: x(m.AtMin), warn: m.Warn}
		f.t = Text{S: shorten(m.Label+" "+d.clock(m.AtMin), Small, true, d.WidthPx-2*margin), Size: Small, Bold: true, Role: Leaf, Halo: true}
		if m.Warn {
			f.t.Role = Warn
		}
		f.t.At.X = max(f.x-5-TextWidth(f.t.S, Small, true), margin/2+2)
		b := boxOf(f.t)
		for _, o := range out {
			if c := boxOf(o.t); b.X0 < c.X1+6 && c.X0 < max(b.X1, f.x)+6 {
				f.row = max(f.row, o.row+1)
			}
		}
		f.t.At.Y = top + 11 + 14*float64(f.row)
		out = append(out, f)
	}
	return out
}

// DrawDay returns the day: one row a person.
func DrawDay(d Day) (Scene, error) {
	s, top, err := d.begin(KindDayBars)
	if err != nil {
		return Scene{}, err
	}
	if len(d.Kinds) > len(kindStyles) {
		return Scene{}, fmt.Errorf("draw: day: %d kinds of step, at most %d", len(d.Kinds), len(kindStyles))
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	used := map[int]bool{}
	for _, r := range d.Rows {
		for _, b := range r.Bars {
			if !finite(b.FromMin, b.ToMin) || b.ToMin < b.FromMin || b.FromMin < 0 || b.Kind < -1 || b.Kind >= len(d.Kinds) {
				return Scene{}, fmt.Errorf("draw: day: a bar of %q has no usable times or kind", r.Person)
			}
			lo, hi = min(lo, b.FromMin), max(hi, b.ToMin)
			used[b.Kind] = true
		}
	}
	for _, m := range d.Markers {
		if !finite(m.AtMin) || m.AtMin < 0 {
			return Scene{}, fmt.Errorf("draw: day: marker %q has no time", m.Label)
		}
		lo, hi = min(lo, m.AtMin), max(hi, m.AtMin)
	}
	if d.ToMin > d.FromMin {
		lo, hi = d.FromMin, d.ToMin
	}
	if !(hi > lo) {
		return Scene{}, fmt.Errorf("draw: day: nothing to show")
	}
	lo, hi = math.Floor(lo/30)*30, math.Ceil(hi/30)*30
	above := d.WidthPx < 520 // names above the bars
	x0, row := margin+4, 38.0
	if !above {
		row = 28
		for _, r := range d.Rows {
			x0 = max(x0, margin+min(TextWidth(r.Person, Small, true), 150)+12)
		}
	}
	x1 := d.WidthPx - margin - 10
	x := func(m float64) float64 { return x0 + (min(max(m, lo), hi)-lo)/(hi-lo)*(x1-x0) }

	marks := d.pennants(x, top)
	y, rows := top, 0
	for _, m := range marks {
		rows = max(rows, m.row+1)
	}
	y += 14*float64(rows) + 4
	bottom := y + row*float64(len(d.Rows)) + 4
	step, room := 60.0, 44.0
	if d.TwelveHour {
		room = 56
	}
	for _, step = range []float64{60, 120, 180, 240, 360, 720, 1440} {
		if (hi-lo)/step*room <= x1-x0 {
			break
		}
	}
	for m := math.Ceil(lo/step) * step; m <= hi+1e-9; m += step {
		s.add(Line(Point{x(m), y}, Point{x(m), bottom}, Style{Stroke: Hair, WidthPx: 0.8}))
		t := Text{At: Point{x(m), bottom + 14}, S: d.clock(m), Size: Small, Anchor: Middle, Role: Muted}
		b := boxOf(t)
		t.At.X += max(0, 3-b.X0) - max(0, b.X1-(d.WidthPx-3))
		s.add(t)
	}
	s.add(Line(Point{x0, bottom}, Point{x1, bottom}, Style{Stroke: Ink, WidthPx: 1}))
	for i, r := range d.Rows {
		ry := y + row*float64(i)
		if above {
			s.add(Text{At: Point{x0, ry + 12}, S: shorten(r.Person, Small, true, x1-x0), Size: Small, Bold: true, Role: Ink, Halo: true})
			ry += 10
		} else {
			s.add(Text{At: Point{margin, ry + 18}, S: shorten(r.Person, Small, true, 150), Size: Small, Bold: true, Role: Ink})
		}
		for _, b := range r.Bars {
			st := breakStyle
			name := d.Words.say("break")
			if b.Kind >= 0 {
				st, name = kindStyles[b.Kind], d.Kinds[b.Kind]
			}
			s.add(Group{Label: fmt.Sprintf("%s: %s %s\u2013%s", r.Person, name, d.clock(b.FromMin), d.clock(b.ToMin)),
				Items: []Element{Rect{x(b.FromMin), ry + 6, max(x(b.ToMin)-x(b.FromMin), 0.5), 16, st}}})
		}
	}
	for _, m := range marks {
		st := Style{Stroke: m.t.Role, WidthPx: 1.6}
		if m.warn {
			st.Dash = LongDash
		}
		s.add(Line(Point{m.x, m.t.At.Y - 9}, Point{m.x, bottom}, st), m.t)
	}
	var items []legendItem
	for i, name := range d.Kinds {
		if used[i] {
			items = append(items, legendItem{swatch(kindStyles[i]), name})
		}
	}
	if used[-1] {
		items = append(items, legendItem{swatch(breakStyle), d.Words.say("break")})
	}
	s.Height = s.legend(items, bottom+20) + margin
	return *s, nil
}
