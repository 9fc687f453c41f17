package web

import (
	"bytes"
	"encoding/csv"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"sapward/apply/record"
	"sapward/finding"
	"sapward/internal/app"
	"sapward/internal/exchange"
	"sapward/internal/lang"
	"sapward/internal/report"
)

// recordsPage lists an estate's records.
type recordsPage struct {
	ID       string
	Query    app.RecordQuery
	Rows     []recordRow
	Profiles []option
	Blocks   []option
	May      bool
}

type recordRow struct {
	ID, On, Product, Method, Regimes string
	Trees                            int
	Signed, Complete                 bool
}

func profileOptions() (out []option) {
	ps, err := record.Profiles()
	if err != nil {
		return nil
	}
	for _, p := range ps {
		out = append(out, option{p.ID, p.ID + " · " + p.Jurisdiction})
	}
	return out
}

// records lists and searches.
func (s *Server) records(c *call) error {
	ctx := c.r.Context()
	q := app.RecordQuery{From: c.field("from"), To: c.field("to"), Regime: c.field("regime"), Text: c.field("q")}
	list, err := s.app.Records(ctx, c.actor, c.id(), q)
	if err != nil {
		return err
	}
	e, err := s.app.Estate(ctx, c.actor, c.id())
	if err != nil {
		return err
	}
	if c.field("as") == "csv" {
		return s.recordsCSV(c, list, q.Regime)
	}
	d := recordsPage{ID: c.id(), Query: q, Profiles: profileOptions(), May: c.may("NewRecord", c.id())}
	for _, r := range list {
		on := r.Facts.From
		if r.Facts.To != r.Facts.From {
			on += " – " + r.Facts.To
		}
		row := recordRow{ID: r.ID, On: on, Product: r.Facts.Product, Regimes: strings.Join(r.Facts.Regimes, ", "), Trees: r.Facts.Trees, Signed: r.Facts.Signed, Complete: r.Facts.Complete}
		if r.Facts.Method != "" {
			row.Method = c.T("method-" + r.Facts.Method)
		}
		d.Rows = append(d.Rows, row)
	}
	for _, b := range e.Blocks {
		d.Blocks = append(d.Blocks, option{b.ID, b.Facts.Name})
	}
	return c.show("records", c.T("web-records"), d, crumb{c.T("web-nav-estates"), "/estates"}, crumb{e.Facts.Name, "/estates/" + c.id()})
}

// recordsCSV sends the records of a list in one table, persons left out that
// the regime, or the record's own regimes, do not ask for.
func (s *Server) recordsCSV(c *call, list []app.ApplicationRecord, regime string) error {
	var out bytes.Buffer
	w := csv.NewWriter(&out)
	w.UseCRLF = true
	for i, k := range list {
		v, err := s.app.Record(c.r.Context(), c.actor, k.ID)
		if err != nil {
			return err
		}
		var regimes []string
		if regime != "" {
			regimes = []string{regime}
		}
		view, err := exchange.ViewRecord(v.Record, regimes, zones, c.T("record-decides"))
		if err != nil {
			return err
		}
		var one bytes.Buffer
		if err := exchange.RecordCSV(&one, view); err != nil {
			return err
		}
		rows, err := csv.NewReader(&one).ReadAll()
		if err != nil {
			return err
		}
		if i > 0 && len(rows) > 0 {
			rows = rows[1:]
		}
		if err := w.WriteAll(rows); err != nil {
			return err
		}
	}
	c.w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	c.w.Header().Set("Content-Disposition", `attachment; filename="records.csv"`)
	_, err := c.w.Write(out.Bytes())
	return err
}

// zones finds a time zone in the embedded data.
func zones(name string) (*time.Location, error) {
	if name == "" || name == "Local" {
		return nil, &finding.Fault{Class: finding.Usage, ID: "option-zone", Args: argsOf("text", name)}
	}
	return time.LoadLocation(name)
}

