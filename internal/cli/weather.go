package cli

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
	_ "time/tzdata" // zones must be known on any machine

	"sapward/finding"
	"sapward/flow/weather"
	"sapward/internal/brief"
	"sapward/internal/cardfile"
	"sapward/internal/exchange"
	"sapward/plan/label"
)

type weatherCmd struct {
	File string `arg:"" help:"WX.csv or .xlsx: date or time, and what was measured or forecast."`
	siteOptions
	practiceOptions
	Card      string  `help:"Label card: its months, hours, temperature and bloom rules."`
	Method    string  `help:"injection or infusion." enum:",injection,infusion" default:""`
	Site      string  `help:"Site as the card names it."`
	Target    string  `help:"Target as the card names it."`
	Slot      string  `help:"Start of the work chosen, 2026-06-03T09:00: with --out, a calendar."`
	SlotHours float64 `name:"slot_h" help:"How long the work takes, in hours; 0: until the window ends."`
	Stamp     string  `help:"Time written into the calendar as its making, 2026-06-01T08:00Z; default: the slot's day."`
	Out       string  `help:"Folder to write hours.svg, weather.json and, with --slot, calendar.ics to."`
}

// siteOptions say where and how the weather was measured, and by which method
// reference evapotranspiration is worked out.
type siteOptions struct {
	Lat        *float64 `help:"Latitude in degrees, north positive; write --lat=-33.5 for the south."`
	Lon        *float64 `help:"Longitude in degrees, east positive; write --lon=-4.8 for the west."`
	Elevation  *float64 `name:"elevation_m" help:"Height above the sea in m; without it only Hargreaves' equation answers."`
	WindHeight float64  `name:"wind-height_m" help:"Height of the anemometer in m." default:"2"`
	Zone       string   `help:"Time zone, such as Europe/Madrid."`
	Stamps     string   `help:"Does the time of an hourly row mean the start or the end of its hour." enum:",start,end" default:""`
	Reference  string   `help:"Reference surface: fao56, asce_short or asce_tall." enum:"fao56,asce_short,asce_tall" default:"fao56"`
	Hargreaves bool     `help:"Use Hargreaves' equation, which needs temperature only."`
	Coastal    bool     `help:"The site lies on the coast (radiation from temperature, FAO-56 Eq. 50)."`
	WindFloor  float64  `name:"wind-floor_ms" help:"Least wind used in the sum; FAO-56 suggests 0.5. 0: as measured."`
	Accept     []string `help:"Go on although rows are missing (gap) or the wind looks wrong (wind)." enum:"gap,wind"`
}

// practiceOptions are the rules that are neither label nor law: program
// defaults that anybody may change.
type practiceOptions struct {
	Bloom   string  `help:"Are the trees in bloom: no, yes or after (petals fallen)." enum:",no,yes,after" default:""`
	Soil    string  `help:"Soil at the roots: moist, dry or waterlogged." enum:",moist,dry,waterlogged" default:""`
	Foliage string  `help:"Months with leaves out, such as 4-10."`
	VPDMin  float64 `name:"vpd-min_kpa" help:"Least vapour-pressure deficit." default:"0.5"`
	VPDMax  float64 `name:"vpd-max_kpa" help:"Greatest vapour-pressure deficit." default:"2"`
	TempMax float64 `name:"temp-max_c" help:"Greatest temperature, where the card does not set a lower one." default:"32"`
	Fog     float64 `name:"fog_pct" help:"Humidity from which the air counts as fog or wet leaf." default:"97"`
	Rain    float64 `name:"rain-max_mm" help:"Most rain in an hour." default:"0"`
	RainDay float64 `name:"rain-day-max_mm" help:"Most rain in a day of which only the total is known." default:"1"`
	Best    string  `help:"Hours to take first, such as 9-12." default:"9-12"`
}

