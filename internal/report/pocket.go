package report

import (
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/plan"
)

// pocket is the page to fold twice: four panels with what the crew needs
// without unfolding the plan. What does not fit goes on to another such page.
func (d *document) pocket() error {
	if d.refused() {
		return nil
	}
	d.title, d.cols = d.t("report-pocket"), 1
	d.newPage()
	d.panels()
	p := d.plan
	card := d.in.CardText
	d.panelHead(p.Card.Product)
	d.paragraph(join("  ·  ", p.Card.Registration, d.t("method-"+p.Method)), text{})
	for _, a := range p.Totals.Active {
		d.paragraph(a.Name, text{})
	}
	d.paragraph(join("  ·  ", d.in.Name, p.Site, p.On), text{gray: muted})
	if p.Card.Invented {
		d.panelBadge(d.t("report-invented"))
	}
	if p.PracticeOnly {
		d.panelBadge(d.t("report-practice-only"))
	}
	d.y += 1.5
	d.paragraph(d.say.Say("verdict-"+string(p.Verdict), finding.Args{"open": finding.Count(len(p.Open)), "refused": finding.Count(len(p.Refusals))}), text{bold: true})
	d.emergency(card.Safety.EmergencyNumber)
	if s := card.Safety.FirstAid; s != "" {
		d.subhead(d.t("report-first-aid"))
		d.paragraph(s, text{})
	} else {
		d.paragraph(d.t("report-no-first-aid"), text{})
	}
	if s := p.Dates.ReentryH; s != "" {
		d.subhead(d.t("report-reentry"))
		d.paragraph(d.say.Say("report-reentry-value", finding.Args{"hours": finding.Text(s)}), text{})
	}
	if s := card.Safety.Spill; s != "" {
		d.subhead(d.t("report-spill"))
		d.paragraph(s, text{})
	}
	steps := []string{"measure", "mix", "drill"}
	before := d.pocketTexts("plan")
	told := d.room(before, text{size: small})
	if told {
		d.y += 2
		d.bullets(before)
	}
	d.panel(1)
	d.panelHead(d.t("report-class-card"))
	d.pocketClasses()
	if !told && d.at == 1 && d.room(before, text{size: small}) {
		told = true
		d.y += 2
		d.bullets(before)
	}
	if !told {
		steps = append(steps, "plan")
	}
	d.panel(2)
	d.panelHead(d.t("report-pocket-steps"))
	d.bullets(d.pocketTexts(steps...))
	d.panel(3)
	d.panelHead(d.t("head-cautions"))
	d.bullets(d.pocketTexts("apply", "after"))
	d.single()
	return nil
}

const panelPad = 5.0

// panels cuts the page into quarters, with lines to fold along.
func (d *document) panels() {
	x0, y0, w, h := side, top-2.0, (d.w-2*side)/2, (d.h-top-foot+2)/2
	d.line(0.25, muted)
	d.pdf.SetDashPattern([]float64{1.2, 1.2}, 0)
	d.pdf.Line(x0, y0+h, x0+2*w, y0+h)
	d.pdf.Line(x0+w, y0, x0+w, y0+2*h)
	d.pdf.SetDashPattern(nil, 0)
	d.frames = d.frames[:0]
	for _, at := range [][2]float64{{0, 0}, {1, 0}, {0, 1}, {1, 1}} {
		x, y := x0+at[0]*w, y0+at[1]*h
		f := frame{x + panelPad, y + 3, w - 2*panelPad, y + h - 3}
		if at[0] == 0 {
			f.x, f.w = x, w-panelPad
		} else {
			f.w = w - panelPad
		}
		d.frames = append(d.frames, f)
	}
	d.low = d.h - foot
	d.cols, d.gap, d.fill = 2, 2*panelPad, true
	d.enter(0)
}

// panel goes on to a panel of the first page; where the text has passed it
// already, to the next place there is.
func (d *document) panel(i int) {
	if len(d.frames) == 4 && i > d.at {
		d.enter(i)
		return
	}
	d.need(30)
	d.y += 2
}

func (d *document) panelHead(str string) {
	t := text{size: large, bold: true}
	for _, l := range d.wrap(str, d.width, t) {
		d.need(lineLarge)
		d.y += lineLarge
		d.within(d.x, d.y-1.4, d.width, l, t)
	}
	d.y += 0.6
}

