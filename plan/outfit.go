package plan

import (
	"math"
	"time"

	"sapward/finding"
	"sapward/measure/civil"
	"sapward/measure/tree"
	"sapward/plan/crew"
	"sapward/plan/label"
)

// Outfit is what the crew takes out in the morning: who goes where when, what
// to pack, what to mix, what it costs. It is made from a plan by Equip.
type Outfit struct {
	Schedule crew.Schedule  `json:"day"`
	Walk     crew.Walk      `json:"walk"`
	Kit      crew.Kit       `json:"-"` // its lines stand under kit in the plan
	Mixing   crew.Mix       `json:"mixing"`
	Cost     *crew.Cost     `json:"cost,omitempty"`
	Pilot    *crew.Rescaled `json:"pilot,omitempty"`
	Uptake   UptakeLine     `json:"uptake"`
}

// UptakeLine says how long a port is taken to drink, the least and the greatest
// over the trees, and who says so.
type UptakeLine struct {
	MinutesPerPort float64           `json:"minutes_per_port"` // greatest
	LeastMinutes   float64           `json:"least_minutes_per_port"`
	Modelled       int               `json:"modelled_trees"` // trees whose time comes from the model
	Authority      finding.Authority `json:"authority"`
}

// add takes in one tree's minutes.
func (u *UptakeLine) add(minutes float64, modelled bool) {
	if modelled {
		u.Modelled++
		u.Authority = finding.ByEstimate
	}
	minutes = round(minutes, 2)
	if u.MinutesPerPort == 0 || minutes < u.LeastMinutes {
		u.LeastMinutes = minutes
	}
	u.MinutesPerPort = max(u.MinutesPerPort, minutes)
}

// Crew is who works, with what, when. Zero values take program defaults, which
// are common practice without a source.
type Crew struct {
	People   []crew.Person // at least one
	Devices  int
	Delivery crew.Delivery // "": by hand for an injection, gravity for an infusion
	Public   bool
	Zone     *time.Location
	Start    string // 07:00
	End      string // 16:00
	Breaks   []crew.Break
	MoreDays int // days that may follow when one is not enough; 0: 30
	Parking  *crew.Point
	Steps    *crew.Steps
	Pilot    *crew.Pilot
	// Drinks says how many minutes one port of a tree takes to drink its volume,
	// from the model of uptake; nil, or ok false: the program default.
	Drinks func(t *tree.Tree, p Tree) (minutes float64, ok bool)
	// TreatFrom and TreatTo are the treatable hours of the day of work, from the
	// weather; zero: the whole day. They narrow the card's hours.
	TreatFrom time.Time
	TreatTo   time.Time
	SyringeUL []int64
	TankUL    int64
	CarryUL   int64
	Container int64 // product is bought in containers of this many uL
	HoldUpUL  int64
	Prices    []crew.Price
	Currency  string
	Kicks     int
}

// defaultUptakeMin is how long one port is taken to drink where neither the
// model nor a pilot tree says: program defaults, common practice, no source.
var defaultUptakeMin = map[crew.Delivery]float64{crew.ByHand: 1, crew.Spring: 15, crew.Pressurised: 30, crew.Gravity: 240}

// defaultSyringes are the capacities taken to be at hand (program default).
var defaultSyringes = map[label.Method][]int64{
	label.Injection: {10_000, 20_000, 30_000, 50_000, 60_000},
	label.Infusion:  {500_000, 1_000_000, 2_000_000, 5_000_000, 10_000_000},
}

