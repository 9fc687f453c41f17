package health

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"sapward/finding"

	"pgregory.net/rapid"
)

// random data with many ties, small groups, and now and then no or one death.
func randomData(seed uint64) (days []float64, died []bool, group []int, x [][]float64) {
	rng := rand.New(rand.NewPCG(seed, 5))
	n := 6 + rng.IntN(60)
	span := 4 + rng.IntN(30)
	rate := rng.Float64()
	if seed%10 == 3 {
		rate = 0
	}
	for i := range n {
		days = append(days, float64(1+rng.IntN(span)))
		died = append(died, rng.Float64() < rate)
		group = append(group, i%(2+int(seed%3)))
		x = append(x, []float64{float64(group[i] % 2), rng.NormFloat64()})
	}
	if seed%10 == 7 {
		for i := range died {
			died[i] = i == n/2
		}
	}
	return
}

const rScript = `suppressMessages(library(survival))
args <- commandArgs(trailingOnly=TRUE)
g <- function(v) gsub(" ", "", paste(formatC(as.numeric(v), digits=15, format="g"), collapse=";"))
for (f in sort(list.files(args[1], pattern="csv$", full.names=TRUE))) {
  d <- read.csv(f); out <- c(sub(".csv","",basename(f)))
  k <- survfit(Surv(day,died)~1, data=d, conf.type="log-log")
  e <- k$n.event > 0
  out <- c(out, g(k$surv[e]), g(k$std.err[e]*k$surv[e]), g(k$lower[e]), g(k$upper[e]), g(summary(k)$table[c("median","0.95LCL","0.95UCL")]))
  r <- function(rho) tryCatch({s <- survdiff(Surv(day,died)~group, data=d, rho=rho); g(s$chisq)}, error=function(e) "NA", warning=function(w) "NA")
  out <- c(out, r(0), r(1))
  s <- tryCatch({s <- survdiff(Surv(day,died)~group+strata(block), data=d); g(s$chisq)}, error=function(e) "NA")
  out <- c(out, s)
  for (ties in c("efron","breslow")) {
    z <- tryCatch({m <- coxph(Surv(day,died)~x1+x2, data=d, ties=ties, control=coxph.control(eps=1e-12, toler.chol=1e-14, iter.max=100)); c(g(coef(m)), g(sqrt(diag(vcov(m)))), g(m$loglik))}, error=function(e) c("NA","NA","NA"), warning=function(w) c("NA","NA","NA"))
    out <- c(out, z)
  }
  z <- tryCatch({m <- coxph(Surv(day,died)~x1+x2, data=d, control=coxph.control(eps=1e-12, toler.chol=1e-14, iter.max=100))
    s <- residuals(m, "schoenfeld"); v <- vcov(m); nd <- nrow(s); tt <- as.numeric(rownames(s)); h <- rank(tt); h <- h-mean(h)
    sc <- s %*% v * nd
    c(g((h %*% sc)^2/(diag(v)*nd*sum(h^2))), g((h %*% s) %*% v %*% t(h %*% s) * nd / sum(h^2)))}, error=function(e) c("NA","NA"), warning=function(w) c("NA","NA"))
  out <- c(out, z)
  cat(paste(out, collapse="|"), "\n", sep="")
}`

