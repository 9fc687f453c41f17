package weather

import "math"

// Routes name how each quantity of a result was come by.
const (
	RouteTemperatureMeanOnly = "temperature.mean_only"             // es at the mean: too small (FAO-56 p. 36)
	RoutePressureElevation   = "pressure.elevation"                // Eq. 7
	RouteHumidityVapour      = "humidity.vapour_pressure"          // given
	RouteHumidityDewPoint    = "humidity.dew_point"                // Eq. 14
	RouteHumidityWetBulb     = "humidity.psychrometer"             // Eq. 15
	RouteHumidityExtremes    = "humidity.rh_max_min"               // Eq. 17
	RouteHumidityMax         = "humidity.rh_max"                   // Eq. 18
	RouteHumidityMean        = "humidity.rh_mean"                  // Eq. 19
	RouteHumidityHourly      = "humidity.rh_hourly"                // Eq. 54
	RouteHumidityTmin        = "humidity.tmin_as_dew_point"        // Eq. 48
	RouteHumidityLimited     = "humidity.limited_to_saturation"    // ea > es
	RouteWind2M              = "wind.measured_2m"                  // as given
	RouteWindConverted       = "wind.height_converted"             // Eq. 47
	RouteWindDefault         = "wind.default_2ms"                  // FAO-56 p. 63
	RouteWindFloor           = "wind.raised_to_floor"              // Options.WindFloorMS
	RouteSolarMeasured       = "radiation.measured"                // given
	RouteSolarSunshine       = "radiation.sunshine"                // Eq. 35
	RouteSolarRegional       = "radiation.regional"                // Eq. 49
	RouteSolarTemperature    = "radiation.temperature_difference"  // Eq. 50
	RouteSolarIsland         = "radiation.island"                  // Eq. 51
	RouteSolarLimited        = "radiation.limited_to_clear_sky"    // estimates only
	RouteClearSkyElevation   = "clear_sky.elevation"               // Eq. 37
	RouteClearSkyCalibrated  = "clear_sky.angstrom"                // Eq. 36
	RouteLongwaveLimited     = "longwave.cloud_factor_limited"     // see netLongwave
	RouteLongwaveAssumed     = "longwave.ratio_assumed"            // no sun to measure by
	RouteLongwaveAfternoon   = "longwave.ratio_of_afternoon"       // FAO-56 p. 75
	RouteSoilHeatZero        = "soil_heat.zero"                    // Eq. 42
	RouteSoilHeatGiven       = "soil_heat.given"                   // as given
	RouteSoilHeatMonthBoth   = "soil_heat.months_before_and_after" // Eq. 43
	RouteSoilHeatMonthBefore = "soil_heat.month_before"            // Eq. 44
	RouteSoilHeatDay         = "soil_heat.daytime"                 // Eq. 45
	RouteSoilHeatNight       = "soil_heat.night"                   // Eq. 46
	RouteLongitudeZone       = "longitude.middle_of_zone"          // no longitude given
	RoutePenmanMonteith      = "et0.penman_monteith"               // Eq. 6 or 53
	RouteHargreaves          = "et0.hargreaves"                    // Eq. 52, last resort
	RouteElevationMissing    = "elevation.missing"                 // why Hargreaves
	RouteNegativeToZero      = "et0.negative_to_zero"              // raw value below zero
	RouteDailyCurve          = "hours.estimated_from_day"          // see EstimateHours
)

// Day holds what was measured on one day, or the means of a longer period about
// that day. Nil means not measured. TminC with TmaxC, or TmeanC, is needed.
type Day struct {
	Date  Date     `json:"date"`
	TminC *float64 `json:"tmin_c,omitempty"`
	TmaxC *float64 `json:"tmax_c,omitempty"`
	// TmeanC is used only where an extreme is missing: FAO-56 defines the mean
	// as the middle of the extremes (Eq. 9).
	TmeanC    *float64 `json:"tmean_c,omitempty"`
	RHMinPct  *float64 `json:"rhmin_pct,omitempty"`
	RHMaxPct  *float64 `json:"rhmax_pct,omitempty"`
	RHMeanPct *float64 `json:"rhmean_pct,omitempty"`
	TdewC     *float64 `json:"tdew_c,omitempty"`
	VapourKPa *float64 `json:"vapour_kpa,omitempty"`
	// TdryC and TwetC are a ventilated psychrometer's pair (Eq. 15).
	TdryC        *float64 `json:"tdry_c,omitempty"`
	TwetC        *float64 `json:"twet_c,omitempty"`
	PressureKPa  *float64 `json:"pressure_kpa,omitempty"`
	WindMS       *float64 `json:"wind_ms,omitempty"`
	SolarMJM2D   *float64 `json:"solar_mj_m2_d,omitempty"`
	SunshineH    *float64 `json:"sunshine_h,omitempty"`
	SoilHeatMJM2 *float64 `json:"soil_heat_mj_m2_d,omitempty"`
	// MonthBeforeC and MonthAfterC are mean temperatures of the neighbouring
	// months; give them only where Day holds the means of a month.
	MonthBeforeC *float64 `json:"month_before_c,omitempty"`
	MonthAfterC  *float64 `json:"month_after_c,omitempty"`
}

