package web

import (
	"html/template"
	"strconv"
	"strings"
	"time"

	"sapward/finding"
	"sapward/internal/app"
	"sapward/internal/brief"
	"sapward/internal/lang"
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
	Worked      []app.DayLine
	MayOpen     bool
	CrewNames   string
	ManyDays    []int
	ID          string
	Version     int
	Here        string
	BlockID     string
	Block       app.BlockFacts
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

	People    string // roles, one a line
	Members   []brief.Person
	Clocked   []clockedRow
	PilotTree string
	Weather   *weatherView

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
