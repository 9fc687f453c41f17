package draw

import (
	"math"
	"sync"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"golang.org/x/image/font"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
)

// Height of capitals and depth below the base line as shares of the type
// size. Liberation Sans: capitals 1409/2048 = 0.688 and descent 0.212 (font
// file); accents on capitals need a little more.
const (
	ascentShare  = 0.74
	descentShare = 0.21
)

// face holds the advance widths of one font in units of its em.
type face struct {
	mu      sync.Mutex
	font    *sfnt.Font
	buf     sfnt.Buffer
	perEm   fixed.Int26_6
	advance map[rune]float64
}

var faces = [2]func() *face{
	sync.OnceValue(func() *face { return loadFace(liberationsansregular.TTF) }),
	sync.OnceValue(func() *face { return loadFace(liberationsansbold.TTF) }),
}

func loadFace(ttf []byte) *face {
	f := &face{advance: map[rune]float64{}}
	if p, err := sfnt.Parse(ttf); err == nil {
		f.font, f.perEm = p, fixed.I(int(p.UnitsPerEm()))
	}
	return f
}

// width is the advance of one rune as a share of the type size; a rune the
// font lacks counts as the font's missing-glyph box.
func (f *face) width(r rune) float64 {
	f.mu.Lock()
	defer f.mu.Unlock()
	if w, ok := f.advance[r]; ok {
		return w
	}
	w := 0.6
	if f.font != nil {
		if g, err := f.font.GlyphIndex(&f.buf, r); err == nil {
			if a, err := f.font.GlyphAdvance(&f.buf, g, f.perEm, font.HintingNone); err == nil {
				w = float64(a) / float64(f.perEm)
			}
		}
	}
	f.advance[r] = w
	return w
}

// TextWidth is the width of a line in px by the advance widths of Liberation
// Sans (Arial and Helvetica have the same widths), without kerning.
func TextWidth(s string, size Size, bold bool) float64 {
	f := faces[0]()
	if bold {
		f = faces[1]()
	}
	w := 0.0
	for _, r := range s {
		w += f.width(r)
	}
	return w * float64(size)
}

// textBox is the upright box of a text under a matrix.
func textBox(t Text, m matrix) Box {
	w := TextWidth(t.S, t.Size, t.Bold)
	x := 0.0
	switch t.Anchor {
	case Middle:
		x = -w / 2
	case End:
		x = -w
	}
	up, down := ascentShare*float64(t.Size), descentShare*float64(t.Size)
	m = m.then(Group{Move: t.At, TurnDeg: t.TurnDeg}.matrix())
	b := Box{math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)}
	for _, p := range []Point{{x, -up}, {x + w, -up}, {x, down}, {x + w, down}} {
		q := m.apply(p)
		b = Box{min(b.X0, q.X), min(b.Y0, q.Y), max(b.X1, q.X), max(b.Y1, q.Y)}
	}
	return b
}

func boxOf(t Text) Box { return textBox(t, unit) }