// Another program: R's survival package on 50 random data sets
// (500 with SAPWARD_SOAK=1): ties, small groups, no event, one event. 1e-8 relative.
func TestSurvival_EqualsR(t *testing.T) {
	r, err := exec.LookPath("Rscript")
	if err == nil {
		err = exec.Command(r, "-e", "library(survival)").Run()
	}
	if err != nil {
		t.Skipf("skipped: Rscript with the package survival is not there (%v)", err)
	}
	dir := t.TempDir()
	for seed := range uint64(sets()) {
		days, died, group, x := randomData(seed)
		var b strings.Builder
		b.WriteString("day,died,group,block,x1,x2\n")
		for i := range days {
			e := 0
			if died[i] {
				e = 1
			}
			fmt.Fprintf(&b, "%g,%d,%d,%d,%g,%.17g\n", days[i], e, group[i], i/2%3, x[i][0], x[i][1])
		}
		if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("%03d.csv", seed)), []byte(b.String()), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	script := filepath.Join(dir, "s.R")
	if err := os.WriteFile(script, []byte(rScript), 0o600); err != nil {
		t.Fatal(err)
	}
	raw, err := exec.Command(r, script, dir).Output()
	if err != nil {
		t.Fatalf("%v\n%s", err, raw)
	}
	var w worst
	seen, coxed, drifted := 0, 0, 0
	for _, line := range strings.Split(strings.TrimSpace(string(raw)), "\n") {
		f := strings.Split(line, "|")
		if len(f) != 17 {
			t.Fatalf("R says %q (%d fields)", line, len(f))
		}
		seen++
		days, died, group, x := randomData(uint64(num(t, f[0])))
		block := make([]int, len(days))
		for i := range block {
			block[i] = i / 2 % 3
		}
		list := func(s string) []string {
			if strings.TrimSpace(s) == "" {
				return nil
			}
			return strings.Split(s, ";")
		}
		k, err := KaplanMeier(days, died, 0.95, LogLog)
		if err != nil {
			t.Fatal(err)
		}
		for i, s := range list(f[1]) {
			what := fmt.Sprintf("%s step %d", f[0], i)
			w.near(t, what, k.Table[i].Survival, num(t, s), 1e-8)
			if k.Table[i].Survival > 0 {
				w.maybe(t, what, k.Table[i].SE, list(f[2])[i], 1e-8)
				w.maybe(t, what, k.Table[i].Low, list(f[3])[i], 1e-8)
				w.maybe(t, what, k.Table[i].High, list(f[4])[i], 1e-8)
			}
		}
		m := list(f[5])
		for i, p := range []*float64{k.MedianD, k.MedianLow, k.MedianHigh} {
			w.maybe(t, f[0]+" median", p, strings.TrimSpace(strings.Replace(m[i], "NaN", "NA", 1)), 1e-9)
		}
		for i, rho := range []float64{0, 1, 0} {
			var strata []int
			if i == 2 {
				strata = block
			}
			c, err := LogRank(days, died, group, strata, rho)
			want := f[6+i]
			if want == "NA" || want == "NaN" || err != nil {
				if err == nil && want != "NA" {
					t.Errorf("%s: R has no test, chi2 %v here", f[0], c.Chi2)
				}
				if err != nil && !slices.Contains([]string{"NA", "NaN", "0"}, want) {
					t.Errorf("%s: %v, R has %s", f[0], err, want)
				}
				continue
			}
			w.near(t, f[0]+" log-rank", c.Chi2, num(t, want), 1e-8)
		}
		for i, ties := range []Ties{Efron, Breslow} {
			c, err := Cox(CoxData{Days: days, Died: died, X: x}, ties)
			v := f[9+3*i : 12+3*i]
			if v[0] == "NA" || strings.Contains(v[0], "NA") { // R warned (separation) or has no events
				if err == nil && c.Stop == "converged" && math.Abs(c.Coefficients[0]) < 5 && math.Abs(c.Coefficients[1]) < 5 {
					t.Errorf("%s: R could not fit, here %v", f[0], c.Coefficients)
				}
				continue
			}
			if err != nil || c.Stop != "converged" {
				t.Errorf("%s: %v %s, R has %s", f[0], err, c.Stop, v[0])
				continue
			}
			coxed++
			for j := range 2 {
				w.near(t, f[0]+" coef", c.Coefficients[j], num(t, list(v[0])[j]), 1e-7)
				w.near(t, f[0]+" se", c.SE[j], num(t, list(v[1])[j]), 1e-7)
			}
			w.near(t, f[0]+" loglik", c.LogLik, num(t, list(v[2])[1]), 1e-8)
			if i == 0 && f[15] != "NA" {
				each, global, err := c.Proportional()
				if err != nil {
					continue
				}
				drifted++
				for j := range 2 {
					w.near(t, f[0]+" drift", each[j].Chi2, num(t, list(f[15])[j]), 1e-6)
				}
				w.near(t, f[0]+" global drift", global.Chi2, num(t, f[16]), 1e-6)
			}
		}
	}
	t.Logf("%d data sets, %d Cox fits, %d drift tests, largest deviation %.1e", seen, coxed, drifted, w.d)
	if seen != sets() || coxed < sets() || drifted < sets()*2/5 {
		t.Errorf("too little was compared")
	}
}

