package exchange

import (
	"cmp"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/xuri/excelize/v2"

	"sapward/finding"
	"sapward/flow/weather"
)

// Columns of WX: the stamps, then the values in the order of weather.Columns,
// then the same values in other units.
const (
	weatherDate Col = iota
	weatherTime
	weatherWatts
	weatherFirstValue
)

// weatherAlso are other names of the value columns.
var weatherAlso = map[string][]string{
	"tmin_c": {"t_min_c", "temp_min_c", "tmin_degc"}, "tmax_c": {"t_max_c", "temp_max_c", "tmax_degc"},
	"tmean_c": {"t_mean_c", "tavg_c", "tmed_c", "tmedia_c"}, "temp_c": {"t_c", "tair_c", "temperature_c", "temperatura_c", "temp_degc"},
	"rhmin_pct": {"rh_min_pct", "hrmin_pct"}, "rhmax_pct": {"rh_max_pct", "hrmax_pct"}, "rhmean_pct": {"rh_mean_pct", "rhavg_pct", "hrmed_pct", "hrmedia_pct"},
	"rh_pct": {"humidity_pct", "hr_pct", "humedad_pct"}, "tdew_c": {"dew_point_c", "t_dew_c", "punto_rocio_c"}, "vapour_kpa": {"ea_kpa", "vapor_kpa"},
	"wind_ms": {"wind_m_s", "u_ms", "viento_ms", "viento_m_s"}, "solar_mj_m2": {"rs_mj_m2", "solar_mj_m2_d", "radiacion_mj_m2"},
	"sunshine_h": {"sun_h", "insolacion_h"}, "rain_mm": {"rainfall_mm", "precipitation_mm", "lluvia_mm", "precipitacion_mm"},
}

// rescaled is a value column in another unit: value = scale (x + shift). The
// factors are exact (NIST Special Publication 811, 2008, appendix B).
type rescaled struct {
	name, to     string
	scale, shift float64
}

var weatherRescaled = func() (out []rescaled) {
	for _, t := range []string{"tmin", "tmax", "tmean", "tdew", "temp"} {
		out = append(out, rescaled{t + "_f", t + "_c", 5.0 / 9, -32}, rescaled{t + "_k", t + "_c", 1, -273.15})
	}
	return append(out,
		rescaled{"wind_mph", "wind_ms", 0.44704, 0}, rescaled{"wind_kmh", "wind_ms", 1 / 3.6, 0}, rescaled{"wind_kn", "wind_ms", 1852.0 / 3600, 0},
		rescaled{"rain_in", "rain_mm", 25.4, 0})
}()

var weatherSpec = func() *Spec {
	s := &Spec{What: "weather", Columns: []Column{
		weatherDate:  {Name: "date", Also: []string{"day", "fecha", "dia"}},
		weatherTime:  {Name: "time", Also: []string{"datetime", "date_time", "timestamp", "fecha_hora", "hora"}},
		weatherWatts: {Name: "solar_w_m2", Kind: Number, Also: []string{"solar_wm2", "rs_w_m2", "radiation_w_m2"}},
	}, OneOf: [][]int{{weatherDate, weatherTime}}}
	for _, name := range weather.Columns() {
		s.Columns = append(s.Columns, Column{Name: name, Kind: Number, Also: weatherAlso[name]})
	}
	for _, r := range weatherRescaled {
		s.Columns = append(s.Columns, Column{Name: r.name, Kind: Number})
	}
	return s
}()

// Weather is a weather table as read and checked.
type Weather struct {
	Summary
	Series   weather.Series
	Zone     *time.Location
	ZoneFrom string // "option", "offset" (of the first time) or "none" (UTC for want of better)
	Problems weather.Problems

	lines []int            // line of each row as given
	cols  []map[string]int // column in the file of each row's values, by weather's name
	heads map[string]string
}

// WeatherOptions say how a weather table is meant.
type WeatherOptions struct {
	// Zone is the time zone of the site; nil: the offset of the first time that
	// has one, else UTC.
	Zone *time.Location
	// StampsEnd: the time of a row is the end of its period.
	StampsEnd bool
}

// weatherRow is one row before its stamp is understood.
type weatherRow struct {
	row  weather.Row
	time string
	line int
	cols map[string]int
}

// ReadWeather reads a table of weather, CSV or XLSX: date or time, and any of
// the columns of package weather; temperature in F or K, wind in mph, km/h or
// knots and rain in inches are converted where the header says so. Faults of
// the file's form are the error; what is odd about the values stands in
// Problems, to be judged by the caller.
func ReadWeather(path string, o WeatherOptions) (*Weather, error) {
	rows, sum, err := ReadTableFile(path, weatherSpec, readWeatherRow)
	if err != nil {
		return nil, err
	}
	return newWeather(rows, sum, o)
}

