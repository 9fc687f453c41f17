package cli

import (
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	generate "github.com/invopop/jsonschema"
	validate "github.com/santhosh-tekuri/jsonschema/v6"

	"sapward/flow/compare"
	"sapward/flow/protect"
	"sapward/plan"
)

const comparisonSchema = "../../docs/schema/comparison.schema.json"

// compareArgs compare the methods on the demo avenue with few draws.
func compareArgs(dir string, more ...string) []string {
	at := func(name string) string { return filepath.Join(dir, "avenue", name) }
	return append([]string{"compare", at("trees.csv"), "--card=" + at("card.yaml"), "--site=elm", "--target=vascular wilt", "--territory=DEMO", "--on=2026-06-17", "--area_ha=1.2", "--bloom=no",
		"--certificate-valid-to=2027-12-31", "--wounds=" + at("wounds.csv"), "--crew=3", "--zone=Europe/Madrid", "--climate=" + at("climate.csv"), "--lat=45.9", "--elevation_m=210", "--foliage=4-10",
		"--effective=0.5 mg/L sap", "--draws=64"}, more...)
}

func comparisonDoc(t *testing.T, dir string, more ...string) (compare.Document, string) {
	t.Helper()
	stdout, stderr, status := run(t, compareArgs(dir, append([]string{"--json"}, more...)...)...)
	if status != 0 {
		t.Fatalf("exit %d: %s", status, stderr)
	}
	var doc compare.Document
	if err := json.Unmarshal([]byte(stdout), &doc); err != nil {
		t.Fatal(err)
	}
	return doc, stdout
}

// What the card side of the comparison says is what plan says of each method.
func TestCompare_AgreesWithPlan(t *testing.T) {
	dir := estate(t)
	doc, _ := comparisonDoc(t, dir)
	for _, m := range doc.Methods {
		args := compareArgs(dir)[2:]
		args = append([]string{"plan", filepath.Join(dir, "avenue/trees.csv"), "--json", "--method=" + m.Method}, args...)
		var keep []string
		for _, a := range args {
			if strings.HasPrefix(a, "--draws") || strings.HasPrefix(a, "--climate") { // those are compare's
				continue
			}
			keep = append(keep, a)
		}
		stdout, stderr, status := run(t, keep...)
		if status == exitBad {
			t.Fatal(stderr)
		}
		var p plan.Plan
		if err := json.Unmarshal([]byte(stdout), &p); err != nil {
			t.Fatal(err)
		}
		if m.Verdict != p.Verdict || m.Planned != p.Totals.Planned || m.Refused != p.Totals.RefusedTrees || m.Ports != p.Totals.Ports || m.ProductML != p.Totals.Product || m.WaterML != p.Totals.Water {
			t.Errorf("%s: %+v beside %+v", m.Method, m, p.Totals)
		}
		for _, tr := range p.Trees {
			if tr.Tag != doc.Tree.Tree {
				continue
			}
			// 200 g/L on the invented card: 0.2 g in a mL of product
			if m.Tree.Ports != len(tr.Ports) || m.Tree.WoundPct != tr.WoundPct || math.Abs(m.Tree.ActiveG-0.2*tr.Product.ML()) > 1e-9 {
				t.Errorf("%s: %+v beside %+v", m.Method, m.Tree, tr)
			}
		}
	}
}