// site returns the place, its zone (nil if not given) and what is wrong.
func (o siteOptions) site() (weather.Site, *time.Location, weather.Options, finding.Faults) {
	var faults finding.Faults
	bad := func(id string, args finding.Args) {
		faults = append(faults, &finding.Fault{Class: finding.Usage, ID: id, Args: args})
	}
	s := weather.Site{LongitudeDeg: o.Lon, ElevationM: o.Elevation, WindHeightM: o.WindHeight}
	w := weather.Options{Reference: weather.Reference(o.Reference), Hargreaves: o.Hargreaves, Coastal: o.Coastal, WindFloorMS: o.WindFloor}
	if o.Lat == nil {
		bad("weather-lat-needed", nil)
	} else {
		s.LatitudeDeg = *o.Lat
	}
	var zone *time.Location
	if o.Zone != "" {
		var err error
		if zone, err = time.LoadLocation(o.Zone); err != nil || o.Zone == "Local" {
			bad("weather-zone-unknown", finding.Args{"zone": finding.Text(o.Zone)})
			zone = nil
		}
	}
	options := map[string]string{"latitude_deg": "--lat", "longitude_deg": "--lon", "elevation_m": "--elevation_m", "wind_height_m": "--wind-height_m", "wind_floor_ms": "--wind-floor_ms"}
	for _, p := range append(s.Check(), w.Check()...) {
		name := options[p.Column]
		if name == "" {
			name = p.Column
		}
		args := finding.Args{"option": finding.Text(name)}
		for _, k := range []string{"value", "low", "high"} {
			if x, ok := p.Args[k].(float64); ok {
				args[k] = finding.Number(x, "")
			}
		}
		bad("weather-option-range", args)
	}
	return s, zone, w, faults
}

// accepts reports whether the person went on in spite of a kind of problem.
func (o siteOptions) accepts(kind string) bool {
	for _, a := range o.Accept {
		if a == kind {
			return true
		}
	}
	return false
}

// judge raises the warnings that a person must see before anything is built on
// the table, and returns the lines that go on as warnings and notes.
func (o siteOptions) judge(w *exchange.Weather, ps weather.Problems) (lines []exchange.ProblemLine, faults finding.Faults) {
	for _, l := range w.Lines(ps) {
		switch l.ID {
		case "weather-row-gap":
			if !o.accepts("gap") {
				l.Severity = weather.SeverityError
			}
		case "weather-value-missing":
			if wx := l.Args["column"].Text; w.Series.Kind == weather.KindHourly && (wx == "rh_pct" || wx == "solar_mj_m2") {
				l.Severity, l.ID = weather.SeverityWarning, "weather-value-missing-et0"
			} else if o.accepts("gap") {
				l.Severity = weather.SeverityWarning
			}
		case "weather-wind-mph-looking":
			if !o.accepts("wind") {
				l.Severity = weather.SeverityError
			}
		case "weather-wind-zero":
			// calm hours are real; an anemometer at rest for half the record is stuck
			if l.Args["rows"].Number*2 > l.Args["of"].Number && !o.accepts("wind") {
				l.Severity = weather.SeverityError
			}
		case "weather-time-hour-24":
			if o.Stamps == "" {
				l.Severity, l.ID = weather.SeverityError, "weather-time-hour-24-open"
			}
		}
		if l.Severity == weather.SeverityError {
			faults = append(faults, l.Fault())
		} else {
			lines = append(lines, l)
		}
	}
	return lines, faults
}

// warn prints the lines that do not stop the work.
func (e *env) warn(lines []exchange.ProblemLine) {
	for _, l := range lines {
		fmt.Fprintln(e.stderr, e.say.T("weather-severity-"+string(l.Severity))+" "+e.say.Fault(l.Fault()))
	}
}

// monthSpan reads months as 4-10, 11-3 or 4,5,9.
func monthSpan(text string) ([]time.Month, bool) {
	months, ok := brief.Months(text)
	var out []time.Month
	for _, m := range months {
		out = append(out, time.Month(m))
	}
	return out, ok
}

