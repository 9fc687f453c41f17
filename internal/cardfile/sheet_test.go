package cardfile

import (
	"os"
	"path/filepath"
	"regexp"
	"sort"
	"strings"
	"testing"

	"go.yaml.in/yaml/v4"
	"pgregory.net/rapid"

	"sapward/finding"
)

func opened(t *testing.T, text string) *Sheet {
	t.Helper()
	s, err := Open([]byte(text))
	if err != nil {
		t.Fatalf("%v in\n%s", err, text)
	}
	return s
}

// Each change by hand: what stood there, what is asked for, what must come out.
func TestSheet_ChangesOnePlace(t *testing.T) {
	set := func(path, v string) func(*Sheet) (*Sheet, error) {
		return func(s *Sheet) (*Sheet, error) { return s.Set(path, v) }
	}
	list := func(path string, v ...string) func(*Sheet) (*Sheet, error) {
		return func(s *Sheet) (*Sheet, error) { return s.SetList(path, v) }
	}
	ends := func(path, a, b string) func(*Sheet) (*Sheet, error) {
		return func(s *Sheet) (*Sheet, error) { return s.SetEnds(path, a, b) }
	}
	add := func(path string) func(*Sheet) (*Sheet, error) {
		return func(s *Sheet) (*Sheet, error) { return s.Add(path) }
	}
	remove := func(path string) func(*Sheet) (*Sheet, error) {
		return func(s *Sheet) (*Sheet, error) { return s.Remove(path) }
	}
	for _, c := range []struct {
		name, text string
		do         func(*Sheet) (*Sheet, error)
		want       string
	}{
		{"empty line with a comment", "product:\n  name:          # as printed\n  holder: x\n", set("product.name", "Elm"), "product:\n  name: Elm      # as printed\n  holder: x\n"},
		{"comment keeps its column", "product:\n  name: Elm      # as printed\n", set("product.name", "Elmtree"), "product:\n  name: Elmtree  # as printed\n"},
		{"long value pushes the comment", "product:\n  name: Elm # as printed\n", set("product.name", "A long name"), "product:\n  name: A long name  # as printed\n"},
		{"cleared beside a comment", "product:\n  name: Elm # as printed\n  holder: x\n", set("product.name", ""), "product:\n  name:     # as printed\n  holder: x\n"},
		{"cleared without a comment", "product:\n  name: Elm\n  holder: x\n", set("product.name", ""), "product:\n  holder: x\n"},
		{"digits are quoted", "product: {registration: {number: 7}}\n", set("product.registration.number", "0123"), "product: {registration: {number: \"0123\"}}\n"},
		{"quotes stay", "product:\n  name: 'Elm'\n", set("product.name", "It's"), "product:\n  name: 'It''s'\n"},
		{"comma in brackets", "product: {name: a, holder: b}\n", set("product.holder", "b, c"), "product: {name: a, holder: \"b, c\"}\n"},
		{"comma on a line", "product:\n  holder: b\n", set("product.holder", "b, c"), "product:\n  holder: b, c\n"},
		{"colon", "product:\n  holder: b\n", set("product.holder", "b: c"), "product:\n  holder: \"b: c\"\n"},
		{"two lines", "safety:\n  first_aid: b # x\n", set("safety.first_aid", "rinse\nask"), "safety:\n  first_aid: \"rinse\\nask\"  # x\n"},
		{"block text", "safety:\n  first_aid: |\n    one\n\n    two\n  spill: z\n", set("safety.first_aid", "three"), "safety:\n  first_aid: three\n  spill: z\n"},
		{"plain text over two lines", "safety:\n  first_aid: one\n    two  # c\n  spill: z\n", set("safety.first_aid", "three"), "safety:\n  first_aid: three  # c\n  spill: z\n"},
		{"accents before it", "product: {holder: \"ñandú é\", name: x}\n", set("product.name", "y"), "product: {holder: \"ñandú é\", name: y}\n"},
		{"new key in its order", "product:\n  name: x\n  active: []\n", set("product.holder", "h"), "product:\n  name: x\n  holder: h\n  active: []\n"},
		{"new key in brackets", "product: {name: x}\n", set("product.holder", "h"), "product: {name: x, holder: h}\n"},
		{"new mapping", "product:\n  name: x\nuses: []\n", set("source.kind", "pdf"), "product:\n  name: x\nsource:\n  kind: pdf\nuses: []\n"},
		{"new mapping in an empty one", "product:\n  name: x\n  registration:   # the foot\n  active: []\n", set("product.registration.number", "7"), "product:\n  name: x\n  registration:   # the foot\n    number: 7\n  active: []\n"},
		{"new key in {}", "product:\n  registration: {}  # c\n  active: []\n", set("product.registration.number", "7"), "product:\n  registration:   # c\n    number: 7\n  active: []\n"},
		{"end of the file without a line end", "schema: s", set("product.name", "x"), "schema: s\nproduct:\n  name: x"},
		{"below deeper comments", "uses:\n  - rate:\n      high: 1\n      # or a table\n    # about ports\n    ports: {}\n", set("uses[0].dilution.mix_per", "1 L/cm"), "uses:\n  - rate:\n      high: 1\n      # or a table\n    dilution:\n      mix_per: 1 L/cm\n    # about ports\n    ports: {}\n"},
		{"range", "uses: [{ports: {spacing: [10 cm, 16 cm], hole: 6 mm}}]\n", ends("uses[0].ports.spacing", "11 cm", "16 cm"), "uses: [{ports: {spacing: [11 cm, 16 cm], hole: 6 mm}}]\n"},
		{"range from one value", "uses:\n  - ports:\n      spacing: 16 cm  # c\n", ends("uses[0].ports.spacing", "11 cm", "16 cm"), "uses:\n  - ports:\n      spacing: [11 cm, 16 cm]  # c\n"},
		{"range to one value", "uses:\n  - ports:\n      spacing: [11 cm, 16 cm]  # c\n", ends("uses[0].ports.spacing", "", "16 cm"), "uses:\n  - ports:\n      spacing: 16 cm           # c\n"},
		{"range as mapping", "uses:\n  - pressure: {max: 200 kPa}\n", ends("uses[0].pressure", "", "150 kPa"), "uses:\n  - pressure: {max: 150 kPa}\n"},
		{"lower end alone", "uses:\n  - timing:\n      temperature:\n", ends("uses[0].timing.temperature", "8 °C", ""), "uses:\n  - timing:\n      temperature: {min: 8 °C}\n"},
		{"list in brackets", "uses: [{targets: [a, b]}]\n", list("uses[0].targets", "a", "c d", "e, f"), "uses: [{targets: [a, c d, \"e, f\"]}]\n"},
		{"list from an empty one", "uses:\n  - targets: []   # pests\n    rei: 1 h\n", list("uses[0].targets", "wilt"), "uses:\n  - targets: [wilt]  # pests\n    rei: 1 h\n"},
		{"list on lines", "uses:\n  - targets:\n      - a  # first\n      - b\n      - c  # third\n", list("uses[0].targets", "a", "x", "c", "d"), "uses:\n  - targets:\n      - a  # first\n      - x\n      - c  # third\n      - d\n"},
		{"list on lines, shorter", "uses:\n  - targets:\n      - a  # first\n      - b\n      - c  # third\n", list("uses[0].targets", "a", "c"), "uses:\n  - targets:\n      - a  # first\n      - c  # third\n"},
		{"add to brackets", "product: {active: [{name: a}]}\n", add("product.active"), "product: {active: [{name: a}, {name: }]}\n"},
		{"add on lines", "uses:\n  - method: injection\n    rei: 12 h  # c\n\nsafety: {}\n", add("uses"), "uses:\n  - method: injection\n    rei: 12 h  # c\n  - method:\n\nsafety: {}\n"},
		{"add a first one", "statements: []   # others\n                 #   - more\n", add("statements"), "statements:      # others\n                 #   - more\n  - force:\n"},
		{"add where no list is", "uses:\n  - method: injection\n    rate:\n      per: diameter\n", add("uses[0].rate.bands"), "uses:\n  - method: injection\n    rate:\n      per: diameter\n      bands:\n        - from:\n"},
		{"remove on lines", "uses:\n  - method: a\n    rei: 1 h\n  # about b\n  - method: b\n", remove("uses[0]"), "uses:\n  # about b\n  - method: b\n"},
		{"remove from brackets", "product: {active: [{name: a}, {name: b}]}\n", remove("product.active[0]"), "product: {active: [{name: b}]}\n"},
		{"remove the last from brackets", "product: {active: [{name: a}, {name: b}]}\n", remove("product.active[1]"), "product: {active: [{name: a}]}\n"},
		{"remove a key from brackets", "uses: [{tree: {min: 1 cm, max: 2 cm}}]\n", set("uses[0].tree.max", ""), "uses: [{tree: {min: 1 cm}}]\n"},
		{"carriage returns", "product:\r\n  name: x\r\n  active: []\r\n", set("product.holder", "h"), "product:\r\n  name: x\r\n  holder: h\r\n  active: []\r\n"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, err := c.do(opened(t, c.text))
			if err != nil {
				t.Fatal(err)
			}
			if got := string(s.Bytes()); got != c.want {
				t.Errorf("got\n%s\nwant\n%s", got, c.want)
			}
		})
	}
}

