package record

import (
	"bytes"
	"encoding/json"
	"strings"

	"sapward/finding"
)

// State tells what is known of one element.
type State uint8

// The states. The zero value is NotRecorded, so that what nobody wrote down is
// never taken for nothing or for zero.
const (
	NotRecorded State = iota
	Recorded
	None // declared not to apply, with a reason
)

// Fact is one element of a record. In JSON it is absent or null when not
// recorded, the plain value when recorded, and {"none": "reason"} when it was
// declared not to apply.
type Fact[T any] struct {
	State  State
	Value  T
	Reason string // why it does not apply
}

// Is makes a recorded fact.
func Is[T any](v T) Fact[T] { return Fact[T]{State: Recorded, Value: v} }

// DoesNotApply makes a fact that was declared not to apply.
func DoesNotApply[T any](reason string) Fact[T] { return Fact[T]{State: None, Reason: reason} }

// IsZero reports that nothing was recorded; such a fact is left out of JSON.
func (f Fact[T]) IsZero() bool { return f.State == NotRecorded }

// Known returns the value and whether one was recorded.
func (f Fact[T]) Known() (T, bool) { return f.Value, f.State == Recorded }

type declared struct {
	None *string `json:"none"`
}

// MarshalJSON writes null, the value, or {"none": reason}.
func (f Fact[T]) MarshalJSON() ([]byte, error) {
	switch f.State {
	case Recorded:
		return marshal(f.Value)
	case None:
		return marshal(declared{&f.Reason})
	}
	return []byte("null"), nil
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (f *Fact[T]) UnmarshalJSON(b []byte) error {
	*f = Fact[T]{}
	b = bytes.TrimSpace(b)
	if bytes.Equal(b, []byte("null")) {
		return nil
	}
	var d declared
	if len(b) > 0 && b[0] == '{' && strict(b, &d) == nil && d.None != nil {
		if strings.TrimSpace(*d.None) == "" {
			return finding.Bad("record-none-reason", finding.Where{}, nil)
		}
		f.State, f.Reason = None, *d.None
		return nil
	}
	if err := strict(b, &f.Value); err != nil {
		return err
	}
	f.State = Recorded
	return nil
}

// strict decodes JSON and refuses names it does not know.
func strict(b []byte, v any) error {
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	return d.Decode(v)
}

// marshal is json.Marshal that leaves <, > and & as they are.
func marshal(v any) ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		return nil, err
	}
	return bytes.TrimSuffix(b.Bytes(), []byte("\n")), nil
}
