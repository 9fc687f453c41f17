package draw_test

import (
	"fmt"
	"image"
	"image/color"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"sapward/internal/draw"
)

// The size of a code by ISO/IEC 18004, table of capacities: version v has
// 17 + 4v modules; 16 alphanumeric characters are the most of 1-Q, 20 of 1-M,
// 14 bytes the most of 1-M.
func TestQR_TakesTheSmallestCode(t *testing.T) {
	for _, c := range []struct {
		s     string
		level draw.QRLevel
		want  int
	}{
		{"0123456789ABCDEF", draw.QRQuartile, 21}, {"0123456789ABCDEFG", draw.QRQuartile, 25},
		{"0123456789ABCDEFGHJK", draw.QRMedium, 21}, {"https://a.b/cd", draw.QRMedium, 21}, {"https://a.b/cde", draw.QRMedium, 25},
	} {
		q, err := draw.NewQR(c.s, c.level)
		if err != nil || q.Modules != c.want || q.Side() != c.want+8 {
			t.Errorf("%s: %d modules, %v; wanted %d", c.s, q.Modules, err, c.want)
		}
	}
	if _, err := draw.NewQR("", draw.QRQuartile); err == nil {
		t.Error("an empty text gave a code")
	}
	if _, err := draw.NewQR("\u00e1rbol", draw.QRMedium); err == nil {
		t.Error("a letter beyond ASCII gave a code")
	}
	if _, err := draw.NewQR(strings.Repeat("A", 5000), draw.QRQuartile); err == nil {
		t.Error("5000 letters gave a code")
	}
}

func readQR(t *testing.T, path string) string {
	t.Helper()
	zbar, err := exec.LookPath("zbarimg")
	if err != nil {
		reason := "zbarimg is not installed; no other program reads the QR codes"
		fmt.Println(reason)
		t.Skip(reason)
	}
	out, err := exec.Command(zbar, "--quiet", "--raw", "-Sdisable", "-Sqrcode.enable", path).Output()
	if err != nil {
		t.Errorf("zbarimg: %v", err)
	}
	return strings.TrimRight(string(out), "\n")
}

// Another program reads what was written.
func TestQR_OtherProgramReadsIt(t *testing.T) {
	for _, s := range []string{"7KXM2QP0Z9ABCDEF", "https://192.168.7.20:8443/join/4F7KXM2QP0Z9ABCDEFGHJKMNPQ", "https://sapward.local:8443/join/x"} {
		for _, level := range []draw.QRLevel{draw.QRMedium, draw.QRQuartile, draw.QRHigh} {
			q, err := draw.NewQR(s, level)
			if err != nil {
				t.Fatal(err)
			}
			const k = 4
			img := image.NewGray(image.Rect(0, 0, q.Side()*k, q.Side()*k))
			for y := range q.Side() * k {
				for x := range q.Side() * k {
					img.SetGray(x, y, color.Gray{Y: 255})
					if q.Dark(x/k-draw.QRQuiet, y/k-draw.QRQuiet) {
						img.SetGray(x, y, color.Gray{})
					}
				}
			}
			path := filepath.Join(t.TempDir(), "code.png")
			f, err := os.Create(path)
			if err != nil {
				t.Fatal(err)
			}
			if err := png.Encode(f, img); err != nil {
				t.Fatal(err)
			}
			f.Close()
			if got := readQR(t, path); got != s {
				t.Errorf("level %d: read %q, wanted %q", level, got, s)
			}
		}
	}
}

// A browser draws the SVG and another program reads it.
func TestQR_BrowserDrawsIt(t *testing.T) {
	chromium, err := exec.LookPath("chromium")
	if err != nil {
		reason := "chromium is not installed; the QR code's SVG is not drawn by a browser"
		fmt.Println(reason)
		t.Skip(reason)
	}
	const want = "https://192.168.7.20:8443/join/4F7KXM2QP0Z9ABCDEFGHJKMNPQ"
	q, err := draw.NewQR(want, draw.QRMedium)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	page, shot := filepath.Join(dir, "code.html"), filepath.Join(dir, "code.png")
	if err := os.WriteFile(page, []byte(`<!doctype html><title>t</title><body bgcolor="#111"><div style="width:300px">`+q.SVG("a <code>")+`</div>`), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(chromium, "--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--user-data-dir="+dir, "--window-size=500,500", "--screenshot="+shot, "file://"+page).CombinedOutput(); err != nil {
		t.Fatalf("chromium: %v %s", err, out)
	}
	if got := readQR(t, shot); got != want {
		t.Errorf("read %q, wanted %q", got, want)
	}
}

// The picture covers exactly the dark modules, once, and a strict policy takes
// it: no style, no script, titles escaped.
func TestQR_SVGAndSceneHoldTheModules(t *testing.T) {
	q, err := draw.NewQR("7KXM2QP0Z9ABCDEF", draw.QRQuartile)
	if err != nil {
		t.Fatal(err)
	}
	dark := 0
	for y := range q.Modules {
		for x := range q.Modules {
			if q.Dark(x, y) {
				dark++
			}
		}
	}
	area := 0.0
	for _, e := range q.Scene().Items {
		if p, ok := e.(draw.Path); ok {
			for i := 0; i+2 < len(p.D); i++ {
				if p.D[i].Op == 'M' {
					area += p.D[i+1].P[0].X - p.D[i].P[0].X
				}
			}
		}
	}
	if int(area+0.5) != dark || dark < 150 {
		t.Errorf("%g modules are drawn, %d are dark", area, dark)
	}
	svg := q.SVG(`"><script>`)
	if strings.Contains(svg, "<script") || strings.Contains(svg, "style=") || !strings.Contains(svg, `viewBox="0 0 29 29"`) {
		t.Errorf("picture: %s", svg)
	}
}
