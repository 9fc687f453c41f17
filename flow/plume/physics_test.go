package plume

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"pgregory.net/rapid"

	"sapward/flow/sap"
)

// MODEL section 10 item 3: any history of flow with the same integral gives the
// same field (no losses). Three seasons of the same total, through the clock.
func TestModel_OnlyTheSapDistanceCounts(t *testing.T) {
	c := trunk()
	m := treat(t, c, append(ring(5, infused), ring(2, injected)...), summer)
	tree := sap.Tree{CropCoefficient: 0.6, CrownM2: 25, SapwoodM2: c.AreaM2(), MaxFluxMPerD: 30}
	even := func(i int) float64 { return 4 }
	rising := func(i int) float64 { return 8 * float64(i) / 39 }
	bursts := func(i int) float64 { return []float64{0, 0, 0, 16}[i%4] }
	var fields []Field
	for _, shape := range []func(int) float64{even, rising, bursts} {
		days := make([]sap.Day, 40)
		for i := range days {
			days[i] = sap.Day{ET0Mm: shape(i), Stress: 1, MeanC: 20, SunriseH: 6, SunsetH: 20}
		}
		clock, _, err := sap.NewClock(tree, sap.Medium{WaterFraction: c.Medium.WaterFraction, Retardation: c.Medium.Retardation}, sap.Loss{}, days)
		if err != nil {
			t.Fatal(err)
		}
		p, err := clock.Path(0)
		if err != nil {
			t.Fatal(err)
		}
		g, err := EvenGrid(0, 15, 30, c.PerimeterM, 30)
		if err != nil {
			t.Fatal(err)
		}
		f, err := m.Field(g, p)
		if err != nil {
			t.Fatal(err)
		}
		fields = append(fields, f)
	}
	worst, peak := 0.0, 0.0
	for i, v := range fields[0].ResidueMgPerKg {
		peak = max(peak, v)
		worst = max(worst, math.Abs(v-fields[1].ResidueMgPerKg[i]), math.Abs(v-fields[2].ResidueMgPerKg[i]))
	}
	t.Logf("X = %.6g m; largest difference %.2g of the peak", fields[0].At.DistanceM, worst/peak)
	if !(worst <= 1e-11*peak) {
		t.Errorf("fields differ by %.2g of the peak", worst/peak)
	}
}

// MODEL section 10 item 7: turning the ports turns the field; mirroring ports
// and grain mirrors it.
func TestModel_Symmetries(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := trunk()
		c.Medium.GrainTurnsPerM = rapid.Float64Range(-0.05, 0.05).Draw(t, "grain")
		ports := make([]Port, rapid.IntRange(1, 5).Draw(t, "n"))
		for i := range ports {
			ports[i] = infused
			ports[i].AzimuthDeg = rapid.Float64Range(0, 360).Draw(t, "azimuth")
			ports[i].MassG = rapid.Float64Range(0.1, 2).Draw(t, "mass")
		}
		turn := rapid.Float64Range(-400, 400).Draw(t, "turn")
		turned, mirrored := append([]Port(nil), ports...), append([]Port(nil), ports...)
		for i := range ports {
			turned[i].AzimuthDeg += turn
			mirrored[i].AzimuthDeg = -ports[i].AzimuthDeg
		}
		mirror := c
		mirror.Medium.GrainTurnsPerM *= -1
		a, b, d := treat(t, c, ports, summer), treat(t, c, turned, summer), treat(t, mirror, mirrored, summer)
		at := sap.Moment{DistanceM: rapid.Float64Range(0.1, 20).Draw(t, "X"), Loss: 0.2, Springs: 1}
		z, y := rapid.Float64Range(0.01, 15).Draw(t, "z"), rapid.Float64Range(0, 1.4).Draw(t, "y")
		here := a.At(Point{z, y}, at).ResidueMgPerKg
		near(t, "turned", b.At(Point{z, y + turn/360*1.4}, at).ResidueMgPerKg, here, 1e-8*(1+here))
		near(t, "mirrored", d.At(Point{z, -y}, at).ResidueMgPerKg, here, 1e-8*(1+here))
	})
}

