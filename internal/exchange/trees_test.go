package exchange

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"sapward/finding"
	"sapward/measure/tree"
)

// read reads a table given as text.
func read(t *testing.T, text string) ([]tree.Tree, Summary, finding.Faults) {
	t.Helper()
	trees, sum, err := ReadTrees(strings.NewReader(text), "t.csv")
	if err == nil {
		return trees, sum, nil
	}
	var fs finding.Faults
	if !errors.As(err, &fs) || len(fs) == 0 {
		t.Fatalf("error is %T %v, want finding.Faults", err, err)
	}
	if trees != nil {
		t.Fatalf("%d trees beside faults", len(trees))
	}
	return nil, sum, fs
}

// places writes faults as "id line:column", the form the tables below expect.
func places(fs finding.Faults) string {
	var out []string
	for _, f := range fs {
		out = append(out, fmt.Sprintf("%s %d:%d", f.ID, f.Where.Line, f.Where.Column))
	}
	return strings.Join(out, " | ")
}

func TestTrees_Header(t *testing.T) {
	for _, c := range []struct{ header, reading, wantCm string }{
		{"tree,diameter_cm", "25.5", "25.5"},
		{"\uFEFFTREE , Diameter_CM ", "25.5", "25.5"},
		{"Tag,DBH (in)", "10", "25.4"},
		{"Tree ID,DBH cm", "10", "10"},
		{"Tree No,Diameter (cm)", "10", "10"},
		{"tree no.,Diameter in cm", "10", "10"},
		{"tree,Trunk Diameter [inches]", "10", "25.4"},
		{"tree,DBH\"\"", "10", ""}, // a quote astray
		{"tree,\"DBH \"\"\"", "10", "25.4"},
		{"árbol,diámetro_cm", "10", "10"},
		{"A\u0301RBOL,dia\u0301metro (cm)", "10", "10"}, // accents as combining marks
		{"árbol,DAP pulgadas", "10", "25.4"},
		{"tree,diameter_mm", "100", "10"},
	} {
		text := c.header + "\nA1," + c.reading + "\n"
		trees, _, fs := read(t, text)
		if c.wantCm == "" {
			if fs == nil {
				t.Errorf("%q: read, want a fault", c.header)
			}
			continue
		}
		if fs != nil {
			t.Errorf("%q: %v", c.header, fs)
			continue
		}
		if got := trees[0].Stems[0].Diameter.Low.Base().String(); got != c.wantCm || trees[0].Tag != "A1" || trees[0].Row != 2 {
			t.Errorf("%q: %s cm, tag %q, row %d; want %s", c.header, got, trees[0].Tag, trees[0].Row, c.wantCm)
		}
	}
	for _, h := range []string{"Circumference cm", "Girth in", "circunferencia_cm", "perímetro (cm)", "GBH (ft)", "girth (cms)"} {
		trees, _, fs := read(t, "tree,"+h+"\nA1,12\n")
		if fs != nil || !trees[0].Stems[0].FromGirth {
			t.Errorf("%q: %v, want a girth", h, fs)
		}
	}
}

