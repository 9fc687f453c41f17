package plume

import (
	"math"
	"testing"
)

// The numerical twin of the closed forms (MODEL 1.10): finite volumes on the
// unrolled sheet, van Leer (MUSCL) or central faces along the grain, central
// dispersion, periodic round the stem, Heun steps in time. It shares no code
// with the kernels.
type twin struct {
	rows, columns     int
	low, high, around float64 // heights, perimeter
	speed, loss       float64 // q/(theta R), 1/d
	alongM, acrossM   float64 // dispersivities
	limited           bool
}

// problem is the one that the twin, SciPy and R all solve: a patch of half-length
// 0.45 m and half-width 0.05 m after 20 d, X = 6.9 m (R 5.8), with decay.
const (
	problemDays     = 20.0
	problemSpeed    = 6.9 / problemDays
	problemLoss     = math.Ln2 / 60
	problemAlong    = 0.2
	problemAcross   = 1e-3
	problemHalf     = 0.45
	problemHalfWide = 0.05
)

func newTwin(rows, columns int) twin {
	return twin{rows: rows, columns: columns, low: -2.4, high: 15.6, around: 1.6, speed: problemSpeed, loss: problemLoss, alongM: problemAlong, acrossM: problemAcross}
}

func (w twin) dz() float64              { return (w.high - w.low) / float64(w.rows) }
func (w twin) dy() float64              { return w.around / float64(w.columns) }
func (w twin) height(i int) float64     { return w.low + (float64(i)+0.5)*w.dz() }
func (w twin) arc(j int) float64        { return (float64(j)+0.5)*w.dy() - w.around/2 }
func (w twin) rate(c, out []float64)    { w.along(c, out); w.sideways(c, out) }
func overlap(lo, hi, h float64) float64 { return max(0, min(hi, h)-max(lo, -h)) / (hi - lo) }

// start is the patch, averaged over the cells it touches.
func (w twin) start() []float64 {
	c := make([]float64, w.rows*w.columns)
	for i := range w.rows {
		for j := range w.columns {
			z, y := w.height(i), w.arc(j)
			c[i*w.columns+j] = overlap(z-w.dz()/2, z+w.dz()/2, problemHalf) * overlap(y-w.dy()/2, y+w.dy()/2, problemHalfWide) / (4 * problemHalf * problemHalfWide)
		}
	}
	return c
}

// vanLeer is the limited slope of van Leer (1974).
func vanLeer(a, b float64) float64 {
	if a*b <= 0 {
		return 0
	}
	return 2 * a * b / (a + b)
}

func (w twin) along(c, out []float64) {
	dz, n := w.dz(), w.columns
	at := func(i, j int) float64 {
		if i < 0 {
			return 0
		}
		return c[min(i, w.rows-1)*n+j]
	}
	for j := range n {
		below := 0.0 // flux through the lower face
		for i := range w.rows {
			here, next := at(i, j), at(i+1, j)
			face := (here + next) / 2
			if w.limited {
				face = here + vanLeer(here-at(i-1, j), next-here)/2
			}
			above := w.speed * (face - w.alongM*(next-here)/dz)
			out[i*n+j] = (below-above)/dz - w.loss*here
			below = above
		}
	}
}

func (w twin) sideways(c, out []float64) {
	n, k := w.columns, w.speed*w.acrossM/(w.dy()*w.dy())
	for i := range w.rows {
		row := c[i*n : (i+1)*n]
		for j := range n {
			out[i*n+j] += k * (row[(j+1)%n] - 2*row[j] + row[(j+n-1)%n])
		}
	}
}

// run advances the start to the end by Heun steps.
func (w twin) run(days float64) []float64 {
	c := w.start()
	limit := 0.8 / (w.speed/w.dz() + 2*w.speed*w.alongM/(w.dz()*w.dz()) + 2*w.speed*w.acrossM/(w.dy()*w.dy()))
	steps := int(math.Ceil(days / limit))
	dt := days / float64(steps)
	r, mid := make([]float64, len(c)), make([]float64, len(c))
	for range steps {
		w.rate(c, r)
		for i := range c {
			mid[i] = c[i] + dt*r[i]
		}
		for i := range c {
			c[i] += dt / 2 * r[i]
		}
		w.rate(mid, r)
		for i := range c {
			c[i] += dt / 2 * r[i]
		}
	}
	return c
}

