package dose

import (
	"math/rand/v2"
	"testing"

	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan/label"

	"pgregory.net/rapid"
)

func dec(t testing.TB, s string) exact.Rat {
	t.Helper()
	r, ok := exact.Decimal(s)
	if !ok {
		t.Fatalf("not a decimal: %q", s)
	}
	return r
}

func sizeOfDiameter(t testing.TB, cm string) Size {
	s := tree.FromDiameter(q.Cm(dec(t, cm)))
	return Size{Diameter: s.Diameter, Girth: s.Girth}
}

// The vectors of the rules, worked by hand.
func TestProductLimits_Vectors(t *testing.T) {
	gPerML := func(s string) q.Opt[q.Density] { return q.Known(q.Of[q.DensityKind](dec(t, s))) }
	crown := func(m string) Size {
		s := sizeOfDiameter(t, "30")
		s.Crown = q.Known(q.Cm(dec(t, m).Mul(exact.Int(100))))
		s.Height = q.Known(q.Cm(exact.Int(1000)))
		return s
	}
	tests := []struct {
		name    string
		rate    label.Rate
		size    Size
		content q.Opt[q.Density]
		low, hi string
	}{
		{"0.71 mL/cm at 40.0 cm", label.Rate{Per: label.PerDiameter, Low: dec(t, "0.71"), High: dec(t, "0.71")}, sizeOfDiameter(t, "40.0"), q.Opt[q.Density]{}, "28.4", "28.4"},
		{"15 mL per m of a 6.0 m crown", label.Rate{Per: label.PerCanopyDiameter, Low: dec(t, "0.15"), High: dec(t, "0.15")}, crown("6.0"), q.Opt[q.Density]{}, "90", "90"},
		{"0.032 g/cm at 30 cm, 1 g/mL", label.Rate{Per: label.PerDiameter, Active: true, Low: dec(t, "0.032"), High: dec(t, "0.032")}, sizeOfDiameter(t, "30"), gPerML("1"), "0.96", "0.96"},
		{"0.55 g a tree from 5.5 g/L", label.Rate{Per: label.PerTree, Active: true, Low: dec(t, "0.55"), High: dec(t, "0.55")}, sizeOfDiameter(t, "30"), gPerML("0.0055"), "100", "100"},
		{"range", label.Rate{Per: label.PerDiameter, Low: dec(t, "2.5"), High: dec(t, "3.5")}, sizeOfDiameter(t, "20.4"), q.Opt[q.Density]{}, "51", "71.4"},
		{"1 mL per m3 of a 6 m by 10 m crown, shape 0.5", label.Rate{Per: label.PerCanopyVolume, Shape: dec(t, "0.5"), Low: dec(t, "0.000001"), High: dec(t, "0.000001")}, crown("6"), q.Opt[q.Density]{}, "180", "180"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			l, missing := ProductLimits(tt.rate, tt.size, tt.content, Target)
			if missing != NothingMissing {
				t.Fatalf("missing %s", missing)
			}
			if l.Low.Cmp(dec(t, tt.low)) != 0 || l.High.Cmp(dec(t, tt.hi)) != 0 {
				t.Errorf("got %v..%v, want %s..%s", l.Low, l.High, tt.low, tt.hi)
			}
		})
	}
}

// A girth of 150 cm is 47.746 cm of diameter (150/pi = 47.74648293); the upper
// limit must lie below and the lower limit above the true value.
func TestProductLimits_PiIsOnTheSafeSide(t *testing.T) {
	s := tree.FromGirth(q.Cm(exact.Int(150)))
	l, _ := ProductLimits(label.Rate{Per: label.PerDiameter, Low: exact.Int(1), High: exact.Int(1)}, Size{Diameter: s.Diameter, Girth: s.Girth}, q.Opt[q.Density]{}, Target)
	lo, hi := dec(t, "47.746482927568601"), dec(t, "47.746482927568602") // 150/pi to 17 digits, from R: sprintf("%.15f", 150/pi)
	if l.High.Cmp(hi) > 0 || l.Low.Cmp(lo) < 0 || l.Low.Sub(l.High).Cmp(dec(t, "0.00000000000005")) > 0 {
		t.Errorf("high %v low %v", l.High.Float(), l.Low.Float())
	}
}

