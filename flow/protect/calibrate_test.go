package protect

import (
	"errors"
	"math"
	"testing"

	"sapward/flow/plume"
	"sapward/flow/sap"
	"sapward/numeric/quasi"
)

// truth is an invented true state and what it makes at a list of places.
type truth struct {
	z      []float64 // whitened, one for each free parameter
	draw   Draw
	assays []Assay
	place  float64 // the true concentration at heldOut
}

// heldOut is a place and day without an assay.
var heldOut = Assay{DayD: 200, HeightM: 12, AzimuthDeg: 8}

// places returns n assays without values: on and between ports, at three
// heights and five dates, with a detection limit of 0.01 mg/kg.
func places(x Treatment, n int) []Assay {
	spacing := 360 / float64(len(x.Ports))
	assays := make([]Assay, n)
	for i := range assays {
		assays[i] = Assay{DayD: []float64{20, 60, 130, 360, 480}[i%5], HeightM: []float64{5, 10, 14}[i%3], AzimuthDeg: spacing * []float64{0, 0.5, 3, 7.25, 5.1, 2.5}[i%6], NotDetected: true, Limit: 0.01}
	}
	return assays
}

// measure fills in values: what a draw makes, with t4 errors of a scale.
func measure(t *testing.T, k *calibration, d *Draw, ports []plume.Port, assays []Assay, scale float64, seed uint64) (measured []Assay, place float64) {
	t.Helper()
	all := append(append([]Assay(nil), assays...), heldOut)
	all[len(assays)].NotDetected, all[len(assays)].Limit = true, 1
	if err := k.set(all); err != nil {
		t.Fatal(err)
	}
	out := make([]float64, len(all))
	if err := k.predict(out, d, ports); err != nil {
		t.Fatal(err)
	}
	measured = append([]Assay(nil), assays...)
	for i := range measured {
		v := (out[i] + faintest) * math.Exp(scale*student4Quantile(quasi.Uniform(seed, uint64(100+i))))
		if v > measured[i].Limit {
			measured[i].Value, measured[i].NotDetected = v, false
		}
	}
	return measured, out[len(assays)]
}

// narrowTruth draws the calibrated parameters from their prior; all else is the
// typical tree. The errors have the given scale.
func narrowTruth(t *testing.T, c Case, x Treatment, assays []Assay, scale float64, seed uint64) truth {
	t.Helper()
	k, err := newCalibration(c, x, assays)
	if err != nil {
		t.Fatal(err)
	}
	z := make([]float64, len(k.free))
	for i := range z {
		z[i] = math.Sqrt2 * math.Erfinv(2*quasi.Uniform(seed, uint64(i))-1)
	}
	d := k.with(k.typical, k.values(z))
	measured, place := measure(t, k, &d, k.e.ports, assays, scale, seed)
	return truth{z, d, measured, place}
}

// wideTruth draws every input, and what each port takes.
func wideTruth(t *testing.T, c Case, x Treatment, assays []Assay, seed uint64) truth {
	t.Helper()
	draws, err := Draws(c, 1, seed)
	if err != nil {
		t.Fatal(err)
	}
	k, err := newCalibration(c, x, nil)
	if err != nil {
		t.Fatal(err)
	}
	e := *k.e
	e.quiet = false
	s := e.scratch()
	e.take(s, &draws[0])
	measured, place := measure(t, k, &draws[0], s.ports, assays, AssayScale, seed)
	return truth{nil, draws[0], measured, place}
}