// The document holds what DESIGN section 4 asks for; its parts agree.
func TestCompare_Document(t *testing.T) {
	dir := estate(t)
	doc, text := comparisonDoc(t, dir)
	p := doc.Probability
	if p == nil || math.Abs(p.Earlier+p.Later+p.Same+p.Neither-1) > 1e-9 || p.Longer+p.Shorter > 1 {
		t.Errorf("probability %+v", p)
	}
	if len(doc.Methods) != 2 || len(doc.Drivers) == 0 || len(doc.Layouts) != 2 || len(doc.Maps) == 0 || len(doc.Arrival) == 0 || doc.Equal == nil || doc.Verdict.Sentence == "" {
		t.Errorf("a part is missing")
	}
	for _, c := range doc.Coverage {
		for _, b := range []protect.Band{c.Crown, *c.Trunk} {
			if !(0 <= b.P10 && b.P10 <= b.P50 && b.P50 <= b.P90 && b.P90 <= 100+1e-9) {
				t.Errorf("%s day %g: %+v", c.Method, c.DayD, b)
			}
		}
	}
	for _, a := range doc.Assumptions {
		if !(a.Low <= a.Typical && a.Typical <= a.High) || a.Mark == "" || a.Source == "" {
			t.Errorf("%+v", a)
		}
	}
	again, stderr, _ := run(t, compareArgs(dir, "--json")...)
	if again != text || stderr != "" {
		t.Errorf("a second run differs, or said %q", stderr)
	}
	other, _ := comparisonDoc(t, dir, "--seed=2")
	if reflect.DeepEqual(other.Probability, doc.Probability) && reflect.DeepEqual(other.Coverage, doc.Coverage) {
		t.Error("another seed gives the same draws")
	}
}

// A higher level is reached later and in less of the crown, in every band.
func TestCompare_LevelOrdersAnswers(t *testing.T) {
	dir := estate(t)
	low, _ := comparisonDoc(t, dir, "--effective=0.05 mg/L sap")
	high, _ := comparisonDoc(t, dir, "--effective=5 mg/L sap")
	for i := range low.Methods {
		a, b := low.Methods[i], high.Methods[i]
		if a.FirstDayD.P50 > b.FirstDayD.P50 || a.PeakCoveragePct.P50 < b.PeakCoveragePct.P50 || a.ReachesPct < b.ReachesPct || a.ReachesPct == b.ReachesPct && a.ReachesPct < 99 {
			t.Errorf("%s: %+v at a hundredth of the level of %+v", a.Method, a.Line, b.Line)
		}
	}
}

// Assays narrow the answer, stand in the document with what was expected, and
// the prior stays beside the posterior.
func TestCompare_Assays(t *testing.T) {
	dir := estate(t)
	doc, _ := comparisonDoc(t, dir, "--assays="+filepath.Join(dir, "avenue/assays.csv"), "--assay-method=infusion")
	a := doc.Assays
	if a == nil || len(a.Points) != 14 || a.Trees != 2 || a.NotDetected != 1 || a.EffectiveDraws < 100 || a.Contradicting {
		t.Fatalf("%+v", a)
	}
	for _, p := range a.Points {
		if p.Posterior.P90/math.Max(p.Posterior.P10, 1e-9) >= p.Prior.P90/math.Max(p.Prior.P10, 1e-9) {
			t.Errorf("%s day %g at %g m: %+v is no narrower than %+v", p.Tree, p.DayD, p.HeightM, p.Posterior, p.Prior)
		}
	}
	if doc.Verdict.Prior == nil || doc.Methods[0].Prior == nil || doc.Coverage[0].Prior == nil {
		t.Error("the answer before the assays is missing")
	}
	// The same place and day a thousandfold apart: the answer says so and widens.
	text, err := os.ReadFile(filepath.Join(dir, "avenue/assays.csv"))
	if err != nil {
		t.Fatal(err)
	}
	bad := written(t, "assays.csv", string(text)+"F035,30,0.05,,3,12,wood\nF035,30,0.06,,9,12,wood\n")
	doc, _ = comparisonDoc(t, dir, "--assays="+bad, "--assay-method=infusion")
	if !doc.Assays.Contradicting || doc.Assays.Widened <= 1 {
		t.Errorf("contradicting assays pass: %+v", doc.Assays)
	}
}