// What cannot be changed without losing a comment is left to the person.
func TestSheet_LeavesCommentsAlone(t *testing.T) {
	for _, c := range []struct {
		text string
		do   func(*Sheet) (*Sheet, error)
	}{
		{"uses:\n  - ports:\n      spacing: [10 cm, # least\n        16 cm]\n", func(s *Sheet) (*Sheet, error) { return s.SetEnds("uses[0].ports.spacing", "", "3 cm") }},
		{"uses:\n  - targets:\n    # which\n      - a\n", func(s *Sheet) (*Sheet, error) { return s.Set("uses[0].targets", "x") }},
		{"product: x\n", func(s *Sheet) (*Sheet, error) { return s.Set("product.name", "x") }},
		{"product: x\n", func(s *Sheet) (*Sheet, error) { return s.Set("uses[3].rei", "x") }},
		{"product: x\n", func(s *Sheet) (*Sheet, error) { return s.Remove("uses[3]") }},
	} {
		s := opened(t, c.text)
		if _, err := c.do(s); err == nil || finding.AsFaults(err)[0].ID != "card-edit-in-text" {
			t.Errorf("%q: %v", c.text, err)
		}
		if string(s.Bytes()) != c.text {
			t.Errorf("the sheet itself was changed")
		}
	}
}

