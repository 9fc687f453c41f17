package sample_test

import (
	"encoding/csv"
	"encoding/json"
	"errors"
	"math"
	"os"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"sapward/measure/sample"
)

func rate(r float64) sample.DoseFunc {
	return func(d float64) (float64, bool) { return r * d, true }
}

func basal(r float64) sample.DoseFunc {
	return func(d float64) (float64, bool) { return r * math.Pi / 4 * d * d, true }
}

// bands gives a from 10 up to 20 cm, b from 20 to 30, c from 30 to 40.
func bands(a, b, c float64) sample.DoseFunc {
	return func(d float64) (float64, bool) {
		switch {
		case d >= 10 && d < 20:
			return a, true
		case d >= 20 && d < 30:
			return b, true
		case d >= 30 && d < 40:
			return c, true
		}
		return 0, false
	}
}

// By hand, readings 12 14 28 30, mean 21. Bands 15 40 45: doses 15 15 40 45,
// mean 28.75, at the mean 40, bias +39.13 %. Bands 15 20 80: doses 15 15 20 80,
// mean 32.5, at the mean 20, bias -38.46 %.
func TestDoseBias_Bands(t *testing.T) {
	x := []float64{12, 14, 28, 30}
	for _, c := range []struct {
		f              sample.DoseFunc
		at, mean, bias float64
	}{
		{bands(15, 40, 45), 40, 28.75, 100 * (40/28.75 - 1)},
		{bands(15, 20, 80), 20, 32.5, 100 * (20/32.5 - 1)},
	} {
		s, err := sample.DoseBias(x, sample.Rule{Dose: c.f, Low: c.f, High: c.f}, options(0))
		if err != nil {
			t.Fatal(err)
		}
		near(t, "at mean", s.DoseAtMeanML, c.at, 1e-15)
		near(t, "mean", s.MeanOfDosesML, c.mean, 1e-15)
		near(t, "bias", s.BiasPct, c.bias, 1e-13)
		if s.Need != nil {
			t.Error("need of a block of unknown size")
		}
		// One dose for all: above for each tree of a smaller dose, below of a larger.
		var above, below []int
		for i, d := range x {
			v, _ := c.f(d)
			if c.at > v {
				above = append(above, i)
			} else if c.at < v {
				below = append(below, i)
			}
		}
		if !slices.Equal(s.AboveOwnMax, above) || !slices.Equal(s.BelowOwnMin, below) {
			t.Errorf("above %v want %v, below %v want %v", s.AboveOwnMax, above, s.BelowOwnMin, below)
		}
	}
}

// A rate per diameter has no bias; per basal area it is mean^2/quadratic mean^2 - 1
// (qmd.csv: 37.91^2/42.99759295589^2 - 1), negative.
func TestDoseBias_Rates(t *testing.T) {
	want, _ := expected(t, "qmd.csv")
	x := []float64{12.4, 18.9, 22.3, 25.1, 30.8, 31.2, 44.0, 52.7, 61.5, 80.2}
	s, err := sample.DoseBias(x, sample.Rule{Dose: rate(3), Low: rate(3), High: rate(3)}, options(200))
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(s.BiasPct) > 1e-12 {
		t.Errorf("bias of a rate per diameter %g %%", s.BiasPct)
	}
	near(t, "need", s.Need.TotalML, 200*3*want["arithmetic_mean_cm"], 1e-13)
	if len(s.AboveOwnMax)+len(s.BelowOwnMin) != len(x) {
		t.Errorf("above %v below %v", s.AboveOwnMax, s.BelowOwnMin)
	}
	s, err = sample.DoseBias(x, sample.Rule{Dose: basal(0.1)}, options(200))
	if err != nil {
		t.Fatal(err)
	}
	ratio := want["arithmetic_mean_cm"] / want["qmd_cm"]
	near(t, "bias per basal area", s.BiasPct, 100*(ratio*ratio-1), 1e-10)
	if s.AboveOwnMaxPct != 0 || s.BelowOwnMinPct != 0 || len(s.AboveOwnMax) != 0 {
		t.Errorf("limits that are not set: %+v", s)
	}
	// The interval is that of f: N (mean f +/- t sd(f) sqrt(1/n - 1/N)).
	var f [10]float64
	m := 0.0
	for i, d := range x {
		f[i] = 0.1 * math.Pi / 4 * d * d
		m += f[i] / 10
	}
	ss := 0.0
	for _, v := range f {
		ss += (v - m) * (v - m)
	}
	half := distuv.StudentsT{Sigma: 1, Nu: 9}.Quantile(0.975) * math.Sqrt(ss/9) * math.Sqrt(1.0/10-1.0/200)
	near(t, "need low", s.Need.LowML, 200*(m-half), 1e-9)
	near(t, "need high", s.Need.HighML, 200*(m+half), 1e-9)
	near(t, "need half", s.Need.HalfWidthPct, 100*half/m, 1e-9)
	near(t, "mean low", s.MeanLowML, m-half, 1e-9)
	alone, err := sample.BlockNeed(x, basal(0.1), options(200))
	if err != nil || alone != *s.Need {
		t.Errorf("%+v %v, want %+v", alone, err, *s.Need)
	}
	if raw, err := json.Marshal(s); err != nil || !strings.Contains(string(raw), `"bias_pct"`) || !strings.Contains(string(raw), `"dose_at_mean_ml"`) || !strings.Contains(string(raw), `"mean_of_doses_ml"`) {
		t.Errorf("%s %v", raw, err)
	}
}

