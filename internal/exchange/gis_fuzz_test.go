package exchange

import (
	"bytes"
	"math/rand/v2"
	"os"
	"strings"
	"testing"
	"time"

	"sapward/finding"
)

// reads holds a decoder to what every reading keeps: no panic, and faults with
// an identifier or trees, never both.
func reads(t *testing.T, data []byte, kind fileKind) {
	if len(data) > 1<<20 || kindOf(data) != kind {
		return
	}
	trees, _, err := ReadTrees(bytes.NewReader(data), "f")
	if err != nil {
		if trees != nil {
			t.Fatal("trees beside an error")
		}
		for _, f := range finding.AsFaults(err) {
			if f.ID == "" || f.ID == "internal" {
				t.Fatalf("fault %+v", f)
			}
		}
	}
	for i := range trees {
		if la, lo := trees[i].Lat, trees[i].Lon; la.Known != lo.Known || la.Known && !(la.Value >= -90 && la.Value <= 90 && lo.Value >= -180 && lo.Value <= 180) {
			t.Fatalf("place %v %v", la, lo)
		}
	}
	areas, _, err := ReadBoundaries(bytes.NewReader(data), "f")
	if err != nil && areas != nil {
		t.Fatal("areas beside an error")
	}
	for _, a := range areas {
		if len(a.Ring) < 3 {
			t.Fatal("a ring of fewer than three")
		}
	}
}

func FuzzGeoJSON(f *testing.F) {
	f.Add([]byte(rfcExample))
	f.Add(placesAs(f, "geojson", examplePlaces()))
	f.Add([]byte(`{"type":"Feature","id":"a","geometry":{"type":"MultiPolygon","coordinates":[[[[1,2],[3,4],[5,6]]],[]]},"properties":null}`))
	f.Add([]byte(`{"type":"FeatureCollection","crs":null,"features":[null,{},[],{"type":"Feature","geometry":{"type":"Point","coordinates":[]}}]}`))
	f.Fuzz(func(t *testing.T, data []byte) { reads(t, data, kindGeoJSON) })
}

func FuzzGPX(f *testing.F) {
	f.Add(placesAs(f, "gpx", examplePlaces()))
	f.Add([]byte(`<gpx><wpt lat="1" lon="2"><name>A</name><cmt>girth_cm=1;x</cmt><desc>girth_cm=60</desc><extensions><a><b/></a></extensions></wpt><trk/></gpx>`))
	f.Add([]byte(`<gpx><wpt lat="" lon="2"/></gpx>`))
	f.Fuzz(func(t *testing.T, data []byte) { reads(t, data, kindXML) })
}

func FuzzGeoPackage(f *testing.F) {
	f.Add(placesAs(f, "gpkg", examplePlaces()))
	p := examplePlaces()
	p.Rows, p.Boundaries = p.Rows[:1], nil
	f.Add(placesAs(f, "gpkg", p))
	f.Fuzz(func(t *testing.T, data []byte) { reads(t, data, kindSQLite) })
}

func FuzzGeometryBlob(f *testing.F) {
	f.Add(gpPoint(4326, 1, 2))
	f.Add(gpPolygon(4326, [][2]float64{{1, 2}, {3, 4}, {5, 6}}))
	f.Add([]byte("GP\x00\x01\x00\x00\x00\x00\x01\x06\x00\x00\x00\xff\xff\xff\xff"))
	f.Fuzz(func(t *testing.T, data []byte) {
		s, ok := readGP(data)
		n := 0
		for _, r := range s.rings {
			n += len(r)
		}
		if 16*n > len(data) {
			t.Fatalf("%d positions of %d bytes (%v)", n, len(data), ok)
		}
	})
}

func TestKindOf(t *testing.T) {
	for text, want := range map[string]fileKind{"\uFEFF \n{": kindGeoJSON, "<?xml": kindXML, "SQLite format 3\x00": kindSQLite, "PK\x03\x04": kindWorkbook, "tree,girth_cm": kindText, "": kindText} {
		if got := kindOf([]byte(text)); got != want {
			t.Errorf("%q is %d, want %d", strings.ToValidUTF8(text, "?"), got, want)
		}
	}
}

// Damaged GeoPackages, each with a few bytes changed at random places: the
// database under it is slow to fuzz with coverage, so damage is drawn from a
// fixed sequence too.
func TestGeoPackage_ManyDamages(t *testing.T) {
	whole := placesAs(t, "gpkg", examplePlaces())
	r := rand.New(rand.NewPCG(7, 11))
	n, read := 150, 0
	if os.Getenv("SAPWARD_SOAK") == "1" {
		n = 5000
	}
	longest := time.Duration(0)
	for range n {
		data := bytes.Clone(whole)
		for range 1 + r.IntN(20) {
			data[100+r.IntN(len(data)-100)] = byte(r.IntN(256))
		}
		begin := time.Now()
		reads(t, data, kindSQLite)
		longest = max(longest, time.Since(begin))
		read++
	}
	t.Logf("%d damaged files, the longest took %v", read, longest.Round(time.Millisecond))
}