// Equip makes the outfit of a plan: p with its trees, made from the same block
// and request. It returns nil for a plan without doses, and finding.Faults for
// a crew that makes no sense.
func Equip(p Plan, block []tree.Tree, r Request, c Crew) (*Outfit, error) {
	if len(p.Trees) == 0 || r.On.IsZero() {
		return nil, nil
	}
	method := label.Method(p.Method)
	if c.Delivery == "" {
		c.Delivery = crew.ByHand
		if method == label.Infusion {
			c.Delivery = crew.Gravity
		}
	}
	out := &Outfit{}
	out.Uptake.Authority = finding.ByPractice
	trees, product, water := c.dayTrees(p, block, &out.Uptake)
	if c.Pilot != nil { // its ports with the uptake that was planned for them
		pilot := *c.Pilot
		pilot.Delivery = c.Delivery
		for _, t := range trees {
			if t.Tree == pilot.Tree {
				pilot.Ports = t.Ports
			}
		}
		c.Pilot = &pilot
	}
	steps, err := c.steps(out)
	if err != nil {
		return nil, crewFault(err)
	}
	if out.Pilot != nil {
		for i := range trees {
			trees[i].Ports = crew.ScaleUptake(trees[i].Ports, out.Pilot.Uptake)
		}
	}
	stops := make([]crew.Stop, len(trees))
	for i, t := range trees {
		stops[i] = crew.Stop{Tree: t.Tree, At: t.At, Health: t.Health}
	}
	if out.Walk, err = crew.FindWalk(stops, crew.WalkOptions{Parking: c.Parking, Seed: r.Seed, Kicks: c.Kicks}); err != nil {
		return nil, crewFault(err)
	}
	ordered := make([]crew.DayTree, len(trees))
	for i, k := range out.Walk.Order {
		ordered[i] = trees[k]
	}
	window, err := c.window(r, p)
	if err != nil {
		return nil, err
	}
	q := crew.Request{
		Trees: ordered, Parking: c.Parking, People: c.People, Delivery: c.Delivery, Devices: c.Devices, Public: c.Public,
		Steps: steps, Windows: []crew.Window{window}, RepeatDays: c.MoreDays, Breaks: c.Breaks, REIS: reentrySeconds(r, p),
	}
	if q.RepeatDays == 0 {
		q.RepeatDays = 30
	}
	if q.Breaks == nil {
		q.Breaks = []crew.Break{{AfterS: 2 * 3600, LengthS: 900}, {AfterS: 4 * 3600, LengthS: 1800}}
	}
	if out.Schedule, err = crew.MakeSchedule(q); err != nil {
		return nil, crewFault(err)
	}
	symptomatic := int64(0)
	for _, t := range trees {
		if t.Health == crew.Symptomatic {
			symptomatic++
		}
	}
	if err := c.pack(out, p, r, product, water, symptomatic); err != nil {
		return nil, crewFault(err)
	}
	return out, nil
}

// AddOutfit gives the plan its outfit. Work that runs on for days is judged on
// its last day as well: what the card would refuse then is open, and harvest
// and next treatment count from that day.
func (j *Job) AddOutfit(o *Outfit) {
	if o == nil {
		return
	}
	p := &j.Plan
	p.Outfit, p.Kit = o, o.Kit.Lines
	if n := len(o.Schedule.Days); n == 0 || civil.Of(o.Schedule.Days[n-1].Start) == j.r.On {
		return
	}
	last := *j.r
	last.On = civil.Of(o.Schedule.Days[len(o.Schedule.Days)-1].Start)
	var f facts
	judgeBlock(&last, j.use, j.ref, &f)
	for _, x := range f.refusals {
		args := finding.Args{"last": finding.Text(last.On.String()), "workdays": finding.Count(len(o.Schedule.Days)), "why_by": finding.Text(x.ID)}
		for name, v := range x.Args { // the rule's own arguments go with its sentence
			args[name] = v
		}
		p.Open = append(p.Open, finding.Finding{ID: "last-day-refused", Severity: finding.Open, Authority: x.Authority, Ref: x.Ref, Args: args})
	}
	p.Dates = dates(&last, j.use)
	finding.Sort(p.Open)
	if p.Verdict == Allowed && len(p.Open) > 0 {
		p.Verdict = Opened
	}
}

