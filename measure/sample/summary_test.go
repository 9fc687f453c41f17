package sample_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"sapward/measure/sample"
)

func relative(got, want float64) float64 {
	if want == 0 {
		return math.Abs(got)
	}
	return math.Abs(got-want) / math.Abs(want)
}

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(relative(got, want) <= tol) {
		t.Errorf("%s = %.15g, want %.15g (relative tolerance %g)", what, got, want, tol)
	}
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// expected reads a file of check/07_sampling: quantity to value and printed text.
func expected(t *testing.T, name string) (value map[string]float64, printed map[string]string) {
	t.Helper()
	f, err := os.Open("../../check/07_sampling/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	value, printed = map[string]float64{}, map[string]string{}
	for _, r := range rows[1:] {
		value[r[0]] = number(t, r[1])
		if len(r) > 2 {
			printed[r[0]] = r[2]
		}
	}
	return value, printed
}

func options(block int) sample.Options {
	return sample.Options{BlockTrees: block, Confidence: 0.95, TolerancePct: 10}
}

// Freese (1962), 25 plots of 1,000: check/07_sampling/srs_25_plots.csv, 1e-11.
func TestSummarise_Freese(t *testing.T) {
	want, _ := expected(t, "srs_25_plots.csv")
	x := []float64{7, 10, 7, 4, 7, 8, 8, 8, 7, 5, 2, 6, 9, 7, 8, 6, 7, 11, 8, 8, 7, 3, 8, 7, 7}
	s, err := sample.Summarise(x, options(1000))
	if err != nil {
		t.Fatal(err)
	}
	if s.N != 25 {
		t.Errorf("n = %d", s.N)
	}
	near(t, "mean", s.MeanCM, want["mean"], 1e-15)
	near(t, "s2", s.SDCM*s.SDCM, want["s2"], 1e-14)
	near(t, "half width", s.HalfWidthCM, want["half_width_fpc"], 1e-11)
	near(t, "low", s.CILowCM, want["lower95"], 1e-11)
	near(t, "high", s.CIHighCM, want["upper95"], 1e-11)
	near(t, "cv", s.CVPct, want["cv_pct"], 1e-11)
	near(t, "half width pct", s.HalfWidthPct, 100*want["half_width_fpc"]/7, 1e-11)
	near(t, "quadratic mean", s.QuadraticMeanCM, math.Sqrt(1317.0/25), 1e-15)
	for block, key := range map[int]string{0: "n_for_E0.5_t2_no_fpc", 1000: "n_for_E0.5_t2_fpc"} {
		n, err := sample.TreesAtFixedT(2, s.CVPct/100, 0.5/7, block)
		if err != nil {
			t.Fatal(err)
		}
		near(t, key, n, want[key], 1e-11)
	}
	// The same figures from the total of the block, dose 1 mL per unit.
	need, err := sample.BlockNeed(x, func(d float64) (float64, bool) { return d, true }, options(1000))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "total", need.TotalML, want["total"], 1e-14)
	near(t, "total half", need.HighML-need.TotalML, want["se_total"]*want["t_0.05_24df"], 1e-10)
}

func TestSummarise_QuadraticMean(t *testing.T) {
	want, _ := expected(t, "qmd.csv")
	x := []float64{12.4, 18.9, 22.3, 25.1, 30.8, 31.2, 44.0, 52.7, 61.5, 80.2}
	s, err := sample.Summarise(x, options(0))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mean", s.MeanCM, want["arithmetic_mean_cm"], 1e-14)
	near(t, "qmd", s.QuadraticMeanCM, want["qmd_cm"], 1e-12)
	near(t, "identity", s.QuadraticMeanCM*s.QuadraticMeanCM-s.MeanCM*s.MeanCM, want["sd_n_cm"]*want["sd_n_cm"], 1e-11)
	near(t, "basal area m2", 10*math.Pi/4*s.QuadraticMeanCM*s.QuadraticMeanCM/1e4, want["basal_area_m2"], 1e-12)
}

