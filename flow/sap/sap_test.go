package sap

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.15g, want %.15g (tolerance %.1g)", what, got, want, tolerance)
	}
}

// firstNumber returns the first word of a text that is a number.
func firstNumber(text string) (float64, error) {
	for _, word := range strings.Fields(text) {
		if v, err := strconv.ParseFloat(word, 64); err == nil {
			return v, nil
		}
	}
	return 0, errors.New("no number in " + text)
}

// checks/14_bark_sapwood worked.csv, rows "annulus" and "annulus clamped": the
// input text holds DBH, bark and depth in cm, the expected text the area in cm2.
func TestSapwoodArea_WorkedExamples(t *testing.T) {
	f, err := os.Open("../../check/14_bark_sapwood/worked.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.FieldsPerRecord = -1
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	seen := 0
	for _, row := range rows {
		if !strings.HasPrefix(row[0], "annulus") {
			continue
		}
		var n []float64
		for _, piece := range strings.Split(row[1], ";") { // the first number of each piece
			for _, word := range strings.Fields(piece) {
				if v, err := strconv.ParseFloat(word, 64); err == nil {
					n = append(n, v)
					break
				}
			}
		}
		want, err := firstNumber(row[2])
		if err != nil {
			t.Fatal(err)
		}
		tolerance, err := strconv.ParseFloat(row[3], 64)
		if err != nil {
			t.Fatal(err)
		}
		area, err := SapwoodArea((n[0]/2-n[1])/100, n[2]/100)
		if err != nil {
			t.Fatal(err)
		}
		near(t, row[0], area*1e4, want, tolerance)
		seen++
	}
	if seen != 2 {
		t.Errorf("%d annulus rows were read, want 2", seen)
	}
}

func TestTranspirationAndFlux_ByHand(t *testing.T) {
	// 5 mm/d, Kc 0.6, 40 m2, Ks 0.5: 0.001*5*0.6*40*0.5 = 0.06 m3/d.
	q, err := Transpiration(5, 0.6, 40, 0.5)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "Q", q, 0.06, 1e-16)
	// 0.06 m3/d through 0.015 m2 is 4 m/d.
	flux, w, err := Flux(q, 0.015, 10)
	if err != nil || w != nil {
		t.Fatal(err, w)
	}
	near(t, "q", flux, 4, 1e-14)
	flux, w, err = Flux(q, 0.015, 3)
	if err != nil {
		t.Fatal(err)
	}
	if flux != 3 || w == nil || w.Code != FluxCapped || math.Abs(w.Value-4) > 1e-14 || w.Limit != 3 {
		t.Errorf("the cap must bind and warn: %g, %+v", flux, w)
	}
}

// FAO-56 eq. 84: TAW 100 mm, p 0.4: no stress to 40 mm, half at 70 mm, 0 at 100.
func TestStress_ByHand(t *testing.T) {
	for _, c := range [][2]float64{{0, 1}, {40, 1}, {70, 0.5}, {100, 0}, {130, 0}, {-5, 1}} {
		k, err := Stress(c[0], 100, 0.4)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "Ks", k, c[1], 1e-15)
	}
}

func TestSap_RefusesImpossibleValues(t *testing.T) {
	nan := math.NaN()
	_, e1 := SapwoodArea(0, 0.01)
	_, e2 := SapwoodArea(0.1, nan)
	_, e3 := Transpiration(-1, 1, 1, 1)
	_, e4 := Transpiration(1, 1, 1, 1.2)
	_, _, e5 := Flux(1, 0, 1)
	_, e6 := Stress(1, 0, 0.5)
	_, e7 := Stress(1, 1, 1)
	_, _, e8 := NewClock(steadyTree, Medium{0.5, 0.9}, Loss{}, steadyDays(3))
	_, _, e9 := NewClock(steadyTree, Medium{0.5, 1}, Loss{}, nil)
	_, e10 := Uptake{}.Hours(1)
	_, e11 := summerTree.Hours(nan)
	_, e12 := summerTree.Drinks(-1, TypicalReality())
	for i, err := range []error{e1, e2, e3, e4, e5, e6, e7, e8, e9, e10, e11, e12} {
		var input *InputError
		if !errors.As(err, &input) || input.Field == "" || input.Needs == "" {
			t.Errorf("case %d: got %v, want an *InputError that names field and need", i+1, err)
		}
	}
}

// Invented tree: 0.002 m2 of sapwood per m2 of crown.
var steadyTree = Tree{CropCoefficient: 0.5, CrownM2: 20, SapwoodM2: 0.02, MaxFluxMPerD: 10}

