package special

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

func trialTable(t *testing.T, name string) [][]float64 {
	t.Helper()
	f, err := os.Open("../../check/12_trials/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) < 2 {
		t.Fatal(err)
	}
	var out [][]float64
	for _, r := range rows[1:] {
		var v []float64
		for _, c := range r {
			x, err := strconv.ParseFloat(strings.TrimSpace(c), 64)
			if err != nil {
				t.Fatal(err)
			}
			v = append(v, x)
		}
		out = append(out, v)
	}
	return out
}

// Two values: the range is sqrt(2) |t|.
func TestStudentizedRange_OfTwoIsStudent(t *testing.T) {
	worst := 0.0
	for _, df := range []float64{1, 2, 3, 5, 12, 60, 1000} {
		for _, x := range []float64{0.1, 0.5, 1, 2, 3, 5, 12} {
			want := 1 - 2*distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.Survival(x)
			worst = math.Max(worst, math.Abs(StudentizedRangeCDF(x*math.Sqrt2, 2, df)-want))
		}
	}
	t.Logf("largest deviation %.1e", worst)
	if worst > 1e-12 {
		t.Error("too large")
	}
}

// The table was made by R, whose quantile is good to about 1e-6 (its k = 2
// rows against Student's t).
func TestStudentizedRange_Table(t *testing.T) {
	worst := 0.0
	for _, r := range trialTable(t, "studentized_range_quantiles.csv") {
		df := r[2]
		got := StudentizedRangeQuantile(r[0], int(r[1]), df)
		worst = math.Max(worst, math.Abs(got/r[3]-1))
		if math.Abs(StudentizedRangeCDF(got, int(r[1]), df)-r[0]) > 1e-11 {
			t.Errorf("%v: quantile and distribution disagree", r)
		}
	}
	t.Logf("largest relative deviation %.1e", worst)
	if worst > 3e-6 {
		t.Error("too large")
	}
}

func TestDunnett_Table(t *testing.T) {
	worst := 0.0
	for _, r := range trialTable(t, "dunnett_quantiles_equal_n.csv") {
		c := equal(int(r[2]), 0.5)
		worst = math.Max(worst, math.Abs(c.Critical(1-r[0], r[1])/r[3]-1))
	}
	t.Logf("largest relative deviation %.1e", worst)
	if worst > 1e-6 {
		t.Error("too large")
	}
}

func equal(k int, rho float64) *Correlations {
	r := make([][]float64, k)
	for i := range r {
		r[i] = make([]float64, k)
		for j := range r[i] {
			r[i][j] = rho
		}
		r[i][i] = 1
	}
	c, ok := NewCorrelations(r)
	if !ok {
		panic("correlations")
	}
	return c
}

// The sequential conditioning alone, without its correction.
func TestCorrelations_TwoWaysAgree(t *testing.T) {
	worst := 0.0
	for _, k := range []int{2, 3, 5, 8} {
		points := lattice(k - 1)
		for _, rho := range []float64{0.2, 0.5, 0.8} {
			c := equal(k, rho)
			if !c.Product() {
				t.Fatalf("equal correlations are of the product form")
			}
			for _, b := range []float64{0.5, 1, 2, 2.5, 3} {
				worst = math.Max(worst, math.Abs(c.box(b)-conditioned(c.lower, b, points)))
			}
		}
	}
	t.Logf("largest difference %.1e", worst)
	if worst > 1e-3 {
		t.Error("too large")
	}
}

func TestCorrelations_Refused(t *testing.T) {
	for _, r := range [][][]float64{{}, {{2}}, {{1, 0.5}}, {{1, 0.5}, {0.4, 1}}, {{1, 1}, {1, 1}}, {{1, 0.9, -0.9}, {0.9, 1, 0.9}, {-0.9, 0.9, 1}}} {
		if _, ok := NewCorrelations(r); ok {
			t.Errorf("%v was taken", r)
		}
	}
	if c := equal(3, 0.5); !math.IsNaN(c.Critical(1, 5)) || !math.IsNaN(c.Within(1, 0)) || c.Within(-1, 5) != 0 {
		t.Error("bad arguments")
	}
	if !math.IsNaN(StudentizedRangeCDF(1, 1, 5)) || !math.IsNaN(StudentizedRangeQuantile(0, 3, 5)) || StudentizedRangeCDF(-1, 3, 5) != 0 {
		t.Error("bad arguments")
	}
}

