package cli

import (
	"bytes"
	"os"
	"testing"
	"time"

	"sapward/finding"
	"sapward/flow/weather"
	"sapward/internal/app"
	"sapward/internal/exchange"
	"sapward/measure/civil"
	"sapward/plan/label"
)

// The app reads a table of weather as the commands do: the day's water is that
// of plan --weather, its windows are those of the weather command cut to the day.
func TestReaders_WeatherDay(t *testing.T) {
	const path = "testdata/weather/hour.csv"
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	zone, err := time.LoadLocation("Europe/Madrid")
	if err != nil {
		t.Fatal(err)
	}
	wx, err := exchange.ReadWeather(path, exchange.WeatherOptions{Zone: zone})
	if err != nil {
		t.Fatal(err)
	}
	height := 660.0
	site := weather.Site{LatitudeDeg: 40.4, ElevationM: &height, WindHeightM: 2}
	opts := weather.Options{Reference: weather.FAO56}
	so := siteOptions{Reference: "fao56"}
	days := &waterDays{site: site, opts: opts, zone: zone}
	if err := days.read(so, wx, nil, civil.Date{}, 0); err != nil {
		t.Fatal(err)
	}
	on := days.on
	timing := label.Timing{From: "08:00", To: "13:00"}
	got, err := readers{}.WeatherDay(bytes.NewReader(data), "hour.csv", app.WeatherQuestion{Site: site, Zone: zone, On: on, Timing: timing})
	if err != nil {
		t.Fatal(err)
	}
	if got.DailyMm != days.days[0].ET0Mm || got.SunriseH != days.days[0].SunriseH {
		t.Errorf("%v mm, sunrise %v; plan --weather has %v mm, %v", got.DailyMm, got.SunriseH, days.days[0].ET0Mm, days.days[0].SunriseH)
	}
	if len(got.Hours) != 24 {
		t.Fatalf("%d hours of %v", len(got.Hours), on)
	}
	doc, _, err := newWeatherDocument(wx, site, opts, weather.Rules{Practice: weather.DefaultPractice(), Label: labelRules(timing)}, weather.Situation{})
	if err != nil {
		t.Fatal(err)
	}
	k, suitable := 0, 0
	for _, h := range doc.Hours {
		if civil.Date(weather.DateOf(h.Start.In(zone))) != on {
			continue
		}
		if got.Hours[k].Status != h.Status || !got.Hours[k].Start.Equal(h.Start) {
			t.Errorf("hour %d: %s, the weather command says %s", k, got.Hours[k].Status, h.Status)
		}
		if h.Status == weather.Suitable {
			suitable++
			if hour := h.Start.In(zone).Hour(); hour < 8 || hour >= 13 {
				t.Errorf("treatable at %d, outside the card's hours", hour)
			}
		}
		k++
	}
	if suitable == 0 {
		t.Error("no treatable hour: the comparison says little")
	}
	for name, q := range map[string]app.WeatherQuestion{
		"a day outside the table": {Site: site, Zone: zone, On: on.AddDays(900)},
	} {
		if _, err := (readers{}).WeatherDay(bytes.NewReader(data), "hour.csv", q); len(finding.AsFaults(err)) == 0 {
			t.Errorf("%s is not refused", name)
		}
	}
	if _, err := (readers{}).WeatherDay(bytes.NewReader([]byte("a,b\n1,2\n")), "x.csv", app.WeatherQuestion{Site: site, Zone: zone, On: on}); len(finding.AsFaults(err)) == 0 {
		t.Error("a table of something else is not refused")
	}
}
