package cli

import (
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"

	"sapward/apply/record"
	"sapward/finding"
	"sapward/internal/exchange"
	"sapward/internal/lang"
	"sapward/internal/report"
)

type recordShowCmd struct {
	File    string `arg:"" help:"The record."`
	Version int    `help:"Show an older version." default:"0"`
}

// recordAnswer is the document of show: the version and what follows from it.
type recordAnswer struct {
	Schema      string                 `json:"schema"`
	Engine      string                 `json:"engine"`
	ID          string                 `json:"id"`
	State       record.Kind            `json:"state"`
	Version     record.Version         `json:"version"`
	Versions    int                    `json:"versions"`
	Complete    bool                   `json:"complete"`
	Asked       []string               `json:"asked"`
	Missing     []saidGap              `json:"missing"`
	Findings    []saidNote             `json:"findings"`
	NotRecorded []record.Item          `json:"not_recorded"`
	Dates       record.Dates           `json:"dates"`
	Deadlines   []record.Due           `json:"deadlines"`
	Retention   record.Retention       `json:"retention"`
	Personal    []record.PersonalField `json:"personal"`
	Decides     string                 `json:"decides"`
}

type saidGap struct {
	record.Gap
	Text string `json:"text"`
}

// Run shows a record.
func (c recordShowCmd) Run(e *env) error {
	r, _, err := e.openRecord(c.File)
	if err != nil {
		return err
	}
	v := r.Last()
	if c.Version != 0 {
		if c.Version < 1 || c.Version > len(r.Versions) {
			return usage("record-no-version", finding.Args{"version": finding.Count(c.Version), "count": finding.Count(len(r.Versions))})
		}
		v = &r.Versions[c.Version-1]
	}
	upTo := &record.Record{Schema: r.Schema, ID: r.ID, Engine: r.Engine, Versions: r.Versions[:v.Number]}
	if e.globals.JSON {
		return e.printJSON(e.recordAnswer(upTo))
	}
	e.title(e.say.T("record-title") + " " + r.ID)
	e.wrapped(e.say.T("record-decides"), "")
	if v.Content.Invented {
		e.println(e.say.T("report-invented"))
	}
	t := newTable("", e.say.T("record-col-element"), e.say.T("record-col-recorded"))
	for _, l := range report.RecordLines(e.say, v, &r.Versions[0]) {
		t.row(l.Element, l.Label, l.Value)
	}
	e.println("")
	e.printf("%s", t)
	e.title(e.say.T("record-col-follows"))
	t = newTable("", "")
	for _, l := range report.RecordDates(e.say, record.WorkedOut(&v.Content, zone), record.Dues(&v.Content, zone), record.Kept(&v.Content, zone)) {
		t.row(l.Label, l.Value)
	}
	e.printf("%s", strings.TrimPrefix(t.String(), "\n"))
	e.recordFindings(upTo)
	e.title(e.say.T("record-versions-head"))
	t = newTable(">", e.say.T("record-col-kind"), e.say.T("record-col-at"), e.say.T("record-col-by"), e.say.T("record-col-reason"), e.say.T("record-col-hash"))
	for _, x := range r.Versions {
		t.row(strconv.Itoa(x.Number), e.say.T("record-state-"+string(x.Kind)), x.At.T.Format("2006-01-02 15:04:05 -07:00"), x.By, x.Reason, x.Hash[:16])
	}
	e.printf("%s", t)
	return nil
}

func (e *env) recordAnswer(r *record.Record) recordAnswer {
	v := r.Last()
	done := record.Complete(&v.Content)
	a := recordAnswer{Schema: "sapward/record-state/1", Engine: Version, ID: r.ID, State: v.Kind, Version: *v, Versions: len(r.Versions), Complete: done.Complete, Asked: done.Asked,
		Missing: []saidGap{}, NotRecorded: record.NotRecordedItems(&v.Content), Dates: record.WorkedOut(&v.Content, zone), Deadlines: record.Dues(&v.Content, zone),
		Retention: record.Kept(&v.Content, zone), Personal: record.Personal(&v.Content, v.Content.Regimes), Decides: e.say.T("record-decides")}
	for _, g := range done.Gaps {
		a.Missing = append(a.Missing, saidGap{g, e.sentence(g.Finding)})
	}
	a.Findings = e.saidNotes(e.aboutRecord(r, done))
	return a
}

