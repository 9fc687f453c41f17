package cli

import (
	"errors"
	"io"
	"strconv"
	"strings"
	"time"

	"sapward/finding"
	"sapward/flow/compare"
	"sapward/internal/brief"
	"sapward/internal/exchange"
	"sapward/internal/report"
	"sapward/measure/tree"
	"sapward/plan/label"
)

type compareCmd struct {
	Trees string `arg:"" help:"TREES.csv or .xlsx, as for plan; the tree that is modelled needs wood, height_m and crown_m."`
	planOptions
	crewOptions
	uptakeOptions
	modelOptions
	Days        float64 `help:"How many days to look ahead, 1 to 1100." default:"365"`
	Draws       int     `help:"Draws of what nobody knows for sure, 16 to 100000." default:"2000"`
	Share       float64 `name:"share_pct" help:"Share of the crown that counts as reached, per cent." default:"80"`
	Tree        string  `help:"Which tree to model: TAG, or TAG/STEM; else the block's typical one."`
	Assays      string  `help:"ASSAYS.csv of trees treated before: residues that narrow the answer."`
	AssayMethod string  `name:"assay-method" help:"How the assayed trees were treated." enum:",injection,infusion" default:""`
	DayZero     string  `name:"day-zero" help:"Date of their treatment, where the file gives dates."`
	Out         string  `help:"Folder to write comparison.json, comparison.pdf and the pictures to; complete or not at all."`
	Name        string  `help:"Name of the block, for the paper."`
	Paper       string  `help:"Paper of comparison.pdf: a4 or letter (default by --units)." enum:",a4,letter" default:""`
}

// modelOptions are what the model of the movement needs besides the plan.
type modelOptions struct {
	Active    string  `help:"Facts of the active (YAML or JSON), each with its source; without it the class on the card stands for it."`
	Effective string  `help:"Effective level, such as '0.5 mg/L sap', '0.4 mg/kg wood' or '0.3 mg/kg leaf'; without it that of the class."`
	Climate   string  `help:"MONTHLY.csv of monthly means, for the days that no weather table gives."`
	Foliage   string  `help:"Months with leaves out, such as 4-10; 1-12 for an evergreen."`
	CrownBase float64 `name:"crown-base_m" help:"Height of the lowest leaves in m; 0: a third of the tree's height."`
	HeadKPa   float64 `name:"head_kpa" help:"Pressure at the ports in kPa; 0: 15 for infusion, 150 for injection." default:"0"`
}

// facts turns a file of facts into those of the comparison.
func (a activeFacts) facts() compare.Facts {
	get := func(key string) *compare.Fact {
		f, ok := a.Values[key]
		if !ok || f.source == "" {
			return nil
		}
		return &compare.Fact{Value: f.value, Source: f.source}
	}
	out := compare.Facts{
		LogKow: get("log_kow"), HalfLifeD: get("half_life_d"), SolubilityMgL: get("solubility_mg_l"), Access: get("access"), Retardation: get("retardation"), SaturationMgL: get("saturation_mg_l"),
	}
	if l := get("effective_level"); l != nil {
		out.Level = &compare.Level{Fact: compare.Fact{Value: a.Level, Source: l.Source}, Metric: a.Metric}
	}
	return out
}

// optionRange is an option's value with what it may be.
type optionRange struct {
	name         string
	x, low, high float64
}

// inRange returns a fault for each value outside its range.
func inRange(all []optionRange) (faults finding.Faults) {
	for _, o := range all {
		if !(o.x >= o.low && o.x <= o.high) {
			faults = append(faults, finding.AsFaults(usage("weather-option-range", finding.Args{"option": finding.Text(o.name), "value": finding.Number(o.x, ""), "low": finding.Number(o.low, ""), "high": finding.Number(o.high, "")}))...)
		}
	}
	return faults
}

// check gathers what is wrong with the options.
func (c compareCmd) check() (faults finding.Faults) {
	faults = inRange([]optionRange{{"--days", c.Days, 1, mostDays}, {"--draws", float64(c.Draws), 16, 100_000}, {"--share_pct", c.Share, 1, 100}})
	if c.On == "" {
		faults = append(faults, finding.AsFaults(usage("compare-on-needed", nil))...)
	}
	if c.Weather == "" && c.Climate == "" {
		faults = append(faults, finding.AsFaults(usage("compare-weather-needed", nil))...)
	}
	return faults
}

