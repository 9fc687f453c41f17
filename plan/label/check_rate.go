package label

import (
	"fmt"
	"math"
	"sort"

	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/numeric/exact"
)

// rate checks the amounts of one use: E05 to E08.
func (c *checker) rate(u Use, ref string) {
	if !u.Rate.Known {
		if u.Method == Injection {
			c.refuse("card-rate-missing", ref, nil)
		}
		return
	}
	r := u.Rate.Value
	if r.Active {
		c.content(ref)
	}
	switch {
	case r.Per == PerBand:
		c.bands(u, ref+".bands")
	case len(r.Classes) > 0:
		c.classes(r, ref+".classes")
	default:
		c.pair(ref, r, r.Low, r.High)
	}
	if r.Per == PerCanopyVolume && r.Shape.Sign() <= 0 {
		c.refuse("card-shape-missing", ref+".shape", nil)
	}
}

// pair refuses low above high and amounts that are not positive.
func (c *checker) pair(ref string, r Rate, low, high exact.Rat) {
	text := func(v exact.Rat) finding.Value { return finding.Text(RateShown(r.Per, r.Active, v)) }
	if high.Less(low) {
		c.refuse("card-low-above-high", ref, finding.Args{"low": text(low), "high": text(high)})
	}
	if least := exact.Min(low, high); least.Sign() <= 0 {
		c.refuse("card-not-positive", ref, finding.Args{"value": text(least)})
	}
}

// content refuses a sum in grams of active ingredient that the card cannot
// turn into product (E05).
func (c *checker) content(ref string) {
	p := c.card.Product
	if len(p.Actives) == 0 {
		return // said already
	}
	if _, ok := p.ActivePerVolume(0); ok {
		return
	}
	args := finding.Args{"active": finding.Text(p.Actives[0].Name)}
	if p.Actives[0].Share.Known {
		c.refuse("card-density-missing", ref, args)
		return
	}
	c.refuse("card-content-missing", ref, args)
}

// classes checks the table of age classes.
func (c *checker) classes(r Rate, ref string) {
	seen := map[string]bool{}
	for i, k := range r.Classes {
		at := fmt.Sprintf("%s[%d]", ref, i)
		if seen[k.Name] {
			c.refuse("card-class-twice", at+".class", finding.Args{"class": finding.Text(k.Name)})
		}
		seen[k.Name] = true
		c.pair(at, r, k.Low, k.High)
	}
}

// bands checks the table of diameter bands (E06): rows in order, no gap, no
// overlap, and a row for every size the use allows.
func (c *checker) bands(u Use, ref string) {
	bs := u.Rate.Value.Bands
	if len(bs) == 0 {
		c.refuse("card-band-edge", ref, finding.Args{"size": finding.Text(""), "from": finding.Text(""), "to": finding.Text("")})
		return
	}
	for i, b := range bs {
		at := fmt.Sprintf("%s[%d]", ref, i)
		args := finding.Args{"from": amount(b.From), "to": amount(b.To), "row": finding.Count(i + 1)}
		notNegative(c, at+".from", b.From)
		c.pair(at, u.Rate.Value, b.Low, b.High)
		if b.Ports < 0 {
			c.refuse("card-not-positive", at+".ports", finding.Args{"value": finding.Count(b.Ports)})
		}
		if b.To.Cmp(b.From) <= 0 {
			c.refuse("card-band-order", at, args)
		}
		if i == 0 {
			continue
		}
		before := bs[i-1]
		args["before"] = amount(before.To)
		switch {
		case b.From.Cmp(before.From) <= 0:
			c.refuse("card-band-order", at+".from", args)
		case b.From.Less(before.To):
			c.refuse("card-band-overlap", at+".from", args)
		case before.To.Less(b.From):
			c.refuse("card-band-gap", at+".from", args)
		}
		if b.High.Less(before.High) {
			c.warn("card-band-falls", at, finding.Args{"row": finding.Count(i + 1)})
		}
	}
	first, last := bs[0].From, bs[len(bs)-1].To
	edge := finding.Args{"from": amount(first), "to": amount(last)}
	if m := u.Tree.Min; m.Known && m.Value.Less(first) {
		c.refuse("card-band-edge", ref, withSize(edge, amount(m.Value)))
	}
	if m := u.Tree.Max; m.Known && last.Less(m.Value) {
		c.refuse("card-band-edge", ref, withSize(edge, amount(m.Value)))
	}
}

func withSize(args finding.Args, size finding.Value) finding.Args {
	out := finding.Args{"size": size}
	for k, v := range args {
		out[k] = v
	}
	return out
}

// dilution checks how product is carried in water.
func (c *checker) dilution(u Use, ref string) {
	if !u.Dilution.Known {
		if u.Method == Infusion {
			c.refuse("card-dilution-missing", ref, nil)
		}
		return
	}
	d := u.Dilution.Value
	if u.Method == Injection {
		c.refuse("card-injection-diluted", ref, nil)
	}
	ordered(c, ref+".concentration", q.Known(d.Concentration), false)
	if exact.Int(1).Less(d.Concentration.High.Base()) {
		c.refuse("card-concentration-over-1", ref+".concentration", finding.Args{"value": finding.Text(Shown(d.Concentration.High))})
	}
	ordered(c, ref+".mix_per", d.MixPer, false)
	ordered(c, ref+".mix_per_tree", d.MixPerTree, false)
	positiveOpt(c, ref+".mix_life", d.MixLife)
	if !u.Rate.Known && !d.MixPer.Known && !d.MixPerTree.Known {
		c.refuse("card-amount-missing", ref, nil)
	}
	c.mixClash(u, ref)
}

