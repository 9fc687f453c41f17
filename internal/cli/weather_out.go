package cli

import (
	"slices"
	"strconv"
	"time"

	"sapward/finding"
	"sapward/flow/weather"
	"sapward/internal/draw"
	"sapward/internal/exchange"
	"sapward/measure/civil"
	"sapward/numeric/exact"
	"sapward/plan/label"
)

// against is the code of what stands against a period in the picture: the
// label first, then darkness, then the other rules in their order.
func against(h weather.HourVerdict) string {
	switch h.Status {
	case weather.Suitable:
		return ""
	case weather.NoData:
		return weather.RuleNoData
	}
	want := weather.EffectBlocks
	if h.Status == weather.Open {
		want = weather.EffectOpen
	}
	for _, a := range []weather.Authority{weather.AuthorityLabel, weather.AuthorityPractice, weather.AuthorityEstimate} {
		for _, r := range h.Reasons {
			if r.Authority == a && r.Effect == want {
				if want == weather.EffectOpen {
					return r.Code + ".open"
				}
				return r.Code
			}
		}
	}
	return weather.RuleNoData
}

// mostReasons is what the strip chart can tell apart.
const mostReasons = 7

// drawing is hours.svg: one row a day, one cell an hour.
func (d *weatherDocument) drawing(e *env) ([]byte, error) {
	say := e.say
	count := map[string]int{}
	var codes []string
	for _, h := range d.Hours {
		if c := against(h); c != "" && c != weather.RuleNoData {
			if count[c] == 0 {
				codes = append(codes, c)
			}
			count[c]++
		}
	}
	slices.SortStableFunc(codes, func(a, b string) int { return count[b] - count[a] })
	rest := ""
	if len(codes) > mostReasons {
		rest, codes = say.T("weather-short-other"), codes[:mostReasons-1]
	}
	var names []string
	index := map[string]int{}
	for i, c := range codes {
		index[c] = i + 1
		names = append(names, say.T("weather-short-"+dashed(c)))
	}
	if rest != "" {
		names = append(names, rest)
	}
	state := func(h weather.HourVerdict) int {
		c := against(h)
		switch {
		case c == "":
			return 0
		case c == weather.RuleNoData:
			return mostReasons + 1 // weightiest, turned into unknown below
		case index[c] > 0:
			return index[c]
		}
		return len(names)
	}
	days, cells := strips(d.Hours, state)
	heading := say.T("weather-head-hours")
	if d.Invented {
		heading += ". " + say.T("invented")
	}
	h := draw.Hours{Frame: draw.Frame{
		WidthPx: 380, ID: string(draw.KindHours), Title: heading, Desc: d.Answer, Heading: heading, // 380 px: readable on a phone as it is
		Words: draw.Words{Lang: say.Lang, Label: map[string]string{"treatable": say.T("weather-treatable-word")}},
	}, Reasons: names}
	for i, t := range days {
		row := draw.HoursDay{Label: e.day(t), State: cells[i]}
		for k, s := range row.State {
			if s > mostReasons {
				row.State[k] = -1
			}
		}
		h.Days = append(h.Days, row)
	}
	scene, err := draw.DrawHours(h)
	if err != nil {
		return nil, err
	}
	return scene.SVG(), nil
}

// signDays is within how many days after the re-entry interval signs come down,
// as the page of Washington State University Tree Fruit on worker protection
// gives it; law only where that rule applies, so the text says common practice.
const signDays = 3

// calendar gathers the dates that follow from a slot.
func (d *weatherDocument) calendar(e *env, s *slot, use *label.Use, stamp time.Time) *exchange.Calendar {
	say := e.say
	product := d.Product
	if product == "" {
		product = say.T("weather-cal-no-product")
	}
	args := finding.Args{"product": finding.Text(product), "span": finding.Text(e.span(s.start, s.end))}
	c := &exchange.Calendar{Stamp: stamp, Content: d.CardHash + " " + d.Product + " " + s.start.UTC().Format(time.RFC3339) + " " + s.end.UTC().Format(time.RFC3339)}
	add := func(ev exchange.CalendarEvent) {
		ev.Title, ev.Text = say.Say("weather-cal-"+ev.Key, args), say.Say("weather-cal-"+ev.Key+"-text", args)
		if d.Invented {
			ev.Text += " " + say.T("invented")
		}
		c.Events = append(c.Events, ev)
	}
	add(exchange.CalendarEvent{Key: "work", Start: s.start, End: s.end})
	if use == nil {
		return c
	}
	day := civil.Of(s.end)
	if s.end.Equal(day.In(d.loc)) { // work that ends at midnight ends on the day before
		day = day.AddDays(-1)
	}
	if use.Reentry.Interval.Known {
		v := use.Reentry.Interval.Value
		args["hours"] = finding.Text(v.Base().String())
		end := s.end.Add(time.Duration(v.In("h").Mul(secondsPerHour).Ceil()) * time.Second)
		args["until"] = finding.Text(e.day(end.In(d.loc)) + " " + end.In(d.loc).Format("15:04"))
		add(exchange.CalendarEvent{Key: "rei", Start: end, End: end.Add(30 * time.Minute)})
		args["days"] = finding.Text(strconv.Itoa(signDays))
		// the last day that lies wholly within them
		add(exchange.CalendarEvent{Key: "signs", Day: civil.Of(end.In(d.loc)).AddDays(signDays - 1)})
	}
	whole := func(x label.Harvest) int { return int(x.Interval.Value.In("d").Ceil()) }
	if use.Harvest.Interval.Known {
		args["days"] = finding.Text(strconv.Itoa(whole(use.Harvest)))
		add(exchange.CalendarEvent{Key: "harvest", Day: day.AddDays(whole(use.Harvest))})
	}
	if use.Limits.Interval.Known {
		n := int(use.Limits.Interval.Value.In("d").Ceil())
		args["days"] = finding.Text(strconv.Itoa(n))
		add(exchange.CalendarEvent{Key: "next", Day: day.AddDays(n)})
	}
	return c
}

// secondsPerHour turns an interval into whole seconds, rounded up.
var secondsPerHour = exact.Int(3600)
