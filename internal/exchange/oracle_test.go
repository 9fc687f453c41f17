package exchange

import (
	"encoding/csv"
	"math/big"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"sapward/finding"
	"sapward/measure/tree"
)

// slowDiameters is the oracle: encoding/csv and math/big, column by exact name.
// It returns the tags and the diameters in cm, or nil if any row is bad.
func slowDiameters(text, column string, size *big.Rat) (tags []string, cm []*big.Rat) {
	rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil || len(rows) < 2 {
		return nil, nil
	}
	at := map[string]int{}
	for i, h := range rows[0] {
		at[h] = i
	}
	for _, r := range rows[1:] {
		v, ok := new(big.Rat).SetString(r[at[column]])
		if !ok {
			return nil, nil
		}
		tags = append(tags, r[at["tree"]])
		cm = append(cm, v.Mul(v, size))
	}
	return tags, cm
}

// TestTrees_AgainstSlowReader: tables drawn at random, read by the oracle and
// by the package, agree exactly in tags, order and diameters.
func TestTrees_AgainstSlowReader(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 60).Draw(t, "rows")
		unit := rapid.SampledFrom([]string{"cm", "in"}).Draw(t, "unit")
		size, most := big.NewRat(1, 1), 400.0
		if unit == "in" {
			size, most = big.NewRat(254, 100), 157.0
		}
		var b strings.Builder
		w := NewRowWriter(&b)
		w.Text("note")
		w.Text("tree")
		w.Text("diameter_" + unit)
		w.End()
		seen := map[string]bool{}
		for range n {
			tag := rapid.StringMatching(`[A-Za-z0-9ñé ,;"#/]{1,12}x`).Draw(t, "tag")
			tag = strings.TrimSpace(tag)
			if seen[tag] {
				continue
			}
			seen[tag] = true
			w.Text(rapid.StringMatching(`[a-z ,;"]{0,8}(\r\n|\n)?[a-z]{0,3}`).Draw(t, "note"))
			w.Text(tag)
			decimals := rapid.IntRange(0, 6).Draw(t, "decimals")
			w.Float(rapid.Float64Range(1, most).Draw(t, "reading"), decimals)
			w.End()
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		tags, cm := slowDiameters(b.String(), "diameter_"+unit, size)
		trees, sum, err := ReadTrees(strings.NewReader(b.String()), "t.csv")
		if err != nil {
			t.Fatalf("%v\n%q", err, b.String())
		}
		if len(trees) != len(tags) || sum.Rows != len(tags) {
			t.Fatalf("%d trees, want %d", len(trees), len(tags))
		}
		for i := range trees {
			if trees[i].Tag != tags[i] || trees[i].Stems[0].Diameter.Low.Base().Big().Cmp(cm[i]) != 0 {
				t.Fatalf("tree %d: %q %v, want %q %v", i, trees[i].Tag, trees[i].Stems[0].Diameter.Low, tags[i], cm[i])
			}
		}
	})
}

// TestTrees_CheckedAsRead: what Scan passes Each reads, and what Scan refuses
// ReadTrees refuses with the same faults, for cells of every sort.
func TestTrees_CheckedAsRead(t *testing.T) {
	path := filepath.Join(t.TempDir(), "t.csv")
	cell := rapid.SampledFrom([]string{"", "0", "1", "0.99", "3.1415", "3.1416", "12", "12.5", "400", "400.0001", "399.99", "1256.6", "1256.7", "-3", "1,5", "x",
		"1e3", "007", "130", "130.0001", "80", "20", "999999999999999", "0.000000000001", "100", "100.5"})
	rapid.Check(t, func(t *rapid.T) {
		var b strings.Builder
		b.WriteString("tree;diameter_cm;girth_cm;height_m;crown_m;bark_cm;rating_pct;flare_girth_cm;x_m;y_ft\n")
		for i := range rapid.IntRange(1, 5).Draw(t, "rows") {
			b.WriteString(strings.Repeat("T", i+1))
			for range 9 {
				b.WriteString(";" + cell.Draw(t, "cell"))
			}
			b.WriteString("\n")
		}
		if err := os.WriteFile(path, []byte(b.String()), 0o666); err != nil {
			t.Fatal(err)
		}
		_, scanned := Scan(path)
		trees, _, full := ReadTrees(strings.NewReader(b.String()), path)
		each := Each(path, func(c []tree.Tree) error { return nil })
		a, z, e := finding.AsFaults(scanned), finding.AsFaults(full), finding.AsFaults(each)
		if a.Error() != z.Error() || e.Error() != z.Error() {
			t.Fatalf("Scan:\n%v\nReadTrees:\n%v\nEach:\n%v\n%s", a, z, e, b.String())
		}
		if (full == nil) != (trees != nil) {
			t.Fatal("trees and faults, or neither")
		}
	})
}

