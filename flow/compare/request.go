package compare

import (
	"math"
	"sort"
	"strings"

	"sapward/finding"
	"sapward/flow/plume"
	"sapward/flow/protect"
	"sapward/flow/sap"
	"sapward/measure/tree"
	"sapward/plan"
	"sapward/plan/label"
)

// Request is a comparison asked for a block.
type Request struct {
	Plan  plan.Request // without a method: both ways of its card
	Block []tree.Tree
	Crew  *plan.Crew // nil: no hours and cost
	Tree  string     // TAG or TAG/STEM that is modelled; "": the block's typical tree

	Active     string // name on the card; "": the only one
	Facts      Facts
	Days       []sap.Day // from the day of work; at least HorizonD, and every assay's day
	StartH     float64
	HorizonD   float64
	Target     float64 // share of the crown; 0: protect.DefaultTarget
	CrownBaseM float64
	HeadKPa    float64 // 0: by method
	Draws      int
	Seed       uint64
	Workers    int

	Assays      []Assay
	AssayMethod label.Method // how the assayed trees were treated
}

// Assay is one residue of an earlier treatment, on the day of the same season
// that the comparison runs in.
type Assay struct {
	Tree        string
	DayD        float64
	HeightM     float64
	AzimuthDeg  float64
	MgKg        float64
	NotDetected bool
	LimitMgKg   float64
}

// planned is one method's plan with the model tree's part of it.
type planned struct {
	method   label.Method
	onCard   bool
	plan     plan.Plan
	job      *plan.Job
	use      label.Use
	hours    *float64
	stem     *plan.Tree // of the model tree; nil: it has no ports by this method
	gear     Gear
	wounding Treated
}

// Treated is a method's ports on the model tree.
type Treated struct {
	Treatment protect.Treatment
	Uptake    []Uptake
	LimbPorts int // left out of the model
	Choices   []Choice
}

// plans makes both methods' plans.
func (r Request) plans() ([]*planned, error) {
	var out []*planned
	for _, m := range []label.Method{label.Injection, label.Infusion} {
		if r.Plan.Method != "" && r.Plan.Method != m {
			continue
		}
		p := &planned{method: m}
		out = append(out, p)
		req := r.Plan
		req.Method = m
		p.use, p.onCard = plan.UseOf(req.Card, m, req.Site, req.Target)
		job, err := plan.Decide(req, plan.Slice(r.Block))
		if err != nil {
			return nil, err
		}
		p.job, p.plan = job, job.Plan
		if p.plan.Verdict == plan.Refused || p.plan.Totals.Planned == 0 {
			continue
		}
		p.plan.Trees = []plan.Tree{}
		if err := job.Lay(plan.Slice(r.Block), func(ts []plan.Tree) error { p.plan.Trees = append(p.plan.Trees, ts...); return nil }); err != nil {
			return nil, err
		}
		if r.Crew == nil {
			continue
		}
		c := *r.Crew
		outfit, err := plan.Equip(p.plan, r.Block, req, c)
		if err != nil {
			return nil, err
		}
		if outfit != nil {
			h := float64(outfit.Schedule.PersonS) / 3600
			p.hours, p.plan.Outfit, p.plan.Kit = &h, outfit, outfit.Kit.Lines
		}
	}
	return out, nil
}

// NoTree: no planned tree has wood, height and crown, or the one that was
// asked for has no ports.
type NoTree struct {
	Tree  string // as asked; "" for the block
	Lacks string // what the nearest one lacks: wood, height_m, crown_m; "" ports
	Row   int
}

// Error names the tree and what it lacks.
func (e *NoTree) Error() string { return "no tree to model: " + e.Tree + " lacks " + e.Lacks }

// lacks returns the first fact that the model needs of a tree and that nobody
// gave.
func lacks(t tree.Tree) string {
	switch {
	case t.Wood == tree.WoodUnknown:
		return "wood"
	case !t.Height.Known:
		return "height_m"
	case !t.Crown.Known:
		return "crown_m"
	}
	return ""
}

