package web

import (
	"fmt"
	"maps"
	"math"
	"net/http"
	"slices"
	"strconv"
	"sync"
	"time"

	"sapward/finding"
	"sapward/internal/app"
	"sapward/internal/brief"
	q "sapward/measure/quantity"
	"sapward/numeric/exact"
)

// knownDrafts keeps the drafts lately looked at, so that a changed option does
// not work the old ones out once more. Whoever uses one still has to be let in
// by the use case that follows.
type knownDrafts struct {
	mu   sync.Mutex
	kept map[string]app.Draft
}

// mostDrafts bounds the drafts kept.
const mostDrafts = 200

func (k *knownDrafts) get(id string) (app.Draft, bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	d, ok := k.kept[id]
	return d, ok
}

func (k *knownDrafts) put(d app.Draft) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.kept == nil || len(k.kept) >= mostDrafts {
		k.kept = map[string]app.Draft{}
	}
	k.kept[d.ID] = d
}

// addDraft begins a plan for a block with the first card that serves it.
func (s *Server) addDraft(c *call) error {
	ctx := c.r.Context()
	b, err := s.app.Block(ctx, c.actor, c.id())
	if err != nil {
		return err
	}
	f := app.DraftFacts{Card: c.field("card"), Name: b.Facts.Name}
	if f.Card == "" {
		lines := b.Cards
		if len(lines) == 0 {
			if lines, err = s.app.Cards(ctx, c.actor); err != nil {
				return err
			}
		}
		if len(lines) == 0 {
			return c.gone("/cards/new", c.T("web-card-first"), "")
		}
		f.Card = lines[0].ID
		f.Brief.Method = first(lines[0].Facts.Methods)
	}
	d, err := s.app.AddDraft(ctx, c.actor, b.ID, f)
	if err != nil {
		return err
	}
	return c.gone("/drafts/"+d.ID, c.T("web-draft-begun"), "")
}

func first(xs []string) string {
	if len(xs) > 0 {
		return xs[0]
	}
	return ""
}

// choices fills what the form of a draft offers.
func (pp *planPage) choices(c *call, d app.Draft, cards []app.CardLine, b app.BlockView) {
	pp.ID, pp.Version, pp.Here, pp.BlockID, pp.CardID = d.ID, d.Version, "/drafts/"+d.ID, b.ID, d.Facts.Card
	pp.Brief, pp.Crew, pp.Block = d.Facts.Brief, d.Facts.Crew, b.Facts
	pp.crewForm(c.view)
	pp.Weather = &weatherView{Facts: d.Facts.Weather, May: c.may("KeepWeather", b.Estate.ID)}
	pp.Weather.place(d.Facts, b)
	or := func(to *string, otherwise string) {
		if *to == "" {
			*to = otherwise
		}
	}
	or(&pp.Brief.Site, b.Facts.Site)
	or(&pp.Brief.Territory, b.Estate.Facts.Territory)
	or(&pp.Brief.AreaHa, b.Facts.AreaHa)
	pp.Area = c.areaShown(pp.Brief.AreaHa)
	for _, x := range cards {
		pp.Cards = append(pp.Cards, cardChoice{x.ID, x.Facts.Product})
		if x.ID == d.Facts.Card {
			pp.Methods, pp.Sites, pp.Targets, pp.Territories = x.Facts.Methods, x.Facts.Sites, x.Facts.Targets, x.Facts.Territory
		}
	}
	add := func(list *[]string, s string) { // what was typed elsewhere stays choosable
		if s != "" && !slices.Contains(*list, s) {
			*list = append(slices.Clone(*list), s)
		}
	}
	add(&pp.Sites, pp.Brief.Site)
	add(&pp.Territories, pp.Brief.Territory)
	add(&pp.Targets, pp.Brief.Target)
	add(&pp.Methods, pp.Brief.Method)
}

// areaShown writes hectares in the reader's unit for a field.
func (v *view) areaShown(ha string) string {
	if ha == "" || !v.US {
		return ha
	}
	x, err := strconv.ParseFloat(ha, 64)
	if err != nil {
		return ha
	}
	return v.Fig(x/0.40468564224, 3) // the acre of 4046.8564224 m2
}

// areaTyped reads an area typed in the reader's unit as exact hectares; what
// cannot be read comes back as it was typed, for the fault to name.
func (v *view) areaTyped(text, before string) string {
	if !v.US || text == "" {
		return text
	}
	if v.areaShown(before) == text { // not touched: no rounding creeps in
		return before
	}
	if a, fault := q.Parse[q.AreaKind](text + " ac"); fault == nil {
		return a.In("ha").String()
	}
	return text
}

