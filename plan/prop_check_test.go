package plan_test

import (
	"fmt"
	"math/big"
	"strings"

	"sapward/measure/civil"
	"sapward/measure/tree"
	"sapward/plan"
	"sapward/plan/label"
)

// An independent judge of a plan. It reads only the card, the request, the
// trees and the plan's document (Trees, Ports, Totals, Fills); it shares no
// code with the packages that make plans. Lengths are cm, volumes mL, kept as
// big rationals; pi is bounded to 50 digits (OEIS A000796). Tolerances: an
// azimuth is shown to 0.1 degree, so a place on the girth is known to 0.05
// degree; a product volume is shown in whole thousandths of mL, rounded down.

type rat = *big.Rat

func ratOf(s string) rat {
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		panic(s)
	}
	return r
}

var (
	piBelow = ratOf("3.14159265358979323846264338327950288419716939937510")
	piAbove = ratOf("3.14159265358979323846264338327950288419716939937511")
	zero    = new(big.Rat)
)

func mul(a, b rat) rat   { return new(big.Rat).Mul(a, b) }
func quo(a, b rat) rat   { return new(big.Rat).Quo(a, b) }
func plus(a, b rat) rat  { return new(big.Rat).Add(a, b) }
func minus(a, b rat) rat { return new(big.Rat).Sub(a, b) }
func num(n, d int64) rat { return big.NewRat(n, d) }
func above(a, b rat) bool {
	return a.Cmp(b) > 0
}
func float(a rat) float64 { f, _ := a.Float64(); return f }
func floorOf(a rat) int64 { return new(big.Int).Div(a.Num(), a.Denom()).Int64() }
func ceilOf(a rat) int64  { return -floorOf(new(big.Rat).Neg(a)) }

// span is a number known to 50 digits.
type span struct{ lo, hi rat }

func times(s span, k rat) span { return span{mul(s.lo, k), mul(s.hi, k)} }

func diameterOf(s tree.Stem) span {
	if s.FromGirth {
		g := s.Girth.Low.Base().Big()
		return span{quo(g, piAbove), quo(g, piBelow)}
	}
	d := s.Diameter.Low.Base().Big()
	return span{d, d}
}

func girthOf(s tree.Stem) span {
	if s.FromGirth {
		g := s.Girth.Low.Base().Big()
		return span{g, g}
	}
	d := s.Diameter.Low.Base().Big()
	return span{mul(d, piBelow), mul(d, piAbove)}
}

func rootOf(s span) span {
	root := func(r rat, mode big.RoundingMode) rat {
		f := new(big.Float).SetPrec(400).SetRat(r)
		f.Sqrt(f)
		out, _ := f.Rat(nil)
		eps := ratOf("1e-60")
		if mode == big.ToNegativeInf {
			return minus(out, eps)
		}
		return plus(out, eps)
	}
	return span{root(s.lo, big.ToNegativeInf), root(s.hi, big.ToPositiveInf)}
}

// unitSize is the diameter a dose is counted on.
func unitSize(stems []tree.Stem, rule label.StemRule) (span, bool) {
	if len(stems) == 1 {
		return diameterOf(stems[0]), true
	}
	sum := span{new(big.Rat), new(big.Rat)}
	for _, s := range stems {
		d := diameterOf(s)
		if rule == label.StemsRootSumSquare {
			d = span{mul(d.lo, d.lo), mul(d.hi, d.hi)}
		}
		sum = span{plus(sum.lo, d.lo), plus(sum.hi, d.hi)}
	}
	switch rule {
	case label.StemsRootSumSquare:
		return rootOf(sum), true
	case label.StemsSum:
		return sum, true
	}
	return span{}, false
}

func contentOf(c label.Card) (rat, bool) {
	a := c.Product.Actives[0]
	if a.Content.Known {
		return a.Content.Value.Base().Big(), true
	}
	if a.Share.Known && c.Product.Density.Known {
		return mul(a.Share.Value.Base().Big(), c.Product.Density.Value.Base().Big()), true
	}
	return nil, false
}

