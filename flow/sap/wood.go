package sap

import (
	"bytes"
	_ "embed" // wood.json
	"encoding/json"
	"fmt"
	"math"
	"sync"
)

// Mark says where a number comes from.
type Mark string

// The marks of a parameter.
const (
	Found      Mark = "found"       // read in a published source
	Derived    Mark = "derived"     // worked out from found or remembered values
	FromMemory Mark = "from memory" // not checked again
	Entered    Mark = "entered"     // given by the person, with a source of theirs
)

// Parameter is an uncertain number: its 10, 50 and 90 % points, its marks and
// its source. Without a Distribution it is lognormal.
type Parameter struct {
	Low          float64 `json:"low"`
	Typical      float64 `json:"typical"`
	High         float64 `json:"high"`
	Distribution string  `json:"distribution,omitempty"` // "" (lognormal) or "normal"
	Marks        []Mark  `json:"marks"`
	Source       string  `json:"source"`
}

// z90 is the 90 % point of the standard normal distribution (computed, 16 digits).
const z90 = 1.281551565544600

// At returns the parameter's value at a standard normal deviate: Low, Typical
// and High at -1.28155, 0 and +1.28155, straight lines between and beyond them
// on the scale of the distribution (logarithmic unless normal).
func (p Parameter) At(deviate float64) float64 {
	if p.Low == p.High {
		return p.Typical
	}
	f, back := math.Log, math.Exp
	if p.Distribution == "normal" {
		same := func(x float64) float64 { return x }
		f, back = same, same
	}
	side := p.High
	if deviate < 0 {
		side, deviate = p.Low, -deviate
	}
	return back(f(p.Typical) + (f(side)-f(p.Typical))*deviate/z90)
}

// Check returns an *InputError unless low <= typical <= high (above 0 when
// lognormal) and marks and source are given.
func (p Parameter) Check(name string) error {
	if !(p.Low <= p.Typical && p.Typical <= p.High) || p.Distribution == "" && !(p.Low > 0) || p.Distribution != "" && p.Distribution != "normal" {
		return &InputError{name, p.Typical, "low <= typical <= high, above 0 when lognormal"}
	}
	if len(p.Marks) == 0 || p.Source == "" {
		return &InputError{name, p.Typical, "a mark and a source"}
	}
	for _, m := range p.Marks {
		if m != Found && m != Derived && m != FromMemory && m != Entered {
			return &InputError{name, p.Typical, "a known mark"}
		}
	}
	return nil
}

// Wood is the parameter table of one kind of wood (MODEL section 3). A nil
// parameter does not apply to that wood.
type Wood struct {
	Name                  string               `json:"wood"`
	WholeStem             bool                 `json:"whole_stem"` // the whole disc conducts, without rings
	ConductingDepthMm     *Parameter           `json:"conducting_depth_mm"`
	SapFluxMPerD          *Parameter           `json:"sap_flux_m_d"`
	WaterFraction         *Parameter           `json:"water_fraction"`
	DryDensityKgPerM3     *Parameter           `json:"dry_density_kg_m3"`
	LumenFraction         *Parameter           `json:"lumen_fraction"`
	TubeLogSD             *Parameter           `json:"tube_log_sd"`
	LateralDispersivityM  *Parameter           `json:"lateral_dispersivity_m"`
	Anisotropy            *Parameter           `json:"anisotropy"`
	WidthEfficiency       *Parameter           `json:"width_efficiency"`
	RingCarryOver         *Parameter           `json:"ring_carry_over"`
	SpiralGrainTurnsPerM  *Parameter           `json:"spiral_grain_turns_m"`
	PortUptakeMlPerMinMPa *Parameter           `json:"port_uptake_ml_min_mpa"`
	PortUptakeByGenus     map[string]Parameter `json:"port_uptake_by_genus_ml_min_mpa"`
}

// Named returns the parameters that apply to the wood by their JSON names.
func (w Wood) Named() map[string]Parameter {
	all := map[string]*Parameter{
		"conducting_depth_mm": w.ConductingDepthMm, "sap_flux_m_d": w.SapFluxMPerD, "water_fraction": w.WaterFraction,
		"dry_density_kg_m3": w.DryDensityKgPerM3, "lumen_fraction": w.LumenFraction, "tube_log_sd": w.TubeLogSD,
		"lateral_dispersivity_m": w.LateralDispersivityM, "anisotropy": w.Anisotropy, "width_efficiency": w.WidthEfficiency,
		"ring_carry_over": w.RingCarryOver, "spiral_grain_turns_m": w.SpiralGrainTurnsPerM, "port_uptake_ml_min_mpa": w.PortUptakeMlPerMinMPa,
	}
	named := map[string]Parameter{}
	for name, p := range all {
		if p != nil {
			named[name] = *p
		}
	}
	return named
}

// MaxFluxMPerD returns the cap on the sap flux density: the high (90 %) value of
// the season's peak flux of the wood. That choice is ours; MODEL 1.1 asks for a
// cap by wood and names no figure.
func (w Wood) MaxFluxMPerD() float64 { return w.SapFluxMPerD.High }

//go:embed wood.json
var woodJSON []byte

var woodTable = sync.OnceValues(func() ([]Wood, error) { return ReadWoods(woodJSON) })

// ReadWoods reads a table of woods in the JSON form of the built-in one, for a
// user's own values. Errors: unknown fields, a parameter out of order, without
// mark or without source.
func ReadWoods(data []byte) ([]Wood, error) {
	var file struct {
		Schema string `json:"schema"`
		About  string `json:"about"`
		Woods  []Wood `json:"woods"`
	}
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(&file); err != nil {
		return nil, fmt.Errorf("wood table: %w", err)
	}
	if file.Schema != "sapward/wood/1" {
		return nil, fmt.Errorf("wood table: schema %q is not sapward/wood/1", file.Schema)
	}
	for _, w := range file.Woods {
		for name, p := range w.Named() {
			if err := p.Check(w.Name + "." + name); err != nil {
				return nil, err
			}
		}
		for genus, p := range w.PortUptakeByGenus {
			if err := p.Check(w.Name + ".port_uptake." + genus); err != nil {
				return nil, err
			}
		}
		for name, p := range map[string]*Parameter{
			"sap_flux_m_d": w.SapFluxMPerD, "water_fraction": w.WaterFraction, "dry_density_kg_m3": w.DryDensityKgPerM3,
			"lumen_fraction": w.LumenFraction, "tube_log_sd": w.TubeLogSD, "anisotropy": w.Anisotropy, "ring_carry_over": w.RingCarryOver,
		} {
			if p == nil {
				return nil, fmt.Errorf("wood table: %s has no %s", w.Name, name)
			}
		}
	}
	return file.Woods, nil
}

// Woods returns the built-in table: ring-porous, diffuse-porous, conifer, palm.
// The caller must not change what its pointers lead to.
func Woods() ([]Wood, error) {
	w, err := woodTable()
	return append([]Wood(nil), w...), err
}

// WoodNamed returns one wood of the built-in table. Error: an unknown name.
func WoodNamed(name string) (Wood, error) {
	all, err := woodTable()
	if err != nil {
		return Wood{}, err
	}
	for _, w := range all {
		if w.Name == name {
			return w, nil
		}
	}
	return Wood{}, fmt.Errorf("wood %q is unknown: ring-porous, diffuse-porous, conifer or palm", name)
}
