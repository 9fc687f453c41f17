package port

import (
	"math"

	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/numeric/exact"
	"sapward/plan/label"
)

// Unbounded is Count.Max when no rule bounds the number of ports from above.
const Unbounded = math.MaxInt32

// The rules that bound the number of ports, as message identifiers.
const (
	RuleMinimum    = "ports-rule-minimum"     // the card's least number a tree
	RuleMaximum    = "ports-rule-maximum"     // the card's greatest number a tree
	RuleSpacingMax = "ports-rule-spacing-max" // neighbours no farther apart
	RuleSpacingMin = "ports-rule-spacing-min" // neighbours no closer
	RuleDensityMin = "ports-rule-density-min" // at least so many per girth
	RuleDensityMax = "ports-rule-density-max" // at most so many per girth
	RuleFlares     = "ports-rule-flares"      // one on each main root flare
	RuleOne        = "ports-rule-one"         // a treated trunk has a port
	RuleGirth      = "ports-rule-girth"       // the girth must be known and above 0
)

// Count is the range of port numbers that the card permits on one girth.
type Count struct {
	Min, Max     int    // Max is Unbounded when nothing bounds it
	MinBy, MaxBy string // the rule that sets Min and Max; MaxBy is empty when unbounded
	Clash        []Bound
}

// Bound is one rule and the number it gives.
type Bound struct {
	Rule string
	N    int
}

// Permits reports whether n ports are within the range.
func (c Count) Permits(n int) bool { return c.Min <= n && n <= c.Max }

// Counts returns how many ports the card permits on a girth C, before dose and
// wounds have their say (SCIENCE S5):
//
//	n >= card minimum, C/spacing_max, density_min C, one per main flare, 1
//	n <= card maximum, C/spacing_min, density_max C
//
// Every bound is decided exactly and on the safe side of the girth's span:
// lower bounds on its high end, upper bounds on its low end. A spacing given as
// one value is the greatest distance between neighbours, as one value on a
// card is the maximum everywhere (q.Range); it sets no least distance.
// Ports nearer together than that cost wounds, which the wound share bounds.
//
// When no number satisfies all rules, Min > Max and Clash lists the lower
// bounds above Max and the upper bounds below Min. A girth that is not above 0
// gives the clash RuleGirth.
func Counts(rule label.PortRule, girth q.LengthSpan, mainFlares int) Count {
	if girth.Low.Sign() <= 0 || girth.High.Less(girth.Low) {
		return Count{Min: 1, Max: 0, MinBy: RuleOne, MaxBy: RuleGirth, Clash: []Bound{{RuleGirth, 0}}}
	}
	var low, high [5]Bound
	nl, nh := 1, 0
	low[0] = Bound{RuleOne, 1}
	atLeast := func(id string, n int) { low[nl] = Bound{id, n}; nl++ }
	atMost := func(id string, n int) { high[nh] = Bound{id, n}; nh++ }
	if rule.Min > 0 {
		atLeast(RuleMinimum, rule.Min)
	}
	if rule.Max > 0 {
		atMost(RuleMaximum, rule.Max)
	}
	if rule.Spacing.Known {
		s := rule.Spacing.Value
		if s.High.Sign() > 0 {
			atLeast(RuleSpacingMax, whole(girth.High.Over(s.High).Ceil()))
		}
		if !s.Single && s.Low.Sign() > 0 {
			atMost(RuleSpacingMin, whole(girth.Low.Over(s.Low).Floor()))
		}
	}
	if rule.DensityMin.Known {
		atLeast(RuleDensityMin, whole(rule.DensityMin.Value.Base().Mul(girth.High.Base()).Ceil()))
	}
	if rule.DensityMax.Known {
		atMost(RuleDensityMax, whole(rule.DensityMax.Value.Base().Mul(girth.Low.Base()).Floor()))
	}
	c := Count{Max: Unbounded}
	for _, b := range low[:nl] {
		if b.N > c.Min {
			c.Min, c.MinBy = b.N, b.Rule
		}
	}
	if mainFlares > c.Min {
		c.Min, c.MinBy = mainFlares, RuleFlares
	}
	for _, b := range high[:nh] {
		if b.N < c.Max {
			c.Max, c.MaxBy = b.N, b.Rule
		}
	}
	if c.Min <= c.Max {
		return c
	}
	for _, b := range low[:nl] {
		if b.N > c.Max {
			c.Clash = append(c.Clash, b)
		}
	}
	if mainFlares > c.Max {
		c.Clash = append(c.Clash, Bound{RuleFlares, mainFlares})
	}
	for _, b := range high[:nh] {
		if b.N < c.Min {
			c.Clash = append(c.Clash, b)
		}
	}
	return c
}

// whole brings a count into 0..Unbounded.
func whole(n int64) int {
	return int(max(0, min(n, Unbounded)))
}

// Spacing returns the exact span of the distance C/n between n equally spaced
// ports, n >= 1.
func Spacing(girth q.LengthSpan, n int) q.LengthSpan {
	f := exact.Frac(1, int64(n))
	return q.LengthSpan{Low: girth.Low.Times(f), High: girth.High.Times(f)}
}

// Finding says which rules clash. It reports false when none do.
func (c Count) Finding() (finding.Finding, bool) {
	if len(c.Clash) == 0 {
		return finding.Finding{}, false
	}
	f := finding.Finding{
		ID: "ports-clash", Severity: finding.Refused, Force: finding.Mandatory, Authority: finding.ByLabel,
		Ref: "ports",
		Args: finding.Args{
			"least": finding.Count(c.Min), "most": finding.Count(c.Max),
			"least_by": finding.Text(c.MinBy), "most_by": finding.Text(c.MaxBy),
		},
	}
	if c.MinBy == RuleFlares { // not the label's rule but ours, so a person may set it aside
		f.Force, f.Authority = finding.Advisory, finding.ByPractice
	}
	if c.Clash[0].Rule == RuleGirth {
		f = finding.Finding{ID: "ports-girth-unknown", Severity: finding.Open, Authority: finding.ByEstimate}
	}
	return f, true
}

// SpacingNote says how a spacing given as one value is read (see Counts).
func SpacingNote(spacingCm float64) finding.Finding {
	return finding.Finding{
		ID: "ports-spacing-single", Severity: finding.Note, Authority: finding.ByLabel, Ref: "ports.spacing",
		Args: finding.Args{"spacing": finding.Number(spacingCm, "cm")},
	}
}
