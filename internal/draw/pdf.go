package draw

import (
	"bytes"
	"fmt"
	"math"
	"time"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"codeberg.org/go-pdf/fpdf"
)

// FontFamily is the name under which AddFonts registers its fonts.
const FontFamily = "LiberationSans"

// AddFonts embeds Liberation Sans, regular and bold, in a document. Call it
// once before PlacePDF.
func AddFonts(pdf *fpdf.Fpdf) {
	pdf.AddUTF8FontFromBytes(FontFamily, "", liberationsansregular.TTF)
	pdf.AddUTF8FontFromBytes(FontFamily, "B", liberationsansbold.TTF)
}

// PDF writes the scene alone on a page of its own size (1 px = 0.75 pt). The
// same scene and date give the same bytes.
func (s Scene) PDF(created time.Time) ([]byte, error) {
	const k = 0.75
	pdf := fpdf.NewCustom(&fpdf.InitType{UnitStr: "pt", Size: fpdf.SizeType{Wd: s.Width * k, Ht: s.Height * k}})
	pdf.SetMargins(0, 0, 0)
	pdf.SetAutoPageBreak(false, 0)
	pdf.SetCatalogSort(true)
	pdf.SetCreationDate(created.UTC())
	pdf.SetModificationDate(created.UTC())
	pdf.SetTitle(s.Title, true)
	pdf.SetSubject(s.Desc, true)
	if s.Lang != "" {
		pdf.SetLang(s.Lang)
	}
	AddFonts(pdf)
	pdf.AddPage()
	s.PlacePDF(pdf, 0, 0, s.Width*k)
	var b bytes.Buffer
	if err := pdf.Output(&b); err != nil {
		return nil, fmt.Errorf("draw: pdf: %w", err)
	}
	return b.Bytes(), nil
}

// PlacePDF draws the scene on the current page with its upper left corner at
// (x, y), width wide, in the document's unit, and returns the height it took.
// It leaves the font, colours and line style of the page changed.
func (s Scene) PlacePDF(pdf *fpdf.Fpdf, x, y, width float64) (height float64) {
	if s.Width <= 0 {
		return 0
	}
	k := width / s.Width
	w := pdfWriter{pdf, LightTheme()}
	pdf.SetLineCapStyle("butt")
	pdf.SetLineJoinStyle("round")
	w.items(s.Items, matrix{a: k, d: k, e: x, f: y})
	pdf.SetDashPattern(nil, 0)
	return s.Height * k
}

type pdfWriter struct {
	*fpdf.Fpdf
	theme Theme
}

func (w pdfWriter) items(items []Element, m matrix) {
	for _, it := range items {
		switch e := it.(type) {
		case Path:
			w.shape(e.D, e.Style, m)
		case Circle:
			w.shape(circlePath(e.C, e.R), e.Style, m)
		case Rect:
			w.shape(rectPath(e.X, e.Y, e.W, e.H), e.Style, m)
		case Text:
			w.text(e, m)
		case Group:
			w.items(e.Items, m.then(e.matrix()))
		}
	}
}

func (w pdfWriter) trace(d []Segment, m matrix) {
	for _, s := range d {
		p := m.apply(s.P[0])
		switch s.Op {
		case 'M':
			w.MoveTo(p.X, p.Y)
		case 'L':
			w.LineTo(p.X, p.Y)
		case 'C':
			q, r := m.apply(s.P[1]), m.apply(s.P[2])
			w.CurveBezierCubicTo(p.X, p.Y, q.X, q.Y, r.X, r.Y)
		case 'Z':
			w.ClosePath()
		}
	}
}

func (w pdfWriter) shape(d []Segment, st Style, m matrix) {
	if len(d) == 0 {
		return
	}
	if st.Fill != "" {
		c := w.theme[st.Fill]
		w.SetFillColor(int(c.R), int(c.G), int(c.B))
		w.trace(d, m)
		w.DrawPath("F")
	}
	if st.Hatch != NoHatch {
		w.hatch(d, st, m)
	}
	if st.Stroke != "" {
		w.pen(st.Stroke, st.width(), st.Dash, m.scale())
		w.trace(d, m)
		w.DrawPath("D")
	}
}