// MODEL section 10 item 6: strong lateral mixing and many ports make the field
// even round the stem, whatever their number; doubling the dose doubles it.
func TestModel_Limits(t *testing.T) {
	at := sap.Moment{DistanceM: 7}
	mixed := trunk()
	mixed.Medium.LateralDispersivityM = 1
	dense := func(n int) float64 {
		p := injected
		p.MassG, p.VolumeM3 = 12/float64(n), 120e-6/float64(n)
		soluble := summer
		soluble.SaturationGPerM3 = 0
		c := trunk()
		c.Medium.LateralDispersivityM = 1e-3
		c.Medium.Anisotropy = 1e-6 // same short patch for every volume
		return treat(t, c, ring(n, p), soluble).At(Point{6, 0.2}, at).ResidueMgPerKg
	}
	near(t, "60 against 240 ports, relative", dense(240)/dense(60), 1, 1e-3)
	one := treat(t, mixed, ring(1, infused), summer)
	mean := one.At(Point{8, 0}, at).ResidueMgPerKg
	for y := 0.0; y < 1.4; y += 0.1 {
		near(t, "even round the stem, relative", one.At(Point{8, y}, at).ResidueMgPerKg/mean, 1, 1e-9)
	}
	// Residue = 1000 M d/(L rho s) when even: by hand with the kernel's density.
	s := one.Sources()[0]
	want := 1000 * (Tube{0.7}).Density(s.Patch, 8, 7) / 1.4 / (600 * 0.01)
	near(t, "residue, relative", mean/want, 1, 1e-9)
	double := infused
	double.MassG = 2 * infused.MassG
	high := summer
	high.SaturationGPerM3 = 0
	a, b := treat(t, trunk(), ring(3, infused), high), treat(t, trunk(), ring(3, double), high)
	near(t, "linear in dose, relative", b.At(Point{8, 0.1}, at).ResidueMgPerKg/a.At(Point{8, 0.1}, at).ResidueMgPerKg, 2, 1e-12)
	// Half-life and a spring: e^-ln2 x 0.25.
	r0, r1 := a.At(Point{8, 0}, at), a.At(Point{8, 0}, sap.Moment{DistanceM: 7, Loss: math.Ln2, Springs: 1})
	near(t, "losses and spring", r1.ResidueMgPerKg/r0.ResidueMgPerKg, 0.125, 1e-14)
	near(t, "dissolved alike", r1.DissolvedGPerM3/r0.DissolvedGPerM3, 0.125, 1e-14)
}

// MODEL section 10 item 5: particles in tubes of lognormal speed that wander
// sideways (variance 2 alpha_T per metre risen), PCG seeds 1 and 2; every bin
// within 4.5 standard errors, chi-square of the bins within 4.5 of its own.
func TestModel_AgreesWithParticles(t *testing.T) {
	n := 400_000
	if os.Getenv("SAPWARD_SOAK") == "1" {
		n = 20_000_000
	}
	c := trunk()
	c.Crown = nil
	c.Medium.LateralDispersivityM = 1e-3
	c.Medium.GrainTurnsPerM = 0.03
	c.Medium.WidthEfficiency = 1
	m := treat(t, c, []Port{{Method: Injection, AzimuthDeg: 100, MassG: 1, VolumeM3: 5e-5, UptakeD: 1, HoleM: 0.006}}, Entry{})
	s := m.Sources()[0]
	const x, rows, columns, top = 7.0, 12, 8, 18.0
	rng := rand.New(rand.NewPCG(1, 2))
	counts := make([]float64, rows*columns)
	for range n {
		z := s.Patch.FromM + (s.Patch.ToM-s.Patch.FromM)*rng.Float64()
		z += x * math.Exp(0.7*rng.NormFloat64()-0.7*0.7/2)
		y := s.ArcM + s.WidthM*(rng.Float64()-0.5) + math.Sqrt(2e-3*max(0, z))*rng.NormFloat64() + 0.03*1.4*z
		y -= 1.4 * math.Floor(y/1.4)
		if i := int(math.Floor(z * rows / top)); z >= 0 && i < rows {
			counts[i*columns+int(y*columns/1.4)]++
		}
	}
	chi2, worst, bins := 0.0, 0.0, 0
	for i := range rows {
		for j := range columns {
			p := 0.0 // probability of the bin by Gauss-Legendre
			for a := range 4 {
				for b := range 2 {
					z0, z1 := top*(float64(i)+float64(a)/4)/rows, top*(float64(i)+float64(a+1)/4)/rows
					y0, y1 := 1.4*(float64(j)+float64(b)/2)/columns, 1.4*(float64(j)+float64(b+1)/2)/columns
					p += between(func(z float64) float64 {
						return between(func(y float64) float64 { return m.At(Point{z, y}, sap.Moment{DistanceM: x}).MassGPerM2 }, y0, y1)
					}, z0, z1)
				}
			}
			expected := p * float64(n)
			if expected < 20 {
				continue
			}
			e := (counts[i*columns+j] - expected) / math.Sqrt(expected*(1-p))
			chi2, worst, bins = chi2+e*e, max(worst, math.Abs(e)), bins+1
		}
	}
	t.Logf("%d particles, %d bins: largest %.2f standard errors, chi-square %.1f", n, bins, worst, chi2)
	if worst > 4.5 || math.Abs(chi2-float64(bins))/math.Sqrt(2*float64(bins)) > 4.5 || bins < 50 {
		t.Errorf("%d bins: largest %.2f standard errors, chi-square %.1f", bins, worst, chi2)
	}
}

