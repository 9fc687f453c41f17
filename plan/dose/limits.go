// Package dose works out how much a tree may get: from the card's rate and the
// tree's size to limits in exact numbers, from limits to the few fills a crew
// carries, and from earlier treatments to what is still allowed.
package dose

import (
	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan/label"
)

// Size is what a rate is counted on. Facts nobody measured stay unknown.
type Size struct {
	Diameter q.LengthSpan
	Girth    q.LengthSpan
	Crown    q.Opt[q.Length]
	Height   q.Opt[q.Length]
	AgeClass string
}

// SizeOf returns the size of one dose unit: a stem when the card doses each
// stem, else all stems of the tree by the card's rule. ok is false when the
// tree has several stems and the card does not say how to count them.
func SizeOf(t tree.Tree, stems []tree.Stem, rule label.StemRule) (s Size, ok bool) {
	s = Size{Crown: t.Crown, Height: t.Height, AgeClass: t.AgeClass}
	if len(stems) == 1 {
		s.Diameter, s.Girth = stems[0].Diameter, stems[0].Girth
		return s, true
	}
	switch rule {
	case label.StemsRootSumSquare:
		s.Diameter = tree.CombinedDiameter(stems)
	case label.StemsSum:
		s.Diameter = tree.SumDiameter(stems)
	default:
		return s, false
	}
	s.Girth = q.TimesPi(s.Diameter)
	return s, true
}

// Limits are what the card allows one dose unit, in mL of product:
// Low <= product <= High. Target only steers. When Soft is set the card gives
// one value, its maximum, and Low is 90 % of it: a program default that warns
// and never refuses.
type Limits struct {
	Low, High, Target exact.Rat
	Soft              bool
	PerPort           bool             // Low, High and Target are for one port
	TreeHigh          q.Opt[exact.Rat] // most in all, for rates per port
	TreeLow           exact.Rat        // least in all, for rates per port
	Floor             exact.Rat        // least that no soft rule goes under: the card's least mix
	BandPorts         int              // ports the band table asks for, 0 if none
}

// softShare is the share of a single value below which under-dosing warns
// (program default, SCIENCE S3).
var softShare = exact.Frac(9, 10)

// Level steers the dose inside the card's range: 0 the low end, 1 the high
// end. Rate, when known, is an amount in the rate's own unit instead.
type Level struct {
	Share exact.Rat
	Rate  q.Opt[exact.Rat]
}

// Target is the middle of the range.
var Target = Level{Share: exact.Frac(1, 2)}

// Missing names a fact of the tree that the rate needs and nobody measured.
type Missing string

// Facts a rate can need.
const (
	NothingMissing  Missing = ""
	MissingCrown    Missing = "crown-unmeasured"
	MissingHeight   Missing = "height-unmeasured"
	MissingAgeClass Missing = "age-class-unknown"
	MissingContent  Missing = "content-unknown"
	OutsideBands    Missing = "outside-bands"
	UnknownAgeClass Missing = "age-class-not-on-card"
)

