package protect

import (
	"fmt"
	"math"
	"os"
	"testing"

	"sapward/flow/plume"
	"sapward/flow/sap"
)

// reference is the reference case of MODEL section 2: a tree of 45 cm and 16 m
// with a flare girth of 1.6 m, retardation 30 and effective level 0.5 g/m3 in
// the middle. What the section leaves open is fixed here once: the spread of
// retardation and level is that of the triazole class about those middles, the
// crown reaches from 4.8 m (0.3 of the height) to the top in 6 levels, the
// treatment is on day 150 of an invented temperate year, holes are 6 mm.
func reference(t testing.TB, wood string) Case {
	t.Helper()
	w, err := sap.WoodNamed(wood)
	if err != nil {
		t.Fatal(err)
	}
	a, err := plume.ActiveNamed("triazole")
	if err != nil {
		t.Fatal(err)
	}
	scaled := func(p sap.Parameter, typical float64) *sap.Parameter {
		f := typical / p.Typical
		p.Low, p.Typical, p.High = p.Low*f, typical, p.High*f
		return &p
	}
	a.Retardation = scaled(*a.Retardation, 30)
	a.EffectiveLevel = scaled(*a.EffectiveLevel, 0.5)
	crown, err := EvenCrown(4.8, 16, 6)
	if err != nil {
		t.Fatal(err)
	}
	season, err := Temperate(150, 900, wood != "conifer")
	if err != nil {
		t.Fatal(err)
	}
	return Case{Tree: Tree{Wood: w, PerimeterM: 1.6, Crown: crown}, Active: a, Season: season}
}

func injection(t testing.TB, n int, massG float64) Treatment {
	t.Helper()
	x, err := Even(plume.Port{Method: plume.Injection, HoleM: 0.006}, n, 0, massG, 1e-5*float64(n))
	if err != nil {
		t.Fatal(err)
	}
	return x
}