// DailyResult holds reference evapotranspiration of a day and every step to it,
// in the order of FAO-56's calculation sheet. A step that the routes taken did
// not need is nil. Depths named _mm are mm per day.
type DailyResult struct {
	Date      Date      `json:"date"`
	Reference Reference `json:"reference"`
	ET0MM     float64   `json:"et0_mm"`
	// Routes names how each quantity was come by, in order of the sheet.
	Routes []string `json:"routes"`

	DayOfYear   int     `json:"day_of_year"`
	LatitudeRad float64 `json:"latitude_rad"`

	TmaxC       float64  `json:"tmax_c"`
	TminC       float64  `json:"tmin_c"`
	TmeanC      float64  `json:"tmean_c"`                // Eq. 9
	PressureKPa *float64 `json:"pressure_kpa,omitempty"` // Eq. 7
	GammaKPaC   *float64 `json:"gamma_kpa_c,omitempty"`  // Eq. 8
	DeltaKPaC   float64  `json:"delta_kpa_c"`            // Eq. 13
	U2MS        float64  `json:"u2_ms"`                  // Eq. 47
	ETmaxKPa    float64  `json:"e_tmax_kpa"`             // Eq. 11
	ETminKPa    float64  `json:"e_tmin_kpa"`             // Eq. 11
	EsKPa       float64  `json:"es_kpa"`                 // Eq. 12
	EaKPa       float64  `json:"ea_kpa"`                 // Eq. 14 to 19, 48
	VPDKPa      float64  `json:"vpd_kpa"`                // es - ea

	InverseDistance float64  `json:"inverse_distance"`                 // dr, Eq. 23
	DeclinationRad  float64  `json:"declination_rad"`                  // Eq. 24
	SunsetAngleRad  float64  `json:"sunset_angle_rad"`                 // Eq. 25
	RaMJM2D         float64  `json:"ra_mj_m2_d"`                       // Eq. 21
	RaMM            float64  `json:"ra_mm"`                            // Eq. 20
	DaylightH       float64  `json:"daylight_h"`                       // N, Eq. 34
	SunshineH       *float64 `json:"sunshine_h,omitempty"`             // n
	SunshineShare   *float64 `json:"sunshine_share,omitempty"`         // n/N
	RsMJM2D         float64  `json:"rs_mj_m2_d"`                       // Eq. 35, 49 to 51
	RsMM            float64  `json:"rs_mm"`                            // Eq. 20
	RsoMJM2D        *float64 `json:"rso_mj_m2_d,omitempty"`            // Eq. 36, 37
	RsRso           *float64 `json:"rs_rso,omitempty"`                 // Rs/Rso
	RnsMJM2D        float64  `json:"rns_mj_m2_d"`                      // Eq. 38
	SigmaTmax4      *float64 `json:"sigma_tmax4_mj_m2_d,omitempty"`    // Eq. 39
	SigmaTmin4      *float64 `json:"sigma_tmin4_mj_m2_d,omitempty"`    // Eq. 39
	EmissivityTerm  *float64 `json:"emissivity_term,omitempty"`        // 0.34 - 0.14 sqrt(ea)
	CloudFactor     *float64 `json:"cloud_factor,omitempty"`           // 1.35 Rs/Rso - 0.35
	RnlMJM2D        *float64 `json:"rnl_mj_m2_d,omitempty"`            // Eq. 39
	RnMJM2D         *float64 `json:"rn_mj_m2_d,omitempty"`             // Eq. 40
	RnMM            *float64 `json:"rn_mm,omitempty"`                  // 0.408 Rn
	GMJM2D          *float64 `json:"g_mj_m2_d,omitempty"`              // Eq. 42 to 44
	RnMinusGMJM2D   *float64 `json:"rn_minus_g_mj_m2_d,omitempty"`     // Rn - G
	ResistanceTerm  *float64 `json:"resistance_term,omitempty"`        // 1 + 0.34 u2
	DeltaWeight     *float64 `json:"delta_weight,omitempty"`           // Delta/(Delta + gamma(1 + 0.34 u2))
	GammaWeight     *float64 `json:"gamma_weight,omitempty"`           // gamma/(Delta + gamma(1 + 0.34 u2))
	WindFactor      *float64 `json:"wind_factor,omitempty"`            // 900/(T + 273) u2
	RadiationTermMM *float64 `json:"radiation_term_mm,omitempty"`      // first term of Eq. 6
	AeroTermMM      *float64 `json:"aerodynamic_term_mm,omitempty"`    // second term of Eq. 6
	RawMM           *float64 `json:"penman_monteith_raw_mm,omitempty"` // before the limit at zero
	HargreavesMM    *float64 `json:"hargreaves_mm,omitempty"`          // Eq. 52, for comparison
}

