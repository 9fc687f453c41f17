package draw

import (
	"fmt"
	"math"
	"strconv"
)

// TrialTree is a tree on a trial's map. X runs east and Y north, in metres.
type TrialTree struct {
	X, Y float64
	Role string // plot, buffer, unused, unfit
	Plot int    // index into Plots plus 1; 0 for none
}

// TrialPlot is a plot on the map.
type TrialPlot struct {
	Number    int
	Block     string
	Letter    string // of the treatment; with the second factor's figure behind it
	Treatment int    // index of its treatment, chooses the pattern
}

// TrialMap is the map of a trial. Where a tree has no position, Grid is set and
// plots are drawn in rows in their order.
type TrialMap struct {
	Frame
	Trees []TrialTree
	Plots []TrialPlot
	Grid  bool
	North string // letter at the arrow
}

// trialHatches tell treatments apart without colour.
var trialHatches = []Hatch{NoHatch, Rising, Spots, Crossed, Level, Upright, Falling, Sparse}

// TrialStyle is the look of a treatment by its index: a pattern on a light
// ground.
func TrialStyle(treatment int) Style {
	return Style{Fill: Paper, Stroke: Ink, WidthPx: 1.2, Hatch: trialHatches[treatment%len(trialHatches)], HatchRole: Muted}
}

// TrialSwatch is a treatment's pattern with its letter, for a key.
func TrialSwatch(treatment int, letter string) Scene {
	s := Scene{Width: 40, Height: 22}
	s.add(Rect{X: 1, Y: 1, W: 38, H: 20, Style: TrialStyle(treatment)})
	s.add(Text{At: Point{20, 16}, S: letter, Size: Large, Bold: true, Anchor: Middle, Role: Ink, Halo: true})
	return s
}

// DrawTrialMap returns the map: every plot's trees in the pattern and with the
// letter of its treatment, trees of one plot joined, plot numbers beside.
func DrawTrialMap(m TrialMap) (Scene, error) {
	if !(m.WidthPx >= 280 && m.WidthPx <= 4000) {
		return Scene{}, fmt.Errorf("draw: trial map: width %g px is outside 280 to 4000", m.WidthPx)
	}
	if len(m.Plots) == 0 {
		return Scene{}, fmt.Errorf("draw: trial map: no plots")
	}
	s := &Scene{ID: m.ID, Lang: m.Words.Lang, Title: m.Title, Desc: m.Desc, Width: m.WidthPx}
	if m.Grid {
		m.grid(s)
		return *s, nil
	}
	var at []Point
	for _, t := range m.Trees {
		if !finite(t.X, t.Y) || t.Plot < 0 || t.Plot > len(m.Plots) {
			return Scene{}, fmt.Errorf("draw: trial map: a tree has no position or an unknown plot")
		}
		at = append(at, Point{t.X, t.Y})
	}
	if len(at) == 0 {
		return Scene{}, fmt.Errorf("draw: trial map: no trees")
	}
	m.field(s, at)
	return *s, nil
}

