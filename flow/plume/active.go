package plume

import (
	"bytes"
	_ "embed" // active.json
	"encoding/json"
	"fmt"
	"sync"

	"sapward/flow/sap"
)

// Active is a class of active and how it moves, lasts and acts (MODEL section
// 3). A nil parameter is not known or sets no limit.
type Active struct {
	Class           string         `json:"class"`
	LogKow          *sap.Parameter `json:"log_kow"`          // effective in sap, pH 5 to 6.5
	WoodWaterLPerKg *sap.Parameter `json:"wood_water_l_kg"`  // K, oak
	FullRetardation *sap.Parameter `json:"full_retardation"` // with all of K in play
	Access          *sap.Parameter `json:"access"`           // f_acc, share of K in play in the living tree
	Retardation     *sap.Parameter `json:"retardation"`      // Rbar to use
	Immobile        *sap.Parameter `json:"immobile_storage"` // R_im
	SolubilityMgL   *sap.Parameter `json:"solubility_mg_l"`  // in water
	SaturationGM3   *sap.Parameter `json:"saturation_g_m3"`  // c_sat,eff of the formulation in sap
	HalfLifeWoodD   *sap.Parameter `json:"half_life_wood_d"`
	HalfLifeLeafD   *sap.Parameter `json:"half_life_leaf_d"`
	EffectiveLevel  *sap.Parameter `json:"effective_level"`
	EffectiveMetric Metric         `json:"effective_metric"`
	Note            string         `json:"note"`
}

// Metric names what an effective level is measured in: what moves is not what
// is found by an assay of wood.
type Metric string

// The metrics of an effective level.
const (
	InSap  Metric = "sap mg/L"
	InWood Metric = "wood mg/kg"
	InLeaf Metric = "leaf mg/kg"
)

//go:embed active.json
var activeJSON []byte

var activeTable = sync.OnceValues(func() ([]Active, error) { return ReadActives(activeJSON) })

// ReadActives reads a table of actives in the JSON form of the built-in one.
// Errors: unknown fields or metric, a parameter out of order, without mark or
// source, no retardation, half-life or effective level.
func ReadActives(data []byte) ([]Active, error) {
	var file struct {
		Schema  string   `json:"schema"`
		About   string   `json:"about"`
		Actives []Active `json:"actives"`
	}
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(&file); err != nil {
		return nil, fmt.Errorf("active table: %w", err)
	}
	if file.Schema != "sapward/active/1" {
		return nil, fmt.Errorf("active table: schema %q is not sapward/active/1", file.Schema)
	}
	for _, a := range file.Actives {
		if a.Retardation == nil || a.HalfLifeWoodD == nil || a.EffectiveLevel == nil {
			return nil, fmt.Errorf("active table: %s needs retardation, half_life_wood_d and effective_level", a.Class)
		}
		if a.EffectiveMetric != InSap && a.EffectiveMetric != InWood && a.EffectiveMetric != InLeaf {
			return nil, fmt.Errorf("active table: %s has the unknown metric %q", a.Class, a.EffectiveMetric)
		}
		for name, p := range a.Named() {
			if err := p.Check(a.Class + "." + name); err != nil {
				return nil, err
			}
		}
	}
	return file.Actives, nil
}

// Named returns the parameters that are known by their JSON names.
func (a Active) Named() map[string]sap.Parameter {
	all := map[string]*sap.Parameter{
		"log_kow": a.LogKow, "wood_water_l_kg": a.WoodWaterLPerKg, "full_retardation": a.FullRetardation, "access": a.Access,
		"retardation": a.Retardation, "immobile_storage": a.Immobile, "solubility_mg_l": a.SolubilityMgL, "saturation_g_m3": a.SaturationGM3,
		"half_life_wood_d": a.HalfLifeWoodD, "half_life_leaf_d": a.HalfLifeLeafD, "effective_level": a.EffectiveLevel,
	}
	named := map[string]sap.Parameter{}
	for name, p := range all {
		if p != nil {
			named[name] = *p
		}
	}
	return named
}

// Actives returns the built-in table. The caller must not change what its
// pointers lead to.
func Actives() ([]Active, error) {
	a, err := activeTable()
	return append([]Active(nil), a...), err
}

// ActiveNamed returns one class of the built-in table. Error: an unknown class,
// with the known ones.
func ActiveNamed(class string) (Active, error) {
	all, err := activeTable()
	if err != nil {
		return Active{}, err
	}
	known := ""
	for _, a := range all {
		if a.Class == class {
			return a, nil
		}
		known += ", " + a.Class
	}
	return Active{}, fmt.Errorf("class of active %q is unknown: %s", class, known[2:])
}
