package web

import (
	"html/template"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"sapward/finding"
	"sapward/internal/app"
	"sapward/internal/brief"
	"sapward/internal/draw"
	"sapward/internal/lang"
	"sapward/measure/tree"
	"sapward/plan"
	"sapward/plan/crew"
	"sapward/plan/label"
)

// said is a finding with its words.
type said struct {
	*view
	D          finding.Finding
	Text, Mend string
	Trees      string
	openFact
}

// openFact is where an open fact can be answered: a field of the plan, or a
// page.
type openFact struct {
	Field, Label, Kind string
	Options            []option
	Href               string
}

type option struct{ Value, Text string }

// say puts a finding into words. The way out speaks of buttons, not of the
// command line's options.
func (v *view) say(f finding.Finding) said {
	text, mend := v.Finding(f)
	if id := "web-mend-" + f.ID; v.Has(id) {
		mend = v.Say(id, f.Args)
	}
	s := said{view: v, D: f, Text: text, Mend: mend}
	if len(f.Trees) > 0 && !strings.Contains(text, f.Trees[0]) {
		s.Trees = lang.TreeList(f)
	}
	return s
}

func (v *view) sayAll(fs []finding.Finding) (out []said) {
	for _, f := range fs {
		out = append(out, v.say(f))
	}
	return out
}

// figure is one number of the answer.
type figure struct{ Name, Value, Note string }

type classRow struct {
	Diameter, Girth, Fill string
	Ports                 string
}

type kitRow struct{ Name, Pack, Spare string }

type dayView struct {
	Title, Line string
	Picture     template.HTML
}

type refusedRow struct {
	Tree string
	Why  []said
}

type cautionRow struct {
	Text string
	By   finding.Authority
}

// advisory is a rule that a person may set aside with a printed reason.
type advisory struct {
	ID, Text, Reason string
	Trees            int
}

// planPage is a draft or an approved plan on the screen.
type planPage struct {
	ID          string
	Version     int
	Here        string
	BlockID     string
	Brief       brief.Brief
	Crew        brief.Crew
	Area        string
	CardID      string
	Cards       []cardChoice
	Methods     []string
	Sites       []string
	Targets     []string
	Territories []string
	MoreOpen    bool
	Faults      []string
	Stale       []string
	Conflict    string

	Plan          *plan.Plan
	Approved      bool
	ApprovedBy    string
	ApprovedAt    time.Time
	Withdrawn     bool
	MayWithdraw   bool
	MayApprove    bool
	WhyNotApprove string
	Figures       []figure
	Dates         []string
	Refusals      []said
	Open          []said
	Notes         []said
	Rows          []classRow
	Kit           []kitRow
	Mixing        []string
	Morning       *gateView
	Days          []dayView
	Refused       []refusedRow
	RefusedMore   int
	Advisory      []advisory
	Cautions      []cautionRow
	Map           template.HTML

	CompareURL string
	Compared   []comparedMethod

	Ring, Unrolled    template.HTML
	TreeTag           string
	TreeChoices       []string
	TreePorts         []plan.Port
	Stand             int
	TrunkURL, TurnURL string
}

type cardChoice struct{ ID, Name string }

// UL writes a planned volume.
func (v *view) UL(u plan.Microlitres) string { return v.Volume(u.ML()) }

// Where names the place of a port: the card's words in the reader's language.
func (v *view) Where(place string) string {
	if limb, ok := strings.CutPrefix(place, "limb "); ok {
		return v.S("web-where-limb", "limb", limb)
	}
	if id := "web-where-" + strings.ReplaceAll(place, " ", "-"); v.Has(id) {
		return v.T(id)
	}
	return place
}

// Stand says from where the trunk is looked at.
func (v *view) Stand(deg int) string {
	words := []string{"north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west"}
	return v.S("web-stand-at", "side", v.T("web-side-"+words[(deg+22)%360/45]), "deg", deg)
}

// minutes writes a length of time as hours and minutes.
func (v *view) minutes(s int64) string {
	return v.S("web-hours", "h", int(s/3600), "m", int(s%3600/60))
}