// ReadWeatherFrom is ReadWeather on a stream; name says whether it is CSV or
// XLSX.
func ReadWeatherFrom(r io.Reader, name string, o WeatherOptions) (*Weather, error) {
	rows, sum, err := ReadTable(r, name, weatherSpec, readWeatherRow)
	if err != nil {
		return nil, err
	}
	return newWeather(rows, sum, o)
}

func newWeather(rows []weatherRow, sum Summary, o WeatherOptions) (*Weather, error) {
	w := &Weather{Summary: sum, Zone: o.Zone, ZoneFrom: "option", heads: map[string]string{}}
	hourly := false
	for _, u := range sum.Columns {
		w.heads[target(u.Column)] = u.Header
		hourly = hourly || u.Column == "time"
	}
	head := 1
	if len(rows) > 0 { // the header stands before the first row
		head = max(1, rows[0].line-1)
	}
	if err := w.checkWeather(hourly, head); err != nil {
		return nil, err
	}
	if w.Zone == nil {
		w.Zone, w.ZoneFrom = offsetOf(rows)
	}
	texts := make([]string, len(rows))
	plain := make([]weather.Row, len(rows))
	for i, r := range rows {
		texts[i], plain[i] = r.time, r.row
		w.lines, w.cols = append(w.lines, r.line), append(w.cols, r.cols)
	}
	var ps weather.Problems
	if hourly {
		times, found := weather.ParseTimes(texts, w.Zone)
		ps = found
		unread := map[int]bool{}
		for _, p := range found {
			unread[p.Row] = unread[p.Row] || p.Severity == weather.SeverityError
		}
		for i := range plain {
			plain[i].Time, plain[i].Date = times[i], weather.Date{}
		}
		w.Series, found = weather.NewSeries(plain, weather.SeriesOptions{Location: w.Zone, StampsEnd: o.StampsEnd})
		for _, p := range found {
			if p.Code == weather.CodeNoStamp && unread[p.Row] {
				continue // the stamp's own fault is enough
			}
			ps = append(ps, p)
		}
	} else {
		w.Series, ps = weather.NewSeries(plain, weather.SeriesOptions{Location: w.Zone})
	}
	w.Problems = ps
	return w, nil
}

// target is the weather package's name of a column that may be in another unit.
func target(column string) string {
	for _, r := range weatherRescaled {
		if r.name == column {
			return r.to
		}
	}
	return column
}

// checkWeather refuses a table without the temperature its stamps need.
func (w *Weather) checkWeather(hourly bool, head int) error {
	where := finding.Where{File: w.File, Line: head}
	var names []string
	for _, u := range w.Columns {
		names = append(names, u.Header)
	}
	has := func(n string) bool { return w.heads[n] != "" }
	args := finding.Args{"found": finding.Text(clipList(names))}
	var faults finding.Faults
	if w.heads["solar_w_m2"] != "" {
		faults = append(faults, finding.Bad("weather-watts-column", where, finding.Args{"column": finding.Text(w.heads["solar_w_m2"])}))
	}
	switch {
	case hourly && has("date"):
		faults = append(faults, finding.Bad("weather-date-and-time", where, args))
	case hourly && !has("temp_c"):
		args["column"] = finding.Text("temp_c")
		faults = append(faults, finding.Bad("weather-no-temperature", where, args))
	case !hourly && !has("tmean_c") && !(has("tmin_c") && has("tmax_c")):
		lacks := []string{}
		for _, n := range []string{"tmin_c", "tmax_c"} {
			if !has(n) {
				lacks = append(lacks, n)
			}
		}
		args["column"] = finding.Text(strings.Join(lacks, ", "))
		faults = append(faults, finding.Bad("weather-no-temperature", where, args))
	}
	return faults.OrNil()
}

// offsetOf is the zone of the first time that carries an offset.
func offsetOf(rows []weatherRow) (*time.Location, string) {
	for _, r := range rows {
		t := strings.TrimSpace(r.time)
		if len(t) < 12 || !(strings.HasSuffix(t, "Z") || strings.ContainsAny(t[11:], "+-")) {
			continue
		}
		ts, ps := weather.ParseTimes([]string{t}, time.UTC)
		if len(ps) > 0 || ts[0].IsZero() {
			continue
		}
		if strings.HasSuffix(t, "Z") {
			return time.UTC, "offset"
		}
		at := 11 + strings.LastIndexAny(t[11:], "+-")
		for _, layout := range []string{"-07:00", "-0700", "-07"} {
			if x, err := time.Parse(layout, t[at:]); err == nil {
				_, off := x.Zone()
				return time.FixedZone(t[at:], off), "offset"
			}
		}
	}
	return time.UTC, "none"
}