// Every kind of wrong input ends with 2, one line a fault, and where it is.
func TestCompare_BadInput(t *testing.T) {
	dir := estate(t)
	assays := func(rows string) string {
		return "--assays=" + written(t, "a.csv", "tree,day,mg_kg,detection_limit,height_m,azimuth_deg,tissue\n"+rows)
	}
	for _, c := range []struct {
		name string
		args []string
		want []string
	}{
		{"level", []string{"--effective=0.5 ppm"}, []string{"0.5 ppm is not an effective level"}},
		{"level of nothing", []string{"--effective=0 mg/L sap"}, []string{"is not an effective level"}},
		{"leaf in mg/L", []string{"--effective=1 mg/L leaf"}, []string{"is not an effective level"}},
		{"days and draws", []string{"--days=0", "--draws=3", "--share_pct=101"}, []string{"--days", "--draws", "--share_pct"}},
		{"no day", []string{"--on="}, []string{"The day of work is missing"}},
		{"no weather", []string{"--climate="}, []string{"Nothing is known of the weather"}},
		{"no foliage", []string{"--foliage="}, []string{"leaves are out"}},
		{"unknown tree", []string{"--tree=Z999"}, []string{"Z999"}},
		{"assays without method", []string{assays("F035,30,5,0.1,3,10,wood\n")}, []string{"how the assayed trees were treated"}},
		{"assays without place", []string{assays("F035,30,5,0.1,,10,wood\nF035,30,5,0.1,3,,wood\n"), "--assay-method=infusion"}, []string{"a.csv:2", "a.csv:3", "height_m and azimuth_deg"}},
		{"leaf assay", []string{assays("F035,30,5,0.1,3,10,leaf\n"), "--assay-method=infusion"}, []string{"a.csv:2", "leaf is not wood"}},
		{"assay before the work", []string{assays("F035,0,5,0.1,3,10,wood\n"), "--assay-method=infusion"}, []string{"a.csv:2", "day 0"}},
		{"assay of an unknown tree", []string{assays("Z1,30,5,0.1,3,10,wood\n"), "--assay-method=infusion"}, []string{"Z1"}},
	} {
		stdout, stderr, status := run(t, compareArgs(dir, c.args...)...)
		if status != exitBad || stdout != "" {
			t.Errorf("%s: exit %d, printed %q", c.name, status, stdout)
		}
		for _, w := range c.want {
			if !strings.Contains(stderr, w) {
				t.Errorf("%s: %q is not in %q", c.name, w, stderr)
			}
		}
	}
}

// A card that refuses the month by one method leaves the other to be followed
// alone; what refuses it is said.
func TestCompare_OneMethodRefused(t *testing.T) {
	dir := estate(t)
	stdout, stderr, status := run(t, compareArgs(dir, "--method=infusion", "--json")...)
	if status != 0 {
		t.Fatal(stderr)
	}
	var doc compare.Document
	if err := json.Unmarshal([]byte(stdout), &doc); err != nil {
		t.Fatal(err)
	}
	if len(doc.Methods) != 1 || doc.Probability != nil || doc.Verdict.Sooner != compare.Only || !strings.Contains(doc.Verdict.Sentence, "Only infusion") {
		t.Errorf("%+v", doc.Verdict)
	}
	stdout, stderr, status = run(t, compareArgs(dir, "--on=2026-12-10")...) // outside the months of the injection
	if status == exitBad {
		t.Fatal(stderr)
	}
	if !strings.Contains(stdout, "12") {
		t.Error(stdout)
	}
}

// The folder is complete or not at all, and holds the pictures.
func TestCompare_Writes(t *testing.T) {
	dir := estate(t)
	for _, l := range []string{"en", "es"} {
		out := filepath.Join(t.TempDir(), "out")
		if _, stderr, status := run(t, compareArgs(dir, "--out="+out, "--lang="+l, "--units=us")...); status != 0 {
			t.Fatal(stderr)
		}
		for _, name := range []string{"comparison.json", "comparison.pdf", "coverage-crown.svg", "coverage-trunk.svg", "map-infusion-day-7.svg", "map-injection-day-90.svg", "arrival-infusion.svg"} {
			data, err := os.ReadFile(filepath.Join(out, name))
			if err != nil || len(data) < 1000 {
				t.Errorf("%s %s: %d bytes, %v", l, name, len(data), err)
			}
			if strings.Contains(string(data), "compare-") && strings.HasSuffix(name, "svg") {
				t.Errorf("%s %s holds a message without words", l, name)
			}
		}
	}
}

