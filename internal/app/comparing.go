package app

import (
	"context"

	"sapward/finding"
	"sapward/flow/compare"
)

// ModelFacts is what the model of the movement needs besides the plan, as
// typed; kept with a draft.
type ModelFacts struct {
	Climate   string `json:"climate,omitempty"`     // monthly means as a table
	Latitude  string `json:"latitude,omitempty"`    // degrees, north positive
	Elevation string `json:"elevation_m,omitempty"` // above the sea
	Foliage   string `json:"foliage,omitempty"`     // months with leaves, such as 4-10
	Effective string `json:"effective,omitempty"`   // such as 0.5 mg/L sap; empty: that of the class
}

// tidy trims and bounds the facts.
func (f *ModelFacts) tidy(faults *finding.Faults) {
	words(faults, "option", &f.Climate, 20_000)
	for _, x := range []*string{&f.Latitude, &f.Elevation, &f.Foliage, &f.Effective} {
		words(faults, "option", x, 200)
	}
}

// CompareMethods sets injection beside infusion for a draft: both methods of its
// card over its block, followed by the model of the movement. The request brings
// the season's days and what is known of the active; block, plan and crew come
// from the draft. What was worked out from the same content lately is not worked
// out again, and one person works out one at a time. Faults are those of the
// draft and of compare.Make.
func (a *App) CompareMethods(ctx context.Context, actor Actor, draft string, q compare.Request) (*compare.Document, error) {
	if err := a.mayOn(ctx, actor, "CompareMethods", TypeDraft, draft); err != nil {
		return nil, err
	}
	d, err := get[DraftFacts](ctx, a.Store, TypeDraft, draft)
	if err != nil {
		return nil, err
	}
	o, err := a.workOut(ctx, d.Parent, d.Facts)
	if err != nil {
		return nil, err
	}
	b, err := a.gather(ctx, d.Parent)
	if err != nil {
		return nil, err
	}
	q.Plan, q.Block = o.Request, b.trees
	q.Plan.Method = ""
	q.Seed = o.Request.Seed
	settings, err := a.settings(ctx)
	if err != nil {
		return nil, err
	}
	if len(b.trees) <= EquipLimit {
		c, err := o.Inputs.Crew.Plan()
		if err != nil {
			return nil, err
		}
		if err := settings.Facts.equip(&c); err != nil {
			return nil, err
		}
		c.Delivery = "" // each method in its own way
		q.Crew = &c
	}
	in := modelInputs{Engine: a.Engine, Card: o.Card.Hash, Check: string(o.CardCheck), Inputs: o.Inputs, Settings: settings.Facts,
		Tree: q.Tree, Active: q.Active, HorizonD: q.HorizonD, StartH: q.StartH, Target: q.Target, CrownBaseM: q.CrownBaseM, HeadKPa: q.HeadKPa,
		Draws: q.Draws, Facts: q.Facts, Days: q.Days, Assays: q.Assays, AssayMethod: q.AssayMethod}
	return a.models.take(ctx, actor.Person, in.key(), func() (*compare.Document, error) { return compare.Make(q) })
}
