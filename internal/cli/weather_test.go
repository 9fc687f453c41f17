package cli

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	ics "github.com/arran4/golang-ical"

	"sapward/flow/weather"
	"sapward/internal/lang"
	"sapward/plan/label"
)

// madrid are the options of an invented site.
var madrid = []string{"--lat=40.4", "--lon=-3.7", "--elevation_m=650", "--zone=Europe/Madrid"}

func written(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

// golden compares with a file of testdata, or writes it with -args -update.
func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", "weather", name)
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s differs; look at the difference, then accept it with -args -update\ngot:\n%s", path, got)
	}
}

// Every bad table: one clear line a problem, with its place, in both languages.
// The texts of the golden file are exact and were read by eye.
func TestWeather_BadTables(t *testing.T) {
	cases := []struct {
		name, table string
		options     []string
	}{
		{"gap in days", "date,tmin_c,tmax_c\n2026-06-01,9,21\n2026-06-04,9,21\n", nil},
		{"gap in hours", "time,temp_c\n2026-06-01 10:00,9\n2026-06-01 11:00,9\n2026-06-01 14:00,9\n", nil},
		{"gap accepted", "date,tmin_c,tmax_c\n2026-06-01,9,21\n2026-06-04,9,21\n", []string{"--accept=gap"}},
		{"kelvin", "date,tmin_c,tmax_c\n2026-06-01,282.1,294.2\n2026-06-02,282,294\n", nil},
		{"fahrenheit", "date,tmin_c,tmax_c\n2026-06-01,49,88\n", nil},
		{"mph", "date,tmin_c,tmax_c,wind_ms\n2026-06-01,9,21,14\n2026-06-02,9,21,12\n", nil},
		{"mph named", "date,tmin_f,tmax_f,wind_mph\n2026-06-01,50,70,14\n2026-06-02,48,70,12\n", nil},
		{"hour 24 open", "time,temp_c\n2026-06-01 23:00,12\n2026-06-01 24:00,11\n", nil},
		{"hour 24 said", "time,temp_c\n2026-06-01 23:00,12\n2026-06-01 24:00,11\n", []string{"--stamps=end"}},
		{"clock put forward", "time,temp_c\n2026-03-29 01:00,8\n2026-03-29 02:00,7\n2026-03-29 03:00,7\n", nil},
		{"clock put back", "time,temp_c\n2026-10-25 01:00,8\n2026-10-25 02:00,7\n2026-10-25 02:00,7\n2026-10-25 03:00,7\n", nil},
		{"polar night", "date,tmin_c,tmax_c\n2026-12-21,-9,-2\n", []string{"--lat=70"}},
		{"wind at rest", "date,tmin_c,tmax_c,wind_ms\n2026-06-01,9,21,0\n2026-06-02,9,21,0\n", nil},
		{"one calm day", "date,tmin_c,tmax_c,wind_ms\n2026-06-01,9,21,0\n2026-06-02,9,21,1\n", nil},
		{"humidity over 105", "date,tmin_c,tmax_c,rhmean_pct\n2026-06-01,9,21,140\n", nil},
		{"humidity over 100", "date,tmin_c,tmax_c,rhmean_pct\n2026-06-01,9,21,101\n", nil},
		{"humidity as fraction", "date,tmin_c,tmax_c,rhmean_pct\n2026-06-01,9,21,0.6\n2026-06-02,9,21,0.7\n", nil},
		{"no temperature", "date,tmin_c,rhmean_pct\n2026-06-01,9,40\n", nil},
		{"no stamp column", "day_no,tmin_c\n1,9\n", nil},
		{"date and time", "date,time,temp_c\n2026-06-01,10:00,9\n", nil},
		{"watts", "time,temp_c,solar_w_m2\n2026-06-01 10:00,9,500\n", nil},
		{"radiation in watts", "time,temp_c,solar_mj_m2\n2026-06-01 10:00,9,500\n2026-06-01 11:00,9,510\n", nil},
		{"swapped extremes", "date,tmin_c,tmax_c\n2026-06-01,21,9\n", nil},
		{"dew point above air", "date,tmin_c,tmax_c,tdew_c\n2026-06-01,9,21,25\n", nil},
		{"logger's mark", "date,tmin_c,tmax_c,wind_ms\n2026-06-01,9,21,-9999\n2026-06-02,9,21,2\n", nil},
		{"twice", "date,tmin_c,tmax_c\n2026-06-01,9,21\n2026-06-01,9,22\n", nil},
		{"not in order", "date,tmin_c,tmax_c\n2026-06-02,9,21\n2026-06-01,9,22\n", nil},
		{"day first", "time,temp_c\n01/06/2026 10:00,9\n", nil},
		{"words", "date,tmin_c,tmax_c\n2026-06-01,nine,21\n01/06/2026,9,21\n", nil},
		{"step of three hours", "time,temp_c\n2026-06-01 00:00,9\n2026-06-01 03:00,9\n2026-06-01 06:00,9\n", nil},
		{"value twice", "date,tmin_c,tmax_c,wind_ms,wind_mph\n2026-06-01,9,21,2,5\n", nil},
		{"empty", "", nil},
		{"header only", "date,tmin_c,tmax_c\n", nil},
	}
	var b strings.Builder
	for _, c := range cases {
		path := written(t, "wx.csv", c.table)
		fmt.Fprintf(&b, "== %s\n", c.name)
		for _, language := range []string{"en", "es"} {
			args := append([]string{"weather", path, "--lang=" + language}, madrid...)
			_, stderr, status := run(t, append(args, c.options...)...)
			text := strings.ReplaceAll(stderr, path, "wx.csv")
			if language == "en" {
				fmt.Fprintf(&b, "exit %d\n", status)
			}
			b.WriteString(text)
			for _, line := range strings.Split(strings.TrimSpace(text), "\n") {
				if line != "" && !strings.Contains(line, "wx.csv") {
					t.Errorf("%s: no place in %q", c.name, line)
				}
			}
		}
	}
	golden(t, "bad_tables.txt", b.String())
}

