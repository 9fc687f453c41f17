package label

import (
	"fmt"

	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/numeric/exact"
)

// use checks one use of the card.
func (c *checker) use(u Use, ref string) {
	if u.Method != Injection && u.Method != Infusion { // E14
		c.refuse("card-method-unknown", ref+".method", finding.Args{"text": finding.Text(string(u.Method))})
	}
	if len(u.Sites) == 0 {
		c.refuse("card-sites-missing", ref+".sites", nil)
	}
	if len(u.Targets) == 0 {
		c.refuse("card-targets-missing", ref+".targets", nil)
	}
	positiveOpt(c, ref+".measure.at", u.Measure.At)
	c.tree(u, ref+".tree")
	c.rate(u, ref+".rate")
	c.dilution(u, ref+".dilution")
	c.ports(u, ref+".ports")
	ordered(c, ref+".pressure", u.Pressure, true)
	c.limits(u, ref)
	c.timing(u.Timing, ref+".timing")
	c.people(u, ref)
}

// tree checks the sizes allowed.
func (c *checker) tree(u Use, ref string) {
	t := u.Tree
	positiveOpt(c, ref+".min", t.Min)
	positiveOpt(c, ref+".max", t.Max)
	if t.Min.Known && t.Max.Known && t.Max.Value.Less(t.Min.Value) {
		c.refuse("card-low-above-high", ref+".max", finding.Args{"low": amount(t.Min.Value), "high": amount(t.Max.Value)})
	}
	c.share(ref+".crown_loss_max", t.CrownLossMax)
}

// share checks a per cent of a whole: 0 to 100.
func (c *checker) share(ref string, p q.Opt[q.Percent]) {
	if !p.Known {
		return
	}
	notNegative(c, ref, p.Value)
	if exact.Int(100).Less(p.Value.Base()) {
		c.refuse("card-share-over-100", ref, finding.Args{"value": amount(p.Value)})
	}
}

// ports checks the port rule: E07, E08, E11.
func (c *checker) ports(u Use, ref string) {
	p := u.Ports
	ordered(c, ref+".spacing", p.Spacing, false)
	ordered(c, ref+".volume", p.Volume, false)
	ordered(c, ref+".sapwood_depth", p.SapwoodDepth, true)
	ordered(c, ref+".height", p.Height, true)
	positiveOpt(c, ref+".hole", p.Hole)
	positiveOpt(c, ref+".density_min", p.DensityMin)
	positiveOpt(c, ref+".density_max", p.DensityMax)
	notNegativeOpt(c, ref+".stagger", p.Stagger)
	notNegativeOpt(c, ref+".keep_out.sideways", p.KeepOut.Sideways)
	notNegativeOpt(c, ref+".keep_out.below", p.KeepOut.Below)
	notNegativeOpt(c, ref+".keep_out.above", p.KeepOut.Above)
	c.share(ref+".wound_warn", p.WoundWarn)
	c.share(ref+".wound_max", p.WoundMax)
	if p.WoundWarn.Known && p.WoundMax.Known && p.WoundMax.Value.Less(p.WoundWarn.Value) {
		c.refuse("card-low-above-high", ref+".wound_max", finding.Args{"low": amount(p.WoundWarn.Value), "high": amount(p.WoundMax.Value)})
	}
	if p.Min < 0 || p.Max < 0 {
		c.refuse("card-not-positive", ref, finding.Args{"value": finding.Count(min(p.Min, p.Max))})
	}
	if p.Max > 0 && p.Max < p.Min {
		c.refuse("card-low-above-high", ref+".max", finding.Args{"low": finding.Count(p.Min), "high": finding.Count(p.Max)})
	}
	if p.DensityMin.Known && p.DensityMax.Known && p.DensityMax.Value.Less(p.DensityMin.Value) {
		c.refuse("card-low-above-high", ref+".density_max", finding.Args{"low": amount(p.DensityMin.Value), "high": amount(p.DensityMax.Value)})
	}
	c.smallest(u, ref)
}

// smallest refuses a port rule that leaves no port on the smallest tree (E11).
// The girth is taken from above, so that only a sure clash is reported.
func (c *checker) smallest(u Use, ref string) {
	if !u.Tree.Min.Known || u.Tree.Min.Value.Sign() <= 0 {
		return
	}
	girth := u.Tree.Min.Value.Times(q.PiHigh)
	args := finding.Args{"size": amount(u.Tree.Min.Value), "girth": amount(girth)}
	if s := u.Ports.Spacing; s.Known && !s.Value.Single && girth.Less(s.Value.Low) {
		args["spacing"] = amount(s.Value.Low)
		c.refuse("card-no-port-at-smallest", ref+".spacing", args)
	}
	if d := u.Ports.DensityMax; d.Known && girth.Base().Mul(d.Value.Base()).Less(exact.Int(1)) {
		args["spacing"] = finding.Text(Shown(d.Value))
		c.refuse("card-no-port-at-smallest", ref+".density_max", args)
	}
}

