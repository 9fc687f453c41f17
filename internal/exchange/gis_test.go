package exchange

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"sapward/finding"
	"sapward/measure/tree"
)

// examplePlaces are invented trees near nowhere.
func examplePlaces() Places {
	return Places{
		Name: "trees", Title: "Invented block", At: time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC),
		Columns: []PlaceColumn{{Name: "tree"}, {Name: "girth_cm", Number: true}, {Name: "species"}, {Name: "status"}, {Name: "bearing"}},
		Rows: []PlaceRow{
			{40.4123456, -3.7123457, true, []string{"007", "123.8", "Ulmus minor", "healthy", "yes"}},
			{-33.9, 18.4, true, []string{"E<2>", "60", "Ulmus \"glabra\" & co", "", "no"}},
			{0, 0, true, []string{"E3", "61.5", "", "dead", ""}},
			{0, 0, false, []string{"E4", "62", "", "", ""}},
		},
		Boundaries: []Boundary{{Name: "North", Ring: [][2]float64{{-3.72, 40.41}, {-3.72, 40.42}, {-3.71, 40.42}, {-3.71, 40.41}}}}, // clockwise
	}
}

func placesAs(t testing.TB, kind string, p Places) []byte {
	t.Helper()
	var b bytes.Buffer
	var err error
	switch kind {
	case "geojson":
		err = WriteGeoJSON(&b, p)
	case "gpkg":
		err = WriteGeoPackage(&b, p)
	case "gpx":
		_, err = WriteGPX(&b, p)
	}
	if err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// placeRows makes rows of trees as they were read, to be held against those that
// were written.
func placeRows(trees []tree.Tree) []string {
	var out []string
	for _, t := range trees {
		s := t.Tag + "|" + fmt.Sprint(t.Stems[0].Girth.Float()) + "|" + t.Species + "|" + fmt.Sprint(t.Status)
		if t.Bearing.Known {
			s += fmt.Sprint("|", t.Bearing.Value)
		}
		if t.Lat.Known {
			s += fmt.Sprintf("|%v|%v", t.Lat.Value, t.Lon.Value)
		}
		out = append(out, s)
	}
	return out
}

// The names say the kind wrongly throughout: the content decides.
func TestPlaces_RoundTrip(t *testing.T) {
	p := examplePlaces()
	base, _, err := ReadTrees(strings.NewReader("tree,girth_cm,species,status,bearing,lat,lon\r\n007,123.8,Ulmus minor,healthy,yes,40.4123456,-3.7123457\r\nE<2>,60,\"Ulmus \"\"glabra\"\" & co\",,no,-33.9,18.4\r\nE3,61.5,,dead,,0,0\r\nE4,62,,,,,\r\n"), "x.csv")
	if err != nil {
		t.Fatal(err)
	}
	want := placeRows(base)
	for _, kind := range []string{"geojson", "gpkg", "gpx"} {
		data := placesAs(t, kind, p)
		if again := placesAs(t, kind, p); !bytes.Equal(again, data) {
			t.Errorf("%s: two writings differ", kind)
		}
		got, sum, err := ReadTrees(bytes.NewReader(data), "wrong.csv")
		if err != nil {
			t.Fatalf("%s: %v", kind, err)
		}
		expect := want
		if kind == "gpx" { // a waypoint has a position
			expect = want[:3]
		}
		if d := cmp.Diff(expect, placeRows(got)); d != "" {
			t.Errorf("%s: -want +got\n%s", kind, d)
		}
		if sum.Trees != len(expect) {
			t.Errorf("%s: %d trees", kind, sum.Trees)
		}
		path := filepath.Join(t.TempDir(), "x.csv")
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		r, err := OpenTrees(path)
		if err != nil {
			t.Fatalf("%s: %v", kind, err)
		}
		n := 0
		for _, err := range r.All() {
			if err != nil {
				t.Fatal(err)
			}
			n++
		}
		if n != len(expect) {
			t.Errorf("%s: %d trees from the file", kind, n)
		}
		if kind == "gpx" {
			continue
		}
		areas, _, err := ReadBoundaries(bytes.NewReader(data), "x")
		if err != nil {
			t.Fatalf("%s: %v", kind, err)
		}
		// Turned counter-clockwise: the ring backwards.
		ring := [][2]float64{{-3.71, 40.41}, {-3.71, 40.42}, {-3.72, 40.42}, {-3.72, 40.41}}
		if len(areas) != 1 || areas[0].Name != "North" || cmp.Diff(ring, areas[0].Ring) != "" {
			t.Errorf("%s: boundary %v", kind, areas)
		}
	}
}

func TestPlaces_AnyPlaceReadsBackToSevenDecimals(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		p := Places{Name: "trees", Title: "x", Columns: []PlaceColumn{{Name: "tree"}, {Name: "girth_cm", Number: true}}}
		n := rapid.IntRange(1, 5).Draw(r, "n")
		for i := range n {
			p.Rows = append(p.Rows, PlaceRow{rapid.Float64Range(-90, 90).Draw(r, "lat"), rapid.Float64Range(-180, 180).Draw(r, "lon"), true, []string{fmt.Sprint("T", i), "50"}})
		}
		for _, kind := range []string{"geojson", "gpx"} {
			got, _, err := ReadTrees(bytes.NewReader(placesAs(t, kind, p)), "x")
			if err != nil || len(got) != n {
				r.Fatal(kind, len(got), err)
			}
			for i := range got {
				if math.Abs(got[i].Lat.Value-p.Rows[i].Lat) > 5.1e-8 || math.Abs(got[i].Lon.Value-p.Rows[i].Lon) > 5.1e-8 {
					r.Fatal(kind, got[i], p.Rows[i])
				}
			}
		}
	})
}

