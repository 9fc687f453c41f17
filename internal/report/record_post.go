package report

import (
	"io"
	"strings"

	"sapward/finding"
	"sapward/internal/exchange"
	"sapward/internal/lang"
	"sapward/measure/civil"
)

// RecordPosting writes the sheet that is put up at a central place: what was
// applied, where, when, and when entry is free, in two languages side by side. It
// does not replace the warning sign, which is bought; the sheet says so. No
// person is named.
func RecordPosting(w io.Writer, in RecordInput) error {
	if in.Second == nil {
		in.Second = lang.New(map[string]string{"en": "es", "es": "en"}[langOf(in.Say)], "metric")
	}
	return writeRecord(w, in, nil, false, func(p *recordPaper) { p.posting() })
}

func langOf(p *lang.Printer) string {
	if p == nil {
		return ""
	}
	return p.Lang
}

func (p *recordPaper) posting() {
	a, b := p.say, p.in.Second
	p.title, p.cols = "", 1
	p.newPage()
	p.heading(a.T("record-post-title") + "  ·  " + b.T("record-post-title"))
	p.y += 1
	big := text{size: 16, bold: true}
	until := [2]string{}
	for i, say := range []*lang.Printer{a, b} {
		d := p.in.View.Dates
		switch {
		case d.ReentryOpen:
			until[i] = say.T("record-post-open")
		case d.NoREI:
			until[i] = say.T("record-no-rei")
		case d.Reentry.IsZero():
			until[i] = say.Say("record-post-until", finding.Args{"when": finding.Text(say.T("record-until-dry"))})
		default:
			s := d.Reentry.Format("2006-01-02 15:04") + " (" + d.Local + ")"
			if d.UntilDry {
				s += ", " + say.T("record-and-dry")
			}
			until[i] = say.Say("record-post-until", finding.Args{"when": finding.Text(s)})
		}
	}
	const lead = 7.4
	for i := range until {
		ls := p.wrap(until[i], p.width-8, big)
		h := float64(len(ls))*lead + 4
		p.need(h + 2)
		p.line(0.8, ink)
		p.pdf.Rect(p.x, p.y, p.width, h, "D")
		for k, l := range ls {
			p.within(p.x+4, p.y+7.4+float64(k)*lead, p.width-8, l, big)
		}
		p.y += h + 2
	}
	p.y += 2
	t := p.newTable(column{head: a.T("record-post-what") + " / " + b.T("record-post-what"), share: 70, bold: true}, column{head: "", share: 108})
	t.size = 10
	la := RecordLines(a, &p.in.View.Version, &p.in.View.First)
	lb := RecordLines(b, &p.in.View.Version, &p.in.View.First)
	for i := range la {
		switch la[i].Element {
		case "R01", "R02", "R03", "R07", "R08", "R09", "R12", "R21", "R26":
			v := la[i].Value
			if lb[i].Value != v {
				v += " / " + lb[i].Value
			}
			t.row(la[i].Label+" / "+lb[i].Label, v)
		}
	}
	if d := p.in.View.Dates; !d.SignsDownBy.IsZero() && !d.NoREI {
		t.row(a.T("record-signs")+" / "+b.T("record-signs"), d.SignsDownBy.String())
		t.row(a.T("record-display")+" / "+b.T("record-display"), d.DisplayUntil.String())
	}
	p.y += 4
	for _, id := range []string{"record-post-sign", "record-post-emergency", "record-decides"} {
		for _, say := range []*lang.Printer{a, b} {
			p.paragraph(say.T(id), text{})
		}
		p.y += 1.5
	}
}

// RecordCalendar makes the calendar of a record: entry free, signs down,
// harvest, next treatment. Its identifiers stay the same while the record is
// amended, its sequence rises. No person's data is in it.
func RecordCalendar(in RecordInput) exchange.Calendar {
	say, d := in.Say, in.View.Dates
	c := exchange.Calendar{Content: in.View.ID, Stamp: in.View.Version.At.T, Sequence: in.View.Version.Number - 1}
	var names []string
	for i := range in.View.Version.Content.Products {
		if n, ok := in.View.Version.Content.Products[i].Name.Known(); ok {
			names = append(names, n)
		}
	}
	what := strings.Join(names, " + ")
	if f, ok := in.View.Version.Content.Place.Field.Known(); ok {
		what = join(", ", what, f)
	}
	if in.View.Version.Content.Invented {
		what = join(", ", what, say.T("report-invented"))
	}
	text := say.T("record-decides")
	add := func(key, id string, e exchange.CalendarEvent) {
		e.Key, e.Title, e.Text = key, say.T(id)+": "+what, text
		c.Events = append(c.Events, e)
	}
	if !d.ReentryOpen && !d.Reentry.IsZero() {
		add("reentry", "record-reentry", exchange.CalendarEvent{Start: d.Reentry, End: d.Reentry})
	}
	day := func(key, id string, on civil.Date) {
		if !on.IsZero() {
			add(key, id, exchange.CalendarEvent{Day: on})
		}
	}
	if !d.NoREI {
		day("signs", "record-signs", d.SignsDownBy)
	}
	if !d.HarvestOpen {
		day("harvest", "record-harvest", d.HarvestFrom)
	}
	day("next", "record-next", d.NextEarliest)
	return c
}
