package cardfile

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"reflect"
	"sort"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// TestHash_Layout: order of keys, quoting, block or flow layout, comments and
// keys left empty do not change the hash; any value does.
func TestHash_Layout(t *testing.T) {
	data, err := os.ReadFile("testdata/good/diameter.yaml")
	if err != nil {
		t.Fatal(err)
	}
	want := load(t, "diameter").Hash
	change := func(pairs ...string) string {
		t.Helper()
		s := string(data)
		for i := 0; i < len(pairs); i += 2 {
			if !strings.Contains(s, pairs[i]) {
				t.Fatalf("%q is not in the card", pairs[i])
			}
			s = strings.Replace(s, pairs[i], pairs[i+1], 1)
		}
		return s
	}
	for name, s := range map[string]string{
		"order":           change("      low: 2 mL/cm\n      high: 3 mL/cm\n", "      high: 3 mL/cm\n      low: 2 mL/cm\n"),
		"quotes":          change("rei: 12 h", `"rei": "12 h"`, "phi: not for food", "phi: 'not for food'", "DEMO-0002", `"DEMO-\x30002"`),
		"block and flow":  change("    limits:\n      applications: 1 per year\n      interval: 330 d\n", "    limits: {interval: 330 d, applications: 1 per year}\n"),
		"comments":        change("rei: 12 h", "rei: 12 h   # twelve hours"),
		"space":           change("rei: 12 h", `rei: "  12 h "`),
		"folded":          change("phi: not for food", "phi: >-\n      not for\n      food"),
		"left empty":      change("rei: 12 h", "rei: 12 h\n    grazing:\n    pressure: ~"),
		"empty sections":  change("rei: 12 h", "rei: 12 h\n    pressure: []", "verified:", "safety: {ppe: {mix: []}}\nverified:"),
		"quoted number":   change("months: [5, 6, 7]", `months: ["5", '6', 7]`),
		"Unicode escapes": change("name: elm", `name: "\u0065lm"`),
	} {
		l, err := Parse([]byte(s), name)
		if err != nil {
			t.Errorf("%s: %v", name, err)
		} else if l.Hash != want {
			t.Errorf("%s: another hash", name)
		}
	}
	for name, s := range map[string]string{
		"value": change("rei: 12 h", "rei: 13 h"), "unit": change("hole: 6 mm", "hole: 0.6 cm"), "key": change("    rei: 12 h\n", ""),
		"order of a list": change("[5, 6, 7]", "[6, 5, 7]"), "case": change("name: elm", "name: Elm"),
	} {
		l, err := Parse([]byte(s), name)
		if err != nil {
			t.Errorf("%s: %v", name, err)
		} else if l.Hash == want {
			t.Errorf("%s: the same hash", name)
		}
	}
}

// TestHash_EmptySection: a section whose lines are all empty is no section.
func TestHash_EmptySection(t *testing.T) {
	data, err := os.ReadFile("testdata/good/diameter.yaml")
	if err != nil {
		t.Fatal(err)
	}
	without := strings.Replace(string(data), "    timing:\n      months: [5, 6, 7]\n", "", 1)
	empty := strings.Replace(string(data), "months: [5, 6, 7]", "months:", 1)
	a, errA := Parse([]byte(without), "c")
	b, errB := Parse([]byte(empty), "c")
	if errA != nil || errB != nil || without == empty {
		t.Fatal(errA, errB)
	}
	if a.Hash != b.Hash || !reflect.DeepEqual(a.Card, b.Card) {
		t.Error("the cards differ")
	}
}

