package port

import (
	"slices"

	"sapward/finding"
)

// Reason says why no layout was found, as a message identifier; empty means
// that ports were placed.
type Reason string

// Reasons of Place.
const (
	Placed    Reason = ""
	BySpacing Reason = "ports-spacing" // girth / n is outside the card's spacing
	NoRoom    Reason = "ports-no-room" // keep-outs leave no place for n ports
)

// margin is the safe distance, in degrees, kept from the end of every
// keep-out, far above rounding (1e-13) and far below what a tape can read.
const margin = 1e-9

// Layout is where the ports go.
type Layout struct {
	AzimuthsDeg  []float64 // ascending, each in [0, 360); empty when refused
	Equal        bool      // equally spaced
	RoomDeg      float64   // width of the free arc whose middle was taken (equal spacing); 360/n without keep-outs
	FlareMissDeg float64   // greatest distance from a preferred azimuth to its nearest port
	Reason       Reason
}

// Place puts n ports on the ring.
//
// Equal spacing is tried first. Only the offset o in [0, 360/n) is then free:
// all keep-outs, each with its own clearance (angle = clearance / girth * 360),
// are folded modulo 360/n and merged, and o is the middle of the largest free
// arc, which is exact and O(m log m) for m keep-outs (SCIENCE S6). Among
// equally large arcs the one nearer to the preferred azimuths is taken, then
// the smallest offset. Without keep-outs the offset makes the greatest
// distance from a preferred azimuth to its port as small as it can be, and is
// 0 if there are none.
//
// If equal spacing has no room, ports go on whole half degrees from north, at
// unequal distances within the spacing, so that the sum of squared deviations
// from equal spacing is least (see unequal).
//
// The error is a fault port-ring-bad: girth not above 0, n outside
// 1..MaxPorts, a negative clearance, or a number that is not finite. A layout
// that cannot be had is no error; Layout.Reason says why. The ring is not
// changed, and the order of its holes and arcs does not matter.
func Place(r Ring, n int) (Layout, error) {
	if err := r.check(n); err != nil {
		return Layout{}, err
	}
	if !r.spacingFits(n) {
		return Layout{Reason: BySpacing}, nil
	}
	if off, room, ok := r.offset(n); ok {
		l := Layout{AzimuthsDeg: equal(off, n), Equal: true, RoomDeg: room}
		l.FlareMissDeg = miss(r.Prefer, l.AzimuthsDeg)
		return l, nil
	}
	cells := r.unequal(n)
	if cells == nil {
		return Layout{Reason: NoRoom}, nil
	}
	l := Layout{AzimuthsDeg: make([]float64, n)}
	for i, c := range cells {
		l.AzimuthsDeg[i] = float64(c) * GridDeg
	}
	l.FlareMissDeg = miss(r.Prefer, l.AzimuthsDeg)
	return l, nil
}

// Placeable returns the numbers of ports in nMin..nMax that fit the ring,
// ascending, and whether equally spaced. Every number is tried with equal
// spacing before unequal spacing is tried at all (SCIENCE S6): if some fit
// equally, only those are returned. The error is that of Place.
func Placeable(r Ring, nMin, nMax int) (ns []int, evenly bool, err error) {
	if err := r.check(1); err != nil {
		return nil, false, err
	}
	nMin, nMax = r.bounds(nMin, nMax)
	for n := nMin; n <= nMax; n++ {
		if _, _, ok := r.offset(n); ok {
			ns = append(ns, n)
		}
	}
	if ns != nil {
		return ns, true, nil
	}
	for n := nMin; n <= nMax; n++ {
		if r.unequal(n) != nil {
			ns = append(ns, n)
		}
	}
	return ns, false, nil
}

// bounds narrows nMin..nMax to what spacing and MaxPorts leave.
func (r *Ring) bounds(nMin, nMax int) (int, int) {
	nMin, nMax = max(nMin, 1), min(nMax, MaxPorts)
	for nMin <= nMax && !r.spacingFits(nMin) && r.GirthCm/float64(nMin) > r.SpacingMinCm {
		nMin++
	}
	for nMax >= nMin && !r.spacingFits(nMax) {
		nMax--
	}
	return nMin, nMax
}

// spacingFits reports that girth/n lies in the spacing, within 1e-9 of it in
// relative terms: whether n is permitted was decided exactly by Counts.
func (r *Ring) spacingFits(n int) bool {
	s := r.GirthCm / float64(n)
	return s >= r.SpacingMinCm*(1-1e-9) && (r.SpacingMaxCm == 0 || s <= r.SpacingMaxCm*(1+1e-9))
}

