package weather

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func codes(ps Problems) []string {
	var out []string
	for _, p := range ps {
		out = append(out, p.Code)
	}
	return out
}

func dayRow(d int, values map[string]float64) Row {
	r := Row{Date: Date{2026, time.May, d}}
	for k, v := range values {
		if !r.Set(k, v) {
			panic(k)
		}
	}
	return r
}

func good(d int) Row {
	return dayRow(d, map[string]float64{"tmin_c": 10, "tmax_c": 22, "rhmin_pct": 45, "rhmax_pct": 90, "wind_ms": 2.5, "solar_mj_m2": 20, "rain_mm": 0})
}

// TestNewSeries_Finds: each slip gives its code on its row, and a value that
// cannot be true is taken out.
func TestNewSeries_Finds(t *testing.T) {
	with := func(d int, column string, v float64) Row { r := good(d); r.Set(column, v); return r }
	for _, c := range []struct {
		name, code, column string
		rows               []Row
		row                int
		severity           Severity
		keep               *float64
	}{
		{"kelvin", CodeKelvin, "tmax_c", []Row{good(1), with(2, "tmax_c", 295.15)}, 1, SeverityError, nil},
		{"Fahrenheit", CodeFahrenheit, "tmax_c", []Row{with(1, "tmax_c", 81)}, 0, SeverityError, nil},
		{"humidity just above", CodeHumidityAbove, "rhmax_pct", []Row{with(1, "rhmax_pct", 101.2)}, 0, SeverityWarning, new(100.0)},
		{"humidity far above", CodeHumidityAbove, "rhmax_pct", []Row{with(1, "rhmax_pct", 120)}, 0, SeverityError, nil},
		{"humidity negative", CodeOutOfRange, "rhmin_pct", []Row{with(1, "rhmin_pct", -3)}, 0, SeverityError, nil},
		{"zero wind", CodeWindZero, "wind_ms", []Row{good(1), with(2, "wind_ms", 0)}, 1, SeverityWarning, new(0.0)},
		{"watts", CodeRadiationWatts, "solar_mj_m2", []Row{with(1, "solar_mj_m2", 240)}, 0, SeverityError, nil},
		{"sentinel", CodeSentinel, "rain_mm", []Row{with(1, "rain_mm", -9999)}, 0, SeverityWarning, nil},
		{"not a number", CodeNotFinite, "wind_ms", []Row{with(1, "wind_ms", math.NaN())}, 0, SeverityError, nil},
		{"minimum above maximum", CodeTemperatureOrder, "tmin_c", []Row{with(1, "tmin_c", 25)}, 0, SeverityError, nil},
		{"humidity order", CodeHumidityOrder, "rhmin_pct", []Row{with(1, "rhmin_pct", 95)}, 0, SeverityError, nil},
		{"dew point", CodeDewAboveAir, "tdew_c", []Row{with(1, "tdew_c", 30)}, 0, SeverityError, nil},
		{"sunshine", CodeOutOfRange, "sunshine_h", []Row{with(1, "sunshine_h", 25)}, 0, SeverityError, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, ps := NewSeries(c.rows, SeriesOptions{})
			i := slices.IndexFunc(ps, func(p Problem) bool { return p.Code == c.code })
			if i < 0 {
				t.Fatalf("codes %v, want %s", codes(ps), c.code)
			}
			if p := ps[i]; p.Row != c.row || p.Column != c.column || p.Severity != c.severity {
				t.Errorf("%+v", p)
			}
			got := s.Rows[c.row].Get(c.column)
			if (got == nil) != (c.keep == nil) || got != nil && *got != *c.keep {
				t.Errorf("value left %v, want %v", got, c.keep)
			}
		})
	}
	if _, ps := NewSeries([]Row{good(1), good(2), good(3)}, SeriesOptions{}); len(ps) != 0 {
		t.Errorf("sound rows: %v", ps)
	}
}

func TestNewSeries_Units(t *testing.T) {
	var fast, fraction []Row
	for d := 1; d <= 5; d++ {
		r := good(d)
		r.Set("wind_ms", 9+float64(d))
		fast = append(fast, r)
		r = good(d)
		r.Set("rhmax_pct", 0.9)
		r.Set("rhmin_pct", 0.4)
		fraction = append(fraction, r)
	}
	_, ps := NewSeries(fast, SeriesOptions{})
	if !slices.Equal(codes(ps), []string{CodeWindMPH}) || ps[0].Args["median"] != 12.0 {
		t.Errorf("wind: %v", ps)
	}
	s, ps := NewSeries(fraction, SeriesOptions{})
	if !slices.Equal(codes(ps), []string{CodeHumidityFraction, CodeHumidityFraction}) || s.Rows[0].RHMaxPct != nil {
		t.Errorf("humidity: %v", ps)
	}
}