// mostListed bounds the refused trees a page lists.
const mostListed = 60

// fill puts a computed plan into words, figures and pictures.
func (pp *planPage) fill(v *view, p *plan.Plan, places []app.Place, card label.Card) {
	pp.Plan = p
	pp.Refusals, pp.Notes = v.sayAll(p.Refusals), v.sayAll(p.Findings)
	for _, f := range p.Open {
		s := v.say(f)
		s.openFact = pp.answerable(v, f, card)
		pp.Open = append(pp.Open, s)
	}
	pp.figures(v, p)
	for _, r := range p.ClassCard {
		row := classRow{Diameter: v.Length(r.FromCM) + " – " + v.Length(r.ToCM), Girth: v.Length(r.GirthFromCM) + " – " + v.Length(r.GirthToCM), Ports: strconv.Itoa(r.Ports), Fill: v.UL(r.Volume)}
		if r.Ports == 0 {
			row.Ports, row.Fill = v.T("class-none"), ""
		}
		pp.Rows = append(pp.Rows, row)
	}
	for i, r := range p.RefusedTrees {
		if i == mostListed {
			pp.RefusedMore = len(p.RefusedTrees) - mostListed
			break
		}
		pp.Refused = append(pp.Refused, refusedRow{nameOf(r.Tree, r.Stem), v.sayAll(r.Findings)})
	}
	pp.advisories(v, p)
	for _, c := range p.Cautions {
		text := c.Text
		if text == "" {
			text = v.T(c.ID)
		}
		if c.Page > 0 {
			text += " (" + v.S("card-page", "page", c.Page) + ")"
		}
		pp.Cautions = append(pp.Cautions, cautionRow{text, c.Authority})
	}
	for _, l := range p.Mix {
		args := finding.Args{
			"concentration": finding.Text(lang.Figure(l.ConcentrationMLPerL, 3)), "product": finding.Number(l.Product.ML(), "mL"),
			"water": finding.Number(l.Water.ML(), "mL"), "mix": finding.Number(l.Mix.ML(), "mL"), "life": finding.Number(l.LifeH, "h"),
		}
		pp.Mixing = append(pp.Mixing, v.Say("mix-line", args))
		if l.LifeH > 0 {
			pp.Mixing = append(pp.Mixing, v.Say("mix-life", args))
		}
	}
	pp.outfit(v, p)
	pp.blockMap(v, p, places)
}

// advisories gathers the advisory rules that refuse trees of this plan, and
// those that were set aside.
func (pp *planPage) advisories(v *view, p *plan.Plan) {
	at := map[string]int{}
	add := func(f finding.Finding, trees int) {
		if f.Force != finding.Advisory || f.Severity != finding.Refused && f.Reason == "" {
			return
		}
		i, known := at[f.ID]
		if !known {
			i = len(pp.Advisory)
			at[f.ID] = i
			pp.Advisory = append(pp.Advisory, advisory{ID: f.ID, Text: v.say(f).Text, Reason: pp.Brief.Overrides[f.ID]})
		}
		pp.Advisory[i].Trees += trees
	}
	for _, f := range p.Refusals {
		add(f, 0)
	}
	for _, r := range p.RefusedTrees {
		for _, f := range r.Findings {
			add(f, 1)
		}
	}
	for _, f := range p.Findings {
		add(f, f.TreeCount)
	}
	for i := range p.Trees {
		for _, f := range p.Trees[i].Findings {
			add(f, 1)
		}
	}
}

