package protect

import (
	"fmt"
	"math"

	"sapward/flow/plume"
	"sapward/flow/sap"
)

// AssayScale is the scale of the Student-t4 error of a log concentration: 0.5
// for analysis and local scatter (MODEL section 6) and, added in squares, the 0.6
// by which ports differ in what they take (PortLogSD), since the port above a
// sample is not known to the calibration.
const AssayScale = 0.78

// Assay is one measured concentration in the wood or sap of the treated stem.
type Assay struct {
	DayD       float64
	HeightM    float64 // above the datum of the ports
	AzimuthDeg float64
	Metric     plume.Metric // "": wood mg/kg
	Value      float64      // mg/kg dry wood, or mg/L sap
	// Limit is the detection limit, if known; Value is not read when NotDetected.
	Limit       float64
	NotDetected bool
}

// Two assays are of the same place and day within these distances.
const (
	sameDayD    = 1
	sameHeightM = 0.1
	sameArcM    = 0.01
)

// samePlace tells whether two assays, azimuths apart, measured the same thing
// round a stem of a perimeter.
func (a *Assay) samePlace(b *Assay, perimeterM float64) bool {
	off := math.Abs(math.Remainder(a.AzimuthDeg-b.AzimuthDeg, 360)) / 360 * perimeterM
	return a.Metric == b.Metric && math.Abs(a.DayD-b.DayD) <= sameDayD && math.Abs(a.HeightM-b.HeightM) <= sameHeightM && off <= sameArcM
}

// completeAssay fills in the metric and checks.
func completeAssay(a Assay, lengthD float64) (Assay, error) {
	if a.Metric == "" {
		a.Metric = plume.InWood
	}
	if a.Metric != plume.InWood && a.Metric != plume.InSap {
		return a, fmt.Errorf("metric %q cannot be used for calibration", a.Metric)
	}
	return a, sap.Check(
		sap.Need{Field: "day_d", Value: a.DayD, OK: a.DayD > 0 && a.DayD <= lengthD, Needs: "after the treatment and within the season"},
		sap.Positive("height_m", a.HeightM), sap.Finite("azimuth_deg", a.AzimuthDeg),
		sap.Need{Field: "value", Value: a.Value, OK: a.NotDetected || a.Value > 0 && !math.IsInf(a.Value, 1), Needs: "above 0 where detected"},
		sap.Need{Field: "detection_limit", Value: a.Limit, OK: a.Limit >= 0 && (!a.NotDetected || a.Limit > 0) && !math.IsInf(a.Limit, 1), Needs: "above 0 where not detected"})
}

// student4 is the distribution function of Student's t with 4 degrees of
// freedom: with s = t/sqrt(4+t^2) it is 1/2 + (3/4) s (1 - s^2/3). The equal form
// (1+s)^2 (2-s)/4 keeps the lower tail, with 1+s = 4/((4+t^2)(1-s)).
func student4(t float64) float64 {
	s := t / math.Sqrt(4+t*t)
	rest := 1 + s
	if s < 0 {
		rest = 4 / ((4 + t*t) * (1 - s))
	}
	return rest * rest * (2 - s) / 4
}

// student4Quantile is its inverse for p in (0, 1): with a = 4p(1-p) and
// q = cos(arccos(sqrt a)/3)/sqrt a it is 2 sqrt(q-1), with the sign of p - 1/2
// (Shaw 2006, J. Comput. Finance 9(4):37, from memory).
func student4Quantile(p float64) float64 {
	a := math.Sqrt(4 * p * (1 - p))
	q := math.Cos(math.Acos(math.Min(1, a))/3) / a
	return math.Copysign(2*math.Sqrt(math.Max(0, q-1)), p-0.5)
}

// student4Misfit is -2 ln of the density relative to its top: 5 ln(1 + t^2/4).
func student4Misfit(t float64) float64 { return 5 * math.Log1p(t*t/4) }