// typed reads the form of a draft.
func (c *call) typed(d app.Draft, b app.BlockView) app.DraftFacts {
	f := d.Facts
	f.Brief.Overrides = maps.Clone(f.Brief.Overrides)
	f.Card = c.field("card")
	br := &f.Brief
	br.Method, br.Basis, br.Level, br.On = c.field("method"), c.field("basis"), c.field("level"), c.field("on")
	br.Site, br.Target, br.Territory = c.field("site"), c.field("target"), c.field("territory")
	before := d.Facts.Brief.AreaHa
	if before == "" {
		before = b.Facts.AreaHa
	}
	br.AreaHa = c.areaTyped(c.field("area"), before)
	br.Bloom, br.CertificateTo, br.HarvestFrom, br.GraduationML = c.field("bloom"), c.field("certificate"), c.field("harvest"), c.field("graduation")
	br.Fills = max(c.number("fills"), 0)
	br.MarkAzimuth = math.NaN()
	if x, err := strconv.ParseFloat(c.field("mark"), 64); err == nil {
		br.MarkAzimuth = x
	} else if c.field("mark") == "" {
		br.MarkAzimuth = 0
	}
	if math.IsNaN(br.MarkAzimuth) {
		br.MarkAzimuth = -1 // the plan says what is wrong with it
	}
	// what the block and the estate say already is not written down twice
	if br.Site == b.Facts.Site {
		br.Site = ""
	}
	if br.Territory == b.Estate.Facts.Territory {
		br.Territory = ""
	}
	if br.AreaHa == b.Facts.AreaHa {
		br.AreaHa = ""
	}
	cr := &f.Crew
	cr.Count, cr.Devices = c.number("crew"), max(c.number("devices"), 0)
	cr.Delivery, cr.Start, cr.End, cr.Public = c.field("delivery"), c.field("start"), c.field("end"), c.field("public") == "yes"
	c.typedCrew(cr)
	return f
}

// draftPage gathers a draft's page from what was worked out, or from what was
// wrong with the options.
func (c *call) draftPage(d app.Draft, b app.BlockView, o app.Outcome, outErr error) (*planPage, error) {
	cards, err := c.s.app.Cards(c.r.Context(), c.actor)
	if err != nil {
		return nil, err
	}
	pp := &planPage{}
	pp.choices(c, d, cards, b)
	pp.MoreOpen = c.r.FormValue("area") != "" || c.r.Method == http.MethodGet
	c.Title, c.Sub = c.S("web-plan-title", "block", b.Facts.Name), c.T("web-draft")
	c.Trail = c.blockTrail(b.Estate, b.Block)
	if fs, ok := usable(outErr); ok {
		pp.Stale = c.lines(fs)
		return pp, nil
	}
	if outErr != nil {
		return nil, outErr
	}
	l := fromOutcome(d, b, o)
	c.s.last.put(l.here+"/"+strconv.Itoa(d.Version), time.Now(), l)
	p := l.plan
	if c.US && o.Job != nil {
		p.ClassCard = o.Job.ClassCard(exact.Frac(254, 1000))
	}
	pp.PilotTree = o.PilotTree
	pp.Weather.fill(c.view, o.Weather, &p)
	pp.fill(c.view, &p, l.places(), l.card)
	for _, w := range o.Waits { // what approval waits for beyond the plan's own open facts
		if !slices.ContainsFunc(append(slices.Clone(p.Open), p.Refusals...), func(f finding.Finding) bool { return f.ID == w.Finding.ID }) {
			x := c.say(w.Finding)
			if w.Finding.ID == "approve-card-unchecked" {
				x.openFact = openFact{Label: "web-to-card", Href: "/cards/" + d.Facts.Card}
			}
			pp.Open = append(pp.Open, x)
		}
	}
	if err := pp.trunk(c, l); err != nil {
		return nil, err
	}
	pp.MayApprove = len(o.Waits) == 0 && c.may("ApprovePlan", b.Estate.ID)
	switch {
	case len(o.Waits) > 0:
		pp.WhyNotApprove = c.S("web-approve-waits", "n", len(o.Waits))
	case !pp.MayApprove:
		pp.WhyNotApprove = c.T("web-approve-role")
	}
	return pp, nil
}

func (c *call) blockOf(id string) (app.BlockView, error) {
	return c.s.app.Block(c.r.Context(), c.actor, id)
}

func (s *Server) showDraft(c *call) error {
	d, o, err := s.app.Draft(c.r.Context(), c.actor, c.id())
	if _, ok := usable(err); err != nil && !ok {
		return err
	}
	b, bErr := c.blockOf(d.Parent)
	if bErr != nil {
		return bErr
	}
	s.drafts.put(d)
	pp, err := c.draftPage(d, b, o, err)
	if err != nil {
		return err
	}
	return c.show("plan", c.Title, pp, c.Trail...)
}

