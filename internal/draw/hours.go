package draw

import "fmt"

// HoursDay is one day of the strip chart.
type HoursDay struct {
	Label string
	State [24]int // 0 treatable, i > 0 the reason Reasons[i-1] against it, -1 unknown
}

// Hours shows which hours can be used for treating, and why the others not.
type Hours struct {
	Frame
	Days    []HoursDay
	Reasons []string // at most 7
}

var (
	treatableStyle = Style{Fill: Leaf}
	reasonStyles   = []Style{
		{Fill: Paper, Hatch: Sparse, HatchRole: Muted},
		{Fill: BarkSoft},
		{Fill: Sapwood, Hatch: Spots, HatchRole: Bark},
		{Fill: WarnSoft, Hatch: Falling, HatchRole: Warn},
		{Fill: Paper, Hatch: Crossed, HatchRole: Muted},
		{Fill: Sapwood, Hatch: Level, HatchRole: Bark},
		{Fill: Paper, Hatch: Upright, HatchRole: Ink},
	}
)

// DrawHours returns the strip chart: one row a day, one cell an hour;
// treatable hours stand out as full-height blocks, the others are lower.
func DrawHours(h Hours) (Scene, error) {
	s, top, err := h.begin(KindHours)
	if err != nil {
		return Scene{}, err
	}
	if len(h.Days) == 0 || len(h.Reasons) > len(reasonStyles) {
		return Scene{}, fmt.Errorf("draw: hours: needs a day and at most %d reasons, got %d days and %d reasons", len(reasonStyles), len(h.Days), len(h.Reasons))
	}
	x0 := margin
	for _, d := range h.Days {
		x0 = max(x0, margin+min(TextWidth(d.Label, Small, false), 110)+8)
	}
	const row = 22.0
	x1 := h.WidthPx - margin - 6
	cell := (x1 - x0) / 24
	y := top + 16
	bottom := y + row*float64(len(h.Days))
	every := 3
	if cell*3 < 26 {
		every = 6
	}
	used := make([]bool, len(h.Reasons)+1)
	for i, d := range h.Days {
		ry := y + row*float64(i)
		s.add(Text{At: Point{margin, ry + 15}, S: shorten(d.Label, Small, false, 110), Size: Small, Role: Ink})
		for a := 0; a < 24; {
			st := d.State[a]
			if st < -1 || st > len(h.Reasons) {
				return Scene{}, fmt.Errorf("draw: hours: %s, hour %d has state %d of %d reasons", d.Label, a, st, len(h.Reasons))
			}
			b := a + 1
			for b < 24 && d.State[b] == st {
				b++
			}
			x, w := x0+float64(a)*cell, float64(b-a)*cell
			switch {
			case st == 0:
				used[0] = true
				s.add(Rect{x, ry + 2, w, row - 4, treatableStyle})
			case st > 0:
				used[st] = true
				sty := reasonStyles[st-1]
				sty.Stroke, sty.WidthPx = Hair, 0.6
				s.add(Group{Label: h.Reasons[st-1], Items: []Element{Rect{x, ry + 5, w, row - 10, sty}}})
			}
			a = b
		}
	}
	for hr := 0; hr <= 24; hr += every {
		x := x0 + float64(hr)*cell
		s.add(Line(Point{x, y - 3}, Point{x, bottom + 2}, Style{Stroke: Muted, WidthPx: 0.5, Dash: Dotted}))
		s.add(Text{At: Point{min(x, h.WidthPx-9), y - 6}, S: fmt.Sprint(hr), Size: Small, Anchor: Middle, Role: Muted})
	}
	var items []legendItem
	if used[0] {
		items = append(items, legendItem{swatch(treatableStyle), h.Words.say("treatable")})
	}
	for i, name := range h.Reasons {
		if used[i+1] {
			st := reasonStyles[i]
			st.Stroke, st.WidthPx = Hair, 0.6
			items = append(items, legendItem{swatch(st), name})
		}
	}
	s.Height = s.legend(items, bottom+4) + margin
	return *s, nil
}
