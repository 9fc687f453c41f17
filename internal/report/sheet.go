package report

import (
	"codeberg.org/go-pdf/fpdf"

	"sapward/finding"
	"sapward/internal/draw"
	"sapward/internal/lang"
)

// papers are the two sizes of paper, in mm: ISO 216 A4, and Letter, 8.5 in by
// 11 in.
var papers = map[string]struct{ w, h float64 }{"a4": {210, 297}, "letter": {215.9, 279.4}}

// The grid in mm.
const (
	side    = 16.0 // margin left and right
	top     = 25.0 // first line of a page's contents
	foot    = 17.0 // kept free at the bottom
	gutter  = 6.0  // between columns
	pxPerMM = 3.9  // of drawings: their small type comes out at 8 pt
)

// frame is a column that text runs down.
type frame struct{ x, y, w, bottom float64 }

// sheet is the document while it is written: a place y on a page, in one of
// the frames text runs through.
type sheet struct {
	pdf  *fpdf.Fpdf
	say  *lang.Printer
	w, h float64

	x, y   float64
	width  float64 // of the frame
	bottom float64
	frames []frame
	at     int     // frame in use
	cols   int     // columns a page is cut into
	gap    float64 // between them
	fill   bool    // the frames fill the page; else they end at a height
	low    float64 // lowest y reached in any frame of the page

	title  string // of the section, for pages that follow
	titles []string

	font struct {
		bold bool
		size float64
		ok   bool
	}
	seen *placings
}

// newPage begins a page with as many columns as before.
func (s *sheet) newPage() {
	s.pdf.AddPage()
	s.titles = append(s.titles, s.title)
	s.font.ok = false
	s.y = top
	s.columns(max(s.cols, 1), s.gap, 0)
}

// section begins a page with a heading.
func (s *sheet) section(title, sub string) {
	s.title, s.cols = "", 1 // the heading says it on this page
	s.newPage()
	s.title = title
	s.heading(title)
	if sub != "" {
		s.paragraph(sub, text{gray: muted})
	}
	s.y += 2
}

// columns cuts the page from y downwards; height 0 uses all that is left, else
// the columns end there on this page.
func (s *sheet) columns(n int, gap, height float64) {
	s.cols, s.gap, s.fill = n, gap, height == 0
	bottom := s.h - foot
	if height > 0 {
		bottom = min(bottom, s.y+height)
	}
	w := (s.w - 2*side - gap*float64(n-1)) / float64(n)
	s.frames = s.frames[:0]
	for i := range n {
		s.frames = append(s.frames, frame{side + float64(i)*(w+gap), s.y, w, bottom})
	}
	s.low = s.y
	s.enter(0)
}

func (s *sheet) enter(i int) {
	f := s.frames[i]
	s.at, s.x, s.y, s.width, s.bottom = i, f.x, f.y, f.w, f.bottom
}

// single ends the columns: text goes on below the longest.
func (s *sheet) single() {
	s.low = max(s.low, s.y)
	s.y = s.low
	s.columns(1, 0, 0)
}

// need makes room for h mm in one piece; it reports whether text goes on in
// another column or page.
func (s *sheet) need(h float64) bool {
	if s.y+h <= s.bottom+1e-6 {
		return false
	}
	s.low = max(s.low, s.y)
	if s.at+1 < len(s.frames) {
		s.enter(s.at + 1)
		if s.y+h <= s.bottom+1e-6 {
			return true
		}
	}
	if s.full() {
		return false // higher than a page: it cannot be helped here
	}
	s.newPage()
	return true
}

// full reports whether the frame is untouched and as high as a page.
func (s *sheet) full() bool { return s.y <= top+1e-6 && s.bottom >= s.h-foot-1e-6 && s.at == 0 }

// place draws a scene in the frame at the scale of all drawings, or smaller
// where it would not fit the height given.
func (s *sheet) place(sc draw.Scene, x, y, width, most float64) (height float64) {
	if most > 0 && sc.Height/sc.Width*width > most {
		narrow := most * sc.Width / sc.Height
		x += (width - narrow) / 2
		width = narrow
	}
	s.seen.scene(s, sc, x, y, width)
	height = sc.PlacePDF(s.pdf, x, y, width)
	s.font.ok = false
	s.plainPen()
	return height
}

// plainPen resets what a drawing leaves behind.
func (s *sheet) plainPen() {
	s.pdf.SetDashPattern(nil, 0)
	s.pdf.SetLineCapStyle("butt")
	s.gray(ink)
	s.line(hairline, hair)
}

// finish writes head and foot on every page, now that their number is known.
func (s *sheet) finish(h runningHead) {
	n := s.pdf.PageCount()
	for i := 1; i <= n; i++ {
		s.pdf.SetPage(i)
		s.font.ok = false
		s.plainPen()
		s.head(h, s.titles[i-1])
		y := s.h - 9
		s.rule(side, y-4.5, s.w-2*side)
		page := s.say.Say("report-page", finding.Args{"page": finding.Count(i), "pages": finding.Count(n)})
		pw := s.measure(page, text{size: small, bold: true})
		s.put(s.w-side-pw, y, page, text{size: small, bold: true})
		s.lineFit(side, y, s.w-2*side-pw-6, h.origin, text{size: small, gray: muted})
		s.lineFit(side, y+3.4, s.w-2*side, h.decides, text{size: small, gray: muted})
	}
	s.pdf.SetPage(n)
}

// runningHead is what stands on every page.
type runningHead struct {
	product, block, verdict string
	badges                  []string
	origin, decides         string
	refused                 bool
}

// head writes the running head: product and block, badges, verdict.
func (s *sheet) head(h runningHead, title string) {
	const y = 12.5
	right := s.w - side
	st := text{size: small, bold: true}
	vw := s.measure(h.verdict, st) + 4
	s.badgeBox(right-vw, y-3.4, vw, 4.8, h.verdict, filledIf(h.refused))
	right -= vw + 2
	for i := len(h.badges) - 1; i >= 0; i-- {
		bw := s.measure(h.badges[i], st) + 4
		s.badgeBox(right-bw, y-3.4, bw, 4.8, h.badges[i], filled)
		right -= bw + 2
	}
	left := h.product
	if h.block != "" {
		left += "  ·  " + h.block
	}
	s.lineFit(side, y, right-side-3, left, text{size: small, bold: true})
	s.rule(side, y+3.2, s.w-2*side)
	s.lineFit(side, y+6.6, s.w-2*side, title, text{size: small, gray: muted})
}
