package plan

import (
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan/dose"
)

// nice is the grid that concentrations are taken from where the card leaves a
// choice: 0.1 mL of product per litre of mix (program default).
var nice = exact.Frac(1, 10_000)

// chooseConcentration picks one concentration for the whole block, so that the
// crew mixes one kind of batch. Every unit needs its own range (from its
// limits in product and in mix); the choice lies in all of them where that is
// possible, nearest to the wanted product in the wanted mix. Units it does not
// suit are refused later with the pair that clashes.
func (j *Job) chooseConcentration(src Source, s *survey) error {
	card := concentrations(j.use.Dilution.Value)
	type result struct {
		low, high exact.Rat
		set       bool
		want, mix exact.Rat
	}
	work := func(trees []tree.Tree) (r result) {
		for i := range trees {
			t := &trees[i]
			for _, stems := range j.group(t) {
				size, ok := j.sizeOf(t, stems)
				if !ok || j.judgeSize(size) != nil {
					continue
				}
				p, m, mixed, missing := j.productAndMix(size)
				if missing != dose.NothingMissing || !mixed {
					continue
				}
				low, high, empty := dose.ConcentrationRange(p, m, card)
				if empty {
					continue
				}
				if !r.set {
					r.low, r.high, r.set = low, high, true
				}
				r.low, r.high = exact.Max(r.low, low), exact.Min(r.high, high)
				// The wanted concentration is steering only: sums in tenths of mL keep
				// the arithmetic small and the order of the trees irrelevant.
				r.want = r.want.Add(exact.Int(p.Target.Mul(exact.Int(10)).Floor()))
				r.mix = r.mix.Add(exact.Int(m.High.Mul(exact.Int(10)).Floor()))
			}
		}
		return r
	}
	low, high := card.Low.Base(), card.High.Base()
	var want, mix exact.Rat
	err := each(src, work, func(r result) error {
		if r.set {
			low, high = exact.Max(low, r.low), exact.Min(high, r.high)
			want, mix = want.Add(r.want), mix.Add(r.mix)
		}
		return nil
	})
	if err != nil {
		return err
	}
	if high.Less(low) { // no one concentration suits every unit: keep to the card
		low, high = card.Low.Base(), card.High.Base()
	}
	c := low.Add(high.Sub(low).Mul(j.r.Level.Share))
	if mix.Sign() > 0 {
		c = exact.Max(low, exact.Min(high, want.Quo(mix)))
	}
	half := exact.Frac(1, 2)
	if n := exact.Int(c.Quo(nice).Add(half).Floor()).Mul(nice); n.Cmp(low) >= 0 && n.Cmp(high) <= 0 && n.Sign() > 0 {
		c = n
	}
	j.concentration = c
	return nil
}
