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