// request reads all files and options of a comparison and gathers all faults.
func (c compareCmd) ask(e *env) (compare.Request, error) {
	r, _, err := c.planOptions.request(e)
	faults := finding.AsFaults(err)
	take := func(err error) {
		if err != nil {
			faults = append(faults, finding.AsFaults(err)...)
		}
	}
	faults = append(faults, c.check()...)
	out := compare.Request{
		Tree: c.Tree, HorizonD: c.Days, Target: c.Share / 100, Draws: c.Draws, Seed: r.Seed,
	}
	c.model(e, &out, take)
	gear, err := c.gear(nil)
	take(err)
	if err == nil {
		_, r.Climber, err = c.members()
		take(err)
		out.Crew = &gear
	}
	out.StartH = clockHour(c.Start)
	trees, err := e.readTrees(c.Trees)
	take(err)
	o, w, wx, climate := c.water(c.uptakeOptions, c.Zone, take)
	days := c.Days
	if c.Assays != "" {
		longest, err := c.readAssays(&out)
		take(err)
		days = max(days, longest)
	}
	if err := faults.OrNil(); err != nil {
		return out, err
	}
	if err := w.read(o, wx, climate, r.On, days); err != nil {
		return out, err
	}
	out.Plan, out.Days = r, w.days
	err = trees.Each(func(chunk []tree.Tree) error { out.Block = append(out.Block, chunk...); return nil })
	if len(out.Block) > equipLimit { // as plan does for large blocks
		out.Crew = nil
	}
	return out, err
}

// clockHour is an hour of the clock such as 07:30 in hours; faults of it have
// been told by gear.
func clockHour(text string) float64 {
	t, err := time.Parse("15:04", text)
	if err != nil {
		return 7
	}
	return float64(t.Hour()) + float64(t.Minute())/60
}

// model puts the options into a request.
func (c modelOptions) model(e *env, out *compare.Request, take func(error)) {
	out.CrownBaseM, out.HeadKPa = c.CrownBase, c.HeadKPa
	if f := inRange([]optionRange{{"--head_kpa", c.HeadKPa, 0, 5000}, {"--crown-base_m", c.CrownBase, 0, 120}}); len(f) > 0 {
		take(f)
	}
	if c.Active != "" {
		a, err := e.readActive(c.Active)
		take(err)
		out.Facts, out.Active = a.facts(), a.Name
	}
	level, err := brief.EffectiveLevel(c.Effective, "--effective")
	take(err)
	if level != nil {
		out.Facts.Level = level
	}
	if c.Foliage == "" {
		take(usage("compare-foliage-needed", nil))
	}
}

// water reads weather and climate.
func (c modelOptions) water(u uptakeOptions, inZone string, take func(error)) (siteOptions, *waterDays, *exchange.Weather, []exchange.ClimateMonth) {
	o := siteOptions{Lat: u.Lat, Lon: u.Lon, Elevation: u.Elevation, WindHeight: u.WindHeight, Zone: inZone, Reference: "fao56"}
	site, zone, opts, faults := o.site()
	for _, f := range faults {
		take(f)
	}
	w := &waterDays{site: site, opts: opts, zone: zone, rings: true}
	months, ok := monthSpan(c.Foliage)
	if !ok && c.Foliage != "" {
		take(usage("weather-option-text", finding.Args{"option": finding.Text("--foliage"), "text": finding.Text(c.Foliage), "example": finding.Text("4-10")}))
	}
	for _, m := range months {
		w.foliage = append(w.foliage, int(m))
	}
	var wx *exchange.Weather
	if u.Weather != "" {
		var err error
		if wx, err = exchange.ReadWeather(u.Weather, exchange.WeatherOptions{Zone: zone}); err != nil {
			take(err)
		} else {
			_, faults := o.judge(wx, wx.Problems)
			take(faults.OrNil())
		}
	}
	var climate []exchange.ClimateMonth
	if c.Climate != "" {
		var err error
		climate, _, err = exchange.ReadClimate(c.Climate)
		take(err)
	}
	return o, w, wx, climate
}

// readAssays reads the residues that can inform the model: wood of the trunk
// with height and azimuth. It returns the last day of them.
func (c compareCmd) readAssays(out *compare.Request) (longest float64, err error) {
	zero, faults := followOptions(c.DayZero, 0.95)
	if c.AssayMethod == "" {
		faults = append(faults, finding.AsFaults(usage("compare-assay-method", nil))...)
	}
	if len(faults) > 0 {
		return 0, faults
	}
	f, err := exchange.ReadAssays(c.Assays, zero)
	if err != nil {
		return 0, err
	}
	out.AssayMethod = label.Method(c.AssayMethod)
	for _, a := range f.Rows {
		at := a.Where
		at.File = c.Assays
		args := finding.Args{"tree": finding.Text(a.Tree)}
		switch {
		case a.HeightM == nil || a.AzimuthDeg == nil:
			faults = append(faults, finding.Bad("compare-assay-place", at, args))
		case a.Limb != "" || a.Tissue != "" && !woodTissue[strings.ToLower(a.Tissue)]:
			args["tissue"] = finding.Text(a.Tissue + a.Limb)
			faults = append(faults, finding.Bad("compare-assay-tissue", at, args))
		case !(a.Day > 0) || a.Day > mostDays:
			args["day"], args["most"] = finding.Text(strconv.FormatFloat(a.Day, 'f', -1, 64)), finding.Count(mostDays)
			faults = append(faults, finding.Bad("compare-assay-day", at, args))
		default:
			out.Assays = append(out.Assays, compare.Assay{Tree: a.Tree, DayD: a.Day, HeightM: *a.HeightM, AzimuthDeg: *a.AzimuthDeg, MgKg: a.MgKg, NotDetected: !a.Detected, LimitMgKg: a.DetectionLimit})
			longest = max(longest, a.Day)
		}
	}
	return longest, faults.OrNil()
}