// Limits 2.5 and 3.5 mL/cm, dose 3 mL/cm: the one dose 3 m is above the maximum
// of trees thinner than 3m/3.5 and below the minimum of those thicker than
// 3m/2.5, so the shares are closed forms of Student's t. 1e-9 absolute.
func TestDoseBias_Shares(t *testing.T) {
	x := []float64{24, 29, 31, 33, 35, 36, 41}
	s, err := sample.DoseBias(x, sample.Rule{Dose: rate(3), Low: rate(2.5), High: rate(3.5)}, options(0))
	if err != nil {
		t.Fatal(err)
	}
	m, ss := 229.0/7, 0.0
	for _, v := range x {
		ss += (v - m) * (v - m)
	}
	d := distuv.StudentsT{Mu: m, Sigma: math.Sqrt(ss / 6 * (1 + 1.0/7)), Nu: 6}
	if s.Prediction.Scale != sample.ScaleLinear || s.Prediction.Reason != sample.ReasonNotSkewed {
		t.Errorf("%+v", s.Prediction)
	}
	if math.Abs(s.AboveOwnMaxPct-100*d.CDF(3*m/3.5)) > 1e-7 || math.Abs(s.BelowOwnMinPct-100*(1-d.CDF(3*m/2.5))) > 1e-7 {
		t.Errorf("above %.9g want %.9g, below %.9g want %.9g", s.AboveOwnMaxPct, 100*d.CDF(3*m/3.5), s.BelowOwnMinPct, 100*(1-d.CDF(3*m/2.5)))
	}
	if !slices.Equal(s.AboveOwnMax, []int{0}) || !slices.Equal(s.BelowOwnMin, []int{6}) {
		t.Errorf("above %v, below %v", s.AboveOwnMax, s.BelowOwnMin)
	}
	near(t, "low", s.Prediction.LowCM, d.Quantile(0.025), 1e-9)
	near(t, "high", s.Prediction.HighCM, d.Quantile(0.975), 1e-9)
	// A condition that holds in two separate ranges, by hand from the same curve.
	share, err := s.Prediction.Share(func(d float64) bool { return d > 20.123 && d <= 30.456 || d > 35.55 })
	if err != nil || math.Abs(share-(d.CDF(30.456)-d.CDF(20.123)+1-d.CDF(35.55))) > 1e-9 {
		t.Errorf("share %g %v", share, err)
	}
	all, err := s.Prediction.Share(func(float64) bool { return true })
	none, err2 := s.Prediction.Share(func(float64) bool { return false })
	if all != 1 || none != 0 || err != nil || err2 != nil {
		t.Errorf("all %g none %g", all, none)
	}
}

