package cli

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"sapward/follow/decline"
	"sapward/follow/health"
	"sapward/internal/lang"
)

// checkRows reads a file of published reference data.
func checkRows(t *testing.T, name string) []map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "check", filepath.FromSlash(name)))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.FieldsPerRecord = -1 // a note may hold a bare comma
	rows, err := r.ReadAll()
	if err != nil || len(rows) < 2 {
		t.Fatal(name, err)
	}
	var out []map[string]string
	for _, row := range rows[1:] {
		m := map[string]string{}
		for i, h := range rows[0] {
			if i < len(row) {
				m[h] = row[i]
			}
		}
		out = append(out, m)
	}
	return out
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// followed writes a table, runs a command on it and reads the document.
func followed(t *testing.T, doc any, command, table string, more ...string) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "table.csv")
	if err := os.WriteFile(path, []byte(table), 0o644); err != nil {
		t.Fatal(err)
	}
	stdout, stderr, status := run(t, append([]string{command, path, "--json"}, more...)...)
	if status != 0 {
		t.Fatalf("%s: exit %d: %s", command, status, stderr)
	}
	if err := json.Unmarshal([]byte(stdout), doc); err != nil {
		t.Fatal(err)
	}
	var head struct{ Schema, Engine string }
	if err := json.Unmarshal([]byte(stdout), &head); err != nil || head.Schema != "sapward/"+command+"/1" || head.Engine != Version {
		t.Errorf("%s: head %+v, %v", command, head, err)
	}
}

// near compares to a relative tolerance and keeps the largest deviation.
type near struct {
	t     *testing.T
	tol   float64
	worst float64
	n     int
}

func (c *near) is(what string, got *float64, want float64) {
	c.t.Helper()
	if got == nil {
		c.t.Errorf("%s: nothing, want %v", what, want)
		return
	}
	d := math.Abs(*got-want) / math.Max(math.Abs(want), 1e-9)
	if want == 0 {
		d = math.Abs(*got)
	}
	c.worst = math.Max(c.worst, d)
	c.n++
	if !(d <= c.tol) {
		c.t.Errorf("%s: %v, want %v (off by %.2g)", what, *got, want, d)
	}
}

func (c *near) done(least int) {
	c.t.Helper()
	c.t.Logf("%d figures, largest deviation %.2g", c.n, c.worst)
	if c.n < least {
		c.t.Errorf("only %d figures compared, want %d", c.n, least)
	}
}

// The survival of check/04_survival (R survival 3.5-3) through the command:
// every row of the table, log-rank, Peto-Peto, hazard ratio. 1e-9 relative.
func TestFollowSurvival_AML(t *testing.T) {
	var b strings.Builder
	b.WriteString("tree,treatment,days,died\n")
	for i, r := range checkRows(t, "04_survival/aml.csv") {
		fmt.Fprintf(&b, "A%02d,%s,%s,%s\n", i+1, r["x"], r["time"], r["status"])
	}
	var doc survivalDocument
	followed(t, &doc, "survival", b.String())
	c := &near{t: t, tol: 1e-9}
	groups := map[string]health.Group{}
	for _, g := range doc.Groups {
		groups[g.Treatment] = g
	}
	place := map[string]int{}
	for _, r := range checkRows(t, "04_survival/kaplan_meier.csv") {
		if r["dataset"] != "aml" || r["n_event"] == "0" || groups[r["stratum"]].N == 0 {
			continue
		}
		g := groups[r["stratum"]]
		i := place[r["stratum"]]
		place[r["stratum"]]++
		if i >= len(g.Table) {
			t.Fatalf("%s: no row %d", r["stratum"], i)
		}
		s := g.Table[i]
		what := r["stratum"] + " day " + r["time"] + " "
		atRisk, died := float64(s.AtRisk), float64(s.Died)
		c.is(what+"day", &s.Day, number(t, r["time"]))
		c.is(what+"at risk", &atRisk, number(t, r["n_risk"]))
		c.is(what+"died", &died, number(t, r["n_event"]))
		c.is(what+"survival", &s.Survival, number(t, r["surv"]))
		if s.Survival > 0 {
			c.is(what+"se", s.SE, number(t, r["greenwood_se"]))
			c.is(what+"low", s.Low, number(t, r["lo95_loglog"]))
			c.is(what+"high", s.High, number(t, r["hi95_loglog"]))
		}
	}
	for _, r := range checkRows(t, "04_survival/medians.csv") {
		if g, ok := groups[strings.TrimPrefix(r["stratum"], "x=")]; ok && r["dataset"] == "aml" {
			c.is("median", g.MedianD, number(t, r["median"]))
			c.is("mean", &g.MeanD, number(t, r["rmean"]))
		}
	}
	for _, r := range checkRows(t, "04_survival/logrank.csv") {
		if r["dataset"] != "aml" || strings.Contains(r["formula"], "strata") {
			continue
		}
		test := doc.LogRank
		if r["rho"] == "1" {
			test = doc.PetoPeto
		}
		c.is("chi2", &test.Chi2, number(t, r["chisq"]))
		c.is("p", &test.P, number(t, r["p"]))
	}
	for _, r := range checkRows(t, "04_survival/cox.csv") {
		if r["dataset"] == "aml" && r["ties"] == "efron" {
			c.is("hazard ratio", doc.Hazard[0].Ratio, number(t, r["hr"]))
		}
	}
	c.done(16*6 + 4 + 4 + 1)
}

