package plume

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
)

func readCheck(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open("../../check/06_transport/" + name)
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

func number(t *testing.T, text string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(strings.Fields(text)[0], 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// named reads "x=1;t=2" into a map; words that are not name=number are left out.
func named(text string) map[string]float64 {
	values := map[string]float64{}
	for _, piece := range strings.Split(text, ";") {
		if name, value, ok := strings.Cut(piece, "="); ok {
			if v, err := strconv.ParseFloat(value, 64); err == nil {
				values[name] = v
			}
		}
	}
	return values
}

// deviation is relative where the value is above 1e-12, else in units that make
// the tolerance 1e-10 mean 1e-15 absolute (check/06_transport/README.md).
func deviation(got, want float64) float64 {
	if math.Abs(want) > 1e-12 {
		return math.Abs(got/want - 1)
	}
	return math.Abs(got-want) * 1e5
}

func TestClassical_OgataBanksAndLindstrom(t *testing.T) {
	var first, third float64
	var n, n3 int
	for _, row := range readCheck(t, "ogata_banks_1d.csv") {
		f := Flowing{number(t, row[2]), number(t, row[3]), number(t, row[4]), number(t, row[5])}
		x, time := number(t, row[0]), number(t, row[1])
		d := deviation(f.FirstType(x, time), number(t, row[6]))
		first, n = max(first, d), n+1
		if !(d <= 1e-10) {
			t.Errorf("first type %v: got %.14g", row, f.FirstType(x, time))
		}
		if f.Loss == 0 {
			d := deviation(f.ThirdType(x, time), number(t, row[7]))
			third, n3 = max(third, d), n3+1
			if !(d <= 1e-10) {
				t.Errorf("third type %v: got %.14g", row, f.ThirdType(x, time))
			}
		}
	}
	t.Logf("%d first-type rows, largest deviation %.2g; %d third-type rows, %.2g (tolerance 1e-10)", n, first, n3, third)
	if n < 100 || n3 < 50 {
		t.Errorf("too few rows were read: %d, %d", n, n3)
	}
}

func TestClassical_Wexler(t *testing.T) {
	worst, n := 0.0, 0
	var base map[string]float64
	for _, row := range readCheck(t, "wexler1992.csv") {
		v := named(row[1])
		if strings.HasPrefix(row[1], "as above") {
			for k, b := range base {
				if _, ok := v[k]; !ok {
					v[k] = b
				}
			}
		}
		base = v
		f := Flowing{Velocity: v["v"], Dispersion: v["D"], Retardation: 1, Loss: v["lambda"]}
		if v["Dx"] > 0 {
			f.Dispersion = v["Dx"]
		}
		if v["R"] > 0 {
			f.Retardation = v["R"]
		}
		var got float64
		switch {
		case strings.Contains(row[0], "FINITE"):
			got = f.FiniteColumn(v["x"], v["t"], v["L"], strings.Contains(row[0], "3rd"))
		case strings.Contains(row[0], "SEMINF 1st"):
			got = f.FirstType(v["x"], v["t"])
		case strings.Contains(row[0], "SEMINF 3rd"):
			got = f.ThirdType(v["x"], v["t"])
		case strings.Contains(row[0], "POINT2"):
			got = v["c0"] * f.Line(v["x"], v["y"]-500, v["t"], v["Dy"], v["Qa"], v["n"]) // source(0,500)
		case strings.Contains(row[0], "STRIP"):
			got = v["c0"] * f.Patch(v["x"], v["t"], Side{v["y"], v["y1"], v["y2"], v["Dy"], v["W"]})
		case strings.Contains(row[0], "PATCHI"):
			got = v["c0"] * f.Patch(v["x"], v["t"], Side{v["y"], v["y1"], v["y2"], v["Dy"], 0}, Side{v["z"], v["z1"], v["z2"], v["Dz"], 0})
		case strings.Contains(row[0], "POINT3"):
			got = v["c0"] * f.PointSource(v["x"], v["y"], v["z"], v["t"], v["Dy"], v["Dz"], v["Q"], v["n"])
		default:
			t.Errorf("no kernel for %q", row[0])
			continue
		}
		d := deviation(got, number(t, row[4]))
		worst, n = max(worst, d), n+1
		if !(d <= 1e-10) {
			t.Errorf("%s %s: got %.14g, want %s", row[0], row[1], got, row[4])
		}
		if row[3] != "" && !(math.Abs(got-number(t, row[3])) <= number(t, row[5])) {
			t.Errorf("%s %s: got %.14g, printed %s", row[0], row[1], got, row[3])
		}
	}
	t.Logf("%d rows, largest deviation %.2g (tolerance 1e-10)", n, worst)
}

// Rows of Carslaw and Jaeger that the model's kernels cover: the slab is the
// dispersion patch, the rectangle its product with the tangential kernel, the
// half-space the first-type inlet without flow. The disc, the cylinder and the
// heated half-space have no counterpart in the model; their number is printed.
func TestClassical_CarslawJaeger(t *testing.T) {
	worst, n := 0.0, 0
	left := map[string]int{}
	for _, row := range readCheck(t, "carslaw_jaeger.csv") {
		v := named(row[1])
		still := Dispersion{ExtraM2: 2 * v["kappa"] * v["t"]}
		var got float64
		switch {
		case strings.HasPrefix(row[0], "instantaneous uniform slab"):
			got = 2 * v["a"] * still.Patch(v["x"], v["a"], 0)
		case strings.HasPrefix(row[0], "instantaneous rectangle"):
			got = 2 * v["a"] * still.Patch(v["x"], v["a"], 0) * 2 * v["b"] * Around(v["y"], v["b"], still.ExtraM2, 100)
		case strings.HasPrefix(row[0], "half-space"):
			got = Flowing{Dispersion: v["kappa"], Retardation: 1}.FirstType(v["x"], v["t"])
		default:
			left[strings.SplitN(row[0], ",", 2)[0]]++
			continue
		}
		d := deviation(got, number(t, row[2]))
		worst, n = max(worst, d), n+1
		if !(d <= 1e-10) {
			t.Errorf("%s %s: got %.14g, want %s", row[0], row[1], got, row[2])
		}
	}
	fmt.Println("plume: rows of Carslaw and Jaeger without a counterpart in the model:", left)
	t.Logf("%d rows, largest deviation %.2g (tolerance 1e-10)", n, worst)
	if n < 20 {
		t.Errorf("only %d rows were checked", n)
	}
}
