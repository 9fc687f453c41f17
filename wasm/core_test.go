package main

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"sapward/apply/fieldlog"
	"sapward/internal/brief"
	"sapward/internal/cardfile"
	"sapward/internal/demo"
	"sapward/internal/exchange"
	"sapward/measure/tree"
	"sapward/plan"
)

// demoDay is a day of the demo's first trees, as JSON.
func demoDay(t *testing.T, n int) (pack string, trees []fieldlog.PackTree) {
	t.Helper()
	files := demo.Files()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	card, err := cardfile.Parse(files["avenue/card.yaml"], "card.yaml")
	must(err)
	r, err := brief.Brief{Method: "injection", Site: "elm", Target: "vascular wilt", Territory: "DEMO", On: "2026-06-17", AreaHa: "1.2", Bloom: "no", CertificateTo: "2027-12-31"}.Request()
	must(err)
	r.CardHash, r.Card = card.Hash, card.Card
	list, _, err := exchange.ReadTrees(strings.NewReader(string(files["avenue/trees.csv"])), "trees.csv")
	must(err)
	list = list[:n]
	src := plan.Source(func(visit func([]tree.Tree) error) error { return visit(list) })
	job, err := plan.Decide(r, src)
	must(err)
	frame, ok := job.Frame()
	if !ok {
		t.Fatalf("refused: %v", job.Plan.Refusals)
	}
	p := fieldlog.Pack{Schema: fieldlog.PackSchema, Day: "0197a000-0000-7000-8000-00000000da01", Version: 1, Estate: "Demo \"estate\" {[", GradUL: 500, PortMost: int64(frame.PortMost), Request: r, Frame: frame, Cautions: job.Plan.Cautions,
		People: []fieldlog.Person{{ID: "p1", Name: "first"}, {ID: "p2", Name: "second"}}}
	units := map[string][]plan.Tree{}
	must(job.Lay(src, func(ts []plan.Tree) error {
		for _, x := range ts {
			units[x.Tag] = append(units[x.Tag], x)
		}
		return nil
	}))
	for i, x := range list {
		p.Trees = append(p.Trees, fieldlog.PackTree{Tag: x.Tag, Order: n - i, Person: []string{"p1", "p2", ""}[i%3], Taped: x, Units: units[x.Tag]})
	}
	data, err := json.Marshal(p)
	must(err)
	return string(data), p.Trees
}

func id(n int) string { return fmt.Sprintf("0197a000-0000-7000-8000-%012x", n) }

