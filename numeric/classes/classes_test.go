package classes_test

import (
	"encoding/csv"
	"errors"
	"math"
	"math/big"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"sapward/numeric/classes"
)

func table(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open("../../check/11_classes/" + name + ".csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func relative(got, want float64) float64 { return math.Abs(got-want) / math.Abs(want) }

// Every row of check/11_classes: sum of squares to 1e-10, sizes and class
// limits exactly (the limits are data values; the largest jenks71 values are
// printed to four digits).
func TestOptimal_Published(t *testing.T) {
	data := map[string][]float64{}
	worst := 0.0
	rows := table(t, "fisher_jenks")
	for _, row := range rows[1:] {
		name := row[0]
		if data[name] == nil {
			for _, r := range table(t, name)[1:] {
				data[name] = append(data[name], number(t, r[0]))
			}
		}
		k := int(number(t, row[1]))
		d, err := classes.Optimal(data[name], k)
		if err != nil {
			t.Fatal(err)
		}
		for what, pair := range map[string][2]float64{
			"sst": {d.SST, number(t, row[2])}, "ssw": {d.SSW, number(t, row[3])}, "gvf": {d.GVF, number(t, row[4])},
		} {
			dev := relative(pair[0], pair[1])
			worst = max(worst, dev)
			if dev > 1e-10 {
				t.Errorf("%s k=%d %s = %.14g, want %.14g", name, k, what, pair[0], pair[1])
			}
		}
		var lower, upper, sizes []string
		for _, c := range d.Classes {
			lower = append(lower, strconv.FormatFloat(c.Lower, 'g', 4, 64))
			upper = append(upper, strconv.FormatFloat(c.Upper, 'g', 4, 64))
			sizes = append(sizes, strconv.Itoa(c.Size))
		}
		for what, pair := range map[string][2]string{
			"lower": {strings.Join(lower, ";"), row[5]}, "upper": {strings.Join(upper, ";"), row[6]}, "sizes": {strings.Join(sizes, ";"), row[7]},
		} {
			if pair[0] != pair[1] {
				t.Errorf("%s k=%d %s = %s, want %s", name, k, what, pair[0], pair[1])
			}
		}
	}
	t.Logf("%d rows, largest relative deviation %.1e", len(rows)-1, worst)
}

// By hand: 1 2 | 9 10 | 20: 0.5 + 0.5 + 0; all about 8.4: 54.76+40.96+0.36+2.56+134.56.
func TestOptimal_ByHand(t *testing.T) {
	x := []float64{20, 1, 10, 2, 9}
	before := slices.Clone(x)
	d, err := classes.Optimal(x, 3)
	if err != nil {
		t.Fatal(err)
	}
	want := []classes.Class{{1, 2, 2, 1.5, 0.5}, {9, 10, 2, 9.5, 0.5}, {20, 20, 1, 20, 0}}
	if !slices.Equal(d.Classes, want) || d.SSW != 1 || relative(d.SST, 233.2) > 1e-14 || relative(d.GVF, 1-1/233.2) > 1e-14 {
		t.Errorf("%+v", d)
	}
	if !slices.Equal(x, before) {
		t.Error("the caller's slice was changed")
	}
	d, err = classes.Optimal([]float64{5, 5, 5}, 1)
	if err != nil || d.GVF != 1 || d.SSW != 0 || d.Classes[0].Size != 3 {
		t.Errorf("%+v %v", d, err)
	}
}

func TestOptimal_Refuses(t *testing.T) {
	for _, c := range []struct {
		x    []float64
		k    int
		want error
	}{
		{nil, 1, classes.ErrEmpty}, {[]float64{1, 2}, 0, classes.ErrClasses}, {[]float64{1, 2}, 3, classes.ErrClasses},
		{[]float64{4, 4, 4}, 2, classes.ErrClasses}, {[]float64{1, math.NaN()}, 1, classes.ErrNotFinite},
		{[]float64{1, math.Inf(-1)}, 1, classes.ErrNotFinite}, {[]float64{1, 1e200}, 1, classes.ErrNotFinite},
	} {
		if _, err := classes.Optimal(c.x, c.k); !errors.Is(err, c.want) {
			t.Errorf("%v in %d: %v, want %v", c.x, c.k, err, c.want)
		}
	}
}

// exact returns the sum of squares of integers about their mean.
func exact(x []int64) *big.Rat {
	s, q := new(big.Int), new(big.Int)
	for _, v := range x {
		b := big.NewInt(v)
		s.Add(s, b)
		q.Add(q, new(big.Int).Mul(b, b))
	}
	s.Mul(s, s)
	r := new(big.Rat).SetFrac(s, big.NewInt(int64(len(x))))
	return new(big.Rat).Sub(new(big.Rat).SetInt(q), r)
}

// enumerate tries every way to cut sorted x into k runs.
func enumerate(x []int64, k int) *big.Rat {
	if k == 1 {
		return exact(x)
	}
	var best *big.Rat
	for first := 1; first <= len(x)-k+1; first++ {
		v := new(big.Rat).Add(exact(x[:first]), enumerate(x[first:], k-1))
		if best == nil || v.Cmp(best) < 0 {
			best = v
		}
	}
	return best
}

// Every division of up to 11 integers, in exact rationals; values far from zero
// included. Relative tolerance 1e-13.
func TestOptimal_Enumeration(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		offset := rapid.SampledFrom([]int64{0, 1000, 1 << 40}).Draw(t, "offset")
		n := rapid.SliceOfN(rapid.Int64Range(0, 60), 1, 11).Draw(t, "x")
		distinct := map[int64]bool{}
		x := make([]float64, len(n))
		for i := range n {
			n[i] += offset
			distinct[n[i]] = true
			x[i] = float64(n[i])
		}
		k := rapid.IntRange(1, min(len(distinct), 5)).Draw(t, "k")
		d, err := classes.Optimal(x, k)
		if err != nil {
			t.Fatal(err)
		}
		slices.Sort(n)
		want, _ := enumerate(n, k).Float64()
		if math.Abs(d.SSW-want) > 1e-13*want {
			t.Fatalf("ssw %.17g, best %.17g", d.SSW, want)
		}
		total := 0
		for i, c := range d.Classes {
			total += c.Size
			if c.Size < 1 || c.Lower > c.Upper || i > 0 && c.Lower <= d.Classes[i-1].Upper {
				t.Fatalf("classes %+v", d.Classes)
			}
		}
		if total != len(n) || len(d.Classes) != k {
			t.Fatalf("%d values in %d classes", total, len(d.Classes))
		}
	})
}

