package cardfile

import (
	"errors"
	"os"
	"reflect"
	"strings"
	"testing"

	"sapward/finding"
	"sapward/plan/label"
)

// FuzzParse: no bytes make the reader panic, every refusal is a list of faults
// with identifiers, and a card that is accepted is read back equal from its own
// canonical text.
func FuzzParse(f *testing.F) {
	for _, folder := range []string{"good", "bad"} {
		for _, data := range files(f, folder) {
			f.Add(data)
		}
	}
	f.Add(Blank())
	f.Fuzz(func(t *testing.T, data []byte) {
		l, err := Parse(data, "c")
		if err != nil {
			var fs finding.Faults
			if !errors.As(err, &fs) || len(fs) == 0 {
				t.Fatalf("not faults: %v", err)
			}
			for _, x := range fs {
				if x.ID == "" || x.Class != finding.BadInput {
					t.Fatalf("%+v", x)
				}
			}
			return
		}
		label.Check(l.Card)
		again, err := Parse(l.Canonical, "c")
		if err != nil {
			t.Fatalf("%s\n%v", l.Canonical, err)
		}
		if again.Hash != l.Hash || !reflect.DeepEqual(again.Card, l.Card) {
			t.Fatalf("differs: %s", l.Canonical)
		}
	})
}

// TestParse_Mangled changes bytes of good cards at many places; the same
// properties must hold as in FuzzParse, and no place lies outside the file.
func TestParse_Mangled(t *testing.T) {
	data, err := os.ReadFile("testdata/good/every_key.yaml")
	if err != nil {
		t.Fatal(err)
	}
	step := 23
	if os.Getenv("SAPWARD_SOAK") != "" {
		step = 1
	}
	accepted, refused := 0, 0
	for i := 0; i < len(data); i += step {
		for _, with := range []string{"", ":", "\n", "{", "]", "'", "\"", "#", "&", "*", "-", "\t", "9", ","} {
			text := string(data[:i]) + with + string(data[i+1:])
			lines := strings.Count(text, "\n") + 2
			l, err := Parse([]byte(text), "c")
			if err == nil {
				accepted++
				if _, err := Parse(l.Canonical, "c"); err != nil {
					t.Fatalf("byte %d, %q: %v", i, with, err)
				}
				continue
			}
			refused++
			for _, f := range finding.AsFaults(err) {
				if f.Class != finding.BadInput || f.Where.Line < 1 || f.Where.Line > lines {
					t.Fatalf("byte %d, %q: %v", i, with, f)
				}
			}
		}
	}
	if accepted == 0 || refused == 0 {
		t.Errorf("accepted %d, refused %d", accepted, refused)
	}
}
