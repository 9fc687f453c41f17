package cli

import (
	"bytes"
	"context"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"sapward/internal/app"
	"sapward/internal/store"
)

// keptFiles hold the files of an export in memory.
type keptFiles map[string][]byte

func (k keptFiles) File(name string, write func(io.Writer) error) error {
	var b bytes.Buffer
	err := write(&b)
	k[name] = b.Bytes()
	return err
}

// Trees exported in each format import as the same trees, change nothing where
// they stand already, and make the same trees in an empty block.
func TestPlaces_ExportedTreesImportAgain(t *testing.T) {
	ctx, me := context.Background(), app.Local()
	s, err := store.Open(ctx, store.Options{Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	a := app.New(app.Config{Store: s, Keeper: s, Tables: readers{}, Engine: "test", Now: time.Now, NewID: func() string { return uuid.Must(uuid.NewV7()).String() }})
	e, err := a.AddEstate(ctx, me, app.EstateFacts{Name: "Invented"})
	if err != nil {
		t.Fatal(err)
	}
	b, err := a.AddBlock(ctx, me, e.ID, app.BlockFacts{Name: "North", Globe: true, Boundary: []app.Point{{X: -3.7, Y: 40.4}, {X: -3.69, Y: 40.4}, {X: -3.69, Y: 40.41}}})
	if err != nil {
		t.Fatal(err)
	}
	table := "tree,girth_cm,species,status,lat,lon,bearing\n007,123.8,Ulmus minor,healthy,40.40123456789,-3.6951234567,yes\nE2,60.1,,dead,40.402,-3.6955,no\nE3,,Ulmus minor,,40.403,-3.6956,\n"
	if _, err := a.Import(ctx, me, b.ID, app.TableTrees, "x.csv", strings.NewReader(table), nil); err != nil {
		t.Fatal(err)
	}
	files := keptFiles{}
	if err := a.Export(ctx, me, e.ID, files, tablesOut{formats: placeFormats}); err != nil {
		t.Fatal(err)
	}
	for _, format := range placeFormats {
		data := files["001-north/trees."+format]
		if len(data) == 0 {
			t.Fatalf("no %s in the export", format)
		}
		r, err := a.Import(ctx, me, b.ID, app.TableTrees, "x.csv", bytes.NewReader(data), nil)
		if err != nil || r.Same != 3 || r.Act != "" {
			t.Errorf("%s again: %+v %v", format, r.ImportPreview, err)
		}
		other, err := a.AddBlock(ctx, me, e.ID, app.BlockFacts{Name: "Empty " + format})
		if err != nil {
			t.Fatal(err)
		}
		if r, err = a.Import(ctx, me, other.ID, app.TableTrees, "x", bytes.NewReader(data), nil); err != nil || r.Add != 3 {
			t.Errorf("%s anew: %+v %v", format, r.ImportPreview, err)
		}
		if r, err = a.Import(ctx, me, other.ID, app.TableTrees, "x", strings.NewReader(table), nil); err != nil || r.Same != 3 {
			t.Errorf("%s differs from the table: %+v %v", format, r.ImportPreview, err)
		}
		if format != "geojson" && format != "gpkg" {
			continue
		}
		if r, err = a.Import(ctx, me, b.ID, app.TableBoundary, "x", bytes.NewReader(data), nil); err != nil || r.Same != 1 {
			t.Errorf("%s: outline again: %+v %v", format, r.ImportPreview, err)
		}
		if r, err = a.Import(ctx, me, other.ID, app.TableBoundary, "x", bytes.NewReader(data), nil); err != nil || r.Change != 1 {
			t.Errorf("%s: outline: %+v %v", format, r.ImportPreview, err)
		}
		v, err := a.Block(ctx, me, other.ID)
		if err != nil || !v.Facts.Globe || len(v.Facts.Boundary) != 3 || v.Facts.Boundary[1] != (app.Point{X: -3.69, Y: 40.4}) {
			t.Errorf("%s: outline kept as %+v %v", format, v.Facts, err)
		}
	}
	two := `{"type":"MultiPolygon","coordinates":[[[[1,1],[2,1],[2,2],[1,1]]],[[[3,1],[4,1],[4,2],[3,1]]]]}`
	if _, err := a.Import(ctx, me, b.ID, app.TableBoundary, "x", strings.NewReader(two), nil); err == nil || !strings.Contains(err.Error(), "gis-boundary-many") {
		t.Errorf("two outlines: %v", err)
	}
}