func (r *DailyResult) route(id string) { r.Routes = append(r.Routes, id) }

func (d Day) check() Problems {
	var ps Problems
	if !d.Date.Valid() {
		ps.add(Problem{Row: NoRow, Column: "date", Code: CodeDateInvalid, Args: map[string]any{"text": d.Date.String()}})
	}
	for _, c := range []struct {
		name   string
		v      *float64
		lo, hi float64
	}{
		{"tmin_c", d.TminC, -80, 60}, {"tmax_c", d.TmaxC, -80, 60}, {"tmean_c", d.TmeanC, -80, 60},
		{"tdew_c", d.TdewC, -100, 60}, {"tdry_c", d.TdryC, -80, 60}, {"twet_c", d.TwetC, -80, 60},
		{"rhmin_pct", d.RHMinPct, 0, 100}, {"rhmax_pct", d.RHMaxPct, 0, 100}, {"rhmean_pct", d.RHMeanPct, 0, 100},
		{"vapour_kpa", d.VapourKPa, 0, 20}, {"pressure_kpa", d.PressureKPa, 40, 110}, {"wind_ms", d.WindMS, 0, 60},
		{"solar_mj_m2", d.SolarMJM2D, 0, 60}, {"sunshine_h", d.SunshineH, 0, 24}, {"soil_heat_mj_m2_d", d.SoilHeatMJM2, -50, 50},
		{"month_before_c", d.MonthBeforeC, -80, 60}, {"month_after_c", d.MonthAfterC, -80, 60},
	} {
		ps.within(c.name, c.v, c.lo, c.hi)
	}
	if (d.TminC == nil || d.TmaxC == nil) && d.TmeanC == nil {
		if d.TminC == nil {
			ps.missing("tmin_c")
		}
		if d.TmaxC == nil {
			ps.missing("tmax_c")
		}
	}
	if d.TminC != nil && d.TmaxC != nil && *d.TminC > *d.TmaxC {
		ps.add(Problem{Row: NoRow, Column: "tmin_c", Code: CodeTemperatureOrder, Args: map[string]any{"tmin_c": *d.TminC, "tmax_c": *d.TmaxC}})
	}
	return ps
}

// Daily returns reference evapotranspiration of one day (Eq. 6) with its steps.
// What is missing is estimated by FAO-56's own routes, each named in the result:
//
//   - vapour pressure: given, dew point, psychrometer, RHmax with RHmin, RHmax,
//     RHmean, Tmin as dew point, in this order (RHmin alone is not used);
//   - radiation: measured, sunshine, a station of the region, island,
//     temperature range, in this order; estimates are limited to clear sky;
//   - wind: measured and brought to 2 m, else 2 m/s;
//   - soil heat: given, neighbouring months, else zero.
//
// Without elevation, or on request, Hargreaves' equation answers
// instead. It needs both extremes; from the mean alone radiation must have been
// measured. A negative sum, possible in a polar winter, gives 0 and keeps the raw
// value. The error is of type Problems; its rows are NoRow.
func Daily(site Site, day Day, o Options) (DailyResult, error) {
	ps := append(site.Check(), o.Check()...)
	ps = append(ps, day.check()...)
	if err := ps.Err(); err != nil {
		return DailyResult{}, err
	}
	ref := o.Reference
	if ref == "" {
		ref = FAO56
	}
	r := DailyResult{Date: day.Date, Reference: ref, DayOfYear: day.Date.YearDay(), LatitudeRad: radians(site.LatitudeDeg)}
	extremes := r.temperature(day)
	r.sky()
	if extremes {
		r.HargreavesMM = new(HargreavesET0(r.TminC, r.TmaxC, r.RaMJM2D))
	}
	pressure := day.PressureKPa
	if pressure == nil && site.ElevationM != nil {
		pressure = new(Pressure(*site.ElevationM))
		r.route(RoutePressureElevation)
	}
	if pressure != nil {
		r.PressureKPa, r.GammaKPaC = pressure, new(PsychrometricConstant(*pressure))
	}
	r.U2MS = windRoute(day.WindMS, site, o, r.route)
	r.humidity(day, o)
	if err := r.solar(day, site, o, extremes); err != nil {
		return DailyResult{}, err
	}
	if o.Hargreaves || site.ElevationM == nil {
		if !extremes {
			ps.missing("tmin_c")
			ps.missing("tmax_c")
			return DailyResult{}, ps.Err()
		}
		if site.ElevationM == nil {
			r.route(RouteElevationMissing)
		}
		r.route(RouteHargreaves)
		r.ET0MM = *r.HargreavesMM
		return r, nil
	}
	r.energy(day, site, o)
	return r, nil
}