// Leaves by hand: a steady supply. Far inside a very long patch c_sap is
// constant, C = E c (1 - e^(-kt))/k; after leaf fall 0.
func TestLeaves_ByHand(t *testing.T) {
	c := trunk()
	c.Crown, c.Mixed = nil, true
	m, err := New(c, []Source{{WidthM: 0.01, PatchG: 1000, Patch: Emission{FromM: -1e6, ToM: 1e6}}})
	if err != nil {
		t.Fatal(err)
	}
	conc := 1000.0 / 2e6 / 1.4 / (0.5 * 8 * 0.01) // M/(length L theta R s)
	near(t, "c_sap", m.At(Point{10, 0}, sap.Moment{DistanceM: 5}).DissolvedGPerM3, conc, 1e-12)
	p := make([]sap.Moment, 61)
	for i := range p {
		p[i] = sap.Moment{TimeD: float64(i), DistanceM: 0.1 * float64(i), WaterM3: 0.08 * float64(i)}
		if i == 60 {
			p[i].LeafFalls = 1
		}
	}
	got, err := m.Leaves([]Point{{10, 0.3}}, p, Leaf{DryMassKg: 20, HalfLifeD: 30, Deciduous: true})
	if err != nil {
		t.Fatal(err)
	}
	k := math.Ln2 / 30
	near(t, "day 59", got[0][59], 1000*0.08/20*conc*(1-math.Exp(-k*59))/k, 1e-9)
	near(t, "after leaf fall", got[0][60], 0, 0)
	kept, err := m.Leaves([]Point{{10, 0.3}}, p, Leaf{DryMassKg: 20})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "evergreen without loss", kept[0][60], 1000*0.08*60/20*conc, 1e-9)
	if _, err := m.Leaves(nil, p, Leaf{}); err == nil {
		t.Error("leaves need a mass")
	}
}

// MODEL 1.8 by hand: limbs of 20, 10 and 10 cm get 4/6, 1/6, 1/6.
func TestLimbs_ByHand(t *testing.T) {
	limbs := []Limb{{AzimuthDeg: 330, DiameterM: 0.10, PerimeterM: 0.3, DepthM: 0.01, Connection: 1}, {AzimuthDeg: 90, DiameterM: 0.20, PerimeterM: 0.6, DepthM: 0.01, Connection: 0.5}, {AzimuthDeg: 270, DiameterM: 0.10, PerimeterM: 0.3, DepthM: 0.01, Connection: 1}}
	arcs, err := Arcs(limbs, 1.2)
	if err != nil {
		t.Fatal(err)
	}
	sum := 0.0
	for i, a := range arcs {
		sum += a.LengthM
		next := arcs[(i+1)%3]
		near(t, "arcs follow each other", math.Abs(math.Remainder(a.FromM+a.LengthM-next.FromM, 1.2)), 0, 1e-12)
	}
	near(t, "they fill the perimeter", sum, 1.2, 1e-15)
	if arcs[0].Limb != 1 || arcs[1].Limb != 2 || arcs[2].Limb != 0 {
		t.Errorf("order of azimuth: %+v", arcs)
	}
	near(t, "share", arcs[0].Share, 4.0/6, 1e-15)
	// Middles 120, 270, 330 degrees fit the azimuths 90, 270, 330 best when turned
	// by the circular mean of -30, 0, 0 degrees weighted 4:1:1.
	want := math.Atan2(4*math.Sin(-math.Pi/6), 4*math.Cos(math.Pi/6)+2) / (2 * math.Pi) * 1.2
	near(t, "turn", arcs[0].FromM, want, 1e-12)

	c := trunk()
	c.PerimeterM = 1.2
	m := treat(t, c, ring(1, infused), summer)
	at := sap.Moment{DistanceM: 6}
	// The limb's own perimeter carries the mass of its arc times the connection.
	var onTrunk, onLimb float64
	a, limb := arcs[0], limbs[1]
	const steps = 4000
	for i := range steps {
		share := (float64(i) + 0.5) / steps
		onTrunk += m.At(Point{9, a.FromM + a.LengthM*share}, at).MassGPerM2 * a.LengthM / steps
		r, err := m.InLimb(a, limb, 9, limb.PerimeterM*share, at)
		if err != nil {
			t.Fatal(err)
		}
		onLimb += r.MassGPerM2 * limb.PerimeterM / steps
	}
	near(t, "mass through the collar, relative", onLimb/onTrunk, 0.5, 1e-12)
	q, err := limb.FluxMPerD(0.5, 0.06)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "flux", q, 0.03/(0.6*0.01*(1-0.01*math.Pi/0.6)), 1e-12)
	if own := limb.Column(c.Medium, []Level{{3, 1}}); own.PerimeterM != 0.6 || own.Check() != nil {
		t.Errorf("a limb is a column: %+v", own)
	}
	if _, err := Arcs(nil, 1); err == nil {
		t.Error("no limbs, no arcs")
	}
}

