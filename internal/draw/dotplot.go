package draw

import (
	"fmt"
	"maps"
	"math"
	"slices"
)

// DotBand is a range of diameters that gets the same fill or ports.
type DotBand struct {
	FromCm, ToCm float64
	Label        string
}

// DotPlot shows every measured diameter as a dot, with mean and interval.
type DotPlot struct {
	Frame
	ValuesCm      []float64
	MeanCm        float64
	LowCm, HighCm float64 // interval of the mean; both 0 draws none
	Bands         []DotBand
	Unit          LengthUnit
}

// DrawDotPlot returns the plot: values are gathered in bins one dot wide and
// stacked, so no two dots hide each other.
func DrawDotPlot(d DotPlot) (Scene, error) {
	s, top, err := d.begin(KindDotPlot)
	if err != nil {
		return Scene{}, err
	}
	if len(d.ValuesCm) == 0 || !finite(d.ValuesCm...) || !finite(d.MeanCm, d.LowCm, d.HighCm) || d.HighCm < d.LowCm {
		return Scene{}, fmt.Errorf("draw: dot plot: needs diameters, a mean and an interval with low before high")
	}
	lo, hi := slices.Min(d.ValuesCm), slices.Max(d.ValuesCm)
	if d.HighCm > d.LowCm {
		lo, hi = min(lo, d.LowCm), max(hi, d.HighCm)
	}
	lo, hi = min(lo, d.MeanCm), max(hi, d.MeanCm)
	pad := max((hi-lo)*0.06, 0.5)
	k, w := d.Unit.perCm(), d.Words
	x := axis{lo: (lo - pad) * k, hi: (hi + pad) * k, p0: margin + 6, p1: d.WidthPx - margin - 6}
	// the dot shrinks until the highest stack fits
	size, tallest := 10.0, 0
	var bins map[int]int
	for ; size > 1.6; size *= 0.85 {
		bins, tallest = map[int]int{}, 0
		for _, v := range d.ValuesCm {
			b := int(math.Floor((x.at(v*k) - x.p0) / size))
			bins[b]++
			tallest = max(tallest, bins[b])
		}
		if float64(tallest)*size <= 170 {
			break
		}
	}
	// names of bands, in as many rows as they need
	room := newShelf(Box{margin / 2, -1e6, d.WidthPx - margin/2, 1e6})
	y := top
	rows := 0
	var labels []Text
	for _, b := range d.Bands {
		if !finite(b.FromCm, b.ToCm) || b.ToCm < b.FromCm {
			return Scene{}, fmt.Errorf("draw: dot plot: band %q has no usable ends", b.Label)
		}
		if b.Label == "" || b.ToCm*k < x.lo || b.FromCm*k > x.hi {
			continue
		}
		mid := (x.inside(b.FromCm*k) + x.inside(b.ToCm*k)) / 2
		half := TextWidth(b.Label, Small, false) / 2
		mid = min(max(mid, margin/2+half+2), d.WidthPx-margin/2-half-2)
		for r := 0; r < 6; r++ {
			t := Text{At: Point{mid, y + 11 + 13*float64(r)}, S: b.Label, Size: Small, Anchor: Middle, Role: Bark}
			if box := boxOf(t).grow(2); room.free(box) {
				room.take(box)
				labels = append(labels, t)
				rows = max(rows, r+1)
				break
			}
		}
	}
	y += 13*float64(rows) + 4
	meanLabel := Text{At: Point{x.at(d.MeanCm * k), y + 13}, S: w.say("mean") + " " + with(w.num(d.MeanCm*k, d.Unit.Decimals), w.say("length_unit")), Size: Small, Bold: true, Anchor: Middle, Role: Leaf}
	mb := boxOf(meanLabel)
	meanLabel.At.X += max(0, margin/2-mb.X0) - max(0, mb.X1-(d.WidthPx-margin/2))
	plotTop := y + 18
	base := plotTop + 12 + max(float64(tallest)*size, 60)
	for _, b := range d.Bands {
		for _, e := range []float64{b.FromCm * k, b.ToCm * k} {
			if e > x.lo && e < x.hi {
				s.add(Line(Point{x.at(e), y}, Point{x.at(e), base}, Style{Stroke: Bark, WidthPx: 0.9, Dash: Dashed}))
			}
		}
	}
	interval := Style{Fill: LeafSoft, Hatch: Sparse, HatchRole: Leaf}
	if d.HighCm > d.LowCm {
		a, b := x.at(d.LowCm*k), x.at(d.HighCm*k)
		s.add(Rect{a, plotTop, b - a, base - plotTop, interval})
		for _, e := range []float64{a, b} {
			s.add(Line(Point{e, plotTop}, Point{e, base}, Style{Stroke: Leaf, WidthPx: 0.8}))
		}
	}
	s.add(Line(Point{x.at(d.MeanCm * k), plotTop - 2}, Point{x.at(d.MeanCm * k), base}, Style{Stroke: Leaf, WidthPx: 2.2}))
	for _, b := range slices.Sorted(maps.Keys(bins)) {
		for i := range bins[b] {
			s.add(Circle{Point{x.p0 + (float64(b)+0.5)*size, base - (float64(i)+0.5)*size}, size * 0.42, Style{Fill: Ink}})
		}
	}
	for _, t := range labels {
		s.add(t)
	}
	meanLabel.Halo = true
	s.add(meanLabel)
	p := plot{s: s, w: w, x: x, y: axis{0, 1, base, plotTop, false}}
	p.grid(x.ticks(w, 50), nil, fmt.Sprintf("%s (%s), %d %s", w.say("diameter"), w.say("length_unit"), len(d.ValuesCm), w.say("trees")), "")
	y = base + 36
	items := []legendItem{{stroke(Style{Stroke: Leaf, WidthPx: 2.2}), w.say("mean")}}
	if d.HighCm > d.LowCm {
		items = append(items, legendItem{swatch(Style{Fill: LeafSoft, Stroke: Leaf, WidthPx: 0.8, Hatch: Sparse, HatchRole: Leaf}), w.say("interval")})
	}
	s.Height = s.legend(items, y) + margin
	return *s, nil
}