func TestNewSeries_Order(t *testing.T) {
	rows := []Row{good(3), good(1), good(7), good(3)}
	before := slices.Clone(rows)
	s, ps := NewSeries(rows, SeriesOptions{})
	if got := codes(ps); !slices.Equal(got, []string{CodeGap, CodeUnordered, CodeGap, CodeDuplicate}) {
		t.Errorf("codes %v", got)
	}
	if !slices.Equal(s.Source, []int{1, 0, 2}) || s.Rows[0].Date.Day != 1 {
		t.Errorf("source %v", s.Source)
	}
	if ps[2].Args["missing_rows"] != 3 || ps[3].Row != 3 || ps[3].Args["kept_row"] != 1 {
		t.Errorf("%v", ps)
	}
	if !slices.Equal(rows, before) {
		t.Error("the caller's rows were changed")
	}
	if _, ps := NewSeries(nil, SeriesOptions{}); codes(ps)[0] != CodeEmpty {
		t.Errorf("%v", ps)
	}
	if s, ps := NewSeries([]Row{good(1), {Time: time.Unix(0, 0)}}, SeriesOptions{}); codes(ps)[0] != CodeMixed || len(s.Rows) != 0 {
		t.Errorf("%v", ps)
	}
	if _, ps := NewSeries([]Row{{}, {Date: Date{2026, 2, 30}}}, SeriesOptions{}); !slices.Equal(codes(ps), []string{CodeNoStamp, CodeDateInvalid}) {
		t.Errorf("%v", ps)
	}
}

// TestNewSeries_LeavesCallerAlone: any values, in or out of range.
func TestNewSeries_LeavesCallerAlone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		names := Columns()
		var rows []Row
		var kept []float64
		for d := range rapid.IntRange(1, 6).Draw(t, "rows") {
			r := Row{Date: Date{2026, 1, 1 + d}}
			for _, n := range names {
				v := rapid.Float64Range(-500, 500).Draw(t, n)
				r.Set(n, v)
				kept = append(kept, v)
			}
			rows = append(rows, r)
		}
		s, _ := NewSeries(rows, SeriesOptions{})
		k := 0
		for _, r := range rows {
			for _, n := range names {
				if *r.Get(n) != kept[k] {
					t.Fatalf("%s changed", n)
				}
				k++
			}
		}
		s.DailyET0(Site{LatitudeDeg: 40, ElevationM: new(0.0)}, Options{})
	})
}

// TestParseTimes in a zone whose clock goes forward on 29 March 2026 at 02:00 and
// back on 25 October at 03:00.
func TestParseTimes(t *testing.T) {
	loc := zone(t, "Europe/Madrid")
	for _, c := range []struct {
		name  string
		texts []string
		want  []string // RFC 3339 in UTC, empty for none
		codes []string
	}{
		{"plain", []string{"2026-05-01 13:30", "2026-05-01T14:00:00"}, []string{"2026-05-01T11:30:00Z", "2026-05-01T12:00:00Z"}, nil},
		{"offset", []string{"2026-05-01T13:30:00Z", "2026-05-01T13:30:00-05:00"}, []string{"2026-05-01T13:30:00Z", "2026-05-01T18:30:00Z"}, nil},
		{"hour 24", []string{"2026-12-31 24:00"}, []string{"2026-12-31T23:00:00Z"}, []string{CodeHour24}},
		{"hour 24 and a half", []string{"2026-12-31 24:30"}, []string{""}, []string{CodeTimeInvalid}},
		{"skipped", []string{"2026-03-29 01:00", "2026-03-29 02:00", "2026-03-29 03:00"}, []string{"2026-03-29T00:00:00Z", "", "2026-03-29T01:00:00Z"}, []string{CodeTimeSkipped}},
		{"twice", []string{"2026-10-25 01:00", "2026-10-25 02:00", "2026-10-25 02:00", "2026-10-25 03:00"},
			[]string{"2026-10-24T23:00:00Z", "2026-10-25T00:00:00Z", "2026-10-25T01:00:00Z", "2026-10-25T02:00:00Z"}, []string{CodeTimeRepeated, CodeTimeRepeated}},
		{"halves twice", []string{"2026-10-25 02:00", "2026-10-25 02:30", "2026-10-25 02:00", "2026-10-25 02:30"},
			[]string{"2026-10-25T00:00:00Z", "2026-10-25T00:30:00Z", "2026-10-25T01:00:00Z", "2026-10-25T01:30:00Z"},
			[]string{CodeTimeRepeated, CodeTimeRepeated, CodeTimeRepeated, CodeTimeRepeated}},
		{"order of day and month", []string{"03/04/26 10:00"}, []string{""}, []string{CodeTimeAmbiguous}},
		{"nonsense", []string{"noon", "2026-02-30 10:00", "2026-02-03 25:00"}, []string{"", "", ""}, []string{CodeTimeInvalid, CodeTimeInvalid, CodeTimeInvalid}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, ps := ParseTimes(c.texts, loc)
			for i, w := range c.want {
				text := ""
				if !got[i].IsZero() {
					text = got[i].UTC().Format(time.RFC3339)
				}
				if text != w {
					t.Errorf("%s: %s, want %s", c.texts[i], text, w)
				}
			}
			if !slices.Equal(codes(ps), c.codes) {
				t.Errorf("codes %v, want %v", codes(ps), c.codes)
			}
		})
	}
	if _, err := ParseDate("04/05/2026"); err == nil || err.(Problem).Code != CodeTimeAmbiguous {
		t.Errorf("date: %v", err)
	}
}

