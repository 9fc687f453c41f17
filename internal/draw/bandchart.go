package draw

import (
	"fmt"
	"math"
	"slices"
)

// Series is one line with its band.
type Series struct {
	Name          string
	X             []float64 // ascending
	P10, P50, P90 []float64 // P10 and P90 may be nil: no band
}

// BandChart shows up to four series over time.
type BandChart struct {
	Frame
	XLabel, YLabel string // with units
	LogY           bool
	YLow, YHigh    float64 // both 0: from the data
	Level          float64 // a horizontal line, for example the effective level; 0 draws none
	LevelLabel     string
	Series         []Series

	Shade     *Shade
	Dots      []Dot
	DotsLabel string
	OpenLabel string // of open dots
	Under     []UnderRow
	UnderHead string
	UnderX    []float64
}

var (
	lineStyles = []Style{{Stroke: Leaf, WidthPx: 2.2}, {Stroke: Bark, WidthPx: 2.2, Dash: Dashed}, {Stroke: Ink, WidthPx: 1.8, Dash: DashDot}, {Stroke: Muted, WidthPx: 2.2, Dash: Dotted}}
	// pale patterns: bands lie on each other and the lines must stay clear
	bandStyles = []Style{{Hatch: Rising, HatchRole: LeafSoft}, {Hatch: Falling, HatchRole: BarkSoft}, {Hatch: Level, HatchRole: Hair}, {Hatch: Spots, HatchRole: Muted}}
)

