package exchange

import (
	"io"
	"time"

	"sapward/finding"
	"sapward/flow/compare"
	"sapward/flow/weather"
)

// Columns of MONTHLY.
const (
	climateMonth Col = iota
	climateET0
	climateFirstValue
)

// climateNames are the means a month may have, as in a daily weather table.
var climateNames = []string{"tmin_c", "tmax_c", "tmean_c", "rhmin_pct", "rhmax_pct", "rhmean_pct", "tdew_c", "vapour_kpa", "wind_ms", "solar_mj_m2", "sunshine_h"}

var climateSpec = func() *Spec {
	s := &Spec{What: "climate", Columns: []Column{
		climateMonth: {Name: "month", Need: true, Also: []string{"mes"}},
		climateET0:   {Name: "et0_mm_d", Kind: Number, Also: []string{"et0_mm", "et0"}},
	}}
	for _, n := range climateNames {
		s.Columns = append(s.Columns, Column{Name: n, Kind: Number, Also: weatherAlso[n]})
	}
	return s
}()

// ClimateMonth is the mean day of a month.
type ClimateMonth struct {
	Month int
	ET0   *float64    // mm/d, where the table gives it
	Day   weather.Day // means of the month, dated on its 15th in 2001
	Line  int
}

// ReadClimate reads monthly means: month (1 to 12) and either et0_mm_d with a
// temperature, or the columns of a daily weather table from which reference
// evapotranspiration can be worked out. All twelve months are needed, each
// once. The result is in order of the months. Values are judged as those of a
// daily weather table are.
func ReadClimate(path string) ([]ClimateMonth, Summary, error) {
	months, sum, err := ReadTableFile(path, climateSpec, climateRow)
	return climateOf(months, sum, err)
}

// ReadClimateFrom is ReadClimate from a stream, CSV or XLSX.
func ReadClimateFrom(r io.Reader, name string) ([]ClimateMonth, Summary, error) {
	months, sum, err := ReadTable(r, name, climateSpec, climateRow)
	return climateOf(months, sum, err)
}

// climateOf checks and completes what was read.
func climateOf(months []ClimateMonth, sum Summary, err error) ([]ClimateMonth, Summary, error) {
	if err != nil {
		return nil, sum, err
	}
	var faults collector
	out := make([]ClimateMonth, 12)
	for _, m := range months {
		at := finding.Where{File: sum.File, Line: m.Line}
		if first := out[m.Month-1]; first.Line > 0 {
			faults.add(finding.Bad("climate-month-twice", at, finding.Args{"month": finding.Count(m.Month), "line": finding.Count(first.Line)}))
			continue
		}
		if m.Day.TmeanC == nil && (m.Day.TminC == nil || m.Day.TmaxC == nil) {
			faults.add(finding.Bad("climate-no-temperature", at, finding.Args{"month": finding.Count(m.Month)}))
		}
		out[m.Month-1] = m
	}
	for i, m := range out {
		if m.Line == 0 {
			faults.add(finding.Bad("climate-month-missing", finding.Where{File: sum.File}, finding.Args{"month": finding.Count(i + 1)}))
		}
	}
	if err := faults.err(sum.File); err != nil {
		return nil, sum, err
	}
	// The middle of the extremes stands for a mean that is not given, and the
	// neighbouring months give the heat of the soil (FAO-56 Eq. 43).
	mean := func(i int) *float64 {
		d := out[(i+12)%12].Day
		if d.TmeanC != nil {
			return d.TmeanC
		}
		return new((*d.TminC + *d.TmaxC) / 2)
	}
	before, after := [12]*float64{}, [12]*float64{}
	for i := range out {
		before[i], after[i] = mean(i-1), mean(i+1)
	}
	for i := range out {
		out[i].Day.MonthBeforeC, out[i].Day.MonthAfterC = before[i], after[i]
	}
	return out, sum, nil
}

func climateRow(r *Row) ClimateMonth {
	m := ClimateMonth{Line: r.Line}
	if n, ok := r.Int(climateMonth, 1, 12); ok {
		m.Month = n
	} else {
		m.Month = 1 // the row has a fault and is not used
	}
	if x, ok := r.Float(climateET0, 0, 30); ok {
		m.ET0 = new(x)
	}
	m.Day.Date = weather.Date{Year: 2001, Month: time.Month(m.Month), Day: 15}
	for i, name := range climateNames {
		low, high := climateRange(name)
		x, ok := r.Float(climateFirstValue+i, low, high)
		if !ok {
			continue
		}
		v := new(x)
		switch name {
		case "tmin_c":
			m.Day.TminC = v
		case "tmax_c":
			m.Day.TmaxC = v
		case "tmean_c":
			m.Day.TmeanC = v
		case "rhmin_pct":
			m.Day.RHMinPct = v
		case "rhmax_pct":
			m.Day.RHMaxPct = v
		case "rhmean_pct":
			m.Day.RHMeanPct = v
		case "tdew_c":
			m.Day.TdewC = v
		case "vapour_kpa":
			m.Day.VapourKPa = v
		case "wind_ms":
			m.Day.WindMS = v
		case "solar_mj_m2":
			m.Day.SolarMJM2D = v
		case "sunshine_h":
			m.Day.SunshineH = v
		}
	}
	return m
}

// climateRange is what a monthly mean may be: outside lies only a slip of unit
// (program default, about the records of the weather).
func climateRange(name string) (low, high float64) {
	switch name {
	case "tmin_c", "tmax_c", "tmean_c", "tdew_c":
		return -60, 55
	case "rhmin_pct", "rhmax_pct", "rhmean_pct":
		return 0, 100
	case "vapour_kpa":
		return 0, 10
	case "wind_ms":
		return 0, 25
	case "solar_mj_m2":
		return 0, 46
	}
	return 0, 24
}

// MeanDays works out the mean day of each month at a site: its warmth, and the
// reference evapotranspiration of the table or by FAO-56 from the means. Errors:
// finding.Faults for months that do not give one.
func MeanDays(table []ClimateMonth, site weather.Site, opts weather.Options) ([]compare.MeanDay, error) {
	out := make([]compare.MeanDay, len(table))
	var faults finding.Faults
	for i, m := range table {
		if m.Day.TmeanC != nil {
			out[i].MeanC = *m.Day.TmeanC
		} else {
			out[i].MeanC = (*m.Day.TminC + *m.Day.TmaxC) / 2
		}
		if m.ET0 != nil {
			out[i].ET0Mm = *m.ET0
			continue
		}
		r, err := weather.Daily(site, m.Day, opts)
		if err != nil {
			faults = append(faults, finding.Bad("climate-unusable", finding.Where{Line: m.Line}, finding.Args{"month": finding.Count(m.Month), "reason": finding.Text(err.Error())}))
			continue
		}
		out[i].ET0Mm = r.ET0MM
	}
	return out, faults.OrNil()
}
