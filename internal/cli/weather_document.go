package cli

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"sapward/finding"
	"sapward/flow/weather"
	"sapward/internal/exchange"
)

// weatherDocument is the JSON of the command.
type weatherDocument struct {
	Schema   string                 `json:"schema"`
	Engine   string                 `json:"engine"`
	CardHash string                 `json:"card_hash,omitempty"`
	Product  string                 `json:"product,omitempty"`
	Invented bool                   `json:"invented,omitempty"`
	File     string                 `json:"file"`
	Kind     weather.Kind           `json:"kind"`
	StepH    float64                `json:"step_h"`
	Zone     string                 `json:"zone"`
	ZoneFrom string                 `json:"zone_from"`
	Place    weather.Site           `json:"site"`
	Options  weather.Options        `json:"options"`
	Rules    weather.Rules          `json:"rules"`
	Said     weather.Situation      `json:"situation"`
	Answer   string                 `json:"answer"`
	ET0      []any                  `json:"et0"`
	VPDKPa   []float64              `json:"vpd_kpa"`
	Totals   []weather.DayTotal     `json:"day_totals,omitempty"`
	Windows  []weather.Window       `json:"windows"`
	WhyNot   []whyNot               `json:"why_not"`
	Routes   []routeLine            `json:"routes"`
	Slot     *slotLine              `json:"slot,omitempty"`
	Problems []exchange.ProblemLine `json:"problems"`
	Hours    []weather.HourVerdict  `json:"hours"`

	daily        []weather.DailyResult
	hourly       []weather.HourlyResult
	loc          *time.Location
	dark         []string // local days on which the sun does not rise
	practiceOnly bool
}

// Steps of a day and of a period, with the depth under the name the design
// gives it.
type (
	dayLine struct {
		Date weather.Date `json:"date"`
		MM   float64      `json:"mm"`
		weather.DailyResult
	}
	hourLine struct {
		Time time.Time `json:"time"`
		MM   float64   `json:"mm"`
		weather.HourlyResult
	}
	slotLine struct {
		Start  time.Time      `json:"start"`
		End    time.Time      `json:"end"`
		Status weather.Status `json:"status"`
	}
)

// whyNot is one rule that stands against hours of the table, or waits for a
// fact.
type whyNot struct {
	Code      string            `json:"code"`
	Authority weather.Authority `json:"authority"`
	Effect    weather.Effect    `json:"effect"`
	Estimated bool              `json:"estimated,omitempty"`
	HoursH    float64           `json:"hours_h"`
	Low       *float64          `json:"low,omitempty"`
	High      *float64          `json:"high,omitempty"`
	Limit     *float64          `json:"limit,omitempty"`
	Text      string            `json:"text"`
}

// routeLine is one way in which a quantity was come by.
type routeLine struct {
	Code  string `json:"code"`
	Count int    `json:"count"` // days or hours
	Text  string `json:"text"`
}

// newWeatherDocument computes everything that follows from a checked table.
// What is wrong only once it is computed comes back as problems.
func newWeatherDocument(wx *exchange.Weather, site weather.Site, opts weather.Options, rules weather.Rules, sit weather.Situation) (*weatherDocument, weather.Problems, error) {
	d := &weatherDocument{
		Schema: "sapward/weather/1", Engine: Version, File: wx.File, Kind: wx.Series.Kind, StepH: wx.Series.StepH, Zone: wx.Zone.String(), ZoneFrom: wx.ZoneFrom,
		Place: site, Options: opts, Rules: rules, Said: sit, ET0: []any{}, VPDKPa: []float64{}, WhyNot: []whyNot{}, Routes: []routeLine{}, Problems: []exchange.ProblemLine{}, loc: wx.Zone,
	}
	if site.WindHeightM == 0 {
		d.Place.WindHeightM = 2
	}
	var later weather.Problems
	routes := map[string]int{}
	var order []string
	note := func(rs []string) {
		for _, r := range rs {
			if routes[r] == 0 {
				order = append(order, r)
			}
			routes[r]++
		}
	}
	if wx.Series.Kind == weather.KindHourly {
		if site.ElevationM == nil {
			return nil, nil, usage("weather-elevation-needed", nil)
		}
		d.hourly, later = wx.Series.HourlyET0(site, opts)
		for _, h := range d.hourly {
			d.ET0 = append(d.ET0, hourLine{h.Start, h.ET0MM, h})
			d.VPDKPa = append(d.VPDKPa, h.VPDKPa)
			note(h.Routes)
		}
		d.Totals = weather.DayTotals(d.hourly)
	} else {
		d.daily, later = wx.Series.DailyET0(site, opts)
		for _, x := range d.daily {
			d.ET0 = append(d.ET0, dayLine{x.Date, x.ET0MM, x})
			d.VPDKPa = append(d.VPDKPa, x.VPDKPa)
			note(x.Routes)
		}
		note([]string{weather.RouteDailyCurve})
		routes[weather.RouteDailyCurve] = len(d.daily)
	}
	hours, ps := weather.Assess(wx.Series, site, rules, sit, opts)
	for _, p := range ps { // what the sums already said need not be said twice
		if !slices.ContainsFunc(later, func(q weather.Problem) bool { return q.Row == p.Row && q.Code == p.Code && q.Column == p.Column }) {
			later = append(later, p)
		}
	}
	if len(hours) == 0 && later.Err() == nil {
		later = append(later, weather.Problem{Row: weather.NoRow, Code: weather.CodeEmpty, Severity: weather.SeverityError})
	}
	d.Hours, d.Windows = hours, weather.Windows(hours)
	for _, r := range order {
		d.Routes = append(d.Routes, routeLine{Code: r, Count: routes[r]})
	}
	d.gather()
	d.nights(site)
	return d, later, nil
}

