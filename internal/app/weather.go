package app

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"path"
	"strconv"
	"strings"
	"sync"
	"time"

	"sapward/finding"
	"sapward/flow/weather"
	"sapward/internal/brief"
	"sapward/measure/civil"
	"sapward/plan"
	"sapward/plan/label"
)

// WeatherFacts are a weather table kept for a draft: measured or forecast, with
// the day of work in it. The file is an attachment of the draft.
type WeatherFacts struct {
	Name      string `json:"name"`
	Hash      string `json:"hash"`
	Latitude  string `json:"latitude"`            // degrees, north positive
	Longitude string `json:"longitude,omitempty"` // degrees, east positive
	Elevation string `json:"elevation_m"`
}

// WeatherQuestion is what is asked of a weather table.
type WeatherQuestion struct {
	Site   weather.Site
	Zone   *time.Location
	On     civil.Date
	Timing label.Timing // of the card's use
	Bloom  string       // no, yes, after; empty: nobody said
}

// WeatherDay is the day of work as the weather has it.
type WeatherDay struct {
	DailyMm           float64 // reference evapotranspiration
	SunriseH, SunsetH float64
	Hours             []weather.HourVerdict // of that day
	Windows           []weather.Window      // of that day
}

// WeatherReader reads a table of weather, CSV or XLSX, and works out one day of
// it. The error is finding.Faults with places.
type WeatherReader interface {
	WeatherDay(r io.Reader, name string, q WeatherQuestion) (WeatherDay, error)
}

// MaxWeather is the greatest size of a weather table (program default): ten
// years by the hour are about 8 MB.
const MaxWeather = 8 << 20

func (f *WeatherFacts) tidy(faults *finding.Faults) {
	for _, x := range []*string{&f.Name, &f.Latitude, &f.Longitude, &f.Elevation} {
		words(faults, "option", x, 200)
	}
}

// site reads where the weather was measured.
func (f WeatherFacts) site() (weather.Site, error) {
	var faults finding.Faults
	number := func(text, field string, low, high float64) float64 {
		v, err := strconv.ParseFloat(text, 64)
		if err != nil || !(v >= low && v <= high) {
			faults = append(faults, usage("draft-weather-number", finding.Args{"field_by": finding.Text(field), "text": finding.Text(clip(text)), "low": finding.Number(low, ""), "high": finding.Number(high, "")}))
		}
		return v
	}
	s := weather.Site{LatitudeDeg: number(f.Latitude, "field-latitude", -90, 90), WindHeightM: 2}
	height := number(f.Elevation, "field-elevation", -450, 6000)
	s.ElevationM = &height
	if f.Longitude != "" {
		lon := number(f.Longitude, "field-longitude", -180, 180)
		s.LongitudeDeg = &lon
	}
	return s, faults.OrNil()
}