// aboutRecord is everything said of a record beside the gaps.
func (e *env) aboutRecord(r *record.Record, done record.Completeness) []finding.Finding {
	c := &r.Last().Content
	out := slices.Concat(done.Findings, record.Late(r, zone, recordClock()), record.Validate(c, zone))
	finding.Sort(out)
	return out
}

// recordFindings prints what is missing and what else is said.
func (e *env) recordFindings(r *record.Record) {
	done := record.Complete(&r.Last().Content)
	if len(done.Gaps) > 0 {
		e.title(e.say.T("record-missing-head"))
		for _, g := range done.Gaps {
			e.wrapped("- "+e.sentence(g.Finding), "  ")
		}
	}
	if fs := e.aboutRecord(r, done); len(fs) > 0 {
		e.title(e.say.T("head-findings"))
		for _, f := range fs {
			e.wrapped(e.say.T("severity-"+string(f.Severity))+" "+e.sentence(f), "  ")
		}
	}
}

// recordDone says what a command did and what is still missing.
func (e *env) recordDone(r *record.Record, id, path string) error {
	if e.globals.JSON {
		return e.printJSON(e.recordAnswer(r))
	}
	v := r.Last()
	e.wrapped(e.say.Say(id, finding.Args{"file": finding.Text(path), "version": finding.Count(v.Number), "hash": finding.Text(v.Hash[:16])}), "")
	done := record.Complete(&v.Content)
	if done.Complete {
		e.wrapped(e.say.Say("record-complete", finding.Args{"profiles": finding.Text(strings.Join(done.Asked, ", "))}), "")
	} else {
		e.wrapped(e.say.Say("record-not-complete", finding.Args{"count": finding.Count(done.Waiting())}), "")
	}
	e.recordFindings(r)
	e.println("")
	e.wrapped(e.say.T("record-decides"), "")
	return nil
}

type recordExportCmd struct {
	File   string   `arg:"" help:"The record."`
	Format string   `help:"pdf, csv, json, geojson, ics, copy (the customer's, PDF) or posting (PDF, two languages)." enum:"pdf,csv,json,geojson,ics,copy,posting" required:""`
	Regime []string `help:"Regimes the export is for: persons nobody asks for are left out. Default: the record's own."`
	Paper  string   `help:"a4 or letter." enum:"a4,letter" default:"a4"`
	Out    string   `help:"The file to make; - for standard output." required:"" placeholder:"FILE"`
}

// Run writes one export.
func (c recordExportCmd) Run(e *env) error {
	r, data, err := e.openRecord(c.File)
	if err != nil {
		return err
	}
	regimes := union(nil, c.Regime)
	if _, unknown := record.Chosen(regimes); len(unknown) > 0 {
		return usage("record-profile-unknown", finding.Args{"profile": finding.Text(strings.Join(unknown, ", "))})
	}
	view, err := exchange.ViewRecord(r, regimes, zone, e.say.T("record-decides"))
	if err != nil {
		return err
	}
	other := map[string]string{"en": "es", "es": "en"}[e.globals.Lang]
	in := report.RecordInput{Record: r, View: view, Say: e.say, Second: lang.New(other, e.globals.Units), Paper: c.Paper, Created: r.Last().At.T, Now: recordClock(), Zones: zone}
	var b strings.Builder
	switch c.Format {
	case "json":
		if len(regimes) > 0 {
			return usage("record-json-whole", nil)
		}
		b.Write(data)
	case "csv":
		err = exchange.RecordCSV(&b, view)
	case "geojson":
		err = exchange.RecordGeoJSON(&b, view)
	case "ics":
		err = report.RecordCalendar(in).Write(&b)
	case "pdf":
		err = report.Record(&b, in)
	case "copy":
		err = report.RecordCopy(&b, in)
	case "posting":
		err = report.RecordPosting(&b, in)
	}
	if err != nil {
		return err
	}
	if c.Out == "-" {
		_, err := e.stdout.Write([]byte(b.String()))
		return err
	}
	if err := createFile(c.Out, []byte(b.String())); err != nil {
		return err
	}
	info, err := os.Stat(c.Out)
	if err != nil {
		return err
	}
	if e.globals.JSON {
		return e.printJSON(map[string]any{"schema": "sapward/record-export/1", "engine": Version, "file": c.Out, "format": c.Format, "bytes": info.Size(), "regimes": view.Regimes})
	}
	e.wrapped(e.say.Say("record-exported", finding.Args{"file": finding.Text(c.Out), "regimes": finding.Text(orNone(strings.Join(view.Regimes, ", ")))}), "")
	return nil
}

