package describe_test

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"math/big"
	"math/rand/v2"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"sapward/numeric/describe"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(relative(got, want) <= tol) {
		t.Errorf("%s = %.15g, want %.15g (relative tolerance %g)", what, got, want, tol)
	}
}

type statistic struct {
	name string
	f    func([]float64) (float64, error)
}

func all() []statistic {
	return []statistic{
		{"Sum", describe.Sum}, {"Mean", describe.Mean}, {"SumSquares", describe.SumSquares},
		{"Variance", describe.Variance}, {"SD", describe.SD}, {"Autocorrelation1", describe.Autocorrelation1},
		{"QuadraticMean", describe.QuadraticMean}, {"Skewness", describe.Skewness}, {"Median", describe.Median},
		{"MAD", describe.MAD}, {"MeanAbsDeviation", describe.MeanAbsDeviation},
		{"Quantile7", func(x []float64) (float64, error) { return describe.Quantile7(x, 0.3) }},
		{"RobustZ", func(x []float64) (float64, error) {
			z, _, err := describe.RobustZ(x)
			if err != nil {
				return 0, err
			}
			return z[0], nil
		}},
	}
}

// Worked by hand on 1 2 3 4 10: mean 4, squares 9 4 1 0 36 = 50, sd sqrt(12.5);
// median 3, deviations 2 1 0 1 7, MAD 1, mean absolute deviation 11/5;
// quadratic mean sqrt(130/5); m3 = (-27-8-1+216)/5 = 36, m2 = 10,
// G1 = sqrt(20)/3*36/10^1.5; r1 = (6+2+0+0)/50; z of 10 = 0.6745*7;
// type-7 quantile 0.9: h = 3.6, 4 + 0.6*6 = 7.6.
func TestByHand(t *testing.T) {
	x := []float64{1, 2, 3, 4, 10}
	want := map[string]float64{
		"Sum": 20, "Mean": 4, "SumSquares": 50, "Variance": 12.5, "SD": math.Sqrt(12.5), "Median": 3, "MAD": 1,
		"MeanAbsDeviation": 2.2, "QuadraticMean": math.Sqrt(26), "Autocorrelation1": 0.16,
		"Skewness": math.Sqrt(20) / 3 * 36 / math.Pow(10, 1.5), "RobustZ": -1.349, "Quantile7": 2.2,
	}
	for _, s := range all() {
		got, err := s.f(x)
		if err != nil {
			t.Fatal(s.name, err)
		}
		near(t, s.name, got, want[s.name], 1e-14)
	}
	z, scale, err := describe.RobustZ(x)
	if err != nil || scale != describe.ScaleMAD {
		t.Fatal(scale, err)
	}
	near(t, "z of 10", z[4], 0.6745*7, 1e-14)
	q, err := describe.Quantile7(x, 0.9)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "quantile 0.9", q, 7.6, 1e-14)
	for p, w := range map[float64]float64{0: 1, 0.5: 3, 1: 10} {
		if q, err := describe.Quantile7(x, p); err != nil || q != w {
			t.Errorf("quantile %g = %g, %v, want %g", p, q, err, w)
		}
	}
	if m, _ := describe.Median([]float64{4, 1, 3, 2}); m != 2.5 {
		t.Errorf("median of an even count = %g, want 2.5", m)
	}
	if got, _ := describe.Outliers(x); !slices.Equal(got, []int{4}) {
		t.Errorf("outliers %v, want the last value", got)
	}
	// SES for n = 10 by hand: sqrt(6*10*9/(8*11*13)) = sqrt(540/1144).
	ses, err := describe.SkewnessError(10)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "SES", ses, math.Sqrt(540.0/1144), 1e-15)
}

