package app

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/gowebpki/jcs"

	"sapward/apply/record"
	"sapward/finding"
	"sapward/measure/civil"
	q "sapward/measure/quantity"
	"sapward/numeric/exact"
	"sapward/plan/label"
)

// RecordFacts are an application record with all its versions, and what lists
// show of it.
type RecordFacts struct {
	Day      string          `json:"day,omitempty"` // the day it was made from
	Plan     string          `json:"plan,omitempty"`
	Product  string          `json:"product"`
	Method   string          `json:"method,omitempty"`
	From     string          `json:"from,omitempty"` // first and last day of work
	To       string          `json:"to,omitempty"`
	Regimes  []string        `json:"regimes,omitempty"`
	Trees    int             `json:"trees"`
	Signed   bool            `json:"signed"`
	Complete bool            `json:"complete"`
	Record   json.RawMessage `json:"record"` // sapward/record/1
}

// ApplicationRecord is a record as it is kept. Its parent is the block.
type ApplicationRecord = Kept[RecordFacts]

// RecordView is a record with what follows from it.
type RecordView struct {
	ApplicationRecord
	Record  *record.Record
	Done    record.Completeness
	Late    []finding.Finding
	Tamper  []finding.Finding
	Block   Block
	Estate  Estate
	Role    Role
	Newer   int // notes of the day that came after the record was made
	Checked time.Time
}

// recordZones finds a time zone in the embedded data.
func recordZones(name string) (*time.Location, error) {
	if name == "" || name == "Local" {
		return nil, errors.New("no zone")
	}
	return time.LoadLocation(name)
}

// second is now, in whole seconds, never before now: records are kept to the
// second, and nothing is signed before the work that it is about has ended.
func (a *App) second() time.Time { return a.Now().Add(time.Second - 1).Truncate(time.Second) }

// recordFacts says what lists show of a record and takes it in.
func recordFacts(f RecordFacts, r *record.Record) (RecordFacts, error) {
	c := &r.Last().Content
	f.Product, f.Method, f.From, f.To = "", "", "", ""
	for i := range c.Products {
		if n, ok := c.Products[i].Name.Known(); ok {
			f.Product = strings.TrimPrefix(f.Product+", "+n, ", ")
		}
	}
	f.Method, _ = c.Work.Method.Known()
	if d, ok := c.Work.Date.Known(); ok {
		f.From, f.To = d.From.String(), d.To.String()
	}
	f.Regimes, f.Trees, f.Signed = c.Regimes, len(c.Trees), r.IsSigned()
	f.Complete = record.Complete(c).Complete
	data, err := record.Write(r)
	f.Record = data
	return f, err
}

// RecordQuery asks for the records of an estate.
type RecordQuery struct {
	From, To string // days of work, ends included; empty: open
	Regime   string
	Text     string // part of a product, block or tree
}

// Records returns an estate's records, newest day of work first.
func (a *App) Records(ctx context.Context, actor Actor, estate string, query RecordQuery) ([]ApplicationRecord, error) {
	if err := a.mayOn(ctx, actor, "Records", TypeEstate, estate); err != nil {
		return nil, err
	}
	all, err := list[RecordFacts](ctx, a.Store, Query{Type: TypeRecord, Estate: estate})
	if err != nil {
		return nil, err
	}
	text := strings.ToLower(strings.TrimSpace(query.Text))
	out := []ApplicationRecord{}
	for _, r := range all {
		f := r.Facts
		switch {
		case query.From != "" && f.To < query.From, query.To != "" && f.From > query.To:
		case query.Regime != "" && !slices.Contains(f.Regimes, query.Regime):
		case text != "" && !strings.Contains(strings.ToLower(f.Product), text) && !strings.Contains(strings.ToLower(string(f.Record)), text):
		default:
			out = append(out, r)
		}
	}
	slices.SortStableFunc(out, func(x, y ApplicationRecord) int { return strings.Compare(y.Facts.To+y.ID, x.Facts.To+x.ID) })
	return out, nil
}

// Record returns a record with what is missing, what is late, and whether its
// own chain is whole.
func (a *App) Record(ctx context.Context, actor Actor, id string) (RecordView, error) {
	var v RecordView
	if err := a.mayOn(ctx, actor, "Record", TypeRecord, id); err != nil {
		return v, err
	}
	return a.record(ctx, actor, id)
}