// Strata are a column by name: each stratum holds one treatment only, so that
// nothing can be compared within them, and the command says so.
func TestFollowSurvival_Strata(t *testing.T) {
	var doc survivalDocument
	rows := "tree,treatment,days,died,Plot No\n"
	for i := range 8 {
		treatment := []string{"untreated", "infusion"}[i%2]
		rows += fmt.Sprintf("E%d,%s,%d,1,%d\n", i, treatment, 10+i, i%2)
	}
	followed(t, &doc, "survival", rows, "--strata", "plot no")
	if doc.LogRank == nil || doc.Stratified != nil || !strings.Contains(strings.Join(doc.Meaning, " "), "Within plot no no two treatments") {
		t.Errorf("%+v", doc.Meaning)
	}
}

// Days and dates of the same table give the same report.
func TestFollowSurvival_DatesAreDays(t *testing.T) {
	var days, dates, own survivalDocument
	followed(t, &days, "survival", "tree,treatment,days,died\nA,untreated,31,1\nB,untreated,61,1\nC,infusion,92,0\nD,infusion,61,1\n")
	followed(t, &dates, "survival", "tree;treatment;date;died\nA;untreated;2026-06-01;yes\nB;untreated;2026-07-01;1\nC;infusion;2026-08-01;no\nD;infusion;2026-07-01;1\n", "--day-zero=2026-05-01")
	followed(t, &own, "survival", "tree,treatment,from_date,date,died\nA,untreated,2026-05-01,2026-06-01,1\nB,untreated,2026-05-02,2026-07-02,1\nC,infusion,2026-05-01,2026-08-01,0\nD,infusion,2025-05-01,2025-07-01,1\n")
	for _, d := range []survivalDocument{dates, own} {
		a, _ := json.Marshal(days.SurvivalReport)
		b, _ := json.Marshal(d.SurvivalReport)
		if string(a) != string(b) {
			t.Errorf("%s\n%s", a, b)
		}
	}
	if dates.DayZero == nil || dates.DayZero.String() != "2026-05-01" || dates.ZeroFrom != "option" || own.ZeroFrom != "row" || days.ZeroFrom != "" {
		t.Errorf("day 0: %v %s, %s, %s", dates.DayZero, dates.ZeroFrom, own.ZeroFrom, days.ZeroFrom)
	}
}

