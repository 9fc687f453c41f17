package port

import (
	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
)

// Bark is the thickness of one layer of bark where a port goes: a gauge
// reading (Thin equals Thick) or an estimated range.
type Bark struct {
	Thin, Thick q.Length
	Gauged      bool
}

// Gauged is the bark of a gauge reading.
func Gauged(t q.Length) Bark { return Bark{Thin: t, Thick: t, Gauged: true} }

// Reasons of DepthFor.
const (
	GaugeBark  Reason = "port-gauge-bark"  // the estimated range is too wide: gauge the bark
	DepthWhole Reason = "port-depth-whole" // no whole millimetre fits the card's range
	DepthRange Reason = "port-depth-range" // the card's range or the bark is empty or negative
)

// Depth is how deep to drill, measured from the surface of the bark.
type Depth struct {
	Mm              int      // depth to drill, 0 when refused
	Least, Greatest q.Length // permitted depths from the bark surface; Least above Greatest when none is
	Reason          Reason
}

// DepthFor returns the depth of a hole from the bark surface (SCIENCE S7):
//
//	b_thick + s_min <= depth <= b_thin + s_max
//
// with bark between b_thin and b_thick and the card's depth in sapwood from
// s_min to s_max, so that the hole is right whatever the bark is within its
// range. Card depth given as one value is the maximum; s_min is then 0. The
// depth is a whole millimetre inside both bounds, decided exactly: the
// shallowest for ring-porous wood, which conducts in its outermost rings, else
// the one at or just below the middle. With a card depth of one value the
// shallowest would end at the face of the sapwood, so the middle is taken for
// every wood.
//
// When no depth is right for the whole range of an estimate the reason is
// GaugeBark; for gauged bark it is DepthWhole, when no whole millimetre lies
// between the bounds.
func DepthFor(b Bark, sapwood q.Range[q.LengthKind], wood tree.Wood) Depth {
	least := sapwood.Low
	if sapwood.Single {
		least = q.Length{}
	}
	if least.Sign() < 0 || sapwood.High.Sign() <= 0 || sapwood.High.Less(least) || b.Thin.Sign() < 0 || b.Thick.Less(b.Thin) {
		return Depth{Reason: DepthRange}
	}
	d := Depth{Least: b.Thick.Add(least), Greatest: b.Thin.Add(sapwood.High)}
	ten := exact.Int(10)
	from, to := whole(d.Least.Base().Mul(ten).Ceil()), whole(d.Greatest.Base().Mul(ten).Floor())
	switch {
	case from > to && b.Gauged:
		d.Reason = DepthWhole
	case from > to:
		d.Reason = GaugeBark
	case wood == tree.RingPorous && !sapwood.Single:
		d.Mm = max(from, min(1, to))
	default:
		d.Mm = max(whole(d.Least.Add(d.Greatest).Base().Mul(exact.Int(5)).Floor()), from, min(1, to))
	}
	return d
}

// Finding says why there is no depth. Bark to be gauged leaves the plan open;
// a card's range that nothing fits refuses it.
func (d Depth) Finding() (finding.Finding, bool) {
	args := finding.Args{"least": finding.Number(d.Least.Float()*10, "mm"), "greatest": finding.Number(d.Greatest.Float()*10, "mm")}
	switch d.Reason {
	case Placed:
		return finding.Finding{}, false
	case GaugeBark:
		return finding.Finding{ID: string(GaugeBark), Severity: finding.Open, Authority: finding.ByEstimate, Ref: "ports.sapwood_depth", Args: args}, true
	}
	return finding.Finding{ID: string(d.Reason), Severity: finding.Refused, Force: finding.Mandatory, Authority: finding.ByLabel, Ref: "ports.sapwood_depth", Args: args}, true
}
