// Package draw turns plain values into pictures: a trunk's ring of ports, the
// unrolled trunk, limbs, the block map, the day, and charts. Every drawing is a
// function from an input struct to one small Scene; two back ends write the
// Scene as SVG (text stays text, colours by role, light and dark) and as PDF
// (fonts embedded, the same bytes every time). No words live here: the caller
// passes them, and so decides the language and the units.
package draw

import "math"

// Point is a place in the scene: X to the right, Y downwards, in CSS pixels
// (1/96 inch).
type Point struct{ X, Y float64 }

// Size is a type size in CSS pixels. The drawings use two.
type Size float64

// The two type sizes. At 340 px set in an 85 mm column, Small is 7.8 pt.
const (
	Small Size = 11
	Large Size = 14
)

// Anchor says which end of a text stands at its point.
type Anchor int

// Anchors of a text.
const (
	Start Anchor = iota
	Middle
	End
)

// Dash is a line pattern, readable without colour.
type Dash int

// Line patterns.
const (
	Solid Dash = iota
	Dashed
	Dotted
	DashDot
	LongDash
)

// lengths of the dash and gap strokes in px, nil for a solid line.
func (d Dash) lengths() []float64 {
	switch d {
	case Dashed:
		return []float64{5, 3}
	case Dotted:
		return []float64{1.5, 2.5}
	case DashDot:
		return []float64{7, 2.5, 1.5, 2.5}
	case LongDash:
		return []float64{10, 4}
	}
	return nil
}

// Hatch is a fill pattern for black-and-white printing.
type Hatch int

// Fill patterns.
const (
	NoHatch Hatch = iota
	Rising        // lines rising to the right
	Falling       // lines falling to the right
	Crossed       // both
	Level         // horizontal lines
	Upright       // vertical lines
	Spots         // dots
	Sparse        // rising lines, twice as far apart
)

var hatchNames = [...]string{"none", "rising", "falling", "crossed", "level", "upright", "spots", "sparse"}

// Style is how a shape is painted. An empty role paints nothing.
type Style struct {
	Fill      Role
	Stroke    Role
	WidthPx   float64 // of the stroke; 0 means 1
	Dash      Dash
	Hatch     Hatch
	HatchRole Role // empty means Ink
}

func (s Style) width() float64 {
	if s.WidthPx <= 0 {
		return 1
	}
	return s.WidthPx
}

func (s Style) hatchRole() Role {
	if s.HatchRole == "" {
		return Ink
	}
	return s.HatchRole
}

// Element is anything a Scene can hold: Path, Circle, Rect, Text or Group.
type Element interface{ element() }

// Segment is one step of a Path. Op is 'M' (move), 'L' (line), 'C' (cubic
// Bezier, P holds two controls and the end) or 'Z' (close).
type Segment struct {
	Op byte
	P  [3]Point
}

// Path is an open or closed line of straight and curved segments.
type Path struct {
	D []Segment
	Style
}

// Circle is a full circle.
type Circle struct {
	C Point
	R float64
	Style
}

// Rect is an upright rectangle; X, Y is its upper left corner.
type Rect struct {
	X, Y, W, H float64
	Style
}

// Text is one line of text; At is on its base line.
type Text struct {
	At      Point
	S       string
	Size    Size
	Bold    bool
	Anchor  Anchor
	Role    Role
	TurnDeg float64 // clockwise about At
	Halo    bool    // a rim of paper keeps it readable on lines
}

// Group moves, turns and scales its items together: first Scale (0 means 1),
// then TurnDeg clockwise about the origin, then Move. Label becomes the
// group's title in SVG, which browsers show as a hint and screen readers read.
// Href, where not empty, makes it a link in SVG; a drawing with links has one
// stop for the Tab key among them, the first.
type Group struct {
	Label   string
	Href    string
	Move    Point
	TurnDeg float64
	Scale   float64
	Items   []Element
}

func (Path) element()   {}
func (Circle) element() {}
func (Rect) element()   {}
func (Text) element()   {}
func (Group) element()  {}

// Scene is one finished picture.
type Scene struct {
	ID            string // prefix of identifiers, unique in a page; empty means "sw"
	Lang          string // BCP 47
	Title, Desc   string // read by screen readers
	Width, Height float64
	Items         []Element
}

func (s *Scene) add(e ...Element) { s.Items = append(s.Items, e...) }

// Box is an upright rectangle from (X0, Y0) to (X1, Y1).
type Box struct{ X0, Y0, X1, Y1 float64 }

// Overlaps reports whether two boxes share more than a border of eps px.
func (b Box) Overlaps(c Box, eps float64) bool {
	return b.X0+eps < c.X1 && c.X0+eps < b.X1 && b.Y0+eps < c.Y1 && c.Y0+eps < b.Y1
}

func (b Box) grow(d float64) Box { return Box{b.X0 - d, b.Y0 - d, b.X1 + d, b.Y1 + d} }

// matrix is x' = a x + c y + e, y' = b x + d y + f.
type matrix struct{ a, b, c, d, e, f float64 }

var unit = matrix{a: 1, d: 1}

func (m matrix) apply(p Point) Point {
	return Point{m.a*p.X + m.c*p.Y + m.e, m.b*p.X + m.d*p.Y + m.f}
}

// then is the matrix that first applies n and then m.
func (m matrix) then(n matrix) matrix {
	return matrix{
		m.a*n.a + m.c*n.b, m.b*n.a + m.d*n.b,
		m.a*n.c + m.c*n.d, m.b*n.c + m.d*n.d,
		m.a*n.e + m.c*n.f + m.e, m.b*n.e + m.d*n.f + m.f,
	}
}

func (m matrix) scale() float64 { return math.Hypot(m.a, m.b) }

func (m matrix) turnDeg() float64 { return math.Atan2(m.b, m.a) * 180 / math.Pi }

func (g Group) matrix() matrix {
	k := g.Scale
	if k == 0 {
		k = 1
	}
	s, c := math.Sincos(g.TurnDeg * math.Pi / 180)
	return matrix{k * c, k * s, -k * s, k * c, g.Move.X, g.Move.Y}
}

// Placed is a text with the upright box it covers in the scene.
type Placed struct {
	Text
	Box Box
}

// Texts returns every text of the scene with its box by font metrics, groups
// resolved, in drawing order.
func (s Scene) Texts() []Placed {
	var out []Placed
	var walk func(items []Element, m matrix)
	walk = func(items []Element, m matrix) {
		for _, it := range items {
			switch e := it.(type) {
			case Text:
				out = append(out, Placed{e, textBox(e, m)})
			case Group:
				walk(e.Items, m.then(e.matrix()))
			}
		}
	}
	walk(s.Items, unit)
	return out
}