// KeepWeather keeps a weather table for a draft. It must hold the draft's day of
// work; what cannot be read is refused with every fault of the file.
func (a *App) KeepWeather(ctx context.Context, actor Actor, draft string, version int, f WeatherFacts, r io.Reader) (Draft, error) {
	if err := a.mayOn(ctx, actor, "KeepWeather", TypeDraft, draft); err != nil {
		return Draft{}, err
	}
	d, err := get[DraftFacts](ctx, a.Store, TypeDraft, draft)
	if err != nil {
		return d, err
	}
	data, err := io.ReadAll(io.LimitReader(r, MaxWeather+1))
	if err != nil || len(data) > MaxWeather {
		return d, usage("draft-weather-size", finding.Args{"most": finding.Count(MaxWeather >> 20)})
	}
	f.Name = path.Base(strings.ReplaceAll(f.Name, `\`, "/"))
	facts := d.Facts
	facts.Weather = &f
	if err := facts.tidy(); err != nil {
		return d, err
	}
	if err := a.tryWeather(ctx, d.Parent, facts, data); err != nil {
		return d, err
	}
	media := "text/csv"
	if bytes.HasPrefix(data, []byte("PK\x03\x04")) {
		media = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
	}
	kept := AttachmentFacts{Name: f.Name, Type: media, Of: TypeDraft}
	if kept.File, err = a.Store.PutFile(ctx, bytes.NewReader(data), MaxWeather); err != nil {
		return d, err
	}
	f.Hash = kept.File.Hash
	if _, err := add(ctx, a, actor, Change{Type: TypeAttachment, Estate: d.Estate, Parent: draft, Sort: SortKey(f.Name)}, kept); err != nil {
		return d, err
	}
	return change(ctx, a, actor, TypeDraft, Changed, draft, version, "", "", facts)
}

// tryWeather reads a table for the day of a draft before it is kept.
func (a *App) tryWeather(ctx context.Context, block string, f DraftFacts, data []byte) error {
	if a.Weather == nil {
		return usage("draft-weather-none", nil)
	}
	card, err := get[CardFacts](ctx, a.Store, TypeCard, f.Card)
	if err != nil {
		return err
	}
	reading, err := a.read(card.Facts.Text)
	if err != nil {
		return err
	}
	b, err := a.gather(ctx, block)
	if err != nil {
		return err
	}
	br, cr := b.inputs.fill(f.Brief, f.Crew, len(b.trees))
	q, err := f.Weather.question(br, cr, reading.Card)
	if err != nil {
		return err
	}
	_, err = a.Weather.WeatherDay(bytes.NewReader(data), f.Weather.Name, q)
	return err
}

// question is what a draft asks of its weather.
func (f WeatherFacts) question(b brief.Brief, c brief.Crew, card label.Card) (WeatherQuestion, error) {
	q := WeatherQuestion{Bloom: b.Bloom}
	var err error
	if q.Site, err = f.site(); err != nil {
		return q, err
	}
	if b.On == "" {
		return q, usage("draft-weather-day", nil)
	}
	if q.On, err = civil.Parse(b.On); err != nil {
		return q, usage("option-date", finding.Args{"option": finding.Text("--on"), "text": finding.Text(clip(b.On))})
	}
	zone := c.Zone
	if zone == "" {
		zone = "UTC"
	}
	if q.Zone, err = time.LoadLocation(zone); err != nil {
		return q, usage("option-zone", finding.Args{"text": finding.Text(clip(zone))})
	}
	for _, u := range card.Uses {
		if string(u.Method) == b.Method {
			q.Timing = u.Timing
			break
		}
	}
	return q, nil
}

// weatherDays keeps the days last worked out, by the table's content and what
// was asked of it.
type weatherDays struct {
	mu   sync.Mutex
	kept map[string]WeatherDay
}

// mostWeatherDays bounds them.
const mostWeatherDays = 32

// weatherDay works out the day of work of a draft from its table.
func (a *App) weatherDay(ctx context.Context, f WeatherFacts, q WeatherQuestion) (WeatherDay, error) {
	key := fmt.Sprintf("%s %s %s %s %v %v %+v %s", f.Hash, f.Latitude, f.Longitude, f.Elevation, q.Zone, q.On, q.Timing, q.Bloom)
	a.wx.mu.Lock()
	day, known := a.wx.kept[key]
	a.wx.mu.Unlock()
	if known {
		return day, nil
	}
	if a.Weather == nil {
		return day, usage("draft-weather-none", nil)
	}
	data, err := a.file(ctx, f.Hash)
	if err != nil {
		return day, err
	}
	if day, err = a.Weather.WeatherDay(bytes.NewReader(data), f.Name, q); err != nil {
		return day, err
	}
	a.wx.mu.Lock()
	defer a.wx.mu.Unlock()
	if a.wx.kept == nil || len(a.wx.kept) >= mostWeatherDays {
		a.wx.kept = map[string]WeatherDay{}
	}
	a.wx.kept[key] = day
	return day, nil
}

// apply gives a crew what the weather of the day says: how long ports drink,
// and the treatable hours of the working day, the longest run of them. It
// reports whether there are any.
func (d WeatherDay) apply(c *plan.Crew, card label.Card, method string, on civil.Date) (treatable bool) {
	clock := func(text string, otherwise int) time.Time {
		h, err := time.Parse("15:04", text)
		if err != nil {
			h = time.Date(0, 1, 1, otherwise, 0, 0, 0, time.UTC)
		}
		zone := c.Zone
		if zone == nil {
			zone = time.UTC
		}
		return time.Date(on.Year, on.Month, on.Day, h.Hour(), h.Minute(), 0, 0, zone)
	}
	start, end := clock(c.Start, 7), clock(c.End, 16)
	c.Drinks = brief.Drinks{DailyMm: d.DailyMm, SunriseH: d.SunriseH, SunsetH: d.SunsetH, StartH: float64(start.Hour()) + float64(start.Minute())/60}.Model(card, label.Method(method), c.Delivery)
	var best time.Duration
	for i := 0; i < len(d.Windows); i++ {
		if d.Windows[i].Status != weather.Suitable {
			continue
		}
		from, to := d.Windows[i].Start, d.Windows[i].End
		for i+1 < len(d.Windows) && d.Windows[i+1].Status == weather.Suitable && d.Windows[i+1].Start.Equal(to) {
			i++
			to = d.Windows[i].End
		}
		if from.Before(start) {
			from = start
		}
		if to.After(end) {
			to = end
		}
		if n := to.Sub(from); n > best {
			best, c.TreatFrom, c.TreatTo = n, from, to
		}
	}
	return best > 0
}