// DrawBandChart returns the chart; each series is named at its right end.
func DrawBandChart(c BandChart) (Scene, error) {
	s, top, err := c.begin(KindBandChart)
	if err != nil {
		return Scene{}, err
	}
	if len(c.Series) == 0 || len(c.Series) > len(lineStyles) {
		return Scene{}, fmt.Errorf("draw: band chart: %d series, from 1 to %d", len(c.Series), len(lineStyles))
	}
	xlo, xhi, ylo, yhi := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	banded := false
	for _, r := range c.Series {
		if len(r.X) < 2 || len(r.P50) != len(r.X) || !slices.IsSorted(r.X) || !finite(r.X...) || !finite(r.P50...) ||
			(r.P10 == nil) != (r.P90 == nil) || (r.P10 != nil && (len(r.P10) != len(r.X) || len(r.P90) != len(r.X) || !finite(r.P10...) || !finite(r.P90...))) {
			return Scene{}, fmt.Errorf("draw: band chart: series %q needs ascending x and as many values", r.Name)
		}
		xlo, xhi = min(xlo, r.X[0]), max(xhi, r.X[len(r.X)-1])
		for _, v := range [][]float64{r.P10, r.P50, r.P90} {
			for _, y := range v {
				if !c.LogY || y > 0 {
					ylo, yhi = min(ylo, y), max(yhi, y)
				}
			}
		}
		banded = banded || r.P10 != nil
	}
	if c.Level != 0 && (!c.LogY || c.Level > 0) {
		ylo, yhi = min(ylo, c.Level), max(yhi, c.Level)
	}
	switch {
	case c.YHigh > c.YLow:
		ylo, yhi = c.YLow, c.YHigh
	case c.LogY:
		// a logarithmic scale shows at most five powers of ten
		yhi *= 1.2
		ylo = max(ylo/1.2, yhi*1e-5)
	case ylo > 0 && ylo < 0.4*yhi:
		ylo = 0
	}
	if !(yhi > ylo) || !(xhi > xlo) || !finite(ylo, yhi) || (c.LogY && ylo <= 0) {
		return Scene{}, fmt.Errorf("draw: band chart: the values have no range to show")
	}
	y := axis{lo: ylo, hi: yhi, log: c.LogY}
	y.p1 = top + 22
	y.p0 = y.p1 + max(190, min(0.45*c.WidthPx, 300))
	yt := y.ticks(c.Words, 34)
	names := 0.0
	for _, r := range c.Series {
		names = max(names, TextWidth(r.Name, Small, true))
	}
	names = min(names, c.WidthPx*0.3)
	x := axis{lo: xlo, hi: xhi, p0: margin + widest(yt) + 8, p1: c.WidthPx - margin - names - 12}
	p := plot{s, c.Words, x, y}
	c.shade(s, p)
	p.grid(x.ticks(c.Words, 46), yt, c.XLabel, c.YLabel)
	for i, r := range c.Series {
		if r.P10 == nil {
			continue
		}
		var pts []Point
		for j, v := range r.P90 {
			pts = append(pts, Point{x.at(r.X[j]), y.inside(v)})
		}
		for j := len(r.X) - 1; j >= 0; j-- {
			pts = append(pts, Point{x.at(r.X[j]), y.inside(r.P10[j])})
		}
		st := bandStyles[i]
		st.Stroke, st.WidthPx = lineStyles[i].Stroke, 0.7
		s.add(Group{Label: r.Name, Items: []Element{Polygon(pts, st)}})
	}
	if c.Level != 0 && c.Level >= ylo && c.Level <= yhi {
		s.add(Line(Point{x.p0, y.at(c.Level)}, Point{x.p1, y.at(c.Level)}, Style{Stroke: Warn, WidthPx: 1.6, Dash: LongDash}))
	}
	type end struct {
		i    int
		y    float64
		name string
	}
	var ends []end
	for i, r := range c.Series {
		var pts []Point
		for j, v := range r.P50 {
			pts = append(pts, Point{x.at(r.X[j]), y.inside(v)})
		}
		halo := lineStyles[i]
		halo.Stroke, halo.WidthPx, halo.Dash = Paper, halo.WidthPx+2.4, Solid
		s.add(Polyline(pts, halo), Polyline(pts, lineStyles[i]))
		ends = append(ends, end{i, pts[len(pts)-1].Y, shorten(r.Name, Small, true, names)})
	}
	c.dots(s, p)
	slices.SortStableFunc(ends, func(a, b end) int {
		switch {
		case a.y < b.y:
			return -1
		case a.y > b.y:
			return 1
		}
		return 0
	})
	want, heights := make([]float64, len(ends)), make([]float64, len(ends))
	for k, e := range ends {
		want[k], heights[k] = e.y, 14
	}
	for k, at := range spread(want, heights, y.p1-7, y.p0+4) {
		e := ends[k]
		lastX := x.at(c.Series[e.i].X[len(c.Series[e.i].X)-1])
		s.add(Line(Point{lastX + 1, e.y}, Point{x.p1 + 6, at}, Style{Stroke: lineStyles[e.i].Stroke, WidthPx: 0.7}))
		s.add(Text{At: Point{x.p1 + 9, at + 4}, S: e.name, Size: Small, Bold: true, Role: lineStyles[e.i].Stroke})
	}
	var items []legendItem
	for i, r := range c.Series {
		name := c.Words.say("median")
		if len(c.Series) > 1 {
			name = r.Name
		}
		st := bandStyles[i]
		items = append(items, legendItem{func(m Point) []Element {
			e := []Element{}
			if r.P10 != nil {
				e = append(e, Rect{m.X - 9, m.Y - 6, 18, 12, st})
			}
			return append(e, Line(Point{m.X - 9, m.Y}, Point{m.X + 9, m.Y}, Style{Stroke: Paper, WidthPx: 4}), Line(Point{m.X - 9, m.Y}, Point{m.X + 9, m.Y}, lineStyles[i]))
		}, name})
	}
	if c.Level != 0 {
		items = append(items, legendItem{stroke(Style{Stroke: Warn, WidthPx: 1.6, Dash: LongDash}), c.LevelLabel})
	}
	items = append(items, c.extraItems()...)
	below := s.legend(items, c.under(s, x, y.p0+36))
	if banded {
		below = s.paragraph(fmt.Sprintf("%s; %s", c.Words.say("median"), c.Words.say("band")), below+2, Muted)
	}
	s.Height = below + margin
	return *s, nil
}
