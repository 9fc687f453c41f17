package web

import (
	"encoding/json"
	"net/http"
	"strconv"
	"strings"
	"time"

	"sapward/internal/app"
	"sapward/measure/tree"
)

// name is a person's name for the page; the person alone on a laptop has none.
func (v *view) name(id string) string {
	if id == "" || id == app.LocalPerson {
		return v.T("web-this-machine")
	}
	if v.names == nil {
		v.names = map[string]string{}
		people, err := v.s.app.People(v.r.Context(), v.actor)
		if err == nil {
			for _, p := range people {
				v.names[p.ID] = p.Facts.Name
			}
		}
	}
	if n := v.names[id]; n != "" {
		return n
	}
	return v.T("web-somebody")
}

// Name is name for templates.
func (v *view) Name(id string) string { return v.name(id) }

// stamp writes an instant as events keep it in the estate's zone.
func (v *view) stamp(at string) string {
	t, err := time.Parse(time.RFC3339, at)
	if err != nil {
		return at
	}
	return v.Time(t)
}

// ShortDay is the day of an instant as events keep it.
func (v *view) ShortDay(at string) string {
	t, err := time.Parse(time.RFC3339, at)
	if err != nil {
		return at
	}
	return v.Day(t)
}

// MetreText writes a decimal text of metres in the reader's unit.
func (v *view) MetreText(s string) string {
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return s
	}
	return v.Height(x)
}

// CentimetreText writes a decimal text of centimetres in the reader's unit.
func (v *view) CentimetreText(s string) string {
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return s
	}
	return v.Length(x)
}

// Hectares writes a decimal text of hectares in the reader's unit.
func (v *view) Hectares(s string) string {
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return s
	}
	return v.Area(x)
}

// historyRow is one event of a history.
type historyRow struct {
	What, At, By, Reason, Names string
	Changes                     []app.FieldChange
}

// historyRows puts events into words, newest first, each with what it changed
// against the event before it of the same thing.
func (v *view) historyRows(events []app.Event) (out []historyRow) {
	for i := 0; i < len(events); i++ {
		e := events[i]
		what := v.L("kind-" + string(e.Type))
		row := historyRow{At: v.stamp(e.At), By: v.name(e.By), Reason: e.Reason}
		if n := sameAct(events[i:]); n > 3 { // one act on many things is one line
			var names []string
			for _, x := range events[i : i+min(n, 8)] {
				names = append(names, called(x.Body))
			}
			row.What = v.S("web-event-many", "what", what, "verb", v.T("web-verb-"+e.Verb), "n", n)
			row.Names = strings.TrimLeft(strings.Join(names, ", "), ", ")
			if n > 8 {
				row.Names += ", …"
			}
			out = append(out, row)
			i += n - 1
			continue
		}
		row.What = v.S("web-event", "what", strings.TrimSpace(what+" "+called(e.Body)), "verb", v.T("web-verb-"+e.Verb))
		var before json.RawMessage
		for _, o := range events[i+1:] {
			if o.Entity == e.Entity {
				before = o.Body
				break
			}
		}
		if before == nil && e.Version > 1 && e.Verb != app.Retired && e.Verb != app.Restored { // it stands on an older page
			if older, err := v.s.app.History(v.r.Context(), v.actor, e.Type, e.Entity); err == nil {
				for _, o := range older {
					if o.Entity == e.Entity && o.Version == e.Version-1 {
						before = o.Body
						break
					}
				}
			}
		}
		if e.Verb != app.Retired && e.Verb != app.Restored && (before != nil || e.Version == 1) {
			row.Changes = app.Changes(before, e.Body)
			if len(row.Changes) > 40 {
				row.Changes = row.Changes[:40]
			}
		}
		out = append(out, row)
	}
	return out
}

// sameAct counts the events at the head of a list that are one act of one kind.
func sameAct(events []app.Event) int {
	n := 1
	for n < len(events) && events[n].Act == events[0].Act && events[n].Type == events[0].Type && events[n].Verb == events[0].Verb {
		n++
	}
	return n
}

// called is the name a thing goes by in its facts.
func called(body json.RawMessage) string {
	var f struct {
		Name, Tag, Product string
	}
	if json.Unmarshal(body, &f) != nil {
		return ""
	}
	return f.Tag + orElse(f.Name, f.Product)
}

// dueRow is one thing that is due.
type dueRow struct {
	On, Text, Where, Href string
	Late                  bool
}