// rfcExample is the example of RFC 7946, section 1.5, with the tag and girth of
// a tree in its properties.
const rfcExample = `{
       "type": "FeatureCollection",
       "features": [{
           "type": "Feature",
           "geometry": {
               "type": "Point",
               "coordinates": [102.0, 0.5]
           },
           "properties": {
               "prop0": "value0", "tree": "A", "girth_cm": 60
           }
       }, {
           "type": "Feature",
           "geometry": {
               "type": "LineString",
               "coordinates": [
                   [102.0, 0.0],
                   [103.0, 1.0],
                   [104.0, 0.0],
                   [105.0, 1.0]
               ]
           },
           "properties": {
               "prop0": "value0",
               "prop1": 0.0
           }
       }, {
           "type": "Feature",
           "geometry": {
               "type": "Polygon",
               "coordinates": [
                   [
                       [100.0, 0.0],
                       [101.0, 0.0],
                       [101.0, 1.0],
                       [100.0, 1.0],
                       [100.0, 0.0]
                   ]
               ]
           },
           "properties": {
               "prop0": "value0",
               "prop1": {
                   "this": "that"
               }
           }
       }]
   }`

func TestGeoJSON_StandardExamples(t *testing.T) {
	got, sum, err := ReadTrees(strings.NewReader(rfcExample), "x")
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != 1 || got[0].Tag != "A" || got[0].Lon.Value != 102 || got[0].Lat.Value != 0.5 {
		t.Errorf("%+v", got)
	}
	if !hasNote(sum, "gis-left-out") {
		t.Errorf("notes %v", sum.Notes)
	}
	areas, _, err := ReadBoundaries(strings.NewReader(rfcExample), "x")
	if err != nil || len(areas) != 1 || len(areas[0].Ring) != 4 || areas[0].Line != 27 {
		t.Errorf("%v %v", areas, err)
	}
	// RFC 7946, appendix A.3: a polygon with a hole; A.6: several polygons.
	for _, x := range []struct {
		text string
		n    int
	}{
		{`{"type":"Polygon","coordinates":[[[100,0],[101,0],[101,1],[100,1],[100,0]],[[100.8,0.8],[100.8,0.2],[100.2,0.2],[100.2,0.8],[100.8,0.8]]]}`, 1},
		{`{"type":"MultiPolygon","coordinates":[[[[102,2],[103,2],[103,3],[102,3],[102,2]]],[[[100,0],[101,0],[101,1],[100,1],[100,0]],[[100.2,0.2],[100.2,0.8],[100.8,0.8],[100.8,0.2],[100.2,0.2]]]]}`, 2},
	} {
		areas, notes, err := ReadBoundaries(strings.NewReader(x.text), "x")
		if err != nil || len(areas) != x.n || len(notes) != 1 || notes[0].ID != "gis-area-parts" {
			t.Errorf("%s: %v %v %v", x.text, areas, notes, err)
		}
	}
}