// saveDraft keeps changed options and shows what they give.
func (s *Server) saveDraft(c *call) error {
	ctx := c.r.Context()
	d, known := s.drafts.get(c.id())
	if !known || d.Version != c.number("version") { // changed meanwhile, here or on another server
		var err error
		d, _, err = s.app.Draft(ctx, c.actor, c.id())
		if _, ok := usable(err); err != nil && !ok {
			return err
		}
	}
	b, err := c.blockOf(d.Parent)
	if err != nil {
		return err
	}
	kept := d
	d.Facts, d.Version = c.typed(d, b), c.number("version")
	o, tryErr := s.app.TryPlan(ctx, c.actor, b.ID, d.Facts)
	by := ""
	if tryErr == nil && !same(d.Facts, kept.Facts) {
		out, err := s.app.SaveDraft(ctx, c.actor, d.ID, d.Version, d.Facts)
		switch con := conflict(err); {
		case con != nil:
			by = c.name(con.Theirs.By)
		case err != nil:
			return err
		default:
			d = out
			s.drafts.put(d)
		}
	} else if tryErr == nil && d.Version != kept.Version {
		// nothing to keep; what is kept may be newer than this page
		d.Version = max(d.Version, kept.Version)
	}
	pp, err := c.draftPage(d, b, o, tryErr)
	if err != nil {
		return err
	}
	pp.Conflict = by
	return c.answerPart(pp)
}

// same reports whether two drafts hold the same options.
func same(a, b app.DraftFacts) bool { return fmt.Sprintf("%+v", a) == fmt.Sprintf("%+v", b) }

// answerPart sends the answer alone to htmx, the whole page to a plain browser.
// Where other choices follow from one, the form comes along.
func (c *call) answerPart(pp *planPage) error {
	c.D = pp
	switch {
	case c.r.Header.Get("HX-Request") != "true":
		if pp.Conflict == "" && len(pp.Stale) == 0 {
			http.Redirect(c.w, c.r, pp.Here, http.StatusSeeOther)
			return nil
		}
		return c.show("plan", c.Title, pp, c.Trail...)
	case c.r.Header.Get("HX-Trigger-Name") == "card" || c.r.Header.Get("HX-Trigger-Name") == "method" || c.r.Header.Get("HX-Trigger-Name") == "people" || c.r.Header.Get("HX-Target") == "plan":
		c.w.Header().Set("HX-Retarget", "#plan")
		c.s.part(c.w, c.r, http.StatusOK, "plan", "planboth", c.view)
	default:
		c.s.part(c.w, c.r, http.StatusOK, "plan", "answeroob", c.view)
	}
	return nil
}

// answerDraft answers one open fact in place.
func (s *Server) answerDraft(c *call) error {
	ctx := c.r.Context()
	d, known := s.drafts.get(c.id())
	if !known || d.Version != c.number("version") { // changed meanwhile, here or on another server
		var err error
		d, _, err = s.app.Draft(ctx, c.actor, c.id())
		if _, ok := usable(err); err != nil && !ok {
			return err
		}
	}
	b, err := c.blockOf(d.Parent)
	if err != nil {
		return err
	}
	value := c.field("value")
	if c.field("fact") == "area-needed" {
		value = c.areaTyped(value, "")
	}
	by := ""
	out, err := s.app.AnswerFact(ctx, c.actor, d.ID, c.number("version"), c.field("fact"), value)
	var wrong error
	if con := conflict(err); con != nil {
		by = c.name(con.Theirs.By)
	} else if fs, ok := usable(err); ok {
		wrong = fs
	} else if err != nil {
		return err
	} else {
		d = out
		s.drafts.put(d)
	}
	_, o, err := s.app.Draft(ctx, c.actor, d.ID)
	if wrong == nil {
		wrong = err
	}
	pp, err := c.draftPage(d, b, o, wrong)
	if err != nil {
		return err
	}
	pp.Conflict = by
	return c.answerPart(pp)
}