// field draws trees at their places.
func (m TrialMap) field(s *Scene, at []Point) {
	b := Box{math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)}
	for _, p := range at {
		b = Box{math.Min(b.X0, p.X), math.Min(b.Y0, p.Y), math.Max(b.X1, p.X), math.Max(b.Y1, p.Y)}
	}
	const pad = 26.0
	w, h := math.Max(b.X1-b.X0, 1), math.Max(b.Y1-b.Y0, 1)
	k := math.Min((m.WidthPx-2*pad-30)/w, m.WidthPx*1.15/h)
	place := func(p Point) Point { return Point{pad + (p.X-b.X0)*k, pad + (b.Y1-p.Y)*k} }
	gap := typicalGap(at) * k
	r := math.Min(13, math.Max(4, gap*0.36))
	s.Height = 2*pad + h*k + 26
	members := make([][]Point, len(m.Plots)+1)
	for i, t := range m.Trees {
		members[t.Plot] = append(members[t.Plot], place(at[i]))
	}
	for _, trees := range members[1:] {
		for i := 1; i < len(trees); i++ {
			s.add(Line(trees[i-1], trees[i], Style{Stroke: Ink, WidthPx: math.Max(2, r/2.5)}))
		}
	}
	for i, t := range m.Trees {
		c := place(at[i])
		small := math.Max(2, r*0.3)
		switch t.Role {
		case "plot":
			p := m.Plots[t.Plot-1]
			s.add(Circle{C: c, R: r, Style: TrialStyle(p.Treatment)})
			if r >= 6 {
				s.add(Text{At: Point{c.X, c.Y + 4}, S: p.Letter, Size: Small, Bold: true, Anchor: Middle, Role: Ink, Halo: true})
			}
		case "buffer":
			d := small * 1.4
			s.add(Line(Point{c.X - d, c.Y - d}, Point{c.X + d, c.Y + d}, Style{Stroke: Muted, WidthPx: 1}),
				Line(Point{c.X - d, c.Y + d}, Point{c.X + d, c.Y - d}, Style{Stroke: Muted, WidthPx: 1}))
		case "unfit":
			s.add(Rect{X: c.X - small, Y: c.Y - small, W: 2 * small, H: 2 * small, Style: Style{Fill: Muted}})
		default:
			s.add(Circle{C: c, R: small * 0.7, Style: Style{Fill: Muted}})
		}
	}
	// Plot numbers, where they fit free of everything.
	room := newShelf(Box{2, 2, m.WidthPx - 2, s.Height - 2})
	for _, t := range m.Trees {
		c := place(Point{t.X, t.Y})
		d := r
		if t.Role != "plot" {
			d = r * 0.4
		}
		room.take(Box{c.X - d, c.Y - d, c.X + d, c.Y + d})
	}
	for _, trees := range members[1:] { // nothing on the joining lines
		for i := 1; i < len(trees); i++ {
			a, b := trees[i-1], trees[i]
			steps := 1 + int(math.Hypot(b.X-a.X, b.Y-a.Y)/4)
			for k := range steps + 1 {
				f := float64(k) / float64(steps)
				x, y := a.X+(b.X-a.X)*f, a.Y+(b.Y-a.Y)*f
				room.take(Box{x - 2, y - 2, x + 2, y + 2})
			}
		}
	}
	for i, p := range m.Plots {
		for _, c := range members[i+1] {
			if room.place(s, around(Text{S: strconv.Itoa(p.Number), Size: Small, Role: Ink, Halo: true}, c, r+1)...) {
				break
			}
		}
	}
	s.add(northArrow(Point{m.WidthPx - 18, 54}, 34, 0, m.North)...)
	step := niceStep(w, 4)
	s.add(scaleBar(Point{pad, s.Height - 8}, step*k, with(m.Words.short(step), "m"))...)
}

// grid draws plots as boxes in rows, blocks named in each.
func (m TrialMap) grid(s *Scene) {
	const cell, gap = 58.0, 6.0
	perRow := max(1, int((m.WidthPx-2*margin+gap)/(cell+gap)))
	for i, p := range m.Plots {
		x, y := margin+float64(i%perRow)*(cell+gap), margin+float64(i/perRow)*(cell+gap)
		s.add(Rect{X: x, Y: y, W: cell, H: cell, Style: TrialStyle(p.Treatment)})
		for _, t := range []Text{
			{At: Point{x + cell/2, y + 35}, S: p.Letter, Size: Large, Bold: true, Anchor: Middle, Role: Ink},
			{At: Point{x + 4, y + 13}, S: strconv.Itoa(p.Number), Size: Small, Role: Ink},
			{At: Point{x + cell - 4, y + cell - 5}, S: shorten(p.Block, Small, false, cell-8), Size: Small, Anchor: End, Role: Muted},
		} {
			if t.S == "" {
				continue
			}
			b := boxOf(t).grow(1.5) // plain ground, so that no pattern runs through it
			s.add(Rect{X: b.X0, Y: b.Y0, W: b.X1 - b.X0, H: b.Y1 - b.Y0, Style: Style{Fill: Paper}}, t)
		}
	}
	rows := (len(m.Plots) + perRow - 1) / perRow
	s.Height = 2*margin + float64(rows)*(cell+gap) - gap
}