func (pp *planPage) figures(v *view, p *plan.Plan) {
	t := p.Totals
	add := func(id, value, note string) { pp.Figures = append(pp.Figures, figure{v.T(id), value, note}) }
	whole := func(n int64) string { return strconv.FormatInt(n, 10) }
	note := ""
	if t.RefusedTrees > 0 {
		note = v.S("web-refused-count", "n", t.RefusedTrees)
	}
	add("web-fig-trees", whole(t.Planned)+" / "+whole(t.Trees), note)
	if t.Planned == 0 {
		return
	}
	add("web-fig-ports", whole(t.Ports), "")
	var fills []string
	for _, f := range p.Fills {
		fills = append(fills, v.UL(f.Volume))
	}
	if len(fills) > 0 && len(fills) < 5 {
		add("web-fig-fill", strings.Join(fills, ", "), v.T("web-fig-fill-note"))
	}
	add("web-fig-product", v.UL(t.Product), "")
	if t.Water > 0 {
		add("web-fig-water", v.UL(t.Water), "")
	}
	for _, a := range t.Active {
		s := ""
		if a.PerHa != nil {
			s = v.PerArea(*a.PerHa)
			if a.CapG != nil {
				s = v.S("web-fig-cap", "now", s, "cap", v.PerArea(*a.CapG))
			}
		}
		add("web-fig-active", v.Value(finding.Number(a.Grams, "g")), s)
	}
	if p.Outfit != nil && len(p.Schedule.Days) > 0 {
		d := p.Schedule.Days
		add("web-fig-day", v.minutes(d[0].FinishS-d[0].BeginS), pick(len(d) > 1, v.S("web-fig-days", "n", len(d)), v.S("web-fig-finish", "time", d[0].Finish.Format("15:04"))))
	}
	if p.Dates.HarvestFrom != "" {
		pp.Dates = append(pp.Dates, v.S("date-harvest", "date", p.Dates.HarvestFrom))
	}
	if p.Dates.NextEarliest != "" {
		pp.Dates = append(pp.Dates, v.S("date-next", "date", p.Dates.NextEarliest))
	}
	if p.Dates.ReentryH != "" {
		pp.Dates = append(pp.Dates, v.S("date-reentry", "hours", p.Dates.ReentryH))
	}
}

// answerable says where an open fact is answered.
func (pp *planPage) answerable(v *view, f finding.Finding, card label.Card) openFact {
	choices := func(words []string) (out []option) {
		for _, w := range words {
			out = append(out, option{w, w})
		}
		return out
	}
	switch f.ID {
	case "area-needed":
		return openFact{Field: "area", Label: pick(v.US, "web-area-ac", "web-area-ha"), Kind: "text"}
	case "bloom-needed":
		return openFact{Field: "bloom", Label: "web-bloom", Options: []option{{"no", v.T("web-bloom-no")}, {"yes", v.T("web-bloom-yes")}, {"after", v.T("web-bloom-after")}}}
	case "date-needed":
		return openFact{Field: "on", Label: "web-day-of-work", Kind: "date"}
	case "certificate-needed":
		return openFact{Field: "certificate", Label: "web-certificate", Kind: "date"}
	case "harvest-needed":
		return openFact{Field: "harvest", Label: "web-harvest", Kind: "date"}
	case "territory-needed":
		return openFact{Field: "territory", Label: "web-territory", Options: choices(pp.Territories)}
	case "site-needed":
		return openFact{Field: "site", Label: "web-site", Options: choices(pp.Sites)}
	case "target-needed":
		return openFact{Field: "target", Label: "web-target", Options: choices(pp.Targets)}
	case "method-needed", "use-unclear":
		var os []option
		for _, m := range pp.Methods {
			os = append(os, option{m, v.T("method-" + m)})
		}
		return openFact{Field: "method", Label: "web-method", Options: os}
	}
	if f.Ref != "" && f.Authority == finding.ByLabel && len(f.Trees) == 0 {
		return openFact{Label: "web-to-card", Href: "/cards/" + pp.CardID}
	}
	return openFact{Label: "web-to-block", Href: "/blocks/" + pp.BlockID + "/trees"}
}