// choose finds the stem that is modelled: the one asked for, or, of all planned
// stems with the facts the model needs, the one whose diameter is nearest to
// the median of all planned stems; ties go to the first in the file.
func (r Request) choose(ways []*planned) (Stem, error) {
	byTag := map[string]int{}
	for i, t := range r.Block {
		byTag[t.Tag] = i
	}
	var base *planned
	for _, p := range ways {
		if len(p.plan.Trees) > 0 && (base == nil || len(p.plan.Trees) > len(base.plan.Trees)) {
			base = p
		}
	}
	if base == nil {
		return Stem{}, ErrNoMethod
	}
	both := func(t plan.Tree) int { // by how many methods it is planned
		n := 0
		for _, p := range ways {
			if p.find(t.Tag, t.Stem) != nil {
				n++
			}
		}
		return n
	}
	tag, stem, _ := strings.Cut(r.Tree, "/")
	var diameters []float64
	for _, t := range base.plan.Trees {
		diameters = append(diameters, t.DiameterCM)
	}
	sort.Float64s(diameters)
	middle := (diameters[(len(diameters)-1)/2] + diameters[len(diameters)/2]) / 2
	best, bestOff, bestBoth := -1, math.Inf(1), 0
	missing := &NoTree{Tree: r.Tree}
	for i, t := range base.plan.Trees {
		if tag != "" && (t.Tag != tag || stem != "" && t.Stem != stem) {
			continue
		}
		if l := lacks(r.Block[byTag[t.Tag]]); l != "" {
			if missing.Lacks == "" {
				missing.Lacks, missing.Row = l, r.Block[byTag[t.Tag]].Row
				missing.Tree = t.Tag
			}
			continue
		}
		n, off := both(t), math.Abs(t.DiameterCM-middle)
		if n > bestBoth || n == bestBoth && off < bestOff {
			best, bestOff, bestBoth = i, off, n
		}
	}
	if best < 0 {
		return Stem{}, missing
	}
	return r.stemOf(base.plan.Trees[best], byTag), nil
}

// stemOf gathers what is known of a planned stem.
func (r Request) stemOf(t plan.Tree, byTag map[string]int) Stem {
	s := Stem{Tree: r.Block[byTag[t.Tag]], CrownBaseM: r.CrownBaseM}
	s.Stem = s.Tree.Stems[0]
	for _, st := range s.Tree.Stems {
		if st.Name == t.Stem && t.Stem != "" {
			s.Stem = st
		}
	}
	for _, l := range r.Plan.Limbs {
		if l.Tree == t.Tag {
			s.Limbs = append(s.Limbs, l)
		}
	}
	return s
}

// find returns a stem's part of a plan, or nil.
func (p *planned) find(tag, stem string) *plan.Tree {
	for i := range p.plan.Trees {
		if t := &p.plan.Trees[i]; t.Tag == tag && t.Stem == stem {
			return t
		}
	}
	return nil
}

// first returns the first stem of a tree in a plan, or nil.
func (p *planned) first(tag string) *plan.Tree {
	for i := range p.plan.Trees {
		if p.plan.Trees[i].Tag == tag {
			return &p.plan.Trees[i]
		}
	}
	return nil
}

// grams returns the mass of the active in a mL of product.
func (r Request) grams() (float64, bool) {
	i, ok := r.activeIndex()
	if !ok {
		return 0, false
	}
	d, ok := r.Plan.Card.Product.ActivePerVolume(i)
	return d.Float(), ok
}

// activeIndex is the place of the active on the card.
func (r Request) activeIndex() (int, bool) {
	all := r.Plan.Card.Product.Actives
	for i, a := range all {
		if len(all) == 1 || strings.EqualFold(a.Name, r.Active) {
			return i, true
		}
	}
	return 0, false
}

// NoContent: the card does not say which active is meant or how much of it a
// mL holds.
type NoContent struct{ Active string }

// Error names the active.
func (e *NoContent) Error() string { return "content of the active is not known: " + e.Active }