// TestTrees_Faults holds the messages of a whole file: identifier, line and
// column of every problem.
func TestTrees_Faults(t *testing.T) {
	row := func(n int, cell string) string { return strings.Repeat(cell, n) }
	for _, c := range []struct{ name, text, want string }{
		{"empty", "", "file-empty 0:0"},
		{"blank lines", "\n\n \n", "file-empty 0:0"},
		{"mark only", "\uFEFF", "file-empty 0:0"},
		{"header only", "tree,girth_cm\n", "file-no-rows 0:0"},
		{"header, empty rows", "tree,girth_cm\n,\n\n,,\n", "file-no-rows 0:0"},
		{"no header", "A1,25\nA2,30\n", "header-none 1:0"},
		{"no reading", "tree,species\nA1,elm\n", "column-missing 1:0"},
		{"no tree", "species,diameter_cm\nelm,10\n", "column-missing 1:0"},
		{"nothing known", "foo,bar\nx,y\n", "column-missing 1:0 | column-missing 1:0"},
		{"spelling", "tree,diametre_cm\nA1,10\n", "column-missing-near 1:0"},
		{"no unit", "tree,DBH\nA1,10\n", "column-no-unit 1:6"},
		{"no unit, diameter", "tree,diameter\nA1,10\n", "column-no-unit 1:6"},
		{"no unit, height", "tree,girth_cm,height\nA1,10,3\n", "column-no-unit 1:15"},
		{"perimeter without unit", "árbol,perímetro\nA1,10\n", "column-no-unit 1:7"},
		{"twice", "tree,diameter_cm,DBH (in)\nA1,10,\n", "column-twice 1:18"},
		{"both readings", "tree,diameter_cm,girth_cm\nA1,10,\nA2,,30\nA3,10,31.4\n", "reading-twice 4:7"},
		{"no reading in row", "tree,diameter_cm\nA1,10\nA2,\n", "reading-missing 3:4"},
		{"zero", "tree,diameter_cm\nA1,0\n", "diameter-range 2:4"},
		{"negative", "tree,diameter_cm\nA1,-12.5\n", "diameter-range 2:4"},
		{"thin", "tree,diameter_cm\nA1,0.99\n", "diameter-range 2:4"},
		{"thick", "tree,diameter_cm\nA1,400.01\n", "diameter-range 2:4"},
		{"girth thin", "tree,girth_cm\nA1,3.14\n", "girth-range 2:4"},
		{"girth thick", "tree,girth_cm\nA1,1256.7\n", "girth-range 2:4"},
		{"girth negative", "tree,girth_cm\nA1,-60\n", "girth-range 2:4"},
		{"not numbers", "tree,diameter_cm\nA1,NaN\nA2,inf\nA3,1e308\nA4,#REF!\nA5,ten\nA6,1 234\nA7,012\nA8,0x10\nA9,12 cm\n",
			"number-unclear 2:4 | number-unclear 3:4 | number-unclear 4:4 | cell-error 5:4 | number-unclear 6:4 | number-unclear 7:4 | number-zeros 8:4 | number-zeros 9:4 | number-unclear 10:4"},
		{"huge", "tree,diameter_cm\nA1," + row(300, "9") + "\n", "number-unclear 2:4"},
		{"decimal comma, bare", "tree,diameter_cm\nA1,1,5\n", "row-ragged 2:0"},
		{"ambiguous", "tree;diameter_cm\nA1;1,234\nA2;1.234,5\n", "number-comma 2:4 | number-grouped 3:4"},
		{"mixed marks", "tree;diameter_cm;height_m\nA1;12,5;9\nA2;13;9.5\n", "decimal-mixed 3:7"},
		{"mixed marks, quoted", "tree,diameter_cm\nA1,12.5\nA2,\"12,5\"\n", "decimal-mixed 3:4"},
		{"ragged short", "tree,diameter_cm,species\nA1,12\n", "row-ragged 2:0"},
		{"ragged long", "tree,diameter_cm\nA1,12,elm\n", "row-ragged 2:0"},
		{"tag empty", "tree,diameter_cm\n,12\n  ,13\n", "cell-empty 2:1 | cell-empty 3:1"},
		{"tag long", "tree,diameter_cm\n" + row(65, "x") + ",12\n", "text-long 2:1"},
		{"tag control", "tree,diameter_cm\nA\x01,12\n\"B\n2\",13\nC\u202e,14\n", "text-control 2:1 | text-control 3:1 | text-control 5:1"},
		{"twice the tree", "tree,diameter_cm\nA1,12\nA2,13\n A1 ,14\n", "tree-twice 4:0"},
		{"twice the stem", "tree,stem,diameter_cm\nA1,1,12\nA1,2,13\nA1,2,14\n", "stem-twice 4:0"},
		{"stems differ", "tree,stem,species,diameter_cm\nA1,1,elm,12\nA2,1,oak,9\nA1,2,oak,13\n", "stems-differ 4:0"},
		{"words", "tree,diameter_cm,status,wood,bearing\nA1,12,ill,oak,maybe\n", "word-unknown 2:7 | word-unknown 2:11 | word-unknown 2:15"},
		{"ranges", "tree,diameter_cm,height_m,crown_m,bark_cm,lat,lon,rating_pct,measured_at_m\nA1,12,131,81,21,91,181,101,11\nA2,12,0,0,-1,-91,-181,-1,0\n", "many"},
		{"half a place", "tree,diameter_cm,lat,lon\nA1,12,50,\n", "place-half 2:0"},
		{"quote open", "tree,diameter_cm\n\"A1,12\nA2,13\n", "quote-open 2:1"},
		{"quote astray", "tree,diameter_cm\nA1,12\"\nA2,13\n", "quote-stray 2:6"},
		{"quote closed early", "tree,diameter_cm\n\"A\"1,12\n", "quote-stray 2:4"},
		{"nul", "tree,diameter_cm\nA1,12\nA\x002,13\n", "file-nul 3:2"},
		{"latin-1", "tree,diameter_cm,species\nA1,12,elm\nA2,13,\xe1lamo\n", "file-not-utf8 3:7"},
		{"utf-16 little", "\xff\xfet\x00r\x00", "file-utf16 1:1"},
		{"utf-16 big", "\xfe\xff\x00t\x00r", "file-utf16 1:1"},
		{"utf-16 unmarked", "t\x00r\x00e\x00e\x00", "file-nul 1:2"},
		{"old workbook", "\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "file-old-workbook 1:1"},
		{"columns", "tree,diameter_cm" + row(511, ",") + "\nA1,12\n", "columns-many 1:528"},
		{"cell", "tree,diameter_cm,species\nA1,12," + row(MaxField+1, "x") + "\n", "field-long 2:7"},
		{"row", "tree,diameter_cm,species\nA1,12," + row(40, row(60_000, "x")+" ") + "\n", "field-long 2:7"},
		{"column counts characters", "tree,species,diameter_cm\nA1,ñandú,x\n", "number-unclear 2:10"},
		{"lines inside quotes count", "tree,species,diameter_cm\nA1,\"a\nb\",12\nA2,elm,x\n", "text-control 2:4 | number-unclear 4:8"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, _, fs := read(t, c.text)
			if c.want == "many" {
				if len(fs) != 14 { // seven cells in each of two rows
					t.Errorf("%d faults: %s", len(fs), places(fs))
				}
				for _, f := range fs {
					if f.ID != "value-range" {
						t.Errorf("%v", f)
					}
				}
				return
			}
			if got := places(fs); got != c.want {
				t.Errorf("faults %q\nwant   %q", got, c.want)
			}
		})
	}
}