// steps are the crew's step times, after the pilot tree if there is one.
func (c Crew) steps(out *Outfit) (crew.Steps, error) {
	var s crew.Steps
	var err error
	if c.Steps != nil {
		s = *c.Steps
	} else if s, err = crew.DefaultSteps(); err != nil {
		return s, err
	}
	if c.Pilot == nil {
		return s, nil
	}
	scaled, err := crew.Rescale(s, *c.Pilot)
	if err != nil {
		return s, err
	}
	out.Pilot = &scaled
	return scaled.Steps, nil
}

// dayTrees gathers the plan's dose units into trees as the day sees them, with
// what each takes of product and water.
func (c Crew) dayTrees(p Plan, block []tree.Tree, uptake *UptakeLine) (trees []crew.DayTree, product, water map[string]int64) {
	place := make(map[string]*tree.Tree, len(block))
	for i := range block {
		place[block[i].Tag] = &block[i]
	}
	product, water = map[string]int64{}, map[string]int64{}
	at := map[string]int{}
	for _, t := range p.Trees {
		k, seen := at[t.Tag]
		if !seen {
			k = len(trees)
			at[t.Tag] = k
			d := crew.DayTree{Tree: t.Tag, Health: crew.Healthy}
			if b := place[t.Tag]; b != nil {
				if b.X.Known && b.Y.Known {
					d.At = &crew.Point{XM: b.X.Value, YM: b.Y.Value}
				}
				switch b.Status {
				case tree.Suspect:
					d.Health = crew.Suspect
				case tree.Symptomatic:
					d.Health = crew.Symptomatic
				}
			}
			trees = append(trees, d)
		}
		minutes, modelled := defaultUptakeMin[c.Delivery], false
		if b := place[t.Tag]; b != nil && c.Drinks != nil {
			if m, ok := c.Drinks(b, t); ok {
				minutes, modelled = min(m, 24*60), true
			}
		}
		uptake.add(minutes, modelled)
		uptakeS := int64(math.Ceil(minutes * 60))
		for _, q := range t.Ports {
			trees[k].Ports = append(trees[k].Ports, crew.Port{HeightM: q.HeightCM / 100, UptakeS: uptakeS})
		}
		product[t.Tag] += int64(t.Product)
		water[t.Tag] += int64(t.Water)
	}
	return trees, product, water
}

// window is the working day: the crew's hours, and within them the card's.
func (c Crew) window(r Request, p Plan) (crew.Window, error) {
	zone := c.Zone
	if zone == nil {
		zone = time.UTC
	}
	at := func(text, otherwise, option string) (time.Time, error) {
		if text == "" {
			text = otherwise
		}
		h, err := time.Parse("15:04", text)
		if err != nil {
			return h, finding.Faults{{Class: finding.Usage, ID: "option-hour", Args: finding.Args{"option": finding.Text(option), "text": finding.Text(text)}}}
		}
		y, m, d := r.On.Year, r.On.Month, r.On.Day
		return time.Date(y, m, d, h.Hour(), h.Minute(), 0, 0, zone), nil
	}
	var w crew.Window
	var err error
	if w.Start, err = at(c.Start, "07:00", "--start"); err != nil {
		return w, err
	}
	if w.End, err = at(c.End, "16:00", "--end"); err != nil {
		return w, err
	}
	for _, u := range r.Card.Uses {
		if string(u.Method) != p.Method || u.Timing.From == "" {
			continue
		}
		from, err := at(u.Timing.From, "", "hours")
		if err != nil {
			return w, err
		}
		to, err := at(u.Timing.To, "", "hours")
		if err != nil {
			return w, err
		}
		if from.After(w.Start) {
			w.TreatFrom = from
		}
		if to.Before(w.End) {
			w.TreatTo = to
		}
		break
	}
	if c.TreatFrom.IsZero() || c.TreatTo.IsZero() {
		return w, nil
	}
	from, to := w.TreatFrom, w.TreatTo
	if from.IsZero() {
		from = w.Start
	}
	if to.IsZero() {
		to = w.End
	}
	if c.TreatFrom.After(from) {
		from = c.TreatFrom
	}
	if c.TreatTo.Before(to) {
		to = c.TreatTo
	}
	if from.Before(to) { // hours that the working day does not have narrow nothing
		w.TreatFrom, w.TreatTo = from, to
	}
	return w, nil
}