// The areas of check/05_disease through the command: published help pages and
// 21 plots, 1e-12 relative.
func TestFollowRatings_Areas(t *testing.T) {
	c := &near{t: t, tol: 1e-12}
	for _, r := range checkRows(t, "05_disease/audpc_audps.csv") {
		days, ys := strings.Fields(r["times"]), strings.Fields(r["severity_percent"])
		rows := "tree,treatment,day,rating_pct\n"
		for i := range days {
			rows += fmt.Sprintf("E1,untreated,%s,%s\nE2,infusion,%s,0\n", days[i], ys[i], days[i])
		}
		var doc ratingsDocument
		followed(t, &doc, "ratings", rows)
		x := doc.Trees[0]
		c.is(r["source"]+" audpc", x.AUDPC, number(t, r["audpc"]))
		c.is(r["source"]+" audps", x.AUDPS, number(t, r["audps"]))
		c.tol = 1e-9 // the file rounds
		c.is(r["source"]+" relative", x.Relative, number(t, r["relative_audpc_fraction_of_100"]))
		c.tol = 1e-12
		if doc.Versus != "untreated" || !strings.HasPrefix(doc.Meaning[0], "infusion had 0 %") {
			t.Errorf("versus %s: %s", doc.Versus, doc.Meaning)
		}
	}
	plots := checkRows(t, "05_disease/disease_21_plots.csv")
	rows := "tree,treatment,day,rating_pct\n"
	for _, r := range plots {
		for d := 1; d <= 3; d++ {
			rows += fmt.Sprintf("P%s,%s,%d,%s\n", r["plot"], r["trt"], d, r[fmt.Sprintf("y%d", d)])
		}
	}
	var doc ratingsDocument
	followed(t, &doc, "ratings", rows)
	sum, n := map[string]float64{}, map[string]float64{}
	for i, r := range plots {
		c.is("plot "+r["plot"], doc.Trees[i].AUDPC, number(t, r["audpc_t_1_2_3"]))
		c.is("plot "+r["plot"]+" relative", doc.Trees[i].Relative, number(t, r["relative_audpc"]))
		sum[r["trt"]] += number(t, r["audpc_t_1_2_3"])
		n[r["trt"]]++
	}
	for _, x := range doc.Treatments {
		c.is("mean "+x.Treatment, x.AUDPC, sum[x.Treatment]/n[x.Treatment])
	}
	c.done(4*3 + 21*2 + 3)
}

// Severity indices of check/05_disease, a tree a plant, classes with
// --max-class; 1e-9 relative.
func TestFollowRatings_Severity(t *testing.T) {
	c := &near{t: t, tol: 1e-9}
	for _, r := range checkRows(t, "05_disease/severity_index.csv") {
		values, counts := strings.Fields(r["class_values"]), strings.Fields(r["counts"])
		if r["class_values"] == "" { // 50 plants, grade sum 120 = 13 x 9 + 3
			values, counts = []string{"0", "3", "9"}, []string{"36", "1", "13"}
		}
		rows, k := "tree,treatment,day,class\n", 0
		for i := range values {
			for range int(number(t, counts[i])) {
				k++
				rows += fmt.Sprintf("E%d,untreated,0,%s\n", k, values[i])
			}
		}
		var doc ratingsDocument
		followed(t, &doc, "ratings", rows, "--max-class", r["max_class"])
		c.is(r["case"], &doc.Treatments[0].Days[0].Index, number(t, r["index_percent"]))
	}
	c.done(7)
}

// Efficacies of check/05_disease through the command, 1e-9 relative. Percent
// mortalities become dead of 200.
func TestFollowEfficacy_Published(t *testing.T) {
	c := &near{t: t, tol: 1e-9}
	for _, r := range checkRows(t, "05_disease/efficacy.csv") {
		var a, b, x, y float64
		var doc efficacyDocument
		want := number(t, r["percent"])
		if n, _ := fmt.Sscanf(r["inputs"], "treated %g control %g", &a, &b); n == 2 {
			followed(t, &doc, "efficacy", fmt.Sprintf("role,dead,total\ntreated,%g,200\nuntreated,%g,200\n", 2*a, 2*b), "--formula", "schneider-orelli", "--resamples", "100")
		} else if n, _ := fmt.Sscanf(r["inputs"], "control after %g treated after %g", &a, &b); n == 2 {
			followed(t, &doc, "efficacy", fmt.Sprintf("role,after\ntreated,%g\ncontrol,%g\n", b, a))
			if doc.Formula != health.FormulaAbbott || !doc.Chosen {
				t.Errorf("formula %s", doc.Formula)
			}
		} else if n, _ := fmt.Sscanf(r["inputs"], "control before %g after %g; treated before %g after %g", &a, &b, &x, &y); n == 4 {
			table := fmt.Sprintf("role,before,after\ntreated,%g,%g\nuntreated,%g,%g\n", x, y, a, b)
			followed(t, &doc, "efficacy", table, "--formula=sun_shepard")
			c.is("Sun-Shepard "+r["inputs"], doc.Efficacy, want)
			doc = efficacyDocument{}
			followed(t, &doc, "efficacy", table)
			if doc.Formula != health.FormulaHendersonTilton || !strings.Contains(doc.Meaning[0], "because the file has counts before and after") {
				t.Errorf("formula %s: %s", doc.Formula, doc.Meaning)
			}
		} else {
			continue
		}
		c.is(r["formula"]+" "+r["inputs"], doc.Efficacy, want)
	}
	for _, r := range checkRows(t, "05_disease/vaccine_type_efficacy.csv") {
		var doc efficacyDocument
		followed(t, &doc, "efficacy", fmt.Sprintf("role,dead,total\ntreated,%s,%s\nuntreated,%s,%s\n", r["dead_treated"], r["n_treated"], r["dead_control"], r["n_control"]))
		c.is("efficacy", doc.Efficacy, number(t, r["efficacy_percent"]))
		c.is("low", doc.Low, 100*(1-number(t, r["hi95"])))
		c.is("high", doc.High, 100*(1-number(t, r["lo95"])))
	}
	c.done(7 + 4 + 6)
}

