package plume

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"

	"sapward/flow/sap"
)

// Invented trunk of 45 cm: ring-porous wood by MODEL section 3, typical values.
func trunk() Column {
	return Column{
		PerimeterM: 1.4, DepthM: 0.010,
		Medium: Medium{WaterFraction: 0.5, DryDensityKgPerM3: 600, Retardation: 8, TubeLogSD: 0.7, LateralDispersivityM: 1.5e-5,
			Anisotropy: 150, LumenFraction: 0.15, WidthEfficiency: 0.35, RingCarryOver: 0.25},
		Crown: []Level{{6, 0.2}, {9, 0.3}, {12, 0.3}, {15, 0.2}},
	}
}

func ring(n int, p Port) []Port {
	ports := make([]Port, n)
	for i := range ports {
		ports[i] = p
		ports[i].AzimuthDeg += 360 * float64(i) / float64(n)
	}
	return ports
}

var (
	infused  = Port{Method: Infusion, MassG: 1, VolumeM3: 2e-3, UptakeD: 1, HoleM: 0.005}
	injected = Port{Method: Injection, MassG: 1, VolumeM3: 10e-6, UptakeD: 0.01, HoleM: 0.006}
	summer   = Entry{FluxMPerD: 5, SaturationGPerM3: 1000, SorptionReached: 0.5}
)

func treat(t interface{ Fatal(...any) }, c Column, ports []Port, e Entry) *Model {
	m, _, err := Treat(c, ports, e)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// path makes moments of even steps of sap distance and loss.
func path(n int, x, loss float64, springs ...int) []sap.Moment {
	p := make([]sap.Moment, n+1)
	for i := range p {
		share := float64(i) / float64(n)
		p[i] = sap.Moment{TimeD: float64(i), DistanceM: x * share, Loss: loss * share, WaterM3: 0.05 * float64(i)}
		for _, s := range springs {
			if i >= s {
				p[i].Springs++
			}
		}
	}
	return p
}

// MODEL 1.6 by hand. Infusion of 2 L in 1 d, q 5 m/d, s 0.01 m:
// W_R = 0.002/(1*5*0.01) = 0.04 m; a_y = sqrt(0.002/(0.15*0.01)/(150 pi)) = 0.0531923 m.
// W = 0.35 (0.04+0.005) = 0.01575 m. R_u = 1+7*0.5 = 4.5;
// length = 0.002/(0.5*4.5*0.01575*0.01) = 5.64373898 m; z_s = 150*0.01575/(2 pi) = 0.37600354 m.
func TestEmplace_InfusionByHand(t *testing.T) {
	c := trunk()
	s, warnings, err := Emplace(c, ring(5, infused), summer)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "W_R", RankineWidth(2e-3, 1, 5, 0.01), 0.04, 1e-16)
	a, reach := Displacement(2e-3, 0.15, 0.01, 150)
	near(t, "a_y", a, math.Sqrt(2e-3/(0.15*0.01)/(150*math.Pi)), 1e-16)
	near(t, "a_z", reach, 150*a, 1e-13)
	near(t, "W", s[0].WidthM, 0.01575, 1e-16)
	near(t, "length", s[0].LengthM, 0.002/(0.5*4.5*0.01575*0.01), 1e-12)
	near(t, "down", s[0].DownM, 150*0.01575/(2*math.Pi), 1e-14)
	near(t, "patch", s[0].Patch.ToM-s[0].Patch.FromM, s[0].LengthM, 1e-14)
	near(t, "inlet", s[0].InletGPerM3, 500, 1e-12)
	near(t, "mass", s[0].PatchG, 1, 0)
	if len(s) != 5 || s[0].DepotG != 0 || !s[0].Widens || len(warnings) != 0 {
		t.Errorf("sources %+v, warnings %+v", s[0], warnings)
	}
	near(t, "second port's arc", s[1].ArcM, 1.4/5, 1e-15)
}

