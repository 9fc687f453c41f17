package cli

import (
	"math"
	"strconv"
	"time"
	_ "time/tzdata" // zones must be known on any machine

	"sapward/finding"
	"sapward/internal/brief"
	"sapward/internal/exchange"
	"sapward/internal/report"
	"sapward/measure/tree"
	"sapward/plan"
	"sapward/plan/crew"
)

// crewOptions say who works, with what, when.
type crewOptions struct {
	Crew     int    `help:"People in the crew (program default 2)."`
	CrewFile string `name:"crew-file" help:"CREW.csv: person, role, climber, trained_second."`
	Devices  int    `help:"Trees that can be under way at once; 0: no limit."`
	Delivery string `help:"hand, spring, gravity or pressurised." enum:",hand,spring,gravity,pressurised" default:""`
	Public   bool   `help:"Others can come by: product is never left without a counted watcher."`
	Start    string `help:"Start of the working day." default:"07:00"`
	End      string `help:"End of the working day." default:"16:00"`
	Zone     string `help:"Time zone of the site, such as Europe/Madrid." default:"UTC"`
	Parking  string `help:"Where people start: x,y in metres on the block's grid."`
	Pilot    string `help:"PILOT.csv: tree, group, seconds clocked on a first tree; rescales the day."`
	Costs    string `help:"COSTS.csv: item, price, unit (piece, L, h)."`
	Currency string `help:"Currency of the costs, ISO 4217." default:"EUR"`
	TankL    string `name:"tank_l" help:"Largest batch of mix in litres."`
}

// members reads the crew file, if there is one.
func (o crewOptions) members() ([]crew.Person, bool, error) {
	if o.CrewFile == "" {
		return nil, false, nil
	}
	rows, _, err := exchange.ReadCrewFile(o.CrewFile)
	if err != nil {
		return nil, false, err
	}
	out := make([]crew.Person, len(rows))
	for i, m := range rows {
		out[i] = crew.Person{ID: m.Person, Climber: m.Climber, AloftTrained: m.TrainedSecond}
	}
	return out, canClimb(rows), nil
}

// gear turns the options into the plan's crew and gathers their faults. Before
// there is a plan, p is nil and the pilot tree is not looked up.
func (o crewOptions) gear(p *plan.Plan) (plan.Crew, error) {
	var faults finding.Faults
	c, err := brief.Crew{Count: o.Crew, Devices: o.Devices, Delivery: o.Delivery, Public: o.Public, Start: o.Start, End: o.End, Zone: o.Zone, Parking: o.Parking, TankL: o.TankL}.Plan()
	if err != nil {
		faults = append(faults, finding.AsFaults(err)...)
	}
	if o.CrewFile != "" {
		if c.People, _, err = o.members(); err != nil {
			faults = append(faults, finding.AsFaults(err)...)
		}
	}
	if o.Pilot != "" {
		rows, _, err := exchange.ReadPilotFile(o.Pilot)
		if err == nil && p != nil {
			c.Pilot, err = pilotOf(rows, *p, c.Delivery)
		}
		if err != nil {
			faults = append(faults, finding.AsFaults(err)...)
		}
	}
	if o.Costs != "" {
		rows, _, err := exchange.ReadPricesFile(o.Costs)
		if err != nil {
			faults = append(faults, finding.AsFaults(err)...)
		}
		c.Currency = o.Currency
		for _, r := range rows {
			price, f := minorPrice(r, o)
			if f != nil {
				faults = append(faults, f)
				continue
			}
			c.Prices = append(c.Prices, price)
		}
	}
	return c, faults.OrNil()
}

// minorPrice turns a price into minor units for what the kit counts.
func minorPrice(r exchange.PriceRow, o crewOptions) (crew.Price, *finding.Fault) {
	p, fault := brief.Price(r.Item, r.Price, r.Unit, o.Currency)
	if fault != nil {
		fault.Where = finding.Where{File: o.Costs, Line: r.Row}
	}
	return p, fault
}

// pilotOf finds the pilot tree in the plan and what was clocked on it.
func pilotOf(rows []exchange.PilotRow, p plan.Plan, d crew.Delivery) (*crew.Pilot, error) {
	if len(rows) == 0 {
		return nil, nil
	}
	out := &crew.Pilot{Tree: rows[0].Tree, Delivery: d, MeasuredS: map[string]int64{}}
	for _, r := range rows {
		if r.Tree != out.Tree {
			return nil, usage("pilot-one-tree", finding.Args{"tree": finding.Text(out.Tree), "other": finding.Text(r.Tree)})
		}
		out.MeasuredS[r.Group] += r.Seconds
	}
	for _, t := range p.Trees {
		if t.Tag == out.Tree {
			for _, q := range t.Ports {
				out.Ports = append(out.Ports, crew.Port{HeightM: q.HeightCM / 100})
			}
		}
	}
	if len(out.Ports) == 0 {
		return nil, usage("pilot-not-planned", finding.Args{"tree": finding.Text(out.Tree)})
	}
	return out, nil
}

// equipLimit is the number of trees up to which crew, kit and day are worked
// out without being asked for.
const equipLimit = 5000

