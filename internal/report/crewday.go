package report

import (
	"math"
	"slices"
	"strings"
	"time"

	"sapward/finding"
	"sapward/internal/draw"
	"sapward/plan/crew"
)

// crew is the day as bars, a list a person, and what to come back for.
func (d *document) crew() error {
	o := d.in.Outfit
	if o == nil || d.refused() || len(o.Schedule.Days) == 0 {
		return nil
	}
	d.section(d.t("report-crew"), d.crewBasis())
	for _, c := range o.Schedule.Cautions {
		d.badged(finding.ByPractice, "", d.crewWord(c))
	}
	if n := len(o.Schedule.Unscheduled); n > 0 {
		d.paragraph(d.say.Say("day-unscheduled", finding.Args{"count": finding.Count(n)})+" "+strings.Join(o.Schedule.Unscheduled, ", "), text{})
	}
	all, placed := d.blockMap()
	for i := range o.Schedule.Days {
		day := &o.Schedule.Days[i]
		if i > 0 { // a day begins on a page of its own
			d.newPage()
		}
		if err := d.day(day); err != nil {
			return err
		}
		if m, ok := d.dayMap(day.People, all); ok && placed > 0 && len(o.Schedule.Days) > 1 {
			if err := d.placeDayMap(m); err != nil {
				return err
			}
		}
		for k := range day.People {
			d.personList(day, &day.People[k])
		}
	}
	d.returns(o.Schedule.Returns)
	return nil
}

func (d *document) crewBasis() string {
	o := d.in.Outfit
	str := d.say.Say("day-basis", finding.Args{"source": finding.Text(d.t("steps-default")), "minutes": finding.Number(o.Uptake.MinutesPerPort, "min"), "walk": finding.Number(math.Round(o.Walk.LengthM), "m")})
	if o.Pilot != nil {
		str += " " + d.t("day-pilot")
	}
	return str
}

// day is one working day: its figures, its bars, a list a person.
func (d *document) day(day *crew.Day) error {
	d.need(70)
	d.subhead(d.say.Say("report-day-n", finding.Args{"day": finding.Count(day.Number), "date": finding.Text(day.Start.Format(time.DateOnly))}))
	vs := [][2]string{
		{whole(day.Trees), d.t("head-trees")}, {whole(day.Ports), d.t("col-ports")}, {d.clock(day.Start), d.t("report-start")},
		{d.clock(day.LastPortDry), d.t("report-last-dry")}, {d.clock(day.Finish), d.t("report-finish")}, {d.clock(day.SignsDown), d.say.Say("report-signs-on", finding.Args{"date": finding.Text(day.SignsDown.Format(time.DateOnly))})},
	}
	d.tiles(len(vs), func(i int) (string, string) { return vs[i][0], vs[i][1] })
	start := float64(day.Start.Hour()*60 + day.Start.Minute())
	b := draw.Day{Frame: d.frameOf(draw.KindDayBars, d.width, ""), TwelveHour: d.say.US && d.say.Lang == "en",
		Kinds: []string{d.t("report-bar-treat"), d.t("report-bar-return"), d.t("report-bar-watch"), d.t("report-bar-wait"), d.t("crew-walk")}}
	b.Title = d.t("report-crew")
	most := start
	for _, p := range day.People {
		bars := dayBars(p, start)
		b.Rows = append(b.Rows, draw.DayRow{Person: d.person(p.Person), Bars: bars})
		for _, bar := range bars {
			most = max(most, bar.ToMin)
		}
	}
	minutes := func(t time.Time) float64 { return start + t.Sub(day.Start).Minutes() }
	b.Markers = append(b.Markers, draw.DayMarker{AtMin: minutes(day.LastPortDry), Label: d.t("report-last-dry")})
	b.FromMin, b.ToMin = math.Floor(start/60)*60, math.Ceil(most/60)*60
	const rowsAPicture = 24
	rows := b.Rows
	for i := 0; i < len(rows); i += rowsAPicture {
		b.Rows = rows[i:min(i+rowsAPicture, len(rows))]
		sc, err := draw.DrawDay(b)
		if err != nil {
			return err
		}
		d.need(sc.Height / pxPerMM)
		d.y += d.place(sc, d.x, d.y, d.width, 0)
	}
	return nil
}

// placeDayMap draws the day's walk no higher than a third of the page.
func (d *document) placeDayMap(m draw.BlockMap) error {
	sc, err := fitMap(m, 75*pxPerMM)
	if err != nil {
		return err
	}
	h := sc.Height / pxPerMM
	d.need(h)
	d.y += d.place(sc, d.x, d.y, sc.Width/pxPerMM, 0)
	return nil
}

