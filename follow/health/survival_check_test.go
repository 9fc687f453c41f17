package health

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
)

func table(t *testing.T, path string) []map[string]string {
	t.Helper()
	f, err := os.Open("../../check/" + path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) < 2 {
		t.Fatalf("%s: %d rows, %v", path, len(rows), err)
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
	v, err := strconv.ParseFloat(strings.TrimSpace(s), 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// worst keeps the largest relative deviation of a test.
type worst struct{ d float64 }

func (w *worst) near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	d := math.Abs(got-want) / math.Max(1e-3, math.Abs(want))
	if want == 0 {
		d = math.Abs(got)
	}
	w.d = math.Max(w.d, d)
	if !(d <= tol) {
		t.Errorf("%s: got %.12g, want %.12g", what, got, want)
	}
}

// maybe compares a figure that may be absent on both sides.
func (w *worst) maybe(t *testing.T, what string, got *float64, want string, tol float64) {
	t.Helper()
	if want == "" || want == "NA" {
		if got != nil {
			t.Errorf("%s: got %v, want none", what, *got)
		}
		return
	}
	if got == nil {
		t.Errorf("%s: got none, want %s", what, want)
		return
	}
	w.near(t, what, *got, num(t, want), tol)
}

// columnsOf names time, event and group columns of the data files.
var columnsOf = map[string][3]string{"aml": {"time", "status", "x"}, "gehan": {"time", "status", "treat"}, "ovarian": {"futime", "fustat", "rx"}}

func survivalData(t *testing.T, name string) (rows []map[string]string, days []float64, died []bool) {
	file := name
	if name == "gehan" {
		file = "gehan_6mp"
	}
	rows = table(t, "04_survival/"+file+".csv")
	c := columnsOf[name]
	for _, r := range rows {
		days, died = append(days, num(t, r[c[0]])), append(died, r[c[1]] == "1")
	}
	return rows, days, died
}

func subset(t *testing.T, name, stratum string) (days []float64, died []bool) {
	rows, d, e := survivalData(t, name)
	for i, r := range rows {
		if r[columnsOf[name][2]] == stratum {
			days, died = append(days, d[i]), append(died, e[i])
		}
	}
	return days, died
}

func TestKaplanMeier_PublishedTables(t *testing.T) {
	var w worst
	for _, r := range table(t, "04_survival/kaplan_meier.csv") {
		days, died := subset(t, r["dataset"], r["stratum"])
		for _, kind := range []struct {
			i      Interval
			suffix string
		}{{Plain, "plain"}, {Log, "log"}, {LogLog, "loglog"}} {
			c, err := KaplanMeier(days, died, 0.95, kind.i)
			if err != nil {
				t.Fatal(err)
			}
			found := false
			for _, s := range c.Table {
				if s.Day != num(t, r["time"]) {
					continue
				}
				found = true
				what := r["dataset"] + " " + r["stratum"] + " " + r["time"] + " " + kind.suffix
				w.near(t, what, s.Survival, num(t, r["surv"]), 1e-9)
				w.near(t, what, s.CumHazard, num(t, r["cumhaz_na"]), 1e-9)
				w.maybe(t, what, s.SE, r["greenwood_se"], 1e-9)
				w.maybe(t, what, s.Low, r["lo95_"+kind.suffix], 1e-9)
				w.maybe(t, what, s.High, r["hi95_"+kind.suffix], 1e-9)
				if s.AtRisk != int(num(t, r["n_risk"])) || s.Died != int(num(t, r["n_event"])) {
					t.Errorf("%s: %+v", what, s)
				}
			}
			if !found {
				t.Errorf("no step at %v", r)
			}
		}
	}
	for _, r := range table(t, "04_survival/medians.csv") {
		_, stratum, _ := strings.Cut(r["stratum"], "=")
		days, died := subset(t, r["dataset"], stratum)
		c, err := KaplanMeier(days, died, 0.95, Log)
		if err != nil {
			t.Fatal(err)
		}
		w.maybe(t, "median", c.MedianD, r["median"], 1e-9)
		w.maybe(t, "median low", c.MedianLow, r["lcl"], 1e-9)
		w.maybe(t, "median high", c.MedianHigh, r["ucl"], 1e-9)
		w.near(t, "mean", c.MeanD, num(t, r["rmean"]), 1e-9)
		w.maybe(t, "mean se", c.MeanSE, r["se_rmean"], 1e-9)
	}
	t.Logf("largest deviation %.1e", w.d)
}

func code(names map[string]int, s string) int {
	if _, ok := names[s]; !ok {
		names[s] = len(names)
	}
	return names[s]
}

func TestLogRank_PublishedTables(t *testing.T) {
	var w worst
	for _, r := range table(t, "04_survival/logrank.csv") {
		rows, days, died := survivalData(t, r["dataset"])
		groups, pairs := map[string]int{}, map[string]int{}
		for _, g := range strings.Split(r["groups"], ";") {
			code(groups, g)
		}
		var group, strata []int
		for _, row := range rows {
			group = append(group, code(groups, row[columnsOf[r["dataset"]][2]]))
			if strings.Contains(r["formula"], "strata(pair)") {
				strata = append(strata, code(pairs, row["pair"]))
			}
		}
		c, err := LogRank(days, died, group, strata, num(t, r["rho"]))
		if err != nil {
			t.Fatal(err)
		}
		what := r["dataset"] + r["formula"] + r["rho"]
		for g, v := range strings.Split(r["observed"], ";") {
			w.near(t, what+" observed", c.Observed[g], num(t, v), 1e-9)
		}
		for g, v := range strings.Split(r["expected"], ";") {
			w.near(t, what+" expected", c.Expected[g], num(t, v), 1e-9)
		}
		w.near(t, what+" variance", c.Variance[0][0], num(t, r["var11"]), 1e-9)
		w.near(t, what+" chi2", c.Chi2, num(t, r["chisq"]), 1e-9)
		w.near(t, what+" p", c.P, num(t, r["p"]), 1e-9)
		if c.DF != int(num(t, r["df"])) {
			t.Errorf("%s: df %d", what, c.DF)
		}
	}
	t.Logf("largest deviation %.1e", w.d)
}

func TestCox_PublishedTables(t *testing.T) {
	var w worst
	for _, r := range table(t, "04_survival/cox.csv") {
		rows, days, died := survivalData(t, r["dataset"])
		in := CoxData{Days: days, Died: died}
		pairs := map[string]int{}
		for _, row := range rows {
			switch r["dataset"] {
			case "aml":
				in.X = append(in.X, []float64{map[string]float64{"Maintained": 0, "Nonmaintained": 1}[row["x"]]})
			case "gehan":
				in.X = append(in.X, []float64{map[string]float64{"6-MP": 0, "control": 1}[row["treat"]]})
				if strings.Contains(r["formula"], "strata(pair)") {
					in.Strata = append(in.Strata, code(pairs, row["pair"]))
				}
			default:
				in.X = append(in.X, []float64{num(t, row["age"]), num(t, row["rx"])})
			}
		}
		f, err := Cox(in, Ties(r["ties"]))
		if err != nil {
			t.Errorf("%v: %v", r, err)
			continue
		}
		j := 0
		if r["term"] == "rx" {
			j = 1
		}
		what := r["dataset"] + " " + r["ties"] + " " + r["term"]
		w.near(t, what+" coef", f.Coefficients[j], num(t, r["coef"]), 1e-9)
		w.near(t, what+" se", f.SE[j], num(t, r["se"]), 1e-9)
		w.near(t, what+" ratio", math.Exp(f.Coefficients[j]), num(t, r["hr"]), 1e-9)
		w.near(t, what+" l0", f.LogLik0, num(t, r["loglik0"]), 1e-9)
		w.near(t, what+" l", f.LogLik, num(t, r["loglik"]), 1e-9)
		w.near(t, what+" lr", f.LR, num(t, r["lr_test"]), 1e-9)
		w.near(t, what+" score", f.Score, num(t, r["score"]), 1e-9)
		if math.Abs(f.Wald-num(t, r["wald"])) > 0.0051 { // printed with two decimals
			t.Errorf("%s: Wald %v", what, f.Wald)
		}
	}
	t.Logf("largest deviation %.1e", w.d)
}

// Worked by hand: 4 trees die on days 1 to 4, the treated ones last. Breslow,
// Efron and exact agree without ties. l(b) with treated = 1 for the two last:
// -log(2+2e^b) - log(1+2e^b) - log 2, which grows as b falls: separated.
func TestCox_SeparationIsFound(t *testing.T) {
	in := CoxData{Days: []float64{1, 2, 3, 4, 4, 4}, Died: []bool{true, true, false, false, false, false},
		X: [][]float64{{0}, {0}, {1}, {1}, {1}, {0}}}
	f, err := Cox(in, Efron)
	if err != nil {
		t.Fatal(err)
	}
	if f.Stop != "separated" || !f.Separated[0] || f.Coefficients[0] != 0 {
		t.Fatalf("%+v", f)
	}
	p, err := f.Profile(0, 0.95)
	if err != nil || p.Low != nil || p.High == nil || p.Estimate != nil {
		t.Fatalf("%+v %v", p, err)
	}
	// By hand: l(b) = -log(3+3e^b) - log(2+3e^b) reaches -log 6 as b falls to
	// minus infinity; at the limit 2 (-log 6 - l) = 3.841459.
	e := math.Exp(*p.High)
	if d := 2 * (math.Log((3+3*e)*(2+3*e)) - math.Log(6)); math.Abs(d-3.841458820694124) > 1e-7 {
		t.Errorf("twice the loss at the limit: %v", d)
	}
	firth, err := f.Firth(0.95)
	if err != nil || firth[0].Estimate == nil || firth[0].High == nil || *firth[0].Estimate >= 0 {
		t.Fatalf("%+v %v", firth, err)
	}
	// The penalised likelihood, searched on a grid: l + log(I)/2,
	// I = sum of q(1-q), q = share of the treated in the risk set.
	best, at := math.Inf(-1), 0.0
	for b := -8.0; b < 4; b += 1e-4 {
		e := math.Exp(b)
		q1, q2 := 3*e/(3+3*e), 3*e/(2+3*e)
		if v := -math.Log((3+3*e)*(2+3*e)) + math.Log(q1*(1-q1)+q2*(1-q2))/2; v > best {
			best, at = v, b
		}
	}
	if math.Abs(*firth[0].Estimate-at) > 2e-4 {
		t.Errorf("Firth %v, grid %v", *firth[0].Estimate, at)
	}
}

// The profile limit is where the likelihood has fallen by 1.92, checked against
// the fit itself; for the symmetric paired data (18 of 21 pairs) in closed form.
func TestCox_ProfileLimits(t *testing.T) {
	rows, days, died := survivalData(t, "gehan")
	in := CoxData{Days: days, Died: died}
	pairs := map[string]int{}
	for _, r := range rows {
		in.X = append(in.X, []float64{map[string]float64{"6-MP": 0, "control": 1}[r["treat"]]})
		in.Strata = append(in.Strata, code(pairs, r["pair"]))
	}
	f, err := Cox(in, Efron)
	if err != nil {
		t.Fatal(err)
	}
	p, err := f.Profile(0, 0.95)
	if err != nil || p.Low == nil || p.High == nil {
		t.Fatal(p, err)
	}
	l := func(b float64) float64 { return 18*b - 21*math.Log(1+math.Exp(b)) } // 18 pairs favour, 3 do not
	for _, b := range []float64{*p.Low, *p.High} {
		if d := 2 * (l(math.Log(6)) - l(b)); math.Abs(d-3.841458820694124) > 1e-7 {
			t.Errorf("limit %v: twice the loss is %v", b, d)
		}
	}
}

func TestCox_Refuses(t *testing.T) {
	ok := CoxData{Days: []float64{1, 2, 3}, Died: []bool{true, true, false}, X: [][]float64{{1}, {0}, {1}}}
	for name, c := range map[string]struct {
		change func(*CoxData)
		want   error
	}{
		"no events":     {func(d *CoxData) { d.Died = []bool{false, false, false} }, ErrNoEvents},
		"constant":      {func(d *CoxData) { d.X = [][]float64{{1}, {1}, {1}} }, ErrConstant},
		"collinear":     {func(d *CoxData) { d.X = [][]float64{{1, 2}, {0, 0}, {1, 2}} }, ErrCollinear},
		"negative":      {func(d *CoxData) { d.Days = []float64{-1, 2, 3} }, ErrDays},
		"not a number":  {func(d *CoxData) { d.X = [][]float64{{math.NaN()}, {1}, {2}} }, ErrNumber},
		"lengths":       {func(d *CoxData) { d.Died = nil }, ErrShape},
		"ragged":        {func(d *CoxData) { d.X = [][]float64{{1}, {0, 1}, {1}} }, ErrShape},
		"strata length": {func(d *CoxData) { d.Strata = []int{1} }, ErrShape},
	} {
		d := ok
		c.change(&d)
		if _, err := Cox(d, Efron); !errors.Is(err, c.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := Cox(ok, "other"); !errors.Is(err, ErrOption) {
		t.Error(err)
	}
}
