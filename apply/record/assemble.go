package record

import (
	"strings"

	"sapward/finding"
	"sapward/measure/civil"
	"sapward/numeric/exact"
	"sapward/plan/label"
)

// Assemble fills what follows from the label card and from the list of trees
// into a record's content, where nothing is recorded yet: names, numbers,
// intervals and restrictions from the card; totals and counts from the trees.
// What was written down by hand stays. The card belongs to product number 0;
// its use number use says method, sites and targets. The content given is not
// changed.
//
// Faults: record-card-use when the card has no such use, record-card-product
// when product 0 carries another name.
func Assemble(c Content, card label.Card, snap CardSnapshot) (Content, error) {
	c, err := clone(c)
	if err != nil {
		return Content{}, err
	}
	if snap.Use < 0 || snap.Use >= len(card.Uses) {
		return Content{}, finding.Bad("record-card-use", finding.Where{}, finding.Args{"count": finding.Count(len(card.Uses))})
	}
	if len(c.Products) == 0 {
		c.Products = []Product{{}}
	}
	p := &c.Products[0]
	if n, ok := p.Name.Known(); ok && n != card.Product.Name {
		return Content{}, finding.Bad("record-card-product", finding.Where{}, finding.Args{"text": finding.Text(n), "card": finding.Text(card.Product.Name)})
	}
	use := card.Uses[snap.Use]
	c.Card = &snap
	c.Invented = c.Invented || card.Product.Invented
	c.PracticeOnly = !card.Verified.Complete()
	fill(&p.Name, card.Product.Name)
	fill(&p.Registration, card.Product.Registration.Number)
	fill(&p.Supplement, card.Product.Registration.Supplement)
	if len(p.Territory) == 0 {
		p.Territory = append([]string(nil), card.Product.Registration.Territory...)
	}
	fillActives(p, card.Product)
	fillIntervals(p, use)
	fill(&c.Work.Method, string(use.Method))
	if len(use.Sites) == 1 {
		fill(&c.Site.Name, use.Sites[0].Name)
	}
	for _, s := range use.Sites {
		if n, ok := c.Site.Name.Known(); ok && strings.EqualFold(n, s.Name) {
			fill(&c.Site.Code, s.Code)
		}
	}
	if len(use.Targets) == 1 {
		fill(&c.Target.Name, use.Targets[0])
	}
	if card.Product.RestrictedStated && c.Law.RestrictedUse.IsZero() {
		c.Law.RestrictedUse = Is(card.Product.RestrictedUse)
	}
	if c.Law.StageRestricted.IsZero() {
		c.Law.StageRestricted = Is(use.Timing.Bloom != label.BloomNone)
	}
	if c.Law.HoursRestricted.IsZero() {
		c.Law.HoursRestricted = Is(use.Timing.From != "" || use.Timing.To != "")
	}
	count(&c)
	return c, nil
}

// AddUp fills totals, counts and dates that follow from the list of trees and
// the instants, where nothing is recorded yet: Assemble without a card.
func AddUp(c Content) (Content, error) {
	c, err := clone(c)
	if err == nil {
		count(&c)
	}
	return c, err
}

func fill(f *Fact[string], s string) {
	if f.State == NotRecorded && s != "" {
		*f = Is(s)
	}
}

func fillActives(p *Product, product label.Product) {
	if !p.Actives.IsZero() || len(product.Actives) == 0 {
		return
	}
	var out []Active
	for _, a := range product.Actives {
		x := Active{Name: a.Name}
		switch {
		case a.Content.Known:
			x.Content = a.Content.Value.In("g/L").String() + " g/L"
		case a.Share.Known:
			x.Content = a.Share.Value.Base().Mul(exact.Int(100)).String() + " % w/w"
		}
		out = append(out, x)
	}
	p.Actives = Is(out)
}

func fillIntervals(p *Product, use label.Use) {
	if r := use.Reentry; p.REI.IsZero() && r.Stated {
		h, ok := Decimal{}, true
		if r.Interval.Known {
			h, ok = DecOf(r.Interval.Value.Base())
		}
		switch {
		case r.Interval.Known && ok:
			p.REI = Is(REI{Hours: h, UntilDry: r.UntilDry})
		case r.UntilDry:
			p.REI = Is(REI{UntilDry: true})
		case r.None:
			p.REI = DoesNotApply[REI](NoneOnCard)
		}
	}
	if h := use.Harvest; p.PHI.IsZero() && h.Stated {
		switch {
		case h.Interval.Known:
			p.PHI = Is(PHI{Days: int(h.Interval.Value.In("d").Ceil())})
		case h.NotFood:
			p.PHI = Is(PHI{NotFood: true})
		case h.None:
			p.PHI = DoesNotApply[PHI](NoneOnCard)
		}
	}
	if use.Limits.Interval.Known && p.Interval.IsZero() {
		p.Interval = Is(int(use.Limits.Interval.Value.In("d").Ceil()))
	}
}

// count fills totals and numbers from the list of trees.
func count(c *Content) {
	tags := map[string]bool{}
	for _, t := range c.Trees {
		tags[t.Tag] = true
	}
	if len(tags) > 0 && c.TreesTreated.IsZero() {
		c.TreesTreated = Is(len(tags))
	}
	for i := range c.Products {
		p := &c.Products[i]
		for _, x := range []struct {
			to *Fact[Volume]
			of func(*Amount) Fact[Decimal]
		}{{&p.Total, func(a *Amount) Fact[Decimal] { return a.ProductML }}, {&p.Mix, func(a *Amount) Fact[Decimal] { return a.MixML }}, {&p.Leaked, func(a *Amount) Fact[Decimal] { return a.LeakedML }}} {
			s, ok := sum(c, i, x.of)
			if d, fits := DecOf(s); ok && fits && x.to.IsZero() {
				*x.to = Is(Volume{Value: d, Unit: "mL"})
			}
		}
	}
	w := &c.Work
	if w.Date.IsZero() && w.Start.State == Recorded && w.End.State == Recorded {
		from, to := civil.Of(w.Start.Value.T), civil.Of(w.End.Value.T)
		if !to.Before(from) {
			w.Date = Is(Days{from, to})
		}
	}
}
