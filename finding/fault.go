package finding

import (
	"errors"
	"fmt"
	"sort"
	"strings"
)

// Class is the kind of a fault; it decides the exit and HTTP status.
type Class string

// The classes of fault.
const (
	BadInput Class = "bad-input" // a file or value that cannot be used
	Usage    Class = "usage"     // a command or request put wrongly
	Missing  Class = "missing"   // something named does not exist
	Conflict Class = "conflict"  // somebody else was first
	Denied   Class = "denied"    // not allowed for this person
	Storage  Class = "storage"   // disk or database said no
	Internal Class = "internal"  // a mistake of this program
)

// status is the one table from class to exit and HTTP status.
var status = map[Class]struct{ exit, http int }{
	BadInput: {2, 400},
	Usage:    {2, 400},
	Missing:  {2, 404},
	Conflict: {2, 409},
	Denied:   {2, 403},
	Storage:  {2, 507},
	Internal: {2, 500},
}

// Where is a place in a file. Line and Column count from 1; 0 means unknown.
type Where struct {
	File   string `json:"file,omitempty"`
	Line   int    `json:"line,omitempty"`
	Column int    `json:"column,omitempty"`
}

// String returns file:line:column as far as known.
func (w Where) String() string {
	var b strings.Builder
	b.WriteString(w.File)
	if w.Line > 0 {
		fmt.Fprintf(&b, ":%d", w.Line)
		if w.Column > 0 {
			fmt.Fprintf(&b, ":%d", w.Column)
		}
	}
	return b.String()
}

// Fault is Sapward's one error type: what is wrong by identifier and
// arguments, where, and a private cause that is logged but not shown. The
// sentence and the hint how to mend it stand in the message catalogue under
// fault.ID and fault.ID.mend.
type Fault struct {
	Class Class  `json:"class"`
	ID    string `json:"id"`
	Where Where  `json:"where"`
	Args  Args   `json:"args,omitempty"`
	Cause error  `json:"-"`
}

// Bad returns a bad-input fault.
func Bad(id string, where Where, args Args) *Fault {
	return &Fault{Class: BadInput, ID: id, Where: where, Args: args}
}

// Error returns a plain form for logs; people read the catalogue's text.
func (f *Fault) Error() string {
	var b strings.Builder
	if w := f.Where.String(); w != "" {
		b.WriteString(w + ": ")
	}
	b.WriteString(f.ID)
	names := make([]string, 0, len(f.Args))
	for n := range f.Args {
		names = append(names, n)
	}
	sort.Strings(names)
	for _, n := range names {
		v := f.Args[n]
		if v.IsText {
			fmt.Fprintf(&b, " %s=%q", n, v.Text)
		} else {
			fmt.Fprintf(&b, " %s=%g%s", n, v.Number, v.Unit)
		}
	}
	if f.Cause != nil {
		b.WriteString(": " + f.Cause.Error())
	}
	return b.String()
}

// Unwrap returns the private cause.
func (f *Fault) Unwrap() error { return f.Cause }

// ExitStatus is the command line's exit status for this fault.
func (f *Fault) ExitStatus() int { return status[f.Class].exit }

// HTTPStatus is the server's status for this fault.
func (f *Fault) HTTPStatus() int { return status[f.Class].http }

// Faults is every problem of one input at once.
type Faults []*Fault

// Error joins the faults, one a line.
func (fs Faults) Error() string {
	lines := make([]string, len(fs))
	for i, f := range fs {
		lines[i] = f.Error()
	}
	return strings.Join(lines, "\n")
}

// OrNil returns nil when there is no fault, so that a typed nil never escapes.
func (fs Faults) OrNil() error {
	if len(fs) == 0 {
		return nil
	}
	return fs
}

// AsFaults returns the faults inside err; an unknown error becomes one
// internal fault, never the caller's mistake.
func AsFaults(err error) Faults {
	if err == nil {
		return nil
	}
	var fs Faults
	if errors.As(err, &fs) {
		return fs
	}
	var f *Fault
	if errors.As(err, &f) {
		return Faults{f}
	}
	return Faults{{Class: Internal, ID: "internal", Cause: err, Args: Args{"cause": Text(err.Error())}}}
}