// temperature fills the temperatures and reports whether both extremes are known.
func (r *DailyResult) temperature(day Day) bool {
	extremes := day.TminC != nil && day.TmaxC != nil
	if extremes {
		r.TminC, r.TmaxC = *day.TminC, *day.TmaxC
		r.TmeanC = (r.TminC + r.TmaxC) / 2
	} else {
		r.TminC, r.TmaxC, r.TmeanC = *day.TmeanC, *day.TmeanC, *day.TmeanC
		r.route(RouteTemperatureMeanOnly)
	}
	r.DeltaKPaC = SaturationSlope(r.TmeanC)
	r.ETmaxKPa, r.ETminKPa = SaturationPressure(r.TmaxC), SaturationPressure(r.TminC)
	r.EsKPa = (r.ETmaxKPa + r.ETminKPa) / 2
	return extremes
}

func (r *DailyResult) sky() {
	r.InverseDistance = InverseDistance(r.DayOfYear)
	r.DeclinationRad = Declination(r.DayOfYear)
	r.SunsetAngleRad = SunsetAngle(r.LatitudeRad, r.DeclinationRad)
	r.RaMJM2D = ExtraterrestrialDaily(r.LatitudeRad, r.DayOfYear)
	r.RaMM = EvaporationEquivalent(r.RaMJM2D)
	r.DaylightH = DayLength(r.SunsetAngleRad)
}

// windRoute returns the wind at 2 m and names how.
func windRoute(measured *float64, site Site, o Options, route func(string)) float64 {
	u := defaultWindMS
	switch {
	case measured == nil:
		route(RouteWindDefault)
	case site.windHeight() == 2:
		u = *measured
		route(RouteWind2M)
	default:
		u = WindAt2M(*measured, site.windHeight())
		route(RouteWindConverted)
	}
	if u < o.WindFloorMS {
		u = o.WindFloorMS
		route(RouteWindFloor)
	}
	return u
}

func (r *DailyResult) humidity(day Day, o Options) {
	switch {
	case day.VapourKPa != nil:
		r.EaKPa = *day.VapourKPa
		r.route(RouteHumidityVapour)
	case day.TdewC != nil:
		r.EaKPa = VapourFromDewPoint(*day.TdewC)
		r.route(RouteHumidityDewPoint)
	case day.TdryC != nil && day.TwetC != nil && r.PressureKPa != nil:
		r.EaKPa = math.Max(0, VapourFromPsychrometer(*day.TdryC, *day.TwetC, *r.PressureKPa, PsychrometerVentilated))
		r.route(RouteHumidityWetBulb)
	case day.RHMaxPct != nil && day.RHMinPct != nil:
		r.EaKPa = VapourFromRHExtremes(r.TminC, r.TmaxC, *day.RHMinPct, *day.RHMaxPct)
		r.route(RouteHumidityExtremes)
	case day.RHMaxPct != nil:
		r.EaKPa = VapourFromRHMax(r.TminC, *day.RHMaxPct)
		r.route(RouteHumidityMax)
	case day.RHMeanPct != nil:
		r.EaKPa = VapourFromRHMean(r.TminC, r.TmaxC, *day.RHMeanPct)
		r.route(RouteHumidityMean)
	default:
		r.EaKPa = VapourFromDewPoint(r.TminC - o.DewPointOffsetC)
		r.route(RouteHumidityTmin)
	}
	if r.EaKPa > r.EsKPa {
		r.EaKPa = r.EsKPa
		r.route(RouteHumidityLimited)
	}
	r.VPDKPa = r.EsKPa - r.EaKPa
}