func (a *App) record(ctx context.Context, actor Actor, id string) (v RecordView, err error) {
	if v.ApplicationRecord, err = get[RecordFacts](ctx, a.Store, TypeRecord, id); err != nil {
		return v, err
	}
	if v.Record, err = record.Read(v.Facts.Record, jcs.Transform); err != nil {
		return v, damaged(err)
	}
	if v.Block, err = get[BlockFacts](ctx, a.Store, TypeBlock, v.Parent); err != nil {
		return v, err
	}
	if v.Estate, err = get[EstateFacts](ctx, a.Store, TypeEstate, v.Block.Parent); err != nil {
		return v, err
	}
	if v.Role, err = a.role(ctx, a.Store, actor, v.Estate.ID); err != nil {
		return v, err
	}
	v.Checked = a.Now()
	v.Done = record.Complete(&v.Record.Last().Content)
	v.Late = record.Late(v.Record, recordZones, v.Checked)
	if v.Tamper, err = record.Verify(v.Record, jcs.Transform); err != nil {
		return v, damaged(err)
	}
	if v.Facts.Day != "" {
		made, err := a.Store.EventsAfter(ctx, TypeRecord, v.Parent, 0, 100_000)
		if err != nil {
			return v, err
		}
		if i := slices.IndexFunc(made, func(e Event) bool { return e.Entity == id }); i >= 0 {
			newer, err := a.Store.EventsAfter(ctx, TypeNote, v.Facts.Day, made[i].Seq, 1000)
			if err != nil {
				return v, err
			}
			v.Newer = len(newer)
		}
	}
	return v, nil
}

// RecordDay writes the record of a closed day: what the phones noted, what the
// card as it was says, what the gate read in the morning, and the persons of the
// estate's last record where a chosen regime asks for them. What nobody wrote
// down stays not recorded. It also enters the day into the block's history: the
// application and every hole where it really is.
func (a *App) RecordDay(ctx context.Context, actor Actor, day string, regimes []string) (ApplicationRecord, error) {
	var out ApplicationRecord
	if err := a.mayOn(ctx, actor, "RecordDay", TypeDay, day); err != nil {
		return out, err
	}
	v, err := a.day(ctx, actor, day)
	if err != nil {
		return out, err
	}
	if v.Facts.ClosedAt == "" {
		return out, usage("record-day-open", nil)
	}
	if had, err := list[RecordFacts](ctx, a.Store, Query{Type: TypeRecord, Parent: v.Block.ID}); err != nil {
		return out, err
	} else if slices.ContainsFunc(had, func(r ApplicationRecord) bool { return r.Facts.Day == day }) {
		return out, usage("record-day-twice", nil)
	}
	c := record.Content{Regimes: regimes}
	c.Work.Zone = v.Estate.Facts.Location().String()
	plan, err := get[PlanFacts](ctx, a.Store, TypePlan, v.Parent)
	if err != nil {
		return out, err
	}
	a.recordPlace(&c, v, plan.Facts)
	a.recordMorning(ctx, &c, v)
	if err := a.recordPeople(ctx, &c, v.Estate, plan.Facts); err != nil {
		return out, err
	}
	if c, err = record.FromLog(c, v.Log, v.Pack, recordZones); err != nil {
		return out, err
	}
	reading, err := a.read(plan.Facts.CardText)
	if err != nil {
		return out, err
	}
	_, reading.Card.Verified, err = a.checked(ctx, a.Store, plan.Facts.Card, plan.Facts.CardHash)
	if err != nil {
		return out, err
	}
	use := slices.IndexFunc(reading.Card.Uses, func(u label.Use) bool { return string(u.Method) == v.Pack.Method })
	if c, err = record.Assemble(c, reading.Card, record.CardSnapshot{Hash: plan.Facts.CardHash, Content: reading.Canonical, Use: max(use, 0)}); err != nil {
		return out, err
	}
	if c.Products[0].Rate.IsZero() && plan.Facts.Brief.Level != "" && strings.ContainsAny(plan.Facts.Brief.Level, "0123456789") {
		c.Products[0].Rate = record.Is(record.Rate{Amount: plan.Facts.Brief.Level, Basis: "plan"})
	}
	r, err := record.New(a.NewID(), a.Engine, a.writerOf(ctx, actor), a.second(), c, recordZones, jcs.Transform)
	if err != nil {
		return out, err
	}
	f, err := recordFacts(RecordFacts{Day: day, Plan: v.Parent}, r)
	if err != nil {
		return out, err
	}
	history, err := a.historyOf(ctx, v, plan.Facts, reading, c)
	if err != nil {
		return out, err
	}
	err = a.Store.InTx(ctx, func(tx Tx) error {
		if out, err = write(ctx, tx, actor, Change{Type: TypeRecord, Verb: Added, ID: r.ID, Estate: v.Estate.ID, Parent: v.Block.ID, Sort: f.From + " " + r.ID, Version: 1}, f); err != nil {
			return err
		}
		_, err = tx.Append(ctx, actor.Person, history...)
		return err
	})
	return out, err
}

