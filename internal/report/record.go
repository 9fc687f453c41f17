package report

import (
	"bytes"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"codeberg.org/go-pdf/fpdf"

	"sapward/apply/record"
	"sapward/finding"
	"sapward/internal/exchange"
	"sapward/internal/lang"
)

// RecordInput is what the papers of a record are made from.
type RecordInput struct {
	Record  *record.Record
	View    exchange.RecordView // of the newest version, persons cut down
	Say     *lang.Printer
	Second  *lang.Printer // of the posting sheet: the other language
	Paper   string        // a4 or letter
	Created time.Time     // date inside the file
	Now     time.Time     // for deadlines
	Zones   record.Zones
}

// Record writes the record as a PDF: one page with every element, who asks for
// it, what is missing, dates and signature; then the list of trees, the versions
// and the profiles with what could not be confirmed. The whole record is
// attached as record.json, unless the view is for other regimes than the
// record's own: then persons are left out, and the whole would bring them back.
//
// Errors: no language, an unknown paper, an empty record, or the writer's own.
func Record(w io.Writer, in RecordInput) error {
	own := in.Record != nil && in.Record.Last() != nil && slices.Equal(in.View.Regimes, in.Record.Last().Content.Regimes)
	return writeRecord(w, in, nil, own, func(p *recordPaper) {
		p.first("record-title")
		p.trees()
		p.versions()
		p.profiles()
	})
}

// RecordCopy writes the customer's copy: the same page and list without persons
// the regimes do not ask for, without versions and without attachment.
func RecordCopy(w io.Writer, in RecordInput) error {
	return writeRecord(w, in, nil, false, func(p *recordPaper) {
		p.first("record-copy-title")
		p.trees()
		p.profiles()
	})
}

func writeRecord(w io.Writer, in RecordInput, seen *placings, attach bool, parts func(*recordPaper)) error {
	if in.Say == nil || in.Record == nil || in.Record.Last() == nil {
		return fmt.Errorf("report: no language or no record given")
	}
	size, ok := papers[in.Paper]
	if !ok {
		return fmt.Errorf("report: paper %q is neither a4 nor letter", in.Paper)
	}
	s := openSheet(size.w, size.h, in.Created, in.Say, in.Record.Engine, seen)
	p := &recordPaper{sheet: s, in: in, c: &in.View.Version.Content}
	s.pdf.SetTitle(in.Say.T("record-title")+": "+p.name(), true)
	parts(p)
	s.finish(p.head())
	if attach {
		data, err := record.Write(in.Record)
		if err != nil {
			return fmt.Errorf("report: record.json: %w", err)
		}
		s.pdf.SetAttachments([]fpdf.Attachment{{Content: data, Filename: "record.json", Description: in.Record.Schema}})
	}
	var b bytes.Buffer
	if err := s.pdf.Output(&b); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	_, err := w.Write(b.Bytes())
	return err
}

type recordPaper struct {
	*sheet
	in RecordInput
	c  *record.Content
}

func (p *recordPaper) t(id string) string { return p.say.T(id) }

// name is the products' names.
func (p *recordPaper) name() string {
	var out []string
	for i := range p.c.Products {
		if n, ok := p.c.Products[i].Name.Known(); ok {
			out = append(out, n)
		}
	}
	if len(out) == 0 {
		return p.t("record-not-recorded")
	}
	return strings.Join(out, " + ")
}

func (p *recordPaper) head() runningHead {
	h := runningHead{product: p.name(), decides: p.t("record-decides"), verdict: p.t("record-state-" + string(p.in.View.Version.Kind))}
	var place []string
	if f, ok := p.c.Place.Field.Known(); ok {
		place = append(place, f)
	}
	if d, ok := p.c.Work.Date.Known(); ok {
		place = append(place, d.String())
	}
	h.block = strings.Join(place, "  ·  ")
	if p.c.Invented {
		h.badges = append(h.badges, p.t("report-invented"))
	}
	if p.c.PracticeOnly {
		h.badges = append(h.badges, p.t("report-practice-only"))
	}
	h.refused = p.in.View.Version.Kind != record.Signed
	h.origin = p.say.Say("record-origin", finding.Args{"engine": finding.Text(p.in.Record.Engine), "id": finding.Text(p.in.View.ID), "version": finding.Count(p.in.View.Version.Number), "hash": finding.Text(short(p.in.View.Version.Hash))})
	return h
}

func short(hash string) string {
	if len(hash) > 16 {
		return hash[:16]
	}
	return hash
}

// first is the page with every element.
func (p *recordPaper) first(title string) {
	p.section(p.t(title), p.t("record-decides"))
	done := record.Complete(p.c)
	p.state(done)
	asked, legend := p.askedBy()
	t := p.newTable(column{head: "", share: 9, bold: true}, column{head: p.t("record-col-element"), share: 40}, column{head: p.t("record-col-recorded"), share: 95}, column{head: p.t("record-col-asked"), share: 34})
	t.size = small
	for _, l := range RecordLines(p.say, &p.in.View.Version, &p.in.View.First) {
		t.row(l.Element, l.Label, l.Value, asked[l.Element])
	}
	if legend != "" {
		p.y += 0.8
		p.paragraph(legend, text{size: small, gray: muted})
	}
	p.y += 2.5
	t = p.newTable(column{head: p.t("record-col-follows"), share: 49, bold: true}, column{head: "", share: 129})
	t.size = small
	for _, l := range RecordDates(p.say, p.in.View.Dates, p.in.View.Dues, p.in.View.Keep) {
		t.row(l.Label, l.Value)
	}
	p.signature()
	p.missing(done)
}

