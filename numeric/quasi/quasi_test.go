package quasi_test

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"sapward/numeric/quasi"
)

func table(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open("../../check/10_uncertainty/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows[1:]
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// Both files hold exact dyadic fractions (Joe and Kuo 2008), so equality is
// exact: tolerance 0.
func TestSobol_PublishedPoints(t *testing.T) {
	s, err := quasi.NewSobol(10, quasi.Plain, 0)
	if err != nil {
		t.Fatal(err)
	}
	p := make([]float64, 10)
	for name, point := range map[string]func([]float64, uint32){"sobol_sequence_joekuo.csv": s.Point, "sobol_sequence_natural_order.csv": s.Natural} {
		rows := table(t, name)
		if len(rows) < 16 {
			t.Fatalf("%s has %d rows", name, len(rows))
		}
		for _, row := range rows {
			i, _ := strconv.Atoi(row[0])
			point(p, uint32(i))
			for j := range p {
				if p[j] != number(t, row[j+1]) {
					t.Errorf("%s point %d coordinate %d: %v, published %s", name, i, j+1, p[j], row[j+1])
				}
			}
		}
	}
}

// The direction numbers of the file themselves: the first points of dimension j
// in natural order are m_k/2^k.
func TestSobol_PublishedDirections(t *testing.T) {
	s, _ := quasi.NewSobol(10, quasi.Plain, 0)
	p := make([]float64, 10)
	for _, row := range table(t, "joe_kuo_directions.csv") {
		d, _ := strconv.Atoi(row[0])
		for k, m := range strings.Fields(row[3]) {
			s.Natural(p, 1<<k)
			if want := number(t, m) / float64(uint(2)<<k); p[d-1] != want {
				t.Errorf("dimension %d, direction %d: %v, published %v", d, k+1, p[d-1], want)
			}
		}
	}
}

func TestHalton_PublishedPoints(t *testing.T) {
	for _, row := range table(t, "halton.csv") {
		i, _ := strconv.ParseUint(row[0], 10, 64)
		for j, base := range []int{2, 3, 5} {
			got, err := quasi.Halton(i, base)
			if err != nil || math.Abs(got-number(t, row[j+1])) > 1e-14 {
				t.Errorf("Halton(%d, %d) = %v %v, published %s", i, base, got, err, row[j+1])
			}
		}
	}
	if _, err := quasi.Halton(3, 1); !errors.Is(err, quasi.ErrBase) {
		t.Errorf("base 1: %v", err)
	}
}

// Every dimension is a (0, m, 1)-net: 2^m points from a multiple of 2^m hit
// each interval of length 2^-m once, plain and scrambled.
func TestSobol_EveryDimensionStratifies(t *testing.T) {
	for _, scramble := range []quasi.Scramble{quasi.Plain, quasi.Shift, quasi.Owen} {
		rapid.Check(t, func(rt *rapid.T) {
			s, err := quasi.NewSobol(quasi.MaxDimension, scramble, rapid.Uint64().Draw(rt, "seed"))
			if err != nil {
				rt.Fatal(err)
			}
			m := rapid.IntRange(1, 8).Draw(rt, "m")
			start := rapid.Uint32Range(0, 1000).Draw(rt, "block") << m
			seen := make([][]bool, quasi.MaxDimension)
			for j := range seen {
				seen[j] = make([]bool, 1<<m)
			}
			p := make([]float64, quasi.MaxDimension)
			for i := range uint32(1) << m {
				s.Point(p, start+i)
				for j, x := range p {
					cell := int(x * float64(int(1)<<m))
					if seen[j][cell] {
						rt.Fatalf("%s: dimension %d: cell %d of 2^%d twice", scramble, j+1, cell, m)
					}
					seen[j][cell] = true
				}
			}
		})
	}
}

// Owen scrambling keeps the net in two dimensions too: the first 16 points of
// dimensions 1 and 2 hit each of the 4 x 4, 2 x 8, 8 x 2 boxes once.
func TestSobol_OwenKeepsTheNet(t *testing.T) {
	for seed := range uint64(200) {
		s, _ := quasi.NewSobol(2, quasi.Owen, seed)
		p := make([]float64, 2)
		for a := 0; a <= 4; a++ {
			seen := map[[2]int]bool{}
			for i := range uint32(16) {
				s.Point(p, i)
				seen[[2]int{int(p[0] * float64(int(1)<<a)), int(p[1] * float64(int(16)>>a))}] = true
			}
			if len(seen) != 16 {
				t.Fatalf("seed %d: %d of 16 boxes %d x %d", seed, len(seen), 1<<a, 16>>a)
			}
		}
	}
}

// Over seeds a scrambled point is uniform: its mean over 4,000 seeds is 1/2 and
// its variance 1/12 within 4 standard errors, and two coordinates do not move
// together.
func TestSobol_ScrambledPointsAreUniform(t *testing.T) {
	const n = 4000
	for _, scramble := range []quasi.Scramble{quasi.Shift, quasi.Owen} {
		for _, index := range []uint32{0, 1, 77} {
			var sum, square, cross float64
			p := make([]float64, 7)
			for seed := range uint64(n) {
				s, _ := quasi.NewSobol(7, scramble, seed)
				s.Point(p, index)
				a, b := p[3]-0.5, p[6]-0.5
				sum, square, cross = sum+a, square+a*a, cross+a*b
			}
			if z := sum / n * math.Sqrt(12*n); math.Abs(z) > 4 {
				t.Errorf("%s point %d: mean is %.1f standard errors off", scramble, index, z)
			}
			if z := (square/n - 1.0/12) * math.Sqrt(180*n); math.Abs(z) > 4 { // Var(a^2) = 1/180
				t.Errorf("%s point %d: variance is %.1f standard errors off", scramble, index, z)
			}
			if z := cross / n * 12 * math.Sqrt(n); math.Abs(z) > 4 {
				t.Errorf("%s point %d: coordinates go together, %.1f standard errors", scramble, index, z)
			}
		}
	}
}

// Integrating a smooth function with 1,024 Owen-scrambled points leaves less
// than a tenth of the error of independent points (root mean square over 50
// seeds); the mean of exp(x1+...+x4) is (e-1)^4.
func TestSobol_OwenIntegrates(t *testing.T) {
	const n, d, seeds = 1024, 4, 50
	exact := math.Pow(math.E-1, d)
	deviation := math.Sqrt(math.Pow((math.E*math.E-1)/2, d) - exact*exact)
	var square float64
	for seed := range uint64(seeds) {
		s, _ := quasi.NewSobol(d, quasi.Owen, seed)
		p, sum := make([]float64, d), 0.0
		for i := range uint32(n) {
			s.Point(p, i)
			sum += math.Exp(p[0] + p[1] + p[2] + p[3])
		}
		square += (sum/n - exact) * (sum/n - exact) / seeds
	}
	if got, plain := math.Sqrt(square), deviation/math.Sqrt(n); got > plain/10 {
		t.Errorf("error %v, independent points %v", got, plain)
	}
}

func ishigami(a, b float64) func([]float64) float64 {
	return func(u []float64) float64 {
		x := func(i int) float64 { return math.Pi * (2*u[i] - 1) }
		s := math.Sin(x(1))
		return math.Sin(x(0)) + a*s*s + b*math.Pow(x(2), 4)*math.Sin(x(0))
	}
}

func sobolG(a []float64) func([]float64) float64 {
	return func(u []float64) float64 {
		v := 1.0
		for i, k := range a {
			v *= (math.Abs(4*u[i]-2) + k) / (1 + k)
		}
		return v
	}
}

// Every published index of the file, first and total (S13 is their
// difference), with 4,096 points: within 0.02 of the closed form (the mean and
// the variance within 1 %). Independent points would have a standard error of
// about 0.02 here.
func TestIndices_ClosedForms(t *testing.T) {
	type key struct{ function, parameters string }
	cases := map[key]map[string]float64{}
	for _, row := range table(t, "sobol_indices.csv") {
		k := key{row[0], row[1]}
		if cases[k] == nil {
			cases[k] = map[string]float64{}
		}
		cases[k][row[2]] = number(t, row[3])
	}
	worst, compared := 0.0, 0
	for k, want := range cases {
		var f func([]float64) float64
		inputs := 3
		if k.function == "ishigami" {
			p := strings.Split(k.parameters, ";")
			f = ishigami(number(t, strings.TrimPrefix(p[0], "a=")), number(t, strings.TrimPrefix(p[1], "b=")))
		} else {
			var a []float64
			for _, s := range strings.Fields(strings.TrimPrefix(k.parameters, "a=")) {
				a = append(a, number(t, s))
			}
			f, inputs = sobolG(a), len(a)
		}
		d, err := quasi.NewDesign(inputs, 4096, 11)
		if err != nil {
			t.Fatal(err)
		}
		values, u := make([]float64, d.Runs()), make([]float64, inputs)
		for i := range values {
			d.At(u, i)
			values[i] = f(u)
		}
		got, err := d.Estimate(values)
		if err != nil {
			t.Fatal(err)
		}
		for name, v := range want {
			var have float64
			tolerance := 0.02
			switch {
			case name == "mean":
				have, tolerance = got.Mean, 0.01*v
			case name == "variance":
				have, tolerance = got.Variance, 0.01*v
			case name == "S13":
				have = got.Total[0] - got.First[0]
			case strings.HasPrefix(name, "ST"):
				i, _ := strconv.Atoi(name[2:])
				have = got.Total[i-1]
			case len(name) == 2:
				i, _ := strconv.Atoi(name[1:])
				have = got.First[i-1]
			default:
				t.Fatalf("%v: quantity %s is not judged", k, name)
			}
			compared++
			worst = math.Max(worst, math.Abs(have-v)/tolerance)
			if math.Abs(have-v) > tolerance {
				t.Errorf("%v %s: %v, closed form %v", k, name, have, v)
			}
		}
	}
	t.Logf("%d indices, largest deviation %.2f of its tolerance", compared, worst)
}

func TestRefuses(t *testing.T) {
	for _, d := range []int{0, quasi.MaxDimension + 1} {
		if _, err := quasi.NewSobol(d, quasi.Owen, 1); !errors.Is(err, quasi.ErrDimension) {
			t.Errorf("%d dimensions: %v", d, err)
		}
	}
	if _, err := quasi.NewSobol(2, "other", 1); err == nil {
		t.Error("an unknown scramble was taken")
	}
	if _, err := quasi.NewDesign(2, 1, 1); !errors.Is(err, quasi.ErrShape) {
		t.Errorf("one point: %v", err)
	}
	d, _ := quasi.NewDesign(2, 4, 1)
	if _, err := d.Estimate(make([]float64, 3)); !errors.Is(err, quasi.ErrShape) {
		t.Errorf("3 values: %v", err)
	}
	values := make([]float64, d.Runs())
	if _, err := d.Estimate(values); !errors.Is(err, quasi.ErrConstant) {
		t.Errorf("constant: %v", err)
	}
	values[5] = math.NaN()
	if _, err := d.Estimate(values); !errors.Is(err, quasi.ErrNotFinite) {
		t.Errorf("NaN: %v", err)
	}
}

func BenchmarkOwen16(b *testing.B) {
	s, _ := quasi.NewSobol(16, quasi.Owen, 1)
	p := make([]float64, 16)
	for i := range b.N {
		s.Point(p, uint32(i))
	}
}