func infusion(t testing.TB, n int, massG float64) Treatment {
	t.Helper()
	x, err := Even(plume.Port{Method: plume.Infusion, HoleM: 0.006, UptakeD: 0.5}, n, 0, massG, 0.06)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

func soak() bool { return os.Getenv("SAPWARD_SOAK") != "" }

func outcomes(t testing.TB, c Case, x Treatment, draws []Draw) []Outcome {
	t.Helper()
	o, err := Evaluate(c, x, draws, 0)
	if err != nil {
		t.Fatal(err)
	}
	return o
}

// probability is a published figure of MODEL section 2, held within 0.10 (the
// tolerance of SCIENCE S13). The published ones come from 128 draws, so their
// own standard error is 0.03 to 0.04.
type probability struct {
	name      string
	published float64
	got       float64
}

func judge(t *testing.T, list []probability) {
	t.Helper()
	worst := 0.0
	for _, p := range list {
		d := p.got - p.published
		t.Logf("%-42s model %.3f, published %.2f, difference %+.3f", p.name, p.got, p.published, d)
		worst = math.Max(worst, math.Abs(d))
		if math.Abs(d) > 0.10 {
			t.Errorf("%s: %.3f, published %.2f, more than 0.10 apart", p.name, p.got, p.published)
		}
	}
	t.Logf("largest difference %.3f", worst)
}

// The practice fact: MODEL section 2, with 1,024 draws a wood. Nothing is tuned
// for it; what the section leaves open is listed at reference.
func TestReference_PracticeFact(t *testing.T) {
	published := map[string]struct{ earlier, longer, earlier60, longer60, reachInjection, reachInfusion float64 }{
		"ring-porous":    {0.90, 0.88, 0.93, 0.94, 0.17, 0.91},
		"diffuse-porous": {0.63, 0.59, 0.82, 0.82, 0.36, 0.64},
		"conifer":        {0.57, 0.55, 0.77, 0.77, 0.18, 0.58},
	}
	var list []probability
	for _, wood := range []string{"ring-porous", "diffuse-porous", "conifer"} {
		c, p := reference(t, wood), published[wood]
		draws, err := Draws(c, 1024, 1)
		if err != nil {
			t.Fatal(err)
		}
		in, out := outcomes(t, c, injection(t, 11, 30), draws), outcomes(t, c, infusion(t, 27, 30), draws)
		x := Compare(out, in)
		a, _ := Summarise(c, in)
		b, _ := Summarise(c, out)
		y := Compare(outcomes(t, c, infusion(t, 27, 60), draws), outcomes(t, c, injection(t, 11, 15), draws))
		list = append(list, probability{wood + ", infusion earlier", p.earlier, x.Earlier}, probability{wood + ", infusion longer", p.longer, x.Longer},
			probability{wood + ", 60 g against 15 g, earlier", p.earlier60, y.Earlier}, probability{wood + ", 60 g against 15 g, longer", p.longer60, y.Longer},
			probability{wood + ", injection reaches the target", p.reachInjection, a.Reaches}, probability{wood + ", infusion reaches the target", p.reachInfusion, b.Reaches})
		t.Logf("%s: injection first %.0f, days %.0f, peak %.0f; infusion first %.0f, days %.0f, peak %.0f", wood, a.FirstD, a.Days, a.PeakPct, b.FirstD, b.Days, b.PeakPct)
		lost := c
		lost.LostWithPort = true
		z := Compare(outcomes(t, lost, infusion(t, 27, 30), draws), outcomes(t, lost, injection(t, 11, 30), draws))
		t.Logf("%s, if a failed port's share stays out of the tree: earlier %.3f, longer %.3f", wood, z.Earlier, z.Longer)
	}
	judge(t, list)
}

// Where the practice fact does not come out (MODEL section 2, ring-porous).
func TestReference_CounterCases(t *testing.T) {
	c := reference(t, "ring-porous")
	draws, err := Draws(c, 1024, 1)
	if err != nil {
		t.Fatal(err)
	}
	close6 := Compare(outcomes(t, c, infusion(t, 27, 30), draws), outcomes(t, c, injection(t, 27, 30), draws))
	wide, _ := Summarise(c, outcomes(t, c, infusion(t, 11, 30), draws))
	low := Compare(outcomes(t, c, infusion(t, 27, 3), draws), outcomes(t, c, injection(t, 11, 3), draws))
	judge(t, []probability{
		{"6 cm for both, infusion earlier", 0.69, close6.Earlier}, {"6 cm for both, infusion longer", 0.55, close6.Longer},
		{"15 cm for both, infusion reaches", 0.49, wide.Reaches}, {"3 g, infusion longer", 0.27, low.Longer},
	})
	// Strong lateral mixing: both reach the target about equally often. (The
	// infused column still stands higher at the start, so it stays earlier.)
	mixed := append([]Draw(nil), draws...)
	for i := range mixed {
		if mixed[i], err = mixed[i].With("lateral_dispersivity_m", 1.5e-4); err != nil {
			t.Fatal(err)
		}
	}
	in, out := outcomes(t, c, injection(t, 11, 30), mixed), outcomes(t, c, infusion(t, 27, 30), mixed)
	a, _ := Summarise(c, in)
	b, _ := Summarise(c, out)
	x := Compare(out, in)
	t.Logf("alpha_T 1.5e-4 m: injection reaches %.3f, infusion %.3f; earlier %.3f, longer %.3f, shorter %.3f", a.Reaches, b.Reaches, x.Earlier, x.Longer, x.Shorter)
	if math.Abs(a.Reaches-b.Reaches) > 0.10 {
		t.Errorf("strong mixing: %.3f and %.3f reach the target, more than 0.10 apart", a.Reaches, b.Reaches)
	}
}

// Both methods over a year, 2,000 draws, by one and by two workers.
func BenchmarkYear(b *testing.B) {
	c := reference(b, "ring-porous")
	c.HorizonD = 365
	draws, err := Draws(c, 2000, 1)
	if err != nil {
		b.Fatal(err)
	}
	for _, workers := range []int{1, 2} {
		b.Run(fmt.Sprintf("workers=%d", workers), func(b *testing.B) {
			for range b.N {
				for _, x := range []Treatment{injection(b, 11, 30), infusion(b, 27, 30)} {
					if _, err := Evaluate(c, x, draws, workers); err != nil {
						b.Fatal(err)
					}
				}
			}
		})
	}
}

func BenchmarkInjection(b *testing.B) { benchmark(b, injection(b, 11, 30)) }
func BenchmarkInfusion(b *testing.B)  { benchmark(b, infusion(b, 27, 30)) }

func benchmark(b *testing.B, x Treatment) {
	c := reference(b, "ring-porous")
	draws, err := Draws(c, 1024, 1)
	if err != nil {
		b.Fatal(err)
	}
	b.ResetTimer()
	for range b.N {
		if _, err := Evaluate(c, x, draws, 1); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(1024*float64(b.N)/b.Elapsed().Seconds(), "draws/s")
}

// and infusion through 27, on all cores.
func BenchmarkBoth_2000Draws365Days(b *testing.B) {
	c := reference(b, "ring-porous")
	c.HorizonD, c.Trunk = 365, true
	draws, err := Draws(c, 2000, 1)
	if err != nil {
		b.Fatal(err)
	}
	in, out := injection(b, 11, 30), infusion(b, 27, 30)
	b.ResetTimer()
	for range b.N {
		for _, x := range []Treatment{in, out} {
			if _, err := Evaluate(c, x, draws, 0); err != nil {
				b.Fatal(err)
			}
		}
	}
}
