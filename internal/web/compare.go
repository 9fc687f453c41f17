package web

import (
	"html/template"
	"net/http"
	"strconv"

	"sapward/finding"
	"sapward/plan"
)

// comparedMethod is one method of the card, worked out for the same block with
// the same choices.
type comparedMethod struct {
	Method  string
	Now     bool
	Verdict plan.Verdict
	Rows    []fact
	Why     []said
	Ring    template.HTML
	Faults  []string
}

// compare works out every method of the card beside the chosen one: what it
// takes, what it wounds, how long it keeps the crew. Where the active goes and
// how long it lasts is the work of sapward compare, which needs more facts.
func (s *Server) compare(c *call) error {
	ctx := c.r.Context()
	d, _, err := s.app.Draft(ctx, c.actor, c.id())
	if _, ok := usable(err); err != nil && !ok {
		return err
	}
	b, err := c.blockOf(d.Parent)
	if err != nil {
		return err
	}
	cards, err := s.app.Cards(ctx, c.actor)
	if err != nil {
		return err
	}
	pp := &planPage{ID: d.ID, Here: "/drafts/" + d.ID}
	c.Zone = b.Estate.Facts.Location()
	for _, x := range cards {
		if x.ID != d.Facts.Card {
			continue
		}
		c.Sub = x.Facts.Product
		for _, method := range x.Facts.Methods {
			f := d.Facts
			f.Brief.Method, f.Brief.GraduationML = method, ""
			f.Crew.Delivery = ""
			m := comparedMethod{Method: method, Now: method == d.Facts.Brief.Method}
			o, err := s.app.TryPlan(ctx, c.actor, b.ID, f)
			if fs, bad := usable(err); bad {
				m.Faults = c.lines(fs)
			} else if err != nil {
				return err
			} else {
				c.compared(&m, fromOutcome(d, b, o), c.field("tree"))
			}
			pp.Compared = append(pp.Compared, m)
		}
	}
	c.D = pp
	if c.r.Header.Get("HX-Request") != "true" {
		return c.show("compare", c.T("web-compare"), pp, append(c.blockTrail(b.Estate, b.Block), crumb{c.T("web-draft"), pp.Here})...)
	}
	s.part(c.w, c.r, http.StatusOK, "compare", "compared", c.view)
	return nil
}

// compared fills one column of the comparison.
func (c *call) compared(m *comparedMethod, l laid, tag string) {
	p := &l.plan
	m.Verdict = p.Verdict
	add := func(id, value string) { m.Rows = append(m.Rows, fact{Name: c.T(id), Value: value}) }
	t := p.Totals
	add("web-fig-trees", strconv.FormatInt(t.Planned, 10)+" / "+strconv.FormatInt(t.Trees, 10))
	if t.Planned > 0 {
		add("web-fig-ports", strconv.FormatInt(t.Ports, 10))
		add("web-fig-product", c.UL(t.Product))
		add("web-fig-water", c.UL(t.Water))
		wound := 0.0
		for i := range p.Trees {
			wound += p.Trees[i].WoundPct
		}
		add("web-wounded", c.Value(finding.Number(wound/float64(max(len(p.Trees), 1)), "pct")))
	}
	if p.Outfit != nil {
		add("web-days", strconv.Itoa(len(p.Schedule.Days)))
		add("web-person-hours", c.minutes(p.Schedule.PersonS))
		low, high := c.Fig(p.Uptake.LeastMinutes, 0), c.Fig(p.Uptake.MinutesPerPort, 0)
		add("web-port-drinks", pick(low == high, high+" min", c.S("web-minutes-from-to", "low", low, "high", high)))
		if p.Cost != nil {
			add("web-cost", strconv.FormatFloat(float64(p.Cost.Total.Minor)/100, 'f', 2, 64)+" "+p.Cost.Total.Currency)
		}
	}
	if p.Dates.NextEarliest != "" {
		add("web-next-earliest", p.Dates.NextEarliest)
	}
	m.Why = append(c.sayAll(p.Refusals), c.sayAll(p.Open)...)
	if len(m.Why) > 4 {
		m.Why = m.Why[:4]
	}
	if len(p.Trees) == 0 {
		return
	}
	pick := 0
	for i := range p.Trees {
		if nameOf(p.Trees[i].Tag, p.Trees[i].Stem) == tag {
			pick = i
		}
	}
	tree := &p.Trees[pick]
	wounds, obstacles, hole, bark := l.of(tree)
	sc, err := c.ringOf(tree, l.inputs.Brief.MarkAzimuth, wounds, obstacles, hole, bark, 350)
	sc.ID = "cmp" + m.Method
	m.Ring = c.Picture(sc, err)
}
