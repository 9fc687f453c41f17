package weather

import (
	"math"
	"time"
)

// Hour holds what was measured in a period of a quarter of an hour to an hour.
// Nil means not measured; TempC is needed.
type Hour struct {
	// Start is the beginning of the period as an instant; its location gives the
	// local date.
	Start time.Time `json:"start"`
	// HoursH is the length of the period, 0.25 to 1 h; zero means 1 h.
	HoursH      float64  `json:"hours_h,omitempty"`
	TempC       *float64 `json:"temp_c,omitempty"`
	RHPct       *float64 `json:"rh_pct,omitempty"`
	TdewC       *float64 `json:"tdew_c,omitempty"`
	VapourKPa   *float64 `json:"vapour_kpa,omitempty"`
	PressureKPa *float64 `json:"pressure_kpa,omitempty"`
	WindMS      *float64 `json:"wind_ms,omitempty"`
	// SolarMJM2 is the radiation of the whole period.
	SolarMJM2 *float64 `json:"solar_mj_m2,omitempty"`
	// SunshineH is the hours of bright sun in the period.
	SunshineH *float64 `json:"sunshine_h,omitempty"`
	// DayTminC and DayTmaxC are the extremes of the local day. They stand in for
	// missing humidity (Eq. 48) and radiation (Eq. 50).
	DayTminC *float64 `json:"day_tmin_c,omitempty"`
	DayTmaxC *float64 `json:"day_tmax_c,omitempty"`
	// LowSunRatio is the Rs/Rso two to three hours before sunset; it is used
	// while the sun stands less than 0.3 rad above the horizon.
	LowSunRatio *float64 `json:"low_sun_ratio,omitempty"`
}

// lowSunRad is the height of the sun below which Rs/Rso of the hour itself is not
// trusted: 0.3 rad, about 17 degrees, ASCE-EWRI (2005) p. 44.
const lowSunRad = 0.3

// HourlyResult holds reference evapotranspiration of a period and every step to
// it. Quantities per hour (_mj_m2_h) are rates; ET0MM is the depth of the period.
type HourlyResult struct {
	Start     time.Time `json:"time"`
	HoursH    float64   `json:"hours_h"`
	Reference Reference `json:"reference"`
	ET0MM     float64   `json:"et0_mm"`
	Routes    []string  `json:"routes"`

	DayOfYear    int     `json:"day_of_year"`
	LatitudeRad  float64 `json:"latitude_rad"`
	LongitudeDeg float64 `json:"longitude_deg"`

	TempC       float64 `json:"temp_c"`
	PressureKPa float64 `json:"pressure_kpa"` // Eq. 7
	GammaKPaC   float64 `json:"gamma_kpa_c"`  // Eq. 8
	DeltaKPaC   float64 `json:"delta_kpa_c"`  // Eq. 13
	U2MS        float64 `json:"u2_ms"`        // Eq. 47
	EsKPa       float64 `json:"es_kpa"`       // e0(T), Eq. 11
	EaKPa       float64 `json:"ea_kpa"`       // Eq. 54
	VPDKPa      float64 `json:"vpd_kpa"`      // e0(T) - ea

	InverseDistance     float64 `json:"inverse_distance"`      // dr, Eq. 23
	DeclinationRad      float64 `json:"declination_rad"`       // Eq. 24
	SunsetAngleRad      float64 `json:"sunset_angle_rad"`      // Eq. 25
	SeasonalCorrectionH float64 `json:"seasonal_correction_h"` // Sc, Eq. 32
	HourAngleRad        float64 `json:"hour_angle_rad"`        // omega at the middle, Eq. 31
	SunElevationRad     float64 `json:"sun_elevation_rad"`     // at the middle
	DaylightShare       float64 `json:"daylight_share"`        // of the period

	RaMJM2H        float64  `json:"ra_mj_m2_h"`          // Eq. 28
	RsMJM2H        float64  `json:"rs_mj_m2_h"`          // measured, Eq. 35 or 50
	RsoMJM2H       float64  `json:"rso_mj_m2_h"`         // Eq. 36, 37
	RsRso          *float64 `json:"rs_rso,omitempty"`    // of this period
	RsRsoUsed      float64  `json:"rs_rso_used"`         // in Eq. 39
	RnsMJM2H       float64  `json:"rns_mj_m2_h"`         // Eq. 38
	SigmaT4MJM2H   float64  `json:"sigma_t4_mj_m2_h"`    // Eq. 39
	EmissivityTerm float64  `json:"emissivity_term"`     // 0.34 - 0.14 sqrt(ea)
	CloudFactor    float64  `json:"cloud_factor"`        // 1.35 Rs/Rso - 0.35
	RnlMJM2H       float64  `json:"rnl_mj_m2_h"`         // Eq. 39
	RnMJM2H        float64  `json:"rn_mj_m2_h"`          // Eq. 40
	GMJM2H         float64  `json:"g_mj_m2_h"`           // Eq. 45, 46
	RnMinusGMJM2H  float64  `json:"rn_minus_g_mj_m2_h"`  // Rn - G
	ResistanceTerm float64  `json:"resistance_term"`     // 1 + Cd u2
	DeltaWeight    float64  `json:"delta_weight"`        // as in DailyResult
	GammaWeight    float64  `json:"gamma_weight"`        // as in DailyResult
	WindFactor     float64  `json:"wind_factor"`         // Cn/(T + 273) u2
	RadiationMMH   float64  `json:"radiation_term_mm_h"` // first term of Eq. 53
	AerodynamicMMH float64  `json:"aerodynamic_term_mm_h"`
	RawMMH         float64  `json:"penman_monteith_raw_mm_h"`
}