// Wrong options are told all at once.
func TestWeather_BadOptions(t *testing.T) {
	card := filepath.Join(estate(t), "avenue", "card.yaml")
	day := filepath.Join("testdata", "weather", "day.csv")
	var b strings.Builder
	for _, args := range [][]string{
		{day},
		{day, "--lat=140", "--lon=400", "--elevation_m=9000", "--zone=Here", "--best=3", "--foliage=13", "--vpd-min_kpa=3", "--fog_pct=101"},
		{day, "--lat=40", "--card=" + card},
		{day, "--lat=40", "--card=" + card, "--method=injection", "--site=oak"},
		{day, "--lat=40", "--slot=2027-01-01T10:00"},
		{day, "--lat=40", "--slot=tomorrow"},
		{filepath.Join("testdata", "weather", "hour.csv"), "--lat=40"},
		{"nowhere.csv", "--lat=40"},
	} {
		for _, language := range []string{"en", "es"} {
			_, stderr, status := run(t, append([]string{"weather", "--lang=" + language}, args...)...)
			fmt.Fprintf(&b, "exit %d\n%s", status, strings.ReplaceAll(stderr, card, "card.yaml"))
		}
	}
	golden(t, "bad_options.txt", b.String())
}

// What a person reads: 80 columns at most, in both languages and systems.
func TestWeather_Screen(t *testing.T) {
	dir := estate(t)
	for _, c := range []struct {
		name, table string
		options     []string
	}{
		{"day_en", "day.csv", []string{"--card=" + filepath.Join(dir, "avenue", "card.yaml"), "--method=injection", "--bloom=no"}},
		{"day_es", "day.csv", []string{"--lang=es", "--card=" + filepath.Join(dir, "avenue", "card.yaml"), "--method=injection"}},
		{"hour_us", "hour.csv", []string{"--units=us", "--foliage=4-10", "--soil=moist", "--slot=2026-06-02T14:00", "--slot_h=2"}},
		{"hour_es", "hour.csv", []string{"--lang=es", "--foliage=4-10", "--soil=dry"}},
	} {
		args := append([]string{"weather", filepath.Join("testdata", "weather", c.table)}, madrid...)
		stdout, stderr, status := run(t, append(args, c.options...)...)
		if status != 0 || stderr != "" {
			t.Fatalf("%s: exit %d, %s", c.name, status, stderr)
		}
		for _, line := range strings.Split(stdout, "\n") {
			if n := len([]rune(line)); n > 80 {
				t.Errorf("%s: %d columns: %s", c.name, n, line)
			}
		}
		golden(t, "screen_"+c.name+".txt", stdout)
	}
}