// equal returns n equally spaced azimuths from off in [0, 360/n).
func equal(off float64, n int) []float64 {
	az := make([]float64, n)
	for i := range az {
		az[i] = float64(float64(i)*360/float64(n)) + off
	}
	return az
}

// offset returns the best offset for n equally spaced ports, and the width of
// the free arc it lies in.
func (r *Ring) offset(n int) (off, room float64, ok bool) {
	p := 360 / float64(n)
	if len(r.Holes) == 0 && len(r.Blocked) == 0 {
		if len(r.Prefer) == 0 {
			return 0, p, true
		}
		return tidy(r.flareOffset(p), p), p, true
	}
	var room0 [32]span
	arcs := r.spans(room0[:0])
	for i := range arcs {
		if arcs[i].width >= p-2*margin {
			return 0, 0, false
		}
		arcs[i].start = Turn(arcs[i].start, p)
	}
	slices.SortFunc(arcs, func(a, b span) int {
		switch {
		case a.start < b.start:
			return -1
		case a.start > b.start:
			return 1
		case a.width < b.width:
			return -1
		case a.width > b.width:
			return 1
		}
		return 0
	})
	end := 0.0
	for _, a := range arcs {
		end = max(end, a.start+a.width)
	}
	best := 0.0
	for reach, i := end-p, 0; i < len(arcs); i++ {
		best = max(best, arcs[i].start-reach)
		reach = max(reach, arcs[i].start+arcs[i].width)
	}
	if best < 2*margin {
		return 0, 0, false
	}
	worst := 0.0
	for reach, i := end-p, 0; i < len(arcs); i++ {
		if gap := arcs[i].start - reach; gap >= best-margin/2 {
			o := tidy(Turn(reach+gap/2, p), p)
			m := 0.0
			for _, f := range r.Prefer {
				m = max(m, apart(f, o, p))
			}
			if !ok || m < worst-margin || (m <= worst+margin && o < off) {
				off, room, worst, ok = o, gap, m, true
			}
		}
		reach = max(reach, arcs[i].start+arcs[i].width)
	}
	return off, room, ok
}

// flareOffset returns the offset that makes the greatest distance from a
// preferred azimuth to its nearest port least: the middle of the shortest arc
// that holds all of them modulo p, opposite the largest gap.
func (r *Ring) flareOffset(p float64) float64 {
	var room [16]float64
	f := room[:0]
	for _, a := range r.Prefer {
		f = append(f, Turn(a, p))
	}
	slices.Sort(f)
	best, at := f[0]+p-f[len(f)-1], 0
	for i := 1; i < len(f); i++ {
		if gap := f[i] - f[i-1]; gap > best+margin {
			best, at = gap, i
		}
	}
	return Turn(f[at]+(p-best)/2, p)
}

// tidy keeps the offset off the last 1e-10 degree of its period, so that no
// azimuth is printed as 360; the shift is a tenth of the margin.
func tidy(o, p float64) float64 {
	if p-o < margin/10 {
		return 0
	}
	return o
}

// apart is the distance of two angles on a circle of the given period.
func apart(a, b, period float64) float64 {
	d := Turn(a-b, period)
	return min(d, period-d)
}

// miss is the greatest distance from a preferred azimuth to its nearest port.
func miss(prefer, az []float64) float64 {
	worst := 0.0
	for _, f := range prefer {
		near := 360.0
		for _, a := range az {
			near = min(near, apart(f, a, 360))
		}
		worst = max(worst, near)
	}
	return worst
}

// Finding says why n ports could not be placed, or that they are unequally
// spaced. byCard tells that the card gave the distances kept from old holes.
func (l Layout) Finding(n int, byCard bool) (finding.Finding, bool) {
	args := finding.Args{"n": finding.Count(n)}
	switch {
	case l.Reason == BySpacing:
		return finding.Finding{ID: string(BySpacing), Severity: finding.Refused, Force: finding.Mandatory, Authority: finding.ByLabel, Ref: "ports.spacing", Args: args}, true
	case l.Reason == NoRoom && byCard:
		return finding.Finding{ID: string(NoRoom), Severity: finding.Refused, Force: finding.Mandatory, Authority: finding.ByLabel, Ref: "ports.keep_out", Args: args}, true
	case l.Reason == NoRoom:
		return finding.Finding{ID: string(NoRoom), Severity: finding.Refused, Force: finding.Advisory, Authority: finding.ByPractice, Args: args}, true
	case !l.Equal:
		return finding.Finding{ID: "ports-unequal", Severity: finding.Note, Authority: finding.ByEstimate, Args: args}, true
	}
	return finding.Finding{}, false
}
