package trial

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"sapward/finding"
)

func ids(fs []finding.Finding) (out []string) {
	for _, f := range fs {
		out = append(out, f.ID)
	}
	return out
}

func rowsOf(values [][]float64) (rows []Observation) {
	for k, g := range values {
		for b, v := range g {
			rows = append(rows, Observation{Treatment: fmt.Sprint("t", k), Block: fmt.Sprint(b), Value: &v})
		}
	}
	return rows
}

// By hand: two treatments in three blocks, differences 1, 2, 3: mean 2, t =
// 2/(1/sqrt 3) = 2 sqrt 3 with 2 degrees of freedom, F = 12.
func TestAnalyse_ByHand(t *testing.T) {
	a := analysed(t, rowsOf([][]float64{{1, 2, 3}, {2, 4, 6}}), Options{Design: RCBD, Control: "t0"})
	l := lineOf(t, a, "", "treatment")
	if math.Abs(*l.F-12) > 1e-12 || l.DF != 1 || lineOf(t, a, "", "residual").DF != 2 {
		t.Errorf("%+v", a.Table)
	}
	c := a.Comparisons[0]
	q := 4.302652729749464 // Student t, 2 degrees of freedom, 0.975 (from memory of standard tables, 4.303)
	if c.A != "t1" || math.Abs(c.Difference-2) > 1e-12 || math.Abs(c.SE-1/math.Sqrt(3)) > 1e-12 || math.Abs(c.Critical-q) > 1e-9 || math.Abs(c.Low-(2-q/math.Sqrt(3))) > 1e-9 {
		t.Errorf("%+v", c)
	}
	if e := a.Effects[0]; math.Abs(*e.Pct+100) > 1e-9 {
		t.Errorf("effect %v", *e.Pct)
	}
}

// A missing plot: the estimate of the rest by Yates' formula (Yates 1933, from
// memory) x = (r B + t T - G)/((r-1)(t-1)) gives the same residual sum of squares.
func TestAnalyse_MissingPlotEqualsYates(t *testing.T) {
	v := [][]float64{{12, 15, 11, 14}, {18, 17, 19, 22}, {9, 8, 13, 12}}
	full := rowsOf(v)
	rows := slices.Clone(full)
	rows[5].Value = nil // t1 in block 1
	a := analysed(t, rows, Options{Design: RCBD})
	B, T, G := v[0][1]+v[2][1], v[1][0]+v[1][2]+v[1][3], 0.0
	for _, g := range v {
		for _, x := range g {
			G += x
		}
	}
	G -= v[1][1]
	x := (4*B/1 + 3*T - G) / (3 * 2)
	x = (3*T + 4*B - G) / 6 // t treatments 3, r blocks 4: (t T + r B - G)/((t-1)(r-1))
	rows[5].Value = &x
	filled := analysed(t, rows, Options{Design: RCBD})
	if math.Abs(*lineOf(t, a, "", "residual").SS-*lineOf(t, filled, "", "residual").SS) > 1e-9 {
		t.Errorf("%v, %v", *lineOf(t, a, "", "residual").SS, *lineOf(t, filled, "", "residual").SS)
	}
	if math.Abs(a.Means[1].Mean-filled.Means[1].Mean) > 1e-9 || lineOf(t, a, "", "residual").DF != 5 {
		t.Errorf("means %v, %v", a.Means[1].Mean, filled.Means[1].Mean)
	}
	if !slices.Contains(ids(a.Notes), "trial-plots-missing") || len(a.Missing) != 1 {
		t.Errorf("%v", ids(a.Notes))
	}
	absent := slices.Delete(slices.Clone(full), 5, 6)
	if b := analysed(t, absent, Options{Design: RCBD}); len(b.Missing) != 1 || math.Abs(*lineOf(t, b, "", "residual").SS-*lineOf(t, a, "", "residual").SS) > 1e-9 {
		t.Error("a row left out is not a missing plot")
	}
}

