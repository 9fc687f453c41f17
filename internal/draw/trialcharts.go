package draw

import (
	"fmt"
	"math"
)

// MeanRow is a mean with its interval.
type MeanRow struct {
	Name            string
	Mean, Low, High float64
	Mark            bool // the control
}

// MeanChart shows means with their intervals one below the other; Axis names
// the values.
type MeanChart struct {
	Frame
	Rows []MeanRow
	Axis string
	Zero bool // the axis begins at 0
}

// DrawMeanChart returns the chart; the control's mean is carried down as a
// dashed line.
func DrawMeanChart(c MeanChart) (Scene, error) {
	if !(c.WidthPx >= 280 && c.WidthPx <= 4000) || len(c.Rows) == 0 {
		return Scene{}, fmt.Errorf("draw: means: width %g px, %d rows", c.WidthPx, len(c.Rows))
	}
	lo, hi, names := math.Inf(1), math.Inf(-1), 0.0
	for _, r := range c.Rows {
		if !finite(r.Mean, r.Low, r.High) || r.Low > r.Mean || r.High < r.Mean {
			return Scene{}, fmt.Errorf("draw: means: an interval does not hold its mean")
		}
		lo, hi = math.Min(lo, r.Low), math.Max(hi, r.High)
		names = math.Max(names, TextWidth(r.Name, Small, r.Mark))
	}
	if c.Zero {
		lo = math.Min(lo, 0)
	}
	if hi <= lo {
		hi = lo + 1
	}
	pad := (hi - lo) * 0.04
	names = math.Min(names, c.WidthPx*0.35)
	const step = 24.0
	s := &Scene{ID: c.ID, Lang: c.Words.Lang, Title: c.Title, Desc: c.Desc, Width: c.WidthPx}
	bottom := margin + step*float64(len(c.Rows)) + 4
	x := axis{lo: lo - pad, hi: hi + pad, p0: margin + names + 12, p1: c.WidthPx - margin - 8}
	p := plot{s, c.Words, x, axis{lo: 0, hi: 1, p0: bottom, p1: margin}}
	for _, t := range x.ticks(c.Words, 60) {
		s.add(Line(Point{x.at(t.v), margin}, Point{x.at(t.v), bottom}, Style{Stroke: Hair, WidthPx: 0.7}))
	}
	p.grid2(x.ticks(c.Words, 60), c.Axis, bottom)
	for i, r := range c.Rows {
		y := margin + step*(float64(i)+0.55)
		if r.Mark {
			s.add(Line(Point{x.at(r.Mean), margin}, Point{x.at(r.Mean), bottom}, Style{Stroke: Muted, Dash: Dashed}))
		}
		s.add(Text{At: Point{margin, y + 4}, S: shorten(r.Name, Small, r.Mark, names), Size: Small, Bold: r.Mark, Role: Ink})
		s.add(Line(Point{x.at(r.Low), y}, Point{x.at(r.High), y}, Style{Stroke: Ink, WidthPx: 1.6}))
		for _, v := range []float64{r.Low, r.High} {
			s.add(Line(Point{x.at(v), y - 5}, Point{x.at(v), y + 5}, Style{Stroke: Ink, WidthPx: 1.6}))
		}
		s.add(Circle{C: Point{x.at(r.Mean), y}, R: 4, Style: Style{Fill: Leaf, Stroke: Ink}})
	}
	s.Height = bottom + 40
	return *s, nil
}

// grid2 draws the axis of x only.
func (p plot) grid2(ticks []tick, label string, bottom float64) {
	q := p
	q.y = axis{lo: 0, hi: 1, p0: bottom, p1: margin}
	q.grid(ticks, nil, label, "")
}

// ScatterPoint is one point with the index of its group, which chooses its
// shape.
type ScatterPoint struct {
	X, Y  float64
	Group int
	Name  string
}

// Scatter shows points; Line draws y = x, else a line at y = 0.
type Scatter struct {
	Frame
	Points       []ScatterPoint
	XAxis, YAxis string
	Line         bool
}

