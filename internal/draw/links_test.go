package draw

import (
	"math"
	"strings"
	"testing"
)

// A map with links is a group with one stop for the Tab key; without links it is
// an image. The outline lies under the trees and inside the drawing.
func TestBlockMap_LinksAndOutline(t *testing.T) {
	b := BlockMap{Frame: Frame{WidthPx: 400, ID: "m", Title: "Block", Words: english()}, Classes: []string{"a"}, Outline: []Point{{-20, -10}, {60, -10}, {60, 30}, {-20, 30}}}
	for i := range 5 {
		b.Trees = append(b.Trees, MapTree{Tag: "T" + string(rune('0'+i)), XM: float64(10 * i), YM: float64(i), Marked: i == 2})
	}
	plain, err := DrawBlockMap(b)
	if err != nil {
		t.Fatal(err)
	}
	if svg := string(plain.SVGInline()); !strings.Contains(svg, `role="img"`) || strings.Contains(svg, "<a ") {
		t.Error("a map without links is not an image")
	}
	for i := range b.Trees {
		b.Trees[i].Href = `/blocks/x?tag="&` + b.Trees[i].Tag
	}
	s, err := DrawBlockMap(b)
	if err != nil {
		t.Fatal(err)
	}
	svg := string(s.SVGInline())
	if strings.Count(svg, "<a ") != 5 || strings.Count(svg, `tabindex="0"`) != 1 || !strings.Contains(svg, `role="group"`) || strings.Contains(svg, `tag="&T`) || !strings.Contains(svg, "<title>T3</title>") {
		t.Errorf("links: %s", svg)
	}
	lines := 0
	for _, it := range s.Items {
		if p, ok := it.(Path); ok && p.Style == outlineStyle {
			lines++
			for _, d := range p.D {
				if d.P[0].X < 0 || d.P[0].X > s.Width || d.P[0].Y < 0 || d.P[0].Y > s.Height {
					t.Errorf("a corner at %v lies outside", d.P[0])
				}
			}
		}
	}
	if lines < 4 {
		t.Errorf("%d sides of the outline", lines)
	}
	// a long block is cut into strips: the outline too
	b.Trees, b.Outline = nil, []Point{{0, -5}, {2000, -5}, {2000, 5}, {0, 5}}
	for i := range 200 {
		b.Trees = append(b.Trees, MapTree{Tag: "T", XM: float64(10 * i)})
	}
	if s, err = DrawBlockMap(b); err != nil {
		t.Fatal(err)
	}
	for _, it := range s.Items {
		if p, ok := it.(Path); ok && p.Style == outlineStyle {
			for _, d := range p.D {
				if d.P[0].X < 0 || d.P[0].X > s.Width {
					t.Errorf("strip: a corner at %v lies outside", d.P[0])
				}
			}
		}
	}
	b.Outline = []Point{{0, 0}, {1, 0}, {1, math.Inf(1)}}
	if _, err := DrawBlockMap(b); err == nil {
		t.Error("a corner without a place is drawn")
	}
}
