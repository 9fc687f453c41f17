package cli

import (
	"bytes"
	"context"
	"errors"
	"testing"

	"sapward/finding"
	"sapward/internal/app"
	"sapward/internal/demo"
)

// The demo goes the way of any user: its data check clean, one plan is approved
// and says the same each time it is opened, one draft waits for a fact.
func TestDemo_FillsTheApp(t *testing.T) {
	ctx := context.Background()
	a, s, err := openApp(ctx, t.TempDir(), false)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	me := app.Local()
	for range 2 { // a second filling changes nothing
		if err := a.FillDemo(ctx, me, demo.Files()); err != nil {
			t.Fatal(err)
		}
	}
	plans, err := s.States(ctx, app.Query{Type: app.TypePlan})
	if err != nil || len(plans) != 1 {
		t.Fatalf("%d plans, %v", len(plans), err)
	}
	first, err := a.PlanDocument(ctx, me, plans[0].ID)
	if err != nil {
		t.Fatal(err)
	}
	v, err := a.Plan(ctx, me, plans[0].ID)
	if err != nil || !bytes.Equal(first, v.Document) || v.Doc.PracticeOnly || v.Facts.Checked != app.CheckedBy2 || len(v.Inputs.Trees) == 0 {
		t.Errorf("the plan reopened: practice %v, checked %q, %d trees, %v", v.Doc.PracticeOnly, v.Facts.Checked, len(v.Inputs.Trees), err)
	}
	drafts, err := s.States(ctx, app.Query{Type: app.TypeDraft})
	if err != nil || len(drafts) != 1 {
		t.Fatalf("%d drafts, %v", len(drafts), err)
	}
	d, o, err := a.Draft(ctx, me, drafts[0].ID)
	if err != nil || len(o.Waits) != 1 || o.Waits[0].Field != "certificate_valid_to" {
		t.Fatalf("the draft waits for %+v, %v", o.Waits, err)
	}
	if _, err := a.ApprovePlan(ctx, me, d.ID, d.Version); err == nil {
		t.Error("a draft with an open fact was approved")
	}
	d, err = a.AnswerFact(ctx, me, d.ID, d.Version, "certificate-needed", "2030-12-31")
	if err != nil {
		t.Fatal(err)
	}
	p, err := a.ApprovePlan(ctx, me, d.ID, d.Version)
	if err != nil || p.Facts.Trees == 0 {
		t.Fatalf("%+v %v", p.Facts, err)
	}
	// What was approved does not follow what is changed later.
	before, err := a.PlanDocument(ctx, me, p.ID)
	if err != nil {
		t.Fatal(err)
	}
	page, err := a.Trees(ctx, me, app.TreeQuery{Block: p.Parent, Limit: 1})
	if err != nil {
		t.Fatal(err)
	}
	tree := page.Trees[0]
	changed, err := a.MeasureTree(ctx, me, tree.ID, tree.Version, []app.StemFacts{{GirthCM: "40 in"}}, "taped again")
	if err != nil || changed.Facts.Stems[0].GirthCM != "101.6" {
		t.Fatalf("%+v %v", changed.Facts.Stems, err)
	}
	after, err := a.PlanDocument(ctx, me, p.ID)
	if err != nil || !bytes.Equal(before, after) {
		t.Error("an approved plan changed", err)
	}
	// A second reader with the old version conflicts, and undo takes the act back.
	var c *app.Conflict
	if _, err := a.RateTree(ctx, me, tree.ID, tree.Version, "suspect", "", ""); !errors.As(err, &c) {
		t.Errorf("a stale version: %v", err)
	}
	if _, err := a.Undo(ctx, me, changed.Act); err != nil {
		t.Error(err)
	}
	back, err := a.Tree(ctx, me, tree.ID)
	if err != nil || back.Facts.Stems[0] != tree.Facts.Stems[0] || back.Version != tree.Version+2 {
		t.Errorf("%+v %v", back.Facts.Stems, err)
	}
	if _, err := a.Undo(ctx, me, p.Act); !errors.As(err, new(*finding.Fault)) {
		t.Errorf("what was signed was undone: %v", err)
	}
	// The same file again changes nothing.
	r, err := a.Import(ctx, me, p.Parent, app.TableTrees, "trees.csv", bytes.NewReader(demo.Files()["avenue/trees.csv"]), nil)
	if err != nil || r.Add != 0 || r.Change != 0 || r.Same == 0 {
		t.Errorf("%+v %v", r, err)
	}
	report, err := a.Check(ctx, me, nil)
	if err != nil || len(report.Findings) != 0 || report.Attachments != 4 {
		t.Errorf("%+v %v", report, err)
	}
	hits, err := a.Search(ctx, me, "E011", 5)
	if err != nil || len(hits) != 1 {
		t.Errorf("%v %v", hits, err)
	}
	for _, e := range []app.Type{app.TypeEstate} {
		states, _ := s.States(ctx, app.Query{Type: e})
		due, err := a.Due(ctx, me, states[0].ID)
		if err != nil || len(due) == 0 {
			t.Errorf("%v %v", due, err)
		}
	}
}
