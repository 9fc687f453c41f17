package web

import (
	"net/http"
	"strconv"
	"time"

	"sapward/measure/tree"
	"sapward/plan"
	"sapward/plan/label"
)

// trunk draws the chosen tree.
func (pp *planPage) trunk(c *call, l laid) error {
	p := &l.plan
	pp.TrunkURL, pp.TurnURL = l.here+"/trunk", l.here+"/turn"
	if len(p.Trees) == 0 {
		return nil
	}
	pick := 0
	want := c.r.FormValue("tree")
	for i := range p.Trees {
		if name := nameOf(p.Trees[i].Tag, p.Trees[i].Stem); len(pp.TreeChoices) < 2000 {
			pp.TreeChoices = append(pp.TreeChoices, name)
			if name == want {
				pick = i
			}
		}
	}
	t := &p.Trees[pick]
	pp.TreeTag = nameOf(t.Tag, t.Stem)
	pp.Stand = 180
	if n, err := strconv.Atoi(c.r.FormValue("stand")); err == nil && n >= 0 && n < 360 {
		pp.Stand = n
	}
	wounds, obstacles, hole, bark := l.of(t)
	mark := l.inputs.Brief.MarkAzimuth
	pp.Ring = c.Picture(c.ringOf(t, mark, wounds, obstacles, hole, bark, 350))
	pp.Unrolled = c.Picture(c.trunkOf(t, mark, float64(pp.Stand), wounds, obstacles, 350))
	pp.TreePorts = t.Ports
	return nil
}

// of gathers what is known of one planned tree's trunk.
func (l laid) of(t *plan.Tree) (ws []tree.Wound, os []tree.Obstacle, holeMM, barkMM float64) {
	for _, w := range l.wounds {
		if w.Tree == t.Tag && (t.Stem == "" || w.Stem == "" || w.Stem == t.Stem) {
			ws = append(ws, w)
		}
	}
	for _, o := range l.obstacles {
		if o.Tree == t.Tag && (t.Stem == "" || o.Stem == "" || o.Stem == t.Stem) {
			os = append(os, o)
		}
	}
	if use, ok := plan.UseOf(l.card, label.Method(l.plan.Method), l.plan.Site, l.plan.Target); ok && use.Ports.Hole.Known {
		holeMM = use.Ports.Hole.Value.Float() * 10
	}
	for _, f := range l.inputs.Trees {
		if f.Tag != t.Tag {
			continue
		}
		for _, s := range f.Stems {
			if x, err := strconv.ParseFloat(s.BarkMM, 64); err == nil && (t.Stem == "" || s.Name == t.Stem) {
				barkMM = x
				break
			}
		}
	}
	return ws, os, holeMM, barkMM
}

// laidOut finds the plan at an address, of a draft or approved.
func (c *call) laidOut(kind string) (laid, error) {
	ctx := c.r.Context()
	if kind == "plans" {
		v, err := c.s.app.Plan(ctx, c.actor, c.id())
		if err != nil {
			return laid{}, err
		}
		c.Zone = v.Estate.Facts.Location()
		return fromPlan(v), nil
	}
	d, o, err := c.s.app.Draft(ctx, c.actor, c.id())
	if err != nil {
		return laid{}, err
	}
	b, err := c.blockOf(d.Parent)
	if err != nil {
		return laid{}, err
	}
	c.Zone = b.Estate.Facts.Location()
	return fromOutcome(d, b, o), nil
}

// planTrunk is the chosen trunk, or with turn only the bark as it is seen from
// where the person stands.
func (s *Server) planTrunk(kind string, turn bool) func(c *call) error {
	return func(c *call) error {
		key := "/" + kind + "/" + c.id() + "/" + c.field("v")
		l, ok := laid{}, false
		if c.may("Block", c.estateOfLast(key)) {
			l, ok = s.last.get(key, time.Now())
		}
		if !ok {
			var err error
			if l, err = c.laidOut(kind); err != nil {
				return err
			}
			s.last.put(key, time.Now(), l)
		}
		pp := &planPage{ID: l.id, Version: l.version, Here: l.here}
		if err := pp.trunk(c, l); err != nil {
			return err
		}
		c.D = pp
		name := "trunk"
		if turn {
			name = "turnpicture"
		}
		s.part(c.w, c.r, http.StatusOK, "plan", name, c.view)
		return nil
	}
}

// estateOfLast is the estate of the plan kept for turning: who may not see that
// estate gets nothing out of it.
func (c *call) estateOfLast(key string) string {
	if l, ok := c.s.last.get(key, time.Now()); ok {
		return l.estate.ID
	}
	return "none"
}