// equip lays out all trees and makes the crew's outfit. Larger blocks get one
// only when a crew is named.
func (o crewOptions) equip(job *plan.Job, r plan.Request, trees *exchange.TreeReader, drinks func(*tree.Tree, plan.Tree) (float64, bool)) (plan.Plan, []tree.Tree, error) {
	p := job.Plan
	asked := o.Crew > 0 || o.CrewFile != ""
	if p.Totals.Planned == 0 || !asked && p.Totals.Trees > equipLimit {
		return p, nil, nil
	}
	var block []tree.Tree
	if err := trees.Each(func(chunk []tree.Tree) error { block = append(block, chunk...); return nil }); err != nil {
		return p, nil, err
	}
	p.Trees = []plan.Tree{}
	if err := job.Lay(plan.Slice(block), func(ts []plan.Tree) error { p.Trees = append(p.Trees, ts...); return nil }); err != nil {
		return p, nil, err
	}
	c, err := o.gear(&p)
	if err != nil {
		return p, nil, err
	}
	c.Drinks = drinks
	outfit, err := plan.Equip(p, block, r, c)
	if err != nil {
		return p, nil, err
	}
	if outfit != nil {
		p.Outfit, p.Kit = outfit, outfit.Kit.Lines
	}
	return p, block, nil
}

// printOutfit shows kit, mixing and the day in brief; the paper has it whole.
func (e *env) printOutfit(p plan.Plan) {
	o := p.Outfit
	say := e.say
	switch {
	case o == nil && p.Totals.Planned > 0 && p.On == "":
		e.println(say.T("day-needs-date"))
	case o == nil && p.Totals.Planned > 0:
		e.println(say.Say("day-large", finding.Args{"count": finding.Count(equipLimit)}))
	}
	if o == nil {
		return
	}
	e.title(say.T("head-day"))
	for _, d := range o.Schedule.Days {
		e.wrapped(say.Say("day-line", finding.Args{
			"day": finding.Count(d.Number), "date": finding.Text(d.Start.Format(time.DateOnly)), "trees": finding.Count(d.Trees), "ports": finding.Count(d.Ports),
			"finish": finding.Text(d.Finish.Format("15:04")), "dry": finding.Text(d.LastPortDry.Format("15:04")), "signs": finding.Text(d.SignsDown.Format("2006-01-02 15:04")),
			"people": finding.Count(len(d.People)),
		}), "  ")
	}
	if n := len(o.Schedule.Refused); n > 0 {
		e.println(say.Say("day-refused", finding.Args{"count": finding.Count(n), "tree": finding.Text(o.Schedule.Refused[0].Tree)}))
	}
	if n := len(o.Schedule.Unscheduled); n > 0 {
		e.println(say.Say("day-unscheduled", finding.Args{"count": finding.Count(n)}))
	}
	e.wrapped(say.Say("day-basis", finding.Args{"source": finding.Text(say.T("steps-default")), "minutes": finding.Number(o.Uptake.MinutesPerPort, "min"), "walk": finding.Number(math.Round(o.Walk.LengthM), "m")}), "")
	if o.Uptake.Modelled > 0 {
		e.wrapped(say.Say("day-uptake", finding.Args{"trees": finding.Count(o.Uptake.Modelled), "least": finding.Number(o.Uptake.LeastMinutes, "min"), "most": finding.Number(o.Uptake.MinutesPerPort, "min")}), "")
	}
	if o.Pilot != nil {
		e.println(say.T("day-pilot"))
	}
	e.title(say.T("head-kit"))
	t := newTable(say.T("col-item"), ">"+say.T("col-pack"), ">"+say.T("col-spare"))
	for _, l := range o.Kit.Lines {
		t.row(e.kitName(l), e.kitCount(l, l.Pack), e.kitCount(l, l.Spare))
	}
	e.printf("%s", t)
	if len(p.Mix) > 0 {
		e.title(say.T("head-mixing"))
		for i, b := range o.Mixing.Batches {
			if i == 6 {
				e.println(say.Say("and-more", finding.Args{"count": finding.Count(len(o.Mixing.Batches) - i)}))
				break
			}
			e.println(say.Say("batch-line", finding.Args{"n": finding.Count(b.Number), "product": finding.Number(float64(b.ProductUL)/1000, "mL"), "water": finding.Number(float64(b.WaterUL)/1000, "mL"), "trees": finding.Count(len(b.Shares))}))
		}
		e.println(say.Say("mixing-left", finding.Args{"mix": finding.Number(o.Mixing.LeftMixML, "mL"), "product": finding.Number(o.Mixing.LeftProductML, "mL"), "rinse": finding.Number(o.Mixing.WaterRinseML, "mL")}))
	}
	if o.Cost != nil {
		e.println(say.Say("cost-line", finding.Args{"total": finding.Text(report.Money(o.Cost.Total)), "unpriced": finding.Count(len(o.Cost.Unpriced))}))
	}
}

func (e *env) kitName(l crew.KitLine) string {
	name := e.say.T(l.Item)
	if l.Label != "" {
		name = l.Label
		if l.Task != "" {
			name += " (" + e.say.T("task-"+l.Task) + ")"
		}
	}
	if l.CapacityUL > 0 {
		name += " " + e.say.Volume(float64(l.CapacityUL)/1000)
	}
	return name
}

func (e *env) kitCount(l crew.KitLine, n int64) string {
	if l.Unit == crew.UnitUL {
		return e.say.Volume(float64(n) / 1000)
	}
	return strconv.FormatInt(n, 10)
}
