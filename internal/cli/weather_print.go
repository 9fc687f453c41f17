package cli

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"sapward/finding"
	"sapward/flow/weather"
	"sapward/internal/lang"
)

// depth writes a depth of water given in mm.
func (e *env) depth(mm float64) string {
	if e.say.US {
		return lang.Fixed(mm/25.4, 2) + " in"
	}
	return lang.Fixed(mm, 1) + " mm"
}

// day writes a date as people say it: 3 June.
func (e *env) day(t time.Time) string {
	return e.say.Say("weather-day", finding.Args{
		"weekday": finding.Text(e.say.T("weather-weekday-" + t.Weekday().String())), "day": finding.Count(t.Day()), "month": finding.Text(e.say.T("weather-month-" + t.Month().String())),
	})
}

// span writes a window: 3 June 07:00-11:00.
func (e *env) span(from, to time.Time) string {
	s := e.day(from) + " " + from.Format("15:04") + "–"
	end := to.Format("15:04")
	y, m, d := from.Date()
	midnight := time.Date(y, m, d+1, 0, 0, 0, 0, from.Location())
	switch {
	case to.Equal(midnight):
		return s + "24:00"
	case to.After(midnight):
		return s + e.day(to) + " " + end
	}
	_, a := from.Zone()
	_, b := to.Zone()
	if a != b { // the clock changes inside
		end += " (" + to.Format("-07:00") + ")"
	}
	return s + end
}

// shownWindows is how many windows the answer names.
const shownWindows = 3

// answer is the short answer: which hours, or why none.
func (d *weatherDocument) answer(e *env) []string {
	say := e.say
	list := func(status weather.Status) (string, int) {
		var ws []weather.Window
		for _, w := range d.Windows {
			if w.Status == status {
				ws = append(ws, w)
			}
		}
		slices.SortStableFunc(ws, func(a, b weather.Window) int { return a.Rank - b.Rank })
		var out []string
		for i, w := range ws {
			if i == shownWindows {
				break
			}
			s := e.span(w.Start, w.End)
			if w.BestStart != nil && w.BestEnd != nil && (!w.BestStart.Equal(w.Start) || !w.BestEnd.Equal(w.End)) {
				s += " " + say.Say("weather-best", finding.Args{"from": finding.Text(w.BestStart.Format("15:04")), "to": finding.Text(w.BestEnd.Format("15:04"))})
			}
			out = append(out, s)
		}
		return strings.Join(out, "; "), len(ws)
	}
	var lines []string
	text, n := list(weather.Suitable)
	open, m := list(weather.Open)
	switch {
	case n > 0:
		lines = append(lines, say.Say("weather-treatable", finding.Args{"list": finding.Text(text)}))
		if n > shownWindows {
			lines = append(lines, say.Say("weather-more", finding.Args{"count": finding.Count(n - shownWindows)}))
		}
	case m > 0:
		lines = append(lines, say.Say("weather-open", finding.Args{"list": finding.Text(open)}))
		if m > shownWindows {
			lines = append(lines, say.Say("weather-more", finding.Args{"count": finding.Count(m - shownWindows)}))
		}
	default:
		lines = append(lines, say.T("weather-none"))
	}
	if len(d.dark) > 0 {
		id := "weather-dark"
		if d.dark[0] == d.dark[len(d.dark)-1] {
			id = "weather-dark-one"
		}
		lines = append(lines, say.Say(id, finding.Args{"count": finding.Count(len(d.dark)), "first": finding.Text(d.dark[0]), "last": finding.Text(d.dark[len(d.dark)-1])}))
	}
	if d.CardHash == "" {
		lines = append(lines, say.T("weather-no-card"))
	}
	if d.Kind == weather.KindDaily {
		lines = append(lines, say.T("weather-hours-estimated"))
	}
	switch d.ZoneFrom {
	case "none":
		lines = append(lines, say.T("weather-zone-none"))
	case "offset":
		lines = append(lines, say.Say("weather-zone-offset", finding.Args{"zone": finding.Text(d.Zone)}))
	}
	return lines
}

