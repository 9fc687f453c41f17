package port

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan/label"
)

// SCIENCE S6: 5 mm holes 12 cm apart are 10 %, 8 mm holes 6 cm apart 33 %.
// Exactly 2.5 * 0.5/12 = 5/48 and 2.5 * 0.8/6 = 1/3, whatever the girth.
func TestWoundShare_PublishedVectors(t *testing.T) {
	for _, c := range []struct {
		hole    q.Length
		spacing int64
		want    exact.Rat
		shown   float64
	}{
		{cm(5, 10), 12, exact.Frac(5, 48), 10},
		{cm(8, 10), 6, exact.Frac(1, 3), 33},
	} {
		for _, n := range []int{1, 8, 31} {
			s, ok := WoundShare(nil, 2030, n, c.hole, q.Exactly(cm(c.spacing*int64(n), 1)))
			if !ok || s.Low.Cmp(c.want) != 0 || s.High.Cmp(c.want) != 0 || math.Round(s.Percent()) != c.shown {
				t.Errorf("%d holes: got %v..%v (%.2f %%), want %v", n, s.Low, s.High, s.Percent(), c.want)
			}
		}
	}
}

func TestWoundShare_ActiveHolesOnly(t *testing.T) {
	ws := []tree.Wound{
		{Year: 2029, Closed: true, Hole: cm(1, 1)},  // recent
		{Year: 2010, Closed: false, Hole: cm(1, 1)}, // open
		{Year: 2010, Closed: true, Hole: cm(1, 1)},  // grown over
	}
	s, _ := WoundShare(ws, 2030, 2, cm(1, 1), q.Exactly(cm(100, 1)))
	if s.High.Cmp(exact.Frac(1, 10)) != 0 { // 4 * 2.5/100
		t.Errorf("share %v, want 0.1", s.High)
	}
	if _, ok := WoundShare(ws, 2030, 2, cm(1, 1), q.LengthSpan{}); ok {
		t.Error("a girth of 0 has a share")
	}
}

func TestWoundLimits_Judge(t *testing.T) {
	card := label.PortRule{WoundWarn: q.Known(q.New[q.PercentKind](10, "%")), WoundMax: q.Known(q.New[q.PercentKind](12, "%"))}
	for _, c := range []struct {
		name  string
		rule  label.PortRule
		share exact.Rat
		id    string
		force finding.Force
		by    finding.Authority
	}{
		{"at the warning", label.PortRule{}, exact.Frac(15, 100), "", "", ""},
		{"over the warning", label.PortRule{}, exact.Frac(150001, 1000000), "wounds-many", finding.Advisory, finding.ByPractice},
		{"at the limit", label.PortRule{}, exact.Frac(1, 4), "wounds-many", finding.Advisory, finding.ByPractice},
		{"over the limit", label.PortRule{}, exact.Frac(250001, 1000000), "wounds-too-many", finding.Advisory, finding.ByPractice},
		{"card's warning", card, exact.Frac(11, 100), "wounds-many", finding.Advisory, finding.ByLabel},
		{"card's limit", card, exact.Frac(13, 100), "wounds-too-many", finding.Mandatory, finding.ByLabel},
	} {
		f, ok := WoundLimitsFor(c.rule).Judge(Share{c.share, c.share})
		if ok != (c.id != "") || f.ID != c.id || f.Force != c.force || (ok && f.Authority != c.by) {
			t.Errorf("%s: got %+v", c.name, f)
		}
		if ok && (f.Severity == finding.Refused) != (c.id == "wounds-too-many") {
			t.Errorf("%s: severity %s", c.name, f.Severity)
		}
	}
}

// MostPorts is the last n whose share is not over the limit.
func TestMostPorts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		girth := q.TimesPi(q.Exactly(cm(rapid.Int64Range(50, 2000).Draw(t, "d"), 10)))
		hole := cm(rapid.Int64Range(2, 12).Draw(t, "hole"), 10)
		limit := q.New[q.PercentKind](rapid.Int64Range(1, 60).Draw(t, "limit"), "%")
		var ws []tree.Wound
		for range rapid.IntRange(0, 6).Draw(t, "old") {
			ws = append(ws, tree.Wound{Hole: cm(rapid.Int64Range(3, 12).Draw(t, "size"), 10)})
		}
		n := MostPorts(ws, 2030, hole, girth, limit)
		over := func(n int) bool {
			s, _ := WoundShare(ws, 2030, n, hole, girth)
			return s.over(limit)
		}
		if n > 0 && over(n) {
			t.Fatalf("%d ports are over the limit", n)
		}
		if !over(n + 1) {
			t.Fatalf("%d ports are within the limit, MostPorts says %d", n+1, n)
		}
	})
	if got := MostPorts(nil, 2030, q.Length{}, q.Exactly(cm(100, 1)), WoundMax); got != Unbounded {
		t.Errorf("holes without size: %d", got)
	}
}
