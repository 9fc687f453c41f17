package app

import (
	"context"
	"io"
	"slices"

	"sapward/measure/civil"
)

// exportFollow writes the follow-up of a block: the tables that ImportFollow
// reads again, and follow.json with what they cannot carry.
func (a *App) exportFollow(ctx context.Context, dir string, b Block, to Archive, tables FollowWriter, places map[string]place) error {
	f, err := a.followFacts(ctx, b.ID)
	if err != nil {
		return err
	}
	facts := f.Follow.Facts
	var visits []VisitFacts
	notes := map[string]string{}
	for _, v := range f.Visits {
		visits = append(visits, v.Facts)
		places[v.ID] = place{dir + "/visits/" + v.Facts.On + "/", v.Facts.On}
		if v.Facts.Note != "" {
			notes[v.Facts.On] = v.Facts.Note
		}
	}
	var assays []AssayFacts
	for _, x := range f.Assays {
		assays = append(assays, x.Facts)
	}
	deaths := f.deathRows()
	gone, err := a.followedGone(ctx, b.ID, visits)
	if err != nil {
		return err
	}
	if out, ok := tables.(ExportWriter); ok && len(gone) > 0 {
		if err := to.File(dir+"/trees_out_of_use.csv", func(w io.Writer) error { return out.Trees(w, gone) }); err != nil {
			return err
		}
	}
	if f.Follow.Version > 0 {
		doc := struct {
			FollowFacts
			VisitNotes map[string]string `json:"visit_notes,omitempty"`
		}{facts, notes}
		if err := to.File(dir+"/follow.json", writeJSON(doc)); err != nil {
			return err
		}
	}
	for _, x := range []struct {
		name string
		some bool
		to   func(io.Writer) error
	}{
		{TableRatings, len(visits) > 0, func(w io.Writer) error { return tables.Ratings(w, facts, visits) }},
		{TableDeaths, len(deaths) > 0, func(w io.Writer) error { return tables.Deaths(w, deaths) }},
		{TableAssays, len(assays) > 0, func(w io.Writer) error { return tables.Assays(w, assays) }},
		{TableCounts, len(facts.Counts) > 0, func(w io.Writer) error { return tables.Counts(w, facts.Counts) }},
	} {
		if x.some {
			if err := to.File(dir+"/"+x.name+".csv", x.to); err != nil {
				return err
			}
		}
	}
	return nil
}

// deathRows are the rows of survival as a table.
func (f *FollowResult) deathRows() (rows []DeathRow) {
	trees := map[string]*fate{}
	f.tree(trees)
	for _, tag := range inOrder(trees) {
		t := trees[tag]
		end := t.dead
		died := !end.IsZero()
		if !died {
			if end = t.gone; end.IsZero() && len(t.looks) > 0 {
				end = slices.MaxFunc(t.looks, func(x, y civil.Date) int { return x.DaysSince(y) })
			}
		}
		if end.IsZero() || end.Before(f.Zero) {
			continue
		}
		rows = append(rows, DeathRow{Tree: tag, Treatment: t.treatment, From: f.Zero.String(), On: end.String(), Died: died})
	}
	return rows
}

// followedGone are the trees out of use of which visits tell: without them the
// tables would speak of trees that nobody knows.
func (a *App) followedGone(ctx context.Context, block string, visits []VisitFacts) (out []TreeFacts, err error) {
	told := map[string]bool{}
	for _, v := range visits {
		for _, r := range v.Rows {
			told[r.Tree] = true
		}
	}
	if len(told) == 0 {
		return nil, nil
	}
	trees, err := list[TreeFacts](ctx, a.Store, Query{Type: TypeTree, Parent: block, Retired: true})
	in := map[string]bool{}
	for _, t := range trees {
		in[t.Facts.Tag] = in[t.Facts.Tag] || !t.Retired
	}
	for _, t := range trees {
		if t.Retired && told[t.Facts.Tag] && !in[t.Facts.Tag] {
			in[t.Facts.Tag] = true
			out = append(out, t.Facts)
		}
	}
	return out, err
}
