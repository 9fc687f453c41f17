package app

import (
	"context"

	"sapward/internal/brief"
)

// GateFacts are a morning's answers with what came out.
type GateFacts struct {
	Gate brief.Gate         `json:"gate"`
	Doc  brief.GateDocument `json:"document"`
}

// Gate asks the morning's questions of an approved plan, keeping nothing: go or
// not, item by item.
func (a *App) Gate(ctx context.Context, actor Actor, plan string, g brief.Gate) (brief.GateDocument, error) {
	if err := a.mayOn(ctx, actor, "Gate", TypePlan, plan); err != nil {
		return brief.GateDocument{}, err
	}
	v, err := a.Plan(ctx, actor, plan)
	if err != nil {
		return brief.GateDocument{}, err
	}
	return g.Judge(v.Doc, v.Reading.Card, a.Engine, v.Facts.CardHash)
}

// KeepGate keeps a morning's answers beside the plan.
func (a *App) KeepGate(ctx context.Context, actor Actor, plan string, g brief.Gate) (Kept[GateFacts], error) {
	var out Kept[GateFacts]
	if err := a.mayOn(ctx, actor, "KeepGate", TypePlan, plan); err != nil {
		return out, err
	}
	doc, err := a.Gate(ctx, actor, plan, g)
	if err != nil {
		return out, err
	}
	s, err := a.Store.State(ctx, TypePlan, plan)
	if err != nil {
		return out, err
	}
	id := a.NewID()
	return add(ctx, a, actor, Change{Type: TypeGate, ID: id, Estate: s.Estate, Parent: plan, Sort: id}, GateFacts{g, doc})
}
