package port

import (
	"testing"

	q "sapward/measure/quantity"
	"sapward/plan/label"
)

// Heights in cm, worked by hand.
func TestHeightLevels(t *testing.T) {
	heights := func(lo, hi int64) q.Opt[q.Range[q.LengthKind]] { return spacing(lo, hi) }
	for _, c := range []struct {
		name  string
		rule  label.PortRule
		place label.Place
		n     int
		want  []float64
		kept  bool
		why   Reason
	}{
		{"flare", label.PortRule{}, label.RootFlare, 4, []float64{11.25, 8.75, 11.25, 8.75}, false, ""},
		{"trunk, odd", label.PortRule{}, label.Trunk, 5, []float64{31.25, 28.75, 31.25, 28.75, 30}, false, ""},
		{"single port", label.PortRule{}, label.Trunk, 1, []float64{30}, false, ""},
		{"limb", label.PortRule{}, label.OnLimb, 2, []float64{251.25, 248.75}, false, ""},
		{"range above the default", label.PortRule{Height: heights(20, 40)}, label.RootFlare, 2, []float64{22.5, 20}, false, ""},
		{"range below the default", label.PortRule{Height: heights(5, 15)}, label.Trunk, 2, []float64{15, 12.5}, false, ""},
		{"narrow range shrinks the default", label.PortRule{Height: heights(12, 13)}, label.RootFlare, 3, []float64{13, 12, 12.5}, false, ""},
		{"one height", label.PortRule{Height: heights(12, 12)}, label.RootFlare, 3, []float64{12, 12, 12}, true, ""},
		{"single value is the maximum", label.PortRule{Height: q.Known(q.Range[q.LengthKind]{Low: cm(8, 1), High: cm(8, 1), Single: true})}, label.RootFlare, 2, []float64{8, 5.5}, false, ""},
		{"card's stagger, odd", label.PortRule{Stagger: q.Known(cm(4, 1))}, label.Trunk, 3, []float64{32, 28, 36}, true, ""},
		{"card's stagger, wrap below", label.PortRule{Stagger: q.Known(cm(4, 1)), Height: heights(20, 32)}, label.Trunk, 3, []float64{32, 28, 24}, true, ""},
		{"card's stagger, no third level", label.PortRule{Stagger: q.Known(cm(4, 1)), Height: heights(28, 33)}, label.Trunk, 3, []float64{32, 28, 30}, false, ""},
		{"card's stagger does not fit", label.PortRule{Stagger: q.Known(cm(4, 1)), Height: heights(28, 31)}, label.Trunk, 3, nil, false, StaggerClash},
		{"range turned round", label.PortRule{Height: heights(30, 20)}, label.Trunk, 3, nil, false, HeightClash},
	} {
		t.Run(c.name, func(t *testing.T) {
			l := HeightLevels(c.rule, c.place, cm(250, 1))
			f, said := l.Finding(c.n)
			if wrap := said && f.ID == "port-stagger-wrap"; l.Refused != c.why || wrap != (c.name == "card's stagger, no third level") || said != (wrap || c.why != "") {
				t.Fatalf("refused %q, want %q; finding %+v", l.Refused, c.why, f)
			}
			if c.why != "" {
				return
			}
			low, high := c.want[0], c.want[0]
			for i, want := range c.want {
				if got := l.At(i, c.n).Float(); got != want {
					t.Errorf("port %d at %v cm, want %v", i, got, want)
				}
				low, high = min(low, want), max(high, want)
			}
			if l.WrapKept != c.kept {
				t.Errorf("wrap kept %v, want %v", l.WrapKept, c.kept)
			}
			if a, b := l.Span(c.n); a.Float() != low || b.Float() != high {
				t.Errorf("span %v..%v, want %v..%v", a, b, low, high)
			}
		})
	}
}
