package health

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"sapward/finding"
)

func floats(t *testing.T, s string) (out []float64) {
	for _, f := range strings.Fields(s) {
		out = append(out, num(t, f))
	}
	return
}

func TestAUDPC_PublishedExamples(t *testing.T) {
	var w worst
	for _, r := range table(t, "05_disease/audpc_audps.csv") {
		days, y := floats(t, r["times"]), floats(t, r["severity_percent"])
		a, err := AUDPC(days, y)
		if err != nil {
			t.Fatal(err)
		}
		rel, _ := RelativeAUDPC(days, y, 100)
		s, _ := AUDPS(days, y)
		rs, _ := RelativeAUDPS(days, y, 100)
		w.near(t, r["source"], a, num(t, r["audpc"]), 1e-12)
		w.near(t, r["source"], rel, num(t, r["relative_audpc_fraction_of_100"]), 1e-12)
		w.near(t, r["source"], 100*rel, num(t, r["standardised_audpc"]), 1e-12)
		w.near(t, r["source"], s, num(t, r["audps"]), 1e-12)
		w.near(t, r["source"], 100*rs, num(t, r["standardised_audps"]), 1e-12)
	}
	for _, r := range table(t, "05_disease/disease_21_plots.csv") {
		y := []float64{num(t, r["y1"]), num(t, r["y2"]), num(t, r["y3"])}
		a, _ := AUDPC([]float64{1, 2, 3}, y)
		rel, _ := RelativeAUDPC([]float64{1, 2, 3}, y, 100)
		w.near(t, r["plot"], a, num(t, r["audpc_t_1_2_3"]), 1e-12)
		w.near(t, r["plot"], rel, num(t, r["relative_audpc"]), 1e-12)
	}
	for _, r := range table(t, "05_disease/audpc_logistic.csv") {
		want := num(t, r["exact_closed_form_recomputed"])
		logistic := func(x float64) float64 { return 1 / (1 + 99*math.Exp(-0.3*x)) }
		switch r["quantity"] {
		case "y(30), y0=0.01 r=0.3":
			w.near(t, r["quantity"], logistic(30), want, 1e-11)
		case "trapezoid AUDPC dt=5":
			var days, y []float64
			for d := 0.0; d <= 30; d += 5 {
				days, y = append(days, d), append(y, logistic(d))
			}
			a, _ := AUDPC(days, y)
			w.near(t, r["quantity"], a, want, 1e-11)
		case "exact integral of the logistic 0..30": // trapezoids of 1/1000 day come to it
			var days, y []float64
			for i := range 30001 {
				days, y = append(days, float64(i)/1000), append(y, logistic(float64(i)/1000))
			}
			a, _ := AUDPC(days, y)
			w.near(t, r["quantity"], a, want, 1e-8)
		}
	}
	t.Logf("largest deviation %.1e", w.d)
}

func TestSeverityIndex_PublishedExamples(t *testing.T) {
	for _, r := range table(t, "05_disease/severity_index.csv") {
		values, top := floats(t, r["class_values"]), num(t, r["max_class"])
		var n []int
		for _, c := range floats(t, r["counts"]) {
			n = append(n, int(c))
		}
		if len(values) == 0 { // 50 plants, grades adding to 120: 40 of grade 3, 10 of grade 0
			values, n = []float64{0, 3}, []int{10, 40}
		}
		got, err := SeverityIndex(values, n, top)
		if want := num(t, r["index_percent"]); err != nil || math.Abs(got-want) > 1e-12*math.Max(1, want) {
			t.Errorf("%s: %v, want %v (%v)", r["case"], got, want, err)
		}
	}
	if _, err := SeverityIndex([]float64{0, 5}, []int{1, 1}, 4); !errors.Is(err, ErrNumber) {
		t.Error("a class above the top")
	}
}

// ratings reads "tree,treatment,day,value[,status]"; a value may be empty.
func ratings(text string, class bool) (out []Rating) {
	for _, line := range strings.Fields(text) {
		f := strings.Split(line, ",")
		r := Rating{Tree: f[0], Treatment: f[1]}
		if _, err := fmt.Sscan(f[2], &r.Day); err != nil {
			panic(err)
		}
		if f[3] != "" {
			var v float64
			if _, err := fmt.Sscan(f[3], &v); err != nil {
				panic(err)
			}
			if class {
				r.Class = &v
			} else {
				r.Pct = &v
			}
		}
		if len(f) > 4 {
			r.Status = Status(f[4])
		}
		out = append(out, r)
	}
	return
}

// Worked by hand. Days 0 10 20 30.
// a: 0 10 20 40            -> 50+150+300 = 500, D 30, relative 1/6, AUDPS 500+20*10 = 700
// b: 0 (missed) 20 40      -> 200+300 = 500, spans day 10
// c: 10 dead at 10         -> 0..10: (10+100)/2*10 = 550, then 1000+1000 -> 2550
// d: 0 10 removed          -> 50, D 10, not in the means
func TestProgress_WorkedByHand(t *testing.T) {
	r, err := Progress(ratings(`a,t,0,0 a,t,10,10 a,t,20,20 a,t,30,40 b,t,0,0 b,t,10,,missed b,t,20,20 b,t,30,40
		c,u,0,10 c,u,10,,dead d,u,0,0 d,u,10,10 d,u,20,,removed`, false), ProgressOptions{})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []struct {
		area     float64
		n        int
		complete bool
		end      string
	}{{500, 4, true, "followed"}, {500, 3, true, "followed"}, {2550, 4, true, "dead"}, {50, 2, false, "removed"}} {
		g := r.Trees[i]
		if *g.AUDPC != want.area || g.Visits != want.n || g.Complete != want.complete || g.End != want.end {
			t.Errorf("%s: %+v area %v", g.Tree, g, *g.AUDPC)
		}
	}
	if *r.Trees[0].AUDPS != 700 || math.Abs(*r.Trees[0].Relative-1.0/6) > 1e-15 || !slices.Equal(r.Trees[1].Missed, []float64{10}) {
		t.Errorf("%+v", r.Trees)
	}
	if *r.Treatments[0].AUDPC != 500 || *r.Treatments[1].AUDPC != 2550 || r.Treatments[1].N != 1 || r.Treatments[1].Removed != 1 || r.Treatments[1].Dead != 1 {
		t.Errorf("%+v", r.Treatments)
	}
	if d := r.Treatments[1].Days; len(d) != 4 || d[1].Index != 55 || d[1].N != 2 || d[3].Index != 100 || d[3].N != 1 {
		t.Errorf("%+v", d)
	}
	for _, id := range []string{"ratings-visit-missed", "ratings-dead-to-end", "ratings-censored"} {
		if !slices.Contains(noteIDs(r.Notes), id) {
			t.Errorf("no note %s in %v", id, noteIDs(r.Notes))
		}
	}
}