// Slow oracle: the product taken death by death over all trees; and properties:
// the order of rows does not matter, limits hold the estimate, S falls.
func TestKaplanMeier_Properties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 25).Draw(t, "n")
		days, died := make([]float64, n), make([]bool, n)
		for i := range days {
			days[i], died[i] = float64(rapid.IntRange(0, 9).Draw(t, "day")), rapid.Bool().Draw(t, "died")
		}
		before := slices.Clone(days)
		c, err := KaplanMeier(days, died, 0.9, LogLog)
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(before, days) {
			t.Fatal("the caller's slice was changed")
		}
		last := 1.0
		for _, s := range c.Table {
			want := 1.0
			for day := 0.0; day <= s.Day; day++ {
				risk, dead := 0.0, 0.0
				for i := range days {
					if days[i] >= day {
						risk++
					}
					if days[i] == day && died[i] {
						dead++
					}
				}
				if dead > 0 {
					want *= 1 - dead/risk
				}
			}
			if math.Abs(s.Survival-want) > 1e-12 || s.Survival >= last {
				t.Fatalf("day %v: %v, want %v", s.Day, s.Survival, want)
			}
			last = s.Survival
			if s.Low != nil && !(*s.Low <= s.Survival+1e-12 && s.Survival <= *s.High+1e-12 && *s.Low >= 0 && *s.High <= 1) {
				t.Fatalf("limits %v %v of %v", *s.Low, *s.High, s.Survival)
			}
		}
		perm := rand.New(rand.NewPCG(1, uint64(n))).Perm(n)
		d2, e2 := make([]float64, n), make([]bool, n)
		for i, j := range perm {
			d2[i], e2[i] = days[j], died[j]
		}
		c2, _ := KaplanMeier(d2, e2, 0.9, LogLog)
		a, _ := json.Marshal(c)
		b, _ := json.Marshal(c2)
		if string(a) != string(b) {
			t.Fatal("the order of rows matters")
		}
	})
}

func deaths(text string) (out []Death) {
	for i, f := range strings.Fields(text) {
		var r Death
		var d int
		if _, err := fmt.Sscanf(strings.ReplaceAll(f, ",", " "), "%s %f %d", &r.Treatment, &r.Days, &d); err != nil {
			panic(err)
		}
		r.Tree, r.Died = fmt.Sprint(i+1), d == 1
		out = append(out, r)
	}
	return out
}

func ids(err error) (out []string) {
	for _, f := range finding.AsFaults(err) {
		out = append(out, f.ID)
	}
	return out
}

