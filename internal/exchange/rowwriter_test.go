package exchange

import (
	"encoding/csv"
	"encoding/json"
	"errors"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func TestRowWriter_ByHand(t *testing.T) {
	var b strings.Builder
	w := NewRowWriter(&b)
	for _, s := range []string{"plain", "a,b", "say \"x\"", "two\nlines", "", "ñ", " x", "semi;colon"} {
		w.Text(s)
	}
	w.End()
	for _, s := range []string{"=1+1", "+1", "-1", "@x", "\tx", "\rx", "'q", "a=b"} {
		w.Text(s)
	}
	w.End()
	w.Fixed(125, 1)
	w.Fixed(5, 3)
	w.Fixed(-5, 2)
	w.Fixed(0, 2)
	w.Fixed(math.MinInt64, 0)
	w.Fixed(math.MaxInt64, 18)
	w.Int(-7)
	w.Float(2.5, 0)
	w.Float(1.005, 2)
	w.Float(-0.001, 2)
	w.Float(math.NaN(), 2)
	w.Float(math.Inf(1), 2)
	w.Float(1e21, 1)
	w.Blank()
	w.End()
	w.Blank()
	w.End()
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	want := "plain,\"a,b\",\"say \"\"x\"\"\",\"two\nlines\",,ñ,\" x\",\"semi;colon\"\r\n" +
		"'=1+1,'+1,'-1,'@x,\"'\tx\",\"'\rx\",'q,a=b\r\n" +
		"12.5,0.005,-0.05,0.00,-9223372036854775808,9.223372036854775807,-7,2,1.00,0.00,,,1000000000000000000000.0,\r\n" +
		"\"\"\r\n"
	if d := cmp.Diff(want, b.String()); d != "" {
		t.Error(d)
	}
	if w.Rows() != 4 {
		t.Errorf("%d rows", w.Rows())
	}
}

// TestRowWriter_Float: the fast way gives what strconv gives.
func TestRowWriter_Float(t *testing.T) {
	check := func(x float64, decimals int) string {
		var b strings.Builder
		w := NewRowWriter(&b)
		w.Float(x, decimals)
		w.Close()
		want := strconv.FormatFloat(x, 'f', decimals, 64)
		if strings.Trim(want, "-0.") == "" {
			want = strings.TrimPrefix(want, "-")
		}
		if b.String() != want {
			return b.String() + ", want " + want
		}
		return ""
	}
	for k := range 4000 { // ties and near ties
		for _, x := range []float64{float64(k) / 8, float64(k)/1000 + 0.0005, -float64(k) / 16} {
			for d := range 7 {
				if bad := check(x, d); bad != "" {
					t.Fatal(x, d, bad)
				}
			}
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		if bad := check(rapid.Float64().Draw(t, "x"), rapid.IntRange(0, 9).Draw(t, "decimals")); bad != "" {
			t.Fatal(bad)
		}
	})
}

// table draws rows of texts, all of one width.
func table(t *rapid.T) [][]string {
	width := rapid.IntRange(1, 5).Draw(t, "width")
	return rapid.SliceOfN(rapid.SliceOfN(rapid.StringMatching(`[ -~ñ\n\t]{0,9}`), width, width), 1, 8).Draw(t, "rows")
}

func written(rows [][]string) string {
	var b strings.Builder
	w := NewRowWriter(&b)
	for _, r := range rows {
		for _, f := range r {
			w.Text(f)
		}
		w.End()
	}
	w.Close()
	return b.String()
}

// guarded is a text as a reader without the rule of the apostrophe sees it.
func guardedText(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		return "'" + s
	}
	return s
}

// TestRowWriter_ReadBack reads what was written with encoding/csv.
func TestRowWriter_ReadBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rows := table(t)
		got, err := csv.NewReader(strings.NewReader(written(rows))).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		for i, r := range rows {
			for k, f := range r {
				if got[i][k] != guardedText(f) {
					t.Fatalf("row %d field %d: %q, want %q", i, k, got[i][k], guardedText(f))
				}
			}
		}
	})
}

// TestRowWriter_Python reads what was written with Python's csv module.
func TestRowWriter_Python(t *testing.T) {
	python, err := exec.LookPath("/usr/bin/python3")
	if err != nil {
		t.Skip("python3 is not installed: " + err.Error())
	}
	rows := [][]string{{"a", "b,c", "d\"e"}, {"=x", "two\nlines", "-5"}, {"", "ñandú", "  x "}, {"tab\there", "semi;", "'q"}}
	path := filepath.Join(t.TempDir(), "t.csv")
	if err := os.WriteFile(path, []byte(written(rows)), 0o666); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command(python, "-c", "import csv,json,sys; print(json.dumps(list(csv.reader(open(sys.argv[1],encoding='utf-8',newline='')))))", path).Output()
	if err != nil {
		t.Fatal(err)
	}
	var got [][]string
	if err := json.Unmarshal(out, &got); err != nil {
		t.Fatal(err)
	}
	for i := range rows {
		for k := range rows[i] {
			rows[i][k] = guardedText(rows[i][k])
		}
	}
	if d := cmp.Diff(rows, got); d != "" {
		t.Error(d)
	}
}

// TestTrees_PythonWrites reads what Python's csv module writes.
func TestTrees_PythonWrites(t *testing.T) {
	python, err := exec.LookPath("/usr/bin/python3")
	if err != nil {
		t.Skip("python3 is not installed: " + err.Error())
	}
	script := `import csv,sys
w=csv.writer(sys.stdout)
w.writerow(["Tree ID","Notes","Girth (in)"])
w.writerow(["007",'he said "no", twice\nthen left',23.5])
w.writerow(["a,b","",24])`
	out, err := exec.Command(python, "-c", script).Output()
	if err != nil {
		t.Fatal(err)
	}
	trees, _, fs := read(t, string(out))
	if fs != nil || len(trees) != 2 || trees[0].Tag != "007" || trees[1].Tag != "a,b" || trees[0].Stems[0].Girth.Low.Base().String() != "59.69" {
		t.Errorf("%v %v", trees, fs)
	}
}

type broken struct {
	after int
	err   error
}

func (b *broken) Write(p []byte) (int, error) {
	if b.after -= len(p); b.after < 0 {
		return 0, b.err
	}
	return len(p), nil
}

func TestRowWriter_Error(t *testing.T) {
	want := errors.New("no room")
	w := NewRowWriter(&broken{100_000, want})
	for range 100_000 {
		w.Text("some text")
		w.End()
	}
	if err := w.Close(); err != want || w.Err() != want {
		t.Errorf("error %v", err)
	}
}

func TestRowWriter_AllocatesNothing(t *testing.T) {
	w := NewRowWriter(&counter{})
	if n := testing.AllocsPerRun(10_000, func() {
		w.Text("T1")
		w.Text("=x,\"")
		w.Float(1.25, 1)
		w.Fixed(125, 1)
		w.End()
	}); n != 0 {
		t.Errorf("%g allocations a row", n)
	}
}