func (r *DailyResult) solar(day Day, site Site, o Options, extremes bool) error {
	a, b, calibrated := o.angstrom()
	switch {
	case calibrated:
		r.RsoMJM2D = new(ClearSkyCalibrated(a, b, r.RaMJM2D))
	case site.ElevationM != nil:
		r.RsoMJM2D = new(ClearSky(*site.ElevationM, r.RaMJM2D))
	}
	if day.SunshineH != nil {
		r.SunshineH = new(*day.SunshineH)
		if r.DaylightH > 0 {
			r.SunshineShare = new(*day.SunshineH / r.DaylightH)
		}
	}
	estimated := true
	switch {
	case day.SolarMJM2D != nil:
		r.RsMJM2D, estimated = *day.SolarMJM2D, false
		r.route(RouteSolarMeasured)
	case day.SunshineH != nil:
		r.RsMJM2D, estimated = SolarFromSunshine(*day.SunshineH, r.DaylightH, r.RaMJM2D, a, b), false
		r.route(RouteSolarSunshine)
	case o.RegionalRatio > 0:
		r.RsMJM2D = o.RegionalRatio * r.RaMJM2D
		r.route(RouteSolarRegional)
	case o.Island:
		r.RsMJM2D = SolarOnIsland(r.RaMJM2D)
		r.route(RouteSolarIsland)
	case extremes:
		r.RsMJM2D = SolarFromTemperature(r.TminC, r.TmaxC, r.RaMJM2D, o.krs())
		r.route(RouteSolarTemperature)
	default:
		var ps Problems
		ps.missing("solar_mj_m2")
		return ps.Err()
	}
	if estimated && r.RsoMJM2D != nil && r.RsMJM2D > *r.RsoMJM2D {
		r.RsMJM2D = *r.RsoMJM2D
		r.route(RouteSolarLimited)
	}
	r.RsMM = EvaporationEquivalent(r.RsMJM2D)
	r.RnsMJM2D = NetShortwave(r.RsMJM2D)
	return nil
}

// energy fills net radiation, soil heat and the Penman-Monteith sum.
func (r *DailyResult) energy(day Day, site Site, o Options) {
	s := r.Reference.surface()
	if _, _, calibrated := o.angstrom(); calibrated {
		r.route(RouteClearSkyCalibrated)
	} else {
		r.route(RouteClearSkyElevation)
	}
	ratio := o.lowSunRatio()
	if *r.RsoMJM2D > 0 {
		ratio = r.RsMJM2D / *r.RsoMJM2D
		r.RsRso = new(ratio)
	} else {
		r.route(RouteLongwaveAssumed)
	}
	l := netLongwave(s.sigmaDaily, r.TminC, r.TmaxC, r.EaKPa, ratio, s.ratioMin)
	if l.limited {
		r.route(RouteLongwaveLimited)
	}
	r.SigmaTmax4, r.SigmaTmin4 = new(l.sigmaMax), new(l.sigmaMin)
	r.EmissivityTerm, r.CloudFactor, r.RnlMJM2D = new(l.emissivity), new(l.cloud), new(l.net)
	rn := r.RnsMJM2D - l.net
	r.RnMJM2D, r.RnMM = new(rn), new(EvaporationEquivalent(rn))

	g := 0.0
	switch {
	case day.SoilHeatMJM2 != nil:
		g = *day.SoilHeatMJM2
		r.route(RouteSoilHeatGiven)
	case day.MonthBeforeC != nil && day.MonthAfterC != nil:
		g = SoilHeatMonthBoth(*day.MonthBeforeC, *day.MonthAfterC)
		r.route(RouteSoilHeatMonthBoth)
	case day.MonthBeforeC != nil:
		g = SoilHeatMonthBefore(*day.MonthBeforeC, r.TmeanC)
		r.route(RouteSoilHeatMonthBefore)
	default:
		r.route(RouteSoilHeatZero)
	}
	r.GMJM2D, r.RnMinusGMJM2D = new(g), new(rn-g)
	c := penmanMonteith(r.DeltaKPaC, *r.GammaKPaC, rn-g, r.TmeanC, r.U2MS, r.VPDKPa, s.cnDaily, s.cdDaily)
	r.ResistanceTerm, r.DeltaWeight, r.GammaWeight, r.WindFactor = new(c.resistance), new(c.deltaWeight), new(c.gammaWeight), new(c.windFactor)
	r.RadiationTermMM, r.AeroTermMM = new(c.radiationMM), new(c.aerodynamicMM)
	raw := c.radiationMM + c.aerodynamicMM
	r.RawMM = new(raw)
	r.route(RoutePenmanMonteith)
	r.ET0MM = math.Max(0, raw)
	if raw < 0 {
		r.route(RouteNegativeToZero)
	}
}