// recordPage is one record.
type recordPage struct {
	ID, Estate string
	Version    int
	Lines      []recordLine
	Dates      []report.RecordLine
	Gaps       []recordGap
	Findings   []said
	Late       []said
	Tamper     []said
	Complete   bool
	Signed     bool
	EverSigned bool
	MayAmend   bool
	Versions   []recordVersion
	Regimes    []recordProfile
	Others     []option
	Faults     []string
	Signer     string
	Newer      int
	Day        string
	Trees      int
	Typed      map[string]string
	Waiting    int
	Paths      []string
}

type recordLine struct {
	report.RecordLine
	Missing bool
}

type recordGap struct {
	Text, Mend, Who string
	Fields          []recordField
}

type recordField struct{ Path, Label, Value, Hint string }

type recordVersion struct {
	N                       int
	Kind, At, By, Why, Hash string
}

type recordProfile struct {
	ID    string
	Notes []string
}

func (c *call) recordPage(v app.RecordView) *recordPage {
	last := v.Record.Last()
	d := &recordPage{ID: v.ID, Estate: v.Estate.ID, Version: v.Version, Complete: v.Done.Complete, Signed: v.Record.IsSigned(), EverSigned: v.Record.EverSigned(), MayAmend: c.may("AmendRecord", v.Estate.ID), Newer: v.Newer, Day: v.Facts.Day, Trees: len(last.Content.Trees), Typed: map[string]string{}, Waiting: v.Done.Waiting(), Paths: recordPaths}
	missing := map[string]bool{}
	for _, g := range v.Done.Gaps {
		missing[g.Element] = true
		text, mend := c.Finding(g.Finding)
		gap := recordGap{Text: text, Mend: mend, Who: strings.Join(g.Profiles, ", ")}
		for _, it := range g.Items {
			path := strings.ReplaceAll(it.Path(), "[]", "[0]")
			id := "record-item-" + strings.ReplaceAll(strings.ReplaceAll(strings.ToLower(string(it)), ".", "-"), "_", "-")
			gap.Fields = append(gap.Fields, recordField{Path: path, Label: c.T(id), Hint: recordHints[path]})
		}
		d.Gaps = append(d.Gaps, gap)
	}
	for _, l := range report.RecordLines(c.Printer, last, &v.Record.Versions[0]) {
		d.Lines = append(d.Lines, recordLine{l, missing[l.Element] && l.State == record.NotRecorded})
	}
	d.Dates = report.RecordDates(c.Printer, record.WorkedOut(&last.Content, zones), record.Dues(&last.Content, zones), record.Kept(&last.Content, zones))
	d.Findings, d.Late, d.Tamper = c.sayAll(v.Done.Findings), c.sayAll(v.Late), c.sayAll(v.Tamper)
	for _, x := range v.Record.Versions {
		r := recordVersion{N: x.Number, Kind: c.T("record-state-" + string(x.Kind)), At: c.Time(x.At.T), By: x.By, Why: x.Reason, Hash: x.Hash[:12]}
		if x.Signature != nil && x.Signature.Incomplete != "" {
			r.Why = x.Signature.Incomplete
		}
		d.Versions = append([]recordVersion{r}, d.Versions...)
	}
	ps, _ := record.Chosen(last.Content.Regimes)
	for _, p := range ps {
		d.Regimes = append(d.Regimes, recordProfile{p.ID + " · " + p.Citation, report.RecordProfileNotes(c.Printer, p)})
	}
	for _, o := range profileOptions() {
		if !slices.Contains(last.Content.Regimes, o.Value) {
			d.Others = append(d.Others, o)
		}
	}
	if a, ok := last.Content.People.Applicator.Known(); ok {
		d.Signer = a.Name
	}
	return d
}

// recordPaths are places of a record that are changed most.
var recordPaths = []string{"place.county", "place.parcel", "place.description", "people.applicator.name", "people.applicator.number", "people.applicator.expires", "people.customer.name", "people.customer.address", "people.company.name", "people.company.licence", "people.supervisor", "weather.temperature", "weather.wind_speed", "weather.wind_direction", "work.start", "work.end", "work.equipment", "products[0].rate", "products[0].total", "products[0].sds", "area", "trees_planted", "site.code", "stage"}