// A textbook total: N 1500, n 100, mean 25.2, s2 136, t = 2.
// The sample size for a bound of 1500 is printed 400; the textbook divides by
// N-1, the field formula here by N, and both round up to 400.
func TestCountTrees1500(t *testing.T) {
	want, _ := expected(t, "count_trees_1500.csv")
	s, err := sample.CombineStrata([]sample.Stratum{{Trees: 1500, N: 100, Mean: 25.2, SD: math.Sqrt(136)}})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "total", s.Total, want["total"], 1e-14)
	near(t, "bound", 2*s.SETotal, want["bound_2se_fpc"], 1e-11)
	n, err := sample.TreesAtFixedT(2, math.Sqrt(136)/25.2, 1500/37800.0, 1500)
	if err != nil {
		t.Fatal(err)
	}
	if math.Ceil(n) != 400 || math.Ceil(want["n_for_bound_1500_on_total"]) != 400 {
		t.Errorf("n = %g, printed 400", n)
	}
}

func TestRefuses(t *testing.T) {
	good := []float64{20, 25, 30}
	dose := func(d float64) (float64, bool) { return d, true }
	for _, c := range []struct {
		name string
		x    []float64
		o    sample.Options
		want error
	}{
		{"nothing", nil, options(0), sample.ErrTooFew},
		{"one tree", []float64{20}, options(0), sample.ErrTooFew},
		{"NaN", []float64{20, math.NaN()}, options(0), sample.ErrDiameter},
		{"infinite", []float64{20, math.Inf(1)}, options(0), sample.ErrDiameter},
		{"zero", []float64{20, 0}, options(0), sample.ErrDiameter},
		{"negative", []float64{20, -4}, options(0), sample.ErrDiameter},
		{"401 cm", []float64{20, 401}, options(0), sample.ErrDiameter},
		{"more than the block", good, options(2), sample.ErrBlock},
		{"negative block", good, options(-1), sample.ErrBlock},
		{"confidence 0", good, sample.Options{TolerancePct: 10}, sample.ErrConfidence},
		{"confidence 95", good, sample.Options{Confidence: 95, TolerancePct: 10}, sample.ErrConfidence},
		{"confidence NaN", good, sample.Options{Confidence: math.NaN(), TolerancePct: 10}, sample.ErrConfidence},
		{"tolerance 0", good, sample.Options{Confidence: 0.95}, sample.ErrTolerance},
		{"tolerance infinite", good, sample.Options{Confidence: 0.95, TolerancePct: math.Inf(1)}, sample.ErrTolerance},
	} {
		t.Run(c.name, func(t *testing.T) {
			if _, err := sample.Summarise(c.x, c.o); !errors.Is(err, c.want) {
				t.Errorf("Summarise: %v, want %v", err, c.want)
			}
			if _, err := sample.DoseBias(c.x, sample.Rule{Dose: dose}, c.o); !errors.Is(err, c.want) {
				t.Errorf("DoseBias: %v, want %v", err, c.want)
			}
			if _, err := sample.BlockNeed(c.x, dose, c.o); !errors.Is(err, c.want) {
				t.Errorf("BlockNeed: %v, want %v", err, c.want)
			}
		})
	}
	for _, c := range [][4]float64{{0, 1, 1, 0}, {2, -1, 1, 0}, {2, 1, 0, 0}, {2, math.NaN(), 1, 0}} {
		if _, err := sample.TreesAtFixedT(c[0], c[1], c[2], 0); !errors.Is(err, sample.ErrTolerance) {
			t.Error(c, err)
		}
	}
	if n, err := sample.TreesAtFixedT(2, 0, 0.1, 50); n != 0 || err != nil {
		t.Error(n, err)
	}
}

