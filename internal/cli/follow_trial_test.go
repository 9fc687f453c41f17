package cli

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	generate "github.com/invopop/jsonschema"
	validate "github.com/santhosh-tekuri/jsonschema/v6"

	"sapward/internal/report"
)

// trialSchemas are the published schemas of the three trial documents.
var trialSchemas = []struct {
	file, id, title string
	of              any
}{
	{"../../docs/schema/trial-layout.schema.json", report.TrialLayoutSchema, "Sapward trial layout", &report.TrialLayoutDocument{}},
	{"../../docs/schema/trial-power.schema.json", "sapward/trial-power/1", "Sapward trial power", &report.TrialPowerDocument{}},
	{"../../docs/schema/trial-split-power.schema.json", "sapward/trial-split-power/1", "Sapward power of a split plot", &trialSplitPowerDocument{}},
	{"../../docs/schema/trial-analysis.schema.json", "sapward/trial-analysis/1", "Sapward trial analysis", &report.TrialAnalysisDocument{}},
}

func generateTrialSchema(t *testing.T, of any, id, title string) []byte {
	t.Helper()
	r := &generate.Reflector{Anonymous: true, ExpandedStruct: true}
	r.Mapper = func(x reflect.Type) *generate.Schema {
		switch x.String() {
		case "finding.Value":
			return &generate.Schema{Description: "a text, or a number with its unit"}
		case "civil.Date":
			return &generate.Schema{Type: "string", Format: "date"}
		}
		return nil
	}
	s := r.Reflect(of)
	s.ID = generate.ID(id)
	s.Title = title
	s.Description = "Names carry their unit: _cm _m _pct. A figure that the data cannot give is null."
	data, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	absent := map[string]bool{}
	absentFields(reflect.TypeOf(of), absent)
	var tree map[string]any
	if err := json.Unmarshal(data, &tree); err != nil {
		t.Fatal(err)
	}
	orNull(tree, absent)
	mayLack(tree, reflect.TypeOf(of).Elem())
	if data, err = json.MarshalIndent(tree, "", "  "); err != nil {
		t.Fatal(err)
	}
	return append(data, '\n')
}

// absentFields collects the JSON names of pointers that are written as null.
func absentFields(x reflect.Type, out map[string]bool) {
	for x.Kind() == reflect.Pointer || x.Kind() == reflect.Slice || x.Kind() == reflect.Map {
		x = x.Elem()
	}
	if x.Kind() != reflect.Struct {
		return
	}
	for i := range x.NumField() {
		f := x.Field(i)
		name, options, _ := strings.Cut(f.Tag.Get("json"), ",")
		if f.Type.Kind() == reflect.Pointer && name != "" && !strings.Contains(options, "omitempty") {
			out[name] = true
		}
		absentFields(f.Type, out)
	}
}

// mayLack takes what an embedded pointer brings off the list of what a document
// must have: it is not there where the pointer is nil.
func mayLack(tree map[string]any, of reflect.Type) {
	for i := range of.NumField() {
		f := of.Field(i)
		if !f.Anonymous || f.Type.Kind() != reflect.Pointer {
			continue
		}
		drop := map[string]bool{}
		for k := range f.Type.Elem().NumField() {
			name, _, _ := strings.Cut(f.Type.Elem().Field(k).Tag.Get("json"), ",")
			drop[name] = true
		}
		required, _ := tree["required"].([]any)
		kept := []any{}
		for _, name := range required {
			if !drop[name.(string)] {
				kept = append(kept, name)
			}
		}
		tree["required"] = kept
	}
}

// orNull lets those names be null wherever they stand.
func orNull(x any, absent map[string]bool) {
	switch v := x.(type) {
	case map[string]any:
		if p, ok := v["properties"].(map[string]any); ok {
			for name := range p {
				if absent[name] {
					p[name] = map[string]any{"oneOf": []any{p[name], map[string]any{"type": "null"}}}
				}
			}
		}
		for _, inner := range v {
			orNull(inner, absent)
		}
	case []any:
		for _, inner := range v {
			orNull(inner, absent)
		}
	}
}