// TestParseTimes_RoundTrip: every half hour of the year, written as local time in
// order, comes back as the same instant, whatever the zone (Lord Howe Island puts
// its clock by half an hour).
func TestParseTimes_RoundTrip(t *testing.T) {
	for _, name := range []string{"America/New_York", "Australia/Lord_Howe", "Europe/Dublin", "Asia/Kolkata", "Pacific/Apia"} {
		loc := zone(t, name)
		var texts []string
		var want []time.Time
		for at := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC); at.Year() == 2026; at = at.Add(30 * time.Minute) {
			want = append(want, at)
			texts = append(texts, at.In(loc).Format("2006-01-02 15:04"))
		}
		got, ps := ParseTimes(texts, loc)
		for i := range got {
			if !got[i].Equal(want[i]) {
				t.Fatalf("%s: %s came back as %v, was %v", name, texts[i], got[i], want[i])
			}
		}
		if ps.Err() != nil {
			t.Fatalf("%s: %v", name, ps)
		}
	}
}

// hourRows makes rows of sound weather from a start, one an hour.
func hourRows(start time.Time, n int) []Row {
	var rows []Row
	for k := range n {
		at := start.Add(time.Duration(k) * time.Hour)
		h := float64(at.Hour())
		r := Row{Time: at}
		r.Set("temp_c", 18+6*math.Sin(math.Pi*(h-8)/12))
		r.Set("rh_pct", 65-20*math.Sin(math.Pi*(h-8)/12))
		r.Set("wind_ms", 2)
		r.Set("solar_mj_m2", math.Max(0, 2.2*math.Sin(math.Pi*(h-6)/13)))
		r.Set("rain_mm", 0)
		rows = append(rows, r)
	}
	return rows
}

func TestNewSeries_Hourly(t *testing.T) {
	loc := zone(t, "Europe/Madrid")
	rows := hourRows(time.Date(2026, time.October, 24, 0, 0, 0, 0, loc), 49)
	rows = append(rows[:30:30], rows[33:]...)
	s, ps := NewSeries(rows, SeriesOptions{Location: loc, StampsEnd: true})
	if s.Kind != KindHourly || s.StepH != 1 {
		t.Fatalf("%s, step %g", s.Kind, s.StepH)
	}
	if !slices.Equal(codes(ps), []string{CodeClockChange, CodeGap}) {
		t.Errorf("codes %v", codes(ps))
	}
	if got := ps[1].Args["missing_rows"]; got != 3 {
		t.Errorf("missing %v", got)
	}
	if want := rows[0].Time.Add(-time.Hour); !s.Rows[0].Time.Equal(want) {
		t.Errorf("first period starts %v, want %v", s.Rows[0].Time, want)
	}
	if _, ps := NewSeries([]Row{{Time: rows[0].Time}, {Time: rows[0].Time.Add(3 * time.Hour)}}, SeriesOptions{}); !slices.Contains(codes(ps), CodeStep) {
		t.Errorf("3 h step: %v", codes(ps))
	}
}