func (w pdfWriter) pen(r Role, width float64, dash Dash, k float64) {
	c := w.theme[r]
	w.SetDrawColor(int(c.R), int(c.G), int(c.B))
	w.SetLineWidth(width * k)
	var lengths []float64
	for _, v := range dash.lengths() {
		lengths = append(lengths, v*k)
	}
	w.SetDashPattern(lengths, 0)
}

// hatch clips to the path and draws the lines of the pattern, whose origin is
// the scene's, so that neighbours agree.
func (w pdfWriter) hatch(d []Segment, st Style, m matrix) {
	b := segmentsBox(d)
	w.pen(st.hatchRole(), hatchWidth, Solid, m.scale())
	w.RawWriteStr("q\n")
	w.trace(d, m)
	w.RawWriteStr("W n\n")
	line := func(p, q Point) {
		p, q = m.apply(p), m.apply(q)
		w.MoveTo(p.X, p.Y)
		w.LineTo(q.X, q.Y)
	}
	t := tile(st.Hatch)
	first := func(v float64) float64 { return math.Floor(v/t) * t }
	switch st.Hatch {
	case Rising, Crossed, Sparse:
		for s := first(b.X0 + b.Y0); s <= b.X1+b.Y1+t; s += t {
			line(Point{s - b.Y0, b.Y0}, Point{s - b.Y1, b.Y1})
		}
	}
	switch st.Hatch {
	case Falling, Crossed:
		for s := first(b.X0 - b.Y1); s <= b.X1-b.Y0+t; s += t {
			line(Point{s + b.Y0, b.Y0}, Point{s + b.Y1, b.Y1})
		}
	case Level:
		for y := first(b.Y0) + t/2; y <= b.Y1; y += t {
			line(Point{b.X0, y}, Point{b.X1, y})
		}
	case Upright:
		for x := first(b.X0) + t/2; x <= b.X1; x += t {
			line(Point{x, b.Y0}, Point{x, b.Y1})
		}
	}
	if st.Hatch == Spots { // short strokes with round ends
		w.RawWriteStr("1 J\n")
		w.SetLineWidth(2 * spotRadius * m.scale())
		for y := first(b.Y0) + t/2; y <= b.Y1+t; y += t {
			for x := first(b.X0) + t/2; x <= b.X1+t; x += t {
				line(Point{x, y}, Point{x + 0.02, y})
			}
		}
	}
	w.DrawPath("D")
	w.RawWriteStr("Q\n")
}

// segmentsBox bounds a path by its points and controls.
func segmentsBox(d []Segment) Box {
	b := Box{math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)}
	for _, s := range d {
		n := map[byte]int{'M': 1, 'L': 1, 'C': 3}[s.Op]
		for _, p := range s.P[:n] {
			b = Box{min(b.X0, p.X), min(b.Y0, p.Y), max(b.X1, p.X), max(b.Y1, p.Y)}
		}
	}
	return b
}

func (w pdfWriter) text(t Text, m matrix) {
	if t.S == "" {
		return
	}
	role := t.Role
	if role == "" {
		role = Ink
	}
	style := ""
	if t.Bold {
		style = "B"
	}
	k := m.scale()
	w.SetFont(FontFamily, style, 0)
	w.SetFontUnitSize(float64(t.Size) * k)
	at := m.apply(t.At)
	switch t.Anchor {
	case Middle:
		at.X -= TextWidth(t.S, t.Size, t.Bold) * k / 2
	case End:
		at.X -= TextWidth(t.S, t.Size, t.Bold) * k
	}
	turn := t.TurnDeg + m.turnDeg()
	turned := math.Abs(turn) > 1e-9
	c := w.theme[role]
	w.SetTextColor(int(c.R), int(c.G), int(c.B))
	if turned {
		about := m.apply(t.At)
		w.TransformBegin()
		w.TransformRotate(-turn, about.X, about.Y)
	}
	if t.Halo {
		w.pen(Paper, 3, Solid, k)
		w.SetTextRenderingMode(1)
		w.Text(at.X, at.Y, t.S)
		w.SetTextRenderingMode(0)
	}
	w.Text(at.X, at.Y, t.S)
	if turned {
		w.TransformEnd()
	}
}
