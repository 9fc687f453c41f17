package draw

import (
	"fmt"
	"math"
	"slices"
)

// Status is how far a tree has come.
type Status int

// Statuses of a tree on the map.
const (
	Planned Status = iota
	Done
	Return
	Refused
	Suspect
)

// MapTree is one tree of the block: X east and Y north, in metres.
type MapTree struct {
	Tag    string
	XM, YM float64
	Class  int // index of BlockMap.Classes
	Status Status
	Href   string // where the dot leads, in SVG
	Marked bool   // a star beside it: the tree to begin with
}

// Walk is the order in which one person goes from tree to tree.
type Walk struct {
	Person string
	Trees  []int // indices of BlockMap.Trees
}

// BlockMap is the block from above.
type BlockMap struct {
	Frame
	Trees              []MapTree
	Classes            []string // names of the classes, at most 6
	Walks              []Walk
	HasParking         bool
	ParkXM, ParkYM     float64
	MetresPerUnit      float64 // of the scale bar: 1 for metres, 0.3048 for feet; 0 means 1
	HideTags, HideWalk bool
	Outline            []Point // corners of the block, X east and Y north in metres
}

// DrawBlockMap returns the map. A block more than four times as long as wide is
// turned along the page and, where trees would touch, cut into strips one
// below the other. Tags that find no room are left out, every tenth tree last.
func DrawBlockMap(b BlockMap) (Scene, error) {
	s, top, err := b.begin(KindBlockMap)
	if err != nil {
		return Scene{}, err
	}
	if len(b.Trees) == 0 {
		return Scene{}, fmt.Errorf("draw: block map: no trees")
	}
	for _, t := range b.Trees {
		if !finite(t.XM, t.YM) {
			return Scene{}, fmt.Errorf("draw: block map: tree %q has no position", t.Tag)
		}
		if t.Class < 0 || t.Class >= max(1, min(len(b.Classes), 6)) {
			return Scene{}, fmt.Errorf("draw: block map: tree %q has class %d of %d (at most 6)", t.Tag, t.Class, len(b.Classes))
		}
	}
	for _, w := range b.Walks {
		for _, i := range w.Trees {
			if i < 0 || i >= len(b.Trees) {
				return Scene{}, fmt.Errorf("draw: block map: the walk of %q names tree %d of %d", w.Person, i, len(b.Trees))
			}
		}
	}
	for _, p := range b.Outline {
		if !finite(p.X, p.Y) {
			return Scene{}, fmt.Errorf("draw: block map: a corner of the block has no position")
		}
	}
	if b.HasParking && !finite(b.ParkXM, b.ParkYM) {
		return Scene{}, fmt.Errorf("draw: block map: the parking point has no position")
	}
	v := newMapView(b, s, top)
	for k := range v.strips {
		v.strip(k)
	}
	y := v.foot()
	s.Height = v.key(y) + margin
	return *s, nil
}

type mapView struct {
	BlockMap
	s          *Scene
	at         []Point // trees, metres along and across, across growing downwards
	park       Point
	outline    []Point
	turn       float64 // degrees clockwise that north is turned
	u0, v0     float64
	strips     int
	length     float64 // of a strip, m
	k          float64 // px per m
	x0, top    float64
	tall, gap  float64 // px
	radius, nn float64 // px
}

func newMapView(b BlockMap, s *Scene, top float64) *mapView {
	v := &mapView{BlockMap: b, s: s, top: top, strips: 1, x0: margin + 8}
	pts := make([]Point, 0, len(b.Trees)+1)
	for _, t := range b.Trees {
		pts = append(pts, Point{t.XM, t.YM})
	}
	if b.HasParking {
		pts = append(pts, Point{b.ParkXM, b.ParkYM})
	}
	pts = append(pts, b.Outline...)
	angle := longAxis(pts[:len(b.Trees)])
	sin, cos := math.Sincos(angle)
	rotate := func() Box {
		box := Box{math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)}
		v.at = v.at[:0]
		for _, p := range pts {
			q := Point{p.X*cos + p.Y*sin, p.X*sin - p.Y*cos}
			v.at = append(v.at, q)
			box = Box{min(box.X0, q.X), min(box.Y0, q.Y), max(box.X1, q.X), max(box.Y1, q.Y)}
		}
		return box
	}
	box := rotate()
	long := box.X1-box.X0 > 4*(box.Y1-box.Y0)
	if !long {
		sin, cos, angle = 0, 1, 0
		box = rotate()
	}
	v.turn = angle * 180 / math.Pi
	v.outline = v.at[len(v.at)-len(b.Outline):]
	v.at = v.at[:len(v.at)-len(b.Outline)]
	if b.HasParking {
		v.park = v.at[len(b.Trees)]
		v.at = v.at[:len(b.Trees)]
	}
	nn := typicalGap(v.at)
	wide, deep := max(box.X1-box.X0, 1), max(box.Y1-box.Y0, 1)
	room := b.WidthPx - 2*margin - 16
	v.k = room / wide
	if long && nn > 0 {
		v.strips = min(max(int(math.Ceil(13/(nn*v.k))), 1), 8)
		v.k *= float64(v.strips)
	}
	v.k = min(v.k, max(420, 0.75*b.WidthPx)/deep, 40)
	v.length = wide / float64(v.strips)
	v.u0, v.v0 = box.X0, box.Y0
	v.tall, v.gap = deep*v.k, 46
	v.nn = nn * v.k
	v.radius = min(max(v.nn*0.3, 1.7), 6.5)
	if v.strips == 1 {
		v.x0 += (room - wide*v.k) / 2
	}
	return v
}

