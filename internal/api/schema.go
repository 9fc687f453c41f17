package api

import (
	_ "embed"
	"encoding/json"
	"reflect"
	"slices"
	"strings"
	"time"

	"sapward/apply/fieldlog"
	"sapward/apply/record"
	"sapward/finding"
	"sapward/internal/app"
)

// commentsFile holds what the source says beside each field, by type and name as
// JSON has it; a test makes it and keeps it fresh.
//
//go:embed comments.json
var commentsFile []byte

var comments = func() map[string]string {
	m := map[string]string{}
	if err := json.Unmarshal(commentsFile, &m); err != nil {
		panic("api: comments.json: " + err.Error())
	}
	return m
}()

// schema is a JSON Schema of draft 2020-12, which OpenAPI 3.1 uses.
type schema map[string]any

var (
	rawMessage = reflect.TypeFor[json.RawMessage]()
	instant    = reflect.TypeFor[time.Time]()
)

// field is a property of a type as JSON has it.
type field struct {
	name string
	typ  reflect.Type
	omit bool         // may be absent
	of   reflect.Type // the type that names it
}

// optional are fields that JSON always carries but a request may leave out.
var optional = map[string]bool{
	"app.EstateFacts.zone": true, "app.WoundFacts.year": true, "app.VisitRow.tree": false, "app.VisitFacts.rows": false,
}

func (f field) needed() bool {
	return !f.omit && !optional[keyOf(f.of)+"."+f.name] && f.typ.Kind() != reflect.Pointer
}

// fieldsOf lists the properties of a struct, embedded ones in their place.
func fieldsOf(t reflect.Type) (out []field) {
	for i := range t.NumField() {
		f := t.Field(i)
		tag := f.Tag.Get("json")
		name, rest, _ := strings.Cut(tag, ",")
		switch {
		case name == "-":
			continue
		case f.Anonymous && name == "" && f.Type.Kind() == reflect.Struct:
			out = append(out, fieldsOf(f.Type)...)
			continue
		case f.Anonymous && name == "" && f.Type.Kind() == reflect.Pointer && f.Type.Elem().Kind() == reflect.Struct:
			for _, x := range fieldsOf(f.Type.Elem()) {
				x.omit = true
				out = append(out, x)
			}
			continue
		case !f.IsExported():
			continue
		case name == "":
			name = f.Name
		}
		out = append(out, field{name, f.Type, strings.Contains(rest, "omitempty") || strings.Contains(rest, "omitzero"), t})
	}
	return out
}

// keyOf names a type in the tables of words, whatever it is of.
func keyOf(t reflect.Type) string {
	name, _, _ := strings.Cut(t.String(), "[")
	return name
}

func find(fields []field, name string) (field, bool) {
	for _, f := range fields {
		if f.name == name {
			return f, true
		}
	}
	return field{}, false
}

// wordsOf are the words a type of text is limited to.
func wordsOf(t reflect.Type) []string {
	switch t {
	case reflect.TypeFor[app.Role]():
		var out []string
		for _, r := range app.Roles {
			out = append(out, string(r))
		}
		return out
	case reflect.TypeFor[app.Checked]():
		return []string{string(app.NotChecked), string(app.CheckedBy1), string(app.CheckedBy2)}
	case reflect.TypeFor[finding.Severity]():
		return []string{string(finding.Refused), string(finding.Open), string(finding.Warning), string(finding.Note)}
	case reflect.TypeFor[fieldlog.Kind]():
		var out []string
		for _, k := range []fieldlog.Kind{fieldlog.Start, fieldlog.Tape, fieldlog.Cleaned, fieldlog.Skip, fieldlog.Done, fieldlog.Note, fieldlog.Photo, fieldlog.Incident, fieldlog.Void, fieldlog.Decide,
			fieldlog.Mark, fieldlog.Drill, fieldlog.Hole, fieldlog.Set, fieldlog.Load, fieldlog.Begin, fieldlog.Read, fieldlog.Leak, fieldlog.Refuse, fieldlog.Move, fieldlog.GiveUp, fieldlog.Seal, fieldlog.Pull, fieldlog.Leave, fieldlog.Draw, fieldlog.Return} {
			out = append(out, string(k))
		}
		return out
	}
	return nil
}

// schemas makes the schemas of types, each once.
type schemas struct {
	made  map[string]schema
	types map[string]reflect.Type
}

// nameOf names a type in the document.
func nameOf(t reflect.Type) string {
	n := t.Name()
	if strings.HasPrefix(n, "Thing[") {
		f, _ := t.FieldByName("Facts")
		return strings.TrimSuffix(f.Type.Name(), "Facts")
	}
	if strings.HasPrefix(n, "Page[") {
		f, _ := t.FieldByName("Items")
		return nameOf(f.Type.Elem()) + "Page"
	}
	if i := strings.LastIndex(t.PkgPath(), "/"); t.PkgPath() != apiPath && t.PkgPath() != apiPath[:len(apiPath)-3]+"app" && i >= 0 {
		p := t.PkgPath()[i+1:]
		return strings.ToUpper(p[:1]) + p[1:] + strings.ToUpper(n[:1]) + n[1:]
	}
	return strings.ToUpper(n[:1]) + n[1:]
}

var apiPath = reflect.TypeFor[Stamp]().PkgPath()