func TestAnalyse_SubsamplesAreNotReplicates(t *testing.T) {
	plots := rowsOf([][]float64{{10, 14, 12, 13}, {20, 24, 19, 22}})
	var trees []Observation
	for i, r := range plots {
		for j, d := range []float64{-1, 0, 1} {
			v := *r.Value + d
			trees = append(trees, Observation{Plot: fmt.Sprint(i), Tree: fmt.Sprint(i, "-", j), Block: r.Block, Treatment: r.Treatment, Value: &v})
		}
	}
	a, b := analysed(t, plots, Options{Design: RCBD, Unit: "plot"}), analysed(t, trees, Options{Design: RCBD, Unit: "plot"})
	if !reflect.DeepEqual(a.Table, b.Table) || b.Trees != 24 || b.Plots != 8 || !slices.Contains(ids(b.Notes), "trial-subsamples") {
		t.Errorf("%+v", b)
	}
	if c := analysed(t, trees, Options{Design: RCBD}); !slices.Contains(ids(c.Notes), "trial-unit-open") {
		t.Error("the unit is not asked for")
	}
}

func TestAnalyse_NoVerdict(t *testing.T) {
	rows := rowsOf([][]float64{{2, 1, 3, 2}, {0, 0.5, 0, 1}})
	a := analysed(t, rows, Options{Design: CRD, Control: "t0", Scale: Percent})
	if a.Verdict != "none" || a.Why != "trial-control-healthy" {
		t.Errorf("%s %s", a.Verdict, a.Why)
	}
	rows = rowsOf([][]float64{{62, 71, 63, 60}, {10, 5, 3, 14}})
	if a := analysed(t, rows, Options{Design: CRD, Control: "t0", Scale: Percent}); a.Verdict != "differ" {
		t.Error(a.Verdict)
	}
}

func TestAnalyse_Transformations(t *testing.T) {
	for _, tr := range []Transform{Plain, Arcsine, Log, Root} {
		for _, y := range []float64{0, 0.5, 3, 50, 99, 100} {
			if d := math.Abs(tr.back(tr.apply(y)) - y); d > 1e-11 {
				t.Errorf("%s: %v comes back off by %v", tr, y, d)
			}
		}
	}
	a := analysed(t, rowsOf([][]float64{{62, 71, 63, 60}, {10, 5, 3, 14}}), Options{Design: CRD, Control: "t0", Scale: Percent, Transform: Arcsine})
	if m := a.Means[0]; *m.BackLow > *m.Back || *m.Back > *m.BackHigh || *m.Back < 60 || *m.Back > 71 {
		t.Errorf("%+v", m)
	}
}

// 2 treatments of 3: of 20 deals 2 are as far apart, by hand.
func TestPermutation_ByHand(t *testing.T) {
	a, err := Analyse(rowsOf([][]float64{{1, 2, 3}, {11, 12, 13}}), Options{Design: CRD})
	if err != nil {
		t.Fatal(err)
	}
	if p := a.Permutations[0]; !p.Exact || p.Runs != 20 || math.Abs(p.P-0.1) > 1e-12 {
		t.Errorf("%+v", p)
	}
	// 2 in 4 blocks, all differences alike in sign: 2 of 16 deals.
	a, err = Analyse(rowsOf([][]float64{{1, 20, 3, 40}, {11, 31, 14, 52}}), Options{Design: RCBD})
	if err != nil {
		t.Fatal(err)
	}
	if p := a.Permutations[0]; !p.Exact || p.Runs != 16 || math.Abs(p.P-0.125) > 1e-12 {
		t.Errorf("%+v", p)
	}
	// Many deals: at random, near the exact share and repeated by the seed.
	rng := rand.New(rand.NewPCG(3, 3))
	var v [2][]float64
	for i := range 12 {
		v[0], v[1] = append(v[0], rng.NormFloat64()), append(v[1], rng.NormFloat64()+0.7+float64(i)*0.001)
	}
	o := Options{Design: CRD, Seed: 5, Permutations: 4000}
	a, _ = Analyse(rowsOf(v[:]), o)
	b, _ := Analyse(rowsOf(v[:]), o)
	f := *lineOf(t, a, "", "treatment").P
	if p := a.Permutations[0]; p.Exact || p.Runs != 4000 || p.P != b.Permutations[0].P || math.Abs(p.P-f) > 0.03 {
		t.Errorf("%+v beside F %v", p, f)
	}
}

