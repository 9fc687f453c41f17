package label

import (
	"math"
	"strconv"
	"strings"

	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/numeric/exact"
)

// Figure writes a number for people: exactly when at most four digits say it
// all, else rounded to three significant digits. The decimal mark is a point
// and nothing is grouped.
func Figure(v exact.Rat) string {
	if s := v.String(); !strings.Contains(s, "/") && len(strings.Trim(strings.Replace(s, ".", "", 1), "-0")) <= 4 {
		return s
	}
	x := v.Float()
	if x == 0 || math.IsInf(x, 0) {
		return v.String()
	}
	places := max(0, 2-int(math.Floor(math.Log10(math.Abs(x)))))
	s := strconv.FormatFloat(x, 'f', places, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

// shownUnits are the units in which a card's amounts are written back, by kind;
// the program's base units otherwise.
var shownUnits = map[string]string{
	"density": "g/L", "mass-fraction": "g/kg", "volume-per-volume": "mL/L", "mass-per-area": "g/ha", "count-per-length": "/m",
}

// Shown writes a quantity for people, such as "5.82 mL/cm", "4 mL/L" or "6 mm"
// (lengths under 5 cm) or "330 d" (times of two days and more).
func Shown[K q.Kind](v q.Quantity[K]) string {
	kind := q.KindName[K]()
	u, ok := shownUnits[kind]
	switch {
	case kind == "length" && v.Base().Less(exact.Int(5)) && v.Sign() > 0:
		u, ok = "mm", true
	case kind == "duration" && !v.Base().Less(exact.Int(48)):
		u, ok = "d", true
	}
	if ok {
		return join(Figure(v.In(u)), u)
	}
	_, unit, _ := strings.Cut(v.String(), " ")
	return join(Figure(v.Base()), unit)
}

func join(number, unit string) string {
	if strings.HasPrefix(unit, "/") {
		return number + unit
	}
	return number + " " + unit
}

// rateUnits are the unit and the number of base units in it, by basis, in
// which a rate is written back: volumes of product first, then grams of active
// ingredient.
var rateUnits = map[Basis]struct {
	unit string
	size int64
}{
	PerDiameter: {"/cm", 1}, PerGirth: {"/cm", 1}, PerCanopyDiameter: {"/m", 100},
	PerCanopyVolume: {"/m3", 1_000_000}, PerBasalArea: {"/m2", 1},
}

// RateShown writes an amount of a rate for people, such as "2.5 mL/cm", "0.03
// g/cm" (grams of active ingredient) or "15 mL" (a tree, a port).
func RateShown(per Basis, active bool, v exact.Rat) string {
	mass := "mL"
	if active {
		mass = "g"
	}
	u, ok := rateUnits[per]
	if !ok {
		return Figure(v) + " " + mass
	}
	return Figure(v.Mul(exact.Int(u.size))) + " " + mass + u.unit
}

// amount is a quantity as an argument of a finding, with a unit that the edge
// can convert where there is one.
func amount[K q.Kind](v q.Quantity[K]) finding.Value {
	unit, ok := map[string]string{"length": "cm", "volume": "mL", "mass": "g", "duration": "h", "pressure": "kPa", "temperature": "Cel", "percent": "pct"}[q.KindName[K]()]
	if !ok {
		return finding.Text(Shown(v))
	}
	return finding.Number(v.Float(), unit)
}
