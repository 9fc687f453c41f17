package plan

import (
	"sapward/measure/civil"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
)

func day(s string) civil.Date {
	d, err := civil.Parse(s)
	if err != nil {
		panic(err)
	}
	return d
}

// treatment is a row of history.
func treatment(tag, product, active string, grams int64, end string) tree.Treatment {
	return tree.Treatment{Tree: tag, Product: product, Active: active, ActiveMass: q.Known(q.Grams(exact.Int(grams))), DateEnd: day(end), Method: "injection"}
}
