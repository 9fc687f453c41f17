package fit

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

// hard problems: known parameters, noise from a seeded generator, starts so far
// away that a careless solver leaves for infinity. The check is a second route:
// the fit started at the true parameters. Forms, starts and rounded parameters
// follow hard problems of the NIST collection (from memory); the data are invented.
func TestSolve_FarStartsReachTheSameMinimum(t *testing.T) {
	grid := func(from, step float64, n int) []float64 {
		x := make([]float64, n)
		for i := range x {
			x[i] = from + step*float64(i)
		}
		return x
	}
	cases := []struct {
		name   string
		x      []float64
		truth  []float64
		starts [][]float64
		noise  float64
		model  func(x float64, b []float64) float64
	}{
		{"exponential of a ratio", grid(50, 5, 16), []float64{0.0056, 6181, 345}, [][]float64{{2, 400000, 25000}, {0.02, 4000, 250}}, 1e-4,
			func(x float64, b []float64) float64 { return b[0] * math.Exp(b[1]/(x+b[2])) }},
		{"saturation", []float64{1, 2, 3, 5, 7, 10}, []float64{213.8, 0.547}, [][]float64{{1, 1}, {100, 0.75}}, 0.05,
			func(x float64, b []float64) float64 { return b[0] * (1 - math.Exp(-b[1]*x)) }},
		{"generalised logistic", grid(1, 1, 15), []float64{700, 5.28, 0.76, 1.28}, [][]float64{{100, 10, 1, 1}, {700, 5, 0.75, 1.3}}, 0.05,
			func(x float64, b []float64) float64 { return b[0] / math.Pow(1+math.Exp(b[1]-b[2]*x), 1/b[3]) }},
		{"ratio of quadratics", grid(10, 2.5, 150), []float64{1.67, -0.139, 0.0026, -0.00172, 0.0000216}, [][]float64{{2, -0.1, 0.003, -0.001, 0.00001}, {1.5, -0.15, 0.0025, -0.0015, 0.00002}}, 2e-3,
			func(x float64, b []float64) float64 {
				return (b[0] + x*(b[1]+x*b[2])) / (1 + x*(b[3]+x*b[4]))
			}},
		{"ratio of cubics", grid(14, 3.6, 230), []float64{1.078, -0.1227, 0.004086, -1.426e-6, -0.00576, 0.0002405, -1.2314e-7}, [][]float64{{10, -1, 0.05, -0.00001, -0.05, 0.001, -0.000001}, {1, -0.1, 0.005, -0.000001, -0.005, 0.0001, -0.0000001}}, 5e-3,
			func(x float64, b []float64) float64 {
				return (b[0] + x*(b[1]+x*(b[2]+x*b[3]))) / (1 + x*(b[4]+x*(b[5]+x*b[6])))
			}},
	}
	for _, c := range cases {
		rng := rand.New(rand.NewPCG(7, 11))
		y := make([]float64, len(c.x))
		for i, x := range c.x {
			y[i] = c.model(x, c.truth) * (1 + c.noise*rng.NormFloat64())
		}
		want, err := Solve(Problem{Points: len(y), Residuals: residuals(c.x, y, c.model), Starts: [][]float64{c.truth}}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		for k, s := range c.starts {
			got, err := Solve(Problem{Points: len(y), Residuals: residuals(c.x, y, c.model), Starts: [][]float64{s}}, Options{})
			if err != nil {
				t.Fatal(err)
			}
			worst := 0.0
			for j := range s {
				worst = math.Max(worst, away(got.Parameters[j], want.Parameters[j]))
			}
			t.Logf("%s, start %d: %.1e, %d iterations", c.name, k+1, worst, got.Iterations)
			if worst > 1e-6 {
				t.Errorf("%s, start %d: %v, want %v", c.name, k+1, got.Parameters, want.Parameters)
			}
		}
	}
}

// A straight line has a closed form: slope, intercept and their errors.
func TestSolve_StraightLineEqualsClosedForm(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(3, 20).Draw(t, "n")
		x, y := make([]float64, n), make([]float64, n)
		for i := range x {
			x[i] = float64(i) + rapid.Float64Range(0, 0.5).Draw(t, "x")
			y[i] = rapid.Float64Range(-100, 100).Draw(t, "y")
		}
		got, err := Solve(Problem{Points: n, Residuals: residuals(x, y, func(x float64, b []float64) float64 { return b[0] + b[1]*x }), Starts: [][]float64{{1, 1}}}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		mx, my := 0.0, 0.0
		for i := range x {
			mx, my = mx+x[i]/float64(n), my+y[i]/float64(n)
		}
		sxx, sxy := 0.0, 0.0
		for i := range x {
			sxx += (x[i] - mx) * (x[i] - mx)
			sxy += (x[i] - mx) * (y[i] - my)
		}
		slope := sxy / sxx
		rss := 0.0
		for i := range x {
			e := y[i] - my - slope*(x[i]-mx)
			rss += e * e
		}
		se := math.Sqrt(rss / float64(n-2) / sxx)
		if math.Abs(got.Parameters[1]-slope) > 1e-8*(1+math.Abs(slope)) || math.Abs(got.RSS-rss) > 1e-8*(1+rss) {
			t.Fatalf("slope %v want %v, RSS %v want %v", got.Parameters[1], slope, got.RSS, rss)
		}
		if rss > 1e-3 && math.Abs(got.StdErrors[1]-se) > 1e-6*se {
			t.Fatalf("error %v want %v", got.StdErrors[1], se)
		}
	})
}

