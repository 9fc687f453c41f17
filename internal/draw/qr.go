package draw

import (
	"fmt"
	"html"
	"strconv"
	"strings"

	"github.com/boombuler/barcode/qr"
)

// QRQuiet is the margin that a QR code needs on every side, in modules
// (ISO/IEC 18004: 4 modules).
const QRQuiet = 4

// QRLevel is how much of a QR code may be dirty or torn before it is not read
// any more.
type QRLevel int

// Levels of error correction, with the share of code words that may be lost
// (ISO/IEC 18004: L 7 %, M 15 %, Q 25 %, H 30 %).
const (
	QRMedium   QRLevel = iota // M: on a screen
	QRQuartile                // Q: out of doors
	QRHigh                    // H
)

// QR is a QR code as dark and light modules, without its margin.
type QR struct {
	Modules int // on a side
	dark    []bool
}

// NewQR encodes a text in the smallest code of the level; capital letters,
// digits and space $ % * + - . / : take the least room. Errors: an empty text,
// one with signs beyond ASCII, which readers guess differently, or one that is
// too long for the largest code.
func NewQR(content string, level QRLevel) (QR, error) {
	levels := map[QRLevel]qr.ErrorCorrectionLevel{QRMedium: qr.M, QRQuartile: qr.Q, QRHigh: qr.H}
	l, ok := levels[level]
	if content == "" || !ok {
		return QR{}, fmt.Errorf("draw: a QR code needs a text and a level")
	}
	for _, c := range content {
		if c < ' ' || c > '~' {
			return QR{}, fmt.Errorf("draw: a QR code takes printable ASCII only, not %q", c)
		}
	}
	code, err := qr.Encode(content, l, qr.Auto)
	if err != nil {
		return QR{}, fmt.Errorf("draw: QR code: %w", err)
	}
	n := code.Bounds().Dx()
	q := QR{Modules: n, dark: make([]bool, n*n)}
	for y := range n {
		for x := range n {
			r, _, _, _ := code.At(x, y).RGBA()
			q.dark[y*n+x] = r < 0x8000
		}
	}
	return q, nil
}

// Dark reports whether the module in column x of row y is dark; outside the
// code nothing is.
func (q QR) Dark(x, y int) bool {
	return x >= 0 && y >= 0 && x < q.Modules && y < q.Modules && q.dark[y*q.Modules+x]
}

// Side is the number of modules on a side with the margins.
func (q QR) Side() int { return q.Modules + 2*QRQuiet }

// runs calls f for every run of dark modules in a row, places counted with the
// margin.
func (q QR) runs(f func(x, y, n int)) {
	for y := range q.Modules {
		for x := 0; x < q.Modules; x++ {
			n := 0
			for q.Dark(x+n, y) {
				n++
			}
			if n > 0 {
				f(x+QRQuiet, y+QRQuiet, n)
				x += n
			}
		}
	}
}

// Scene is the code with its margin, one px a module, dark on paper: for
// printing. On a screen that may be dark use SVG.
func (q QR) Scene() Scene {
	side := float64(q.Side())
	var d []Segment
	q.runs(func(x, y, n int) { d = append(d, rectPath(float64(x), float64(y), float64(n), 1)...) })
	sc := Scene{Width: side, Height: side}
	sc.add(Rect{X: 0, Y: 0, W: side, H: side, Style: Style{Fill: Paper}}, Path{D: d, Style: Style{Fill: Ink}})
	return sc
}

// SVG is the code with its margin as an inline picture for a web page: black on
// white in every theme, since many readers do not take light on dark. It has no
// size of its own and no style attribute, so that a strict policy of the page
// takes it; title is what a screen reader says.
func (q QR) SVG(title string) string {
	var b strings.Builder
	side := strconv.Itoa(q.Side())
	b.WriteString(`<svg xmlns="http://www.w3.org/2000/svg" class="qr" viewBox="0 0 ` + side + " " + side + `" role="img" aria-label="` + html.EscapeString(title) + `" shape-rendering="crispEdges"><path fill="#fff" d="M0 0h` + side + "v" + side + "H0z" + `"/><path fill="#000" d="`)
	q.runs(func(x, y, n int) { fmt.Fprintf(&b, "M%d %dh%dv1h-%dz", x, y, n, n) })
	b.WriteString(`"/></svg>`)
	return b.String()
}