// Classes 0 to 4: the index of a day is that of McKinney's formula.
func TestProgress_Classes(t *testing.T) {
	r, err := Progress(ratings("a,t,0,0 a,t,7,2 b,t,0,1 b,t,7,4 c,u,0,1 c,u,7,3", true), ProgressOptions{TopClass: 4})
	if err != nil {
		t.Fatal(err)
	}
	want, _ := SeverityIndex([]float64{2, 4}, []int{1, 1}, 4)
	if *r.Treatments[0].SeverityPct != want || *r.Trees[0].AUDPC != 175 { // (0+50)/2*7
		t.Errorf("%+v", r)
	}
	r, err = Progress(ratings("a,t,0,0 a,t,7,2 b,u,0,1 b,u,7,3", true), ProgressOptions{})
	if err != nil || *r.TopClass != 3 || !slices.Contains(noteIDs(r.Notes), "ratings-scale-top-assumed") {
		t.Errorf("%+v %v", r, err)
	}
}

func TestProgress_RefusesBadRows(t *testing.T) {
	const good = "a,t,0,0 a,t,7,2 b,u,0,1 b,u,7,3"
	p := func(x float64) *float64 { return &x }
	for id, change := range map[string]func([]Rating) []Rating{
		"ratings-no-rows":              func(r []Rating) []Rating { return nil },
		"ratings-one-tree":             func(r []Rating) []Rating { return r[:2] },
		"ratings-percent-out-of-range": func(r []Rating) []Rating { r[0].Pct = p(101); return r },
		"ratings-percent-and-class":    func(r []Rating) []Rating { r[1].Pct, r[1].Class = nil, p(2); return r },
		"ratings-visit-twice":          func(r []Rating) []Rating { r[1].Day = 0; return r },
		"days-and-dates-mixed":         func(r []Rating) []Rating { r[1].Dated = true; return r },
		"ratings-day-negative":         func(r []Rating) []Rating { r[0].Day = -1; return r },
		"ratings-day-missing":          func(r []Rating) []Rating { r[0].Day = math.NaN(); return r },
		"ratings-tree-missing":         func(r []Rating) []Rating { r[0].Tree = ""; return r },
		"ratings-treatment-missing":    func(r []Rating) []Rating { r[0].Treatment = ""; return r },
		"ratings-treatment-changes":    func(r []Rating) []Rating { r[1].Treatment = "u"; return r },
		"ratings-status-unknown":       func(r []Rating) []Rating { r[1].Status = "asleep"; return r },
		"ratings-after-death":          func(r []Rating) []Rating { r[0].Pct, r[0].Status = nil, Died; return r },
		"ratings-after-removal":        func(r []Rating) []Rating { r[0].Status = Removed; return r },
		"ratings-missed-with-value":    func(r []Rating) []Rating { r[0].Status = Missed; return r },
		"ratings-no-values": func(r []Rating) []Rating {
			for i := range r {
				r[i].Pct = nil
			}
			return r
		},
	} {
		_, err := Progress(change(ratings(good, false)), ProgressOptions{})
		if !slices.Contains(ids(err), id) {
			t.Errorf("%s: %v", id, err)
		}
	}
	if _, err := Progress(ratings(good, true), ProgressOptions{TopClass: 2}); !slices.Contains(ids(err), "ratings-class-out-of-range") {
		t.Error(err)
	}
	if _, err := Progress(ratings("a,t,0,0 b,u,0,0", true), ProgressOptions{}); !slices.Contains(ids(err), "ratings-scale-top") {
		t.Error(err)
	}
	r, err := Progress(ratings("a,t,0,5 b,t,0,5", false), ProgressOptions{})
	raw, jerr := json.Marshal(r)
	if err != nil || jerr != nil || r.Trees[0].AUDPC != nil || r.Treatments[0].AUDPC != nil || !slices.Contains(noteIDs(r.Notes), "ratings-no-curve") {
		t.Errorf("one visit has no curve: %s %v", raw, err)
	}
}

// Where a fault lies in the file is handed on.
func TestProgress_FaultsKeepTheirPlace(t *testing.T) {
	r := ratings("a,t,0,0 a,t,7,200 b,u,0,1 b,u,7,300", false)
	for i := range r {
		r[i].Where = finding.Where{File: "r.csv", Line: i + 2}
	}
	_, err := Progress(r, ProgressOptions{})
	fs := finding.AsFaults(err)
	if len(fs) != 2 || fs[0].Where.Line != 3 || fs[1].Where.Line != 5 {
		t.Errorf("%v", err)
	}
}