// Properties: enough is the same as n >= trees needed; a census is exact; the
// interval is symmetric; scaling the diameters scales the result; the caller's
// slice stays.
func TestSummarise_Properties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.SliceOfN(rapid.Float64Range(5, 100), 2, 40).Draw(t, "x")
		block := rapid.SampledFrom([]int{0, len(x), len(x) + 1, 2 * len(x), 5000}).Draw(t, "block")
		o := sample.Options{
			BlockTrees:   block,
			Confidence:   rapid.SampledFrom([]float64{0.5, 0.9, 0.95, 0.999}).Draw(t, "confidence"),
			TolerancePct: rapid.Float64Range(0.5, 60).Draw(t, "tolerance"),
		}
		before := slices.Clone(x)
		s, err := sample.Summarise(x, o)
		if err != nil {
			t.Fatal(err)
		}
		if !s.Reachable || s.Enough != (s.N >= s.Trees) {
			t.Fatalf("n %d, needed %d, enough %v", s.N, s.Trees, s.Enough)
		}
		if block == len(x) && (s.HalfWidthCM != 0 || !s.Enough) {
			t.Fatalf("a census leaves %g", s.HalfWidthCM)
		}
		if s.QuadraticMeanCM < s.MeanCM*(1-1e-15) {
			t.Fatalf("quadratic mean %g below the mean %g", s.QuadraticMeanCM, s.MeanCM)
		}
		if relative(s.HalfWidthCM, s.HalfWidthPct/100*s.MeanCM) > 1e-13 {
			t.Fatalf("half width %g cm, %g %%", s.HalfWidthCM, s.HalfWidthPct)
		}
		y := make([]float64, len(x))
		for i := range x {
			y[i] = 2 * x[i]
		}
		d, err := sample.Summarise(y, o)
		if err != nil || relative(d.CVPct, s.CVPct) > 1e-12 || relative(d.HalfWidthCM, 2*s.HalfWidthCM) > 1e-12 {
			t.Fatalf("scaled: %+v %v", d, err)
		}
		if !slices.Equal(x, before) {
			t.Fatal("the caller's slice was changed")
		}
		if _, err := json.Marshal(s); err != nil {
			t.Fatal(err)
		}
	})
}

func TestSummary_JSONNames(t *testing.T) {
	s, err := sample.Summarise([]float64{20, 21, 22, 23, 66}, options(50))
	if err != nil {
		t.Fatal(err)
	}
	raw, err := json.Marshal(s)
	if err != nil {
		t.Fatal(err)
	}
	var m map[string]any
	if err := json.Unmarshal(raw, &m); err != nil {
		t.Fatal(err)
	}
	for _, name := range strings.Fields("n mean_cm quadratic_mean_cm sd_cm cv_pct ci_low_cm ci_high_cm half_width_pct enough trees_needed outliers") {
		if _, ok := m[name]; !ok {
			t.Errorf("no %s in %s", name, raw)
		}
	}
	if len(s.Outliers) != 1 || s.Outliers[0].Index != 4 || s.Outliers[0].Slip != sample.SlipGirthAsDiameter {
		t.Errorf("outliers %+v", s.Outliers)
	}
}