// cards are the cards of the tests and the empty one.
func cards(t *testing.T) map[string]string {
	t.Helper()
	out := map[string]string{"blank": string(Blank()), "blanco": string(BlankIn("es"))}
	names, _ := filepath.Glob("testdata/good/*.yaml")
	more, _ := filepath.Glob("../demo/files/*/card.yaml")
	for _, n := range append(names, more...) {
		data, err := os.ReadFile(n)
		if err != nil {
			t.Fatal(err)
		}
		out[n] = string(data)
	}
	if len(out) < 5 {
		t.Fatalf("only %d cards", len(out))
	}
	return out
}

// leaves lists the paths of all texts and empty places of a card.
func leaves(n *node, path string) (out []string) {
	switch {
	case n.Kind == yaml.MappingNode && len(n.Content) > 0:
		for i := 0; i+1 < len(n.Content); i += 2 {
			out = append(out, leaves(n.Content[i+1], join(path, n.Content[i].Value))...)
		}
	case n.Kind == yaml.SequenceNode && len(n.Content) > 0:
		for i, c := range n.Content {
			out = append(out, leaves(c, path+"["+string(rune('0'+i%10))+"]")...)
			if i == 9 {
				break
			}
		}
	default:
		out = append(out, path)
	}
	return out
}

// A comment is a # at the beginning of a line or behind a space.
var remark = regexp.MustCompile(`(?:^|\s)#[^\n]*`)

func comments(text string) string {
	all := remark.FindAllString(text, -1)
	for i := range all {
		all[i] = strings.TrimSpace(all[i])
	}
	sort.Strings(all)
	return strings.Join(all, "\n")
}

