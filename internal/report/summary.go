package report

import (
	"strings"
	"time"

	"sapward/finding"
	"sapward/plan"
)

// summary is the first page: verdict, the answer in ten seconds, dates, what
// is open or refused, signatures.
func (d *document) summary() error {
	p := d.plan
	d.section(d.t("report-title"), "")
	d.y -= 1
	d.facts()
	d.y += 2
	d.verdict()
	if !d.refused() {
		d.figures()
		d.y += 1.5
		d.paragraph(d.doseSentence(), text{})
		if p.Layout != nil {
			d.paragraph(PlanLayoutText(d.say, p), text{})
		}
	}
	if n := p.Totals.RefusedTrees; n > 0 && p.Verdict != plan.Refused {
		d.paragraph(d.say.Say("report-refused-trees", finding.Args{"count": finding.Count(int(n))}), text{})
	}
	d.dates()
	d.findings(d.t("head-refusals"), p.Refusals, false)
	d.findings(d.t("head-open"), p.Open, true)
	d.findings(d.t("head-findings"), p.Findings, false)
	d.signatures()
	return nil
}

// facts says what was planned by which card.
func (d *document) facts() {
	p := d.plan
	checked := d.t("report-unchecked")
	if p.Card.CheckedBy != "" {
		checked = d.say.Say("report-checked", finding.Args{"who": finding.Text(p.Card.CheckedBy), "on": finding.Text(p.Card.CheckedOn)})
	}
	rows := [][2]string{
		{d.t("report-product"), p.Card.Product + " (" + p.Card.Registration + ")"},
		{d.t("report-method"), d.t("method-" + p.Method)},
		{d.t("report-block"), d.in.Name},
		{d.t("report-site"), join(", ", p.Site, p.Target)},
		{d.t("report-day"), p.On},
		{d.t("report-card"), checked},
	}
	kept := rows[:0]
	for _, r := range rows {
		if r[1] != "" {
			kept = append(kept, r)
		}
	}
	const label = 24.0
	w := (d.width - gutter) / 2
	for i := 0; i < len(kept); i += 2 {
		n := 1
		var ls [2][]string
		for k := range 2 {
			if i+k < len(kept) {
				ls[k] = d.wrap(kept[i+k][1], w-label, text{})
				n = max(n, len(ls[k]))
			}
		}
		d.need(float64(n) * lineBody)
		for k := range 2 {
			if i+k < len(kept) {
				x := d.x + float64(k)*(w+gutter)
				d.within(x, d.y+3.3, label-2, kept[i+k][0], text{gray: muted, size: small})
				d.lines(x+label, d.y+3.3, w-label, ls[k], text{})
			}
		}
		d.y += float64(n)*lineBody + 0.6
	}
}

func join(sep string, parts ...string) string {
	var kept []string
	for _, p := range parts {
		if p != "" {
			kept = append(kept, p)
		}
	}
	return strings.Join(kept, sep)
}

// verdict is the band with the answer; refused is white on black.
func (d *document) verdict() {
	p := d.plan
	str := d.say.Say("verdict-"+string(p.Verdict), finding.Args{"open": finding.Count(len(p.Open)), "refused": finding.Count(len(p.Refusals))})
	t := text{size: large, bold: true}
	const mark = 12.0
	ls := d.wrap(str, d.width-mark-6, t)
	h := float64(len(ls))*lineLarge + 5
	d.need(h)
	d.line(0.5, ink)
	switch p.Verdict {
	case plan.Refused:
		d.gray(ink)
		d.pdf.Rect(d.x, d.y, d.width, h, "FD")
		t.gray = paper
	case plan.Opened:
		d.pdf.SetDashPattern([]float64{1.6, 1}, 0)
		d.pdf.Rect(d.x, d.y, d.width, h, "D")
		d.pdf.SetDashPattern(nil, 0)
	default:
		d.pdf.Rect(d.x, d.y, d.width, h, "D")
	}
	d.sign(d.x+3.5, d.y+h/2, p.Verdict)
	d.lines(d.x+mark, d.y+7.3, d.width-mark-4, ls, t)
	d.y += h + 3.5
}

// sign draws a tick, a cross or a ring left of the verdict.
func (d *document) sign(x, mid float64, v plan.Verdict) {
	d.line(0.9, ink)
	switch v {
	case plan.Refused:
		d.line(0.9, paper)
		d.pdf.Line(x, mid-2.2, x+4.4, mid+2.2)
		d.pdf.Line(x, mid+2.2, x+4.4, mid-2.2)
	case plan.Opened:
		d.pdf.Circle(x+2.3, mid, 2.2, "D")
	default:
		d.pdf.Line(x, mid, x+1.7, mid+2)
		d.pdf.Line(x+1.7, mid+2, x+5, mid-2.4)
	}
}