// longAxis is the direction of greatest spread, radians anticlockwise from
// east, in (-pi/2, pi/2].
func longAxis(p []Point) float64 {
	var mx, my, xx, yy, xy float64
	for _, q := range p {
		mx, my = mx+q.X, my+q.Y
	}
	mx, my = mx/float64(len(p)), my/float64(len(p))
	for _, q := range p {
		dx, dy := q.X-mx, q.Y-my
		xx, yy, xy = xx+dx*dx, yy+dy*dy, xy+dx*dy
	}
	return 0.5 * math.Atan2(2*xy, xx-yy)
}

// typicalGap is the lower quartile of the distance to the nearest other point
// over at most 200 of them.
func typicalGap(p []Point) float64 {
	var d []float64
	step := max(1, len(p)/200)
	for i := 0; i < len(p); i += step {
		best := math.Inf(1)
		for j, q := range p {
			if r := math.Hypot(q.X-p[i].X, q.Y-p[i].Y); j != i && r > 0 {
				best = min(best, r)
			}
		}
		if !math.IsInf(best, 0) {
			d = append(d, best)
		}
	}
	if len(d) == 0 {
		return 0
	}
	slices.Sort(d)
	return d[len(d)/4]
}

// stripBox is the frame of a strip.
func (v *mapView) stripBox(k int) Box {
	y := v.top + v.gap/2 + float64(k)*(v.tall+v.gap)
	return Box{v.x0, y, v.x0 + v.length*v.k, y + v.tall}
}

// place maps a point into a strip's frame; it may fall outside.
func (v *mapView) place(p Point, k int) Point {
	b := v.stripBox(k)
	return Point{b.X0 + (p.X-v.u0-float64(k)*v.length)*v.k, b.Y0 + (p.Y-v.v0)*v.k}
}

func (v *mapView) stripOf(p Point) int {
	return min(max(int((p.X-v.u0)/v.length), 0), v.strips-1)
}

// mapClass paints one class at c: shape and colour both differ.
func mapClass(class int, c Point, r float64) Element {
	poly := func(n int, turn float64, grow float64, st Style) Element {
		var p []Point
		for i := range n {
			p = append(p, polar(c, r*grow, turn+float64(i)*360/float64(n)))
		}
		return Polygon(p, st)
	}
	switch class {
	case 0:
		return Circle{c, r, Style{Fill: Leaf}}
	case 1:
		return poly(4, 45, 1.25, Style{Fill: Bark})
	case 2:
		return poly(3, 0, 1.35, Style{Fill: Ink})
	case 3:
		return poly(4, 0, 1.25, Style{Fill: LeafSoft, Stroke: Leaf, WidthPx: 1.2})
	case 4:
		return poly(3, 180, 1.35, Style{Fill: BarkSoft, Stroke: Bark, WidthPx: 1.2})
	}
	return Circle{c, r * 0.85, Style{Fill: Paper, Stroke: Ink, WidthPx: 1.4}}
}

