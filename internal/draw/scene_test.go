package draw

import (
	"bytes"
	"encoding/xml"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"codeberg.org/go-pdf/fpdf"
	"pgregory.net/rapid"
)

// The first and last point and the middle of an arc lie on the circle; the
// Bezier's radial error is below 0.03 % (4/3 tan(theta/4) rule, worked for 90
// degrees: 2.7e-4).
func TestArc_StaysOnCircle(t *testing.T) {
	worst := 0.0
	for _, c := range [][2]float64{{0, 90}, {350, 20}, {10, 370}, {90, 45}} {
		p := Arc(Point{}, 100, c[0], c[1], Style{})
		at := p.D[0].P[0]
		for _, s := range p.D[1:] {
			for u := 0.0; u <= 1; u += 0.05 {
				q := bezier(at.X, at.Y, s.P[0].X, s.P[0].Y, s.P[1].X, s.P[1].Y, s.P[2].X, s.P[2].Y, u)
				worst = max(worst, math.Abs(math.Hypot(q.X, q.Y)/100-1))
			}
			at = s.P[2]
		}
		end := polar(Point{}, 100, c[1])
		if math.Hypot(at.X-end.X, at.Y-end.Y) > 1e-9 {
			t.Errorf("arc %v ends at %v, want %v", c, at, end)
		}
	}
	if worst > 3e-4 {
		t.Errorf("radial error %g", worst)
	}
	// worked by hand: azimuth 90 is to the right, 0 is up (Y grows downwards)
	if p := polar(Point{10, 10}, 5, 90); math.Hypot(p.X-15, p.Y-10) > 1e-12 {
		t.Errorf("azimuth 90 is at %v", p)
	}
	if p := polar(Point{10, 10}, 5, 0); math.Hypot(p.X-10, p.Y-5) > 1e-12 {
		t.Errorf("azimuth 0 is at %v", p)
	}
}

// Another program's metrics: fpdf reads the same font by its own parser; its
// widths are whole thousandths of the em.
func TestTextWidth_AgreesWithFpdf(t *testing.T) {
	pdf := fpdf.New("P", "pt", "A4", "")
	AddFonts(pdf)
	pdf.AddPage()
	worst := 0.0
	for _, bold := range []bool{false, true} {
		style := ""
		if bold {
			style = "B"
		}
		pdf.SetFont(FontFamily, style, 11)
		for _, s := range []string{"Old hole", "188.5\u00a0cm", "Orificio antiguo \u00f1\u00e1\u00dc", "4.5 mL, 30 mm", "\u2212\u2013\u2026\u2190\u2192", "WAVE To"} {
			a, b := TextWidth(s, Small, bold), pdf.GetStringWidth(s)
			worst = max(worst, math.Abs(a-b))
			if limit := 0.001 * 11 * float64(len([]rune(s))); math.Abs(a-b) > limit {
				t.Errorf("%q: %g px, fpdf %g", s, a, b)
			}
		}
	}
	t.Logf("largest deviation %.4f px", worst)
}

// Every sign the drawings themselves write is in both fonts.
func TestFonts_HaveOurSigns(t *testing.T) {
	for i, f := range faces {
		for _, r := range "\u2212\u2013\u2026\u2190\u2192\u00a0" {
			g, err := f().font.GlyphIndex(&f().buf, r)
			if err != nil || g == 0 {
				t.Errorf("font %d has no %q", i, r)
			}
		}
	}
}

// By hand: a group moves after it turns and scales.
func TestGroup_Order(t *testing.T) {
	s := Scene{Width: 100, Height: 100, Items: []Element{Group{Move: Point{50, 50}, TurnDeg: 90, Scale: 2,
		Items: []Element{Text{At: Point{10, 0}, S: "i", Size: Small}}}}}
	b := s.Texts()[0].Box
	// (10, 0) scaled to (20, 0), turned clockwise to (0, 20), moved to (50, 70);
	// turned text runs down from there, its foot to the left
	w := TextWidth("i", Small, false)
	want := Box{50 - 2*descentShare*11, 70, 50 + 2*ascentShare*11, 70 + 2*w}
	for i, d := range []float64{b.X0 - want.X0, b.Y0 - want.Y0, b.X1 - want.X1, b.Y1 - want.Y1} {
		if math.Abs(d) > 1e-9 {
			t.Errorf("side %d is off by %g", i, d)
		}
	}
}

