package exchange

import (
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"sapward/finding"
	"sapward/follow/decline"
	"sapward/measure/civil"
)

func followFile(t *testing.T, name string, data []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, data, 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// ids lists what an error says, with its place.
func ids(err error) (out []string) {
	for _, f := range finding.AsFaults(err) {
		out = append(out, fmt.Sprintf("%s %d:%d", f.ID, f.Where.Line, f.Where.Column))
	}
	return out
}

// What laboratories write, by hand.
func TestReadAssays_Residues(t *testing.T) {
	path := followFile(t, "a.csv", []byte("tree;day;mg/kg;LOD;height_ft;tissue\nE1;0;5,5;0,1;10;leaf\nE1;1;<0,2;;;\nE1;2;< 0,2;0,2;;\nE1;3;ND;0,3;;\nE1;4;n.d.;0,3;;\nE1;5;0;0,4;;\nE1;6;<LOD;0,5;;\nE1;7;0,1;0,1;;\n"))
	f, err := ReadAssays(path, civil.Date{})
	if err != nil {
		t.Fatal(err)
	}
	want := []decline.Assay{{MgKg: 5.5, Detected: true}, {DetectionLimit: 0.2}, {DetectionLimit: 0.2}, {DetectionLimit: 0.3}, {DetectionLimit: 0.3}, {DetectionLimit: 0.4}, {DetectionLimit: 0.5}, {MgKg: 0.1, Detected: true}}
	for i, w := range want {
		g := f.Rows[i]
		if g.MgKg != w.MgKg || g.Detected != w.Detected || g.DetectionLimit != w.DetectionLimit || g.Day != float64(i) || g.Where.Line != i+2 {
			t.Errorf("row %d: %+v, want %+v", i, g, w)
		}
	}
	if h := f.Rows[0].HeightM; h == nil || *h != 3.048 { // 10 ft, exact
		t.Errorf("height %v", h)
	}
	if f.Rows[1].HeightM != nil || f.Dated || !f.DayZero.IsZero() || !f.DecimalComma {
		t.Errorf("%+v", f)
	}
}

// A workbook and a CSV with the same cells give the same rows; its date cells
// are dates, and a date cell under day is no day number.
func TestReadAssays_Workbook(t *testing.T) {
	when := func(d int) time.Time { return time.Date(2026, time.May, d, 0, 0, 0, 0, time.UTC) }
	cells := [][]any{{"tree", "date", "mg_kg", "detection_limit"}, {"E1", when(4), 5.25, 0.01}, {"E2", when(24), "<0.01", nil}, {"E3", when(14), "nd", 0.02}}
	x, err := ReadAssays(followFile(t, "a.xlsx", book(t, "Assays", cells)), civil.Date{})
	if err != nil {
		t.Fatal(err)
	}
	c, err := ReadAssays(followFile(t, "a.csv", []byte("tree,date,mg_kg,detection_limit\nE1,2026-05-04,5.25,0.01\nE2,2026-05-24,<0.01,\nE3,2026-05-14,nd,0.02\n")), civil.Date{})
	if err != nil {
		t.Fatal(err)
	}
	for i := range c.Rows {
		c.Rows[i].Where, x.Rows[i].Where = finding.Where{}, finding.Where{}
	}
	if !reflect.DeepEqual(x.Rows, c.Rows) || x.DayZero != c.DayZero || x.ZeroFrom != "first-date" || x.Rows[1].Day != 20 || !x.Rows[1].Dated {
		t.Errorf("%+v\n%+v", x, c)
	}
	cells[0][1] = "day"
	_, err = ReadAssays(followFile(t, "b.xlsx", book(t, "Assays", cells)), civil.Date{})
	if got := ids(err); len(got) != 3 || !strings.HasPrefix(got[0], "value-range 2:2") {
		t.Errorf("date cells under day: %v", got)
	}
}

// Locate puts the column of the cell to a fault that knows its row, and leaves
// what has a place alone.
func TestFollowed_Locate(t *testing.T) {
	f, err := ReadRatings(followFile(t, "r.csv", []byte("tree,treatment,day,rating_pct,status\nE1,a,0,1,\n\nE22,b,0,,dead\n")), civil.Date{})
	if err != nil {
		t.Fatal(err)
	}
	given := finding.Args{"day": finding.Number(3, "d")}
	faults := finding.Faults{
		finding.Bad("ratings-day-negative", f.Rows[1].Where, given), finding.Bad("ratings-treatment-changes", f.Rows[1].Where, nil), finding.Bad("ratings-percent-out-of-range", f.Rows[0].Where, nil),
		finding.Bad("ratings-status-unknown", f.Rows[1].Where, nil), finding.Bad("ratings-one-tree", finding.Where{File: "other", Line: 2, Column: 9}, nil), finding.Bad("ratings-scale-top", finding.Where{}, nil),
	}
	want := []string{"ratings-scale-top 0:0", "ratings-percent-out-of-range 2:8", "ratings-one-tree 2:9", "ratings-treatment-changes 4:5", "ratings-day-negative 4:7", "ratings-status-unknown 4:10"}
	located := f.Locate(faults)
	if got := ids(located); !reflect.DeepEqual(got, want) {
		t.Errorf("got %v\nwant %v", got, want)
	}
	for _, x := range finding.AsFaults(located) {
		if x.Where.File == "" || x.ID == "ratings-day-negative" && x.Args["day"].Unit != "" {
			t.Errorf("%+v", x)
		}
	}
	if faults[0].Where.Column != 0 || given["day"].Unit != "d" {
		t.Error("the caller's faults were changed")
	}
	if f.Locate(nil) != nil {
		t.Error("no error became one")
	}
}

// Dates counted from any day 0 are the day numbers of the same table.
func TestReadRatings_DatesAreDays(t *testing.T) {
	dir := t.TempDir()
	rapid.Check(t, func(t *rapid.T) {
		zero := civil.Date{Year: rapid.IntRange(1990, 2060).Draw(t, "year"), Month: time.Month(rapid.IntRange(1, 12).Draw(t, "month")), Day: rapid.IntRange(1, 28).Draw(t, "day")}
		var dates, days strings.Builder
		dates.WriteString("tree,treatment,date,class\n")
		days.WriteString("tree,treatment,day,class\n")
		for i, d := range rapid.SliceOfN(rapid.IntRange(-500, 5000), 1, 12).Draw(t, "days") {
			fmt.Fprintf(&dates, "E%d,a,%s,%d\n", i, zero.AddDays(d), i)
			fmt.Fprintf(&days, "E%d,a,%d,%d\n", i, d, i)
		}
		read := func(name, text string, zero civil.Date) *Followed[ratingRow] {
			path := filepath.Join(dir, name)
			if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
			f, err := ReadRatings(path, zero)
			if err != nil {
				t.Fatal(err)
			}
			out := &Followed[ratingRow]{}
			for _, r := range f.Rows {
				out.Rows = append(out.Rows, ratingRow{r.Tree, r.Day, *r.Class})
			}
			return out
		}
		a, b := read("dates.csv", dates.String(), zero), read("days.csv", days.String(), civil.Date{})
		if !reflect.DeepEqual(a.Rows, b.Rows) {
			t.Fatalf("%v\n%v", a.Rows, b.Rows)
		}
	})
}

type ratingRow struct {
	tree       string
	day, class float64
}
