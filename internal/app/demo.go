package app

import (
	"bytes"
	"context"
	"fmt"
	"math"

	"sapward/finding"
	"sapward/internal/brief"
	"sapward/measure/civil"
	"sapward/plan/crew"
)

// FillDemo fills an empty data folder with the invented estate: files are the
// demo's, by name. It goes through the same use cases as any user's: two people
// type in and check the cards, trees are imported, last season's plan of the
// chestnuts is approved and its wounds are entered, a draft for the avenue
// stands open, and a strip of chestnuts is followed through two seasons. A folder that holds an estate is left as it is.
func (a *App) FillDemo(ctx context.Context, actor Actor, files map[string][]byte) error {
	if err := a.may(ctx, actor, "FillDemo", ""); err != nil {
		return err
	}
	if estates, err := a.Store.States(ctx, Query{Type: TypeEstate, Retired: true, Limit: 1}); err != nil || len(estates) > 0 {
		return err
	}
	d := demo{App: a, files: files, owner: actor, season: lastSeason(civil.Of(a.Now()))}
	for _, step := range []func(context.Context) error{d.people, d.cards, d.prices, d.blocks, d.treated, d.draft, d.followed} {
		if err := step(ctx); err != nil {
			return err
		}
	}
	return nil
}

// lastSeason is the year of the last June that has passed, within the years the
// demo's cards are valid and the next one too.
func lastSeason(today civil.Date) int {
	year := today.Year
	if today.Before(civil.Date{Year: year, Month: 7, Day: 1}) {
		year--
	}
	return min(max(year, 2026), 2029)
}

// demo is the filling of the invented estate.
type demo struct {
	*App
	files                map[string][]byte
	owner, adviser, lead Actor
	season               int
	estate               string
	avenue, chestnut     string // blocks
	cardA, cardB         Card
}

func (d *demo) people(ctx context.Context) error {
	e, err := d.AddEstate(ctx, d.owner, EstateFacts{
		Name: "Demo estate", Zone: "Europe/Madrid", Territory: "DEMO",
		Note: "Invented for Sapward's demo: no such estate, tree, product or person exists. / Inventado para la demostración.",
	})
	if err != nil {
		return err
	}
	d.estate = e.ID
	for _, p := range []struct {
		name string
		role Role
		to   *Actor
	}{{"adviser", Adviser, &d.adviser}, {"crew lead", CrewLead, &d.lead}} {
		v, err := d.AddPerson(ctx, d.owner, PersonFacts{Name: p.name}, "")
		if err != nil {
			return err
		}
		if _, err := d.Grant(ctx, d.owner, e.ID, v.ID, p.role); err != nil {
			return err
		}
		*p.to = Actor{Person: v.ID}
	}
	return nil
}

// prices are invented like everything else here, so that plans and the season
// report tell a cost.
func (d *demo) prices(ctx context.Context) error {
	s, err := d.Settings(ctx, d.owner)
	if err != nil || s.Version > 0 {
		return err
	}
	f := s.Facts
	f.Prices = []PriceFacts{
		{crew.CostProduct, "145", "L"}, {crew.CostLabour, "24", "h"}, {crew.KitPorts, "0.35", "piece"}, {crew.KitSyringes, "1.10", "piece"},
		{crew.KitBits, "4.50", "piece"}, {crew.KitPaint, "6", "piece"},
	}
	_, err = d.ChangeSettings(ctx, d.owner, 0, f)
	return err
}

func (d *demo) cards(ctx context.Context) error {
	for _, c := range []struct {
		file string
		to   *Card
	}{{"avenue/card.yaml", &d.cardA}, {"chestnut/card.yaml", &d.cardB}} {
		card, err := d.AddCard(ctx, d.adviser, string(d.files[c.file]))
		if err != nil {
			return err
		}
		if _, err := d.CheckCard(ctx, d.lead, card.ID, card.Facts.Hash, ""); err != nil {
			return err
		}
		*c.to = card
	}
	return nil
}

func (d *demo) blocks(ctx context.Context) error {
	for _, b := range []struct {
		facts  BlockFacts
		folder string
		to     *string
	}{
		{BlockFacts{Name: "Avenue", Site: "elm", Species: "Ulmus minor", AreaHa: "1.2", Boundary: []Point{{-5, -5}, {613, -5}, {613, 25}, {-5, 25}}}, "avenue", &d.avenue},
		{BlockFacts{Name: "Chestnuts", Site: "sweet chestnut", Species: "Castanea sativa", AreaHa: "2.4"}, "chestnut", &d.chestnut},
	} {
		block, err := d.AddBlock(ctx, d.adviser, d.estate, b.facts)
		if err != nil {
			return err
		}
		*b.to = block.ID
		for _, kind := range []string{TableTrees, TableWounds, TableLimbs, TableObstacles, TableHistory} {
			name := b.folder + "/" + kind + ".csv"
			data, there := d.files[name]
			if !there {
				continue
			}
			if _, err := d.Import(ctx, d.lead, block.ID, kind, name, bytes.NewReader(data), nil); err != nil {
				return err
			}
		}
	}
	return nil
}

