package web

import (
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"sapward/internal/draw"
)

// tokens reads the colours of one block of the style sheet.
func tokens(t *testing.T, after string) map[string]draw.RGB {
	t.Helper()
	css, err := os.ReadFile("static/app.css")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, ok := strings.Cut(string(css), "/* "+after+" */")
	if !ok {
		t.Fatalf("no block %q", after)
	}
	block, _, _ := strings.Cut(rest, "--shade")
	out := map[string]draw.RGB{}
	for _, m := range regexp.MustCompile(`--([a-z-]+): #([0-9a-f]{6});`).FindAllStringSubmatch(block, -1) {
		n, _ := strconv.ParseUint(m[2], 16, 32)
		out[m[1]] = draw.RGB{R: uint8(n >> 16), G: uint8(n >> 8), B: uint8(n)}
	}
	if len(out) < 20 {
		t.Fatalf("%s: only %d colours", after, len(out))
	}
	return out
}

// Text has a contrast of 4.5, shapes that carry meaning 3 (WCAG 2.2, 1.4.3 and
// 1.4.11), in the light scheme, the dark one and the dark one that was chosen.
func TestColours_HaveContrast(t *testing.T) {
	text := [][2]string{
		{"ink", "page"}, {"ink", "paper"}, {"ink", "well"}, {"muted", "page"}, {"muted", "paper"}, {"muted", "well"},
		{"link", "page"}, {"link", "paper"}, {"link", "well"}, {"leaf", "leaf-soft"}, {"leaf", "paper"}, {"on-leaf", "leaf"},
		{"wait", "wait-soft"}, {"wait", "paper"}, {"warn", "warn-soft"}, {"warn", "paper"}, {"warn", "page"}, {"bark", "paper"},
		{"ink", "leaf-soft"}, {"ink", "wait-soft"}, {"ink", "warn-soft"}, {"link", "warn-soft"}, {"link", "wait-soft"}, {"link", "leaf-soft"},
		{"spine-ink", "spine"}, {"spine-soft", "spine"}, {"spine-ink", "spine-on"}, {"spine", "spine-ink"}, {"paper", "ink"},
		{"muted", "wait-soft"}, {"muted", "leaf-soft"}, {"muted", "warn-soft"},
	}
	shapes := [][2]string{
		{"edge", "paper"}, {"edge", "page"}, {"edge", "well"}, {"focus", "paper"}, {"focus", "page"}, {"focus", "well"},
		{"leaf", "page"}, {"wait", "page"}, {"warn", "page"}, {"tape", "spine"}, {"spine-soft", "spine"}, {"tape-ink", "tape"}, {"tape", "spine-on"},
	}
	for _, scheme := range []string{"tokens light", "tokens dark", "tokens dark, chosen"} {
		c := tokens(t, scheme)
		check := func(pairs [][2]string, least float64) {
			for _, p := range pairs {
				a, okA := c[p[0]]
				b, okB := c[p[1]]
				if !okA || !okB {
					t.Errorf("%s: %v is not a token", scheme, p)
				} else if got := draw.Contrast(a, b); got < least {
					t.Errorf("%s: %s on %s has %.2f, needs %.1f", scheme, p[0], p[1], got, least)
				}
			}
		}
		check(text, 4.5)
		check(shapes, 3)
	}
	dark, chosen := tokens(t, "tokens dark"), tokens(t, "tokens dark, chosen")
	for name, v := range dark {
		if chosen[name] != v {
			t.Errorf("%s is %s by the system and %s by choice", name, v.Hex(), chosen[name].Hex())
		}
	}
}
