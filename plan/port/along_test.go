package port

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"
)

// Worked by hand; tolerance 1e-12 cm on tenths.
func TestAlong(t *testing.T) {
	near := cmpopts.EquateApprox(0, 1e-12)
	for _, c := range []struct {
		name        string
		az          []float64
		mark, girth float64
		want        []Tape
		last        float64
	}{
		{"mark at north", []float64{0, 90, 180, 270}, MarkDeg, 100, []Tape{{0, 0, 0}, {1, 25, 25}, {2, 50, 25}, {3, 75, 25}}, 25},
		{"mark in the south", []float64{90, 200}, 180, 72, []Tape{{1, 4, 4}, {0, 54, 50}}, 18},
		{"thirds do not drift", []float64{0, 120, 240}, 0, 100, []Tape{{0, 0, 0}, {1, 33.3, 33.3}, {2, 66.7, 33.4}}, 33.3},
		{"rounds to the mark", []float64{359.99}, 0, 100, []Tape{{0, 0, 0}}, 100},
		{"no ports", nil, 0, 100, []Tape{}, 100},
	} {
		got, last, err := Along(c.az, c.mark, c.girth)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(c.want, got, near); d != "" || math.Abs(last-c.last) > 1e-12 {
			t.Errorf("%s: last gap %v, want %v; differs (-want +got):\n%s", c.name, last, c.last, d)
		}
	}
	for name, c := range map[string][3]float64{"girth": {0, 0, 0}, "mark": {0, math.NaN(), 50}, "azimuth": {math.Inf(1), 0, 50}} {
		if _, _, err := Along([]float64{c[0]}, c[1], c[2]); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

// Gaps close on the girth in whole tenths. A distance is off by half a tenth at
// most, and by another half where it rounds to the girth and so to the mark.
func TestAlong_Closes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		az := rapid.SliceOfN(rapid.Float64Range(0, 359.999), 1, 30).Draw(t, "azimuths")
		mark := rapid.Float64Range(0, 359.9).Draw(t, "mark")
		girth := rapid.Float64Range(10, 600).Draw(t, "girth")
		ports, last, err := Along(az, mark, girth)
		if err != nil {
			t.Fatal(err)
		}
		sum := math.Round(last * 10)
		for _, p := range ports {
			if p.AlongCm < 0 || p.AlongCm >= girth+0.05 || p.GapCm < 0 {
				t.Fatalf("%+v", p)
			}
			sum += math.Round(p.GapCm * 10)
			exact := Turn(az[p.Port]-mark, 360) / 360 * girth
			if off := math.Abs(math.Remainder(p.AlongCm-exact, girth)); off > 0.1+1e-9 {
				t.Fatalf("off by %v cm", off)
			}
		}
		if sum != math.Round(girth*10) {
			t.Fatalf("gaps add up to %v tenths, girth %v cm", sum, girth)
		}
	})
}

func TestShownDeg(t *testing.T) {
	for in, want := range map[float64]float64{0: 0, 359.96: 0, 359.94: 359.9, 45.26: 45.3, -0.01: 0, 720: 0} {
		if got := ShownDeg(in); got != want {
			t.Errorf("ShownDeg(%v) = %v, want %v", in, got, want)
		}
	}
}
