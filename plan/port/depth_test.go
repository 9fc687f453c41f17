package port

import (
	"testing"

	"pgregory.net/rapid"

	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
)

func sap(lo, hi int64) q.Range[q.LengthKind] {
	return q.Range[q.LengthKind]{Low: cm(lo, 10), High: cm(hi, 10)}
}

// Worked by hand, mm. Card: 12 to 35 mm in the sapwood.
func TestDepthFor(t *testing.T) {
	single := q.Range[q.LengthKind]{Low: cm(3, 1), High: cm(3, 1), Single: true}
	for _, c := range []struct {
		name string
		bark Bark
		sap  q.Range[q.LengthKind]
		wood tree.Wood
		want int
		why  Reason
	}{
		{"gauged, ring-porous", Gauged(cm(85, 100)), sap(12, 35), tree.RingPorous, 21, ""},         // 20.5..43.5
		{"gauged, diffuse-porous", Gauged(cm(85, 100)), sap(12, 35), tree.DiffusePorous, 32, ""},   // middle 32.0
		{"estimated", Bark{Thin: cm(5, 10), Thick: cm(15, 10)}, sap(12, 35), tree.Conifer, 33, ""}, // 27..40
		{"estimated, just fits", Bark{Thin: cm(1, 10), Thick: cm(24, 10)}, sap(12, 35), tree.RingPorous, 36, ""},
		{"estimated, too wide", Bark{Thin: cm(1, 10), Thick: cm(25, 10)}, sap(12, 35), tree.RingPorous, 0, GaugeBark},
		{"one value is the maximum", Gauged(cm(1, 1)), single, tree.RingPorous, 25, ""},         // 10..40
		{"no whole millimetre", Gauged(cm(105, 100)), sap(12, 12), tree.Conifer, 0, DepthWhole}, // 22.5
		{"range turned round", Gauged(cm(1, 1)), sap(35, 12), tree.Conifer, 0, DepthRange},
		{"bark turned round", Bark{Thin: cm(2, 1), Thick: cm(1, 1)}, sap(12, 35), tree.Conifer, 0, DepthRange},
		{"no range", Gauged(cm(1, 1)), sap(0, 0), tree.Conifer, 0, DepthRange},
	} {
		d := DepthFor(c.bark, c.sap, c.wood)
		f, refused := d.Finding()
		if d.Mm != c.want || d.Reason != c.why || refused != (c.why != "") || f.ID != string(c.why) {
			t.Errorf("%s: got %+v, want %d mm %q", c.name, d, c.want, c.why)
		}
	}
}

// Whatever the bark is within its range, the depth in sapwood is the card's.
func TestDepthFor_RightForAllBark(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		thin := rapid.Int64Range(0, 400).Draw(t, "thin")
		thick := thin + rapid.Int64Range(0, 300).Draw(t, "more")
		lo := rapid.Int64Range(0, 300).Draw(t, "lo")
		hi := lo + rapid.Int64Range(1, 300).Draw(t, "span")
		r := q.Range[q.LengthKind]{Low: cm(lo, 100), High: cm(hi, 100)}
		wood := rapid.SampledFrom([]tree.Wood{tree.RingPorous, tree.DiffusePorous, tree.WoodUnknown}).Draw(t, "wood")
		d := DepthFor(Bark{Thin: cm(thin, 100), Thick: cm(thick, 100)}, r, wood)
		any := false
		for mm := int64(0); mm <= 100; mm++ { // 0.1 mm units: mm*10
			any = any || (mm*10-thick >= lo && mm*10-thin <= hi)
		}
		if (d.Reason == Placed) != any {
			t.Fatalf("reason %q, trying every millimetre says %v", d.Reason, any)
		}
		if d.Reason == Placed {
			for _, b := range []int64{thin, thick} {
				in := q.Cm(exact.Frac(int64(d.Mm), 10)).Sub(cm(b, 100))
				if in.Less(r.Low) || r.High.Less(in) {
					t.Fatalf("bark %d, depth %d mm: %v in sapwood, card %d..%d", b, d.Mm, in, lo, hi)
				}
			}
		}
	})
}