// statusRing paints a status round a tree; each has its own form, so that it
// is read without colour.
func statusRing(st Status, c Point, r float64) []Element {
	w := min(1.5, max(0.8, r*0.35))
	switch st {
	case Done:
		return []Element{Circle{c, r + 2, Style{Stroke: Leaf, WidthPx: w}}}
	case Return:
		return []Element{Circle{c, r + 2, Style{Stroke: Ink, WidthPx: w, Dash: Dotted}}}
	case Suspect:
		d := r + 2
		return []Element{Rect{c.X - d, c.Y - d, 2 * d, 2 * d, Style{Stroke: Warn, WidthPx: w * 1.4}}}
	case Refused:
		d := r + 1.5
		x := Style{Stroke: Warn, WidthPx: w * 1.2}
		return []Element{Line(Point{c.X - d, c.Y - d}, Point{c.X + d, c.Y + d}, x), Line(Point{c.X - d, c.Y + d}, Point{c.X + d, c.Y - d}, x)}
	}
	return nil
}

var walkStyles = []Style{{Stroke: Ink, WidthPx: 0.9}, {Stroke: Bark, WidthPx: 1.1, Dash: Dashed}, {Stroke: Leaf, WidthPx: 1.1, Dash: LongDash}, {Stroke: Muted, WidthPx: 1.1, Dash: Dotted}, {Stroke: Bark, WidthPx: 1.1, Dash: DashDot}}

func (v *mapView) strip(k int) {
	s, b := v.s, v.stripBox(k)
	v.edge(k, b)
	if !v.HideWalk {
		for i, w := range v.Walks {
			v.walk(w, walkStyles[i%len(walkStyles)], k, b)
		}
	}
	edge := b.grow(v.gap / 2)
	taken := newShelf(Box{margin / 2, edge.Y0, v.WidthPx - margin/2, edge.Y1})
	if v.HasParking && v.stripOf(v.park) == k {
		c := v.place(v.park, k)
		s.add(Rect{c.X - 7, c.Y - 7, 14, 14, Style{Fill: Paper, Stroke: Ink, WidthPx: 1.3}},
			Text{At: Point{c.X, c.Y + 4}, S: "P", Size: Small, Bold: true, Anchor: Middle, Role: Ink})
		taken.take(Box{c.X - 8, c.Y - 8, c.X + 8, c.Y + 8})
	}
	type dot struct {
		tag  string
		c    Point
		rank int
	}
	var dots []dot
	for i, t := range v.Trees {
		if v.stripOf(v.at[i]) != k {
			continue
		}
		c := v.place(v.at[i], k)
		parts := append(statusRing(t.Status, c, v.radius), mapClass(t.Class, c, v.radius))
		if t.Marked {
			parts = append(parts, Circle{c, v.radius + 4, Style{Stroke: Bark, WidthPx: 2}})
		}
		if t.Href != "" {
			s.add(Group{Label: t.Tag, Href: t.Href, Items: parts})
		} else {
			s.add(parts...)
		}
		r := v.radius
		if t.Status != Planned {
			r += 2.5
		}
		taken.take(Box{c.X - r, c.Y - r, c.X + r, c.Y + r})
		rank := 2
		switch {
		case (i+1)%10 == 0 || i == 0:
			rank = 0
		case (i+1)%5 == 0:
			rank = 1
		}
		dots = append(dots, dot{t.Tag, c, rank})
	}
	if v.HideTags || v.nn < 8 {
		return
	}
	slices.SortStableFunc(dots, func(a, b dot) int { return a.rank - b.rank })
	for _, d := range dots {
		if d.tag != "" {
			taken.place(s, around(Text{S: d.tag, Size: Small, Role: Ink, Halo: true}, d.c, v.radius+1.5)...)
		}
	}
}

var outlineStyle = Style{Stroke: Leaf, WidthPx: 1.4, Dash: LongDash}

// edge draws the outline of the block, cut to a strip.
func (v *mapView) edge(k int, b Box) {
	n := len(v.outline)
	if n < 3 {
		return
	}
	lo, hi := b.X0-6, b.X1+6
	if v.strips == 1 {
		lo, hi = math.Inf(-1), math.Inf(1)
	}
	for i, p := range v.outline {
		if a, c, ok := clipX(v.place(p, k), v.place(v.outline[(i+1)%n], k), lo, hi); ok {
			v.s.add(Line(a, c, outlineStyle))
		}
	}
}

