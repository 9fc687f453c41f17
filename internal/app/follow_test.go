package app_test

import (
	"bytes"
	"encoding/json"
	"math"
	"strings"
	"testing"

	"sapward/finding"
	"sapward/follow/health"
	"sapward/internal/app"
	"sapward/internal/demo"
	"sapward/internal/exchange"
	"sapward/measure/civil"
)

// stripBlock is the demo's block that is followed.
func stripBlock(t *testing.T, w *world) string {
	t.Helper()
	e, err := w.Estate(t.Context(), app.Local(), w.estate)
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range e.Blocks {
		if v, err := w.Visits(t.Context(), app.Local(), b.ID); err == nil && len(v) > 0 {
			return b.ID
		}
	}
	t.Fatal("no block is followed")
	return ""
}

// The app says of the invented story what the core says of the same files.
func TestFollowUp_SaysWhatTheCoreSays(t *testing.T) {
	w, ctx, me := newWorld(t), t.Context(), app.Local()
	block := stripBlock(t, w)
	r, err := w.FollowUp(ctx, me, block)
	if err != nil {
		t.Fatal(err)
	}
	f, err := exchange.ReadFollow("deaths", "deaths.csv", demo.Files()["chestnut/deaths.csv"], civil.Date{})
	if err != nil {
		t.Fatal(err)
	}
	want, err := health.Survival(f.Deaths, health.SurvivalOptions{Versus: "untreated"})
	if err != nil {
		t.Fatal(err)
	}
	if r.Survival == nil || r.Survival.LogRank == nil || math.Abs(r.Survival.LogRank.Chi2-want.LogRank.Chi2) > 1e-12 || r.Watched != 45 || r.Unwatched != 0 {
		t.Errorf("survival in the app %+v, by the core %+v", r.Survival, want.LogRank)
	}
	ratings, err := exchange.ReadFollow("ratings", "ratings.csv", demo.Files()["chestnut/ratings.csv"], civil.Date{})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Seasons) != 2 || len(r.Visits) != 12 {
		t.Fatalf("%d seasons, %d visits", len(r.Seasons), len(r.Visits))
	}
	for k, span := range [][2]float64{{0, 126}, {330, 470}} {
		var rows []health.Rating
		dead := map[string]health.Rating{}
		for _, x := range ratings.Ratings {
			if x.Status == health.Died {
				dead[x.Tree] = x
			}
			if x.Day >= span[0] && x.Day <= span[1] {
				x.Day -= span[0]
				rows = append(rows, x)
			}
		}
		one, err := health.Progress(rows, health.ProgressOptions{})
		if err != nil {
			t.Fatal(err)
		}
		for i, g := range one.Treatments {
			got := r.Seasons[k].Treatments[i]
			if got.Treatment != g.Treatment || got.N != g.N || got.AUDPC == nil || math.Abs(*got.AUDPC-*g.AUDPC) > 1e-9 {
				t.Errorf("season %d, %s: %+v, by the core %+v", k, g.Treatment, got, g)
			}
		}
	}
	if len(r.Efficacy) != 2 || r.Efficacy[0].Verdict == "" || len(r.Declines) != 2 {
		t.Fatalf("%d efficacies, %d residues", len(r.Efficacy), len(r.Declines))
	}
	for _, d := range r.Declines {
		if !d.ByRecord || len(d.Windows) != 1 || d.Windows[0].By == "" || d.Windows[0].From != r.Zero.AddDays(60).String() {
			t.Errorf("%s: %+v", d.Treatment, d.Windows)
		}
	}
	if _, err := json.Marshal(r); err != nil { // no figure is NaN or endless: JSON has none
		t.Error(err)
	}
	due, err := w.Due(ctx, me, w.estate)
	n := map[string]int{}
	for _, d := range due {
		n[d.Kind]++
	}
	if err != nil || n["rate"] != 1 || n["treat-residue"] != 2 {
		t.Errorf("due: %v, %v", n, err)
	}
	s, err := w.Season(ctx, me, block)
	if err != nil || s.Count.Trees == 0 {
		t.Errorf("%+v %v", s.Count, err)
	}
}