// figures are the numbers one looks for first.
func (d *document) figures() {
	p := d.plan
	var fills []string
	for _, f := range p.Fills {
		fills = append(fills, d.vol(f.Volume))
	}
	fill := strings.Join(fills, ", ")
	if len(fills) == 0 || len(fills) > 3 || p.Basis == plan.ByTree {
		fill = d.t("various")
	}
	type tile struct{ value, label string }
	tiles := []tile{
		{whole(p.Totals.Planned), d.t("report-trees-treated")},
		{whole(p.Totals.Ports), d.t("col-ports")},
		{fill, d.t("report-a-port")},
		{d.say.Volume(p.Totals.Product.ML()), d.t("report-product-all")},
	}
	if p.Totals.Water > 0 {
		tiles = append(tiles, tile{d.say.Volume(p.Totals.Water.ML()), d.t("report-water-all")})
	}
	d.tiles(len(tiles), func(i int) (string, string) { return tiles[i].value, tiles[i].label })
}

// tiles writes figures side by side: the value large, its name small. What
// stands in brackets after a value goes to a line of its own.
func (d *document) tiles(n int, at func(int) (value, label string)) {
	const h = 16.0
	d.need(h)
	w := d.width / float64(n)
	for i := range n {
		value, label := at(i)
		value, also, _ := strings.Cut(value, " (")
		x := d.x + float64(i)*w
		d.line(hairline, hair)
		if i > 0 {
			d.pdf.Line(x, d.y+1, x, d.y+h-2)
			x += 3
		}
		room := w - 5
		t := text{size: large, bold: true}
		if d.measure(value, t) > room {
			t.size = body
		}
		d.lineFit(x, d.y+6, room, value, t)
		if also != "" {
			label += " (" + also
		}
		d.lines(x, d.y+10, room, d.wrap(label, room, text{size: small}), text{size: small, gray: muted})
	}
	d.y += h
}

// doseSentence is the answer with its active ingredients, as the screen has it.
func (d *document) doseSentence() string {
	p := d.plan
	var fills []string
	for _, f := range p.Fills {
		fills = append(fills, d.say.Volume(f.Volume.ML()))
	}
	args := finding.Args{
		"trees": finding.Count(int(p.Totals.Planned)), "ports": finding.Count(int(p.Totals.Ports)),
		"product": finding.Number(p.Totals.Product.ML(), "mL"), "dose": finding.Number(p.Totals.Dose.ML(), "mL"), "water": finding.Number(p.Totals.Water.ML(), "mL"),
		"count": finding.Count(len(p.Fills)), "fills": finding.Text(strings.Join(fills, ", ")),
	}
	id := "plan-dose-injection"
	if len(p.Mix) > 0 {
		id = "plan-dose-infusion"
	}
	if p.Basis != plan.ByFills {
		id += "-own"
	}
	s := d.say.Say(id, args)
	for _, a := range p.Totals.Active {
		line := finding.Args{"active": finding.Text(a.Name), "mass": finding.Number(a.Grams, "g")}
		id := "plan-active"
		if a.PerHa != nil {
			id = "plan-active-area"
			line["per"] = finding.Number(*a.PerHa, "g/ha")
			if a.CapG != nil {
				id = "plan-active-cap"
				line["cap"], line["before"] = finding.Number(*a.CapG, "g/ha"), finding.Number(a.History, "g")
			}
		}
		s += " " + d.say.Say(id, line)
	}
	return s
}

// dates are re-entry, harvest and next treatment, side by side.
func (d *document) dates() {
	p := d.plan
	var ids, values []string
	add := func(id, value string) {
		if value != "" {
			ids, values = append(ids, d.t(id)), append(values, value)
		}
	}
	if p.Dates.ReentryH != "" {
		add("report-reentry", d.say.Say("report-reentry-value", finding.Args{"hours": finding.Text(p.Dates.ReentryH)}))
	}
	if o := d.in.Outfit; o != nil && len(o.Schedule.Days) > 0 {
		last := o.Schedule.Days[len(o.Schedule.Days)-1]
		add("report-signs-down", last.SignsDown.Format(time.DateOnly)+" "+d.clock(last.SignsDown))
	}
	add("report-harvest-from", p.Dates.HarvestFrom)
	add("report-next", p.Dates.NextEarliest)
	if len(ids) == 0 {
		return
	}
	d.subhead(d.t("report-dates"))
	w := d.width / float64(len(ids))
	n := 1
	for i := range ids {
		n = max(n, len(d.wrap(values[i], w-4, text{bold: true})))
	}
	h := lineSmall + float64(n)*lineBody + 1
	d.need(h)
	for i := range ids {
		x := d.x + float64(i)*w
		d.lineFit(x, d.y+2.6, w-4, ids[i], text{size: small, gray: muted})
		d.lines(x, d.y+7, w-4, d.wrap(values[i], w-4, text{bold: true}), text{bold: true})
	}
	d.y += h + 1.5
}