func TestSVG_IsWellFormedAndPlain(t *testing.T) {
	for _, e := range examples() {
		s, err := e.make()
		if err != nil {
			t.Fatal(err)
		}
		s.Title, s.ID = `<b>&"`, `x"y`
		for _, b := range [][]byte{s.SVG(), s.SVGInline()} {
			d := xml.NewDecoder(bytes.NewReader(b))
			for {
				tok, err := d.Token()
				if err == io.EOF {
					break
				}
				if err != nil {
					t.Fatalf("%s: %v", e.name, err)
				}
				if el, ok := tok.(xml.StartElement); ok {
					for _, a := range el.Attr {
						if a.Name.Local == "style" || strings.HasPrefix(a.Value, "#") {
							t.Fatalf("%s: <%s> has %s=%q: colours go by role", e.name, el.Name.Local, a.Name.Local, a.Value)
						}
					}
				}
			}
			for _, must := range []string{"<title id=", "<desc id=", `role="img"`, "aria-labelledby="} {
				if !bytes.Contains(b, []byte(must)) {
					t.Errorf("%s lacks %s", e.name, must)
				}
			}
		}
	}
	if css := Stylesheet(); !strings.Contains(css, "prefers-color-scheme:dark") || !strings.Contains(css, "--sw-ink:"+DarkTheme()[Ink].Hex()) {
		t.Error("the style sheet has no dark theme")
	}
}

func TestPDF_SameBytesTwice(t *testing.T) {
	for _, e := range examples() {
		s, err := e.make()
		if err != nil {
			t.Fatal(err)
		}
		a, err := s.PDF(day)
		if err != nil {
			t.Fatal(err)
		}
		b, err := s.PDF(day)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(a, b) {
			t.Errorf("%s: two runs differ", e.name)
		}
		c, err := s.PDF(day.AddDate(0, 0, 1))
		if err != nil {
			t.Fatal(err)
		}
		if bytes.Equal(a, c) {
			t.Errorf("%s: the date is not in the file", e.name)
		}
	}
}

