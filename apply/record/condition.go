package record

import (
	"sapward/measure/quantity"
	"sapward/numeric/exact"
)

// answer is what the record says about a condition.
type answer uint8

const (
	unknown answer = iota
	yes
	no
)

func of(f Fact[bool]) answer {
	switch {
	case f.State == None, f.State == Recorded && !f.Value:
		return no
	case f.State == Recorded:
		return yes
	}
	return unknown
}

func not(a answer) answer {
	switch a {
	case yes:
		return no
	case no:
		return yes
	}
	return unknown
}

// judged answers by an item alone: whoever declared that it does not apply, with a
// reason, has said that the condition does not hold.
func judged(it Item) func(c *Content) answer {
	return func(c *Content) answer {
		switch it.Of(c) {
		case None:
			return no
		case Recorded:
			return yes
		}
		return unknown
	}
}

// TenthAcre is one tenth of an acre in m2: 404.68564224 (NIST SP 811, 2008,
// appendix B: acre of 43,560 square feet, with the foot of 0.3048 m). A spot
// application stays below it over the whole day.
var TenthAcre = exact.Frac(40468564224, 100_000_000)

// conditions decide whether a profile, or one of its asks, applies. A reading
// judgement is asked for unless the record declares why it does not apply.
var conditions = map[string]func(c *Content) answer{
	"restricted-use":   func(c *Content) answer { return of(c.Law.RestrictedUse) },
	"stage-restricted": func(c *Content) answer { return of(c.Law.StageRestricted) },
	"hours-restricted": func(c *Content) answer { return of(c.Law.HoursRestricted) },
	"outdoors": func(c *Content) answer {
		t, ok := c.Work.TypeOfUse.Known()
		switch {
		case !ok:
			return unknown
		case t == Enclosed:
			return no
		}
		return yes
	},
	"other-applied":  judged("R17"),
	"supervised":     judged("R27"),
	"permit-asked":   judged("R23.permit"),
	"company":        judged("R19"),
	"judgement":      func(c *Content) answer { return unknown },
	"not-greenhouse": func(c *Content) answer { return not(of(c.Work.Greenhouse)) },
	"under-tenth-acre": func(c *Content) answer {
		m, ok := c.Area.Known()
		if !ok {
			return unknown
		}
		a, fault := m.Quantity()
		if fault != nil {
			return unknown
		}
		if !a.Less(quantity.Of[quantity.AreaKind](TenthAcre)) {
			return no
		}
		return of(c.Law.DayAreaTotal)
	},
	"shared-load": func(c *Content) answer {
		n := map[string]int{}
		for _, t := range c.Trees {
			if t.Load != "" {
				n[t.Load]++
				if n[t.Load] > 1 {
					return yes
				}
			}
		}
		return no
	},
}

// Conditions lists the names of the conditions.
func Conditions() []string {
	out := make([]string, 0, len(conditions))
	for n := range conditions {
		out = append(out, n)
	}
	return out
}