// ProductLimits returns the limits of a rate for a size, in mL of product.
// Where pi enters (girth to diameter, basal area) the upper limit is taken
// from the lower bound of pi's effect and the other way round, so that no
// limit is passed (SCIENCE S3). content is grams of active ingredient per mL.
func ProductLimits(r label.Rate, s Size, content q.Opt[q.Density], level Level) (Limits, Missing) {
	low, high, ports, missing := amounts(r, s)
	if missing != NothingMissing {
		return Limits{}, missing
	}
	toProduct := exact.Int(1)
	if r.Active {
		if !content.Known || content.Value.Sign() <= 0 {
			return Limits{}, MissingContent
		}
		toProduct = exact.Int(1).Quo(content.Value.Base())
	}
	sLow, sHigh, m := measureOf(r, s)
	if m != NothingMissing {
		return Limits{}, m
	}
	l := Limits{
		Low:       low.Mul(sHigh).Mul(toProduct),
		High:      high.Mul(sLow).Mul(toProduct),
		Soft:      r.Single,
		PerPort:   r.Per == label.PerPort,
		BandPorts: ports,
	}
	if r.Single {
		l.Low, l.Target = l.High.Mul(softShare), l.High
		switch {
		case level.Rate.Known:
			l.Target = exact.Min(l.High, level.Rate.Value.Mul(sLow).Mul(toProduct))
			l.Low = exact.Min(l.Low, l.Target)
		case level.Share.Sign() == 0:
			l.Target = l.Low
		}
		return l, NothingMissing
	}
	l.Target = l.Low.Add(l.High.Sub(l.Low).Mul(level.Share))
	if level.Rate.Known {
		l.Target = level.Rate.Value.Mul(sLow).Mul(toProduct)
	}
	l.Target = exact.Max(l.Low, exact.Min(l.High, l.Target))
	return l, NothingMissing
}

// amounts returns the rate's low and high for the size, before multiplying by
// the measure.
func amounts(r label.Rate, s Size) (low, high exact.Rat, ports int, missing Missing) {
	switch {
	case r.Per == label.PerBand:
		found := false
		for i, b := range r.Bands {
			last := i == len(r.Bands)-1
			if !inBand(b, s.Diameter, last) {
				continue
			}
			if !found {
				low, high, ports, found = b.Low, b.High, b.Ports, true
				continue
			}
			// A girth whose diameter cannot be told from the edge of two
			// bands gets what both allow.
			low, high, ports = exact.Max(low, b.Low), exact.Min(high, b.High), max(ports, b.Ports)
		}
		if !found {
			return low, high, 0, OutsideBands
		}
	case len(r.Classes) > 0:
		if s.AgeClass == "" {
			return low, high, 0, MissingAgeClass
		}
		for _, c := range r.Classes {
			if c.Name == s.AgeClass {
				return c.Low, c.High, 0, NothingMissing
			}
		}
		return low, high, 0, UnknownAgeClass
	default:
		low, high = r.Low, r.High
	}
	return low, high, ports, NothingMissing
}

// inBand reports From <= d < To, with d <= To in the last band.
func inBand(b label.Band, d q.LengthSpan, last bool) bool {
	if d.High.Less(b.From) {
		return false
	}
	return d.Low.Less(b.To) || last && d.Low.Cmp(b.To) == 0
}

// measureOf returns what the rate is multiplied by, bounded from below and
// above, in the base unit of the rate's basis.
func measureOf(r label.Rate, s Size) (low, high exact.Rat, missing Missing) {
	one := exact.Int(1)
	switch r.Per {
	case label.PerDiameter:
		return s.Diameter.Low.Base(), s.Diameter.High.Base(), NothingMissing
	case label.PerGirth:
		return s.Girth.Low.Base(), s.Girth.High.Base(), NothingMissing
	case label.PerBasalArea: // pi d^2/4, cm2 to m2
		k := exact.Frac(1, 40_000)
		lo, hi := s.Diameter.Low.Base(), s.Diameter.High.Base()
		return lo.Mul(lo).Mul(q.PiLow).Mul(k), hi.Mul(hi).Mul(q.PiHigh).Mul(k), NothingMissing
	case label.PerCanopyDiameter:
		if !s.Crown.Known {
			return one, one, MissingCrown
		}
		return s.Crown.Value.Base(), s.Crown.Value.Base(), NothingMissing
	case label.PerCanopyVolume: // shape * width^2 * height, cm3 = mL
		if !s.Crown.Known {
			return one, one, MissingCrown
		}
		if !s.Height.Known {
			return one, one, MissingHeight
		}
		w := s.Crown.Value.Base()
		v := r.Shape.Mul(w).Mul(w).Mul(s.Height.Value.Base())
		return v, v, NothingMissing
	}
	return one, one, NothingMissing
}