func TestTrees_AtTheBounds(t *testing.T) {
	// 1 cm and 400 cm are believed; so are girths just inside pi and 400 pi.
	_, _, fs := read(t, "tree,diameter_cm,girth_cm\na,1,\nb,400,\nc,,3.1416\nd,,1256.63\n")
	if fs != nil {
		t.Error(fs)
	}
	wide := "tree,diameter_cm" + strings.Repeat(",", 510) + "\nA1,12" + strings.Repeat(",", 510) + "\n"
	if _, _, fs := read(t, wide); fs != nil {
		t.Errorf("512 columns: %v", fs)
	}
	if _, _, fs := read(t, "tree,diameter_cm\n"+strings.Repeat("ñ", 64)+",12\n"); fs != nil {
		t.Errorf("64 characters: %v", fs)
	}
}

func TestTrees_Values(t *testing.T) {
	trees, sum, fs := read(t, "Árbol;Estado;DAP (cm);altura_m;madera;en producción;lat;lon;corteza_mm;foo;specie\r\n"+
		"007;Sano;12,5;9,5;Conífera;Sí;-34,5;-58,25;12;x;y\r\n"+
		"'-8;SINTOMÁTICA;13;;Ring porous;0;;;;;\r\n")
	if fs != nil {
		t.Fatal(fs)
	}
	a, b := trees[0], trees[1]
	switch {
	case a.Tag != "007", b.Tag != "-8", a.Row != 2, b.Row != 3:
		t.Errorf("tags %q %q rows %d %d", a.Tag, b.Tag, a.Row, b.Row)
	case a.Status != tree.Healthy, b.Status != tree.Symptomatic, a.Wood != tree.Conifer, b.Wood != tree.RingPorous:
		t.Errorf("words %q %q %q %q", a.Status, b.Status, a.Wood, b.Wood)
	case a.Stems[0].Diameter.Low.Base().String() != "12.5", a.Height.Value.Base().String() != "950", a.Stems[0].Bark.Value.Base().String() != "1.2":
		t.Errorf("lengths %v", a)
	case !a.Bearing.Known, !a.Bearing.Value, !b.Bearing.Known, b.Bearing.Value, b.Height.Known, b.Lat.Known:
		t.Errorf("known %v %v", a, b)
	case a.Lat.Value != -34.5, a.Lon.Value != -58.25:
		t.Errorf("place %v %v", a.Lat, a.Lon)
	case sum.Separator != ";", !sum.DecimalComma, sum.Rows != 2, sum.Trees != 2:
		t.Errorf("summary %+v", sum)
	}
	notes := map[string]int{}
	for _, n := range sum.Notes {
		notes[n.ID]++
	}
	// Nine headers are not as documented; "foo" is unknown, "specie" nearly species.
	if notes["column-unknown"] != 1 || notes["column-unknown-near"] != 1 || notes["column-read-as"] != 7 {
		t.Errorf("notes %v", sum.Notes)
	}
	if u := sum.Columns[2]; u.Header != "DAP (cm)" || u.Column != "diameter_cm" || u.Place != 3 {
		t.Errorf("column %+v", u)
	}
}

