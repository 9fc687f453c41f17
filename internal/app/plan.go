package app

import (
	"bufio"
	"bytes"
	"context"
	"io"
	"time"

	"sapward/finding"
	"sapward/internal/brief"
	"sapward/measure/tree"
	"sapward/plan"
	"sapward/plan/crew"
)

// EquipLimit is the number of trees up to which crew, kit and day are worked
// out, as at the command line.
const EquipLimit = 5000

func (a *App) plans(ctx context.Context, block string) ([]PlanLine, error) {
	out := []PlanLine{}
	drafts, err := list[DraftFacts](ctx, a.Store, Query{Type: TypeDraft, Parent: block})
	if err != nil {
		return nil, err
	}
	names := map[string]string{}
	for _, d := range drafts {
		if _, known := names[d.Facts.Card]; !known {
			if c, err := get[CardFacts](ctx, a.Store, TypeCard, d.Facts.Card); err == nil {
				names[d.Facts.Card] = c.Facts.Product
			}
		}
		out = append(out, PlanLine{Stamp: d.Stamp, Type: TypeDraft, Name: d.Facts.Name, Product: names[d.Facts.Card], Method: d.Facts.Brief.Method, On: d.Facts.Brief.On})
	}
	plans, err := list[PlanFacts](ctx, a.Store, Query{Type: TypePlan, Parent: block, Retired: true})
	if err != nil {
		return nil, err
	}
	for i := len(plans) - 1; i >= 0; i-- {
		p := plans[i]
		out = append(out, PlanLine{Stamp: p.Stamp, Type: TypePlan, Name: p.Facts.Name, Product: p.Facts.Product, Method: p.Facts.Method, On: p.Facts.On,
			PracticeOnly: p.Facts.PracticeOnly, Trees: p.Facts.Trees, Ports: p.Facts.Ports, ApprovedBy: p.By})
	}
	return out, nil
}

// Plans returns the drafts and plans of a block, drafts first, newest plans
// before older ones; withdrawn plans are among them.
func (a *App) Plans(ctx context.Context, actor Actor, block string) ([]PlanLine, error) {
	if err := a.mayOn(ctx, actor, "Plans", TypeBlock, block); err != nil {
		return nil, err
	}
	return a.plans(ctx, block)
}

// TryPlan works out what a draft would give, keeping nothing.
func (a *App) TryPlan(ctx context.Context, actor Actor, block string, f DraftFacts) (Outcome, error) {
	if err := a.mayOn(ctx, actor, "TryPlan", TypeBlock, block); err != nil {
		return Outcome{}, err
	}
	return a.workOut(ctx, block, f)
}

// AddDraft keeps a new draft for a block.
func (a *App) AddDraft(ctx context.Context, actor Actor, block string, f DraftFacts) (Draft, error) {
	if err := a.mayOn(ctx, actor, "AddDraft", TypeBlock, block); err != nil {
		return Draft{}, err
	}
	if err := f.tidy(); err != nil {
		return Draft{}, err
	}
	estate, err := a.estateOf(ctx, TypeBlock, block)
	if err != nil {
		return Draft{}, err
	}
	id := a.NewID()
	return add(ctx, a, actor, Change{Type: TypeDraft, ID: id, Estate: estate, Parent: block, Sort: id}, f)
}

// Draft returns a draft with what it gives today.
func (a *App) Draft(ctx context.Context, actor Actor, id string) (Draft, Outcome, error) {
	if err := a.mayOn(ctx, actor, "Draft", TypeDraft, id); err != nil {
		return Draft{}, Outcome{}, err
	}
	d, err := get[DraftFacts](ctx, a.Store, TypeDraft, id)
	if err != nil {
		return d, Outcome{}, err
	}
	o, err := a.workOut(ctx, d.Parent, d.Facts)
	return d, o, err
}

// SaveDraft keeps new options of a draft.
func (a *App) SaveDraft(ctx context.Context, actor Actor, id string, version int, f DraftFacts) (Draft, error) {
	if err := a.mayOn(ctx, actor, "SaveDraft", TypeDraft, id); err != nil {
		return Draft{}, err
	}
	if err := f.tidy(); err != nil {
		return Draft{}, err
	}
	return change(ctx, a, actor, TypeDraft, Changed, id, version, "", "", f)
}

