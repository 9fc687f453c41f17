package port

import (
	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/numeric/exact"
	"sapward/plan/label"
)

// Heights of ports above ground and the difference of height between
// neighbours, where the card gives none. Program defaults; common practice, no
// source (staggers of 2 to 5 cm: RULES 6.1, from memory).
var (
	FlareHeight = q.New[q.LengthKind](10, "cm")
	TrunkHeight = q.New[q.LengthKind](30, "cm")
	Stagger     = exactCm(5, 2)
)

func exactCm(n, d int64) q.Length { return q.Cm(exact.Frac(n, d)) }

// Levels are the heights that ports of one ring go to.
type Levels struct {
	Low, High q.Length
	// Wrap is the height of the last port of an odd number, which meets the
	// first one round the trunk.
	Wrap q.Length
	// WrapKept is false when Wrap differs from a neighbour by less than the stagger.
	WrapKept bool
	ByCard   bool // the card gives the stagger
	// Refused is set when the card's height range cannot be kept.
	Refused Reason
}

// Reasons of HeightLevels.
const (
	HeightClash  Reason = "port-height-clash"  // the card's range is empty or below ground
	StaggerClash Reason = "port-stagger-clash" // the card's stagger does not fit its range
)

// HeightLevels returns the heights for ports on a flare or trunk: base +/-
// stagger/2, alternating round the ring. base is the default of the place, or
// the limb's own height, moved no farther than needed to stay inside the card's
// range. A default stagger shrinks to the range; a stagger of the card does
// not, and is refused with StaggerClash where it does not fit.
//
// Round an odd number of ports two levels cannot alternate. The last port then
// goes to a third level: one stagger above the upper one where the card gives
// a stagger and the range allows it, else midway, half a stagger from each
// neighbour (WrapKept is false).
func HeightLevels(rule label.PortRule, place label.Place, limb q.Length) Levels {
	base := TrunkHeight
	switch place {
	case label.RootFlare:
		base = FlareHeight
	case label.OnLimb:
		base = limb
	}
	gap, given := Stagger, rule.Stagger.Known
	if given {
		gap = rule.Stagger.Value
	}
	half := exact.Frac(1, 2)
	var floor, ceiling q.Length
	bounded := rule.Height.Known && place != label.OnLimb
	if bounded {
		ceiling = rule.Height.Value.High
		if !rule.Height.Value.Single { // one value is the maximum
			floor = rule.Height.Value.Low
		}
		if ceiling.Less(floor) || floor.Sign() < 0 {
			return Levels{Refused: HeightClash}
		}
		if room := ceiling.Sub(floor); room.Less(gap) {
			if given {
				return Levels{Refused: StaggerClash}
			}
			gap = room
		}
	} else if base.Less(gap.Times(half)) {
		base = gap.Times(half) // never below ground
	}
	l := Levels{Low: base.Sub(gap.Times(half)), High: base.Add(gap.Times(half)), ByCard: given}
	if bounded {
		switch {
		case l.Low.Less(floor):
			l.Low, l.High = floor, floor.Add(gap)
		case ceiling.Less(l.High):
			l.Low, l.High = ceiling.Sub(gap), ceiling
		}
	}
	l.Wrap = l.Low.Add(l.High).Times(half)
	l.WrapKept = gap.Sign() == 0
	if given && gap.Sign() > 0 {
		switch top, bottom := l.High.Add(gap), l.Low.Sub(gap); {
		case !bounded || !ceiling.Less(top):
			l.Wrap, l.WrapKept = top, true
		case !bottom.Less(floor):
			l.Wrap, l.WrapKept = bottom, true
		}
	}
	return l
}

// At returns the height of port i of n, counted from 0 in order of azimuth:
// High and Low in turn; the last of an odd number, three or more, goes to
// Wrap. A single port goes midway.
func (l Levels) At(i, n int) q.Length {
	switch {
	case n == 1:
		return l.Low.Add(l.High).Times(exact.Frac(1, 2))
	case n%2 == 1 && i == n-1:
		return l.Wrap
	case i%2 == 0:
		return l.High
	}
	return l.Low
}

// Span returns the lowest and highest height that n ports take.
func (l Levels) Span(n int) (low, high q.Length) {
	low, high = l.At(0, n), l.At(0, n)
	for _, i := range []int{1, n - 1} {
		if i > 0 && i < n {
			h := l.At(i, n)
			if h.Less(low) {
				low = h
			}
			if high.Less(h) {
				high = h
			}
		}
	}
	return low, high
}

// Finding says why heights were refused, or warns that an odd number of ports
// cannot keep the card's stagger where the ring closes.
func (l Levels) Finding(n int) (finding.Finding, bool) {
	f := finding.Finding{ID: string(l.Refused), Severity: finding.Refused, Force: finding.Mandatory, Authority: finding.ByLabel, Ref: "ports.stagger"}
	switch {
	case l.Refused == HeightClash:
		f.Ref = "ports.height"
	case l.Refused == StaggerClash:
	case l.ByCard && !l.WrapKept && n%2 == 1 && n > 1:
		f.ID, f.Severity, f.Force = "port-stagger-wrap", finding.Warning, ""
		f.Args = finding.Args{"n": finding.Count(n)}
	default:
		return finding.Finding{}, false
	}
	return f, true
}
