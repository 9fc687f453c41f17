package web

import (
	"errors"
	"html/template"
	"net/http"
	"strconv"
	"strings"
	"time"

	"sapward/finding"
	"sapward/flow/compare"
	"sapward/flow/sap"
	"sapward/flow/weather"
	"sapward/internal/app"
	"sapward/internal/brief"
	"sapward/internal/draw"
	"sapward/internal/exchange"
	"sapward/internal/report"
	"sapward/measure/civil"
	q "sapward/measure/quantity"
)

// modelDraws is the number of draws behind the page: fewer than the command
// line's, so that nobody waits long (program default).
const modelDraws = 512

// movementPage is the model of the movement for a draft: the form, and the
// answer once everything is given.
type movementPage struct {
	Here     string
	Form     form
	Doc      *compare.Document
	Subject  string
	Rows     []report.ComparisonRow
	Heads    []string
	Pictures []template.HTML
	Equal    string
	EqualTo  []report.ComparisonRow
	Layouts  []string
	Drivers  []driverRow
	Advice   []string
	Steps    []string
	Limits   []string
	Inputs   []inputRow
	Doubts   []string
}

type driverRow struct {
	Name, Text string
	Share      int
}

type inputRow struct{ Name, Low, Middle, High, Mark, Source string }

// movement shows injection beside infusion in the tree, and keeps what the model
// needs with the draft.
func (s *Server) movement(c *call) error {
	ctx := c.r.Context()
	d, _, err := s.app.Draft(ctx, c.actor, c.id())
	if _, ok := usable(err); err != nil && !ok {
		return err
	}
	b, err := c.blockOf(d.Parent)
	if err != nil {
		return err
	}
	c.Zone = b.Estate.Facts.Location()
	p := &movementPage{Here: "/drafts/" + d.ID}
	trail := append(c.blockTrail(b.Estate, b.Block), crumb{c.T("web-draft"), p.Here})
	m := app.ModelFacts{}
	if d.Facts.Model != nil {
		m = *d.Facts.Model
	}
	if c.r.Method == http.MethodPost {
		m = app.ModelFacts{Climate: c.field("climate"), Latitude: c.field("latitude"), Elevation: c.field("elevation"), Foliage: c.field("foliage"), Effective: c.field("effective")}
	}
	p.Form = c.modelForm(p.Here, m)
	given := m.Climate != "" || m.Latitude != "" || m.Foliage != ""
	if c.r.Method == http.MethodPost || given {
		r, err := c.modelRequest(m, d.Facts.Brief.On, b.Estate.Facts.Location(), d.Facts.Crew.Start)
		if err == nil && c.r.Method == http.MethodPost {
			f := d.Facts
			f.Model = &m
			kept, err := s.app.SaveDraft(ctx, c.actor, d.ID, d.Version, f)
			if err != nil {
				return err
			}
			s.drafts.put(kept)
			return c.gone(p.Here+"/movement", c.T("web-done-model"), "")
		}
		if err == nil {
			p.Doc, err = s.app.CompareMethods(ctx, c.actor, d.ID, r)
		}
		if err != nil {
			fs, ok := usable(modelFault(err))
			if !ok {
				return err
			}
			c.wrong(&p.Form, fs)
			return c.again("movement", c.T("compare-title"), p, trail...)
		}
		c.modelled(p)
	}
	return c.show("movement", c.T("compare-title"), p, trail...)
}

// modelForm asks for what the model needs.
func (c *call) modelForm(here string, m app.ModelFacts) form {
	return form{Name: "model", Action: here + "/movement", Submit: c.T("web-model-show"), Cancel: here, Once: true, Inputs: []input{
		{Name: "effective", Label: c.T("web-model-effective"), Value: m.Effective, Hint: c.T("web-model-effective-hint")},
		{Name: "foliage", Label: c.T("web-model-foliage"), Value: m.Foliage, Hint: c.T("web-model-foliage-hint"), Needed: true},
		{Name: "latitude", Label: c.T("web-model-latitude"), Value: m.Latitude, Kind: "number", Unit: "°", Needed: true},
		{Name: "elevation", Label: c.T("web-model-elevation"), Value: m.Elevation, Kind: "number", Unit: "m", Needed: true},
		{Name: "climate", Label: c.T("web-model-climate"), Value: m.Climate, Kind: "textarea", Hint: c.T("web-model-climate-hint"), Needed: true},
	}}
}

