package brief

import (
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/flow/compare"
	"sapward/flow/plume"
	q "sapward/measure/quantity"
)

// effectiveMetrics are the words after the unit of an effective level.
var effectiveMetrics = map[string]struct {
	metric plume.Metric
	unit   string
}{
	"sap": {plume.InSap, "mg/l"}, "wood": {plume.InWood, "mg/kg"}, "leaf": {plume.InLeaf, "mg/kg"},
	"savia": {plume.InSap, "mg/l"}, "madera": {plume.InWood, "mg/kg"}, "hoja": {plume.InLeaf, "mg/kg"},
}

// EffectiveLevel reads an effective level such as 0.5 mg/L sap: number, unit, and
// in what it is measured. Nothing typed is nil. The error is a usage fault.
func EffectiveLevel(text, source string) (*compare.Level, error) {
	if strings.TrimSpace(text) == "" {
		return nil, nil
	}
	bad := finding.Faults{{Class: finding.Usage, ID: "compare-effective", Args: finding.Args{"text": finding.Text(text)}}}
	f := strings.Fields(text)
	if len(f) != 3 {
		return nil, bad
	}
	m, ok := effectiveMetrics[strings.ToLower(f[2])]
	if !ok || strings.ToLower(f[1]) != m.unit {
		return nil, bad
	}
	v, fault := q.Number(f[0])
	if fault != nil || v.Sign() <= 0 {
		return nil, bad
	}
	return &compare.Level{Fact: compare.Fact{Value: v.Float(), Source: source}, Metric: m.metric}, nil
}

// Months reads months such as 4-10, 11-3 or 4,5,9 in rising order; false where
// that is none.
func Months(text string) (out []int, ok bool) {
	seen := [13]bool{}
	for _, part := range strings.Split(text, ",") {
		a, b, span := strings.Cut(strings.TrimSpace(part), "-")
		from, err := strconv.Atoi(strings.TrimSpace(a))
		to := from
		if err == nil && span {
			to, err = strconv.Atoi(strings.TrimSpace(b))
		}
		if err != nil || from < 1 || from > 12 || to < 1 || to > 12 {
			return nil, false
		}
		for m := from; ; m = m%12 + 1 {
			seen[m] = true
			if m == to {
				break
			}
		}
	}
	for m := 1; m <= 12; m++ {
		if seen[m] {
			out = append(out, m)
		}
	}
	return out, true
}
