package draw

import (
	"math"
	"strings"
)

// lineHeight of Small text in px.
const lineHeight = 14.0

// spread moves centres apart until neighbours stand at least half the sum of
// their heights apart, within [lo, hi], with the least sum of squared moves.
// want must be ascending. It is isotonic regression (pool adjacent violators)
// of the centres less their stacked offsets; bounding an isotonic solution by
// clamping stays optimal. If the heights do not fit, they start at lo and run
// past hi.
func spread(want, heights []float64, lo, hi float64) []float64 {
	n := len(want)
	if n == 0 {
		return nil
	}
	offset := make([]float64, n)
	for i := 1; i < n; i++ {
		offset[i] = offset[i-1] + (heights[i-1]+heights[i])/2
	}
	type pool struct {
		sum float64
		n   int
	}
	var pools []pool
	for i := range n {
		p := pool{want[i] - offset[i], 1}
		for len(pools) > 0 && pools[len(pools)-1].sum*float64(p.n) > p.sum*float64(pools[len(pools)-1].n) {
			last := pools[len(pools)-1]
			p = pool{p.sum + last.sum, p.n + last.n}
			pools = pools[:len(pools)-1]
		}
		pools = append(pools, p)
	}
	least := lo + heights[0]/2
	most := max(least, hi-heights[n-1]/2-offset[n-1])
	out := make([]float64, 0, n)
	for _, p := range pools {
		z := min(max(p.sum/float64(p.n), least), most)
		for range p.n {
			out = append(out, z+offset[len(out)])
		}
	}
	return out
}

