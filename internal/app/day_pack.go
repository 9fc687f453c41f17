package app

import (
	"slices"
	"strings"

	"sapward/apply/fieldlog"
	"sapward/finding"
	"sapward/measure/civil"
	"sapward/measure/tree"
	"sapward/plan"
	"sapward/plan/label"
)

// pack builds what phones carry for a day from a plan as it was approved: its
// document, and its inputs for what is worked out anew at the tree. tags limits
// the trees; none means those of the day, or all.
func (a *App) pack(v PlanView, id string, f DayFacts, tags []string) (*fieldlog.Pack, error) {
	r, err := v.Inputs.Brief.Request()
	if err != nil {
		return nil, err
	}
	r.Engine, r.Seed, r.CardHash, r.Card, r.Climber = v.Facts.Engine, v.Facts.Seed, v.Facts.CardHash, v.Reading.Card, v.Inputs.Crew.Climber
	r.Wounds, r.Limbs, r.Obstacles = v.Inputs.CoreWounds(), v.Inputs.CoreLimbs(), v.Inputs.CoreObstacles()
	for _, x := range v.Inputs.Applications {
		r.History = append(r.History, x.treatment(v.Inputs.Block.Name)...)
	}
	job, err := plan.Decide(r, plan.Slice(v.Inputs.CoreTrees()))
	if err != nil {
		return nil, err
	}
	frame, ok := job.Frame()
	if !ok || !sameFills(job.Plan.Fills, v.Doc.Fills) {
		return nil, usage("day-plan-old", nil)
	}
	use, _ := plan.UseOf(r.Card, r.Method, r.Site, r.Target)
	if on, err := civil.Parse(f.On); err == nil {
		r.On = on
	}
	c := r.Card
	p := &fieldlog.Pack{
		Schema: fieldlog.PackSchema, Day: id, Version: f.Packed, Engine: a.Engine, Plan: v.ID, Estate: v.Estate.Facts.Name, Block: v.Block.Facts.Name, Zone: v.Estate.Facts.Location().String(), On: f.On,
		Practice: v.Facts.PracticeOnly, Units: "metric", Method: string(use.Method),
		Product: fieldlog.Product{Name: c.Product.Name, Registration: c.Product.Registration.Number, Actives: []string{}, Restricted: c.Product.RestrictedUse, Invented: c.Product.Invented},
		Help:    fieldlog.Help{FirstAid: c.Safety.FirstAid, Emergency: c.Safety.EmergencyNumber, Spill: c.Safety.Spill, Storage: c.Safety.Storage, Mix: orNone(c.Safety.Mix), Apply: orNone(c.Safety.Apply), Clean: orNone(c.Safety.Clean), EarlyEntry: orNone(c.Safety.EarlyEntry)},
		Keep:    use.Ports.Plug, Ends: endsBy(use.Ports.Plug), PortMost: int64(frame.PortMost), Frame: frame,
		Class: v.Doc.ClassCard, Cautions: v.Doc.Cautions, People: f.People, Trees: []fieldlog.PackTree{},
	}
	for _, x := range c.Product.Actives {
		p.Product.Actives = append(p.Product.Actives, x.Name)
	}
	if v.Doc.Outfit != nil {
		p.ExpectS = int64(v.Doc.Uptake.MinutesPerPort * 60)
	}
	for _, m := range v.Doc.Mix {
		p.MixLifeH = m.LifeH
	}
	if d := use.Ports.SapwoodDepth; d.Known {
		p.Depth = [2]int64{int64(d.Value.Low.Float() * 10), int64(d.Value.High.Float() * 10)}
	}
	if use.Ports.Hole.Known {
		p.HoleUM = int64(use.Ports.Hole.Value.Float()*10_000 + 0.5)
	}
	g := plan.InjectionGraduation
	if use.Method == label.Infusion {
		g = plan.InfusionGraduation
	}
	if r.Graduation.Known {
		g = r.Graduation.Value
	}
	p.GradUL = int64(g.Float()*1000 + 0.5)
	a.packTrees(p, v, f, tags)
	chosen := map[string]bool{}
	for _, t := range p.Trees {
		chosen[t.Tag] = true
	}
	r.Wounds = slices.DeleteFunc(r.Wounds, func(w tree.Wound) bool { return !chosen[w.Tree] })
	r.Limbs = slices.DeleteFunc(r.Limbs, func(l tree.Limb) bool { return !chosen[l.Tree] })
	r.Obstacles = slices.DeleteFunc(r.Obstacles, func(o tree.Obstacle) bool { return !chosen[o.Tree] })
	r.History = slices.DeleteFunc(r.History, func(h tree.Treatment) bool { return h.Tree != "" && !chosen[h.Tree] })
	p.Request = r
	return p, nil
}