// practice returns the practice rules, what was said of the situation, and
// faults.
func (o practiceOptions) practice() (weather.Practice, weather.Situation, finding.Faults) {
	var faults finding.Faults
	p := weather.DefaultPractice()
	p.VPDMinKPa, p.VPDMaxKPa, p.TempMaxC, p.FogRHPct = &o.VPDMin, &o.VPDMax, &o.TempMax, &o.Fog
	p.RainMaxMM, p.RainDayMaxMM = &o.Rain, &o.RainDay
	bad := func(option, text, example string) {
		faults = append(faults, &finding.Fault{Class: finding.Usage, ID: "weather-option-text", Args: finding.Args{"option": finding.Text(option), "text": finding.Text(text), "example": finding.Text(example)}})
	}
	if o.Foliage != "" {
		months, ok := monthSpan(o.Foliage)
		if !ok {
			bad("--foliage", o.Foliage, "4-10")
		}
		p.FoliageMonths = months
	}
	a, b, ok := strings.Cut(o.Best, "-")
	from, err1 := strconv.ParseFloat(strings.TrimSpace(a), 64)
	to, err2 := strconv.ParseFloat(strings.TrimSpace(b), 64)
	if !ok || err1 != nil || err2 != nil || !(from >= 0 && from <= 24 && to >= 0 && to <= 24) {
		bad("--best", o.Best, "9-12")
	} else {
		p.BestFromH, p.BestToH = &from, &to
	}
	for _, x := range (weather.Rules{Practice: p}).Check() {
		args := finding.Args{"option": finding.Text(strings.NewReplacer("practice.", "--", "_min_", "-min_", "_max_", "-max_", "rain_day", "rain-day", "fog_rh_pct", "fog_pct").Replace(x.Column))}
		for _, k := range []string{"value", "low", "high"} {
			if v, ok := x.Args[k].(float64); ok {
				args[k] = finding.Number(v, "")
			}
		}
		id := "weather-option-range"
		if _, has := args["low"]; !has {
			id = "weather-option-order"
		}
		faults = append(faults, &finding.Fault{Class: finding.Usage, ID: id, Args: args})
	}
	return p, weather.Situation{Soil: weather.Soil(o.Soil)}, faults
}

// bloomState says what the bloom means for the card's rule, as package plan
// does: after petal fall, "not in bloom" is not yet an answer that allows.
func bloomState(said string, rule label.BloomRule) weather.Bloom {
	switch {
	case said == "":
		return ""
	case said == "yes", said == "no" && rule == label.AfterPetalFall:
		return weather.InBloom
	}
	return weather.NotInBloom
}

// labelRules turns the card's timing into the rules of package weather.
func labelRules(t label.Timing) weather.Label {
	l := weather.Label{BloomForbidden: t.Bloom != label.BloomNone, Advisory: t.Force == finding.Advisory}
	for _, m := range t.Months {
		l.Months = append(l.Months, time.Month(m))
	}
	if t.Temperature.Known {
		r := t.Temperature.Value
		l.TempMaxC = new(r.High.Float())
		if !r.Single {
			l.TempMinC = new(r.Low.Float())
		}
	}
	clock := func(s string) *float64 {
		h, m, ok := strings.Cut(s, ":")
		a, err1 := strconv.Atoi(h)
		b, err2 := strconv.Atoi(m)
		if !ok || err1 != nil || err2 != nil {
			return nil
		}
		return new(float64(a) + float64(b)/60)
	}
	if t.From != "" && t.To != "" {
		l.HourFromH, l.HourToH = clock(t.From), clock(t.To)
	}
	return l
}

// useFits reports whether a use of a card is meant by method, site and target;
// what is empty fits all.
func useFits(u label.Use, method, site, target string) bool {
	atSite, onTarget := site == "", target == ""
	for _, s := range u.Sites {
		atSite = atSite || strings.EqualFold(s.Name, site) || strings.EqualFold(s.Code, site)
	}
	for _, t := range u.Targets {
		onTarget = onTarget || strings.EqualFold(t, target)
	}
	return (method == "" || string(u.Method) == method) && atSite && onTarget
}

