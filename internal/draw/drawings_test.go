package draw

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// fault reports the first text that leaves the scene or covers another.
func fault(s Scene) error {
	texts := s.Texts()
	for i, p := range texts {
		if b := p.Box; b.X0 < 0 || b.Y0 < 0 || b.X1 > s.Width || b.Y1 > s.Height {
			return fmt.Errorf("%q at %+v leaves the scene of %g by %g", p.S, b, s.Width, s.Height)
		}
		for _, q := range texts[:i] {
			if p.Box.Overlaps(q.Box, 0) {
				return fmt.Errorf("%q at %+v covers %q at %+v", p.S, p.Box, q.S, q.Box)
			}
		}
	}
	return nil
}

func TestDrawings_LabelsStayInsideAndApart(t *testing.T) {
	for _, e := range examples() {
		s, err := e.make()
		if err != nil {
			t.Fatal(err)
		}
		if err := fault(s); err != nil {
			t.Errorf("%s: %v", e.name, err)
		}
	}
}

// crossings counts the leaders and the pairs of them that cross.
func crossings(s Scene) (count, crossed int) {
	var leaders [][]Point
	for _, e := range s.Items {
		if p, ok := e.(Path); ok && p.Fill == "" && p.WidthPx == 0.6 && len(p.D) == 4 {
			leaders = append(leaders, []Point{p.D[0].P[0], p.D[1].P[0], p.D[2].P[0], p.D[3].P[0]})
		}
	}
	side := func(a, b, c Point) float64 { return (b.X-a.X)*(c.Y-a.Y) - (b.Y-a.Y)*(c.X-a.X) }
	n := 0
	for i, a := range leaders {
		for _, b := range leaders[:i] {
			for j := range 3 {
				for k := range 3 {
					if side(a[j], a[j+1], b[k])*side(a[j], a[j+1], b[k+1]) < -1e-6 && side(b[k], b[k+1], a[j])*side(b[k], b[k+1], a[j+1]) < -1e-6 {
						n++
					}
				}
			}
		}
	}
	return len(leaders), n
}

func TestRing_LegibleFrom3To60Ports(t *testing.T) {
	worst := 0
	for n := 3; n <= 60; n++ {
		for _, w := range []float64{300, 340, 390, 640, 1280} {
			s, err := DrawRing(exRing(n, w, english()))
			if err != nil {
				t.Fatalf("%d ports at %g px: %v", n, w, err)
			}
			if err := fault(s); err != nil {
				t.Errorf("%d ports at %g px: %v", n, w, err)
			}
			leaders, crossed := crossings(s)
			if leaders != n+4 { // and the mark, two old holes, one blocked arc
				t.Errorf("%d ports at %g px: %d leaders", n, w, leaders)
			}
			worst = max(worst, crossed)
			all, volumes := map[string]bool{}, 0
			for _, p := range s.Texts() {
				if p.Bold {
					all[p.S] = true
				} else if strings.Contains(p.S, "30\u00a0mm") {
					volumes++
				}
			}
			if volumes < n && w >= 640 {
				t.Errorf("%d ports at %g px: depth and volume stand at %d of them", n, w, volumes)
			}
			for i := 1; i <= n; i++ {
				if !all[fmt.Sprint(i)] {
					t.Errorf("%d ports at %g px: port %d has no label", n, w, i)
				}
			}
		}
	}
	if worst > 0 {
		t.Errorf("up to %d leaders cross", worst)
	}
}

// Ports anywhere, wounds anywhere: still no label on another.
func TestRing_AnyAzimuths(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := exRing(rapid.IntRange(0, 60).Draw(t, "n"), rapid.Float64Range(300, 900).Draw(t, "width"), english())
		r.MarkDeg = rapid.Float64Range(-720, 720).Draw(t, "mark")
		for i := range r.Ports {
			r.Ports[i].AzimuthDeg = rapid.Float64Range(-360, 720).Draw(t, "az")
		}
		for i := range r.OldHoles {
			r.OldHoles[i].AzimuthDeg = rapid.Float64Range(0, 360).Draw(t, "wound")
		}
		s, err := DrawRing(r)
		if err != nil {
			t.Fatal(err)
		}
		if err := fault(s); err != nil {
			t.Fatal(err)
		}
	})
}

