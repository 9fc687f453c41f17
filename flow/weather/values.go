package weather

import (
	"math"
	"sort"
)

// Limits of belief for a value of the table. They are wider than the records of
// the weather (highest air temperature 56.7 C, lowest -89.2 C, from memory), so
// that only a slip of unit or a broken sensor falls outside.
const (
	hottestC       = 60.0
	coldestC       = -90.0
	kelvinFromC    = 170.0 // above it a "temperature in C" can only be kelvin
	fahrenheitTopC = 150.0
	windTopMS      = 60.0
	solarTopDay    = 46.0 // MJ m-2 d-1: Ra nowhere passes about 46
	solarTopHour   = 5.0  // MJ m-2 h-1: 0.082 x 60 x 1.033 = 5.08 outside the air
	rainTopDayMM   = 2000.0
	rainTopHourMM  = 400.0
	// windMedianMS is the median from which wind at a station looks like miles or
	// kilometres per hour. Program default: few places average over 7 m/s.
	windMedianMS = 7.0
)

// sentinels are numbers that loggers write for "no value".
var sentinels = map[float64]bool{-9999: true, -999: true, -99.9: true, -99: true, 9999: true, -6999: true, 6999: true, 999.9: true, -999.9: true}

// values takes out what cannot be true and reports it.
func (s *Series) values(ps *Problems) {
	for i := range s.Rows {
		row := &s.Rows[i]
		for _, c := range columns {
			p := c.field(row)
			if *p == nil {
				continue
			}
			code, severity, keep := s.judge(c.name, **p)
			if code != "" {
				ps.add(Problem{Row: s.Source[i], Column: c.name, Code: code, Severity: severity, Args: map[string]any{"value": **p}})
			}
			*p = keep
		}
		s.between(i, ps)
	}
	s.wholeColumns(ps)
}

// judge returns the code of what is wrong with a value and the value to use.
func (s Series) judge(column string, v float64) (code string, severity Severity, keep *float64) {
	switch {
	case math.IsNaN(v) || math.IsInf(v, 0):
		return CodeNotFinite, SeverityError, nil
	case sentinels[v]:
		return CodeSentinel, SeverityWarning, nil
	}
	daily := s.Kind == KindDaily
	outside := func(lo, hi float64) (string, Severity, *float64) {
		if v < lo || v > hi {
			return CodeOutOfRange, SeverityError, nil
		}
		return "", "", &v
	}
	switch column {
	case "tmin_c", "tmax_c", "tmean_c", "tdew_c", "temp_c":
		switch {
		case v >= kelvinFromC && v <= 340:
			return CodeKelvin, SeverityError, nil
		case v > hottestC && v <= fahrenheitTopC:
			return CodeFahrenheit, SeverityError, nil
		}
		return outside(coldestC, hottestC)
	case "rhmin_pct", "rhmax_pct", "rhmean_pct", "rh_pct":
		if v > 100 && v <= 105 {
			return CodeHumidityAbove, SeverityWarning, new(100.0)
		}
		if v > 105 {
			return CodeHumidityAbove, SeverityError, nil
		}
		return outside(0, 105)
	case "vapour_kpa":
		return outside(0, 20)
	case "wind_ms":
		return outside(0, windTopMS)
	case "solar_mj_m2":
		top := solarTopHour * s.StepH * 1.1 // a tenth more for a bright edge of cloud
		if daily {
			top = solarTopDay
		}
		if v > top {
			return CodeRadiationWatts, SeverityError, nil
		}
		if v < 0 && v >= -0.05 { // thermal offset of the dome at night
			return CodeOutOfRange, SeverityNote, new(0.0)
		}
		return outside(0, top)
	case "sunshine_h":
		return outside(0, math.Min(24, s.StepH))
	case "rain_mm":
		if daily {
			return outside(0, rainTopDayMM)
		}
		return outside(0, rainTopHourMM)
	}
	return "", "", &v
}

// between compares the values of one row. Values out of order are taken out.
func (s *Series) between(i int, ps *Problems) {
	r := &s.Rows[i]
	disorder := func(lo, hi *float64) bool { return lo != nil && hi != nil && *lo > *hi }
	report := func(column, code string, severity Severity, args map[string]any) {
		ps.add(Problem{Row: s.Source[i], Column: column, Code: code, Severity: severity, Args: args})
	}
	if disorder(r.TminC, r.TmaxC) {
		report("tmin_c", CodeTemperatureOrder, SeverityError, map[string]any{"tmin_c": *r.TminC, "tmax_c": *r.TmaxC})
		r.TminC, r.TmaxC = nil, nil
	} else if disorder(r.TminC, r.TmeanC) || disorder(r.TmeanC, r.TmaxC) {
		report("tmean_c", CodeTemperatureOrder, SeverityWarning, map[string]any{"tmean_c": *r.TmeanC})
		if r.TminC != nil && r.TmaxC != nil {
			r.TmeanC = nil
		}
	}
	if disorder(r.RHMinPct, r.RHMaxPct) {
		report("rhmin_pct", CodeHumidityOrder, SeverityError, map[string]any{"rhmin_pct": *r.RHMinPct, "rhmax_pct": *r.RHMaxPct})
		r.RHMinPct, r.RHMaxPct = nil, nil
	}
	top := r.TmaxC
	if s.Kind == KindHourly {
		top = r.TempC
	}
	if r.TdewC != nil && top != nil && *r.TdewC > *top+0.5 { // 0.5 C for the sensors
		report("tdew_c", CodeDewAboveAir, SeverityError, map[string]any{"tdew_c": *r.TdewC, "air_c": *top})
		r.TdewC = nil
	}
}

// wholeColumns looks at what only the column as a whole shows.
func (s *Series) wholeColumns(ps *Problems) {
	for _, c := range columns {
		var given []float64
		first, zeros, firstZero := -1, 0, -1
		for i := range s.Rows {
			v := *c.field(&s.Rows[i])
			if v == nil {
				continue
			}
			if first < 0 {
				first = i
			}
			if *v == 0 {
				zeros++
				if firstZero < 0 {
					firstZero = i
				}
			}
			given = append(given, *v)
		}
		if len(given) == 0 {
			continue
		}
		sort.Float64s(given)
		switch c.name {
		case "wind_ms":
			if m := median(given); m > windMedianMS {
				ps.add(Problem{Row: NoRow, Column: c.name, Code: CodeWindMPH, Severity: SeverityWarning, Args: map[string]any{
					"median": m, "limit_ms": windMedianMS, "median_if_mph_ms": m * 0.44704, "median_if_kmh_ms": m / 3.6}})
			}
			if zeros > 0 {
				ps.add(Problem{Row: s.Source[firstZero], Column: c.name, Code: CodeWindZero, Severity: SeverityWarning, Args: map[string]any{
					"rows": zeros, "of": len(given)}})
			}
		case "rhmin_pct", "rhmax_pct", "rhmean_pct", "rh_pct":
			if top := given[len(given)-1]; top > 0 && top <= 1 {
				ps.add(Problem{Row: s.Source[first], Column: c.name, Code: CodeHumidityFraction, Args: map[string]any{"highest": top}})
				for i := range s.Rows {
					*c.field(&s.Rows[i]) = nil
				}
			}
		}
	}
}

// median returns the median of sorted values.
func median(sorted []float64) float64 {
	n := len(sorted)
	return (sorted[(n-1)/2] + sorted[n/2]) / 2
}
