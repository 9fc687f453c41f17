package app

import (
	"context"

	"sapward/plan/crew"
)

// SeasonFacts are a block's last twelve months for its owner: what was done,
// found and spent, and what is due.
type SeasonFacts struct {
	FollowResult
	From, To     string // days
	Count        BlockCount
	Applications []Application // within the twelve months
	Costs        []crew.Cost   // of the plans that they follow
	Uncosted     int           // applications without a cost on record
	SeasonVisits int
	SeasonAssays int
	Due          []DueItem
}

// seasonDays is the length of what a season report looks back on.
const seasonDays = 365

// Season gathers the season report of a block: the twelve months to today.
func (a *App) Season(ctx context.Context, actor Actor, block string) (SeasonFacts, error) {
	var s SeasonFacts
	if err := a.mayOn(ctx, actor, "Season", TypeBlock, block); err != nil {
		return s, err
	}
	f, err := a.followFacts(ctx, block)
	if err != nil {
		return s, err
	}
	f.fates()
	if err := a.declines(ctx, &f); err != nil {
		return s, err
	}
	s.FollowResult = f
	s.From, s.To = f.Today.AddDays(-seasonDays).String(), f.Today.String()
	counts, err := a.Store.BlockCounts(ctx, []string{block})
	if err != nil {
		return s, err
	}
	s.Count = counts[block]
	apps, err := list[ApplicationFacts](ctx, a.Store, Query{Type: TypeApplication, Parent: block})
	if err != nil {
		return s, err
	}
	within := func(on string) bool { return on > s.From && on <= s.To }
	for _, x := range apps {
		if !within(x.Facts.DateEnd) {
			continue
		}
		s.Applications = append(s.Applications, x)
		cost, ok, err := a.costOf(ctx, actor, x.Facts.Plan)
		if err != nil {
			return s, err
		}
		if !ok {
			s.Uncosted++
			continue
		}
		s.Costs = append(s.Costs, cost)
	}
	for _, v := range f.Visits {
		if within(v.Facts.On) {
			s.SeasonVisits++
		}
	}
	for _, x := range f.Assays {
		if within(x.Facts.On) {
			s.SeasonAssays++
		}
	}
	due, err := a.due(ctx, f.Estate)
	for _, d := range due {
		if d.Block == block {
			s.Due = append(s.Due, d)
		}
	}
	return s, err
}

// costOf is the cost that a plan gave; ok is false where it has none.
func (a *App) costOf(ctx context.Context, actor Actor, plan string) (cost crew.Cost, ok bool, err error) {
	if plan == "" {
		return cost, false, nil
	}
	v, err := a.Plan(ctx, actor, plan)
	if isMissing(err) {
		return cost, false, nil
	}
	if err != nil || v.Doc.Outfit == nil || v.Doc.Outfit.Cost == nil || len(v.Doc.Outfit.Cost.Lines) == 0 {
		return cost, false, err
	}
	return *v.Doc.Outfit.Cost, true, nil
}
