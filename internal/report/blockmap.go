package report

import (
	"math"
	"strings"

	"sapward/finding"
	"sapward/internal/draw"
	"sapward/measure/tree"
	"sapward/plan"
	"sapward/plan/crew"
)

// blockPage is the block from above with the walk, then the trees without a dose.
func (d *document) blockPage() error {
	m, placed := d.blockMap()
	none := d.plan.RefusedTrees
	crewNone := d.crewRefused()
	if placed == 0 && len(none)+len(crewNone) == 0 {
		return nil
	}
	if placed > 0 {
		d.section(d.t("report-map"), "")
		room := d.bottom - d.y - 8
		sc, err := fitMap(m, room*pxPerMM)
		if err != nil {
			return err
		}
		h := d.place(sc, d.x, d.y, sc.Width/pxPerMM, room)
		d.y += h + 2
		if n := len(d.in.Block) - placed; n > 0 {
			d.paragraph(d.say.Say("report-unplaced", finding.Args{"count": finding.Count(n)}), text{})
		}
		if !d.refused() {
			d.paragraph(d.t("report-walk-order"), text{size: small, gray: muted})
		}
	} else {
		d.section(d.t("head-refused-trees"), "")
	}
	if len(none)+len(crewNone) == 0 {
		return nil
	}
	if placed > 0 {
		d.y += 2
		d.subhead(d.t("head-refused-trees"))
	}
	for _, r := range none {
		for _, f := range r.Findings {
			str, mend := d.say.Finding(f)
			d.badged(f.Authority, name(r.Tree, r.Stem), join(" ", str, mend))
		}
	}
	for _, r := range crewNone {
		d.badged(finding.ByPractice, r[0], r[1])
	}
	return nil
}

// crewRefused are the trees that the crew or its hours cannot serve.
func (d *document) crewRefused() (out [][2]string) {
	if d.in.Outfit == nil {
		return nil
	}
	for _, r := range d.in.Outfit.Schedule.Refused {
		out = append(out, [2]string{r.Tree, d.crewWord(r.Reason)})
	}
	return out
}

// crewWord is the text of one of the crew package's identifiers.
func (d *document) crewWord(id string) string {
	if d.say.Has("crew-" + id) {
		return d.say.T("crew-" + id)
	}
	return d.say.T(id)
}

// Mean radius of the Earth in metres: R1 = 6371008.8, IUGG (from memory).
const earthM = 6371008.8

// position of a tree in metres; geographic coordinates are laid on a plane
// about the block's first tree, good to a decimetre over a kilometre.
func position(t, first *tree.Tree) (x, y float64, ok bool) {
	switch {
	case t.X.Known && t.Y.Known:
		return t.X.Value, t.Y.Value, true
	case t.Lat.Known && t.Lon.Known && first != nil:
		rad := math.Pi / 180
		return earthM * (t.Lon.Value - first.Lon.Value) * rad * math.Cos(first.Lat.Value*rad), earthM * (t.Lat.Value - first.Lat.Value) * rad, true
	}
	return 0, 0, false
}

// blockMap gathers the map and says how many trees have a place on it.
func (d *document) blockMap() (draw.BlockMap, int) {
	m := draw.BlockMap{Frame: d.frameOf(draw.KindBlockMap, d.w-2*side, ""), MetresPerUnit: 1}
	m.Title = d.t("report-map")
	if d.say.US {
		m.MetresPerUnit = 0.3048
	}
	grid, degrees := false, (*tree.Tree)(nil)
	for i := range d.in.Block {
		b := &d.in.Block[i]
		grid = grid || b.X.Known && b.Y.Known
		if degrees == nil && b.Lat.Known && b.Lon.Known {
			degrees = b
		}
	}
	refused := map[string]bool{}
	for _, r := range d.plan.RefusedTrees {
		refused[r.Tree] = true
	}
	classes, classOf := d.mapClasses()
	m.Classes = classes
	at := map[string]int{}
	for i := range d.in.Block {
		b := &d.in.Block[i]
		if grid && !(b.X.Known && b.Y.Known) {
			continue
		}
		x, y, ok := position(b, degrees)
		if !ok {
			continue
		}
		t := draw.MapTree{Tag: b.Tag, XM: x, YM: y, Class: classOf(b.Tag)}
		switch {
		case refused[b.Tag] || len(d.trees[b.Tag]) == 0:
			t.Status = draw.Refused
		case b.Status == tree.Suspect || b.Status == tree.Symptomatic:
			t.Status = draw.Suspect
		}
		at[b.Tag] = len(m.Trees)
		m.Trees = append(m.Trees, t)
	}
	if o := d.in.Outfit; o != nil && len(o.Schedule.Days) == 1 && len(o.Schedule.Days[0].People) <= mostWalks {
		for _, p := range o.Schedule.Days[0].People {
			w := draw.Walk{Person: d.person(p.Person)}
			for _, tag := range p.Trees {
				if k, ok := at[tag]; ok {
					w.Trees = append(w.Trees, k)
				}
			}
			if len(w.Trees) > 0 {
				m.Walks = append(m.Walks, w)
			}
		}
	}
	m.HideTags = len(m.Trees) > 800
	return m, len(m.Trees)
}