func TestTrialSchema_IsFresh(t *testing.T) {
	for _, x := range trialSchemas {
		want := generateTrialSchema(t, x.of, x.id, x.title)
		if *update {
			if err := os.WriteFile(x.file, want, 0o644); err != nil {
				t.Fatal(err)
			}
			continue
		}
		got, err := os.ReadFile(x.file)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, want) {
			t.Errorf("%s is stale; run this test with -args -update", x.file)
		}
	}
}

const inventedTrees = `tree,diameter_cm,status,x_m,y_m
E1,30.1,healthy,0,0
E2,31.4,healthy,8,0
E3,29.2,healthy,16,0
E4,44.6,healthy,24,0
E5,43.2,symptomatic,32,0
E6,52.3,healthy,40,0
E7,51.0,healthy,0,8
E8,38.5,healthy,8,8
E9,37.2,healthy,16,8
E10,46.6,healthy,24,8
E11,28.8,healthy,32,8
E12,35.9,healthy,40,8
`

// A whole trial: laid out, rated, analysed, its documents checked against the
// schemas, its folders written, and again with the same bytes.
func TestTrial_FromDesignToReport(t *testing.T) {
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	write := func(name, text string) {
		if err := os.WriteFile(at(name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("trees.csv", inventedTrees)
	documents := [][]string{
		{"trial", "design", at("trees.csv"), "--treatments", "untreated,infusion", "--control", "untreated", "--block-by", "distance", "--seed", "7", "--out", at("laid")},
		{"trial", "power", "--means", "60,30", "--plot-sd", "15", "--from", "3", "--to", "4", "--sims", "200"},
		{"trial", "power", "--design", "split-plot", "--split-means", "60,55;50,30", "--main-sd", "5", "--plot-sd", "8", "--from", "3", "--to", "4", "--sims", "200", "--effect", "interaction"},
		{"trial", "analyse", at("results.csv"), "--value", "wilt_pct", "--layout", at("laid/layout.json"), "--out", at("package")},
	}
	write("results.csv", "plot,wilt_pct,reason\n1,60,\n2,22,\n3,20,\n4,71,\n5,55,\n6,15,\n7,,removed\n8,66,\n")
	for i, args := range documents {
		args = append(args, "--json")
		out, errs, status := run(t, args...)
		if status != 0 {
			t.Fatalf("%v ended with %d: %s", args, status, errs)
		}
		data, err := os.ReadFile(trialSchemas[i].file)
		if err != nil {
			t.Fatal(err)
		}
		doc, err := validate.UnmarshalJSON(bytes.NewReader(data))
		if err != nil {
			t.Fatal(err)
		}
		c := validate.NewCompiler()
		if err := c.AddResource("s.json", doc); err != nil {
			t.Fatal(err)
		}
		s, err := c.Compile("s.json")
		if err != nil {
			t.Fatal(err)
		}
		value, err := validate.UnmarshalJSON(strings.NewReader(out))
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Validate(value); err != nil {
			t.Errorf("%v: %v", args, err)
		}
		value.(map[string]any)["surprise"] = 1
		if s.Validate(value) == nil {
			t.Errorf("%v: an unknown field passes the schema", args)
		}
		if again, _, _ := run(t, args...); again != out {
			t.Errorf("%v: the same input gives other output", args)
		}
		if strings.Contains(out, "NaN") || strings.Contains(out, "Inf") {
			t.Errorf("%v: a figure that is none", args)
		}
	}
	// What the assessor gets tells no treatment.
	sheet, err := os.ReadFile(at("laid/assessor.csv"))
	if err != nil || bytes.Contains(sheet, []byte("infusion")) || bytes.Contains(sheet, []byte("untreated")) {
		t.Errorf("assessor.csv: %v", err)
	}
	before := map[string][]byte{}
	for _, folder := range []string{"laid", "package"} {
		entries, err := os.ReadDir(at(folder))
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range entries {
			data, err := os.ReadFile(at(folder + "/" + f.Name()))
			if err != nil || len(data) == 0 {
				t.Fatal(f.Name(), err)
			}
			before[folder+"/"+f.Name()] = data
		}
	}
	for _, i := range []int{0, 3} {
		if _, errs, status := run(t, documents[i]...); status != 0 {
			t.Fatal(errs)
		}
	}
	for name, data := range before {
		if again, _ := os.ReadFile(at(name)); !bytes.Equal(again, data) {
			t.Errorf("%s changes when written again", name)
		}
	}
}