// writerOf is how a record names who wrote it down.
func (a *App) writerOf(ctx context.Context, actor Actor) string {
	if p, err := get[PersonFacts](ctx, a.Store, TypePerson, actor.Person); err == nil {
		return p.Facts.Name
	}
	return orElse(actor.Person, LocalPerson)
}

// recordPlace fills where and how much.
func (a *App) recordPlace(c *record.Content, v DayView, p PlanFacts) {
	fill := func(f *record.Fact[string], s string) {
		if s = strings.TrimSpace(s); s != "" {
			*f = record.Is(s)
		}
	}
	fill(&c.Place.Field, v.Block.Facts.Name)
	fill(&c.Place.Address, v.Estate.Facts.Address)
	fill(&c.Site.Name, orElse(p.Brief.Site, v.Block.Facts.Site))
	fill(&c.Target.Name, p.Brief.Target)
	fill(&c.Work.TypeOfUse, record.OpenArea)
	if m, fault := record.MeasureOf[q.AreaKind](v.Block.Facts.AreaHa + " ha"); v.Block.Facts.AreaHa != "" && fault == nil {
		c.Area = record.Is(m)
	}
	if n := v.Block.Facts.Trees; n > 0 {
		c.TreesPlanted = record.Is(n)
	}
}

// recordMorning takes the temperature that the gate read.
func (a *App) recordMorning(ctx context.Context, c *record.Content, v DayView) {
	g, err := get[GateFacts](ctx, a.Store, TypeGate, v.Facts.Gate)
	if err != nil || g.Facts.Gate.Temperature == nil {
		return
	}
	if m, fault := record.MeasureOf[q.TemperatureKind](fmt.Sprintf("%.1f Cel", *g.Facts.Gate.Temperature)); fault == nil {
		c.Weather.Temperature = record.Is(m)
		c.Weather.Observed = record.Is(record.Instant{T: g.At.In(v.Estate.Facts.Location()).Truncate(time.Second)})
		c.Weather.Source = record.Is("gate")
	}
}

// recordPeople takes the persons of the estate's last record, where the chosen
// regimes ask for them; the certificate's last day is the plan's, where it gives
// one.
func (a *App) recordPeople(ctx context.Context, c *record.Content, e Estate, p PlanFacts) error {
	all, err := list[RecordFacts](ctx, a.Store, Query{Type: TypeRecord, Estate: e.ID})
	if err != nil {
		return err
	}
	slices.SortFunc(all, func(x, y ApplicationRecord) int { return strings.Compare(y.Facts.To+y.ID, x.Facts.To+x.ID) })
	if len(all) > 0 {
		if last, err := record.Read(all[0].Facts.Record, jcs.Transform); err == nil {
			old, err := record.ForRegimes(&last.Last().Content, c.Regimes)
			if err != nil {
				return err
			}
			c.People = old.People
			c.People.Appliers, c.People.Supervisor = record.Fact[[]record.Person]{}, record.Fact[string]{}
			c.Permits.Operator, c.Permits.Site = old.Permits.Operator, old.Permits.Site
			c.Place.County, c.Place.Section, c.Place.Parcel, c.Place.Postcode = old.Place.County, old.Place.Section, old.Place.Parcel, old.Place.Postcode
			if len(old.Products) > 0 && len(c.Products) == 0 {
				c.Products = []record.Product{{SDS: old.Products[0].SDS}}
			}
			c.Work.Equipment, c.Training = old.Work.Equipment, old.Training
		}
	}
	if a, ok := c.People.Applicator.Known(); ok {
		if d, err := civil.Parse(p.Brief.CertificateTo); err == nil {
			a.Expires = d
			c.People.Applicator = record.Is(a)
		}
	}
	return nil
}

