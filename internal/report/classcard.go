package report

import (
	"math"
	"strconv"

	"sapward/finding"
	"sapward/internal/draw"
	"sapward/internal/lang"
	"sapward/measure/tree"
	"sapward/plan"
)

// classRows are the rows near the block's trunks: from two thirds of the
// smallest to one and a half times the largest; plan.json has every row.
func (d *document) classRows(near float64) []plan.ClassRow {
	low, high := 0.0, 0.0
	for _, t := range d.plan.Trees {
		if low == 0 || t.DiameterCM < low {
			low = t.DiameterCM
		}
		high = max(high, t.DiameterCM)
	}
	var out []plan.ClassRow
	for _, r := range d.plan.ClassCard {
		if high == 0 || r.ToCM >= low/near && r.FromCM <= high*near {
			out = append(out, r)
		}
	}
	return out
}

// span writes a range of tape readings.
func (d *document) span(from, to float64) string { return d.tape(from) + "–" + d.tape(to) }

// reading is a diameter as the tape shows it, in cm: to a tenth of a
// centimetre, or of an inch.
func (d *document) reading(cm float64) float64 {
	step := 0.1
	if d.say.US {
		step = 0.254
	}
	return math.Round(cm/step) * step
}

// inRow counts the planned trees whose diameter is read as one of a row.
func (d *document) inRow(r plan.ClassRow) int {
	n := 0
	for _, t := range d.plan.Trees {
		if v := d.reading(t.DiameterCM); v >= r.FromCM-0.04 && v <= r.ToCM+0.04 {
			n++
		}
	}
	return n
}

// classCard is the page that tells ports and fill from the tape.
func (d *document) classCard() error {
	rows := d.classRows(1.5)
	if d.refused() || len(rows) == 0 {
		return nil
	}
	d.section(d.t("head-class-card"), d.t("report-class-meaning"))
	values := d.diameters()
	if len(values) > 0 {
		if err := d.dots(rows, values); err != nil {
			return err
		}
		d.y += 3
	}
	unit := " " + d.unitName()
	t := d.newTable(column{head: d.t("col-diameter") + unit, share: 22, right: true, bold: true}, column{head: d.t("col-girth") + unit, share: 26, right: true},
		column{head: d.t("col-ports"), share: 16, right: true, bold: true}, column{head: d.t("col-each"), share: 20, right: true, bold: true},
		column{head: d.t("report-dose-tree"), share: 22, right: true}, column{head: d.t("report-trees-here"), share: 24, right: true})
	for _, r := range rows {
		girth := ""
		if r.GirthToCM > 0 {
			girth = d.span(r.GirthFromCM, r.GirthToCM)
		}
		here := ""
		if n := d.inRow(r); n > 0 {
			here = whole(n)
		}
		if r.Ports == 0 {
			t.row(d.span(r.FromCM, r.ToCM), girth, "–", d.t("class-none"), "", here)
			continue
		}
		t.row(d.span(r.FromCM, r.ToCM), girth, strconv.Itoa(r.Ports), d.vol(r.Volume), d.vol(r.Volume*plan.Microlitres(r.Ports)), here)
	}
	d.y += 2
	d.paragraph(d.t("report-class-note"), text{size: small, gray: muted})
	return nil
}

// diameters are those of all stems taped in the block.
func (d *document) diameters() []float64 {
	var out []float64
	for i := range d.in.Block {
		for _, s := range d.in.Block[i].Stems {
			if v := s.Diameter.Float(); v > 0 {
				out = append(out, v)
			}
		}
	}
	if len(out) == 0 {
		for _, t := range d.plan.Trees {
			out = append(out, t.DiameterCM)
		}
	}
	return out
}

// mostBands is how many classes the dot plot names.
const mostBands = 14

func (d *document) dots(rows []plan.ClassRow, values []float64) error {
	p := draw.DotPlot{Frame: d.frameOf(draw.KindDotPlot, d.width, ""), ValuesCm: values, Unit: d.lengthUnit()}
	p.Title = d.t("report-dots")
	sum := 0.0
	for _, v := range values {
		sum += v
	}
	p.MeanCm = sum / float64(len(values))
	if b := d.plan.Block; b != nil && b.Summary != nil && b.Summary.N == len(values) && b.Summary.CIHighCM > b.Summary.CILowCM {
		p.MeanCm, p.LowCm, p.HighCm = b.Summary.MeanCM, b.Summary.CILowCM, b.Summary.CIHighCM
	}
	for i, r := range rows {
		if r.Ports > 0 && d.inRow(r) > 0 {
			to := r.ToCM
			if i+1 < len(rows) && rows[i+1].FromCM-to < 0.3 { // the next step of the tape
				to = rows[i+1].FromCM
			}
			p.Bands = append(p.Bands, draw.DotBand{FromCm: r.FromCM, ToCm: to, Label: d.say.Say("report-n-ports", finding.Args{"n": finding.Count(r.Ports)})})
		}
	}
	if len(p.Bands) > 8 { // numbers alone, the word stands below
		for i := range p.Bands {
			if i > 0 {
				p.Bands[i].Label = lang.Figure(portsOf(rows, p.Bands[i]), 0)
			}
		}
	}
	if len(p.Bands) > mostBands {
		p.Bands = nil
	}
	sc, err := draw.DrawDotPlot(p)
	if err != nil {
		return err
	}
	d.need(sc.Height / pxPerMM)
	d.y += d.place(sc, d.x, d.y, d.width, 0)
	return nil
}

func portsOf(rows []plan.ClassRow, b draw.DotBand) float64 {
	for _, r := range rows {
		if r.FromCM == b.FromCm {
			return float64(r.Ports)
		}
	}
	return 0
}

// status is how a tree stands in the block.
func (d *document) status(tag string) tree.Status {
	if b := d.block[tag]; b != nil {
		return b.Status
	}
	return tree.StatusUnknown
}
