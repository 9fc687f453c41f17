package cli

import (
	"math"
	"slices"
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/internal/draw"
	"sapward/internal/lang"
	"sapward/internal/report"
	"sapward/plan"
)

// sentences writes the parts of the document that are meant for people.
func (d *movementDocument) sentences(e *env) {
	d.Estimate = e.say.T("movement-estimate")
	d.Answer = d.answer(e)
	for i, p := range d.Parameters {
		if own, ok := strings.CutPrefix(p.Source, "@"); ok {
			key, rest, _ := strings.Cut(own, " ")
			d.Parameters[i].Source = strings.TrimSpace(e.say.T("movement-source-"+key) + " " + rest)
		}
	}
	for i, w := range d.Warnings {
		d.Warnings[i].Text = e.say.Say("movement-warning-"+strings.ReplaceAll(string(w.Code), "_", "-"), finding.Args{
			"value": finding.Text(figures(w.Value)), "limit": finding.Text(figures(w.Limit)), "count": finding.Count(w.Count)})
	}
}

// figures writes a number with three significant figures and no exponent.
func figures(x float64) string { return report.Figures(x) }

// dayText writes a number of days.
func dayText(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

// answer is the short answer: how much of the tree on which day.
func (d *movementDocument) answer(e *env) string {
	say := e.say
	best := slices.MaxFunc(d.Coverage, func(a, b coverageLine) int {
		switch {
		case a.CrownPct < b.CrownPct:
			return -1
		case a.CrownPct > b.CrownPct:
			return 1
		}
		return 0
	})
	args := finding.Args{
		"level": finding.Text(figures(d.Level) + " " + d.LevelUnit), "metric": finding.Text(say.T("movement-metric-" + map[string]string{"mg/L": "sap", "mg/kg": "residue"}[d.LevelUnit])),
		"day": finding.Text(dayText(best.Day)), "crown": finding.Text(lang.Figure(best.CrownPct, 0) + " %"), "trunk": finding.Text(lang.Figure(best.TrunkPct, 0) + " %"),
	}
	id := "movement-answer"
	if best.CrownPct == 0 {
		id = "movement-answer-none"
		best = slices.MaxFunc(d.Coverage, func(a, b coverageLine) int { return int(math.Copysign(1, a.TrunkPct-b.TrunkPct)) })
		args["day"], args["trunk"] = finding.Text(dayText(best.Day)), finding.Text(lang.Figure(best.TrunkPct, 0)+" %")
	}
	return say.Say(id, args)
}

func (d *movementDocument) print(e *env) {
	say := e.say
	if d.Invented {
		e.println(say.T("invented"))
	}
	if d.practiceOnly {
		e.println(say.T("practice-only"))
	}
	e.wrapped(d.Estimate, "")
	if d.Verdict == string(plan.Opened) {
		e.wrapped(say.T("movement-open"), "")
	}
	name := d.Tree
	if d.Stem != "" {
		name += "/" + d.Stem
	}
	e.wrapped(say.Say("movement-head", finding.Args{
		"tree": finding.Text(name), "wood": finding.Text(say.T("movement-wood-" + d.Wood)), "method": finding.Text(say.T("method-" + d.Method)), "ports": finding.Count(d.Ports),
		"mass": finding.Text(figures(d.DoseG) + " g"), "date": finding.Text(d.On), "hour": finding.Text(lang.Figure(d.StartH, 2)),
	}), "")
	e.println("")
	e.wrapped(d.Answer, "")
	d.printCoverage(e)
	d.printArrival(e)
	d.printUptake(e)
	d.printBalance(e)
	if len(d.Warnings) > 0 {
		e.title(say.T("movement-head-warnings"))
		for _, w := range d.Warnings {
			e.wrapped("• "+w.Text, "  ")
		}
	}
	d.printParameters(e)
	e.println("")
	e.wrapped(d.Estimate, "")
}

func (d *movementDocument) printCoverage(e *env) {
	say := e.say
	e.title(say.T("movement-head-coverage"))
	t := newTable(">"+say.T("weather-col-day"), ">"+say.T("movement-col-trunk"), ">"+say.T("movement-col-crown"))
	for _, c := range d.Coverage {
		t.row(dayText(c.Day), lang.Fixed(c.TrunkPct, 0)+" %", lang.Fixed(c.CrownPct, 0)+" %")
	}
	e.printf("%s", t)
	e.wrapped(say.Say("movement-coverage-meaning", finding.Args{"level": finding.Text(figures(d.Level) + " " + d.LevelUnit)}), "")
}

func (d *movementDocument) printArrival(e *env) {
	if len(d.Arrival) == 0 {
		return
	}
	say := e.say
	e.title(say.T("movement-head-arrival"))
	t := newTable(">"+say.T("movement-col-above"), ">"+say.T("movement-col-in-line"), ">"+say.T("movement-col-top"), ">"+say.T("movement-col-between"), ">"+say.T("movement-col-top"))
	when := func(x *float64) string {
		if x == nil {
			return "–"
		}
		return lang.Fixed(*x, 1)
	}
	for _, a := range d.Arrival {
		t.row(say.Height(a.AbovePortsM), when(a.InLineD), figures(a.InLineTop), when(a.BetweenD), figures(a.BetweenTop))
	}
	e.printf("%s", t)
	e.wrapped(say.Say("movement-arrival-meaning", finding.Args{"unit": finding.Text(d.LevelUnit)}), "")
}

func (d *movementDocument) printUptake(e *env) {
	say := e.say
	e.title(say.T("movement-head-uptake"))
	for _, u := range d.Uptake {
		id := "movement-uptake-" + string(u.Stop)
		args := finding.Args{"ports": finding.Count(u.Ports), "volume": finding.Number(u.VolumeML, "mL"), "time": finding.Text(e.minutes(u.Minutes))}
		e.wrapped("• "+say.Say(strings.ReplaceAll(id, "_", "-"), args), "  ")
	}
}

// minutes writes a time that is known to a figure or two.
func (e *env) minutes(m float64) string {
	switch {
	case m < 1:
		return e.say.T("movement-under-a-minute")
	case m < 90:
		return e.say.Say("movement-about", finding.Args{"time": finding.Text(lang.Fixed(m, 0) + " min")})
	}
	return e.say.Say("movement-about", finding.Args{"time": finding.Text(lang.Figure(m/60, 1) + " h")})
}

func (d *movementDocument) printBalance(e *env) {
	say := e.say
	e.title(say.T("movement-head-balance"))
	t := newTable(">"+say.T("weather-col-day"), ">"+say.T("movement-col-depot"), ">"+say.T("movement-col-wood"), ">"+say.T("movement-col-below"), ">"+say.T("movement-col-leaves"), ">"+say.T("movement-col-decayed"), ">"+say.T("movement-col-retired"))
	worst := 0.0
	for _, b := range d.Balance {
		p := func(x float64) string { return lang.Fixed(math.Abs(math.Round(10*x)/10), 1) }
		t.row(dayText(b.Day), p(b.DepotPct), p(b.WoodPct), p(b.BelowPct), p(b.LeavesPct), p(b.DecayedPct), p(b.RetiredPct))
		worst = math.Max(worst, math.Abs(b.Relative))
	}
	e.printf("%s", t)
	e.wrapped(say.Say("movement-balance-meaning", finding.Args{"error": finding.Text(strconv.FormatFloat(worst, 'e', 0, 64))}), "")
	w := d.Water
	args := finding.Args{"water": finding.Text(figures(w.FirstDayL)), "distance": finding.Text(say.Height(math.Round(10*w.DistanceM) / 10)), "day": finding.Text(dayText(d.Days[len(d.Days)-1])), "file": finding.Count(w.FromFileD), "climate": finding.Count(w.FromClimate)}
	e.wrapped(say.Say("movement-water", args), "")
	if !w.FoliageSaid {
		e.wrapped(say.T("movement-foliage-unsaid"), "")
	}
}

func (d *movementDocument) printParameters(e *env) {
	say := e.say
	e.title(say.T("movement-head-parameters"))
	for _, p := range d.Parameters {
		value := figures(p.Value)
		if p.Unit != "" {
			value += " " + p.Unit
		}
		var marks []string
		for _, m := range strings.Split(p.Mark, ", ") {
			marks = append(marks, say.T("movement-mark-"+strings.ReplaceAll(m, " ", "-")))
		}
		e.wrapped("• "+say.T("movement-parameter-"+strings.ReplaceAll(p.Name, "_", "-"))+": "+value+" ["+strings.Join(marks, ", ")+"] "+p.Source, "  ")
	}
	e.wrapped(say.T("movement-parameters-meaning"), "")
}

// drawing is the heat map of a day: the same scale on every day, a hundredth of
// the effective level to a hundred times it.
func (d *movementDocument) drawing(e *env, i int) ([]byte, error) {
	say := e.say
	day := dayText(d.Days[i])
	unit, perM := "m", 1.0
	if say.US {
		unit, perM = "ft", 1/0.3048
	}
	heading := say.Say("movement-map-heading", finding.Args{"tree": finding.Text(d.Tree), "day": finding.Text(day)})
	if d.Invented {
		heading += " " + say.T("invented")
	}
	name := "movement-map-sap"
	if d.LevelUnit == "mg/kg" {
		name = "movement-map-residue"
	}
	c := d.Coverage[i]
	h := draw.HeatMap{Frame: draw.Frame{
		WidthPx: 380, ID: "day" + strings.ReplaceAll(day, ".", "-"), Title: heading, Heading: heading,
		Desc: say.Say("movement-map-desc", finding.Args{"day": finding.Text(day), "trunk": finding.Text(lang.Fixed(c.TrunkPct, 0) + " %"), "crown": finding.Text(lang.Fixed(c.CrownPct, 0) + " %"), "level": finding.Text(figures(d.Level) + " " + d.LevelUnit)}) + " " + d.Estimate,
		Words: draw.Words{Lang: say.Lang, Label: map[string]string{
			"north": say.T("movement-north"), "east": say.T("movement-east"), "south": say.T("movement-south"), "west": say.T("movement-west"),
			"height": say.T("movement-height"), "height_unit": unit, "effective": say.T("movement-effective"),
		}},
	}, Values: d.maps[i], TopM: d.topM * perM, LeftDeg: 315, Low: d.Level / 100, High: d.Level * 100, Effective: d.Level, Unit: d.LevelUnit, ValueName: say.T(name)}
	scene, err := draw.DrawHeatMap(h)
	if err != nil {
		return nil, err
	}
	return scene.SVG(), nil
}
