package plan

import (
	"cmp"
	"math"
	"slices"

	"sapward/finding"
	"sapward/measure/sample"
	"sapward/numeric/describe"
)

// stranger is a row of a side table about a tree that is not in the block.
type stranger struct{ id, tag string }

// strangers lists tags of the side tables that no tree of the block carries.
func strangers(j *Job, known map[string]bool) []stranger {
	var out []stranger
	add := func(id string, tags []string) {
		slices.Sort(tags)
		for _, t := range tags {
			if t != "" && !known[t] {
				out = append(out, stranger{id, t})
			}
		}
	}
	add("stranger-wounds", keys(j.wounds))
	add("stranger-limbs", keys(j.limbs))
	add("stranger-obstacles", keys(j.obstacles))
	add("stranger-history", keys(j.history))
	return out
}

func keys[V any](m map[string]V) []string {
	out := make([]string, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	return out
}

func sortedKeys[K cmp.Ordered, V any](m map[K]V) []K {
	out := make([]K, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

// slips warns of readings that look like a girth typed as a diameter, or
// inches as centimetres: shown, never changed.
func slips(diameters []float64, tags []string) []finding.Finding {
	found, err := sample.Slips(diameters)
	if err != nil {
		return nil // too few readings to tell
	}
	byCode := map[string]*finding.Finding{}
	for _, s := range found {
		id := "slip-" + string(s.Code)
		if byCode[id] == nil {
			byCode[id] = &finding.Finding{ID: id, Severity: finding.Warning, Authority: finding.ByEstimate}
		}
		byCode[id].AddTree(tags[s.Index])
	}
	var out []finding.Finding
	for _, id := range sortedKeys(byCode) {
		out = append(out, *byCode[id])
	}
	return out
}

// meanOf is the mean for steering and display; 0 for no readings.
func meanOf(x []float64) float64 {
	m, err := describe.Mean(x)
	if err != nil {
		return 0
	}
	return m
}

// round rounds for display.
func round(x float64, decimals int) float64 {
	p := math.Pow(10, float64(decimals))
	return math.Round(x*p) / p
}
