package exchange

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	ics "github.com/arran4/golang-ical"
	"github.com/xuri/excelize/v2"
	"pgregory.net/rapid"

	"sapward/finding"
	"sapward/flow/weather"
	"sapward/measure/civil"
)

func weatherFile(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// Units named in the header, by hand: 50 F is 10 C, 283.15 K is 10 C, 10 mph is
// 4.4704 m/s, 36 km/h 10 m/s, 1 in 25.4 mm (NIST SP 811, 2008).
func TestReadWeather_Units(t *testing.T) {
	for _, c := range []struct {
		table, column string
		want          float64
	}{
		{"date,tmin_f,tmax_f\n2026-06-01,50,68\n", "tmin_c", 10}, {"date,tmin_k,tmax_k\n2026-06-01,283.15,293.15\n", "tmin_c", 10},
		{"date,tmin_c,tmax_c,wind_mph\n2026-06-01,9,20,10\n", "wind_ms", 4.4704}, {"date,tmin_c,tmax_c,wind_kmh\n2026-06-01,9,20,36\n", "wind_ms", 10},
		{"date,tmin_c,tmax_c,wind_kn\n2026-06-01,9,20,36\n", "wind_ms", 18.52}, {"date,tmin_c,tmax_c,rain_in\n2026-06-01,9,20,1\n", "rain_mm", 25.4},
		{"fecha;tmin_c;tmax_c;viento_ms\n2026-06-01;9,5;20;2,5\n", "wind_ms", 2.5},
	} {
		w, err := ReadWeather(weatherFile(t, "wx.csv", c.table), WeatherOptions{})
		if err != nil {
			t.Fatal(err)
		}
		v := w.Series.Rows[0].Get(c.column)
		if v == nil || *v < c.want-1e-9 || *v > c.want+1e-9 {
			t.Errorf("%q: %s %v, want %g", c.table, c.column, v, c.want)
		}
	}
}

// The zone: the option, else the offset of the first time that has one, else
// UTC.
func TestReadWeather_Zone(t *testing.T) {
	madrid, err := time.LoadLocation("Europe/Madrid")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		stamp string
		zone  *time.Location
		from  string
		want  string
	}{
		{"2026-06-01 10:00", madrid, "option", "2026-06-01T08:00:00Z"}, {"2026-06-01 10:00", nil, "none", "2026-06-01T10:00:00Z"},
		{"2026-06-01T10:00+05:30", nil, "offset", "2026-06-01T04:30:00Z"}, {"2026-06-01T10:00:00-08:00", nil, "offset", "2026-06-01T18:00:00Z"},
		{"2026-06-01T10:00Z", nil, "offset", "2026-06-01T10:00:00Z"}, {"2026-06-01T10:00+05:30", madrid, "option", "2026-06-01T04:30:00Z"},
	} {
		w, err := ReadWeather(weatherFile(t, "wx.csv", "time,temp_c\n"+c.stamp+",9\n"), WeatherOptions{Zone: c.zone})
		if err != nil {
			t.Fatal(err)
		}
		if got := w.Series.Rows[0].Time.UTC().Format(time.RFC3339); got != c.want || w.ZoneFrom != c.from {
			t.Errorf("%s: %s from %s, want %s from %s", c.stamp, got, w.ZoneFrom, c.want, c.from)
		}
		_, want := time.Date(2026, 6, 1, 0, 0, 0, 0, w.Zone).Zone()
		if _, got := w.Series.Rows[0].Time.Zone(); got != want {
			t.Errorf("%s: row at offset %d, zone at %d", c.stamp, got, want)
		}
	}
}

// A workbook's cells of dates and times are read as they are shown.
func TestReadWeather_Workbook(t *testing.T) {
	f := excelize.NewFile()
	style, err := f.NewStyle(&excelize.Style{NumFmt: 22})
	if err != nil {
		t.Fatal(err)
	}
	for cell, v := range map[string]any{
		"A1": "time", "B1": "temp_c", "A2": time.Date(2026, 6, 1, 10, 0, 0, 0, time.UTC), "B2": 9.5, "A3": time.Date(2026, 6, 1, 11, 0, 0, 0, time.UTC), "B3": 10.5,
	} {
		if err := f.SetCellValue("Sheet1", cell, v); err != nil {
			t.Fatal(err)
		}
	}
	if err := f.SetCellStyle("Sheet1", "A2", "A3", style); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "wx.xlsx")
	if err := f.SaveAs(path); err != nil {
		t.Fatal(err)
	}
	w, err := ReadWeather(path, WeatherOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if got := w.Series.Rows[1].Time.Format("2006-01-02 15:04"); got != "2026-06-01 11:00" || *w.Series.Rows[0].TempC != 9.5 {
		t.Errorf("%s, %v", got, *w.Series.Rows[0].TempC)
	}
}