// The plain O(k n^2) dynamic programme on larger samples, heavy with ties.
// Relative tolerance 1e-11 (the oracle's sums are ordinary float64).
func TestOptimal_PlainProgramme(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	worst := 0.0
	for range 40 {
		n := 30 + r.IntN(250)
		x := make([]float64, n)
		for i := range x {
			x[i] = math.Round(math.Exp(3+0.5*r.NormFloat64())*2) / 2
		}
		s := slices.Clone(x)
		slices.Sort(s)
		cost := make([][]float64, n)
		for i := range cost {
			cost[i] = make([]float64, n+1)
			var mean, ss float64 // Welford
			for j := i; j < n; j++ {
				d := s[j] - mean
				mean += d / float64(j-i+1)
				ss += d * (s[j] - mean)
				cost[i][j+1] = ss
			}
		}
		best := append([]float64{0}, cost[0][1:]...)
		for k := 1; k <= 7; k++ {
			if k > 1 {
				next := make([]float64, n+1)
				for j := range next {
					next[j] = math.Inf(1)
					for i := k - 1; i < j; i++ {
						next[j] = min(next[j], best[i]+cost[i][j])
					}
				}
				best = next
			}
			d, err := classes.Optimal(x, k)
			if err != nil {
				t.Fatal(err)
			}
			dev := relative(d.SSW, best[n])
			worst = max(worst, dev)
			if dev > 1e-11 {
				t.Fatalf("n %d k %d: %.15g, plain %.15g", n, k, d.SSW, best[n])
			}
		}
	}
	t.Logf("40 samples, k 1 to 7, largest relative deviation %.1e", worst)
}

// 100,000 values finish and more classes never fit worse.
func TestOptimal_Large(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 8))
	x := make([]float64, 100000)
	for i := range x {
		x[i] = 10 + 100*r.Float64()
	}
	last := math.Inf(1)
	for k := 1; k <= 4; k++ {
		d, err := classes.Optimal(x, k)
		if err != nil {
			t.Fatal(err)
		}
		if d.SSW >= last {
			t.Errorf("k %d: %g, before %g", k, d.SSW, last)
		}
		// Uniform values: k equal classes leave n w^2/12k^2, here within 2 %.
		if want := 100000 * 1e4 / 12 / float64(k*k); relative(d.SSW, want) > 0.02 {
			t.Errorf("k %d: %g, uniform %g", k, d.SSW, want)
		}
		last = d.SSW
	}
}