// Worked by hand: a port at azimuth 90 of a 20 cm trunk is drawn to the right
// of the middle, from the bark surface inwards, to scale.
func TestRing_PortIsToScaleAndNotMirrored(t *testing.T) {
	r := exRing(0, 640, english())
	r.OldHoles, r.Blocked = nil, nil
	r.Ports = []RingPort{{1, 90, 10, 30, 8, ""}}
	s, err := DrawRing(r)
	if err != nil {
		t.Fatal(err)
	}
	bark := s.Items[1].(Circle) // after the heading
	k := bark.R / 100           // px per mm, radius 100 mm
	var hole Box
	for _, e := range s.Items {
		if p, ok := e.(Path); ok && p.Fill == Ink && len(p.D) == 5 {
			hole = segmentsBox(p.D)
			break
		}
	}
	want := Box{bark.C.X + 70*k, bark.C.Y - 4*k, bark.C.X + 100*k, bark.C.Y + 4*k}
	for i, d := range []float64{hole.X0 - want.X0, hole.Y0 - want.Y0, hole.X1 - want.X1, hole.Y1 - want.Y1} {
		if math.Abs(d) > 1e-6 {
			t.Errorf("side %d is off by %g px", i, d)
		}
	}
}

func textX(t *testing.T, s Scene, text string, size Size) float64 {
	t.Helper()
	for _, p := range s.Texts() {
		if p.S == text && p.Size == size {
			return (p.Box.X0 + p.Box.X1) / 2
		}
	}
	t.Fatalf("no text %q", text)
	return 0
}

// A person outside sees west on the left of south and east on its right; the
// tape, clockwise seen from above, therefore runs to the left.
func TestUnrolled_SeenFromOutside(t *testing.T) {
	u := exUnrolled(7, 640)
	u.MarkDeg = 90
	s, err := DrawUnrolled(u)
	if err != nil {
		t.Fatal(err)
	}
	h, err := DrawHeatMap(exHeat(640))
	if err != nil {
		t.Fatal(err)
	}
	for _, sc := range []Scene{s, h} {
		x := []float64{textX(t, sc, "W", Large), textX(t, sc, "S", Large), textX(t, sc, "E", Large), textX(t, sc, "N", Large)}
		for i := 1; i < 4; i++ {
			if x[i] <= x[i-1] {
				t.Errorf("the winds stand at %v, want W S E N from left to right", x)
			}
		}
	}
	if a, b := textX(t, s, "Mark 0", Small), textX(t, s, "10", Small); b >= a {
		t.Errorf("tape 10 at %g is right of the mark at %g", b, a)
	}
	// exact: azimuth falls by 360 degrees over the width
	v := unrolledView{Unrolled: u, x0: 100, x1: 460}
	for az, want := range map[float64]float64{315: 100, 270: 145, 180: 235, 90: 325, 0: 415, 360: 415, -44: 459} {
		if got := v.x(az); math.Abs(got-want) > 1e-9 {
			t.Errorf("azimuth %g at %g, want %g", az, got, want)
		}
	}
	// a box over the seam comes in two pieces of the right total width
	sum := 0.0
	for _, sp := range v.spans(300, 330) {
		sum += sp[1] - sp[0]
	}
	if n := len(v.spans(300, 330)); n != 2 || math.Abs(sum-30) > 1e-9 {
		t.Errorf("%d pieces, %g px", n, sum)
	}
}

// Seen from the south, a limb to the east is on the right and near.
func TestLimbs_SideOf(t *testing.T) {
	for _, c := range []struct {
		az, view, x float64
		near        bool
	}{{90, 180, 1, true}, {270, 180, -1, true}, {180, 180, 0, true}, {0, 180, 0, false}, {0, 90, 1, true}} {
		x, near := sideOf(c.az, c.view)
		if math.Abs(x-c.x) > 1e-12 || near != c.near {
			t.Errorf("azimuth %g from %g: %g %v", c.az, c.view, x, near)
		}
	}
}

