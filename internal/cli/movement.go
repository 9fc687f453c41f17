package cli

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/flow/plume"
	"sapward/flow/sap"
	"sapward/internal/brief"
	"sapward/internal/exchange"
	"sapward/measure/tree"
	"sapward/plan"
	"sapward/plan/label"
)

type movementCmd struct {
	Trees string `arg:"" help:"TREES.csv or .xlsx; the tree needs wood, height_m and crown_m."`
	planOptions
	siteOptions
	Weather   string  `help:"WX.csv from the day of work on." required:""`
	Climate   string  `help:"MONTHLY.csv of monthly means, for days after the weather ends."`
	Tree      string  `help:"Which planned tree: TAG, or TAG/STEM." required:""`
	Days      string  `help:"Days after the work to show, such as 1,7,30,90." default:"1,7,30,90"`
	Active    string  `help:"Facts of the active (YAML or JSON): log_kow, half_life_d, solubility_mg_l, effective_level, each with its source." required:""`
	Foliage   string  `help:"Months with leaves out, such as 4-10."`
	StartH    float64 `name:"start_h" help:"Hour of the clock at which the work begins." default:"9"`
	CrownBase float64 `name:"crown-base_m" help:"Height of the lowest leaves in m; 0: a third of the tree's height."`
	CropCoeff float64 `name:"crop-coefficient" help:"Water use of the crown over reference evapotranspiration." default:"0.6"`
	HeadKPa   float64 `name:"head_kpa" help:"Pressure at the ports in kPa; 0: 15 for infusion, 150 for injection." default:"0"`
	Out       string  `help:"Folder to write movement.json and one heat map a day to."`
}

// mostDays is how far ahead the model is asked, and mostPictures how many days
// it draws (program defaults).
const (
	mostDays     = 1100
	mostPictures = 12
)

// days reads --days.
func (c movementCmd) days() ([]float64, error) {
	var out []float64
	for _, part := range strings.Split(c.Days, ",") {
		x, err := strconv.ParseFloat(strings.TrimSpace(part), 64)
		if err != nil || !(x > 0 && x <= mostDays) {
			return nil, usage("movement-days", finding.Args{"text": finding.Text(c.Days), "most": finding.Count(mostDays)})
		}
		out = append(out, x)
	}
	slices.Sort(out)
	out = slices.Compact(out)
	if len(out) > mostPictures {
		return nil, usage("movement-days-many", finding.Args{"count": finding.Count(len(out)), "most": finding.Count(mostPictures)})
	}
	return out, nil
}

// subject is the tree that is modelled: as measured and as planned.
type subject struct {
	tree    tree.Tree
	stem    tree.Stem
	plan    plan.Tree
	use     label.Use
	product label.Product
}

// active is the place of the file's active on the card: by name, or the only
// one there is; -1 where that is not clear.
func (s subject) active(name string) int {
	for i, a := range s.product.Actives {
		if strings.EqualFold(a.Name, name) || len(s.product.Actives) == 1 {
			return i
		}
	}
	return -1
}

// class is the class of the active on the card.
func (s subject) class(name string) string {
	if i := s.active(name); i >= 0 {
		return s.product.Actives[i].Class
	}
	return ""
}

// perML is the mass of the active in a mL of product, in g.
func (s subject) perML(name string) (float64, bool) {
	i := s.active(name)
	if i < 0 {
		return 0, false
	}
	d, ok := s.product.ActivePerVolume(i)
	return d.Float(), ok
}

