package exchange

import (
	"bytes"
	_ "embed"
	textual "encoding"
	"encoding/json"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v4"

	"sapward/apply/record"
	"sapward/finding"
)

//go:embed record_blank.yaml
var recordBlank []byte

// RecordBlank is the file to fill in by hand for a record, with a word on each
// element.
func RecordBlank() []byte { return bytes.Clone(recordBlank) }

// ReadRecordContent reads what is recorded of an application from a YAML or
// JSON file: the names are those of a record's content. A name left empty is
// not recorded; {none: reason} says that it does not apply. All problems of the
// file come back at once, each with its place. Places are where each name
// stands, by path.
func ReadRecordContent(data []byte, file string) (c record.Content, places map[string]finding.Where, err error) {
	var doc yaml.Node
	where := finding.Where{File: file}
	if len(data) > maxSheetXML {
		return c, nil, finding.Faults{finding.Bad("record-file-large", where, nil)}
	}
	if err := yaml.Unmarshal(data, &doc); err != nil {
		return c, nil, finding.Faults{finding.Bad("record-yaml", where, finding.Args{"reason": finding.Text(show(strings.TrimPrefix(err.Error(), "yaml: ")))})}
	}
	if len(doc.Content) == 0 || doc.Content[0].Kind != yaml.MappingNode {
		return c, nil, finding.Faults{finding.Bad("record-not-mapping", where, finding.Args{"path": finding.Text(show(file))})}
	}
	r := &recordReader{file: file, places: map[string]finding.Where{}}
	v := r.value(doc.Content[0], reflect.TypeFor[record.Content](), "")
	if len(r.faults) > 0 {
		return c, nil, r.faults
	}
	text, err := json.Marshal(v)
	if err != nil {
		return c, nil, err
	}
	if err := json.Unmarshal(text, &c); err != nil {
		return c, nil, finding.Faults{finding.Bad("record-value", where, finding.Args{"path": finding.Text(""), "reason": finding.Text(err.Error())})}
	}
	return c, r.places, nil
}

// recordReader turns nodes into JSON values, guided by the Go types they are
// for.
type recordReader struct {
	file   string
	faults finding.Faults
	places map[string]finding.Where
}

func (r *recordReader) at(n *yaml.Node) finding.Where {
	return finding.Where{File: r.file, Line: n.Line, Column: n.Column}
}

func (r *recordReader) bad(id string, n *yaml.Node, path string, args finding.Args) {
	if len(r.faults) >= MaxFaults {
		return
	}
	if args == nil {
		args = finding.Args{}
	}
	args["path"] = finding.Text(show(path))
	r.faults = append(r.faults, finding.Bad(id, r.at(n), args))
}

var (
	jsonReads = reflect.TypeFor[json.Unmarshaler]()
	textReads = reflect.TypeFor[textual.TextUnmarshaler]()
)

// value returns the JSON value of a node for a type; nil where nothing is
// written or something was wrong.
func (r *recordReader) value(n *yaml.Node, t reflect.Type, path string) any {
	r.places[path] = r.at(n)
	if n.Kind == yaml.AliasNode || n.Anchor != "" {
		r.bad("record-alias", n, path, nil)
		return nil
	}
	if n.Kind == yaml.ScalarNode && (n.Tag == "!!null" || n.Value == "" && n.Style == 0) {
		return nil
	}
	if strings.HasPrefix(t.Name(), "Fact[") {
		return r.fact(n, t, path)
	}
	for t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	p := reflect.PointerTo(t)
	if p.Implements(jsonReads) || p.Implements(textReads) {
		return r.leaf(n, t, path)
	}
	switch t.Kind() {
	case reflect.Struct:
		return r.mapping(n, t, path)
	case reflect.Slice:
		if n.Kind != yaml.SequenceNode {
			r.bad("record-not-list", n, path, nil)
			return nil
		}
		out := []any{}
		for i, c := range n.Content {
			out = append(out, r.value(c, t.Elem(), path+"["+strconv.Itoa(i)+"]"))
		}
		return out
	}
	return r.leaf(n, t, path)
}

