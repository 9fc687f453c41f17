package describe_test

import (
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"math/big"
	"math/rand/v2"
	"os"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"sapward/numeric/describe"
)

func table(t *testing.T, path string) [][]string {
	t.Helper()
	f, err := os.Open(path)
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

// 12 printed digits from R 4.2.2: tolerance 1e-11 relative.
func TestStudentQuantile_Table(t *testing.T) {
	rows := table(t, "../../check/07_sampling/student_t_quantiles.csv")
	worst, count := 0.0, 0
	for _, row := range rows[1:] {
		df := number(t, row[0])
		for j := 1; j < len(row); j++ {
			p := number(t, strings.TrimPrefix(rows[0][j], "p"))
			got, err := describe.StudentQuantile(p, df)
			if err != nil {
				t.Fatal(err)
			}
			d := relative(got, number(t, row[j]))
			worst, count = max(worst, d), count+1
			if d > 1e-11 {
				t.Errorf("t(%g, %g) = %.15g, want %s", p, df, got, row[j])
			}
			low, err := describe.StudentQuantile(1-p, df)
			if err != nil || relative(-low, got) > 1e-11 {
				t.Errorf("not symmetric: %g and %g, %v", low, got, err)
			}
		}
	}
	t.Logf("%d quantiles, largest relative deviation %.1e", count, worst)
}

// Against R qt and pt on random arguments, and against gonum's distribution
// function. Tolerance 1e-11 relative.
func TestStudent_Others(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 5))
	var p, df []float64
	var in strings.Builder
	for i := range 600 {
		d := math.Floor(math.Exp(r.Float64() * math.Log(3e6)))
		if i%5 == 0 {
			d = 1 + 20*r.Float64()
		}
		q := r.Float64()
		if i%3 == 0 {
			q = math.Pow(10, -8*r.Float64())
		}
		p, df = append(p, q), append(df, d)
		fmt.Fprintf(&in, "%.17g %.17g\n", q, d)
	}
	worstG := 0.0
	got := make([]float64, len(p))
	for i := range p {
		v, err := describe.StudentQuantile(p[i], df[i])
		if err != nil {
			t.Fatal(err)
		}
		got[i] = v
		c, err := describe.StudentCDF(v, df[i])
		if err != nil {
			t.Fatal(err)
		}
		if relative(c, p[i]) > 1e-10 {
			t.Errorf("cdf(quantile(%g; df %g)) = %g", p[i], df[i], c)
		}
		g := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df[i]}.CDF(v)
		d := math.Abs(g - p[i])
		worstG = max(worstG, d)
		// gonum takes the difference of large log-gammas: 1e-9 absolute.
		if d > 1e-9 {
			t.Errorf("gonum cdf at quantile(%g; df %g) = %g", p[i], df[i], g)
		}
	}
	t.Logf("gonum: 600 probabilities, largest absolute deviation %.1e", worstG)
	rows := runR(t, `
m <- as.matrix(read.table(file("stdin")))
cat(paste(format(qt(m[,1], m[,2]), digits = 17), collapse = "\n"))`, in.String())
	if len(rows) != len(p) {
		t.Fatalf("%d answers, want %d", len(rows), len(p))
	}
	worst := 0.0
	for i, row := range rows {
		d := math.Abs(got[i]-row[0]) / math.Max(math.Abs(row[0]), 0.01)
		worst = max(worst, d)
		if d > 1e-11 {
			t.Errorf("t(%.17g, %.17g) = %.17g, R %.17g", p[i], df[i], got[i], row[0])
		}
	}
	t.Logf("R: 600 quantiles, largest relative deviation %.1e", worst)
}

// Closed forms: df 1 is Cauchy, df 2 and 4 algebraic; the normal limit.
func TestStudent_ClosedForms(t *testing.T) {
	for _, p := range []float64{1e-300, 1e-12, 0.01, 0.3, 0.5, 0.6, 0.975, 1 - 1e-9} {
		q, err := describe.StudentQuantile(p, 4)
		if err != nil {
			t.Fatal(err)
		}
		// CDF of df 4: 1/2 + 3/8 y (1 - y^2/12 * 4 ...) in s = t/sqrt(4+t^2): 1/2 + (3s - s^3)/4;
		// the lower tail without cancellation, with u = 1+s = 4/((4+t^2)(1-s)): (3u^2 - u^3)/4.
		s := q / math.Sqrt(4+q*q)
		u := 1 + s
		if q < 0 {
			if math.Abs(q) > 1e10 {
				u = 2 / (q * q)
			} else {
				u = 4 / ((4 + q*q) * (1 - s))
			}
		}
		tol := 1e-12
		if p < 1e-100 { // exp of a large logarithm
			tol = 1e-10
		}
		near(t, fmt.Sprintf("cdf df 4 at quantile %g", p), (3*u*u-u*u*u)/4, p, tol)
	}
	for _, c := range []struct{ t, df, p float64 }{
		{1, 1, 0.75}, {-1, 1, 0.25}, {0, 5, 0.5}, {math.Inf(1), 3, 1}, {math.Inf(-1), 3, 0},
		{1.959963984540054, math.Inf(1), 0.975}, {math.Sqrt2, 2, 0.5 + math.Sqrt2/4},
	} {
		got, err := describe.StudentCDF(c.t, c.df)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(got-c.p) > 1e-15 {
			t.Errorf("cdf(%g; %g) = %.17g, want %.17g", c.t, c.df, got, c.p)
		}
	}
	// Where the expansion in 1/df takes over, it joins the iteration: the second
	// difference over three steps of df across the join is that of a smooth curve.
	for _, p := range []float64{0.6, 0.975, 0.9995, 1e-6} {
		z, err := describe.NormalQuantile(p)
		if err != nil {
			t.Fatal(err)
		}
		join := math.Floor((z*z + 3) / 1e-3)
		var q [4]float64
		for i := range q {
			if q[i], err = describe.StudentQuantile(p, join-1+float64(i)); err != nil {
				t.Fatal(err)
			}
		}
		if d := math.Abs(q[3]-3*q[2]+3*q[1]-q[0]) / math.Abs(q[0]); d > 1e-11 {
			t.Errorf("p %g: step %.1e at df %g", p, d, join)
		}
	}
}