func (d *document) panelBadge(str string) {
	t := text{size: small, bold: true}
	d.need(6)
	d.badgeBox(d.x, d.y+0.8, d.measure(str, t)+4, 4.8, str, filled)
	d.y += 6.4
}

// emergency is the number to call, as large as type goes here.
func (d *document) emergency(number string) {
	if number == "" {
		number = d.t("report-no-number")
	}
	ls := d.wrap(number, d.width-8, text{size: large, bold: true})
	h := lineSmall + float64(len(ls))*lineLarge + 5
	d.need(h + 2)
	d.y += 2
	d.line(0.6, ink)
	d.pdf.Rect(d.x, d.y, d.width, h, "D")
	d.within(d.x+4, d.y+4.4, d.width-8, d.t("report-emergency"), text{size: small, bold: true})
	d.lines(d.x+4, d.y+4.4+lineLarge, d.width-8, ls, text{size: large, bold: true})
	d.y += h + 1
}

// ownRows are the class card's rows for the pocket; where they are many,
// only those the block has trees for.
func (d *document) ownRows() []plan.ClassRow {
	rows := d.classRows(1)
	if len(rows) <= pocketRows+2 {
		return rows
	}
	var out []plan.ClassRow
	for _, r := range rows {
		if d.inRow(r) > 0 {
			out = append(out, r)
		}
	}
	return out
}

// pocketRows is how many rows of body type leave room in the panel.
const pocketRows = 14

// pocketClasses is the class card in brief: the rows of the block's own trunks.
func (d *document) pocketClasses() {
	rows := d.ownRows()
	if len(rows) == 0 {
		d.paragraph(d.t("report-own-loads-note"), text{})
		return
	}
	unit := " " + d.unitName()
	t := d.newTable(column{head: d.t("col-diameter") + unit, share: 28, right: true, bold: true}, column{head: d.t("col-girth") + unit, share: 32, right: true},
		column{head: d.t("col-ports"), share: 16, right: true, bold: true}, column{head: d.t("col-each"), share: 22, right: true, bold: true})
	if len(rows) > pocketRows+2 {
		t.size = small
	}
	for _, r := range rows {
		girth := ""
		if r.GirthToCM > 0 {
			girth = d.span(r.GirthFromCM, r.GirthToCM)
		}
		if r.Ports == 0 {
			t.row(d.span(r.FromCM, r.ToCM), girth, "–", d.t("class-none"))
			continue
		}
		t.row(d.span(r.FromCM, r.ToCM), girth, strconv.Itoa(r.Ports), d.vol(r.Volume))
	}
	if t.size != small {
		d.y += 1.5
		d.paragraph(d.t("along-meaning"), text{size: small})
	}
}

// pocketTexts are the cautions of some steps; first aid and number stand on the
// first panel.
func (d *document) pocketTexts(steps ...string) []string {
	var texts []string
	cs := d.plan.Cautions
	for _, step := range steps {
		for i := 0; i < len(cs); i++ {
			c := cs[i]
			if c.Step != step || c.ID == "first-aid" || c.ID == "emergency-number" {
				continue
			}
			words := c.Text
			for i+1 < len(cs) && strings.HasPrefix(c.ID, "gear-") && cs[i+1].ID == c.ID {
				i++
				words += ", " + cs[i].Text
			}
			texts = append(texts, d.cautionText(c, words))
		}
	}
	return texts
}

// room reports whether texts fit below in the panel.
func (d *document) room(texts []string, t text) bool {
	h := 2.0
	for _, str := range texts {
		h += float64(len(d.wrap(str, d.width-3, t)))*t.lead() + 1.2
	}
	return d.y+h <= d.bottom
}

// bullets lists texts in body type where the panel holds them, else in small
// print.
func (d *document) bullets(texts []string) {
	t := text{size: body}
	if !d.room(texts, t) {
		t.size = small
	}
	for _, str := range texts {
		ls := d.wrap(str, d.width-3, t)
		d.need(min(float64(len(ls))*t.lead()+0.8, 20))
		d.gray(ink)
		d.pdf.Rect(d.x, d.y+t.lead()*0.42, 1.1, 1.1, "F")
		for _, l := range ls {
			d.need(t.lead())
			d.within(d.x+3, d.y+t.lead()*0.76, d.width-3, l, t)
			d.y += t.lead()
		}
		d.y += 1.2
	}
}
