package port

import (
	"errors"
	"math"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"sapward/finding"
)

func mustPlace(t interface {
	Helper()
	Fatal(...any)
}, r Ring, n int) Layout {
	t.Helper()
	l, err := Place(r, n)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// Worked by hand. Tolerance 1e-9 degree.
func TestPlace(t *testing.T) {
	near := cmpopts.EquateApprox(0, 1e-9)
	for _, c := range []struct {
		name string
		ring Ring
		n    int
		want Layout
	}{
		{"nothing in the way", Ring{GirthCm: 100}, 4, Layout{AzimuthsDeg: []float64{0, 90, 180, 270}, Equal: true, RoomDeg: 90}},
		{"one port", Ring{GirthCm: 100}, 1, Layout{AzimuthsDeg: []float64{0}, Equal: true, RoomDeg: 360}},
		{"turned away from one hole", Ring{GirthCm: 72, Holes: []Hole{{10, 5}}}, 4, // 5 cm are 25 degrees: 345..35
			Layout{AzimuthsDeg: []float64{55, 145, 235, 325}, Equal: true, RoomDeg: 40}},
		{"clearances differ", Ring{GirthCm: 360, Holes: []Hole{{0, 40}, {60, 5}}}, 4, // modulo 90: 50..90..40 and 55..65 leave 40..50
			Layout{AzimuthsDeg: []float64{45, 135, 225, 315}, Equal: true, RoomDeg: 10}},
		{"arc through north", Ring{GirthCm: 100, Blocked: []Arc{{350, 20}}}, 2, // 350..20 is 170..200 modulo 180: free 20..170
			Layout{AzimuthsDeg: []float64{95, 275}, Equal: true, RoomDeg: 150}},
		{"flares in step", Ring{GirthCm: 100, Prefer: []float64{30, 120, 215}}, 4, // modulo 90: 30, 30, 35
			Layout{AzimuthsDeg: []float64{32.5, 122.5, 212.5, 302.5}, Equal: true, RoomDeg: 90, FlareMissDeg: 2.5}},
		{"flares across the fold", Ring{GirthCm: 100, Prefer: []float64{88, 2}}, 4, // modulo 90: 88 and 92
			Layout{AzimuthsDeg: []float64{0, 90, 180, 270}, Equal: true, RoomDeg: 90, FlareMissDeg: 2}},
		{"too far apart", Ring{GirthCm: 100, SpacingMaxCm: 20}, 4, Layout{Reason: BySpacing}},
		{"too close", Ring{GirthCm: 100, SpacingMinCm: 26}, 4, Layout{Reason: BySpacing}},
		{"spacing met exactly", Ring{GirthCm: 100, SpacingMinCm: 25, SpacingMaxCm: 25}, 4, Layout{AzimuthsDeg: []float64{0, 90, 180, 270}, Equal: true, RoomDeg: 90}},
		{"whole girth blocked", Ring{GirthCm: 100, Blocked: []Arc{{0, 360}}}, 1, Layout{Reason: NoRoom}},
		{"clearance above half the girth", Ring{GirthCm: 100, Holes: []Hole{{7, 60}}}, 1, Layout{Reason: NoRoom}},
		// 0..100 blocked, quarters of 90 cannot miss it; ports from 100 to 360
		// leave a gap of 100 and three of 86 2/3, on the grid 87, 86.5, 86.5
		// (ties go to the smallest gap, counted back from north).
		{"unequal", Ring{GirthCm: 360, Blocked: []Arc{{0.1, 99.9}}, SpacingMinCm: 80, SpacingMaxCm: 101}, 4,
			Layout{AzimuthsDeg: []float64{0, 100, 187, 273.5}}},
		{"unequal, spacing too narrow", Ring{GirthCm: 360, Blocked: []Arc{{0.1, 99.9}}, SpacingMinCm: 80, SpacingMaxCm: 99}, 4, Layout{Reason: NoRoom}},
	} {
		t.Run(c.name, func(t *testing.T) {
			if d := cmp.Diff(c.want, mustPlace(t, c.ring, c.n), near); d != "" {
				t.Errorf("layout differs (-want +got):\n%s", d)
			}
		})
	}
}

func TestPlace_RefusesBadNumbers(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for name, c := range map[string]struct {
		ring Ring
		n    int
	}{
		"girth 0":            {Ring{}, 3},
		"girth not a number": {Ring{GirthCm: nan}, 3},
		"girth endless":      {Ring{GirthCm: inf}, 3},
		"no ports":           {Ring{GirthCm: 50}, 0},
		"too many ports":     {Ring{GirthCm: 50}, MaxPorts + 1},
		"clearance negative": {Ring{GirthCm: 50, Holes: []Hole{{0, -1}}}, 3},
		"azimuth":            {Ring{GirthCm: 50, Holes: []Hole{{inf, 1}}}, 3},
		"arc":                {Ring{GirthCm: 50, Blocked: []Arc{{0, nan}}}, 3},
		"flare":              {Ring{GirthCm: 50, Prefer: []float64{nan}}, 3},
		"spacing":            {Ring{GirthCm: 50, SpacingMaxCm: nan}, 3},
		"least spacing":      {Ring{GirthCm: 50, SpacingMinCm: -1}, 3},
	} {
		l, err := Place(c.ring, c.n)
		var f *finding.Fault
		if !errors.As(err, &f) || f.ID != "port-ring-bad" || l.AzimuthsDeg != nil {
			t.Errorf("%s: got %v, %v", name, l, err)
		}
	}
}

func TestTurn(t *testing.T) {
	for _, c := range []struct{ in, period, want float64 }{
		{0, 360, 0}, {360, 360, 0}, {-1e-17, 360, 0}, {-90, 360, 270}, {725, 360, 5}, {-720, 360, 0},
		{359.999, 360, 359.999}, {95, 90, 5}, {math.Copysign(0, -1), 360, 0},
	} {
		if got := Turn(c.in, c.period); got != c.want || math.Signbit(got) {
			t.Errorf("Turn(%v, %v) = %v, want %v", c.in, c.period, got, c.want)
		}
	}
}

// Without keep-outs a layout costs one allocation, its list of azimuths.
func TestPlace_AllocatesOnlyItsResult(t *testing.T) {
	r := Ring{GirthCm: 120, SpacingMinCm: 10, SpacingMaxCm: 16}
	if n := testing.AllocsPerRun(100, func() { _, _ = Place(r, 9) }); n > 1 {
		t.Errorf("%v allocations, want 1", n)
	}
}

// drawRing makes an invented ring; degrees on a fine raster so that ties occur.
func drawRing(t *rapid.T) Ring {
	r := Ring{GirthCm: rapid.Float64Range(20, 400).Draw(t, "girth")}
	for range rapid.IntRange(0, 8).Draw(t, "holes") {
		r.Holes = append(r.Holes, Hole{
			AzimuthDeg:  float64(rapid.IntRange(0, 3599).Draw(t, "azimuth")) / 10,
			ClearanceCm: rapid.Float64Range(0, 9).Draw(t, "clearance"),
		})
	}
	for range rapid.IntRange(0, 3).Draw(t, "arcs") {
		from := rapid.Float64Range(0, 359).Draw(t, "from")
		r.Blocked = append(r.Blocked, Arc{from, from + rapid.Float64Range(0, 80).Draw(t, "width")})
	}
	return r
}

// clearance returns how far, in degrees, the nearest keep-out is from az;
// negative inside one. It is written apart from the code under test.
func clearance(r Ring, az float64) float64 {
	least := 360.0
	dist := func(a, b float64) float64 { return math.Abs(math.Remainder(a-b, 360)) }
	for _, h := range r.Holes {
		least = min(least, dist(az, h.AzimuthDeg)-h.ClearanceCm*360/r.GirthCm)
	}
	for _, a := range r.Blocked {
		half := (a.ToDeg - a.FromDeg) / 2
		least = min(least, dist(az, a.FromDeg+half)-half)
	}
	return least
}

// worst is the least clearance of a whole layout.
func worst(r Ring, az []float64) float64 {
	least := 360.0
	for _, a := range az {
		least = min(least, clearance(r, a))
	}
	return least
}

func TestPlace_KeepsItsPromises(t *testing.T) {
	seen := map[string]int{}
	rapid.Check(t, func(t *rapid.T) {
		r := drawRing(t)
		n := rapid.IntRange(1, 40).Draw(t, "n")
		if rapid.Bool().Draw(t, "spaced") {
			each := r.GirthCm / float64(n)
			r.SpacingMinCm = each * rapid.Float64Range(0.5, 1).Draw(t, "min")
			r.SpacingMaxCm = each * rapid.Float64Range(1, 1.6).Draw(t, "max")
		}
		before := Ring{GirthCm: r.GirthCm, Holes: slices.Clone(r.Holes), Blocked: slices.Clone(r.Blocked), SpacingMinCm: r.SpacingMinCm, SpacingMaxCm: r.SpacingMaxCm}
		l := mustPlace(t, r, n)
		if d := cmp.Diff(before, r); d != "" {
			t.Fatalf("the ring was changed:\n%s", d)
		}
		if l.Reason != Placed {
			seen[string(l.Reason)]++
			return
		}
		seen[map[bool]string{true: "equal", false: "unequal"}[l.Equal]]++
		if len(l.AzimuthsDeg) != n {
			t.Fatalf("%d ports, want %d", len(l.AzimuthsDeg), n)
		}
		for i, a := range l.AzimuthsDeg {
			if !(a >= 0 && a < 360) || (i > 0 && a <= l.AzimuthsDeg[i-1]) {
				t.Fatalf("azimuths %v", l.AzimuthsDeg)
			}
			next := l.AzimuthsDeg[0] + 360
			if i+1 < n {
				next = l.AzimuthsDeg[i+1]
			}
			gap := (next - a) / 360 * r.GirthCm
			if gap < r.SpacingMinCm*(1-1e-8) || (r.SpacingMaxCm > 0 && gap > r.SpacingMaxCm*(1+1e-8)) {
				t.Fatalf("gap %v cm outside %v..%v", gap, r.SpacingMinCm, r.SpacingMaxCm)
			}
		}
		if c := worst(r, l.AzimuthsDeg); c < 0 {
			t.Fatalf("a port is %v degrees inside a keep-out: %v", -c, l.AzimuthsDeg)
		}
	})
	t.Logf("layouts by kind: %v", seen)
	if seen["equal"] == 0 || seen["unequal"] == 0 || seen[string(NoRoom)] == 0 {
		t.Errorf("the rings drawn do not reach every answer: %v", seen)
	}
}

// Slow oracle: offsets in steps of 0.1 degree. The folded arcs must never do
// worse, and never miss a room that the scan finds.
func TestPlace_BestOffsetAgainstScan(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := drawRing(t)
		n := rapid.IntRange(1, 24).Draw(t, "n")
		best := math.Inf(-1)
		for o := 0.0; o < 360/float64(n); o += 0.1 {
			least := 360.0
			for i := range n {
				least = min(least, clearance(r, o+float64(i)*360/float64(n)))
			}
			best = max(best, least)
		}
		l := mustPlace(t, r, n)
		if !l.Equal {
			if best > 1e-8 {
				t.Fatalf("the scan finds an equal layout clear by %v degrees", best)
			}
			return
		}
		if len(r.Holes)+len(r.Blocked) == 0 {
			return
		}
		got := worst(r, l.AzimuthsDeg)
		if got < best-1e-9 || math.Abs(got-l.RoomDeg/2) > 1e-9 {
			t.Fatalf("clear by %v, room %v, the scan finds %v", got, l.RoomDeg, best)
		}
		ns, evenly, err := Placeable(r, n, n)
		if err != nil || !evenly || !slices.Equal(ns, []int{n}) {
			t.Fatalf("Placeable: %v %v %v", ns, evenly, err)
		}
	})
}

