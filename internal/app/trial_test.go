package app_test

import (
	"context"
	"encoding/csv"
	"fmt"
	"math"
	"strings"
	"testing"

	"sapward/finding"
	"sapward/follow/trial"
	"sapward/internal/app"
	"sapward/internal/demo"
)

// ids are the identifiers of faults.
func ids(err error) string {
	var out []string
	for _, f := range finding.AsFaults(err) {
		out = append(out, f.ID)
	}
	return strings.Join(out, " ")
}

// The demo's trial in the app is the one of its files: the treatments that were
// rated are those its seed dealt, and the analysis of the last visit rests on
// the figures of results.csv.
func TestTrial_DemoIsOneStory(t *testing.T) {
	ctx, w := t.Context(), newWorld(t)
	me := app.Local()
	v, err := w.Trial(ctx, me, w.trial)
	if err != nil {
		t.Fatal(err)
	}
	f, err := w.FollowUp(ctx, me, v.Block.ID)
	if err != nil {
		t.Fatal(err)
	}
	for _, g := range f.Follow.Facts.Groups {
		for _, tree := range g.Trees {
			if p, ok := v.Facts.Layout.PlotOf(tree); !ok || p.Treatment != g.Treatment {
				t.Fatalf("%s was rated as %s and dealt %s", tree, g.Treatment, p.Treatment)
			}
		}
	}
	last := v.Visits[len(v.Visits)-1].Facts.On
	if last < "2026-09" {
		t.Skipf("skipped: the story's last visit has not come yet on this clock (%s)", last)
	}
	a, err := w.AnalyseTrial(ctx, me, w.trial, app.TrialQuestion{Variable: "visit:" + last})
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(strings.NewReader(strings.SplitN(string(demo.Files()["chestnut/results.csv"]), "\n", 2)[1])).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]string{}
	for _, r := range rows[1:] {
		want[r[0]] = r[1]
	}
	for _, r := range a.Rows {
		got := ""
		if r.Value != nil {
			got = fmt.Sprint(*r.Value)
		}
		if want[r.Tree] != got {
			t.Errorf("%s: %q, in the file %q", r.Tree, got, want[r.Tree])
		}
	}
	// The same means by hand: three plots are missing, all of one block, so the
	// model's means are the plain ones of 14 plots.
	sum := map[string]float64{}
	for _, r := range a.Rows {
		if r.Value != nil {
			sum[r.Treatment] += *r.Value / 14
		}
	}
	for _, m := range a.Analysis.Means {
		if m.N != 14 || math.Abs(m.Mean-sum[m.Treatment]) > 1e-9 {
			t.Errorf("%s: %d plots, mean %v, by hand %v", m.Treatment, m.N, m.Mean, sum[m.Treatment])
		}
	}
	if a.Analysis.Verdict != "differ" || len(a.Analysis.Missing) != 3 {
		t.Errorf("verdict %s, missing %v", a.Analysis.Verdict, a.Analysis.Missing)
	}
	// Every other variable can be analysed too, with every choice.
	for _, x := range v.Variables {
		for _, q := range []app.TrialQuestion{{Variable: x.ID}, {Variable: x.ID, Transform: "arcsine", Compare: "tukey"}, {Variable: x.ID, Covariate: v.Visits[0].Facts.On, Compare: "both"}} {
			if _, err := w.AnalyseTrial(ctx, me, w.trial, q); err != nil && ids(err) != "trialapp-covariate" && ids(err) != "trial-nothing-varies" && ids(err) != "trial-covariate-constant" && ids(err) != "trial-arcsine-needs-percent" && x.Kind != app.VariableAssessment {
				t.Errorf("%s %+v: %v", x.ID, q, err)
			}
		}
	}
}

