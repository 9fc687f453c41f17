package web

import (
	"html/template"
	"math"

	"sapward/internal/app"
	"sapward/internal/draw"
)

// mapped is a block with what is known of its place on the globe.
type mapped struct {
	id      string
	name    string
	outline [][2]float64 // longitude, latitude
	trees   [][2]float64
}

// onGlobe gathers a block's boundary and trees in degrees; ok is false where it
// has neither.
func onGlobe(b app.BlockLine, places []app.Place) (m mapped, ok bool) {
	m.id, m.name = b.ID, b.Facts.Name
	if b.Facts.Globe {
		for _, p := range b.Facts.Boundary {
			m.outline = append(m.outline, [2]float64{p.X, p.Y})
		}
	}
	step := 1 + len(places)/400
	for i := 0; i < len(places); i += step {
		if p := places[i]; p.Lat != nil && p.Lon != nil {
			m.trees = append(m.trees, [2]float64{*p.Lon, *p.Lat})
		}
	}
	return m, len(m.outline) > 2 || len(m.trees) > 0
}

// estateMap draws the blocks that have a place on the globe, north up, each
// with its name. Degrees become metres on a sphere of 6371008.8 m (mean radius
// R1 of the GRS80 ellipsoid, from memory) round the first point.
func (v *view) estateMap(title string, blocks []mapped) template.HTML {
	if len(blocks) == 0 {
		return ""
	}
	var first *[2]float64
	for i := range blocks {
		for _, list := range [][][2]float64{blocks[i].outline, blocks[i].trees} {
			if first == nil && len(list) > 0 {
				first = &list[0]
			}
		}
	}
	rad := math.Pi / 180
	metres := func(p [2]float64) draw.Point {
		return draw.Point{X: 6371008.8 * (p[0] - first[0]) * rad * math.Cos(first[1]*rad), Y: -6371008.8 * (p[1] - first[1]) * rad}
	}
	x0, y0, x1, y1 := math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	for _, b := range blocks {
		for _, list := range [][][2]float64{b.outline, b.trees} {
			for _, p := range list {
				q := metres(p)
				x0, x1, y0, y1 = min(x0, q.X), max(x1, q.X), min(y0, q.Y), max(y1, q.Y)
			}
		}
	}
	return v.Pair("estatemap", func(id string, width float64) (draw.Scene, error) {
		const edge, below = 24.0, 34.0
		scale := min((width-2*edge)/max(x1-x0, 1), 420/max(y1-y0, 1))
		height := scale*(y1-y0) + 2*edge + below
		dx := (width - scale*(x1-x0)) / 2
		at := func(p [2]float64) draw.Point {
			q := metres(p)
			return draw.Point{X: dx + scale*(q.X-x0), Y: edge + scale*(q.Y-y0)}
		}
		sc := draw.Scene{ID: id, Lang: v.Lang, Title: title, Desc: v.S("web-estate-map-desc", "n", len(blocks)), Width: width, Height: height}
		for _, b := range blocks {
			var items []draw.Element
			var all []draw.Point
			var line []draw.Point
			for _, p := range b.outline {
				line = append(line, at(p))
			}
			all = append(all, line...)
			if len(line) > 2 {
				items = append(items, draw.Polygon(line, draw.Style{Fill: draw.LeafSoft, Stroke: draw.Leaf, WidthPx: 1.5}))
			}
			for _, p := range b.trees {
				q := at(p)
				all = append(all, q)
				items = append(items, draw.Circle{C: q, R: 1.8, Style: draw.Style{Fill: draw.Leaf}})
			}
			sx, sy := 0.0, 0.0
			for _, q := range all {
				sx, sy = sx+q.X, sy+q.Y
			}
			n := float64(len(all))
			half := draw.TextWidth(b.name, draw.Large, true) / 2
			x := min(max(sx/n, half+4), width-half-4)
			items = append(items, draw.Text{At: draw.Point{X: x, Y: sy/n + 5}, S: b.name, Size: draw.Large, Bold: true, Anchor: draw.Middle, Role: draw.Ink, Halo: true})
			sc.Items = append(sc.Items, draw.Group{Label: b.name, Href: "/blocks/" + b.id, Items: items})
		}
		// a scale bar of a round length near a quarter of the width
		unit, name := 1.0, "m"
		if v.US {
			unit, name = 0.3048, "ft"
		}
		want := width / 4 / scale / unit
		round := math.Pow(10, math.Floor(math.Log10(want)))
		for _, k := range []float64{5, 2} {
			if round*k <= want {
				round *= k
				break
			}
		}
		y := height - 14
		end := edge + round*unit*scale
		sc.Items = append(sc.Items,
			draw.Line(draw.Point{X: edge, Y: y}, draw.Point{X: end, Y: y}, draw.Style{Stroke: draw.Ink, WidthPx: 1.5}),
			draw.Text{At: draw.Point{X: end + 6, Y: y + 4}, S: v.Fig(round, 0) + "\u00a0" + name, Size: draw.Small, Role: draw.Muted},
			draw.Text{At: draw.Point{X: width - edge, Y: y + 4}, S: v.T("draw-north") + " \u2191", Size: draw.Small, Anchor: draw.End, Role: draw.Muted})
		return sc, nil
	})
}
