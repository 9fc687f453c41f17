package report

import (
	"math"
	"slices"
	"strings"

	"sapward/finding"
	"sapward/internal/draw"
	"sapward/plan"
	"sapward/plan/crew"
)

// mostSections is how many fills get a section of their own; a block where
// every tree has its own load is one section.
const mostSections = 4

// fills is a section for each fill: a tree that stands for all, and the list
// of its trees.
func (d *document) fills() error {
	if d.refused() {
		return nil
	}
	p := d.plan
	groups := map[plan.Microlitres][]int{}
	var order []plan.Microlitres
	for i := range p.Trees {
		f := p.Trees[i].Fill
		if p.Basis == plan.ByTree || len(p.Fills) > mostSections {
			f = 0
		}
		if _, seen := groups[f]; !seen {
			order = append(order, f)
		}
		groups[f] = append(groups[f], i)
	}
	slices.Sort(order)
	slices.Reverse(order) // largest first, own loads last
	for _, f := range order {
		if err := d.fillSection(f, groups[f]); err != nil {
			return err
		}
	}
	return nil
}

func (d *document) fillSection(f plan.Microlitres, trees []int) error {
	title := d.t("report-own-loads")
	if f > 0 {
		title = d.say.Say("report-fill", finding.Args{"fill": finding.Number(f.ML(), "mL")})
	}
	d.section(title, "")
	var ports int
	var dose, product, water plan.Microlitres
	for _, i := range trees {
		t := &d.plan.Trees[i]
		ports += len(t.Ports)
		dose += t.Dose
		product += t.Product
		water += t.Water
	}
	values := [][2]string{{whole(len(trees)), d.t("report-trees-treated")}, {whole(ports), d.t("col-ports")}, {d.say.Volume(dose.ML()), d.t("report-volume-all")}}
	if water > 0 {
		values = append(values, [2]string{d.say.Volume(product.ML()), d.t("report-product-all")}, [2]string{d.say.Volume(water.ML()), d.t("report-water-all")})
	}
	d.tiles(len(values), func(i int) (string, string) { return values[i][0], values[i][1] })
	if err := d.example(&d.plan.Trees[d.typical(trees)]); err != nil {
		return err
	}
	d.treeList(f, trees)
	if err := d.woundRings(trees); err != nil {
		return err
	}
	return d.limbTrees(trees)
}

// typical is the tree of middle diameter, one without old holes or obstacles
// if there is any.
func (d *document) typical(trees []int) int {
	plain := make([]int, 0, len(trees))
	for _, i := range trees {
		if tag := d.plan.Trees[i].Tag; len(d.wounds[tag]) == 0 && len(d.obstacles[tag]) == 0 {
			plain = append(plain, i)
		}
	}
	if len(plain) == 0 {
		plain = slices.Clone(trees)
	}
	slices.SortStableFunc(plain, func(a, b int) int {
		switch x, y := d.plan.Trees[a].DiameterCM, d.plan.Trees[b].DiameterCM; {
		case x < y:
			return -1
		case x > y:
			return 1
		}
		return 0
	})
	return plain[len(plain)/2]
}

// example draws ring and unrolled trunk of one tree side by side.
func (d *document) example(t *plan.Tree) error {
	d.subhead(d.say.Say("report-example", finding.Args{"tree": finding.Text(name(t.Tag, t.Stem)), "diameter": finding.Number(t.DiameterCM, "cm")}))
	w := (d.width - gutter) / 2
	ring, err := d.ring(t, w, "")
	if err != nil {
		return err
	}
	unrolled, err := d.unrolled(t, w)
	if err != nil {
		return err
	}
	h := max(ring.Height, unrolled.Height) / pxPerMM
	d.need(h)
	d.place(ring, d.x, d.y, w, 0)
	d.place(unrolled, d.x+w+gutter, d.y, w, 0)
	d.y += h + 1
	return nil
}

// trunkPorts are the ports of the tree's first trunk: the ring shows one.
func trunkPorts(t *plan.Tree) []plan.Port {
	var out []plan.Port
	for _, q := range t.Ports {
		if !isLimb(q) && (len(out) == 0 || q.Stem == out[0].Stem) {
			out = append(out, q)
		}
	}
	return out
}

