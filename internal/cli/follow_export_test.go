package cli

import (
	"bytes"
	"encoding/json"
	"io"
	"strings"
	"testing"
	"time"

	"sapward/internal/app"
	"sapward/internal/demo"
)

type memoryArchive map[string][]byte

func (m memoryArchive) File(name string, write func(io.Writer) error) error {
	var b bytes.Buffer
	if err := write(&b); err != nil {
		return err
	}
	m[name] = b.Bytes()
	return nil
}

// The follow-up of the demo's block, with a visit in which every kind of row
// stands, goes out as tables and comes in again in an empty block: the same
// curves, tests and residues, and the same tables once more.
func TestExport_FollowUpComesBack(t *testing.T) {
	ctx, me := t.Context(), app.Local()
	open := func() *app.App {
		a, s, err := openApp(ctx, t.TempDir(), false)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { s.Close() })
		return a
	}
	a := open()
	if err := a.FillDemo(ctx, me, demo.Files()); err != nil {
		t.Fatal(err)
	}
	estates, err := a.Estates(ctx, me)
	if err != nil {
		t.Fatal(err)
	}
	block := ""
	v, err := a.Estate(ctx, me, estates[0].ID)
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range v.Blocks {
		if b.Facts.Name == "Chestnuts" {
			block = b.ID
		}
	}
	five, forty, yes, no := 5.0, 40.0, true, false
	if _, err := a.AddVisit(ctx, me, block, app.VisitFacts{On: time.Now().UTC().AddDate(0, 0, -1).Format("2006-01-02"), Note: "Invented.", Rows: []app.VisitRow{
		{Tree: "T01", Rating: &five, Cause: "other", CauseNote: "=a hive, \"big\"", Ports: []app.PortLook{{Port: "1", Pct: &forty}, {Port: "2", Closed: &yes}, {Port: "3", Closed: &no}}},
		{Tree: "T02", Status: app.TreeAlive}, {Tree: "T05", Status: app.TreeMissed}, {Tree: "T06", Status: app.TreeDead, Cause: "treatment"}, {Tree: "T07", Status: app.TreeRemoved, Cause: "wind"},
		{Tree: "C1-01", Rating: &five}, {Tree: "T09", Status: app.TreeAlive, Ports: []app.PortLook{{Pct: &forty}}},
	}}); err != nil {
		t.Fatal(err)
	}
	if _, err := a.ImportFollow(ctx, me, block, app.TableCounts, "c.csv", strings.NewReader("role,block,dead,total\ntreated,a,2,40\nuntreated,a,12,40\n")); err != nil {
		t.Fatal(err)
	}
	was, err := a.FollowUp(ctx, me, block)
	if err != nil {
		t.Fatal(err)
	}
	files := memoryArchive{}
	if err := a.Export(ctx, me, estates[0].ID, files, tablesOut{}); err != nil {
		t.Fatal(err)
	}
	dir := ""
	for name := range files {
		if d, ok := strings.CutSuffix(name, "/ratings.csv"); ok {
			dir = d
		}
	}
	if dir == "" {
		t.Fatal("no ratings were written")
	}

	b := open()
	e, err := b.AddEstate(ctx, me, v.Facts)
	if err != nil {
		t.Fatal(err)
	}
	again, err := b.AddBlock(ctx, me, e.ID, was.Block.Facts)
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"trees", "trees_out_of_use"} {
		if _, err := b.Import(ctx, me, again.ID, app.TableTrees, name+".csv", bytes.NewReader(files[dir+"/"+name+".csv"]), nil); err != nil {
			t.Fatal(name, err)
		}
	}
	var facts app.FollowFacts
	if err := json.Unmarshal(files[dir+"/follow.json"], &facts); err != nil {
		t.Fatal(err)
	}
	facts.Groups, facts.Counts = nil, nil // the tables carry them
	if _, err := b.SetFollow(ctx, me, again.ID, 0, facts); err != nil {
		t.Fatal(err)
	}
	if _, err := b.Import(ctx, me, again.ID, app.TableHistory, "history.csv", bytes.NewReader(files[dir+"/history.csv"]), nil); err != nil {
		t.Fatal(err)
	}
	for _, kind := range app.FollowTables {
		if _, err := b.ImportFollow(ctx, me, again.ID, kind, kind+".csv", bytes.NewReader(files[dir+"/"+kind+".csv"])); err != nil {
			t.Fatal(kind, err)
		}
	}
	is, err := b.FollowUp(ctx, me, again.ID)
	if err != nil {
		t.Fatal(err)
	}
	same := func(what string, x, y any) {
		t.Helper()
		p, err1 := json.Marshal(x)
		q, err2 := json.Marshal(y)
		if err1 != nil || err2 != nil || !bytes.Equal(p, q) {
			t.Errorf("%s differs:\n%.600s\n%.600s", what, p, q)
		}
	}
	same("curves", was.Curves, is.Curves)
	same("seasons", was.Seasons, is.Seasons)
	same("survival", was.Survival, is.Survival)
	same("efficacy", was.Efficacy, is.Efficacy)
	same("counts", was.Counts, is.Counts)
	same("closure", was.Closure, is.Closure)
	same("causes", was.Causes, is.Causes)
	same("groups", was.Follow.Facts, is.Follow.Facts)
	if len(was.Visits) != len(is.Visits) || len(was.Assays) != len(is.Assays) || len(was.Ungrouped) != 1 || len(is.Ungrouped) != 1 {
		t.Fatalf("%d and %d visits, %d and %d samples, %v and %v", len(was.Visits), len(is.Visits), len(was.Assays), len(is.Assays), was.Ungrouped, is.Ungrouped)
	}
	for i := range was.Visits {
		x, y := was.Visits[i].Facts, is.Visits[i].Facts
		x.Note = "" // in follow.json
		same("visit "+x.On, x, y)
	}
	for i := range was.Assays {
		same("sample", was.Assays[i].Facts, is.Assays[i].Facts)
	}
	for i := range was.Declines {
		same("residue", was.Declines[i].Series, is.Declines[i].Series)
	}
	more := memoryArchive{}
	if err := b.Export(ctx, me, e.ID, more, tablesOut{}); err != nil {
		t.Fatal(err)
	}
	for _, kind := range app.FollowTables {
		found := false
		for name, data := range more {
			if strings.HasSuffix(name, "/"+kind+".csv") {
				found = true
				if !bytes.Equal(data, files[dir+"/"+kind+".csv"]) {
					t.Errorf("%s.csv is not the same the second time", kind)
				}
			}
		}
		if !found {
			t.Errorf("%s.csv is not written", kind)
		}
	}
}
