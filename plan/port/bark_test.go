package port

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"sapward/finding"
	"sapward/measure/tree"
	"sapward/plan/label"
)

func rows(t *testing.T, path string) []map[string]string {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, r := range all[1:] {
		m := map[string]string{}
		for i, v := range r {
			m[all[0][i]] = v
		}
		out = append(out, m)
	}
	return out
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

func barks(t *testing.T) *BarkTable {
	t.Helper()
	b, err := Barks()
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// Every row of check/14_bark_sapwood is in the program's table, and gives the
// inside-bark ratio of its own formula at several diameters (inches),
// recomputed here from the published columns. Tolerance 1e-12.
func TestBarks_EveryPublishedRow(t *testing.T) {
	b := barks(t)
	want := rows(t, "../../check/14_bark_sapwood/fvs_bark.csv")
	if len(b.Inside) != len(want) || len(want) != 357 {
		t.Fatalf("%d rows in the table, %d published", len(b.Inside), len(want))
	}
	worst := 0.0
	for i, w := range want {
		r := b.Inside[i]
		if r.Source != "fvs-"+strings.ToLower(w["variant"]) || r.Code != w["fvs_code"] || r.FIA != w["fia_code"] || r.Species != w["species"] {
			t.Fatalf("row %d: table %+v, published %v", i, r, w)
		}
		for _, in := range []float64{-1, 0, 0.5, 1, 4, 12, 20, 40} {
			ratio := 0.99
			if w["form"] == "ratio" {
				ratio = number(t, w["ratio_dib_dob"])
			} else if in > 0 {
				ratio = math.Min(math.Max((number(t, w["a_in"])+number(t, w["b"])*in)/in, 0.80), 0.99)
			}
			worst = max(worst, math.Abs(r.InsideRatio(in*2.54)-ratio))
		}
	}
	t.Logf("largest deviation of a ratio: %.2g", worst)
	if worst > 1e-12 {
		t.Errorf("ratios differ by %v", worst)
	}
	lines := rows(t, "../../check/14_bark_sapwood/sapwood_bark_allometry_14_species.csv")
	if len(b.Lines) != len(lines) || len(lines) != 14 {
		t.Fatalf("%d lines in the table, %d published", len(b.Lines), len(lines))
	}
	for i, w := range lines {
		want := BarkLine{"trex-14", w["species"], int(number(t, w["n"])), number(t, w["dbh_min_cm"]), number(t, w["dbh_max_cm"]),
			number(t, w["bark_single_cm_intercept"]), number(t, w["bark_slope"]), number(t, w["bark_rse"])}
		if b.Lines[i] != want {
			t.Errorf("line %d: table %+v, published %+v", i, b.Lines[i], want)
		}
	}
}

// The rows of check/14_bark_sapwood/worked.csv that concern bark.
func TestBarks_WorkedRows(t *testing.T) {
	b := barks(t)
	find := func(code string) BarkRow {
		for _, r := range b.Inside {
			if r.Source == "fvs-sn" && r.Code == code {
				return r
			}
		}
		t.Fatalf("no row %s", code)
		return BarkRow{}
	}
	seen := 0
	for _, w := range rows(t, "../../check/14_bark_sapwood/worked.csv") {
		c, ok := map[string]struct {
			code string
			inch float64
			want float64
			tol  float64
		}{
			"SN Ulmus americana DBH 20 in":        {"AE", 20, 0.9420365, 1e-7},
			"SN Fraxinus pennsylvanica DBH 12 in": {"GA", 12, 0.911043333333, 1e-9},
			"SN Quercus alba DBH 1 in":            {"WO", 1, 0.80, 0},
			"SN Carya (HI) DBH 2 in":              {"HI", 2, 0.80, 0},
		}[w["case"]]
		if !ok {
			continue
		}
		seen++
		if got := find(c.code).InsideRatio(c.inch * 2.54); math.Abs(got-c.want) > c.tol {
			t.Errorf("%s: ratio %v, want %v", w["case"], got, c.want)
		}
	}
	if seen != 4 {
		t.Errorf("%d worked rows found, want 4", seen)
	}
}

// By hand. Castanea has one row, ratio 0.92: at 25 cm the bark is 1.00 cm,
// spread by 20 % to 0.80..1.20 and at the flare to 0.70..1.30. American elm at
// 20 in (50.8 cm): ratios 0.90, 0.93, 0.93 and 0.9420365 give 1.4722729 to 2.54
// cm, outward 1.47..2.54, at the flare 2.0061 +/- 0.8008: 1.20..2.81.
func TestBarkTable_Estimate(t *testing.T) {
	b := barks(t)
	for _, c := range []struct {
		species     string
		wood        tree.Wood
		d           float64
		place       label.Place
		thin, thick float64
		level, of   string
	}{
		{"Castanea dentata", "", 25, label.Trunk, 0.80, 1.20, "species", "castanea dentata"},
		{"sweet chestnut", "", 25, label.RootFlare, 0.70, 1.30, "genus", "castanea"},
		{"Ulmus americana", "", 50.8, label.Trunk, 1.47, 2.54, "species", "ulmus americana"},
		{"ulmus americana", "", 50.8, label.RootFlare, 1.20, 2.81, "species", "ulmus americana"},
	} {
		e, ok := b.Estimate(c.species, c.wood, c.d, c.place)
		if !ok || math.Abs(e.Thin.Float()-c.thin) > 1e-12 || math.Abs(e.Thick.Float()-c.thick) > 1e-12 || e.Level != c.level || e.Of != c.of {
			t.Errorf("%s: got %v..%v by %s %s, want %v..%v", c.species, e.Thin, e.Thick, e.Level, e.Of, c.thin, c.thick)
		}
		if e.Gauged || len(e.Sources) == 0 || e.Sources[0].Text == "" || e.Widened != (c.place == label.RootFlare) {
			t.Errorf("%s: %+v", c.species, e)
		}
		if f := e.Finding(); f.Authority != finding.ByEstimate || f.Args["sources"].Text == "" {
			t.Errorf("%s: finding %+v", c.species, f)
		}
	}
	for name, c := range map[string]struct {
		species string
		wood    tree.Wood
		d       float64
	}{
		"nothing known": {"", tree.WoodUnknown, 30}, "palm": {"Phoenix dactylifera", tree.Palm, 30}, "no diameter": {"elm", "", 0},
		"diameter not a number": {"elm", "", math.NaN()}, "unknown name, no wood": {"mystery tree", "", 30},
	} {
		if e, ok := b.Estimate(c.species, c.wood, c.d, label.Trunk); ok {
			t.Errorf("%s: got %+v", name, e)
		}
	}
}

// Black spruce inside the diameters of its line (5.6 to 30.3 cm) rests on the
// line as well; beyond them it does not.
func TestBarkTable_LinesStayInTheirRange(t *testing.T) {
	b := barks(t)
	uses := func(d float64) bool {
		e, _ := b.Estimate("Picea mariana", "", d, label.Trunk)
		for _, s := range e.Sources {
			if s.Key == "trex-14" {
				return true
			}
		}
		return false
	}
	if !uses(20) || uses(60) {
		t.Errorf("line used at 20 cm: %v, at 60 cm: %v", uses(20), uses(60))
	}
}

func TestLatin(t *testing.T) {
	for in, want := range map[string][2]string{
		"Ulmus americana":          {"ulmus americana", "ulmus"},
		"ULMUS":                    {"", "ulmus"},
		"Tilia × europaea":         {"tilia europaea", "tilia"},
		"Fraxinus sp.":             {"", "fraxinus"},
		"American elm":             {"", "ulmus"},
		"red oak":                  {"", "quercus"},
		"horse chestnut":           {"", "aesculus"},
		"Horse-chestnut":           {"", "aesculus"},
		"sweet chestnut":           {"", "castanea"},
		"castaño de Indias":        {"", "aesculus"},
		"Castaño":                  {"", "castanea"},
		"mountain ash":             {"", "sorbus"},
		"green ash":                {"", "fraxinus"},
		"small-leaved lime":        {"", "tilia"},
		"linden":                   {"", "tilia"},
		"maple":                    {"", "acer"},
		"copper beech":             {"", "fagus"},
		"Norway spruce":            {"", "picea"},
		"Scots pine":               {"", "pinus"},
		"wild cherry":              {"", "prunus"},
		"Prunus avium":             {"prunus avium", "prunus"},
		"tulip poplar":             {"", "liriodendron"},
		"olmo":                     {"", "ulmus"},
		"":                         {"", ""},
		"something else entirely":  {"", ""},
		"Ulmus 'Invented Variety'": {"ulmus invented", "ulmus"},
	} {
		if s, g := latin(in); s != want[0] || g != want[1] {
			t.Errorf("latin(%q) = %q, %q, want %q, %q", in, s, g, want[0], want[1])
		}
	}
}

// The blocks of species codes are from memory: every row that has both a code
// and a Latin name must agree with its block.
func TestFIABlocks_AgreeWithNamedRows(t *testing.T) {
	agreed := 0
	for _, r := range barks(t).Inside {
		if r.Species == "" {
			continue
		}
		bare := r
		bare.Species = ""
		if g := bare.named(); g != "" {
			agreed++
			if !strings.EqualFold(g, strings.Fields(r.Species)[0]) {
				t.Errorf("code %s is %s, the block says %s", r.FIA, r.Species, g)
			}
		}
	}
	t.Logf("%d named rows agree with their block", agreed)
	if agreed < 150 {
		t.Errorf("only %d named rows lie in a block", agreed)
	}
	if e, ok := barks(t).Estimate("hickory", "", 30, label.Trunk); !ok || e.Of != "carya" {
		t.Errorf("hickory: %+v %v", e, ok)
	}
}

// A species of a genus without rows falls back on its wood, and says so.
func TestBarkTable_FallsBackOnWood(t *testing.T) {
	e, ok := barks(t).Estimate("Gleditsia triacanthos", tree.RingPorous, 30, label.Trunk)
	if !ok || e.Level != "wood" || e.Of != "ring-porous" {
		t.Errorf("got %+v, %v", e, ok)
	}
	if _, err := readBark([]byte("{")); err == nil {
		t.Error("a broken table is read")
	}
	if _, err := readBark([]byte(`{"inside":[{"source":"nowhere"}]}`)); err == nil {
		t.Error("a row without source is read")
	}
	if _, err := readBark([]byte(`{"lines":[{"source":"nowhere"}]}`)); err == nil {
		t.Error("a line without source is read")
	}
}