func steadyDays(n int) []Day {
	days := make([]Day, n)
	for i := range days {
		days[i] = Day{ET0Mm: 4, Stress: 1, MeanC: 20}
	}
	return days
}

func mustClock(t interface{ Fatal(...any) }, tree Tree, m Medium, l Loss, days []Day) *Clock {
	c, _, err := NewClock(tree, m, l, days)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestClock_ByHand(t *testing.T) {
	days := steadyDays(10)
	// Q = 0.001*4*0.5*20 = 0.04 m3/d, q = 2 m/d, X = 2/(0.5*8) = 0.5 m each day.
	c := mustClock(t, steadyTree, Medium{0.5, 8}, Loss{HalfLifeD: 5, Q10: 2}, days)
	m, err := c.At(10)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "X", m.DistanceM, 5, 1e-13)
	near(t, "Lambda after two half-lives", m.Loss, 2*math.Ln2, 1e-14)
	near(t, "water", m.WaterM3, 0.4, 1e-14)
	// At 30 degrees and Q10 = 2 the rate doubles; at 10 it halves.
	near(t, "mu(30)/mu(20)", Loss{5, 2}.Rate(30)/Loss{5, 2}.Rate(20), 2, 1e-14)
	near(t, "mu(10)/mu(20)", Loss{5, 2}.Rate(10)/Loss{5, 2}.Rate(20), 0.5, 1e-14)
	near(t, "default Q10", Loss{HalfLifeD: 5}.Rate(30)/Loss{HalfLifeD: 5}.Rate(20), 2.2, 1e-14)
	if (Loss{}).Rate(20) != 0 || (Loss{HalfLifeD: math.Inf(1)}).Rate(20) != 0 {
		t.Error("no half-life is no loss")
	}
	half, ok := c.Reaches(2.75)
	if !ok {
		t.Fatal("2.75 m is reached")
	}
	near(t, "time to 2.75 m", half, 5.5, 1e-12)
	if _, ok := c.Reaches(5.1); ok {
		t.Error("5.1 m is beyond the series")
	}
}

func TestClock_StandsStillAtNightAndInDormancy(t *testing.T) {
	days := steadyDays(4)
	for i := range days {
		days[i].SunriseH, days[i].SunsetH = 6, 18
	}
	days[1].Leafless, days[2].Leafless = true, true
	days[3].LeafOut = true
	days[1].LeafFall = true
	c := mustClock(t, steadyTree, Medium{0.5, 8}, Loss{HalfLifeD: 5}, days)
	at := func(d float64) Moment {
		m, err := c.At(d)
		if err != nil {
			t.Fatal(err)
		}
		return m
	}
	if at(0.25).DistanceM != 0 || at(0.1).DistanceM != 0 {
		t.Error("nothing flows before sunrise")
	}
	near(t, "half at noon", at(0.5).DistanceM, 0.25, 1e-15)
	near(t, "sunset", at(0.75).DistanceM, 0.5, 1e-15)
	near(t, "midnight", at(0.99).DistanceM, 0.5, 1e-15)
	near(t, "dormancy", at(2.9).DistanceM, 0.5, 1e-15)
	if at(2.9).Loss <= at(1.1).Loss {
		t.Error("losses go on in dormancy")
	}
	if at(2.99).Springs != 0 || at(3).Springs != 1 || at(0.99).LeafFalls != 0 || at(1).LeafFalls != 1 {
		t.Error("leaf-out and leaf fall are counted at the start of their day")
	}
	tree := steadyTree
	tree.LeaflessShare = 0.03
	slow := mustClock(t, tree, Medium{0.5, 8}, Loss{}, days)
	near(t, "leafless flux is 3 % of the peak", slow.FluxMPerD(1), 0.06, 1e-15)
	if b := slow.Bounds(); len(b) != 5 || b[4].TimeD != 4 {
		t.Error("bounds are at every day and the end")
	}
}

func TestClock_WarnsOfTheCap(t *testing.T) {
	tree := steadyTree
	tree.MaxFluxMPerD = 1.5
	_, warnings, err := NewClock(tree, Medium{0.5, 8}, Loss{}, steadyDays(7))
	if err != nil {
		t.Fatal(err)
	}
	if len(warnings) != 1 || warnings[0].Code != FluxCapped || warnings[0].Count != 7 || math.Abs(warnings[0].Value-2) > 1e-14 {
		t.Errorf("got %+v", warnings)
	}
}