// findings is a list with badges; open facts get lines to write the answer on.
func (d *document) findings(head string, fs []finding.Finding, answer bool) {
	if len(fs) == 0 {
		return
	}
	d.subhead(head)
	for _, f := range fs {
		str, mend := d.say.Finding(f)
		if mend != "" {
			str += " " + mend
		}
		if f.Reason != "" {
			str += " " + d.say.Say("override-printed", finding.Args{"reason": finding.Text(f.Reason)})
		}
		d.badged(f.Authority, "", str)
		if answer {
			d.answerLine()
		}
	}
}

// badged writes a text beside its badge. before stands between, in bold.
func (d *document) badged(a finding.Authority, before, str string) {
	w := d.badgeWidth() + 3
	bw := 0.0
	if before != "" {
		bw = max(d.measure(before, text{bold: true})+3, 16)
	}
	ls := d.wrap(str, d.width-w-bw, text{})
	d.need(float64(min(len(ls), 3))*lineBody + 1)
	d.badge(d.x, d.y+3.3, a)
	if before != "" {
		d.within(d.x+w, d.y+3.3, bw, before, text{bold: true})
	}
	for _, l := range ls {
		d.need(lineBody)
		d.within(d.x+w+bw, d.y+3.3, d.width-w-bw, l, text{})
		d.y += lineBody
	}
	d.y += 1
}

// answerLine is a line to write an answer on: what, who, when.
func (d *document) answerLine() {
	w := d.badgeWidth() + 3
	d.need(8)
	d.y += 4.6
	x := d.x + w
	room := d.width - w
	for _, part := range []struct {
		id    string
		share float64
	}{{"report-answer", 0.52}, {"report-by", 0.26}, {"report-on", 0.22}} {
		str := d.t(part.id)
		tw := d.measure(str, text{size: small}) + 1.5
		d.put(x, d.y, str, text{size: small, gray: muted})
		d.blank(x+tw, d.y+0.4, room*part.share-tw-3)
		x += room * part.share
	}
	d.y += 2.8
}

// signatures are the lines of those who stand for the plan.
func (d *document) signatures() {
	const h = 38.0
	if !d.need(h) && d.y < d.bottom-h { // they stand at the foot of the page
		d.y = d.bottom - h
	}
	d.subhead(d.t("report-signatures"))
	id := "report-sign-allowed"
	switch d.plan.Verdict {
	case plan.Refused:
		id = "report-sign-refused"
	case plan.Opened:
		id = "report-sign-open"
	}
	d.paragraph(d.t(id)+" "+d.t("report-decides"), text{gray: muted})
	roles := []string{"report-role-adviser", "report-role-applicator", "report-role-crew-lead"}
	w := (d.width - 2*gutter) / 3
	d.need(18)
	d.y += 11
	for i, r := range roles {
		x := d.x + float64(i)*(w+gutter)
		d.blank(x, d.y, w)
		d.within(x, d.y+3.8, w, d.t(r), text{bold: true})
		d.within(x, d.y+7.2, w, d.t("report-sign-fields"), text{size: small, gray: muted})
	}
	d.y += 9
}

// cautions is the page of what can hurt, at its step, with who says so. The
// items of one caution that differ in the card's words only stand together.
func (d *document) cautions() error {
	cs := d.plan.Cautions
	if len(cs) == 0 {
		return nil
	}
	d.section(d.t("head-cautions"), d.t("report-badges"))
	d.badgeKey()
	step := ""
	for i := 0; i < len(cs); {
		c := cs[i]
		if c.Step != step {
			step = c.Step
			d.need(16)
			if i > 0 {
				d.y += 1
			}
			d.subhead(d.t("step-" + step))
		}
		words := []string{c.Text}
		k := i + 1
		for ; k < len(cs) && strings.HasPrefix(c.ID, "gear-") && cs[k].ID == c.ID && cs[k].Step == c.Step; k++ {
			words = append(words, cs[k].Text)
		}
		d.badged(c.Authority, "", d.cautionText(c, strings.Join(words, ", ")))
		i = k
	}
	return nil
}

func (d *document) cautionText(c plan.Caution, words string) string {
	str := d.say.Say(c.ID, finding.Args{"text": finding.Text(words)})
	if c.Page > 0 {
		str += " (" + d.say.Say("card-page", finding.Args{"page": finding.Count(c.Page)}) + ")"
	}
	return str
}

// badgeKey shows the four badges and what they mean.
func (d *document) badgeKey() {
	w := (d.width - gutter) / 2
	for i, a := range []finding.Authority{finding.ByLabel, finding.ByLaw, finding.ByPractice, finding.ByEstimate} {
		x := d.x + float64(i%2)*(w+gutter)
		d.badge(x, d.y+3.3, a)
		bw := d.badgeWidth() + 3
		d.lineFit(x+bw, d.y+3.3, w-bw, d.t("report-means-"+string(a)), text{size: small, gray: muted})
		if i%2 == 1 {
			d.y += 5.6
		}
	}
	d.y += 1
}
