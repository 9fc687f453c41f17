package health

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"sapward/finding"
)

func look(tree, port string, day, pct float64) Closure {
	return Closure{Tree: tree, Treatment: "infusion", Port: port, Day: day, Pct: &pct}
}

// By hand: two trees of two ports. Tree A closes on days 100 and 200, B one
// port on 200, the other never.
func TestWounds_ByHand(t *testing.T) {
	rows := []Closure{
		look("A", "1", 100, 100), look("A", "2", 100, 60), look("B", "1", 100, 80), look("B", "2", 100, 20),
		look("A", "1", 200, 100), look("A", "2", 200, 100), look("B", "1", 200, 100), look("B", "2", 200, 40),
	}
	r, err := Wounds(rows, 0)
	if err != nil {
		t.Fatal(err)
	}
	x := r.Treatments[0]
	if x.Trees != 2 || x.Ports != 4 || x.TreesClosed != 1 || len(x.Days) != 2 {
		t.Fatalf("%+v", x)
	}
	if d := x.Days[0]; d.Closed != 1 || d.SharePct != 25 || *d.MeanPct != 65 || d.Trees != 2 {
		t.Errorf("%+v", d)
	}
	if d := x.Days[1]; d.Closed != 3 || d.SharePct != 75 || *d.MeanPct != 85 {
		t.Errorf("%+v", d)
	}
	// Half of the two trees were closed at day 200; half of the ports too: of
	// four, one by 100 and three by 200.
	if *x.PortMedianD != 200 || x.MedianD == nil || *x.MedianD != 200 {
		t.Errorf("medians %v, %v", *x.PortMedianD, x.MedianD)
	}
	if !slices.ContainsFunc(r.Notes, func(f finding.Finding) bool { return f.ID == "closure-few-trees" }) {
		t.Error("two trees are not said to be few")
	}
	again := append(rows, look("A", "1", 300, 50))
	if r, _ = Wounds(again, 0); !slices.ContainsFunc(r.Notes, func(f finding.Finding) bool { return f.ID == "closure-reopened" && f.Trees[0] == "A" }) {
		t.Errorf("%v", r.Notes)
	}
}

// One port a tree: Wilson's interval with k - 1 in place of k. All closed: the
// trees count, not the ports.
func TestClusteredShare(t *testing.T) {
	ones := []int{1, 1, 1, 0, 0, 1, 0, 1, 1, 1, 0}
	units := slices.Repeat([]int{1}, len(ones))
	p, low, high, err := ClusteredShare(ones, units, 0.95)
	if err != nil || math.Abs(p-7.0/11) > 1e-12 {
		t.Fatal(p, err)
	}
	z := 1.959963984540054 // normal quantile 0.975 (from memory of standard tables)
	n := 10.0
	mid, half := (p+z*z/2/n)/(1+z*z/n), z*math.Sqrt(p*(1-p)/n+z*z/4/n/n)/(1+z*z/n)
	if math.Abs(*low-(mid-half)) > 1e-9 || math.Abs(*high-(mid+half)) > 1e-9 {
		t.Errorf("%v %v, want %v %v", *low, *high, mid-half, mid+half)
	}
	_, low, high, _ = ClusteredShare([]int{5, 5, 5}, []int{5, 5, 5}, 0.95)
	if want := 1 / (1 + z*z/3); math.Abs(*low-want) > 1e-9 || *high != 1 {
		t.Errorf("%v, want %v", *low, want)
	}
	if _, low, _, err = ClusteredShare([]int{3}, []int{5}, 0.95); low != nil || err != nil {
		t.Error("one tree has an interval")
	}
	for _, c := range [][2][]int{{{1}, {}}, {{}, {}}, {{2}, {1}}, {{-1}, {1}}, {{0}, {0}}} {
		if _, _, _, err := ClusteredShare(c[0], c[1], 0.95); err == nil {
			t.Errorf("%v was taken", c)
		}
	}
}

// Ports of a tree alike: the interval holds 0.6 in about 95 of 100 samples,
// while one that counts ports holds it far less often.
func TestClusteredShare_Coverage(t *testing.T) {
	n := 2000
	rng := rand.New(rand.NewPCG(4, 5))
	hits, naive := 0, 0
	for range n {
		var ones, units []int
		all := 0
		for range 20 {
			u := rng.Float64() // half of the trees close all, half one port in five: 0.6 in the mean
			p := 0.2
			if u < 0.5 {
				p = 1
			}
			m, x := 4+rng.IntN(5), 0
			for range m {
				if rng.Float64() < p {
					x++
				}
			}
			ones, units, all = append(ones, x), append(units, m), all+m
		}
		p, low, high, err := ClusteredShare(ones, units, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		if *low <= 0.6 && 0.6 <= *high {
			hits++
		}
		if half := 1.96 * math.Sqrt(p*(1-p)/float64(all)); math.Abs(p-0.6) <= half {
			naive++
		}
	}
	a, b := float64(hits)/float64(n), float64(naive)/float64(n)
	t.Logf("holds in %.3f of %d, counting ports in %.3f", a, n, b)
	if a < 0.93 || a > 0.97 || b > 0.85 {
		t.Error("coverage")
	}
}

func TestWounds_Refuses(t *testing.T) {
	yes := true
	over, part := 120.0, 40.0
	for id, rows := range map[string][]Closure{
		"closure-no-rows":              nil,
		"closure-day-negative":         {look("A", "1", -1, 50)},
		"closure-visit-twice":          {look("A", "1", 10, 50), look("A", "1", 10, 60)},
		"closure-value-missing":        {{Tree: "A", Day: 1}},
		"closure-percent-out-of-range": {{Tree: "A", Day: 1, Pct: &over}},
		"closure-disagrees":            {{Tree: "A", Day: 1, Pct: &part, Closed: &yes}},
		"closure-treatment-changes":    {look("A", "1", 1, 1), {Tree: "A", Treatment: "x", Port: "2", Day: 1, Pct: &part}},
	} {
		_, err := Wounds(rows, 0)
		var fs finding.Faults
		if !errors.As(err, &fs) || fs[0].ID != id {
			t.Errorf("%s: %v", id, err)
		}
	}
	if _, err := Wounds([]Closure{look("A", "1", 1, 1)}, 95); err == nil {
		t.Error(fmt.Sprint("confidence 95 was taken"))
	}
}
