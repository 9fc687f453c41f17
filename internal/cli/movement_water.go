package cli

import (
	"math"
	"strconv"
	"time"

	"sapward/finding"
	"sapward/flow/compare"
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

// read lays out the days from the work to the longest day asked. Without a day
// of work the table's first whole day is taken. Without a table (nil) monthly
// means give every day.
func (w *waterDays) read(o siteOptions, wx *exchange.Weather, climate []exchange.ClimateMonth, on civil.Date, longest float64) error {
	given := map[civil.Date]compare.MeanDay{}
	var first, last civil.Date
	put := func(d civil.Date, t compare.MeanDay) {
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
	var months []compare.MeanDay
	if climate != nil {
		var err error
		if months, err = exchange.MeanDays(climate, w.site, w.opts); err != nil {
			return err
		}
	}
	w.on = on
	leaves := compare.Leaves{Months: w.foliage}
	if w.rings {
		leaves.RingMonth = compare.RingMonth(w.site.LatitudeDeg)
	}
	n := int(math.Ceil(longest)) + 1
	days, missing := compare.LayDays(on, n, func(d civil.Date) (compare.MeanDay, bool) {
		t, ok := given[d]
		if ok {
			w.fromFile++
		} else if months != nil {
			t, ok = months[d.Month-1], true
		}
		return t, ok
	}, leaves, compare.SunOf(w.site, w.zone))
	if !missing.IsZero() {
		return finding.Faults{finding.Bad("movement-weather-short", at, finding.Args{
			"have": finding.Text(missing.AddDays(-1).String()), "need": finding.Text(on.AddDays(n - 1).String()), "day": finding.Text(strconv.FormatFloat(longest, 'f', -1, 64))})}
	}
	w.days = days
	return nil
}

// table works out water and warmth of every whole day of a weather table.
func (w *waterDays) table(o siteOptions, wx *exchange.Weather, put func(civil.Date, compare.MeanDay)) error {
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
				put(civil.Date(t.Date), compare.MeanDay{ET0Mm: t.ET0MM, MeanC: warmth[t.Date][0] / warmth[t.Date][1]})
			}
		}
	} else {
		var results []weather.DailyResult
		results, ps = wx.Series.DailyET0(w.site, w.opts)
		for _, r := range results {
			put(civil.Date(r.Date), compare.MeanDay{ET0Mm: r.ET0MM, MeanC: r.TmeanC})
		}
	}
	w.problems = ps
	if _, faults := o.judge(wx, ps); len(faults) > 0 {
		return faults
	}
	return nil
}