func (d *weatherDocument) print(e *env) {
	say := e.say
	if d.Invented {
		e.println(say.T("invented"))
	}
	if d.practiceOnly {
		e.println(say.T("practice-only"))
	}
	for _, l := range d.answer(e) {
		e.wrapped(l, "")
	}
	if s := d.Slot; s != nil {
		e.wrapped(say.Say("weather-slot-"+strings.ReplaceAll(string(s.Status), "_", "-"), finding.Args{"span": finding.Text(e.span(s.Start, s.End))}), "")
	}
	d.strip(e)
	d.et0Table(e)
	d.whyNots(e)
	d.routes(e)
}

// symbols of the strip, the weightiest last: where an hour holds several
// periods the weightiest is shown.
const stripSymbols = "#+?._x"

func symbol(h weather.HourVerdict) int {
	switch h.Status {
	case weather.Suitable:
		if h.Best {
			return 0
		}
		return 1
	case weather.Open:
		return 2
	case weather.Unsuitable:
		return 3
	case weather.NoData:
		return 4
	}
	return 5
}

// strips are the verdicts by local day and hour of the clock; -1 is an hour the
// table does not reach.
func strips(hours []weather.HourVerdict, judge func(weather.HourVerdict) int) (days []time.Time, cells [][24]int) {
	at := map[weather.Date]int{}
	for _, h := range hours {
		day := weather.DateOf(h.Start)
		i, ok := at[day]
		if !ok {
			i = len(days)
			at[day] = i
			days = append(days, h.Start)
			row := [24]int{}
			for k := range row {
				row[k] = -1
			}
			cells = append(cells, row)
		}
		c := &cells[i][h.Start.Hour()]
		*c = max(*c, judge(h))
	}
	return days, cells
}

func (d *weatherDocument) strip(e *env) {
	e.title(e.say.T("weather-head-hours"))
	days, cells := strips(d.Hours, symbol)
	names := make([]string, len(days))
	width := 0
	for i, t := range days {
		names[i] = e.day(t)
		width = max(width, len([]rune(names[i])))
	}
	e.printf("%s  0     6     12    18    24\n", strings.Repeat(" ", width))
	used := [6]bool{}
	for i := range days {
		var b strings.Builder
		for _, c := range cells[i] {
			if c < 0 {
				b.WriteByte(' ')
				continue
			}
			used[c] = true
			b.WriteByte(stripSymbols[c])
		}
		e.printf("%s%s  %s\n", names[i], strings.Repeat(" ", width-len([]rune(names[i]))), b.String())
	}
	var key []string
	for i, u := range used {
		if u {
			key = append(key, stripSymbols[i:i+1]+" "+e.say.T(fmt.Sprintf("weather-symbol-%d", i)))
		}
	}
	e.wrapped(strings.Join(key, "; "), "")
}