func TestSurvival_RefusesBadRows(t *testing.T) {
	ok := deaths("control,10,1 control,20,1 treated,30,1 treated,40,0")
	for id, change := range map[string]func([]Death) []Death{
		"survival-no-rows":           func(r []Death) []Death { return nil },
		"survival-one-tree":          func(r []Death) []Death { return r[:1] },
		"survival-days-negative":     func(r []Death) []Death { r[0].Days = -3; return r },
		"survival-days-missing":      func(r []Death) []Death { r[0].Days = math.NaN(); return r },
		"survival-tree-twice":        func(r []Death) []Death { r[1].Tree = r[0].Tree; return r },
		"survival-treatment-missing": func(r []Death) []Death { r[1].Treatment = " "; return r },
		"days-and-dates-mixed":       func(r []Death) []Death { r[1].Dated = true; return r },
		"survival-all-dead-day-0": func(r []Death) []Death {
			for i := range r {
				r[i].Days, r[i].Died = 0, true
			}
			return r
		},
	} {
		_, err := Survival(change(slices.Clone(ok)), SurvivalOptions{})
		if !slices.Contains(ids(err), id) {
			t.Errorf("%s: %v", id, err)
		}
	}
	if _, err := Survival(ok, SurvivalOptions{Versus: "other"}); !slices.Contains(ids(err), "treatment-unknown") {
		t.Error(err)
	}
	if _, err := Survival(ok, SurvivalOptions{Confidence: 2}); !slices.Contains(ids(err), "confidence-out-of-range") {
		t.Error(err)
	}
	if _, err := Survival(ok, SurvivalOptions{Interval: "other"}); !slices.Contains(ids(err), "option-unknown") {
		t.Error(err)
	}
}

func noteIDs(fs []finding.Finding) (out []string) {
	for _, f := range fs {
		out = append(out, f.ID)
	}
	return out
}

func TestSurvival_SaysWhatItCannot(t *testing.T) {
	for id, text := range map[string]string{
		"survival-no-events":     "a,10,0 a,20,0 b,30,0",
		"survival-one-treatment": "a,10,1 a,20,0 a,30,1",
		"survival-few-events":    "a,10,1 a,20,0 b,30,1 b,5,0 a,7,1",
		"hazard-separated":       "control,1,1 control,2,1 control,3,1 control,4,1 control,5,1 control,9,0 treated,9,0 treated,9,0 treated,9,0 treated,9,0",
	} {
		r, err := Survival(deaths(text), SurvivalOptions{})
		if err != nil || !slices.Contains(noteIDs(r.Notes), id) {
			t.Errorf("%s: %v %v", id, noteIDs(r.Notes), err)
			continue
		}
		raw, err := json.Marshal(r) // fails on NaN or infinity
		if err != nil {
			t.Errorf("%s: %v", id, err)
		}
		if id == "survival-no-events" && (!strings.Contains(string(raw), `"logrank":null`) || len(r.Hazard) != 0) {
			t.Errorf("%s: %s", id, raw)
		}
		if id == "hazard-separated" && (len(r.Hazard) != 1 || r.Hazard[0].Method != "firth" || r.Hazard[0].Ratio == nil || *r.Hazard[0].Ratio >= 1 || r.Hazard[0].ProfileHigh == nil || r.Hazard[0].ProfileLow != nil) {
			t.Errorf("%s", raw)
		}
	}
}