// Below the role of the key nothing that is read names who got what, until the
// key is opened.
func TestTrial_KeyFollowsTheRole(t *testing.T) {
	ctx, w := t.Context(), newWorld(t)
	v, err := w.Trial(ctx, app.Local(), w.trial)
	if err != nil {
		t.Fatal(err)
	}
	names := func(l trial.Layout) bool {
		for _, p := range l.Plots {
			if p.Treatment+p.Sub+p.Letter+p.Block != "" || p.Main != 0 {
				return true
			}
		}
		return len(l.Letters) > 0
	}
	look := func(role app.Role) (key, list, history, answer bool) {
		who := w.people[role]
		x, err := w.Trial(ctx, who, w.trial)
		if err != nil {
			t.Fatal(role, err)
		}
		all, err := w.Trials(ctx, who, w.estate, "")
		if err != nil || len(all) == 0 {
			t.Fatal(role, err)
		}
		events, err := w.History(ctx, who, app.TypeTrial, w.trial)
		if err != nil {
			t.Fatal(role, err)
		}
		more, err := w.History(ctx, who, app.TypeBlock, v.Block.ID)
		if err != nil {
			t.Fatal(role, err)
		}
		for _, e := range append(events, more...) {
			body := string(e.Body)
			if e.Type == app.TypeTrial && strings.Contains(body, `"treatment":"injection"`) || e.Type == app.TypeFollow && strings.Contains(body, `"T01"`) {
				history = true
			}
		}
		_, err = w.AnalyseTrial(ctx, who, w.trial, app.TrialQuestion{})
		return names(x.Facts.Layout) && x.Key, names(all[0].Facts.Layout), history, !strings.Contains(ids(err), "trialapp-key-closed")
	}
	for _, role := range app.Roles {
		want := role != app.Crew && role != app.Viewer
		if key, list, history, answer := look(role); key != want || list != want || history != want || answer != want {
			t.Errorf("%s, key closed: key %v, list %v, history %v, analysis %v; want %v", role, key, list, history, answer, want)
		}
	}
	if _, err := w.OpenTrialKey(ctx, w.people[app.Adviser], w.trial, v.Version); err != nil {
		t.Fatal(err)
	}
	for _, role := range app.Roles {
		if key, list, _, answer := look(role); !key || !list || !answer {
			t.Errorf("%s, key open: key %v, list %v, analysis %v", role, key, list, answer)
		}
	}
}