// historyOf is a day as the block's history needs it: one application, and each
// hole that was drilled as a wound.
func (a *App) historyOf(ctx context.Context, v DayView, p PlanFacts, reading CardReading, c record.Content) ([]Change, error) {
	dates := record.WorkedOut(&c, recordZones)
	f := ApplicationFacts{Product: p.Product, Method: p.Method, Plan: v.Parent, AreaHa: v.Block.Facts.AreaHa, DateEnd: v.Facts.On, Note: "day " + v.ID}
	if d, ok := c.Work.Date.Known(); ok {
		f.DateEnd = d.To.String()
	}
	if e, ok := c.Work.End.Known(); ok {
		f.EndedAt = e.T.Format(time.RFC3339)
	}
	if !dates.HarvestOpen && !dates.HarvestFrom.IsZero() {
		f.HarvestFrom = dates.HarvestFrom.String()
	}
	if !dates.NextEarliest.IsZero() {
		f.NextEarliest = dates.NextEarliest.String()
	}
	if rei, ok := c.Products[0].REI.Known(); ok && !rei.UntilDry {
		f.ReentryH = rei.Hours.String()
	}
	if as := reading.Card.Product.Actives; len(as) > 0 {
		f.Active = as[0].Name
	}
	content, known := reading.Card.Product.ActivePerVolume(0)
	ids := map[string]string{}
	if err := a.Store.EachTree(ctx, v.Block.ID, func(states []State) error {
		facts, err := decodeAll[TreeFacts](states)
		for i, t := range facts {
			ids[t.Tag] = states[i].ID
		}
		return err
	}); err != nil {
		return nil, err
	}
	var out []Change
	season := 0
	if d, err := civil.Parse(f.DateEnd); err == nil {
		season = d.Year
	}
	for _, t := range v.State.Trees {
		s := v.Log.Tree(t.Tag)
		product := productShare(v, t.Tag)
		var committed int64
		for i := range s.Ports {
			x := &s.Ports[i]
			committed += x.CommittedUL()
			if !x.Drilled() || ids[t.Tag] == "" {
				continue
			}
			w := WoundFacts{Stem: x.Stem, AzimuthDeg: x.AzimuthDeg, HeightCM: fmt.Sprintf("%.1f", x.HeightCM), Year: season, On: f.DateEnd, Plan: v.Parent, Port: x.N}
			if x.DepthMM != nil {
				w.DepthMM = fmt.Sprint(*x.DepthMM)
			}
			if bit := orUM(x.BitUM, v.Pack.HoleUM); bit > 0 {
				w.HoleMM = exact.Frac(bit, 1000).String()
			}
			if err := w.tidy(); err != nil {
				return nil, err
			}
			body, err := encode(w)
			if err != nil {
				return nil, err
			}
			out = append(out, Change{Type: TypeWound, Verb: Added, ID: holeID(v.ID, t.Tag, x.N), Estate: v.Estate.ID, Parent: ids[t.Tag], Sort: fmt.Sprintf("%04d %03d", w.Year, x.N), Version: 1, Body: body})
		}
		if committed == 0 {
			continue
		}
		ml := exact.Frac(committed, 1000).Mul(product)
		got := Treated{Tag: t.Tag, ProductML: fixed(ml)}
		if known {
			got.ActiveG = fixed(ml.Mul(content.Base()))
		}
		f.Trees = append(f.Trees, got)
	}
	if len(f.Trees) == 0 {
		return out, nil
	}
	if err := f.tidy(); err != nil {
		return nil, err
	}
	body, err := encode(f)
	if err != nil {
		return nil, err
	}
	return append(out, Change{Type: TypeApplication, Verb: Added, ID: a.NewID(), Estate: v.Estate.ID, Parent: v.Block.ID, Sort: f.DateEnd, Version: 1, Body: body}), nil
}

// fixed writes an amount with three decimals, rounded up: limits over time are
// held to no less than what went in.
func fixed(v exact.Rat) string {
	return exact.Frac(v.Mul(exact.Int(1000)).Ceil(), 1000).String()
}

// productShare is what part of a volume is product, by the plan of a tree.
func productShare(v DayView, tag string) exact.Rat {
	for _, t := range v.Pack.Trees {
		if t.Tag == tag && len(t.Units) > 0 && t.Units[0].Dose > 0 {
			return exact.Frac(int64(t.Units[0].Product), int64(t.Units[0].Dose))
		}
	}
	return exact.Int(1)
}