// Fewer than 5 diseased, or 5 %, among the untreated: no verdict in words or
// JSON, whatever the interval says (SCIENCE S18).
func TestFollowEfficacy_NoVerdict(t *testing.T) {
	for _, row := range []string{"4,10", "10,400"} {
		var doc efficacyDocument
		followed(t, &doc, "efficacy", "role,dead,total\ntreated,0,1000\nuntreated,"+row+"\n")
		if doc.Verdict != health.NoVerdict || len(doc.Notes) == 0 || !strings.HasPrefix(doc.Meaning[1], "No verdict") {
			t.Errorf("untreated %s: %s %s", row, doc.Verdict, doc.Meaning)
		}
	}
}

// Least-squares fits of check/02_focus through the command: parameters and DT
// 1e-6 relative, RSS 1e-8 and error level 1e-6 (tolerances of its passport).
// Percent of the applied stand for mg/kg.
func TestFollowDecline_FOCUS(t *testing.T) {
	tables := map[string]string{}
	for i, r := range checkRows(t, "02_focus/datasets.csv") {
		name := r["dataset"]
		if name == "F" {
			name = "F " + r["name"]
		} else if r["name"] != "parent" {
			continue
		}
		if r["value"] == "" {
			continue
		}
		row := func(to, value string) {
			if tables[to] == "" {
				tables[to] = "tree,day,mg_kg\n"
			}
			tables[to] += fmt.Sprintf("S%d,%s,%s\n", i, r["time"], value)
		}
		row(name, r["value"])
		if name == "F system" { // see the passport
			value := r["value"]
			if r["time"] == "3" {
				value = "91.9"
			}
			row("F system (91.9)", value)
		}
	}
	c := &near{t: t, tol: 1e-6}
	for _, r := range checkRows(t, "02_focus/expected.csv") {
		model := decline.Model(strings.ToLower(r["model"]))
		var doc declineDocument
		followed(t, &doc, "decline", tables[r["dataset"]], "--model", string(model), "--errors=constant")
		what := r["dataset"] + " " + r["model"] + " "
		if len(doc.Series) != 1 || doc.Fit == nil || doc.Model != model {
			t.Errorf("%sno fit at the top of the document", what)
			continue
		}
		if n := number(t, r["n"]); float64(doc.Series[0].N) != n {
			t.Errorf("%s%d assays, want %v", what, doc.Series[0].N, n)
		}
		if doc.C0 != doc.Parameters["c0"].Value {
			t.Errorf("%sc0 differs from its parameter", what)
		}
		for i, key := range decline.Names(model) {
			p := doc.Parameters[key].Value
			c.is(what+key, &p, number(t, r[[]string{"M0", "p1", "p2", "p3"}[i]]))
		}
		c.is(what+"DT50", doc.DT50, number(t, r["DT50"]))
		c.is(what+"DT90", doc.DT90, number(t, r["DT90"]))
		c.is(what+"chi2", doc.Chi2Error, number(t, r["chi2_err_pct"]))
		c.tol = 1e-8
		c.is(what+"rss", &doc.RSS, number(t, r["rss"]))
		c.tol = 1e-6
	}
	c.done(100)
}