// TestHourlyET0_DayTotals: days of 25 and 23 hours are complete with so many
// hours, and a series lacking radiation, humidity and wind takes the day's
// extremes and says so.
func TestHourlyET0_DayTotals(t *testing.T) {
	loc := zone(t, "Europe/Madrid")
	site := Site{LatitudeDeg: 40.4, LongitudeDeg: new(-3.7), ElevationM: new(650.0)}
	for _, c := range []struct {
		date  Date
		hours int
	}{{Date{2026, time.October, 25}, 25}, {Date{2026, time.March, 29}, 23}, {Date{2026, time.June, 1}, 24}} {
		rows := hourRows(time.Date(c.date.Year, c.date.Month, c.date.Day, 0, 0, 0, 0, loc), c.hours)
		s, _ := NewSeries(rows, SeriesOptions{Location: loc})
		got, ps := s.HourlyET0(site, Options{})
		if ps.Err() != nil || len(got) != c.hours {
			t.Fatalf("%d hours, %v", len(got), ps)
		}
		totals := DayTotals(got)
		if len(totals) != 1 || !totals[0].Complete || totals[0].HoursH != float64(c.hours) || totals[0].ET0MM < 0.5 || totals[0].ET0MM > 9 {
			t.Errorf("%v: %+v", c.date, totals)
		}
		if part := DayTotals(got[1:]); part[0].Complete {
			t.Errorf("%v: complete with an hour missing", c.date)
		}
		for i := range rows {
			rows[i].SolarMJM2, rows[i].RHPct, rows[i].WindMS = nil, nil, nil
		}
		s, _ = NewSeries(rows, SeriesOptions{Location: loc})
		got, ps = s.HourlyET0(site, Options{})
		if ps.Err() != nil || len(got) != c.hours {
			t.Fatalf("%d hours, %v", len(got), ps)
		}
		for _, route := range []string{RouteSolarTemperature, RouteHumidityTmin, RouteWindDefault} {
			if !slices.Contains(got[12].Routes, route) {
				t.Errorf("%s not in %v", route, got[12].Routes)
			}
		}
	}
}

// TestHourlyET0_NearDaily: on a clear dry day the hours add up to the daily sum
// within 15 % (FAO-56 gives no figure; ASCE-EWRI 2005 found ratios of 0.9 to 1.1
// for most stations, from memory).
func TestHourlyET0_NearDaily(t *testing.T) {
	site := Site{LatitudeDeg: 40.4, LongitudeDeg: new(0.0), ElevationM: new(650.0)}
	rows := hourRows(time.Date(2026, time.June, 1, 0, 0, 0, 0, time.UTC), 24)
	s, _ := NewSeries(rows, SeriesOptions{})
	hours, _ := s.HourlyET0(site, Options{})
	day := Row{Date: Date{2026, time.June, 1}}
	solar := 0.0
	for _, r := range rows {
		solar += *r.SolarMJM2
	}
	for k, v := range map[string]float64{"tmin_c": 12, "tmax_c": 24, "rhmin_pct": 45, "rhmax_pct": 85, "wind_ms": 2, "solar_mj_m2": solar} {
		day.Set(k, v)
	}
	d, _ := NewSeries([]Row{day}, SeriesOptions{})
	daily, ps := d.DailyET0(site, Options{})
	if len(daily) != 1 {
		t.Fatal(ps)
	}
	if ratio := DayTotals(hours)[0].ET0MM / daily[0].ET0MM; math.Abs(ratio-1) > 0.15 {
		t.Errorf("hours / day = %.3f", ratio)
	}
}

func TestDailyET0_Reports(t *testing.T) {
	bad := good(2)
	bad.TminC = nil
	bright, long := good(3), good(4)
	bright.Set("solar_mj_m2", 45)
	long.Set("sunshine_h", 18)
	s, _ := NewSeries([]Row{good(1), bad, bright, long}, SeriesOptions{})
	got, ps := s.DailyET0(Site{LatitudeDeg: 40, ElevationM: new(10.0)}, Options{})
	if len(got) != 3 || !slices.Equal(codes(ps), []string{CodeMissing, CodeRadiationAboveSky, CodeSunshineAboveDay}) || ps[0].Row != 1 || ps[1].Row != 2 {
		t.Errorf("%d results, %v", len(got), ps)
	}
	if _, ps := s.HourlyET0(Site{}, Options{}); ps.Err() == nil {
		t.Error("daily series taken as hourly")
	}
}

// TestProblem_Error: the fallback line names row, column and arguments, and every
// code has its sentence.
func TestProblem_Error(t *testing.T) {
	p := Problem{Row: 4, Column: "rh_pct", Code: CodeHumidityAbove, Args: map[string]any{"value": 130.0}}
	if got, want := p.Error(), "row 5, rh_pct: humidity above 100 % (value 130)"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	for code, sentence := range sentences {
		if !strings.Contains(code, ".") || sentence == "" {
			t.Errorf("%q: %q", code, sentence)
		}
	}
	if (Problems{{Severity: SeverityWarning}}).Err() != nil {
		t.Error("a warning is an error")
	}
}