func TestPalm(t *testing.T) {
	p := Palm(0.2, trunk().Medium, nil)
	near(t, "area of the disc", p.AreaM2(), math.Pi*0.04, 1e-15)
	m, err := New(p, []Source{{PatchG: 3, Patch: Emission{FromM: -0.5, ToM: 0.5}}})
	if err != nil {
		t.Fatal(err)
	}
	// Even over the disc: 3 g m-1 x density / (rho A).
	want := 1000 * 3 * (Tube{0.7}).Density(Emission{FromM: -0.5, ToM: 0.5}, 2, 3) / (600 * math.Pi * 0.04)
	near(t, "residue", m.At(Point{2, 0.9}, sap.Moment{DistanceM: 3, Springs: 2}).ResidueMgPerKg, want, 1e-12*want)
	near(t, "coverage by mixing", BundleCoverage(3, 0.4), 1-math.Exp(-1.2), 1e-15)
}

// MODEL section 3: K by the oak regression and R with all of it, against the
// table's rounded figures (3 %); the access factor reproduces the Rbar column's
// typical values within its rounding (12 %).
func TestSorption_TableOfTheModel(t *testing.T) {
	for _, c := range [][2]float64{{3.7, 120}, {2.4, 17}, {1.5, 4.8}, {0.57, 1.2}, {3, 42}, {5, 776}, {1.1, 2.7}} {
		k, w, err := Partition(c[0])
		if err != nil {
			t.Fatal(err)
		}
		near(t, "K, relative", k/c[1], 1, 0.04)
		if (w != nil) != (c[0] < 1.48) {
			t.Errorf("log Kow %g: warning %+v", c[0], w)
		}
	}
	for _, c := range [][3]float64{{120, 1, 145}, {17, 1, 22}, {4.8, 1, 6.7}, {1.2, 1, 2.5}, {2.7, 1, 4.2}, {42, 1, 51}, {776, 1, 930}, {120, .3, 44}, {17, .7, 16}, {4.8, 1, 7}} {
		r, err := Retardation(600, c[0], 0.5, c[1], 0)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "R, relative", r/c[2], 1, 0.05)
	}
	for _, c := range []struct{ n, want float64 }{{0.9, 2}, {0.8, 3.98}, {0.7, 7.94}} { // 1000^(1-n)
		v, w, err := Nonlinearity(1000, 1, c.n)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "(c/EC)^(1-n)", v, c.want, 0.01)
		if (w != nil) != (c.want > 3) {
			t.Errorf("n = %g: %+v", c.n, w)
		}
	}
}

