package report

import (
	"strings"
	"unicode"

	"sapward/finding"
	"sapward/internal/draw"
)

// Two sizes of type and small print, in points.
const (
	large = 14.0
	body  = 9.0
	small = 7.0
)

// Heights of a line in mm.
const (
	lineLarge = 6.4
	lineBody  = 4.3
	lineSmall = 3.3
	hairline  = 0.2
	mmPerPt   = 25.4 / 72
)

// Greys: all text reads on a black-and-white printer.
const (
	ink   = 17
	muted = 84
	hair  = 176
	soft  = 236
	paper = 255
)

// text is how a line of text looks; the zero value is body text in ink.
type text struct {
	size  float64
	bold  bool
	gray  int
	align string // "", R or C
}

func (t text) full() text {
	if t.size == 0 {
		t.size = body
	}
	if t.gray == 0 {
		t.gray = ink
	}
	return t
}

func (t text) lead() float64 {
	switch t.full().size {
	case large:
		return lineLarge
	case small:
		return lineSmall
	}
	return lineBody
}

// clean leaves out what a page cannot show: control characters, and signs
// beyond the first 65,536, which the font does not have.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\t' || r == '\r':
			return ' '
		case r > 0xFFFE || r == unicode.ReplacementChar:
			return '?'
		case unicode.IsControl(r):
			return -1
		}
		return r
	}, s)
}

// measure is the width of a line in mm.
func (s *sheet) measure(str string, t text) float64 {
	t = t.full()
	return draw.TextWidth(clean(str), draw.Size(t.size), t.bold) * mmPerPt
}

func (s *sheet) gray(v int) { s.pdf.SetFillColor(v, v, v) }

func (s *sheet) line(width float64, v int) {
	s.pdf.SetLineWidth(width)
	s.pdf.SetDrawColor(v, v, v)
}

// put writes a line of text with its base line at y.
func (s *sheet) put(x, y float64, str string, t text) {
	t = t.full()
	str = clean(str)
	if str == "" {
		return
	}
	if !s.font.ok || s.font.bold != t.bold || s.font.size != t.size {
		style := ""
		if t.bold {
			style = "B"
		}
		s.pdf.SetFont(draw.FontFamily, style, t.size)
		s.font.bold, s.font.size, s.font.ok = t.bold, t.size, true
	}
	s.pdf.SetTextColor(t.gray, t.gray, t.gray)
	s.pdf.Text(x, y, str)
	s.seen.text(s, x, y, str, t)
}

// within writes a line inside a box w mm wide.
func (s *sheet) within(x, y, w float64, str string, t text) {
	got := s.measure(str, t)
	s.seen.box(s, str, got, w)
	switch t.align {
	case "R":
		x += w - got
	case "C":
		x += (w - got) / 2
	}
	s.put(x, y, str, t)
}

// lineFit writes one line and, where the room is short, as much as fits with
// an ellipsis: only for what stands elsewhere in full.
func (s *sheet) lineFit(x, y, w float64, str string, t text) {
	if s.measure(str, t) > w {
		r := []rune(str)
		for len(r) > 0 && s.measure(string(r)+"…", t) > w {
			r = r[:len(r)-1]
		}
		str = strings.TrimRight(string(r), " ·,") + "…"
	}
	s.within(x, y, w, str, t)
}

// wrap breaks a text into lines no wider than w, between words where it can.
func (s *sheet) wrap(str string, w float64, t text) []string {
	str = clean(str)
	if s.measure(str, t) <= w {
		return []string{str}
	}
	space := s.measure(" ", t)
	var lines []string
	var b strings.Builder
	used := 0.0
	flush := func() {
		lines = append(lines, b.String())
		b.Reset()
		used = 0
	}
	for _, word := range strings.FieldsFunc(str, func(r rune) bool { return r == ' ' }) {
		ww := s.measure(word, t)
		if used > 0 && used+space+ww > w {
			flush()
		}
		for ww > w && len([]rune(word)) > 1 { // a word wider than the box
			r := []rune(word)
			n := len(r) - 1
			for n > 1 && s.measure(string(r[:n]), t) > w {
				n--
			}
			s.seen.broke(s, word, w)
			b.WriteString(string(r[:n]))
			flush()
			word = string(r[n:])
			ww = s.measure(word, t)
		}
		if used > 0 {
			b.WriteByte(' ')
			used += space
		}
		b.WriteString(word)
		used += ww
	}
	if b.Len() > 0 {
		flush()
	}
	return lines
}