// limits checks the limits of a use: E05, E08, E09.
func (c *checker) limits(u Use, use string) {
	l, ref := u.Limits, use+".limits"
	positiveOpt(c, ref+".interval", l.Interval)
	positiveOpt(c, ref+".per_application", l.PerApplication)
	positiveOpt(c, ref+".per_year", l.PerYear)
	positiveOpt(c, ref+".active_per_area", l.ActivePerArea)
	if l.Applications < 0 {
		c.refuse("card-not-positive", ref+".applications", finding.Args{"value": finding.Count(l.Applications)})
	}
	if l.Year == YearSeason && l.SeasonStarts == 0 {
		c.open("card-season-start-missing", ref+".season_starts", nil)
	}
	if l.ActivePerArea.Known {
		c.content(ref + ".active_per_area")
	}
	if l.PerApplication.Known && l.PerYear.Known && l.PerYear.Value.Less(l.PerApplication.Value) {
		c.refuse("card-year-below-application", ref+".per_year", finding.Args{"application": amount(l.PerApplication.Value), "year": amount(l.PerYear.Value)})
		return
	}
	least := l.PerYear
	name := ".per_year"
	if l.PerApplication.Known && (!least.Known || l.PerApplication.Value.Less(least.Value)) {
		least, name = l.PerApplication, ".per_application"
	}
	if least.Known {
		c.cap(u, ref+name, least.Value)
	}
}

// cap compares a limit for one tree with the least lawful dose: refused where
// not even the smallest tree could get it (E09), a warning where only larger
// trees are cut off.
func (c *checker) cap(u Use, ref string, limit q.Volume) {
	if !u.Rate.Known {
		return
	}
	small, large := u.Tree.Min, u.Tree.Max
	if b := u.Rate.Value.Bands; len(b) > 0 {
		if !small.Known {
			small = q.Known(b[0].From)
		}
		if !large.Known {
			large = q.Known(b[len(b)-1].To)
		}
	}
	perTree := u.Rate.Value.Per == PerTree
	if dose, ok := c.leastDose(u.Rate.Value, small); ok && limit.Base().Less(dose) {
		size := finding.Text("")
		if small.Known && !perTree {
			size = amount(small.Value)
		}
		c.refuse("card-limit-below-dose", ref, finding.Args{"limit": amount(limit), "dose": amount(q.ML(dose)), "size": size})
		return
	}
	if dose, ok := c.leastDose(u.Rate.Value, large); ok && !perTree && limit.Base().Less(dose) {
		c.warn("card-limit-cuts-dose", ref, finding.Args{"limit": amount(limit), "dose": amount(q.ML(dose)), "size": amount(large.Value)})
	}
}

// leastDose returns the least product in mL that the rate asks for at a
// diameter, taken from below where pi enters. ok is false when the basis needs
// more than the diameter.
func (c *checker) leastDose(r Rate, at q.Opt[q.Length]) (dose exact.Rat, ok bool) {
	per := exact.Int(1)
	if r.Active {
		content, known := c.card.Product.ActivePerVolume(0)
		if !known || content.Sign() <= 0 {
			return dose, false
		}
		per = exact.Int(1).Quo(content.Base())
	}
	if r.Per == PerTree {
		low := r.Low
		for i, k := range r.Classes {
			if i == 0 || k.Low.Less(low) {
				low = k.Low
			}
		}
		return low.Mul(per), true
	}
	if !at.Known || at.Value.Sign() <= 0 {
		return dose, false
	}
	d := at.Value.Base()
	switch r.Per {
	case PerDiameter:
		return r.Low.Mul(d).Mul(per), true
	case PerGirth:
		return r.Low.Mul(d).Mul(q.PiLow).Mul(per), true
	case PerBasalArea: // pi d^2/4, cm2 to m2
		return r.Low.Mul(d).Mul(d).Mul(q.PiLow).Mul(exact.Frac(1, 40_000)).Mul(per), true
	case PerBand:
		for i, b := range r.Bands {
			last := i == len(r.Bands)-1
			if !at.Value.Less(b.From) && (at.Value.Less(b.To) || last && at.Value.Cmp(b.To) == 0) {
				return b.Low.Mul(per), true
			}
		}
	}
	return dose, false
}

// timing checks months, bloom and temperature.
func (c *checker) timing(t Timing, ref string) {
	for i, m := range t.Months {
		if m < 1 || m > 12 {
			c.refuse("card-month-unknown", fmt.Sprintf("%s.months[%d]", ref, i), finding.Args{"month": finding.Count(m)})
		}
	}
	if t.Temperature.Known && t.Temperature.Value.High.Less(t.Temperature.Value.Low) {
		c.refuse("card-low-above-high", ref+".temperature", finding.Args{"low": amount(t.Temperature.Value.Low), "high": amount(t.Temperature.Value.High)})
	}
	if t.Bloom == DaysBeforeBloom && t.BloomDays <= 0 {
		c.refuse("card-not-positive", ref+".bloom", finding.Args{"value": finding.Count(t.BloomDays)})
	}
}

// people checks harvest and re-entry: E12, E13.
func (c *checker) people(u Use, ref string) {
	positiveOpt(c, ref+".phi", u.Harvest.Interval)
	positiveOpt(c, ref+".rei", u.Reentry.Interval)
	for i, s := range u.Sites {
		at := fmt.Sprintf("%s.sites[%d]", ref, i)
		if s.Food && !u.Harvest.Stated {
			c.refuse("card-food-without-phi", ref+".phi", finding.Args{"site": finding.Text(s.Name)})
		}
		if !s.Food && !s.FoodStated {
			c.open("card-food-unsaid", at+".food", finding.Args{"site": finding.Text(s.Name)})
		}
	}
	if u.Reentry.Stated {
		return
	}
	switch p := c.card.Product; {
	case p.Agricultural:
		c.refuse("card-reentry-missing", ref+".rei", nil)
	case !p.AgriculturalStated:
		c.open("card-reentry-unsaid", ref+".rei", nil)
	}
}
