package brief

import (
	"strings"

	"sapward/finding"
	"sapward/numeric/exact"
	"sapward/plan/crew"
)

// minorDigits lists currencies whose minor unit is not a hundredth (ISO 4217;
// from memory).
var minorDigits = map[string]int64{"JPY": 1, "KRW": 1, "CLP": 1, "VND": 1, "ISK": 1, "PYG": 1, "UGX": 1, "XAF": 1, "XOF": 1, "BHD": 1000, "KWD": 1000, "JOD": 1000, "OMR": 1000, "TND": 1000}

// MinorUnits is how many minor units make one unit of a currency.
func MinorUnits(currency string) int64 {
	if d, ok := minorDigits[currency]; ok {
		return d
	}
	return 100
}

// Price turns a price of an item, in whole units of the currency for one piece,
// litre (L) or hour (h), into minor units for what the kit counts. A price
// finer than the currency's minor unit is a fault.
func Price(item string, price exact.Rat, unit, currency string) (crew.Price, *finding.Fault) {
	minor := price.Mul(exact.Int(MinorUnits(currency)))
	if exact.Int(minor.Floor()).Cmp(minor) != 0 {
		return crew.Price{}, finding.Bad("price-decimals", finding.Where{}, finding.Args{"currency": finding.Text(currency)})
	}
	p := crew.Price{Item: item, Minor: minor.Floor(), Per: 1}
	switch unit {
	case "L":
		p.Per = 1_000_000
	case "h":
		p.Per = 3600
	}
	switch item {
	case "product":
		p.Item = crew.CostProduct
	case "labour", "labor":
		p.Item = crew.CostLabour
	default:
		p.Item = "kit-" + strings.TrimPrefix(item, "kit-")
	}
	return p, nil
}
