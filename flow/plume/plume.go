// Package plume follows an active that has entered the sapwood: along the grain
// in stream tubes of lognormal speed, across it by a top-hat spread with a
// wrapped normal, from one kind of source for injection and infusion, with
// losses, ring renewal, leaves and limbs. Every result balances its mass.
//
// Time enters only through the sap distance X of package sap. Units unless a
// name says otherwise: metre, day, gram, m3; concentrations g/m3 (= mg/L) in
// sap and mg/kg dry wood. Arcs y run clockwise seen from above, 0 at north;
// heights z run up from the datum of the ports.
package plume

import (
	"math"
	"sort"

	"sapward/flow/sap"
)

// Medium is how sapwood carries an active (MODEL section 3).
type Medium struct {
	WaterFraction        float64 // theta
	DryDensityKgPerM3    float64 // rho_b
	Retardation          float64 // Rbar, 1 or more
	TubeLogSD            float64 // s_g, log-sd of tube speed; 0 is plug flow
	LateralDispersivityM float64 // alpha_T
	StartVarianceM2      float64 // S0, lateral variance at the ports; usually 0
	GrainTurnsPerM       float64 // spiral grain gamma, positive clockwise going up
	Anisotropy           float64 // kappa, root of axial over tangential conductivity
	LumenFraction        float64 // phi_l, accessible lumen share
	WidthEfficiency      float64 // f_w, for infusion; 1 is the full hydraulic width
	RingCarryOver        float64 // k, share carried into the next ring each spring
}

// Level is one height of the crown with its share of the leaf area.
type Level struct {
	HeightM float64
	Share   float64
}

// Column is the unrolled sapwood of a trunk or limb.
type Column struct {
	PerimeterM float64 // L, under bark at the ports
	DepthM     float64 // s, conducting depth
	Medium     Medium
	// Crown holds the heights at which the pipes end in leaves; shares sum to 1.
	// Empty: a column without end, nothing leaves it.
	Crown []Level
	// Taper gives the area ratio A(z)/A(0) by rising height where the trunk
	// departs from the pipe model; empty: the pipe model, xi = z.
	Taper []Section
	// Mixed spreads everything evenly round the stem (palms).
	Mixed bool
}

// Section is one height of a taper.
type Section struct {
	HeightM   float64
	AreaRatio float64 // A(z)/A(0)
}

// Palm returns a column for a palm: the whole disc conducts, mixed over its
// cross-section, without rings (MODEL 1.9). The depth is r/2, so that
// perimeter times depth is the area of the disc. The medium's ring carry-over
// is set to 1.
func Palm(radiusM float64, medium Medium, crown []Level) Column {
	medium.RingCarryOver = 1
	return Column{PerimeterM: 2 * math.Pi * radiusM, DepthM: radiusM / 2, Medium: medium, Crown: crown, Mixed: true}
}

// BundleCoverage returns the crown coverage of a palm by mixing between
// bundles, F = 1 - exp(-n w), for n ports and a mixing share w (MODEL 1.9).
// Negative arguments count as 0.
func BundleCoverage(ports int, mixing float64) float64 {
	return -math.Expm1(-math.Max(0, float64(ports)) * math.Max(0, mixing))
}

// AreaM2 returns the conducting area L s (1 - s/(2 r)), r = L/(2 pi)
// (MODEL 1.1); for a mixed column, L s.
func (c Column) AreaM2() float64 {
	if c.Mixed {
		return c.PerimeterM * c.DepthM
	}
	r := c.PerimeterM / (2 * math.Pi)
	s := math.Min(c.DepthM, r)
	return c.PerimeterM * s * (1 - s/(2*r))
}

