package crew

import "fmt"

// Error is bad input to this package: a stable code, the field it is about and a short plain explanation.
type Error struct {
	Code   string `json:"code"`             // stable, kebab-case
	Field  string `json:"field"`            // which input, in JSON spelling
	Detail string `json:"detail,omitempty"` // what was found
}

// Error returns code, field and detail in one line.
func (e *Error) Error() string {
	if e.Detail == "" {
		return fmt.Sprintf("crew: %s: %s", e.Field, e.Code)
	}
	return fmt.Sprintf("crew: %s: %s (%s)", e.Field, e.Code, e.Detail)
}

// The codes of Error.
const (
	CodeNotFinite   = "not-finite"
	CodeOutOfRange  = "out-of-range"
	CodeUnknown     = "unknown-value"
	CodeDuplicate   = "duplicate"
	CodeMissing     = "missing"
	CodePrecedence  = "precedence-broken"
	CodeTriangle    = "detour-longer-than-way-round"
	CodeTooLarge    = "too-large"
	CodeNotAllowed  = "override-not-allowed"
	CodeBadCurrency = "currency-not-iso-4217"
	CodeNoSteps     = "steps-not-readable"
	CodeNoSyringe   = "no-syringe-large-enough"
)

func fault(code, field, format string, args ...any) error {
	return &Error{Code: code, Field: field, Detail: fmt.Sprintf(format, args...)}
}
