package plume

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

func near(t interface {
	Helper()
	Errorf(string, ...any)
}, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.15g, want %.15g (off by %.2g, tolerance %.1g)", what, got, want, math.Abs(got-want), tolerance)
	}
}

// Golden values at the end of MODEL section 2 (30-digit arithmetic), 1e-12 relative.
func TestKernels_GoldenValues(t *testing.T) {
	k := Tube{0.7}
	patch, release := Emission{FromM: -0.25, ToM: 0.75}, Emission{ReleaseM: 2}
	ade := Dispersion{DispersivityM: 0.2}
	worst := 0.0
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		{"P(6)", k.Passed(6, 8), 0.524310197230696},
		{"G(6)", k.Carried(6, 8), 0.223336182236344},
		{"LEV(6)", k.Limited(6, 8), 4.93255064127493},
		{"patch density", k.Density(patch, 6, 8), 0.0983163878319953},
		{"patch flux", k.Flux(patch, 6, 8), 0.0705186142037083},
		{"patch beyond", k.Beyond(patch, 6, 8), 0.549047967309467},
		{"release density", k.Density(release, 6, 8), 0.0934860791990988},
		{"release flux", k.Flux(release, 6, 8), 0.0805704242031577},
		{"wrapped, sigma 0.025", Around(0.03, 0.0075, 0.025*0.025, 1.6), 7.81686160519343},
		{"wrapped, sigma 0.5", Around(0.03, 0.0075, 0.25, 1.6), 0.806118439064539},
		{"ADE source above", ade.Source(3, 5), 0.896150754518908},
		{"ADE source below", ade.Source(-0.3, 5), 0.222941705124771},
	} {
		d := math.Abs(c.got/c.want - 1)
		worst = max(worst, d)
		if !(d <= 1e-12) {
			t.Errorf("%s: got %.15g, want %.15g", c.name, c.got, c.want)
		}
	}
	t.Logf("largest relative deviation %.2g (tolerance 1e-12)", worst)
}

// integral adds Gauss-Legendre panels between the edges given.
func integral(f func(float64) float64, edges ...float64) float64 {
	sum := 0.0
	edges = ascending(edges)
	for i := 1; i < len(edges); i++ {
		sum += between(f, edges[i-1], edges[i])
	}
	return sum
}

// quantiles returns heights u + x exp(a score - a^2/2) over the scores that
// carry the mass.
func quantiles(u, x, a float64) []float64 {
	edges := []float64{u, u + x}
	for s := -9.5; s <= 9.5; s += 0.5 {
		edges = append(edges, u+x*math.Exp(a*s-a*a/2))
	}
	return edges
}

// MODEL section 10 item 2: unit mass of every kernel along the grain, 1e-9; the
// mass beyond z is the integral of the density above it and of the flux in X.
func TestTube_UnitMassAndConsistency(t *testing.T) {
	var worstMass, worstBeyond, worstFlux float64
	rapid.Check(t, func(t *rapid.T) {
		k := Tube{rapid.Float64Range(0.05, 1.2).Draw(t, "s_g")}
		x := rapid.Float64Range(0.05, 60).Draw(t, "X")
		e := Emission{FromM: -rapid.Float64Range(0, 1).Draw(t, "down")}
		switch rapid.SampledFrom([]string{"patch", "release", "short", "point"}).Draw(t, "kind") {
		case "patch":
			e.ToM = e.FromM + rapid.Float64Range(0.01, 5).Draw(t, "length")
		case "release":
			e.ReleaseM = rapid.Float64Range(0.002, 3).Draw(t, "Xu/X") * x
		case "short":
			e.ReleaseM = rapid.Float64Range(1e-6, 1e-3).Draw(t, "Xu/X") * x
		default:
			e.ToM = e.FromM
		}
		edges := append(quantiles(e.FromM, x, k.LogSD), quantiles(e.ToM, x, k.LogSD)...)
		if e.ReleaseM > 0 && e.ReleaseM < x {
			edges = append(edges, quantiles(e.FromM, x-e.ReleaseM, k.LogSD)...)
		}
		mass := integral(func(z float64) float64 { return k.Density(e, z, x) }, edges...)
		d := math.Abs(mass - e.Released(x))
		worstMass = max(worstMass, d)
		if !(d <= 1e-9) {
			t.Fatalf("mass %.12g of %.12g released, %+v", mass, e.Released(x), e)
		}
		z := e.FromM + rapid.Float64Range(0.05, 3).Draw(t, "z/X")*x
		var upper []float64
		for _, u := range append(edges, z) {
			if u >= z {
				upper = append(upper, u)
			}
		}
		d = math.Abs(integral(func(u float64) float64 { return k.Density(e, u, x) }, upper...) - k.Beyond(e, z, x))
		worstBeyond = max(worstBeyond, d)
		if !(d <= 1e-9) {
			t.Fatalf("beyond %g: off by %.2g, %+v", z, d, e)
		}
		if e.ReleaseM > 0 && e.ReleaseM < 0.002*x { // between the two forms of the release
			return
		}
		h := 1e-4 * x
		slope := (8*(k.Beyond(e, z, x+h)-k.Beyond(e, z, x-h)) - (k.Beyond(e, z, x+2*h) - k.Beyond(e, z, x-2*h))) / (12 * h)
		if math.Abs(z-e.ToM) < 3*h || math.Abs(x-e.ReleaseM) < 3*h || k.LogSD < 0.1 {
			return // kinks
		}
		d = math.Abs(slope-k.Flux(e, z, x)) * x
		worstFlux = max(worstFlux, d)
		if !(d <= 2e-7) {
			t.Fatalf("flux %g is not the derivative of the mass beyond, %g (times X: %.2g), %+v", k.Flux(e, z, x), slope, d, e)
		}
	})
	t.Logf("largest deviation: mass %.2g, beyond %.2g (1e-9), flux times X %.2g (2e-7)", worstMass, worstBeyond, worstFlux)
}