// AnswerFact answers one open fact of a draft in place: id is the finding's.
func (a *App) AnswerFact(ctx context.Context, actor Actor, draft string, version int, id, text string) (Draft, error) {
	if err := a.mayOn(ctx, actor, "AnswerFact", TypeDraft, draft); err != nil {
		return Draft{}, err
	}
	d, err := get[DraftFacts](ctx, a.Store, TypeDraft, draft)
	if err != nil {
		return d, err
	}
	f := d.Facts
	if !answer(&f.Brief, fields[id], text) {
		return d, usage("fact-elsewhere", finding.Args{"fact": finding.Text(clip(id))})
	}
	if _, err := f.Brief.Request(); err != nil {
		return d, err
	}
	return change(ctx, a, actor, TypeDraft, Changed, draft, version, "", "", f)
}

// RetireDraft puts a draft away.
func (a *App) RetireDraft(ctx context.Context, actor Actor, id string, version int) (Stamp, error) {
	if err := a.mayOn(ctx, actor, "RetireDraft", TypeDraft, id); err != nil {
		return Stamp{}, err
	}
	return a.retire(ctx, actor, TypeDraft, id, version, "")
}

// workOut makes the plan of a block by the path of the command line: the same
// brief, the same calls of the core.
func (a *App) workOut(ctx context.Context, block string, f DraftFacts) (Outcome, error) {
	var o Outcome
	if err := f.tidy(); err != nil {
		return o, err
	}
	card, err := get[CardFacts](ctx, a.Store, TypeCard, f.Card)
	if err != nil {
		return o, err
	}
	o.Card, o.CardID = card.Facts, card.ID
	reading, err := a.read(card.Facts.Text)
	if err != nil {
		return o, err
	}
	o.CardCheck, reading.Card.Verified, err = a.checked(ctx, a.Store, card.ID, card.Facts.Hash)
	if err != nil {
		return o, err
	}
	b, err := a.gather(ctx, block)
	if err != nil {
		return o, err
	}
	o.Inputs = b.inputs
	in := &o.Inputs
	in.Schema, in.Verified, in.Checked = InputsSchema, reading.Card.Verified, o.CardCheck
	in.Brief, in.Crew = in.fill(f.Brief, f.Crew, len(b.trees))
	in.Weather = f.Weather
	r, err := in.Brief.Request()
	faults := finding.AsFaults(err)
	c, err := in.Crew.Plan()
	faults = append(faults, finding.AsFaults(err)...)
	if err := faults.OrNil(); err != nil {
		return o, err
	}
	if r.Seed == 0 {
		r.Seed, in.Brief.Seed = 1, 1
	}
	r.Engine, r.CardHash, r.Card, r.Climber = a.Engine, card.Facts.Hash, reading.Card, in.Crew.Aloft()
	r.Wounds, r.Limbs, r.Obstacles = b.wounds, b.limbs, b.obstacles
	for _, x := range in.Applications {
		r.History = append(r.History, x.treatment(in.Block.Name)...)
	}
	settings, err := a.settings(ctx)
	if err != nil {
		return o, err
	}
	if err := settings.Facts.equip(&c); err != nil {
		return o, err
	}
	o.Request = r
	// The trees, wounds, limbs and obstacles stand as they did at the mark.
	key, err := keyOf(block, b.mark, in.Block, in.Estate, in.Applications, in.Brief, in.Crew, in.Weather, settings.Facts, card.ID, card.Facts.Hash, o.CardCheck, in.Verified)
	if err != nil {
		return o, err
	}
	return a.cache.worked.get(ctx, key, maxWorkedTrees, func() (Outcome, int, error) {
		out, err := a.layOut(ctx, o, b.trees, c)
		return out, 100 + len(b.trees), err
	})
}

// layOut makes the plan that an outcome asks for.
func (a *App) layOut(ctx context.Context, o Outcome, trees []tree.Tree, c plan.Crew) (Outcome, error) {
	r := o.Request
	var err error
	src := plan.Slice(trees)
	if o.Job, err = plan.Decide(r, src); err != nil {
		return o, err
	}
	var laid []plan.Tree
	if err := o.Job.Lay(src, func(ts []plan.Tree) error { laid = append(laid, ts...); return ctx.Err() }); err != nil {
		return o, err
	}
	if laid == nil {
		laid = []plan.Tree{}
	}
	if n := o.Job.Plan.Totals; n.Planned > 0 && n.Trees <= EquipLimit {
		p := o.Job.Plan
		p.Trees = laid
		if w := o.Inputs.Weather; w != nil {
			if err := o.takeWeather(ctx, a, *w, &c, r); err != nil {
				return o, err
			}
		}
		outfit, err := o.withPilot(p, trees, r, c)
		if err != nil {
			return o, err
		}
		o.Job.AddOutfit(outfit)
	}
	o.Plan = o.Job.Plan
	o.Plan.Trees = laid
	o.Waits = waits(o)
	return o, nil
}

