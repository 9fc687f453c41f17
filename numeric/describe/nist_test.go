package describe_test

import (
	"encoding/json"
	"math"
	"os"
	"strconv"
	"testing"

	"sapward/numeric/describe"
)

// relative returns |got-want| / |want|, or |got| where want is 0.
func relative(got, want float64) float64 {
	if want == 0 {
		return math.Abs(got)
	}
	return math.Abs(got-want) / math.Abs(want)
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// NIST StRD univariate: certified values, 15 digits.
func TestNIST(t *testing.T) {
	raw, err := os.ReadFile("../../check/01_nist/univariate.json")
	if err != nil {
		t.Fatal(err)
	}
	var sets map[string]struct {
		N         int
		Certified map[string]string
		Values    []string
	}
	if err := json.Unmarshal(raw, &sets); err != nil {
		t.Fatal(err)
	}
	if len(sets) < 7 {
		t.Fatalf("only %d data sets", len(sets))
	}
	for name, set := range sets {
		t.Run(name, func(t *testing.T) {
			x := make([]float64, len(set.Values))
			for i, s := range set.Values {
				x[i] = number(t, s)
			}
			if len(x) != set.N {
				t.Fatalf("%d values, want %d", len(x), set.N)
			}
			// What float64 data allow, see the README beside the data.
			tol := map[string]float64{"mean": 1e-13, "sd": 1e-13, "autocorr1": 1e-11}
			switch name {
			case "NumAcc2":
				tol["sd"] = 1e-12
			case "NumAcc3":
				tol["sd"], tol["autocorr1"] = 1e-9, 1e-9
			case "NumAcc4":
				tol["sd"], tol["autocorr1"] = 1e-8, 1e-8
			}
			for what, f := range map[string]func([]float64) (float64, error){
				"mean": describe.Mean, "sd": describe.SD, "autocorr1": describe.Autocorrelation1,
			} {
				got, err := f(x)
				if err != nil {
					t.Fatal(err)
				}
				want := number(t, set.Certified[what])
				d := relative(got, want)
				t.Logf("%s %s: %.16g, relative deviation %.1e", name, what, got, d)
				if d > tol[what] {
					t.Errorf("%s = %.16g, certified %.16g, relative %.2e > %.0e", what, got, want, d, tol[what])
				}
			}
		})
	}
}
