package protect

import (
	"math"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"sapward/flow/plume"
	"sapward/flow/sap"
	"sapward/numeric/special"
)

// coverageByModel is the coverage at one node by the plain model of package
// plume on 1,440 arcs: the slow oracle.
func coverageByModel(t testing.TB, e *engine, d *Draw, n int) float64 {
	t.Helper()
	var s = e.scratch()
	e.take(s, d)
	c := e.column(d)
	v := &d.value
	sources, _, err := plume.Emplace(c, s.ports, plume.Entry{FluxMPerD: v[inFlux] * e.c.Season.relative(), SaturationGPerM3: v[inSaturation], SorptionReached: v[inSorption]})
	if err != nil {
		t.Fatal(err)
	}
	m, err := plume.New(c, sources)
	if err != nil {
		t.Fatal(err)
	}
	o := e.nodes[n]
	at := sap.Moment{TimeD: o.time, DistanceM: v[inFlux] / (v[inWater] * v[inRetardation]) * o.flow, Loss: math.Ln2 / v[inHalfLife] * o.heat, Springs: o.springs}
	const arcs = 1440
	heights := make([]float64, 0, len(e.heights))
	for _, h := range e.heights {
		heights = append(heights, h.z)
	}
	y := make([]float64, arcs)
	for k := range y {
		y[k] = c.PerimeterM * float64(k) / arcs
	}
	sheet, err := m.On(plume.Grid{HeightsM: heights, ArcsM: y})
	if err != nil {
		t.Fatal(err)
	}
	field := make([]float64, arcs*len(heights))
	if e.c.Active.EffectiveMetric == plume.InWood {
		err = sheet.Residue(field, at)
	} else {
		err = sheet.Dissolved(field, at)
	}
	if err != nil {
		t.Fatal(err)
	}
	sum := 0.0
	for i, h := range e.heights {
		above := 0
		for k := range y {
			connection := 1.0
			if len(e.arcs) > 0 {
				connection = e.connection(y[k])
			}
			if field[i*arcs+k]*connection*v[inDelivered] >= v[inLevel] {
				above++
			}
		}
		sum += h.share * float64(above) / arcs
	}
	return sum
}

// The fast engine against the slow oracle: for both methods, both metrics of
// wood and the three woods, coverage at seven nodes or more of 5 draws. The oracle counts
// arcs 0.07 % of the perimeter apart; what is left is interpolation of crossings
// and of kernels between ports that took alike. Tolerance: 0.02 of the crown for
// each, 0.002 on average.
func TestRun_AgreesWithThePlainModel(t *testing.T) {
	worst, sum, count, partial := 0.0, 0.0, 0, 0
	for _, wood := range []string{"ring-porous", "diffuse-porous", "conifer"} {
		for _, metric := range []plume.Metric{plume.InSap, plume.InWood} {
			c := reference(t, wood)
			c.Active.EffectiveMetric = metric
			if wood == "conifer" {
				c.Tree.Limbs = []plume.Limb{{AzimuthDeg: 20, DiameterM: 0.2, PerimeterM: 0.6, DepthM: 0.02, Connection: 1}, {AzimuthDeg: 200, DiameterM: 0.1, PerimeterM: 0.3, DepthM: 0.02, Connection: 0.4}}
			}
			draws, err := Draws(c, 5, 3)
			if err != nil {
				t.Fatal(err)
			}
			for _, x := range []Treatment{injection(t, 11, 30), infusion(t, 27, 30)} {
				c, err := c.complete()
				if err != nil {
					t.Fatal(err)
				}
				e, err := newEngine(c, x)
				if err != nil {
					t.Fatal(err)
				}
				s := e.scratch()
				for i := range draws {
					if err := e.run(s, &draws[i]); err != nil {
						t.Fatal(err)
					}
					for n := 10; n < len(e.nodes); n += 7 {
						want := coverageByModel(t, e, &draws[i], n)
						d := math.Abs(s.crown[n] - want)
						worst, sum, count = math.Max(worst, d), sum+d, count+1
						if want > 0.01 && want < 0.99 {
							partial++
						}
						if d > 0.02 {
							t.Errorf("%s %s %s draw %d day %.1f: coverage %.4f, oracle %.4f", wood, x.Method(), metric, i, e.nodes[n].time, s.crown[n], want)
						}
					}
				}
			}
		}
	}
	t.Logf("%d comparisons (%d of partial coverage), largest difference %.4f, mean %.5f", count, partial, worst, sum/float64(count))
	if partial < 100 {
		t.Errorf("only %d comparisons are of partial coverage", partial)
	}
	if sum/float64(count) > 0.002 {
		t.Errorf("mean difference %.5f is above 0.002", sum/float64(count))
	}
}

// The table of Phi is within 3e-10 of the exact function (its stated bound).
func TestPhi_Table(t *testing.T) {
	worst := 0.0
	for x := -9.0; x <= 9; x += 0.000737 {
		worst = math.Max(worst, math.Abs(phi(phiTable(), x)-special.NormalCDF(x)))
	}
	t.Logf("largest error %.2g", worst)
	if worst > 3e-10 || phi(phiTable(), math.Inf(1)) != 1 || phi(phiTable(), math.Inf(-1)) != 0 {
		t.Errorf("largest error %g", worst)
	}
}

