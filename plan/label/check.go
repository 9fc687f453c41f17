package label

import (
	"fmt"
	"strings"

	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/numeric/exact"
)

// Check returns everything wrong or doubtful about one card, without a plan.
// A refused finding means that nothing may be planned with the card: a rule
// E01, E05 to E09 or E11 to E14 of the card is violated. Warnings point at
// likely slips of typing (W17 to W20), open findings at facts that a plan will
// need. Ref is the path of the line on the card, such as
// uses[0].ports.spacing. Dates and territory are the work of CheckOn, several
// cards together of CheckSet; E04 (units) is decided when the card is read and
// E10 (every size can be served) where ports are worked out.
func Check(card Card) []finding.Finding {
	c := &checker{card: card}
	c.product()
	c.verified()
	if len(card.Uses) == 0 {
		c.refuse("card-no-uses", "uses", nil)
	}
	for i, u := range card.Uses {
		c.use(u, fmt.Sprintf("uses[%d]", i))
	}
	c.slips()
	for i, s := range card.Statements {
		if s.Force != finding.Mandatory && s.Force != finding.Advisory {
			c.refuse("card-force-unknown", fmt.Sprintf("statements[%d].force", i), finding.Args{"force": finding.Text(string(s.Force))})
		}
	}
	finding.Sort(c.found)
	return c.found
}

// checker collects findings about one card.
type checker struct {
	card  Card
	found []finding.Finding
}

func (c *checker) add(id string, severity finding.Severity, force finding.Force, by finding.Authority, ref string, args finding.Args) {
	c.found = append(c.found, finding.Finding{ID: id, Severity: severity, Force: force, Authority: by, Ref: ref, Args: args})
}

// refuse notes an error of the card: no override, no plan.
func (c *checker) refuse(id, ref string, args finding.Args) {
	c.add(id, finding.Refused, finding.Mandatory, finding.ByLabel, ref, args)
}

// open notes a fact that nobody gave.
func (c *checker) open(id, ref string, args finding.Args) {
	c.add(id, finding.Open, finding.Mandatory, finding.ByLabel, ref, args)
}

// warn notes a likely slip of typing.
func (c *checker) warn(id, ref string, args finding.Args) {
	c.add(id, finding.Warning, finding.Advisory, finding.ByPractice, ref, args)
}

// Densities between which a liquid product for trees is believed without a
// question (W17). Common practice, no source.
var (
	densityLow  = q.New[q.DensityKind](7, "g/mL").Times(exact.Frac(1, 10))
	densityHigh = q.New[q.DensityKind](16, "g/mL").Times(exact.Frac(1, 10))
)

// product checks what stands on the container: E01, E08, W17.
func (c *checker) product() {
	p := c.card.Product
	const reg = "product.registration"
	if strings.TrimSpace(p.Name) == "" {
		c.refuse("card-name-missing", "product.name", nil)
	}
	if strings.TrimSpace(p.Registration.Number) == "" {
		c.refuse("card-registration-missing", reg+".number", nil)
	}
	if len(p.Registration.Territory) == 0 {
		c.refuse("card-territory-missing", reg+".territory", nil)
	}
	if v := p.Registration.Valid; !v.From.IsZero() && !v.To.IsZero() && v.To.Before(v.From) {
		c.refuse("card-valid-backwards", reg+".valid", finding.Args{"from": finding.Text(v.From.String()), "to": finding.Text(v.To.String())})
	}
	if !p.RestrictedStated && !p.RestrictedUse {
		c.add("card-restricted-unsaid", finding.Note, finding.Advisory, finding.ByPractice, "product.restricted_use", nil)
	}
	if p.Density.Known {
		positive(c, "product.density", p.Density.Value)
		if d := p.Density.Value; d.Sign() > 0 && (d.Less(densityLow) || densityHigh.Less(d)) {
			c.warn("card-density-unusual", "product.density", finding.Args{"density": finding.Text(Shown(d))})
		}
	}
	if len(p.Actives) == 0 {
		c.refuse("card-active-missing", "product.active", nil)
	}
	for i, a := range p.Actives {
		c.active(a, fmt.Sprintf("product.active[%d].content", i))
	}
}