// cardUse reads the card and returns the one use that method, site and target
// leave. Uses that say the same about the hour count as one.
func (c weatherCmd) cardUse(e *env) (*label.Use, cardfile.Loaded, error) {
	if c.Card == "" {
		return nil, cardfile.Loaded{}, nil
	}
	loaded, findings, err := e.loadCard(c.Card)
	if err != nil {
		return nil, loaded, err
	}
	if fs := refusing(loaded, findings); len(fs) > 0 {
		return nil, loaded, fs
	}
	var fits []label.Use
	methods := map[label.Method]bool{}
	var names []string
	for _, u := range loaded.Card.Uses {
		if !methods[u.Method] {
			methods[u.Method] = true
			names = append(names, string(u.Method))
		}
		if useFits(u, c.Method, c.Site, c.Target) {
			fits = append(fits, u)
		}
	}
	if c.Method == "" && len(methods) > 1 {
		return nil, loaded, usage("method-needed", finding.Args{"methods": finding.Text(strings.Join(names, ", "))})
	}
	switch len(fits) {
	case 0:
		return nil, loaded, usage("weather-no-use", finding.Args{"method": finding.Text(c.Method), "site": finding.Text(c.Site), "target": finding.Text(c.Target)})
	case 1:
		return &fits[0], loaded, nil
	}
	return nil, loaded, usage("weather-use-unclear", finding.Args{"count": finding.Count(len(fits))})
}

// slot is the work chosen by the person.
type slot struct {
	start, end time.Time
	status     weather.Status
	why        []weather.WindowReason
}

// chosen finds the slot in the windows: it must begin in a period that was
// judged.
func (c weatherCmd) chosen(loc *time.Location, windows []weather.Window, hours []weather.HourVerdict) (*slot, error) {
	if c.Slot == "" {
		return nil, nil
	}
	if !(c.SlotHours >= 0 && c.SlotHours <= 48) {
		return nil, usage("weather-option-range", finding.Args{"option": finding.Text("--slot_h"), "value": finding.Number(c.SlotHours, ""), "low": finding.Count(0), "high": finding.Count(48)})
	}
	ts, ps := weather.ParseTimes([]string{c.Slot}, loc)
	if ps.Err() != nil || ts[0].IsZero() {
		return nil, usage("weather-option-text", finding.Args{"option": finding.Text("--slot"), "text": finding.Text(c.Slot), "example": finding.Text("2026-06-03T09:00")})
	}
	s := slot{start: ts[0]}
	for _, w := range windows {
		if s.start.Before(w.Start) || !s.start.Before(w.End) {
			continue
		}
		s.status, s.why, s.end = w.Status, w.Why, w.End
	}
	if s.status == "" {
		return nil, usage("weather-slot-outside", finding.Args{"text": finding.Text(c.Slot), "from": finding.Text(hours[0].Start.Format("2006-01-02 15:04")), "to": finding.Text(hours[len(hours)-1].End.Format("2006-01-02 15:04"))})
	}
	if c.SlotHours > 0 {
		s.end = s.start.Add(time.Duration(math.Round(c.SlotHours*60)) * time.Minute)
	}
	// the weakest period of the work decides
	rank := map[weather.Status]int{weather.Suitable: 0, weather.Open: 1, weather.Unsuitable: 2, weather.NoData: 3, weather.Forbidden: 4}
	for _, w := range windows {
		if w.Start.Before(s.end) && s.start.Before(w.End) && rank[w.Status] > rank[s.status] {
			s.status, s.why = w.Status, w.Why
		}
	}
	if s.end.After(hours[len(hours)-1].End) && rank[s.status] < rank[weather.NoData] {
		s.status = weather.NoData
	}
	return &s, nil
}

