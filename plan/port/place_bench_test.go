package port

import "testing"

func BenchmarkPlace(b *testing.B) {
	r := Ring{GirthCm: 125.66, SpacingMinCm: 10, SpacingMaxCm: 16}
	wounded := r
	for i := range 8 {
		wounded.Holes = append(wounded.Holes, Hole{float64(i) * 45, 2})
	}
	uneven := r
	for _, a := range []float64{3, 40, 77, 140, 201, 262, 300} {
		uneven.Holes = append(uneven.Holes, Hole{a, 4.4})
	}
	full := r
	for i := range 10 {
		full.Holes = append(full.Holes, Hole{float64(i) * 36, 5.3})
	}
	for _, c := range []struct {
		name string
		ring Ring
		n    int
	}{{"free", r, 9}, {"turned", wounded, 8}, {"unequal", uneven, 10}, {"refused", full, 9}} {
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			var l Layout
			for b.Loop() {
				l, _ = Place(c.ring, c.n)
			}
			b.Logf("equal %v, reason %q", l.Equal, l.Reason)
		})
	}
}