// state is the band that says signed or not, complete or not.
func (p *recordPaper) state(done record.Completeness) {
	v := &p.in.View.Version
	s := p.say.Say("record-said-"+string(v.Kind), finding.Args{"version": finding.Count(v.Number), "at": finding.Text(stamp(inZone(v.At.T, p.c)))})
	if done.Complete {
		s += " " + p.say.Say("record-complete", finding.Args{"profiles": finding.Text(strings.Join(done.Asked, ", "))})
	} else {
		s += " " + p.say.Say("record-not-complete", finding.Args{"count": finding.Count(done.Waiting())})
	}
	t := text{bold: true}
	ls := p.wrap(s, p.width-6, t)
	h := float64(len(ls))*lineBody + 3
	p.line(0.4, ink)
	p.pdf.Rect(p.x, p.y, p.width, h, "D")
	p.lines(p.x+3, p.y+4.6, p.width-6, ls, t)
	p.y += h + 2.5
}

// askedBy names for each element the profiles that ask for it; an asterisk
// marks what could not be confirmed. More than three profiles get letters and a
// legend, so that the page stays one.
func (p *recordPaper) askedBy() (out map[string]string, legend string) {
	out = map[string]string{}
	ps, _ := record.Chosen(p.in.View.Regimes)
	for i, pr := range ps {
		tag := pr.ID
		if len(ps) > 3 && len(ps) <= 26 {
			tag = string(rune('A' + i))
			legend = join("; ", legend, tag+" = "+pr.ID)
		}
		marks := map[string]string{}
		var order []string
		for _, a := range pr.Asks {
			if _, there := marks[a.Element]; !there {
				order = append(order, a.Element)
			}
			if a.When != "" && marks[a.Element] == "" {
				marks[a.Element] = "?"
			}
			if !a.Mark.Confirmed() && !strings.Contains(marks[a.Element], "*") {
				marks[a.Element] += "*"
			} else if marks[a.Element] == "" {
				marks[a.Element] = " "
			}
		}
		for _, e := range order {
			out[e] = join(", ", out[e], tag+strings.TrimSpace(marks[e]))
		}
	}
	return out, legend
}

func (p *recordPaper) signature() {
	s := p.in.View.Version.Signature
	p.need(22)
	p.y += 3
	if s == nil {
		p.paragraph(p.t("record-unsigned"), text{bold: true})
		return
	}
	expires := finding.Text(orDash(s.Expires.String()))
	p.paragraph(p.say.Say("record-signature", finding.Args{"name": finding.Text(orDash(s.Name)), "number": finding.Text(orDash(s.Number)), "expires": expires, "date": finding.Text(s.ValidOn.String()), "at": finding.Text(stamp(inZone(p.in.View.Version.At.T, p.c)))}), text{bold: true})
	p.paragraph(p.say.Say("record-hashes", finding.Args{"content": finding.Text(s.ContentHash), "card": finding.Text(orDash(s.CardHash))}), text{size: small, gray: muted})
	if s.Incomplete != "" {
		p.paragraph(p.say.Say("record-signed-incomplete", finding.Args{"reason": finding.Text(s.Incomplete), "count": finding.Count(len(s.Missing))}), text{})
	}
}

// missing lists gaps and what is said of the profiles.
func (p *recordPaper) missing(done record.Completeness) {
	var lines []string
	for _, g := range done.Gaps {
		s, mend := p.say.Finding(g.Finding)
		lines = append(lines, join(" ", s, mend))
	}
	for _, f := range append(done.Findings, record.Late(p.in.Record, p.in.Zones, p.in.Now)...) {
		if f.ID == "record-unconfirmed-asks" {
			continue // stands with the profiles
		}
		s, mend := p.say.Finding(f)
		lines = append(lines, join(" ", s, mend))
	}
	if len(lines) == 0 {
		return
	}
	p.subhead(p.t("record-missing-head"))
	for _, l := range lines {
		p.paragraph("· "+l, text{size: small})
	}
}