func (c *call) dueRows(estate string) (out []dueRow, err error) {
	items, err := c.s.app.Due(c.r.Context(), c.actor, estate)
	if err != nil {
		return nil, err
	}
	for _, d := range items {
		row := dueRow{On: d.On, Text: c.S("web-due-"+d.Kind, "n", d.Count, "by", d.By, "treatment", d.Treatment), Where: d.Name, Late: d.Overdue}
		if t, err := time.Parse(time.RFC3339, d.At); err == nil {
			row.On = c.Time(t)
		}
		if strings.HasPrefix(d.Kind, "record-") {
			row.Text += " (" + d.Treatment + ")"
		}
		switch {
		case strings.HasPrefix(d.Kind, "record-"):
			row.Href = "/records/" + d.Ref
		case d.Kind == "check-card":
			row.Href = "/cards/" + d.Ref
		case d.Kind == "treat":
			row.Href = "/plans/" + d.Ref
		case d.Kind == "close-wounds":
			row.Href = "/blocks/" + d.Block + "/trees"
		case d.Kind == "rate":
			row.Href = "/blocks/" + d.Block + "/follow/visit"
		case d.Kind == "treat-residue":
			row.Href = "/blocks/" + d.Block + "/follow"
		case d.Block != "":
			row.Href = "/blocks/" + d.Block
		}
		out = append(out, row)
	}
	return out, nil
}

type hitRow struct{ Kind, Text, Href string }

func (s *Server) search(c *call) error {
	q := c.field("q")
	hits, err := s.app.Search(c.r.Context(), c.actor, q, 50)
	if err != nil {
		return err
	}
	var rows []hitRow
	for _, h := range hits {
		row := hitRow{Kind: c.L("kind-" + string(h.Type)), Text: h.Text}
		switch h.Type {
		case app.TypeEstate, app.TypeBlock, app.TypeTree, app.TypeCard, app.TypePlan, app.TypeDraft, app.TypeTrial:
			row.Href = "/" + string(h.Type) + "s/" + h.ID
		default:
			continue
		}
		rows = append(rows, row)
	}
	return c.show("search", c.T("web-search"), struct {
		Query string
		Rows  []hitRow
	}{q, rows}, crumb{c.T("web-nav-estates"), "/estates"})
}

func (s *Server) undo(c *call) error {
	if _, err := s.app.Undo(c.r.Context(), c.actor, c.field("event")); err != nil {
		return err
	}
	return c.gone(home(c.field("back")), c.T("web-done-undone"), "")
}

func (s *Server) retireEstate(c *call) error {
	out, err := s.app.RetireEstate(c.r.Context(), c.actor, c.id(), c.number("version"), c.field("reason"))
	if err != nil {
		return err
	}
	return c.gone("/estates", c.T("web-done-retired"), out.Act)
}

func (s *Server) retireTree(c *call) error {
	t, err := s.app.Tree(c.r.Context(), c.actor, c.id())
	if err != nil {
		return err
	}
	out, err := s.app.RetireTree(c.r.Context(), c.actor, t.ID, c.number("version"), c.field("reason"))
	if err != nil {
		return err
	}
	return c.gone("/blocks/"+t.Block.ID+"/trees", c.S("web-done-retired-what", "what", t.Facts.Tag), out.Act)
}

func (s *Server) retireWound(c *call) error {
	out, err := s.app.RetireWound(c.r.Context(), c.actor, c.r.PathValue("wound"), c.number("version"), c.field("reason"))
	if err != nil {
		return err
	}
	return c.gone("/trees/"+c.id(), c.T("web-done-retired"), out.Act)
}

func (s *Server) retireCard(c *call) error {
	out, err := s.app.RetireCard(c.r.Context(), c.actor, c.id(), c.number("version"), c.field("reason"))
	if err != nil {
		return err
	}
	return c.gone("/cards", c.T("web-done-retired"), out.Act)
}

// audit is the history of an estate.
func (s *Server) audit(c *call) error {
	ctx := c.r.Context()
	e, err := s.app.Estate(ctx, c.actor, c.id())
	if err != nil {
		return err
	}
	c.Zone = e.Facts.Location()
	before, _ := strconv.ParseInt(c.field("before"), 10, 64)
	page, err := s.app.Audit(ctx, c.actor, app.EventQuery{Estate: e.ID, Before: before, Limit: 60})
	if err != nil {
		return err
	}
	c.names = page.People
	next := ""
	if page.Next > 0 {
		next = "/estates/" + e.ID + "/history?before=" + strconv.FormatInt(page.Next, 10)
	}
	return c.show("history", c.S("web-history-of", "what", e.Facts.Name), struct {
		Rows []historyRow
		Next string
	}{c.historyRows(page.Events), next}, crumb{c.T("web-nav-estates"), "/estates"}, crumb{e.Facts.Name, "/estates/" + e.ID})
}