// A day whose trees are read when they are asked for answers every call as the
// same day that was read at once: the same bytes, whatever is asked first.
func TestCore_ReadLaterAnswersTheSame(t *testing.T) {
	pack, trees := demoDay(t, 14)
	asked := 0
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		write := &core{}
		write.answer("open", `{"pack":`+pack+`,"events":[]}`)
		var texts []string
		for k := range rapid.IntRange(0, 40).Draw(t, "notes") {
			x := trees[r.IntN(5)]
			e := map[string]any{"id": id(k + 1), "at": fmt.Sprintf("2026-06-17T08:%02d:00+02:00", k), "device": id(0xd0 + k%2), "person": []string{"p1", "p2"}[k%2], "seq": k/2 + 1,
				"kind": []string{"start", "mark", "drill", "set", "note", "skip", "tape", "draw", "incident"}[r.IntN(9)], "tree": x.Tag, "port": 1 + r.IntN(3), "text": "a \\ \"quoted\" } word", "reason": "spill", "volume_ul": 1000, "taped": "girth", "reading": fmt.Sprintf("%d cm", 90+r.IntN(3))}
			if e["kind"] == "draw" || r.IntN(9) == 0 && e["kind"] == "note" {
				delete(e, "tree")
			}
			arg, _ := json.Marshal(map[string]any{"event": e})
			var w struct {
				Text   string  `json:"text"`
				Faults []fault `json:"faults"`
			}
			if err := json.Unmarshal([]byte(write.answer("write", string(arg))), &w); err != nil || w.Text == "" {
				t.Fatalf("%s: %v %v", arg, err, w.Faults)
			}
			if r.IntN(4) > 0 { // else its writer's next note has not seen it
				write.answer("add", `{"events":[`+w.Text+`]}`)
			}
			texts = append(texts, w.Text)
		}
		if r.IntN(4) == 0 {
			texts = append(texts, strings.Replace(`{"kind":"mark","tree":"T","port":1}`, "T", trees[0].Tag, 1), `{"tree":"elsewhere","kind":"start"}`)
		}
		arg := `{"pack":` + pack + `,"events":[` + strings.Join(texts, ", ") + `]}`
		at, later := &core{}, &core{}
		at.answer("open", arg)
		if a := later.answer("later", arg); a != `{"trees":14}` {
			t.Fatal(a)
		}
		tag := func() string { return trees[r.IntN(len(trees))].Tag }
		for range 12 {
			var name, arg string
			switch r.IntN(7) {
			case 0:
				name, arg = "tree", `{"tree":"`+tag()+`"}`
			case 1:
				name, arg = "judge", `{"event":{"kind":"tape","tree":"`+tag()+`","taped":"girth","reading":"98.5 cm"}}`
			case 2:
				name, arg = "line", `{"trees":["`+tag()+`","`+tag()+`","none"]}`
			case 3:
				name, arg = "goals", `{"tree":"`+tag()+`","port":1}`
			case 4:
				name, arg = "write", `{"event":{"id":"`+id(99)+`","kind":"start","at":"2026-06-17T09:00:00Z","device":"`+id(9)+`","person":"p1","seq":1,"tree":"`+tag()+`"}}`
			case 5:
				if r.IntN(3) == 0 {
					name, arg = "day", `{}`
					break
				}
				later.answer("more", `{"trees":3}`)
				continue
			case 6:
				name, arg = "judge", `{"event":{"kind":"drill","tree":"`+tag()+`","port":1,"along_mm":120}}`
			}
			asked++
			if a, b := at.answer(name, arg), later.answer(name, arg); a != b {
				t.Fatalf("%s %s\n at once %s\n later   %s", name, arg, a, b)
			}
		}
		for k := 0; later.rest != nil; k++ {
			later.answer("more", `{"trees":2}`)
			if k > 100 {
				t.Fatal("more comes to no end")
			}
		}
		if a, b := at.answer("day", `{}`), later.answer("day", `{}`); a != b {
			t.Fatalf("day\n at once %s\n later   %s", a, b)
		}
	})
	if asked == 0 {
		t.Error("nothing was compared")
	}
}

// Cutting finds the same members as reading, and never runs over what is cut
// short.
func TestScan_CutsAsEncodingJSONReads(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		value := rapid.Custom(func(t *rapid.T) any {
			switch rapid.IntRange(0, 5).Draw(t, "kind") {
			case 0:
				return rapid.String().Draw(t, "text")
			case 1:
				return rapid.Float64Range(-1e9, 1e9).Draw(t, "number")
			case 2:
				return rapid.SliceOf(rapid.String()).Draw(t, "list")
			case 3:
				return rapid.MapOf(rapid.String(), rapid.Bool()).Draw(t, "object")
			case 4:
				return nil
			}
			return []any{map[string]any{"a": []int{1, 2}, "b}]": "\\\""}}
		})
		name := rapid.StringMatching(`[a-z_]{1,8}`)
		in := rapid.MapOf(name, value).Draw(t, "in")
		data, err := json.Marshal(in)
		if err != nil {
			t.Fatal(err)
		}
		if rapid.Bool().Draw(t, "indented") {
			data, _ = json.MarshalIndent(in, " ", "\t")
		}
		var want map[string]json.RawMessage
		if err := json.Unmarshal(data, &want); err != nil {
			t.Fatal(err)
		}
		got := map[string]string{}
		if err := members(data, func(name string, v []byte) error { got[name] = string(v); return nil }); err != nil {
			t.Fatalf("%s: %v", data, err)
		}
		if len(got) != len(want) {
			t.Fatalf("%s: %v", data, got)
		}
		for k, v := range want {
			if strings.TrimSpace(string(v)) != got[k] {
				t.Fatalf("%s: %q, want %q", k, got[k], v)
			}
			var list []json.RawMessage
			if v[0] == '[' && json.Unmarshal(v, &list) == nil {
				n := 0
				if err := elements(v, func(e []byte) error {
					if string(e) != strings.TrimSpace(string(list[n])) {
						t.Fatalf("%q, want %q", e, list[n])
					}
					n++
					return nil
				}); err != nil || n != len(list) {
					t.Fatalf("%s: %d of %d, %v", v, n, len(list), err)
				}
			}
		}
		cut := data[:rapid.IntRange(0, len(data)-1).Draw(t, "cut")]
		if err := members(cut, func(string, []byte) error { return nil }); err == nil {
			t.Fatalf("%q was taken for whole", cut)
		}
	})
}