// Values 10^(height - 2) have their contour of 1 at 2 m exactly, since the
// contour is linear in the logarithm.
func TestHeatMap_ContourIsExactForExponentials(t *testing.T) {
	h := exHeat(640)
	h.TopM, h.Low, h.High, h.Effective = 4, 0.01, 100, 1
	for r := range h.Values {
		for i := range h.Values[r] {
			z := (float64(r) + 0.5) / float64(len(h.Values)) * 4
			h.Values[r][i] = math.Pow(10, z-2)
		}
	}
	s, err := DrawHeatMap(h)
	if err != nil {
		t.Fatal(err)
	}
	var frame Rect
	found := false
	for _, e := range s.Items {
		if p, ok := e.(Rect); ok && p.Stroke == Ink && p.H > 100 {
			frame = p
		}
	}
	for _, e := range s.Items {
		p, ok := e.(Path)
		if !ok || p.Stroke != Warn || p.WidthPx != 1.8 {
			continue
		}
		found = true
		for _, d := range p.D {
			if want := frame.Y + frame.H/2; math.Abs(d.P[0].Y-want) > 1e-6 {
				t.Errorf("contour at %g, want %g", d.P[0].Y, want)
			}
		}
		moves := 0
		for _, d := range p.D {
			if d.Op == 'M' {
				moves++
			}
		}
		if moves != 1 {
			t.Errorf("the contour is in %d pieces", moves)
		}
	}
	if !found {
		t.Error("no contour")
	}
	v := heatView{HeatMap: h}
	for x, want := range map[float64]int{0.001: 0, 0.01: 0, 1: 4, 99.9: 8, 100: 8, 1e6: 8, math.NaN(): 0} {
		if got := v.step(x); got != want {
			t.Errorf("value %g is step %d, want %d", x, got, want)
		}
	}
}

// One hot column of azimuths shows where that azimuth is.
func TestHeatMap_AzimuthOfAColumn(t *testing.T) {
	h := exHeat(640)
	for r := range h.Values {
		for i := range h.Values[r] {
			h.Values[r][i] = 0.001
		}
		h.Values[r][18] = 100 // 18 of 72 columns: azimuth 90
	}
	s, err := DrawHeatMap(h)
	if err != nil {
		t.Fatal(err)
	}
	e, found := textX(t, s, "E", Large), 0
	for _, it := range s.Items {
		if p, ok := it.(Rect); ok && p.Fill == RampRole(8) && p.Y+p.H < s.Height-60 {
			found++
			if cell := 620.0 / 72; math.Abs(p.X+p.W/2-e) > cell {
				t.Errorf("column of azimuth 90 at %g, E stands at %g", p.X+p.W/2, e)
			}
		}
	}
	if found != len(h.Values) {
		t.Errorf("%d hot cells, want %d", found, len(h.Values))
	}
}

func TestBlockMap_StripsKeepEveryTree(t *testing.T) {
	for _, n := range []int{1, 2, 30, 164} {
		for _, avenue := range []bool{true, false} {
			m := exMap(n, avenue, 340)
			for i := range m.Trees {
				m.Trees[i].Class, m.Trees[i].Status = 0, Planned
			}
			m.Classes = []string{""}
			s, err := DrawBlockMap(m)
			if err != nil {
				t.Fatal(err)
			}
			dots := 0
			for _, e := range s.Items {
				if c, ok := e.(Circle); ok && c.Fill == Leaf {
					dots++
					if c.C.X-c.R < 0 || c.C.X+c.R > s.Width || c.C.Y-c.R < 0 || c.C.Y+c.R > s.Height {
						t.Errorf("a dot leaves the map: %+v", c)
					}
				}
			}
			if dots != n+1 { // and one in the key
				t.Errorf("%d trees, %d dots", n, dots-1)
			}
			if err := fault(s); err != nil {
				t.Errorf("%d trees: %v", n, err)
			}
		}
	}
}