func TestAnalyse_Refuses(t *testing.T) {
	v := 5.0
	bad := math.NaN()
	over := 140.0
	base := func() []Observation { return rowsOf([][]float64{{1, 2, 4}, {2, 4, 5}}) }
	for id, c := range map[string]struct {
		rows []Observation
		o    Options
	}{
		"trial-no-rows":                  {nil, Options{Design: CRD}},
		"trial-option-unknown":           {base(), Options{Design: "latin"}},
		"trial-one-treatment":            {rowsOf([][]float64{{1, 2, 3}}), Options{Design: CRD}},
		"trial-no-residual":              {rowsOf([][]float64{{1}, {2}}), Options{Design: CRD}},
		"trial-one-block":                {rowsOf([][]float64{{1}, {2}}), Options{Design: RCBD}},
		"trial-nothing-varies":           {rowsOf([][]float64{{1, 1, 1}, {1, 1, 1}}), Options{Design: CRD}},
		"trial-control-unknown":          {base(), Options{Design: CRD, Control: "x"}},
		"trial-value-unclear":            {append(base(), Observation{Treatment: "t0", Value: &bad}), Options{Design: CRD}},
		"trial-percent-out-of-range":     {append(base(), Observation{Treatment: "t0", Value: &over}), Options{Design: CRD, Scale: Percent}},
		"trial-treatment-missing":        {append(base(), Observation{Value: &v}), Options{Design: CRD}},
		"trial-block-missing":            {append(base(), Observation{Treatment: "t0", Value: &v}), Options{Design: RCBD}},
		"trial-sub-missing":              {base(), Options{Design: SplitPlot}},
		"trial-plot-two-treatments":      {[]Observation{{Plot: "1", Treatment: "a", Value: &v}, {Plot: "1", Treatment: "b", Value: &v}}, Options{Design: CRD}},
		"trial-tree-twice":               {[]Observation{{Plot: "1", Tree: "x", Treatment: "a", Value: &v}, {Plot: "1", Tree: "x", Treatment: "a", Value: &v}}, Options{Design: CRD}},
		"trial-no-values":                {[]Observation{{Treatment: "a"}, {Treatment: "b"}}, Options{Design: CRD}},
		"trial-treatment-without-values": {append(base(), Observation{Treatment: "none", Block: "0"}), Options{Design: CRD}},
		"trial-dunnett-needs-control":    {base(), Options{Design: CRD, Compare: "dunnett"}},
		"trial-arcsine-needs-percent":    {base(), Options{Design: CRD, Transform: Arcsine}},
		"trial-not-estimable":            {[]Observation{{Treatment: "a", Block: "1", Value: &v}, {Treatment: "a", Block: "1", Value: &v}, {Treatment: "b", Block: "2", Value: &v}, {Treatment: "b", Block: "2", Value: &v}}, Options{Design: RCBD}},
		"confidence-out-of-range":        {base(), Options{Design: CRD, Confidence: 95}},
	} {
		_, err := Analyse(c.rows, c.o)
		var fs finding.Faults
		if !errors.As(err, &fs) || !slices.ContainsFunc(fs, func(f *finding.Fault) bool { return f.ID == id }) {
			t.Errorf("%s: %v", id, err)
		}
	}
}

