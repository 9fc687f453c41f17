package web

import (
	"bytes"
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
	"sapward/internal/exchange"
	"sapward/internal/report"
	"sapward/measure/civil"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan"
	"sapward/plan/label"
)

// laid is a plan with what its pictures and papers need, of a draft or of an
// approved plan.
type laid struct {
	here      string
	name      string
	block     app.Block
	estate    app.Estate
	plan      plan.Plan
	card      label.Card
	inputs    app.Inputs
	wounds    []tree.Wound
	obstacles []tree.Obstacle
	limbs     []tree.Limb
	stamp     time.Time
	id        string
	version   int
}

// lastLaid keeps the plan last looked at for a moment, so that walking round a
// trunk does not plan the block anew at every step.
type lastLaid struct {
	mu  sync.Mutex
	key string
	at  time.Time
	l   laid
}

// turnable is how long a plan is kept for turning.
const turnable = 20 * time.Second

func (k *lastLaid) get(key string, now time.Time) (laid, bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.l, k.key == key && now.Sub(k.at) < turnable
}

func (k *lastLaid) put(key string, now time.Time, l laid) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.key, k.at, k.l = key, now, l
}

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

func fromOutcome(d app.Draft, b app.BlockView, o app.Outcome) laid {
	return laid{
		here: "/drafts/" + d.ID, name: d.Facts.Name, block: b.Block, estate: b.Estate, plan: o.Plan, card: o.Request.Card, inputs: o.Inputs,
		wounds: o.Request.Wounds, obstacles: o.Request.Obstacles, limbs: o.Request.Limbs, id: d.ID, version: d.Version, stamp: d.At,
	}
}

func fromPlan(v app.PlanView) laid {
	return laid{
		here: "/plans/" + v.ID, name: v.Facts.Name, block: v.Block, estate: v.Estate, plan: v.Doc, card: v.Reading.Card, inputs: v.Inputs,
		wounds: v.Inputs.CoreWounds(), obstacles: v.Inputs.CoreObstacles(), limbs: v.Inputs.CoreLimbs(), id: v.ID, version: v.Version, stamp: v.At,
	}
}

