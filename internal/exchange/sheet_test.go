package exchange

import (
	"archive/zip"
	"bytes"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"

	"sapward/finding"
	"sapward/measure/civil"
	"sapward/measure/tree"
	"sapward/numeric/exact"
)

// book makes a workbook; each sheet is a name and its rows.
func book(t *testing.T, sheets ...any) []byte {
	t.Helper()
	f := excelize.NewFile()
	defer f.Close()
	for i := 0; i < len(sheets); i += 2 {
		name := sheets[i].(string)
		if i == 0 {
			f.SetSheetName("Sheet1", name)
		} else {
			f.NewSheet(name)
		}
		for r, row := range sheets[i+1].([][]any) {
			if err := f.SetSheetRow(name, fmt.Sprintf("A%d", r+1), &row); err != nil {
				t.Fatal(err)
			}
		}
	}
	var b bytes.Buffer
	if err := f.Write(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestSheet_Trees(t *testing.T) {
	data := book(t,
		"Summary", [][]any{{"nothing here"}},
		"Trees", [][]any{
			{"Tree ID", "DBH (cm)", "Status", "height_m", "bearing"},
			{"007", 25.3, "healthy", 0.1 + 0.2, true},
			{},
			{12, 1e2, nil, "9,5"},
			{"A", "30.5", "dead"},
		})
	trees, sum, err := ReadTrees(bytes.NewReader(data), "t.xlsx")
	if err != nil {
		t.Fatal(err)
	}
	if len(trees) != 3 || sum.Separator != "" || sum.Rows != 3 {
		t.Fatalf("%+v %+v", trees, sum)
	}
	for i, want := range []struct {
		tag, cm, height string
		row             int
	}{{"007", "25.3", "30", 2}, {"12", "100", "950", 4}, {"A", "30.5", "0", 5}} {
		got := trees[i]
		if got.Tag != want.tag || got.Row != want.row || got.Stems[0].Diameter.Low.Base().String() != want.cm || got.Height.Value.Base().String() != want.height {
			t.Errorf("tree %d: %+v", i, got)
		}
	}
	if !trees[0].Bearing.Value || trees[2].Status != tree.Dead {
		t.Errorf("%+v", trees)
	}
	path := filepath.Join(t.TempDir(), "t.xlsx")
	if err := os.WriteFile(path, data, 0o666); err != nil {
		t.Fatal(err)
	}
	r, err := OpenTrees(path)
	if err != nil || r.Trees != 3 {
		t.Error(r, err)
	}
}

func TestSheet_Faults(t *testing.T) {
	good := book(t, "trees", [][]any{{"tree", "diameter_cm"}, {"A", 12}, {"B", 13}})
	replaced := func(change func(name string, data []byte) []byte) []byte {
		z, err := zip.NewReader(bytes.NewReader(good), int64(len(good)))
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		w := zip.NewWriter(&b)
		for _, part := range z.File {
			r, err := part.Open()
			if err != nil {
				t.Fatal(err)
			}
			data, err := io.ReadAll(r)
			if err != nil {
				t.Fatal(err)
			}
			if data = change(part.Name, data); data != nil {
				out, _ := w.Create(part.Name)
				out.Write(data)
			}
		}
		w.Close()
		return b.Bytes()
	}
	sheet := "xl/worksheets/sheet1.xml"
	wide := make([]any, 513)
	for i := range wide {
		wide[i] = "c"
	}
	for _, c := range []struct {
		name string
		data []byte
		want string
	}{
		{"cells", book(t, "trees", [][]any{{"tree", "diameter_cm", "status"}, {"A", "#REF!", "ill"}, {"A", 500}, {"B", "x"}}),
			"cell-error 2:2 | word-unknown 2:3 | tree-twice 3:0 | diameter-range 3:2 | number-unclear 4:2"},
		{"empty", book(t, "trees", [][]any{}), "file-empty 0:0"},
		{"header only", book(t, "trees", [][]any{{"tree", "girth_in"}}), "file-no-rows 0:0"},
		{"long row", book(t, "trees", [][]any{{"tree", "girth_in"}, {"A", 12, "", "x"}}), "row-ragged 2:0"},
		{"columns", book(t, "trees", [][]any{wide}), "columns-many 1:513"},
		{"cut off", good[:len(good)/2], "workbook-damaged 0:0"},
		{"not a workbook", replaced(func(name string, data []byte) []byte {
			if name == "xl/workbook.xml" {
				return nil
			}
			return data
		}), "workbook-damaged 0:0"},
		{"sheet ends early", replaced(func(name string, data []byte) []byte {
			if name == sheet {
				return data[:bytes.Index(data, []byte("</row>"))+6]
			}
			return data
		}), "workbook-damaged 0:0"},
		{"sheet broken inside", replaced(func(name string, data []byte) []byte {
			if name == sheet {
				return bytes.Replace(data, []byte("</row>"), []byte("</row><&>"), 1)
			}
			return data
		}), "workbook-damaged 0:0"},
		{"unpacks to far more", replaced(func(name string, data []byte) []byte {
			if name == sheet {
				return append(data, bytes.Repeat([]byte(" "), maxSheetXML+1)...)
			}
			return data
		}), "workbook-large 0:0"},
	} {
		trees, _, err := ReadTrees(bytes.NewReader(c.data), "t.xlsx")
		if got := places(finding.AsFaults(err)); got != c.want || trees != nil {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

// TestSheet_Dates reads date cells by both day counts. Serial 46146 is 4 May
// 2026: 1 January 1970 is 25569, and 4 May 2026 lies 20577 days later.
func TestSheet_Dates(t *testing.T) {
	day := time.Date(2026, 5, 4, 0, 0, 0, 0, time.UTC)
	if serial := 25569 + int(day.Unix()/86400); serial != 46146 {
		t.Fatal(serial)
	}
	data := book(t, "history", [][]any{{"block", "product", "date_end", "active_g"},
		{"north", "Invented Product A", day, 12.5}, {"north", "Invented Product A", "2026-05-04", nil}, {"north", "Invented Product A", 46146.75, nil}})
	rows, _, err := ReadHistory(bytes.NewReader(data), "h.xlsx")
	if err != nil {
		t.Fatal(err)
	}
	for i, r := range rows {
		if r.DateEnd != (civil.Date{Year: 2026, Month: 5, Day: 4}) {
			t.Errorf("row %d: %v", i, r.DateEnd)
		}
	}
	if len(rows) != 3 || rows[0].ActiveMass.Value.Base().String() != "12.5" {
		t.Errorf("%+v", rows)
	}
	if d, ok := serialDate("44684", true); !ok || d.String() != "2026-05-04" { // 1,462 days fewer from 1904
		t.Errorf("1904: %v %v", d, ok)
	}
	for _, s := range []string{"2026", "0", "-3", "x", "1e9", "109575"} {
		if d, ok := serialDate(s, false); ok {
			t.Errorf("%q read as %v", s, d)
		}
	}
	_, _, err = ReadHistory(strings.NewReader("block,product,date_end\nnorth,x,46146\nnorth,x,04/05/2026\n"), "h.csv")
	if got := places(finding.AsFaults(err)); got != "date-unclear 2:9 | date-unclear 3:9" {
		t.Error(got)
	}
}

func TestSheetNumber(t *testing.T) {
	for in, want := range map[string]string{
		"25.3": "25.3", "45.299999999999997": "45.3", "0.30000000000000004": "0.3", "1E-3": "0.001", "1.2E+2": "120", "1E+400": "1E+400", "abcdefghijklmnopqrst": "abcdefghijklmnopqrst",
	} {
		if got := sheetNumber(in); got != want {
			t.Errorf("%s: %s, want %s", in, got, want)
		}
	}
}

func TestSheetWriter(t *testing.T) {
	var b bytes.Buffer
	w, err := NewSheetWriter(&b, "trees", []SheetColumn{{"tree", 12, -1}, {"diameter_cm", 14, 1}, {"status", 0, -1}, {"taped", 11, -1}})
	if err != nil {
		t.Fatal(err)
	}
	day := civil.Date{Year: 2026, Month: 5, Day: 4}
	for _, row := range [][]any{{"=1+1", exact.Frac(255, 10), "healthy", day}, {"007", 30.25, nil, civil.Date{}}, {"<&>\"", 31, "dead", nil}} {
		if err := w.Row(row...); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	f, err := excelize.OpenReader(bytes.NewReader(b.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if formula, _ := f.GetCellFormula("trees", "A2"); formula != "" {
		t.Errorf("formula %q", formula)
	}
	rows, err := f.GetRows("trees")
	if err != nil {
		t.Fatal(err)
	}
	if got := fmt.Sprint(rows); got != `[[tree diameter_cm status taped] [=1+1 25.5 healthy 2026-05-04] [007 30.3] [<&>" 31.0 dead]]` && got != `[[tree diameter_cm status taped] [=1+1 25.5 healthy 2026-05-04] [007 30.2] [<&>" 31.0 dead]]` {
		t.Errorf("%s", got) // 30.25 is a tie: either neighbour is a right display
	}
	if width, _ := f.GetColWidth("trees", "B"); width != 14 {
		t.Errorf("width %g", width)
	}
	trees, _, err := ReadTrees(bytes.NewReader(b.Bytes()), "t.xlsx")
	if err != nil || len(trees) != 3 || trees[0].Tag != "=1+1" || trees[1].Tag != "007" || trees[1].Stems[0].Diameter.Low.Base().String() != "30.25" {
		t.Errorf("%+v %v", trees, err)
	}
	w, err = NewSheetWriter(io.Discard, "x", []SheetColumn{{Header: "a"}})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Row(1, 2); err == nil || w.Close() == nil {
		t.Error("two cells in a table of one column")
	}
}
