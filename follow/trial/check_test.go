package trial

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
)

func records(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open("../../check/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) < 2 {
		t.Fatalf("%s: %d rows, %v", name, len(rows), err)
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

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(strings.TrimSpace(s), 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// near compares and returns the relative deviation.
func near(t *testing.T, what string, got *float64, want, tol float64) float64 {
	t.Helper()
	if got == nil {
		t.Errorf("%s: none, want %.12g", what, want)
		return math.Inf(1)
	}
	d := math.Abs(*got-want) / math.Max(1e-3, math.Abs(want))
	if !(d <= tol) {
		t.Errorf("%s: %.14g, want %.14g", what, *got, want)
	}
	return d
}

func observations(t *testing.T, file, value, treatment, block, sub string) (out []Observation) {
	for _, r := range records(t, file) {
		v := number(t, r[value])
		out = append(out, Observation{Treatment: r[treatment], Block: r[block], Sub: r[sub], Value: &v})
	}
	return out
}

func analysed(t *testing.T, rows []Observation, o Options) Analysis {
	t.Helper()
	if o.Permutations == 0 {
		o.Permutations = -1
	}
	a, err := Analyse(rows, o)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func lineOf(t *testing.T, a Analysis, stratum, source string) Line {
	t.Helper()
	for _, l := range a.Table {
		if l.Source == source && (stratum == "" || l.Stratum == stratum) {
			return l
		}
	}
	t.Fatalf("no line %s in %+v", source, a.Table)
	return Line{}
}

// check/12_trials/anova_expected.csv, 10 to 13 digits from R.
func TestAnalyse_PublishedAnova(t *testing.T) {
	sets := map[string]Analysis{
		"gomez_seedrate_rcbd": analysed(t, observations(t, "12_trials/gomez_seedrate.csv", "yield", "rate", "rep", ""), Options{Design: RCBD, Unit: "plot"}),
		"gomez_crd_7x4":       analysed(t, observations(t, "12_trials/gomez_crd_7x4.csv", "y", "trt", "", ""), Options{Design: CRD}),
		"plantgrowth":         analysed(t, observations(t, "12_trials/plantgrowth.csv", "weight", "group", "", ""), Options{Design: CRD}),
		"yates":               analysed(t, observations(t, "12_trials/yates_oats.csv", "yield", "gen", "block", "nitro"), Options{Design: SplitPlot}),
	}
	source := map[string]string{"rep": "block", "r": "treatment", "t": "treatment", "group": "treatment", "Residuals": "residual", "V": "treatment", "N": "sub", "V:N": "treatment:sub"}
	worst, n := 0.0, 0
	for _, r := range records(t, "12_trials/anova_expected.csv") {
		name, stratum := r["dataset"], ""
		src := source[r["source"]]
		if s, ok := strings.CutPrefix(name, "yates_oats_splitplot_"); ok {
			name = "yates"
			stratum = map[string]string{"blocks": "blocks", "mainplot": "main-plots", "subplot": "plots"}[s]
			if s == "blocks" {
				src = "block"
			}
		}
		a, ok := sets[name]
		if !ok {
			continue // factorial designs are not analysed here
		}
		l := lineOf(t, a, stratum, src)
		n++
		if fmt.Sprint(l.DF) != r["df"] {
			t.Errorf("%s %s: %d degrees of freedom", name, src, l.DF)
		}
		worst = math.Max(worst, near(t, name+" SS", l.SS, number(t, r["ss"]), 1e-9))
		worst = math.Max(worst, near(t, name+" MS", l.MS, number(t, r["ms"]), 1e-9))
		if r["F"] != "" {
			worst = math.Max(worst, near(t, name+" F", l.F, number(t, r["F"]), 1e-9))
			worst = math.Max(worst, near(t, name+" P", l.P, number(t, r["p"]), 1e-9))
		}
	}
	if n != 13 {
		t.Errorf("%d lines", n)
	}
	t.Logf("%d lines, largest deviation %.1e", n, worst)
	// Printed in the book (from memory): coefficients of variation 6.7 and 15.1 %.
	if got := *sets["gomez_seedrate_rcbd"].CVPct; math.Abs(got-6.7) > 0.05 {
		t.Errorf("cv %v", got)
	}
	if got := *sets["gomez_crd_7x4"].CVPct; math.Abs(got-15.1) > 0.05 {
		t.Errorf("cv %v", got)
	}
}

func TestAnalyse_TukeyAndDunnett(t *testing.T) {
	sets := map[string]Analysis{
		"plantgrowth":              analysed(t, observations(t, "12_trials/plantgrowth.csv", "weight", "group", "", ""), Options{Design: CRD, Control: "ctrl", Compare: "both"}),
		"gomez_seedrate":           analysed(t, observations(t, "12_trials/gomez_seedrate.csv", "yield", "rate", "rep", ""), Options{Design: RCBD}),
		"dunnett1955_blood_counts": analysed(t, observations(t, "12_trials/dunnett1955_blood_counts.csv", "y", "g", "", ""), Options{Design: CRD, Control: "Control"}),
	}
	find := func(set, method, a, b string) Comparison {
		for _, c := range sets[set].Comparisons {
			if c.Method == method && c.A == a && c.B == b {
				return c
			}
			if c.Method == method && c.A == b && c.B == a {
				c.Difference, c.Low, c.High, c.T = -c.Difference, -c.High, -c.Low, -c.T
				return c
			}
		}
		t.Fatalf("%s: no comparison of %s and %s", set, a, b)
		return Comparison{}
	}
	worst := map[string]float64{}
	see := func(what string, got, want, tol float64) {
		d := math.Abs(got-want) / math.Max(1, math.Abs(want))
		worst[what] = math.Max(worst[what], d)
		if !(d <= tol) {
			t.Errorf("%s: %.10g, want %.10g", what, got, want)
		}
	}
	for _, r := range records(t, "12_trials/tukey_hsd.csv") {
		a, b, _ := strings.Cut(r["comparison"], "-")
		c := find(r["dataset"], "tukey", a, b)
		see("tukey difference", c.Difference, number(t, r["diff"]), 1e-10)
		see("tukey limits", c.Low, number(t, r["lower95"]), 2e-6) // R's quantile is good to about 1e-6
		see("tukey limits", c.High, number(t, r["upper95"]), 2e-6)
		see("tukey p", *c.P, number(t, r["p_adj"]), 1e-7)
	}
	for _, r := range records(t, "12_trials/dunnett.csv") {
		a, b, _ := strings.Cut(r["comparison"], " - ")
		c := find(r["dataset"], "dunnett", a, b)
		see("dunnett difference", c.Difference, number(t, r["estimate"]), 1e-8)
		see("dunnett se", c.SE, number(t, r["se"]), 1e-7)
		see("dunnett t", c.T, number(t, r["t"]), 1e-7)
		see("dunnett p", *c.P, number(t, r["p_dunnett_two_sided"]), 1e-6)
		see("dunnett critical", c.Critical, number(t, r["critical"]), 2e-3) // the table's own accuracy
		see("dunnett limits", c.Low, number(t, r["lower95"]), 2e-3)
	}
	t.Logf("largest deviations %v", worst)
}

func TestRanks_Published(t *testing.T) {
	f := records(t, "12_trials/friedman_rounding.csv")
	var blocks [][]float64
	for _, r := range f {
		blocks = append(blocks, []float64{number(t, r["V1"]), number(t, r["V2"]), number(t, r["V3"])})
	}
	got, err := Friedman(blocks)
	if err != nil || math.Abs(got.Chi2-11.1428571429) > 1e-9 || math.Abs(got.P/0.00380504077551-1) > 1e-9 {
		t.Errorf("%+v %v", got, err)
	}
	if _, err := Friedman([][]float64{{1, 1}, {2, 2}}); err == nil {
		t.Error("ties only were taken")
	}
	if _, err := KruskalWallis([][]float64{{1, 1}, {1}}); err == nil {
		t.Error("ties only were taken")
	}
	if _, err := KruskalWallis([][]float64{{1, math.NaN()}, {1}}); err == nil {
		t.Error("a value that is none was taken")
	}
}

// NIST StRD, one-way analysis of variance: certified to 15 digits. The number
// of digits reached is what the doubles of the data allow.
func TestAnalyse_NIST(t *testing.T) {
	raw, err := os.ReadFile("../../check/01_nist/anova_oneway.json")
	if err != nil {
		t.Fatal(err)
	}
	var sets map[string]struct {
		Groups    map[string][]string `json:"groups"`
		Certified map[string]any      `json:"certified"`
	}
	if err := json.Unmarshal(raw, &sets); err != nil {
		t.Fatal(err)
	}
	// Tolerances of the data's passport.
	tol := map[string]float64{"SiRstv": 1e-12, "SmLs01": 1e-12, "SmLs02": 1e-12, "SmLs03": 1e-12, "AtmWtAg": 1e-8, "SmLs04": 1e-8, "SmLs07": 1e-2}
	for name, set := range sets {
		var rows []Observation
		for g := range len(set.Groups) {
			for _, s := range set.Groups[strconv.Itoa(g+1)] {
				v := number(t, s)
				rows = append(rows, Observation{Treatment: strconv.Itoa(g + 1), Value: &v})
			}
		}
		a := analysed(t, rows, Options{Design: CRD})
		between, within := lineOf(t, a, "", "treatment"), lineOf(t, a, "", "residual")
		worst := 0.0
		for _, c := range []struct {
			key string
			got *float64
		}{{"ss_between", between.SS}, {"ms_between", between.MS}, {"ss_within", within.SS}, {"ms_within", within.MS}, {"F", between.F}} {
			want := number(t, fmt.Sprint(set.Certified[c.key]))
			d := math.Abs(*c.got/want - 1)
			worst = math.Max(worst, d)
			if limit := tol[name]; limit == 0 || !(d <= limit) {
				t.Errorf("%s %s: %.16g, certified %.16g", name, c.key, *c.got, want)
			}
		}
		t.Logf("%s: %.1f digits of the certified values", name, math.Min(15, -math.Log10(worst)))
	}
	if len(sets) < 5 {
		t.Errorf("only %d sets", len(sets))
	}
}