// The order of the rows does not matter, nor do a constant added to all values
// and the unit they are in.
func TestAnalyse_Properties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		nt, nb := rapid.IntRange(2, 5).Draw(t, "treatments"), rapid.IntRange(2, 6).Draw(t, "blocks")
		design := rapid.SampledFrom([]Design{CRD, RCBD}).Draw(t, "design")
		var rows []Observation
		for k := range nt {
			for b := range nb {
				v := rapid.Float64Range(0, 100).Draw(t, "y")
				rows = append(rows, Observation{Treatment: fmt.Sprint("t", k), Block: fmt.Sprint(b), Value: &v})
			}
		}
		o := Options{Design: design, Control: "t0", Compare: rapid.SampledFrom([]string{"dunnett", "tukey"}).Draw(t, "compare"), Permutations: -1}
		a, err := Analyse(rows, o)
		if err != nil {
			return
		}
		turned := slices.Clone(rows)
		slices.Reverse(turned)
		for i := range turned {
			v := *turned[i].Value*3 + 1000
			turned[i].Value = &v
		}
		o.Control, o.Compare = "", "tukey"
		b, err := Analyse(turned, o)
		if err != nil {
			t.Fatal(err)
		}
		if lineOf2(a, "treatment").F == nil || math.Abs(*lineOf2(a, "treatment").F-*lineOf2(b, "treatment").F) > 1e-6*(1+*lineOf2(a, "treatment").F) {
			t.Fatalf("F %v, %v", *lineOf2(a, "treatment").F, *lineOf2(b, "treatment").F)
		}
		sum := 0.0
		for _, r := range a.Residuals {
			sum += r.Residual
		}
		if math.Abs(sum) > 1e-9*float64(len(rows))*100 {
			t.Fatalf("residuals sum to %v", sum)
		}
		for _, c := range a.Comparisons {
			if !(c.Low <= c.Difference && c.Difference <= c.High) || *c.P < 0 || *c.P > 1 || c.Shown() != (*c.P < 0.05) && math.Abs(*c.P-0.05) > 1e-6 {
				t.Fatalf("%+v", c)
			}
		}
	})
}

func lineOf2(a Analysis, source string) Line {
	for _, l := range a.Table {
		if l.Source == source {
			return l
		}
	}
	return Line{}
}

// Intervals hold what they promise: 2,000 trials (SAPWARD_SOAK=1; 150 else) of
// 4 treatments in 5 blocks. Dunnett and Tukey at once for all comparisons, the
// means each by itself, Fieller's ratio.
func TestAnalyse_Coverage(t *testing.T) {
	n, low, high := 150, 0.9, 0.995
	if soak() {
		n, low, high = 2000, 0.935, 0.965
	}
	rng := rand.New(rand.NewPCG(2026, 11))
	effect := []float64{60, 50, 45, 60}
	var dunnett, tukey, mean, means, ratio, ratios, gaps int
	for i := range n {
		var rows []Observation
		for b := range 5 {
			block := 6 * rng.NormFloat64()
			for k, m := range effect {
				v := m + block + 8*rng.NormFloat64()
				r := Observation{Treatment: fmt.Sprint("t", k), Block: fmt.Sprint(b), Value: &v}
				if i%2 == 1 && (b == 1 && k == 2 || b == 3 && k == 0) {
					r.Value = nil
					gaps++
				}
				rows = append(rows, r)
			}
		}
		a := analysed(t, rows, Options{Design: RCBD, Control: "t0", Compare: "both"})
		inside := map[string]bool{"dunnett": true, "tukey": true}
		index := func(s string) int { return int(s[1] - '0') }
		for _, c := range a.Comparisons {
			if d := effect[index(c.A)] - effect[index(c.B)]; d < c.Low || d > c.High {
				inside[c.Method] = false
			}
		}
		if inside["dunnett"] {
			dunnett++
		}
		if inside["tukey"] {
			tukey++
		}
		// Blocks are fixed effects of their own: the mean over these five blocks.
		for _, c := range a.Effects {
			if c.Low != nil {
				ratios++
				// The ratio of means over these blocks is near that of the treatments.
				if want := 100 * (1 - effect[index(c.Treatment)]/effect[0]); *c.Low-3 <= want && want <= *c.High+3 {
					ratio++
				}
			}
		}
	}
	rng = rand.New(rand.NewPCG(2026, 12))
	for range n {
		rows := []Observation{}
		for k, m := range effect {
			for range 5 {
				v := m + 8*rng.NormFloat64()
				rows = append(rows, Observation{Treatment: fmt.Sprint("t", k), Value: &v})
			}
		}
		a := analysed(t, rows, Options{Design: CRD})
		for k, m := range a.Means {
			means++
			if *m.Low <= effect[k] && effect[k] <= *m.High {
				mean++
			}
		}
	}
	share := func(what string, hits, of int) {
		p := float64(hits) / float64(of)
		t.Logf("%s: %.3f of %d", what, p, of)
		top := high
		if what == "tukey" || what == "ratio" {
			top = 0.999 // Kramer's form holds at least what it promises where gaps make standard errors differ
		}
		if p < low || p > top {
			t.Errorf("%s: %.3f", what, p)
		}
	}
	share("dunnett", dunnett, n)
	share("tukey", tukey, n)
	share("mean", mean, means)
	if gaps == 0 || ratios == 0 || ratio == 0 {
		t.Error("nothing was tested")
	}
}

