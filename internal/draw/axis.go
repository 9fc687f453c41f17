package draw

import "math"

// axis maps values lo to hi on to pixels p0 to p1, by logarithm when log.
type axis struct {
	lo, hi, p0, p1 float64
	log            bool
}

func (a axis) at(v float64) float64 {
	lo, hi := a.lo, a.hi
	if a.log {
		v, lo, hi = math.Log(max(v, lo)), math.Log(lo), math.Log(hi)
	}
	return a.p0 + (v-lo)/(hi-lo)*(a.p1-a.p0)
}

// inside clamps a value to the axis before mapping it.
func (a axis) inside(v float64) float64 { return a.at(min(max(v, a.lo), a.hi)) }

// tick is one marked value.
type tick struct {
	v     float64
	label string
}

// ticks are round values with about perTick px between them; a logarithmic
// axis marks powers of ten, with 2 and 5 between them where there is room.
func (a axis) ticks(w Words, perTick float64) []tick {
	var out []tick
	n := max(2, int(math.Abs(a.p1-a.p0)/perTick))
	if !a.log {
		step := niceStep(a.hi-a.lo, n)
		for i := math.Ceil(a.lo/step - 1e-9); i*step <= a.hi+step*1e-9; i++ {
			out = append(out, tick{i * step, w.num(i*step, decimalsOf(step))})
		}
		return out
	}
	from, to := int(math.Floor(math.Log10(a.lo)+1e-9)), int(math.Ceil(math.Log10(a.hi)-1e-9))
	mantissas := []float64{1}
	if (to-from)*3 <= n {
		mantissas = []float64{1, 2, 5}
	}
	every := max(1, int(math.Ceil(float64(to-from)/float64(n))))
	for e := from; e <= to; e += every {
		for _, m := range mantissas {
			if v := m * math.Pow(10, float64(e)); v >= a.lo*(1-1e-9) && v <= a.hi*(1+1e-9) {
				label := w.short(v)
				if v < 1e-4 || v >= 1e5 {
					// the fonts lack raised signs
					label = w.short(m) + "e" + w.num(float64(e), 0)
				}
				out = append(out, tick{v, label})
			}
		}
	}
	return out
}

// plot is the field of a chart.
type plot struct {
	s    *Scene
	w    Words
	x, y axis
}

// grid draws both axes: values of y to the left, of x below, names of both
// without turning a letter.
func (p plot) grid(xTicks, yTicks []tick, xLabel, yLabel string) {
	s := p.s
	x0, x1, y0, y1 := p.x.p0, p.x.p1, p.y.p1, p.y.p0
	for _, t := range yTicks {
		y := p.y.at(t.v)
		s.add(Line(Point{x0, y}, Point{x1, y}, Style{Stroke: Hair, WidthPx: 0.7}))
		s.add(Text{At: Point{x0 - 6, y + 4}, S: t.label, Size: Small, Anchor: End, Role: Muted})
	}
	last := math.Inf(-1)
	for _, t := range xTicks {
		x := p.x.at(t.v)
		s.add(Line(Point{x, y1}, Point{x, y1 + 4}, Style{Stroke: Ink, WidthPx: 0.8}))
		label := Text{At: Point{x, y1 + 16}, S: t.label, Size: Small, Anchor: Middle, Role: Muted}
		b := boxOf(label)
		label.At.X += max(0, 2-b.X0) - max(0, b.X1-(s.Width-2))
		if b = boxOf(label); b.X0 > last+3 {
			s.add(label)
			last = b.X1
		}
	}
	s.add(Line(Point{x0, y1}, Point{x1, y1}, Style{Stroke: Ink, WidthPx: 1}))
	s.add(Text{At: Point{x1, y1 + 31}, S: shorten(xLabel, Small, false, x1-margin), Size: Small, Anchor: End, Role: Ink})
	if yLabel == "" {
		return
	}
	s.add(Text{At: Point{margin, y0 - 8}, S: shorten(yLabel, Small, false, s.Width-2*margin), Size: Small, Role: Ink})
}

func widest(t []tick) float64 {
	w := 0.0
	for _, k := range t {
		w = max(w, TextWidth(k.label, Small, false))
	}
	return w
}