func TestTrees_Stems(t *testing.T) {
	trees, sum, fs := read(t, "tree,stem,species,height_ft,girth_in\nB,1,elm,30,20\nA,,oak,,30\nB,2,,,21\nB,3,elm,30,22\n")
	if fs != nil {
		t.Fatal(fs)
	}
	if len(trees) != 2 || sum.Trees != 2 || sum.Rows != 4 || trees[0].Tag != "B" || len(trees[0].Stems) != 3 || len(trees[1].Stems) != 1 {
		t.Fatalf("%+v", trees)
	}
	for i, s := range trees[0].Stems {
		if s.Name != fmt.Sprint(i+1) || s.Girth.Low.Base().String() != fmt.Sprint(float64(20+i)*2.54) { // 50.8, 53.34, 55.88
			t.Errorf("stem %d: %q %v", i, s.Name, s.Girth.Low)
		}
	}
	if h := trees[0].Height.Value.Base().String(); h != "914.4" || trees[0].Species != "elm" {
		t.Errorf("height %s species %s", h, trees[0].Species)
	}
}

func TestTrees_FaultsAreCounted(t *testing.T) {
	var b strings.Builder
	b.WriteString("tree,diameter_cm\n")
	for i := range 30_000 { // several blocks
		fmt.Fprintf(&b, "T%d,x\n", i)
	}
	_, _, fs := read(t, b.String())
	last := fs[len(fs)-1]
	if len(fs) != MaxFaults+1 || last.ID != "faults-more" || last.Args["count"].Number != 30_000-MaxFaults {
		t.Errorf("%d faults, last %v", len(fs), last)
	}
	for i, f := range fs[:MaxFaults] {
		if f.Where.Line != i+2 {
			t.Errorf("fault %d at line %d", i, f.Where.Line)
		}
	}
}

