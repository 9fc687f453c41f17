package protect

import (
	"errors"
	"math"
	"testing"

	"sapward/flow/sap"
)

// A point of the cube is read at the input's own distribution: 0.1, 0.5 and 0.9
// are the three figures of the parameter table; inputs that do not vary stand
// at their middle; the state of the ports follows the last coordinate only.
func TestSampler_ReadsTheTable(t *testing.T) {
	c := reference(t, "conifer")
	s, err := NewSampler(c, 9)
	if err != nil {
		t.Fatal(err)
	}
	names := s.Inputs()
	if names[len(names)-1] != "port_scatter" {
		t.Fatalf("last coordinate is %q", names[len(names)-1])
	}
	u := make([]float64, len(names))
	for k, name := range names[:len(names)-1] {
		for i := range u {
			u[i] = 0.5
		}
		p := c.parameters()[s.varying[k]]
		for _, x := range []struct{ u, want float64 }{{0.1, p.At(-1.2815515655446)}, {0.5, p.Typical}, {0.9, p.At(1.2815515655446)}} {
			u[k] = x.u
			d, err := s.At(u)
			if err != nil {
				t.Fatal(err)
			}
			want := x.want
			switch name { // held to what it can be
			case "ring_carry_over", "sorption_reached", "lumen_fraction", "width_efficiency":
				want = math.Min(want, 1)
			}
			if got, _ := d.Value(name); math.Abs(got-want) > 1e-9*math.Abs(want)+1e-12 {
				t.Errorf("%s at %.1f: %v, want %v", name, x.u, got, want)
			}
		}
	}
	a, _ := s.At(u)
	u[len(u)-1] = 0.7
	b, _ := s.At(u)
	if a.value != b.value || a.ports == b.ports {
		t.Errorf("the last coordinate must change the ports and nothing else")
	}
	var wrong *sap.InputError
	for _, bad := range [][]float64{u[1:], append([]float64{0}, u[1:]...), append([]float64{1}, u[1:]...), append([]float64{math.NaN()}, u[1:]...)} {
		if _, err := s.At(bad); !errors.As(err, &wrong) {
			t.Errorf("%v: error %v", bad, err)
		}
	}
	c.Tree.PerimeterM = 0
	if _, err := NewSampler(c, 9); !errors.As(err, &wrong) {
		t.Errorf("no perimeter: error %v", err)
	}
}
