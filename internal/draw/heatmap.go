package draw

import (
	"fmt"
	"math"
)

// HeatMap is the unrolled sapwood with a value at every azimuth and height,
// seen from outside: azimuth falls from left to right.
type HeatMap struct {
	Frame
	Values    [][]float64 // rows upward, columns of equal azimuth steps from 0 clockwise
	TopM      float64     // height of the upper edge of the last row; the first starts at the ground
	LeftDeg   float64     // azimuth of the left edge
	Low, High float64     // ends of the logarithmic colour scale, above 0
	Effective float64     // level of the contour; 0 draws none
	Unit      string      // of the values
	ValueName string      // printed above the colour key
}

// DrawHeatMap returns the map in nine steps of colour with the line where the
// value equals the effective level. Values at or below Low, and missing ones
// (NaN), take the palest step.
func DrawHeatMap(h HeatMap) (Scene, error) {
	s, top, err := h.begin(KindHeatMap)
	if err != nil {
		return Scene{}, err
	}
	rows := len(h.Values)
	if rows < 2 || len(h.Values[0]) < 3 {
		return Scene{}, fmt.Errorf("draw: heat map: needs at least 2 rows of 3 values")
	}
	cols := len(h.Values[0])
	for i, r := range h.Values {
		if len(r) != cols {
			return Scene{}, fmt.Errorf("draw: heat map: row %d has %d values, the first %d", i, len(r), cols)
		}
	}
	if !finite(h.TopM, h.LeftDeg, h.Low, h.High, h.Effective) || h.TopM <= 0 || h.Low <= 0 || h.High <= h.Low || h.Effective < 0 {
		return Scene{}, fmt.Errorf("draw: heat map: needs a height above 0 and 0 < low < high")
	}
	v := heatView{HeatMap: h, s: s, w: h.Words, rows: rows, cols: cols}
	y := axis{lo: 0, hi: h.TopM}
	y.p1 = top + 40
	y.p0 = y.p1 + max(180, min(0.5*h.WidthPx, 320))
	yt := y.ticks(h.Words, 36)
	v.x0, v.x1 = margin+widest(yt)+8, h.WidthPx-margin-8
	v.y = y
	v.cells()
	for i, key := range []string{"north", "east", "south", "west"} {
		x := v.x0 + wrapDeg(h.LeftDeg-float64(i)*90)/360*(v.x1-v.x0)
		s.add(Line(Point{x, y.p1 - 5}, Point{x, y.p1}, Style{Stroke: Ink, WidthPx: 1}))
		s.add(Text{At: Point{x, y.p1 - 9}, S: h.Words.say(key), Size: Large, Bold: true, Anchor: Middle, Role: Ink})
	}
	for _, t := range yt {
		s.add(Line(Point{v.x0 - 4, y.at(t.v)}, Point{v.x0, y.at(t.v)}, Style{Stroke: Ink, WidthPx: 0.8}))
		s.add(Text{At: Point{v.x0 - 6, y.at(t.v) + 4}, S: t.label, Size: Small, Anchor: End, Role: Muted})
	}
	s.add(Text{At: Point{margin, top + 11}, S: fmt.Sprintf("%s (%s)", h.Words.say("height"), h.Words.say("height_unit")), Size: Small, Role: Ink})
	v.contour()
	s.add(Rect{v.x0, y.p1, v.x1 - v.x0, y.p0 - y.p1, Style{Stroke: Ink, WidthPx: 0.8}})
	below := v.colourKey(y.p0 + 14)
	s.Height = below + margin
	return *s, nil
}

type heatView struct {
	HeatMap
	s          *Scene
	w          Words
	rows, cols int
	x0, x1     float64
	y          axis
}

// step is the ramp step of a value.
func (v *heatView) step(x float64) int {
	if !(x > v.Low) {
		return 0
	}
	f := math.Log(x/v.Low) / math.Log(v.High/v.Low)
	return min(max(int(f*RampSteps), 0), RampSteps-1)
}

// column i from the left shows the azimuth whose cell centre is LeftDeg less
// half a cell, and so on to the right.
func (v *heatView) value(row, i int) float64 {
	az := wrapDeg(v.LeftDeg - (float64(i)+0.5)*360/float64(v.cols))
	j := int(math.Floor(az/360*float64(v.cols)+0.5)) % v.cols
	return v.Values[row][j]
}

func (v *heatView) cells() {
	cw, ch := (v.x1-v.x0)/float64(v.cols), (v.y.p0-v.y.p1)/float64(v.rows)
	v.s.add(Rect{v.x0, v.y.p1, v.x1 - v.x0, v.y.p0 - v.y.p1, Style{Fill: RampRole(0)}})
	for r := range v.rows {
		for i := 0; i < v.cols; {
			st := v.step(v.value(r, i))
			j := i + 1
			for j < v.cols && v.step(v.value(r, j)) == st {
				j++
			}
			if st > 0 {
				// a hair of overlap hides seams between neighbours
				x, y := v.x0+float64(i)*cw, v.y.p0-float64(r+1)*ch
				w, h := float64(j-i)*cw, ch
				if j < v.cols {
					w += 0.4
				}
				if r > 0 {
					h += 0.4
				}
				v.s.add(Rect{x, y, w, h, Style{Fill: RampRole(st)}})
			}
			i = j
		}
	}
}