// Mix bounds the finished mix of one dose unit and the concentration in it.
type Mix struct {
	Low, High exact.Rat // mL of finished mix; Low is 0 when the card gives one value
}

// MixLimits returns what the card's dilution allows for a size, in mL of
// finished mix. ok is false when the card gives no volume of mix.
func MixLimits(d label.Dilution, s Size) (m Mix, ok bool) {
	switch {
	case d.MixPer.Known:
		m.High = d.MixPer.Value.High.Base().Mul(s.Diameter.Low.Base())
		if !d.MixPer.Value.Single {
			m.Low = d.MixPer.Value.Low.Base().Mul(s.Diameter.High.Base())
		}
		return m, true
	case d.MixPerTree.Known:
		m.High = d.MixPerTree.Value.High.Base()
		if !d.MixPerTree.Value.Single {
			m.Low = d.MixPerTree.Value.Low.Base()
		}
		return m, true
	}
	return m, false
}

// ConcentrationRange returns which concentrations (mL product per mL of mix)
// suit one dose unit: product between p.Low and p.High in mix between m.Low
// and m.High needs p.Low/m.High <= c <= p.High/m.Low, inside the card's own
// range. empty is true when nothing suits.
func ConcentrationRange(p Limits, m Mix, card q.Range[q.VolumePerVolumeKind]) (low, high exact.Rat, empty bool) {
	low, high = card.Low.Base(), card.High.Base()
	if p.High.Sign() > 0 && m.High.Sign() > 0 && !p.Soft {
		low = exact.Max(low, p.Low.Quo(m.High))
	}
	if m.Low.Sign() > 0 {
		high = exact.Min(high, p.High.Quo(m.Low))
	}
	return low, high, high.Less(low)
}

// ThroughMix turns limits in product into limits in finished mix of a given
// concentration, inside the card's volume of mix.
func ThroughMix(p Limits, m Mix, c exact.Rat) Limits {
	if p.PerPort { // the card's mix is a tree's, the rate a port's
		p.Low, p.High, p.Target = p.Low.Quo(c), p.High.Quo(c), p.Target.Quo(c)
		p.TreeHigh, p.TreeLow = q.Known(m.High), m.Low
		return p
	}
	p.Low = p.Low.Quo(c)
	p.High = exact.Min(m.High, p.High.Quo(c))
	if p.Soft { // the card sets no least rate, only its least mix binds
		p.Low = exact.Min(p.Low, p.High)
	}
	p.Floor = m.Low
	p.Low = exact.Max(m.Low, p.Low)
	p.Target = exact.Max(p.Low, exact.Min(p.High, p.Target.Quo(c)))
	return p
}

// DilutedProduct returns product limits that follow from the dilution alone,
// for a card whose infusion gives no product rate: concentration times mix.
func DilutedProduct(m Mix, card q.Range[q.VolumePerVolumeKind], level Level) Limits {
	lo, hi := card.Low.Base().Mul(m.Low), card.High.Base().Mul(m.High)
	soft := m.Low.Sign() == 0
	if soft { // one value of mix is its maximum
		lo = card.Low.Base().Mul(m.High).Mul(softShare)
	}
	c := card.Low.Base().Add(card.High.Base().Sub(card.Low.Base()).Mul(level.Share))
	return Limits{Low: lo, High: hi, Target: exact.Max(lo, exact.Min(hi, c.Mul(m.High))), Soft: soft}
}

// MissingFinding is the open finding for a fact the rate needs.
func MissingFinding(m Missing) finding.Finding {
	f := finding.Finding{ID: string(m), Severity: finding.Open, Authority: finding.ByLabel, Ref: "rate"}
	switch m {
	case MissingCrown, MissingHeight, MissingAgeClass:
	default:
		f.Severity, f.Force = finding.Refused, finding.Mandatory
	}
	return f
}