// personList is one person's walk: when, where, what.
func (d *document) personList(day *crew.Day, p *crew.PersonDay) {
	var visits []crew.TreeVisit
	for _, v := range day.Visits {
		if v.Person == p.Person {
			visits = append(visits, v)
		}
	}
	slices.SortStableFunc(visits, func(a, b crew.TreeVisit) int { return int(a.LoadS - b.LoadS) })
	cols := 3
	if d.narrow(visits) {
		cols = 4
	}
	const rowH = lineBody + 1.2
	n := (len(visits) + cols - 1) / cols
	h := float64(n)*rowH + 5.5
	d.need(min(h, d.h-foot-top-20) + 12) // in one piece where a page holds it
	d.y += 1.5
	d.subhead(join("  ·  ", d.person(p.Person), d.t("crew-"+p.Role), d.workOf(p, len(visits))))
	if len(visits) == 0 {
		if len(p.Trees) > 0 {
			d.paragraph(strings.Join(p.Trees, ", "), text{})
		}
		return
	}
	if h > d.bottom-d.y {
		h = 0 // runs over the page
	}
	d.columns(cols, 4, h)
	t := d.newTable(column{head: d.t("report-time"), share: 15, right: true}, column{head: d.t("col-tree"), share: 17, bold: true}, column{head: d.t("col-ports"), share: 15, right: true})
	for _, v := range visits {
		ports := 0
		for _, k := range d.trees[v.Tree] {
			ports += len(d.plan.Trees[k].Ports)
		}
		t.row(d.clock(day.Start.Add(time.Duration(v.LoadS)*time.Second)), v.Tree, whole(ports))
	}
	d.single()
}

// narrow reports whether times and tags are short enough for four columns.
func (d *document) narrow(visits []crew.TreeVisit) bool {
	if d.say.US && d.say.Lang == "en" {
		return false // am and pm
	}
	for _, v := range visits {
		if d.measure(v.Tree, text{bold: true}) > 12 {
			return false
		}
	}
	return true
}

// workOf says how many trees a person has and how far they walk.
func (d *document) workOf(p *crew.PersonDay, visits int) string {
	trees, way := "", ""
	if n := max(visits, len(p.Trees)); n > 0 {
		trees = d.say.Say("report-n-trees", finding.Args{"n": finding.Count(n)})
	}
	if m := math.Round(p.WalkM); m > 0 {
		way = d.say.Value(finding.Number(m, "m"))
	}
	return join("  ·  ", trees, way)
}

// returns is the list of what to come back for. Many trees on one day stand
// on one line.
func (d *document) returns(rs []crew.Return) {
	if len(rs) == 0 {
		return
	}
	type key struct{ kind, on, person string }
	var order []key
	tags := map[key][]string{}
	when := map[key]string{}
	for _, r := range rs {
		k := key{r.Kind, r.On, r.Person}
		if r.At != nil {
			k.on = r.At.Format(time.DateOnly)
			if r.Kind != crew.ReturnPull && r.Kind != crew.ReturnLines {
				k.on += " " + d.clock(*r.At)
			}
		}
		if _, seen := tags[k]; !seen {
			order = append(order, k)
			tags[k] = nil
			when[k] = k.on
		}
		str := r.Tree
		if r.At != nil && str != "" {
			str += "\u00a0" + d.clock(*r.At)
		}
		if str != "" {
			tags[k] = append(tags[k], str)
		}
	}
	slices.SortStableFunc(order, func(a, b key) int { return strings.Compare(a.on, b.on) })
	d.need(min(float64(len(order))*(lineBody+1.2)+16, d.h-foot-top-20))
	d.y += 2
	d.subhead(d.t("report-returns"))
	t := d.newTable(column{head: d.t("report-done"), share: 12, box: true}, column{head: d.t("report-when"), share: 34, bold: true}, column{head: d.t("report-what"), share: 84},
		column{head: d.t("head-trees"), share: 48})
	for _, k := range order {
		what := d.t(k.kind)
		if k.person != "" {
			what += " · " + d.person(k.person)
		}
		all := tags[k]
		if k.kind == crew.ReturnClosure {
			all = d.wholeDay(all)
		}
		const most = 60 // tags on a row of the table
		for {
			now := all[:min(most, len(all))]
			t.row("", when[k], what, strings.Join(now, ", "))
			if all = all[len(now):]; len(all) == 0 {
				break
			}
		}
	}
}

// wholeDay puts the day's name in the place of all of its trees.
func (d *document) wholeDay(tags []string) []string {
	if len(tags) <= 12 {
		return tags
	}
	days := d.in.Outfit.Schedule.Days
	for i := range days {
		n := 0
		for _, p := range days[i].People {
			for _, tag := range p.Trees {
				if slices.Contains(tags, tag) {
					n++
				}
			}
		}
		if n == len(tags) && n == days[i].Trees {
			return []string{d.say.Say("report-all-trees", finding.Args{"n": finding.Count(n), "day": finding.Count(days[i].Number)})}
		}
	}
	return tags
}
