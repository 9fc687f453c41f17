package cardfile

import (
	"regexp"
	"strings"
	"testing"

	"sapward/finding"
	"sapward/plan/label"
)

// TestBlank_ListsWhatIsMissing: the empty card asks for every line that a label
// always answers, in the order of the file and nothing else.
func TestBlank_ListsWhatIsMissing(t *testing.T) {
	_, err := Parse(Blank(), "card.yaml")
	var got []string
	before := finding.Where{}
	for _, f := range finding.AsFaults(err) {
		if f.ID != "card-value-empty" && f.ID != "card-amount-empty" {
			t.Errorf("%v", f)
		}
		if earlier(f.Where, before) {
			t.Errorf("%s out of order", f.Where)
		}
		before = f.Where
		got = append(got, f.Args["path"].Text)
	}
	want := []string{
		"product.name", "product.registration.number", "product.registration.territory", "product.active[0].name", "product.active[0].content",
		"uses[0].method", "uses[0].sites[0].name", "uses[0].sites[0].food", "uses[0].targets", "uses[0].rate.per", "uses[0].rate",
	}
	if strings.Join(got, " ") != strings.Join(want, " ") {
		t.Errorf("got  %v\nwant %v", got, want)
	}
}

// fill types a value behind the first empty line of a key.
func fill(t *testing.T, card, key, value string) string {
	t.Helper()
	at := regexp.MustCompile(`(?m)^([ -]*` + key + `:)( *\[\])?( +#| *$)`)
	loc := at.FindStringSubmatchIndex(card)
	if loc == nil {
		t.Fatalf("no empty line for %s", key)
	}
	return card[:loc[3]] + " " + value + " " + card[loc[6]:]
}

// TestBlank_CanBeFilled fills the empty card as its comments say, first with
// what the faults ask for, then with what the findings ask for.
func TestBlank_CanBeFilled(t *testing.T) {
	card := string(Blank())
	for _, kv := range [][2]string{
		{"name", "Invented Product D"}, {"number", `"0123"`}, {"territory", "[DEMO]"}, {"name", "invented active"}, {"content", "20 % w/v"},
		{"method", "injection"}, {"name", "elm"}, {"food", "true"}, {"targets", "[wilt]"}, {"per", "diameter"}, {"high", "3 mL/cm"},
	} {
		card = fill(t, card, kv[0], kv[1])
	}
	l, err := Parse([]byte(card), "card.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if ids := idsOf(l.Card); ids != "card-food-without-phi card-reentry-unsaid card-practice-only card-restricted-unsaid" {
		t.Errorf("asked next: %s", ids)
	}
	for _, f := range label.Check(l.Card) {
		if w := l.Place(f.Ref); w.Line < 10 {
			t.Errorf("%s has no place: %v", f.ID, w)
		}
	}
	for _, kv := range [][2]string{{"phi", "180 d"}, {"rei", "12 h"}, {"restricted_use", "false"}, {"entered_by", "adviser"}, {"entered_on", "2026-02-01"}, {"checked_by", "crew lead"}, {"checked_on", "2026-02-02"}} {
		card = fill(t, card, kv[0], kv[1])
	}
	if l, err = Parse([]byte(card), "card.yaml"); err != nil {
		t.Fatal(err)
	}
	if ids := idsOf(l.Card); ids != "" {
		t.Errorf("still asked: %s", ids)
	}
	if err := compiled(t).Validate(typed(t, []byte(card))); err != nil {
		t.Errorf("schema: %v", err)
	}
}

func idsOf(c label.Card) string {
	var ids []string
	for _, f := range label.Check(c) {
		ids = append(ids, f.ID)
	}
	return strings.Join(ids, " ")
}

// TestBlank_HoldsNoAmounts: no line of the empty card holds a value.
func TestBlank_HoldsNoAmounts(t *testing.T) {
	for i, line := range strings.Split(string(Blank()), "\n") {
		typed, _, _ := strings.Cut(line, "#")
		if strings.HasPrefix(typed, "schema:") {
			continue
		}
		if _, value, ok := strings.Cut(typed, ":"); ok && strings.Trim(value, " []") != "" {
			t.Errorf("line %d holds %q", i+1, value)
		}
	}
}

// TestBlank_KnowsTheKeys: a commented block of the empty card, uncommented, is
// made of known keys.
func TestBlank_KnowsTheKeys(t *testing.T) {
	card := regexp.MustCompile(`(?m)^    # (dilution:|  mix_per:|  concentration:|  mix_life:)`).ReplaceAllString(string(Blank()), "    $1")
	_, err := Parse([]byte(card), "card.yaml")
	asked := false
	for _, f := range finding.AsFaults(err) {
		if strings.HasPrefix(f.ID, "card-key") {
			t.Errorf("%v", f)
		}
		asked = asked || f.Args["path"].Text == "uses[0].dilution.concentration"
	}
	if !asked {
		t.Error("the concentration is not asked for")
	}
}

// TestBlankIn_SaysTheSameInSpanish: apart from its comments the Spanish card is
// the English one, line by line, and every comment is in Spanish.
func TestBlankIn_SaysTheSameInSpanish(t *testing.T) {
	en, es := strings.Split(string(Blank()), "\n"), strings.Split(string(BlankIn("es")), "\n")
	if len(en) != len(es) {
		t.Fatalf("%d lines beside %d", len(en), len(es))
	}
	words := 0
	for i := range en {
		a, noteA, _ := strings.Cut(en[i], "#")
		b, noteB, _ := strings.Cut(es[i], "#")
		if a != b {
			t.Errorf("line %d: %q beside %q", i+1, a, b)
		}
		if !regexp.MustCompile(`[a-z]{4}`).MatchString(regexp.MustCompile(`^ *[a-z_]+:|[{].*[}]`).ReplaceAllString(noteA, "")) {
			continue // keys alone, or nothing
		}
		if words++; noteA == noteB {
			t.Errorf("line %d is not in Spanish: %s", i+1, noteB)
		}
	}
	if words < 80 {
		t.Errorf("only %d comments compared", words)
	}
	if string(BlankIn("xx")) != string(Blank()) {
		t.Error("another language does not fall back to English")
	}
}

// TestHints_ExplainTheKeys: the comments of the blank card by path.
func TestHints_ExplainTheKeys(t *testing.T) {
	for path, want := range map[string][2]string{
		"product.name":              {"product name, exactly as printed", "nombre del producto, tal como está impreso"},
		"uses[0].rate.high":         {"highest dose; if the label gives one dose only, type it here", "dosis más alta; si la etiqueta da una sola dosis, escríbala aquí"},
		"uses[0].dilution.mix_life": {"how long a mix may be kept", "cuánto tiempo se puede guardar una mezcla"},
		"safety.ppe.mix":            {"when mixing and loading", "al mezclar y cargar"},
	} {
		if got := Hints("en")[path]; got != want[0] {
			t.Errorf("%s: %q", path, got)
		}
		if got := Hints("es")[path]; got != want[1] {
			t.Errorf("%s: %q", path, got)
		}
	}
	if a, b := len(Hints("en")), len(Hints("es")); a != b || a < 60 {
		t.Errorf("%d and %d hints", a, b)
	}
}