// TestHash_Canonical rebuilds the canonical text of a card by hand.
func TestHash_Canonical(t *testing.T) {
	text := "uses:\n- targets: [ wilt ]\n  method: infusion\n  dilution: {concentration: 2 mL/L, mix_per: 1 L/cm}\n  sites: [{name: \"ulm\u00fc \\\"x\\\"\"}]\nproduct: {name: b, active: [{name: a}]}\nschema: sapward/label-card/1\n"
	l, err := Parse([]byte(text), "c")
	if err != nil {
		t.Fatal(err)
	}
	want := `{"product":{"active":[{"name":"a"}],"name":"b"},"schema":"sapward/label-card/1",` +
		`"uses":[{"dilution":{"concentration":"2 mL/L","mix_per":"1 L/cm"},"method":"infusion","sites":[{"name":"ulmü \"x\""}],"targets":["wilt"]}]}`
	if string(l.Canonical) != want {
		t.Errorf("got  %s\nwant %s", l.Canonical, want)
	}
	sum := sha256.Sum256([]byte(want))
	if l.Hash != hex.EncodeToString(sum[:]) {
		t.Errorf("hash %s", l.Hash)
	}
}

// TestHash_AnotherProgram compares the canonical text with Python's json module
// (sorted keys, no spaces, no escapes), which agrees with RFC 8785 for objects
// of ASCII keys and texts without control characters.
func TestHash_AnotherProgram(t *testing.T) {
	python, err := exec.LookPath("python3")
	if err != nil {
		t.Skip("skipped: python3 is not installed")
	}
	const program = `import sys,json,hashlib
b=json.dumps(json.load(sys.stdin),sort_keys=True,separators=(',',':'),ensure_ascii=False).encode()
print(hashlib.sha256(b).hexdigest())`
	for _, name := range []string{"every_key", "whole_shape", "bands"} {
		l := load(t, name)
		cmd := exec.Command(python, "-c", program)
		cmd.Stdin = bytes.NewReader(l.Canonical)
		cmd.Env = append(os.Environ(), "PYTHONIOENCODING=utf-8")
		out, err := cmd.Output()
		if err != nil {
			t.Skipf("skipped: python3 does not run here: %v", err)
		}
		if got := strings.TrimSpace(string(out)); got != l.Hash {
			t.Errorf("%s: %s, want %s", name, got, l.Hash)
		}
	}
}

// write writes a tree as JSON with the keys of every mapping in random order;
// JSON is YAML.
func write(b *strings.Builder, v any, rnd *rand.Rand) {
	switch v := v.(type) {
	case map[string]any:
		names := make([]string, 0, len(v))
		for k := range v {
			names = append(names, k)
		}
		sort.Strings(names)
		rnd.Shuffle(len(names), func(i, j int) { names[i], names[j] = names[j], names[i] })
		b.WriteString("{")
		for i, k := range names {
			if i > 0 {
				b.WriteString(", ")
			}
			fmt.Fprintf(b, "%q: ", k)
			write(b, v[k], rnd)
		}
		b.WriteString("}")
	case []any:
		b.WriteString("[")
		for i, x := range v {
			if i > 0 {
				b.WriteString(", ")
			}
			write(b, x, rnd)
		}
		b.WriteString("]")
	default:
		text, err := json.Marshal(v)
		if err != nil {
			panic(err)
		}
		b.Write(text)
	}
}

// tree returns the content of a card as maps, lists and text.
func tree(t testing.TB, l Loaded) map[string]any {
	t.Helper()
	var m map[string]any
	if err := json.Unmarshal(l.Canonical, &m); err != nil {
		t.Fatal(err)
	}
	return m
}

// TestHash_AnyOrder: a card written with its keys in any order is the same card
// with the same hash.
func TestHash_AnyOrder(t *testing.T) {
	cards := map[string]Loaded{}
	var names []string
	for name := range files(t, "good") {
		cards[name] = load(t, name)
		names = append(names, name)
	}
	sort.Strings(names)
	rapid.Check(t, func(rt *rapid.T) {
		name := rapid.SampledFrom(names).Draw(rt, "card")
		rnd := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 1))
		var b strings.Builder
		write(&b, tree(t, cards[name]), rnd)
		got, err := Parse([]byte(b.String()), name)
		if err != nil {
			rt.Fatal(err)
		}
		if got.Hash != cards[name].Hash || !reflect.DeepEqual(got.Card, cards[name].Card) {
			rt.Fatalf("%s differs when written as\n%s", name, b.String())
		}
	})
}