// wrapText breaks a text at spaces into lines no wider than width. A longer
// word stands alone.
func wrapText(s string, size Size, bold bool, width float64) []string {
	var lines []string
	line := ""
	for _, word := range strings.Split(s, " ") {
		if word == "" {
			continue
		}
		next := word
		if line != "" {
			next = line + " " + word
		}
		if line != "" && TextWidth(next, size, bold) > width {
			lines = append(lines, line)
			next = word
		}
		line = next
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}

// paragraph sets Small text from y down and returns the y below it.
func (s *Scene) paragraph(text string, y float64, role Role) float64 {
	for _, line := range wrapText(text, Small, false, s.Width-2*margin) {
		y += lineHeight
		s.add(Text{At: Point{margin, y - 3}, S: line, Size: Small, Role: role})
	}
	return y
}

// shorten cuts a text to a width, with an ellipsis.
func shorten(s string, size Size, bold bool, width float64) string {
	if TextWidth(s, size, bold) <= width {
		return s
	}
	r := []rune(s)
	for len(r) > 1 {
		r = r[:len(r)-1]
		if t := strings.TrimRight(string(r), " ") + "\u2026"; TextWidth(t, size, bold) <= width {
			return t
		}
	}
	return "\u2026"
}

// legendItem is one entry: a swatch drawn about the centre of an 18 by 10 px
// field, and its text.
type legendItem struct {
	swatch func(c Point) []Element
	text   string
}

// legend flows the entries in columns of equal rows from y down and returns
// the y below.
func (s *Scene) legend(items []legendItem, y float64) float64 {
	const field, gap, row = 24.0, 16.0, 18.0
	x := margin
	any := false
	for _, it := range items {
		if it.text == "" {
			continue
		}
		if !any {
			y += row
			any = true
		}
		text := shorten(it.text, Small, false, s.Width-2*margin-field)
		w := field + TextWidth(text, Small, false)
		if x > margin && x+w > s.Width-margin {
			x, y = margin, y+row
		}
		s.add(it.swatch(Point{x + 9, y - 7})...)
		s.add(Text{At: Point{x + field, y - 3}, S: text, Size: Small, Role: Ink})
		x += w + gap
	}
	return y
}

// swatch is a legend field filled with a style.
func swatch(st Style) func(Point) []Element {
	return func(c Point) []Element { return []Element{Rect{c.X - 9, c.Y - 5, 18, 10, st}} }
}

// stroke is a legend line.
func stroke(st Style) func(Point) []Element {
	return func(c Point) []Element {
		return []Element{Line(Point{c.X - 9, c.Y}, Point{c.X + 9, c.Y}, st)}
	}
}

// shelf keeps the boxes already taken on a picture and answers quickly
// whether a new one is free (cells of 32 px).
type shelf struct {
	cells map[[2]int][]Box
	all   Box
}

func newShelf(all Box) *shelf { return &shelf{map[[2]int][]Box{}, all} }

func (k *shelf) each(b Box, f func([2]int) bool) bool {
	for i := int(math.Floor(b.X0 / 32)); i <= int(math.Floor(b.X1/32)); i++ {
		for j := int(math.Floor(b.Y0 / 32)); j <= int(math.Floor(b.Y1/32)); j++ {
			if !f([2]int{i, j}) {
				return false
			}
		}
	}
	return true
}

func (k *shelf) take(b Box) {
	k.each(b, func(c [2]int) bool { k.cells[c] = append(k.cells[c], b); return true })
}

// free reports whether the box lies inside the picture and touches no other.
func (k *shelf) free(b Box) bool {
	if b.X0 < k.all.X0 || b.Y0 < k.all.Y0 || b.X1 > k.all.X1 || b.Y1 > k.all.Y1 {
		return false
	}
	return k.each(b, func(c [2]int) bool {
		for _, o := range k.cells[c] {
			if b.Overlaps(o, 0) {
				return false
			}
		}
		return true
	})
}

// place puts the text at the first candidate that is free, marks it taken and
// reports whether there was one.
func (k *shelf) place(s *Scene, candidates ...Text) bool {
	for _, t := range candidates {
		if b := boxOf(t).grow(1); k.free(b) {
			k.take(b)
			s.add(t)
			return true
		}
	}
	return false
}

// around lists the eight places of a label round a dot of radius r.
func around(t Text, c Point, r float64) []Text {
	h := float64(t.Size)
	var out []Text
	for _, p := range []struct {
		dx, dy float64
		a      Anchor
	}{{r + 3, h * 0.35, Start}, {-r - 3, h * 0.35, End}, {0, -r - 4, Middle}, {0, r + h*0.85, Middle},
		{r + 1, -r - 1, Start}, {-r - 1, -r - 1, End}, {r + 1, r + h*0.7, Start}, {-r - 1, r + h*0.7, End}} {
		t.At, t.Anchor = Point{c.X + p.dx, c.Y + p.dy}, p.a
		out = append(out, t)
	}
	return out
}

// niceStep is 1, 2 or 5 times a power of ten, the least that divides span in
// at most n parts.
func niceStep(span float64, n int) float64 {
	if !(span > 0) || n < 1 {
		return 1
	}
	raw := span / float64(n)
	p := math.Pow(10, math.Floor(math.Log10(raw)))
	for _, m := range []float64{1, 2, 5, 10} {
		if m*p >= raw*(1-1e-9) {
			return m * p
		}
	}
	return 10 * p
}

// decimalsOf is how many decimals a step needs.
func decimalsOf(step float64) int {
	return max(0, int(-math.Floor(math.Log10(step)+1e-9)))
}

// northArrow is a slim arrow with its letter, its foot at c, turned clockwise.
func northArrow(c Point, height, turnDeg float64, letter string) []Element {
	tip := polar(c, height, turnDeg)
	left, right := polar(c, height*0.28, turnDeg-90), polar(c, height*0.28, turnDeg+90)
	waist := polar(c, height*0.22, turnDeg)
	at := polar(c, height+8, turnDeg)
	return []Element{
		Polygon([]Point{tip, left, waist}, Style{Fill: Ink}),
		Polygon([]Point{tip, right, waist}, Style{Stroke: Ink, WidthPx: 0.9}),
		Text{At: Point{at.X, at.Y + 4}, S: letter, Size: Small, Bold: true, Anchor: Middle, Role: Ink},
	}
}

// scaleBar is a bar of the given length with its label to the right of it.
func scaleBar(at Point, px float64, label string) []Element {
	st := Style{Stroke: Ink, WidthPx: 1.2}
	return []Element{
		Line(at, Point{at.X + px, at.Y}, st),
		Line(Point{at.X, at.Y - 3}, Point{at.X, at.Y + 3}, st),
		Line(Point{at.X + px, at.Y - 3}, Point{at.X + px, at.Y + 3}, st),
		Text{At: Point{at.X + px + 6, at.Y + 4}, S: label, Size: Small, Role: Ink},
	}
}