// find plans the block and takes the one tree out of it. A refused block or
// tree has no ports to model; the findings then stand in the plan.
func (c movementCmd) find(r plan.Request, trees *exchange.TreeReader) (s subject, p plan.Plan, found bool, err error) {
	tag, stem, _ := strings.Cut(c.Tree, "/")
	known := false
	for t, err := range trees.All() {
		if err != nil {
			return s, p, false, err
		}
		if t.Tag != tag {
			continue
		}
		for _, st := range t.Stems {
			if stem == "" || st.Name == stem {
				s.tree, s.stem, known = *t, st, true
				break
			}
		}
	}
	if !known {
		return s, p, false, finding.Faults{finding.Bad("movement-tree-unknown", finding.Where{File: c.Trees}, finding.Args{"tree": finding.Text(c.Tree)})}
	}
	job, err := plan.Decide(r, plan.Source(trees.Each))
	if err != nil {
		return s, p, false, err
	}
	err = job.Lay(plan.Source(trees.Each), func(ts []plan.Tree) error {
		for _, t := range ts {
			if t.Tag == tag && (t.Stem == "" || t.Stem == s.stem.Name) {
				s.plan, found = t, true
				return errEnough
			}
		}
		return nil
	})
	if err != nil && !errors.Is(err, errEnough) {
		return s, p, false, err
	}
	s.product = r.Card.Product
	for _, u := range r.Card.Uses {
		if useFits(u, job.Plan.Method, c.Site, c.Target) {
			s.use = u
			break
		}
	}
	return s, job.Plan, found, nil
}

func (c movementCmd) Run(e *env) error {
	r, _, err := c.request(e)
	faults := finding.AsFaults(err)
	take := func(err error) { faults = append(faults, finding.AsFaults(err)...) }
	site, zone, opts, more := c.site()
	faults = append(faults, more...)
	days, err := c.days()
	take(err)
	var months []int
	if c.Foliage != "" {
		ms, ok := monthSpan(c.Foliage)
		if !ok {
			take(usage("weather-option-text", finding.Args{"option": finding.Text("--foliage"), "text": finding.Text(c.Foliage), "example": finding.Text("4-10")}))
		}
		for _, m := range ms {
			months = append(months, int(m))
		}
	}
	for _, o := range []struct {
		name         string
		x, low, high float64
	}{{"--start_h", c.StartH, 0, 23}, {"--crop-coefficient", c.CropCoeff, 0.05, 2}, {"--head_kpa", c.HeadKPa, 0, 5000}, {"--crown-base_m", c.CrownBase, 0, 120}} {
		if !(o.x >= o.low && o.x <= o.high) {
			take(usage("weather-option-range", finding.Args{"option": finding.Text(o.name), "value": finding.Number(o.x, ""), "low": finding.Number(o.low, ""), "high": finding.Number(o.high, "")}))
		}
	}
	active, err := e.readActive(c.Active)
	take(err)
	trees, err := e.readTrees(c.Trees)
	take(err)
	wx, err := exchange.ReadWeather(c.Weather, exchange.WeatherOptions{Zone: zone, StampsEnd: c.Stamps == "end"})
	take(err)
	var climate []exchange.ClimateMonth
	if c.Climate != "" {
		climate, _, err = exchange.ReadClimate(c.Climate)
		take(err)
	}
	if wx != nil {
		_, found := c.judge(wx, wx.Problems)
		faults = append(faults, found...)
	}
	if err := faults.OrNil(); err != nil {
		return err
	}
	s, p, found, err := c.find(r, trees)
	if err != nil {
		return err
	}
	if !found {
		e.status = exitRefused
		return e.refuseMovement(c, p)
	}
	w := &waterDays{site: site, opts: opts, zone: wx.Zone, foliage: months}
	if err := w.read(c.siteOptions, wx, climate, r.On, days[len(days)-1]); err != nil {
		return err
	}
	doc, err := c.model(s, p, active, w, days)
	if err != nil {
		return modelFault(err)
	}
	doc.sentences(e)
	if c.Out != "" {
		if err := c.write(e, doc); err != nil {
			return err
		}
	}
	if e.globals.JSON {
		return e.printJSON(doc)
	}
	lines, _ := c.judge(wx, append(slices.Clone(wx.Problems), w.problems...))
	e.warn(lines)
	doc.print(e)
	if c.Out != "" {
		e.println("")
		e.println(e.say.Say("weather-written", finding.Args{"folder": finding.Text(c.Out)}))
	}
	return nil
}

// modelFault tells a value that the model cannot use in the words of the
// catalogue.
func modelFault(err error) error {
	var in *sap.InputError
	if errors.As(err, &in) && math.IsNaN(in.Value) {
		return finding.Faults{finding.Bad("movement-value-missing", finding.Where{}, finding.Args{"name": finding.Text(in.Field), "needs": finding.Text(in.Needs)})}
	}
	if errors.As(err, &in) {
		return finding.Faults{finding.Bad("movement-value", finding.Where{}, finding.Args{"name": finding.Text(in.Field), "value": finding.Text(strconv.FormatFloat(in.Value, 'g', 4, 64)), "needs": finding.Text(in.Needs)})}
	}
	var b *plume.BalanceError
	if errors.As(err, &b) {
		return finding.Faults{{Class: finding.Internal, ID: "internal", Args: finding.Args{"cause": finding.Text(b.Error())}, Cause: err}}
	}
	return err
}