func reentrySeconds(r Request, p Plan) int64 {
	for _, u := range r.Card.Uses {
		if string(u.Method) == p.Method && u.Reentry.Interval.Known {
			return u.Reentry.Interval.Value.In("s").Ceil()
		}
	}
	return 0
}

// pack works out mixing, kit and cost.
func (c Crew) pack(out *Outfit, p Plan, r Request, product, water map[string]int64, symptomatic int64) (err error) {
	rinse := int64(len(product)) * 500_000 // 0.5 L a tree, program default
	mix := crew.MixRequest{
		Uses: crew.MixUses(out.Schedule, product, water), TankUL: c.TankUL, HoldUpUL: c.HoldUpUL,
		ContainerUL: c.Container, CarryUL: c.CarryUL, RinseUL: rinse,
	}
	if len(p.Mix) > 0 {
		mix.LifeS = int64(p.Mix[0].LifeH * 3600)
	}
	if out.Mixing, err = crew.PlanMix(mix); err != nil {
		return err
	}
	k := crew.KitRequest{
		Trees: int64(len(product)), Ports: p.Totals.Ports, Days: int64(len(out.Schedule.Days)), People: int64(len(c.People)), Workers: int64(len(c.People)),
		Delivery: c.Delivery, Devices: int64(c.Devices), SyringeUL: c.SyringeUL, Signs: 2, Mix: out.Mixing,
	}
	if k.SyringeUL == nil {
		k.SyringeUL = defaultSyringes[label.Method(p.Method)]
	}
	watchers := 0
	for _, d := range out.Schedule.Days {
		watchers = max(watchers, d.Watchers)
	}
	k.Workers = max(k.Workers-int64(watchers), 1)
	for _, person := range c.People {
		if person.Climber && r.LimbShare.Sign() > 0 {
			k.Climbers++
		}
	}
	for _, f := range p.Fills {
		k.Fills = append(k.Fills, crew.FillUse{FillUL: int64(f.Volume), Ports: f.Ports})
	}
	for _, t := range p.Trees {
		k.PortsMost = max(k.PortsMost, int64(len(t.Ports)))
		for i := range k.Fills {
			n := int64(0)
			for _, q := range t.Ports {
				if int64(q.Volume) == k.Fills[i].FillUL {
					n++
				}
			}
			k.Fills[i].MostInOneUse = max(k.Fills[i].MostInOneUse, n)
		}
	}
	k.Symptomatic = symptomatic
	s := r.Card.Safety
	for _, g := range []crew.Gear{{Task: "mix", Items: s.Mix}, {Task: "apply", Items: s.Apply}, {Task: "clean", Items: s.Clean}} {
		if len(g.Items) > 0 {
			k.Gear = append(k.Gear, g)
		}
	}
	if out.Kit, err = crew.MakeKit(k); err != nil {
		return err
	}
	if c.Currency == "" {
		return nil
	}
	amounts := []crew.Amount{{Item: crew.CostLabour, Quantity: out.Schedule.PersonS}, {Item: crew.CostProduct, Quantity: out.Mixing.Balance.ProductInUL}}
	for _, l := range out.Kit.Lines {
		if l.Item != crew.KitProduct && l.Item != crew.KitWaterMix && l.Item != crew.KitWaterRinse {
			amounts = append(amounts, crew.Amount{Item: l.Item, Quantity: l.Pack})
		}
	}
	cost, err := crew.PriceJob(amounts, c.Prices, c.Currency)
	out.Cost = &cost
	return err
}

// crewFault turns the crew package's error into the program's one error type.
func crewFault(err error) error {
	if e, ok := err.(*crew.Error); ok {
		return finding.Faults{{Class: finding.Usage, ID: "crew-unusable", Cause: err, Args: finding.Args{"code_by": finding.Text("crew-" + e.Code), "field": finding.Text(e.Field)}}}
	}
	return err
}