// fact reads an element: {none: reason}, or the value itself.
func (r *recordReader) fact(n *yaml.Node, t reflect.Type, path string) any {
	if n.Kind == yaml.MappingNode && len(n.Content) == 2 && n.Content[0].Value == "none" {
		if strings.TrimSpace(n.Content[1].Value) == "" || n.Content[1].Kind != yaml.ScalarNode {
			r.bad("record-none-reason", n.Content[0], path, nil)
			return nil
		}
		return map[string]any{"none": n.Content[1].Value}
	}
	f, _ := t.FieldByName("Value")
	v := r.value(n, f.Type, path)
	if m, ok := v.(map[string]any); ok && len(m) == 0 {
		return nil // names with nothing behind them
	}
	return v
}

// mapping reads a struct by its JSON names.
func (r *recordReader) mapping(n *yaml.Node, t reflect.Type, path string) any {
	if n.Kind != yaml.MappingNode {
		r.bad("record-not-mapping", n, path, nil)
		return nil
	}
	fields := map[string]reflect.Type{}
	var names []string
	for i := range t.NumField() {
		name, _, _ := strings.Cut(t.Field(i).Tag.Get("json"), ",")
		if name == "card" && path == "" {
			continue // the card comes from its own file
		}
		fields[name] = t.Field(i).Type
		names = append(names, name)
	}
	out := map[string]any{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		k, v := n.Content[i], n.Content[i+1]
		at := strings.TrimPrefix(path+"."+k.Value, ".")
		ft, ok := fields[k.Value]
		if !ok {
			r.bad("record-key-unknown", k, at, finding.Args{"names": finding.Text(strings.Join(names, ", "))})
			continue
		}
		if _, twice := out[k.Value]; twice {
			r.bad("record-key-twice", k, at, nil)
			continue
		}
		if x := r.value(v, ft, at); x != nil {
			out[k.Value] = x
		}
	}
	return out
}

// leaf reads a scalar, or a small mapping of a type that reads itself, and
// tries it at once so that a fault has its place.
func (r *recordReader) leaf(n *yaml.Node, t reflect.Type, path string) any {
	var v any
	switch {
	case n.Kind == yaml.MappingNode:
		m := map[string]any{}
		for i := 0; i+1 < len(n.Content); i += 2 {
			m[n.Content[i].Value] = n.Content[i+1].Value
		}
		v = m
	case n.Kind != yaml.ScalarNode:
		r.bad("record-not-value", n, path, nil)
		return nil
	case reflect.PointerTo(t).Implements(jsonReads) || reflect.PointerTo(t).Implements(textReads) || t.Kind() == reflect.String:
		v = n.Value
	default:
		v = json.RawMessage(n.Value)
	}
	text, err := json.Marshal(v)
	if err == nil {
		d := json.NewDecoder(bytes.NewReader(text))
		d.DisallowUnknownFields()
		err = d.Decode(reflect.New(t).Interface())
	}
	if err == nil {
		return v
	}
	var f *finding.Fault
	if errors.As(err, &f) && f.ID != "" {
		args := finding.Args{}
		for k, x := range f.Args {
			args[k] = x
		}
		r.bad(f.ID, n, path, args)
		return nil
	}
	id := "record-value"
	switch {
	case t.Kind() == reflect.Bool:
		id = "record-not-bool"
	case t.Kind() == reflect.Int:
		id = "record-not-whole"
	case t.Name() == "Date":
		id = "record-date"
	}
	r.bad(id, n, path, finding.Args{"text": finding.Text(show(n.Value)), "reason": finding.Text(show(fmt.Sprint(err)))})
	return nil
}

