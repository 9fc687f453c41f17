package web

import (
	"html/template"
	"math"
	"net/http"
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/internal/app"
	"sapward/internal/draw"
	"sapward/measure/sample"
	"sapward/plan"
)

type blockPage struct {
	app.BlockView
	Sample       app.SampleView
	Dots         template.HTML
	Figures      []figure
	Lines        []string // what the sample says
	Outliers     []string
	Fills        string // which plan's fills the plot shows
	Picked       *sample.PickedTags
	PickN        int
	PickSeed     uint64
	Map          template.HTML
	Places       int
	Applications []app.Application
	MayPlan      bool
	MayAdd       bool
	MayEdit      bool
	MayRecord    bool
	Record       form
	CardChoices  []option
	HasCards     bool
}

func (s *Server) block(c *call) error {
	if tag := c.field("tag"); tag != "" { // a dot of a map
		return s.byTag(c, tag)
	}
	p, err := c.blockPage()
	if err != nil {
		return err
	}
	return c.show("block", p.Facts.Name, p, c.Trail[:2]...)
}

// byTag leads to the tree of a block that bears a tag, else to the list.
func (s *Server) byTag(c *call, tag string) error {
	page, err := s.app.Trees(c.r.Context(), c.actor, app.TreeQuery{Block: c.id(), Text: tag, Limit: 1000})
	if err != nil {
		return err
	}
	to := "/blocks/" + c.id() + "/trees?q=" + queryEscape(tag)
	for _, t := range page.Trees {
		if t.Facts.Tag == tag {
			to = "/trees/" + t.ID
		}
	}
	http.Redirect(c.w, c.r, to, http.StatusSeeOther)
	return nil
}

func (c *call) blockPage() (*blockPage, error) {
	ctx := c.r.Context()
	s := c.s
	b, err := s.app.Block(ctx, c.actor, c.id())
	if err != nil {
		return nil, err
	}
	c.Trail = c.blockTrail(b.Estate, b.Block)
	p := &blockPage{BlockView: b, MayPlan: c.may("AddDraft", b.Estate.ID), MayAdd: c.may("Import", b.Estate.ID), MayEdit: c.may("ChangeBlock", b.Estate.ID), MayRecord: c.may("AddApplication", b.Estate.ID)}
	opt := app.SampleOptions{}
	if len(b.Cards) > 0 && b.Count.Trees <= mostWeighed {
		opt.Card = b.Cards[0].ID
	}
	p.Sample, err = s.app.SampleBlock(ctx, c.actor, b.ID, opt)
	if fs, ok := usable(err); ok {
		p.Lines, err = c.lines(fs), nil
	} else if err == nil {
		c.sampled(p)
	}
	if err != nil {
		return nil, err
	}
	if err := c.pick(p); err != nil {
		return nil, err
	}
	if p.Places = b.Count.Trees; p.Places <= mostDrawn {
		places, err := s.app.Places(ctx, c.actor, b.ID)
		if err != nil {
			return nil, err
		}
		p.Map, p.Places = c.treeMap(b.Block, places)
	}
	if p.Applications, err = s.app.Applications(ctx, c.actor, b.ID); err != nil {
		return nil, err
	}
	cards, err := s.app.Cards(ctx, c.actor)
	if err != nil {
		return nil, err
	}
	p.HasCards = len(cards) > 0
	shown := b.Cards
	if len(shown) == 0 {
		shown = cards
	}
	for _, x := range shown {
		p.CardChoices = append(p.CardChoices, option{x.ID, x.Facts.Product})
	}
	p.Record = c.recordForm(p)
	return p, nil
}

