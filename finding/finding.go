// Package finding holds what Sapward says about data and plans before any
// language is chosen: findings, faults, sources and estimates. It carries
// stable identifiers and typed arguments only; words are made at the edges
// (internal/lang), so that one finding reads the same in every language.
package finding

import (
	"encoding/json"
	"sort"
)

// Severity says what a finding does to a plan.
type Severity string

// The severities, strongest first.
const (
	Refused Severity = "refused" // a rule is violated: no dose comes out
	Open    Severity = "open"    // a fact is missing: the plan waits for approval
	Warning Severity = "warning" // worth a second look, nothing is stopped
	Note    Severity = "note"    // said so that nobody has to guess
)

// Force tells a rule that nobody can set aside from one that a person may.
type Force string

// Mandatory rules come from label or law and have no override. Advisory rules
// can be overridden with a reason, which is printed.
const (
	Mandatory Force = "mandatory"
	Advisory  Force = "advisory"
)

// Authority is who says so.
type Authority string

// The four badges of authority shown beside every rule and caution.
const (
	ByLabel    Authority = "label"    // the card typed in from the product's label
	ByLaw      Authority = "law"      // a rule of law chosen by the user
	ByPractice Authority = "practice" // common practice, a program default
	ByEstimate Authority = "estimate" // worked out by this program
)

// Value is one argument of a finding or fault: text, or a number with its unit.
// Unit is one of the base units cm, mL, g, ha, h, d, kPa, Cel, pct, deg, mm, or
// empty for a plain count; the edge converts it for the reader.
type Value struct {
	Text   string
	Number float64
	Unit   string
	IsText bool
}

// MarshalJSON writes a text as a string and a number as {"value", "unit"}.
func (v Value) MarshalJSON() ([]byte, error) {
	if v.IsText {
		return json.Marshal(v.Text)
	}
	return json.Marshal(struct {
		Value float64 `json:"value"`
		Unit  string  `json:"unit,omitempty"`
	}{v.Number, v.Unit})
}

// Text makes a text argument.
func Text(s string) Value { return Value{Text: s, IsText: true} }

// Number makes a numeric argument in the given base unit.
func Number(x float64, unit string) Value { return Value{Number: x, Unit: unit} }

// Count makes a plain whole number.
func Count(n int) Value { return Value{Number: float64(n)} }

// UnmarshalJSON reads what MarshalJSON wrote.
func (v *Value) UnmarshalJSON(b []byte) error {
	if len(b) > 0 && b[0] == '"' {
		v.IsText = true
		return json.Unmarshal(b, &v.Text)
	}
	var n struct {
		Value float64 `json:"value"`
		Unit  string  `json:"unit"`
	}
	if err := json.Unmarshal(b, &n); err != nil {
		return err
	}
	v.Number, v.Unit = n.Value, n.Unit
	return nil
}

// Args are the named arguments of a finding or fault.
type Args map[string]Value

// Finding is one thing the program has to say about a plan, a card or a file.
type Finding struct {
	ID        string    `json:"id"`
	Severity  Severity  `json:"severity"`
	Force     Force     `json:"force,omitempty"`
	Authority Authority `json:"authority"`
	Ref       string    `json:"card_ref,omitempty"` // path on the card, such as uses[0].ports.spacing
	Trees     []string  `json:"trees,omitempty"`    // tags, in the order of the file; at most MaxTrees
	TreeCount int       `json:"tree_count,omitempty"`
	Args      Args      `json:"args,omitempty"`
	Reason    string    `json:"override_reason,omitempty"` // why a person set an advisory rule aside
}

// MaxTrees bounds the tags listed on one finding; TreeCount keeps the number.
const MaxTrees = 20

// AddTree records that a finding concerns one more tree.
func (f *Finding) AddTree(tag string) {
	f.TreeCount++
	if len(f.Trees) < MaxTrees {
		f.Trees = append(f.Trees, tag)
	}
}

// rank orders severities, strongest first.
func rank(s Severity) int {
	switch s {
	case Refused:
		return 0
	case Open:
		return 1
	case Warning:
		return 2
	}
	return 3
}

// Sort orders findings by severity, then identifier, then card reference, so
// that the order of input never changes the order of output.
func Sort(fs []Finding) {
	sort.SliceStable(fs, func(i, j int) bool {
		a, b := fs[i], fs[j]
		if ra, rb := rank(a.Severity), rank(b.Severity); ra != rb {
			return ra < rb
		}
		if a.ID != b.ID {
			return a.ID < b.ID
		}
		return a.Ref < b.Ref
	})
}

// Source names where a number comes from. Mark is found, derived, memory,
// practice or default.
type Source struct {
	Key  string `json:"key"`
	Text string `json:"text"`
	Mark string `json:"mark"`
}

// Estimate is a quantity known only with uncertainty, by three quantiles.
type Estimate struct {
	P10 float64 `json:"p10"`
	P50 float64 `json:"p50"`
	P90 float64 `json:"p90"`
}
