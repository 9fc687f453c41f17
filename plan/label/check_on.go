package label

import (
	"strings"

	"sapward/finding"
	"sapward/measure/civil"
)

// ExpiryNoticeDays is how long before its end a registration is mentioned
// (W03).
const ExpiryNoticeDays = 30

// CheckOn returns what stands against using the card on a day in a territory:
// not yet valid, expired, past its use-up date, or the wrong territory (E02,
// refused); less than 30 days left (W03); stock used up after the end of the
// registration; no dates on the card (notes). A zero date or an empty territory
// is not judged. A territory on the card covers its parts: US covers US-MN.
func CheckOn(card Card, on civil.Date, territory string) []finding.Finding {
	c := &checker{card: card}
	const ref = "product.registration"
	r := card.Product.Registration
	if territory = strings.TrimSpace(territory); territory != "" && !covers(r.Territory, territory) {
		c.add("card-wrong-territory", finding.Refused, finding.Mandatory, finding.ByLabel, ref+".territory", finding.Args{
			"territory": finding.Text(territory), "allowed": finding.Text(strings.Join(r.Territory, ", "))})
	}
	if !on.IsZero() {
		c.days(r, on, ref)
	}
	finding.Sort(c.found)
	return c.found
}

// days judges the dates of a registration.
func (c *checker) days(r Registration, on civil.Date, ref string) {
	end, at := r.Valid.To, ref+".valid"
	if !r.UseUpBy.IsZero() {
		end, at = r.UseUpBy, ref+".use_up_by"
	}
	args := finding.Args{"on": finding.Text(on.String()), "from": finding.Text(r.Valid.From.String()), "to": finding.Text(end.String())}
	switch {
	case !r.Valid.From.IsZero() && on.Before(r.Valid.From):
		c.refuse("card-not-yet-valid", ref+".valid", args)
	case end.IsZero():
		if r.Valid.From.IsZero() {
			c.add("card-validity-unsaid", finding.Note, finding.Advisory, finding.ByPractice, ref+".valid", nil)
		}
	case end.Before(on):
		c.refuse("card-expired", at, args)
	case end.DaysSince(on) <= ExpiryNoticeDays:
		args["days"] = finding.Count(end.DaysSince(on))
		c.warn("card-expires-soon", at, args)
	}
	if !r.UseUpBy.IsZero() && !r.Valid.To.IsZero() && r.Valid.To.Before(on) && !r.UseUpBy.Before(on) {
		c.add("card-old-stock", finding.Note, finding.Mandatory, finding.ByLabel, ref+".use_up_by", args)
	}
}

// covers reports whether one of the card's territories contains t.
func covers(territories []string, t string) bool {
	for _, x := range territories {
		x = strings.TrimSpace(x)
		if strings.EqualFold(x, t) || len(t) > len(x)+1 && t[len(x)] == '-' && strings.EqualFold(t[:len(x)], x) {
			return true
		}
	}
	return false
}