// The two forms of a release meet at Xu = X/1000 within 1e-6 relative.
func TestTube_ReleaseMeetsPoint(t *testing.T) {
	k := Tube{0.7}
	for _, z := range []float64{0.5, 3, 8, 20} {
		a, b := Emission{ReleaseM: 0.008 * 0.99999}, Emission{ReleaseM: 0.008 * 1.00001}
		near(t, "density", k.Density(a, z, 8)/k.Density(b, z, 8), 1, 2e-6)
		near(t, "flux", k.Flux(a, z, 8)/k.Flux(b, z, 8), 1, 2e-6)
		near(t, "beyond", k.Beyond(a, z, 8), k.Beyond(b, z, 8), 2e-6)
	}
}

// MODEL section 10 item 6: s_g -> 0 is plug flow, exactly at 0.
func TestTube_PlugFlowLimit(t *testing.T) {
	e := Emission{FromM: -0.5, ToM: 1.5}
	plug, thin := Tube{0}, Tube{1e-4}
	for _, z := range []float64{-1, 4.3, 4.6, 6, 6.4, 6.6, 9} {
		want := 0.0
		if z > 4.5 && z < 6.5 {
			want = 0.5
		}
		for _, k := range []Tube{plug, thin} {
			near(t, "density", k.Density(e, z, 5), want, 1e-12)
			near(t, "flux", k.Flux(e, z, 5), want, 1e-3)
			near(t, "beyond", k.Beyond(e, z, 5), min(1, max(0, (6.5-z)/2)), 1e-3)
		}
	}
	if plug.Passed(5, 5) != 1 || plug.Passed(5.1, 5) != 0 || plug.Carried(5.1, 5) != 1 || plug.Carried(5, 5) != 0 {
		t.Error("edges of plug flow")
	}
	d := Emission{ReleaseM: 2}
	near(t, "plug release inside", plug.Density(d, 4, 5), 0.5, 0)
	near(t, "plug release ahead", plug.Density(d, 5.5, 5), 0, 0)
	near(t, "plug release behind", plug.Density(d, 2.5, 5), 0, 0)
}

// Special cases of the doc comments.
func TestTube_SpecialCases(t *testing.T) {
	k := Tube{0.7}
	if k.Passed(-1, 3) != 1 || k.Passed(0, 3) != 1 || k.Passed(1, 0) != 0 || k.Carried(0, 3) != 0 || k.Limited(-0.4, 3) != -0.4 || k.Limited(2, 0) != 0 {
		t.Error("a documented special case does not hold")
	}
	// (e^(a^2)-1)/2 per metre: a = 0.7, 0.49: 0.3161581...
	near(t, "dispersivity at 10 m", k.Dispersivity(10), 10*(math.Exp(0.49)-1)/2, 1e-14)
	near(t, "density at X = 0 is the patch", k.Density(Emission{FromM: -1, ToM: 1}, 0.3, 0), 0.5, 0)
}

