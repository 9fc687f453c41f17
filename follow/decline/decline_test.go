package decline

import (
	"encoding/json"
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

// line is least squares of ln y on t: the closed form of SFO with proportional
// errors, with the error of the slope.
func line(rows []Assay) (c0, k, se float64) {
	n, mx, my := float64(len(rows)), 0.0, 0.0
	for _, r := range rows {
		mx, my = mx+r.Day/n, my+math.Log(r.MgKg)/n
	}
	sxx, sxy, rss := 0.0, 0.0, 0.0
	for _, r := range rows {
		sxx += (r.Day - mx) * (r.Day - mx)
		sxy += (r.Day - mx) * (math.Log(r.MgKg) - my)
	}
	k = -sxy / sxx
	for _, r := range rows {
		e := math.Log(r.MgKg) - my + k*(r.Day-mx)
		rss += e * e
	}
	return math.Exp(my + k*mx), k, math.Sqrt(rss / (n - 2) / sxx)
}

func invented(seed uint64, trees bool) (rows []Assay) {
	rng := rand.New(rand.NewPCG(seed, 1))
	for _, d := range []float64{0, 30, 90, 180, 300, 420} {
		for j := range 3 {
			a := Assay{Day: d, Detected: true, MgKg: 40 * math.Exp(-0.006*d+0.2*rng.NormFloat64())}
			if d == 0 {
				a.MgKg *= 1.6 // so that day 0 is the maximum
			}
			if trees {
				a.Tree = fmt.Sprint("T", j)
				a.MgKg *= 1 + 0.2*float64(j)
			}
			rows = append(rows, a)
		}
	}
	return rows
}

// Closed form: SFO with proportional errors is a straight line, so parameters,
// errors and the profile interval (k -+ t se, turned over) are known exactly.
func TestDecline_ProportionalEqualsStraightLine(t *testing.T) {
	for seed := range uint64(20) {
		rows := invented(seed, false)
		r, err := Decline(rows, Options{Model: SFO, Errors: Proportional})
		if err != nil || r.Series[0].Chosen == nil {
			t.Fatal(err)
		}
		f := r.Series[0].Chosen
		c0, k, se := line(rows)
		if off(f.C0, c0) > 1e-8 || off(f.Parameters["k"].Value, k) > 1e-8 || off(*f.Parameters["k"].SE, se) > 1e-6 || off(*f.DT50, math.Ln2/k) > 1e-8 {
			t.Fatalf("%+v, want %v %v +- %v", f.Parameters, c0, k, se)
		}
		q := 2.119905299221255 // Student t, 16 degrees of freedom, 0.975 (from memory of standard tables, 2.120)
		low, high := math.Ln2/(k+q*se), math.Ln2/(k-q*se)
		if off(*f.DT50Range.Low, low) > 1e-5 || off(*f.DT50Range.High, high) > 1e-5 {
			t.Fatalf("profile %v %v, want %v %v", *f.DT50Range.Low, *f.DT50Range.High, low, high)
		}
		w := math.Exp(q * se / k)
		if off(*f.DT50Delta.Low, math.Ln2/k/w) > 1e-5 || off(*f.DT50Delta.High, math.Ln2/k*w) > 1e-5 {
			t.Fatalf("delta %v", f.DT50Delta)
		}
	}
}

// Errors by tree against the sandwich of a straight line, written out.
func TestDecline_ErrorsByTree(t *testing.T) {
	rows := invented(3, true)
	r, err := Decline(rows, Options{Model: SFO, Errors: Proportional})
	if err != nil || !r.Series[0].Clustered || r.Series[0].Trees != 3 {
		t.Fatalf("%+v %v", r, err)
	}
	c0, k, _ := line(rows)
	n, sx, sxx := float64(len(rows)), 0.0, 0.0
	for _, a := range rows {
		sx, sxx = sx+a.Day, sxx+a.Day*a.Day
	}
	d := n*sxx - sx*sx
	// Row of (X'X)^-1 for the slope: (-sx, n)/d.
	u := map[string]float64{}
	for _, a := range rows {
		e := math.Log(a.MgKg) - math.Log(c0) + k*a.Day
		u[a.Tree] += (-sx + n*a.Day) / d * e
	}
	v := 0.0
	for _, x := range u {
		v += x * x
	}
	v *= 3.0 / 2 * (n - 1) / (n - 2)
	if got := *r.Series[0].Chosen.Parameters["k"].SE; off(got, math.Sqrt(v)) > 1e-6 {
		t.Errorf("%v, want %v", got, math.Sqrt(v))
	}
	if !slices.Contains(noteIDs(r.Series[0].Notes), "decline-few-trees") {
		t.Error("three trees are not said to be few")
	}
}

// Another program: R's survreg with left censoring is SFO with proportional
// errors and non-detects; standard errors by differences, 5e-4: 50 random data sets (500 with SAPWARD_SOAK=1).
func TestDecline_NonDetectsEqualR(t *testing.T) {
	r, err := exec.LookPath("Rscript")
	if err == nil {
		err = exec.Command(r, "-e", "library(survival)").Run()
	}
	if err != nil {
		t.Skipf("skipped: Rscript with the package survival is not there (%v)", err)
	}
	dir := t.TempDir()
	var sets [][]Assay
	n := 50
	if soak() {
		n = 500
	}
	for seed := range uint64(n) {
		rows := invented(seed, false)
		limit := 4.0
		var b strings.Builder
		b.WriteString("t,y,e\n")
		for i := range rows {
			e := 1
			if rows[i].MgKg < limit {
				rows[i].Detected, rows[i].DetectionLimit, rows[i].MgKg, e = false, limit, 0, 0
			}
			fmt.Fprintf(&b, "%g,%.17g,%d\n", rows[i].Day, rows[i].MgKg+rows[i].DetectionLimit, e)
		}
		sets = append(sets, rows)
		if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("%d.csv", seed)), []byte(b.String()), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	script := `suppressMessages(library(survival)); a <- commandArgs(TRUE)
for (i in 0:(length(list.files(a[1], pattern="csv$"))-1)) { d <- read.csv(file.path(a[1], paste0(i, ".csv")))
m <- survreg(Surv(y, e, type="left") ~ t, data=d, dist="lognormal", control=survreg.control(rel.tolerance=1e-13, maxiter=200))
cat(sprintf("%.12g %.12g %.12g %.12g %.12g\n", exp(coef(m)[1]), -coef(m)[2], m$scale, sqrt(diag(vcov(m)))[2], m$loglik[2] + sum(log(d$y[d$e==1])))) }`
	file := filepath.Join(dir, "s.R")
	if err := os.WriteFile(file, []byte(script), 0o600); err != nil {
		t.Fatal(err)
	}
	raw, err := exec.Command(r, file, dir).Output()
	if err != nil {
		t.Fatal(err)
	}
	worst, censored := 0.0, 0
	for i, l := range strings.Split(strings.TrimSpace(string(raw)), "\n") {
		var c0, k, sigma, se, loglik float64
		if _, err := fmt.Sscan(l, &c0, &k, &sigma, &se, &loglik); err != nil {
			t.Fatal(err)
		}
		rep, err := Decline(sets[i], Options{Model: SFO, Errors: Proportional})
		if err != nil || rep.Series[0].Chosen == nil {
			t.Fatalf("%+v %v", rep, err)
		}
		s, f := rep.Series[0], rep.Series[0].Chosen
		censored += s.NonDetect
		d := math.Max(off(f.C0, c0), math.Max(off(f.Parameters["k"].Value, k), off(f.Sigma, sigma)))
		worst = math.Max(worst, d)
		if s.NonDetect == 0 { // least squares then: n - 2 degrees of freedom, where R's likelihood has n
			se *= math.Sqrt(float64(s.N) / float64(s.N-2))
			sigma, loglik = f.Sigma, f.out.minus2l/-2
		}
		dse, dl := off(*f.Parameters["k"].SE, se), math.Abs(f.out.minus2l/-2-loglik)
		if d > 1e-6 || dse > 5e-4 || dl > 1e-7 {
			t.Errorf("set %d: %v %v %v se %v l %v, R %s", i, f.C0, f.Parameters["k"].Value, f.Sigma, *f.Parameters["k"].SE, f.out.minus2l/-2, l)
		}
		if f.DT50Range == nil || !(*f.DT50Range.Low < *f.DT50 && *f.DT50 < *f.DT50Range.High) {
			t.Errorf("set %d: profile %+v of %v", i, f.DT50Range, *f.DT50)
		}
	}
	t.Logf("%d non-detects, largest deviation %.1e", censored, worst)
	if censored < 5 {
		t.Error("too few non-detects to test")
	}
}

// Closed forms against bisection on the curve; DT50 < DT90; withLoss hits its time.
func TestLossTime_Properties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := rapid.SampledFrom([]Model{SFO, FOMC, DFOP, HS}).Draw(t, "model")
		u := func(lo, hi float64) float64 { return rapid.Float64Range(lo, hi).Draw(t, "p") }
		var p []float64
		switch m {
		case SFO:
			p = []float64{u(1, 99), u(0.001, 1)}
		case FOMC:
			p = []float64{u(1, 99), u(0.3, 20), u(1, 200)}
		case DFOP:
			k := u(0.01, 1)
			p = []float64{u(1, 99), u(0.05, 0.95), k, k * u(0.01, 1)}
		case HS:
			p = []float64{u(1, 99), u(1, 50), u(0.001, 1), u(0.001, 1)}
		}
		d50, ok1 := LossTime(m, p, 0.5)
		d90, ok2 := LossTime(m, p, 0.9)
		if !ok1 || !ok2 || d50 >= d90 {
			t.Fatalf("%s %v: %v %v", m, p, d50, d90)
		}
		if c := Concentration(m, p, d50) / p[0]; math.Abs(c-0.5) > 1e-9 {
			t.Fatalf("%s %v: %v left at DT50", m, p, c)
		}
		if c := Concentration(m, p, d90) / p[0]; math.Abs(c-0.1) > 1e-9 {
			t.Fatalf("%s %v: %v left at DT90", m, p, c)
		}
		q := withLoss(m, shape(m, p, d90), d90, 0.9)
		for j := range p {
			if off(q[j], p[j]) > 1e-6 {
				t.Fatalf("%s: %v back as %v", m, p, q)
			}
		}
	})
}

