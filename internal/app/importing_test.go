package app_test

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"sapward/internal/app"
)

// A table of several chunks is kept in one act; a second one that changes every
// third tree, knows nothing of the others' species and adds ten says so, changes
// just those, and tells how far it is to the end.
func TestImport_ManyTreesInChunks(t *testing.T) {
	w, ctx, me := newWorld(t), context.Background(), app.Local()
	b, err := w.AddBlock(ctx, me, w.estate, app.BlockFacts{Name: "invented large block"})
	if err != nil {
		t.Fatal(err)
	}
	const n = 9000
	table := func(girth func(i int) int, n int, species string) string {
		var b strings.Builder
		head, cell := "tree,girth_cm", ""
		if species != "" {
			head, cell = head+",species", ","+species
		}
		fmt.Fprintln(&b, head)
		for i := range n {
			fmt.Fprintf(&b, "N%d,%d%s\n", i, girth(i), cell)
		}
		return b.String()
	}
	var steps [][2]int64
	watched := app.Watched(ctx, func(done, of int64) { steps = append(steps, [2]int64{done, of}) })
	first, err := w.Import(watched, me, b.ID, app.TableTrees, "t.csv", strings.NewReader(table(func(int) int { return 100 }, n, "Ulmus minor")), nil)
	if err != nil || first.Add != n || first.Change != 0 || first.Same != 0 || len(first.Examples) != 20 || !first.Examples[0].New {
		t.Fatalf("%d added, %d changed, %d the same, %v", first.Add, first.Change, first.Same, err)
	}
	if len(steps) < 2 || steps[len(steps)-1] != [2]int64{n, n} {
		t.Errorf("progress %v", steps)
	}
	for i := 1; i < len(steps); i++ {
		if steps[i][0] <= steps[i-1][0] {
			t.Errorf("progress goes back: %v", steps)
		}
	}
	again := table(func(i int) int {
		if i%3 == 0 {
			return 120
		}
		return 100
	}, n+10, "")
	said, err := w.PreviewImport(ctx, me, b.ID, app.TableTrees, "t.csv", strings.NewReader(again), nil)
	if err != nil || said.Add != 10 || said.Change != n/3 || said.Same != n-n/3 {
		t.Fatalf("preview: %d added, %d changed, %d the same, %v", said.Add, said.Change, said.Same, err)
	}
	if _, err := w.Import(ctx, me, b.ID, app.TableTrees, "t.csv", strings.NewReader(again), nil); err != nil {
		t.Fatal(err)
	}
	seen := 0
	err = w.Store.EachTree(ctx, b.ID, func(states []app.State) error {
		for _, s := range states {
			var f app.TreeFacts
			if err := json.Unmarshal(s.Body, &f); err != nil {
				return err
			}
			var i int
			if _, err := fmt.Sscanf(f.Tag, "N%d", &i); err != nil {
				return err
			}
			girth, version, species := "100", 1, "Ulmus minor"
			if i%3 == 0 && i < n {
				girth, version = "120", 2
			}
			if i >= n {
				species = ""
				if i%3 == 0 {
					girth = "120"
				}
			}
			if f.Stems[0].GirthCM != girth || s.Version != version || f.Species != species {
				t.Errorf("%s: %+v, version %d", f.Tag, f, s.Version)
			}
			seen++
		}
		return nil
	})
	if err != nil || seen != n+10 {
		t.Errorf("%d trees, %v", seen, err)
	}
	acts := map[string]int{}
	es, err := w.Store.Events(ctx, app.EventQuery{Act: first.Act, Limit: n + 1})
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range es {
		acts[e.Act]++
	}
	if len(acts) != 1 || acts[first.Act] != n {
		t.Errorf("one import is %d acts of %d events", len(acts), len(es))
	}
}

// A fault in the last row of a large table keeps nothing of it.
func TestImport_FaultAtTheEnd_KeepsNothing(t *testing.T) {
	w, ctx, me := newWorld(t), context.Background(), app.Local()
	var table strings.Builder
	table.WriteString("tree,girth_cm\n")
	for i := range 9000 {
		fmt.Fprintf(&table, "N%d,100\n", i)
	}
	table.WriteString("N9001,wide\n")
	if _, err := w.Import(ctx, me, w.block, app.TableTrees, "t.csv", strings.NewReader(table.String()), nil); err == nil || !strings.Contains(err.Error(), "9002") {
		t.Errorf("%v", err)
	}
	if found, err := w.Store.TreesTagged(ctx, w.block, []string{"N0", "N8999"}); err != nil || len(found) != 0 {
		t.Errorf("%d trees kept, %v", len(found), err)
	}
}