func (pp *planPage) outfit(v *view, p *plan.Plan) {
	for _, l := range p.Kit {
		row := kitRow{Name: v.kitName(l), Pack: v.kitCount(l, l.Pack)}
		if l.Spare > 0 {
			row.Spare = v.kitCount(l, l.Spare)
		}
		pp.Kit = append(pp.Kit, row)
	}
	if p.Outfit == nil {
		return
	}
	for _, b := range p.Mixing.Batches {
		pp.Mixing = append(pp.Mixing, v.S("batch-line", "n", b.Number, "product", finding.Number(float64(b.ProductUL)/1000, "mL"), "water", finding.Number(float64(b.WaterUL)/1000, "mL"), "trees", len(b.Shares)))
	}
	if p.Cost != nil {
		pp.Mixing = append(pp.Mixing, v.S("cost-line", "total", strconv.FormatFloat(float64(p.Cost.Total.Minor)/100, 'f', 2, 64)+" "+p.Cost.Total.Currency, "unpriced", len(p.Cost.Unpriced)))
	}
	for i := range p.Schedule.Days {
		pp.Days = append(pp.Days, v.dayOf(&p.Schedule.Days[i], i))
		if i == 4 {
			break
		}
	}
}

func (v *view) kitName(l crew.KitLine) string {
	s := v.T(l.Item)
	if l.Label != "" {
		s = l.Label
		if l.Task != "" {
			s += " (" + v.T("task-"+l.Task) + ")"
		}
	}
	if l.CapacityUL > 0 {
		s += " " + v.Volume(float64(l.CapacityUL)/1000)
	}
	return s
}

func (v *view) kitCount(l crew.KitLine, n int64) string {
	if l.Unit == crew.UnitUL {
		return v.Volume(float64(n) / 1000)
	}
	return strconv.FormatInt(n, 10)
}

// dayOf is one working day: a line and its bars.
func (v *view) dayOf(day *crew.Day, i int) dayView {
	out := dayView{
		Title: v.S("report-day-n", "day", day.Number, "date", day.Start.Format(time.DateOnly)),
		Line: v.S("day-line", "day", day.Number, "date", day.Start.Format(time.DateOnly), "trees", day.Trees, "ports", day.Ports, "people", len(day.People),
			"dry", day.LastPortDry.Format("15:04"), "finish", day.Finish.Format("15:04"), "signs", day.SignsDown.Format("2006-01-02 15:04")),
	}
	start := float64(day.Start.Hour()*60 + day.Start.Minute())
	b := draw.Day{
		TwelveHour: v.US && v.Lang == "en",
		Kinds:      []string{v.T("report-bar-treat"), v.T("report-bar-return"), v.T("report-bar-watch"), v.T("report-bar-wait"), v.T("crew-walk")},
	}
	for _, p := range day.People {
		b.Rows = append(b.Rows, draw.DayRow{Person: v.person(p.Person), Bars: barsOf(p, start)})
	}
	at := func(t time.Time) float64 { return start + t.Sub(day.Start).Minutes() }
	b.Markers = append(b.Markers, draw.DayMarker{AtMin: at(day.LastPortDry), Label: v.T("report-last-dry")})
	out.Picture = v.Pair("day"+strconv.Itoa(i), func(id string, width float64) (draw.Scene, error) {
		b.Frame = v.frame(draw.KindDayBars, id, width, out.Title, out.Line)
		return draw.DrawDay(b)
	})
	return out
}

func (v *view) person(id string) string {
	if strings.Trim(id, "0123456789") == "" {
		return v.S("report-person", "id", id)
	}
	return id
}

// barsOf joins the small steps at one tree, so that a day can be read.
func barsOf(p crew.PersonDay, start float64) (out []draw.DayBar) {
	kind := func(step string) int {
		switch step {
		case crew.StepBreak:
			return -1
		case crew.StepWalk:
			return 4
		case crew.StepWait:
			return 3
		case crew.StepWatch:
			return 2
		}
		if strings.Contains(step, "seal") || strings.Contains(step, "rinse") || strings.Contains(step, "collect") {
			return 1
		}
		return 0
	}
	for _, bar := range p.Bars {
		k, from, to := kind(bar.Step), start+float64(bar.StartS)/60, start+float64(bar.EndS)/60
		if n := len(out); n > 0 && out[n-1].Kind == k && from-out[n-1].ToMin < 0.01 {
			out[n-1].ToMin = to
			continue
		}
		if k == 4 && to-from < 3 && len(out) > 0 && out[len(out)-1].Kind == 0 { // the few steps to the next tree belong to the work
			out[len(out)-1].ToMin = to
			continue
		}
		out = append(out, draw.DayBar{FromMin: from, ToMin: to, Kind: k})
	}
	return out
}