// Stamps that mean the end of the hour begin an hour earlier.
func TestReadWeather_StampsEnd(t *testing.T) {
	path := weatherFile(t, "wx.csv", "time,temp_c\n2026-06-01 23:00,12\n2026-06-01 24:00,11\n")
	w, err := ReadWeather(path, WeatherOptions{StampsEnd: true})
	if err != nil {
		t.Fatal(err)
	}
	if got := w.Series.Rows[1].Time.Format("2006-01-02 15:04"); got != "2026-06-01 23:00" {
		t.Errorf("the last row begins %s", got)
	}
}

// One line a kind and column, however many rows have it.
func TestWeatherLines_Gather(t *testing.T) {
	table := "date,tmin_c,tmax_c\n"
	for d := (civil.Date{Year: 2026, Month: 6, Day: 1}); d.Before(civil.Date{Year: 2027, Month: 6, Day: 1}); d = d.AddDays(1) {
		table += d.String() + ",282,294\n"
	}
	w, err := ReadWeather(weatherFile(t, "wx.csv", table), WeatherOptions{})
	if err != nil {
		t.Fatal(err)
	}
	lines := w.Lines(w.Problems)
	if len(lines) != 2 || lines[0].Rows != 365 || lines[0].Where.Line != 2 || lines[0].Where.Column != 12 || lines[0].Severity != weather.SeverityError {
		t.Errorf("%+v", lines)
	}
}

func TestReadClimate(t *testing.T) {
	months := ""
	for m := 12; m >= 1; m-- {
		months += fmt.Sprintf("%d,%d,%d,3.5\n", m, m, m+10)
	}
	head := "month,tmin_c,tmax_c,et0_mm_d\n"
	got, _, err := ReadClimate(weatherFile(t, "m.csv", head+months))
	if err != nil {
		t.Fatal(err)
	}
	// January: December's middle is 17, February's 7
	if got[0].Month != 1 || *got[0].Day.MonthBeforeC != 17 || *got[0].Day.MonthAfterC != 7 || *got[0].ET0 != 3.5 {
		t.Errorf("%+v", got[0])
	}
	for _, c := range []struct{ table, id string }{
		{head + strings.Replace(months, "\n7,", "\n6,", 1), "climate-month-twice"}, {head + strings.Replace(months, "\n7,7,17,3.5", "", 1), "climate-month-missing"},
		{"month,rhmean_pct\n1,40\n", "climate-no-temperature"}, {head + "13,1,2,3\n", "value-range"}, {head + "1,270,280,3\n", "value-range"}, {"mean,tmin_c\n1,2\n", "column-missing"},
	} {
		_, _, err := ReadClimate(weatherFile(t, "m.csv", c.table))
		found := false
		for _, f := range finding.AsFaults(err) {
			found = found || f.ID == c.id
		}
		if !found {
			t.Errorf("%q: %v, want %s", c.table, err, c.id)
		}
	}
}