// An exact exponential, C = 8 exp(-ln 2/30 t): the half-life is 30 d and 1 mg/kg
// is crossed on day 90 (by hand). The card comes first; whole days are inside.
func TestFollowDecline_Again(t *testing.T) {
	rows := "tree,date,mg_kg\n"
	for i, date := range []string{"2026-05-01", "2026-05-16", "2026-05-31", "2026-06-15", "2026-06-30", "2026-07-15"} {
		wobble := 1 + 0.001*float64(1-2*(i%2))
		rows += fmt.Sprintf("E%d,%s,%.9f\n", i, date, 8*math.Exp2(-float64(i)/2)*wobble)
	}
	for _, x := range []struct {
		interval, say string
	}{{"40.5", "Treat again between day 41 (2026-06-11), when the card allows it, and day 89 (2026-07-29)"}, {"120", "The card allows the next treatment from day 120 (2026-08-29) only"}} {
		var doc declineDocument
		followed(t, &doc, "decline", rows, "--model=sfo", "--errors=proportional", "--effective=1 mg/kg", "--min-interval-d="+x.interval, "--day-zero=2026-05-01")
		(&near{t: t, tol: 1e-3}).is("DT50", doc.DT50, 30)
		again := doc.Series[0].Again
		(&near{t: t, tol: 1e-3}).is("crossing", again.CurveDay, 90)
		if *again.ByDay > *again.CurveDay || again.FromDay != number(t, x.interval) {
			t.Errorf("again %+v", again)
		}
		if text := strings.Join(doc.Meaning, " "); !strings.Contains(text, x.say) {
			t.Errorf("want %q in %q", x.say, text)
		}
	}
}

// bareID is an identifier where a sentence or caption should stand.
var bareID = regexp.MustCompile(`(?m)(^|\s)(ratings|survival|efficacy|decline|again|hazard|follow|col|head|severity|assay|day|option)-[a-z][a-z0-9-]*`)

// Every word that is put together from a value has its message.
func TestFollow_WordsOfValues(t *testing.T) {
	all := lang.Messages()
	want := []string{"efficacy-chosen-abbott", "efficacy-chosen-henderson-tilton", "efficacy-chosen-risk-ratio"}
	for _, f := range formulas {
		want = append(want, "efficacy-name-"+f)
	}
	for _, v := range []health.Verdict{health.Works, health.Worse, health.NotShown, health.NoVerdict} {
		want = append(want, "efficacy-verdict-"+string(v))
	}
	for _, m := range []string{"log-normal", "score", "delta", "exact-poisson", "bca"} {
		want = append(want, "efficacy-interval-"+m)
	}
	for _, end := range []string{"followed", "dead", "removed"} {
		want = append(want, "ratings-end-"+end)
	}
	for _, x := range []decline.Errors{decline.Constant, decline.Proportional} {
		want = append(want, "decline-errors-"+string(x))
	}
	for _, id := range want {
		if m, ok := all[id]; !ok || m.EN == "" || m.ES == "" {
			t.Errorf("%s is not in the catalogue", id)
		}
	}
}