// blockMap draws the block with what each tree gets.
func (pp *planPage) blockMap(v *view, p *plan.Plan, places []app.Place) {
	if len(places) == 0 || len(places) > mostDrawn || p.Totals.Planned == 0 {
		return
	}
	m := draw.BlockMap{MetresPerUnit: pick(v.US, 0.3048, 1.0)}
	ports := map[string]int{}
	for i := range p.Trees {
		ports[p.Trees[i].Tag] += len(p.Trees[i].Ports)
	}
	low, high := math.MaxInt, 0
	for _, n := range ports {
		low, high = min(low, n), max(high, n)
	}
	step := max(1, (high-low+4)/4)
	for a := low; a <= high; a += step {
		b := min(a+step-1, high)
		n := strconv.Itoa(a)
		if b > a {
			n += "–" + strconv.Itoa(b)
		}
		m.Classes = append(m.Classes, v.S("report-n-ports", "n", n))
	}
	if len(m.Classes) == 0 {
		m.Classes = []string{v.T("report-no-dose")}
	}
	at := v.placesXY(places)
	index := map[string]int{}
	for i, pl := range places {
		xy, ok := at[i]
		if !ok {
			continue
		}
		t := draw.MapTree{Tag: pl.Tag, XM: xy[0], YM: xy[1]}
		n, planned := ports[pl.Tag]
		switch {
		case !planned:
			t.Status = draw.Refused
		case pl.Status == string(tree.Suspect) || pl.Status == string(tree.Symptomatic):
			t.Status = draw.Suspect
		}
		if planned {
			t.Class = min(max((n-low)/step, 0), len(m.Classes)-1)
		}
		index[pl.Tag] = len(m.Trees)
		m.Trees = append(m.Trees, t)
	}
	if len(m.Trees) == 0 {
		return
	}
	if p.Outfit != nil && len(p.Schedule.Days) == 1 && len(p.Schedule.Days[0].People) <= 6 {
		for _, pd := range p.Schedule.Days[0].People {
			w := draw.Walk{Person: v.person(pd.Person)}
			for _, tag := range pd.Trees {
				if k, ok := index[tag]; ok {
					w.Trees = append(w.Trees, k)
				}
			}
			if len(w.Trees) > 1 {
				m.Walks = append(m.Walks, w)
			}
		}
	}
	m.HideTags = len(m.Trees) > 800
	pp.Map = v.Pair("planmap", func(id string, width float64) (draw.Scene, error) {
		m.Frame = v.frame(draw.KindBlockMap, id, width, v.T("report-map"), v.T("web-map-desc"))
		return draw.DrawBlockMap(m)
	})
}

// mostDrawn bounds the trees of a map on a page.
const mostDrawn = 4000

// placesXY are the places in metres east and north: a grid of the block's own
// where the trees have one, else from latitude and longitude on a sphere of
// 6371008.8 m (mean radius R1 of the GRS80 ellipsoid, from memory).
func (v *view) placesXY(places []app.Place) map[int][2]float64 {
	out := map[int][2]float64{}
	grid := slices.ContainsFunc(places, func(p app.Place) bool { return p.XM != nil && p.YM != nil })
	var first *app.Place
	for i := range places {
		p := &places[i]
		switch {
		case grid && p.XM != nil && p.YM != nil:
			out[i] = [2]float64{*p.XM, *p.YM}
		case !grid && p.Lat != nil && p.Lon != nil:
			if first == nil {
				first = p
			}
			rad := math.Pi / 180
			out[i] = [2]float64{6371008.8 * (*p.Lon - *first.Lon) * rad * math.Cos(*first.Lat*rad), 6371008.8 * (*p.Lat - *first.Lat) * rad}
		}
	}
	return out
}
