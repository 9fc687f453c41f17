package crew

import "math/big"

// Money is an amount in minor units (cents) of a currency named by its ISO 4217 code.
type Money struct {
	Minor    int64  `json:"minor"`
	Currency string `json:"currency"`
}

// Price is what Per units of an item cost, in minor units. Per lets a litre of product be priced although it is counted in
// microlitres, or an hour of work counted in seconds.
type Price struct {
	Item  string `json:"item"`
	Minor int64  `json:"minor"`
	Per   int64  `json:"per"`
}

// Items of cost beside those of the kit list, with the unit they are counted in.
const (
	CostProduct = "cost-product" // microlitres bought
	CostLabour  = "cost-labour"  // person-seconds
)

// Amount is how much of an item is needed, in the unit its price counts.
type Amount struct {
	Item     string `json:"item"`
	Quantity int64  `json:"quantity"`
}

// CostLine is one line of the cost.
type CostLine struct {
	Item     string `json:"item"`
	Quantity int64  `json:"quantity"`
	Cost     Money  `json:"cost"`
}

// Cost is the cost of the job. Unpriced names items no price was given for: they are not in the total.
type Cost struct {
	Lines    []CostLine `json:"lines"`
	Unpriced []string   `json:"unpriced"`
	Total    Money      `json:"total"`
}

// PriceJob multiplies amounts by prices in exact integers; each line is rounded half up to a whole minor unit and the total
// is the sum of the lines as printed. Errors: a currency that is not three capital letters, a price given twice, negative
// values, a total beyond 64 bits.
func PriceJob(amounts []Amount, prices []Price, currency string) (Cost, error) {
	if !isCurrency(currency) {
		return Cost{}, fault(CodeBadCurrency, "currency", "%q", currency)
	}
	byItem := map[string]Price{}
	for _, p := range prices {
		if _, twice := byItem[p.Item]; twice {
			return Cost{}, fault(CodeDuplicate, "prices", "%s", p.Item)
		}
		if p.Minor < 0 || p.Per < 1 {
			return Cost{}, fault(CodeOutOfRange, "prices", "%s: %d for %d", p.Item, p.Minor, p.Per)
		}
		byItem[p.Item] = p
	}
	c := Cost{Lines: []CostLine{}, Unpriced: []string{}, Total: Money{Currency: currency}}
	total := new(big.Int)
	for _, a := range amounts {
		if a.Quantity < 0 {
			return Cost{}, fault(CodeOutOfRange, "amounts", "%s: %d", a.Item, a.Quantity)
		}
		p, ok := byItem[a.Item]
		if !ok {
			if a.Quantity > 0 {
				c.Unpriced = append(c.Unpriced, a.Item)
			}
			continue
		}
		v := new(big.Int).Mul(big.NewInt(a.Quantity), big.NewInt(p.Minor))
		v.Lsh(v, 1).Add(v, big.NewInt(p.Per))
		v.Quo(v, new(big.Int).Lsh(big.NewInt(p.Per), 1))
		total.Add(total, v)
		if !total.IsInt64() {
			return Cost{}, fault(CodeTooLarge, "amounts", "%s", a.Item)
		}
		c.Lines = append(c.Lines, CostLine{a.Item, a.Quantity, Money{v.Int64(), currency}})
	}
	c.Total.Minor = total.Int64()
	return c, nil
}

// isCurrency checks the form of an ISO 4217 code: three capital letters.
func isCurrency(s string) bool {
	if len(s) != 3 {
		return false
	}
	for i := range 3 {
		if s[i] < 'A' || s[i] > 'Z' {
			return false
		}
	}
	return true
}