// The tangential kernel has unit mass (1e-9) for any source, spread and turn,
// and the two series meet where they change.
func TestAround_UnitMass(t *testing.T) {
	worst := 0.0
	rapid.Check(t, func(t *rapid.T) {
		l := rapid.Float64Range(0.2, 6).Draw(t, "L")
		b := rapid.Float64Range(0.001, 0.75).Draw(t, "b/L") * l
		sd := rapid.OneOf(rapid.Float64Range(0.001, 0.24), rapid.Float64Range(0.25, 3), rapid.Just(0.0)).Draw(t, "sd/L") * l
		edges := []float64{-l / 2, l / 2}
		for k := -3; k <= 3; k++ {
			for s := -9.0; s <= 9; s += 0.5 {
				for _, sign := range []float64{-1, 1} {
					if u := float64(k)*l + sign*b + s*sd; math.Abs(u) < l/2 {
						edges = append(edges, u)
					}
				}
			}
		}
		mass := integral(func(d float64) float64 { return Around(d, b, sd*sd, l) }, edges...)
		worst = max(worst, math.Abs(mass-1))
		if !(math.Abs(mass-1) <= 1e-9) {
			t.Fatalf("mass %.12g", mass)
		}
		d := rapid.Float64Range(-9, 9).Draw(t, "d")
		here := Around(d, b, sd*sd, l)
		if sd > 0 && !(math.Abs(here-Around(-d, b, sd*sd, l)) <= 1e-9*(1+here)) {
			t.Fatal("the kernel is even")
		}
		if below, above := Around(d, b, l*l/16*(1-1e-12), l), Around(d, b, l*l/16, l); !(math.Abs(below-above) <= 1e-9/l) {
			t.Fatalf("the series differ where they meet: %.14g, %.14g", below, above)
		}
	})
	t.Logf("largest deviation from 1: %.2g (tolerance 1e-9)", worst)
	near(t, "no width", Around(0.1, 0, 0.01, 5), math.Exp(-0.5)/(0.1*math.Sqrt(2*math.Pi)), 1e-14)
	near(t, "edge of a top-hat", Around(0.1, 0.1, 0, 5), 2.5, 1e-15)
	near(t, "wide spread is even", Around(0.3, 0.01, 100, 2), 0.5, 1e-15)
}

// MODEL section 10 item 10: ripple of n equal sources against the sum of their
// kernels; the formula leaves out the second harmonic, 2 exp(-8 pi^2 S/D^2).
func TestRipple_AgreesWithSummedKernels(t *testing.T) {
	worst := 0.0
	for _, n := range []int{3, 8, 20} {
		const l = 1.6
		d := l / float64(n)
		for _, ratio := range []float64{0.26, 0.3, 0.4, 0.5} {
			variance := ratio * ratio * d * d
			least := 0.0
			for i := range n {
				least += Around(float64(i)*d+d/2, 1e-6*d, variance, l) * l / float64(n)
			}
			slack := 2*math.Exp(-8*math.Pi*math.Pi*ratio*ratio) + 1e-9
			worst = max(worst, math.Abs(least-Ripple(n, variance, l)))
			near(t, "least over mean", least, Ripple(n, variance, l), slack)
		}
	}
	t.Logf("largest deviation %.2g", worst)
}

// MODEL section 0 item 1 and 1.4: the dispersion source has integral X, and part
// of it lies below the port. Mass 1e-9.
func TestDispersion_UnitMass(t *testing.T) {
	k := Dispersion{DispersivityM: 0.2}
	for _, x := range []float64{0.05, 0.5, 2, 8, 60} {
		w := 2 * math.Sqrt(0.2*x)
		var edges []float64
		for s := -7.0; s <= 9; s += 0.25 {
			edges = append(edges, s*w, x+s*w)
		}
		edges = append(edges, 0, -0.1, -0.2, -0.5, -1, -2, -4, -8, -16)
		mass := integral(func(z float64) float64 { return k.Source(z, x) }, edges...)
		near(t, "mass of a source", mass/x, 1, 1e-9)
		for i, u := range edges {
			edges[i] = min(u, 0)
		}
		below := integral(func(z float64) float64 { return k.Source(z, x) }, edges...)
		t.Logf("X = %g m: %.3f m-equivalents lie below the port", x, below)
		near(t, "patch", integral(func(z float64) float64 { return k.Patch(z, 0.3, x) }, append(edges, func() (e []float64) {
			for s := -9.0; s <= 9; s += 0.25 {
				e = append(e, x+s*w/math.Sqrt2-0.3, x+s*w/math.Sqrt2+0.3)
			}
			return
		}()...)...), 1, 1e-9)
	}
	near(t, "continuous across the port", k.Source(1e-12, 5), k.Source(-1e-12, 5), 1e-10)
	near(t, "thin dispersion far below", Dispersion{DispersivityM: 1e-4}.Source(-0.001, 5), math.Exp(-10), 1e-12)
	near(t, "uptake", k.Uptake(3, 5, 5), k.Source(3, 5)/5, 1e-15)
	// Eight sub-patches stand for an uptake within 0.1 % L1 (MODEL 1.4: 0.026 % in its case).
	var e, total float64
	for z := -2.0; z < 14; z += 0.01 {
		sum := 0.0
		for i := range 8 {
			sum += Dispersion{DispersivityM: 0.2}.Patch(z, 2.0/16, 6-2*(float64(i)+0.5)/8) / 8
		}
		e, total = e+math.Abs(sum-k.Uptake(z, 6, 2)), total+k.Uptake(z, 6, 2)
	}
	t.Logf("eight sub-patches for an uptake: L1 %.3f %%", 100*e/total)
	if e/total > 0.001 {
		t.Errorf("L1 of eight sub-patches is %.2g", e/total)
	}
}
