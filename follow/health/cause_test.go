package health

import (
	"slices"
	"testing"
)

// Worked by hand. Days 0, 10, 20. a: 10, 60, dead of the disease: (10+60)/2*10 +
// (60+100)/2*10 = 1150. b: 5, then 40 for drought (left out), then 10: one
// trapezoid (5+10)/2*20 = 150. c dies of the wind on day 20: followed to day 10,
// not in the means. d is killed by the treatment: likewise. e: 0 whatever the
// cause, then 5, 5: 0+5 = (0+5)/2*10 + 5*10 = 75.
func TestProgress_Causes(t *testing.T) {
	var rows []Rating
	add := func(tree, treatment string, day, pct float64, s Status, c Cause) {
		r := Rating{Tree: tree, Treatment: treatment, Day: day, Status: s, Cause: c}
		if s == Seen {
			r.Pct = &pct
		}
		rows = append(rows, r)
	}
	add("a", "u", 0, 10, Seen, CauseDisease)
	add("a", "u", 10, 60, Seen, CauseUnknown)
	add("a", "u", 20, 0, Died, CauseNone)
	add("b", "u", 0, 5, Seen, CauseNone)
	add("b", "u", 10, 40, Seen, CauseDrought)
	add("b", "u", 20, 10, Seen, CauseNone)
	add("c", "u", 0, 10, Seen, CauseNone)
	add("c", "u", 10, 20, Seen, CauseNone)
	add("c", "u", 20, 0, Died, CauseWind)
	add("d", "x", 0, 5, Seen, CauseNone)
	add("d", "x", 10, 5, Seen, CauseNone)
	add("d", "x", 20, 0, Died, CauseTreatment)
	add("e", "x", 0, 0, Seen, CauseFrost)
	add("e", "x", 10, 5, Seen, CauseNone)
	add("e", "x", 20, 5, Seen, CauseNone)
	r, err := Progress(rows, ProgressOptions{})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []struct {
		end   string
		area  float64
		other int
		whole bool
	}{{"dead", 1150, 0, true}, {"followed", 150, 1, true}, {"dead-other", 150, 0, false}, {"dead-other", 50, 0, false}, {"followed", 75, 0, true}} {
		g := r.Trees[i]
		if g.End != want.end || g.AUDPC == nil || *g.AUDPC != want.area || len(g.OtherD) != want.other || g.Complete != want.whole || len(g.Missed) != 0 {
			t.Errorf("%+v, wanted %+v", g, want)
		}
	}
	u, x := r.Treatments[0], r.Treatments[1]
	if u.Dead != 1 || u.DeadOther != 1 || *u.AUDPC != 650 || u.N != 2 || x.Dead != 0 || x.DeadOther != 1 || *x.AUDPC != 75 {
		t.Errorf("%+v %+v", u, x)
	}
	want := []CauseTally{{"u", CauseDisease, 1, 0, 0}, {"u", CauseDrought, 1, 0, 0}, {"u", CauseWind, 0, 1, 0}, {"u", CauseUnknown, 1, 0, 0}, {"x", CauseTreatment, 0, 1, 0}}
	if !slices.Equal(r.Causes, want) {
		t.Errorf("%+v", r.Causes)
	}
	for _, id := range []string{"ratings-dead-other", "ratings-other-cause", "ratings-cause-counts", "ratings-cause-treatment"} {
		if !slices.Contains(noteIDs(r.Notes), id) {
			t.Errorf("%s is not said: %v", id, noteIDs(r.Notes))
		}
	}
	rows[0].Cause = "gnomes"
	if _, err := Progress(rows, ProgressOptions{}); !slices.Contains(ids(err), "ratings-cause-unknown") {
		t.Error(err)
	}
	for c, want := range map[Cause][2]bool{CauseNone: {true, true}, CauseUnknown: {true, true}, CauseTreatment: {false, true}, CauseWind: {false, false}, CauseOther: {false, false}} {
		if c.OfDisease() != want[0] || c.Death() != want[1] {
			t.Errorf("%q: %v %v", c, c.OfDisease(), c.Death())
		}
	}
}