// Injection of 1 g in 10 mL: 100000 g/m3 is above 1000 g/m3, so a depot.
// a_y = sqrt(1e-5/0.0015/(150 pi)) = 0.003761264 m, W = 2 a_y + 0.006;
// Xu = 1/(1000*0.5*8*W*0.01).
func TestEmplace_InjectionByHand(t *testing.T) {
	s, warnings, err := Emplace(trunk(), ring(9, injected), summer)
	if err != nil {
		t.Fatal(err)
	}
	w := 2*math.Sqrt(1e-5/0.0015/(150*math.Pi)) + 0.006
	near(t, "W", s[0].WidthM, w, 1e-15)
	near(t, "Xu", s[0].Depot.ReleaseM, 1/(1000*0.5*8*w*0.01), 1e-12)
	if s[0].DepotG != 1 || s[0].PatchG != 0 || len(warnings) != 1 || warnings[0].Code != DepotFormed || warnings[0].Count != 9 {
		t.Errorf("source %+v, warnings %+v", s[0], warnings)
	}
	free := summer
	free.SaturationGPerM3 = math.Inf(1)
	s, _, err = Emplace(trunk(), ring(9, injected), free)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "patch of a soluble injection", s[0].Patch.ToM, 150*(w-0.006)/2, 1e-14)
	near(t, "and below", s[0].Patch.FromM, -s[0].Patch.ToM, 0)
}

func TestEmplace_CapsExcessAndFailedPorts(t *testing.T) {
	c := trunk()
	c.Medium.WidthEfficiency = 1
	fast := infused
	fast.VolumeM3, fast.UptakeD, fast.MassG = 5e-3, 0.2, 20
	ports := ring(12, fast)
	ports[3].MassG = 0
	s, warnings, err := Emplace(c, ports, summer)
	if err != nil {
		t.Fatal(err)
	}
	codes := map[sap.Code]sap.Warning{}
	for _, w := range warnings {
		codes[w.Code] = w
	}
	// 11 ports of 25 L/d against 5 m/d x 1.4*0.01*(1-0.01*pi/1.4) m2.
	q := 5 * 1.4 * 0.01 * (1 - 0.01*math.Pi/1.4)
	if w := codes[UptakeExceedsSap]; math.Abs(w.Value-0.275) > 1e-12 || math.Abs(w.Limit-q) > 1e-12 {
		t.Errorf("excess %+v", w)
	}
	near(t, "share below", s[0].BelowShare, 1-q/0.275, 1e-12)
	near(t, "cap at 1.5 spacings", s[0].WidthM, math.Min(1.5*1.4/12, 2*math.Sqrt(5e-3/0.0015/(150*math.Pi))+0.005), 1e-14)
	near(t, "mass above saturation", s[0].DepotG, 20-5, 1e-12)
	near(t, "patch mass", s[0].PatchG, 5, 1e-12)
	if len(s) != 11 || codes[DepotFormed].Count != 11 {
		t.Errorf("%d sources, %+v", len(s), warnings)
	}
	night := summer
	night.FluxMPerD = 0
	s, _, err = Emplace(c, ring(4, infused), night)
	if err != nil || s[0].Widens || s[0].BelowShare != 1 {
		t.Errorf("without sap flow a port fills lumens, downward: %+v %v", s, err)
	}
}

// MODEL section 10 item 9: a port as a point source in a uniform stream, traced
// in coordinates stretched by kappa; width and stagnation to 3 digits, and the
// growth of the width (MODEL 1.6: 0.50, 0.79, 0.87, 0.95 at 0, 0.5, 1, 3 kappa W).
func TestHalfBody_AgreesWithTracedStreamlines(t *testing.T) {
	for _, kappa := range []float64{10, 30, 100} {
		const width = 0.04
		// Stretched: z' = z/kappa. Stream U = 1, source strength width: potential flow
		// u = 1 + (width/2pi) z'/r2, v = (width/2pi) y/r2. Stagnation at z' = -width/2pi.
		strength := width / (2 * math.Pi)
		near(t, "stagnation, relative", Stagnation(width, kappa)/(kappa*strength), 1, 1e-12)
		y, z := 1e-7, -strength*(1-1e-9) // just inside the dividing streamline
		h := 1e-5
		velocity := func(y, z float64) (float64, float64) {
			r2 := y*y + z*z
			return strength * y / r2, 1 + strength*z/r2
		}
		targets := []float64{0, 0.5 * width, width, 3 * width}
		for z < 3.001*width {
			dy, dz := velocity(y, z)
			speed := math.Hypot(dy, dz)
			my, mz := velocity(y+h/2*dy/speed, z+h/2*dz/speed)
			speed = math.Hypot(my, mz)
			ny, nz := y+h*my/speed, z+h*mz/speed
			for len(targets) > 0 && nz >= targets[0] {
				share := (targets[0] - z) / (nz - z)
				traced := 2 * (y + share*(ny-y))
				near(t, "width, share of the final", HalfBody(kappa*targets[0], width, kappa)/width, traced/width, 1e-3)
				targets = targets[1:]
			}
			y, z = ny, nz
		}
		if len(targets) > 0 {
			t.Error("the streamline did not reach 3 kappa W")
		}
	}
	for _, c := range [][2]float64{{0, 0.50}, {0.5, 0.79}, {1, 0.87}, {3, 0.95}} {
		near(t, "printed share", HalfBody(c[0]*150*0.04, 0.04, 150)/0.04, c[1], 0.005)
	}
}