// closed is the model's own answer to the problem at the cells' middles.
func (w twin) closed() []float64 {
	along := Dispersion{DispersivityM: problemAlong}
	x := problemSpeed * problemDays
	c := make([]float64, w.rows*w.columns)
	for i := range w.rows {
		for j := range w.columns {
			c[i*w.columns+j] = math.Exp(-problemLoss*problemDays) * along.Patch(w.height(i), problemHalf, x) *
				Around(w.arc(j), problemHalfWide, 2*problemAcross*x, w.around)
		}
	}
	return c
}

// norms returns relative L1, L2 and largest differences of a from b.
func norms(a, b []float64) (l1, l2, top float64) {
	var n1, n2, peak float64
	for i := range b {
		d := math.Abs(a[i] - b[i])
		l1, l2, top = l1+d, l2+d*d, max(top, d)
		n1, n2, peak = n1+math.Abs(b[i]), n2+b[i]*b[i], max(peak, b[i])
	}
	return l1 / n1, math.Sqrt(l2 / n2), top / peak
}

// MODEL section 10 item 4: closed form against the twin, second order (slope
// 1.8 to 2.2 in L2) and at most 1.2 % in L1 and L2 on 120 x 64 cells of an 18 m
// column. The largest difference is held to 1.5 % of the peak: central faces
// reach 1.33 %, limited faces 0.80 % (regression values); both depend on how many
// cells the column's length leaves to the plume. Mass to 1e-4, Heun's own error
// in the decay.
func TestTwin_SecondOrderAndCloseAt120x64(t *testing.T) {
	for _, limited := range []bool{false, true} {
		var l2 []float64
		for _, size := range [][2]int{{60, 32}, {120, 64}, {240, 128}} {
			w := newTwin(size[0], size[1])
			w.limited = limited
			got, want := w.run(problemDays), w.closed()
			a, b, c := norms(got, want)
			mass := 0.0
			for _, v := range got {
				mass += v * w.dz() * w.dy()
			}
			drift := mass/math.Exp(-problemLoss*problemDays) - 1
			t.Logf("limited %t, %dx%d: L1 %.2g, L2 %.2g, largest %.2g, mass %.1g", limited, size[0], size[1], a, b, c, drift)
			if size[0] == 120 && (a > 0.012 || b > 0.012 || c > 0.015) {
				t.Errorf("120x64, limited %t: L1 %.2g, L2 %.2g, largest %.2g, want at most 0.012, 0.012, 0.015", limited, a, b, c)
			}
			if math.Abs(drift) > 1e-4 { // Heun's own error in the decay
				t.Errorf("mass is off by %.2g", drift)
			}
			l2 = append(l2, b)
		}
		for i := 1; i < len(l2); i++ {
			slope := math.Log2(l2[i-1] / l2[i])
			t.Logf("slope %.2f", slope)
			// Van Leer's faces gain a little on second order where the front is smooth.
			if slope < 1.8 || slope > 2.2 && !limited {
				t.Errorf("limited %t: slope %.2f, want 1.8 to 2.2", limited, slope)
			}
		}
	}
}

// line is the twin along the grain only, with a tapering column, withdrawal by
// leaves and any sorption isotherm: total content T(c) per volume of wood.
type line struct {
	cells     int
	low, high float64
	alongM    float64
	area      func(z float64) float64 // A(z)/A(0)
	flow      func(z float64) float64 // Q(z)/Q(0)
	dissolved func(total float64) float64
	feed      func(x float64) float64 // inflow at z = 0 per unit of the clock
	clockRate func(t float64) float64 // flow in time; nil: 1
	molecular float64                 // D_m/R, always on
}