func (v *mapView) walk(w Walk, st Style, k int, b Box) {
	var pts []Point
	if v.HasParking {
		pts = append(pts, v.park)
	}
	for _, i := range w.Trees {
		pts = append(pts, v.at[i])
	}
	lo, hi := b.X0-6, b.X1+6
	if v.strips == 1 {
		lo, hi = math.Inf(-1), math.Inf(1)
	}
	var line []Point
	flush := func() {
		if len(line) > 1 {
			v.s.add(Polyline(slices.Clone(line), st))
		}
		line = line[:0]
	}
	for i := 1; i < len(pts); i++ {
		p, q, ok := clipX(v.place(pts[i-1], k), v.place(pts[i], k), lo, hi)
		if !ok {
			flush()
			continue
		}
		if len(line) == 0 || line[len(line)-1] != p {
			flush()
			line = append(line, p)
		}
		line = append(line, q)
		if math.Hypot(q.X-p.X, q.Y-p.Y) > 14 && (i == 1 || i%8 == 0) {
			az := math.Atan2(q.X-p.X, p.Y-q.Y) * 180 / math.Pi
			v.s.add(arrow(Point{(p.X+q.X)/2 + 3*math.Sin(az*math.Pi/180), (p.Y+q.Y)/2 - 3*math.Cos(az*math.Pi/180)}, az, 6, st.Stroke))
		}
	}
	flush()
}

// clipX cuts a line to lo <= x <= hi.
func clipX(p, q Point, lo, hi float64) (Point, Point, bool) {
	if max(p.X, q.X) < lo || min(p.X, q.X) > hi {
		return p, q, false
	}
	cut := func(a, b Point) Point {
		x := min(max(a.X, lo), hi)
		if x == a.X || a.X == b.X {
			return a
		}
		return Point{x, a.Y + (b.Y-a.Y)*(x-a.X)/(b.X-a.X)}
	}
	return cut(p, q), cut(q, p), true
}

func (v *mapView) foot() float64 {
	y := v.top + float64(v.strips)*(v.tall+v.gap) + 4
	for k := 1; k < v.strips; k++ {
		line := v.stripBox(k).Y0 - v.gap/2
		v.s.add(Line(Point{margin, line}, Point{v.WidthPx - margin, line}, Style{Stroke: Hair, WidthPx: 1}))
	}
	unit := v.MetresPerUnit
	if unit <= 0 {
		unit = 1
	}
	length := niceStep(90/(v.k*unit), 1)
	if length*unit*v.k > 180 {
		length /= 2
	}
	// the arrow turns about its middle and needs room all round
	const arrowPx = 24.0
	foot := polar(Point{margin + 26, y + 25}, -arrowPx/2, v.turn)
	v.s.add(northArrow(foot, arrowPx, v.turn, v.Words.say("north"))...)
	v.s.add(scaleBar(Point{margin + 64, y + 28}, length*unit*v.k, with(v.Words.short(length), v.Words.say("map_unit")))...)
	return y + 48
}

func (v *mapView) key(y float64) float64 {
	w := v.Words
	var items []legendItem
	counts := map[int]int{}
	seen := map[Status]bool{}
	for _, t := range v.Trees {
		counts[t.Class]++
		seen[t.Status] = true
	}
	for i, name := range v.Classes {
		if counts[i] > 0 {
			items = append(items, legendItem{func(c Point) []Element { return []Element{mapClass(i, c, 4.5)} },
				fmt.Sprintf("%s: %d %s", name, counts[i], w.say("trees"))})
		}
	}
	for _, st := range []struct {
		s   Status
		key string
	}{{Done, "done"}, {Return, "return"}, {Suspect, "suspect"}, {Refused, "refused"}} {
		if seen[st.s] {
			items = append(items, legendItem{func(c Point) []Element {
				return append(statusRing(st.s, c, 3.5), Circle{c, 3, Style{Stroke: Muted, WidthPx: 0.7}})
			}, w.say(st.key)})
		}
	}
	if !v.HideWalk {
		for i, p := range v.Walks {
			items = append(items, legendItem{stroke(walkStyles[i%len(walkStyles)]), w.say("walk") + ": " + p.Person})
		}
	}
	if len(v.outline) > 2 {
		items = append(items, legendItem{stroke(outlineStyle), w.say("outline")})
	}
	if slices.ContainsFunc(v.Trees, func(t MapTree) bool { return t.Marked }) {
		items = append(items, legendItem{func(c Point) []Element {
			return []Element{Circle{c, 3, Style{Stroke: Muted, WidthPx: 0.7}}, Circle{c, 6, Style{Stroke: Bark, WidthPx: 2}}}
		}, w.say("pilot")})
	}
	if v.HasParking {
		items = append(items, legendItem{func(c Point) []Element {
			return []Element{Rect{c.X - 7, c.Y - 7, 14, 14, Style{Fill: Paper, Stroke: Ink, WidthPx: 1.3}},
				Text{At: Point{c.X, c.Y + 4}, S: "P", Size: Small, Bold: true, Anchor: Middle, Role: Ink}}
		}, w.say("parking")})
	}
	return v.s.legend(items, y)
}
