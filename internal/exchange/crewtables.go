package exchange

import (
	"io"

	"sapward/finding"
	"sapward/numeric/exact"
)

// PriceRow is one line of a price list: what Quantity units of an item cost.
type PriceRow struct {
	Item  string
	Price exact.Rat // in whole units of the currency
	Unit  string    // piece, L or h
	Row   int
}

const (
	priceItem = iota
	pricePrice
	priceUnit
)

var priceSpec = Spec{What: "costs", Columns: []Column{
	priceItem:  {Name: "item", Need: true, Also: []string{"articulo", "concepto"}},
	pricePrice: {Name: "price", Kind: Number, Need: true, Also: []string{"precio", "cost", "costo"}},
	priceUnit:  {Name: "unit", Need: true, Also: []string{"unidad", "per"}},
}}

var priceUnits = map[string]string{"piece": "piece", "each": "piece", "pieza": "piece", "l": "L", "litre": "L", "liter": "L", "litro": "L", "h": "h", "hour": "h", "hora": "h"}

// ReadPricesFile reads COSTS.csv: item, price, unit (piece, L or h).
func ReadPricesFile(path string) ([]PriceRow, Summary, error) {
	return ReadTableFile(path, &priceSpec, price)
}

// ReadPrices is ReadPricesFile on a stream.
func ReadPrices(r io.Reader, name string) ([]PriceRow, Summary, error) {
	return ReadTable(r, name, &priceSpec, price)
}

func price(r *Row) PriceRow {
	p := PriceRow{Item: r.Text(priceItem), Row: r.Line}
	v, ok := r.Decimal(pricePrice)
	if ok && v.Sign() < 0 {
		r.Fault(pricePrice, "price-negative", finding.Args{})
	}
	p.Price = v
	p.Unit, _ = Choice(r, priceUnit, priceUnits)
	return p
}

// PilotRow is one group of steps clocked on the pilot tree.
type PilotRow struct {
	Tree, Group string
	Seconds     int64
	Row         int
}

const (
	pilotTree = iota
	pilotGroup
	pilotSeconds
)

var pilotSpec = Spec{What: "pilot", Columns: []Column{
	pilotTree:    {Name: "tree", Need: true, Also: []string{"tag", "arbol"}},
	pilotGroup:   {Name: "group", Need: true, Also: []string{"grupo", "step"}},
	pilotSeconds: {Name: "seconds", Need: true, Also: []string{"segundos", "s"}},
}}

var pilotGroups = map[string]string{
	"prepare": "prepare", "climb": "climb", "drill": "drill", "deliver": "deliver", "close": "close", "hygiene": "hygiene", "uptake": "uptake",
	"preparar": "prepare", "trepar": "climb", "taladrar": "drill", "aplicar": "deliver", "cerrar": "close", "limpieza": "hygiene", "absorción": "uptake", "absorcion": "uptake",
}

// ReadPilotFile reads PILOT.csv: tree, group, seconds.
func ReadPilotFile(path string) ([]PilotRow, Summary, error) {
	return ReadTableFile(path, &pilotSpec, pilot)
}

func pilot(r *Row) PilotRow {
	p := PilotRow{Tree: r.Text(pilotTree), Row: r.Line}
	p.Group, _ = Choice(r, pilotGroup, pilotGroups)
	n, _ := r.Int(pilotSeconds, 1, 86_400)
	p.Seconds = int64(n)
	return p
}

// AnswerRow is one answer at the morning's gate.
type AnswerRow struct {
	Item   string
	Yes    bool
	Reason string
}

const (
	answerItem = iota
	answerAnswer
	answerReason
)

var answerSpec = Spec{What: "gate", Columns: []Column{
	answerItem:   {Name: "item", Need: true, Also: []string{"punto"}},
	answerAnswer: {Name: "answer", Need: true, Also: []string{"respuesta"}},
	answerReason: {Name: "reason", Also: []string{"motivo"}},
}}

// ReadAnswersFile reads GATE.csv: item, answer, reason.
func ReadAnswersFile(path string) ([]AnswerRow, error) {
	rows, _, err := ReadTableFile(path, &answerSpec, func(r *Row) AnswerRow {
		a := AnswerRow{Item: r.Text(answerItem), Reason: r.Text(answerReason)}
		a.Yes, _ = r.YesNo(answerAnswer)
		return a
	})
	return rows, err
}