// A whole trial: from the block's own trees to figures of its own and their
// analysis; what is wrong is one clear fault each.
func TestTrial_FromTreesToAnalysis(t *testing.T) {
	ctx, w := t.Context(), newWorld(t)
	adviser, crew := w.people[app.Adviser], w.people[app.Crew]
	v, err := w.Trial(ctx, app.Local(), w.trial)
	if err != nil {
		t.Fatal(err)
	}
	block := v.Block.ID
	design := func(change func(*app.TrialDesign)) app.TrialDesign {
		d := app.TrialDesign{Name: "Second", Trees: "C1-01..C3-12", Request: trial.Request{Design: trial.RCBD, Treatments: []string{"untreated", "late"}, Control: "untreated", Replicates: 6, BlockBy: trial.BySize, BufferTrees: 1, Blinded: true, Seed: 5}}
		if change != nil {
			change(&d)
		}
		return d
	}
	for want, change := range map[string]func(*app.TrialDesign){
		"field-needed":           func(d *app.TrialDesign) { d.Name = " " },
		"trialapp-tree-unknown":  func(d *app.TrialDesign) { d.Trees = "C1-01 X9" },
		"trial-few-trees":        func(d *app.TrialDesign) { d.Trees = "C1-01" },
		"trial-treatments-count": func(d *app.TrialDesign) { d.Treatments = []string{"untreated"} },
		"trial-name-twice":       func(d *app.TrialDesign) { d.Treatments = []string{"untreated", "late", "Late"} },
		"trialapp-range":         func(d *app.TrialDesign) { d.Replicates = 1 },
		"trialapp-choice":        func(d *app.TrialDesign) { d.Design = "latin" },
		"trialapp-key-missing":   func(d *app.TrialDesign) { d.BlockBy = trial.ByDistance; d.Trees = "C1-01..C1-12" },
		"field-date":             func(d *app.TrialDesign) { d.On = "soon" },
		"trial-subs-count":       func(d *app.TrialDesign) { d.Design = trial.SplitPlot },
	} {
		if want == "trialapp-key-missing" { // the strip's dead trees have places: a distance is known
			continue
		}
		if _, err := w.DesignTrial(ctx, adviser, block, design(change)); ids(err) != want {
			t.Errorf("%s: %v", want, err)
		}
	}
	x, err := w.DesignTrial(ctx, adviser, block, design(nil))
	if err != nil {
		t.Fatal(err)
	}
	if again, err := w.DesignTrial(ctx, adviser, block, design(nil)); err != nil || fmt.Sprint(again.Facts.Layout.Plots[3]) == "" || again.Facts.Layout.Plots[3].Treatment != x.Facts.Layout.Plots[3].Treatment {
		t.Errorf("the same seed deals otherwise: %v", err)
	} else if !strings.Contains(fmt.Sprint(again.Facts.Layout.Notes), "trialapp-elsewhere") {
		t.Error("nobody says that the trees are in another trial")
	}
	if a, err := w.AnalyseTrial(ctx, adviser, x.ID, app.TrialQuestion{}); err != nil || a.Rated {
		t.Errorf("nothing is rated, and yet: %v %v", a.Rated, err)
	}
	row := func(plot int, value float64) app.AssessedRow {
		return app.AssessedRow{Tree: x.Facts.Layout.Plots[plot].Trees[0], Value: &value}
	}
	facts := func(rows ...app.AssessedRow) app.AssessmentFacts {
		return app.AssessmentFacts{Variable: "shoots", On: "2025-09-01", Rows: rows}
	}
	for want, f := range map[string]app.AssessmentFacts{
		"field-needed":             {On: "2025-09-01", Rows: []app.AssessedRow{row(0, 1)}},
		"follow-visit-rows":        facts(),
		"trialapp-no-value":        facts(app.AssessedRow{Plot: 1, Reason: "storm"}),
		"trialapp-value":           facts(row(0, math.Inf(1))),
		"trialapp-tree-not-laid":   facts(app.AssessedRow{Tree: "T01", Value: row(0, 1).Value}),
		"trialapp-tree-other-plot": facts(app.AssessedRow{Plot: 3, Tree: x.Facts.Layout.Plots[0].Trees[0], Value: row(0, 1).Value}),
		"trialapp-plot-not-laid":   facts(app.AssessedRow{Plot: 99, Value: row(0, 1).Value}),
		"trialapp-twice":           facts(row(0, 1), row(0, 1)),
		"trialapp-percent":         {Variable: "shoots", Scale: "percent", On: "2025-09-01", Rows: []app.AssessedRow{row(0, 101)}},
		"follow-visit-future":      {Variable: "shoots", On: "2099-09-01", Rows: []app.AssessedRow{row(0, 1)}},
	} {
		if _, err := w.AssessTrial(ctx, crew, x.ID, f); ids(err) != want {
			t.Errorf("%s: %v", want, err)
		}
	}
	first0 := 13.0
	if x.Facts.Layout.Plots[0].Treatment == "late" {
		first0 = 6
	}
	if _, err := w.AssessTrial(ctx, crew, x.ID, facts(row(0, first0))); err != nil {
		t.Fatal(err)
	}
	if _, err := w.AnalyseTrial(ctx, adviser, x.ID, app.TrialQuestion{}); ids(err) != "trial-treatment-without-values" && ids(err) != "trial-treatment-without-values trial-one-block" {
		t.Errorf("one tree: %v", err)
	}
	if _, err := w.AssessTrial(ctx, crew, x.ID, facts(row(0, 4))); ids(err) != "trialapp-differs" {
		t.Errorf("told differently: %v", err)
	}
	table := "plot,tree,shoots,reason\n"
	for i, p := range x.Facts.Layout.Plots[1:] {
		y := 12.0 + float64(i%5)
		if p.Treatment == "late" {
			y = 5 + float64(i%3)
		}
		if i == 4 {
			table += fmt.Sprintf("%d,%s,,felled\n", p.Plot, p.Trees[0])
			continue
		}
		table += fmt.Sprintf("%d,%s,%g,\n", p.Plot, p.Trees[0], y)
	}
	send := func(actor app.Actor, table string) (app.Assessment, error) {
		return w.ImportTrial(ctx, actor, x.ID, app.AssessmentFacts{Variable: "shoots", On: "2025-09-01"}, "shoots.csv", "shoots", strings.NewReader(table))
	}
	first, err := send(crew, table)
	if err != nil || len(first.Facts.Rows) != 12 {
		t.Fatal(len(first.Facts.Rows), err)
	}
	if again, err := send(crew, table); err != nil || again.Version != first.Version {
		t.Errorf("the same file twice: version %d, was %d, %v", again.Version, first.Version, err)
	}
	// A treatment in the file is compared by those who may see it, and is nothing
	// to the others.
	wrong := "plot,treatment,shoots\n1,another,3\n"
	if _, err := send(adviser, wrong); ids(err) != "trial-treatment-other" {
		t.Errorf("another treatment: %v", err)
	}
	if _, err := send(crew, wrong); ids(err) != "trialapp-whole-and-tree" || strings.Contains(err.Error(), "untreated") {
		t.Errorf("a fault tells who got what: %v", err)
	}
	a, err := w.AnalyseTrial(ctx, adviser, x.ID, app.TrialQuestion{})
	if err != nil {
		t.Fatal(err)
	}
	if a.Variable.Name != "shoots" || a.Analysis.Verdict != "differ" || len(a.Analysis.Missing) != 1 || a.Analysis.Trees != 11 {
		t.Errorf("%s: %s, missing %v, %d trees", a.Variable.Name, a.Analysis.Verdict, a.Analysis.Missing, a.Analysis.Trees)
	}
	for want, q := range map[string]app.TrialQuestion{"trialapp-variable": {Variable: "visit:1999-01-01"}, "trialapp-covariate": {Covariate: "1999-01-01"}, "trial-arcsine-needs-percent": {Transform: "arcsine"}} {
		if _, err := w.AnalyseTrial(ctx, adviser, x.ID, q); ids(err) != want {
			t.Errorf("%s: %v", want, err)
		}
	}
	if _, err := w.Undo(ctx, adviser, x.Act); err != nil {
		t.Errorf("undo of the design: %v", err)
	}
}

