package port

import (
	"slices"
	"strings"

	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan/label"
)

// ClimberHeight is the height above which a port needs a climber and a second
// trained person (SCIENCE S6; common practice, no source).
var ClimberHeight = q.New[q.LengthKind](200, "cm")

// NeedsClimber reports whether a port at this height does.
func NeedsClimber(height q.Length) bool { return ClimberHeight.Less(height) }

// SplitLimbs divides a number of graduations over limbs in proportion to the
// cross-section of each, d^2: the pipe model, by which a unit of pipes carries
// a unit of leaves (Shinozaki, Yoda, Hozumi and Kira 1964, Japanese Journal of
// Ecology 14:97-105). Each limb gets its quota rounded down; what is left goes
// one graduation at a time by the largest remainder, ties by name, then by
// position. The parts add up to total exactly, and limb k's part is at index k.
//
// Errors are faults: limb-diameter-bad for a diameter not above 0,
// limb-part-bad for a negative total, or a total above 0 without limbs.
func SplitLimbs(total int, limbs []tree.Limb) ([]int, error) {
	if total < 0 || (total > 0 && len(limbs) == 0) {
		return nil, finding.Bad("limb-part-bad", finding.Where{}, finding.Args{"total": finding.Count(total)})
	}
	var sum exact.Rat
	area := make([]exact.Rat, len(limbs))
	for i, l := range limbs {
		d := l.Diameter.Base()
		if d.Sign() <= 0 {
			return nil, finding.Bad("limb-diameter-bad", finding.Where{Line: l.Row}, finding.Args{"limb": finding.Text(l.Name)})
		}
		area[i] = d.Mul(d)
		sum = sum.Add(area[i])
	}
	parts := make([]int, len(limbs))
	rest := make([]exact.Rat, len(limbs))
	order := make([]int, len(limbs))
	left := total
	for i := range limbs {
		quota := area[i].Mul(exact.Int(int64(total))).Quo(sum)
		parts[i] = int(quota.Floor())
		rest[i] = quota.Sub(exact.Int(int64(parts[i])))
		left -= parts[i]
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		if c := rest[b].Cmp(rest[a]); c != 0 {
			return c
		}
		return strings.Compare(limbs[a].Name, limbs[b].Name)
	})
	for _, i := range order[:left] {
		parts[i]++
	}
	return parts, nil
}

// LimbPorts returns the greatest number of ports on a limb: what spacing and
// density allow on its girth pi d, at least 0. Minimum numbers of the card are
// for the tree and do not apply to a limb.
func LimbPorts(rule label.PortRule, l tree.Limb) int {
	rule.Min, rule.Max = 0, 0
	rule.DensityMin = q.Opt[q.CountPerLength]{}
	c := Counts(rule, q.TimesPi(q.Exactly(l.Diameter)), 0)
	return max(c.Max, 0)
}

// LimbFindings says what stands against ports on a limb, or what they need:
// refused where the card does not allow limbs; refused, as practice, above
// ClimberHeight when the crew list has no climber with a second trained
// person; and a note of the climber where it has.
func LimbFindings(rule label.PortRule, l tree.Limb, climber bool) []finding.Finding {
	var fs []finding.Finding
	args := finding.Args{"limb": finding.Text(l.Name), "height": finding.Number(l.Height.Float(), "cm"), "limit": finding.Number(ClimberHeight.Float(), "cm")}
	say := func(id string, s finding.Severity, force finding.Force, by finding.Authority, ref string) {
		f := finding.Finding{ID: id, Severity: s, Force: force, Authority: by, Ref: ref, Args: args}
		if l.Tree != "" {
			f.AddTree(l.Tree)
		}
		fs = append(fs, f)
	}
	if !rule.Allows(label.OnLimb) {
		say("limb-not-allowed", finding.Refused, finding.Mandatory, finding.ByLabel, "ports.place")
	}
	switch {
	case NeedsClimber(l.Height) && !climber:
		say("limb-no-climber", finding.Refused, finding.Advisory, finding.ByPractice, "")
	case NeedsClimber(l.Height):
		say("limb-climber", finding.Note, "", finding.ByPractice, "")
	}
	return fs
}
