package report

import (
	"time"

	"sapward/finding"
	"sapward/internal/lang"
	"sapward/plan"
)

// The field sheet's grid in mm: what is planned stands beside the boxes for
// what was done. A box is high and wide enough for figures written by hand.
const (
	boxRow   = 6.6
	boxTree  = 7.4 // the line above a tree's boxes
	boxHeads = 7.6 // two lines of heads
)

// box is a column of the field sheet. The share is of the width; at a share of
// 1 it would be 0.98 mm.
type box struct {
	id    string
	unit  string
	share float64
	given bool // printed, not written
	tick  bool // a mark, not a figure
}

// boxes are the columns: everything that the phone notes of a port, in the
// order of the work. What was delivered is not written: it is loaded less left
// less leaked.
func (d *document) boxes() []box {
	length, bit := d.unitName(), "mm"
	if d.say.US {
		bit = "in"
	}
	return []box{
		{"report-box-port", "", 7, true, false}, {"report-box-place", length, 12, true, false}, {"report-box-depth", "mm", 10, true, false}, {"report-box-fill", "mL", 12, true, false},
		{"report-box-place", length, 14, false, false}, {"report-box-height", length, 12, false, false}, {"report-box-depth", "mm", 12, false, false}, {"report-box-bit", bit, 11, false, false},
		{"report-box-loaded", "mL", 15, false, false}, {"report-box-start", "h:min", 14, false, false}, {"report-box-left", "mL", 15, false, false}, {"report-box-leak", "mL", 13, false, false}, {"report-box-stop", "h:min", 14, false, false},
		{"report-box-sealed", "", 10.5, false, true}, {"report-box-pulled", "", 10.5, false, true},
	}
}

// spares is how many rows for holes in place of others a person's sheets end
// with, where the last one has room.
const spares = 4

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

// fieldSheets are the paper the crew writes on: a row of boxes a port, tree by
// tree, and rows for holes that take the place of others. It can be typed in
// afterwards.
func (d *document) fieldSheets() error {
	if d.refused() {
		return nil
	}
	for _, r := range d.rounds() {
		d.section(join("  ·  ", d.t("report-field-sheet"), r.title), "")
		d.sheetHead()
		d.heads()
		for _, k := range r.trees {
			d.treeBoxes(&d.plan.Trees[k])
		}
		d.spareRows()
	}
	return nil
}

// sheetHead are the lines to fill in once for a sheet.
func (d *document) sheetHead() {
	d.y += 5
	for _, ids := range [][]string{
		{"report-line-date", "report-line-person", "report-line-temperature", "report-line-bit"},
		{"report-line-container", "report-line-lot", "report-line-taken", "report-line-returned"},
	} {
		w := d.width / float64(len(ids))
		for i, id := range ids {
			x := d.x + float64(i)*w
			str := d.t(id)
			tw := d.measure(str, text{size: small}) + 1.5
			d.within(x, d.y, tw, str, text{size: small, gray: muted})
			d.blank(x+tw, d.y+0.4, w-tw-4)
		}
		d.y += 7
	}
	d.y -= 4
	d.paragraph(d.t("report-sheet-meaning"), text{size: small, gray: muted})
	d.y += 1.5
}

// heads writes the heads of the boxes, once a page.
func (d *document) heads() {
	w := d.boxWidths()
	x := d.x
	for i, b := range d.boxes() {
		d.within(x, d.y+2.5, w[i], d.t(b.id), text{size: small, gray: muted, align: "C"})
		if b.unit != "" {
			d.within(x, d.y+2.5+lineSmall, w[i], b.unit, text{size: small, gray: muted, align: "C"})
		}
		x += w[i]
	}
	d.y += boxHeads
}

// treeBoxes is one tree: its line and a row a port. A tree stays in one piece
// where a page holds it.
func (d *document) treeBoxes(t *plan.Tree) {
	h := boxTree + float64(len(t.Ports))*boxRow + 2.4
	if most := d.h - foot - top - boxHeads; h > most {
		h = boxTree + 3*boxRow
	}
	if d.need(h) {
		d.heads()
	}
	d.treeLine(t, false)
	for i := range t.Ports {
		if d.need(boxRow) {
			d.heads()
			d.treeLine(t, true)
		}
		q := &t.Ports[i]
		depth := "–"
		if q.DepthMM != nil {
			depth = whole(int64(*q.DepthMM))
		}
		d.boxLine([]string{whole(q.N), d.tape(q.AlongCM), depth, lang.Figure(q.Volume.ML(), 2)})
	}
	d.y += 2.4
}