// SciPy keeps all its digits down to one degree of freedom.
func TestStudentizedRange_EqualsSciPy(t *testing.T) {
	script := `from scipy.stats import studentized_range as s
for k in (2,3,5,10,20):
  for df in (1,2,5,12,60):
    for q in (1,2,3.5,5): print(k,df,q,repr(float(s.cdf(q,k,df))))`
	raw, err := exec.Command("/usr/bin/python3", "-c", script).Output()
	if err != nil {
		t.Skipf("skipped: Python with SciPy is not there (%v)", err)
	}
	worst, n := 0.0, 0
	for _, l := range strings.Split(strings.TrimSpace(string(raw)), "\n") {
		var k, df, q, p float64
		if _, err := fmt.Sscan(l, &k, &df, &q, &p); err != nil {
			t.Fatal(err)
		}
		n++
		worst = math.Max(worst, math.Abs(StudentizedRangeCDF(q, int(k), df)-p))
	}
	t.Logf("%d values, largest deviation %.1e", n, worst)
	if worst > 1e-11 || n != 100 {
		t.Error("too large")
	}
}

// R: ptukey, and the multivariate t of mvtnorm for correlations of no special
// form (with its own error; then correlations of block designs with plots missing).
func TestSimultaneous_EqualR(t *testing.T) {
	rscript, err := exec.LookPath("Rscript")
	if err == nil {
		err = exec.Command(rscript, "-e", "library(mvtnorm)").Run()
	}
	if err != nil {
		t.Skipf("skipped: Rscript with the package mvtnorm is not there (%v)", err)
	}
	script := `suppressMessages(library(mvtnorm)); set.seed(1)
for (k in c(2,3,5,10,20)) for (df in c(2,5,12,60)) for (q in c(1,2,3.5,5)) cat("q", k, df, q, sprintf("%.15g", ptukey(q, k, df)), "\n")
for (i in 1:12) { k <- 3 + i %% 4; A <- matrix(rnorm(k*(k+2)), k); R <- cov2cor(A %*% t(A)); d <- 1.5 + i/12; df <- 3 + i
p <- pmvt(lower=rep(-d,k), upper=rep(d,k), df=df, corr=R, algorithm=GenzBretz(maxpts=3e5, abseps=1e-6))
cat("m", k, df, d, sprintf("%.15g", p), sprintf("%.17g", R), "\n") }
for (i in 1:4) { t <- 3 + i; r <- 5; g <- expand.grid(b=factor(1:r), t=factor(1:t)); g <- g[-c(2, 3*r+1, 2*r+4)[1:(1+i%%3)],]
X <- model.matrix(~ b + t, g); j <- (r+1):(r+t-1); R <- cov2cor(solve(crossprod(X))[j,j]); d <- 2.2 + i/10; df <- nrow(X)-ncol(X); k <- t-1
p <- pmvt(lower=rep(-d,k), upper=rep(d,k), df=df, corr=R, algorithm=GenzBretz(maxpts=3e5, abseps=1e-6))
cat("d", k, df, d, sprintf("%.15g", p), sprintf("%.17g", R), "\n") }`
	file := filepath.Join(t.TempDir(), "s.R")
	if err := os.WriteFile(file, []byte(script), 0o600); err != nil {
		t.Fatal(err)
	}
	raw, err := exec.Command(rscript, file).Output()
	if err != nil {
		t.Fatal(err)
	}
	worstQ, worstM, worstD, n, general := 0.0, 0.0, 0.0, 0, 0
	for _, l := range strings.Split(strings.TrimSpace(string(raw)), "\n") {
		f := strings.Fields(l)
		v := make([]float64, len(f))
		for i := 1; i < len(f); i++ {
			fmt.Sscan(f[i], &v[i])
		}
		k := int(v[1])
		n++
		if f[0] == "q" {
			if v[2] < 5 && v[4] > 0 {
				// R's own error there is 6.5e-5 (k = 2 against Student's t).
				if math.Abs(StudentizedRangeCDF(v[3], k, v[2])-v[4]) > 1e-4 {
					t.Errorf("%s", l)
				}
				continue
			}
			worstQ = math.Max(worstQ, math.Abs(StudentizedRangeCDF(v[3], k, v[2])-v[4]))
			continue
		}
		r := make([][]float64, k)
		for i := range r {
			r[i] = v[5+i*k : 5+(i+1)*k]
		}
		c, ok := NewCorrelations(r)
		if !ok {
			t.Fatal("R's correlations were refused")
		}
		off := math.Abs(c.Within(v[3], v[2]) - v[4])
		if f[0] == "d" {
			worstD = math.Max(worstD, off)
			if !c.Product() {
				general++
			}
			continue
		}
		worstM = math.Max(worstM, off)
	}
	t.Logf("%d values, largest deviation: range %.1e, multivariate t %.1e, of designs with gaps %.1e", n, worstQ, worstM, worstD)
	if worstQ > 1e-7 || worstM > 1e-3 || worstD > 5e-5 || n != 96 || general == 0 {
		t.Error("too large")
	}
}
