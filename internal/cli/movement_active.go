package cli

import (
	"math"
	"slices"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v4"

	"sapward/finding"
	"sapward/flow/plume"
)

// activeFacts is what a person enters about an active for the model: figures
// each with the source it was read in.
type activeFacts struct {
	Name, Class string
	Values      map[string]activeFact
	Level       float64 // mg/L in sap, or mg/kg dry wood
	Metric      plume.Metric
}

type activeFact struct {
	value  float64
	source string
}

// activeSchema names the form of the file.
const activeSchema = "sapward/active-facts/1"

// activeKeys are the figures of the file: the range in which one can be true,
// and whether it is needed. Ranges are program defaults, wide of any active.
var activeKeys = map[string]struct {
	low, high float64
	need      bool
}{
	"log_kow": {-10, 12, true}, "half_life_d": {0.01, 1e5, true}, "solubility_mg_l": {1e-6, 2e6, true}, "effective_level": {1e-9, 1e6, true},
	"access": {0, 10, false}, "retardation": {1, 1e5, false}, "saturation_mg_l": {1e-6, 2e6, false}, "freundlich_exponent": {0.2, 1, false},
}

// levelUnits are the units of an effective level; mg/L and mg/kg are ppm by
// another name, but ppm does not say of what.
var levelUnits = map[string]map[string]float64{
	"sap":     {"mg/L": 1, "g/m3": 1, "ug/mL": 1, "µg/mL": 1, "ug/L": 1e-3, "µg/L": 1e-3},
	"residue": {"mg/kg": 1, "ug/g": 1, "µg/g": 1, "ug/kg": 1e-3, "µg/kg": 1e-3},
}

// readActive reads the facts of an active, YAML or JSON, with every fault at
// its place.
func (e *env) readActive(path string) (activeFacts, error) {
	a := activeFacts{Values: map[string]activeFact{}}
	data, err := e.readFile(path)
	if err != nil {
		return a, err
	}
	var faults finding.Faults
	bad := func(n *yaml.Node, id string, args finding.Args) {
		at := finding.Where{File: path}
		if n != nil {
			at.Line, at.Column = n.Line, n.Column
		}
		faults = append(faults, finding.Bad(id, at, args))
	}
	var doc yaml.Node
	if len(data) > 1<<16 {
		bad(nil, "movement-active-form", nil)
		return a, faults
	}
	if err := yaml.Unmarshal(data, &doc); err != nil || len(doc.Content) != 1 || doc.Content[0].Kind != yaml.MappingNode {
		bad(nil, "movement-active-form", nil)
		return a, faults
	}
	root := doc.Content[0]
	seen := map[string]bool{}
	for i := 0; i+1 < len(root.Content); i += 2 {
		key, v := root.Content[i], root.Content[i+1]
		args := finding.Args{"key": finding.Text(key.Value)}
		if seen[key.Value] {
			bad(key, "movement-active-twice", args)
			continue
		}
		seen[key.Value] = true
		_, figure := activeKeys[key.Value]
		switch {
		case key.Value == "schema":
			if v.Value != activeSchema {
				bad(v, "movement-active-schema", finding.Args{"text": finding.Text(v.Value), "want": finding.Text(activeSchema)})
			}
		case key.Value == "name" && v.Kind == yaml.ScalarNode:
			a.Name = v.Value
		case key.Value == "class" && v.Kind == yaml.ScalarNode:
			a.Class = v.Value
		case figure:
			a.figure(key, v, bad)
		default:
			bad(key, "movement-active-key", finding.Args{"key": finding.Text(key.Value), "known": finding.Text(strings.Join(knownActiveKeys(), ", "))})
		}
	}
	for _, k := range knownActiveKeys() {
		if activeKeys[k].need && !seen[k] {
			bad(root, "movement-active-missing", finding.Args{"key": finding.Text(k)})
		}
	}
	return a, faults.OrNil()
}

func knownActiveKeys() []string {
	var out []string
	for k := range activeKeys {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

// figure reads {value, source} and, for the effective level, unit and metric.
func (a *activeFacts) figure(key, v *yaml.Node, bad func(*yaml.Node, string, finding.Args)) {
	args := finding.Args{"key": finding.Text(key.Value)}
	if v.Kind != yaml.MappingNode {
		bad(v, "movement-active-figure", args)
		return
	}
	parts := map[string]*yaml.Node{}
	for i := 0; i+1 < len(v.Content); i += 2 {
		k := v.Content[i]
		ok := k.Value == "value" || k.Value == "source" || key.Value == "effective_level" && (k.Value == "unit" || k.Value == "metric")
		if !ok {
			bad(k, "movement-active-part", finding.Args{"key": finding.Text(key.Value), "part": finding.Text(k.Value)})
			continue
		}
		parts[k.Value] = v.Content[i+1]
	}
	value, source := parts["value"], parts["source"]
	if source == nil || strings.TrimSpace(source.Value) == "" {
		bad(v, "movement-active-source", args)
	}
	if value == nil {
		bad(v, "movement-active-figure", args)
		return
	}
	x, err := strconv.ParseFloat(value.Value, 64)
	lim := activeKeys[key.Value]
	if err != nil || math.IsNaN(x) {
		bad(value, "movement-active-number", finding.Args{"key": finding.Text(key.Value), "text": finding.Text(value.Value)})
		return
	}
	if !(x >= lim.low && x <= lim.high) {
		bad(value, "movement-active-range", finding.Args{"key": finding.Text(key.Value), "text": finding.Text(value.Value), "low": finding.Text(strconv.FormatFloat(lim.low, 'g', -1, 64)), "high": finding.Text(strconv.FormatFloat(lim.high, 'g', -1, 64))})
		return
	}
	if source != nil {
		a.Values[key.Value] = activeFact{x, strings.TrimSpace(source.Value)}
	}
	if key.Value != "effective_level" {
		return
	}
	metric, unit := parts["metric"], parts["unit"]
	if metric == nil {
		bad(v, "movement-active-metric-missing", nil)
		return
	}
	if levelUnits[metric.Value] == nil {
		bad(metric, "movement-active-metric", finding.Args{"text": finding.Text(metric.Value)})
		return
	}
	scale := 0.0
	at, text := v, ""
	if unit != nil {
		scale, at, text = levelUnits[metric.Value][unit.Value], unit, unit.Value
	}
	if scale == 0 {
		units := make([]string, 0, 6)
		for u := range levelUnits[metric.Value] {
			units = append(units, u)
		}
		slices.Sort(units)
		bad(at, "movement-active-unit", finding.Args{"text": finding.Text(text), "metric": finding.Text(metric.Value), "units": finding.Text(strings.Join(units, ", "))})
		return
	}
	a.Level, a.Metric = x*scale, plume.InSap
	if metric.Value == "residue" {
		a.Metric = plume.InWood
	}
}

// unit is the unit of the level as the model works with it.
func (a activeFacts) unit() string {
	if a.Metric == plume.InWood {
		return "mg/kg"
	}
	return "mg/L"
}
