package weather_test

import (
	"fmt"
	"time"

	"sapward/flow/weather"
)

// The station and the day are FAO-56 Example 18, Uccle, 6 July.
func ExampleDaily() {
	site := weather.Site{LatitudeDeg: 50.80, ElevationM: new(100.0), WindHeightM: 10}
	r, err := weather.Daily(site, weather.Day{
		Date: weather.Date{Year: 2015, Month: time.July, Day: 6}, TminC: new(12.3), TmaxC: new(21.5),
		RHMinPct: new(63.0), RHMaxPct: new(84.0), WindMS: new(10 / 3.6), SunshineH: new(9.25),
	}, weather.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("ET0 %.2f mm, Ra %.2f MJ/m2, deficit %.3f kPa\n", r.ET0MM, r.RaMJM2D, r.VPDKPa)
	for _, id := range r.Routes {
		fmt.Println(id)
	}
	// Output:
	// ET0 3.88 mm, Ra 41.09 MJ/m2, deficit 0.589 kPa
	// pressure.elevation
	// wind.height_converted
	// humidity.rh_max_min
	// radiation.sunshine
	// clear_sky.elevation
	// soil_heat.zero
	// et0.penman_monteith
}

// An invented dry June day, known only by its extremes, and an invented label.
// The times are regression values.
func ExampleWindows() {
	rows := []weather.Row{{Date: weather.Date{Year: 2026, Month: time.June, Day: 10}, TminC: new(12.0), TmaxC: new(27.0), RainMM: new(0.0)}}
	series, problems := weather.NewSeries(rows, weather.SeriesOptions{})
	if problems.Err() != nil {
		fmt.Println(problems)
		return
	}
	site := weather.Site{LatitudeDeg: 48, LongitudeDeg: new(0.0), ElevationM: new(200.0)}
	rules := weather.Rules{Label: weather.Label{TempMaxC: new(26.0)}, Practice: weather.DefaultPractice()}
	hours, _ := weather.Assess(series, site, rules, weather.Situation{Soil: weather.SoilMoist}, weather.Options{})
	for _, w := range weather.Windows(hours) {
		fmt.Printf("%s-%s %s", w.Start.Format("15:04"), w.End.Format("15:04"), w.Status)
		for _, r := range w.Why {
			if r.Effect == weather.EffectBlocks {
				fmt.Printf(" [%s %s]", r.Authority, r.Code)
			}
		}
		fmt.Println()
	}
	// Output:
	// 00:00-03:00 unsuitable [practice practice.daylight] [practice practice.vpd_min]
	// 03:00-04:00 unsuitable [practice practice.daylight] [practice practice.fog] [practice practice.vpd_min]
	// 04:00-05:00 unsuitable [practice practice.fog] [practice practice.vpd_min]
	// 05:00-08:00 unsuitable [practice practice.vpd_min]
	// 08:00-12:00 suitable
	// 12:00-13:00 forbidden [label label.temperature_max]
	// 13:00-16:00 forbidden [label label.temperature_max] [practice practice.vpd_max]
	// 16:00-20:00 suitable
	// 20:00-23:00 unsuitable [practice practice.daylight]
	// 23:00-00:00 unsuitable [practice practice.daylight] [practice practice.vpd_min]
}