func (r *HourlyResult) route(id string) { r.Routes = append(r.Routes, id) }

func (h Hour) check() Problems {
	var ps Problems
	if h.Start.IsZero() {
		ps.add(Problem{Row: NoRow, Column: "time", Code: CodeNoStamp})
	}
	if h.HoursH != 0 {
		ps.within("hours_h", &h.HoursH, 0.25, 1)
	}
	for _, c := range []struct {
		name   string
		v      *float64
		lo, hi float64
	}{
		{"temp_c", h.TempC, -80, 60}, {"tdew_c", h.TdewC, -100, 60}, {"rh_pct", h.RHPct, 0, 100},
		{"vapour_kpa", h.VapourKPa, 0, 20}, {"pressure_kpa", h.PressureKPa, 40, 110}, {"wind_ms", h.WindMS, 0, 60},
		{"solar_mj_m2", h.SolarMJM2, 0, 6}, {"sunshine_h", h.SunshineH, 0, 1},
		{"day_tmin_c", h.DayTminC, -80, 60}, {"day_tmax_c", h.DayTmaxC, -80, 60}, {"low_sun_ratio", h.LowSunRatio, 0, 1},
	} {
		ps.within(c.name, c.v, c.lo, c.hi)
	}
	if h.TempC == nil {
		ps.missing("temp_c")
	}
	return ps
}