// ring is the drawing of a tree's ports with its old holes and obstacles.
func (d *document) ring(t *plan.Tree, width float64, heading string, blank ...string) (draw.Scene, error) {
	ports := trunkPorts(t)
	r := draw.Ring{Frame: d.frameOf(draw.KindRing, width, heading), GirthCm: t.GirthCM, DiameterCm: t.GirthCM / math.Pi, MarkDeg: d.mark, Unit: d.lengthUnit()}
	if r.DiameterCm <= 0 {
		r.DiameterCm, r.GirthCm = t.DiameterCM, 0
	}
	r.Title = d.say.Say("report-ring-title", finding.Args{"tree": finding.Text(name(t.Tag, t.Stem))})
	r.BarkMm = d.bark(t)
	for _, key := range blank {
		r.Words.Label[key] = ""
	}
	known := true
	for _, q := range ports {
		depth := 0.0
		if q.DepthMM != nil {
			depth = float64(*q.DepthMM)
		} else {
			known = false
		}
		r.Ports = append(r.Ports, draw.RingPort{Number: q.N, AzimuthDeg: q.AzimuthDeg, TapeCm: q.AlongCM, DepthMm: depth, HoleMm: d.holeMM(), VolumeLabel: d.vol(q.Volume)})
	}
	r.OldHoles = d.oldHoles(t, ports)
	for _, o := range d.stemObstacles(t) {
		r.Blocked = append(r.Blocked, draw.Blocked{FromDeg: o.FromDeg, ToDeg: o.ToDeg, Label: d.obstacleName(o.Kind)})
	}
	if known {
		return draw.DrawRing(r)
	}
	// The drawing knows no open depth: it is drawn without one and the words
	// are put right.
	const unit = "\u00a4"
	r.Words.Label["depth_unit"], r.Words.Label["deep"] = unit, ""
	sc, err := draw.DrawRing(r)
	sc.Items = replaceText(sc.Items, "0\u00a0"+unit, d.t("report-depth-open"))
	return sc, err
}

// replaceText returns the items with one text in the place of another.
func replaceText(items []draw.Element, old, with string) []draw.Element {
	out := make([]draw.Element, len(items))
	for i, e := range items {
		switch x := e.(type) {
		case draw.Text:
			x.S = strings.TrimRight(strings.ReplaceAll(x.S, old, with), " ")
			e = x
		case draw.Group:
			x.Items = replaceText(x.Items, old, with)
			e = x
		}
		out[i] = e
	}
	return out
}

// unrolled is the bark of the trunk laid flat, seen from outside.
func (d *document) unrolled(t *plan.Tree, width float64) (draw.Scene, error) {
	ports := trunkPorts(t)
	u := draw.Unrolled{Frame: d.frameOf(draw.KindUnrolled, width, ""), GirthCm: t.GirthCM, MarkDeg: d.mark, LeftDeg: 315, Unit: d.lengthUnit()}
	if u.GirthCm <= 0 {
		u.GirthCm = t.DiameterCM * math.Pi
	}
	u.Title = d.say.Say("report-unrolled-title", finding.Args{"tree": finding.Text(name(t.Tag, t.Stem))})
	for _, q := range ports {
		u.Ports = append(u.Ports, draw.TrunkPort{Number: q.N, AzimuthDeg: q.AzimuthDeg, HeightCm: q.HeightCM})
	}
	u.OldHoles = d.oldHoles(t, ports)
	for _, o := range d.stemObstacles(t) {
		u.Blocked = append(u.Blocked, draw.Blocked{FromDeg: o.FromDeg, ToDeg: o.ToDeg, Label: d.obstacleName(o.Kind)})
	}
	return draw.DrawUnrolled(u)
}

// mostRings bounds the drawings of trees with old holes or obstacles; in a
// block with more, every tree is still in the list and the rest of the
// drawings are left to the screen, which the page says.
const mostRings = 240