// treated approves last season's plan of the chestnuts and enters what was
// done: the application, and each hole where it really went.
func (d *demo) treated(ctx context.Context) error {
	on := civil.Date{Year: d.season, Month: 6, Day: 1}
	draft, err := d.AddDraft(ctx, d.adviser, d.chestnut, DraftFacts{
		Name: fmt.Sprintf("Chestnuts %d", d.season), Card: d.cardB.ID,
		Brief: brief.Brief{
			Method: "injection", Target: "root rot", On: on.String(), Bloom: "after", CertificateTo: fmt.Sprintf("%d-12-31", d.season+1),
			HarvestFrom: civil.Date{Year: d.season, Month: 10, Day: 5}.String(), Seed: 1,
		},
		Crew: brief.Crew{Count: 3},
	})
	if err != nil {
		return err
	}
	p, err := d.ApprovePlan(ctx, d.adviser, draft.ID, draft.Version)
	if err != nil {
		return err
	}
	v, err := d.Plan(ctx, d.adviser, p.ID)
	if err != nil {
		return err
	}
	f := ApplicationFacts{
		Product: v.Facts.Product, Method: v.Facts.Method, DateEnd: v.Facts.LastDay, Plan: p.ID, AreaHa: v.Inputs.Block.AreaHa,
		HarvestFrom: v.Facts.HarvestFrom, NextEarliest: v.Facts.NextEarliest, ReentryH: v.Doc.Dates.ReentryH,
	}
	actives := v.Reading.Card.Product.Actives
	if len(actives) > 0 {
		f.Active = actives[0].Name
	}
	content, known := v.Reading.Card.Product.ActivePerVolume(0)
	ids := map[string]string{}
	if err := d.Store.EachTree(ctx, d.chestnut, func(states []State) error {
		facts, err := decodeAll[TreeFacts](states)
		for i, t := range facts {
			ids[t.Tag] = states[i].ID
		}
		return err
	}); err != nil {
		return err
	}
	for i, t := range v.Doc.Trees {
		got := Treated{Tag: t.Tag, ProductML: t.Product.String()}
		if known {
			got.ActiveG = fmt.Sprintf("%.2f", math.Round(100*t.Product.ML()*content.Float())/100)
		}
		f.Trees = append(f.Trees, got)
		for k, q := range t.Ports {
			depth := "30"
			if q.DepthMM != nil {
				depth = fmt.Sprint(*q.DepthMM + (i+k)%3 - 1)
			}
			w := WoundFacts{
				Stem: q.Stem, AzimuthDeg: math.Mod(q.AzimuthDeg+float64((7*i+3*k)%9)-4+360, 360), HeightCM: fmt.Sprintf("%.1f", q.HeightCM),
				DepthMM: depth, HoleMM: "6", Year: d.season, On: v.Facts.LastDay, Plan: p.ID, Port: q.N, Closed: (i+k)%4 == 0,
			}
			if w.Closed {
				w.ClosedOn = civil.Date{Year: d.season, Month: 9, Day: 20}.String()
			}
			if _, err := d.AddWound(ctx, d.lead, ids[t.Tag], w); err != nil {
				return err
			}
		}
	}
	_, err = d.AddApplication(ctx, d.lead, d.chestnut, f)
	return err
}

// draft leaves a plan for the avenue open: the certificate is not given.
func (d *demo) draft(ctx context.Context) error {
	_, err := d.AddDraft(ctx, d.adviser, d.avenue, DraftFacts{
		Name: fmt.Sprintf("Avenue %d", d.season+1), Card: d.cardA.ID,
		Brief: brief.Brief{Method: "injection", Target: "vascular wilt", On: civil.Date{Year: d.season + 1, Month: 6, Day: 17}.String(), Bloom: "no", Seed: 1},
		Crew:  brief.Crew{Count: 3},
	})
	if err != nil {
		return &finding.Fault{Class: finding.Internal, ID: "internal", Cause: err, Args: finding.Args{"cause": finding.Text(err.Error())}}
	}
	return nil
}