// gearOf is a method's ports and how they drink on the day of work.
func (r Request) gearOf(p *planned, s Stem, wood sap.Wood, diameterCM, grams float64) Gear {
	head := r.HeadKPa / 1000
	if head == 0 {
		head = sap.DeviceHeadMPa
		if p.method == label.Infusion {
			head = sap.GravityHeadMPa
		}
		if p.use.Pressure.Known {
			head = math.Min(head, p.use.Pressure.Value.High.Float()/1000)
		}
	}
	crown := s.Tree.Crown.Value.Float() / 100
	day := r.Days[0]
	return Gear{Use: p.use, Grams: grams, HeadMPa: head, Drinks: sap.Drinking{
		Wood: wood, Species: s.Tree.Species, DiameterM: diameterCM / 100,
		DailyL: cropCoefficient.Typical * day.ET0Mm * math.Pi / 4 * crown * crown, SunriseH: day.SunriseH, SunsetH: day.SunsetH, StartH: r.StartH,
	}}
}

// setting is everything between the plan and the model.
type setting struct {
	r      Request
	ways   []*planned
	stem   Stem
	wood   sap.Wood
	active plume.Active
	class  string
	known  bool // the class is in the table
	season *protect.Season
	c      protect.Case
	girth  float64
	d      float64 // diameter, cm
}

// set prepares the model.
func (r Request) set() (*setting, error) {
	x := &setting{r: r}
	var err error
	if x.ways, err = r.plans(); err != nil {
		return nil, err
	}
	if x.stem, err = r.choose(x.ways); err != nil {
		return x, err
	}
	if x.wood, err = sap.WoodNamed(string(x.stem.Tree.Wood)); err != nil {
		return nil, err
	}
	grams, ok := r.grams()
	if !ok {
		return nil, &NoContent{r.Active}
	}
	if i, ok := r.activeIndex(); ok {
		x.class = r.Plan.Card.Product.Actives[i].Class
	}
	if x.active, x.known, err = r.Facts.Active(x.class, x.wood); err != nil {
		return nil, err
	}
	if x.season, err = protect.NewSeason(r.Days, 0); err != nil {
		return nil, err
	}
	for _, p := range x.ways {
		t := p.find(x.stem.Tree.Tag, x.stem.Stem.Name)
		if t == nil {
			t = p.find(x.stem.Tree.Tag, "")
		}
		if t == nil {
			continue
		}
		p.stem, x.girth, x.d = t, t.GirthCM, t.DiameterCM
		p.gear = r.gearOf(p, x.stem, x.wood, t.DiameterCM, grams)
		w := &p.wounding
		if w.Treatment, w.Uptake, w.LimbPorts, err = p.gear.Treatment(*t); err != nil {
			return nil, err
		}
		year := r.Plan.On.Year
		if w.Choices, err = p.gear.Choices(x.stem, *t, woundsOf(r.Plan.Wounds, t.Tag), year); err != nil {
			return nil, err
		}
		if x.c.Tree.PerimeterM == 0 {
			if x.c.Tree, err = x.stem.Trunk(*t, x.wood, x.season.PeakMm()); err != nil {
				return nil, err
			}
		}
	}
	x.c.Active, x.c.Season, x.c.Target, x.c.HorizonD = x.active, x.season, r.Target, r.HorizonD
	x.c.ReportD = reportDays(r.HorizonD)
	return x, nil
}

// reportDays are the days of the coverage curves: close at first.
func reportDays(horizon float64) []float64 {
	var out []float64
	for _, d := range []float64{1, 2, 3, 5, 7, 10, 14, 21, 30, 45, 60, 75, 90, 105, 120, 150, 180, 210, 240, 270, 300, 330, 365} {
		if d < horizon {
			out = append(out, d)
		}
	}
	for d := 425.0; d < horizon; d += 60 {
		out = append(out, d)
	}
	return append(out, horizon)
}

func woundsOf(all []tree.Wound, tag string) []tree.Wound {
	var out []tree.Wound
	for _, w := range all {
		if w.Tree == tag {
			out = append(out, w)
		}
	}
	return out
}

// findings returns copies, never nil, for a document.
func findings(fs []finding.Finding) []finding.Finding {
	return append([]finding.Finding{}, fs...)
}