// The same tables twice change nothing; a table of deaths that agrees with the
// ratings adds nothing; an import is undone as one act.
func TestImportFollow_IsIdempotent(t *testing.T) {
	w, ctx, me := newWorld(t), t.Context(), app.Local()
	block := stripBlock(t, w)
	for kind, name := range map[string]string{app.TableRatings: "ratings.csv", app.TableAssays: "residues.csv", app.TableDeaths: "deaths.csv"} {
		got, err := w.ImportFollow(ctx, me, block, kind, name, bytes.NewReader(demo.Files()["chestnut/"+name]))
		if err != nil || got.Add != 0 || got.Change != 0 || got.Same == 0 || got.Act != "" {
			t.Errorf("%s: %+v %v", kind, got, err)
		}
	}
	before, err := w.Visits(ctx, me, block)
	if err != nil {
		t.Fatal(err)
	}
	got, err := w.ImportFollow(ctx, me, block, app.TableRatings, "more.csv", strings.NewReader("tree,treatment,date,rating_pct\nT01,injection,2026-10-20,20\nT02,infusion,2026-10-20,95\n"))
	if err != nil || got.Add != 1 || got.Rows != 2 {
		t.Fatalf("%+v %v", got, err)
	}
	if _, err := w.Undo(ctx, me, got.Act); err != nil {
		t.Fatal(err)
	}
	after, err := w.Visits(ctx, me, block)
	if err != nil || len(after) != len(before) {
		t.Errorf("%d visits after undo, %d before, %v", len(after), len(before), err)
	}
	got, err = w.ImportFollow(ctx, me, block, app.TableCounts, "counts.csv", strings.NewReader("role,dead,total\ntreated,2,40\nuntreated,12,40\n"))
	if err != nil || got.Rows != 2 {
		t.Fatalf("%+v %v", got, err)
	}
	r, err := w.FollowUp(ctx, me, block)
	if err != nil || r.Counts == nil || r.Counts.Efficacy == nil || math.Abs(*r.Counts.Efficacy-100*(1-2.0/12)) > 1e-9 { // by hand: 1 - (2/40)/(12/40)
		t.Errorf("%+v %v", r.Counts, err)
	}
	report, err := w.Check(ctx, me, nil)
	if err != nil || len(report.Findings) != 0 {
		t.Errorf("%+v %v", report.Findings, err)
	}
}

// Bad tables give every fault at once, each with its place, and keep nothing.
func TestImportFollow_SaysAllThatIsWrong(t *testing.T) {
	w, ctx, me := newWorld(t), t.Context(), app.Local()
	block := stripBlock(t, w)
	for name, c := range map[string]struct {
		kind, text string
		want       map[string]int
	}{
		"unknown trees": {app.TableRatings, "tree,treatment,day,rating_pct\nX1,injection,480,5\nX2,injection,480,5\n", map[string]int{"follow-tree-unknown": 2}},
		"other treatment and half days": {app.TableRatings, "tree,treatment,day,rating_pct\nT01,untreated,480.5,5\nX2,injection,481,5\n",
			map[string]int{"follow-treatment-differs": 1, "follow-day-whole": 1, "follow-tree-unknown": 1}},
		"told differently":        {app.TableRatings, "tree,treatment,day,rating_pct\nT01,injection,470,99\n", map[string]int{"follow-visit-differs": 1}},
		"classes after percent":   {app.TableRatings, "tree,treatment,day,class\nT01,injection,480,3\n", map[string]int{"follow-scale": 1}},
		"a future day":            {app.TableRatings, "tree,treatment,day,rating_pct\nT01,injection,9000,5\n", map[string]int{"follow-visit-future": 1}},
		"over 100":                {app.TableRatings, "tree,treatment,day,rating_pct\nT01,injection,480,101\n", nil},
		"dead twice":              {app.TableDeaths, "tree,treatment,days,died\nT03,untreated,100,1\n", map[string]int{"follow-dead-twice": 1}},
		"no detection limit":      {app.TableAssays, "tree,day,mg_kg\nT01,480,nd\nT01,481,0\n", map[string]int{"assay-needs-limit": 2}},
		"no column":               {app.TableAssays, "tree,day\nT01,480\n", nil},
		"not a table of the four": {"trees", "tree\nT01\n", map[string]int{"import-kind": 1}},
	} {
		before, _ := w.FollowUp(ctx, me, block)
		_, err := w.ImportFollow(ctx, me, block, c.kind, "bad.csv", strings.NewReader(c.text))
		got := map[string]int{}
		for _, f := range finding.AsFaults(err) {
			got[f.ID]++
			if f.Class == finding.BadInput && f.Where.File == "" {
				t.Errorf("%s: %s has no place", name, f.ID)
			}
		}
		for id, n := range c.want {
			if got[id] != n {
				t.Errorf("%s: %v, want %d of %s", name, got, n, id)
			}
		}
		after, _ := w.FollowUp(ctx, me, block)
		if err == nil || len(after.Visits) != len(before.Visits) || len(after.Assays) != len(before.Assays) || after.Follow.Version != before.Follow.Version {
			t.Errorf("%s: %v; something was kept", name, err)
		}
	}
}