// refuseMovement prints why there are no ports to model.
func (e *env) refuseMovement(c movementCmd, p plan.Plan) error {
	tag, _, _ := strings.Cut(c.Tree, "/")
	fs := slices.Clone(p.Refusals)
	for _, t := range p.RefusedTrees {
		if t.Tree == tag {
			fs = append(fs, t.Findings...)
		}
	}
	if e.globals.JSON {
		return e.printJSON(struct {
			Schema   string            `json:"schema"`
			Engine   string            `json:"engine"`
			CardHash string            `json:"card_hash"`
			Tree     string            `json:"tree"`
			Verdict  plan.Verdict      `json:"verdict"`
			Refusals []finding.Finding `json:"refusals"`
		}{"sapward/movement/1", Version, p.CardHash, c.Tree, plan.Refused, fs})
	}
	e.println(e.say.Say("movement-refused", finding.Args{"tree": finding.Text(c.Tree)}))
	e.findings("head-refusals", fs)
	return nil
}

// movementFiles are the names this command writes.
var movementFiles = []string{"movement.json", "day-*.svg"}

func (c movementCmd) write(e *env, doc *movementDocument) error {
	data, err := brief.Marshal(doc)
	if err != nil {
		return err
	}
	var names []string
	pictures := map[string][]byte{}
	for i := range doc.maps {
		svg, err := doc.drawing(e, i)
		if err != nil {
			return err
		}
		name := dayName(doc.Days[i])
		names, pictures[name] = append(names, name), svg
	}
	return exchange.WriteFolder(strings.TrimRight(c.Out, "/"), movementFiles, func(f *exchange.Folder) error {
		if err := f.File("movement.json", func(w io.Writer) error { _, err := w.Write(append(data, '\n')); return err }); err != nil {
			return err
		}
		for _, n := range names {
			if err := f.File(n, func(w io.Writer) error { _, err := w.Write(pictures[n]); return err }); err != nil {
				return err
			}
		}
		return nil
	})
}

// dayName is the name of a day's heat map.
func dayName(day float64) string {
	return fmt.Sprintf("day-%s.svg", strconv.FormatFloat(day, 'f', -1, 64))
}

// crownShape refuses a crown that no tree has: ten times as wide as the tree is
// tall, mostly a length in the wrong unit.
func crownShape(t tree.Tree, file string) error {
	at := finding.Where{File: file, Line: t.Row}
	var faults finding.Faults
	need := func(ok bool, column string) {
		if !ok {
			faults = append(faults, finding.Bad("movement-tree-lacks", at, finding.Args{"tree": finding.Text(t.Tag), "column": finding.Text(column)}))
		}
	}
	need(t.Wood != tree.WoodUnknown, "wood")
	need(t.Height.Known, "height_m")
	need(t.Crown.Known, "crown_m")
	if len(faults) > 0 {
		return faults
	}
	if t.Crown.Value.Float() > 10*t.Height.Value.Float() {
		return finding.Faults{finding.Bad("movement-crown-shape", at, finding.Args{"tree": finding.Text(t.Tag), "crown": finding.Number(t.Crown.Value.Float()/100, "m"), "height": finding.Number(t.Height.Value.Float()/100, "m")})}
	}
	return nil
}

// dayPath is the path of moments from the work to a day after it: every day's
// boundary, then the day asked.
func dayPath(clock *sap.Clock, from, day float64) ([]sap.Moment, error) {
	start, err := clock.At(from)
	if err != nil {
		return nil, err
	}
	all, err := clock.Path(from)
	if err != nil {
		return nil, err
	}
	end, err := clock.At(from + day)
	if err != nil {
		return nil, err
	}
	var path []sap.Moment
	for _, m := range all {
		if m.TimeD < day {
			path = append(path, m)
		}
	}
	return append(path, end.Since(start)), nil
}