// Skewed readings go to the log scale, and the share with them: P(X <= c) is
// Student's t of (ln c - mean ln)/spread.
func TestPredict_Log(t *testing.T) {
	x := []float64{20, 21, 22, 22, 23, 24, 25, 26, 28, 70}
	p, err := sample.Predict(x, 0.9)
	if err != nil || p.Scale != sample.ScaleLog || p.Reason != sample.ReasonSkewed {
		t.Fatal(p, err)
	}
	m, ss := 0.0, 0.0
	for _, v := range x {
		m += math.Log(v) / 10
	}
	for _, v := range x {
		ss += (math.Log(v) - m) * (math.Log(v) - m)
	}
	d := distuv.StudentsT{Mu: m, Sigma: math.Sqrt(ss / 9 * 1.1), Nu: 9}
	near(t, "low", p.LowCM, math.Exp(d.Quantile(0.05)), 1e-9)
	near(t, "high", p.HighCM, math.Exp(d.Quantile(0.95)), 1e-9)
	share, err := p.Share(func(d float64) bool { return d > 40 })
	if err != nil || math.Abs(share-(1-d.CDF(math.Log(40)))) > 1e-9 {
		t.Errorf("share %g %v", share, err)
	}
	if c, err := p.CDF(-1); c != 0 || err != nil {
		t.Error(c, err)
	}
	if _, err := p.CDF(math.NaN()); err == nil {
		t.Error("a NaN diameter was taken")
	}
	// A mild skew, 0.98 (SciPy) with a standard error of 0.69 for ten trunks, stays linear.
	if p, err := sample.Predict([]float64{24, 26, 27, 28, 29, 30, 31, 33, 36, 41}, 0.95); err != nil || p.Reason != sample.ReasonNotSkewed {
		t.Error(p, err)
	}
	// Two trunks so different that the linear limit falls below 0.
	if p, err = sample.Predict([]float64{20, 60}, 0.95); err != nil || p.Reason != sample.ReasonBelowLimit || p.LowCM <= 0 {
		t.Error(p, err)
	}
	if p, err = sample.Predict([]float64{1, 400}, 0.999999); err != nil || math.IsInf(p.HighCM, 0) {
		t.Error(p, err)
	}
	// Equal readings: that diameter, and a share of all or nothing.
	if p, err = sample.Predict([]float64{30, 30, 30}, 0.95); err != nil || p.LowCM != 30 || p.HighCM != 30 {
		t.Error(p, err)
	}
	for limit, want := range map[float64]float64{29: 1, 31: 0} {
		if v, err := p.Share(func(d float64) bool { return d > limit }); v != want || err != nil {
			t.Error(limit, v, err)
		}
	}
	if c, err := p.CDF(29); c != 0 || err != nil {
		t.Error(c, err)
	}
	if c, err := p.CDF(30); c != 1 || err != nil {
		t.Error(c, err)
	}
	if _, err := (sample.Prediction{}).Share(func(float64) bool { return true }); !errors.Is(err, sample.ErrTooFew) {
		t.Error(err)
	}
	if _, err := sample.Predict([]float64{20}, 0.95); !errors.Is(err, sample.ErrTooFew) {
		t.Error(err)
	}
	if _, err := sample.Predict([]float64{20, 30}, 1); !errors.Is(err, sample.ErrConfidence) {
		t.Error(err)
	}
}

func TestDoseBias_NoDose(t *testing.T) {
	f := bands(10, 20, 30)
	// By hand: 5 cm has no dose and counts 0: (0+10+20+30)/4 = 15, mean 20.
	s, err := sample.DoseBias([]float64{5, 15, 25, 35}, sample.Rule{Dose: f, Low: f, High: f}, options(0))
	if err != nil || s.MeanOfDosesML != 15 || s.DoseAtMeanML != 20 || !slices.Equal(s.NoDose, []int{0}) || s.NoDosePct <= 0 {
		t.Errorf("%+v %v", s, err)
	}
	// Mean 42.5 is off the card; the need is still told.
	x := []float64{15, 70}
	if _, err := sample.DoseBias(x, sample.Rule{Dose: f}, options(0)); !errors.Is(err, sample.ErrNoDose) {
		t.Error(err)
	}
	if n, err := sample.BlockNeed(x, f, options(10)); err != nil || n.TotalML != 50 {
		t.Error(n, err)
	}
	if _, err := sample.BlockNeed(x, f, options(0)); !errors.Is(err, sample.ErrBlock) {
		t.Error(err)
	}
	if _, err := sample.BlockNeed([]float64{60, 70}, f, options(9)); !errors.Is(err, sample.ErrNoDose) {
		t.Error(err)
	}
	if _, err := sample.DoseBias([]float64{60, 70}, sample.Rule{Dose: f}, options(9)); !errors.Is(err, sample.ErrNoDose) {
		t.Error(err)
	}
	if _, err := sample.DoseBias([]float64{60, 70}, sample.Rule{}, options(9)); !errors.Is(err, sample.ErrNoDose) {
		t.Error(err)
	}
	for _, bad := range []float64{-1, math.NaN(), math.Inf(1)} {
		g := func(float64) (float64, bool) { return bad, true }
		if _, err := sample.DoseBias(x, sample.Rule{Dose: g}, options(9)); !errors.Is(err, sample.ErrDose) {
			t.Error(bad, err)
		}
		if _, err := sample.BlockNeed(x, g, options(9)); !errors.Is(err, sample.ErrDose) {
			t.Error(bad, err)
		}
	}
}