func TestActives_Table(t *testing.T) {
	all, err := Actives()
	if err != nil {
		t.Fatal(err)
	}
	if len(all) != 7 {
		t.Errorf("%d classes, want 7", len(all))
	}
	tri, err := ActiveNamed("triazole")
	if err != nil {
		t.Fatal(err)
	}
	if r := tri.Retardation; r.Low != 15 || r.Typical != 44 || r.High != 115 || tri.EffectiveMetric != InSap || tri.HalfLifeWoodD.Typical != 300 || tri.SaturationGM3.Typical != 400 {
		t.Errorf("triazole %+v", tri)
	}
	if p, err := ActiveNamed("phosphonate"); err != nil || p.SaturationGM3 != nil || p.EffectiveMetric != InWood {
		t.Errorf("phosphonate %+v %v", p, err)
	}
	if _, err := ActiveNamed("water"); err == nil {
		t.Error("an unknown class must be refused")
	}
	if _, err := ReadActives([]byte(`{"schema":"sapward/active/1","actives":[{"class":"x"}]}`)); err == nil {
		t.Error("a class without retardation must be refused")
	}
}

func TestColumn_RefusesImpossibleValues(t *testing.T) {
	for i, spoil := range []func(*Column){
		func(c *Column) { c.PerimeterM = 0 },
		func(c *Column) { c.DepthM = math.NaN() },
		func(c *Column) { c.Medium.WaterFraction = 1.1 },
		func(c *Column) { c.Medium.Retardation = 0.5 },
		func(c *Column) { c.Medium.TubeLogSD = -1 },
		func(c *Column) { c.Medium.RingCarryOver = 2 },
		func(c *Column) { c.Crown = []Level{{5, 0.5}} },
		func(c *Column) { c.Taper = []Section{{5, 0.5}, {4, 0.4}} },
	} {
		c := trunk()
		spoil(&c)
		if _, _, err := Treat(c, ring(2, infused), summer); err == nil {
			t.Errorf("case %d was accepted", i+1)
		}
	}
	for i, p := range []Port{{}, {Method: Infusion, MassG: 1, HoleM: 0.005, UptakeD: 1}, {Method: Infusion, MassG: 1, VolumeM3: 1e-3, HoleM: 0.005}, {Method: Injection, MassG: -1, VolumeM3: 1e-3, HoleM: 0.005}} {
		if _, _, err := Emplace(trunk(), []Port{p}, summer); err == nil {
			t.Errorf("port %d was accepted", i+1)
		}
	}
	if _, err := New(trunk(), nil); err == nil {
		t.Error("a model without mass was accepted")
	}
}

// A year of one tree from weather to residue.
func ExampleModel_Field() {
	column := Column{PerimeterM: 1.2, DepthM: 0.012,
		Medium: Medium{WaterFraction: 0.5, DryDensityKgPerM3: 600, Retardation: 10, TubeLogSD: 0.7, LateralDispersivityM: 1.5e-5,
			Anisotropy: 150, LumenFraction: 0.15, WidthEfficiency: 0.35, RingCarryOver: 0.25},
		Crown: []Level{{HeightM: 8, Share: 0.5}, {HeightM: 12, Share: 0.5}}}
	days := make([]sap.Day, 60)
	for i := range days {
		days[i] = sap.Day{ET0Mm: 4, Stress: 1, MeanC: 18}
	}
	clock, _, _ := sap.NewClock(sap.Tree{CropCoefficient: 0.6, CrownM2: 20, SapwoodM2: column.AreaM2(), MaxFluxMPerD: 10},
		sap.Medium{WaterFraction: 0.5, Retardation: 10}, sap.Loss{HalfLifeD: 300}, days)
	port := Port{Method: Infusion, MassG: 2, VolumeM3: 2e-3, UptakeD: 0.5, HoleM: 0.005}
	model, _, _ := Treat(column, []Port{port}, Entry{FluxMPerD: clock.FluxMPerD(0), SaturationGPerM3: 400, SorptionReached: 0.5})
	path, _ := clock.Path(0)
	field, err := model.Field(Grid{HeightsM: []float64{2, 6, 10}, ArcsM: []float64{0, 0.3}}, path)
	if err != nil {
		fmt.Println(err)
		return
	}
	b := field.Balance
	fmt.Printf("in sight: %t\n", field.ResidueMgPerKg[field.Index(1, 0)] > field.ResidueMgPerKg[field.Index(1, 1)])
	fmt.Printf("dose %.1f g, balanced: %t\n", b.DoseG, math.Abs(b.RelativeError) < 1e-6)
	// Output:
	// in sight: true
	// dose 2.0 g, balanced: true
}
