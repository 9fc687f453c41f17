package cli

import (
	"math"
	"slices"
	"strconv"
	"time"

	"sapward/finding"
	"sapward/flow/sap"
	"sapward/flow/weather"
	"sapward/internal/exchange"
	"sapward/measure/civil"
)

// waterDays is the weather of the days after the work, as the sap clock wants
// it: measured or forecast first, monthly means after.
type waterDays struct {
	site    weather.Site
	opts    weather.Options
	zone    *time.Location
	foliage []int // months with leaves; empty: nobody said

	on       civil.Date
	days     []sap.Day
	fromFile int // how many of the days the weather table gave
	problems weather.Problems
	rings    bool // an evergreen forms its new ring too, in the first days of spring
}

// springMonth is the month in which an evergreen's new ring is counted:
// program default.
func (w *waterDays) springMonth() int {
	if w.site.LatitudeDeg < 0 {
		return 10
	}
	return 4
}

// today is one day's water and warmth.
type today struct{ et0, mean float64 }

// read lays out the days from the work to the longest day asked. Without a day
// of work the table's first whole day is taken. Without a table (nil) monthly
// means give every day.
func (w *waterDays) read(o siteOptions, wx *exchange.Weather, climate []exchange.ClimateMonth, on civil.Date, longest float64) error {
	given := map[civil.Date]today{}
	var first, last civil.Date
	put := func(d civil.Date, t today) {
		given[d] = t
		if first.IsZero() || d.Before(first) {
			first = d
		}
		if last.Before(d) {
			last = d
		}
	}
	at := finding.Where{}
	if wx != nil {
		at.File = wx.File
		if err := w.table(o, wx, put); err != nil {
			return err
		}
	}
	if wx != nil && len(given) == 0 {
		return finding.Faults{finding.Bad("movement-no-whole-day", at, nil)}
	}
	if on.IsZero() {
		on = first
	}
	if _, ok := given[on]; wx != nil && !ok {
		return finding.Faults{finding.Bad("movement-day-outside", at, finding.Args{"date": finding.Text(on.String()), "from": finding.Text(first.String()), "to": finding.Text(last.String())})}
	}
	months, err := w.climate(climate)
	if err != nil {
		return err
	}
	w.on = on
	leafy := func(d civil.Date) bool { return len(w.foliage) == 0 || slices.Contains(w.foliage, int(d.Month)) }
	n := int(math.Ceil(longest)) + 1
	for i := range n {
		d := on.AddDays(i)
		t, ok := given[d]
		switch {
		case ok:
			w.fromFile++
		case months != nil:
			t = months[d.Month-1]
		default:
			return finding.Faults{finding.Bad("movement-weather-short", at, finding.Args{
				"have": finding.Text(on.AddDays(i - 1).String()), "need": finding.Text(on.AddDays(n - 1).String()), "day": finding.Text(strconv.FormatFloat(longest, 'f', -1, 64))})}
		}
		day := sap.Day{ET0Mm: t.et0, Stress: 1, MeanC: t.mean, Leafless: !leafy(d)}
		if i > 0 {
			before := leafy(on.AddDays(i - 1))
			day.LeafOut, day.LeafFall = !before && leafy(d), before && !leafy(d)
		}
		if evergreen := w.rings && len(w.foliage)%12 == 0; i > 0 && evergreen {
			day.LeafOut = int(d.Month) == w.springMonth() && d.Day == 1
		}
		day.SunriseH, day.SunsetH = w.sun(d)
		w.days = append(w.days, day)
	}
	return nil
}

// table works out water and warmth of every whole day of a weather table.
func (w *waterDays) table(o siteOptions, wx *exchange.Weather, put func(civil.Date, today)) error {
	var ps weather.Problems
	if wx.Series.Kind == weather.KindHourly {
		if w.site.ElevationM == nil {
			return usage("weather-elevation-needed", nil)
		}
		var hours []weather.HourlyResult
		hours, ps = wx.Series.HourlyET0(w.site, w.opts)
		warmth := map[weather.Date][2]float64{}
		for _, h := range hours {
			k := weather.DateOf(h.Start)
			s := warmth[k]
			warmth[k] = [2]float64{s[0] + h.TempC*h.HoursH, s[1] + h.HoursH}
		}
		for _, t := range weather.DayTotals(hours) {
			if t.Complete {
				put(civil.Date(t.Date), today{t.ET0MM, warmth[t.Date][0] / warmth[t.Date][1]})
			}
		}
	} else {
		var results []weather.DailyResult
		results, ps = wx.Series.DailyET0(w.site, w.opts)
		for _, r := range results {
			put(civil.Date(r.Date), today{r.ET0MM, r.TmeanC})
		}
	}
	w.problems = ps
	if _, faults := o.judge(wx, ps); len(faults) > 0 {
		return faults
	}
	return nil
}

// sun returns sunrise and sunset in hours of the local clock, or zeros where
// the sun does neither.
func (w *waterDays) sun(d civil.Date) (rise, set float64) {
	lon := weather.ZoneLongitude(w.zone, d.Year)
	if w.site.LongitudeDeg != nil {
		lon = *w.site.LongitudeDeg
	}
	s := weather.SunTimesOn(weather.Date(d), w.zone, w.site.LatitudeDeg, lon)
	if s.PolarNight || s.MidnightSun {
		return 0, 0
	}
	begin := d.In(w.zone)
	rise, set = s.Rise.Sub(begin).Hours(), s.Set.Sub(begin).Hours()
	if rise < 0 || set > 24 || rise >= set { // zone and longitude do not belong together
		return 0, 0
	}
	return rise, set
}

// climate works out the mean day of each month; nil without a table.
func (w *waterDays) climate(table []exchange.ClimateMonth) ([]today, error) {
	if table == nil {
		return nil, nil
	}
	out := make([]today, 12)
	var faults finding.Faults
	for i, m := range table {
		if m.Day.TmeanC != nil {
			out[i].mean = *m.Day.TmeanC
		} else {
			out[i].mean = (*m.Day.TminC + *m.Day.TmaxC) / 2
		}
		if m.ET0 != nil {
			out[i].et0 = *m.ET0
			continue
		}
		r, err := weather.Daily(w.site, m.Day, w.opts)
		if err != nil {
			faults = append(faults, finding.Bad("climate-unusable", finding.Where{Line: m.Line}, finding.Args{"month": finding.Count(m.Month), "reason": finding.Text(err.Error())}))
			continue
		}
		out[i].et0 = r.ET0MM
	}
	return out, faults.OrNil()
}
