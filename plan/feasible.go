package plan

import (
	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan/dose"
	"sapward/plan/label"
)

// CheckFeasible tries every trunk the card allows, in steps of 0.1 cm, at 1.0
// and 1.5 times its girth where the ports go, and names the ranges for which no
// number of ports and graduated volume meets rate, spacing and port volume
// together. Uses whose dose needs more than the trunk are not tried. It returns
// warnings: such a tree is refused when it is planned.
func CheckFeasible(card label.Card) []finding.Finding {
	var out []finding.Finding
	for i, u := range card.Uses {
		r := Request{Card: card, Level: dose.Target}
		j := &Job{r: &r, use: u, ref: useRef(i)}
		var f facts
		if !wholeCard(u) || j.prepare(&f) != nil || len(f.refusals) > 0 || !j.trunkOnly() {
			continue
		}
		if u.Method == label.Infusion && u.Dilution.Known {
			c := concentrations(u.Dilution.Value)
			j.concentration = c.Low.Base().Add(c.High.Base()).Mul(exact.Frac(1, 2))
			if u.Rate.Known && u.Dilution.Value.MixPer.Known && u.Rate.Value.Per == label.PerDiameter && !u.Rate.Value.Active {
				low, high, empty := dose.ConcentrationRange(
					dose.Limits{Low: u.Rate.Value.Low, High: u.Rate.Value.High},
					mixOf(u.Dilution.Value.MixPer.Value), c)
				if !empty {
					j.concentration = low.Add(high).Mul(exact.Frac(1, 2))
				}
			}
		}
		if j.concentration.Sign() <= 0 {
			continue
		}
		for _, flare := range []bool{false, true} {
			out = append(out, j.infeasible(flare)...)
		}
	}
	return out
}

func mixOf(r q.Range[q.VolumePerLengthKind]) dose.Mix {
	m := dose.Mix{High: r.High.Base()}
	if !r.Single {
		m.Low = r.Low.Base()
	}
	return m
}

// wholeCard reports whether a use has enough to be tried.
func wholeCard(u label.Use) bool {
	if u.Rate.Known && len(u.Rate.Value.Bands) == 0 && len(u.Rate.Value.Classes) == 0 && u.Rate.Value.High.Sign() <= 0 {
		return false
	}
	return u.Rate.Known || u.Dilution.Known
}

// infeasible returns one warning for each range of diameters that fits no
// ports.
func (j *Job) infeasible(flare bool) (out []finding.Finding) {
	step := exact.Frac(1, 10)
	low, high := tree.MinDiameter, tree.MaxDiameter
	if j.use.Tree.Min.Known {
		low = j.use.Tree.Min.Value
	}
	if j.use.Tree.Max.Known {
		high = j.use.Tree.Max.Value
	}
	wider := exact.Frac(3, 2)
	var from, to q.Length
	running := false
	flush := func() {
		if running {
			args := finding.Args{"from": finding.Number(from.Float(), "cm"), "to": finding.Number(to.Float(), "cm")}
			if flare {
				args["flare"] = finding.Text("1.5")
			}
			out = append(out, finding.Finding{ID: "size-infeasible", Severity: finding.Warning, Authority: finding.ByEstimate, Ref: j.ref + ".ports", Args: args})
		}
		running = false
	}
	for k := low.Base().Quo(step).Ceil(); ; k++ {
		d := q.Cm(exact.Int(k).Mul(step))
		if high.Less(d) {
			break
		}
		s := tree.FromDiameter(d)
		if flare {
			s.Flare = q.Known(s.Girth.High.Times(wider))
		}
		if _, ok := j.plain(s); ok {
			flush()
			continue
		}
		if !running {
			from, running = d, true
		}
		to = d
	}
	flush()
	return out
}