// rateLimits is what the card's rate allows, mL of product; per is "port" for
// a rate per port. ok is false when a fact is missing and no dose may come out.
func rateLimits(c label.Card, r label.Rate, t tree.Tree, stems []tree.Stem, d span) (low, high span, ports int, ok bool) {
	lo, hi := r.Low.Big(), r.High.Big()
	one := num(1, 1)
	m := span{one, one}
	switch {
	case r.Per == label.PerBand:
		found := false
		for i, b := range r.Bands {
			from, to := b.From.Base().Big(), b.To.Base().Big()
			last := i == len(r.Bands)-1
			if d.hi.Cmp(from) >= 0 && (d.lo.Cmp(to) < 0 || last && d.lo.Cmp(to) == 0) {
				lo, hi, ports, found = b.Low.Big(), b.High.Big(), b.Ports, true
				break
			}
		}
		if !found {
			return span{}, span{}, 0, false
		}
	case len(r.Classes) > 0:
		found := false
		for _, k := range r.Classes {
			if k.Name == t.AgeClass {
				lo, hi, found = k.Low.Big(), k.High.Big(), true
			}
		}
		if !found {
			return span{}, span{}, 0, false
		}
	}
	switch r.Per {
	case label.PerDiameter:
		m = d
	case label.PerGirth:
		if len(stems) == 1 {
			m = girthOf(stems[0])
		} else {
			m = span{mul(d.lo, piBelow), mul(d.hi, piAbove)}
		}
	case label.PerBasalArea:
		k := num(1, 40_000)
		m = span{mul(mul(mul(d.lo, d.lo), piBelow), k), mul(mul(mul(d.hi, d.hi), piAbove), k)}
	case label.PerCanopyDiameter:
		if !t.Crown.Known {
			return span{}, span{}, 0, false
		}
		m = span{t.Crown.Value.Base().Big(), t.Crown.Value.Base().Big()}
	case label.PerCanopyVolume:
		if !t.Crown.Known || !t.Height.Known {
			return span{}, span{}, 0, false
		}
		w := t.Crown.Value.Base().Big()
		v := mul(mul(mul(r.Shape.Big(), w), w), t.Height.Value.Base().Big())
		m = span{v, v}
	}
	if r.Active {
		g, known := contentOf(c)
		if !known {
			return span{}, span{}, 0, false
		}
		lo, hi = quo(lo, g), quo(hi, g)
	}
	return times(m, lo), times(m, hi), ports, true
}

// counted reports whether an earlier treatment counts in the card's year that
// ends on the day of work. Calendar arithmetic on (year, month, day) alone.
func counted(l label.Limits, on, end civil.Date) bool {
	if end.IsZero() || on.IsZero() {
		return true
	}
	k := func(y int, m, d int) int { return y*10_000 + m*100 + d }
	e, o := k(end.Year, int(end.Month), end.Day), k(on.Year, int(on.Month), on.Day)
	switch {
	case l.Year == label.YearCalendar:
		return end.Year >= on.Year
	case l.Year == label.YearSeason && l.SeasonStarts > 0:
		start := k(on.Year, l.SeasonStarts, 1)
		if o < start {
			start = k(on.Year-1, l.SeasonStarts, 1)
		}
		return e >= start
	}
	return e+10_000 > o // its anniversary lies after the day of work
}

func sameText(a, b string) bool { return strings.EqualFold(a, b) }

// rowsOf are the history rows of a tree with this product or its active.
func rowsOf(r plan.Request, tag string, block bool) (out []tree.Treatment) {
	for _, h := range r.History {
		mine := h.Tree == tag || h.Tree == "" || block
		if mine && (h.Product != "" && sameText(h.Product, r.Card.Product.Name) || sameText(h.Active, r.Card.Product.Actives[0].Name)) {
			out = append(out, h)
		}
	}
	return out
}

// wholeTree reports that the rate is counted on the tree, not on a stem.
func wholeTree(u label.Use) bool {
	if u.Dilution.Known && u.Dilution.Value.MixPerTree.Known {
		return true
	}
	if !u.Rate.Known {
		return false
	}
	return ratedOnTree(u.Rate.Value.Per)
}

