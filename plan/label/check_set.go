package label

import (
	"fmt"
	"sort"
	"strings"

	"sapward/finding"
)

// CheckSet compares cards with one another: two cards with the same
// registration number that give different amounts for the same method, basis
// and site (W16). The argument card counts from 1 in the order given and Ref is
// a path on that card; other names the card and line it differs from.
func CheckSet(cards []Card) []finding.Finding {
	c := &checker{}
	for j := range cards {
		for i := 0; i < j; i++ {
			if number(cards[i]) == "" || number(cards[i]) != number(cards[j]) {
				continue
			}
			c.compare(cards, i, j)
		}
	}
	finding.Sort(c.found)
	return c.found
}

// number is what makes two cards the same authorisation.
func number(card Card) string {
	r := card.Product.Registration
	fold := func(s string) string { return strings.ToLower(strings.Join(strings.Fields(s), "")) }
	if fold(r.Number) == "" {
		return ""
	}
	return fold(r.Number) + "|" + fold(r.Supplement)
}

// compare warns of the uses of card j whose amounts differ from card i's.
func (c *checker) compare(cards []Card, i, j int) {
	for n, b := range cards[j].Uses {
		for m, a := range cards[i].Uses {
			if !sameUse(a, b) || sameAmounts(a, b) {
				continue
			}
			c.warn("card-same-number-other-rate", fmt.Sprintf("uses[%d].rate", n), finding.Args{
				"card": finding.Count(j + 1), "number": finding.Text(cards[j].Product.Registration.Number),
				"other": finding.Text(fmt.Sprintf("card %d, uses[%d]", i+1, m)),
			})
		}
	}
}

// sameUse reports the same method and basis on a common site and target.
func sameUse(a, b Use) bool {
	if a.Method != b.Method || a.Rate.Known && b.Rate.Known && a.Rate.Value.Per != b.Rate.Value.Per {
		return false
	}
	return shared(siteNames(a.Sites), siteNames(b.Sites)) && shared(a.Targets, b.Targets)
}

func siteNames(ss []Site) []string {
	var out []string
	for _, s := range ss {
		out = append(out, s.Name)
		if s.Code != "" {
			out = append(out, s.Code)
		}
	}
	return out
}

func shared(a, b []string) bool {
	for _, x := range a {
		for _, y := range b {
			if strings.EqualFold(strings.TrimSpace(x), strings.TrimSpace(y)) {
				return true
			}
		}
	}
	return false
}

// sameAmounts compares rates and dilutions exactly.
func sameAmounts(a, b Use) bool { return amounts(a) == amounts(b) }

// amounts writes the amounts of a use in one canonical text.
func amounts(u Use) string {
	var s strings.Builder
	if u.Rate.Known {
		r := u.Rate.Value
		fmt.Fprintf(&s, "%s %t %t %s %s %s;", r.Per, r.Active, r.Single, r.Low, r.High, r.Shape)
		for _, b := range r.Bands {
			fmt.Fprintf(&s, "%s %s %s %s %d;", b.From, b.To, b.Low, b.High, b.Ports)
		}
		rows := make([]string, 0, len(r.Classes))
		for _, k := range r.Classes {
			rows = append(rows, fmt.Sprintf("%s %s %s;", k.Name, k.Low, k.High))
		}
		sort.Strings(rows)
		s.WriteString(strings.Join(rows, ""))
	}
	if u.Dilution.Known {
		d := u.Dilution.Value
		fmt.Fprintf(&s, "%v %s %s %v %s %s %s %s", d.MixPer.Known, d.MixPer.Value.Low, d.MixPer.Value.High,
			d.MixPerTree.Known, d.MixPerTree.Value.Low, d.MixPerTree.Value.High, d.Concentration.Low, d.Concentration.High)
	}
	return s.String()
}