// sampled puts what the taped trunks tell into figures, lines and the plot.
func (c *call) sampled(p *blockPage) {
	v := p.Sample
	if v.Unusable || len(v.Diameters) == 0 {
		return
	}
	m := v.Summary
	args := finding.Args{
		"n": finding.Count(m.N), "mean": finding.Number(m.MeanCM, "cm"), "half": finding.Number(m.HalfWidthCM, "cm"), "pct": finding.Number(m.HalfWidthPct, "pct"),
		"confidence": finding.Number(100*m.Confidence, "pct"), "low": finding.Number(m.CILowCM, "cm"), "high": finding.Number(m.CIHighCM, "cm"),
		"tolerance": finding.Number(m.TolerancePct, "pct"), "needed": finding.Count(m.Trees),
	}
	p.Figures = []figure{
		{c.T("web-fig-taped"), strconv.Itoa(m.N), c.S("web-of-trees", "n", m.BlockTrees)},
		{c.T("draw-mean"), c.Length(m.MeanCM), pick(m.N == m.BlockTrees, c.T("web-every-tree"), c.S("web-interval-note", "low", finding.Number(m.CILowCM, "cm"), "high", finding.Number(m.CIHighCM, "cm")))},
		{c.T("web-fig-spread"), c.Value(finding.Number(m.CVPct, "pct")), c.S("web-sd-note", "sd", finding.Number(m.SDCM, "cm"))},
		{c.T("web-fig-enough"), pick(m.Enough, c.T("crew-yes"), c.T("crew-no")), c.S("web-needed-note", "n", m.Trees, "tolerance", finding.Number(m.TolerancePct, "pct"))},
	}
	id := "sample-more"
	if m.Enough {
		id = "sample-enough"
	}
	p.Lines = append(p.Lines, c.Say(id, args))
	if d := v.Doses; d != nil && math.Abs(d.BiasPct) > 0.05 {
		p.Lines = append(p.Lines, c.S("web-bias", "bias", finding.Number(d.BiasPct, "pct")))
	}
	if d := v.Doses; d != nil && len(d.AboveOwnMax)+len(d.BelowOwnMin) > 0 {
		p.Lines = append(p.Lines, c.S("web-mean-dose-outside", "above", len(d.AboveOwnMax), "below", len(d.BelowOwnMin)))
	}
	for _, o := range m.Outliers {
		if o.Index < len(v.Tags) {
			p.Outliers = append(p.Outliers, c.Say("sample-outlier", finding.Args{"tree": finding.Text(v.Tags[o.Index]), "diameter": finding.Number(o.DiameterCM, "cm"), "z": finding.Number(o.RobustZ, "")}))
		}
		if len(p.Outliers) == 6 {
			break
		}
	}
	if len(v.Diameters) > mostDots {
		return
	}
	d := draw.DotPlot{ValuesCm: v.Diameters, MeanCm: m.MeanCM, LowCm: m.CILowCM, HighCm: m.CIHighCM, Unit: c.lengthUnit()}
	if m.N == m.BlockTrees { // every tree was taped: the mean has no interval
		d.LowCm, d.HighCm = 0, 0
	}
	p.Fills = c.bands(p, &d)
	bands := d.Bands
	p.Dots = c.Pair("dots", func(id string, width float64) (draw.Scene, error) {
		d.Frame = c.frame(draw.KindDotPlot, id, width, c.T("report-dots"), c.S("web-dots-desc", "n", m.N))
		d.Bands = bands
		if width < wideDrawing && len(bands) > 8 {
			d.Bands = nil
		}
		return draw.DrawDotPlot(d)
	})
}

// mostWeighed bounds the block for which its page says what one dose for all
// would do; a plan says it for any size.
const mostWeighed = 5000

// mostDots bounds the dots of a plot on a page.
const mostDots = 6000

// bands are the diameters at which ports or fill change, by the newest draft
// or plan of the block; it returns that plan's name.
func (c *call) bands(p *blockPage, d *draw.DotPlot) string {
	ctx := c.r.Context()
	for _, l := range p.Plans {
		name := l.Name + " " + l.Product
		var rows []plan.ClassRow
		switch {
		case l.Type == app.TypeDraft && p.Count.Trees <= 2000:
			if _, o, err := c.s.app.Draft(ctx, c.actor, l.ID); err == nil {
				rows = o.Plan.ClassCard
			}
		case l.Type == app.TypePlan && !l.Retired:
			if v, err := c.s.app.Plan(ctx, c.actor, l.ID); err == nil {
				rows = v.Doc.ClassCard
			}
		}
		for i, r := range rows {
			to := r.ToCM
			if i+1 < len(rows) && rows[i+1].FromCM-to < 0.3 { // the next step of the tape
				to = rows[i+1].FromCM
			}
			if r.Ports > 0 && to >= lowest(d.ValuesCm) && r.FromCM <= highest(d.ValuesCm) {
				d.Bands = append(d.Bands, draw.DotBand{FromCm: r.FromCM, ToCm: to, Label: strconv.Itoa(r.Ports) + " \u00d7 " + r.Volume.String()})
			}
		}
		if len(d.Bands) > 14 {
			d.Bands = nil
		}
		if len(d.Bands) > 7 { // ports alone; the fill stands in the caption
			for i := range d.Bands {
				d.Bands[i].Label, _, _ = strings.Cut(d.Bands[i].Label, " ")
			}
		}
		if len(d.Bands) > 0 {
			return strings.TrimSpace(name)
		}
	}
	return ""
}