func orUM(a, b int64) int64 {
	if a > 0 {
		return a
	}
	return b
}

// holeID names a hole of a day: entered twice it is the same hole.
func holeID(day, tag string, port int) string {
	sum := sha256.Sum256([]byte(fmt.Sprintf("%s\x00%s\x00%d", day, tag, port)))
	return hex.EncodeToString(sum[:16])
}

// NewRecord begins a record by hand for a block, for work that no phone noted.
func (a *App) NewRecord(ctx context.Context, actor Actor, block string, c record.Content) (ApplicationRecord, error) {
	var out ApplicationRecord
	if err := a.mayOn(ctx, actor, "NewRecord", TypeBlock, block); err != nil {
		return out, err
	}
	estate, err := a.estateOf(ctx, TypeBlock, block)
	if err != nil {
		return out, err
	}
	e, err := get[EstateFacts](ctx, a.Store, TypeEstate, estate)
	if err != nil {
		return out, err
	}
	if c.Work.Zone == "" {
		c.Work.Zone = e.Facts.Location().String()
	}
	if c, err = record.AddUp(c); err != nil {
		return out, err
	}
	r, err := record.New(a.NewID(), a.Engine, a.writerOf(ctx, actor), a.second(), c, recordZones, jcs.Transform)
	if err != nil {
		return out, err
	}
	f, err := recordFacts(RecordFacts{}, r)
	if err != nil {
		return out, err
	}
	return add(ctx, a, actor, Change{Type: TypeRecord, ID: r.ID, Estate: estate, Parent: block, Sort: f.From + " " + r.ID}, f)
}

// AmendRecord keeps a changed version of a record; the old ones stay. Once it
// was signed a reason is a must.
func (a *App) AmendRecord(ctx context.Context, actor Actor, id string, version int, c record.Content, reason string) (ApplicationRecord, error) {
	if err := a.mayOn(ctx, actor, "AmendRecord", TypeRecord, id); err != nil {
		return ApplicationRecord{}, err
	}
	return a.changeRecord(ctx, actor, id, version, reason, func(r *record.Record) (*record.Record, error) {
		if c.Card == nil {
			c.Card = r.Last().Content.Card
		}
		return r.Amend(a.writerOf(ctx, actor), strings.TrimSpace(reason), a.second(), c, recordZones, jcs.Transform)
	})
}

// SignRecord signs the newest version as the certified applicator named in it.
// Where something is missing a reason is asked for, and stands in the signature.
func (a *App) SignRecord(ctx context.Context, actor Actor, id string, version int, incomplete string) (ApplicationRecord, error) {
	if err := a.mayOn(ctx, actor, "SignRecord", TypeRecord, id); err != nil {
		return ApplicationRecord{}, err
	}
	return a.changeRecord(ctx, actor, id, version, "", func(r *record.Record) (*record.Record, error) {
		return r.Sign(a.second(), strings.TrimSpace(incomplete), recordZones, jcs.Transform)
	})
}

func (a *App) changeRecord(ctx context.Context, actor Actor, id string, version int, reason string, f func(*record.Record) (*record.Record, error)) (ApplicationRecord, error) {
	k, err := get[RecordFacts](ctx, a.Store, TypeRecord, id)
	if err != nil {
		return k, err
	}
	if k.Version != version {
		s, err := a.Store.State(ctx, TypeRecord, id)
		if err != nil {
			return k, err
		}
		return k, &Conflict{Type: TypeRecord, ID: id, Theirs: s}
	}
	r, err := record.Read(k.Facts.Record, jcs.Transform)
	if err != nil {
		return k, damaged(err)
	}
	if bad, err := record.Verify(r, jcs.Transform); err != nil || len(bad) > 0 {
		return k, damaged(fmt.Errorf("record %s: %d findings, %w", id, len(bad), err))
	}
	if r, err = f(r); err != nil {
		return k, err
	}
	facts, err := recordFacts(k.Facts, r)
	if err != nil {
		return k, err
	}
	return change(ctx, a, actor, TypeRecord, Changed, id, version, facts.From+" "+id, reason, facts)
}

// dayRecord finds the record of a day, if there is one.
func (a *App) dayRecord(ctx context.Context, block, day string) (string, error) {
	all, err := list[RecordFacts](ctx, a.Store, Query{Type: TypeRecord, Parent: block})
	for _, r := range all {
		if r.Facts.Day == day {
			return r.ID, err
		}
	}
	return "", err
}