func noteIDs(fs []finding.Finding) (out []string) {
	for _, f := range fs {
		out = append(out, f.ID)
	}
	return out
}

// Residue that rises for months: the fit starts at the maximum; too few later
// dates are no half-life.
func TestDecline_StartsAtTheMaximum(t *testing.T) {
	var rows []Assay
	for d, c := range map[float64]float64{0: 2, 30: 20, 60: 50, 90: 40.5, 150: 27, 210: 18.5, 300: 10} {
		rows = append(rows, Assay{Day: d, MgKg: c, Detected: true})
	}
	r, err := Decline(rows, Options{Model: SFO})
	if err != nil || r.Series[0].StartDay != 60 || r.Series[0].N != 5 || !slices.Contains(noteIDs(r.Series[0].Notes), "decline-from-maximum") {
		t.Errorf("%+v %v", r.Series[0], err)
	}
	if d := *r.Series[0].Chosen.DT50; d < 95 || d > 110 { // 50 to 27 in 90 days, ln2*90/ln(50/27) = 101
		t.Errorf("DT50 %v", d)
	}
	short := slices.DeleteFunc(slices.Clone(rows), func(a Assay) bool { return a.Day > 150 })
	r, err = Decline(short, Options{})
	if err != nil || r.Series[0].Chosen != nil || !slices.Contains(noteIDs(r.Series[0].Notes), "decline-few-dates") {
		t.Errorf("%+v %v", r.Series[0], err)
	}
}

