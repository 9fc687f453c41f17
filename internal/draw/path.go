package draw

import "math"

// Line is a straight line from a to b.
func Line(a, b Point, st Style) Path { return Polyline([]Point{a, b}, st) }

// Polyline joins the points in order and stays open.
func Polyline(pts []Point, st Style) Path {
	d := make([]Segment, len(pts))
	for i, p := range pts {
		d[i] = Segment{Op: 'L', P: [3]Point{p}}
	}
	if len(d) > 0 {
		d[0].Op = 'M'
	}
	return Path{d, st}
}

// Polygon joins the points in order and closes.
func Polygon(pts []Point, st Style) Path {
	p := Polyline(pts, st)
	p.D = append(p.D, Segment{Op: 'Z'})
	return p
}

// Arc is the part of a circle from azimuth fromDeg clockwise to toDeg; azimuth
// 0 is up (north), 90 is right (east): a plan seen from above.
func Arc(c Point, r, fromDeg, toDeg float64, st Style) Path {
	d := []Segment{{Op: 'M', P: [3]Point{polar(c, r, fromDeg)}}}
	return Path{append(d, arcSegments(c, r, fromDeg, sweep(fromDeg, toDeg))...), st}
}

// Band is the part of a ring between radii r0 and r1 from azimuth fromDeg
// clockwise to toDeg, closed.
func Band(c Point, r0, r1, fromDeg, toDeg float64, st Style) Path {
	w := sweep(fromDeg, toDeg)
	d := []Segment{{Op: 'M', P: [3]Point{polar(c, r1, fromDeg)}}}
	d = append(d, arcSegments(c, r1, fromDeg, w)...)
	d = append(d, Segment{Op: 'L', P: [3]Point{polar(c, r0, fromDeg+w)}})
	d = append(d, arcSegments(c, r0, fromDeg+w, -w)...)
	return Path{append(d, Segment{Op: 'Z'}), st}
}

// sweep is the clockwise angle from one azimuth to another in (0, 360].
func sweep(fromDeg, toDeg float64) float64 {
	w := wrapDeg(toDeg - fromDeg)
	if w == 0 {
		return 360
	}
	return w
}

// wrapDeg brings an angle into [0, 360).
func wrapDeg(a float64) float64 {
	a = math.Mod(a, 360)
	if a < 0 {
		a += 360
	}
	if a >= 360 {
		a = 0
	}
	return a
}

// polar is the point at an azimuth (clockwise from up) and radius.
func polar(c Point, r, azDeg float64) Point {
	s, k := math.Sincos(azDeg * math.Pi / 180)
	return Point{c.X + r*s, c.Y - r*k}
}

// arcSegments approximates an arc by cubic Beziers of at most 90 degrees; the
// control length 4/3 tan(theta/4) keeps the radial error below 0.03 %.
func arcSegments(c Point, r, fromDeg, sweepDeg float64) []Segment {
	n := max(1, int(math.Ceil(math.Abs(sweepDeg)/90-1e-9)))
	step := sweepDeg / float64(n)
	k := 4.0 / 3 * math.Tan(step*math.Pi/180/4) * r
	var d []Segment
	for i := range n {
		a := fromDeg + step*float64(i)
		b := a + step
		p, q := polar(c, r, a), polar(c, r, b)
		sa, ca := math.Sincos(a * math.Pi / 180)
		sb, cb := math.Sincos(b * math.Pi / 180)
		d = append(d, Segment{Op: 'C', P: [3]Point{
			{p.X + k*ca, p.Y + k*sa}, {q.X - k*cb, q.Y - k*sb}, q}})
	}
	return d
}

// circlePath is a circle as a closed path.
func circlePath(c Point, r float64) []Segment {
	d := []Segment{{Op: 'M', P: [3]Point{polar(c, r, 0)}}}
	return append(append(d, arcSegments(c, r, 0, 360)...), Segment{Op: 'Z'})
}

// rectPath is an upright rectangle as a closed path.
func rectPath(x, y, w, h float64) []Segment {
	return Polygon([]Point{{x, y}, {x + w, y}, {x + w, y + h}, {x, y + h}}, Style{}).D
}

// arrow is a filled head at tip, pointing along azimuth azDeg.
func arrow(tip Point, azDeg, size float64, role Role) Path {
	back := polar(tip, -size, azDeg)
	return Polygon([]Point{tip, polar(back, size*0.42, azDeg+90), polar(back, size*0.42, azDeg-90)}, Style{Fill: role})
}
