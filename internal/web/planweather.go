package web

import (
	"errors"
	"html/template"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/flow/weather"
	"sapward/internal/app"
	"sapward/internal/draw"
	"sapward/plan"
)

// weatherView is the weather of a draft's day of work.
type weatherView struct {
	Facts                          *app.WeatherFacts
	May                            bool
	Latitude, Longitude, Elevation string
	Lines                          []string
	Picture                        template.HTML
	Faults                         []string
}

// place fills in where the block stands, as far as anybody said.
func (w *weatherView) place(f app.DraftFacts, b app.BlockView) {
	switch {
	case f.Weather != nil:
		w.Latitude, w.Longitude, w.Elevation = f.Weather.Latitude, f.Weather.Longitude, f.Weather.Elevation
	case f.Model != nil:
		w.Latitude, w.Elevation = f.Model.Latitude, f.Model.Elevation
	}
	if w.Latitude != "" || !b.Facts.Globe || len(b.Facts.Boundary) == 0 {
		return
	}
	x, y := 0.0, 0.0
	for _, p := range b.Facts.Boundary {
		x, y = x+p.X, y+p.Y
	}
	n := float64(len(b.Facts.Boundary))
	w.Latitude, w.Longitude = strconv.FormatFloat(y/n, 'f', 4, 64), strconv.FormatFloat(x/n, 'f', 4, 64)
}

// mostAgainst is how many reasons the strip of hours can tell apart.
const mostAgainst = 7

// fill says what the weather of the day gives the plan.
func (w *weatherView) fill(v *view, day *app.WeatherDay, p *plan.Plan) {
	if day == nil {
		return
	}
	var spans []string
	for _, x := range day.Windows {
		if x.Status != weather.Suitable {
			continue
		}
		end := x.End.Format("15:04")
		if end == "00:00" {
			end = "24:00"
		}
		spans = append(spans, x.Start.Format("15:04")+"–"+end)
	}
	if len(spans) > 0 {
		w.Lines = append(w.Lines, v.S("planform-treatable", "list", strings.Join(spans, ", ")))
	} else {
		w.Lines = append(w.Lines, v.T("planform-no-hours"))
	}
	w.Lines = append(w.Lines, v.S("planform-et0", "mm", finding.Number(day.DailyMm, "mm")))
	if o := p.Outfit; o != nil && o.Uptake.Modelled > 0 {
		w.Lines = append(w.Lines, v.S("day-uptake", "trees", o.Uptake.Modelled, "least", finding.Number(o.Uptake.LeastMinutes, "min"), "most", finding.Number(o.Uptake.MinutesPerPort, "min")))
	} else if o != nil {
		w.Lines = append(w.Lines, v.T("planform-no-uptake"))
	}
	row := draw.HoursDay{Label: p.On}
	for i := range row.State {
		row.State[i] = -1
	}
	var reasons []string
	for _, h := range day.Hours {
		code := against(h)
		i := 0
		if code != "" {
			if i = slices.Index(reasons, code) + 1; i == 0 && len(reasons) < mostAgainst {
				reasons = append(reasons, code)
				i = len(reasons)
			}
		}
		k := h.Start.Hour()
		row.State[k] = max(row.State[k], i)
	}
	var names []string
	for _, code := range reasons {
		names = append(names, v.T("weather-short-"+strings.NewReplacer("_", "-", ".", "-").Replace(code)))
	}
	title := v.T("weather-head-hours")
	w.Picture = v.Pair("planhours", func(id string, width float64) (draw.Scene, error) {
		h := draw.Hours{Frame: v.frame(draw.KindHours, id, min(width, 560), title, strings.Join(w.Lines, " ")), Days: []draw.HoursDay{row}, Reasons: names}
		h.Words.Label = map[string]string{"treatable": v.T("weather-treatable-word")}
		return draw.DrawHours(h)
	})
}

// against is the rule that stands most against an hour; nothing for a suitable
// one.
func against(h weather.HourVerdict) string {
	if h.Status == weather.Suitable {
		return ""
	}
	want := weather.EffectBlocks
	if h.Status == weather.Open {
		want = weather.EffectOpen
	}
	for _, a := range []weather.Authority{weather.AuthorityLabel, weather.AuthorityPractice, weather.AuthorityEstimate} {
		for _, r := range h.Reasons {
			if r.Authority == a && r.Effect == want {
				return r.Code
			}
		}
	}
	return weather.RuleNoData
}

// keepWeather takes a weather table for a draft, or puts the one it has away.
func (s *Server) keepWeather(c *call) error {
	ctx := c.r.Context()
	d, _, err := s.app.Draft(ctx, c.actor, c.id())
	if _, ok := usable(err); err != nil && !ok {
		return err
	}
	if c.field("drop") == "yes" {
		f := d.Facts
		f.Weather = nil
		out, err := s.app.SaveDraft(ctx, c.actor, d.ID, c.number("version"), f)
		if err != nil {
			return err
		}
		s.drafts.put(out)
		return c.gone("/drafts/"+d.ID+"#weather", c.T("planform-dropped"), "")
	}
	file, header, err := c.r.FormFile("file")
	if err != nil && !errors.Is(err, http.ErrMissingFile) && !errors.Is(err, http.ErrNotMultipart) {
		return err
	}
	f := app.WeatherFacts{Latitude: c.field("latitude"), Longitude: c.field("longitude"), Elevation: c.field("elevation")}
	var kept error = finding.Faults{{Class: finding.Usage, ID: "draft-weather-file"}}
	if file != nil {
		defer file.Close()
		f.Name = header.Filename
		var out app.Draft
		if out, kept = s.app.KeepWeather(ctx, c.actor, d.ID, c.number("version"), f, file); kept == nil {
			s.drafts.put(out)
			return c.gone("/drafts/"+d.ID+"#weather", c.T("planform-kept"), "")
		}
	}
	fs, ok := usable(kept)
	if !ok {
		return kept
	}
	b, err := c.blockOf(d.Parent)
	if err != nil {
		return err
	}
	_, o, err := s.app.Draft(ctx, c.actor, d.ID)
	pp, err := c.draftPage(d, b, o, err)
	if err != nil {
		return err
	}
	pp.Weather.Faults = c.lines(fs)
	pp.Weather.Latitude, pp.Weather.Longitude, pp.Weather.Elevation = f.Latitude, f.Longitude, f.Elevation
	return c.again("plan", c.Title, pp, c.Trail...)
}