// contour draws the line where the logarithm of the values crosses the
// effective level: marching squares between cell centres (Lorensen and Cline
// 1987 in two dimensions, from memory); a saddle is joined by its mean.
func (v *heatView) contour() {
	if v.Effective <= 0 {
		return
	}
	cw, ch := (v.x1-v.x0)/float64(v.cols), (v.y.p0-v.y.p1)/float64(v.rows)
	level := math.Log(v.Effective)
	g := func(r, i int) float64 {
		x := v.value(r, i)
		if !(x > v.Low*1e-6) {
			x = v.Low * 1e-6
		}
		return math.Log(x) - level
	}
	var d []Segment
	for r := 0; r+1 < v.rows; r++ {
		for i := 0; i+1 < v.cols; i++ {
			val := [4]float64{g(r, i), g(r, i+1), g(r+1, i+1), g(r+1, i)} // from lower left, anticlockwise
			pos := [4]Point{v.centre(r, i, cw, ch), v.centre(r, i+1, cw, ch), v.centre(r+1, i+1, cw, ch), v.centre(r+1, i, cw, ch)}
			var cross []Point
			for e := range 4 {
				a, b := val[e], val[(e+1)%4]
				if (a > 0) != (b > 0) {
					t := a / (a - b)
					p, q := pos[e], pos[(e+1)%4]
					cross = append(cross, Point{p.X + t*(q.X-p.X), p.Y + t*(q.Y-p.Y)})
				}
			}
			pair := [][2]int{{0, 1}}
			if len(cross) == 4 {
				pair = [][2]int{{0, 1}, {2, 3}}
				if (val[0]+val[1]+val[2]+val[3] > 0) != (val[0] > 0) {
					pair = [][2]int{{0, 3}, {1, 2}}
				}
			}
			if len(cross) < 2 {
				continue
			}
			for _, k := range pair {
				d = append(d, Segment{Op: 'M', P: [3]Point{cross[k[0]]}}, Segment{Op: 'L', P: [3]Point{cross[k[1]]}})
			}
		}
	}
	if len(d) > 0 {
		d = joined(d)
		v.s.add(Path{d, Style{Stroke: Paper, WidthPx: 3.4}}, Path{d, Style{Stroke: Warn, WidthPx: 1.8}})
	}
}

func (v *heatView) centre(r, i int, cw, ch float64) Point {
	return Point{v.x0 + (float64(i)+0.5)*cw, v.y.p0 - (float64(r)+0.5)*ch}
}

// joined chains loose pieces (pairs of M and L) into long lines.
func joined(d []Segment) []Segment {
	type key struct{ x, y int64 }
	k := func(p Point) key { return key{int64(math.Round(p.X * 1e4)), int64(math.Round(p.Y * 1e4))} }
	n := len(d) / 2
	ends := map[key][]int{}
	for i := range n {
		ends[k(d[2*i].P[0])] = append(ends[k(d[2*i].P[0])], i)
		ends[k(d[2*i+1].P[0])] = append(ends[k(d[2*i+1].P[0])], i)
	}
	used := make([]bool, n)
	next := func(p Point) (Point, bool) {
		for _, i := range ends[k(p)] {
			if used[i] {
				continue
			}
			used[i] = true
			if a, b := d[2*i].P[0], d[2*i+1].P[0]; k(a) == k(p) {
				return b, true
			} else {
				return a, true
			}
		}
		return Point{}, false
	}
	var out []Segment
	for i := range n {
		if used[i] {
			continue
		}
		used[i] = true
		line := []Point{d[2*i].P[0], d[2*i+1].P[0]}
		for p, ok := next(line[len(line)-1]); ok; p, ok = next(p) {
			line = append(line, p)
		}
		var back []Point
		for p, ok := next(line[0]); ok; p, ok = next(p) {
			back = append(back, p)
		}
		all := make([]Point, 0, len(line)+len(back))
		for j := len(back) - 1; j >= 0; j-- {
			all = append(all, back[j])
		}
		out = append(out, Polyline(append(all, line...), Style{}).D...)
	}
	return out
}

func (v *heatView) colourKey(y float64) float64 {
	s, w := v.s, v.w
	y += 12
	s.add(Text{At: Point{v.x0, y}, S: fmt.Sprintf("%s (%s)", v.ValueName, v.Unit), Size: Small, Role: Ink})
	y += 7
	wide := min(v.x1-v.x0, 320)
	for i := range RampSteps {
		s.add(Rect{v.x0 + float64(i)*wide/RampSteps, y, wide / RampSteps, 12, Style{Fill: RampRole(i)}})
	}
	s.add(Rect{v.x0, y, wide, 12, Style{Stroke: Ink, WidthPx: 0.8}})
	a := axis{v.Low, v.High, v.x0, v.x0 + wide, true}
	last := -1e9
	for _, t := range a.ticks(w, 34) {
		x := a.at(t.v)
		s.add(Line(Point{x, y + 12}, Point{x, y + 16}, Style{Stroke: Ink, WidthPx: 0.8}))
		half := TextWidth(t.label, Small, false) / 2
		if x = min(x, v.WidthPx-half-2); x-half > last+4 {
			s.add(Text{At: Point{x, y + 28}, S: t.label, Size: Small, Anchor: Middle, Role: Muted})
			last = x + half
		}
	}
	if v.Effective > v.Low && v.Effective < v.High {
		x := a.at(v.Effective)
		s.add(Line(Point{x, y - 3}, Point{x, y + 15}, Style{Stroke: Paper, WidthPx: 4}), Line(Point{x, y - 3}, Point{x, y + 15}, Style{Stroke: Warn, WidthPx: 2}))
	}
	y += 32
	if v.Effective > 0 {
		y = s.legend([]legendItem{{stroke(Style{Stroke: Warn, WidthPx: 2}), w.say("effective") + ": " + with(w.short(v.Effective), v.Unit)}}, y)
	}
	return y
}