// setAside keeps why an advisory rule does not count for this plan; an empty
// reason takes that back. What label or law says has no such way.
func (s *Server) setAside(c *call) error {
	ctx := c.r.Context()
	d, _, err := s.app.Draft(ctx, c.actor, c.id())
	if _, ok := usable(err); err != nil && !ok {
		return err
	}
	b, err := c.blockOf(d.Parent)
	if err != nil {
		return err
	}
	f := d.Facts
	f.Brief.Overrides = maps.Clone(f.Brief.Overrides)
	if f.Brief.Overrides == nil {
		f.Brief.Overrides = map[string]string{}
	}
	f.Brief.Overrides[c.field("rule")] = c.field("reason")
	by := ""
	o, tryErr := s.app.TryPlan(ctx, c.actor, b.ID, f)
	if tryErr == nil {
		out, err := s.app.SaveDraft(ctx, c.actor, d.ID, c.number("version"), f)
		switch con := conflict(err); {
		case con != nil:
			by = c.name(con.Theirs.By)
		case err != nil:
			return err
		default:
			d = out
			s.drafts.put(d)
		}
	}
	pp, err := c.draftPage(d, b, o, tryErr)
	if err != nil {
		return err
	}
	pp.Conflict = by
	return c.answerPart(pp)
}

// showPlan shows an approved plan: what was signed, not a computation of today.
func (s *Server) showPlan(c *call) error {
	v, err := s.app.Plan(c.r.Context(), c.actor, c.id())
	if err != nil {
		return err
	}
	l := fromPlan(v)
	pp := &planPage{ID: v.ID, Version: v.Version, Here: l.here, BlockID: v.Block.ID, Block: v.Inputs.Block, CardID: v.Facts.Card, Approved: true, ApprovedBy: c.name(v.By), ApprovedAt: v.At, Withdrawn: v.Retired, MayWithdraw: !v.Retired && c.may("WithdrawPlan", v.Estate.ID)}
	pp.PilotTree = pilotOf(v)
	trail := c.blockTrail(v.Estate, v.Block)
	c.Sub = v.Facts.Product + " · " + c.T("method-"+v.Facts.Method) + pick(v.Facts.On != "", " · "+v.Facts.On, "")
	pp.fill(c.view, &l.plan, l.places(), l.card)
	if err := pp.trunk(c, l); err != nil {
		return err
	}
	items, err := s.app.Gate(c.r.Context(), c.actor, v.ID, brief.Gate{})
	if _, bad := usable(err); err != nil && !bad {
		return err
	}
	pp.Morning = &gateView{Form: c.gateForm(l.here, items.Items), May: !v.Retired && c.may("KeepGate", v.Estate.ID)}
	if pp.Worked, err = s.app.Days(c.r.Context(), c.actor, v.ID); err != nil {
		return err
	}
	pp.MayOpen = !v.Retired && c.may("OpenDay", v.Estate.ID)
	pp.CrewNames, pp.ManyDays = crewNames(v)
	if n := len(v.Gates); n > 0 {
		last := v.Gates[n-1]
		pp.Morning.Outcome, pp.Morning.On, pp.Morning.Items = string(last.Facts.Doc.Verdict.Outcome), c.Time(last.At), last.Facts.Doc.Items
	}
	return c.show("plan", c.S("web-plan-title", "block", v.Block.Facts.Name), pp, trail...)
}

// approve shows what would be signed and, once confirmed, freezes it.
func (s *Server) approve(c *call) error {
	ctx := c.r.Context()
	d, o, err := s.app.Draft(ctx, c.actor, c.id())
	if err != nil {
		return err
	}
	b, err := c.blockOf(d.Parent)
	if err != nil {
		return err
	}
	if c.r.Method == http.MethodPost && c.field("read") == "yes" {
		p, err := s.app.ApprovePlan(ctx, c.actor, d.ID, c.number("version"))
		if conflict(err) == nil {
			if err != nil {
				return err
			}
			return c.gone("/plans/"+p.ID, c.T("web-done-approved"), "")
		}
	}
	pp, err := c.draftPage(d, b, o, nil)
	if err != nil {
		return err
	}
	if c.r.Method == http.MethodPost && c.number("version") != d.Version {
		pp.Conflict = c.name(d.By)
	} else if c.r.Method == http.MethodPost {
		pp.Faults = []string{c.T("web-approve-read-needed")}
	}
	c.Trail = append(c.Trail, crumb{c.T("web-draft"), pp.Here})
	return c.show("approve", c.S("web-approve-title", "block", b.Facts.Name), pp, c.Trail...)
}

func (s *Server) withdraw(c *call) error {
	if _, err := s.app.WithdrawPlan(c.r.Context(), c.actor, c.id(), c.number("version"), c.field("reason")); err != nil {
		return err
	}
	return c.gone("/plans/"+c.id(), c.T("web-done-withdrawn"), "")
}

func (s *Server) retireDraft(c *call) error {
	d, _, err := s.app.Draft(c.r.Context(), c.actor, c.id())
	if _, ok := usable(err); err != nil && !ok {
		return err
	}
	out, err := s.app.RetireDraft(c.r.Context(), c.actor, d.ID, d.Version)
	if err != nil {
		return err
	}
	return c.gone("/blocks/"+d.Parent, c.T("web-done-retired"), out.Act)
}
