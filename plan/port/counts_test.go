package port

import (
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan/label"
)

func cm(n, d int64) q.Length { return q.Cm(exact.Frac(n, d)) }

func spacing(lo, hi int64) q.Opt[q.Range[q.LengthKind]] {
	return q.Known(q.Range[q.LengthKind]{Low: cm(lo, 1), High: cm(hi, 1)})
}

func perMetre(n int64) q.Opt[q.CountPerLength] {
	return q.Known(q.New[q.CountPerLengthKind](n, "/m"))
}

// Expected numbers worked by hand; the density is RULES 2.6 vector 4:
// 16/m * pi * 0.40 m = 20.106.
func TestCounts(t *testing.T) {
	girth40 := tree.FromDiameter(cm(40, 1)).Girth // 125.66 cm
	girth := q.Exactly(cm(120, 1))
	for _, c := range []struct {
		name   string
		rule   label.PortRule
		girth  q.LengthSpan
		flares int
		want   Count
	}{
		{"density as minimum", label.PortRule{DensityMin: perMetre(16)}, girth40, 0,
			Count{Min: 21, Max: Unbounded, MinBy: RuleDensityMin}},
		{"density as maximum", label.PortRule{DensityMax: perMetre(16)}, girth40, 0,
			Count{Min: 1, Max: 20, MinBy: RuleOne, MaxBy: RuleDensityMax}},
		{"density as both", label.PortRule{DensityMin: perMetre(16), DensityMax: perMetre(16)}, girth40, 0,
			Count{Min: 21, Max: 20, MinBy: RuleDensityMin, MaxBy: RuleDensityMax, Clash: []Bound{{RuleDensityMin, 21}, {RuleDensityMax, 20}}}},
		{"no rule", label.PortRule{}, girth, 0, Count{Min: 1, Max: Unbounded, MinBy: RuleOne}},
		{"spacing that divides", label.PortRule{Spacing: spacing(10, 15)}, girth, 0,
			Count{Min: 8, Max: 12, MinBy: RuleSpacingMax, MaxBy: RuleSpacingMin}},
		{"spacing of the example card at 40 cm", label.PortRule{Spacing: spacing(10, 16)}, girth40, 0,
			Count{Min: 8, Max: 12, MinBy: RuleSpacingMax, MaxBy: RuleSpacingMin}},
		{"single spacing is the greatest distance", label.PortRule{Spacing: q.Known(q.Range[q.LengthKind]{Low: cm(12, 1), High: cm(12, 1), Single: true})}, girth, 0,
			Count{Min: 10, Max: Unbounded, MinBy: RuleSpacingMax}},
		{"flares raise the minimum", label.PortRule{Spacing: spacing(10, 40)}, girth, 5,
			Count{Min: 5, Max: 12, MinBy: RuleFlares, MaxBy: RuleSpacingMin}},
		{"flares clash", label.PortRule{Max: 4}, girth, 5,
			Count{Min: 5, Max: 4, MinBy: RuleFlares, MaxBy: RuleMaximum, Clash: []Bound{{RuleFlares, 5}, {RuleMaximum, 4}}}},
		{"every clashing rule is named", label.PortRule{Min: 30, Max: 6, Spacing: spacing(10, 15)}, girth, 0,
			Count{Min: 30, Max: 6, MinBy: RuleMinimum, MaxBy: RuleMaximum,
				Clash: []Bound{{RuleMinimum, 30}, {RuleSpacingMax, 8}, {RuleMaximum, 6}, {RuleSpacingMin, 12}}}},
		{"girth below the least spacing", label.PortRule{Spacing: spacing(10, 16)}, q.Exactly(cm(9, 1)), 0,
			Count{Min: 1, Max: 0, MinBy: RuleOne, MaxBy: RuleSpacingMin, Clash: []Bound{{RuleOne, 1}, {RuleSpacingMax, 1}, {RuleSpacingMin, 0}}}},
		{"no girth", label.PortRule{}, q.LengthSpan{}, 0,
			Count{Min: 1, Max: 0, MinBy: RuleOne, MaxBy: RuleGirth, Clash: []Bound{{RuleGirth, 0}}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := Counts(c.rule, c.girth, c.flares)
			if d := cmp.Diff(c.want, got); d != "" {
				t.Errorf("counts differ (-want +got):\n%s", d)
			}
			if _, ok := got.Finding(); ok != (got.Min > got.Max) {
				t.Errorf("finding %v for range %d..%d", ok, got.Min, got.Max)
			}
		})
	}
}

// The range is exactly the set of n that satisfy every rule one by one, with
// the girth anywhere in its span.
func TestCounts_SameAsEachRuleAlone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lo := cm(rapid.Int64Range(300, 60000).Draw(t, "girth"), 100)
		girth := q.LengthSpan{Low: lo, High: lo.Add(cm(rapid.Int64Range(0, 3).Draw(t, "more"), 1000))}
		smin := rapid.Int64Range(1, 200).Draw(t, "smin")
		smax := smin + rapid.Int64Range(0, 200).Draw(t, "sspan")
		rule := label.PortRule{
			Spacing: q.Known(q.Range[q.LengthKind]{Low: cm(smin, 10), High: cm(smax, 10)}),
			Min:     rapid.IntRange(0, 20).Draw(t, "min"), Max: rapid.IntRange(0, 60).Draw(t, "max"),
		}
		if rapid.Bool().Draw(t, "dense") {
			rule.DensityMin, rule.DensityMax = perMetre(rapid.Int64Range(1, 20).Draw(t, "dmin")), perMetre(rapid.Int64Range(1, 20).Draw(t, "dmax"))
		}
		flares := rapid.IntRange(0, 9).Draw(t, "flares")
		c := Counts(rule, girth, flares)
		for n := 1; n <= 700; n++ {
			at := Spacing(girth, n)
			ok := n >= rule.Min && (rule.Max == 0 || n <= rule.Max) && n >= flares &&
				!rule.Spacing.Value.High.Less(at.High) && !at.Low.Less(rule.Spacing.Value.Low)
			if rule.DensityMin.Known {
				count := exact.Int(int64(n))
				ok = ok && count.Cmp(rule.DensityMin.Value.Base().Mul(girth.High.Base())) >= 0 &&
					count.Cmp(rule.DensityMax.Value.Base().Mul(girth.Low.Base())) <= 0
			}
			if ok != c.Permits(n) {
				t.Fatalf("n = %d: rules say %v, range is %d..%d", n, ok, c.Min, c.Max)
			}
		}
	})
}