// Fieller by its definition: r is inside where (a - r b)^2 <= t^2 var(a - r b).
func TestFieller_ByDefinition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := rapid.Float64Range(1, 100).Draw(t, "a"), rapid.Float64Range(20, 100).Draw(t, "b")
		v11, v22 := rapid.Float64Range(0.1, 20).Draw(t, "v11"), rapid.Float64Range(0.1, 20).Draw(t, "v22")
		v12 := rapid.Float64Range(-0.9, 0.9).Draw(t, "rho") * math.Sqrt(v11*v22)
		q := 2.1
		low, high, ok := fieller(a/b, b, v11, v22, v12, q)
		if !ok {
			return
		}
		for _, r := range []float64{low, high} {
			left, right := (a-r*b)*(a-r*b), q*q*(v11-2*r*v12+r*r*v22)
			if math.Abs(left-right) > 1e-7*(1+left+right) {
				t.Fatalf("r %v: %v, %v", r, left, right)
			}
		}
	})
}

func orchard(n int) (out []Site) {
	rng := rand.New(rand.NewPCG(uint64(n), 9))
	for i := range n {
		size, crown, dist := 20+30*rng.Float64(), float64(rng.IntN(4)), 5+100*rng.Float64()
		x, y := float64(i%12)*8, float64(i/12)*8
		out = append(out, Site{Tree: fmt.Sprint("E", i+1), SizeCM: &size, CrownClass: &crown, DistanceM: &dist, X: &x, Y: &y, Block: fmt.Sprint("row", i/12)})
	}
	return out
}

func TestLayOut_Designs(t *testing.T) {
	for _, q := range []Request{
		{Design: CRD, Replicates: 5}, {Design: RCBD, Replicates: 6, BlockBy: BySize}, {Design: RCBD, Replicates: 4, BlockBy: ByDistance, TreesPerPlot: 3, BufferTrees: 1},
		{Design: RCBD, Replicates: 4, BlockBy: ByCrown}, {Design: RCBD, Replicates: 5, BlockBy: ByColumn}, {Design: SplitPlot, Replicates: 4, BlockBy: ByOrder, Subs: []string{"low", "high"}, TreesPerPlot: 2},
	} {
		q.Treatments, q.Control, q.Seed = []string{"untreated", "injection", "infusion"}, "untreated", 42
		sites := orchard(120)
		a, err := LayOut(sites, q)
		if err != nil {
			t.Fatalf("%+v: %v", q, err)
		}
		b, _ := LayOut(sites, q)
		if !reflect.DeepEqual(a, b) {
			t.Error("the same seed gives another layout")
		}
		q.Seed++
		if c, _ := LayOut(sites, q); reflect.DeepEqual(a.Plots, c.Plots) {
			t.Error("another seed gives the same layout")
		}
		subs := max(1, len(q.Subs))
		if len(a.Plots) != 3*q.Replicates*subs {
			t.Errorf("%d plots", len(a.Plots))
		}
		cells, trees := map[string]int{}, map[string]bool{}
		for _, p := range a.Plots {
			cells[p.Block+"/"+p.Treatment+"/"+p.Sub]++
			if len(p.Trees) != max(1, q.TreesPerPlot) || p.Letter != a.Letters[p.Treatment] {
				t.Errorf("%+v", p)
			}
			for _, tr := range p.Trees {
				if trees[tr] {
					t.Errorf("%s stands in two plots", tr)
				}
				trees[tr] = true
			}
		}
		for c, n := range cells {
			if want := 1; q.Design != CRD && n != want || q.Design == CRD && n != q.Replicates {
				t.Errorf("%s: %d", c, n)
			}
		}
	}
}