func TestBands_EdgesAndGaps(t *testing.T) {
	r := label.Rate{Per: label.PerBand, Bands: []label.Band{
		{From: q.Cm(exact.Int(10)), To: q.Cm(exact.Int(20)), Low: exact.Int(15), High: exact.Int(15), Ports: 3},
		{From: q.Cm(exact.Int(20)), To: q.Cm(exact.Int(30)), Low: exact.Int(25), High: exact.Int(25), Ports: 4},
	}}
	for _, tt := range []struct {
		d     string
		high  int64
		ports int
		miss  Missing
	}{{"10", 15, 3, ""}, {"19.9", 15, 3, ""}, {"20", 25, 4, ""}, {"30", 25, 4, ""}, {"9.9", 0, 0, OutsideBands}, {"30.1", 0, 0, OutsideBands}} {
		l, miss := ProductLimits(r, sizeOfDiameter(t, tt.d), q.Opt[q.Density]{}, Target)
		if miss != tt.miss || miss == "" && (l.High.Cmp(exact.Int(tt.high)) != 0 || l.BandPorts != tt.ports) {
			t.Errorf("%s cm: %v %d ports, missing %q", tt.d, l.High, l.BandPorts, miss)
		}
	}
}

// A density of three stems of 5, 6 and 8 in: 11.18 in by root-sum-square,
// 19 in by sum.
func TestSizeOf_Stems(t *testing.T) {
	var stems []tree.Stem
	for _, in := range []string{"5", "6", "8"} {
		stems = append(stems, tree.FromDiameter(q.Cm(dec(t, in).Mul(dec(t, "2.54")))))
	}
	s, ok := SizeOf(tree.Tree{}, stems, label.StemsRootSumSquare)
	if in := s.Diameter.Float() / 2.54; !ok || in < 11.1803 || in > 11.1804 {
		t.Errorf("root-sum-square %v in", in)
	}
	s, _ = SizeOf(tree.Tree{}, stems, label.StemsSum)
	if s.Diameter.Low.Cmp(q.Cm(dec(t, "48.26"))) != 0 {
		t.Errorf("sum %v", s.Diameter.Low)
	}
	if _, ok := SizeOf(tree.Tree{}, stems, label.StemsUnsaid); ok {
		t.Error("an unsaid rule must not be guessed")
	}
}

// demoNeed is a unit of the demo card: 2.5 to 3.5 mL/cm, ports 10 to 16 cm
// apart; d in tenths of a centimetre.
func demoNeed(d int64) Need {
	low, high := exact.Frac(25*d, 100), exact.Frac(35*d, 100)
	var c Counts
	girth := exact.Frac(d, 10)
	c.AddRange(int(girth.Mul(q.PiHigh).Quo(exact.Int(16)).Ceil()), int(girth.Mul(q.PiLow).Quo(exact.Int(10)).Floor()))
	return NewNeed(Limits{Low: low, High: high, Target: exact.Frac(30*d, 100)}, exact.Frac(1, 2), c)
}

var demoGrid = Grid{Graduation: exact.Frac(1, 2), Min: 4, Max: 40} // 2 to 20 mL by 0.5 mL

// SCIENCE S4: one fill of 14 mL serves every trunk from 20 to 60 cm, with the
// port counts given there.
func TestDemoCard_FourteenMillilitres(t *testing.T) {
	ports := func(d int64) int { n := demoNeed(d); return n.Fewest(28, demoGrid) }
	for d := int64(200); d <= 600; d++ {
		if ports(d) == 0 {
			t.Errorf("%d mm: 14 mL does not serve", d)
		}
	}
	for _, tt := range []struct {
		from, to int64
		n        int
	}{{204, 254, 5}, {255, 305, 6}, {306, 356, 7}, {357, 407, 8}, {408, 458, 9}} {
		for _, d := range []int64{tt.from, (tt.from + tt.to) / 2, tt.to} {
			if got := ports(d); got != tt.n {
				t.Errorf("%d mm: %d ports, want %d", d, got, tt.n)
			}
		}
	}
	if ports(203) != 4 || ports(459) != 10 {
		t.Errorf("edges: %d at 20.3 cm, %d at 45.9 cm", ports(203), ports(459))
	}
}

func genNeeds(t *rapid.T, g Grid, units int) []Weighted {
	var tally Tally
	for i := 0; i < units; i++ {
		high := rapid.Int64Range(g.Min, 4*g.Max).Draw(t, "high")
		low := rapid.Int64Range(1, high).Draw(t, "low")
		n := Need{Low: low, High: high, Target: rapid.Int64Range(10*low, 10*high).Draw(t, "target")}
		first := rapid.IntRange(1, 4).Draw(t, "first")
		n.Counts.AddRange(first, first+rapid.IntRange(0, 3).Draw(t, "more"))
		ok := false
		for v := g.Min; v <= g.Max; v++ {
			ok = ok || n.Fewest(v, g) > 0
		}
		if ok {
			tally.Add(n)
		}
	}
	return tally.Sorted()
}