// SetRecordContent returns a content with values put in by path, as
// ReadRecordContent names them: weather.wind_speed=2.5 m/s,
// products[0].rate.amount=3 mL/cm. A value is read as YAML, so that {none:
// reason} and null work. Faults name the path.
func SetRecordContent(c record.Content, sets []string) (record.Content, error) {
	card := c.Card
	c.Card = nil
	text, err := json.Marshal(c)
	if err != nil {
		return record.Content{}, err
	}
	var doc yaml.Node
	if err := yaml.Unmarshal(text, &doc); err != nil {
		return record.Content{}, err
	}
	var faults finding.Faults
	for _, s := range sets {
		path, value, ok := strings.Cut(s, "=")
		if !ok || strings.TrimSpace(path) == "" {
			faults = append(faults, &finding.Fault{Class: finding.Usage, ID: "record-set", Args: finding.Args{"text": finding.Text(show(s))}})
			continue
		}
		var v yaml.Node
		if err := yaml.Unmarshal([]byte(value), &v); err != nil || len(v.Content) > 1 {
			faults = append(faults, &finding.Fault{Class: finding.Usage, ID: "record-set", Args: finding.Args{"text": finding.Text(show(s))}})
			continue
		}
		n := &yaml.Node{Kind: yaml.ScalarNode, Tag: "!!null"}
		if len(v.Content) == 1 {
			n = v.Content[0]
		}
		if !setNode(doc.Content[0], steps(strings.TrimSpace(path)), n) {
			faults = append(faults, &finding.Fault{Class: finding.Usage, ID: "record-set-path", Args: finding.Args{"path": finding.Text(show(path))}})
		}
	}
	if len(faults) > 0 {
		return record.Content{}, faults
	}
	text, err = yaml.Marshal(&doc)
	if err != nil {
		return record.Content{}, err
	}
	out, _, err := ReadRecordContent(text, "")
	if err != nil {
		fs := finding.AsFaults(err)
		for _, f := range fs { // lines of a text nobody has seen
			f.Where = finding.Where{}
		}
		return record.Content{}, fs
	}
	out.Card = card
	return out, nil
}

// steps cuts a path into names and indices.
func steps(path string) []string {
	return strings.FieldsFunc(strings.NewReplacer("[", ".", "]", "").Replace(path), func(c rune) bool { return c == '.' })
}

// setNode puts a value at a path; an element that has another shape on the way
// is replaced. It reports false when the path cannot be followed.
func setNode(at *yaml.Node, path []string, v *yaml.Node) bool {
	if len(path) == 0 {
		return false
	}
	name, rest := path[0], path[1:]
	if at.Kind == yaml.SequenceNode {
		i, err := strconv.Atoi(name)
		if err != nil || i < 0 || i > len(at.Content) {
			return false
		}
		if i == len(at.Content) {
			at.Content = append(at.Content, &yaml.Node{Kind: yaml.MappingNode})
		}
		if len(rest) == 0 {
			at.Content[i] = v
			return true
		}
		return setNode(at.Content[i], rest, v)
	}
	if at.Kind != yaml.MappingNode {
		return false
	}
	i := 0
	for i < len(at.Content) && at.Content[i].Value != name {
		i += 2
	}
	if i >= len(at.Content) {
		kind := yaml.Kind(yaml.MappingNode)
		if len(rest) > 0 && rest[0] == "0" {
			kind = yaml.SequenceNode
		}
		at.Content = append(at.Content, &yaml.Node{Kind: yaml.ScalarNode, Value: name}, &yaml.Node{Kind: kind})
	}
	if len(rest) == 0 {
		at.Content[i+1] = v
		return true
	}
	if k := at.Content[i+1]; k.Kind == yaml.ScalarNode || k.Kind == yaml.MappingNode && slices.ContainsFunc(k.Content, func(x *yaml.Node) bool { return x.Value == "none" }) {
		at.Content[i+1] = &yaml.Node{Kind: yaml.MappingNode}
	}
	return setNode(at.Content[i+1], rest, v)
}
