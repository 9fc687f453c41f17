package decline

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"strconv"
	"testing"
)

func table(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open("../../check/02_focus/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) < 2 {
		t.Fatalf("%s: %v", name, err)
	}
	var out []map[string]string
	for _, r := range rows[1:] {
		m := map[string]string{}
		for i, h := range rows[0] {
			m[h] = r[i]
		}
		out = append(out, m)
	}
	return out
}

func num(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// focus reads the data sets as assays; empty values are left out.
func focus(t *testing.T) map[string][]Assay {
	out := map[string][]Assay{}
	for _, r := range table(t, "datasets.csv") {
		name := r["dataset"]
		switch {
		case name == "F":
			name = "F " + r["name"]
		case r["name"] != "parent":
			continue
		}
		if r["value"] == "" {
			continue
		}
		a := Assay{Day: num(t, r["time"]), MgKg: num(t, r["value"]), Detected: true}
		out[name] = append(out[name], a)
		if name == "F system" {
			if a.Day == 3 {
				a.MgKg = 91.9 // the sum of its two compartments, see the passport
			}
			out["F system (91.9)"] = append(out["F system (91.9)"], a)
		}
	}
	return out
}

func off(got, want float64) float64 { return math.Abs(got-want) / math.Max(1e-12, math.Abs(want)) }

func modelOf(s string) Model {
	return map[string]Model{"SFO": SFO, "FOMC": FOMC, "DFOP": DFOP, "HS": HS}[s]
}

// known keeps fits that several tests look at.
var known = map[string]*Fit{}

// fitOf is the chosen fit of one model through the public way.
func fitOf(t *testing.T, rows []Assay, m Model) *Fit {
	t.Helper()
	key := fmt.Sprint(m, rows)
	if f := known[key]; f != nil {
		return f
	}
	r, err := Decline(rows, Options{Model: m})
	if err != nil || len(r.Series) != 1 || r.Series[0].Chosen == nil {
		t.Fatalf("%s: %+v %v", m, r, err)
	}
	known[key] = r.Series[0].Chosen
	return known[key]
}

// Parameters and DT 1e-6 relative, RSS 1e-8, error level 1e-6 (passport).
func TestDecline_FocusExpected(t *testing.T) {
	data := focus(t)
	worst, worstRSS := 0.0, 0.0
	for _, r := range table(t, "expected.csv") {
		m := modelOf(r["model"])
		f := fitOf(t, data[r["dataset"]], m)
		see := func(what string, got float64, want string) {
			d := off(got, num(t, want))
			worst = math.Max(worst, d)
			if !(d <= 1e-6) {
				t.Errorf("%s %s %s: %.10g, want %s", r["dataset"], m, what, got, want)
			}
		}
		see("C0", f.C0, r["M0"])
		for j, name := range Names(m)[1:] {
			see(name, f.Parameters[name].Value, r["p"+strconv.Itoa(j+1)])
		}
		see("DT50", *f.DT50, r["DT50"])
		see("DT90", *f.DT90, r["DT90"])
		see("chi2", *f.Chi2Error, r["chi2_err_pct"])
		d := off(f.RSS, num(t, r["rss"]))
		worstRSS = math.Max(worstRSS, d)
		if d > 1e-8 || f.Chi2DF != int(num(t, r["chi2_df"])) {
			t.Errorf("%s %s: RSS %.10g want %s, df %d", r["dataset"], m, f.RSS, r["rss"], f.Chi2DF)
		}
	}
	t.Logf("largest deviation: parameters %.1e, RSS %.1e", worst, worstRSS)
}

// All pairs, ill-conditioned ones too: RSS never above the one recomputed from
// 60 random starts by more than 1e-4, DT50 within 1e-4 unless our RSS is lower
// by more than 1e-5 (D with HS: the stored break stands just beside day 3).
func TestDecline_FocusEveryPair(t *testing.T) {
	data := focus(t)
	lower := 0
	for _, r := range table(t, "recomputed_least_squares.csv") {
		m := modelOf(r["model"])
		f := fitOf(t, data[r["dataset"]], m)
		want := num(t, r["rss"])
		if f.RSS > want*(1+1e-8) {
			t.Errorf("%s %s: RSS %.10g above %.10g", r["dataset"], m, f.RSS, want)
		}
		if f.RSS < want*(1-1e-4) {
			t.Errorf("%s %s: RSS %.10g far below %.10g", r["dataset"], m, f.RSS, want)
		}
		if d := off(*f.DT50, num(t, r["DT50"])); d > 1e-4 {
			if f.RSS > want*(1-1e-5) {
				t.Errorf("%s %s: DT50 %.8g want %s", r["dataset"], m, *f.DT50, r["DT50"])
			}
			lower++
		}
	}
	t.Logf("%d pairs with a better minimum than the stored one", lower)
	if lower > 1 {
		t.Error("too many")
	}
}

// Published medians over several programs: 0.005 of the value or one unit of
// the last printed digit. B with HS is left to the pair test: its break stands
// on a sampling day and the programs scatter (DT50 8.42 to 8.93).
func TestDecline_FocusPublishedMedians(t *testing.T) {
	data := focus(t)
	for _, r := range table(t, "published_reference_summary.csv") {
		if r["model"] == "HS" && r["dataset"] == "B" {
			continue
		}
		name := r["dataset"]
		if name == "F system" {
			name = "F system (91.9)"
		}
		f := fitOf(t, data[name], modelOf(r["model"]))
		for what, got := range map[string]float64{"M0_median": f.C0, "DT50_median": *f.DT50, "DT90_median": *f.DT90} {
			if want := num(t, r[what]); math.Abs(got-want) > math.Max(0.005*want, 0.01) {
				t.Errorf("%s %s %s: %.6g, published %.6g", r["dataset"], r["model"], what, got, want)
			}
		}
	}
}

// Rich models that say no more than SFO are named so: the passport's list.
func TestDecline_FocusCollapse(t *testing.T) {
	data := focus(t)
	for _, c := range []struct {
		set string
		m   Model
	}{{"A", FOMC}, {"A", DFOP}, {"F water", FOMC}, {"F water", DFOP}, {"F system", FOMC}, {"F system", DFOP}, {"L1", FOMC}, {"L1", DFOP}, {"B", HS}, {"D", HS}, {"L4", DFOP}} {
		if f := fitOf(t, data[c.set], c.m); f.Collapsed == "" {
			t.Errorf("%s %s is not seen to collapse: %+v", c.set, c.m, f.Parameters)
		}
	}
	for _, c := range []struct {
		set string
		m   Model
	}{{"C", DFOP}, {"C", FOMC}, {"A", HS}, {"L4", FOMC}, {"F water", HS}} {
		if f := fitOf(t, data[c.set], c.m); f.Collapsed != "" {
			t.Errorf("%s %s: %s", c.set, c.m, f.Collapsed)
		}
	}
	for set, want := range map[string]Model{"C": DFOP, "A": HS, "L1": SFO} {
		r, err := Decline(data[set], Options{})
		if err != nil || r.Series[0].Chosen.Model != want {
			t.Errorf("%s: chose %s (%v)", set, r.Series[0].Chosen.Model, err)
		}
	}
}
