// Package sap turns weather and crown into sap flow: the transpiration of a
// tree, the flux in its sapwood, the sap distance that is the one clock of the
// transport model, the losses with temperature, and the time a port takes to
// drink its volume. It also holds the wood parameters with their sources.
//
// Units unless a name says otherwise: metre, day, cubic metre.
package sap

import (
	"fmt"
	"math"
)

// InputError reports a value that a function of this package, or of package
// plume, cannot use.
type InputError struct {
	Field string  // name of the value, with its unit
	Value float64 // what was given
	Needs string  // what it must satisfy
}

// Error returns field, value and requirement in one line.
func (e *InputError) Error() string {
	return fmt.Sprintf("%s is %g: needs %s", e.Field, e.Value, e.Needs)
}

// Code names a warning; the sentence stands in the message catalogue.
type Code string

// FluxCapped warns that the flux reached its cap: sapwood area, crown area or
// crop coefficient do not fit together.
const FluxCapped Code = "sap_flux_capped"

// Warning is a doubt about a result that stands all the same.
type Warning struct {
	Code  Code    `json:"code"`
	Value float64 `json:"value"` // what was met
	Limit float64 `json:"limit"` // what it was held against
	Count int     `json:"count"` // how often (days, ports)
}

// Need is one requirement on a value; see Check.
type Need struct {
	Field string
	Value float64
	OK    bool
	Needs string
}

// Positive requires a finite value above 0.
func Positive(field string, v float64) Need {
	return Need{field, v, v > 0 && !math.IsInf(v, 1), "a finite number above 0"}
}

// NotNegative requires a finite value of 0 or more.
func NotNegative(field string, v float64) Need {
	return Need{field, v, v >= 0 && !math.IsInf(v, 1), "a finite number of 0 or more"}
}

// Fraction requires a value from 0 to 1.
func Fraction(field string, v float64) Need {
	return Need{field, v, v >= 0 && v <= 1, "a number from 0 to 1"}
}

// Finite requires a finite value.
func Finite(field string, v float64) Need {
	return Need{field, v, !math.IsNaN(v) && !math.IsInf(v, 0), "a finite number"}
}

// Check returns an *InputError for the first need that is not met, else nil.
func Check(needs ...Need) error {
	for _, n := range needs {
		if !n.OK {
			return &InputError{n.Field, n.Value, n.Needs}
		}
	}
	return nil
}

// SapwoodArea returns the conducting area of a stem, in m2, from its radius
// under bark and the conducting depth, both in m:
//
//	A = pi (r^2 - (r-s)^2) = 2 pi r s (1 - s/(2r)),  s held to r
//
// A depth beyond the radius means that the whole disc conducts (MODEL 1.1;
// the unclamped formula is wrong there). Errors: r <= 0 or s < 0.
func SapwoodArea(radiusM, depthM float64) (float64, error) {
	if err := Check(Positive("radius_m", radiusM), Need{"conducting_depth_m", depthM, depthM >= 0, "0 or more"}); err != nil {
		return 0, err
	}
	s := min(depthM, radiusM)
	return math.Pi * s * (2*radiusM - s), nil
}

// Transpiration returns the water use of a tree in m3 per day (MODEL 1.1):
//
//	Q = 1e-3 ET0 Kc A_crown Ks
//
// with reference evapotranspiration ET0 in mm/d, crop coefficient Kc per crown
// projection (0.3 / 0.6 / 1.0 low / typical / high, from memory; isolated
// crowns exceed stand values, Hagishima et al. 2007), crown projection in m2
// and water stress Ks from 0 to 1. Errors: a negative value or Ks above 1.
func Transpiration(et0MmPerD, cropCoefficient, crownM2, stress float64) (float64, error) {
	err := Check(NotNegative("et0_mm_d", et0MmPerD), NotNegative("crop_coefficient", cropCoefficient),
		NotNegative("crown_m2", crownM2), Fraction("stress", stress))
	if err != nil {
		return 0, err
	}
	return 1e-3 * et0MmPerD * cropCoefficient * crownM2 * stress, nil
}

// Stress returns the water stress coefficient of FAO Irrigation and Drainage
// Paper 56 (Allen et al. 1998, eq. 84):
//
//	Ks = (TAW - Dr)/((1-p) TAW), held to 0..1
//
// with root-zone depletion Dr and total available water TAW in mm, and p the
// readily available fraction (0 <= p < 1). Errors: TAW <= 0, p outside its range.
func Stress(depletionMm, availableMm, p float64) (float64, error) {
	err := Check(Finite("depletion_mm", depletionMm), Positive("available_mm", availableMm),
		Need{"p", p, p >= 0 && p < 1, "a number from 0 to below 1"})
	if err != nil {
		return 0, err
	}
	return min(1, max(0, (availableMm-depletionMm)/((1-p)*availableMm))), nil
}

// Flux returns the sap flux density q = min(Q/A_s, q_max) in m/d (MODEL 1.1)
// and, where the cap binds, a FluxCapped warning (else nil).
// Errors: Q < 0, A_s <= 0, q_max <= 0.
func Flux(waterM3PerD, sapwoodM2, maxMPerD float64) (float64, *Warning, error) {
	err := Check(NotNegative("water_m3_d", waterM3PerD), Positive("sapwood_m2", sapwoodM2), Positive("max_flux_m_d", maxMPerD))
	if err != nil {
		return 0, nil, err
	}
	q := waterM3PerD / sapwoodM2
	if q > maxMPerD {
		return maxMPerD, &Warning{Code: FluxCapped, Value: q, Limit: maxMPerD, Count: 1}, nil
	}
	return q, nil, nil
}
