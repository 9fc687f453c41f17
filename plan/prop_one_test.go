package plan_test

import (
	"encoding/json"
	"reflect"
	"testing"

	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan"

	"pgregory.net/rapid"
)

// A tree laid out by itself, from a frame and a request that went through JSON
// as a phone gets them, must be the tree of the plan.
func TestProp_LayOneIsThePlansTree(t *testing.T) {
	var laid, refused int
	rapid.Check(t, func(t *rapid.T) {
		w := genWorld(t)
		job, err := plan.Decide(w.r, plan.Slice(w.trees))
		if err != nil {
			return
		}
		frame, ok := job.Frame()
		if !ok {
			return
		}
		want := map[string][]plan.Tree{}
		if err := job.Lay(plan.Slice(w.trees), func(ts []plan.Tree) error {
			for _, x := range ts {
				want[x.Tag] = append(want[x.Tag], x)
			}
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		out := map[string]bool{}
		for _, r := range job.Plan.RefusedTrees {
			out[r.Tree] = true
		}
		var r plan.Request
		var f plan.Frame
		through(t, w.r, &r)
		through(t, frame, &f)
		for _, tr := range w.trees {
			var mine tree.Tree
			through(t, tr, &mine)
			one, err := plan.LayOne(r, f, mine)
			if err != nil {
				t.Fatalf("tree %s: %v", tr.Tag, err)
			}
			if len(one.Trees) != len(want[tr.Tag]) || len(one.Trees) > 0 && !reflect.DeepEqual(one.Trees, want[tr.Tag]) {
				t.Fatalf("tree %s\n alone   %s\n in plan %s", tr.Tag, show(one.Trees), show(want[tr.Tag]))
			}
			if (len(one.Refused) > 0) != out[tr.Tag] {
				t.Fatalf("tree %s: refused alone %s, in plan %v", tr.Tag, show(one.Refused), out[tr.Tag])
			}
			laid += len(one.Trees)
			refused += len(one.Refused)
		}
	})
	t.Logf("%d units laid, %d refused", laid, refused)
	if laid == 0 || refused == 0 {
		t.Errorf("nothing was compared: %d laid, %d refused", laid, refused)
	}
}

func through(t *rapid.T, from, to any) {
	data, err := json.Marshal(from)
	if err == nil {
		err = json.Unmarshal(data, to)
	}
	if err != nil {
		t.Fatal(err)
	}
}

func show(v any) string { b, _ := json.Marshal(v); return string(b) }

// JudgeHole by hand: a trunk of 100 cm girth, ports 10 to 16 cm apart.
func TestJudgeHole_ByHand(t *testing.T) {
	c := plainCard()
	r := plainRequest(c)
	tr := tree.Tree{Tag: "A", Stems: []tree.Stem{tree.FromGirth(q.Cm(exact.Int(100)))}}
	job, err := plan.Decide(r, plan.Slice([]tree.Tree{tr}))
	if err != nil {
		t.Fatal(err)
	}
	frame, _ := job.Frame()
	use := c.Uses[0]
	if !use.Ports.Spacing.Known || use.Ports.Spacing.Value.Single {
		t.Fatal("the plain card has a least spacing")
	}
	least := use.Ports.Spacing.Value.Low.Float()
	judge := func(along float64, today ...float64) plan.Spot {
		t.Helper()
		var holes []plan.Drilled
		for _, a := range today {
			holes = append(holes, plan.Drilled{AzimuthDeg: a * 3.6, HeightCM: 10})
		}
		s, err := plan.JudgeHole(r, frame, tr, "", along, 10, holes)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	if s := judge(50, 0); len(s.Against) != 0 {
		t.Errorf("far from the only hole: %s", show(s.Against))
	}
	s := judge(least-1, 0)
	if got := ids(s.Against); len(got) != 1 || got[0] != "hole-too-near" || s.Against[0].Force != "mandatory" {
		t.Errorf("%g cm from a hole, least %g: %s", least-1, least, show(s.Against))
	}
	if s.AfterCM == nil || *s.AfterCM != least {
		t.Errorf("nearest place after: %s, want %g", show(s), least)
	}
	if s.BeforeCM == nil || *s.BeforeCM != 100-least {
		t.Errorf("nearest place before, over the mark: %s, want %g", show(s), 100-least)
	}
	full := []float64{}
	for a := 0.0; a+least <= 100; a += least {
		full = append(full, a)
	}
	if got := ids(judge(least/2, full...).Against); len(got) < 2 || got[0] != "hole-too-many" {
		t.Errorf("a full girth: %v", got)
	}
	r.Obstacles = []tree.Obstacle{{Tree: "A", FromDeg: 170, ToDeg: 190, Kind: "canker"}, {Tree: "B", FromDeg: 0, ToDeg: 300, Kind: "canker"}}
	if got := ids(judge(50, 0).Against); len(got) != 1 || got[0] != "hole-on-obstacle" {
		t.Errorf("on a canker: %v", got)
	}
	r.Obstacles = nil
	r.Wounds = []tree.Wound{{Tree: "A", AzimuthDeg: 180, Height: q.Cm(exact.Int(20)), Year: r.On.Year - 1, Hole: q.Cm(exact.Frac(6, 10))}}
	if got := ids(judge(52, 0).Against); len(got) != 1 || got[0] != "hole-near-old" {
		t.Errorf("2 cm from last year's hole: %v", got)
	}
	if got := ids(judge(60, 0).Against); len(got) != 0 {
		t.Errorf("10 cm from last year's hole: %v", got)
	}
	if _, err := plan.JudgeHole(r, frame, tr, "", -1e9, 10, nil); err == nil {
		t.Error("a place that is no place must be refused")
	}
}
