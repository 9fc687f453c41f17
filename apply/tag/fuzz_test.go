package tag

import (
	"bytes"
	"testing"
)

// FuzzReadCode: what is read is a code in its one form, and reads the same again,
// also as it is written for people.
func FuzzReadCode(f *testing.F) {
	code, err := NewCode(bytes.NewReader(bytes.Repeat([]byte{7, 91, 180, 3, 66}, 200)), nil)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(code)
	f.Add(Grouped(code))
	f.Add("")
	f.Add("iIlLoO-- ")
	f.Add("\u0130\ufb01")
	f.Fuzz(func(t *testing.T, s string) {
		code, err := ReadCode(s)
		if err != nil {
			if code != "" {
				t.Fatalf("%q beside %v", code, err)
			}
			return
		}
		if len(code) != CodeLength {
			t.Fatalf("%q", code)
		}
		for _, again := range []string{code, Grouped(code)} {
			if got, err := ReadCode(again); err != nil || got != code {
				t.Fatalf("%q reads as %q, %v", again, got, err)
			}
		}
	})
}