// trees lists every tree with what it got.
func (p *recordPaper) trees() {
	if len(p.c.Trees) == 0 {
		return
	}
	p.section(p.t("record-trees-head"), "")
	t := p.newTable(column{head: p.t("col-tree"), share: 24, bold: true}, column{head: p.t("record-col-group"), share: 22}, column{head: p.t("col-diameter") + " cm", share: 18, right: true}, column{head: p.t("col-ports"), share: 14, right: true},
		column{head: p.t("record-col-product"), share: 38}, column{head: p.t("record-col-ml"), share: 20, right: true}, column{head: p.t("record-col-mix"), share: 20, right: true}, column{head: p.t("record-col-leaked"), share: 20, right: true}, column{head: p.t("record-col-load"), share: 16})
	t.size = small
	d := func(f record.Fact[record.Decimal]) string {
		switch f.State {
		case record.Recorded:
			return f.Value.String()
		case record.None:
			return "–"
		}
		return p.t("record-not-recorded-short")
	}
	for i := range p.c.Trees {
		x := &p.c.Trees[i]
		ports := p.t("record-not-recorded-short")
		if n, ok := x.Ports.Known(); ok {
			ports = strconv.Itoa(n)
		}
		load := ""
		if x.Load != "" {
			load = x.Load + "." + strconv.Itoa(x.Sequence)
		}
		for j, a := range x.Amounts {
			product, mix := "", d(a.MixML)
			if a.Product >= 0 && a.Product < len(p.c.Products) {
				product, _ = p.c.Products[a.Product].Name.Known()
				if a.MixML.IsZero() && p.c.Products[a.Product].Mix.State == record.None {
					mix = "–"
				}
			}
			if j == 0 {
				t.row(name(x.Tag, x.Stem), x.Group, d(x.Diameter), ports, product, d(a.ProductML), mix, d(a.LeakedML), load)
			} else {
				t.row("", "", "", "", product, d(a.ProductML), mix, d(a.LeakedML), "")
			}
		}
		if len(x.Amounts) == 0 {
			t.row(name(x.Tag, x.Stem), x.Group, d(x.Diameter), ports, "", p.t("record-not-recorded-short"), "", "", load)
		}
	}
	p.y += 1.5
	p.paragraph(p.say.Say("record-not-recorded-means", finding.Args{"short": finding.Text(p.t("record-not-recorded-short"))}), text{size: small, gray: muted})
}

// versions lists who wrote what when.
func (p *recordPaper) versions() {
	p.subhead(p.t("record-versions-head"))
	t := p.newTable(column{head: "", share: 8, right: true}, column{head: p.t("record-col-kind"), share: 24}, column{head: p.t("record-col-at"), share: 42}, column{head: p.t("record-col-by"), share: 36}, column{head: p.t("record-col-reason"), share: 40}, column{head: p.t("record-col-hash"), share: 30})
	t.size = small
	for _, v := range p.in.Record.Versions {
		by := v.By
		if p.in.View.Version.By == "" {
			by = ""
		}
		t.row(strconv.Itoa(v.Number), p.t("record-state-"+string(v.Kind)), stamp(inZone(v.At.T, p.c)), orDash(by), v.Reason, short(v.Hash))
	}
}

// profiles tells where the lists come from and what could not be confirmed.
func (p *recordPaper) profiles() {
	ps, _ := record.Chosen(p.in.View.Regimes)
	if len(ps) == 0 {
		return
	}
	p.subhead(p.t("record-profiles-head"))
	p.paragraph(p.t("record-marks"), text{size: small, gray: muted})
	for _, pr := range ps {
		p.y += 1
		p.paragraph(pr.ID+": "+pr.Citation, text{size: small, bold: true})
		for _, s := range RecordProfileNotes(p.say, pr) {
			p.paragraph(s, text{size: small})
		}
	}
}

// RecordProfileNotes says of a profile what a reader must know: its kind, when it
// was in force, sources, the date of checking, and what was not confirmed.
func RecordProfileNotes(say *lang.Printer, p record.Profile) []string {
	var out []string
	if p.Example {
		out = append(out, say.T("record-profile-example"))
	}
	if p.Advice {
		out = append(out, say.T("record-profile-advice"))
	}
	if p.Unlisted {
		out = append(out, say.Say("record-profile-no-list", finding.Args{"profile": finding.Text(p.ID)}))
	}
	out = append(out, say.Say("record-profile-sources", finding.Args{"sources": finding.Text(strings.Join(p.Sources, "; ")), "checked": finding.Text(p.CheckedOn.String())}))
	from, to := orDash(p.Effective.From.String()), orDash(p.Effective.To.String())
	id := "record-profile-effective"
	if !p.Effective.Mark.Confirmed() {
		id = "record-profile-effective-memory"
	}
	out = append(out, say.Say(id, finding.Args{"from": finding.Text(from), "to": finding.Text(to)}))
	var un []string
	for _, a := range p.UnconfirmedAsks() {
		un = append(un, a.Element+" ("+say.T("record-mark-"+string(a.Mark))+")")
	}
	if len(un) > 0 {
		out = append(out, say.Say("record-profile-unconfirmed", finding.Args{"elements": finding.Text(strings.Join(un, ", "))}))
	}
	if p.Keep.Years > 0 && !p.Keep.Mark.Confirmed() {
		out = append(out, say.Say("record-profile-keep-unconfirmed", finding.Args{"years": finding.Count(p.Keep.Years), "mark": finding.Text(say.T("record-mark-" + string(p.Keep.Mark)))}))
	}
	for _, id := range p.Unconfirmed {
		out = append(out, say.T(id))
	}
	return out
}