// TestTrees_Blocks reads a table of many blocks, with line ends inside quotes,
// three ways and in order.
func TestTrees_Blocks(t *testing.T) {
	var b strings.Builder
	b.WriteString("tree,note,diameter_cm\r\n")
	const n = 40_000
	for i := range n {
		fmt.Fprintf(&b, "T%d,\"a\r\n\"\"b\"\"\r\n%s\",%d.5\r\n", i, strings.Repeat("z", i%97), 10+i%80)
	}
	path := filepath.Join(t.TempDir(), "trees.csv")
	if err := os.WriteFile(path, []byte(b.String()), 0o666); err != nil {
		t.Fatal(err)
	}
	r, err := OpenTrees(path)
	if err != nil {
		t.Fatal(err)
	}
	if r.Rows != n || r.Trees != n {
		t.Fatalf("summary %+v", r.Summary)
	}
	all, _, fs := read(t, b.String())
	if fs != nil {
		t.Fatal(fs)
	}
	i := 0
	for got, err := range r.All() {
		if err != nil {
			t.Fatal(err)
		}
		if got.Tag != fmt.Sprintf("T%d", i) || got.Row != 2+3*i || all[i].Tag != got.Tag || got.Stems[0].Diameter.Low.Float() != float64(10+i%80)+0.5 {
			t.Fatalf("tree %d: %+v", i, got)
		}
		i++
	}
	if i != n {
		t.Errorf("%d trees", i)
	}
	i = 0
	for range r.All() {
		if i++; i == 10 {
			break
		}
	}
	want := errors.New("enough")
	if err := r.Each(func([]tree.Tree) error { return want }); err != want {
		t.Errorf("Each returned %v", err)
	}
	// A tag of the last block that stood in the first.
	if err := os.WriteFile(path, []byte(b.String()+"T5,,12\r\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	_, err = Scan(path)
	fs = finding.AsFaults(err)
	if len(fs) != 1 || fs[0].ID != "tree-twice" || fs[0].Args["line"].Number != 2+3*5 || fs[0].Where.Line != 2+3*n {
		t.Errorf("duplicate: %v", err)
	}
}

func TestTrees_OtherForms(t *testing.T) {
	for name, text := range map[string]string{
		"tab":           "tree\tdiameter_cm\nA1\t12,5\nA2\t13\n",
		"old line ends": "tree,diameter_cm\rA1,12.5\rA2,13\r",
		"no last end":   "tree,diameter_cm\nA1,12.5\nA2,13",
		"sep line":      "sep=;\r\ntree;diameter_cm\r\nA1;12.5\r\nA2;13\r\n",
		"blank lines":   "\n\ntree,diameter_cm\n\nA1,12.5\n,\n\nA2,13\n\n",
		"spare commas":  "tree,diameter_cm,,\nA1,12.5,,,,\nA2,13,,\n",
		"quoted comma":  "tree,diameter_cm\nA1,\"12,5\"\nA2,13\n",
		"quoted all":    "\"tree\",\"diameter_cm\"\r\n\"A1\",\"12.5\"\r\n\"A2\",\"13\"\r\n",
		"spaces":        "tree , diameter_cm\n A1 , 12.5 \nA2,\u00a013\u00a0\n",
	} {
		trees, _, fs := read(t, text)
		if fs != nil || len(trees) != 2 || trees[0].Tag != "A1" || trees[0].Stems[0].Diameter.Low.Base().String() != "12.5" || trees[1].Tag != "A2" {
			t.Errorf("%s: %v %v", name, trees, fs)
		}
	}
}

func TestTrees_RatingFraction(t *testing.T) {
	_, sum, fs := read(t, "tree,diameter_cm,rating_pct\nA,12,0.25\nB,13,0\n")
	if fs != nil || len(sum.Notes) != 1 || sum.Notes[0].ID != "rating-fraction" {
		t.Errorf("%v %v", sum.Notes, fs)
	}
	_, sum, _ = read(t, "tree,diameter_cm,rating_pct\nA,12,0.25\nB,13,5\n")
	if len(sum.Notes) != 0 {
		t.Errorf("%v", sum.Notes)
	}
}

func TestTrees_Path(t *testing.T) {
	dir := t.TempDir()
	for path, want := range map[string]string{filepath.Join(dir, "none.csv"): "file-missing", dir: "file-is-folder"} {
		for _, err := range []error{func() error { _, err := Scan(path); return err }(), Each(path, nil)} {
			if fs := finding.AsFaults(err); len(fs) != 1 || fs[0].ID != want || fs[0].Where.File != path {
				t.Errorf("%s: %v", path, err)
			}
		}
	}
}

// An inventory may have trees that nobody taped yet; a plan's table may not.
func TestEachInventory_WithoutReadings(t *testing.T) {
	const table = "tree,stem,diameter_cm,girth_cm,bark_mm,species\nA1,,12.5,,,elm\nA2,,,,,elm\nA3,north,,,9,oak\nA3,south,,100,,oak\n"
	var trees []tree.Tree
	all := func(chunk []tree.Tree) error { trees = append(trees, chunk...); return nil }
	sum, err := EachInventory(strings.NewReader(table), "t.csv", nil, all)
	if err != nil || len(trees) != 3 {
		t.Fatalf("%d trees, %v", len(trees), err)
	}
	if len(sum.Notes) != 1 || sum.Notes[0].ID != "trees-untaped" || sum.Notes[0].Args["count"] != finding.Count(2) {
		t.Errorf("notes %+v", sum.Notes)
	}
	if s := trees[0].Stems[0]; s.Diameter.Float() != 12.5 {
		t.Errorf("%+v", s)
	}
	if s := trees[1].Stems; len(s) != 1 || s[0].Diameter.Float() != 0 || s[0].Girth.Float() != 0 {
		t.Errorf("%+v", s)
	}
	if s := trees[2].Stems; len(s) != 2 || s[0].Diameter.Float() != 0 || s[0].Bark.Value.In("mm").Float() != 9 || s[1].Girth.Float() != 100 {
		t.Errorf("%+v", s)
	}
	_, _, err = ReadTreesAs(strings.NewReader(table), "t.csv", nil)
	if fs := finding.AsFaults(err); len(fs) != 2 || fs[0].ID != "reading-missing" || fs[1].ID != "reading-missing" {
		t.Errorf("for a plan: %v", err)
	}
	// Other faults stay faults, and so does a table that has no such column.
	for text, want := range map[string]string{"tree,diameter_cm\nA1,x\n": "number-unclear", "tree,diameter_cm\nA1,0\n": "diameter-range", "tree,species\nA1,elm\n": "column-missing"} {
		_, err := EachInventory(strings.NewReader(text), "t.csv", nil, all)
		if fs := finding.AsFaults(err); len(fs) != 1 || fs[0].ID != want {
			t.Errorf("%q: %v", text, err)
		}
	}
}