func lowest(xs []float64) float64 {
	m := math.Inf(1)
	for _, x := range xs {
		m = min(m, x)
	}
	return m
}

func highest(xs []float64) float64 {
	m := math.Inf(-1)
	for _, x := range xs {
		m = max(m, x)
	}
	return m
}

// pick draws which trees to tape next.
func (c *call) pick(p *blockPage) error {
	p.PickN, p.PickSeed = 10, 1
	if n := c.number("n"); c.field("n") != "" && n > 0 {
		p.PickN = min(n, 500)
	}
	if seed, err := strconv.ParseUint(c.field("seed"), 10, 64); err == nil {
		p.PickSeed = seed
	}
	if p.Count.Trees == 0 || p.Count.Measured == p.Count.Trees && c.field("n") == "" {
		return nil
	}
	got, err := c.s.app.PickTrees(c.r.Context(), c.actor, p.ID, p.PickN, p.PickSeed)
	if _, ok := usable(err); ok {
		return nil
	}
	if err != nil {
		return err
	}
	p.Picked = &got
	return nil
}

// treeMap draws the trees of a block by how they are.
func (v *view) treeMap(b app.Block, places []app.Place) (template.HTML, int) {
	at := v.placesXY(places)
	if len(at) == 0 || len(at) > mostDrawn {
		return "", len(at)
	}
	m := draw.BlockMap{MetresPerUnit: pick(v.US, 0.3048, 1.0), Classes: []string{v.T("web-measured"), v.T("web-unmeasured")}}
	for i, p := range places {
		xy, ok := at[i]
		if !ok {
			continue
		}
		t := draw.MapTree{Tag: p.Tag, XM: xy[0], YM: xy[1]}
		t.Href = treeAt(b.ID, p.Tag, len(places))
		if p.DiameterCM == 0 {
			t.Class = 1
		}
		if p.Status == "suspect" || p.Status == "symptomatic" || p.Status == "dead" {
			t.Status = draw.Suspect
		}
		m.Trees = append(m.Trees, t)
	}
	m.Outline = v.outlineXY(b.Facts, places)
	m.HideTags = len(m.Trees) > 400
	m.HideWalk = true
	return v.Pair("map", func(id string, width float64) (draw.Scene, error) {
		m.Frame = v.frame(draw.KindBlockMap, id, width, v.T("web-map"), v.S("web-sketch-desc", "n", len(at)))
		return draw.DrawBlockMap(m)
	}), len(at)
}