// gather adds up what stands against the hours. Hours of darkness count only
// under darkness, so that the other figures tell about the day; what the label
// says counts always.
func (d *weatherDocument) gather() {
	at := map[string]int{}
	for _, h := range d.Hours {
		dark := slices.ContainsFunc(h.Reasons, func(r weather.Reason) bool {
			return r.Code == weather.RuleDaylight && r.Effect == weather.EffectBlocks
		})
		for _, r := range h.Reasons {
			if r.Effect == weather.EffectAllows || r.Effect == weather.EffectNote {
				continue
			}
			if dark && r.Code != weather.RuleDaylight && r.Authority != weather.AuthorityLabel {
				continue
			}
			key := r.Code + " " + string(r.Effect)
			i, ok := at[key]
			if !ok {
				i = len(d.WhyNot)
				at[key] = i
				d.WhyNot = append(d.WhyNot, whyNot{Code: r.Code, Authority: r.Authority, Effect: r.Effect, Limit: r.Limit})
			}
			w := &d.WhyNot[i]
			w.HoursH += h.End.Sub(h.Start).Hours()
			w.Estimated = w.Estimated || r.Estimated
			if r.Value != nil {
				if w.Low == nil || *r.Value < *w.Low {
					w.Low = r.Value
				}
				if w.High == nil || *r.Value > *w.High {
					w.High = r.Value
				}
			}
		}
	}
	rank := func(w whyNot) int {
		n := map[weather.Effect]int{weather.EffectBlocks: 0, weather.EffectOpen: 1, weather.EffectUnknown: 2}[w.Effect] * 2
		if w.Authority != weather.AuthorityLabel {
			n++
		}
		return n
	}
	slices.SortStableFunc(d.WhyNot, func(a, b whyNot) int {
		return cmp.Or(cmp.Compare(rank(a), rank(b)), cmp.Compare(b.HoursH, a.HoursH))
	})
}

// nights lists the local days without sunrise.
func (d *weatherDocument) nights(site weather.Site) {
	var last weather.Date
	for _, h := range d.Hours {
		day := weather.DateOf(h.Start)
		if day == last {
			continue
		}
		last = day
		lon := weather.ZoneLongitude(d.loc, day.Year)
		if site.LongitudeDeg != nil {
			lon = *site.LongitudeDeg
		}
		if weather.SunTimesOn(day, d.loc, site.LatitudeDeg, lon).PolarNight {
			d.dark = append(d.dark, day.String())
		}
	}
}

// sentences writes the parts of the document that are meant for people.
func (d *weatherDocument) sentences(e *env) {
	for i := range d.WhyNot {
		d.WhyNot[i].Text = e.whyText(d.WhyNot[i])
	}
	for i := range d.Routes {
		d.Routes[i].Text = e.say.T("weather-route-" + dashed(d.Routes[i].Code))
	}
	d.Answer = strings.Join(d.answer(e), " ")
}

// dashed is a code as part of a message's identifier.
func dashed(code string) string {
	return strings.NewReplacer(".", "-", "_", "-").Replace(code)
}

// whyText says what one rule has against hours, without the number of hours.
func (e *env) whyText(w whyNot) string {
	args := finding.Args{}
	unit := func(x float64) string { return e.figure(w.Code, x) }
	if w.Limit != nil {
		args["limit"] = finding.Text(unit(*w.Limit))
	}
	if w.Low != nil && w.High != nil {
		text := unit(*w.Low)
		if unit(*w.High) != text {
			text += " – " + unit(*w.High)
		}
		args["range"] = finding.Text(text)
	}
	id := "weather-why-" + dashed(w.Code) + "-" + string(w.Effect)
	if !e.say.Has(id) {
		id = "weather-why-unknown"
		if w.Effect == weather.EffectOpen {
			id = "weather-why-open"
		}
		args["what"] = finding.Text(strings.ToLower(e.say.T("weather-short-" + dashed(w.Code))))
	}
	text := e.say.Say(id, args)
	if w.Estimated {
		text += " " + e.say.T("weather-estimated")
	}
	return text
}

// figure writes a value in the unit of its rule.
func (e *env) figure(code string, x float64) string {
	switch code {
	case weather.RuleLabelTempMin, weather.RuleLabelTempMax, weather.RuleTempMax:
		return e.say.Temperature(x)
	case weather.RuleVPDMin, weather.RuleVPDMax:
		return e.say.Value(finding.Number(x, "kPa"))
	case weather.RuleRain, weather.RuleRainDay:
		return e.depth(x)
	case weather.RuleFog:
		return e.say.Value(finding.Number(x, "pct"))
	case weather.RuleLabelMonths, weather.RuleFoliage:
		return e.say.T("weather-month-" + time.Month(int(x)).String())
	case weather.RuleLabelHours:
		return time.Date(2000, 1, 1, 0, int(x*60+0.5), 0, 0, time.UTC).Format("15:04")
	}
	return e.say.Value(finding.Number(x, ""))
}