// Power from the block's own ratings: the spread is found, the simulation tells
// its progress, stops when it is told to and is the same for the same seed.
func TestTrial_PowerFromOwnRatings(t *testing.T) {
	ctx, w := t.Context(), newWorld(t)
	v, err := w.Trial(ctx, app.Local(), w.trial)
	if err != nil {
		t.Fatal(err)
	}
	block, adviser := v.Block.ID, w.people[app.Adviser]
	on := v.Visits[4].Facts.On
	s, err := w.TrialVariation(ctx, adviser, block, on)
	if err != nil {
		t.Fatal(err)
	}
	if s.Trial != v.Facts.Name || !s.Single || s.Means[0].Treatment != "untreated" || s.BlockSD == nil || *s.TreeSD <= 0 {
		t.Errorf("%+v", s)
	}
	if _, err := w.TrialVariation(ctx, adviser, w.block, ""); block != w.block && ids(err) != "trialapp-no-ratings" {
		t.Errorf("no ratings: %v", err)
	}
	q := trial.PowerRequest{Outcome: trial.PercentRated, Means: []float64{60, 30}, TreeSD: *s.TreeSD, BlockSD: *s.BlockSD, From: 3, To: 5, Sims: 200, Seed: 1}
	told := int64(0)
	first, err := w.TrialPower(ctx, adviser, block, q, func(done, of int64) { told = max(told, done) })
	if err != nil || told != 600 || len(first.Points) != 3 {
		t.Fatal(told, len(first.Points), err)
	}
	again, err := w.TrialPower(ctx, adviser, block, q, nil)
	if err != nil || fmt.Sprint(again.Points) != fmt.Sprint(first.Points) {
		t.Errorf("the same seed gives another answer: %v", err)
	}
	stopped, stop := context.WithCancel(ctx)
	stop()
	if _, err := w.TrialPower(stopped, adviser, block, q, nil); stopped.Err() == nil || err == nil {
		t.Errorf("a stopped simulation answers: %v", err)
	}
	for want, change := range map[string]func(*trial.PowerRequest){"trialapp-power-bounds": func(q *trial.PowerRequest) { q.To = 500 }, "trial-means-count": func(q *trial.PowerRequest) { q.Means = q.Means[:1] }, "trialapp-range": func(q *trial.PowerRequest) { q.Loss = 2 }} {
		bad := q
		change(&bad)
		if _, err := w.TrialPower(ctx, adviser, block, bad, nil); ids(err) != want {
			t.Errorf("%s: %v", want, err)
		}
	}
}