// run starts from a patch of one gram on [-h, h] (h = 0: nothing) and advances to
// t; it returns the content per height (gram per m) and what the leaves took.
func (l line) run(h, t float64) (content []float64, leaves float64) {
	dz := (l.high - l.low) / float64(l.cells)
	content = make([]float64, l.cells)
	source := 0
	fastest := 1.0
	for i := range content {
		z := l.low + float64(i)*dz
		if h > 0 {
			content[i] = overlap(z, z+dz, h) / (2 * h)
		}
		if z <= 0 && z+dz > 0 {
			source = i
		}
		fastest = max(fastest, l.flow(z+dz)/l.area(z+dz))
	}
	rate := func(time float64, m, out []float64) float64 {
		q := 1.0
		if l.clockRate != nil {
			q = l.clockRate(time)
		}
		conc := make([]float64, len(m))
		for i, v := range m {
			conc[i] = l.dissolved(v / l.area(l.low+(float64(i)+0.5)*dz))
		}
		below, flowBelow, taken := 0.0, l.flow(l.low), 0.0
		for i := range m {
			face := l.low + float64(i+1)*dz
			here, next, last := conc[i], conc[min(i+1, len(m)-1)], 0.0
			if i > 0 {
				last = conc[i-1]
			}
			flowAbove := l.flow(face)
			above := q*flowAbove*(here+vanLeer(here-last, next-here)/2-l.alongM*(next-here)/dz) - l.molecular*l.area(face)*(next-here)/dz
			sink := q * here * (flowBelow - flowAbove)
			out[i] = (below - above - sink) / dz
			taken += sink
			below, flowBelow = above, flowAbove
		}
		if l.feed != nil {
			out[source] += q * l.feed(time) / dz
		}
		return taken + below
	}
	peak := 1.0
	if l.clockRate != nil {
		peak = 2.5
	}
	steps := int(math.Ceil(t / (0.7 / (peak*fastest*(1/dz+2*l.alongM/(dz*dz)) + 2*l.molecular/(dz*dz)))))
	dt := t / float64(steps)
	r, mid := make([]float64, l.cells), make([]float64, l.cells)
	for n := range steps {
		time := float64(n) * dt
		took := rate(time, content, r)
		for i := range content {
			mid[i] = content[i] + dt*r[i]
			content[i] += dt / 2 * r[i]
		}
		took += rate(time+dt, mid, r)
		for i := range content {
			content[i] += dt / 2 * r[i]
		}
		leaves += took * dt / 2
	}
	return content, leaves
}

func same(v float64) float64 { return v }
func one(float64) float64    { return 1 }

// MODEL section 10 item 8: the change of variable xi(z) against the twin with
// true A(z) and f(z), A = f^m: content within 7 % (L1), mass delivered to the
// leaves within 0.013 of the dose (MODEL 1.2).
func TestTaper_AgreesWithTwin(t *testing.T) {
	f := func(z float64) float64 { return min(1, max(0.02, 1-(z-4)/12)) }
	for _, m := range []float64{0.5, 1, 1.3} {
		for _, alpha := range []float64{0.02, 0.2} {
			l := line{cells: 400, low: -4, high: 16, alongM: alpha, flow: f, dissolved: same, area: func(z float64) float64 { return math.Pow(f(z), m) }}
			const x, h = 7.0, 0.5
			content, leaves := l.run(h, x)
			// The model's change of variable, from crown levels every 2 cm.
			c := trunk()
			c.Crown, c.Taper = nil, nil
			for z := 4.02; z < 15.999; z += 0.02 {
				c.Crown = append(c.Crown, Level{z - 0.01, f(z-0.02) - f(z)})
			}
			sum := 0.0
			for _, level := range c.Crown {
				sum += level.Share
			}
			c.Crown = append(c.Crown, Level{16, 1 - sum})
			for z := 0.5; z <= 16; z += 0.1 {
				c.Taper = append(c.Taper, Section{z, l.area(z)})
			}
			if err := c.Check(); err != nil {
				t.Fatal(err)
			}
			tp := newTaper(c)
			k := Dispersion{DispersivityM: alpha}
			dz := 20.0 / 400
			var diff, mass float64
			for i, v := range content {
				z := -4 + (float64(i)+0.5)*dz
				closed := k.Patch(tp.at(z), h, x) * l.area(z)
				diff += math.Abs(v-closed) * dz
				mass += closed * dz
			}
			l1 := diff / mass
			t.Logf("A = f^%.1f, alpha_L %.2f m: L1 %.2f %%, leaves %.4f closed, %.4f twin", m, alpha, 100*l1, 1-mass, leaves)
			if l1 > 0.07 || math.Abs(1-mass-leaves) > 0.013 {
				t.Errorf("A = f^%.1f, alpha_L %.2f m: L1 %.3f, leaves %.4f and %.4f", m, alpha, l1, 1-mass, leaves)
			}
		}
	}
}

// In the pipe model xi is z itself, also when its taper is written out (up to
// the steps of the crown).
func TestTaper_PipeModelIsTheIdentity(t *testing.T) {
	c := trunk()
	for _, z := range []float64{-2, 0, 3, 7, 14, 20} {
		near(t, "xi", newTaper(c).at(z), z, 0)
	}
	// f is 1 up to 6 m: an untapered trunk is the identity there, then xi grows by 1/f.
	c.Taper = []Section{{15, 1}}
	tp := newTaper(c)
	near(t, "below the crown", tp.at(5), 5, 1e-14)
	near(t, "between 6 and 9 m f is 0.8", tp.at(9), 6+3/0.8, 1e-13)
	near(t, "to 12 m f is 0.5", tp.at(12), 6+3/0.8+3/0.5, 1e-13)
}

