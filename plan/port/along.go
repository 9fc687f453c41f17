package port

import (
	"math"
	"slices"
)

// MarkDeg is the azimuth of the painted mark where nobody says another: north.
const MarkDeg = 0.0

// Tape is a port's place by tape along the girth, clockwise seen from above.
type Tape struct {
	Port    int     // index of the port in the list given
	AlongCm float64 // from the painted mark, in whole tenths, [0, girth)
	GapCm   float64 // from the port before it, the first from the mark
}

// Along returns the tape distances of ports at the given azimuths from the
// painted mark at markDeg:
//
//	along = girth * ((azimuth - mark) mod 360) / 360
//
// rounded to 0.1 cm, in order of distance from the mark. A distance that
// rounds to the whole girth is 0, the mark itself. Gaps are differences of the
// rounded distances, so they add up with the last one, lastGapCm from the last
// port on to the mark, to the girth rounded to 0.1 cm exactly; no gap carries
// the errors of those before it.
//
// The error is the fault port-ring-bad for a girth not above 0 or a number
// that is not finite.
func Along(azimuthsDeg []float64, markDeg, girthCm float64) (ports []Tape, lastGapCm float64, err error) {
	if !(girthCm > 0) || math.IsInf(girthCm, 0) {
		return nil, 0, badRing("girth", girthCm, "cm")
	}
	if !finite(markDeg) {
		return nil, 0, badRing("mark", markDeg, "deg")
	}
	all := math.Round(girthCm * 10)
	tenths := make([]float64, len(azimuthsDeg))
	ports = make([]Tape, len(azimuthsDeg))
	for i, a := range azimuthsDeg {
		if !finite(a) {
			return nil, 0, badRing("port azimuth", a, "deg")
		}
		t := math.Round(girthCm * 10 * Turn(a-markDeg, 360) / 360)
		if t >= all {
			t = 0
		}
		tenths[i] = t
		ports[i].Port = i
	}
	slices.SortStableFunc(ports, func(a, b Tape) int {
		switch ta, tb := tenths[a.Port], tenths[b.Port]; {
		case ta < tb:
			return -1
		case ta > tb:
			return 1
		}
		return 0
	})
	before := 0.0
	for i := range ports {
		t := tenths[ports[i].Port]
		ports[i].AlongCm, ports[i].GapCm = t/10, (t-before)/10
		before = t
	}
	return ports, (all - before) / 10, nil
}

// ShownDeg rounds an azimuth to 0.1 degree for display, in [0, 360): 359.96
// is shown as 0, never as 360.
func ShownDeg(deg float64) float64 {
	t := math.Round(Turn(deg, 360) * 10)
	if t >= 3600 {
		t = 0
	}
	return t / 10
}
