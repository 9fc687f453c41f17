package cli

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	generate "github.com/invopop/jsonschema"
	validate "github.com/santhosh-tekuri/jsonschema/v6"

	"sapward/finding"
	"sapward/internal/demo"
	"sapward/plan"
)

var update = flag.Bool("update", false, "write the generated schema")

const planSchema = "../../docs/schema/plan.schema.json"

// generatePlanSchema makes the JSON Schema of a plan document from its types.
func generatePlanSchema(t *testing.T) []byte {
	t.Helper()
	r := &generate.Reflector{Anonymous: true, DoNotReference: false, ExpandedStruct: true}
	r.Mapper = func(x reflect.Type) *generate.Schema {
		switch x.String() {
		case "plan.Microlitres":
			return &generate.Schema{Type: "number", Description: "mL, at most three decimals"}
		case "finding.Value":
			return &generate.Schema{Description: "a text, or a number with its unit"}
		}
		return nil
	}
	r.Namer = func(x reflect.Type) string { // crew and plan both have refused trees
		if strings.HasSuffix(x.PkgPath(), "/crew") {
			return "Crew" + x.Name()
		}
		return x.Name()
	}
	s := r.Reflect(&plan.Plan{})
	outfit := []string{"day", "walk", "mixing", "uptake"} // there once a day of work is given
	s.Required = slices.DeleteFunc(s.Required, func(n string) bool { return slices.Contains(outfit, n) })
	s.ID = generate.ID(plan.Schema)
	s.Title = "Sapward plan"
	s.Description = "The plan of a treatment. Names carry their unit: _cm _mm _ml _l _g _h _deg _pct."
	data, err := json.MarshalIndent(s, "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	return append(data, '\n')
}

// The published schema is what the types say.
func TestPlanSchema_IsFresh(t *testing.T) {
	want := generatePlanSchema(t)
	if *update {
		if err := os.WriteFile(planSchema, want, 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	got, err := os.ReadFile(planSchema)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Error("docs/schema/plan.schema.json is stale; run this test with -args -update")
	}
}

// estate writes the demo's files into a temporary folder.
func estate(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	for name, data := range demo.Files() {
		path := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// run runs one command and returns what it printed and how it ended.
func run(t *testing.T, args ...string) (stdout, stderr string, status int) {
	t.Helper()
	var out, err bytes.Buffer
	status = Main(args, strings.NewReader(""), &out, &err)
	return out.String(), err.String(), status
}

// Every plan the demo makes, allowed or refused, by either method, fits the
// published schema and refuses a field it does not know.
func TestPlanSchema_HoldsForPlans(t *testing.T) {
	data, err := os.ReadFile(planSchema)
	if err != nil {
		t.Fatal(err)
	}
	doc, err := validate.UnmarshalJSON(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	c := validate.NewCompiler()
	if err := c.AddResource("plan.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("plan.json")
	if err != nil {
		t.Fatal(err)
	}
	dir := estate(t)
	at := func(name string) string { return filepath.Join(dir, filepath.FromSlash(name)) }
	for _, args := range [][]string{
		{"plan", at("avenue/trees.csv"), "--card", at("avenue/card.yaml"), "--method", "injection", "--on", "2026-06-17", "--wounds", at("avenue/wounds.csv"), "--obstacles", at("avenue/obstacles.csv"), "--history", at("avenue/history.csv")},
		{"plan", at("avenue/trees.csv"), "--card", at("avenue/card.yaml"), "--method", "infusion", "--on", "2026-06-17"},
		{"plan", at("avenue/tape.csv"), "--card", at("avenue/card.yaml"), "--method", "injection", "--block-trees", "164", "--basis", "tree"},
		{"plan", at("avenue/trees.csv"), "--card", at("avenue/card.yaml")},
		{"plan", at("chestnut/trees.csv"), "--card", at("chestnut/card.yaml"), "--method", "injection", "--on", "2026-06-15", "--harvest-from", "2026-07-01"},
	} {
		out, errs, status := run(t, append(args, "--json")...)
		if status > 1 {
			t.Fatalf("%v ended with %d: %s", args, status, errs)
		}
		value, err := validate.UnmarshalJSON(strings.NewReader(out))
		if err != nil {
			t.Fatalf("%v: %v", args, err)
		}
		if err := s.Validate(value); err != nil {
			t.Errorf("%v: %v", args, err)
		}
		var p plan.Plan
		if err := json.Unmarshal([]byte(out), &p); err != nil {
			t.Errorf("%v does not read back: %v", args, err)
		}
		value.(map[string]any)["surprise"] = 1
		if s.Validate(value) == nil {
			t.Errorf("%v: an unknown field passes the schema", args)
		}
	}
}

// The same input gives the same bytes, on screen and in files, and a plan of
// the demo's files is the plan that demo prints: no code knows the demo.
func TestPlan_SameInputSameBytes(t *testing.T) {
	dir := estate(t)
	args := []string{"plan", filepath.Join(dir, "avenue/trees.csv"), "--card", filepath.Join(dir, "avenue/card.yaml"), "--method", "injection", "--on", "2026-06-17", "--json"}
	first, _, _ := run(t, args...)
	second, _, _ := run(t, args...)
	if first != second || len(first) < 10_000 {
		t.Errorf("two runs differ (%d and %d bytes)", len(first), len(second))
	}
	data := filepath.Join(t.TempDir(), "demo")
	if _, errs, status := run(t, "demo", "--once", "--data", data); status != 0 {
		t.Fatalf("demo ended with %d: %s", status, errs)
	}
	line := strings.Split(string(demo.Files()["commands.txt"]), "\n")[1]
	own := words(line)
	for i, a := range own {
		if i > 0 && strings.HasPrefix(a, "avenue/") {
			own[i] = filepath.Join(dir, filepath.FromSlash(a))
		}
	}
	if _, errs, status := run(t, own...); status == exitBad {
		t.Fatalf("plan ended with %d: %s", status, errs)
	}
	for _, name := range []string{"plan.csv", "plan.json"} {
		a, err := os.ReadFile(filepath.Join(data, "avenue/plan", name))
		if err != nil {
			t.Fatal(err)
		}
		b, err := os.ReadFile(filepath.Join(dir, "avenue/plan", name))
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(a, b) {
			t.Errorf("%s of the demo differs from the plan of its files", name)
		}
	}
}

// finding.Value survives JSON.
func TestValue_RoundTrips(t *testing.T) {
	for _, v := range []finding.Value{finding.Text("x"), finding.Number(0, "cm"), finding.Number(3.5, "mL"), finding.Count(0)} {
		data, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		var back finding.Value
		if err := json.Unmarshal(data, &back); err != nil || back != v {
			t.Errorf("%s reads back as %+v (%v)", data, back, err)
		}
	}
}