func TestDecline_NeverPoolsTissuesOrHeights(t *testing.T) {
	low, high := 1.0, 6.0
	var rows []Assay
	for i, a := range invented(1, false) {
		a.Tissue, a.HeightM = "leaf", &low
		if i%3 == 1 {
			a.HeightM = &high
		}
		if i%3 == 2 {
			a.Tissue = "sapwood"
		}
		rows = append(rows, a)
	}
	r, err := Decline(rows, Options{})
	if err != nil || len(r.Series) != 3 || !slices.Contains(noteIDs(r.Notes), "decline-not-pooled") {
		t.Errorf("%d series, %v", len(r.Series), err)
	}
}

// Treat again: the lower limit of an exact curve is the curve itself, so with
// tiny noise all three days come together at ln(C0/level)/k; the card's
// interval opens a gap.
func TestDecline_TreatAgain(t *testing.T) {
	var rows []Assay
	for i, d := range []float64{0, 50, 100, 200, 300, 400} {
		rows = append(rows, Assay{Day: d, Detected: true, MgKg: 40 * math.Exp(-0.005*d) * (1 + 1e-6*float64(i%3-1))})
	}
	want := math.Log(40/8.0) / 0.005
	r, err := Decline(rows, Options{EffectiveMgKg: 8, MinIntervalD: 365, Model: SFO})
	if err != nil {
		t.Fatal(err)
	}
	a := r.Series[0].Again
	if a == nil || math.Abs(*a.ByDay-want) > 0.1 || !(*a.LowerDay <= *a.CurveDay && *a.CurveDay <= *a.UpperDay) || math.Abs(a.GapD-(365-*a.ByDay)) > 1e-9 || a.FromDay != 365 {
		t.Errorf("%+v, want %v", a, want)
	}
	if !slices.Contains(noteIDs(r.Series[0].Notes), "again-gap") {
		t.Error("the gap is not said")
	}
	r, _ = Decline(invented(5, false), Options{EffectiveMgKg: 1, MinIntervalD: 300, NotBeforeD: 350, Model: SFO, Errors: Proportional})
	s := r.Series[0]
	low, mid, high, ok := s.Band(*s.Again.LowerDay)
	if !ok || math.Abs(low-1) > 1e-6 || !(low < mid && mid < high) || s.Again.FromDay != 350 || !s.Again.Extrapolated || s.Again.GapD != 0 {
		t.Errorf("%v %v %v %+v", low, mid, high, s.Again)
	}
	if r, _ = Decline(rows, Options{EffectiveMgKg: 50, Model: SFO}); *r.Series[0].Again.ByDay != 0 {
		t.Errorf("already under: %+v", r.Series[0].Again)
	}
}