// A calendar of any texts: every line ends in CRLF and has at most 75 octets,
// no letter is cut, and reading it back gives the texts and times (RFC 5545,
// from memory: sections 3.1 and 3.3.11).
func TestCalendar_RoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringOfN(rapid.SampledFrom([]rune("abc ,;:\\\"ñáéíóú–°€日本\n0123456789")), 0, 300, -1)
		start := time.Unix(rapid.Int64Range(0, 4e9).Draw(t, "start"), 0).UTC()
		c := Calendar{Content: text.Draw(t, "content"), Stamp: start, Events: []CalendarEvent{
			{Key: "a", Title: "x" + text.Draw(t, "title"), Text: "x" + text.Draw(t, "text"), Start: start, End: start.Add(time.Hour)},
			{Key: "b", Title: "y", Day: civil.Of(start), Days: 2},
		}}
		var b, again bytes.Buffer
		if err := c.Write(&b); err != nil {
			t.Fatal(err)
		}
		if err := c.Write(&again); err != nil || !bytes.Equal(b.Bytes(), again.Bytes()) {
			t.Fatal("the second writing differs", err)
		}
		raw := b.String()
		if strings.Count(raw, "\n") != strings.Count(raw, "\r\n") || strings.Count(raw, "\r") != strings.Count(raw, "\r\n") {
			t.Fatalf("line ends: %q", raw)
		}
		for _, line := range strings.Split(strings.TrimSuffix(raw, "\r\n"), "\r\n") {
			if len(line) > 75 || !utf8.ValidString(line) || line == "" {
				t.Fatalf("%d octets: %q", len(line), line)
			}
		}
		// unfolded and unescaped by hand, apart from the library that wrote it
		flat := strings.ReplaceAll(raw, "\r\n ", "")
		plain := strings.NewReplacer(`\\`, `\`, `\;`, ";", `\,`, ",", `\n`, "\n")
		if !strings.Contains(plain.Replace(flat), "SUMMARY:"+c.Events[0].Title+"\r\n") || !strings.Contains(plain.Replace(flat), "DESCRIPTION:"+c.Events[0].Text+"\r\n") {
			t.Fatalf("texts of %+v are not in %q", c.Events[0], flat)
		}
		cal, err := ics.ParseCalendar(strings.NewReader(raw))
		if err != nil {
			t.Fatal(err)
		}
		at, err := cal.Events()[0].GetStartAt()
		if err != nil || !at.Equal(start) {
			t.Fatalf("start %v, want %v (%v)", at, start, err)
		}
		if v := cal.Events()[1].GetProperty(ics.ComponentPropertyDtEnd).Value; v != strings.ReplaceAll(civil.Of(start).AddDays(2).String(), "-", "") {
			t.Fatalf("all-day end %s", v)
		}
	})
}

// Identifiers follow from the content: the same again, another for another.
func TestCalendar_UID(t *testing.T) {
	a, b := Calendar{Content: "x"}, Calendar{Content: "y"}
	if a.UID("work") != (Calendar{Content: "x"}).UID("work") || a.UID("work") == b.UID("work") || a.UID("work") == a.UID("rei") {
		t.Error("identifiers do not follow the content")
	}
	// sha256sum of "x\nwork", first 32 digits
	if got := a.UID("work"); got != "0c80455d3bd044632e00b241b0ada4f3@sapward" {
		t.Errorf("%s", got)
	}
}

// No table makes the reader panic; what it accepts has rows in order, and every
// problem has a place inside the file.
func TestReadWeather_AnyTable(t *testing.T) {
	path := filepath.Join(t.TempDir(), "wx.csv")
	madrid, err := time.LoadLocation("Europe/Madrid")
	if err != nil {
		t.Fatal(err)
	}
	number := rapid.SampledFrom([]string{"", "0", "-9999", "12.5", "300", "101", "1e9", "9", "21", "0.5"})
	day := rapid.SampledFrom([]string{"2026-06-01", "2026-06-02", "2026-06-03", "2026-06-09"})
	instant := rapid.SampledFrom([]string{"2026-10-25 02:30", "2026-03-29 02:30", "2026-06-01 24:00", "2026-06-01T10:00Z", "2026-06-01 11:15", "2026-06-01 12:00", "2026-06-01 13:00"})
	odd := rapid.SampledFrom([]string{"nan", "x", "01/02/2026 10:00", "2026-06-01", "2026-06-01 10:00"})
	heads := rapid.SampledFrom([]string{"rh_pct", "rhmin_pct", "rhmax_pct", "wind_ms", "wind_mph", "solar_mj_m2", "rain_in", "tdew_c", "other"})
	accepted := 0
	rapid.Check(t, func(r *rapid.T) {
		columns, stamp := []string{"date", "tmin_c", "tmax_f"}, day
		if rapid.Bool().Draw(r, "hours") {
			columns, stamp = []string{"time", "temp_c"}, instant
		}
		columns = append(columns, rapid.SliceOfNDistinct(heads, 0, 5, rapid.ID).Draw(r, "columns")...)
		var b strings.Builder
		b.WriteString(strings.Join(columns, ",") + "\n")
		n := rapid.IntRange(0, 6).Draw(r, "rows")
		for range n {
			row := make([]string, len(columns))
			for i := range row {
				switch {
				case rapid.IntRange(0, 60).Draw(r, "odd") == 0:
					row[i] = odd.Draw(r, "cell")
				case i == 0:
					row[i] = stamp.Draw(r, "stamp")
				default:
					row[i] = number.Draw(r, "cell")
				}
			}
			b.WriteString(strings.Join(row, ",") + "\n")
		}
		if err := os.WriteFile(path, []byte(b.String()), 0o644); err != nil {
			r.Fatal(err)
		}
		zone := madrid
		if rapid.Bool().Draw(r, "no zone") {
			zone = nil
		}
		w, err := ReadWeather(path, WeatherOptions{Zone: zone, StampsEnd: rapid.Bool().Draw(r, "end")})
		if err != nil {
			return
		}
		accepted++
		for i := 1; i < len(w.Series.Rows); i++ {
			a, c := w.Series.Rows[i-1], w.Series.Rows[i]
			if c.Time.Before(a.Time) || c.Date.Before(a.Date) {
				r.Fatalf("rows out of order: %s", b.String())
			}
		}
		for _, l := range w.Lines(w.Problems) {
			if l.Line < 0 || l.Line > n+1 || l.Column < 0 || l.Rows < 1 {
				r.Fatalf("%+v in %q", l, b.String())
			}
		}
	})
	if accepted == 0 {
		t.Error("nothing was accepted: the tables are too odd to test anything")
	}
}
