package cli

import (
	"time"

	"sapward/finding"
	"sapward/internal/brief"
	"sapward/internal/exchange"
	"sapward/measure/tree"
	"sapward/plan"
	"sapward/plan/crew"
	"sapward/plan/label"
)

// uptakeOptions let the day of work be planned with the time ports need to
// drink in that day's weather.
type uptakeOptions struct {
	Weather    string   `help:"WX.csv with the day of work: how long ports drink is then estimated tree by tree (needs --lat, --elevation_m, and crown_m and wood of the trees)."`
	Lat        *float64 `help:"Latitude in degrees, north positive; write --lat=-33.5 for the south."`
	Lon        *float64 `help:"Longitude in degrees, east positive; write --lon=-4.8 for the west."`
	Elevation  *float64 `name:"elevation_m" help:"Height above the sea in m."`
	WindHeight float64  `name:"wind-height_m" help:"Height of the anemometer in m." default:"2"`
}

// drinks returns the model of uptake on the day of work, or nil without
// weather.
func (o uptakeOptions) drinks(c planCmd, r plan.Request, method label.Method) (func(*tree.Tree, plan.Tree) (float64, bool), error) {
	if o.Weather == "" || r.On.IsZero() {
		return nil, nil
	}
	so := siteOptions{Lat: o.Lat, Lon: o.Lon, Elevation: o.Elevation, WindHeight: o.WindHeight, Zone: c.Zone, Reference: "fao56"}
	site, zone, opts, faults := so.site()
	if len(faults) > 0 {
		return nil, faults
	}
	wx, err := exchange.ReadWeather(o.Weather, exchange.WeatherOptions{Zone: zone})
	if err != nil {
		return nil, err
	}
	w := &waterDays{site: site, opts: opts, zone: zone}
	if err := w.read(so, wx, nil, r.On, 0); err != nil {
		return nil, err
	}
	start, err := time.Parse("15:04", c.Start)
	if err != nil {
		return nil, finding.Faults{{Class: finding.Usage, ID: "option-hour", Args: finding.Args{"option": finding.Text("--start"), "text": finding.Text(c.Start)}}}
	}
	day := w.days[0]
	return brief.Drinks{DailyMm: day.ET0Mm, SunriseH: day.SunriseH, SunsetH: day.SunsetH, StartH: float64(start.Hour()) + float64(start.Minute())/60}.Model(r.Card, method, crew.Delivery(c.Delivery)), nil
}