// Check returns an *sap.InputError for the first value that cannot be used.
func (c Column) Check() error {
	m := c.Medium
	err := sap.Check(
		sap.Positive("perimeter_m", c.PerimeterM), sap.Positive("conducting_depth_m", c.DepthM),
		sap.Need{Field: "water_fraction", Value: m.WaterFraction, OK: m.WaterFraction > 0 && m.WaterFraction <= 1, Needs: "above 0 and at most 1"},
		sap.Positive("dry_density_kg_m3", m.DryDensityKgPerM3),
		sap.Need{Field: "retardation", Value: m.Retardation, OK: m.Retardation >= 1 && !math.IsInf(m.Retardation, 1), Needs: "1 or more"},
		sap.NotNegative("tube_log_sd", m.TubeLogSD), sap.NotNegative("lateral_dispersivity_m", m.LateralDispersivityM),
		sap.NotNegative("start_variance_m2", m.StartVarianceM2), sap.Finite("spiral_grain_turns_m", m.GrainTurnsPerM),
		sap.Fraction("ring_carry_over", m.RingCarryOver),
	)
	if err != nil {
		return err
	}
	sum := 0.0
	for _, l := range c.Crown {
		if err := sap.Check(sap.Positive("crown_height_m", l.HeightM), sap.NotNegative("crown_share", l.Share)); err != nil {
			return err
		}
		sum += l.Share
	}
	if len(c.Crown) > 0 && math.Abs(sum-1) > 1e-9 {
		return &sap.InputError{Field: "crown_shares", Value: sum, Needs: "a sum of 1"}
	}
	for i, s := range c.Taper {
		if err := sap.Check(sap.Positive("area_ratio", s.AreaRatio), sap.Finite("taper_height_m", s.HeightM)); err != nil {
			return err
		}
		if s.HeightM < 0 || i > 0 && s.HeightM <= c.Taper[i-1].HeightM {
			return &sap.InputError{Field: "taper_height_m", Value: s.HeightM, Needs: "rising heights of 0 or more"}
		}
	}
	return nil
}

// rising returns the crown sorted by height, without changing the caller's.
func (c Column) rising() []Level {
	levels := append([]Level(nil), c.Crown...)
	sort.SliceStable(levels, func(i, j int) bool { return levels[i].HeightM < levels[j].HeightM })
	return levels
}

// Warning codes of this package.
const (
	// SorptionNonlinear: (c_in/EC)^(1-n) is above 3, so linear sorption puts the
	// front and the centre of mass too low (MODEL 1.9).
	SorptionNonlinear sap.Code = "sorption_nonlinear"
	// WidthCapped: the source would be wider than its spacing allows.
	WidthCapped sap.Code = "source_width_capped"
	// DepotFormed: the solution is above saturation and stays behind as a depot.
	DepotFormed sap.Code = "depot_formed"
	// UptakeExceedsSap: the ports give more than the tree transpires; the excess
	// goes below the ports.
	UptakeExceedsSap sap.Code = "uptake_exceeds_sap"
	// PartitionExtrapolated: log Kow is below the range of the regression.
	PartitionExtrapolated sap.Code = "partition_extrapolated"
)

// maxNonlinearity is the limit on (c_in/EC)^(1-n) of MODEL 1.9.
const maxNonlinearity = 3

// Nonlinearity returns (c_in/EC)^(1-n) for a Freundlich exponent n, and a
// SorptionNonlinear warning where it is above 3 (else nil). Errors: c_in or EC
// not above 0, n not in (0, 1].
func Nonlinearity(inletGPerM3, effectiveGPerM3, exponent float64) (float64, *sap.Warning, error) {
	err := sap.Check(sap.Positive("inlet_g_m3", inletGPerM3), sap.Positive("effective_g_m3", effectiveGPerM3),
		sap.Need{Field: "freundlich_exponent", Value: exponent, OK: exponent > 0 && exponent <= 1, Needs: "above 0 and at most 1"})
	if err != nil {
		return 0, nil, err
	}
	v := math.Pow(inletGPerM3/effectiveGPerM3, 1-exponent)
	if v > maxNonlinearity {
		return v, &sap.Warning{Code: SorptionNonlinear, Value: v, Limit: maxNonlinearity, Count: 1}, nil
	}
	return v, nil, nil
}