// Jensen: no bias for a rate per diameter, never positive per basal area.
func TestDoseBias_Jensen(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.SliceOfN(rapid.Float64Range(1, 400), 2, 20).Draw(t, "x")
		a, err := sample.DoseBias(x, sample.Rule{Dose: rate(2.5)}, options(0))
		if err != nil || math.Abs(a.BiasPct) > 1e-11 {
			t.Fatal(a, err)
		}
		b, err := sample.DoseBias(x, sample.Rule{Dose: basal(1)}, options(0))
		if err != nil || b.BiasPct > 1e-11 {
			t.Fatal(b, err)
		}
	})
}

// Around 30 cm: a girth typed as diameter, centimetres as inches, inches as
// centimetres, a diameter as girth, each at its exact ratio to the median 30.
func TestSlips(t *testing.T) {
	base := []float64{28, 29, 29.5, 30, 30, 30.5, 31, 32}
	for _, c := range []struct {
		value float64
		code  sample.SlipCode
	}{
		{30 * math.Pi, sample.SlipGirthAsDiameter}, {30 * 2.54, sample.SlipCentimetreAsInch},
		{30 / 2.54, sample.SlipInchAsCentimetre}, {30 / math.Pi, sample.SlipDiameterAsGirth},
		{30 * math.Pi * 1.079, sample.SlipGirthAsDiameter}, {30 * math.Pi * 0.921, sample.SlipGirthAsDiameter},
		{30 * math.Pi * 1.081, ""}, {30 * 2.8, ""}, {30 * 2.0, ""}, {30 * 0.353, ""}, {15, ""},
	} {
		x := append(slices.Clone(base), c.value)
		got, err := sample.Slips(x)
		if err != nil {
			t.Fatal(err)
		}
		if c.code == "" {
			if len(got) != 0 {
				t.Errorf("%g cm: %+v", c.value, got)
			}
			continue
		}
		if len(got) != 1 || got[0].Index != 8 || got[0].Code != c.code || got[0].DiameterCM != c.value {
			t.Errorf("%g cm: %+v, want %s", c.value, got, c.code)
			continue
		}
		near(t, "ratio", got[0].Ratio, c.value/30, 1e-15)
		if d := got[0].CorrectedCM; d < 27 || d > 33 {
			t.Errorf("corrected to %g", d)
		}
	}
	// A very mixed block: three times the median is no outlier and no slip.
	if got, err := sample.Slips([]float64{5, 10, 20, 25, 30, 45, 60, 75, 78}); err != nil || len(got) != 0 {
		t.Errorf("%+v %v", got, err)
	}
	if got, err := sample.Slips([]float64{30, 94}); err != nil || len(got) != 0 {
		t.Errorf("%+v %v", got, err)
	}
	if _, err := sample.Slips(nil); !errors.Is(err, sample.ErrTooFew) {
		t.Error(err)
	}
	if _, err := sample.Slips([]float64{1, math.NaN()}); !errors.Is(err, sample.ErrDiameter) {
		t.Error(err)
	}
}