func TestDecline_RefusesBadRows(t *testing.T) {
	bad := math.Inf(1)
	for id, change := range map[string]func([]Assay, *Options) []Assay{
		"decline-no-rows":          func(r []Assay, o *Options) []Assay { return nil },
		"decline-day-missing":      func(r []Assay, o *Options) []Assay { r[0].Day = math.NaN(); return r },
		"decline-day-negative":     func(r []Assay, o *Options) []Assay { r[0].Day = -1; return r },
		"days-and-dates-mixed":     func(r []Assay, o *Options) []Assay { r[1].Dated = true; return r },
		"decline-residue-negative": func(r []Assay, o *Options) []Assay { r[0].MgKg = -1; return r },
		"decline-limit-missing":    func(r []Assay, o *Options) []Assay { r[0].Detected = false; return r },
		"decline-zero-needs-limit": func(r []Assay, o *Options) []Assay { r[0].MgKg = 0; o.Errors = Proportional; return r },
		"decline-height":           func(r []Assay, o *Options) []Assay { r[0].HeightM = &bad; return r },
		"decline-model-unknown":    func(r []Assay, o *Options) []Assay { o.Model = "x"; return r },
		"decline-errors-unknown":   func(r []Assay, o *Options) []Assay { o.Errors = "x"; return r },
		"confidence-out-of-range":  func(r []Assay, o *Options) []Assay { o.Confidence = 1; return r },
		"decline-option-negative":  func(r []Assay, o *Options) []Assay { o.MinIntervalD = -1; return r },
	} {
		var o Options
		_, err := Decline(change(invented(1, false), &o), o)
		found := false
		for _, f := range finding.AsFaults(err) {
			found = found || f.ID == id
		}
		if err == nil || !found {
			t.Errorf("%s: %v", id, err)
		}
	}
}