// recordHints are examples of how a value is written, by path.
var recordHints = map[string]string{
	"area": "0.3 ha", "products[0].total": "281.5 mL", "products[0].mix": "12 L", "products[0].rate.amount": "3 mL/cm", "products[0].rate": "{amount: 3 mL/cm, basis: diameter}", "products[0].rei": "{hours: 12}", "products[0].phi": "{days: 180}",
	"weather.temperature": "21 Cel", "weather.wind_speed": "2.5 m/s", "weather.wind_direction": "NNW", "people.applicator.expires": "2027-12-31", "people.appliers": "[{name: crew one}]", "work.type_of_use": "open", "work.start": "2026-06-17T08:05:00+02:00", "work.end": "2026-06-17T11:40:00+02:00", "work.date": "2026-06-17", "stage": "\"75\"", "site.code": "1ULMG",
}

func (c *call) recordOf() (app.RecordView, error) {
	v, err := c.s.app.Record(c.r.Context(), c.actor, c.id())
	if err == nil {
		c.Zone = v.Estate.Facts.Location()
	}
	return v, err
}

func (c *call) recordTrail(v app.RecordView) []crumb {
	return []crumb{{c.T("web-nav-estates"), "/estates"}, {v.Estate.Facts.Name, "/estates/" + v.Estate.ID}, {c.T("web-records"), "/estates/" + v.Estate.ID + "/records"}}
}

func (c *call) recordTitle(v app.RecordView) string {
	return c.S("web-record-title", "block", v.Block.Facts.Name, "on", orElse(v.Facts.From, c.T("record-not-recorded")))
}

func (s *Server) showRecord(c *call) error {
	v, err := c.recordOf()
	if err != nil {
		return err
	}
	c.Sub = strings.Trim(v.Facts.Product+" · "+strings.Join(v.Facts.Regimes, ", "), " ·")
	return c.show("record", c.recordTitle(v), c.recordPage(v), c.recordTrail(v)...)
}

// writeRecord makes the record of a closed day.
func (s *Server) writeRecord(c *call) error {
	r, err := s.app.RecordDay(c.r.Context(), c.actor, c.id(), c.r.PostForm["regime"])
	if err != nil {
		return err
	}
	return c.gone("/records/"+r.ID, c.T("web-done-record"), "")
}

// newRecord begins a record by hand.
func (s *Server) newRecord(c *call) error {
	r, err := s.app.NewRecord(c.r.Context(), c.actor, c.field("block"), record.Content{Regimes: c.r.PostForm["regime"]})
	if err != nil {
		return err
	}
	return c.gone("/records/"+r.ID, c.T("web-done-record"), "")
}

// amendRecord puts typed values in. A value is text unless it is written as a
// list or a mapping; an empty field changes nothing.
func (s *Server) amendRecord(c *call) error {
	v, err := c.recordOf()
	if err != nil {
		return err
	}
	var sets []string
	typed := map[string]string{}
	for name, values := range c.r.PostForm {
		path, ok := strings.CutPrefix(name, "set:")
		if !ok || len(values) == 0 || strings.TrimSpace(values[0]) == "" {
			continue
		}
		typed[path] = values[0]
		sets = append(sets, path+"="+yamlValue(values[0]))
	}
	if path, value := c.field("path"), c.field("value"); path != "" && value != "" {
		sets = append(sets, path+"="+yamlValue(value))
	}
	slices.Sort(sets)
	content := v.Record.Last().Content
	if len(sets) > 0 {
		content, err = exchange.SetRecordContent(content, sets)
	}
	if err == nil {
		for _, x := range c.r.PostForm["regime"] {
			if !slices.Contains(content.Regimes, x) {
				content.Regimes = append(slices.Clone(content.Regimes), x)
			}
		}
		_, err = s.app.AmendRecord(c.r.Context(), c.actor, v.ID, c.number("version"), content, c.field("reason"))
	}
	if err == nil {
		return c.gone("/records/"+v.ID, c.T("web-done-record-changed"), "")
	}
	return c.recordAgain(v, err, typed)
}