// At, Reaches and Path agree; X never falls; the caller's days are not changed.
func TestClock_Properties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 12).Draw(t, "n")
		days := make([]Day, n)
		for i := range days {
			days[i] = Day{ET0Mm: rapid.Float64Range(0, 9).Draw(t, "et0"), Stress: rapid.Float64Range(0, 1).Draw(t, "ks"), MeanC: rapid.Float64Range(-5, 35).Draw(t, "c"),
				Leafless: rapid.Bool().Draw(t, "leafless"), SunriseH: 5, SunsetH: rapid.SampledFrom([]float64{5, 19}).Draw(t, "sunset")}
		}
		before := append([]Day(nil), days...)
		c := mustClock(t, steadyTree, Medium{0.5, 8}, Loss{HalfLifeD: 100}, days)
		for i := range days {
			if days[i] != before[i] {
				t.Fatal("the caller's days were changed")
			}
		}
		a := rapid.Float64Range(0, float64(n)).Draw(t, "a")
		b := rapid.Float64Range(0, float64(n)).Draw(t, "b")
		ma, e1 := c.At(min(a, b))
		mb, e2 := c.At(max(a, b))
		if e1 != nil || e2 != nil {
			t.Fatal(e1, e2)
		}
		if mb.DistanceM < ma.DistanceM || mb.Loss < ma.Loss || mb.WaterM3 < ma.WaterM3 {
			t.Fatal("the clock ran backwards")
		}
		if when, ok := c.Reaches(ma.DistanceM); ok {
			again, err := c.At(when)
			if err != nil || math.Abs(again.DistanceM-ma.DistanceM) > 1e-12 {
				t.Fatalf("Reaches and At disagree: %g, %g", again.DistanceM, ma.DistanceM)
			}
		}
		path, err := c.Path(a)
		if err != nil || path[0] != (Moment{}) {
			t.Fatal("a path begins at zero", err)
		}
		end, _ := c.At(float64(n))
		start, _ := c.At(a)
		if math.Abs(path[len(path)-1].DistanceM-(end.DistanceM-start.DistanceM)) > 1e-12 {
			t.Fatal("a path ends at the end of the series")
		}
	})
}

func TestWoods_TableOfTheModel(t *testing.T) {
	all, err := Woods()
	if err != nil {
		t.Fatal(err)
	}
	if len(all) != 4 {
		t.Fatalf("%d woods, want 4", len(all))
	}
	ring, err := WoodNamed("ring-porous")
	if err != nil {
		t.Fatal(err)
	}
	// MODEL section 3, first column.
	for name, want := range map[string][3]float64{
		"conducting_depth_mm": {5, 10, 20}, "sap_flux_m_d": {2, 5, 10}, "water_fraction": {.4, .5, .6}, "dry_density_kg_m3": {500, 600, 700},
		"lumen_fraction": {.1, .15, .25}, "tube_log_sd": {.5, .7, 1}, "lateral_dispersivity_m": {4e-6, 1.5e-5, 6e-5}, "anisotropy": {60, 150, 350},
		"width_efficiency": {.15, .35, .8}, "ring_carry_over": {.1, .25, .5}, "spiral_grain_turns_m": {-.02, 0, .02},
	} {
		p, ok := ring.Named()[name]
		if !ok || p.Low != want[0] || p.Typical != want[1] || p.High != want[2] {
			t.Errorf("%s: %+v, want %v", name, p, want)
		}
	}
	if ring.MaxFluxMPerD() != 10 {
		t.Error("the cap is the high flux")
	}
	palm, err := WoodNamed("palm")
	if err != nil {
		t.Fatal(err)
	}
	if !palm.WholeStem || palm.ConductingDepthMm != nil || palm.LateralDispersivityM != nil || palm.RingCarryOver.Typical != 1 {
		t.Errorf("a palm conducts in the whole stem and has no rings: %+v", palm)
	}
	if _, err := WoodNamed("bamboo"); err == nil {
		t.Error("an unknown wood must be refused")
	}
	if _, err := ReadWoods([]byte(`{"schema":"sapward/wood/1","woods":[{"wood":"x"}]}`)); err == nil {
		t.Error("a wood without parameters must be refused")
	}
}

func TestParameter_At(t *testing.T) {
	p := Parameter{Low: 2, Typical: 5, High: 10}
	near(t, "10 % point", p.At(-z90), 2, 1e-14)
	near(t, "median", p.At(0), 5, 1e-15)
	near(t, "90 % point", p.At(z90), 10, 1e-14)
	n := Parameter{Low: -.02, Typical: 0, High: .02, Distribution: "normal"}
	near(t, "normal 90 % point", n.At(z90), .02, 1e-17)
	near(t, "normal 10 % point", n.At(-z90), -.02, 1e-17)
}
