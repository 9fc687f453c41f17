package api

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"reflect"
	"strconv"
	"strings"
	"unicode/utf8"

	"sapward/finding"
)

// Bounds of a JSON body (program defaults).
const (
	MostJSON  = 2 << 20  // bytes
	MostFile  = 32 << 20 // bytes of a body that is a file
	mostDepth = 24       // of values in values
	mostWrong = 50       // faults that are told at once
)

// inBody is a fault at a place in a JSON body.
type inBody struct {
	*finding.Fault
	pointer string // RFC 6901
}

// inBodies are all faults of a body.
type inBodies []inBody

// Error is a plain form for logs.
func (b inBodies) Error() string { return b.faults().Error() }

func (b inBodies) faults() (out finding.Faults) {
	for _, f := range b {
		out = append(out, f.Fault)
	}
	return out
}

// Unwrap lets errors.As find the faults.
func (b inBodies) Unwrap() error { return b.faults() }

func bad(id, pointer string, args finding.Args) inBody {
	if args == nil {
		args = finding.Args{}
	}
	args["at"] = finding.Text(orElse(pointer, "/"))
	return inBody{&finding.Fault{Class: finding.BadInput, ID: id, Args: args}, pointer}
}

func orElse(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

// decode reads a JSON body into to. Nothing is dropped unseen: a name that is not
// known, or given twice, is a fault, as are a missing one that is a must and a
// value of another kind. All faults come at once, each with its place.
func decode(body []byte, to any) error {
	if !utf8.Valid(body) {
		return inBodies{bad("api-json", "", finding.Args{"reason": finding.Text("UTF-8")})}
	}
	d := json.NewDecoder(bytes.NewReader(body))
	d.UseNumber()
	r := reader{d: d}
	v, err := r.value("", 0)
	if err == nil {
		if _, more := d.Token(); more != io.EOF {
			err = errors.New("more than one value")
		}
	}
	if err != nil {
		var b inBodies
		if errors.As(err, &b) {
			return b
		}
		return inBodies{bad("api-json", "", finding.Args{"reason": finding.Text(err.Error())})}
	}
	fit(&r.wrong, reflect.TypeOf(to).Elem(), v, "")
	if len(r.wrong) > 0 {
		return r.wrong
	}
	strict := json.NewDecoder(bytes.NewReader(body))
	strict.DisallowUnknownFields()
	if err := strict.Decode(to); err != nil {
		var fs finding.Faults
		var f *finding.Fault
		if errors.As(err, &fs) || errors.As(err, &f) {
			return err
		}
		return inBodies{bad("api-json", "", finding.Args{"reason": finding.Text(err.Error())})}
	}
	return nil
}

// object is a JSON object with the order of its names.
type object struct {
	names  []string
	values map[string]any
}

// reader reads JSON with a watch on depth and on names given twice.
type reader struct {
	d     *json.Decoder
	wrong inBodies
}

func (r *reader) value(at string, depth int) (any, error) {
	if depth > mostDepth {
		return nil, inBodies{bad("api-deep", at, finding.Args{"most": finding.Count(mostDepth)})}
	}
	t, err := r.d.Token()
	if err != nil {
		if err == io.EOF {
			err = io.ErrUnexpectedEOF
		}
		return nil, err
	}
	switch t {
	case json.Delim('{'):
		o := object{values: map[string]any{}}
		for r.d.More() {
			k, err := r.d.Token()
			if err != nil {
				return nil, err
			}
			name, _ := k.(string)
			here := at + "/" + escape(name)
			v, err := r.value(here, depth+1)
			if err != nil {
				return nil, err
			}
			if _, twice := o.values[name]; twice {
				r.wrong = append(r.wrong, bad("api-twice", here, nil))
				continue
			}
			o.names = append(o.names, name)
			o.values[name] = v
		}
		_, err := r.d.Token()
		return o, err
	case json.Delim('['):
		list := []any{}
		for r.d.More() {
			v, err := r.value(at+"/"+strconv.Itoa(len(list)), depth+1)
			if err != nil {
				return nil, err
			}
			list = append(list, v)
		}
		_, err := r.d.Token()
		return list, err
	}
	return t, nil
}

// escape is a name in a JSON pointer (RFC 6901).
func escape(name string) string {
	return strings.ReplaceAll(strings.ReplaceAll(name, "~", "~0"), "/", "~1")
}

var (
	unmarshals = reflect.TypeFor[json.Unmarshaler]()
	reads      = reflect.TypeFor[interface{ UnmarshalText([]byte) error }]()
)

// fit compares a value with the type it is for.
func fit(wrong *inBodies, t reflect.Type, v any, at string) {
	if len(*wrong) >= mostWrong {
		return
	}
	kind := func(want string) {
		*wrong = append(*wrong, bad("api-kind", at, finding.Args{"want_by": finding.Text("api-kind-" + want)}))
	}
	if t.Kind() == reflect.Pointer {
		if v != nil {
			fit(wrong, t.Elem(), v, at)
		}
		return
	}
	if reflect.PointerTo(t).Implements(unmarshals) || t == rawMessage {
		return // reads itself
	}
	if reflect.PointerTo(t).Implements(reads) {
		if _, ok := v.(string); !ok {
			kind("text")
		}
		return
	}
	switch t.Kind() {
	case reflect.Struct:
		o, ok := v.(object)
		if !ok {
			kind("object")
			return
		}
		fields := fieldsOf(t)
		for _, name := range o.names {
			f, known := find(fields, name)
			here := at + "/" + escape(name)
			if !known {
				*wrong = append(*wrong, bad("api-unknown", here, nil))
				continue
			}
			fit(wrong, f.typ, o.values[name], here)
		}
		for _, f := range fields {
			if _, given := o.values[f.name]; !given && f.needed() {
				*wrong = append(*wrong, bad("api-needed", at+"/"+escape(f.name), nil))
			}
		}
	case reflect.Map:
		if v == nil {
			return
		}
		o, ok := v.(object)
		if !ok {
			kind("object")
			return
		}
		for _, name := range o.names {
			fit(wrong, t.Elem(), o.values[name], at+"/"+escape(name))
		}
	case reflect.Slice:
		if v == nil {
			return
		}
		list, ok := v.([]any)
		if !ok {
			kind("list")
			return
		}
		for i, x := range list {
			fit(wrong, t.Elem(), x, at+"/"+strconv.Itoa(i))
		}
	case reflect.String:
		s, ok := v.(string)
		if !ok {
			kind("text")
		} else if words := wordsOf(t); words != nil && s != "" && !has(words, s) {
			*wrong = append(*wrong, bad("api-word", at, finding.Args{"words": finding.Text(strings.Join(words, ", "))}))
		}
	case reflect.Bool:
		if _, ok := v.(bool); !ok {
			kind("yes")
		}
	case reflect.Float64:
		if n, ok := v.(json.Number); !ok {
			kind("number")
		} else if _, err := n.Float64(); err != nil {
			kind("number")
		}
	default: // whole numbers
		n, ok := v.(json.Number)
		if !ok {
			kind("whole")
			return
		}
		p := reflect.New(t)
		if json.Unmarshal([]byte(n), p.Interface()) != nil {
			kind("whole")
		}
	}
}

func has(words []string, s string) bool {
	for _, w := range words {
		if w == s {
			return true
		}
	}
	return false
}