// mapClasses are at most six classes of trees: the fills, or few ranges of
// port numbers where all trees get the same.
func (d *document) mapClasses() ([]string, func(tag string) int) {
	if d.refused() {
		return nil, func(string) int { return 0 }
	}
	first := func(tag string) *plan.Tree {
		if k := d.trees[tag]; len(k) > 0 {
			return &d.plan.Trees[k[0]]
		}
		return nil
	}
	if fs := d.plan.Fills; len(fs) > 1 && len(fs) <= mostSections && d.plan.Basis != plan.ByTree {
		var names []string
		for _, f := range fs {
			names = append(names, d.vol(f.Volume))
		}
		return names, func(tag string) int {
			if t := first(tag); t != nil {
				for i, f := range fs {
					if f.Volume == t.Fill {
						return i
					}
				}
			}
			return 0
		}
	}
	low, high := 0, 0
	for i := range d.plan.Trees {
		n := len(d.plan.Trees[i].Ports)
		if low == 0 || n < low {
			low = n
		}
		high = max(high, n)
	}
	step := max(1, (high-low+1+3)/4)
	var names []string
	for a := low; a <= high; a += step {
		b := min(a+step-1, high)
		n := whole(a)
		if b > a {
			n += "–" + whole(b)
		}
		names = append(names, d.say.Say("report-n-ports", finding.Args{"n": finding.Text(n)}))
	}
	if len(names) == 0 {
		names = []string{d.t("report-no-dose")}
	}
	return names, func(tag string) int {
		if t := first(tag); t != nil {
			return min(max((len(t.Ports)-low)/step, 0), len(names)-1)
		}
		return 0
	}
}

// person names a member of the crew: a number gets the word before it.
func (d *document) person(id string) string {
	if strings.Trim(id, "0123456789") == "" {
		return d.say.Say("report-person", finding.Args{"id": finding.Text(id)})
	}
	return id
}

// fitMap draws the map no higher than most px: a tall block is drawn narrower
// so that its type keeps its size.
func fitMap(m draw.BlockMap, most float64) (draw.Scene, error) {
	sc, err := draw.DrawBlockMap(m)
	for try := 0; err == nil && sc.Height > most && m.WidthPx > 280 && try < 8; try++ {
		m.WidthPx = max(280, m.WidthPx*max(0.5, min(0.95, most/sc.Height)))
		sc, err = draw.DrawBlockMap(m)
	}
	return sc, err
}

// mostWalks is how many people's ways one can follow on one map; beyond it the
// lists have the order.
const mostWalks = 6

// dayMap is the part of the map that is walked on one day of several.
func (d *document) dayMap(people []crew.PersonDay, all draw.BlockMap) (draw.BlockMap, bool) {
	m := all
	m.Frame = d.frameOf(draw.KindBlockMap, d.w-2*side, "")
	m.Title = all.Title
	m.Trees, m.Walks, m.HideTags = nil, nil, false
	at := map[string]int{}
	for i, t := range all.Trees {
		at[t.Tag] = i
	}
	for _, p := range people {
		w := draw.Walk{Person: d.person(p.Person)}
		for _, tag := range p.Trees {
			if k, ok := at[tag]; ok {
				w.Trees = append(w.Trees, len(m.Trees))
				m.Trees = append(m.Trees, all.Trees[k])
			}
		}
		if len(w.Trees) > 0 && len(people) <= mostWalks {
			m.Walks = append(m.Walks, w)
		}
	}
	return m, len(m.Trees) > 1
}