// takeWeather gives the crew what the weather of the day of work says.
func (o *Outcome) takeWeather(ctx context.Context, a *App, f WeatherFacts, c *plan.Crew, r plan.Request) error {
	q, err := f.question(o.Inputs.Brief, o.Inputs.Crew, r.Card)
	if err != nil {
		return err
	}
	day, err := a.weatherDay(ctx, f, q)
	if err != nil {
		return err
	}
	o.Weather = &day
	if !day.apply(c, r.Card, o.Job.Plan.Method, r.On) {
		o.Job.Plan.Findings = append(o.Job.Plan.Findings, finding.Finding{ID: "draft-weather-no-hours", Severity: finding.Warning, Authority: finding.ByEstimate, Args: finding.Args{"date": finding.Text(r.On.String())}})
	}
	return nil
}

// withPilot makes the outfit and says which tree is the pilot: the one named,
// else the first of the walk. Where something was clocked on it the day is made
// again with that.
func (o *Outcome) withPilot(p plan.Plan, trees []tree.Tree, r plan.Request, c plan.Crew) (*plan.Outfit, error) {
	pilot := o.Inputs.Crew.Pilot
	if pilot != nil && pilot.Tree != "" {
		o.PilotTree = pilot.Tree
	}
	var outfit *plan.Outfit
	var err error
	if o.PilotTree == "" || pilot == nil || len(pilot.Seconds) == 0 {
		if outfit, err = plan.Equip(p, trees, r, c); err != nil || outfit == nil {
			return outfit, err
		}
		if o.PilotTree == "" {
			o.PilotTree = firstTree(outfit.Schedule)
		}
	}
	if pilot == nil || len(pilot.Seconds) == 0 || o.PilotTree == "" {
		return outfit, nil
	}
	c.Pilot = &crew.Pilot{Tree: o.PilotTree, MeasuredS: pilot.Seconds}
	for _, t := range p.Trees {
		if t.Tag == o.PilotTree {
			for _, x := range t.Ports {
				c.Pilot.Ports = append(c.Pilot.Ports, crew.Port{HeightM: x.HeightCM / 100})
			}
		}
	}
	if len(c.Pilot.Ports) == 0 {
		return nil, usage("pilot-not-planned", finding.Args{"tree": finding.Text(clip(o.PilotTree))})
	}
	return plan.Equip(p, trees, r, c)
}

// firstTree is the tree that the first day begins with.
func firstTree(s crew.Schedule) string {
	if len(s.Days) == 0 || len(s.Days[0].Visits) == 0 {
		return ""
	}
	return s.Days[0].Visits[0].Tree // by start of delivery
}

// fill puts the block's and the estate's facts where the brief is silent.
func (in Inputs) fill(b brief.Brief, c brief.Crew, measured int) (brief.Brief, brief.Crew) {
	or := func(to *string, otherwise string) {
		if *to == "" {
			*to = otherwise
		}
	}
	or(&b.Site, in.Block.Site)
	or(&b.AreaHa, in.Block.AreaHa)
	or(&b.Territory, in.Estate.Territory)
	or(&c.Zone, in.Estate.Zone)
	if n := max(in.Block.Trees, len(in.Trees)); b.BlockTrees == 0 && n > measured {
		b.BlockTrees = n
	}
	return b, c
}

// waits lists what approval waits for.
func waits(o Outcome) []Wait {
	var out []Wait
	for _, fs := range [][]finding.Finding{o.Plan.Refusals, o.Plan.Open} {
		for _, f := range fs {
			out = append(out, Wait{f, fields[f.ID]})
		}
	}
	if o.CardCheck == NotChecked {
		out = append(out, Wait{Finding: finding.Finding{ID: "approve-card-unchecked", Severity: finding.Open, Authority: finding.ByPractice}})
	}
	if o.Plan.Totals.Planned == 0 && len(o.Plan.Refusals) == 0 {
		out = append(out, Wait{Finding: finding.Finding{ID: "approve-no-trees", Severity: finding.Open, Authority: finding.ByPractice}})
	}
	return out
}