// of is the schema of a type, a reference where it has a name.
func (s *schemas) of(t reflect.Type) schema {
	if own := s.special(t); own != nil {
		return own
	}
	switch t.Kind() {
	case reflect.Pointer:
		return orNull(s.of(t.Elem()))
	case reflect.Slice:
		return schema{"type": []string{"array", "null"}, "items": s.of(t.Elem())}
	case reflect.Map:
		return schema{"type": []string{"object", "null"}, "additionalProperties": s.of(t.Elem())}
	case reflect.String:
		if words := wordsOf(t); words != nil {
			return schema{"type": "string", "enum": append(slices.Clone(words), "")}
		}
		return schema{"type": "string"}
	case reflect.Bool:
		return schema{"type": "boolean"}
	case reflect.Float64, reflect.Float32:
		return schema{"type": "number"}
	case reflect.Interface:
		return schema{}
	case reflect.Struct:
	default:
		out := schema{"type": "integer"}
		if k := t.Kind(); k >= reflect.Uint && k <= reflect.Uint64 {
			out["minimum"] = 0
		}
		return out
	}
	if t.Name() == "" {
		return s.object(t)
	}
	name := nameOf(t)
	if had, ok := s.types[name]; ok && had != t {
		panic("api: two types are named " + name + ": " + had.String() + ", " + t.String())
	}
	if s.made[name] == nil {
		s.types[name] = t
		s.made[name] = schema{}
		s.made[name] = s.object(t)
	}
	return schema{"$ref": "#/components/schemas/" + name}
}

func orNull(x schema) schema {
	if k, ok := x["type"].(string); ok {
		x["type"] = []string{k, "null"}
		return x
	}
	return schema{"anyOf": []schema{x, {"type": "null"}}}
}

func (s *schemas) object(t reflect.Type) schema {
	props := map[string]schema{}
	needed := []string{}
	for _, f := range fieldsOf(t) {
		t := f.typ
		if r, ok := really[keyOf(f.of)+"."+f.name]; ok {
			t = r
		}
		p := s.of(t)
		if say := about(f); say != "" {
			p["description"] = say // beside a reference too: draft 2020-12 allows it
		}
		if e, ok := examples[f.name]; ok && f.typ.Kind() == reflect.String {
			p["examples"] = []any{e}
		}
		if r, ok := ranges[f.name]; ok && f.typ.Kind() != reflect.String {
			for k, v := range r {
				p[k] = v
			}
		}
		props[f.name] = p
		if f.needed() || !f.omit && f.typ.Kind() == reflect.Pointer && !requestOnly[t] {
			if !optional[keyOf(f.of)+"."+f.name] {
				needed = append(needed, f.name)
			}
		}
	}
	out := schema{"type": "object", "properties": props, "additionalProperties": false}
	if len(needed) > 0 {
		slices.Sort(needed)
		out["required"] = needed
	}
	if say := typeNotes[keyOf(t)]; say != "" {
		out["description"] = say
	} else if say := comments[keyOf(t)]; say != "" {
		out["description"] = say
	}
	return out
}

// really are the types of fields that keep JSON as it is.
var really = map[string]reflect.Type{"app.RecordFacts.record": reflect.TypeFor[record.Record]()}

// requestOnly are types of requests: a pointer in them may be left out.
var requestOnly = map[reflect.Type]bool{}

// special are the types that write JSON of their own.
func (s *schemas) special(t reflect.Type) schema {
	name := t.Name()
	switch {
	case t == rawMessage:
		return schema{"description": "JSON as it was kept."}
	case t == instant:
		return schema{"type": "string", "format": "date-time"}
	case strings.HasPrefix(name, "Fact["):
		f, _ := t.FieldByName("Value")
		return schema{"anyOf": []schema{s.of(f.Type), {"type": "object", "properties": map[string]schema{"none": {"type": "string", "minLength": 1, "description": "Why it does not apply."}}, "required": []string{"none"}, "additionalProperties": false}, {"type": "null"}}}
	case strings.HasPrefix(name, "Measure["):
		return schema{"type": []string{"object", "string"}, "properties": map[string]schema{"value": {"type": "number"}, "unit": {"type": "string"}}, "required": []string{"value", "unit"}, "additionalProperties": false}
	case strings.HasPrefix(name, "Quantity["):
		return schema{"type": "string"}
	}
	switch t.String() {
	case "record.Decimal":
		return schema{"type": []string{"number", "string"}}
	case "record.Instant":
		return schema{"type": "string", "format": "date-time"}
	case "record.Days":
		return schema{"type": "string", "pattern": `^[0-9]{4}-[0-9]{2}-[0-9]{2}(/[0-9]{4}-[0-9]{2}-[0-9]{2})?$`}
	case "civil.Date":
		return schema{"type": "string", "pattern": `^([0-9]{4}-[0-9]{2}-[0-9]{2})?$`}
	case "record.Direction":
		return schema{"type": "string"}
	case "exact.Rat":
		return schema{"type": "string"}
	case "plan.Microlitres":
		return schema{"type": "number", "description": "mL, at most three decimals."}
	case "finding.Value":
		return schema{"anyOf": []schema{{"type": "string"}, {"type": "object", "properties": map[string]schema{"value": {"type": "number"}, "unit": {"type": "string"}}, "required": []string{"value"}, "additionalProperties": false}}}
	}
	return nil
}

var problemType = reflect.TypeFor[Problem]()

func (s *schemas) init() {
	if s.made == nil {
		s.made = map[string]schema{}
	}
	s.types = map[string]reflect.Type{}
}