// Against R: mean, sd, t interval with and without the finite-population
// factor, prediction interval on both scales. Relative tolerance 1e-11.
func TestAgainstR(t *testing.T) {
	path, err := exec.LookPath("Rscript")
	if err != nil {
		t.Skip("skipped: Rscript is not on this machine, so there is no second program to compare with")
	}
	r := rand.New(rand.NewPCG(4, 4))
	var in strings.Builder
	var samples [][]float64
	var opts []sample.Options
	for i := range 150 {
		x := make([]float64, 2+r.IntN(30))
		for j := range x {
			x[j] = math.Min(math.Max(math.Exp(3.4+0.4*r.NormFloat64()), 1), 400)
		}
		o := sample.Options{BlockTrees: (i % 2) * (len(x) + r.IntN(300)), Confidence: []float64{0.8, 0.95, 0.99}[i%3], TolerancePct: 10}
		samples, opts = append(samples, x), append(opts, o)
		fmt.Fprintf(&in, "%d %g", o.BlockTrees, o.Confidence)
		for _, v := range x {
			fmt.Fprintf(&in, " %.17g", v)
		}
		fmt.Fprintln(&in)
	}
	script := `
for (l in readLines(file("stdin"))) {
  v <- as.numeric(strsplit(l, " ")[[1]]); N <- v[1]; conf <- v[2]; x <- v[-(1:2)]; n <- length(x)
  h <- if (N > 0) qt(.5+conf/2, n-1)*sd(x)*sqrt((1-n/N)/n) else diff(t.test(x, conf.level = conf)$conf.int)/2
  pr <- predict(lm(x ~ 1), data.frame(row.names = 1), interval = "prediction", level = conf)[1, 2:3]
  lx <- log(x)
  pl <- exp(predict(lm(lx ~ 1), data.frame(row.names = 1), interval = "prediction", level = conf)[1, 2:3])
  cat(format(c(mean(x), sd(x), mean(x)-h, mean(x)+h, pr, pl), digits = 17), "\n")
}`
	file := t.TempDir() + "/script.R"
	if err := os.WriteFile(file, []byte(script), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(path, "--vanilla", file)
	cmd.Stdin = strings.NewReader(in.String())
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("R: %v\n%s", err, stderr.String())
	}
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	if len(lines) != len(samples) {
		t.Fatalf("%d answers for %d samples", len(lines), len(samples))
	}
	worst := 0.0
	scales := map[string]int{}
	for i, x := range samples {
		f := strings.Fields(lines[i])
		var w []float64
		for _, s := range f {
			w = append(w, number(t, s))
		}
		s, err := sample.Summarise(x, opts[i])
		if err != nil {
			t.Fatal(err)
		}
		p, err := sample.Predict(x, opts[i].Confidence)
		if err != nil {
			t.Fatal(err)
		}
		scales[p.Reason]++
		want := w[4:6]
		if p.Scale == sample.ScaleLog {
			want = w[6:8]
		}
		for j, pair := range [][2]float64{{s.MeanCM, w[0]}, {s.SDCM, w[1]}, {s.CILowCM, w[2]}, {s.CIHighCM, w[3]}, {p.LowCM, want[0]}, {p.HighCM, want[1]}} {
			d := math.Abs(pair[0]-pair[1]) / math.Max(math.Abs(pair[1]), 1)
			worst = max(worst, d)
			if d > 1e-11 {
				t.Errorf("sample %d figure %d: %.15g, R %.15g", i, j, pair[0], pair[1])
			}
		}
	}
	if scales[sample.ReasonSkewed] == 0 || scales[sample.ReasonBelowLimit] == 0 || scales[sample.ReasonNotSkewed] == 0 {
		t.Errorf("a scale was never tried: %v", scales)
	}
	t.Logf("150 samples, scales %v, largest relative deviation %.1e", scales, worst)
}

// Coverage: the 90 % interval of samples of 8, drawn by Pick from a made, skewed
// block of 200 trees, covers the mean of the block in 86 to 93 % of 4,000 draws.
func TestSummarise_Coverage(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 1))
	block := make([]float64, 200)
	mean := 0.0
	for i := range block {
		block[i] = math.Exp(3.4 + 0.25*r.NormFloat64())
		mean += block[i] / 200
	}
	hit := 0
	const draws = 4000
	for seed := range uint64(draws) {
		p, err := sample.Pick(8, 200, seed)
		if err != nil {
			t.Fatal(err)
		}
		x := make([]float64, 8)
		for i, k := range p.Picked {
			x[i] = block[k-1]
		}
		s, err := sample.Summarise(x, sample.Options{BlockTrees: 200, Confidence: 0.9, TolerancePct: 10})
		if err != nil {
			t.Fatal(err)
		}
		if s.CILowCM <= mean && mean <= s.CIHighCM {
			hit++
		}
	}
	share := float64(hit) / draws
	t.Logf("coverage %.3f", share)
	// Skewness 0.8 and n = 8 cost a little coverage; sampling error is 0.005.
	if share < 0.86 || share > 0.93 {
		t.Errorf("the 90 %% interval covers %.3f", share)
	}
}