// ApprovePlan freezes what a draft gives now: the plan is kept with its inputs,
// card, engine and seed, by the actor, and never changes again. It is refused
// while anything is waited for.
func (a *App) ApprovePlan(ctx context.Context, actor Actor, draft string, version int) (Plan, error) {
	if err := a.mayOn(ctx, actor, "ApprovePlan", TypeDraft, draft); err != nil {
		return Plan{}, err
	}
	d, err := get[DraftFacts](ctx, a.Store, TypeDraft, draft)
	if err != nil {
		return Plan{}, err
	}
	if d.Version != version || d.Retired { // what would be signed is not what was looked at
		s, err := a.Store.State(ctx, TypeDraft, draft)
		if err != nil {
			return Plan{}, err
		}
		return Plan{}, &Conflict{Type: TypeDraft, ID: draft, Theirs: s}
	}
	o, err := a.workOut(ctx, d.Parent, d.Facts)
	if err != nil {
		return Plan{}, err
	}
	if len(o.Waits) > 0 {
		return Plan{}, usage("approve-waits", finding.Args{"count": finding.Count(len(o.Waits))})
	}
	var doc bytes.Buffer
	w := bufio.NewWriter(&doc)
	if err := brief.WriteDocument(w, o.Job, plan.Slice(o.Inputs.CoreTrees()), nil); err != nil {
		return Plan{}, err
	}
	if err := w.Flush(); err != nil {
		return Plan{}, err
	}
	inputs, err := encode(o.Inputs)
	if err != nil {
		return Plan{}, err
	}
	f := planFacts(d, o)
	if f.Document, err = a.Store.PutFile(ctx, &doc, 1<<30); err != nil {
		return Plan{}, err
	}
	if f.Inputs, err = a.Store.PutFile(ctx, bytes.NewReader(inputs), 1<<30); err != nil {
		return Plan{}, err
	}
	var out Plan
	err = a.Store.InTx(ctx, func(tx Tx) error {
		card, err := tx.State(ctx, TypeCard, d.Facts.Card)
		if err != nil {
			return err
		}
		s, err := tx.State(ctx, TypeDraft, draft)
		if err != nil {
			return err
		}
		if s.Version != version || s.Retired != "" {
			return &Conflict{Type: TypeDraft, ID: draft, Theirs: s}
		}
		c, err := kept[CardFacts](card)
		if err != nil {
			return err
		}
		if c.Facts.Hash != f.CardHash { // a new version came between looking and signing
			return &Conflict{Type: TypeCard, ID: c.ID, Theirs: card}
		}
		f.CardVersion = c.Version
		id := a.NewID()
		if out, err = write(ctx, tx, actor, Change{Type: TypePlan, Verb: Added, ID: id, Estate: d.Estate, Parent: d.Parent, Sort: id, Version: 1}, f); err != nil {
			return err
		}
		_, err = tx.Append(ctx, actor.Person, Change{Type: TypeDraft, Verb: Retired, ID: draft, Estate: d.Estate, Parent: d.Parent, Sort: s.Sort, Version: version + 1, Body: s.Body})
		return err
	})
	return out, err
}

func planFacts(d Draft, o Outcome) PlanFacts {
	p := o.Plan
	f := PlanFacts{
		Name: d.Facts.Name, Draft: d.ID, Card: o.CardID, CardHash: o.Card.Hash, CardText: o.Card.Text, Checked: o.CardCheck,
		Brief: o.Inputs.Brief, Crew: o.Inputs.Crew, Engine: p.Engine, Seed: p.Seed, Product: p.Card.Product, Method: p.Method, PracticeOnly: p.PracticeOnly,
		On: p.On, LastDay: p.On, HarvestFrom: p.Dates.HarvestFrom, NextEarliest: p.Dates.NextEarliest,
		Trees: p.Totals.Planned, RefusedTrees: p.Totals.RefusedTrees, Ports: p.Totals.Ports, ProductUL: int64(p.Totals.Product),
	}
	if p.Outfit != nil {
		if n := len(p.Schedule.Days); n > 0 {
			last := p.Schedule.Days[n-1]
			f.LastDay, f.SignsDown = last.Start.Format(time.DateOnly), last.SignsDown.Format(time.RFC3339)
		}
	}
	return f
}