// boxLine draws one row of boxes with what is planned in the grey ones.
func (d *document) boxLine(planned []string) {
	w := d.boxWidths()
	x := d.x
	for k, b := range d.boxes() {
		switch {
		case b.given:
			d.gray(soft)
			d.line(hairline, hair)
			d.pdf.Rect(x, d.y, w[k], boxRow, "FD")
			d.within(x, d.y+4.4, w[k], planned[k], text{bold: k == 0, align: "C"})
		default:
			d.line(0.25, muted)
			d.pdf.Rect(x, d.y, w[k], boxRow, "D")
			if b.tick {
				d.tick(x+w[k]/2-1.6, d.y+4.4, 3.2)
			}
		}
		x += w[k]
	}
	d.y += boxRow
}

// spareRows are boxes for holes drilled in place of others: which tree, the
// new port's number and the one it stands for come first.
func (d *document) spareRows() {
	rows := spares
	if d.need(boxHeads + 6 + spares*boxRow) {
		d.heads()
		rows *= 3 // a page of their own has room
	}
	d.y += 4.4
	d.within(d.x, d.y, d.width, d.t("report-box-spare"), text{bold: true})
	d.y += 1.2
	w := d.boxWidths()
	given := 0.0
	boxes := d.boxes()
	for k, b := range boxes {
		if b.given {
			given += w[k]
		}
	}
	first := []struct {
		id    string
		share float64
	}{{"report-box-tree", 0.4}, {"report-box-new", 0.27}, {"report-box-for", 0.33}}
	for n := range rows + 1 {
		x := d.x
		for _, f := range first {
			if n == 0 {
				d.within(x, d.y+2.7, given*f.share, d.t(f.id), text{size: small, gray: muted, align: "C"})
			} else {
				d.line(0.25, muted)
				d.pdf.Rect(x, d.y, given*f.share, boxRow, "D")
			}
			x += given * f.share
		}
		if n == 0 {
			d.y += lineSmall + 0.4
			continue
		}
		for k, b := range boxes {
			if b.given {
				continue
			}
			d.pdf.Rect(x, d.y, w[k], boxRow, "D")
			if b.tick {
				d.tick(x+w[k]/2-1.6, d.y+4.4, 3.2)
				d.line(0.25, muted)
			}
			x += w[k]
		}
		d.y += boxRow
	}
}

func (d *document) boxWidths() []float64 {
	sum := 0.0
	boxes := d.boxes()
	for _, b := range boxes {
		sum += b.share
	}
	w := make([]float64, len(boxes))
	for i, b := range boxes {
		w[i] = d.width * b.share / sum
	}
	return w
}

// treeLine is the line above a tree's boxes: its tag and what is planned, and
// room for a new tape reading, a tick for disinfected tools, a note and
// initials.
func (d *document) treeLine(t *plan.Tree, again bool) {
	tag := name(t.Tag, t.Stem)
	if again {
		tag += " …"
	}
	y := d.y + 5.2
	label := text{size: small, gray: muted}
	const reading, note, initials, tick = 15.0, 34.0, 11.0, 3.2 // mm to write in
	right := d.x + d.width
	write := func(id string, room float64) {
		tw := d.measure(d.t(id), label) + 1.2
		right -= tw + room
		d.put(right, y, d.t(id), label)
		d.blank(right+tw, y+0.5, room)
		right -= 2.2
	}
	write("report-initials", initials)
	write("report-box-note", note)
	tw := d.measure(d.t("report-box-clean"), label) + 1.2
	right -= tw + tick
	d.put(right, y, d.t("report-box-clean"), label)
	d.tick(right+tw, y, tick)
	right -= 2.2
	write("report-box-tape", reading)
	left := right - d.x
	facts := join(" · ", d.say.Length(t.DiameterCM), d.vol(t.Dose))
	if s := d.status(t.Tag); s == "suspect" || s == "symptomatic" {
		facts = join(" · ", d.t("crew-"+string(s)), facts)
	}
	tt := text{bold: true}
	tw = d.measure(tag, tt)
	if tw+3 > left*0.75 { // a long tag takes the line and more
		tt.size = small
		for _, l := range d.wrap(tag, left, tt) {
			d.within(d.x, y, left, l, tt)
			y += lineSmall
		}
		d.y = y - lineSmall + boxTree - 5.2
		return
	}
	d.within(d.x, y, tw+0.1, tag, tt)
	d.lineFit(d.x+tw+2, y, left-tw-2, facts, label)
	d.y += boxTree
}