// rounded writes a document with floats to nine digits, so that a last place
// that differs between machines does not matter.
func rounded(t *testing.T, doc string) string {
	t.Helper()
	d := json.NewDecoder(strings.NewReader(doc))
	d.UseNumber()
	var v any
	if err := d.Decode(&v); err != nil {
		t.Fatal(err)
	}
	var walk func(any) any
	walk = func(v any) any {
		switch x := v.(type) {
		case map[string]any:
			for k := range x {
				x[k] = walk(x[k])
			}
		case []any:
			for i := range x {
				x[i] = walk(x[i])
			}
		case json.Number:
			f, err := x.Float64()
			if err != nil {
				t.Fatal(err)
			}
			if math.Abs(f) < 1e-12 {
				f = 0
			}
			return json.Number(strconv.FormatFloat(f, 'g', 9, 64))
		}
		return v
	}
	// one line for each element of a list, so that a difference is easy to see
	var b strings.Builder
	top := walk(v).(map[string]any)
	keys := make([]string, 0, len(top))
	for k := range top {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	for _, k := range keys {
		list, ok := top[k].([]any)
		if !ok {
			list = []any{top[k]}
		}
		for _, x := range list {
			line, err := json.Marshal(x)
			if err != nil {
				t.Fatal(err)
			}
			fmt.Fprintf(&b, "%s %s\n", k, line)
		}
	}
	return b.String()
}

// The whole document of an invented forecast. Its figures are regression
// values; those of FAO-56 are held in TestWeather_FAO56Example18.
func TestWeather_Document(t *testing.T) {
	args := append([]string{"weather", filepath.Join("testdata", "weather", "two_days.csv"), "--json", "--bloom=no", "--method=injection", "--foliage=4-10", "--soil=moist",
		"--card=" + filepath.Join(estate(t), "avenue", "card.yaml")}, madrid...)
	stdout, stderr, status := run(t, args...)
	if status != 0 || stderr != "" {
		t.Fatalf("exit %d, %s", status, stderr)
	}
	golden(t, "two_days.txt", rounded(t, stdout))
	var doc struct {
		ET0    []struct{ MM, VPD float64 } `json:"et0"`
		VPD    []float64                   `json:"vpd_kpa"`
		Hours  []weather.HourVerdict       `json:"hours"`
		Window []weather.Window            `json:"windows"`
	}
	if err := json.Unmarshal([]byte(stdout), &doc); err != nil {
		t.Fatal(err)
	}
	if len(doc.ET0) != 2 || len(doc.VPD) != 2 || len(doc.Hours) != 48 {
		t.Errorf("%d days of ET0, %d of deficit, %d hours", len(doc.ET0), len(doc.VPD), len(doc.Hours))
	}
	sum := 0.0 // the windows tile the hours
	for _, w := range doc.Window {
		sum += w.HoursH
	}
	if sum != 48 {
		t.Errorf("windows hold %g h of 48", sum)
	}
}

// FAO-56 Example 18 (Uccle, 6 July; from memory of the printed page and
// check/03_fao56): 3.88 mm/d printed as 3.9, read through the table with wind
// in km/h at 10 m. 0.02: the example carries rounded steps.
func TestWeather_FAO56Example18(t *testing.T) {
	path := written(t, "uccle.csv", "date,tmin_c,tmax_c,rhmax_pct,rhmin_pct,wind_kmh,sunshine_h\n2015-07-06,12.3,21.5,84,63,10,9.25\n")
	stdout, _, status := run(t, "weather", path, "--json", "--lat=50.8", "--elevation_m=100", "--wind-height_m=10", "--zone=Europe/Brussels")
	var doc struct {
		ET0 []struct {
			MM     float64  `json:"mm"`
			Routes []string `json:"routes"`
		} `json:"et0"`
	}
	if err := json.Unmarshal([]byte(stdout), &doc); err != nil || status != 0 {
		t.Fatal(err, status)
	}
	if math.Abs(doc.ET0[0].MM-3.88) > 0.02 {
		t.Errorf("%.3f mm, want 3.88", doc.ET0[0].MM)
	}
}

// The same input gives the same bytes, in a folder too, and the folder holds
// what was asked for.
func TestWeather_Folder(t *testing.T) {
	card := filepath.Join(estate(t), "avenue", "card.yaml")
	var first map[string][]byte
	for range 2 {
		out := filepath.Join(t.TempDir(), "out")
		args := append([]string{"weather", filepath.Join("testdata", "weather", "day.csv"), "--bloom=no", "--method=injection", "--card=" + card, "--slot=2026-06-03T09:00", "--out=" + out}, madrid...)
		if _, stderr, status := run(t, args...); status != 0 {
			t.Fatal(stderr)
		}
		files := map[string][]byte{}
		for _, name := range weatherFiles {
			data, err := os.ReadFile(filepath.Join(out, name))
			if err != nil {
				t.Fatal(err)
			}
			files[name] = data
		}
		if first == nil {
			first = files
			continue
		}
		for name := range files {
			if !bytes.Equal(first[name], files[name]) {
				t.Errorf("%s differs the second time", name)
			}
		}
	}
	if !bytes.Contains(first["hours.svg"], []byte("INVENTED")) {
		t.Error("the picture does not say that the product is invented")
	}
}

// The calendar of a slot, by hand: work 09:00 to 13:00 summer time is 07:00 to
// 11:00 UTC; 12 h later re-entry opens at 23:00 UTC, 01:00 on the 4th by the
// local clock; signs down by the last whole day within 3 days, the 6th; next
// treatment 330 days after 3 June 2026: 29 April 2027.
func TestWeather_Calendar(t *testing.T) {
	card := filepath.Join(estate(t), "avenue", "card.yaml")
	for _, language := range []string{"en", "es"} {
		out := filepath.Join(t.TempDir(), "out")
		args := append([]string{"weather", filepath.Join("testdata", "weather", "day.csv"), "--lang=" + language, "--bloom=no", "--method=injection", "--card=" + card, "--slot=2026-06-03T09:00", "--stamp=2026-06-01T08:00Z", "--out=" + out}, madrid...)
		if _, stderr, status := run(t, args...); status != 0 {
			t.Fatal(stderr)
		}
		data, err := os.ReadFile(filepath.Join(out, "calendar.ics"))
		if err != nil {
			t.Fatal(err)
		}
		cal, err := ics.ParseCalendar(bytes.NewReader(data))
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, e := range cal.Events() {
			got = append(got, e.GetProperty(ics.ComponentPropertyDtStart).Value+"/"+e.GetProperty(ics.ComponentPropertyDtEnd).Value)
			if s := e.GetProperty(ics.ComponentPropertyDtstamp).Value; s != "20260601T080000Z" {
				t.Errorf("stamp %s", s)
			}
		}
		want := "20260603T070000Z/20260603T110000Z 20260603T230000Z/20260603T233000Z 20260606/20260607 20270429/20270430"
		if strings.Join(got, " ") != want {
			t.Errorf("got  %s\nwant %s", strings.Join(got, " "), want)
		}
	}
}

// The chestnut card has a pre-harvest interval: its end is the first lawful day
// of harvest, as plan counts it.
func TestWeather_CalendarHarvest(t *testing.T) {
	card := filepath.Join(estate(t), "chestnut", "card.yaml")
	out := filepath.Join(t.TempDir(), "out")
	args := append([]string{"weather", filepath.Join("testdata", "weather", "day.csv"), "--bloom=after", "--method=injection", "--card=" + card, "--slot=2026-06-03T09:00", "--out=" + out}, madrid...)
	_, stderr, status := run(t, args...)
	if status != 0 {
		t.Fatal(stderr)
	}
	data, err := os.ReadFile(filepath.Join(out, "calendar.ics"))
	if err != nil {
		t.Fatal(err)
	}
	var plan struct {
		Dates struct {
			Harvest string `json:"harvest_from"`
			Next    string `json:"next_earliest"`
		} `json:"dates"`
	}
	stdout, _, _ := run(t, "plan", filepath.Join(filepath.Dir(card), "trees.csv"), "--json", "--card="+card, "--method=injection", "--on=2026-06-03", "--crew=20") // enough people to end on the day of the slot
	if err := json.Unmarshal([]byte(stdout), &plan); err != nil {
		t.Fatal(err)
	}
	for _, day := range []string{plan.Dates.Harvest, plan.Dates.Next} {
		want := "DTSTART;VALUE=DATE:" + strings.ReplaceAll(day, "-", "")
		if day == "" || !bytes.Contains(data, []byte(want)) {
			t.Errorf("%q is not in the calendar, though plan says %q", want, day)
		}
	}
}

// A slot that the card forbids ends with exit status 1 and without a calendar.
func TestWeather_ForbiddenSlot(t *testing.T) {
	card := filepath.Join(estate(t), "avenue", "card.yaml")
	out := filepath.Join(t.TempDir(), "out")
	args := append([]string{"weather", filepath.Join("testdata", "weather", "day.csv"), "--bloom=yes", "--method=injection", "--card=" + card, "--slot=2026-06-03T09:00", "--out=" + out}, madrid...)
	stdout, _, status := run(t, args...)
	if status != exitRefused || !strings.Contains(stdout, "refused, the card forbids part of it") {
		t.Errorf("exit %d\n%s", status, stdout)
	}
	if _, err := os.Stat(filepath.Join(out, "calendar.ics")); !os.IsNotExist(err) {
		t.Error("a calendar was written")
	}
}

// The day on which the clock is put back has 25 hours and the one on which it
// is put forward 23; the strip shows both by the clock.
func TestWeather_ClockChange(t *testing.T) {
	for day, want := range map[string]int{"2026-10-25": 25, "2026-03-29": 23, "2026-06-01": 24} {
		path := written(t, "wx.csv", "date,tmin_c,tmax_c\n"+day+",8,20\n")
		stdout, _, status := run(t, append([]string{"weather", path, "--json"}, madrid...)...)
		var doc struct{ Hours []weather.HourVerdict }
		if err := json.Unmarshal([]byte(stdout), &doc); err != nil || status != 0 {
			t.Fatal(err, status)
		}
		if len(doc.Hours) != want {
			t.Errorf("%s has %d hours, want %d", day, len(doc.Hours), want)
		}
	}
}

// Card and bloom: what plan refuses, no hour allows.
func TestBloomState(t *testing.T) {
	for _, c := range []struct {
		said string
		rule label.BloomRule
		want weather.Bloom
	}{
		{"", label.NotInBloom, ""}, {"yes", label.NotInBloom, weather.InBloom}, {"no", label.NotInBloom, weather.NotInBloom}, {"after", label.NotInBloom, weather.NotInBloom},
		{"no", label.AfterPetalFall, weather.InBloom}, {"after", label.AfterPetalFall, weather.NotInBloom}, {"yes", label.AfterPetalFall, weather.InBloom},
		{"no", label.DaysBeforeBloom, weather.NotInBloom}, {"yes", label.DaysBeforeBloom, weather.InBloom},
	} {
		if got := bloomState(c.said, c.rule); got != c.want {
			t.Errorf("said %q under %q: %q, want %q", c.said, c.rule, got, c.want)
		}
	}
}

func TestMonthSpan(t *testing.T) {
	for text, want := range map[string]string{"4-10": "4 5 6 7 8 9 10", "11-2": "1 2 11 12", "5,7, 9": "5 7 9", "6": "6", "13": "bad", "0-3": "bad", "": "bad", "a-b": "bad", "3-": "bad"} {
		months, ok := monthSpan(text)
		got := "bad"
		if ok {
			var parts []string
			for _, m := range months {
				parts = append(parts, strconv.Itoa(int(m)))
			}
			got = strings.Join(parts, " ")
		}
		if got != want {
			t.Errorf("%q: %s, want %s", text, got, want)
		}
	}
}

// A span is written with the day once, to 24:00, and with the offset where the
// clock changes inside.
func TestSpan(t *testing.T) {
	loc, err := time.LoadLocation("Europe/Madrid")
	if err != nil {
		t.Fatal(err)
	}
	e := &env{say: lang.New("en", "metric")}
	at := func(d, h int) time.Time { return time.Date(2026, 10, d, h, 0, 0, 0, loc) }
	for _, c := range []struct {
		from, to time.Time
		want     string
	}{
		{at(3, 7), at(3, 11), "Sat 3 October 07:00–11:00"}, {at(3, 20), at(4, 0), "Sat 3 October 20:00–24:00"},
		{at(3, 20), at(4, 2), "Sat 3 October 20:00–Sun 4 October 02:00"}, {at(25, 1), at(25, 5), "Sun 25 October 01:00–05:00 (+01:00)"},
	} {
		if got := e.span(c.from, c.to); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}