func TestPlaceable_MissesNoEqualLayout(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := drawRing(t)
		r.SpacingMinCm = rapid.Float64Range(0, 15).Draw(t, "min")
		r.SpacingMaxCm = r.SpacingMinCm + rapid.Float64Range(0, 15).Draw(t, "more")
		ns, evenly, err := Placeable(r, 1, 20)
		if err != nil {
			t.Fatal(err)
		}
		for n := 1; n <= 20; n++ {
			l := mustPlace(t, r, n)
			in := slices.Contains(ns, n)
			switch {
			case l.Reason == Placed && l.Equal != evenly && !evenly:
				t.Fatalf("n = %d fits equally, but Placeable says none does", n)
			case in != (l.Reason == Placed && (l.Equal || !evenly)):
				t.Fatalf("n = %d: Placeable %v, Place %+v", n, ns, l)
			}
		}
	})
}

// Turning everything turns the layout, modulo 360/n; where two free arcs are
// equally large either may be taken, so widths are compared too.
func TestPlace_TurnsWithTheTree(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := drawRing(t)
		n := rapid.IntRange(1, 20).Draw(t, "n")
		by := float64(rapid.IntRange(0, 720).Draw(t, "half degrees")) / 2
		turned := r
		turned.Holes, turned.Blocked = slices.Clone(r.Holes), slices.Clone(r.Blocked)
		for i := range turned.Holes {
			turned.Holes[i].AzimuthDeg = math.Mod(turned.Holes[i].AzimuthDeg+by, 360)
		}
		for i := range turned.Blocked {
			turned.Blocked[i].FromDeg += by
			turned.Blocked[i].ToDeg += by
		}
		a, b := mustPlace(t, r, n), mustPlace(t, turned, n)
		if a.Reason != b.Reason || a.Equal != b.Equal || math.Abs(a.RoomDeg-b.RoomDeg) > 1e-8 {
			t.Fatalf("turned by %v: %+v and %+v", by, a, b)
		}
		if a.Reason != Placed || len(r.Holes)+len(r.Blocked) == 0 {
			return
		}
		if !a.Equal {
			if x, y := roughness(a.AzimuthsDeg), roughness(b.AzimuthsDeg); math.Abs(x-y) > 1e-6 {
				t.Fatalf("turned by %v: cost %v and %v", by, x, y)
			}
			return
		}
		if math.Abs(worst(r, a.AzimuthsDeg)-worst(turned, b.AzimuthsDeg)) > 1e-8 {
			t.Fatalf("turned by %v: clearances differ", by)
		}
		if roomCount(r, n, a.RoomDeg) == 1 {
			p := 360 / float64(n)
			if d := math.Abs(math.Remainder(b.AzimuthsDeg[0]-a.AzimuthsDeg[0]-by, p)); d > 1e-8 {
				t.Fatalf("turned by %v: off by %v", by, d)
			}
		}
	})
}