// woodTissue are the words for what the model calls wood.
var woodTissue = map[string]bool{"wood": true, "sapwood": true, "trunk": true, "trunk wood": true, "xylem": true, "madera": true, "albura": true, "tronco": true}

func (c compareCmd) Run(e *env) error {
	r, err := c.ask(e)
	if err != nil {
		return err
	}
	doc, err := compare.Make(r)
	if err != nil {
		return c.fault(err)
	}
	doc.Verdict.Sentence = report.ComparisonSentence(e.say, doc)
	refused := true
	for _, m := range doc.Methods {
		refused = refused && m.Tree == nil
	}
	if refused {
		e.status = exitRefused
	}
	if c.Out != "" {
		if err := c.write(e, doc, r); err != nil {
			return err
		}
	}
	if e.globals.JSON {
		return e.printJSON(doc)
	}
	e.printComparison(doc)
	if c.Out != "" {
		e.println("")
		e.println(e.say.Say("weather-written", finding.Args{"folder": finding.Text(c.Out)}))
	}
	return nil
}

// fault puts what the comparison cannot work with into the catalogue's words.
func (c compareCmd) fault(err error) error {
	var none *compare.NoTree
	if errors.As(err, &none) {
		at := finding.Where{File: c.Trees, Line: none.Row}
		if none.Lacks == "" {
			return finding.Faults{finding.Bad("compare-tree-unplanned", at, finding.Args{"tree": finding.Text(none.Tree)})}
		}
		return finding.Faults{finding.Bad("movement-tree-lacks", at, finding.Args{"tree": finding.Text(none.Tree), "column": finding.Text(none.Lacks)})}
	}
	var content *compare.NoContent
	if errors.As(err, &content) {
		return finding.Faults{finding.Bad("movement-content-unknown", finding.Where{File: c.Card}, finding.Args{"name": finding.Text(content.Active)})}
	}
	var unplanned *compare.NotPlanned
	if errors.As(err, &unplanned) {
		return finding.Faults{finding.Bad("compare-assay-unplanned", finding.Where{File: c.Assays}, finding.Args{"tree": finding.Text(unplanned.Tree), "method": finding.Text("@method-" + string(unplanned.Method))})}
	}
	if errors.Is(err, compare.ErrPalm) {
		return finding.Faults{finding.Bad("compare-palm", finding.Where{File: c.Trees}, nil)}
	}
	return modelFault(err)
}

// comparisonFiles are the names this command writes.
var comparisonFiles = []string{"comparison.json", "comparison.pdf", "coverage-*.svg", "map-*.svg", "arrival-*.svg"}

// write writes document, paper and pictures.
func (c compareCmd) write(e *env, doc *compare.Document, r compare.Request) error {
	data, err := brief.Marshal(doc)
	if err != nil {
		return err
	}
	in := report.ComparisonInput{Document: doc, Name: c.Name, Say: e.say, Paper: c.Paper, Created: r.Plan.On.In(time.UTC)}
	if in.Paper == "" {
		in.Paper = "a4"
		if e.say.US {
			in.Paper = "letter"
		}
	}
	pictures, err := report.ComparisonPictures(in, 640)
	if err != nil {
		return err
	}
	return exchange.WriteFolder(strings.TrimRight(c.Out, "/"), comparisonFiles, func(f *exchange.Folder) error {
		if err := f.File("comparison.json", func(w io.Writer) error { _, err := w.Write(append(data, '\n')); return err }); err != nil {
			return err
		}
		for _, p := range pictures {
			if err := f.File(p.Name+".svg", func(w io.Writer) error { _, err := w.Write(p.Scene.SVG()); return err }); err != nil {
				return err
			}
		}
		return f.File("comparison.pdf", func(w io.Writer) error { return report.Comparison(w, in) })
	})
}