// Every text of every card can be changed in place: one line differs, every
// comment stays, and the place reads back.
func TestSheet_ChangesEveryTextOfEveryCard(t *testing.T) {
	tried := 0
	for name, text := range cards(t) {
		s := opened(t, text)
		for _, path := range leaves(s.root, "") {
			for i, v := range []string{"7 mm", "0123", "a, b", "x: y", "# no", "it's \"so\"", "true", "~", "[a", "ñ °C", "- x", "2027-01-01"} {
				if i > 0 && (i+len(path))%8 != 0 { // each place sees a few of them, each of them many places
					continue
				}
				out, err := s.Set(path, v)
				if err != nil {
					t.Errorf("%s %s = %q: %v", name, path, v, err)
					continue
				}
				tried++
				if got := out.Value(path); got != v {
					t.Errorf("%s %s reads back as %q, not %q", name, path, got, v)
				}
				if v != "# no" && comments(string(out.Bytes())) != comments(text) {
					t.Errorf("%s %s = %q changed the comments", name, path, v)
				}
				before, after := strings.Split(text, "\n"), strings.Split(string(out.Bytes()), "\n")
				differ := 0
				for i := range before {
					if i < len(after) && before[i] != after[i] {
						differ++
					}
				}
				if len(before) == len(after) && differ > 1 {
					t.Errorf("%s %s = %q changed %d lines", name, path, v, differ)
				}
			}
		}
	}
	t.Logf("%d changes", tried)
	if tried < 500 {
		t.Errorf("only %d changes tried", tried)
	}
}

// Any row of changes either does what was asked for (done reads every text
// again and compares the whole content) or leaves the sheet as it was; nothing
// panics, and comments are only lost with an entry that was removed.
func TestSheet_AnyRowOfChanges(t *testing.T) {
	all := cards(t)
	var names []string
	for n := range all {
		names = append(names, n)
	}
	sort.Strings(names)
	lists := []string{"uses", "product.active", "statements", "uses[0].sites", "uses[0].rate.bands", "uses[1].sites"}
	rapid.Check(t, func(rt *rapid.T) {
		s, err := Open([]byte(all[rapid.SampledFrom(names).Draw(rt, "card")]))
		if err != nil {
			rt.Fatal(err)
		}
		for range rapid.IntRange(1, 8).Draw(rt, "changes") {
			before := s
			var out *Sheet
			var err error
			v := rapid.SampledFrom([]string{"", "7 mm", "a, b", "x: y", "\"", "'", "#x", "two\nlines", "{a", "0x1F", "ñ"}).Draw(rt, "value")
			kind := rapid.IntRange(0, 5).Draw(rt, "kind")
			switch kind {
			case 0:
				out, err = s.Set(rapid.SampledFrom(leaves(s.root, "")).Draw(rt, "path"), v)
			case 1:
				key := rapid.SampledFrom(keys["use"]).Draw(rt, "key")
				out, err = s.Set("uses[0]."+key, v)
			case 2:
				group := rapid.SampledFrom([]string{"ports", "limits", "timing", "dilution", "measure"}).Draw(rt, "group")
				out, err = s.Set("uses[0]."+group+"."+rapid.SampledFrom(keys[group]).Draw(rt, "key"), v)
			case 3:
				out, err = s.SetEnds(rapid.SampledFrom([]string{"uses[0].ports.spacing", "uses[0].pressure", "uses[0].timing.temperature"}).Draw(rt, "range"), v, rapid.SampledFrom([]string{"", "9 mm"}).Draw(rt, "high"))
			case 4:
				out, err = s.SetList(rapid.SampledFrom([]string{"uses[0].targets", "safety.ppe.mix", "product.registration.territory"}).Draw(rt, "list"), strings.Split(v, ","))
			case 5:
				at := rapid.SampledFrom(lists).Draw(rt, "list")
				if rapid.Bool().Draw(rt, "add") || s.Len(at) == 0 {
					out, err = s.Add(at)
				} else {
					out, err = s.Remove(at + "[0]")
				}
			}
			if err != nil {
				if id := finding.AsFaults(err)[0].ID; id != "card-edit-in-text" {
					rt.Fatalf("%s", id)
				}
				continue
			}
			if kind < 5 && !strings.Contains(v, "#") && comments(string(out.Bytes())) != comments(string(before.Bytes())) {
				rt.Fatalf("comments changed:\n%s\nbecame\n%s", before.Bytes(), out.Bytes())
			}
			s = out
		}
	})
}