// roomCount counts the free arcs of the given width among offsets, on a fine scan.
func roomCount(r Ring, n int, room float64) int {
	p, count, in := 360/float64(n), 0, false
	const steps = 4000
	first := false
	for i := range steps {
		o := p * float64(i) / steps
		least := 360.0
		for k := range n {
			least = min(least, clearance(r, o+float64(k)*p))
		}
		free := least > room/2-p/steps
		if free && !in {
			count++
		}
		if i == 0 {
			first = free
		}
		in = free
	}
	if in && first && count > 1 {
		count--
	}
	return count
}

// roughness is the sum of squared deviations from equal spacing, degrees^2.
func roughness(az []float64) float64 {
	sum := 0.0
	for i, a := range az {
		next := az[(i+1)%len(az)]
		if i == len(az)-1 {
			next += 360
		}
		d := next - a - 360/float64(len(az))
		sum += d * d
	}
	return sum
}

func TestPlace_OrderDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := drawRing(t)
		n := rapid.IntRange(1, 20).Draw(t, "n")
		other := r
		other.Holes, other.Blocked = slices.Clone(r.Holes), slices.Clone(r.Blocked)
		slices.Reverse(other.Holes)
		slices.Reverse(other.Blocked)
		if d := cmp.Diff(mustPlace(t, r, n), mustPlace(t, other, n)); d != "" {
			t.Fatalf("order matters:\n%s", d)
		}
	})
}