// Normal quantiles: 1.959963984540054 and -6.361340902404056 (p = 1e-10) are
// standard values (R qnorm); the rest must invert the error function.
func TestNormalQuantile(t *testing.T) {
	for p, want := range map[float64]float64{0.975: 1.959963984540054, 0.5: 0, 1e-10: -6.361340902404056, 0.025: -1.959963984540054} {
		got, err := describe.NormalQuantile(p)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "z", got, want, 1e-14)
	}
	for e := 1.0; e < 300; e += 7 {
		p := math.Pow(10, -e)
		z, err := describe.NormalQuantile(p)
		if err != nil {
			t.Fatal(err)
		}
		near(t, fmt.Sprintf("tail of quantile %g", p), math.Erfc(-z/math.Sqrt2)/2, p, 1e-11)
	}
}

// Wilson and Clopper-Pearson, 12 printed digits from R: tolerance 1e-11 absolute.
func TestProportion_Table(t *testing.T) {
	rows := table(t, "../../check/07_sampling/binomial_ci95.csv")
	worst := 0.0
	for _, row := range rows[1:] {
		x, n := int(number(t, row[0])), int(number(t, row[1]))
		wl, wh, err := describe.Wilson(x, n, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		cl, ch, err := describe.ClopperPearson(x, n, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		for j, got := range []float64{wl, wh, cl, ch} {
			d := math.Abs(got - number(t, row[3+j]))
			worst = max(worst, d)
			if d > 1e-11 {
				t.Errorf("%d/%d column %s = %.13g, want %s", x, n, rows[0][3+j], got, row[3+j])
			}
		}
	}
	t.Logf("%d rows, largest absolute deviation %.1e", len(rows)-1, worst)
}

// The definition, in big rationals: P(X >= x | low) and P(X <= x | high) are
// both (1-confidence)/2. Every x of every n up to 25.
func TestClopperPearson_Definition(t *testing.T) {
	tail := func(n, from, to int, p float64) float64 {
		q := new(big.Float).SetPrec(200).SetFloat64(p)
		r := new(big.Float).SetPrec(200).Sub(big.NewFloat(1).SetPrec(200), q)
		sum := new(big.Float).SetPrec(200)
		for k := from; k <= to; k++ {
			term := new(big.Float).SetPrec(200).SetInt(new(big.Int).Binomial(int64(n), int64(k)))
			for range k {
				term.Mul(term, q)
			}
			for range n - k {
				term.Mul(term, r)
			}
			sum.Add(sum, term)
		}
		v, _ := sum.Float64()
		return v
	}
	for n := 1; n <= 25; n++ {
		for x := 0; x <= n; x++ {
			low, high, err := describe.ClopperPearson(x, n, 0.9)
			if err != nil {
				t.Fatal(err)
			}
			if x == 0 && low != 0 || x == n && high != 1 {
				t.Errorf("%d/%d: %g..%g", x, n, low, high)
			}
			if x > 0 {
				near(t, "upper tail at the lower limit", tail(n, x, n, low), 0.05, 1e-12)
			}
			if x < n {
				near(t, "lower tail at the upper limit", tail(n, 0, x, high), 0.05, 1e-12)
			}
			wl, wh, err := describe.Wilson(x, n, 0.9)
			p := float64(x) / float64(n)
			if err != nil || !(0 <= wl && wl <= p && p <= wh && wh <= 1) {
				t.Errorf("Wilson %d/%d: %g..%g, %v", x, n, wl, wh, err)
			}
		}
	}
}

func TestIntervals_BadArguments(t *testing.T) {
	for _, p := range []float64{0, 1, -1, math.NaN()} {
		if _, err := describe.NormalQuantile(p); !errors.Is(err, describe.ErrProbability) {
			t.Error(p, err)
		}
		if _, err := describe.StudentQuantile(p, 3); !errors.Is(err, describe.ErrProbability) {
			t.Error(p, err)
		}
		if _, _, err := describe.Wilson(1, 2, p); !errors.Is(err, describe.ErrProbability) {
			t.Error(p, err)
		}
		if _, _, err := describe.ClopperPearson(1, 2, p); !errors.Is(err, describe.ErrProbability) {
			t.Error(p, err)
		}
	}
	for _, df := range []float64{0, -2, 0.5, math.NaN()} {
		if _, err := describe.StudentQuantile(0.9, df); !errors.Is(err, describe.ErrDomain) {
			t.Error(df, err)
		}
		if _, err := describe.StudentCDF(0.9, df); !errors.Is(err, describe.ErrDomain) {
			t.Error(df, err)
		}
	}
	if _, err := describe.StudentCDF(math.NaN(), 3); !errors.Is(err, describe.ErrNotFinite) {
		t.Error(err)
	}
	for _, c := range [][2]int{{-1, 5}, {6, 5}, {0, 0}} {
		if _, _, err := describe.Wilson(c[0], c[1], 0.95); !errors.Is(err, describe.ErrDomain) {
			t.Error(c, err)
		}
		if _, _, err := describe.ClopperPearson(c[0], c[1], 0.95); !errors.Is(err, describe.ErrDomain) {
			t.Error(c, err)
		}
	}
}
