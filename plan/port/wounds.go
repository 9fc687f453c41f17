package port

import (
	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan/label"
)

// WoundWidth is the width of sapwood put out of use by a hole, in hole
// diameters: the middle of 2 to 3 (MODEL section 8; judgement).
var WoundWidth = exact.Frac(5, 2)

// Limits of the wound share where the card gives none. Program defaults,
// judgement without a source (SCIENCE S6, MODEL section 8).
var (
	WoundWarn = q.New[q.PercentKind](15, "%")
	WoundMax  = q.New[q.PercentKind](25, "%")
)

// Share is the part of the girth that holes put out of use, exactly.
// Where the girth is known only as a span, Low <= share <= High.
type Share struct{ Low, High exact.Rat }

// Percent returns the share for display, in per cent.
func (s Share) Percent() float64 { return (s.Low.Float() + s.High.Float()) / 2 * 100 }

// WoundShare returns the wound share of a girth C in a season (SCIENCE S6):
//
//	share = sum over active holes of 2.5 * hole / C
//
// The active holes are the stem's wounds that are recent or not closed, at any
// height, and n new ports with holes of the given diameter. It reports false
// for a girth that is not above 0.
func WoundShare(wounds []tree.Wound, season int, n int, hole q.Length, girth q.LengthSpan) (Share, bool) {
	if girth.Low.Sign() <= 0 {
		return Share{}, false
	}
	sum := activeHoles(wounds, season).Add(hole.Times(exact.Int(int64(n)))).Times(WoundWidth)
	return Share{Low: sum.Over(girth.High), High: sum.Over(girth.Low)}, true
}

// activeHoles is the sum of the diameters of the active holes.
func activeHoles(wounds []tree.Wound, season int) q.Length {
	var sum q.Length
	for _, w := range wounds {
		if Active(w, season) {
			sum = sum.Add(w.Hole)
		}
	}
	return sum
}

// WoundLimits are the shares at which to warn and to refuse, and whether the
// card gave them.
type WoundLimits struct {
	Warn, Max         q.Percent
	WarnCard, MaxCard bool
}

// WoundLimitsFor returns the card's limits and the defaults where it gives
// none.
func WoundLimitsFor(rule label.PortRule) WoundLimits {
	l := WoundLimits{Warn: WoundWarn, Max: WoundMax}
	if rule.WoundWarn.Known {
		l.Warn, l.WarnCard = rule.WoundWarn.Value, true
	}
	if rule.WoundMax.Known {
		l.Max, l.MaxCard = rule.WoundMax.Value, true
	}
	return l
}

// over reports share > limit, exactly, on the safe side of the girth's span.
func (s Share) over(limit q.Percent) bool {
	return limit.Base().Less(s.High.Mul(exact.Int(100)))
}

// Judge says whether a share passes a limit: refused over Max, else a warning
// over Warn. A card's maximum is mandatory; the default is advisory. It
// reports false when there is nothing to say.
func (l WoundLimits) Judge(s Share) (finding.Finding, bool) {
	say := func(id string, severity finding.Severity, limit q.Percent, card bool, ref string) finding.Finding {
		f := finding.Finding{
			ID: id, Severity: severity, Force: finding.Advisory, Authority: finding.ByPractice,
			Args: finding.Args{"share": finding.Number(s.Percent(), "pct"), "limit": finding.Number(limit.Float(), "pct")},
		}
		if card {
			f.Authority, f.Ref = finding.ByLabel, ref
			if severity == finding.Refused {
				f.Force = finding.Mandatory
			}
		}
		return f
	}
	if s.over(l.Max) {
		return say("wounds-too-many", finding.Refused, l.Max, l.MaxCard, "ports.wound_max"), true
	}
	if s.over(l.Warn) {
		return say("wounds-many", finding.Warning, l.Warn, l.WarnCard, "ports.wound_warn"), true
	}
	return finding.Finding{}, false
}

// MostPorts returns the greatest number of new ports whose wound share stays
// at or below a limit: 0 if the old holes leave none, Unbounded for a hole
// without size.
//
//	n = floor((limit C / 2.5 - sum of active holes) / hole)
func MostPorts(wounds []tree.Wound, season int, hole q.Length, girth q.LengthSpan, limit q.Percent) int {
	left := girth.Low.Times(limit.Base().Quo(exact.Int(100).Mul(WoundWidth))).Sub(activeHoles(wounds, season))
	if left.Sign() < 0 || girth.Low.Sign() <= 0 {
		return 0
	}
	if hole.Sign() <= 0 {
		return Unbounded
	}
	return whole(left.Over(hole).Floor())
}