// TestTrees_Real reads the published tables. Counts and sums are taken by the
// oracle; the means of the cherry trees, 13.25 in and 76 ft, are printed by R's
// summary(trees) (from memory).
func TestTrees_Real(t *testing.T) {
	for _, c := range []struct {
		file, column string
		size         *big.Rat
		n            int
	}{
		{"longleaf.csv", "diameter_cm", big.NewRat(1, 1), 584},
		{"spruces.csv", "diameter_cm", big.NewRat(1, 1), 134},
		{"blackcherry.csv", "diameter_in", big.NewRat(254, 100), 31},
	} {
		path := filepath.Join("..", "..", "check", "15_real_trees", c.file)
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		tags, cm := slowDiameters(string(text), c.column, c.size)
		r, err := OpenTrees(path)
		if err != nil {
			t.Fatal(err)
		}
		i := 0
		var inches, feet float64
		for got, err := range r.All() {
			if err != nil {
				t.Fatal(err)
			}
			if got.Tag != tags[i] || got.Stems[0].Diameter.Low.Base().Big().Cmp(cm[i]) != 0 {
				t.Fatalf("%s: tree %d %+v", c.file, i, got)
			}
			inches += got.Stems[0].Diameter.Low.Float() / 2.54
			feet += got.Height.Value.Float() / 30.48
			i++
		}
		if i != c.n || r.Trees != c.n {
			t.Errorf("%s: %d trees, want %d", c.file, i, c.n)
		}
		if c.n == 31 {
			if m := inches / 31; m < 13.245 || m > 13.255 {
				t.Errorf("mean %g in", m)
			}
			if m := feet / 31; m < 75.95 || m > 76.05 {
				t.Errorf("mean %g ft", m)
			}
		}
	}
	// Five trees taped seven times: thirty readings too many.
	_, err := Scan(filepath.Join("..", "..", "check", "15_real_trees", "orange.csv"))
	fs := finding.AsFaults(err)
	twice := 0
	for _, f := range fs {
		if f.ID == "tree-twice" {
			twice++
		}
	}
	if twice != 30 {
		t.Errorf("%d readings of a tree given twice, want 30: %v", twice, places(fs))
	}
}

// FuzzTrees: any bytes end in trees or in faults with a place, never in a
// panic or in both.
func FuzzTrees(f *testing.F) {
	for _, s := range []string{"", "tree,diameter_cm\nA1,12\n", "sep=;\ntree;girth_in\n\"A\"\"1\";1,5\n", "tree\tdiameter_cm\tstem\r\nA\t1.5\t1\r\nA\t2\t2\r\n",
		"\xff\xfe", "tree,diameter_cm\n\"A", "tree,diameter_cm\rA,1", "tree,DBH\nA,1\n", "PK\x03\x04", "árbol;perímetro cm\nx;3,25\n"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		trees, sum, err := ReadTrees(strings.NewReader(string(data)), "f.csv")
		if err != nil {
			fs := finding.AsFaults(err)
			if len(trees) != 0 || len(fs) == 0 || len(fs) > MaxFaults+1 {
				t.Fatalf("%d trees, %d faults", len(trees), len(fs))
			}
			for _, f := range fs {
				if f.Class != finding.BadInput || f.Where.File != "f.csv" {
					t.Fatalf("%v of class %s", f, f.Class)
				}
			}
			return
		}
		if len(trees) == 0 || len(trees) > sum.Rows || sum.Trees != len(trees) {
			t.Fatalf("%d trees of %d rows, summary says %d", len(trees), sum.Rows, sum.Trees)
		}
		for _, x := range trees {
			for _, s := range x.Stems {
				if x.Tag == "" || s.Diameter.High.Less(tree.MinDiameter) || tree.MaxDiameter.Less(s.Diameter.Low) {
					t.Fatalf("%+v", x)
				}
			}
		}
	})
}
