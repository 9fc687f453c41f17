// Package weather turns weather records into what the tree does with them:
// reference evapotranspiration, vapour-pressure deficit, and the hours in
// which a trunk can be treated.
//
// Reference evapotranspiration follows Allen, Pereira, Raes and Smith (1998),
// FAO Irrigation and Drainage Paper 56, Rome ("FAO-56" below). "Eq." numbers in
// this package are that paper's. ASCE-EWRI (2005), The ASCE Standardized
// Reference Evapotranspiration Equation, gives the alternative coefficients.
// Page numbers of FAO-56, and all coefficients and numbers of ASCE-EWRI, are from
// memory; the FAO-56 equations are held to the paper's printed examples.
//
// Every intermediate value is returned, and every estimate that took the place
// of a measurement is named in the result's routes.
//
// The package computes on values: it reads no file, clock or network, and it
// never changes a slice it was given. What is wrong with the data comes back as
// problems made of codes and arguments; the sentence for a person is written
// elsewhere.
package weather

import "math"

// Constants of FAO-56. They are the paper's rounded values and are kept so,
// because its printed examples depend on them.
const (
	solarConstantMJM2Min  = 0.0820    // Gsc, Eq. 21 [MJ m-2 min-1]
	albedo                = 0.23      // reference crop, Eq. 38
	sigmaDailyMJM2K4      = 4.903e-9  // Stefan-Boltzmann, Eq. 39 [MJ K-4 m-2 d-1]
	sigmaHourlyMJM2K4     = 2.043e-10 // Eq. 39 by the hour, FAO-56 p. 74
	sigmaDailyASCEMJM2K4  = 4.901e-9  // ASCE-EWRI (2005) Eq. 17
	sigmaHourlyASCEMJM2K4 = 2.042e-10 // ASCE-EWRI (2005) Eq. 44
	kelvinRadiation       = 273.16    // Eq. 39
	kelvinAerodynamic     = 273.0     // Eq. 6
	mmPerMJ               = 0.408     // 1/2.45 rounded as in Eq. 6 and Eq. 20 [mm per MJ m-2]
	hoursPerDegree        = 0.06667   // 1/15 rounded, Eq. 31
	defaultWindMS         = 2.0       // FAO-56 p. 63: mean of over 2000 stations
	interiorKRs           = 0.16      // Eq. 50 [C^-0.5]
	coastalKRs            = 0.19      // Eq. 50 [C^-0.5]
	defaultAngstromA      = 0.25      // Eq. 35
	defaultAngstromB      = 0.50      // Eq. 35
)

// DefaultLowSunRatio is the Rs/Rso used for the outgoing longwave radiation
// when the sun gives none to measure and no ratio of the last afternoon is
// known. FAO-56 p. 75 says 0.4 to 0.6 in humid and 0.7 to 0.8 in arid climates;
// 0.6 is a program default between them, editable in Options.LowSunRatio.
const DefaultLowSunRatio = 0.6

// Reference names the reference surface and its coefficients.
type Reference string

// The reference surfaces. The empty value means FAO56.
const (
	FAO56     Reference = "fao56"      // FAO-56 grass, 0.12 m
	ASCEShort Reference = "asce_short" // ASCE-EWRI (2005) short (clipped grass)
	ASCETall  Reference = "asce_tall"  // ASCE-EWRI (2005) tall (alfalfa)
)

// surface holds the numerator and denominator constants of the Penman-Monteith
// form and the share of net radiation that goes into the soil in an hour.
// FAO-56 Eq. 6, 53, 45, 46; ASCE-EWRI (2005) Table 1 and Eq. 65 and 66.
type surface struct {
	cnDaily, cdDaily                float64
	cnHourly, cdDay, cdNight        float64
	soilDay, soilNight              float64
	sigmaDaily, sigmaHourly         float64
	ratioMin                        float64
	dayByNetRadiation, knownSurface bool
}

func (r Reference) surface() surface {
	switch r {
	case FAO56, "":
		return surface{900, 0.34, 37, 0.34, 0.34, 0.1, 0.5, sigmaDailyMJM2K4, sigmaHourlyMJM2K4, 0, false, true}
	case ASCEShort:
		return surface{900, 0.34, 37, 0.24, 0.96, 0.1, 0.5, sigmaDailyASCEMJM2K4, sigmaHourlyASCEMJM2K4, 0.3, true, true}
	case ASCETall:
		return surface{1600, 0.38, 66, 0.25, 1.7, 0.04, 0.2, sigmaDailyASCEMJM2K4, sigmaHourlyASCEMJM2K4, 0.3, true, true}
	}
	return surface{}
}