// packTrees puts the day's trees into a pack, in the order of the walk, each
// with whom the plan gave it to.
func (a *App) packTrees(p *fieldlog.Pack, v PlanView, f DayFacts, tags []string) {
	owner, order := map[string]string{}, map[string]int{}
	put := func(tag, person string) {
		if order[tag] == 0 {
			order[tag] = len(order) + 1
			owner[tag] = person
		}
	}
	if v.Doc.Outfit != nil {
		for _, d := range v.Doc.Schedule.Days {
			if f.Number != 0 && d.Number != f.Number {
				continue
			}
			for i, person := range d.People {
				for _, tag := range person.Trees {
					put(tag, f.People[i%len(f.People)].ID)
				}
			}
		}
	}
	scheduled := len(order) > 0
	units := map[string][]plan.Tree{}
	for _, t := range v.Doc.Trees {
		units[t.Tag] = append(units[t.Tag], t)
		if !scheduled {
			put(t.Tag, f.People[len(order)%len(f.People)].ID)
		}
	}
	refused := map[string][]finding.Finding{}
	for _, t := range v.Doc.RefusedTrees {
		refused[t.Tree] = append(refused[t.Tree], t.Findings...)
	}
	want := map[string]bool{}
	for _, t := range tags {
		want[strings.TrimSpace(t)] = true
	}
	tags = nil
	for _, x := range v.Inputs.Trees {
		tags = append(tags, x.Tag)
	}
	marks := TreeMarks(v.Block.ID, tags)
	for _, x := range v.Inputs.Trees {
		t := x.Tree()
		if len(t.Stems) == 0 || len(want) > 0 && !want[x.Tag] || len(want) == 0 && f.Number != 0 && order[x.Tag] == 0 {
			continue
		}
		if order[x.Tag] == 0 { // refused, or asked for from another day: after the others
			put(x.Tag, f.People[len(order)%len(f.People)].ID)
		}
		p.Trees = append(p.Trees, fieldlog.PackTree{
			Key: marks[x.Tag].Key, Code: marks[x.Tag].Code, Tag: x.Tag, Order: order[x.Tag], Person: owner[x.Tag],
			Status: x.Status, Species: x.Species, XM: x.XM, YM: x.YM, Lat: x.Lat, Lon: x.Lon, Taped: t, Units: units[x.Tag], Refused: refused[x.Tag],
		})
	}
	slices.SortStableFunc(p.Trees, func(x, y fieldlog.PackTree) int { return x.Order - y.Order })
	for i := range p.Trees {
		p.Trees[i].Order = i + 1
	}
	if len(p.Trees) > 0 {
		p.Trees[0].Pilot = true
	}
}

func sameFills(a, b []plan.Fill) bool {
	return slices.EqualFunc(a, b, func(x, y plan.Fill) bool { return x.Volume == y.Volume })
}

// endsBy reads from the card's words on plugs whether ports come out or stay:
// only words that say one of the two and not the other count.
func endsBy(words string) string {
	w := strings.ToLower(words)
	has := func(list ...string) bool {
		return slices.ContainsFunc(list, func(x string) bool { return strings.Contains(w, x) })
	}
	pull, stay := has("pull", "remove", "take out", "retirar", "sacar"), has("leave in", "stay", "left in", "leave the plug", "dejar puesto")
	switch {
	case pull && !stay:
		return "pull"
	case stay && !pull:
		return "leave"
	}
	return ""
}

func orNone(list []string) []string {
	if list == nil {
		return []string{}
	}
	return list
}