// woundRings draws every tree that has old holes or obstacles, two a row.
func (d *document) woundRings(trees []int) error {
	var hurt []int
	for _, i := range trees {
		t := &d.plan.Trees[i]
		if len(trunkPorts(t)) > 0 && (len(d.stemWounds(t)) > 0 || len(d.stemObstacles(t)) > 0) {
			hurt = append(hurt, i)
		}
	}
	if len(hurt) == 0 {
		return nil
	}
	d.section(d.t("report-wounded"), d.t("report-wounded-meaning"))
	if len(hurt) > mostRings {
		d.paragraph(d.say.Say("report-rings-left", finding.Args{"shown": finding.Count(mostRings), "count": finding.Count(len(hurt))}), text{bold: true})
		hurt = hurt[:mostRings]
	}
	return d.pairs(hurt, func(t *plan.Tree, w float64) (draw.Scene, error) {
		return d.ring(t, w, d.ringHeading(t), "bark", "sapwood", "port", "clockwise")
	})
}

func (d *document) ringHeading(t *plan.Tree) string {
	return name(t.Tag, t.Stem) + "  ·  " + d.say.Length(t.DiameterCM)
}

// pairs draws trees two a row.
func (d *document) pairs(trees []int, sketch func(t *plan.Tree, w float64) (draw.Scene, error)) error {
	const each = 2
	w := (d.width - gutter*(each-1)) / each
	for i := 0; i < len(trees); i += each {
		var row []draw.Scene
		h := 0.0
		third := (d.h-foot-top)/3 - 1 // three rows a page, if that makes the type hardly smaller
		for _, k := range trees[i:min(i+each, len(trees))] {
			sc, err := sketch(&d.plan.Trees[k], w)
			if err != nil {
				return err
			}
			row = append(row, sc)
			h = max(h, sc.Height/pxPerMM)
		}
		if h > third && h*0.89 <= third {
			h = third
		}
		d.need(h + 1)
		for k, sc := range row {
			d.place(sc, d.x+float64(k)*(w+gutter), d.y, w, h)
		}
		d.y += h + 1
	}
	return nil
}

// limbTrees draws every tree that has ports on limbs, with what goes where.
func (d *document) limbTrees(trees []int) error {
	var high []int
	for _, i := range trees {
		if t := &d.plan.Trees[i]; len(trunkPorts(t)) < len(t.Ports) && slices.ContainsFunc(t.Ports, isLimb) {
			high = append(high, i)
		}
	}
	if len(high) == 0 {
		return nil
	}
	d.section(d.t("report-limbs"), d.t("caution-aloft"))
	if len(high) > mostRings {
		d.paragraph(d.say.Say("report-rings-left", finding.Args{"shown": finding.Count(mostRings), "count": finding.Count(len(high))}), text{bold: true})
		high = high[:mostRings]
	}
	return d.pairs(high, d.limbSketch)
}

// limbSketch shows a trunk with its limbs and how many ports each gets.
func (d *document) limbSketch(t *plan.Tree, w float64) (draw.Scene, error) {
	l := draw.Limbs{Frame: d.frameOf(draw.KindLimbs, w, d.ringHeading(t)), DiameterCm: t.DiameterCM, ViewDeg: 180, ClimbM: crew.HighPortM, Unit: d.lengthUnit()}
	l.Title = d.say.Say("report-limbs-title", finding.Args{"tree": finding.Text(name(t.Tag, t.Stem))})
	var trunk plan.Microlitres
	amount := map[string]plan.Microlitres{}
	at := map[string]int{}
	for _, q := range t.Ports {
		if !isLimb(q) {
			trunk += q.Volume
			l.TrunkPorts++
			l.TrunkHeight = q.HeightCM / 100
			continue
		}
		k, seen := at[q.Where]
		if !seen {
			limb := d.limbs[t.Tag+"\x00"+q.Where]
			k = len(l.Limbs)
			at[q.Where] = k
			l.Limbs = append(l.Limbs, draw.Limb{Name: strings.TrimPrefix(q.Where, "limb "), AzimuthDeg: limb.AzimuthDeg, HeightM: q.HeightCM / 100, DiameterCm: limb.Diameter.Float()})
		}
		l.Limbs[k].Ports++
		amount[q.Where] += q.Volume
		l.Limbs[k].AmountLabel = d.vol(amount[q.Where])
	}
	l.TrunkAmount = d.vol(trunk)
	return draw.DrawLimbs(l)
}
