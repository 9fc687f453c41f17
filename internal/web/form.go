package web

import (
	"encoding/json"
	"net/url"
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/internal/app"
)

func queryEscape(s string) string { return url.QueryEscape(s) }

// input is one field of a form.
type input struct {
	Name, Label, Value string
	Kind               string // text, date, number, password, textarea, select, check, hidden
	Unit, Hint, Error  string
	Options            []option
	Needed             bool
	Complete           string // autocomplete
	Part               string // of the fault this field answers to, where not Name
}

// form is what the template "form" shows.
type form struct {
	Action, Submit, Cancel string
	Inputs                 []input
	Faults                 []string
	Theirs                 *theirs
	Wide                   bool
	Name                   string
	Once                   bool
}

// theirs is what another person kept meanwhile, beside what this one typed.
type theirs struct {
	By, At string
	Rows   []theirsRow
}

type theirsRow struct{ Label, Theirs, Yours string }

// wrong marks the fields that faults are about and lists all faults.
func (v *view) wrong(f *form, fs finding.Faults) {
	f.Faults = v.lines(fs)
	for _, x := range fs {
		name := strings.TrimPrefix(x.Args["field_by"].Text, "field-")
		for i := range f.Inputs {
			in := &f.Inputs[i]
			if name != "" && (in.Part == name || in.Part == "" && in.Name == name) {
				in.Error = v.Fault(x)
			}
		}
	}
}

// beside fills the two columns of a conflict: what is kept now and what was
// typed here. Fields are compared by the names of the facts.
func (v *view) beside(f *form, c *app.Conflict, facts map[string]string) {
	var kept map[string]any
	_ = json.Unmarshal(c.Theirs.Body, &kept)
	t := &theirs{By: v.name(c.Theirs.By), At: c.Theirs.At}
	for i := range f.Inputs {
		in := &f.Inputs[i]
		key, ok := facts[in.Name]
		if !ok {
			continue
		}
		other := ""
		switch x := kept[key].(type) {
		case nil:
		case string:
			other = x
		case float64:
			other = strconv.FormatFloat(x, 'f', -1, 64)
		default:
			b, _ := json.Marshal(x)
			other = string(b)
		}
		if other != in.Value {
			t.Rows = append(t.Rows, theirsRow{in.Label, other, in.Value})
		}
	}
	for i := range f.Inputs {
		if f.Inputs[i].Name == "version" {
			f.Inputs[i].Value = strconv.Itoa(c.Theirs.Version)
		}
	}
	f.Theirs = t
}

func hidden(name string, value any) input {
	s, ok := value.(string)
	if n, isInt := value.(int); isInt {
		s, ok = strconv.Itoa(n), true
	}
	_ = ok
	return input{Name: name, Kind: "hidden", Value: s}
}
