package draw

// Shade is a stretch of x that stands out, such as the days on which something
// may be done.
type Shade struct {
	From, To float64
	Label    string // for the legend
}

// Dot is a single value behind a line. Open: it lies somewhere below.
type Dot struct {
	X, Y   float64
	Series int // whose colour it takes
	Open   bool
}

// UnderRow is a row of figures under the axis, such as the trees at risk; its
// values stand at the UnderX of the chart.
type UnderRow struct {
	Name   string
	Values []string
}

// shade draws the stretch under everything else.
func (c BandChart) shade(s *Scene, p plot) {
	if c.Shade == nil {
		return
	}
	from, to := max(c.Shade.From, p.x.lo), min(c.Shade.To, p.x.hi)
	if !(to > from) {
		return
	}
	s.add(Rect{p.x.at(from), p.y.p1, p.x.at(to) - p.x.at(from), p.y.p0 - p.y.p1, Style{Fill: LeafSoft, Stroke: Leaf, WidthPx: 0.8, Dash: Dotted}})
}

// dots draws the single values.
func (c BandChart) dots(s *Scene, p plot) {
	for _, d := range c.Dots {
		if d.Series < 0 || d.Series >= len(lineStyles) || !finite(d.X, d.Y) || d.X < p.x.lo || d.X > p.x.hi || c.LogY && d.Y <= 0 {
			continue
		}
		st := Style{Fill: lineStyles[d.Series].Stroke, Stroke: Paper, WidthPx: 1}
		if d.Open {
			st = Style{Fill: Paper, Stroke: lineStyles[d.Series].Stroke, WidthPx: 1.4}
		}
		s.add(Circle{Point{p.x.at(d.X), p.y.inside(d.Y)}, 3.4, st})
	}
}

// under writes the rows of figures below the axis and returns where they end.
func (c BandChart) under(s *Scene, x axis, top float64) float64 {
	if len(c.Under) == 0 {
		return top
	}
	y := top + 6
	s.add(Text{At: Point{margin, y}, S: c.UnderHead, Size: Small, Bold: true, Role: Muted})
	for i, r := range c.Under {
		y += 15
		s.add(Text{At: Point{margin, y}, S: shorten(r.Name, Small, true, c.WidthPx*0.3), Size: Small, Bold: true, Role: lineStyles[i%len(lineStyles)].Stroke})
		y += 14
		for k, v := range r.Values {
			if k < len(c.UnderX) && c.UnderX[k] >= x.lo && c.UnderX[k] <= x.hi {
				s.add(Text{At: Point{x.at(c.UnderX[k]), y}, S: v, Size: Small, Role: Ink, Anchor: Middle})
			}
		}
	}
	return y + 8
}

// extraItems are the legend of the shade and the dots.
func (c BandChart) extraItems() (items []legendItem) {
	if c.Shade != nil {
		items = append(items, legendItem{func(m Point) []Element {
			return []Element{Rect{m.X - 9, m.Y - 6, 18, 12, Style{Fill: LeafSoft, Stroke: Leaf, WidthPx: 0.8, Dash: Dotted}}}
		}, c.Shade.Label})
	}
	if len(c.Dots) > 0 {
		items = append(items, legendItem{func(m Point) []Element {
			return []Element{Circle{m, 3.4, Style{Fill: lineStyles[0].Stroke, Stroke: Paper, WidthPx: 1}}}
		}, c.DotsLabel})
	}
	for _, d := range c.Dots {
		if d.Open {
			items = append(items, legendItem{func(m Point) []Element {
				return []Element{Circle{m, 3.4, Style{Fill: Paper, Stroke: lineStyles[0].Stroke, WidthPx: 1.4}}}
			}, c.OpenLabel})
			break
		}
	}
	return items
}