// Scheaffer, Mendenhall and Ott strata: every row of stratified_expected.csv, 1e-9.
func TestCombineStrata(t *testing.T) {
	want, _ := expected(t, "stratified_expected.csv")
	f, err := os.Open("../../check/07_sampling/stratified_input.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var strata []sample.Stratum
	for _, r := range rows[1:] {
		strata = append(strata, sample.Stratum{Trees: int(number(t, r[1])), Mean: number(t, r[2]), SD: number(t, r[3]), N: int(number(t, r[4]))})
	}
	s, err := sample.CombineStrata(strata)
	if err != nil {
		t.Fatal(err)
	}
	ney, err := sample.AllocateNeyman(40, strata)
	if err != nil {
		t.Fatal(err)
	}
	prop, err := sample.AllocateProportional(40, strata)
	if err != nil {
		t.Fatal(err)
	}
	for key, got := range map[string]float64{
		"mean": s.Mean, "variance_of_mean": s.Variance, "se": s.SE, "total": s.Total, "se_total": s.SETotal,
		"neyman_n_A_of_40": ney[0], "neyman_n_B_of_40": ney[1], "neyman_n_C_of_40": ney[2],
		"proportional_n_A_of_40": prop[0], "proportional_n_B_of_40": prop[1], "proportional_n_C_of_40": prop[2],
	} {
		v, ok := want[key]
		if !ok {
			t.Errorf("no %s in the file", key)
		}
		near(t, key, got, v, 1e-10)
	}
}

// USDA Forest Service Handbook 2409.12: stands of 30 10 20 40 acres with cv 40
// 65 80 35 %: weighted cv 48.5 %, n 86, shares by area times cv.
func TestTimberCruising(t *testing.T) {
	want, printed := expected(t, "fsh2409_stratified_sample_size.csv")
	strata := []sample.Stratum{{Trees: 30, SD: 40}, {Trees: 10, SD: 65}, {Trees: 20, SD: 80}, {Trees: 40, SD: 35}}
	cv := 0.0
	for _, s := range strata {
		cv += float64(s.Trees) / 100 * s.SD
	}
	near(t, "weighted cv", cv, want["weighted_cv_pct"], 1e-14)
	n, err := sample.TreesAtFixedT(2, cv/100, 0.1, 1000)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "n", n, want["n_tract_A10_t2_N1000"], 1e-11)
	if printed["n_tract_A10_t2_N1000"] != "86" || math.Ceil(n) != 86 {
		t.Errorf("n %g, printed %s", n, printed["n_tract_A10_t2_N1000"])
	}
	got, err := sample.AllocateNeyman(86, strata)
	if err != nil {
		t.Fatal(err)
	}
	for i, key := range []string{"alloc_stand_1_with_n_86", "alloc_stand_2_with_n_86", "alloc_stand_3_with_n_86", "alloc_stand_4_with_n_86"} {
		near(t, key, got[i], want[key], 1e-10)
	}
}

func TestStrata_Refuses(t *testing.T) {
	for _, s := range [][]sample.Stratum{
		nil, {{Trees: 0, N: 0}}, {{Trees: 5, N: 6, Mean: 1, SD: 1}}, {{Trees: 5, N: 1, Mean: 1}}, {{Trees: 5, N: 0, Mean: 1}},
		{{Trees: 5, N: 2, Mean: math.NaN()}}, {{Trees: 5, N: 2, SD: -1}}, {{Trees: 5, N: 2, SD: math.Inf(1)}},
		{{Trees: 5, N: 2, Mean: 1e308, SD: 1}}, {{Trees: 5, N: 2, SD: 1e200}},
	} {
		if _, err := sample.CombineStrata(s); !errors.Is(err, sample.ErrStratum) {
			t.Errorf("%+v: %v", s, err)
		}
	}
	if s, err := sample.CombineStrata([]sample.Stratum{{Trees: 1, N: 1, Mean: 30}}); err != nil || s.Mean != 30 || s.SE != 0 {
		t.Error(s, err)
	}
	if _, err := sample.AllocateNeyman(0, []sample.Stratum{{Trees: 3}}); !errors.Is(err, sample.ErrBlock) {
		t.Error(err)
	}
	if a, err := sample.AllocateNeyman(4, []sample.Stratum{{Trees: 3}, {Trees: 1}}); err != nil || !slices.Equal(a, []float64{3, 1}) {
		t.Error(a, err)
	}
	if _, err := sample.AllocateProportional(4, nil); !errors.Is(err, sample.ErrStratum) {
		t.Error(err)
	}
}
