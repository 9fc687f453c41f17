package weather

import (
	"math"
	"time"
)

// peakAfterNoonH is when the day is warmest, in hours after solar noon. Program
// default; 2 h is what most sine curves of the literature use (from memory).
const peakAfterNoonH = 2.0

// EstimateHours spreads a daily series over hours, as an estimate:
//
//   - temperature by half sine waves from Tmin at sunrise to Tmax two hours after
//     solar noon and on to Tmin at the next sunrise (the form of de Wit, Goudriaan
//     and van Laar 1978, from memory); the neighbouring days' extremes are used
//     where the series has them;
//   - vapour pressure held at the day's value, so that humidity follows
//     temperature, and never above saturation;
//   - radiation in proportion to Ra; wind as the day's mean.
//
// Rain and sunshine are not spread: nobody knows at which hour they fell. Days
// without both extremes are left out. The hours of a local day run from midnight
// to midnight of loc, 23 or 25 when the clock changes. Without a longitude the
// site stands on the middle of its zone. Days that cannot be estimated come back
// as problems.
func EstimateHours(s Series, site Site, o Options) (Series, Problems) {
	out := Series{Kind: KindHourly, Loc: s.Loc, StepH: 1}
	ps := append(site.Check(), o.Check()...)
	if s.Kind != KindDaily {
		ps.add(Problem{Row: NoRow, Column: "date", Code: CodeMissing})
	}
	if len(ps) > 0 {
		return out, ps
	}
	near := map[Date]Row{}
	for _, r := range s.Rows {
		if r.TminC != nil && r.TmaxC != nil {
			near[r.Date] = r
		}
	}
	for i, r := range s.Rows {
		if _, ok := near[r.Date]; !ok {
			ps.add(Problem{Row: s.Source[i], Column: "tmin_c", Code: CodeMissing, Severity: SeverityWarning})
			continue
		}
		day, err := Daily(site, r.day(), o)
		if err != nil {
			ps = append(ps, asProblems(err).at(s.Source[i])...)
			continue
		}
		lon := siteLongitude(site, s.Loc, r.Date.Year)
		at := newSineDay(near, r.Date, s.Loc, site.LatitudeDeg, lon)
		start := time.Date(r.Date.Year, r.Date.Month, r.Date.Day, 0, 0, 0, 0, s.Loc)
		end := time.Date(r.Date.Year, r.Date.Month, r.Date.Day+1, 0, 0, 0, 0, s.Loc)
		for t := start; t.Before(end); t = t.Add(time.Hour) {
			middle := t.Add(30 * time.Minute)
			temp := at.temperature(middle)
			es := SaturationPressure(temp)
			ea := math.Min(es, day.EaKPa)
			ra := ExtraterrestrialPeriod(day.LatitudeRad, day.DayOfYear, SolarHourAngle(middle, lon, day.DayOfYear), 1)
			rs := 0.0
			if day.RaMJM2D > 0 {
				rs = day.RsMJM2D * ra / day.RaMJM2D
			}
			row := Row{Time: t, TempC: new(temp), VapourKPa: new(ea), RHPct: new(100 * ea / es), SolarMJM2: new(rs)}
			if r.WindMS != nil {
				row.WindMS = new(*r.WindMS)
			}
			out.Rows = append(out.Rows, row)
			out.Source = append(out.Source, s.Source[i])
		}
	}
	return out, ps
}

func siteLongitude(site Site, loc *time.Location, year int) float64 {
	if site.LongitudeDeg != nil {
		return *site.LongitudeDeg
	}
	return ZoneLongitude(loc, year)
}

// sineDay holds the turning points of temperature round a day: the peak of the
// day before, the trough and the peak of this one, the trough of the next.
type sineDay struct {
	at   [4]time.Time
	temp [4]float64
}

func newSineDay(near map[Date]Row, date Date, loc *time.Location, lat, lon float64) sineDay {
	trough := func(d Date) time.Time {
		sun := SunTimesOn(d, loc, lat, lon)
		if sun.PolarNight {
			return sun.Noon.Add(-6 * time.Hour)
		}
		return sun.Rise
	}
	peak := func(d Date) time.Time {
		return SunTimesOn(d, loc, lat, lon).Noon.Add(hoursToDuration(peakAfterNoonH))
	}
	today := near[date]
	before, ok := near[date.Add(-1)]
	if !ok {
		before = today
	}
	after, ok := near[date.Add(1)]
	if !ok {
		after = today
	}
	return sineDay{
		at:   [4]time.Time{peak(date.Add(-1)), trough(date), peak(date), trough(date.Add(1))},
		temp: [4]float64{*before.TmaxC, *today.TminC, *today.TmaxC, *after.TminC},
	}
}

func (d sineDay) temperature(t time.Time) float64 {
	for k := 0; k < 3; k++ {
		if k < 2 && !t.Before(d.at[k+1]) {
			continue
		}
		whole := d.at[k+1].Sub(d.at[k]).Hours()
		x := clamp(t.Sub(d.at[k]).Hours()/whole, 0, 1)
		return d.temp[k] + (d.temp[k+1]-d.temp[k])*(1-math.Cos(math.Pi*x))/2
	}
	return d.temp[3]
}