// Where the median absolute deviation is 0 the mean one is used. By hand: nine
// 20 and one 30: mean absolute deviation 1, z = 10/sqrt(pi/2) = 7.97884560802865.
func TestRobustZ_WithoutSpread(t *testing.T) {
	x := []float64{20, 20, 20, 20, 30, 20, 20, 20, 20, 20}
	z, scale, err := describe.RobustZ(x)
	if err != nil || scale != describe.ScaleMeanAbs {
		t.Fatal(scale, err)
	}
	near(t, "z", z[4], 7.97884560802865, 1e-14)
	if got, _ := describe.Outliers(x); !slices.Equal(got, []int{4}) {
		t.Errorf("outliers %v, want [4]", got)
	}
	z, scale, err = describe.RobustZ([]float64{7, 7, 7})
	if err != nil || scale != describe.ScaleNone || !slices.Equal(z, []float64{0, 0, 0}) {
		t.Errorf("equal values: %v %q %v", z, scale, err)
	}
}

func TestBadData(t *testing.T) {
	needs := map[string]int{"Variance": 2, "SD": 2, "Autocorrelation1": 2, "Skewness": 3}
	for _, s := range all() {
		if _, err := s.f(nil); !errors.Is(err, describe.ErrEmpty) {
			t.Errorf("%s of nothing: %v", s.name, err)
		}
		for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
			if _, err := s.f([]float64{1, 2, bad, 4}); !errors.Is(err, describe.ErrNotFinite) {
				t.Errorf("%s with %v: %v", s.name, bad, err)
			}
		}
		if n := needs[s.name]; n > 0 {
			if _, err := s.f(make([]float64, n-1)); !errors.Is(err, describe.ErrTooFew) {
				t.Errorf("%s of %d values: %v", s.name, n-1, err)
			}
		}
	}
	if _, err := describe.Skewness([]float64{3, 3, 3}); !errors.Is(err, describe.ErrConstant) {
		t.Error(err)
	}
	if _, err := describe.Autocorrelation1([]float64{3, 3, 3}); !errors.Is(err, describe.ErrConstant) {
		t.Error(err)
	}
	if _, err := describe.Mean([]float64{1e308, 1e308, 1e308}); !errors.Is(err, describe.ErrOverflow) {
		t.Error(err)
	}
	if _, err := describe.SD([]float64{1e200, -1e200}); !errors.Is(err, describe.ErrOverflow) {
		t.Error(err)
	}
	if _, err := describe.QuadraticMean([]float64{1e200, -1e200}); !errors.Is(err, describe.ErrOverflow) {
		t.Error(err)
	}
	if _, err := describe.SkewnessError(2); !errors.Is(err, describe.ErrTooFew) {
		t.Error(err)
	}
	for _, p := range []float64{-0.1, 1.1, math.NaN()} {
		if _, err := describe.Quantile7([]float64{1}, p); !errors.Is(err, describe.ErrProbability) {
			t.Errorf("quantile %v: %v", p, err)
		}
	}
}

// Against exact rational arithmetic: 14 digits of the mean whatever the offset,
// and of the sum of squares to what the rounding of the data allows.
func TestExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		offset := rapid.SampledFrom([]float64{0, 1, 1e3, 1e7, -1e10}).Draw(t, "offset")
		x := rapid.SliceOfN(rapid.Float64Range(-100, 100), 2, 60).Draw(t, "x")
		for i := range x {
			x[i] += offset
		}
		before := slices.Clone(x)
		sum := new(big.Rat)
		for _, v := range x {
			sum.Add(sum, new(big.Rat).SetFloat64(v))
		}
		mean := new(big.Rat).Quo(sum, new(big.Rat).SetInt64(int64(len(x))))
		ss := new(big.Rat)
		for _, v := range x {
			d := new(big.Rat).SetFloat64(v)
			d.Sub(d, mean)
			ss.Add(ss, d.Mul(d, d))
		}
		m, err := describe.Mean(x)
		if err != nil {
			t.Fatal(err)
		}
		wantMean, _ := mean.Float64()
		if math.Abs(m-wantMean) > 1e-15*math.Max(math.Abs(wantMean), 0.1*math.Abs(offset))+1e-16 {
			t.Fatalf("mean %.17g, exact %.17g", m, wantMean)
		}
		got, err := describe.SumSquares(x)
		if err != nil {
			t.Fatal(err)
		}
		want, _ := ss.Float64()
		// d = x - mean is rounded relative to the offset: error 2 d eps|offset| each.
		tol := 1e-14*want + 1e-15*math.Abs(offset)*math.Sqrt(want*float64(len(x))) + 1e-28*offset*offset*float64(len(x))
		if math.Abs(got-want) > tol {
			t.Fatalf("sum of squares %.17g, exact %.17g, tolerance %g", got, want, tol)
		}
		for _, s := range all() {
			if v, err := s.f(x); err == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
				t.Fatalf("%s = %v", s.name, v)
			}
		}
		if !slices.Equal(x, before) {
			t.Fatal("the caller's slice was changed")
		}
	})
}