func ratedOnTree(per label.Basis) bool {
	return per == label.PerTree || per == label.PerCanopyDiameter || per == label.PerCanopyVolume
}

type judge struct {
	r     plan.Request
	use   label.Use
	trees map[string]tree.Tree
	bad   []string
}

func (j *judge) say(format string, args ...any) { j.bad = append(j.bad, fmt.Sprintf(format, args...)) }

func ul(v plan.Microlitres) rat { return num(int64(v), 1000) }

func useOf(r plan.Request) label.Use {
	for _, u := range r.Card.Uses {
		if u.Method == r.Method {
			return u
		}
	}
	return label.Use{}
}

// judgePlan returns every way in which a plan passes the card, or does not add
// up.
func judgePlan(r plan.Request, trees []tree.Tree, p plan.Plan) []string {
	j := &judge{r: r, use: useOf(r), trees: map[string]tree.Tree{}}
	for _, t := range trees {
		j.trees[t.Tag] = t
	}
	if len(p.Refusals) > 0 || p.Verdict == plan.Refused {
		if p.Verdict != plan.Refused || len(p.Trees)+len(p.Fills)+len(p.ClassCard)+len(p.Mix) > 0 || p.Totals.Ports != 0 || p.Totals.Dose != 0 || p.Totals.Product != 0 {
			j.say("a refused block has doses")
		}
		return j.bad
	}
	if (p.Verdict == plan.Opened) != (len(p.Open) > 0) {
		j.say("verdict %s with %d open facts", p.Verdict, len(p.Open))
	}
	conc := num(1, 1)
	if len(p.Mix) == 1 {
		conc = quo(new(big.Rat).SetFloat64(p.Mix[0].ConcentrationMLPerL), num(1000, 1))
		if d := j.use.Dilution.Value.Concentration; d.High.Float()*(1+1e-12) < float(conc) || !d.Single && float(conc) < d.Low.Float()*(1-1e-12) || d.Single && float(conc) < d.High.Float()*(1-1e-12) {
			j.say("concentration %v outside %v..%v", float(conc), d.Low.Float(), d.High.Float())
		}
	}
	seen := map[string]bool{}
	byTree := map[string][]plan.Tree{}
	for _, u := range p.Trees {
		key := u.Tag + "/" + u.Stem
		if seen[key] {
			j.say("%s is planned twice", key)
		}
		seen[key] = true
		byTree[u.Tag] = append(byTree[u.Tag], u)
		j.unit(u, conc)
	}
	for tag, us := range byTree {
		j.tree(tag, us, conc)
	}
	j.refusals(p, seen, byTree)
	j.totals(p)
	j.area(p, conc)
	return j.bad
}

func (j *judge) stemsOf(u plan.Tree) []tree.Stem {
	t := j.trees[u.Tag]
	if u.Stem == "" {
		return t.Stems
	}
	for _, s := range t.Stems {
		if s.Name == u.Stem {
			return []tree.Stem{s}
		}
	}
	return nil
}