// Whatever the rows, a report is JSON (no NaN, no infinity) and no panic.
func TestDecline_AlwaysAnswers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 12).Draw(t, "n")
		var rows []Assay
		for range n {
			a := Assay{Day: float64(rapid.IntRange(0, 8).Draw(t, "day")) * 30, Detected: rapid.IntRange(0, 4).Draw(t, "seen") > 0}
			if a.Detected {
				a.MgKg = rapid.SampledFrom([]float64{0, 1e-6, 0.5, 1, 1, 3, 10, 1e5}).Draw(t, "c")
			} else {
				a.DetectionLimit = 0.5
			}
			a.Tree = rapid.SampledFrom([]string{"", "a", "b"}).Draw(t, "tree")
			rows = append(rows, a)
		}
		before := slices.Clone(rows)
		r, err := Decline(rows, Options{Model: rapid.SampledFrom([]Model{"auto", SFO, FOMC}).Draw(t, "model"), EffectiveMgKg: 0.5})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := json.Marshal(r); err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(before, rows) {
			t.Fatal("the rows were changed")
		}
	})
}

// Many assays a day enter by their sums: the answers are those of assays taken
// one by one, with and without non-detects, on either scale.
func TestDecline_SumsChangeNothing(t *testing.T) {
	defer func(n int) { gathered = n }(gathered)
	worst := 0.0
	for seed := range uint64(6) {
		rng := rand.New(rand.NewPCG(seed, 8))
		var rows []Assay
		for _, d := range []float64{0, 20, 60, 120, 200, 300} {
			for j := range 12 {
				v := 40 * (0.5*math.Exp(-0.03*d) + 0.5*math.Exp(-0.004*d)) * math.Exp(0.2*rng.NormFloat64())
				if d == 0 {
					v *= 1.5
				}
				a := Assay{Tree: fmt.Sprint("T", j), Day: d, MgKg: v, Detected: true}
				if seed%2 == 1 && v < 9 {
					a = Assay{Tree: a.Tree, Day: d, DetectionLimit: 9}
				}
				rows = append(rows, a)
			}
		}
		o := Options{Model: []Model{SFO, FOMC, "auto"}[seed/2], Errors: []Errors{Constant, Proportional}[seed%2], EffectiveMgKg: 8}
		gathered = 1000
		one, err := Decline(rows, o)
		if err != nil {
			t.Fatal(err)
		}
		gathered = 4
		sums, err := Decline(rows, o)
		if err != nil {
			t.Fatal(err)
		}
		a, b := one.Series[0].Chosen, sums.Series[0].Chosen
		if a == nil || b == nil || a.Model != b.Model {
			t.Fatalf("%d: %+v, %+v", seed, a, b)
		}
		see := func(what string, got, want, tol float64) {
			d := off(got, want)
			worst = math.Max(worst, d)
			if !(d <= tol) {
				t.Errorf("%d %s %s: %.12g, one by one %.12g", seed, a.Model, what, got, want)
			}
		}
		see("rss", b.RSS, a.RSS, 1e-7) // with non-detects not the quantity made least
		see("c0", b.C0, a.C0, 1e-7)
		for name, p := range a.Parameters {
			see(name, b.Parameters[name].Value, p.Value, 1e-6)
			if p.SE != nil {
				see(name+" se", *b.Parameters[name].SE, *p.SE, 1e-5)
			}
		}
		see("dt50", *b.DT50, *a.DT50, 1e-6)
		if a.DT50Range.Low != nil {
			see("dt50 low", *b.DT50Range.Low, *a.DT50Range.Low, 1e-5)
		}
		if l := one.Series[0].Again.LowerDay; l != nil {
			see("again", *sums.Series[0].Again.LowerDay, *l, 1e-5)
		}
	}
	t.Logf("largest deviation %.1e", worst)
}