// Site is where the weather was measured.
type Site struct {
	// LatitudeDeg is positive north of the equator, -90 to 90.
	LatitudeDeg float64 `json:"latitude_deg"`
	// LongitudeDeg is positive east of Greenwich, -180 to 180. Only hours need
	// it; nil stands the site on the middle of its time zone, and the result
	// says so.
	LongitudeDeg *float64 `json:"longitude_deg,omitempty"`
	// ElevationM is metres above sea level, -450 to 6000. Without it the
	// Penman-Monteith sum cannot be made and Hargreaves answers for a day.
	ElevationM *float64 `json:"elevation_m,omitempty"`
	// WindHeightM is the height of the anemometer, 0.5 to 100 m. Zero means 2 m.
	WindHeightM float64 `json:"wind_height_m"`
}

// Options are the choices a person makes about the method. The zero value is
// FAO-56 for an inland site.
type Options struct {
	Reference Reference `json:"reference,omitempty"`
	// Hargreaves asks for Eq. 52 in place of Penman-Monteith.
	Hargreaves bool `json:"hargreaves,omitempty"`
	// Coastal takes kRs = 0.19 instead of 0.16 in Eq. 50.
	Coastal bool `json:"coastal,omitempty"`
	// KRs replaces both when positive [C^-0.5].
	KRs float64 `json:"krs,omitempty"`
	// Island takes Eq. 51 (Rs = 0.7 Ra - 4) where radiation is missing: months
	// on islands under 20 km wide and below 100 m only.
	Island bool `json:"island,omitempty"`
	// RegionalRatio is Rs/Ra at a station of the same region and day, Eq. 49;
	// it is used where radiation is missing. Zero means none.
	RegionalRatio float64 `json:"regional_ratio,omitempty"`
	// AngstromA and AngstromB are calibrated values for Eq. 35 and 36. Both
	// zero mean 0.25 and 0.50, and clear-sky radiation by Eq. 37.
	AngstromA float64 `json:"angstrom_a,omitempty"`
	AngstromB float64 `json:"angstrom_b,omitempty"`
	// DewPointOffsetC is subtracted from Tmin when Tmin stands for the dew
	// point (Eq. 48): 0 in humid, 2 to 3 in arid places (FAO-56 p. 59).
	DewPointOffsetC float64 `json:"dew_point_offset_c,omitempty"`
	// WindFloorMS is the least wind used in the sum. FAO-56 p. 63 suggests
	// 0.5 m/s; zero leaves the wind as it was measured.
	WindFloorMS float64 `json:"wind_floor_ms,omitempty"`
	// LowSunRatio replaces DefaultLowSunRatio when positive, up to 1.
	LowSunRatio float64 `json:"low_sun_ratio,omitempty"`
}

func (o Options) krs() float64 {
	switch {
	case o.KRs > 0:
		return o.KRs
	case o.Coastal:
		return coastalKRs
	}
	return interiorKRs
}

func (o Options) angstrom() (a, b float64, calibrated bool) {
	if o.AngstromA == 0 && o.AngstromB == 0 {
		return defaultAngstromA, defaultAngstromB, false
	}
	return o.AngstromA, o.AngstromB, true
}

func (o Options) lowSunRatio() float64 {
	if o.LowSunRatio > 0 {
		return o.LowSunRatio
	}
	return DefaultLowSunRatio
}

func (s Site) windHeight() float64 {
	if s.WindHeightM == 0 {
		return 2
	}
	return s.WindHeightM
}

// Check lists what is wrong with the site.
func (s Site) Check() Problems {
	var ps Problems
	ps.within("latitude_deg", &s.LatitudeDeg, -90, 90)
	ps.within("longitude_deg", s.LongitudeDeg, -180, 180)
	ps.within("elevation_m", s.ElevationM, -450, 6000)
	h := s.windHeight()
	ps.within("wind_height_m", &h, 0.5, 100)
	return ps
}

// Check lists what is wrong with the options.
func (o Options) Check() Problems {
	var ps Problems
	if !o.Reference.surface().knownSurface {
		ps.add(Problem{Row: NoRow, Column: "reference", Code: CodeUnknownReference, Args: map[string]any{"value": string(o.Reference)}})
	}
	ps.within("krs", &o.KRs, 0, 0.5)
	ps.within("regional_ratio", &o.RegionalRatio, 0, 1)
	ps.within("angstrom_a", &o.AngstromA, 0, 1)
	ps.within("angstrom_b", &o.AngstromB, 0, 1)
	ps.within("dew_point_offset_c", &o.DewPointOffsetC, -10, 20)
	ps.within("wind_floor_ms", &o.WindFloorMS, 0, 5)
	ps.within("low_sun_ratio", &o.LowSunRatio, 0, 1)
	return ps
}

// EvaporationEquivalent returns the depth of water in mm that the energy in
// MJ m-2 evaporates: 0.408 times it (Eq. 20, latent heat 2.45 MJ/kg at 20 C).
func EvaporationEquivalent(energyMJM2 float64) float64 { return mmPerMJ * energyMJM2 }

func radians(deg float64) float64 { return deg * math.Pi / 180 }

func clamp(x, lo, hi float64) float64 { return math.Max(lo, math.Min(hi, x)) }