// Two drawings in the columns of one A4 page: heights by hand, same bytes.
func TestPlacePDF_InAColumn(t *testing.T) {
	page := func() []byte {
		pdf := fpdf.New("P", "mm", "A4", "")
		pdf.SetCatalogSort(true)
		pdf.SetCreationDate(day)
		pdf.SetModificationDate(day)
		AddFonts(pdf)
		pdf.AddPage()
		a, err := DrawRing(exRing(24, 340, english()))
		if err != nil {
			t.Fatal(err)
		}
		b, err := DrawUnrolled(exUnrolled(24, 340))
		if err != nil {
			t.Fatal(err)
		}
		for i, s := range []Scene{a, b} {
			if h := s.PlacePDF(pdf, 15+95*float64(i), 20, 85); math.Abs(h-s.Height*0.25) > 1e-9 {
				t.Errorf("height %g mm, want a quarter of %g px", h, s.Height)
			}
		}
		var out bytes.Buffer
		if err := pdf.Output(&out); err != nil {
			t.Fatal(err)
		}
		return out.Bytes()
	}
	first := page()
	if !bytes.Equal(first, page()) {
		t.Error("two runs differ")
	}
	if *out != "" {
		if err := os.WriteFile(filepath.Join(*out, "a4.pdf"), first, 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// Every text of the scene can be read back from the PDF by another program.
func TestPDF_TextIsText(t *testing.T) {
	if _, err := exec.LookPath("pdftotext"); err != nil {
		t.Skip("pdftotext is not installed")
	}
	for _, e := range examples() {
		if !e.golden {
			continue
		}
		s, err := e.make()
		if err != nil {
			t.Fatal(err)
		}
		b, err := s.PDF(day)
		if err != nil {
			t.Fatal(err)
		}
		cmd := exec.Command("pdftotext", "-raw", "-", "-")
		cmd.Stdin = bytes.NewReader(b)
		out, err := cmd.Output()
		if err != nil {
			t.Fatal(err)
		}
		squeeze := func(s string) string { return strings.Join(strings.Fields(strings.ReplaceAll(s, "\u00a0", " ")), "") }
		got := squeeze(string(out))
		for _, p := range s.Texts() {
			if !strings.Contains(got, squeeze(p.S)) {
				t.Errorf("%s: %q is not in the PDF's text", e.name, p.S)
			}
		}
	}
}

// Text needs 4.5 and shapes 3 (WCAG 2.2, 1.4.3 and 1.4.11), in both themes.
func TestThemes_Contrast(t *testing.T) {
	for name, th := range map[string]Theme{"light": LightTheme(), "dark": DarkTheme()} {
		for _, r := range roleOrder {
			if _, ok := th[r]; !ok {
				t.Errorf("%s: no colour for %s", name, r)
			}
		}
		check := func(a, b Role, least float64) {
			if c := Contrast(th[a], th[b]); c < least {
				t.Errorf("%s: %s on %s has contrast %.2f, needs %.1f", name, a, b, c, least)
			}
		}
		for _, r := range []Role{Ink, Muted, Bark, Leaf, Warn} {
			check(r, Paper, 4.5)
		}
		for _, on := range []Role{Sapwood, Heart} {
			check(Ink, on, 4.5)
			check(Bark, on, 3)
		}
		check(Warn, WarnSoft, 3)
		check(Leaf, LeafSoft, 3)
		check(Ink, BarkSoft, 3)
	}
	// by hand: black on white is 21, a colour on itself 1
	if c := Contrast(RGB{}, RGB{255, 255, 255}); math.Abs(c-21) > 1e-12 {
		t.Errorf("black on white: %g", c)
	}
}

// The ramp's luminance falls at every step for normal sight and for the two
// red-green kinds of colour blindness (Vienot, Brettel and Mollon 1999:
// projection in linear RGB, coefficients from memory).
func TestRamp_IsMonotoneForEveryEye(t *testing.T) {
	lin := func(v uint8) float64 { return RGB{v, v, v}.Luminance() }
	eyes := map[string]func(r, g, b float64) float64{
		"normal":       func(r, g, b float64) float64 { return 0.2126*r + 0.7152*g + 0.0722*b },
		"protanopia":   func(r, g, b float64) float64 { y := 0.11238*r + 0.88762*g; return (0.2126+0.7152)*y + 0.0722*b },
		"deuteranopia": func(r, g, b float64) float64 { y := 0.29275*r + 0.70725*g; return (0.2126+0.7152)*y + 0.0722*b },
	}
	for name, y := range eyes {
		last := math.Inf(1)
		for i := range RampSteps {
			c := LightTheme()[RampRole(i)]
			now := y(lin(c.R), lin(c.G), lin(c.B))
			if now >= last*0.95 {
				t.Errorf("%s: step %d has luminance %.3f after %.3f", name, i, now, last)
			}
			last = now
			if d := DarkTheme()[RampRole(RampSteps-1-i)]; d != c {
				t.Errorf("dark step %d is %v, want the light one reversed %v", RampSteps-1-i, d, c)
			}
		}
	}
}

// spread against a slow oracle: all positions on a grid of 0.5.
func TestSpread_LeastSquares(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const lo, hi = 0.0, 12.0
		want := []float64{}
		at := 0.0
		for range 3 {
			at += float64(rapid.IntRange(0, 8).Draw(t, "gap")) / 2
			want = append(want, at)
		}
		heights := []float64{3, 2, 3} // distances 2.5, 2.5
		cost := func(y []float64) float64 {
			c := 0.0
			for i := range y {
				c += (y[i] - want[i]) * (y[i] - want[i])
			}
			return c
		}
		best := math.Inf(1)
		for a := 1.5; a <= 10.5; a += 0.5 {
			for b := a + 2.5; b <= 11; b += 0.5 {
				for c := b + 2.5; c <= 10.5; c += 0.5 {
					best = min(best, cost([]float64{a, b, c}))
				}
			}
		}
		got := spread(want, heights, lo, hi)
		if cost(got) > best+1e-9 {
			t.Fatalf("spread %v of %v costs %g, the grid finds %g", got, want, cost(got), best)
		}
		for i := 1; i < 3; i++ {
			if got[i]-got[i-1] < 2.5-1e-9 {
				t.Fatalf("%v stand too near", got)
			}
		}
		if got[0] < 1.5-1e-9 || got[2] > 10.5+1e-9 {
			t.Fatalf("%v leaves the bounds", got)
		}
	})
}

func TestWords_Numbers(t *testing.T) {
	en, es := Words{}, Words{DecimalMark: ","}
	for _, c := range [][2]string{
		{en.num(12.345, 1), "12.3"}, {es.num(-12.5, 1), "\u221212,5"}, {en.num(-0.04, 1), "0.0"},
		{en.short(0.05), "0.05"}, {en.short(123.4), "123"}, {es.short(2.50), "2,5"}, {en.short(0), "0"},
		{ranges([]int{7, 1, 2, 3, 9, 10}), "1\u20133, 7, 9, 10"},
		{Day{}.clock(9*60 + 5), "9:05"}, {Day{}.clock(25 * 60), "1:00"},
		{Day{TwelveHour: true, Frame: Frame{Words: english()}}.clock(12*60 + 30), "12:30\u00a0pm"},
		{Day{TwelveHour: true, Frame: Frame{Words: english()}}.clock(0), "12\u00a0am"},
		{compass(225, english()), "SW"}, {compass(350, english()), "N"},
	} {
		if c[0] != c[1] {
			t.Errorf("got %q, want %q", c[0], c[1])
		}
	}
}