// PlanView is an approved plan as it was signed.
type PlanView struct {
	Plan
	Block    Block
	Estate   Estate
	Role     Role
	Doc      plan.Plan // the document, parsed
	Document []byte    // the bytes as they were computed
	Inputs   Inputs
	Reading  CardReading // of the card's text as it was
	Gates    []Kept[GateFacts]
	Events   []Event
}

// Plan returns an approved plan: the bytes that were signed, not a computation
// of today.
func (a *App) Plan(ctx context.Context, actor Actor, id string) (PlanView, error) {
	var v PlanView
	if err := a.mayOn(ctx, actor, "Plan", TypePlan, id); err != nil {
		return v, err
	}
	var err error
	if v.Plan, err = get[PlanFacts](ctx, a.Store, TypePlan, id); err != nil {
		return v, err
	}
	if v.Block, err = get[BlockFacts](ctx, a.Store, TypeBlock, v.Parent); err != nil {
		return v, err
	}
	if v.Estate, err = get[EstateFacts](ctx, a.Store, TypeEstate, v.Block.Parent); err != nil {
		return v, err
	}
	if v.Role, err = a.role(ctx, a.Store, actor, v.Block.Parent); err != nil {
		return v, err
	}
	signed, err := a.signedBy(ctx, v.Facts)
	if err != nil {
		return v, err
	}
	v.Document, v.Doc, v.Inputs = signed.document, signed.doc, signed.inputs
	if v.Reading, err = a.read(v.Facts.CardText); err != nil {
		return v, err
	}
	v.Reading.Card.Verified = v.Inputs.Verified
	if v.Gates, err = list[GateFacts](ctx, a.Store, Query{Type: TypeGate, Parent: id}); err != nil {
		return v, err
	}
	v.Events, err = a.Store.Events(ctx, EventQuery{Entity: id, Limit: 100})
	return v, err
}

// PlanDocument returns the bytes of a plan's document as they were computed.
func (a *App) PlanDocument(ctx context.Context, actor Actor, id string) ([]byte, error) {
	if err := a.mayOn(ctx, actor, "PlanDocument", TypePlan, id); err != nil {
		return nil, err
	}
	p, err := get[PlanFacts](ctx, a.Store, TypePlan, id)
	if err != nil {
		return nil, err
	}
	return a.file(ctx, p.Facts.Document.Hash)
}

func (a *App) file(ctx context.Context, hash string) ([]byte, error) {
	f, err := a.Store.OpenFile(ctx, hash)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	data, err := io.ReadAll(f)
	if err != nil {
		return nil, damaged(err)
	}
	return data, nil
}

func damaged(err error) error {
	return &finding.Fault{Class: finding.Storage, ID: "store-damaged", Cause: err, Args: finding.Args{"reason": finding.Text(err.Error())}}
}

// WithdrawPlan takes a plan back before the work, with a reason; it stays
// readable.
func (a *App) WithdrawPlan(ctx context.Context, actor Actor, id string, version int, reason string) (Stamp, error) {
	if err := a.mayOn(ctx, actor, "WithdrawPlan", TypePlan, id); err != nil {
		return Stamp{}, err
	}
	var faults finding.Faults
	need(&faults, "reason", reason)
	if err := faults.OrNil(); err != nil {
		return Stamp{}, err
	}
	return a.retire(ctx, actor, TypePlan, id, version, reason)
}

// gathered is a block's facts for the core, at a mark.
type gathered struct {
	mark      int64
	inputs    Inputs
	trees     []tree.Tree // with a reading
	wounds    []tree.Wound
	limbs     []tree.Limb
	obstacles []tree.Obstacle
}

// equip gives a crew the settings' prices and step times.
func (f SettingsFacts) equip(c *plan.Crew) error {
	if len(f.Steps) > 0 {
		steps, err := crew.ParseSteps(f.Steps)
		if err != nil {
			return usage("settings-steps", finding.Args{"reason": finding.Text(err.Error())})
		}
		c.Steps = &steps
	}
	if len(f.Prices) == 0 {
		return nil
	}
	c.Currency = f.Currency
	for _, p := range f.Prices {
		v, ok := decimal(p.Price)
		if !ok {
			continue
		}
		price, fault := brief.Price(p.Item, v, p.Unit, f.Currency)
		if fault != nil {
			return fault
		}
		c.Prices = append(c.Prices, price)
	}
	return nil
}
