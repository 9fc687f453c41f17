package cardfile

import (
	"bytes"
	"fmt"
	"os"
	"strings"
	"testing"

	"sapward/finding"
)

// TestParse_Bytes: what cannot be read as one plain YAML document is refused
// with its own identifier and place.
func TestParse_Bytes(t *testing.T) {
	base, err := os.ReadFile("testdata/good/diameter.yaml")
	if err != nil {
		t.Fatal(err)
	}
	with := func(old, new string) []byte {
		t.Helper()
		if !bytes.Contains(base, []byte(old)) {
			t.Fatalf("%q is not in the card", old)
		}
		return bytes.Replace(base, []byte(old), []byte(new), 1)
	}
	for _, c := range []struct {
		name, want string
		data       []byte
	}{
		{"empty", "card-empty-file c:1:1", nil},
		{"only a comment", "card-empty-file c:1:1", []byte("# nothing\n")},
		{"only a mark", "card-empty-file c:1:1", []byte("---\n")},
		{"a list", "card-not-mapping c:1:1", []byte("- a\n")},
		{"a word", "card-not-mapping c:1:1", []byte("card\n")},
		{"too large", "card-too-large c", bytes.Repeat([]byte("#"), MostBytes+1)},
		{"NUL", "card-control-character c:38:12", with("rei: 12 h", "rei: 12\x00 h")},
		{"escape character", "card-control-character c:38:12", with("rei: 12 h", "rei: 12\x1b h")},
		{"Latin-1", "card-not-utf8 c:38:13", with("rei: 12 h", "rei: 12 \xb0")},
		{"UTF-16", "card-not-utf8 c:1:1", []byte("\xff\xfea\x00:\x00")},
		{"open bracket", "card-yaml c:40:1", with("phi: not for food", "phi: [not for food")},
		{"open quote", "card-yaml c:40:1", with("phi: not for food", "phi: 'not for food")},
		{"deep lists", "card-too-deep c:38:23", with("rei: 12 h", "rei: "+strings.Repeat("[", 40)+strings.Repeat("]", 40))},
		{"very deep lists", "card-too-deep c:38:10010", with("rei: 12 h", "rei: "+strings.Repeat("[", 20000))},
		{"second document", "card-documents c:40:1", append(bytes.Clone(base), "---\na: 1\n"...)},
		{"broken second document", "card-yaml c:42:1", append(bytes.Clone(base), "---\n[\n"...)},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := Parse(c.data, "c")
			fs := finding.AsFaults(err)
			if len(fs) == 0 {
				t.Fatal("accepted")
			}
			got := fs[0].ID + " " + fs[0].Where.String()
			if got != c.want {
				t.Errorf("got %s, want %s (%v)", got, c.want, err)
			}
		})
	}
}

// TestParse_Accepts: harmless varieties of a text file give the same card.
func TestParse_Accepts(t *testing.T) {
	base, err := os.ReadFile("testdata/good/diameter.yaml")
	if err != nil {
		t.Fatal(err)
	}
	want, err := Parse(base, "c")
	if err != nil {
		t.Fatal(err)
	}
	for name, data := range map[string][]byte{
		"byte order mark":     append([]byte("\xef\xbb\xbf"), base...),
		"Windows line ends":   bytes.ReplaceAll(base, []byte("\n"), []byte("\r\n")),
		"no last line end":    bytes.TrimRight(base, "\n"),
		"document start mark": append([]byte("---\n"), base...),
		"trailing comment":    append(bytes.Clone(base), "# end\n"...),
	} {
		got, err := Parse(data, "c")
		if err != nil {
			t.Errorf("%s: %v", name, err)
		} else if got.Hash != want.Hash {
			t.Errorf("%s: another hash", name)
		}
	}
}

// TestParse_ManyFaults: a hostile file gives a bounded answer.
func TestParse_ManyFaults(t *testing.T) {
	var b strings.Builder
	for i := range 20000 {
		fmt.Fprintf(&b, "k%d: 1\n", i)
	}
	_, err := Parse([]byte(b.String()), "c")
	fs := finding.AsFaults(err)
	last := fs[len(fs)-1]
	if len(fs) != mostFaults+1 || last.ID != "card-more-faults" || last.Args["count"].Number != 20000+3-mostFaults {
		t.Errorf("%d faults, last %v", len(fs), last)
	}
}

// TestParse_AllAtOnce: one reading names every problem, in the order of the
// file.
func TestParse_AllAtOnce(t *testing.T) {
	data := "schema: sapward/label-card/1\nprodukt: {name: x}\nuses:\n  - method: spray\n    sites: [{name: elm, fod: false}]\n    targets: [wilt]\n    rate: {per: diameter, low: 2 oz/in, high: 3}\n    rei: 12\n"
	_, err := Parse([]byte(data), "c")
	var got []string
	for _, f := range finding.AsFaults(err) {
		got = append(got, f.Where.String()+" "+f.ID)
	}
	want := []string{
		"c:1:1 card-key-missing", // product
		"c:2:1 card-key-misspelt",
		"c:4:13 card-method-unknown",
		"c:5:25 card-key-misspelt",
		"c:7:32 unit-vague",
		"c:7:47 unit-missing",
		"c:8:10 unit-missing",
	}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

func TestSuggestions(t *testing.T) {
	for typed, want := range map[string]string{
		"spaceing": "spacing", "Volume": "volume", "sapwood-depth": "sapwood_depth", "hieght": "height", "keepout": "keep_out",
		"plac": "place", "densitymin": "density_min", "wound max": "wound_max", "colour": "", "rate": "", "": "",
	} {
		if got := nearest(typed, keys["ports"]); got != want {
			t.Errorf("%q: %q, want %q", typed, got, want)
		}
	}
	for key, want := range map[string]string{"interval": "uses[].limits", "spacing": "uses[].ports", "min": "", "nothing": "", "phi": "uses[]", "density": "product"} {
		if got := home(key); got != want {
			t.Errorf("home of %s: %q, want %q", key, got, want)
		}
	}
}