// A sheet is the same as asking point by point (1e-12 of the peak), for every
// kind of source, grain and a crown with a top.
func TestSheet_EqualsPoints(t *testing.T) {
	c := trunk()
	c.Medium.GrainTurnsPerM = 0.02
	ports := append(ring(4, infused), ring(3, injected)...)
	ports[2].MassG, ports[5].HeightM = 4, 0.3
	m := treat(t, c, ports, summer)
	g, err := EvenGrid(-2, 17, 40, 1.4, 36)
	if err != nil {
		t.Fatal(err)
	}
	p := path(30, 9, 0.4, 20)
	f, err := m.Field(g, p)
	if err != nil {
		t.Fatal(err)
	}
	peak, worst := 0.0, 0.0
	for i, z := range g.HeightsM {
		for j, y := range g.ArcsM {
			r := m.At(Point{z, y}, p[30])
			peak = max(peak, r.ResidueMgPerKg)
			worst = max(worst, math.Abs(r.ResidueMgPerKg-f.ResidueMgPerKg[f.Index(i, j)]), math.Abs(r.DissolvedGPerM3-f.DissolvedGPerM3[f.Index(i, j)]))
			if z > 15 && r != (Reading{}) {
				t.Fatal("there is no wood above the crown")
			}
		}
	}
	t.Logf("peak residue %.3g mg/kg, largest difference %.2g", peak, worst)
	if !(worst <= 1e-12*peak) || peak <= 0 {
		t.Errorf("largest difference %.2g, peak %.3g", worst, peak)
	}
	var bad *sap.InputError
	s, _ := m.On(g)
	if err := s.Mass(make([]float64, 3), p[1]); !errors.As(err, &bad) {
		t.Error("a dst of the wrong length must be refused")
	}
}

// The sum over a fine grid is the wood's mass of the balance, weighted by the
// pipes that stand (midpoint rule, 1e-4): the field and the account agree.
func TestField_IntegratesToTheBalance(t *testing.T) {
	c := trunk()
	c.Medium.StartVarianceM2 = 2e-3
	m := treat(t, c, ring(3, infused), summer)
	p := path(50, 8, 0.3)
	g, err := EvenGrid(-3, 15, 1440, 1.4, 48) // rows end at the crown's levels
	if err != nil {
		t.Fatal(err)
	}
	s, err := m.On(g)
	if err != nil {
		t.Fatal(err)
	}
	values := make([]float64, 1440*48)
	if err := s.Mass(values, p[50]); err != nil {
		t.Fatal(err)
	}
	b, err := m.Account(p)
	if err != nil {
		t.Fatal(err)
	}
	sum := 0.0
	for i, z := range g.HeightsM {
		for j := range g.ArcsM {
			sum += values[i*48+j] * m.taper.leafAbove(z) * (18.0 / 1440) * (1.4 / 48)
		}
	}
	last := b[50]
	t.Logf("wood and below: %.8g g on the grid, %.8g g in the balance", sum, last.WoodG+last.BelowG)
	near(t, "mass, relative", sum/(last.WoodG+last.BelowG), 1, 1e-4)
}

