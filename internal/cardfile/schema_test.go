package cardfile

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"sort"
	"strconv"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"go.yaml.in/yaml/v4"

	"sapward/finding"
)

func compiled(t testing.TB) *jsonschema.Schema {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(Schema()))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("card.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("card.json")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// typed reads YAML as an editor does: by the core schema of YAML 1.2 numbers
// and booleans get types, dates stay text.
func typed(t testing.TB, data []byte) any {
	t.Helper()
	var doc yaml.Node
	if err := yaml.Load(data, &doc); err != nil {
		t.Fatal(err)
	}
	v, err := typedNode(doc.Content[0])
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func typedNode(n *yaml.Node) (any, error) {
	switch n.Kind {
	case yaml.MappingNode:
		m := map[string]any{}
		for i := 0; i+1 < len(n.Content); i += 2 {
			v, err := typedNode(n.Content[i+1])
			if err != nil {
				return nil, err
			}
			m[n.Content[i].Value] = v
		}
		return m, nil
	case yaml.SequenceNode:
		s := []any{}
		for _, c := range n.Content {
			v, err := typedNode(c)
			if err != nil {
				return nil, err
			}
			s = append(s, v)
		}
		return s, nil
	}
	switch n.Tag {
	case "!!null":
		return nil, nil
	case "!!bool":
		return strconv.ParseBool(n.Value)
	case "!!int", "!!float":
		return json.Number(n.Value), nil
	}
	return n.Value, nil
}

func TestSchema_AcceptsGoodCards(t *testing.T) {
	s := compiled(t)
	for name, data := range files(t, "good") {
		if err := s.Validate(tree(t, load(t, name))); err != nil {
			t.Errorf("%s as text: %v", name, err)
		}
		if err := s.Validate(typed(t, data)); err != nil {
			t.Errorf("%s as an editor reads it: %v", name, err)
		}
	}
}

// What the schema can see of a fault. Shape is keys, nesting and words; meaning
// is what a number or unit says; YAML is gone once a file is read.
var (
	shapeFaults = []string{
		"card-not-mapping", "card-not-list", "card-not-text", "card-key-unknown", "card-key-misspelt", "card-key-elsewhere", "card-comma-split",
		"card-key-missing", "card-value-empty", "card-range", "card-range-open", "card-truth", "card-date", "card-period", "card-count",
		"card-schema-unknown", "card-schema-missing", "card-choice-misspelt", "card-choice-unknown", "card-method-unknown", "card-eppo-code", "card-applications",
		"card-per-year", "card-hours", "card-month-twice", "card-amount-empty", "card-amount-twice", "card-high-missing", "card-shape-missing",
		"card-shape-range", "card-key-needs", "card-bands-per", "card-table-alone", "card-mix-twice", "card-angle", "unit-missing", "number-unclear",
	}
	meaningFaults = []string{
		"unit-vague", "unit-unknown", "unit-kind", "percent-basis", "number-comma", "number-zeros", "number-grouped", "card-rate-unit",
		"card-amount-mixed", "card-active-volume", "card-rows-mixed", "card-limit-mass",
	}
	yamlFaults = []string{
		"card-anchor", "card-alias", "card-merge", "card-tag", "card-documents", "card-yaml", "card-yaml-tab", "card-yaml-colon", "card-key-twice",
		"card-key-not-text", "card-control-character", "card-number-octal", "card-number-underscore",
	}
)

// TestSchema_AgreesOnBadCards: a fault of shape is one for the schema too; a
// fault of meaning, and everything that label.Check finds, is none.
func TestSchema_AgreesOnBadCards(t *testing.T) {
	s := compiled(t)
	for name, data := range files(t, "bad") {
		_, err := Parse(data, name)
		var ids []string
		for _, f := range finding.AsFaults(err) {
			ids = append(ids, f.ID)
		}
		if slices.ContainsFunc(ids, func(id string) bool { return slices.Contains(yamlFaults, id) }) {
			continue
		}
		shape := false
		for _, id := range ids {
			shape = shape || slices.Contains(shapeFaults, id)
			if !slices.Contains(shapeFaults, id) && !slices.Contains(meaningFaults, id) {
				t.Errorf("%s: nobody said what the schema sees of %s", name, id)
			}
		}
		if err := s.Validate(typed(t, data)); (err != nil) != shape {
			t.Errorf("%s: parser %v, schema %v", name, ids, err)
		}
	}
}

// TestSchema_Keys: parser and schema know the same keys of every mapping.
func TestSchema_Keys(t *testing.T) {
	var doc map[string]any
	if err := json.Unmarshal(Schema(), &doc); err != nil {
		t.Fatal(err)
	}
	defs := doc["$defs"].(map[string]any)
	at := func(path ...string) map[string]any {
		m := doc
		if d, ok := defs[path[0]]; ok {
			m, path = d.(map[string]any), path[1:]
		}
		for _, p := range path {
			m = m["properties"].(map[string]any)[p].(map[string]any)
		}
		if m["additionalProperties"] != false {
			t.Errorf("%v lets unknown keys through", path)
		}
		return m["properties"].(map[string]any)
	}
	for kind, path := range map[string][]string{
		"card": {"(top)"}, "product": {"product"}, "registration": {"registration"}, "active": {"active"}, "source": {"source"}, "verified": {"verified"},
		"use": {"use"}, "site": {"site"}, "measure": {"use", "measure"}, "tree": {"use", "tree"}, "rate": {"rate"}, "band": {"band"}, "class": {"class"},
		"dilution": {"dilution"}, "ports": {"ports"}, "keep_out": {"ports", "keep_out"}, "limits": {"limits"}, "timing": {"timing"},
		"safety": {"safety"}, "ppe": {"safety", "ppe"}, "statement": {"statement"},
	} {
		var props map[string]any
		if kind == "card" {
			props = doc["properties"].(map[string]any)
		} else if path[0] == "product" || path[0] == "source" || path[0] == "verified" || path[0] == "safety" {
			if _, ok := defs[path[0]]; ok {
				props = at(path...)
			} else {
				m := doc
				for _, p := range path {
					m = m["properties"].(map[string]any)[p].(map[string]any)
				}
				props = m["properties"].(map[string]any)
			}
		} else {
			props = at(path...)
		}
		got, want := slices.Sorted(maps.Keys(props)), slices.Clone(keys[kind])
		sort.Strings(want)
		if !slices.Equal(got, want) {
			t.Errorf("%s: schema %v, parser %v", kind, got, want)
		}
		for k, p := range props {
			if m := p.(map[string]any); m["description"] == nil && m["$ref"] == nil {
				t.Errorf("%s.%s has no description", kind, k)
			}
		}
	}
}

// spots lists every place of a tree as a function that changes it.
type spot struct {
	path string
	get  any
	set  func(any)
	drop func()
}

func spots(v any, path string, out *[]spot) {
	switch v := v.(type) {
	case map[string]any:
		for _, k := range slices.Sorted(maps.Keys(v)) {
			*out = append(*out, spot{path + "." + k, v[k], func(x any) { v[k] = x }, func() { delete(v, k) }})
			spots(v[k], path+"."+k, out)
		}
	case []any:
		for i := range v {
			*out = append(*out, spot{fmt.Sprintf("%s[%d]", path, i), v[i], func(x any) { v[i] = x }, nil})
			spots(v[i], fmt.Sprintf("%s[%d]", path, i), out)
		}
	}
}

// TestSchema_AgreesOnChangedCards changes every place of every good card in
// every way below, and holds parser and schema to the same answer about shape.
func TestSchema_AgreesOnChangedCards(t *testing.T) {
	s := compiled(t)
	rnd := rand.New(rand.NewPCG(1, 2))
	changes := map[string]func(p spot){
		"dropped": func(p spot) {
			if p.drop != nil {
				p.drop()
			}
		},
		"empty": func(p spot) { p.set(nil) },
		// The parser takes an empty text or list for nothing typed, wherever it stands.
		"empty text": func(p spot) {
			if _, ok := p.get.(string); ok {
				p.set("")
			}
		},
		"empty list": func(p spot) {
			if _, ok := p.get.([]any); ok {
				p.set([]any{})
			}
		},
		"word":   func(p spot) { p.set("qqqqqqqq") },
		"number": func(p spot) { p.set("7") }, "volume": func(p spot) { p.set("7 mL") }, "list": func(p spot) { p.set([]any{"7 mm"}) },
		"pair":    func(p spot) { p.set([]any{"7 mm", "8 mm"}) },
		"mapping": func(p spot) { p.set(map[string]any{"qqqqqqqq": "1"}) }, "range": func(p spot) { p.set(map[string]any{"max": "7 mm"}) },
		"true": func(p spot) { p.set("true") }, "wrapped": func(p spot) { p.set([]any{p.get}) },
		"renamed": func(p spot) {
			if p.drop != nil {
				p.set(map[string]any{"min": p.get})
			}
		},
		"wrong key": func(p spot) {
			if m, ok := p.get.(map[string]any); ok {
				m["qqqqqqqq"] = "1"
			}
		},
	}
	tried, differ := 0, 0
	for _, name := range []string{"every_key", "whole_shape", "canopy_volume", "tree_classes", "bands", "bands_range", "active_range", "infusion_mix_per_tree"} {
		l := load(t, name)
		var all []spot
		spots(tree(t, l), "", &all)
		for i := range all {
			if name != "every_key" && !strings.Contains(all[i].path, ".rate") && !strings.Contains(all[i].path, ".dilution") {
				continue // said by the card with every key
			}
			for _, kind := range slices.Sorted(maps.Keys(changes)) {
				m := tree(t, l)
				var here []spot
				spots(m, "", &here)
				changes[kind](here[i])
				var b strings.Builder
				write(&b, m, rnd)
				_, err := Parse([]byte(b.String()), name)
				var ids []string
				shape := false
				for _, f := range finding.AsFaults(err) {
					ids = append(ids, f.ID+" at "+f.Args["path"].Text)
					shape = shape || slices.Contains(shapeFaults, f.ID)
					if slices.Contains(yamlFaults, f.ID) {
						t.Fatalf("%s: %v", f.ID, b.String())
					}
				}
				tried++
				if verdict := s.Validate(m); (verdict != nil) != shape {
					differ++
					if differ < 40 {
						t.Errorf("%s: %s %s: parser %v, schema %v", name, here[i].path, kind, ids, verdict)
					}
				}
			}
		}
	}
	t.Logf("%d changed cards, %d answered differently", tried, differ)
}