// unit judges one dose unit: rate, mix, size and its ports.
func (j *judge) unit(u plan.Tree, conc rat) {
	t, stems := j.trees[u.Tag], j.stemsOf(u)
	at := u.Tag + "/" + u.Stem
	rule := j.use.Measure.Stems
	if len(stems) > 1 && wholeTree(j.use) && (rule == label.StemsEach || rule == label.StemsUnsaid) {
		rule = label.StemsRootSumSquare // amounts of a tree: equal basal area stands for its trunk
	}
	d, ok := unitSize(stems, rule)
	if !ok {
		j.say("%s: a dose although the card does not say how to count stems", at)
		return
	}
	sizes := []span{d}
	if j.use.Measure.Stems == label.StemsEach {
		sizes = nil
		for _, s := range stems {
			sizes = append(sizes, diameterOf(s))
		}
	}
	for _, d := range sizes {
		if m := j.use.Tree.Min; m.Known && d.lo.Cmp(m.Value.Base().Big()) < 0 {
			j.say("%s: smaller than the card's least", at)
		}
		if m := j.use.Tree.Max; m.Known && above(d.hi, m.Value.Base().Big()) {
			j.say("%s: larger than the card's greatest", at)
		}
	}
	if m := j.use.Tree.CrownLossMax; m.Known && t.CrownLoss.Known && m.Value.Less(t.CrownLoss.Value) {
		j.say("%s: crown loss over the card's", at)
	}
	if t.Status == tree.Dead {
		j.say("%s: a dead tree gets a dose", at)
	}
	if len(u.Ports) == 0 {
		j.say("%s: planned without ports", at)
		return
	}
	sum := new(big.Rat)
	var product plan.Microlitres
	for i, p := range u.Ports {
		j.port(at, i, p)
		sum = plus(sum, ul(p.Volume))
		product += p.Product
	}
	if sum.Cmp(ul(u.Dose)) != 0 || u.Dose != u.Product+u.Water {
		j.say("%s: ports hold %v, dose %v, product %v, water %v", at, float(sum), u.Dose, u.Product, u.Water)
	}
	if product > u.Product || u.Product-product >= plan.Microlitres(len(u.Ports)) {
		j.say("%s: product of the ports %v, of the tree %v", at, product, u.Product)
	}
	made := mul(sum, conc) // product
	if j.use.Method == label.Injection && u.Water != 0 {
		j.say("%s: water in an injection", at)
	}
	if float(ul(u.Product)) > float(made)*(1+1e-12) || float(made)-float(ul(u.Product)) > 0.001*(1+1e-9) {
		j.say("%s: product %v of %v at %v", at, u.Product, float(sum), float(conc))
	}
	over := func(a, limit rat) bool { return above(a, mul(limit, plus(num(1, 1), j.slack()))) }
	below := func(a, limit rat) bool { return over(limit, a) }
	lowered := j.r.Overrides["dose-below-rate"] != ""
	if rate := j.use.Rate; rate.Known {
		low, high, ports, known := rateLimits(j.r.Card, rate.Value, t, stems, d)
		switch {
		case !known:
			j.say("%s: a dose although the rate lacks a fact", at)
		case rate.Value.Per == label.PerPort:
			for _, p := range u.Ports {
				v := mul(ul(p.Volume), conc)
				if over(v, high.lo) || !rate.Value.Single && below(v, low.hi) {
					j.say("%s: port of %v outside %v..%v", at, float(v), float(low.hi), float(high.lo))
				}
			}
		default:
			if over(made, high.lo) {
				j.say("%s: %v mL of product is over the rate's %v", at, float(made), float(high.lo))
			}
			if !rate.Value.Single && !lowered && below(made, low.hi) {
				j.say("%s: %v mL of product is under the rate's %v", at, float(made), float(low.hi))
			}
		}
		if ports > 0 && ports != len(u.Ports) {
			j.say("%s: %d ports, the band says %d", at, len(u.Ports), ports)
		}
	}
	if dil := j.use.Dilution; dil.Known {
		m, known := dil.Value.MixPer, dil.Value.MixPer.Known
		if known {
			if above(sum, mul(m.Value.High.Base().Big(), d.lo)) {
				j.say("%s: %v mL of mix is over the card's", at, float(sum))
			}
			if !m.Value.Single && !lowered && sum.Cmp(mul(m.Value.Low.Base().Big(), d.hi)) < 0 {
				j.say("%s: %v mL of mix is under the card's", at, float(sum))
			}
		}
		if m := dil.Value.MixPerTree; m.Known {
			if above(sum, m.Value.High.Base().Big()) {
				j.say("%s: %v mL of mix is over the card's a tree", at, float(sum))
			}
			if !m.Value.Single && !lowered && sum.Cmp(m.Value.Low.Base().Big()) < 0 {
				j.say("%s: %v mL of mix is under the card's a tree", at, float(sum))
			}
		}
	}
	j.places(u, t, stems)
}

// slack is for the concentration, which the document shows as a float64; an
// injection has none.
func (j *judge) slack() rat {
	if j.use.Method == label.Infusion {
		return ratOf("1e-12")
	}
	return zero
}