// modelRequest reads the facts into a request: the season's days and the level.
func (c *call) modelRequest(m app.ModelFacts, on string, zone *time.Location, start string) (compare.Request, error) {
	var faults finding.Faults
	take := func(err error) {
		if err != nil {
			faults = append(faults, finding.AsFaults(err)...)
		}
	}
	bad := func(id, field string) {
		faults = append(faults, &finding.Fault{Class: finding.Usage, ID: id, Args: finding.Args{"field_by": finding.Text("field-" + field)}})
	}
	r := compare.Request{HorizonD: compare.DefaultDays, Draws: modelDraws, StartH: 7}
	if t, err := time.Parse("15:04", start); err == nil {
		r.StartH = float64(t.Hour()) + float64(t.Minute())/60
	}
	level, err := brief.EffectiveLevel(m.Effective, c.T("web-model-effective"))
	take(err)
	r.Facts.Level = level
	date, err := civil.Parse(on)
	if err != nil || on == "" {
		bad("compare-on-needed", "on")
	}
	months, ok := brief.Months(m.Foliage)
	if !ok {
		bad("compare-foliage-needed", "foliage")
	}
	site := weather.Site{WindHeightM: 2}
	number := func(text, field string) float64 {
		v, fault := q.Number(text)
		if fault != nil {
			bad("web-number-needed", field)
			return 0
		}
		return v.Float()
	}
	negative := strings.HasPrefix(m.Latitude, "-")
	site.LatitudeDeg = number(strings.TrimPrefix(m.Latitude, "-"), "latitude")
	if negative {
		site.LatitudeDeg = -site.LatitudeDeg
	}
	elevation := number(m.Elevation, "elevation")
	site.ElevationM = &elevation
	if !(site.LatitudeDeg >= -66 && site.LatitudeDeg <= 66) {
		bad("web-latitude-range", "latitude")
	}
	table, _, err := exchange.ReadClimateFrom(strings.NewReader(m.Climate), "climate.csv")
	take(err)
	if err := faults.OrNil(); err != nil {
		return r, err
	}
	means, err := exchange.MeanDays(table, site, weather.Options{Reference: "fao56"})
	if err != nil {
		return r, err
	}
	r.Days, _ = compare.LayDays(date, int(r.HorizonD)+1, func(d civil.Date) (compare.MeanDay, bool) { return means[d.Month-1], true },
		compare.Leaves{Months: months, RingMonth: compare.RingMonth(site.LatitudeDeg)}, compare.SunOf(site, zone))
	return r, nil
}

// modelFault puts what the comparison cannot work with into faults of the form.
func modelFault(err error) error {
	fault := func(id string, args finding.Args) error {
		return finding.Faults{{Class: finding.Usage, ID: id, Args: args}}
	}
	var none *compare.NoTree
	var content *compare.NoContent
	var in *sap.InputError
	switch {
	case errors.As(err, &none) && none.Lacks != "":
		return fault("movement-tree-lacks", finding.Args{"tree": finding.Text(none.Tree), "column": finding.Text(none.Lacks)})
	case errors.As(err, &none):
		return fault("compare-tree-unplanned", finding.Args{"tree": finding.Text(none.Tree)})
	case errors.As(err, &content):
		return fault("movement-content-unknown", finding.Args{"name": finding.Text(content.Active)})
	case errors.Is(err, compare.ErrPalm):
		return fault("compare-palm", nil)
	case errors.As(err, &in):
		return fault("movement-value-missing", finding.Args{"name": finding.Text(in.Field), "needs": finding.Text(in.Needs)})
	}
	return err
}

// modelled puts the document into the words of the page.
func (c *call) modelled(p *movementPage) {
	d, say := p.Doc, c.Printer
	d.Verdict.Sentence = report.ComparisonSentence(say, d)
	p.Subject, p.Rows = report.ComparisonSubject(say, d), report.ComparisonRows(say, d)
	for _, m := range d.Methods {
		p.Heads = append(p.Heads, c.T("method-"+m.Method))
	}
	in := report.ComparisonInput{Document: d, Say: say}
	wide, err := report.ComparisonPictures(in, wideDrawing/2)
	narrow, narrowErr := report.ComparisonPictures(in, narrowDrawing)
	if err = errors.Join(err, narrowErr); err != nil {
		p.Pictures = append(p.Pictures, c.Picture(draw.Scene{}, err))
		wide = nil
	}
	for i, x := range wide { // letters keep their size on a phone
		small := narrow[i].Scene
		small.ID += "n"
		p.Pictures = append(p.Pictures, `<div class="at-desk">`+c.Picture(x.Scene, nil)+`</div><div class="on-phone">`+c.Picture(small, nil)+`</div>`)
	}
	if d.Equal != nil {
		p.Equal, p.EqualTo = report.EqualSentence(say, d.Equal), report.EqualRows(say, d)
	}
	for _, l := range d.Layouts {
		p.Layouts = append(p.Layouts, report.LayoutText(say, l))
	}
	for i, v := range d.Drivers {
		if i == 6 {
			break
		}
		share := int(100*v.Share + 0.5)
		p.Drivers = append(p.Drivers, driverRow{report.InputName(say, v.Input), strconv.Itoa(share) + " % ± " + strconv.Itoa(int(100*v.Half+0.5)), min(max(share, 0), 100)})
	}
	for _, a := range d.Advice {
		p.Advice = append(p.Advice, report.AdviceText(say, a))
	}
	args := report.ComparisonStepArgs(say, d)
	for i := 1; say.Has("compare-step-" + strconv.Itoa(i)); i++ {
		p.Steps = append(p.Steps, say.Say("compare-step-"+strconv.Itoa(i), args))
	}
	for i := 1; say.Has("compare-limit-" + strconv.Itoa(i)); i++ {
		p.Limits = append(p.Limits, say.T("compare-limit-"+strconv.Itoa(i)))
	}
	for _, w := range d.Warnings {
		p.Doubts = append(p.Doubts, report.WarningText(say, w))
	}
	for _, a := range d.Assumptions {
		p.Inputs = append(p.Inputs, inputRow{report.InputName(say, a.Name), report.Figures(a.Low), report.Figures(a.Typical), report.Figures(a.High), report.MarkText(say, a.Mark), report.SourceText(say, a.Source)})
	}
}