// Hourly returns reference evapotranspiration of a period (Eq. 53) with its
// steps. Missing values take the routes of Daily as far as they make sense within
// a day: humidity falls back to the day's Tmin as dew point, radiation to sunshine
// and then to the day's temperature range with the period's own Ra. While the sun
// is under 0.3 rad, Rs/Rso comes from Hour.LowSunRatio or else from the options.
//
// FAO-56 soil heat is a tenth of Rn while the sun is up in the middle of the
// period and half of it otherwise; the ASCE surfaces divide day from night by the
// sign of Rn. A negative sum gives 0 and keeps the raw value. Elevation is needed.
func Hourly(site Site, hour Hour, o Options) (HourlyResult, error) {
	ps := append(site.Check(), o.Check()...)
	ps = append(ps, hour.check()...)
	if site.ElevationM == nil {
		ps.missing("elevation_m")
	}
	if hour.RHPct == nil && hour.TdewC == nil && hour.VapourKPa == nil && hour.DayTminC == nil {
		ps.missing("rh_pct")
	}
	if hour.SolarMJM2 == nil && hour.SunshineH == nil && o.RegionalRatio == 0 && (hour.DayTminC == nil || hour.DayTmaxC == nil) {
		ps.missing("solar_mj_m2")
	}
	if err := ps.Err(); err != nil {
		return HourlyResult{}, err
	}
	ref := o.Reference
	if ref == "" {
		ref = FAO56
	}
	r := HourlyResult{
		Start: hour.Start, HoursH: hour.HoursH, Reference: ref,
		DayOfYear: hour.Start.YearDay(), LatitudeRad: radians(site.LatitudeDeg), TempC: *hour.TempC,
	}
	if r.HoursH == 0 {
		r.HoursH = 1
	}
	r.sun(site)
	if hour.PressureKPa != nil {
		r.PressureKPa = *hour.PressureKPa
	} else {
		r.PressureKPa = Pressure(*site.ElevationM)
		r.route(RoutePressureElevation)
	}
	r.GammaKPaC = PsychrometricConstant(r.PressureKPa)
	r.DeltaKPaC = SaturationSlope(r.TempC)
	r.U2MS = windRoute(hour.WindMS, site, o, r.route)
	r.humidity(hour, o)
	r.solar(hour, site, o)
	r.energy()
	return r, nil
}

func (r *HourlyResult) sun(site Site) {
	if site.LongitudeDeg != nil {
		r.LongitudeDeg = *site.LongitudeDeg
	} else {
		r.LongitudeDeg = ZoneLongitude(r.Start.Location(), r.Start.Year())
		r.route(RouteLongitudeZone)
	}
	r.InverseDistance = InverseDistance(r.DayOfYear)
	r.DeclinationRad = Declination(r.DayOfYear)
	r.SunsetAngleRad = SunsetAngle(r.LatitudeRad, r.DeclinationRad)
	r.SeasonalCorrectionH = SeasonalCorrection(r.DayOfYear)
	r.HourAngleRad = SolarHourAngle(r.Start.Add(hoursToDuration(r.HoursH/2)), r.LongitudeDeg, r.DayOfYear)
	r.SunElevationRad = math.Asin(clamp(SunElevationSine(r.LatitudeRad, r.DeclinationRad, r.HourAngleRad), -1, 1))
	r.DaylightShare = DaylightShare(r.LatitudeRad, r.DayOfYear, r.HourAngleRad, r.HoursH)
	r.RaMJM2H = ExtraterrestrialPeriod(r.LatitudeRad, r.DayOfYear, r.HourAngleRad, r.HoursH) / r.HoursH
}

func (r *HourlyResult) humidity(hour Hour, o Options) {
	r.EsKPa = SaturationPressure(r.TempC)
	switch {
	case hour.VapourKPa != nil:
		r.EaKPa = *hour.VapourKPa
		r.route(RouteHumidityVapour)
	case hour.TdewC != nil:
		r.EaKPa = VapourFromDewPoint(*hour.TdewC)
		r.route(RouteHumidityDewPoint)
	case hour.RHPct != nil:
		r.EaKPa = r.EsKPa * *hour.RHPct / 100
		r.route(RouteHumidityHourly)
	default:
		r.EaKPa = VapourFromDewPoint(*hour.DayTminC - o.DewPointOffsetC)
		r.route(RouteHumidityTmin)
	}
	if r.EaKPa > r.EsKPa {
		r.EaKPa = r.EsKPa
		r.route(RouteHumidityLimited)
	}
	r.VPDKPa = r.EsKPa - r.EaKPa
}