// The flare offset against a scan of 0.05 degree.
func TestPlace_FlaresAgainstScan(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := Ring{GirthCm: 100, Prefer: rapid.SliceOfN(rapid.Float64Range(0, 359.9), 1, 6).Draw(t, "flares")}
		n := rapid.IntRange(1, 12).Draw(t, "n")
		l := mustPlace(t, r, n)
		best := 360.0
		for o := 0.0; o < 360/float64(n); o += 0.05 {
			best = min(best, miss(r.Prefer, equal(o, n)))
		}
		if l.FlareMissDeg > best+1e-9 {
			t.Fatalf("misses a flare by %v, the scan by %v", l.FlareMissDeg, best)
		}
	})
}

func FuzzPlace(f *testing.F) {
	f.Add(100.0, 10.0, 5.0, 350.0, 20.0, 10.0, 16.0, 7)
	f.Add(1e-300, 1e300, 1e300, -1e300, 1e300, 0.0, 1e-300, 3)
	f.Add(63.0, 0.0, 31.4, 0.0, 0.0, 0.0, 0.0, 2)
	f.Fuzz(func(t *testing.T, girth, az, clear, from, to, lo, hi float64, n int) {
		r := Ring{GirthCm: girth, Holes: []Hole{{az, clear}}, Blocked: []Arc{{from, to}}, SpacingMinCm: lo, SpacingMaxCm: hi}
		l, err := Place(r, n%200)
		if err != nil || l.Reason != Placed {
			return
		}
		for _, a := range l.AzimuthsDeg {
			if !(a >= 0 && a < 360) {
				t.Fatalf("azimuth %v", a)
			}
		}
	})
}