// stamp is the time written into a calendar as its making.
func (c weatherCmd) stamp(s *slot) (time.Time, error) {
	if c.Stamp == "" {
		y, m, d := s.start.Date()
		return time.Date(y, m, d, 0, 0, 0, 0, time.UTC), nil
	}
	ts, ps := weather.ParseTimes([]string{c.Stamp}, time.UTC)
	if ps.Err() != nil || ts[0].IsZero() {
		return time.Time{}, usage("weather-option-text", finding.Args{"option": finding.Text("--stamp"), "text": finding.Text(c.Stamp), "example": finding.Text("2026-06-01T08:00Z")})
	}
	return ts[0], nil
}

func (c weatherCmd) Run(e *env) error {
	site, zone, opts, faults := c.site()
	practice, sit, more := c.practice()
	faults = append(faults, more...)
	use, loaded, err := c.cardUse(e)
	faults = append(faults, finding.AsFaults(err)...)
	wx, err := exchange.ReadWeather(c.File, exchange.WeatherOptions{Zone: zone, StampsEnd: c.Stamps == "end"})
	faults = append(faults, finding.AsFaults(err)...)
	if wx == nil {
		return faults.OrNil()
	}
	rules := weather.Rules{Practice: practice}
	if use != nil {
		rules.Label = labelRules(use.Timing)
		sit.Bloom = bloomState(c.Bloom, use.Timing.Bloom)
		if rules.Label.HourFromH != nil && wx.ZoneFrom == "none" {
			faults = append(faults, &finding.Fault{Class: finding.Usage, ID: "weather-zone-for-hours", Args: finding.Args{"from": finding.Text(use.Timing.From), "to": finding.Text(use.Timing.To)}})
		}
	}
	lines, found := c.judge(wx, wx.Problems)
	faults = append(faults, found...)
	if err := faults.OrNil(); err != nil {
		return err
	}
	doc, later, err := newWeatherDocument(wx, site, opts, rules, sit)
	if err != nil {
		return err
	}
	after, found := c.judge(wx, later)
	if len(found) > 0 {
		return found
	}
	lines = append(lines, after...)
	doc.Problems = append(doc.Problems, lines...)
	if use != nil {
		doc.CardHash, doc.Product, doc.Invented = loaded.Hash, loaded.Card.Product.Name, loaded.Card.Product.Invented
		doc.practiceOnly = !loaded.Card.Verified.Complete()
	}
	doc.sentences(e)
	s, err := c.chosen(wx.Zone, doc.Windows, doc.Hours)
	if err != nil {
		return err
	}
	if s != nil {
		doc.Slot = &slotLine{Start: s.start, End: s.end, Status: s.status}
		if s.status == weather.Forbidden {
			e.status = exitRefused
		}
	}
	if c.Out != "" {
		if err := c.write(e, doc, s, use); err != nil {
			return err
		}
	}
	if e.globals.JSON {
		return e.printJSON(doc)
	}
	e.warn(lines)
	doc.print(e)
	if c.Out != "" {
		e.println("")
		e.println(e.say.Say("weather-written", finding.Args{"folder": finding.Text(c.Out)}))
	}
	return nil
}

// weatherFiles are the names this command writes.
var weatherFiles = []string{"hours.svg", "weather.json", "calendar.ics"}

func (c weatherCmd) write(e *env, doc *weatherDocument, s *slot, use *label.Use) error {
	svg, err := doc.drawing(e)
	if err != nil {
		return err
	}
	data, err := brief.Marshal(doc)
	if err != nil {
		return err
	}
	var cal *exchange.Calendar
	if s != nil && s.status != weather.Forbidden {
		stamp, err := c.stamp(s)
		if err != nil {
			return err
		}
		cal = doc.calendar(e, s, use, stamp)
	}
	return exchange.WriteFolder(strings.TrimRight(c.Out, "/"), weatherFiles, func(f *exchange.Folder) error {
		put := func(name string, b []byte) error {
			return f.File(name, func(w io.Writer) error {
				_, err := w.Write(b)
				return err
			})
		}
		if err := errors.Join(put("hours.svg", svg), put("weather.json", append(data, '\n'))); err != nil {
			return err
		}
		if cal == nil {
			return nil
		}
		return f.File("calendar.ics", cal.Write)
	})
}