func (c *call) blockForm(action string, f app.BlockFacts, version int) form {
	trees := ""
	if f.Trees > 0 {
		trees = strconv.Itoa(f.Trees)
	}
	var lines []string
	for _, pt := range f.Boundary {
		lines = append(lines, strconv.FormatFloat(pt.X, 'f', -1, 64)+", "+strconv.FormatFloat(pt.Y, 'f', -1, 64))
	}
	var sites []option
	if cards, err := c.s.app.Cards(c.r.Context(), c.actor); err == nil {
		seen := map[string]bool{}
		for _, x := range cards {
			for _, s := range x.Facts.Sites {
				if !seen[s] {
					seen[s] = true
					sites = append(sites, option{s, ""})
				}
			}
		}
	}
	area := c.areaShown(f.AreaHa)
	return form{Action: action, Submit: c.T("web-save"), Name: "block-form", Once: true, Inputs: []input{
		hidden("version", version),
		{Name: "name", Label: c.L("field-name"), Value: f.Name, Needed: true},
		{Name: "site", Label: c.L("field-site"), Value: f.Site, Hint: c.T("web-site-hint"), Options: sites},
		{Name: "species", Label: c.L("field-species"), Value: f.Species},
		{Name: "area", Label: c.L("field-area"), Value: area, Kind: "number", Unit: pick(c.US, "ac", "ha"), Hint: c.T("web-area-hint")},
		{Name: "trees", Label: c.T("web-block-trees"), Value: trees, Kind: "number", Hint: c.T("web-block-trees-hint")},
		{Name: "boundary", Label: c.T("web-boundary"), Value: strings.Join(lines, "\n"), Kind: "textarea", Hint: c.T("web-boundary-hint")},
		{Name: "globe", Label: c.T("web-globe"), Kind: "check", Value: pick(f.Globe, "yes", "")},
		{Name: "note", Label: c.L("field-note"), Value: f.Note, Kind: "textarea"},
	}}
}

func (c *call) blockFacts(before app.BlockFacts) (app.BlockFacts, bool) {
	f := app.BlockFacts{Name: c.field("name"), Site: c.field("site"), Species: c.field("species"), AreaHa: c.areaTyped(c.field("area"), before.AreaHa), Trees: c.number("trees"), Note: c.field("note"), Globe: c.field("globe") == "yes"}
	for _, line := range strings.Split(c.field("boundary"), "\n") {
		if line = strings.TrimSpace(line); line == "" {
			continue
		}
		x, y, ok := strings.Cut(line, ",")
		if !ok {
			x, y, ok = strings.Cut(line, " ")
		}
		px, errX := strconv.ParseFloat(strings.TrimSpace(x), 64)
		py, errY := strconv.ParseFloat(strings.TrimSpace(y), 64)
		if !ok || errX != nil || errY != nil {
			return f, false
		}
		f.Boundary = append(f.Boundary, app.Point{X: px, Y: py})
	}
	return f, true
}

var blockFactNames = map[string]string{"name": "name", "site": "site", "species": "species", "area": "area_ha", "trees": "trees", "note": "note"}

func (s *Server) newBlock(c *call) error {
	ctx := c.r.Context()
	e, err := s.app.Estate(ctx, c.actor, c.id())
	if err != nil {
		return err
	}
	trail := []crumb{{c.T("web-nav-estates"), "/estates"}, {e.Facts.Name, "/estates/" + e.ID}}
	action := "/estates/" + e.ID + "/blocks/new"
	f, ok := c.blockFacts(app.BlockFacts{})
	page := c.blockForm(action, f, 0)
	page.Cancel = "/estates/" + e.ID
	if c.r.Method == http.MethodGet {
		return c.show("form", c.T("web-block-add"), page, trail...)
	}
	if !ok {
		return c.badBoundary(page, trail)
	}
	b, err := s.app.AddBlock(ctx, c.actor, e.ID, f)
	if fs, bad := usable(err); bad {
		c.wrong(&page, fs)
		return c.again("form", c.T("web-block-add"), page, trail...)
	}
	if err != nil {
		return err
	}
	return c.gone("/blocks/"+b.ID, c.S("web-done-added", "what", b.Facts.Name), b.Act)
}

func (c *call) badBoundary(page form, trail []crumb) error {
	for i := range page.Inputs {
		if page.Inputs[i].Name == "boundary" {
			page.Inputs[i].Value, page.Inputs[i].Error = c.field("boundary"), c.T("web-boundary-bad")
		}
	}
	page.Faults = []string{c.T("web-boundary-bad")}
	return c.again("form", c.T("web-block-change"), page, trail...)
}

