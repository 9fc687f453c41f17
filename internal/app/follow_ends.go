package app

import (
	"context"
	"slices"

	"sapward/follow/health"
)

// ends are the changes of trees that visits found dead or removed: a dead tree's
// status becomes dead, a removed one is taken out of use where the person may do
// that. A tree of which something newer is known is left as it is.
func (a *App) ends(ctx context.Context, tx Tx, actor Actor, known followedBlock, visits map[string]VisitFacts) ([]Change, error) {
	last, on := map[string]VisitRow{}, map[string]string{}
	for _, day := range sorted(visits) {
		for _, r := range visits[day].Rows {
			if r.Status == TreeDead || r.Status == TreeRemoved {
				last[r.Tree], on[r.Tree] = r, day
			}
		}
	}
	if len(last) == 0 {
		return nil, nil
	}
	role, err := a.role(ctx, tx, actor, known.block.Estate)
	if err != nil {
		return nil, err
	}
	fell := role.Allows(CrewLead) // who may take a tree out of use: RetireTree
	var out []Change
	for _, t := range known.trees {
		r, told := last[t.Facts.Tag]
		if !told || t.Retired || t.Facts.RatedOn > on[t.Facts.Tag] {
			continue
		}
		day := on[t.Facts.Tag]
		c := Change{Type: TypeTree, ID: t.ID, Estate: t.Estate, Parent: t.Parent, Sort: SortKey(t.Facts.Tag), Version: t.Version + 1}
		f := t.Facts
		f.Stems = slices.Clone(f.Stems)
		switch {
		case r.Status == TreeRemoved && fell:
			c.Verb, c.Reason = Retired, removedReason(r, day)
		case r.Status == TreeDead && f.Status != "dead":
			c.Verb = Rated
			f.Status, f.CrownLossPct, f.RatedOn = "dead", "100", day
		default:
			continue
		}
		if c.Body, err = encode(f); err != nil {
			return nil, err
		}
		out = append(out, c)
	}
	return out, nil
}

// removedReason says why a visit took a tree out of use: its day, and the cause
// where one was told.
func removedReason(r VisitRow, day string) string {
	if r.CauseNote != "" {
		return day + ": " + r.CauseNote
	}
	if r.Cause != "" && r.Cause != string(health.CauseOther) {
		return day + ": " + r.Cause
	}
	return day
}