// TestHourlyET0_LowSun: before any high sun the ratio is the option's; through the
// night and the next morning it is that of the last period with the sun above
// 0.3 rad; after 18 hours without one it is the option's again.
func TestHourlyET0_LowSun(t *testing.T) {
	start := time.Date(2026, time.June, 1, 0, 0, 0, 0, time.UTC)
	rows := hourRows(start, 30)
	late := hourRows(start.AddDate(0, 0, 2), 3)
	s, _ := NewSeries(append(rows, late...), SeriesOptions{})
	got, ps := s.HourlyET0(Site{LatitudeDeg: 40.4, LongitudeDeg: new(0.0), ElevationM: new(650.0)}, Options{LowSunRatio: 0.55})
	if ps.Err() != nil || len(got) != 33 {
		t.Fatalf("%d hours, %v", len(got), ps)
	}
	last := -1
	for i := range 24 {
		if got[i].SunElevationRad >= 0.3 {
			last = i
		}
	}
	want := min(1, *got[last].RsRso)
	for i, r := range got {
		switch {
		case i < 5 || i >= 30:
			if r.RsRsoUsed != 0.55 || !slices.Contains(r.Routes, RouteLongwaveAssumed) {
				t.Errorf("%v: %g %v", r.Start, r.RsRsoUsed, r.Routes)
			}
		case i > last:
			if r.RsRsoUsed != want || !slices.Contains(r.Routes, RouteLongwaveAfternoon) {
				t.Errorf("%v: %g, want %g, %v", r.Start, r.RsRsoUsed, want, r.Routes)
			}
		}
	}
}

// TestHourlyET0_PartOfDay: half a day does not know the day's extremes, so they do
// not stand in for radiation; nor does a site without elevation give anything.
func TestHourlyET0_PartOfDay(t *testing.T) {
	rows := hourRows(time.Date(2026, time.June, 1, 8, 0, 0, 0, time.UTC), 12)
	for i := range rows {
		rows[i].SolarMJM2 = nil
	}
	s, _ := NewSeries(rows, SeriesOptions{})
	got, ps := s.HourlyET0(Site{LatitudeDeg: 40, ElevationM: new(0.0)}, Options{})
	if len(got) != 0 || len(ps) != 12 || ps[0].Code != CodeMissing || ps[0].Column != "solar_mj_m2" {
		t.Errorf("%d results, %v", len(got), ps)
	}
	if got, ps := s.HourlyET0(Site{LatitudeDeg: 40}, Options{}); got != nil || len(ps) != 1 || ps[0].Column != "elevation_m" {
		t.Errorf("%v", ps)
	}
}

// TestNewSeries_HourlyRadiation: a little below zero at night is the sensor and
// becomes 0; above a tenth over the most there can be it is another unit.
func TestNewSeries_HourlyRadiation(t *testing.T) {
	for v, c := range map[float64]struct {
		code string
		keep *float64
	}{-0.01: {CodeOutOfRange, new(0.0)}, -0.5: {CodeOutOfRange, nil}, 5.4: {"", new(5.4)}, 5.6: {CodeRadiationWatts, nil}, 600: {CodeRadiationWatts, nil}} {
		rows := hourRows(time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC), 3)
		rows[1].Set("solar_mj_m2", v)
		s, ps := NewSeries(rows, SeriesOptions{})
		if (c.code == "") != (len(ps) == 0) || len(ps) > 0 && (ps[0].Code != c.code || ps[0].Row != 1) {
			t.Errorf("%g: %v", v, ps)
		}
		if got := s.Rows[1].SolarMJM2; (got == nil) != (c.keep == nil) || got != nil && *got != *c.keep {
			t.Errorf("%g: left %v", v, got)
		}
	}
}

// TestParseTimes_AnyText: no text makes it fail otherwise than by a problem, and
// what has no problem of severity error has a time.
func TestParseTimes_AnyText(t *testing.T) {
	loc := zone(t, "America/New_York")
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.OneOf(rapid.String(), rapid.StringMatching(`[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:?[0-9]{2}(:[0-9]{2})?(Z|[+-][0-9]{2}:[0-9]{2})?`)).Draw(t, "text")
		got, ps := ParseTimes([]string{text}, loc)
		if (ps.Err() == nil) == got[0].IsZero() {
			t.Fatalf("%q: %v, %v", text, got[0], ps)
		}
	})
}