func (s *Server) editBlock(c *call) error {
	ctx := c.r.Context()
	b, err := s.app.Block(ctx, c.actor, c.id())
	if err != nil {
		return err
	}
	trail := c.blockTrail(b.Estate, b.Block)
	here := "/blocks/" + b.ID
	if c.r.Method == http.MethodGet {
		page := c.blockForm(here+"/edit", b.Facts, b.Version)
		page.Cancel = here
		return c.show("form", c.T("web-block-change"), page, trail...)
	}
	f, ok := c.blockFacts(b.Facts)
	page := c.blockForm(here+"/edit", f, c.number("version"))
	page.Cancel = here
	if !ok {
		return c.badBoundary(page, trail)
	}
	out, err := s.app.ChangeBlock(ctx, c.actor, b.ID, c.number("version"), f, "")
	if fs, bad := usable(err); bad {
		c.wrong(&page, fs)
		return c.again("form", c.T("web-block-change"), page, trail...)
	}
	if con := conflict(err); con != nil {
		c.beside(&page, con, blockFactNames)
		c.Title, c.Trail, c.D = c.T("web-block-change"), trail, page
		s.show(c.w, c.r, http.StatusConflict, "form", c.view)
		return nil
	}
	if err != nil {
		return err
	}
	return c.gone(here, c.T("web-done-saved"), out.Act)
}

func (s *Server) retireBlock(c *call) error {
	b, err := s.app.Block(c.r.Context(), c.actor, c.id())
	if err != nil {
		return err
	}
	out, err := s.app.RetireBlock(c.r.Context(), c.actor, b.ID, c.number("version"), c.field("reason"))
	if err != nil {
		return err
	}
	return c.gone("/estates/"+b.Estate.ID, c.S("web-done-retired-what", "what", b.Facts.Name), out.Act)
}

// recordForm notes that a plan was carried out, or an earlier treatment.
func (c *call) recordForm(p *blockPage) form {
	plans := []option{{"", c.T("web-no-plan")}}
	for _, l := range p.Plans {
		if l.Type == app.TypePlan && !l.Retired {
			plans = append(plans, option{l.ID, l.Name + " " + l.On})
		}
	}
	return form{Name: "record", Action: "/blocks/" + p.ID + "/applications", Submit: c.T("web-save"), Once: true, Wide: true, Inputs: []input{
		{Name: "plan", Label: c.T("web-by-plan"), Kind: "select", Options: plans},
		{Name: "product", Label: c.L("field-product")},
		{Name: "date", Label: c.L("field-date-end"), Kind: "date", Part: "date-end", Needed: true},
		{Name: "active", Label: c.L("field-active")},
		{Name: "grams", Label: c.L("field-active-mass"), Kind: "number", Unit: "g", Part: "active-mass"},
		{Name: "note", Label: c.L("field-note")},
	}}
}

func (s *Server) record(c *call) error {
	ctx := c.r.Context()
	p, err := c.blockPage()
	if err != nil {
		return err
	}
	f := app.ApplicationFacts{Product: c.field("product"), DateEnd: c.field("date"), Active: c.field("active"), ActiveG: c.field("grams"), Note: c.field("note"), AreaHa: p.Facts.AreaHa}
	if id := c.field("plan"); id != "" {
		v, err := s.app.Plan(ctx, c.actor, id)
		if err != nil {
			return err
		}
		f.Plan, f.Product, f.Method = v.ID, v.Facts.Product, v.Facts.Method
		f.HarvestFrom, f.NextEarliest, f.ReentryH = v.Facts.HarvestFrom, v.Facts.NextEarliest, v.Doc.Dates.ReentryH
		if v.Facts.Method != "" && f.ActiveG == "" && len(v.Doc.Totals.Active) > 0 {
			f.Active, f.ActiveG = v.Doc.Totals.Active[0].Name, strconv.FormatFloat(v.Doc.Totals.Active[0].Grams, 'f', 2, 64)
		}
	}
	out, err := s.app.AddApplication(ctx, c.actor, p.ID, f)
	if fs, bad := usable(err); bad {
		for i := range p.Record.Inputs {
			p.Record.Inputs[i].Value = c.field(p.Record.Inputs[i].Name)
		}
		c.wrong(&p.Record, fs)
		return c.again("block", p.Facts.Name, p, c.Trail[:2]...)
	}
	if err != nil {
		return err
	}
	return c.gone("/blocks/"+p.ID, c.T("web-done-recorded"), out.Act)
}
