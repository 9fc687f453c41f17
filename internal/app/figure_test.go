package app

import (
	"testing"

	"pgregory.net/rapid"

	"sapward/finding"
	q "sapward/measure/quantity"
)

// What plainDecimal lets pass is what the exact way would write, and its float
// is the exact number's.
func TestPlainDecimal_IsAsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.StringMatching(`[0-9]{0,9}(\.[0-9]{0,9})?|[-+]?[0-9. ,e]{1,9}`).Draw(t, "text")
		x, plain := plainDecimal(s)
		v, fault := q.Number(s)
		if plain && (fault != nil || v.String() != s || v.Float() != x) {
			t.Fatalf("%q passes as %v; exactly it is %v, %v", s, x, v, fault)
		}
		low, high := 0.0, 400.0
		var faults finding.Faults
		text := s
		figure(&faults, "diameter", &text, "cm", low, high)
		if fault == nil && v.Float() > low && v.Float() <= high && len(s) < 12 && (len(faults) > 0 || text != v.String()) {
			t.Fatalf("%q became %q, want %q; %v", s, text, v, faults)
		}
	})
	for _, s := range []string{"", ".", "1.", ".5", "00", "01", "1.50", "1e3", "-1", "+1", "1,5", "1234567890.123456", "1..2"} {
		if _, plain := plainDecimal(s); plain {
			t.Errorf("%q passes", s)
		}
	}
	for _, s := range []string{"0", "7", "0.5", "39.4", "120", "100.25"} {
		if _, plain := plainDecimal(s); !plain {
			t.Errorf("%q does not pass", s)
		}
	}
}