// The bound wins where the free minimum lies outside it; inside, it changes nothing.
func TestSolve_Bounds(t *testing.T) {
	x, y := []float64{0, 1, 2, 3, 4}, []float64{10, 6.2, 3.5, 2.3, 1.4}
	model := func(x float64, b []float64) float64 { return b[0] * math.Exp(-b[1]*x) }
	free, err := Solve(Problem{Points: 5, Residuals: residuals(x, y, model), Starts: [][]float64{{8, 0.3}}}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range []Bound{Above(0), Between(0, 10), {math.Inf(-1), 5}} {
		got, err := Solve(Problem{Points: 5, Residuals: residuals(x, y, model), Starts: [][]float64{{8, 0.3}}, Bounds: []Bound{Above(0), b}}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		for j := range free.Parameters {
			if away(got.Parameters[j], free.Parameters[j]) > 1e-9 || away(got.StdErrors[j], free.StdErrors[j]) > 1e-7 {
				t.Errorf("bound %v: %v +- %v, want %v +- %v", b, got.Parameters, got.StdErrors, free.Parameters, free.StdErrors)
			}
		}
	}
	at, err := Solve(Problem{Points: 5, Residuals: residuals(x, y, model), Starts: [][]float64{{8, 0.2}}, Bounds: []Bound{Free(), Between(0, 0.3)}}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if !at.AtBound[1] || math.Abs(at.Parameters[1]-0.3) > 1e-6 || at.StdErrors != nil && at.StdErrors[1] != 0 {
		t.Errorf("at the bound: %+v", at)
	}
	if _, err := Solve(Problem{Points: 5, Residuals: residuals(x, y, model), Starts: [][]float64{{8, 2}}, Bounds: []Bound{Free(), Between(0, 0.3)}}, Options{}); !errors.Is(err, ErrBounds) {
		t.Errorf("a start outside its bound: %v", err)
	}
}

func TestSolve_Refuses(t *testing.T) {
	bad := func(p, r []float64) {
		for i := range r {
			r[i] = math.NaN()
		}
	}
	if _, err := Solve(Problem{Points: 3, Residuals: bad, Starts: [][]float64{{1}}}, Options{}); !errors.Is(err, ErrStart) {
		t.Errorf("a model without values: %v", err)
	}
	if _, err := Solve(Problem{Points: 1, Residuals: bad, Starts: [][]float64{{1, 2}}}, Options{}); !errors.Is(err, ErrTooFew) {
		t.Errorf("too few points: %v", err)
	}
	if _, err := Solve(Problem{Points: 1, Residuals: bad}, Options{}); !errors.Is(err, ErrShape) {
		t.Errorf("no start: %v", err)
	}
	if _, err := Solve(Problem{Points: 3, Residuals: bad, Starts: [][]float64{{math.NaN()}}}, Options{}); !errors.Is(err, ErrNotFinite) {
		t.Errorf("start NaN: %v", err)
	}
	if _, err := OneWay([][]float64{{1, 1}, {2, 2}}); !errors.Is(err, ErrConstant) {
		t.Errorf("constant groups: %v", err)
	}
	for _, g := range [][][]float64{nil, {{1, 2}}, {{1, 2}, {}}, {{1}, {2}}} {
		if _, err := OneWay(g); !errors.Is(err, ErrTooFew) {
			t.Errorf("%v: %v", g, err)
		}
	}
	if _, err := OneWay([][]float64{{1, math.Inf(1)}, {2, 3}}); !errors.Is(err, ErrNotFinite) {
		t.Errorf("infinite: %v", err)
	}
}

// Two parameters that only act through their product: no standard errors, and no NaN.
func TestSolve_DependentParametersHaveNoErrors(t *testing.T) {
	x, y := []float64{1, 2, 3, 4}, []float64{2.1, 3.9, 6.2, 7.9}
	got, err := Solve(Problem{Points: 4, Residuals: residuals(x, y, func(x float64, b []float64) float64 { return b[0] * b[1] * x }), Starts: [][]float64{{1, 1}}}, Options{})
	if err != nil || got.StdErrors != nil || got.Rank != 1 {
		t.Errorf("%+v, %v", got, err)
	}
	if away(got.Parameters[0]*got.Parameters[1], 60.1/30) > 1e-8 { // sum xy / sum xx by hand
		t.Errorf("product %v", got.Parameters[0]*got.Parameters[1])
	}
}

// Perfect data end at zero, and the caller's start is left as it was.
func TestSolve_PerfectData(t *testing.T) {
	x, y := []float64{0, 1, 2, 3}, []float64{8, 4, 2, 1}
	start := []float64{5, 1}
	got, err := Solve(Problem{Points: 4, Residuals: residuals(x, y, func(x float64, b []float64) float64 { return b[0] * math.Exp(-b[1]*x) }), Starts: [][]float64{start}}, Options{})
	if err != nil || away(got.Parameters[0], 8) > 1e-12 || away(got.Parameters[1], math.Ln2) > 1e-12 || !got.Stop.Good() {
		t.Errorf("%+v, %v", got, err)
	}
	if start[0] != 5 || start[1] != 1 {
		t.Error("the start was changed")
	}
}

// Rosenbrock's valley has its minimum 0 at (1, 1), Hessian (802 -400; -400 200).
func TestMinimise_Rosenbrock(t *testing.T) {
	f := func(x []float64) float64 { return 100*math.Pow(x[1]-x[0]*x[0], 2) + math.Pow(1-x[0], 2) }
	g := func(x, g []float64) {
		g[0] = -400*x[0]*(x[1]-x[0]*x[0]) - 2*(1-x[0])
		g[1] = 200 * (x[1] - x[0]*x[0])
	}
	for _, o := range []Objective{{f, g}, {f, nil}} {
		m, err := Minimise(o, [][]float64{{-1.2, 1}, {4, -3}}, Options{})
		if err != nil || math.Abs(m.X[0]-1) > 1e-6 || math.Abs(m.X[1]-1) > 1e-6 || !m.Stop.Good() {
			t.Errorf("%+v, %v", m, err)
		}
		if math.Abs(m.Hessian[0][0]-802) > 0.1 || math.Abs(m.Hessian[0][1]+400) > 0.1 || math.Abs(m.Hessian[1][1]-200) > 0.1 {
			t.Errorf("Hessian %v", m.Hessian)
		}
	}
	if _, err := Minimise(Objective{Value: func([]float64) float64 { return math.NaN() }}, [][]float64{{1}}, Options{}); !errors.Is(err, ErrStart) {
		t.Errorf("no value: %v", err)
	}
	if _, err := Minimise(Objective{}, nil, Options{}); !errors.Is(err, ErrShape) {
		t.Errorf("no function: %v", err)
	}
}