// The infusion kernel against the twin with a fed cell: L1 below 1 %, and the
// flow may come and go by day and night (the clock alone counts).
func TestDispersion_SourceAgreesWithTwin(t *testing.T) {
	l := line{cells: 501, low: -5.01, high: 15.03, alongM: 0.2, area: one, flow: one, dissolved: same}
	const x, xu = 6.0, 2.0
	check := func(what string, got []float64, k Dispersion, limit float64, closed func(z float64) float64) {
		var diff, mass float64
		for i, v := range got {
			z := l.low + (float64(i)+0.5)*(l.high-l.low)/float64(l.cells)
			diff, mass = diff+math.Abs(v-closed(z)), mass+closed(z)
		}
		t.Logf("%s: L1 %.3f %%", what, 100*diff/mass)
		if diff/mass > limit {
			t.Errorf("%s: L1 %.4f, want at most %.4f", what, diff/mass, limit)
		}
	}
	k := Dispersion{DispersivityM: 0.2}
	l.feed = func(now float64) float64 {
		if now < xu {
			return 1 / xu
		}
		return 0
	}
	content, _ := l.run(0, x)
	check("infusion", content, k, 0.01, func(z float64) float64 { return k.Uptake(z, x, xu) })

	// Six days of half a sine between 6 and 18 h, one metre of X a day, and
	// molecular diffusion all the time.
	l.feed, l.molecular = nil, 2e-3
	l.clockRate = func(now float64) float64 {
		hour := 24 * (now - math.Floor(now))
		if hour < 6 || hour > 18 {
			return 0
		}
		return math.Pi * math.Sin(math.Pi*(hour-6)/12)
	}
	l.cells, l.low, l.high = 300, -5, 15
	content, _ = l.run(0.5, x)
	night := Dispersion{DispersivityM: 0.2, ExtraM2: 2 * l.molecular * x}
	check("by day and night, with diffusion", content, night, 0.005, func(z float64) float64 { return night.Patch(z, 0.5, x) })
}

// MODEL section 10 item 12: Freundlich sorption tends to the linear one as its
// exponent tends to 1, with a difference in proportion to 1 - n; and a smaller
// exponent carries the centre of mass ahead where c is above the reference.
func TestFreundlich_TendsToLinear(t *testing.T) {
	const hold, r = 0.5, 8.0
	isotherm := func(n, reference float64) func(float64) float64 {
		return func(total float64) float64 {
			if total <= 1e-14 {
				return 0
			}
			// theta c + theta ref (c/ref)^n = total, Newton on ln c
			c := total / (hold * r)
			for range 60 {
				sorbed := hold * (r - 1) * reference * math.Pow(c/reference, n)
				g := hold*c + sorbed - total
				step := g / (hold*c + n*sorbed)
				c *= math.Exp(-step)
				if math.Abs(step) < 1e-13 {
					break
				}
			}
			return c
		}
	}
	run := func(n float64) (centre float64, content []float64) {
		l := line{cells: 240, low: -4, high: 20, alongM: 0.2, area: one, flow: one, dissolved: isotherm(n, 1e-3)}
		content, _ = l.run(0.5, 5*hold*r)
		mass := 0.0
		for i, v := range content {
			z := -4 + (float64(i)+0.5)*0.1
			centre, mass = centre+z*v, mass+v
		}
		return centre / mass, content
	}
	base, linear := run(1)
	near(t, "linear: the centre moves by X", base, 5, 0.01)
	c99, f99 := run(0.99)
	c98, f98 := run(0.98)
	d99, _, _ := norms(f99, linear)
	d98, _, _ := norms(f98, linear)
	t.Logf("centre at n = 1, 0.99, 0.98: %.3f, %.3f, %.3f m; L1 from linear %.3f, %.3f", base, c99, c98, d99, d98)
	if ratio := d98 / d99; ratio < 1.8 || ratio > 2.2 {
		t.Errorf("difference ratio %.2f, want about 2", ratio)
	}
	if !(c98 > c99 && c99 > base) {
		t.Error("a smaller exponent moves the centre ahead")
	}
}
