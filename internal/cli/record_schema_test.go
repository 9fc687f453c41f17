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

	"sapward/apply/record"
)

const recordSchema = "../../docs/schema/record.schema.json"

// generateRecordSchema makes the JSON Schema of a record file from its types.
func generateRecordSchema(t *testing.T) []byte {
	t.Helper()
	r := &generate.Reflector{Anonymous: true, DoNotReference: true, ExpandedStruct: true}
	plain := func(x reflect.Type) *generate.Schema {
		s := r.ReflectFromType(x)
		s.Version = ""
		return s
	}
	r.Mapper = func(x reflect.Type) *generate.Schema {
		name := x.Name()
		switch {
		case strings.HasPrefix(name, "Fact["):
			f, _ := x.FieldByName("Value")
			none := generate.NewProperties()
			none.Set("none", &generate.Schema{Type: "string", MinLength: new(uint64), Description: "why it does not apply"})
			*none.Value("none").MinLength = 1
			return &generate.Schema{Description: "absent or null: not recorded, which is not zero",
				AnyOf: []*generate.Schema{plain(f.Type), {Type: "object", Properties: none, Required: []string{"none"}, AdditionalProperties: generate.FalseSchema}, {Type: "null"}}}
		case strings.HasPrefix(name, "Measure["):
			p := generate.NewProperties()
			p.Set("value", &generate.Schema{Type: "number"})
			p.Set("unit", &generate.Schema{Type: "string"})
			return &generate.Schema{Type: "object", Properties: p, Required: []string{"value", "unit"}, AdditionalProperties: generate.FalseSchema}
		}
		if x == reflect.TypeFor[json.RawMessage]() { // its name differs between versions of Go
			return &generate.Schema{Type: "object", Description: "the label card as canonical JSON (RFC 8785)"}
		}
		switch x.String() {
		case "record.Decimal":
			return &generate.Schema{Type: "number", Description: "at most 15 digits"}
		case "record.Instant":
			return &generate.Schema{Type: "string", Format: "date-time"}
		case "record.Days":
			return &generate.Schema{Type: "string", Pattern: `^[0-9]{4}-[0-9]{2}-[0-9]{2}(/[0-9]{4}-[0-9]{2}-[0-9]{2})?$`}
		case "civil.Date":
			return &generate.Schema{Type: "string", Format: "date"}
		case "record.Direction":
			return &generate.Schema{Type: "string", Description: "where the wind comes from: a point of the compass, degrees, calm or variable"}
		}
		return nil
	}
	s := r.Reflect(&record.Record{})
	s.ID = generate.ID(record.Schema)
	s.Title = "Sapward application record"
	s.Description = "One application with all its versions. Each version is hashed over its content and the version before it."
	data, err := json.MarshalIndent(s, "", "  ")
	if err != nil {
		t.Fatal(err)
	}
	return append(data, '\n')
}

// The published schema is what the types say.
func TestRecordSchema_IsFresh(t *testing.T) {
	want := generateRecordSchema(t)
	if *update {
		if err := os.WriteFile(recordSchema, want, 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	got, err := os.ReadFile(recordSchema)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Error("docs/schema/record.schema.json is stale; run this test with -args -update")
	}
}

// A record that was entered, amended and signed fits the published schema and
// refuses a name it does not know, at any depth.
func TestRecordSchema_HoldsForRecords(t *testing.T) {
	data, err := os.ReadFile(recordSchema)
	if err != nil {
		t.Fatal(err)
	}
	doc, err := validate.UnmarshalJSON(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	c := validate.NewCompiler()
	c.AssertFormat()
	if err := c.AddResource("record.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("record.json")
	if err != nil {
		t.Fatal(err)
	}
	dir := estate(t)
	file := filepath.Join(t.TempDir(), "r.json")
	for _, args := range [][]string{
		{"record", "new", filepath.Join(dir, "avenue/day.yaml"), "--card", filepath.Join(dir, "avenue/card.yaml"), "--by", "Crew lead", "--out", file},
		{"record", "amend", file, "--set", `stage="75"`, "--by", "Adviser", "--reason", "read"},
		{"record", "sign", file},
	} {
		if _, errs, status := run(t, args...); status != 0 {
			t.Fatalf("%v ended with %d: %s", args, status, errs)
		}
	}
	if data, err = os.ReadFile(file); err != nil {
		t.Fatal(err)
	}
	value, err := validate.UnmarshalJSON(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Validate(value); err != nil {
		t.Error(err)
	}
	for _, x := range []struct{ from, to string }{
		{`"kind": "signed"`, `"kind": "signed", "surprise": 1`},
		{`"temperature": {`, `"temperature": {"surprise": 1,`},
		{`"none": "injected undiluted"`, `"none": ""`},
		{`"date": "2026-06-17"`, `"date": "17.6.2026"`},
	} {
		bad := strings.Replace(string(data), x.from, x.to, 1)
		v, err := validate.UnmarshalJSON(strings.NewReader(bad))
		if bad == string(data) || err != nil {
			t.Fatalf("%s: %v", x.from, err)
		}
		if s.Validate(v) == nil {
			t.Errorf("%s passes the schema", x.to)
		}
	}
}
