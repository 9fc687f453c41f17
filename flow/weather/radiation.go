package weather

import "math"

// SolarFromSunshine returns solar radiation from sunshine hours:
//
//	Rs = (a + b n/N) Ra   (Eq. 35)
//
// in the unit of Ra. N = 0 gives 0.
func SolarFromSunshine(sunshineH, daylightH, ra, a, b float64) float64 {
	if daylightH <= 0 {
		return 0
	}
	return (a + b*clamp(sunshineH/daylightH, 0, 1)) * ra
}

// SolarFromTemperature returns solar radiation from the day's temperature range
// in C (Hargreaves' form):
//
//	Rs = kRs sqrt(Tmax - Tmin) Ra   (Eq. 50)
func SolarFromTemperature(tminC, tmaxC, ra, krs float64) float64 {
	return krs * math.Sqrt(math.Max(0, tmaxC-tminC)) * ra
}

// SolarOnIsland returns Rs = 0.7 Ra - 4 in MJ m-2 d-1, not below zero (Eq. 51):
// monthly means, islands under 20 km wide, 0 to 100 m.
func SolarOnIsland(raMJM2D float64) float64 { return math.Max(0, 0.7*raMJM2D-4) }

// ClearSky returns clear-sky radiation Rso = (0.75 + 2e-5 z) Ra (Eq. 37) in the
// unit of Ra, z the elevation in m.
func ClearSky(elevationM, ra float64) float64 { return (0.75 + 2e-5*elevationM) * ra }

// ClearSkyCalibrated returns Rso = (a + b) Ra (Eq. 36).
func ClearSkyCalibrated(a, b, ra float64) float64 { return (a + b) * ra }

// NetShortwave returns Rns = (1 - 0.23) Rs (Eq. 38).
func NetShortwave(rs float64) float64 { return (1 - albedo) * rs }

// longwave holds the steps of Eq. 39.
type longwave struct {
	sigmaMax, sigmaMin, emissivity, cloud, net float64
	limited                                    bool
}

// netLongwave returns the steps of
//
//	Rnl = sigma (TmaxK^4 + TminK^4)/2 (0.34 - 0.14 sqrt(ea)) (1.35 Rs/Rso - 0.35)   (Eq. 39)
//
// Rs/Rso is limited to at most 1 (FAO-56 p. 52) and, for the ASCE surfaces, at
// least 0.3; the cloud factor is limited to at least 0.05 for all of them
// (ASCE-EWRI 2005, Eq. 18): FAO-56 leaves it free, and a dark overcast day would
// then warm the ground.
func netLongwave(sigma, tminC, tmaxC, eaKPa, ratio, ratioMin float64) longwave {
	f := func(t float64) float64 { return sigma * math.Pow(t+kelvinRadiation, 4) }
	r := clamp(ratio, ratioMin, 1)
	l := longwave{sigmaMax: f(tmaxC), sigmaMin: f(tminC), emissivity: 0.34 - 0.14*math.Sqrt(math.Max(0, eaKPa))}
	l.cloud = math.Max(0.05, 1.35*r-0.35)
	l.limited = r != ratio || l.cloud != 1.35*r-0.35
	l.net = (l.sigmaMax + l.sigmaMin) / 2 * l.emissivity * l.cloud
	return l
}

// SoilHeatMonthBoth returns G = 0.07 (Tnext - Tprevious) in MJ m-2 d-1 from the
// mean temperatures of the months after and before (Eq. 43).
func SoilHeatMonthBoth(previousC, nextC float64) float64 { return 0.07 * (nextC - previousC) }

// SoilHeatMonthBefore returns G = 0.14 (T - Tprevious) in MJ m-2 d-1 (Eq. 44).
func SoilHeatMonthBefore(previousC, thisC float64) float64 { return 0.14 * (thisC - previousC) }

// combination holds the factors and terms of the Penman-Monteith form.
type combination struct {
	resistance, deltaWeight, gammaWeight, windFactor, radiationMM, aerodynamicMM float64
}

// penmanMonteith returns the steps of
//
//	ET0 = (0.408 Delta (Rn - G) + gamma Cn/(T + 273) u2 (es - ea))/(Delta + gamma (1 + Cd u2))
//
// (Eq. 6 with Cn = 900, Cd = 0.34 for a day; Eq. 53 with Cn = 37 for an hour.)
// The sum radiationMM + aerodynamicMM is ET0.
func penmanMonteith(delta, gamma, available, tempC, u2, deficit, cn, cd float64) combination {
	c := combination{resistance: 1 + cd*u2, windFactor: cn / (tempC + kelvinAerodynamic) * u2}
	below := delta + gamma*c.resistance
	c.deltaWeight = delta / below
	c.gammaWeight = gamma / below
	c.radiationMM = mmPerMJ * available * c.deltaWeight
	c.aerodynamicMM = c.windFactor * deficit * c.gammaWeight
	return c
}

// HargreavesET0 returns reference evapotranspiration in mm/d from temperature
// alone:
//
//	ET0 = 0.0023 (Tmean + 17.8) sqrt(Tmax - Tmin) Ra   (Eq. 52)
//
// with Ra in mm/d, here taken in MJ m-2 d-1 and multiplied by 0.408. Tmean is the
// middle of the extremes. It is never below zero. Eq. 52 wants calibration on the
// spot and overstates in humid places (FAO-56 p. 64).
func HargreavesET0(tminC, tmaxC, raMJM2D float64) float64 {
	return math.Max(0, 0.0023*((tminC+tmaxC)/2+17.8)*math.Sqrt(math.Max(0, tmaxC-tminC))*mmPerMJ*raMJM2D)
}