// Who got what comes from the applications on record, from a trial or typed in;
// day 0 follows where none is given.
func TestGroupFollow_FromRecordsTrialAndForm(t *testing.T) {
	ctx, w := t.Context(), newWorld(t)
	v, err := w.Trial(ctx, app.Local(), w.trial)
	if err != nil {
		t.Fatal(err)
	}
	block, lead := v.Block.ID, w.people[app.CrewLead]
	words := app.GroupWords{Untreated: "sin tratar", Method: map[string]string{"injection": "inyección", "infusion": "infusión"}}
	f, err := w.FollowUp(ctx, lead, block)
	if err != nil {
		t.Fatal(err)
	}
	was := map[string]string{}
	for _, g := range f.Follow.Facts.Groups {
		for _, tag := range g.Trees {
			was[tag] = g.Treatment
		}
	}
	take := func(version int, o app.GroupOrder) app.Follow {
		t.Helper()
		got, err := w.GroupFollow(ctx, lead, block, version, o)
		if err != nil {
			t.Fatal(err)
		}
		return got
	}
	got := take(f.Follow.Version, app.GroupOrder{From: app.GroupsApplied, Words: words})
	word := map[string]string{"untreated": "sin tratar", "injection": "inyección", "infusion": "infusión"}
	seen := 0
	for _, g := range got.Facts.Groups {
		for _, tag := range g.Trees {
			if was[tag] != "" {
				seen++
				if word[was[tag]] != g.Treatment {
					t.Errorf("%s: %s by record, %s by table", tag, g.Treatment, was[tag])
				}
			}
		}
	}
	if seen != 45 {
		t.Errorf("%d of 45 trees of the strip", seen)
	}
	got = take(got.Version, app.GroupOrder{From: app.GroupsTrial, Trial: w.trial})
	if len(got.Facts.Groups) != 3 || len(got.Facts.Groups[0].Trees) != 15 || got.Facts.DayZero != v.Facts.On {
		t.Errorf("by trial: %+v", got.Facts)
	}
	got = take(got.Version, app.GroupOrder{From: app.GroupsTyped, Typed: []app.TypedGroup{{"left alone", "T01..T05"}, {"treated", "T06, C1-*"}, {}}})
	if len(got.Facts.Groups) != 2 || len(got.Facts.Groups[0].Trees) != 5 || len(got.Facts.Groups[1].Trees) != 13 {
		t.Errorf("typed: %+v", got.Facts.Groups)
	}
	for want, o := range map[string]app.GroupOrder{
		"groups-from": {}, "groups-no-trial": {From: app.GroupsTrial, Trial: "none"}, "groups-none": {From: app.GroupsTyped}, "groups-half": {From: app.GroupsTyped, Typed: []app.TypedGroup{{"a", ""}}},
		"follow-tree-twice": {From: app.GroupsTyped, Typed: []app.TypedGroup{{"a", "T01"}, {"b", "T01"}}}, "trialapp-tree-unknown": {From: app.GroupsTyped, Typed: []app.TypedGroup{{"a", "Z*"}}},
	} {
		if _, err := w.GroupFollow(ctx, lead, block, got.Version, o); ids(err) != want {
			t.Errorf("%s: %v", want, err)
		}
	}
	if _, err := w.GroupFollow(ctx, lead, block, 1, app.GroupOrder{From: app.GroupsTrial, Trial: w.trial}); ids(err) != "app-conflict" {
		t.Errorf("a stale version: %v", err)
	}
	// A block that nobody follows yet takes its day 0 from the record.
	name := w.block
	if name == block {
		blocks, err := w.Estate(ctx, lead, w.estate)
		if err != nil {
			t.Fatal(err)
		}
		for _, b := range blocks.Blocks {
			if b.ID != block {
				name = b.ID
			}
		}
	}
	if _, err := w.AddApplication(ctx, lead, name, app.ApplicationFacts{Product: "Invented", Method: "infusion", DateEnd: "2025-06-03", Trees: []app.Treated{{Tag: "E001"}}}); err != nil {
		t.Fatal(err)
	}
	none, err := w.GroupFollow(ctx, lead, name, 0, app.GroupOrder{From: app.GroupsApplied, Words: words})
	if err != nil || none.Facts.DayZero == "" || len(none.Facts.Groups) < 2 {
		t.Errorf("%+v, %v", none.Facts.DayZero, err)
	}
}