// Whatever the table holds, the command ends with 0 or 2, prints no NaN and no
// infinity, and under --json one document.
func TestFollow_FiguresAreFinite(t *testing.T) {
	dir := t.TempDir()
	cell := rapid.SampledFrom([]string{"0", "1", "2", "5", "10", "100", "0.5", "", "3", "20", "60"})
	commands := map[string]string{
		"ratings": "tree,treatment,day,rating_pct,status", "survival": "tree,treatment,days,died",
		"efficacy": "role,dead,total", "decline": "tree,day,mg_kg,detection_limit",
	}
	rapid.Check(t, func(t *rapid.T) {
		command := rapid.SampledFrom([]string{"ratings", "survival", "efficacy", "decline"}).Draw(t, "command")
		var b strings.Builder
		b.WriteString(commands[command] + "\n")
		for i := range rapid.IntRange(1, 9).Draw(t, "rows") {
			treatment := rapid.SampledFrom([]string{"untreated", "infusion"}).Draw(t, "treatment")
			switch command {
			case "ratings":
				fmt.Fprintf(&b, "E%d,%s,%s,%s,%s\n", i%3, []string{"untreated", "infusion", "infusion"}[i%3], cell.Draw(t, "day"), cell.Draw(t, "rating"), rapid.SampledFrom([]string{"", "", "", "dead", "removed"}).Draw(t, "status"))
			case "survival":
				fmt.Fprintf(&b, "E%d,%s,%s,%s\n", i, treatment, cell.Draw(t, "days"), rapid.SampledFrom([]string{"0", "1"}).Draw(t, "died"))
			case "efficacy":
				fmt.Fprintf(&b, "%s,%s,%s\n", rapid.SampledFrom([]string{"treated", "untreated"}).Draw(t, "role"), rapid.SampledFrom([]string{"0", "1", "2", "5"}).Draw(t, "dead"), rapid.SampledFrom([]string{"5", "10", "100"}).Draw(t, "total"))
			case "decline":
				fmt.Fprintf(&b, "E%d,%d,%s,1\n", i%2, 10*i, rapid.SampledFrom([]string{"nd", "<1", "1", "2", "5", "10", "20", "100"}).Draw(t, "residue"))
			}
		}
		path := filepath.Join(dir, "random.csv")
		if err := os.WriteFile(path, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
		for _, more := range [][]string{{}, {"--json"}, {"--lang=es", "--units=us"}} {
			args := append([]string{command, path}, more...)
			switch command {
			case "efficacy":
				args = append(args, "--resamples=100")
			case "decline":
				args = append(args, "--effective=3 mg/kg", "--min-interval-d=20")
			}
			var out, errs strings.Builder
			status := Main(args, strings.NewReader(""), &out, &errs)
			if status != 0 && status != 2 || status == 2 && errs.Len() == 0 {
				t.Fatalf("exit %d: %s", status, errs.String())
			}
			for _, word := range []string{"NaN", "Inf", "%!", "…"} {
				if strings.Contains(out.String()+errs.String(), word) {
					t.Fatalf("%s in %s%s\n%s", word, out.String(), errs.String(), b.String())
				}
			}
			if m := bareID.FindString(out.String() + errs.String()); m != "" && len(more) != 1 {
				t.Fatalf("a message without words: %s", m)
			}
			if len(more) == 1 && !json.Valid([]byte(out.String())) {
				t.Fatalf("not one document: %s", out.String())
			}
		}
	})
}

// Whatever stands in the cells, every problem is one line with its file, and
// nothing but 0 or 2 comes back.
func TestFollow_AnyCell(t *testing.T) {
	dir := t.TempDir()
	heads := map[string]string{
		"ratings": "tree,treatment,day,rating_pct,status", "survival": "tree,treatment,date,died,block",
		"efficacy": "role,before,after,block", "decline": "tree,day,mg_kg,detection_limit,height_m",
	}
	junk := rapid.SampledFrom([]string{"", " ", "0", "1", "-1", "1e9", "1,5", "<", "<0", "<-1", "< nd", "<<1", "nd", "N.D.", "NaN", "Inf", "2026-02-30", "2026-02-28", "9999-12-31", "0001-01-01", "#N/A", "'=1", "\"a\"\"b\"", "treated", "dead", "\u00b5", "\u2028", "99999999999999999999"})
	rapid.Check(t, func(t *rapid.T) {
		command := rapid.SampledFrom([]string{"ratings", "survival", "efficacy", "decline"}).Draw(t, "command")
		head := heads[command]
		rows := []string{head}
		for range rapid.IntRange(0, 5).Draw(t, "rows") {
			cells := make([]string, strings.Count(head, ",")+1)
			for i := range cells {
				cells[i] = junk.Draw(t, "cell")
				if strings.Contains(cells[i], ",") {
					cells[i] = "\"" + cells[i] + "\""
				}
			}
			rows = append(rows, strings.Join(cells, ","))
		}
		path := filepath.Join(dir, "any.csv")
		if err := os.WriteFile(path, []byte(strings.Join(rows, "\n")+"\n"), 0o644); err != nil {
			t.Fatal(err)
		}
		args := []string{command, path}
		if command == "survival" {
			args = append(args, "--strata=block", "--day-zero=2026-01-01")
		}
		var out, errs strings.Builder
		if status := Main(args, strings.NewReader(""), &out, &errs); status != 0 && status != 2 {
			t.Fatalf("exit %d: %s", status, errs.String())
		} else if status == 2 && (out.Len() > 0 || errs.Len() == 0) {
			t.Fatalf("a fault beside an answer: %s%s", out.String(), errs.String())
		}
		for _, line := range strings.Split(strings.TrimSuffix(errs.String(), "\n"), "\n") {
			if line != "" && !strings.HasPrefix(line, path+":") {
				t.Fatalf("no file in %q", line)
			}
		}
	})
}