func readWeatherRow(r *Row) weatherRow {
	out := weatherRow{line: r.Line, cols: map[string]int{}}
	place := func(name string, c Col) { out.cols[name] = r.Where(c).Column }
	if r.at[weatherTime] >= 0 {
		place("time", weatherTime)
		if r.Has(weatherTime) {
			out.time = r.stamp(weatherTime)
		} else {
			r.Fault(weatherTime, "cell-empty", nil)
		}
	} else if r.Has(weatherDate) {
		place("date", weatherDate)
		if d, ok := r.Date(weatherDate); ok {
			out.row.Date = weather.Date{Year: d.Year, Month: d.Month, Day: d.Day}
		}
	} else {
		r.Fault(weatherDate, "cell-empty", nil)
	}
	const wide = 1e9 // what a value may be is judged by package weather
	names := weather.Columns()
	for i, name := range names {
		c := weatherFirstValue + i
		if x, ok := r.Float(c, -wide, wide); ok {
			place(name, c)
			out.row.Set(name, x)
		}
	}
	for i, s := range weatherRescaled {
		c := weatherFirstValue + len(names) + i
		x, ok := r.Float(c, -wide, wide)
		switch {
		case !ok:
		case out.row.Get(s.to) != nil:
			r.Fault(c, "weather-value-twice", finding.Args{"name": finding.Text(s.to)})
		default:
			place(s.to, c)
			out.row.Set(s.to, math.Round(s.scale*(x+s.shift)*1e9)/1e9)
		}
	}
	return out
}

// stamp returns a time as text; a workbook's date cell is written out as local
// time to the minute.
func (r *Row) stamp(c Col) string {
	b := string(r.cell(c))
	if r.sheet {
		if x, err := strconv.ParseFloat(b, 64); err == nil && x > 1 && x < 109_574 {
			if t, err := excelize.ExcelDateToTime(x, r.date04); err == nil {
				return t.Round(time.Minute).Format("2006-01-02 15:04")
			}
		}
	}
	return strings.Clone(b)
}

// ProblemLine is one kind of problem with the values of a column, at its first
// place.
type ProblemLine struct {
	ID       string           `json:"id"`
	Severity weather.Severity `json:"severity"`
	finding.Where
	Rows int          `json:"rows"` // rows with the same problem
	Args finding.Args `json:"args,omitempty"`
}

// Fault returns the line as a fault.
func (l ProblemLine) Fault() *finding.Fault { return finding.Bad(l.ID, l.Where, l.Args) }

// Lines gathers problems by kind and column, each at the first row that has it,
// in the order of the file. Their rows are those of the table as given, as NewSeries and
// the sums of a series report them.
func (w *Weather) Lines(ps weather.Problems) []ProblemLine {
	var out []ProblemLine
	at := map[[2]string]int{}
	for _, p := range ps {
		key := [2]string{p.Code, p.Column}
		n := 1
		if k, ok := p.Args["missing_rows"].(int); ok {
			n = k
		}
		if i, ok := at[key]; ok {
			out[i].Rows += n
			if out[i].Severity != weather.SeverityError && p.Severity == weather.SeverityError {
				out[i].Severity = p.Severity
			}
			out[i].Args["rows"] = finding.Count(out[i].Rows)
			continue
		}
		at[key] = len(out)
		l := ProblemLine{ID: "weather-" + strings.NewReplacer(".", "-", "_", "-").Replace(p.Code), Severity: p.Severity, Where: w.place(p), Rows: n, Args: finding.Args{}}
		for k, v := range p.Args {
			switch x := v.(type) {
			case float64:
				l.Args[k] = finding.Number(x, "")
			case int:
				if k == "kept_row" && x >= 1 && x <= len(w.lines) {
					k, x = "kept_line", w.lines[x-1]
				}
				l.Args[k] = finding.Count(x)
			case string:
				l.Args[k] = finding.Text(show(x))
			}
		}
		column := p.Column
		if h := w.heads[p.Column]; h != "" {
			column = h
		}
		l.Args["column"] = finding.Text(column)
		if _, given := p.Args["rows"]; !given { // wind.zero counts for itself
			l.Args["rows"] = finding.Count(n)
		}
		out = append(out, l)
	}
	slices.SortStableFunc(out, func(a, b ProblemLine) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
	return out
}

// place is where a problem stands: its cell, its row, or the column's first
// cell for a problem of a whole column.
func (w *Weather) place(p weather.Problem) finding.Where {
	at := finding.Where{File: w.File}
	row := p.Row
	if row == weather.NoRow && p.Column != "" {
		for i := range w.cols {
			if w.cols[i][p.Column] > 0 {
				row = i
				break
			}
		}
	}
	if row < 0 || row >= len(w.lines) {
		return at
	}
	at.Line, at.Column = w.lines[row], w.cols[row][p.Column]
	return at
}
