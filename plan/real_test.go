package plan

import (
	"encoding/csv"
	"math/big"
	"os"
	"strconv"
	"testing"

	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan/label"
)

// realBlock reads a table of real trees (check/15_real_trees, with its
// passport): tag and diameter in the named column, in units of so many cm.
func realBlock(t *testing.T, name, column string, unit exact.Rat) []tree.Tree {
	t.Helper()
	f, err := os.Open("../check/15_real_trees/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	at := -1
	for i, h := range rows[0] {
		if h == column {
			at = i
		}
	}
	var out []tree.Tree
	for _, r := range rows[1:] {
		d, ok := exact.Decimal(r[at])
		if !ok {
			t.Fatalf("%s: %q", name, r[at])
		}
		s := tree.FromDiameter(q.Cm(d.Mul(unit)))
		s.MeasuredAt = q.Known(q.Cm(exact.Int(137)))
		out = append(out, tree.Tree{Tag: r[0], Stems: []tree.Stem{s}})
	}
	return out
}

// Real tape data through the whole plan, every total recomputed from the ports
// alone, every limit from the diameter alone in exact fractions.
func TestRealTrees_EveryTotalCanBeRecomputed(t *testing.T) {
	for _, tt := range []struct {
		file, column string
		unit         exact.Rat
		trees        int // rows of the file
	}{
		{"longleaf.csv", "diameter_cm", exact.Int(1), 584},
		{"spruces.csv", "diameter_cm", exact.Int(1), 134},
		{"blackcherry.csv", "diameter_in", exact.Frac(254, 100), 31},
	} {
		block := realBlock(t, tt.file, tt.column, tt.unit)
		if len(block) != tt.trees {
			t.Fatalf("%s: %d trees", tt.file, len(block))
		}
		for _, basis := range []Basis{ByFills, ByTree} {
			p, err := Make(Request{Card: demoCard(), Method: label.Injection, Basis: basis}, block)
			if err != nil {
				t.Fatal(err)
			}
			size := map[string]*big.Rat{}
			tooSmall := 0
			for _, b := range block {
				d := b.Stems[0].Diameter.Low.Base().Big()
				size[b.Tag] = d
				if d.Cmp(big.NewRat(10, 1)) < 0 {
					tooSmall++
				}
			}
			if int(p.Totals.RefusedTrees) != tooSmall || int(p.Totals.Planned) != len(block)-tooSmall {
				t.Errorf("%s %s: %d refused, %d planned; %d are under 10 cm", tt.file, basis, p.Totals.RefusedTrees, p.Totals.Planned, tooSmall)
			}
			var dose, ports int64
			for _, tr := range p.Trees {
				var sum int64
				for _, x := range tr.Ports {
					sum += int64(x.Volume)
					if x.Volume < 2000 || x.Volume > 20000 || int64(x.Volume)%500 != 0 {
						t.Errorf("%s %s: %v mL in a port", tt.file, tr.Tag, x.Volume)
					}
				}
				if sum != int64(tr.Dose) {
					t.Errorf("%s %s: ports hold %d uL, the dose is %d", tt.file, tr.Tag, sum, tr.Dose)
				}
				low := new(big.Rat).Mul(size[tr.Tag], big.NewRat(2500, 1)) // uL: 2.5 mL/cm
				high := new(big.Rat).Mul(size[tr.Tag], big.NewRat(3500, 1))
				if got := new(big.Rat).SetInt64(sum); got.Cmp(low) < 0 || got.Cmp(high) > 0 {
					t.Errorf("%s %s: %s uL outside %s..%s", tt.file, tr.Tag, got.FloatString(0), low.FloatString(1), high.FloatString(1))
				}
				dose += sum
				ports += int64(len(tr.Ports))
			}
			if dose != int64(p.Totals.Dose) || ports != p.Totals.Ports {
				t.Errorf("%s %s: totals %v mL and %d ports, trees add up to %s mL and %d", tt.file, basis, p.Totals.Dose, p.Totals.Ports, strconv.FormatFloat(float64(dose)/1000, 'f', 3, 64), ports)
			}
		}
	}
}
