package report

import (
	"slices"
	"strings"

	"sapward/internal/lang"
	"sapward/plan"
)

// treeList lists trees with the tape distance of every port.
func (d *document) treeList(f plan.Microlitres, trees []int) {
	d.subhead(d.t("head-trees"))
	d.paragraph(d.t("along-meaning"), text{size: small, gray: muted})
	d.y += 1
	unit := " " + d.unitName()
	cols := []column{{head: d.t("col-tree"), share: 19, bold: true}, {head: d.t("col-diameter") + unit, share: 16, right: true}, {head: d.t("col-ports"), share: 13, right: true},
		{head: d.t("report-dose-tree"), share: 17, right: true}, {head: d.t("report-height") + unit, share: 28, right: true}, {head: d.t("report-depth"), share: 16, right: true},
		{head: d.t("col-along") + unit, share: 73}}
	if d.say.US {
		cols[5].share, cols[6].share = 27, 62
	}
	t := d.newTable(cols...)
	for _, i := range trees {
		p := &d.plan.Trees[i]
		t.row(name(p.Tag, p.Stem), d.tape(p.DiameterCM), whole(len(p.Ports)), d.vol(p.Dose), d.heights(p), d.depths(p), d.places(p, f))
	}
}

// heights of the trunk's ports, each once.
func (d *document) heights(t *plan.Tree) string {
	var out []string
	for _, q := range t.Ports {
		if h := d.tape(q.HeightCM); !isLimb(q) && !slices.Contains(out, h) {
			out = append(out, h)
		}
	}
	return strings.Join(out, " / ")
}

// depths of the trunk's ports, each once.
func (d *document) depths(t *plan.Tree) string {
	var out []string
	for _, q := range t.Ports {
		if s := d.depth(q.DepthMM); !isLimb(q) && !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	return strings.Join(out, ", ")
}

// places writes the tape distances, trunk by trunk and limb by limb; where
// ports get different volumes, each volume stands behind its distance.
func (d *document) places(t *plan.Tree, f plan.Microlitres) string {
	mixed := false
	for _, q := range t.Ports {
		mixed = mixed || q.Volume != t.Ports[0].Volume
	}
	var b strings.Builder
	if f == 0 && !mixed && len(t.Ports) > 0 {
		b.WriteString(d.vol(t.Ports[0].Volume) + ":")
	}
	where := ""
	for _, q := range t.Ports {
		if b.Len() > 0 {
			b.WriteString("\u00a0 ") // two spaces tell the numbers apart
		}
		if at := d.whereOf(t, q); at != where {
			where = at
			if at != "" {
				if b.Len() > 0 {
					b.WriteString("· ")
				}
				b.WriteString(at + ": ")
			}
		}
		b.WriteString(d.tape(q.AlongCM))
		if mixed {
			b.WriteString("\u00a0(" + lang.Figure(q.Volume.ML(), 2) + "\u00a0mL)")
		}
	}
	return b.String()
}

// whereOf names the trunk or limb a port is on; empty for a single trunk.
func (d *document) whereOf(t *plan.Tree, q plan.Port) string {
	switch {
	case isLimb(q):
		return strings.TrimPrefix(q.Where, "limb ") + strings.ReplaceAll(" ("+d.say.Height(q.HeightCM/100)+")", " ", "\u00a0")
	case q.Stem != "" && q.Stem != t.Stem:
		return q.Stem
	}
	return ""
}