// MODEL 1.7 and section 10 item 2: every run balances within 1e-6, whatever the
// column, sources, losses and springs; what is retired and decayed only grows.
func TestAccount_BalancesEveryRun(t *testing.T) {
	worst := 0.0
	rapid.Check(t, func(t *rapid.T) {
		c := trunk()
		c.Medium.TubeLogSD = rapid.OneOf(rapid.Float64Range(0.05, 1.1), rapid.Just(0.0)).Draw(t, "s_g")
		c.Medium.Retardation = rapid.Float64Range(1, 120).Draw(t, "R")
		c.Medium.RingCarryOver = rapid.Float64Range(0, 1).Draw(t, "k")
		if rapid.Bool().Draw(t, "taper") {
			c.Taper = []Section{{3, 0.9}, {8, 0.7}, {15, 0.3}}
		}
		if rapid.Bool().Draw(t, "endless") {
			c.Crown, c.Taper = nil, nil
		}
		ports := append(ring(rapid.IntRange(1, 3).Draw(t, "infused"), infused), ring(rapid.IntRange(1, 3).Draw(t, "injected"), injected)...)
		for i := range ports {
			ports[i].MassG = rapid.Float64Range(0.01, 5).Draw(t, "mass")
			ports[i].HeightM = rapid.SampledFrom([]float64{0, 0, 0.1, -0.2}).Draw(t, "height")
		}
		m := treat(t, c, ports, summer)
		p := path(rapid.IntRange(1, 12).Draw(t, "steps"), rapid.Float64Range(0, 80).Draw(t, "X"), rapid.Float64Range(0, 4).Draw(t, "loss"), 3, 7)
		balances, err := m.Account(p)
		if err != nil {
			t.Fatal(err)
		}
		for i, b := range balances {
			worst = max(worst, math.Abs(b.RelativeError))
			if i > 0 && (b.DecayedG < balances[i-1].DecayedG-1e-12 || b.RetiredG < balances[i-1].RetiredG-1e-12 || b.LeavesG < balances[i-1].LeavesG-1e-9) {
				t.Fatalf("a sink gave back: %+v then %+v", balances[i-1], b)
			}
			if b.WoodG < 0 || b.DepotG < 0 || b.BelowG < 0 {
				t.Fatalf("negative mass: %+v", b)
			}
		}
	})
	t.Logf("largest relative error %.2g (limit 1e-6)", worst)
}

// Account by hand: no kernel in play (X = 0). Lambda = ln 2 leaves half; a spring
// with k 0.25 then keeps a quarter of it.
func TestAccount_ByHand(t *testing.T) {
	m := treat(t, trunk(), ring(2, infused), summer)
	b, err := m.Account([]sap.Moment{{}, {TimeD: 100, Loss: math.Ln2}, {TimeD: 101, Loss: math.Ln2, Springs: 1}})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "decayed", b[1].DecayedG, 1, 1e-12)
	near(t, "retired", b[2].RetiredG, 0.75, 1e-12)
	near(t, "wood", b[2].WoodG+b[2].BelowG, 0.25, 1e-9)
	// All through an endless time without loss: everything is in the leaves.
	b, err = m.Account([]sap.Moment{{}, {TimeD: 1, DistanceM: 1e5}})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "leaves", b[1].LeavesG, 2, 1e-6)
	var bad *sap.InputError
	if _, err := m.Account([]sap.Moment{{}, {TimeD: 2, DistanceM: 3}, {TimeD: 3, DistanceM: 2}}); !errors.As(err, &bad) {
		t.Error("a path that runs backwards must be refused")
	}
	if _, err := m.Account(nil); !errors.As(err, &bad) {
		t.Error("an empty path must be refused")
	}
}

// A balance beyond the limit is an error: the check can fail.
func TestAccount_RefusesImbalance(t *testing.T) {
	m := treat(t, trunk(), ring(2, infused), summer)
	m.dose *= 1.00001 // as if a kernel lost mass
	var off *BalanceError
	if _, err := m.Account(path(3, 5, 0)); !errors.As(err, &off) || math.Abs(off.Balance.RelativeError) < 1e-6 || off.Error() == "" {
		t.Errorf("got %v, want a *BalanceError", err)
	}
	if _, err := m.Field(Grid{[]float64{1}, []float64{0}}, path(3, 5, 0)); !errors.As(err, &off) {
		t.Errorf("got %v, want a *BalanceError", err)
	}
}
