package cli

import (
	"math"
	"time"

	"sapward/finding"
	"sapward/flow/sap"
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

// cropCoefficient is the share of reference evapotranspiration that a crown
// over its own projection takes (from memory, as in sapward movement).
const cropCoefficient = 0.6

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
	pressure := head(method)
	if crew.Delivery(c.Delivery) == crew.Gravity {
		pressure = sap.GravityHeadMPa
	}
	for _, u := range r.Card.Uses {
		if u.Method == method && u.Pressure.Known {
			pressure = min(pressure, u.Pressure.Value.High.Float()/1000)
		}
	}
	return func(t *tree.Tree, p plan.Tree) (float64, bool) {
		wood, known := woodOf(t.Wood)
		if !known || !t.Crown.Known || len(p.Ports) == 0 {
			return 0, false
		}
		crown := t.Crown.Value.Float() / 100
		d := sap.Drinking{
			Wood: wood, Species: t.Species, DiameterM: p.DiameterCM / 100, Ports: len(p.Ports), HeadMPa: pressure,
			DailyL: cropCoefficient * day.ET0Mm * math.Pi / 4 * crown * crown, SunriseH: day.SunriseH, SunsetH: day.SunsetH,
			StartH: float64(start.Hour()) + float64(start.Minute())/60,
		}
		minutes, _, ok, err := d.Minutes(p.Dose.ML() / float64(len(p.Ports)))
		return minutes, ok && err == nil
	}, nil
}
