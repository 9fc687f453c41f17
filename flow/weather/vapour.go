package weather

import "math"

// Psychrometer constants of Eq. 16 [C^-1], FAO-56 p. 38.
const (
	PsychrometerVentilated = 0.000662 // Asmann type, about 5 m/s
	PsychrometerNatural    = 0.000800 // natural ventilation, about 1 m/s
	PsychrometerIndoor     = 0.001200 // not ventilated, indoors
)

// Pressure returns the air pressure in kPa at an elevation in m above sea level
// for the standard atmosphere of 20 C:
//
//	P = 101.3 ((293 - 0.0065 z)/293)^5.26   (Eq. 7)
func Pressure(elevationM float64) float64 {
	return 101.3 * math.Pow((293-0.0065*elevationM)/293, 5.26)
}

// PsychrometricConstant returns gamma in kPa/C for an air pressure in kPa:
//
//	gamma = 0.665e-3 P   (Eq. 8)
func PsychrometricConstant(pressureKPa float64) float64 { return 0.665e-3 * pressureKPa }

// SaturationPressure returns the saturation vapour pressure over water in kPa at
// an air temperature in C:
//
//	e0(T) = 0.6108 exp(17.27 T/(T + 237.3))   (Eq. 11)
//
// It is used between -80 and 60 C.
func SaturationPressure(tempC float64) float64 {
	return 0.6108 * math.Exp(17.27*tempC/(tempC+237.3))
}

// SaturationSlope returns the slope of the saturation curve in kPa/C:
//
//	Delta = 4098 e0(T)/(T + 237.3)^2   (Eq. 13)
func SaturationSlope(tempC float64) float64 {
	return 4098 * SaturationPressure(tempC) / ((tempC + 237.3) * (tempC + 237.3))
}

// DailySaturationPressure returns the mean of e0 at the day's extremes (Eq. 12).
// e0 at the mean temperature would be too small.
func DailySaturationPressure(tminC, tmaxC float64) float64 {
	return (SaturationPressure(tmaxC) + SaturationPressure(tminC)) / 2
}

// VapourFromDewPoint returns the actual vapour pressure in kPa (Eq. 14).
func VapourFromDewPoint(tdewC float64) float64 { return SaturationPressure(tdewC) }

// VapourFromPsychrometer returns the actual vapour pressure in kPa from dry- and
// wet-bulb temperature in C and pressure in kPa (Eq. 15 and 16):
//
//	ea = e0(Twet) - a P (Tdry - Twet)
//
// a is one of the Psychrometer constants.
func VapourFromPsychrometer(tdryC, twetC, pressureKPa, a float64) float64 {
	return SaturationPressure(twetC) - a*pressureKPa*(tdryC-twetC)
}

// VapourFromRHExtremes returns ea in kPa from the day's extreme temperatures and
// humidities (Eq. 17).
func VapourFromRHExtremes(tminC, tmaxC, rhMinPct, rhMaxPct float64) float64 {
	return (SaturationPressure(tminC)*rhMaxPct/100 + SaturationPressure(tmaxC)*rhMinPct/100) / 2
}

// VapourFromRHMax returns ea in kPa from Tmin and the greatest humidity (Eq. 18).
func VapourFromRHMax(tminC, rhMaxPct float64) float64 {
	return SaturationPressure(tminC) * rhMaxPct / 100
}

// VapourFromRHMean returns ea in kPa from the mean humidity (Eq. 19).
func VapourFromRHMean(tminC, tmaxC, rhMeanPct float64) float64 {
	return rhMeanPct / 100 * DailySaturationPressure(tminC, tmaxC)
}

// WindAt2M converts a wind speed to 2 m above a clipped grass surface:
//
//	u2 = uz 4.87/ln(67.8 z - 5.42)   (Eq. 47)
//
// The height is in m, at least 0.5. At 2 m the speed is returned unchanged: the
// rounded constants of the equation would give 1.0002 of it.
func WindAt2M(windMS, heightM float64) float64 {
	if heightM == 2 {
		return windMS
	}
	return windMS * 4.87 / math.Log(67.8*heightM-5.42)
}
