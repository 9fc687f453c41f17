package report

import (
	"time"

	"sapward/finding"
	"sapward/internal/lang"
	"sapward/plan"
)

// The field sheet's grid in mm: what is planned stands beside the boxes for
// what was read.
const (
	boxRow  = 5.6
	boxHead = 6.4
)

// boxes are the columns of the field sheet and their shares of the width.
var boxes = []struct {
	id    string
	share float64
	given bool // printed, not written
}{
	{"report-box-port", 8, true}, {"report-box-planned", 13, true}, {"report-box-delivered", 18, false}, {"report-box-left", 13, false},
	{"report-box-leak", 9, false}, {"report-box-start", 14, false}, {"report-box-stop", 14, false},
}

// round is one person's part of the field sheets, in the order of the walk.
type round struct {
	title string
	trees []int
}

// rounds are the persons' parts by day; trees on nobody's list come last.
func (d *document) rounds() []round {
	var out []round
	taken := make([]bool, len(d.plan.Trees))
	take := func(r *round, tag string) {
		for _, k := range d.trees[tag] {
			if !taken[k] {
				taken[k] = true
				r.trees = append(r.trees, k)
			}
		}
	}
	if o := d.in.Outfit; o != nil {
		for _, day := range o.Schedule.Days {
			for _, p := range day.People {
				r := round{title: d.say.Say("report-day-person", finding.Args{"day": finding.Count(day.Number), "person": finding.Text(d.person(p.Person))}) + "  ·  " + day.Start.Format(time.DateOnly)}
				for _, tag := range p.Trees {
					take(&r, tag)
				}
				if len(r.trees) > 0 {
					out = append(out, r)
				}
			}
		}
	}
	var rest round
	for k := range d.plan.Trees {
		if !taken[k] {
			rest.trees = append(rest.trees, k)
		}
	}
	if len(rest.trees) > 0 {
		if len(out) > 0 {
			rest.title = d.t("report-on-no-list")
		}
		out = append(out, rest)
	}
	return out
}

// fieldSheets are the paper the crew writes on: two columns of trees, a row of
// boxes a port.
func (d *document) fieldSheets() error {
	if d.refused() {
		return nil
	}
	for _, r := range d.rounds() {
		d.section(join("  ·  ", d.t("report-field-sheet"), r.title), "")
		d.sheetHead()
		d.columns(2, gutter, 0)
		for _, k := range r.trees {
			d.treeBoxes(&d.plan.Trees[k])
		}
		d.single()
	}
	return nil
}

// sheetHead are the lines to fill in once for a sheet.
func (d *document) sheetHead() {
	ids := []string{"report-line-date", "report-line-person", "report-line-temperature", "report-line-container"}
	w := d.width / float64(len(ids))
	d.y += 5
	for i, id := range ids {
		x := d.x + float64(i)*w
		str := d.t(id)
		tw := d.measure(str, text{size: small}) + 1.5
		d.within(x, d.y, tw, str, text{size: small, gray: muted})
		d.blank(x+tw, d.y+0.4, w-tw-4)
	}
	d.y += 3
	d.paragraph(d.t("report-sheet-meaning"), text{size: small, gray: muted})
	d.y += 1.5
}

// treeBoxes is one tree: its line, the heads and a row a port. A tree stays in
// one piece where a column holds it.
func (d *document) treeBoxes(t *plan.Tree) {
	head := boxHead + lineSmall + 1.4
	h := head + float64(len(t.Ports))*boxRow + 3
	if most := d.h - foot - top; h > most {
		h = head + 3*boxRow
	}
	d.need(h)
	d.treeLine(t, false)
	x0, w := d.x, d.boxWidths()
	for i := range t.Ports {
		if d.need(boxRow) {
			d.treeLine(t, true)
			x0, w = d.x, d.boxWidths()
		}
		q := &t.Ports[i]
		y := d.y
		x := x0
		for k, b := range boxes {
			if b.given {
				d.gray(soft)
				d.line(hairline, hair)
				d.pdf.Rect(x, y, w[k], boxRow, "FD")
			} else {
				d.line(0.25, muted)
				d.pdf.Rect(x, y, w[k], boxRow, "D")
			}
			x += w[k]
		}
		d.within(x0, y+3.9, w[0], whole(q.N), text{bold: true, align: "C"})
		d.within(x0+w[0], y+3.9, w[1], lang.Figure(q.Volume.ML(), 2), text{align: "C"})
		d.y += boxRow
	}
	d.y += 3
}

func (d *document) boxWidths() []float64 {
	sum := 0.0
	for _, b := range boxes {
		sum += b.share
	}
	w := make([]float64, len(boxes))
	for i, b := range boxes {
		w[i] = d.width * b.share / sum
	}
	return w
}

// treeLine is the line above a tree's boxes, with room for initials, and the
// heads of the boxes.
func (d *document) treeLine(t *plan.Tree, again bool) {
	tag := name(t.Tag, t.Stem)
	if again {
		tag += " …"
	}
	y := d.y + 4.4
	init := d.t("report-initials")
	iw := d.measure(init, text{size: small}) + 1.2
	const room = 13.0 // to write initials
	d.put(d.x+d.width-room-iw, y, init, text{size: small, gray: muted})
	d.blank(d.x+d.width-room, y+0.5, room)
	facts := join(" · ", d.say.Length(t.DiameterCM), d.vol(t.Dose))
	if s := d.status(t.Tag); s == "suspect" || s == "symptomatic" {
		facts = join(" · ", d.t("crew-"+string(s)), facts)
	}
	left := d.width - room - iw - 2
	ft := text{size: small, gray: muted}
	tt := text{bold: true}
	tw := d.measure(tag, tt)
	if tw+3 > left*0.75 { // a long tag takes the line and more
		tt.size = small
		for _, l := range d.wrap(tag, left, tt) {
			d.within(d.x, y, left, l, tt)
			y += lineSmall
		}
		y -= lineSmall
		d.y = y - 4.4
	} else {
		d.within(d.x, y, tw+0.1, tag, tt)
		d.lineFit(d.x+tw+2, y, left-tw-2, facts, ft)
	}
	d.y += boxHead
	w := d.boxWidths()
	x := d.x
	for i, b := range boxes {
		d.within(x, d.y+2.5, w[i], d.t(b.id), text{size: small, gray: muted, align: "C"})
		x += w[i]
	}
	d.y += lineSmall + 0.4
}