func (r *HourlyResult) solar(hour Hour, site Site, o Options) {
	a, b, calibrated := o.angstrom()
	r.RsoMJM2H = ClearSky(*site.ElevationM, r.RaMJM2H)
	clearSky := RouteClearSkyElevation
	if calibrated {
		r.RsoMJM2H = ClearSkyCalibrated(a, b, r.RaMJM2H)
		clearSky = RouteClearSkyCalibrated
	}
	estimated := true
	switch {
	case hour.SolarMJM2 != nil:
		r.RsMJM2H, estimated = *hour.SolarMJM2/r.HoursH, false
		r.route(RouteSolarMeasured)
	case hour.SunshineH != nil:
		r.RsMJM2H = SolarFromSunshine(*hour.SunshineH, r.DaylightShare*r.HoursH, r.RaMJM2H, a, b)
		estimated = false
		r.route(RouteSolarSunshine)
	case o.RegionalRatio > 0:
		r.RsMJM2H = o.RegionalRatio * r.RaMJM2H
		r.route(RouteSolarRegional)
	default:
		r.RsMJM2H = SolarFromTemperature(*hour.DayTminC, *hour.DayTmaxC, r.RaMJM2H, o.krs())
		r.route(RouteSolarTemperature)
	}
	if estimated && r.RsMJM2H > r.RsoMJM2H {
		r.RsMJM2H = r.RsoMJM2H
		r.route(RouteSolarLimited)
	}
	r.route(clearSky)
	r.RnsMJM2H = NetShortwave(r.RsMJM2H)
	if r.RsoMJM2H > 0 {
		r.RsRso = new(r.RsMJM2H / r.RsoMJM2H)
	}
	switch {
	case r.SunElevationRad >= lowSunRad && r.RsRso != nil:
		r.RsRsoUsed = *r.RsRso
	case hour.LowSunRatio != nil:
		r.RsRsoUsed = *hour.LowSunRatio
		r.route(RouteLongwaveAfternoon)
	default:
		r.RsRsoUsed = o.lowSunRatio()
		r.route(RouteLongwaveAssumed)
	}
}

func (r *HourlyResult) energy() {
	s := r.Reference.surface()
	l := netLongwave(s.sigmaHourly, r.TempC, r.TempC, r.EaKPa, r.RsRsoUsed, s.ratioMin)
	if l.limited {
		r.route(RouteLongwaveLimited)
	}
	r.SigmaT4MJM2H, r.EmissivityTerm, r.CloudFactor, r.RnlMJM2H = l.sigmaMax, l.emissivity, l.cloud, l.net
	r.RnMJM2H = r.RnsMJM2H - l.net
	daytime := r.SunElevationRad > 0
	if s.dayByNetRadiation {
		daytime = r.RnMJM2H > 0
	}
	soil, cd := s.soilNight, s.cdNight
	if daytime {
		soil, cd = s.soilDay, s.cdDay
		r.route(RouteSoilHeatDay)
	} else {
		r.route(RouteSoilHeatNight)
	}
	r.GMJM2H = soil * r.RnMJM2H
	r.RnMinusGMJM2H = r.RnMJM2H - r.GMJM2H
	c := penmanMonteith(r.DeltaKPaC, r.GammaKPaC, r.RnMinusGMJM2H, r.TempC, r.U2MS, r.VPDKPa, s.cnHourly, cd)
	r.ResistanceTerm, r.DeltaWeight, r.GammaWeight, r.WindFactor = c.resistance, c.deltaWeight, c.gammaWeight, c.windFactor
	r.RadiationMMH, r.AerodynamicMMH = c.radiationMM, c.aerodynamicMM
	r.RawMMH = c.radiationMM + c.aerodynamicMM
	r.route(RoutePenmanMonteith)
	r.ET0MM = math.Max(0, r.RawMMH) * r.HoursH
	if r.RawMMH < 0 {
		r.route(RouteNegativeToZero)
	}
}