// active checks the content of one active ingredient against the possible.
func (c *checker) active(a Active, ref string) {
	if a.Content.Known {
		positive(c, ref, a.Content.Value)
		if d := c.card.Product.Density; d.Known && d.Value.Sign() > 0 && d.Value.Less(a.Content.Value) {
			c.refuse("card-content-impossible", ref, finding.Args{"active": finding.Text(a.Name), "content": finding.Text(Shown(a.Content.Value)), "density": finding.Text(Shown(d.Value))})
		}
	}
	if a.Share.Known {
		positive(c, ref, a.Share.Value)
		if exact.Int(1).Less(a.Share.Value.Base()) {
			c.refuse("card-content-impossible", ref, finding.Args{"active": finding.Text(a.Name), "content": finding.Text(Shown(a.Share.Value)), "density": finding.Text("1000 g/kg")})
		}
	}
}

// verified checks the two-person rule (E15): without it a card is good for
// practice plans only, which is a warning here and a mark on every output.
func (c *checker) verified() {
	v := c.card.Verified
	if v.Complete() {
		if !v.EnteredOn.IsZero() && v.CheckedOn.Before(v.EnteredOn) {
			c.warn("card-checked-before-entered", "verified.checked_on", finding.Args{"entered": finding.Text(v.EnteredOn.String()), "checked": finding.Text(v.CheckedOn.String())})
		}
		return
	}
	id, ref := "card-practice-only", "verified"
	if v.EnteredBy != "" && strings.EqualFold(strings.TrimSpace(v.EnteredBy), strings.TrimSpace(v.CheckedBy)) {
		id, ref = "card-same-person", "verified.checked_by"
	}
	c.add(id, finding.Warning, finding.Mandatory, finding.ByPractice, ref, finding.Args{"entered_by": finding.Text(v.EnteredBy), "checked_by": finding.Text(v.CheckedBy)})
}

// positive refuses an amount that is not above zero (E08).
func positive[K q.Kind](c *checker, ref string, v q.Quantity[K]) {
	if v.Sign() <= 0 {
		c.refuse("card-not-positive", ref, finding.Args{"value": amount(v)})
	}
}

// notNegative refuses an amount below zero (E08) where zero has a meaning.
func notNegative[K q.Kind](c *checker, ref string, v q.Quantity[K]) {
	if v.Sign() < 0 {
		c.refuse("card-not-positive", ref, finding.Args{"value": amount(v)})
	}
}

// positiveOpt is positive for a value that may be unknown.
func positiveOpt[K q.Kind](c *checker, ref string, v q.Opt[q.Quantity[K]]) {
	if v.Known {
		positive(c, ref, v.Value)
	}
}

// notNegativeOpt is notNegative for a value that may be unknown.
func notNegativeOpt[K q.Kind](c *checker, ref string, v q.Opt[q.Quantity[K]]) {
	if v.Known {
		notNegative(c, ref, v.Value)
	}
}

// ordered refuses low above high (E07) and amounts that cannot be (E08). Zero
// is allowed as the low end where zeroLow is set.
func ordered[K q.Kind](c *checker, ref string, r q.Opt[q.Range[K]], zeroLow bool) {
	if !r.Known {
		return
	}
	low, high := r.Value.Low, r.Value.High
	if high.Less(low) {
		c.refuse("card-low-above-high", ref, finding.Args{"low": amount(low), "high": amount(high)})
	}
	if zeroLow {
		notNegative(c, ref, exactMin(low, high))
	} else {
		positive(c, ref, exactMin(low, high))
	}
	if zeroLow && high.Sign() == 0 {
		positive(c, ref, high)
	}
}

func exactMin[K q.Kind](a, b q.Quantity[K]) q.Quantity[K] {
	if b.Less(a) {
		return b
	}
	return a
}