func hasNote(sum Summary, id string) bool {
	for _, n := range sum.Notes {
		if n.ID == id {
			return true
		}
	}
	return false
}

func point(x, y, props string) string {
	return `{"type":"Feature","geometry":{"type":"Point","coordinates":[` + x + `,` + y + `]},"properties":{` + props + `}}`
}

func collection(features ...string) string {
	return "{\"type\":\"FeatureCollection\",\"features\":[\n" + strings.Join(features, ",\n") + "\n]}\n"
}

// All that is wrong comes at once, each with line and column.
func TestGeoJSON_AllFaultsWithPlaces(t *testing.T) {
	text := collection(
		point("1", "2", `"tree":"A","girth_cm":60`),
		" "+point("40.4", "-120", `"tree":"B","girth_cm":60`), // latitude -120: swapped
		point("500000", "4470000", `"tree":"C","girth_cm":60`),
		point("1", "2", `"tree":"D","girth_cm":"thick"`),
		point("1", "2", `"tree":"A","girth_cm":60`),
		`{"type":"Feature","geometry":{"type":"GeometryCollection","geometries":[]},"properties":{"tree":"E"}}`,
		`{"type":"Feature","geometry":{"type":"Point","coordinates":["1",2]},"properties":{"tree":"F","girth_cm":60}}`,
	)
	trees, _, err := ReadTrees(strings.NewReader(text), "x.geojson")
	if trees != nil {
		t.Error("trees handed out beside faults")
	}
	var got []string
	for _, f := range finding.AsFaults(err) {
		got = append(got, f.Where.String()+" "+f.ID)
	}
	want := []string{
		"x.geojson:3:2 gis-swapped", "x.geojson:4:1 gis-metres", "x.geojson:5:1 number-unclear", "x.geojson:6 tree-twice", "x.geojson:7:1 gis-nested", "x.geojson:8:1 gis-geometry",
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

func TestPlaces_BadFiles(t *testing.T) {
	good := collection(point("1", "2", `"tree":"A","girth_cm":60`))
	gpkg := placesAs(t, "gpkg", examplePlaces())
	gpx := string(placesAs(t, "gpx", examplePlaces()))
	patched := func(at int, with ...byte) string {
		b := bytes.Clone(gpkg)
		copy(b[at:], with)
		return string(b)
	}
	srs := bytes.Clone(gpkg)
	other := bytes.ReplaceAll(srs, []byte("EPSG\x10\xe6"), []byte("EPSG\x10\xe7")) // organization_coordsys_id 4327
	for _, x := range []struct{ name, text, id string }{
		{"cut", good[:len(good)-20], "gis-cut"},
		{"not json", `{"type": nonsense}`, "gis-json"},
		{"nan", `{"type":"Point","coordinates":[NaN,1]}`, "gis-json"},
		{"other json", `{"a":1}`, "gis-not-geojson"},
		{"topology", `{"type":"Topology","objects":{}}`, "gis-not-geojson"},
		{"no list", `{"type":"FeatureCollection","features":{}}`, "gis-features"},
		{"no features", `{"type":"FeatureCollection","features":[]}`, "gis-none"},
		{"not a feature", collection(`{"type":"Point","coordinates":[1,2]}`), "gis-not-feature"},
		{"old crs", `{"type":"FeatureCollection","crs":{"type":"name","properties":{"name":"urn:ogc:def:crs:EPSG::25830"}},"features":[]}`, "gis-crs"},
		{"lat 91", collection(point("170", "91", `"tree":"A","girth_cm":60`)), "gis-position"},
		{"several points", collection(`{"type":"Feature","geometry":{"type":"MultiPoint","coordinates":[[1,2],[3,4]]},"properties":{"tree":"A"}}`), "gis-nested"},
		{"areas only", collection(`{"type":"Feature","geometry":{"type":"Polygon","coordinates":[[[1,2],[3,4],[3,5],[1,2]]]},"properties":{}}`), "gis-no-points"},
		{"bad bytes", "{\"type\":\"\xff\"}", "file-not-utf8"},
		{"deep", `{"a":` + strings.Repeat("[", 20000) + strings.Repeat("]", 20000) + "}", "gis-json"},
		{"gpx cut", gpx[:len(gpx)-10], "gis-cut"},
		{"gpx bad", strings.Replace(gpx, "</wpt>", "</w>", 1), "gis-xml"},
		{"kml", "<?xml version=\"1.0\"?><kml/>", "gis-not-gpx"},
		{"entity", "<?xml version=\"1.0\"?><!DOCTYPE gpx [<!ENTITY a SYSTEM \"file:///etc/passwd\">]><gpx><wpt lat=\"1\" lon=\"2\"><name>&a;</name></wpt></gpx>", "gis-doctype"},
		{"unknown entity", "<gpx><wpt lat=\"1\" lon=\"2\"><name>&a;</name></wpt></gpx>", "gis-xml"},
		{"charset", "<?xml version=\"1.0\" encoding=\"latin1\"?><gpx/>", "gis-charset"},
		{"gpx nan", "<gpx><wpt lat=\"NaN\" lon=\"2\"><name>A</name></wpt></gpx>", "gis-position"},
		{"gpx swapped", "<gpx><wpt lat=\"-120\" lon=\"45\"><name>A</name></wpt></gpx>", "gis-swapped"},
		{"gpx none", "<gpx></gpx>", "gis-none"},
		{"sqlite", patched(68, 0, 0, 0, 0), "gis-not-gpkg"},
		{"gpkg 9", patched(60, 0, 1, 0x5F, 0x90), "gis-gpkg-version"},
		{"gpkg cut", string(gpkg[:len(gpkg)-4096]), "gis-cut"},
		{"gpkg head", string(gpkg[:60]), "gis-cut"},
		{"gpkg rot", string(append(bytes.Clone(gpkg[:100]), bytes.Repeat([]byte{0xA5}, len(gpkg)-100)...)), "gis-gpkg-damaged"},
		{"gpkg srs", string(other), "gis-srs"},
	} {
		trees, _, err := ReadTrees(strings.NewReader(x.text), "x")
		fs := finding.AsFaults(err)
		there := false
		for _, f := range fs {
			there = there || f.ID == x.id
		}
		if !there || len(fs) > 2 || trees != nil { // a waypoint may lack its girth beside
			t.Errorf("%s: %v", x.name, err)
		}
	}
}

func TestWKB_HugeCountsAndNests(t *testing.T) {
	le := func(kind byte, more ...byte) []byte { return append([]byte{1, kind, 0, 0, 0}, more...) }
	huge := []byte{0xFF, 0xFF, 0xFF, 0xFF}
	for _, b := range [][]byte{nil, {1}, le(1), le(3, huge...), le(3, append([]byte{1, 0, 0, 0}, huge...)...), le(6, huge...), le(99), {2, 1, 0, 0, 0}, {1, 0x01, 0x40, 0x9C, 0}} {
		if s, ok := readWKB(b); ok {
			t.Errorf("%v read as %+v", b, s)
		}
	}
	if s, ok := readWKB(le(7, huge...)); !ok || s.kind != shapeNested {
		t.Error("a collection is not told")
	}
	if s, ok := readWKB(le(4, huge...)); !ok || s.kind != shapeNested {
		t.Error("many points are not told")
	}
	nan := gpPoint(4326, math.NaN(), math.NaN())
	if s, ok := readGP(nan); !ok || s.kind != shapeNone {
		t.Error("an empty point is not told")
	}
}

func TestGeoJSON_TagFromTheFeatureAndSwapWarning(t *testing.T) {
	text := `{"type":"FeatureCollection","features":[{"type":"Feature","id":17,"geometry":{"type":"Point","coordinates":[40.4,-3.7]},"properties":{"lat":40.4,"lon":-3.7,"girth_cm":1e2}}]}`
	got, sum, err := ReadTrees(strings.NewReader(text), "x")
	if err != nil {
		t.Fatal(err)
	}
	if got[0].Tag != "17" || got[0].Lat.Value != -3.7 || got[0].Stems[0].Girth.Float() != 100 {
		t.Errorf("%+v", got[0])
	}
	if !hasNote(sum, "gis-perhaps-swapped") || !hasNote(sum, "gis-place-twice") {
		t.Errorf("notes %v", sum.Notes)
	}
}

func run2(t *testing.T, name string, args ...string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		t.Skipf("%s is not installed (package gdal-bin): the comparison with it is skipped", name)
	}
	out, err := exec.Command(path, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %v: %v\n%s", name, args, err, out)
	}
	return string(out)
}

// GDAL reads what is written, and what GDAL writes is read: counts and
// coordinates.
func TestPlaces_AgainstGDAL(t *testing.T) {
	p := Places{Name: "trees", Title: "Invented", Columns: []PlaceColumn{{Name: "tree"}, {Name: "girth_cm", Number: true}, {Name: "species"}}, Boundaries: examplePlaces().Boundaries}
	for i := range 300 {
		p.Rows = append(p.Rows, PlaceRow{40.4 + float64(i%17)*1.23457e-5, -3.7 - float64(i/17)*2.34567e-5, true, []string{fmt.Sprintf("T%03d", i), fmt.Sprint(50 + float64(i)/10), "Ulmus minor"}})
	}
	worst := 0.0
	for _, kind := range []string{"geojson", "gpkg", "gpx"} {
		dir := t.TempDir()
		own := filepath.Join(dir, "own."+kind)
		if err := os.WriteFile(own, placesAs(t, kind, p), 0o600); err != nil {
			t.Fatal(err)
		}
		layer := map[string]string{"geojson": "own", "gpkg": "trees", "gpx": "waypoints"}[kind]
		if kind == "geojson" {
			bare := p
			bare.Boundaries = nil
			if err := os.WriteFile(own, placesAs(t, kind, bare), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		info := run2(t, "ogrinfo", "-ro", "-so", own, layer)
		if !strings.Contains(info, "Feature Count: 300") || !strings.Contains(info, "Geometry: Point") || strings.Contains(info, "Warning") {
			t.Errorf("%s: ogrinfo says\n%s", kind, info)
		}
		if kind == "gpkg" {
			blocks := run2(t, "ogrinfo", "-ro", own, "blocks")
			if !strings.Contains(blocks, "POLYGON ((-3.71 40.41,") || !strings.Contains(blocks, "block (String) = North") {
				t.Errorf("blocks:\n%s", blocks)
			}
		}
		// Positions as GDAL reads them.
		table := filepath.Join(dir, "read.csv")
		run2(t, "ogr2ogr", "-f", "CSV", "-lco", "GEOMETRY=AS_XY", table, own, layer)
		data, err := os.ReadFile(table)
		if err != nil {
			t.Fatal(err)
		}
		lines := strings.Split(strings.TrimSpace(string(data)), "\n")[1:]
		if len(lines) != 300 {
			t.Fatalf("%s: %d lines", kind, len(lines))
		}
		for i, l := range lines {
			var x, y float64
			if _, err := fmt.Sscanf(strings.ReplaceAll(l, ",", " "), "%g %g", &x, &y); err != nil {
				t.Fatal(l, err)
			}
			worst = max(worst, math.Abs(x-p.Rows[i].Lon), math.Abs(y-p.Rows[i].Lat))
		}
		// What GDAL makes of it in the other two formats is read here.
		for _, to := range []string{"GeoJSON", "GPKG", "GPX"} {
			out := filepath.Join(dir, "gdal."+strings.ToLower(to))
			args := []string{"-f", to, out, own, layer}
			if to == "GPX" {
				args = append([]string{"-nln", "waypoints", "-dsco", "GPX_USE_EXTENSIONS=YES"}, args...)
				if kind != "gpx" {
					args = append(args, "-dialect", "SQLite", "-sql", "SELECT geometry, tree AS name, 'girth_cm='||girth_cm AS \"desc\" FROM "+layer)
					if kind == "gpkg" {
						args[len(args)-1] = "SELECT geom, tree AS name, 'girth_cm='||girth_cm AS \"desc\" FROM " + layer
					}
				}
			} else if kind == "gpx" {
				continue // GDAL does not take the columns out of desc
			}
			run2(t, "ogr2ogr", args...)
			f, err := os.Open(out)
			if err != nil {
				t.Fatal(err)
			}
			trees, _, err := ReadTrees(f, "x")
			f.Close()
			if err != nil {
				t.Errorf("%s by GDAL as %s: %v", kind, to, err)
				continue
			}
			if len(trees) != 300 || trees[299].Tag != "T299" || math.Abs(trees[299].Stems[0].Girth.Float()-79.9) > 1e-9 {
				t.Errorf("%s by GDAL as %s: %d trees, last %+v", kind, to, len(trees), trees[len(trees)-1])
				continue
			}
			for i := range trees {
				worst = max(worst, math.Abs(trees[i].Lon.Value-p.Rows[i].Lon), math.Abs(trees[i].Lat.Value-p.Rows[i].Lat))
			}
		}
	}
	t.Logf("largest difference %.3g degrees", worst)
	if worst > 5.1e-8 { // half of the seventh decimal
		t.Errorf("largest difference %g degrees", worst)
	}
}

// The splitting of objects agrees with encoding/json, whatever the values are.
func TestGeoJSON_MembersAgainstTheLibrary(t *testing.T) {
	var value func(depth int) *rapid.Generator[any]
	value = func(depth int) *rapid.Generator[any] {
		plain := []*rapid.Generator[any]{rapid.Just[any](nil), rapid.Bool().AsAny(), rapid.Float64Range(-1e6, 1e6).AsAny(), rapid.String().AsAny(), rapid.SampledFrom([]string{"}", "]\"", "\\", ",:{"}).AsAny()}
		if depth > 0 {
			plain = append(plain, rapid.SliceOfN(value(depth-1), 0, 3).AsAny(), rapid.MapOfN(rapid.String(), value(depth-1), 0, 3).AsAny())
		}
		return rapid.OneOf(plain...)
	}
	rapid.Check(t, func(r *rapid.T) {
		data, err := json.MarshalIndent(rapid.MapOfN(rapid.String(), value(2), 0, 5).Draw(r, "object"), "", rapid.SampledFrom([]string{"", "\t", " "}).Draw(r, "indent"))
		if err != nil {
			r.Skip()
		}
		var want map[string]json.RawMessage
		if err := json.Unmarshal(data, &want); err != nil {
			r.Fatal(err)
		}
		got := map[string]json.RawMessage{}
		for _, m := range members(data) {
			got[m.name] = m.raw
		}
		if len(got) != len(want) {
			r.Fatalf("%s: %d members, want %d", data, len(got), len(want))
		}
		for k, v := range want {
			if !bytes.Equal(got[k], v) {
				r.Fatalf("%s: member %q is %s, want %s", data, k, got[k], v)
			}
		}
	})
}