// The report puts the pieces together: published 6-MP figures (log-rank 16.79,
// Efron 1.572) with the control as reference turn the sign.
func TestSurvival_Report(t *testing.T) {
	rows, days, died := survivalData(t, "gehan")
	var in []Death
	for i, r := range rows {
		in = append(in, Death{Tree: fmt.Sprint(i), Treatment: r["treat"], Days: days[i], Died: died[i], Stratum: r["pair"]})
	}
	r, err := Survival(in, SurvivalOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if r.Versus != "control" || r.Groups[0].Treatment != "control" || math.Abs(r.LogRank.Chi2-16.79294098922) > 1e-8 ||
		math.Abs(math.Log(*r.Hazard[0].Ratio)+1.572125148829) > 1e-8 || math.Abs(math.Log(*r.Hazard[0].Breslow)+1.509191412586) > 1e-8 {
		t.Errorf("%+v", r)
	}
	if r.Groups[0].AtRisk[0] != 21 || r.Groups[0].AtRisk[5] != 0 || r.Groups[1].AtRisk[5] != 1 { // days 0 and 35
		t.Errorf("at risk %v %v", r.Groups[0].AtRisk, r.Groups[1].AtRisk)
	}
	r, err = Survival(in, SurvivalOptions{Stratified: true})
	if err != nil || math.Abs(r.Stratified.Chi2-10.71428571429) > 1e-8 || math.Abs(math.Log(*r.Hazard[0].Ratio)+1.791759469228) > 1e-8 {
		t.Errorf("stratified %+v %v", r.Stratified, err)
	}
}

// Whatever the rows, the reports are JSON: no NaN, no infinity, no panic.
func TestReports_AlwaysAnswer(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 14).Draw(t, "n")
		var rows []Death
		var cs []Count
		for i := range n {
			rows = append(rows, Death{Tree: fmt.Sprint(i), Treatment: rapid.SampledFrom([]string{"control", "a", "b"}).Draw(t, "treatment"),
				Days: float64(rapid.IntRange(0, 6).Draw(t, "days")), Died: rapid.Bool().Draw(t, "died"), Stratum: rapid.SampledFrom([]string{"x", "y"}).Draw(t, "stratum")})
			role := []string{"treated", "untreated"}[i%2]
			b, a := float64(rapid.IntRange(0, 5).Draw(t, "before")), float64(rapid.IntRange(0, 5).Draw(t, "after"))
			cs = append(cs, both(role, b, a))
		}
		r, err := Survival(rows, SurvivalOptions{Stratified: rapid.Bool().Draw(t, "stratified")})
		if err != nil && !slices.Contains(ids(err), "survival-all-dead-day-0") {
			t.Fatal(err)
		}
		if _, err := json.Marshal(r); err != nil {
			t.Fatal(err)
		}
		e, err := Efficacy(cs, EfficacyOptions{Resamples: 200, Formula: rapid.SampledFrom([]Formula{"", FormulaSunShepard}).Draw(t, "formula")})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := json.Marshal(e); err != nil {
			t.Fatal(err)
		}
	})
}

func TestLogRank_Refuses(t *testing.T) {
	if _, err := LogRank([]float64{1, 2}, []bool{false, false}, []int{0, 1}, nil, 0); !errors.Is(err, ErrNoEvents) {
		t.Error(err)
	}
	if _, err := LogRank([]float64{1, 2}, []bool{true, false}, []int{0, 0}, nil, 0); !errors.Is(err, ErrOneGroup) {
		t.Error(err)
	}
	if _, err := LogRank([]float64{-1, 2}, []bool{true, false}, []int{0, 1}, nil, 0); !errors.Is(err, ErrDays) {
		t.Error(err)
	}
	// Each stratum holds one group: nothing can be compared.
	if _, err := LogRank([]float64{1, 2, 3, 4}, []bool{true, true, true, true}, []int{0, 0, 1, 1}, []int{0, 0, 1, 1}, 0); !errors.Is(err, ErrNumber) {
		t.Error(err)
	}
}

func BenchmarkKaplanMeier_Million(b *testing.B) {
	days, died, _, _ := big(1_000_000, 0)
	for b.Loop() {
		if _, err := KaplanMeier(days, died, 0.95, LogLog); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkLogRank_Million(b *testing.B) {
	days, died, group, _ := big(1_000_000, 0)
	for b.Loop() {
		if _, err := LogRank(days, died, group, nil, 0); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkCox_HundredThousand(b *testing.B) {
	days, died, _, x := big(100_000, 5)
	for b.Loop() {
		if _, err := Cox(CoxData{Days: days, Died: died, X: x}, Efron); err != nil {
			b.Fatal(err)
		}
	}
}

func big(n, p int) (days []float64, died []bool, group []int, x [][]float64) {
	rng := rand.New(rand.NewPCG(1, 2))
	days, died, group, x = make([]float64, n), make([]bool, n), make([]int, n), make([][]float64, n)
	for i := range days {
		days[i], died[i], group[i] = math.Ceil(rng.ExpFloat64()*1000), rng.IntN(3) > 0, rng.IntN(2)
		x[i] = make([]float64, p)
		for j := range x[i] {
			x[i][j] = rng.NormFloat64()
		}
	}
	return
}