func orNone(s string) string {
	if s == "" {
		return noFigure
	}
	return s
}

type recordProfilesCmd struct {
	ID string `arg:"" optional:"" help:"One profile in full."`
}

// Run lists the profiles, or one with everything it asks.
func (c recordProfilesCmd) Run(e *env) error {
	ps, err := record.Profiles()
	if err != nil {
		return err
	}
	if c.ID != "" {
		p, ok := record.ProfileByID(c.ID)
		if !ok {
			return usage("record-profile-unknown", finding.Args{"profile": finding.Text(c.ID)})
		}
		ps = []record.Profile{p}
	}
	if e.globals.JSON {
		return e.printJSON(struct {
			Schema   string           `json:"schema"`
			Engine   string           `json:"engine"`
			Profiles []record.Profile `json:"profiles"`
			Decides  string           `json:"decides"`
		}{"sapward/record-profiles/1", Version, ps, e.say.T("record-decides")})
	}
	if c.ID == "" {
		t := newTable(e.say.T("record-col-profile"), e.say.T("record-col-text"), e.say.T("record-col-elements"), e.say.T("record-col-keep"), e.say.T("record-col-checked"))
		for _, p := range ps {
			keep := noFigure
			if p.Keep.Years > 0 {
				keep = fmt.Sprintf("%d a%s", p.Keep.Years, star(p.Keep.Mark))
			}
			t.row(p.ID, p.Citation, elementsOf(p), keep, p.CheckedOn.String())
		}
		e.printf("%s", t)
	} else {
		p := ps[0]
		e.title(p.ID + ": " + p.Citation)
		t := newTable("", e.say.T("record-col-element"), e.say.T("record-col-when"), e.say.T("record-col-mark"))
		for _, a := range p.Asks {
			when := ""
			if a.When != "" {
				when = e.say.T("record-when-" + a.When)
			}
			t.row(a.Element, e.ways(a), when, e.say.T("record-mark-"+string(a.Mark)))
		}
		e.printf("%s", t)
		for _, s := range report.RecordProfileNotes(e.say, p) {
			e.wrapped("- "+s, "  ")
		}
	}
	e.println("")
	e.wrapped(e.say.T("record-marks"), "")
	e.wrapped(e.say.T("record-decides"), "")
	return nil
}

func star(m record.Mark) string {
	if m.Confirmed() {
		return ""
	}
	return "*"
}

// elementsOf lists elements; ? marks a condition, * what is not confirmed.
func elementsOf(p record.Profile) string {
	var out []string
	for _, a := range p.Asks {
		s := a.Element
		if a.When != "" {
			s += "?"
		}
		if s += star(a.Mark); !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	return orNone(strings.Join(out, " "))
}

// ways says how an ask can be met.
func (e *env) ways(a record.Ask) string {
	var out []string
	for _, list := range a.Any {
		var all []string
		for _, it := range list {
			all = append(all, e.say.T("record-item-"+record.ItemKey(it)))
		}
		out = append(out, strings.Join(all, " + "))
	}
	return strings.Join(out, " "+e.say.T("record-or")+" ")
}