// lines writes wrapped lines from a first base line at y.
func (s *sheet) lines(x, y, w float64, ls []string, t text) {
	for i, l := range ls {
		s.within(x, y+float64(i)*t.lead(), w, l, t)
	}
}

// paragraph writes a text down the frame.
func (s *sheet) paragraph(str string, t text) {
	for _, l := range s.wrap(str, s.width, t) {
		s.need(t.lead())
		s.y += t.lead()
		s.within(s.x, s.y-0.9, s.width, l, t)
	}
}

// heading writes the title of a section with its bar.
func (s *sheet) heading(str string) {
	t := text{size: large, bold: true}
	ls := s.wrap(str, s.width, t)
	s.need(float64(len(ls))*lineLarge + 14)
	s.lines(s.x, s.y+5, s.width, ls, t)
	s.y += float64(len(ls))*lineLarge + 1
	c := draw.LightTheme()[draw.Leaf]
	s.pdf.SetFillColor(int(c.R), int(c.G), int(c.B))
	s.pdf.Rect(s.x, s.y, 14, 1, "F")
	s.rule(s.x, s.y+0.9, s.width)
	s.y += 3.5
}

// subhead writes a bold line above a list or table, kept with what follows.
func (s *sheet) subhead(str string) {
	s.need(lineBody + 12)
	s.y += 2.2
	s.paragraph(str, text{bold: true})
	s.y += 0.8
}

// rule draws a hairline.
func (s *sheet) rule(x, y, w float64) {
	s.line(hairline, hair)
	s.pdf.Line(x, y, x+w, y)
}

// blank draws a line to write on.
func (s *sheet) blank(x, y, w float64) {
	s.line(0.25, muted)
	s.pdf.Line(x, y, x+w, y)
}

// tick draws a box to tick, its lower edge at the base line.
func (s *sheet) tick(x, base, size float64) {
	s.line(0.3, ink)
	s.pdf.Rect(x, base-size+0.5, size, size, "D")
}

type badgeKind int

const (
	outlined badgeKind = iota
	filled
	doubled
	dashed
)

func filledIf(yes bool) badgeKind {
	if yes {
		return filled
	}
	return outlined
}

// authorityKind tells the four authorities apart by shape, not by colour.
func authorityKind(a finding.Authority) badgeKind {
	switch a {
	case finding.ByLabel:
		return filled
	case finding.ByLaw:
		return doubled
	case finding.ByEstimate:
		return dashed
	}
	return outlined
}

// badgeBox draws a badge: a word in a box.
func (s *sheet) badgeBox(x, y, w, h float64, str string, k badgeKind) {
	t := text{size: small, bold: true, align: "C"}
	s.line(0.25, ink)
	switch k {
	case filled:
		s.gray(ink)
		s.pdf.RoundedRect(x, y, w, h, 0.8, "1234", "F")
		t.gray = paper
	case doubled:
		s.pdf.RoundedRect(x, y, w, h, 0.8, "1234", "D")
		s.pdf.RoundedRect(x+0.6, y+0.6, w-1.2, h-1.2, 0.5, "1234", "D")
	case dashed:
		s.pdf.SetDashPattern([]float64{0.9, 0.7}, 0)
		s.pdf.RoundedRect(x, y, w, h, 0.8, "1234", "D")
		s.pdf.SetDashPattern(nil, 0)
	default:
		s.pdf.RoundedRect(x, y, w, h, 0.8, "1234", "D")
	}
	s.within(x+1, y+h/2+0.87, w-2, str, t)
}

// badge draws the badge of an authority on a line whose base is y.
func (s *sheet) badge(x, base float64, a finding.Authority) {
	s.badgeBox(x, base-3.15, s.badgeWidth(), 4.2, s.say.T("report-by-"+string(a)), authorityKind(a))
}

// badgeWidth is the width of the widest of the four badges.
func (s *sheet) badgeWidth() float64 {
	w := 0.0
	for _, a := range []finding.Authority{finding.ByLabel, finding.ByLaw, finding.ByPractice, finding.ByEstimate} {
		w = max(w, s.measure(s.say.T("report-by-"+string(a)), text{size: small, bold: true}))
	}
	return w + 4
}