func (d *weatherDocument) et0Table(e *env) {
	say := e.say
	e.title(say.T("weather-head-et0"))
	if len(d.ET0) == 0 {
		e.wrapped(say.T("weather-et0-none"), "")
		return
	}
	unit, temp, wind := "mm", "°C", "m/s"
	if say.US {
		unit, temp, wind = "in", "°F", "mph"
	}
	num := func(x float64, us func(float64) float64, decimals int) string {
		if say.US {
			x = us(x)
		}
		return lang.Fixed(x, decimals)
	}
	inch := func(x float64) float64 { return x / 25.4 }
	fahrenheit := func(x float64) float64 { return x*9/5 + 32 }
	mph := func(x float64) float64 { return x / 0.44704 }
	places := 1
	if say.US {
		places = 2
	}
	if d.Kind == weather.KindDaily {
		t := newTable(say.T("weather-col-day"), ">ET0 "+unit, ">"+say.T("weather-col-vpd")+" kPa", ">"+say.T("weather-col-tmin")+" "+temp, ">"+say.T("weather-col-tmax")+" "+temp, ">"+say.T("weather-col-wind")+" "+wind, ">Rs MJ/m²")
		plain := 0 // days by Hargreaves
		for _, x := range d.daily {
			mark, u := "", num(x.U2MS, mph, 1)
			if slices.Contains(x.Routes, weather.RouteHargreaves) {
				mark, u = "*", "–"
				plain++
			}
			t.row(x.Date.String()+mark, num(x.ET0MM, inch, places), lang.Fixed(x.VPDKPa, 2), num(x.TminC, fahrenheit, 1), num(x.TmaxC, fahrenheit, 1), u, lang.Fixed(x.RsMJM2D, 1))
		}
		e.printf("%s", t)
		if plain > 0 {
			e.wrapped(say.T("weather-by-hargreaves"), "")
		}
		if plain < len(d.daily) {
			e.wrapped(say.T("weather-by-penman"), "")
		}
		e.wrapped(say.T("weather-et0-meaning"), "")
		return
	}
	t := newTable(say.T("weather-col-day"), ">ET0 "+unit, ">"+say.T("weather-col-hours"), ">"+say.T("weather-col-vpd-max")+" kPa", ">"+say.T("weather-col-tmin")+" "+temp, ">"+say.T("weather-col-tmax")+" "+temp)
	for _, x := range d.Totals {
		var low, high, dry float64
		first := true
		for _, h := range d.hourly {
			if weather.DateOf(h.Start) != x.Date {
				continue
			}
			if first {
				low, high, first = h.TempC, h.TempC, false
			}
			low, high, dry = min(low, h.TempC), max(high, h.TempC), max(dry, h.VPDKPa)
		}
		hours := lang.Figure(x.HoursH, 2)
		if !x.Complete {
			hours += "/" + lang.Figure(x.LocalHoursH, 2)
		}
		t.row(x.Date.String(), num(x.ET0MM, inch, places), hours, lang.Fixed(dry, 2), num(low, fahrenheit, 1), num(high, fahrenheit, 1))
	}
	e.printf("%s", t)
	e.wrapped(say.T("weather-et0-meaning"), "")
	if slices.ContainsFunc(d.Totals, func(x weather.DayTotal) bool { return !x.Complete }) {
		e.wrapped(say.T("weather-incomplete-days"), "")
	}
}

func (d *weatherDocument) whyNots(e *env) {
	if len(d.WhyNot) == 0 {
		return
	}
	e.title(e.say.T("weather-head-why"))
	for _, w := range d.WhyNot {
		e.wrapped("• ["+e.say.T("authority-"+string(w.Authority))+"] "+e.say.Say("weather-hours-of", finding.Args{"hours": finding.Number(w.HoursH, "")})+" "+w.Text, "  ")
	}
}

// plainRoutes are taken when a quantity was simply measured; the screen leaves
// them out.
var plainRoutes = []string{
	weather.RoutePressureElevation, weather.RouteHumidityVapour, weather.RouteHumidityDewPoint, weather.RouteHumidityWetBulb, weather.RouteHumidityExtremes, weather.RouteHumidityHourly,
	weather.RouteWind2M, weather.RouteSolarMeasured, weather.RouteClearSkyElevation, weather.RouteSoilHeatZero, weather.RouteSoilHeatGiven, weather.RouteSoilHeatDay, weather.RouteSoilHeatNight, weather.RoutePenmanMonteith,
}

func (d *weatherDocument) routes(e *env) {
	id := "weather-route-days"
	if d.Kind == weather.KindHourly {
		id = "weather-route-hours"
	}
	first := true
	for _, r := range d.Routes {
		if slices.Contains(plainRoutes, r.Code) {
			continue
		}
		if first {
			e.title(e.say.T("weather-head-routes"))
			first = false
		}
		e.wrapped("• "+e.say.Say(id, finding.Args{"count": finding.Count(r.Count), "text": finding.Text(r.Text)}), "  ")
	}
	if first && len(d.ET0) > 0 {
		e.println("")
		e.wrapped(e.say.T("weather-all-measured"), "")
	}
}

// wrapped prints a text in lines of at most 80 characters; lines after the
// first begin with indent.
func (e *env) wrapped(text, indent string) {
	const width = 80
	line := ""
	for _, w := range strings.Fields(text) {
		switch {
		case line == "":
			line = text[:len(text)-len(strings.TrimLeft(text, " "))] + w
		case len([]rune(line))+1+len([]rune(w)) > width:
			e.println(line)
			line = indent + w
		default:
			line += " " + w
		}
	}
	e.println(line)
}