func TestDrawings_RefuseBadData(t *testing.T) {
	nan := math.NaN()
	for name, f := range map[string]func() error{
		"no words":         func() error { r := exRing(3, 340, Words{}); _, err := DrawRing(r); return err },
		"narrow":           func() error { _, err := DrawRing(exRing(3, 100, english())); return err },
		"width not number": func() error { _, err := DrawRing(exRing(3, nan, english())); return err },
		"no diameter":      func() error { r := exRing(3, 340, english()); r.DiameterCm = 0; _, err := DrawRing(r); return err },
		"all bark":         func() error { r := exRing(3, 340, english()); r.BarkMm = 200; _, err := DrawRing(r); return err },
		"port nowhere": func() error {
			r := exRing(3, 340, english())
			r.Ports[1].AzimuthDeg = nan
			_, err := DrawRing(r)
			return err
		},
		"no girth": func() error { u := exUnrolled(3, 340); u.GirthCm = -1; _, err := DrawUnrolled(u); return err },
		"limb":     func() error { l := exLimbs(340); l.Limbs[0].HeightM = math.Inf(1); _, err := DrawLimbs(l); return err },
		"no trees": func() error { m := exMap(2, true, 340); m.Trees = nil; _, err := DrawBlockMap(m); return err },
		"class":    func() error { m := exMap(2, true, 340); m.Trees[0].Class = 9; _, err := DrawBlockMap(m); return err },
		"walk": func() error {
			m := exMap(2, true, 340)
			m.Walks[0].Trees = []int{7}
			_, err := DrawBlockMap(m)
			return err
		},
		"bar":          func() error { d := exDay(340); d.Rows[0].Bars[0].ToMin = 0; _, err := DrawDay(d); return err },
		"empty day":    func() error { d := exDay(340); d.Rows, d.Markers = nil, nil; _, err := DrawDay(d); return err },
		"no diameters": func() error { d := exDots(340); d.ValuesCm = nil; _, err := DrawDotPlot(d); return err },
		"ragged":       func() error { h := exHeat(340); h.Values[3] = h.Values[3][:5]; _, err := DrawHeatMap(h); return err },
		"scale":        func() error { h := exHeat(340); h.Low = 0; _, err := DrawHeatMap(h); return err },
		"series": func() error {
			c := exBand(340, true)
			c.Series[0].P50 = c.Series[0].P50[:3]
			_, err := DrawBandChart(c)
			return err
		},
		"state": func() error { h := exHours(340); h.Days[0].State[4] = 99; _, err := DrawHours(h); return err },
	} {
		err := f()
		if err == nil || !strings.HasPrefix(err.Error(), "draw: ") {
			t.Errorf("%s: got %v, want an error of this package", name, err)
		}
	}
	if err := func() error { _, err := DrawRing(exRing(3, 340, Words{})); return err }(); !strings.Contains(err.Error(), "sapwood") {
		t.Errorf("%v does not name the missing words", err)
	}
}

// A caller's slices come back as they went in.
func TestDrawings_LeaveInputAlone(t *testing.T) {
	r, m, d, b := exRing(9, 340, english()), exMap(40, true, 340), exDay(340), exBand(340, true)
	for _, err := range []error{
		func() error { _, err := DrawRing(r); return err }(), func() error { _, err := DrawBlockMap(m); return err }(),
		func() error { _, err := DrawDay(d); return err }(), func() error { _, err := DrawBandChart(b); return err }(),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, diff := range []string{cmp.Diff(r, exRing(9, 340, english())), cmp.Diff(m, exMap(40, true, 340)), cmp.Diff(d, exDay(340)), cmp.Diff(b, exBand(340, true))} {
		if diff != "" {
			t.Error(diff)
		}
	}
}

func TestKeys_AreAllInBothLanguages(t *testing.T) {
	for _, k := range []Kind{KindRing, KindUnrolled, KindLimbs, KindBlockMap, KindDayBars, KindDotPlot, KindHeatMap, KindBandChart, KindHours} {
		if len(Keys(k)) == 0 {
			t.Errorf("%s lists no words", k)
		}
		for _, key := range Keys(k) {
			for _, w := range []Words{english(), spanish()} {
				if _, ok := w.Label[key]; !ok {
					t.Errorf("%s: %s has no word %q", k, w.Lang, key)
				}
			}
		}
	}
	if Keys("") != nil {
		t.Error("an unknown kind has words")
	}
}