// places are where the trees of a plan stood when it was made.
func (l laid) places() (out []app.Place) {
	for _, t := range l.inputs.Trees {
		out = append(out, app.Place{Tag: t.Tag, Status: t.Status, DiameterCM: t.Diameter(), XM: t.XM, YM: t.YM, Lat: t.Lat, Lon: t.Lon})
	}
	return out
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
	pp.Brief, pp.Crew = d.Facts.Brief, d.Facts.Crew
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
	if !known {
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
	case c.r.Header.Get("HX-Trigger-Name") == "card" || c.r.Header.Get("HX-Trigger-Name") == "method" || c.r.Header.Get("HX-Target") == "plan":
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
	if !known {
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

// trunk draws the chosen tree.
func (pp *planPage) trunk(c *call, l laid) error {
	p := &l.plan
	pp.TrunkURL, pp.TurnURL = l.here+"/trunk", l.here+"/turn"
	if len(p.Trees) == 0 {
		return nil
	}
	pick := 0
	want := c.r.FormValue("tree")
	for i := range p.Trees {
		if name := nameOf(p.Trees[i].Tag, p.Trees[i].Stem); len(pp.TreeChoices) < 2000 {
			pp.TreeChoices = append(pp.TreeChoices, name)
			if name == want {
				pick = i
			}
		}
	}
	t := &p.Trees[pick]
	pp.TreeTag = nameOf(t.Tag, t.Stem)
	pp.Stand = 180
	if n, err := strconv.Atoi(c.r.FormValue("stand")); err == nil && n >= 0 && n < 360 {
		pp.Stand = n
	}
	wounds, obstacles, hole, bark := l.of(t)
	mark := l.inputs.Brief.MarkAzimuth
	pp.Ring = c.Picture(c.ringOf(t, mark, wounds, obstacles, hole, bark, 350))
	pp.Unrolled = c.Picture(c.trunkOf(t, mark, float64(pp.Stand), wounds, obstacles, 350))
	pp.TreePorts = t.Ports
	return nil
}

// of gathers what is known of one planned tree's trunk.
func (l laid) of(t *plan.Tree) (ws []tree.Wound, os []tree.Obstacle, holeMM, barkMM float64) {
	for _, w := range l.wounds {
		if w.Tree == t.Tag && (t.Stem == "" || w.Stem == "" || w.Stem == t.Stem) {
			ws = append(ws, w)
		}
	}
	for _, o := range l.obstacles {
		if o.Tree == t.Tag && (t.Stem == "" || o.Stem == "" || o.Stem == t.Stem) {
			os = append(os, o)
		}
	}
	if use, ok := plan.UseOf(l.card, label.Method(l.plan.Method), l.plan.Site, l.plan.Target); ok && use.Ports.Hole.Known {
		holeMM = use.Ports.Hole.Value.Float() * 10
	}
	for _, f := range l.inputs.Trees {
		if f.Tag != t.Tag {
			continue
		}
		for _, s := range f.Stems {
			if x, err := strconv.ParseFloat(s.BarkMM, 64); err == nil && (t.Stem == "" || s.Name == t.Stem) {
				barkMM = x
				break
			}
		}
	}
	return ws, os, holeMM, barkMM
}

// laidOut finds the plan at an address, of a draft or approved.
func (c *call) laidOut(kind string) (laid, error) {
	ctx := c.r.Context()
	if kind == "plans" {
		v, err := c.s.app.Plan(ctx, c.actor, c.id())
		if err != nil {
			return laid{}, err
		}
		c.Zone = v.Estate.Facts.Location()
		return fromPlan(v), nil
	}
	d, o, err := c.s.app.Draft(ctx, c.actor, c.id())
	if err != nil {
		return laid{}, err
	}
	b, err := c.blockOf(d.Parent)
	if err != nil {
		return laid{}, err
	}
	c.Zone = b.Estate.Facts.Location()
	return fromOutcome(d, b, o), nil
}

// planTrunk is the chosen trunk, or with turn only the bark as it is seen from
// where the person stands.
func (s *Server) planTrunk(kind string, turn bool) func(c *call) error {
	return func(c *call) error {
		key := "/" + kind + "/" + c.id() + "/" + c.field("v")
		l, ok := laid{}, false
		if c.may("Block", c.estateOfLast(key)) {
			l, ok = s.last.get(key, time.Now())
		}
		if !ok {
			var err error
			if l, err = c.laidOut(kind); err != nil {
				return err
			}
			s.last.put(key, time.Now(), l)
		}
		pp := &planPage{ID: l.id, Version: l.version, Here: l.here}
		if err := pp.trunk(c, l); err != nil {
			return err
		}
		c.D = pp
		name := "trunk"
		if turn {
			name = "turnpicture"
		}
		s.part(c.w, c.r, http.StatusOK, "plan", name, c.view)
		return nil
	}
}

// estateOfLast is the estate of the plan kept for turning: who may not see that
// estate gets nothing out of it.
func (c *call) estateOfLast(key string) string {
	if l, ok := c.s.last.get(key, time.Now()); ok {
		return l.estate.ID
	}
	return "none"
}

// showPlan shows an approved plan: what was signed, not a computation of today.
func (s *Server) showPlan(c *call) error {
	v, err := s.app.Plan(c.r.Context(), c.actor, c.id())
	if err != nil {
		return err
	}
	l := fromPlan(v)
	pp := &planPage{ID: v.ID, Version: v.Version, Here: l.here, BlockID: v.Block.ID, CardID: v.Facts.Card, Approved: true, ApprovedBy: c.name(v.By), ApprovedAt: v.At, Withdrawn: v.Retired, MayWithdraw: !v.Retired && c.may("WithdrawPlan", v.Estate.ID)}
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

// paper sends a plan as a file. It is written whole before the first byte goes
// out, so that a fault never ends in half a file.
func (s *Server) paper(kind, ext string) func(c *call) error {
	return func(c *call) error {
		l, err := c.laidOut(kind)
		if err != nil {
			return err
		}
		var b bytes.Buffer
		media := ""
		switch ext {
		case "pdf":
			media = "application/pdf"
			created := l.stamp
			if day, err := civil.Parse(l.plan.On); err == nil {
				created = day.In(time.UTC)
			}
			err = report.Plan(&b, report.Input{
				Plan: l.plan, Name: l.block.Facts.Name, Block: l.inputs.CoreTrees(), Wounds: l.wounds, Obstacles: l.obstacles, Limbs: l.limbs,
				Say: c.Printer, Paper: pick(c.US, "letter", "a4"), Created: created, CardText: l.card,
			})
		case "csv":
			media = "text/csv; charset=utf-8"
			rows := exchange.NewPortRows(&b)
			for i := range l.plan.Trees {
				rows.Tree(&l.plan.Trees[i])
			}
			err = rows.Close()
		case "json":
			media = "application/json"
			if kind == "plans" {
				var doc []byte
				doc, err = s.app.PlanDocument(c.r.Context(), c.actor, c.id())
				b.Write(doc)
			} else {
				var doc []byte
				doc, err = brief.Marshal(l.plan)
				b.Write(doc)
			}
		case "ics":
			media = "text/calendar; charset=utf-8"
			err = c.calendar(l).Write(&b)
		}
		if err != nil {
			return &finding.Fault{Class: finding.Internal, ID: "internal", Cause: err, Args: finding.Args{"cause": finding.Text(err.Error())}}
		}
		c.attach(media, fileName(l.block.Facts.Name)+"."+ext, b.Bytes())
		return nil
	}
}

// attach sends bytes as a file to keep.
func (c *call) attach(media, name string, data []byte) {
	h := c.w.Header()
	h.Set("Content-Type", media)
	h.Set("Content-Disposition", `attachment; filename="`+name+`"`)
	h.Set("Content-Length", strconv.Itoa(len(data)))
	_, _ = c.w.Write(data)
}

// fileName is a name that any disk takes.
func fileName(s string) string {
	var b []rune
	for _, r := range s {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '-':
			b = append(b, r)
		case len(b) > 0 && b[len(b)-1] != '-':
			b = append(b, '-')
		}
	}
	if len(b) == 0 {
		return "sapward"
	}
	return string(b[:min(len(b), 60)])
}

// calendar holds the days that follow from a plan.
func (c *call) calendar(l laid) exchange.Calendar {
	cal := exchange.Calendar{Content: l.id, Stamp: l.stamp.UTC()}
	name := l.block.Facts.Name
	p := l.plan
	if p.Outfit != nil {
		for i := range p.Schedule.Days {
			d := &p.Schedule.Days[i]
			n := strconv.Itoa(d.Number)
			cal.Events = append(cal.Events,
				exchange.CalendarEvent{Key: "work-" + n, Title: c.S("web-cal-work", "block", name), Text: c.T("web-foot"), Start: d.Start, End: d.Finish},
				exchange.CalendarEvent{Key: "signs-" + n, Title: c.S("web-cal-signs", "block", name), Start: d.SignsDown, End: d.SignsDown.Add(15 * time.Minute)})
		}
	} else if day, err := civil.Parse(p.On); err == nil {
		cal.Events = append(cal.Events, exchange.CalendarEvent{Key: "work", Title: c.S("web-cal-work", "block", name), Day: day})
	}
	for _, x := range []struct{ key, id, on string }{{"harvest", "web-cal-harvest", p.Dates.HarvestFrom}, {"next", "web-cal-next", p.Dates.NextEarliest}} {
		if day, err := civil.Parse(x.on); err == nil {
			cal.Events = append(cal.Events, exchange.CalendarEvent{Key: x.key, Title: c.S(x.id, "block", name), Day: day})
		}
	}
	return cal
}
