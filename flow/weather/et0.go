package weather

import "time"

// day turns a checked row into the input of Daily.
func (r Row) day() Day {
	return Day{
		Date: r.Date, TminC: r.TminC, TmaxC: r.TmaxC, TmeanC: r.TmeanC,
		RHMinPct: r.RHMinPct, RHMaxPct: r.RHMaxPct, RHMeanPct: r.RHMeanPct,
		TdewC: r.TdewC, VapourKPa: r.VapourKPa, WindMS: r.WindMS,
		SolarMJM2D: r.SolarMJM2, SunshineH: r.SunshineH,
	}
}

// DailyET0 returns reference evapotranspiration of every day of a daily series
// that has enough data, with the days that have not as errors. Radiation above Ra
// and sunshine above the day's length are warnings: the value is used, since a
// tilted or wrongly scaled sensor is for a person to judge.
func (s Series) DailyET0(site Site, o Options) ([]DailyResult, Problems) {
	var ps Problems
	if s.Kind != KindDaily {
		ps.add(Problem{Row: NoRow, Column: "date", Code: CodeMissing})
		return nil, ps
	}
	if ps = append(site.Check(), o.Check()...); len(ps) > 0 {
		return nil, ps
	}
	var out []DailyResult
	for i, row := range s.Rows {
		r, err := Daily(site, row.day(), o)
		if err != nil {
			ps = append(ps, asProblems(err).at(s.Source[i])...)
			continue
		}
		if row.SolarMJM2 != nil && *row.SolarMJM2 > r.RaMJM2D+0.5 {
			ps.add(Problem{Row: s.Source[i], Column: "solar_mj_m2", Code: CodeRadiationAboveSky, Severity: SeverityWarning, Args: map[string]any{
				"value": *row.SolarMJM2, "ra_mj_m2_d": r.RaMJM2D}})
		}
		if row.SunshineH != nil && *row.SunshineH > r.DaylightH+0.25 {
			ps.add(Problem{Row: s.Source[i], Column: "sunshine_h", Code: CodeSunshineAboveDay, Severity: SeverityWarning, Args: map[string]any{
				"value": *row.SunshineH, "daylight_h": r.DaylightH}})
		}
		out = append(out, r)
	}
	return out, ps
}

// HourlyET0 returns reference evapotranspiration of every row of an hourly series
// that has enough data, with the rows that have not as errors. The Rs/Rso of the
// last period with the sun at 0.3 rad or higher serves until the next one, for at
// most 18 hours.
func (s Series) HourlyET0(site Site, o Options) ([]HourlyResult, Problems) {
	var ps Problems
	if s.Kind != KindHourly {
		ps.add(Problem{Row: NoRow, Column: "time", Code: CodeMissing})
		return nil, ps
	}
	if ps = append(site.Check(), o.Check()...); len(ps) > 0 {
		return nil, ps
	}
	if site.ElevationM == nil {
		ps.missing("elevation_m")
		return nil, ps
	}
	extremes := s.dayExtremes()
	var out []HourlyResult
	var ratio *float64
	var since time.Time
	for i, row := range s.Rows {
		h := Hour{
			Start: row.Time, HoursH: s.StepH, TempC: row.TempC, RHPct: row.RHPct, TdewC: row.TdewC, VapourKPa: row.VapourKPa,
			WindMS: row.WindMS, SolarMJM2: row.SolarMJM2, SunshineH: row.SunshineH,
		}
		if e, ok := extremes[DateOf(row.Time)]; ok {
			h.DayTminC, h.DayTmaxC = &e[0], &e[1]
		}
		if ratio != nil && row.Time.Sub(since) <= 18*time.Hour {
			h.LowSunRatio = ratio
		}
		r, err := Hourly(site, h, o)
		if err != nil {
			ps = append(ps, asProblems(err).at(s.Source[i])...)
			continue
		}
		if r.SunElevationRad >= lowSunRad && r.RsRso != nil {
			ratio, since = new(min(1, *r.RsRso)), row.Time
		}
		if row.SolarMJM2 != nil && *row.SolarMJM2/s.StepH > r.RaMJM2H+0.4 { // 0.4: 15 min of clock error at sunrise
			ps.add(Problem{Row: s.Source[i], Column: "solar_mj_m2", Code: CodeRadiationAboveSky, Severity: SeverityWarning, Args: map[string]any{
				"value": *row.SolarMJM2, "ra_mj_m2": r.RaMJM2H * s.StepH}})
		}
		out = append(out, r)
	}
	return out, ps
}

// dayExtremes returns least and greatest temperature of the local days for which
// at least three quarters of the rows have one.
func (s Series) dayExtremes() map[Date][2]float64 {
	out, count := map[Date][2]float64{}, map[Date]int{}
	for _, r := range s.Rows {
		if r.TempC == nil {
			continue
		}
		d := DateOf(r.Time)
		e, ok := out[d]
		if !ok {
			e = [2]float64{*r.TempC, *r.TempC}
		}
		out[d] = [2]float64{min(e[0], *r.TempC), max(e[1], *r.TempC)}
		count[d]++
	}
	for d, n := range count {
		if float64(n)*s.StepH < 18 {
			delete(out, d)
		}
	}
	return out
}

// DayTotal is the sum of a local day's periods.
type DayTotal struct {
	Date  Date    `json:"date"`
	ET0MM float64 `json:"et0_mm"`
	// HoursH is how many hours were summed; LocalHoursH how many the day has, 23
	// or 25 when the clock changes.
	HoursH      float64 `json:"hours_h"`
	LocalHoursH float64 `json:"local_hours_h"`
	Complete    bool    `json:"complete"`
}

// DayTotals adds hourly results up to local days, in order of first appearance.
func DayTotals(hours []HourlyResult) []DayTotal {
	var out []DayTotal
	at := map[Date]int{}
	for _, h := range hours {
		d := DateOf(h.Start)
		i, ok := at[d]
		if !ok {
			loc := h.Start.Location()
			start := time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, loc)
			end := time.Date(d.Year, d.Month, d.Day+1, 0, 0, 0, 0, loc)
			i = len(out)
			at[d] = i
			out = append(out, DayTotal{Date: d, LocalHoursH: end.Sub(start).Hours()})
		}
		out[i].ET0MM += h.ET0MM
		out[i].HoursH += h.HoursH
		out[i].Complete = out[i].HoursH >= out[i].LocalHoursH-1e-6
	}
	return out
}

// asProblems returns the problems inside an error of this package.
func asProblems(err error) Problems {
	if ps, ok := err.(Problems); ok {
		return ps
	}
	return Problems{{Row: NoRow, Code: err.Error(), Severity: SeverityError}}
}