func (c *call) recordAgain(v app.RecordView, err error, typed map[string]string) error {
	fs, mine := usable(err)
	if !mine {
		return err
	}
	d := c.recordPage(v)
	d.Faults, d.Typed = c.lines(fs), typed
	for i := range d.Gaps {
		for k := range d.Gaps[i].Fields {
			d.Gaps[i].Fields[k].Value = typed[d.Gaps[i].Fields[k].Path]
		}
	}
	return c.again("record", c.recordTitle(v), d, c.recordTrail(v)...)
}

// yamlValue is a typed value as SetRecordContent reads it: a list, a mapping or
// a quoted text as it stands, anything else as plain text.
func yamlValue(s string) string {
	s = strings.TrimSpace(s)
	if strings.HasPrefix(s, "{") || strings.HasPrefix(s, "[") || strings.HasPrefix(s, `"`) {
		return s
	}
	if strings.ContainsAny(s, ":#'&*!|>%@`\n") && !timeLike(s) {
		return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`, "\n", " ").Replace(s) + `"`
	}
	return s
}

func timeLike(s string) bool {
	_, err := time.Parse(time.RFC3339, s)
	return err == nil
}

func (s *Server) signRecord(c *call) error {
	v, err := c.recordOf()
	if err != nil {
		return err
	}
	if c.field("read") != "yes" {
		return c.recordAgain(v, &finding.Fault{Class: finding.Usage, ID: "record-read-needed"}, nil)
	}
	if _, err := s.app.SignRecord(c.r.Context(), c.actor, v.ID, c.number("version"), c.field("incomplete")); err != nil {
		return c.recordAgain(v, err, nil)
	}
	return c.gone("/records/"+v.ID, c.T("web-done-record-signed"), "")
}

// recordFile sends a record: as a PDF, the customer's copy, the posting sheet,
// CSV, JSON, GeoJSON or calendar. regime limits persons to what it asks for.
func (s *Server) recordFile(c *call) error {
	v, err := c.recordOf()
	if err != nil {
		return err
	}
	var regimes []string
	if x := c.field("regime"); x != "" {
		regimes = []string{x}
	}
	view, err := exchange.ViewRecord(v.Record, regimes, zones, c.T("record-decides"))
	if err != nil {
		return err
	}
	other := map[string]string{"en": "es", "es": "en"}[c.Lang]
	in := report.RecordInput{Record: v.Record, View: view, Say: c.Printer, Second: lang.New(other, c.Units), Paper: pick(c.US, "letter", "a4"), Created: v.Record.Last().At.T, Now: v.Checked, Zones: zones}
	var b bytes.Buffer
	name, media := c.r.PathValue("file"), "application/pdf"
	switch name {
	case "record.pdf":
		err = report.Record(&b, in)
	case "copy.pdf":
		err = report.RecordCopy(&b, in)
	case "posting.pdf":
		err = report.RecordPosting(&b, in)
	case "record.csv":
		media = "text/csv; charset=utf-8"
		err = exchange.RecordCSV(&b, view)
	case "record.geojson":
		media = "application/geo+json"
		err = exchange.RecordGeoJSON(&b, view)
	case "record.ics":
		media = "text/calendar; charset=utf-8"
		err = report.RecordCalendar(in).Write(&b)
	case "record.json":
		media = "application/json"
		var data []byte
		data, err = record.Write(v.Record)
		b.Write(data)
	default:
		return missingPage()
	}
	if err != nil {
		return err
	}
	c.w.Header().Set("Content-Type", media)
	c.w.Header().Set("Content-Disposition", pick(media == "application/pdf", "inline", "attachment")+`; filename="`+url.PathEscape(name)+`"`)
	c.w.WriteHeader(http.StatusOK)
	_, err = c.w.Write(b.Bytes())
	return err
}