// generateComparisonSchema makes the JSON Schema of a comparison from its types.
func generateComparisonSchema(t *testing.T) []byte {
	t.Helper()
	r := &generate.Reflector{Anonymous: true, ExpandedStruct: true}
	point := func() *generate.Schema {
		return &generate.Schema{OneOf: []*generate.Schema{{Type: "number"}, {Type: "null", Description: "not within the horizon"}}}
	}
	r.Mapper = func(x reflect.Type) *generate.Schema {
		switch x.String() {
		case "plan.Microlitres":
			return &generate.Schema{Type: "number", Description: "mL, at most three decimals"}
		case "finding.Value":
			return &generate.Schema{Description: "a text, or a number with its unit"}
		case "protect.Band":
			p := generate.NewProperties()
			p.Set("p10", point())
			p.Set("p50", point())
			p.Set("p90", point())
			return &generate.Schema{Type: "object", Properties: p, Required: []string{"p10", "p50", "p90"}, AdditionalProperties: generate.FalseSchema}
		}
		return nil
	}
	s := r.Reflect(&compare.Document{})
	s.ID = generate.ID(compare.Schema)
	s.Title = "Sapward comparison"
	s.Description = "Injection beside infusion. Names carry their unit: _cm _m _ml _g _h _d _deg _pct. Probabilities are those of infusion against injection."
	data, err := json.MarshalIndent(s, "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	// What may be missing is null in the document.
	return append(nullable(t, data), '\n')
}

// nullable lets the parts that a comparison may lack be null.
func nullable(t *testing.T, data []byte) []byte {
	t.Helper()
	var s map[string]any
	if err := json.Unmarshal(data, &s); err != nil {
		t.Fatal(err)
	}
	var walk func(x any)
	walk = func(x any) {
		switch v := x.(type) {
		case map[string]any:
			if p, ok := v["properties"].(map[string]any); ok {
				for _, name := range []string{"probability", "equal_ports", "assays", "crew_h", "wound_pct", "cost", "tree", "trunk_peak_pct", "trunk_pct", "first_day_cannot_be_said", "days_cannot_be_said", "unpriced", "open", "refusals"} {
					if inner, ok := p[name].(map[string]any); ok && (inner["$ref"] != nil || inner["type"] == "array" || inner["type"] == "object" || name == "crew_h" || name == "wound_pct" && p["labelled"] != nil) {
						p[name] = map[string]any{"oneOf": []any{inner, map[string]any{"type": "null"}}}
					}
				}
				// of a method without ports on the model tree
				if _, ok := p["labelled"]; ok {
					delete(v, "required")
				}
			}
			for _, inner := range v {
				walk(inner)
			}
		case []any:
			for _, inner := range v {
				walk(inner)
			}
		}
	}
	walk(s)
	out, err := json.MarshalIndent(s, "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// The published schema is what the types say, and holds for what is written.
func TestComparisonSchema(t *testing.T) {
	want := generateComparisonSchema(t)
	if *update {
		if err := os.WriteFile(comparisonSchema, want, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile(comparisonSchema)
	if err != nil {
		t.Fatal(err)
	}
	if string(got) != string(want) {
		t.Error("docs/schema/comparison.schema.json is stale; run this test with -args -update")
	}
	doc, err := validate.UnmarshalJSON(strings.NewReader(string(got)))
	if err != nil {
		t.Fatal(err)
	}
	c := validate.NewCompiler()
	if err := c.AddResource("comparison.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("comparison.json")
	if err != nil {
		t.Fatal(err)
	}
	dir := estate(t)
	for _, more := range [][]string{nil, {"--method=infusion"}, {"--assays=" + filepath.Join(dir, "avenue/assays.csv"), "--assay-method=infusion"}} {
		_, text := comparisonDoc(t, dir, more...)
		value, err := validate.UnmarshalJSON(strings.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Validate(value); err != nil {
			t.Errorf("%v: %v", more, err)
		}
		value.(map[string]any)["surprise"] = 1
		if s.Validate(value) == nil {
			t.Error("an unknown field passes the schema")
		}
	}
}