// Any number of workers gives the same outcomes, bit by bit, and so does asking
// for fewer draws of the same seed; another seed gives others.
func TestEvaluate_IsDeterministic(t *testing.T) {
	c := reference(t, "ring-porous")
	draws, _ := Draws(c, 96, 5)
	one, err := Evaluate(c, infusion(t, 27, 30), draws, 1)
	if err != nil {
		t.Fatal(err)
	}
	for _, workers := range []int{1, 2, 3, 7, 0} {
		many, err := Evaluate(c, infusion(t, 27, 30), draws, workers)
		if err != nil || !reflect.DeepEqual(one, many) {
			t.Errorf("%d workers differ (%v)", workers, err)
		}
	}
	few, _ := Draws(c, 32, 5)
	if !reflect.DeepEqual(few, draws[:32]) {
		t.Error("fewer draws of the same seed differ")
	}
	other, _ := Draws(c, 96, 6)
	if reflect.DeepEqual(other, draws) {
		t.Error("another seed gives the same draws")
	}
}

// What must hold for every draw: coverage between 0 and 1; a higher level never
// covers more; a level near 0 covers all the crown the ports' tails reach, and
// turning all ports turns nothing in an even crown.
func TestRun_Properties(t *testing.T) {
	c := reference(t, "diffuse-porous")
	draws, _ := Draws(c, 256, 9)
	rapid.Check(t, func(rt *rapid.T) {
		d := draws[rapid.IntRange(0, len(draws)-1).Draw(rt, "draw")]
		factor := rapid.Float64Range(1, 20).Draw(rt, "factor")
		turn := rapid.Float64Range(0, 360).Draw(rt, "turn")
		n := rapid.IntRange(1, 30).Draw(rt, "ports")
		level, _ := d.Value("effective_level")
		higher, err := d.With("effective_level", level*factor)
		if err != nil {
			rt.Fatal(err)
		}
		x, err := Even(plume.Port{Method: plume.Infusion, HoleM: 0.006, UptakeD: 0.5}, n, 0, 30, 0.06)
		if err != nil {
			rt.Fatal(err)
		}
		turned, _ := Even(plume.Port{Method: plume.Infusion, HoleM: 0.006, UptakeD: 0.5}, n, turn, 30, 0.06)
		run := func(x Treatment, d Draw) []float64 {
			c, _ := c.complete()
			e, err := newEngine(c, x)
			if err != nil {
				rt.Fatal(err)
			}
			s := e.scratch()
			if err := e.run(s, &d); err != nil {
				rt.Fatal(err)
			}
			return s.crown
		}
		a, b, r := run(x, d), run(x, higher), run(turned, d)
		for i := range a {
			if a[i] < 0 || a[i] > 1+1e-9 {
				rt.Fatalf("coverage %v", a[i])
			}
			if b[i] > a[i]+0.01 { // kernels are laid on points; the level moves the negligible
				rt.Fatalf("level times %.2f: coverage %.4f, before %.4f", factor, b[i], a[i])
			}
			if math.Abs(r[i]-a[i]) > 0.02 {
				rt.Fatalf("turned by %.1f degrees: %.4f and %.4f", turn, r[i], a[i])
			}
		}
	})
}

// Worked by hand: one level of crown, plug-like stream of the whole width. With
// a coverage curve 0, 1 at day 1 ... the reading of a curve is checked on a
// drawn one: 0 until day 0.25, a straight rise to 1 at day 0.5, then down to 0
// at day 0.75: at a target of 0.8 it is first reached on day 0.25 + 0.8/4 =
// 0.45, last on 0.5 + 0.2/4 = 0.55, for 0.10 days, with an area of 0.25.
func TestFollow_ByHand(t *testing.T) {
	e := &engine{c: Case{Target: 0.8}, nodes: []node{{time: 0}, {time: 0.25}, {time: 0.5}, {time: 0.75}, {time: 1}}}
	first, last, days, area, peak := e.follow([]float64{0, 0, 1, 0, 0})
	for _, x := range []struct{ got, want float64 }{{first, 0.45}, {last, 0.55}, {days, 0.10}, {area, 0.25}, {peak, 1}} {
		if math.Abs(x.got-x.want) > 1e-9 {
			t.Errorf("got %v, by hand %v", x.got, x.want)
		}
	}
	if first, _, days, _, _ := e.follow([]float64{0, 0.5, 0.7, 0.79, 0}); !math.IsInf(first, 1) || days != 0 {
		t.Errorf("never at the target: first %v, days %v", first, days)
	}
}

// A collar thins what reaches the crown, not what stands in the trunk below it.
func TestEvaluate_CollarDoesNotThinTheTrunk(t *testing.T) {
	c := reference(t, "diffuse-porous")
	c.Trunk = true
	draws, err := Draws(c, 32, 5)
	if err != nil {
		t.Fatal(err)
	}
	limbs := func(connection float64) []Outcome {
		c.Tree.Limbs = []plume.Limb{{AzimuthDeg: 20, DiameterM: 0.2, PerimeterM: 0.6, DepthM: 0.02, Connection: connection}}
		return outcomes(t, c, infusion(t, 27, 30), draws)
	}
	open, thin := limbs(1), limbs(0.1)
	crown := false
	for i := range open {
		if open[i].TrunkPeak != thin[i].TrunkPeak || open[i].TrunkAreaDays != thin[i].TrunkAreaDays {
			t.Errorf("draw %d: trunk %v and %v", i, open[i].TrunkAreaDays, thin[i].TrunkAreaDays)
		}
		crown = crown || thin[i].AreaDays < open[i].AreaDays
	}
	if !crown {
		t.Error("the collar thins the crown of no draw")
	}
}