// Blocks by size hold plots of like size: the ranges do not overlap.
func TestLayOut_BlocksAreSorted(t *testing.T) {
	a, err := LayOut(orchard(60), Request{Design: RCBD, Treatments: []string{"a", "b", "c"}, Replicates: 8, BlockBy: BySize, Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	low, high := map[string]float64{}, map[string]float64{}
	for _, p := range a.Plots {
		if v, ok := low[p.Block]; !ok || *p.SizeCM < v {
			low[p.Block] = *p.SizeCM
		}
		high[p.Block] = math.Max(high[p.Block], *p.SizeCM)
	}
	for b := 1; b < 8; b++ {
		if high[fmt.Sprint(b)] > low[fmt.Sprint(b+1)] {
			t.Errorf("blocks %d and %d overlap", b, b+1)
		}
	}
}

// Every arrangement inside a block comes as often as any other: chi-square.
func TestLayOut_DealsEvenly(t *testing.T) {
	count := map[string]int{}
	const n = 3000
	for seed := range uint64(n) {
		a, err := LayOut(orchard(6), Request{Design: RCBD, Treatments: []string{"a", "b", "c"}, Replicates: 2, Seed: seed})
		if err != nil {
			t.Fatal(err)
		}
		s := ""
		for _, p := range a.Plots {
			if p.Block == "1" {
				s += p.Treatment
			}
		}
		count[s]++
	}
	chi := 0.0
	for _, c := range count {
		d := float64(c) - n/6.0
		chi += d * d / (n / 6.0)
	}
	if len(count) != 6 || chi > 20.5 { // chi-square, 5 degrees of freedom, p = 0.001 (from memory of standard tables, 20.5)
		t.Errorf("%v: chi-square %.1f", count, chi)
	}
}

func TestLayOut_Buffers(t *testing.T) {
	q := Request{Design: RCBD, Treatments: []string{"a", "b"}, Control: "a", Replicates: 4, Seed: 3, GraftM: 9}
	a, err := LayOut(orchard(120), q)
	if err != nil {
		t.Fatal(err)
	}
	at := map[string]PlacedTree{}
	for _, p := range a.Trees {
		at[p.Tree] = p
	}
	for _, p := range a.Trees {
		for _, o := range a.Trees {
			if p.Plot > 0 && o.Plot > p.Plot && math.Hypot(*p.X-*o.X, *p.Y-*o.Y) < 9 {
				t.Errorf("%s and %s are neighbours", p.Tree, o.Tree)
			}
		}
	}
	if slices.Contains(ids(a.Notes), "trial-grafted-neighbours") {
		t.Error("neighbours are said to be there")
	}
	none := q
	none.GraftM = 0
	if b, _ := LayOut(orchard(120), none); !slices.Contains(ids(b.Notes), "trial-no-buffer") {
		t.Error("the missing buffer is not said")
	}
}

func TestLayOut_Refuses(t *testing.T) {
	for id, change := range map[string]func(*Request, []Site) []Site{
		"trial-few-trees":          func(q *Request, s []Site) []Site { q.Replicates = 50; return s },
		"trial-option-range":       func(q *Request, s []Site) []Site { q.Replicates = 1; return s },
		"trial-treatments-count":   func(q *Request, s []Site) []Site { q.Treatments = q.Treatments[:1]; return s },
		"trial-name-twice":         func(q *Request, s []Site) []Site { q.Treatments = []string{"a", "A"}; return s },
		"trial-control-unknown":    func(q *Request, s []Site) []Site { q.Control = "x"; return s },
		"trial-key-missing":        func(q *Request, s []Site) []Site { q.BlockBy = BySize; s[0].SizeCM = nil; return s },
		"trial-no-trees":           func(q *Request, s []Site) []Site { return nil },
		"trial-tree-twice":         func(q *Request, s []Site) []Site { s[1].Tree = s[0].Tree; return s },
		"trial-unit-tree":          func(q *Request, s []Site) []Site { q.Unit, q.TreesPerPlot = "tree", 3; return s },
		"trial-subs-count":         func(q *Request, s []Site) []Site { q.Design = SplitPlot; return s },
		"trial-subs-without-split": func(q *Request, s []Site) []Site { q.Subs = []string{"x", "y"}; return s },
		"trial-option-unknown":     func(q *Request, s []Site) []Site { q.BlockBy = "colour"; return s },
	} {
		q := Request{Design: RCBD, Treatments: []string{"a", "b"}, Replicates: 4}
		_, err := LayOut(change(&q, orchard(40)), q)
		_ = err
		sites := change(&q, orchard(40))
		_, err = LayOut(sites, q)
		var fs finding.Faults
		if !errors.As(err, &fs) || !slices.ContainsFunc(fs, func(f *finding.Fault) bool { return f.ID == id }) {
			t.Errorf("%s: %v", id, err)
		}
	}
}

// The simulated power of F and t against the closed forms of
// check/12_trials/power.csv, within four standard errors.
func TestPower_Published(t *testing.T) {
	n := 8000
	near := func(what string, got, want float64) {
		if se := math.Sqrt(want * (1 - want) / float64(n)); math.Abs(got-want) > 4*se {
			t.Errorf("%s: %.4f, want %.4f +- %.4f", what, got, want, se)
		}
		t.Logf("%s: %.4f, closed form %.4f", what, got, want)
	}
	// power.t.test(n=20 delta=1 sd=1)
	p, err := Power(context.Background(), PowerRequest{Design: CRD, Means: []float64{0, 1}, PlotSD: 1, From: 20, To: 20, Sims: n, Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	near("t", p.Points[0].All, 0.868952801692)
	// power.anova.test(groups=4 n=5 between.var=1 within.var=3): means with variance 1.
	s := math.Sqrt(3) / 2
	p, err = Power(context.Background(), PowerRequest{Design: CRD, Means: []float64{-s, -s, s, s}, PlotSD: math.Sqrt(3), From: 5, To: 5, Sims: n, Seed: 2, Compare: "f"})
	if err != nil {
		t.Fatal(err)
	}
	near("anova", p.Points[0].FPower, 0.353559423815)
	// No difference: the level is kept, also with blocks, trees and lost plots.
	for _, o := range []Outcome{NumberOutcome, PercentRated, ShareOfTrees} {
		p, err = Power(context.Background(), PowerRequest{Outcome: o, Means: []float64{40, 40, 40}, BlockSD: 8, PlotSD: 10, TreeSD: 5, TreesPerPlot: 8, Loss: 0.05, From: 6, To: 6, Sims: n, Seed: 3})
		if err != nil {
			t.Fatal(err)
		}
		// Percents are only nearly normal: 0.04 to 0.06.
		if f, d := p.Points[0].FPower, p.Points[0].Any; f < 0.04 || f > 0.06 || d < 0.04 || d > 0.06 {
			t.Errorf("%s: level %v, %v", o, f, d)
		}
	}
}

func TestPower_DoesNotDependOnWorkers(t *testing.T) {
	q := PowerRequest{Outcome: PercentRated, Means: []float64{50, 30, 20}, BlockSD: 5, PlotSD: 10, TreeSD: 8, TreesPerPlot: 3, Loss: 0.1, From: 3, To: 6, Sims: 500, Seed: 7}
	var want PowerReport
	for i, w := range []int{1, 2, 7} {
		q.Workers = w
		calls := 0
		q.Progress = func(done, total int) { calls++ }
		got, err := Power(context.Background(), q)
		if err != nil || calls == 0 {
			t.Fatal(err, calls)
		}
		if i == 0 {
			want = got
		} else if !reflect.DeepEqual(got, want) {
			t.Errorf("%d workers give another answer", w)
		}
	}
	for i := 1; i < len(want.Points); i++ {
		if want.Points[i].All < want.Points[i-1].All-0.05 {
			t.Errorf("power falls: %+v", want.Points)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Power(ctx, q); !errors.Is(err, context.Canceled) {
		t.Errorf("cancel: %v", err)
	}
}

func TestPower_Refuses(t *testing.T) {
	for id, q := range map[string]PowerRequest{
		"trial-means-count":    {Means: []float64{1}, PlotSD: 1},
		"trial-no-spread":      {Means: []float64{1, 2}},
		"trial-option-range":   {Means: []float64{1, 200}, Outcome: PercentRated, PlotSD: 1},
		"trial-option-unknown": {Means: []float64{1, 2}, PlotSD: 1, Outcome: "x"},
		"trial-power-split":    {Means: []float64{1, 2}, PlotSD: 1, Design: SplitPlot},
	} {
		_, err := Power(context.Background(), q)
		var fs finding.Faults
		if !errors.As(err, &fs) || !slices.ContainsFunc(fs, func(f *finding.Fault) bool { return f.ID == id }) {
			t.Errorf("%s: %v", id, err)
		}
	}
}

// Means and spreads of the percents drawn are those asked for.
func TestBeta_Moments(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, c := range [][2]float64{{50, 10}, {10, 8}, {90, 15}, {3, 2}} {
		const n = 40_000
		s, s2 := 0.0, 0.0
		for range n {
			v := beta(rng, c[0], c[1])
			s += v
			s2 += v * v
		}
		mean := s / n
		sd := math.Sqrt(s2/n - mean*mean)
		if math.Abs(mean-c[0]) > 5*c[1]/math.Sqrt(n) || math.Abs(sd/c[1]-1) > 0.05 {
			t.Errorf("%v: mean %v sd %v", c, mean, sd)
		}
	}
}

// A block that lost all its plots is left out and its plots are named: the
// analysis is that of the other blocks.
func TestAnalyse_WholeBlockLost(t *testing.T) {
	value := func(x float64) *float64 { return &x }
	var whole, lost []Observation
	for b, block := range [][]float64{{60, 30, 20}, {71, 22, 15}, {55, 41, 18}, {66, 35, 30}} {
		for k, x := range block {
			o := Observation{Plot: fmt.Sprint(3*b + k + 1), Block: fmt.Sprint(b + 1), Treatment: []string{"untreated", "a", "b"}[k], Value: value(x)}
			if b < 3 {
				whole = append(whole, o)
			} else {
				o.Value = nil
			}
			lost = append(lost, o)
		}
	}
	o := Options{Design: RCBD, Control: "untreated", Permutations: -1}
	want, err := Analyse(whole, o)
	if err != nil {
		t.Fatal(err)
	}
	got, err := Analyse(lost, o)
	if err != nil {
		t.Fatal(err)
	}
	if len(got.Missing) != 3 || len(got.Blocks) != 3 || *got.Means[1].Low != *want.Means[1].Low || *got.Table[1].F != *want.Table[1].F {
		t.Errorf("missing %v, blocks %v, F %v, want %v", got.Missing, got.Blocks, got.Table[1].F, want.Table[1].F)
	}
}
