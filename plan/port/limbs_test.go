package port

import (
	"testing"

	"pgregory.net/rapid"

	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/plan/label"
)

func limb(name string, d int64) tree.Limb {
	return tree.Limb{Tree: "T1", Name: name, Diameter: cm(d, 1), Height: cm(250, 1)}
}

// By hand: diameters 30, 20 and 10 weigh 9, 4 and 1. Of 20: 12.86, 5.71, 1.43,
// so 12 + 5 + 1 and the two left go to the remainders .86 and .71.
func TestSplitLimbs(t *testing.T) {
	got, err := SplitLimbs(20, []tree.Limb{limb("a", 30), limb("b", 20), limb("c", 10)})
	if err != nil || got[0] != 13 || got[1] != 6 || got[2] != 1 {
		t.Errorf("got %v, %v, want 13 6 1", got, err)
	}
	got, err = SplitLimbs(3, []tree.Limb{limb("b", 20), limb("a", 20)}) // tie by name
	if err != nil || got[0] != 1 || got[1] != 2 {
		t.Errorf("got %v, %v, want 1 2", got, err)
	}
	if got, err = SplitLimbs(0, nil); err != nil || len(got) != 0 {
		t.Errorf("nothing over no limbs: %v, %v", got, err)
	}
	for name, c := range map[string]struct {
		total int
		limbs []tree.Limb
	}{"negative": {-1, []tree.Limb{limb("a", 3)}}, "no limbs": {5, nil}, "no diameter": {5, []tree.Limb{limb("a", 0)}}} {
		if got, err := SplitLimbs(c.total, c.limbs); err == nil || got != nil {
			t.Errorf("%s: %v, %v", name, got, err)
		}
	}
}

// Parts add up and each lies within one graduation of its quota.
func TestSplitLimbs_Quota(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		total := rapid.IntRange(0, 5000).Draw(t, "total")
		var ls []tree.Limb
		sum := 0.0
		for range rapid.IntRange(1, 9).Draw(t, "limbs") {
			d := rapid.Int64Range(1, 90).Draw(t, "d")
			ls = append(ls, limb("l", d))
			sum += float64(d * d)
		}
		got, err := SplitLimbs(total, ls)
		if err != nil {
			t.Fatal(err)
		}
		all := 0
		for i, g := range got {
			d := ls[i].Diameter.Float()
			quota := float64(total) * d * d / sum
			if float64(g) < quota-1 || float64(g) > quota+1 {
				t.Fatalf("limb %d gets %d, quota %v", i, g, quota)
			}
			all += g
		}
		if all != total {
			t.Fatalf("parts add up to %d, want %d", all, total)
		}
	})
}

func TestLimbPorts(t *testing.T) {
	rule := label.PortRule{Spacing: spacing(12, 20), Min: 4}
	if got := LimbPorts(rule, limb("a", 20)); got != 5 { // 62.8/12 = 5.2
		t.Errorf("got %d ports, want 5", got)
	}
	if got := LimbPorts(rule, limb("a", 3)); got != 0 { // 9.4/12
		t.Errorf("got %d ports, want 0", got)
	}
	if got := LimbPorts(label.PortRule{}, limb("a", 3)); got != Unbounded {
		t.Errorf("got %d ports, want no bound", got)
	}
}

func TestLimbFindings(t *testing.T) {
	allowed := label.PortRule{Places: []label.Place{label.OnLimb}}
	low := tree.Limb{Name: "low", Height: cm(200, 1), Diameter: cm(20, 1)}
	for _, c := range []struct {
		name    string
		rule    label.PortRule
		limb    tree.Limb
		climber bool
		want    []string
	}{
		{"at 2.0 m", allowed, low, false, nil},
		{"above, nobody climbs", allowed, limb("a", 20), false, []string{"limb-no-climber"}},
		{"above, with a climber", allowed, limb("a", 20), true, []string{"limb-climber"}},
		{"card is silent", label.PortRule{}, low, false, []string{"limb-not-allowed"}},
	} {
		var got []string
		for _, f := range LimbFindings(c.rule, c.limb, c.climber) {
			got = append(got, f.ID)
		}
		if len(got) != len(c.want) || (len(got) == 1 && got[0] != c.want[0]) {
			t.Errorf("%s: got %v, want %v", c.name, got, c.want)
		}
	}
	if NeedsClimber(q.Length{}) {
		t.Error("a port on the ground needs no climber")
	}
}
