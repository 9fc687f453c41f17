package app

import (
	"testing"

	"sapward/measure/civil"
)

// A look at a few trees after the last whole visit does not make the end of the
// others unknown.
func TestLastWhole(t *testing.T) {
	day := func(n int) civil.Date { return civil.Date{Year: 2026, Month: 6, Day: n} }
	trees := map[string]*fate{}
	for _, tag := range []string{"a", "b", "c", "d", "e", "f"} {
		trees[tag] = &fate{looks: []civil.Date{day(1), day(10)}}
	}
	if got := lastWhole(trees); got != day(10) {
		t.Errorf("every tree seen on the 10th: %v", got)
	}
	trees["a"].looks = append(trees["a"].looks, day(20))
	trees["b"].looks = append(trees["b"].looks, day(20))
	if got := lastWhole(trees); got != day(10) {
		t.Errorf("two of six seen on the 20th: %v", got)
	}
	trees["c"].looks = append(trees["c"].looks, day(20))
	if got := lastWhole(trees); got != day(20) {
		t.Errorf("three of six seen on the 20th: %v", got)
	}
	if got := lastWhole(nil); !got.IsZero() {
		t.Errorf("no trees: %v", got)
	}
}