// mixClash refuses a mix and a concentration that can never give the product
// rate of the same use, where both are counted per diameter.
func (c *checker) mixClash(u Use, ref string) {
	d := u.Dilution.Value
	if !u.Rate.Known || u.Rate.Value.Per != PerDiameter || u.Rate.Value.Active || !d.MixPer.Known {
		return
	}
	r := u.Rate.Value
	most := d.MixPer.Value.High.Base().Mul(d.Concentration.High.Base())
	least := d.MixPer.Value.Low.Base().Mul(d.Concentration.Low.Base())
	if !r.Single && most.Less(r.Low) || !d.MixPer.Value.Single && r.High.Less(least) {
		c.refuse("card-mix-clash", ref, finding.Args{
			"least": finding.Text(RateShown(PerDiameter, false, least)), "most": finding.Text(RateShown(PerDiameter, false, most)),
			"low": finding.Text(RateShown(PerDiameter, false, r.Low)), "high": finding.Text(RateShown(PerDiameter, false, r.High)),
		})
	}
}

// Ratios between two amounts that betray a slip, and how near a ratio must
// come. Common practice, no source: 3 times the median of the card (W18); an
// inch is 2.54 cm (W19); girth is pi times diameter (W20).
const (
	slipTimes = 3.0
	inchRatio = 2.54
	slipNear  = 0.02
)

// entry is one amount of the card that can be compared with others.
type entry struct {
	ref       string
	low, high float64
}

// slips compares the rates of a card with one another (W18 to W20). Rates per
// diameter and per girth are put on one scale (a girth rate times pi); other
// bases are compared among themselves. A rate in active ingredient is turned
// into product where the content is known and left out where it is not. The
// rows of a band table are compared with their neighbours, per cm of the
// middle of the band.
func (c *checker) slips() {
	groups := map[Basis][]entry{}
	for i, u := range c.card.Uses {
		if !u.Rate.Known {
			continue
		}
		r, ref := u.Rate.Value, fmt.Sprintf("uses[%d].rate", i)
		if r.Per == PerBand {
			c.bandSlips(r.Bands, ref+".bands")
			continue
		}
		if len(r.Classes) > 0 {
			continue // classes are meant to differ
		}
		scale := 1.0
		if r.Active {
			content, ok := c.card.Product.ActivePerVolume(0)
			if !ok || content.Sign() <= 0 {
				continue
			}
			scale = 1 / content.Float()
		}
		per := r.Per
		if per == PerGirth {
			per, scale = PerDiameter, scale*math.Pi
		}
		if r.Low.Sign() > 0 && r.High.Sign() > 0 {
			groups[per] = append(groups[per], entry{ref, r.Low.Float() * scale, r.High.Float() * scale})
		}
	}
	names := make([]string, 0, len(groups))
	for per := range groups {
		names = append(names, string(per))
	}
	sort.Strings(names)
	for _, per := range names {
		c.median(groups[Basis(per)])
		c.ratios(groups[Basis(per)])
	}
}

// median warns of amounts over three times, or under a third of, the median.
func (c *checker) median(es []entry) {
	m := medianOf(es)
	for _, e := range es {
		if e.high > slipTimes*m || e.high < m/slipTimes {
			c.warn("card-rate-far-from-others", e.ref, finding.Args{"times": finding.Number(e.high/m, "")})
		}
	}
}

func medianOf(es []entry) float64 {
	v := make([]float64, len(es))
	for i, e := range es {
		v[i] = e.high
	}
	sort.Float64s(v)
	n := len(v)
	if n%2 == 1 {
		return v[n/2]
	}
	return (v[n/2-1] + v[n/2]) / 2
}

// ratios warns of two amounts that differ by an inch's or pi's ratio.
func (c *checker) ratios(es []entry) {
	for i, a := range es {
		for _, b := range es[i+1:] {
			big, small := a, b
			if b.high > a.high {
				big, small = b, a
			}
			high, low := big.high/small.high, big.low/small.low
			for _, s := range []struct {
				id    string
				ratio float64
			}{{"card-rate-inch-slip", inchRatio}, {"card-rate-girth-slip", math.Pi}} {
				if near(high, s.ratio) && near(low, s.ratio) {
					c.warn(s.id, b.ref, finding.Args{"other": finding.Text(a.ref), "times": finding.Number(high, "")})
				}
			}
		}
	}
}

func near(x, ratio float64) bool { return math.Abs(x/ratio-1) <= slipNear }

// bandSlips warns of a row that stands off its neighbours.
func (c *checker) bandSlips(bs []Band, ref string) {
	rows := make([]entry, 0, len(bs))
	for i, b := range bs {
		middle := (b.From.Float() + b.To.Float()) / 2
		if middle <= 0 || b.High.Sign() <= 0 {
			return // refused elsewhere
		}
		rows = append(rows, entry{ref: fmt.Sprintf("%s[%d]", ref, i), high: b.High.Float() / middle})
	}
	if len(rows) < 3 {
		return
	}
	for i, e := range rows {
		from := max(0, min(i-1, len(rows)-3))
		m := medianOf(rows[from : from+3])
		if e.high > slipTimes*m || e.high < m/slipTimes {
			c.warn("card-rate-far-from-others", e.ref, finding.Args{"times": finding.Number(e.high/m, "")})
		}
	}
}
