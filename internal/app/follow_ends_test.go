package app_test

import (
	"strings"
	"testing"

	"sapward/internal/app"
)

// small is a block of four trees in two treatments, with day 0.
func small(t *testing.T, w *world) (block string, trees map[string]app.Tree) {
	t.Helper()
	ctx, me := t.Context(), app.Local()
	b, err := w.AddBlock(ctx, me, w.estate, app.BlockFacts{Name: "Invented ends", Site: "elm"})
	if err != nil {
		t.Fatal(err)
	}
	trees = map[string]app.Tree{}
	for _, tag := range []string{"E1", "E2", "E3", "E4"} {
		if trees[tag], err = w.AddTree(ctx, me, b.ID, app.TreeFacts{Tag: tag}); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := w.SetFollow(ctx, me, b.ID, 0, app.FollowFacts{DayZero: "2026-06-01", Groups: []app.TreatmentGroup{{Treatment: "injection", Trees: []string{"E1", "E2"}}, {Treatment: "untreated", Trees: []string{"E3", "E4"}}}}); err != nil {
		t.Fatal(err)
	}
	return b.ID, trees
}

// A tree found dead becomes dead in the list, one found removed is taken out of
// use; undoing the visit undoes all of it. Whoever may not take trees out of use
// leaves them there.
func TestAddVisit_BringsTreesUpToDate(t *testing.T) {
	w, ctx, me := newWorld(t), t.Context(), app.Local()
	block, trees := small(t, w)
	five := 5.0
	visit := app.VisitFacts{On: "2026-06-20", Rows: []app.VisitRow{{Tree: "E1", Rating: &five}, {Tree: "E2", Status: app.TreeRemoved, Cause: "wind"}, {Tree: "E3", Status: app.TreeDead, Cause: "drought"}, {Tree: "E4", Status: app.TreeDead}}}
	state := func(tag string) (string, bool) {
		v, err := w.Tree(ctx, me, trees[tag].ID)
		if err != nil {
			t.Fatal(err)
		}
		return v.Facts.Status + v.Facts.CrownLossPct + v.Facts.RatedOn, v.Retired
	}
	v, err := w.AddVisit(ctx, me, block, visit)
	if err != nil {
		t.Fatal(err)
	}
	for tag, want := range map[string]struct {
		status  string
		retired bool
	}{"E1": {"", false}, "E2": {"", true}, "E3": {"dead1002026-06-20", false}, "E4": {"dead1002026-06-20", false}} {
		if s, out := state(tag); s != want.status || out != want.retired {
			t.Errorf("%s: %q, out of use %v", tag, s, out)
		}
	}
	r, err := w.FollowUp(ctx, me, block)
	if err != nil || r.Survival == nil || len(r.Causes) != 2 {
		t.Fatalf("%+v %v", r, err)
	}
	for _, g := range r.Survival.Groups { // E3 died of drought: not of the disease, the watch ends
		if g.Treatment == "untreated" && (g.N != 2 || g.Died != 1) {
			t.Errorf("%+v", g)
		}
	}
	if _, err := w.Undo(ctx, me, v.Act); err != nil {
		t.Fatal(err)
	}
	for tag := range trees {
		if s, out := state(tag); s != "" || out {
			t.Errorf("%s after undo: %q, out of use %v", tag, s, out)
		}
	}
	if _, err := w.AddVisit(ctx, w.people[app.Crew], block, visit); err != nil {
		t.Fatal(err)
	}
	if _, out := state("E2"); out {
		t.Error("a crew took a tree out of use")
	}
	if s, _ := state("E4"); s == "" {
		t.Error("a crew's visit left a dead tree alive")
	}
	// A table tells the same; what is known of a later day stays.
	if _, err := w.ChangeTree(ctx, me, trees["E1"].ID, trees["E1"].Version, app.TreeFacts{Tag: "E1", Status: "healthy", CrownLossPct: "0", RatedOn: "2026-09-01"}, ""); err != nil {
		t.Fatal(err)
	}
	if _, err := w.ImportFollow(ctx, me, block, app.TableRatings, "r.csv", strings.NewReader("tree,treatment,date,rating_pct,status,cause,port,closure_pct\nE1,injection,2026-07-01,,dead,other: a flood,,\nE2,injection,2026-07-01,,removed,,,\n")); err != nil {
		t.Fatal(err)
	}
	if s, _ := state("E1"); s != "healthy02026-09-01" {
		t.Errorf("an older visit changed a tree: %s", s)
	}
	if _, out := state("E2"); !out {
		t.Error("a table of a crew lead's left a removed tree in use")
	}
}

// Wounds and causes come in by a table and are worked out; the same table again
// changes nothing, another figure is a fault.
func TestImportFollow_WoundsAndCauses(t *testing.T) {
	w, ctx, me := newWorld(t), t.Context(), app.Local()
	block, _ := small(t, w)
	table := "tree,treatment,date,rating_pct,cause,port,closure_pct,closed\n" +
		"E1,injection,2026-07-01,5,,,,\nE1,injection,2026-07-01,,,1,40,\nE1,injection,2026-07-01,,,2,,no\nE2,injection,2026-07-01,,,1,100,yes\n" +
		"E3,untreated,2026-07-01,10,sequía,,,\nE4,untreated,2026-07-01,20,otra: a hive,,,\n"
	for i := range 2 {
		got, err := w.ImportFollow(ctx, me, block, app.TableRatings, "r.csv", strings.NewReader(table))
		if err != nil || got.Add != 1-i || got.Same != i {
			t.Fatalf("%d: %+v %v", i, got, err)
		}
	}
	r, err := w.FollowUp(ctx, me, block)
	if err != nil || r.Closure == nil || len(r.Closure.Treatments) != 1 || r.Closure.Treatments[0].Ports != 3 || r.Closure.Treatments[0].Days[0].Closed != 1 || r.Closure.Treatments[0].Days[0].Day != 30 {
		t.Fatalf("%+v %v", r.Closure, err)
	}
	rows := r.Visits[0].Facts.Rows
	if len(rows) != 4 || len(rows[0].Ports) != 2 || rows[1].Status != app.TreeAlive || rows[2].Cause != "drought" || rows[3].Cause != "other" || rows[3].CauseNote != "a hive" {
		t.Errorf("%+v", rows)
	}
	if _, err := w.ImportFollow(ctx, me, block, app.TableRatings, "r.csv", strings.NewReader("tree,treatment,date,closure_pct,port\nE1,injection,2026-07-01,60,1\n")); err == nil {
		t.Error("a hole was told twice, differently")
	}
}