// DrawScatter returns the picture.
func DrawScatter(c Scatter) (Scene, error) {
	if !(c.WidthPx >= 200 && c.WidthPx <= 4000) || len(c.Points) == 0 {
		return Scene{}, fmt.Errorf("draw: scatter: width %g px, %d points", c.WidthPx, len(c.Points))
	}
	bx, by := [2]float64{math.Inf(1), math.Inf(-1)}, [2]float64{0, 0}
	for _, p := range c.Points {
		if !finite(p.X, p.Y) {
			return Scene{}, fmt.Errorf("draw: scatter: a point is no number")
		}
		bx = [2]float64{math.Min(bx[0], p.X), math.Max(bx[1], p.X)}
		by = [2]float64{math.Min(by[0], p.Y), math.Max(by[1], p.Y)}
	}
	wide := func(b [2]float64) (float64, float64) {
		d := (b[1] - b[0]) * 0.06
		if d <= 0 {
			d = 0.5
		}
		return b[0] - d, b[1] + d
	}
	s := &Scene{ID: c.ID, Lang: c.Words.Lang, Title: c.Title, Desc: c.Desc, Width: c.WidthPx}
	height := c.WidthPx * 0.72
	y := axis{p0: height - 40, p1: margin + 22}
	y.lo, y.hi = wide(by)
	yt := y.ticks(c.Words, 34)
	x := axis{p0: margin + widest(yt) + 8, p1: c.WidthPx - margin}
	x.lo, x.hi = wide(bx)
	p := plot{s, c.Words, x, y}
	p.grid(x.ticks(c.Words, 50), yt, c.XAxis, c.YAxis)
	if c.Line {
		lo, hi := math.Max(x.lo, y.lo), math.Min(x.hi, y.hi)
		if lo < hi {
			s.add(Line(Point{x.at(lo), y.at(lo)}, Point{x.at(hi), y.at(hi)}, Style{Stroke: Muted, Dash: Dashed}))
		}
	} else {
		s.add(Line(Point{x.p0, y.at(0)}, Point{x.p1, y.at(0)}, Style{Stroke: Muted, Dash: Dashed}))
	}
	for _, q := range c.Points {
		s.add(dotShape(q.Group, Point{x.at(q.X), y.at(q.Y)})...)
	}
	s.Height = height
	return *s, nil
}

// dotShape tells groups apart by shape: disc, ring, square, triangle, cross,
// diamond.
func dotShape(group int, c Point) []Element {
	const r = 3.6
	ink := Style{Fill: Ink, Stroke: Ink}
	hollow := Style{Fill: Paper, Stroke: Ink, WidthPx: 1.2}
	switch group % 6 {
	case 1:
		return []Element{Circle{C: c, R: r, Style: hollow}}
	case 2:
		return []Element{Rect{X: c.X - r, Y: c.Y - r, W: 2 * r, H: 2 * r, Style: hollow}}
	case 3:
		return []Element{Polygon([]Point{{c.X, c.Y - r - 1}, {c.X + r + 0.5, c.Y + r}, {c.X - r - 0.5, c.Y + r}}, hollow)}
	case 4:
		st := Style{Stroke: Ink, WidthPx: 1.4}
		return []Element{Line(Point{c.X - r, c.Y - r}, Point{c.X + r, c.Y + r}, st), Line(Point{c.X - r, c.Y + r}, Point{c.X + r, c.Y - r}, st)}
	case 5:
		return []Element{Polygon([]Point{{c.X, c.Y - r - 1}, {c.X + r + 1, c.Y}, {c.X, c.Y + r + 1}, {c.X - r - 1, c.Y}}, hollow)}
	}
	return []Element{Circle{C: c, R: r, Style: ink}}
}

// ScatterKey is the shape of a group, for a key.
func ScatterKey(group int) Scene {
	s := Scene{Width: 12, Height: 12}
	s.add(dotShape(group, Point{6, 6})...)
	return s
}