// bruteFills tries every subset of the grid.
func bruteFills(needs []Weighted, g Grid, sizes func(int) bool, nearest bool) (Fills, bool) {
	points := int(g.Max - g.Min + 1)
	var b best
	for mask := 1; mask < 1<<points; mask++ {
		var chosen []int
		for p := 0; p < points; p++ {
			if mask&(1<<p) != 0 {
				chosen = append(chosen, p)
			}
		}
		if !sizes(len(chosen)) {
			continue
		}
		f := Fills{Nearest: nearest}
		for _, p := range chosen {
			f.Volumes = append(f.Volumes, g.Min+int64(p))
		}
		var miss, ports int64
		all := true
		for _, w := range needs {
			v, k := f.Choose(w.Need, g)
			if k == 0 {
				all = false
				break
			}
			miss += w.Count * distance(10*v*int64(k), w.Need.Target)
			ports += w.Count * int64(k)
		}
		if all {
			b.offer(miss, ports, chosen)
		}
	}
	f := Fills{Misdose: b.miss, Ports: b.ports, Nearest: nearest}
	for _, p := range b.points {
		f.Volumes = append(f.Volumes, g.Min+int64(p))
	}
	return f, b.set
}

func same(a, b Fills) bool {
	if len(a.Volumes) != len(b.Volumes) || a.Misdose != b.Misdose || a.Ports != b.Ports {
		return false
	}
	for i := range a.Volumes {
		if a.Volumes[i] != b.Volumes[i] {
			return false
		}
	}
	return true
}

// Oracle: every subset of 12 grid points on blocks of up to 12 trees.
func TestFewestFills_AgreesWithBruteForce(t *testing.T) {
	g := Grid{Graduation: exact.Int(1), Min: 5, Max: 16}
	rapid.Check(t, func(t *rapid.T) {
		needs := genNeeds(t, g, rapid.IntRange(1, 12).Draw(t, "units"))
		if len(needs) == 0 {
			return
		}
		got, err := FewestFills(needs, g)
		if err != nil {
			t.Fatal(err)
		}
		for k := 1; ; k++ {
			want, ok := bruteFills(needs, g, func(n int) bool { return n == k }, false)
			if !ok {
				continue
			}
			if !same(got, want) {
				t.Fatalf("got %+v, want %+v", got, want)
			}
			return
		}
	})
}

func TestLeastMisdose_AgreesWithBruteForce(t *testing.T) {
	g := Grid{Graduation: exact.Int(1), Min: 5, Max: 14}
	rapid.Check(t, func(t *rapid.T) {
		needs := genNeeds(t, g, rapid.IntRange(1, 10).Draw(t, "units"))
		k := rapid.IntRange(1, 4).Draw(t, "k")
		if len(needs) == 0 {
			return
		}
		want, ok := bruteFills(needs, g, func(n int) bool { return n <= k }, true)
		got, err := LeastMisdose(needs, g, k)
		if ok != (err == nil) || err != nil && err != ErrTooMany {
			t.Fatalf("brute force found one: %v, error: %v", ok, err)
		}
		if ok && !same(got, want) {
			t.Fatalf("got %+v, want %+v", got, want)
		}
	})
}

// No choice may pass a limit, whatever the needs.
func TestChoose_NeverPassesALimit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		needs := genNeeds(t, demoGrid, 6)
		f, err := FewestFills(needs, demoGrid)
		if err != nil {
			t.Fatal(err)
		}
		for _, w := range needs {
			v, k := f.Choose(w.Need, demoGrid)
			if dose := v * int64(k); k == 0 || dose < w.Need.Low || dose > w.Need.High || !w.Need.Counts.Has(k) || v < demoGrid.Min || v > demoGrid.Max {
				t.Fatalf("need %+v: %d ports of %d", w.Need, k, v)
			}
			own := w.Need.Own(demoGrid)
			var sum int64
			for _, v := range own {
				if sum += v; v < demoGrid.Min || v > demoGrid.Max {
					t.Fatalf("own load %v leaves the port's bounds", own)
				}
			}
			if len(own) == 0 || sum < w.Need.Low || sum > w.Need.High || !w.Need.Counts.Has(len(own)) {
				t.Fatalf("own load %v of %+v", own, w.Need)
			}
		}
	})
}

func BenchmarkFewestFills100k(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 2))
	var needs []Need
	for i := 0; i < 100_000; i++ {
		needs = append(needs, demoNeed(150+rng.Int64N(600)))
	}
	b.ResetTimer()
	for i := 0; i < b.N; i++ {
		var t Tally
		for _, n := range needs {
			t.Add(n)
		}
		if _, err := FewestFills(t.Sorted(), demoGrid); err != nil {
			b.Fatal(err)
		}
	}
}