// R lines: one input vector a line, one line of answers back.
func runR(t *testing.T, script, input string) [][]float64 {
	t.Helper()
	path, err := exec.LookPath("Rscript")
	if err != nil {
		t.Skip("skipped: Rscript is not on this machine, so there is no second program to compare with")
	}
	file := t.TempDir() + "/script.R"
	if err := os.WriteFile(file, []byte(script), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(path, "--vanilla", file)
	cmd.Stdin = strings.NewReader(input)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("R: %v\n%s", err, stderr.String())
	}
	var rows [][]float64
	for line := range strings.Lines(string(out)) {
		var row []float64
		for f := range strings.FieldsSeq(line) {
			row = append(row, number(t, f))
		}
		rows = append(rows, row)
	}
	return rows
}

func join(x []float64) string {
	s := make([]string, len(x))
	for i, v := range x {
		s[i] = strconv.FormatFloat(v, 'g', 17, 64)
	}
	return strings.Join(s, " ")
}

// Against R on random samples. Tolerance 1e-12 relative (R's own sums are in
// extended precision); skewness 1e-10, computed in R from its definition.
func TestAgainstR(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 7))
	var input strings.Builder
	var samples [][]float64
	for range 200 {
		x := make([]float64, 3+r.IntN(40))
		for i := range x {
			x[i] = math.Exp(3 + 0.6*r.NormFloat64())
		}
		samples = append(samples, x)
		fmt.Fprintln(&input, join(x))
	}
	rows := runR(t, `
for (l in readLines(file("stdin"))) {
  x <- as.numeric(strsplit(l, " ")[[1]]); n <- length(x); m <- mean(x); d <- x - m
  g <- sqrt(n*(n-1))/(n-2) * mean(d^3) / mean(d^2)^1.5
  r1 <- sum(d[-n]*d[-1])/sum(d^2)
  q <- quantile(x, c(.1, .37, .9), type = 7, names = FALSE)
  cat(format(c(sum(x), m, var(x), sd(x), median(x), mad(x, constant = 1), mean(abs(x - median(x))), sqrt(mean(x^2)), g, r1, q), digits = 17), "\n")
}`, input.String())
	if len(rows) != len(samples) {
		t.Fatalf("%d answers for %d samples", len(rows), len(samples))
	}
	worst := 0.0
	for i, x := range samples {
		got := make([]float64, 0, 13)
		for _, f := range []func([]float64) (float64, error){
			describe.Sum, describe.Mean, describe.Variance, describe.SD, describe.Median, describe.MAD,
			describe.MeanAbsDeviation, describe.QuadraticMean, describe.Skewness, describe.Autocorrelation1,
		} {
			v, err := f(x)
			if err != nil {
				t.Fatal(err)
			}
			got = append(got, v)
		}
		for _, p := range []float64{.1, .37, .9} {
			v, err := describe.Quantile7(x, p)
			if err != nil {
				t.Fatal(err)
			}
			got = append(got, v)
		}
		for j, v := range got {
			// Skewness and autocorrelation may be near 0: compare absolutely there.
			d := math.Abs(v-rows[i][j]) / math.Max(math.Abs(rows[i][j]), 1)
			worst = max(worst, d)
			if d > 1e-12 {
				t.Errorf("sample %d statistic %d: %.17g, R %.17g", i, j, v, rows[i][j])
			}
		}
	}
	t.Logf("200 samples, 13 statistics, largest relative deviation %.1e", worst)
}