// coreWound is a wound for the drawings.
func coreWound(f app.WoundFacts) tree.Wound {
	in := app.Inputs{Wounds: []app.TreeWound{{WoundFacts: f}}}
	return in.CoreWounds()[0]
}

type settingsPage struct {
	Form     form
	Prices   []priceRow
	Currency string
	Steps    []stepRow
	Source   string
	MayEdit  bool
}

type priceRow struct{ Item, Name, Price, Unit string }

type stepRow struct{ Name, Seconds string }

func (s *Server) settings(c *call) error {
	set, err := s.app.Settings(c.r.Context(), c.actor)
	if err != nil {
		return err
	}
	return c.settingsPage(set, nil)
}

func (s *Server) saveSettings(c *call) error {
	ctx := c.r.Context()
	set, err := s.app.Settings(ctx, c.actor)
	if err != nil {
		return err
	}
	f := set.Facts
	f.Units, f.Lang, f.Paper, f.Currency = c.field("units"), c.field("lang"), c.field("paper"), c.field("currency")
	f.Prices = nil
	for i, it := range priced {
		if p := c.field("price" + strconv.Itoa(i)); p != "" {
			f.Prices = append(f.Prices, app.PriceFacts{Item: it.item, Price: p, Unit: it.unit})
		}
	}
	out, err := s.app.ChangeSettings(ctx, c.actor, c.number("version"), f)
	if fs, ok := usable(err); ok {
		set.Facts = f
		return c.settingsPage(set, c.lines(fs))
	}
	if con := conflict(err); con != nil {
		set.Facts = f
		set.Version = con.Theirs.Version
		return c.settingsPage(set, []string{c.S("web-conflict", "by", c.name(con.Theirs.By)) + " " + c.T("web-conflict-text")})
	}
	if err != nil {
		return err
	}
	_ = out
	return c.gone("/settings", c.T("web-done-saved"), "")
}

func (c *call) settingsPage(set app.Settings, faults []string) error {
	f := set.Facts
	p := settingsPage{MayEdit: c.may("ChangeSettings", ""), Currency: f.Currency}
	p.Form = form{Action: "/settings", Submit: c.T("web-save"), Name: "settings", Faults: faults, Once: true, Wide: true, Inputs: []input{
		hidden("version", set.Version),
		{Name: "units", Label: c.T("web-units"), Kind: "select", Value: f.Units, Options: []option{{"", c.T("web-default-metric")}, {"metric", c.T("web-metric")}, {"us", c.T("web-us")}}},
		{Name: "lang", Label: c.T("web-language"), Kind: "select", Value: f.Lang, Options: []option{{"", c.T("web-default-browser")}, {"en", "English"}, {"es", "Español"}}},
		{Name: "paper", Label: c.T("web-paper"), Kind: "select", Value: f.Paper, Options: []option{{"", c.T("web-default-units")}, {"a4", "A4"}, {"letter", "Letter"}}},
		{Name: "currency", Label: c.T("web-currency"), Value: f.Currency, Hint: c.T("web-currency-hint")},
	}}
	for i, it := range priced {
		in := input{Name: "price" + strconv.Itoa(i), Label: c.T(it.item), Kind: "number", Unit: c.T("web-per-" + strings.ToLower(it.unit)), Part: "price"}
		for _, x := range f.Prices {
			if x.Item == it.item {
				in.Value = x.Price
			}
		}
		p.Form.Inputs = append(p.Form.Inputs, in)
	}
	p.Steps, p.Source = c.stepRows(f.Steps)
	if len(faults) > 0 {
		return c.again("settings", c.T("web-nav-settings"), p)
	}
	return c.show("settings", c.T("web-nav-settings"), p)
}

func (s *Server) root(w http.ResponseWriter, r *http.Request) {
	if r.URL.Path != "/" {
		s.fail(w, r, missingPage())
		return
	}
	http.Redirect(w, r, "/estates", http.StatusSeeOther)
}
