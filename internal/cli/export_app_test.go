package cli

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"slices"
	"strings"
	"testing"

	"sapward/internal/app"
	"sapward/internal/demo"
)

// shelf is an archive in memory.
type shelf map[string][]byte

func (s shelf) File(name string, write func(io.Writer) error) error {
	var b bytes.Buffer
	err := write(&b)
	s[name] = b.Bytes()
	return err
}

// Everything of an estate goes out, files beside trees and plans among it, and
// a block that is half taped comes back as it was.
func TestExport_TakesFilesAndUntapedTrees(t *testing.T) {
	ctx, me := context.Background(), app.Local()
	a, s, err := openApp(ctx, t.TempDir(), false)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if err := a.FillDemo(ctx, me, demo.Files()); err != nil {
		t.Fatal(err)
	}
	estates, err := a.Estates(ctx, me)
	if err != nil || len(estates) != 1 {
		t.Fatal(estates, err)
	}
	estate := estates[0].ID
	plans, err := s.States(ctx, app.Query{Type: app.TypePlan})
	if err != nil || len(plans) != 1 {
		t.Fatal(plans, err)
	}
	cards, err := a.Cards(ctx, me)
	if err != nil {
		t.Fatal(err)
	}
	b, err := a.AddBlock(ctx, me, estate, app.BlockFacts{Name: "Half taped"})
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range []app.TreeFacts{
		{Tag: "U1", Species: "Ulmus minor"},
		{Tag: "U2", Stems: []app.StemFacts{{Name: "a", BarkMM: "9"}, {Name: "b", GirthCM: "100"}}},
		{Tag: "U3", Stems: []app.StemFacts{{DiameterCM: "33.3"}}},
	} {
		if _, err := a.AddTree(ctx, me, b.ID, f); err != nil {
			t.Fatal(err)
		}
	}
	trees := func(block string) (out []app.TreeFacts, ids []string) {
		t.Helper()
		page, err := a.Trees(ctx, me, app.TreeQuery{Block: block})
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range page.Trees {
			out, ids = append(out, x.Facts), append(ids, x.ID)
		}
		return out, ids
	}
	want, ids := trees(b.ID)
	attach := func(of app.Type, id, name, text string) {
		t.Helper()
		if _, err := a.Attach(ctx, me, of, id, name, "text/plain", "a note", strings.NewReader(text)); err != nil {
			t.Fatal(err)
		}
	}
	attach(app.TypeEstate, estate, "map.txt", "of the estate")
	attach(app.TypeBlock, b.ID, "block.txt", "of the block")
	attach(app.TypeTree, ids[1], "photo.txt", "of the tree")
	attach(app.TypePlan, plans[0].ID, "signed.txt", "of the plan")
	attach(app.TypeCard, cards[0].ID, "label.txt", "of the card")

	out := shelf{}
	if err := a.Export(ctx, me, estate, out, tablesOut{}); err != nil {
		t.Fatal(err)
	}
	var listed []struct{ Path, Name, Of, OfName, SHA256 string }
	if err := json.Unmarshal(bytes.ReplaceAll(out["files.json"], []byte("of_name"), []byte("OfName")), &listed); err != nil || len(listed) != 5 {
		t.Fatalf("%d files listed, %v: %s", len(listed), err, out["files.json"])
	}
	got := []string{}
	for _, f := range listed {
		got = append(got, f.Of+" "+f.OfName+": "+string(out[f.Path]))
	}
	slices.Sort(got)
	if wanted := []string{"block Half taped: of the block", "card " + cards[0].Facts.Product + ": of the card", "estate " + estates[0].Facts.Name + ": of the estate"}; !slices.Equal(got[:3], wanted) || got[4] != "tree U2: of the tree" || !strings.HasSuffix(got[3], ": of the plan") || !strings.HasPrefix(got[3], "plan ") {
		t.Errorf("%q", got)
	}

	// The block's table comes back: into a new block, and into the same.
	var table []byte
	for name, data := range out {
		if strings.HasSuffix(name, "half-taped/trees.csv") {
			table = data
		}
	}
	again, err := a.AddBlock(ctx, me, estate, app.BlockFacts{Name: "Again"})
	if err != nil {
		t.Fatal(err)
	}
	r, err := a.Import(ctx, me, again.ID, app.TableTrees, "trees.csv", bytes.NewReader(table), nil)
	if err != nil || r.Add != 3 || len(r.Table.Notes) != 1 || r.Table.Notes[0].ID != "trees-untaped" {
		t.Fatalf("%+v %v\n%s", r, err, table)
	}
	got2, _ := trees(again.ID)
	wantJSON, _ := json.Marshal(want)
	if gotJSON, _ := json.Marshal(got2); !bytes.Equal(gotJSON, wantJSON) {
		t.Errorf("came back as\n%s\nwant\n%s", gotJSON, wantJSON)
	}
	if r, err := a.Import(ctx, me, b.ID, app.TableTrees, "trees.csv", bytes.NewReader(table), nil); err != nil || r.Same != 3 {
		t.Errorf("%+v %v", r, err)
	}
	// A table without readings leaves the readings that are kept.
	r, err = a.Import(ctx, me, b.ID, app.TableTrees, "trees.csv", strings.NewReader("tree,diameter_cm,species\nU3,,Quercus robur\n"), nil)
	if err != nil || r.Change != 1 {
		t.Fatalf("%+v %v", r, err)
	}
	if now, _ := trees(b.ID); now[2].Species != "Quercus robur" || len(now[2].Stems) != 1 || now[2].Stems[0].DiameterCM != "33.3" {
		t.Errorf("%+v", now[2])
	}
}