// A visit typed in: trees of the block only, one rating a tree and day, a second
// half of the same day joins the first.
func TestAddVisit_JoinsTheDay(t *testing.T) {
	w, ctx, me := newWorld(t), t.Context(), app.Local()
	block := stripBlock(t, w)
	five, ten := 5.0, 10.0
	on := w.Now().UTC().AddDate(0, 0, -1).Format("2006-01-02")
	if _, err := w.AddVisit(ctx, me, block, app.VisitFacts{On: on, Rows: []app.VisitRow{{Tree: "T01", Rating: &five}, {Tree: "nowhere", Rating: &five}}}); err == nil {
		t.Error("a tree that is not there was rated")
	}
	first, err := w.AddVisit(ctx, me, block, app.VisitFacts{On: on, Rows: []app.VisitRow{{Tree: "T04", Rating: &five}, {Tree: "T01"}}})
	if err != nil || first.Facts.Rows[0].Status != app.TreeMissed {
		t.Fatalf("%+v %v", first.Facts, err)
	}
	second, err := w.AddVisit(ctx, me, block, app.VisitFacts{On: on, Rows: []app.VisitRow{{Tree: "T01", Rating: &ten, Cause: "root rot"}}})
	if err != nil || second.ID != first.ID || second.Version != 2 || len(second.Facts.Rows) != 2 || *second.Facts.Rows[0].Rating != 10 {
		t.Fatalf("%+v %v", second, err)
	}
	if _, err := w.AddVisit(ctx, me, block, app.VisitFacts{On: on, Rows: []app.VisitRow{{Tree: "T01", Rating: &five}}}); err == nil {
		t.Error("a rating was overwritten")
	}
	if _, err := w.AddVisit(ctx, me, block, app.VisitFacts{On: "2999-01-01", Rows: []app.VisitRow{{Tree: "T01", Rating: &five}}}); err == nil {
		t.Error("a visit in the future was kept")
	}
	over := 100.5
	for _, f := range []app.VisitFacts{{On: on}, {On: "x", Rows: []app.VisitRow{{Tree: "T05", Rating: &five}}}, {On: on, Rows: []app.VisitRow{{Tree: "T05", Rating: &over}}}, {On: on, Rows: []app.VisitRow{{Tree: "T05", Rating: &five}, {Tree: "T05", Rating: &five}}}} {
		if _, err := w.AddVisit(ctx, me, block, f); err == nil {
			t.Errorf("%+v was kept", f)
		}
	}
}

// One tree, one treatment, nothing dead, all dead on day 0: figures or a reason,
// never a number that is none.
func TestFollowUp_OfLittle(t *testing.T) {
	w, ctx, me := newWorld(t), t.Context(), app.Local()
	for name, c := range map[string]struct{ kind, text string }{
		"one tree, one visit":  {app.TableRatings, "tree,treatment,date,rating_pct\nE001,a,2026-06-01,0\n"},
		"one treatment":        {app.TableRatings, "tree,treatment,date,rating_pct\nE001,a,2026-06-01,0\nE002,a,2026-06-01,5\nE001,a,2026-07-01,0\nE002,a,2026-07-01,5\n"},
		"healthy throughout":   {app.TableRatings, "tree,treatment,date,rating_pct\nE001,a,2026-06-01,0\nE002,untreated,2026-06-01,0\nE001,a,2026-07-01,0\nE002,untreated,2026-07-01,0\n"},
		"all dead on day 0":    {app.TableRatings, "tree,treatment,date,rating_pct,status\nE001,a,2026-06-01,,dead\nE002,untreated,2026-06-01,,dead\n"},
		"all missed":           {app.TableRatings, "tree,treatment,date,rating_pct\nE001,a,2026-06-01,\nE002,untreated,2026-06-01,\n"},
		"one sample":           {app.TableAssays, "tree,date,mg_kg\nE001,2026-06-01,2\n"},
		"nothing but <0.01":    {app.TableAssays, "tree,date,mg_kg\nE001,2026-06-01,<0.01\nE001,2026-07-01,<0.01\n"},
		"the same every day":   {app.TableAssays, "tree,date,mg_kg\nE001,2026-06-01,2\nE001,2026-07-01,2\nE001,2026-08-01,2\nE001,2026-09-01,2\n"},
		"every residue rising": {app.TableAssays, "tree,date,mg_kg\nE001,2026-06-01,1\nE001,2026-07-01,2\nE001,2026-08-01,3\nE001,2026-09-01,4\n"},
	} {
		b, err := w.AddBlock(ctx, me, w.estate, app.BlockFacts{Name: "Invented " + name, Site: "elm"})
		if err != nil {
			t.Fatal(err)
		}
		for _, tag := range []string{"E001", "E002"} {
			if _, err := w.AddTree(ctx, me, b.ID, app.TreeFacts{Tag: tag}); err != nil {
				t.Fatal(err)
			}
		}
		level := 0.5
		if _, err := w.SetFollow(ctx, me, b.ID, 0, app.FollowFacts{DayZero: "2026-06-01", EffectiveMgKg: &level}); err != nil {
			t.Fatal(err)
		}
		if _, err := w.ImportFollow(ctx, me, b.ID, c.kind, "little.csv", strings.NewReader(c.text)); err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		r, err := w.FollowUp(ctx, me, b.ID)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if _, err := json.Marshal(r); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}