func calibrateOn(t *testing.T, c Case, x Treatment, assays []Assay, n int, seed uint64) *Posterior {
	t.Helper()
	p, err := Calibrate(c, x, assays, n, seed, 0)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// interval returns the 90 % interval of the concentration at heldOut.
func interval(t *testing.T, p *Posterior) (low, high float64) {
	t.Helper()
	q, err := p.quantilesAt(p.sample, heldOut, 0.05, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	return q[0], q[1]
}

// Prediction by the calibration against the model of package plume, both
// methods and metrics (1e-9 of the largest): the same kernels put together
// once by plume and once here, where distant ports are left out.
func TestCalibration_PredictsAsThePlainModel(t *testing.T) {
	for _, x := range []Treatment{injection(t, 11, 30), infusion(t, 27, 30)} {
		c := reference(t, "ring-porous")
		truth := narrowTruth(t, c, x, places(x, 30), AssayScale, 4).draw
		assays := places(x, 30)
		for i := range assays {
			if i%4 == 1 {
				assays[i].Metric = plume.InSap
			}
		}
		k, err := newCalibration(c, x, assays)
		if err != nil {
			t.Fatal(err)
		}
		out := make([]float64, len(assays))
		if err := k.predict(out, &truth, x.Ports); err != nil {
			t.Fatal(err)
		}
		v := &truth.value
		m, _, err := plume.Treat(k.e.column(&truth), x.Ports, k.e.entry(&truth))
		if err != nil {
			t.Fatal(err)
		}
		most, worst := 0.0, 0.0
		for i, a := range assays {
			at := sap.Moment{DistanceM: v[inFlux] / (v[inWater] * v[inRetardation]) * k.clocks[i].flow, Loss: math.Ln2 / v[inHalfLife] * k.clocks[i].heat, Springs: k.clocks[i].springs}
			r := m.At(plume.Point{HeightM: a.HeightM, ArcM: a.AzimuthDeg / 360 * c.Tree.PerimeterM}, at)
			want := r.ResidueMgPerKg
			if a.Metric == plume.InSap {
				want = r.DissolvedGPerM3
			}
			want *= v[inDelivered]
			most, worst = math.Max(most, want), math.Max(worst, math.Abs(out[i]-want))
		}
		t.Logf("%s: largest difference %.2g of %.3g", x.Method(), worst, most)
		if most == 0 || worst > 1e-9*most {
			t.Errorf("%s: largest difference %g of %g", x.Method(), worst, most)
		}
	}
}

// Simulation-based check (SCIENCE S14, MODEL section 10 item 15): truths drawn
// from the prior, 5, 15 and 30 assays each; the 90 % interval of a prediction at
// a place and day without assay, and of each parameter, must hold the truth in
// 85 to 97 % of 200 data sets (SAPWARD_SOAK). The normal run has 24 sets of 15
// assays: with a true rate of 0.90 there are 15 hits or fewer with probability
// 0.0003 (binomial), so 16 is the least that passes for eight counts; all 24 happen by chance in
// 8 % of runs, too many for an upper bound.
func TestCalibrate_IntervalsHoldTheTruth(t *testing.T) {
	sets, draws, counts := 24, 1024, []int{15}
	if soak() {
		sets, draws, counts = 200, 4096, []int{5, 15, 30}
	}
	c := reference(t, "ring-porous")
	x := injection(t, 11, 30)
	for _, n := range counts {
		var hits [calibrated + 1]int
		ess, least, poor, contradict, logWidth := 0.0, math.Inf(1), 0, 0, 0.0
		for i := range sets {
			seed := quasi.Mix(77, uint64(i))
			truth := narrowTruth(t, c, x, places(x, n), AssayScale, seed)
			p := calibrateOn(t, c, x, truth.assays, draws, seed)
			ess, least = ess+p.ESS/float64(sets), math.Min(least, p.ESS)
			if p.sample.poor() {
				poor++
			}
			if p.Contradiction.Found() {
				contradict++
			}
			for j, i := range p.calibration.free {
				if v := p.calibration.values(truth.z)[i]; v >= p.Parameters[j].Low90 && v <= p.Parameters[j].High90 {
					hits[j]++
				}
			}
			low, high := interval(t, p)
			if truth.place >= low && truth.place <= high {
				hits[calibrated]++
			}
			logWidth += math.Log((high+faintest)/(low+faintest)) / float64(sets)
		}
		t.Logf("%d sets of %d assays, %d draws: ESS mean %.0f, least %.0f, %d poor, %d found to contradict; log-width of the prediction %.2f", sets, n, draws, ess, least, poor, contradict, logWidth)
		low, high := 16, sets
		if soak() {
			low, high = 170, 194
		}
		for j, h := range hits {
			name := "prediction"
			if j < calibrated {
				name = calibratedNames[j]
			}
			t.Logf("%-24s %d of %d inside the 90 %% interval (%.3f)", name, h, sets, float64(h)/float64(sets))
			if h < low || h > high {
				t.Errorf("%d assays, %s: %d of %d inside, wanted %d to %d", n, name, h, sets, low, high)
			}
		}
	}
}

// The wider world: every input of the truth varies and the ports scatter, which
// the calibration does not know. What its intervals then hold is reported; the
// share must stay above one half, or the answer would mislead. (A number of
// ours, no published figure.)
func TestCalibrate_InAWiderWorld(t *testing.T) {
	sets, draws := 8, 1024
	if soak() {
		sets, draws = 200, 4096
	}
	c := reference(t, "ring-porous")
	x := injection(t, 11, 30)
	for _, n := range []int{15} {
		hits, found := 0, 0
		for i := range sets {
			seed := quasi.Mix(78, uint64(i))
			truth := wideTruth(t, c, x, places(x, n), seed)
			p := calibrateOn(t, c, x, truth.assays, draws, seed)
			if low, high := interval(t, p); truth.place >= low && truth.place <= high {
				hits++
			}
			if p.Contradiction.Found() {
				found++
			}
		}
		t.Logf("%d assays: %d of %d inside the 90 %% interval of the prediction (%.3f); %d found to contradict", n, hits, sets, float64(hits)/float64(sets), found)
		if 2*hits < sets {
			t.Errorf("%d assays: only %d of %d inside", n, hits, sets)
		}
	}
}

// Assays narrow the answer: with 30 assays of a known truth the speed is known
// within a factor that the prior does not give, the draws carry the posterior,
// and the same seed gives the same result with any number of workers.
func TestCalibrate_NarrowsAndFeedsTheOutcome(t *testing.T) {
	c := reference(t, "ring-porous")
	x := infusion(t, 27, 30)
	assays := narrowTruth(t, c, x, places(x, 30), AssayScale, 12).assays
	p := calibrateOn(t, c, x, assays, 1024, 3)
	before := append([]Assay(nil), assays...)
	for _, workers := range []int{1, 2, 7} {
		again, err := Calibrate(c, x, assays, 1024, 3, workers)
		if err != nil {
			t.Fatal(err)
		}
		for i, a := range p.Parameters {
			if a != again.Parameters[i] {
				t.Errorf("%s differs with %d workers", a.Name, workers)
			}
		}
		for i, a := range p.Assays {
			if a != again.Assays[i] {
				t.Errorf("assay %d differs with %d workers", i, workers)
			}
		}
		if p.ESS != again.ESS || p.Contradiction != again.Contradiction {
			t.Errorf("weights or contradiction differ with %d workers", workers)
		}
	}
	for i := range assays {
		if assays[i] != before[i] {
			t.Errorf("assay %d was changed", i)
		}
	}
	for _, a := range p.Parameters {
		t.Logf("%-24s prior %.3g to %.3g, after %.3g to %.3g (MAP %.3g)", a.Name, a.Prior.P10, a.Prior.P90, a.After.P10, a.After.P90, a.MAP)
	}
	if s := p.Parameters[calSpeed]; s.After.Span() > 0.7*s.Prior.Span() {
		t.Errorf("speed: span %.2f after %.2f", s.After.Span(), s.Prior.Span())
	}
	narrower := 0
	for _, a := range p.Assays {
		if !(a.Prior.P10 <= a.Prior.P50 && a.Prior.P50 <= a.Prior.P90 && a.After.P10 <= a.After.P50 && a.After.P50 <= a.After.P90) {
			t.Fatalf("bands not in order: %+v", a)
		}
		if a.After.P90/a.After.P10 < a.Prior.P90/a.Prior.P10 {
			narrower++
		}
	}
	if narrower < len(assays) {
		t.Errorf("only %d of %d assays have a narrower band after", narrower, len(assays))
	}
	if b, err := p.Predict(assays[4]); err != nil || b != p.Assays[4].After {
		t.Errorf("Predict at an assay gives %v (%v), the report %v", b, err, p.Assays[4].After)
	}
	if b, err := p.PredictPrior(assays[4]); err != nil || b != p.Assays[4].Prior {
		t.Errorf("PredictPrior at an assay gives %v (%v), the report %v", b, err, p.Assays[4].Prior)
	}
	draws, err := p.Draws(2000, 8)
	if err != nil {
		t.Fatal(err)
	}
	var speeds []float64
	for _, d := range draws {
		speeds = append(speeds, d.value[inFlux]/(d.value[inWater]*d.value[inRetardation]))
	}
	b := BandOf(speeds)
	if after := p.Parameters[calSpeed].After; math.Abs(math.Log(b.P50/after.P50)) > 0.1 || math.Abs(math.Log(b.P90/after.P90)) > 0.15 {
		t.Errorf("resampled speed %v, posterior %v", b, after)
	}
	prior, _ := Draws(c, 512, 8)
	first, _ := Summarise(c, outcomes(t, c, x, prior))
	after, _ := Summarise(c, outcomes(t, c, x, draws[:512]))
	t.Logf("first day before %.1f, after %.1f; days before %.0f, after %.0f", first.FirstD, after.FirstD, first.Days, after.Days)
}

// An assay that says nothing (not detected under an enormous limit) leaves
// every input as it was: the resampled draws have the 10, 50 and 90 % points of
// the prior within 12 % (2,000 draws from 4,096 weighted points), with the tree's
// water use given or not. The delivered share is that of its own prior.
func TestCalibrate_NothingLearntLeavesThePrior(t *testing.T) {
	for _, water := range []*sap.Parameter{nil, {Low: 0.02, Typical: 0.05, High: 0.12, Marks: []sap.Mark{sap.Derived}, Source: "invented"}} {
		c := reference(t, "diffuse-porous")
		c.Tree.WaterM3PerD = water
		x := injection(t, 11, 30)
		p := calibrateOn(t, c, x, []Assay{{DayD: 30, HeightM: 8, Limit: 1e12, NotDetected: true}}, 4096, 5)
		if p.Contradiction.Found() || len(p.Warnings) > 0 {
			t.Fatalf("contradiction %+v, warnings %+v", p.Contradiction, p.Warnings)
		}
		after, err := p.Draws(2000, 6)
		if err != nil {
			t.Fatal(err)
		}
		before, _ := Draws(c, 2000, 6)
		worst := 0.0
		for _, name := range c.Inputs() {
			if name == "port_scatter" || name == "spiral_grain_turns_m" {
				continue
			}
			of := func(draws []Draw) Band {
				var values []float64
				for _, d := range draws {
					v, _ := d.Value(name)
					values = append(values, v)
				}
				return BandOf(values)
			}
			a, b := of(after), of(before)
			d := math.Max(math.Abs(math.Log(a.P50/b.P50)), math.Max(math.Abs(math.Log(a.P10/b.P10)), math.Abs(math.Log(a.P90/b.P90))))
			worst = math.Max(worst, d)
			if d > 0.12 {
				t.Errorf("%s: before %v, after %v", name, b, a)
			}
		}
		t.Logf("largest difference of a point %.1f %%", 100*worst)
	}
}

func TestCalibrate_Refuses(t *testing.T) {
	c := reference(t, "ring-porous")
	x := injection(t, 11, 30)
	good := Assay{DayD: 30, HeightM: 8, Value: 1}
	var wrong *sap.InputError
	for name, bad := range map[string]func(a *Assay){
		"day 0":               func(a *Assay) { a.DayD = 0 },
		"after the season":    func(a *Assay) { a.DayD = 901 },
		"height":              func(a *Assay) { a.HeightM = -1 },
		"azimuth":             func(a *Assay) { a.AzimuthDeg = math.NaN() },
		"value 0":             func(a *Assay) { a.Value = 0 },
		"value infinite":      func(a *Assay) { a.Value = math.Inf(1) },
		"limit missing":       func(a *Assay) { a.NotDetected = true },
		"limit below nothing": func(a *Assay) { a.Limit = -1 },
	} {
		a := good
		bad(&a)
		if _, err := Calibrate(c, x, []Assay{good, a}, 64, 1, 1); !errors.As(err, &wrong) {
			t.Errorf("%s: error %v", name, err)
		}
	}
	leaf := good
	leaf.Metric = plume.InLeaf
	if _, err := Calibrate(c, x, []Assay{leaf}, 64, 1, 1); err == nil {
		t.Error("a level in the leaf was taken")
	}
	if _, err := Calibrate(c, x, nil, 64, 1, 1); !errors.As(err, &wrong) {
		t.Errorf("no assay: error %v", err)
	}
	if _, err := Calibrate(c, x, []Assay{good}, 63, 1, 1); !errors.As(err, &wrong) {
		t.Errorf("63 draws: error %v", err)
	}
}
