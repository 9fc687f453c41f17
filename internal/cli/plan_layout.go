package cli

import (
	"errors"
	"strconv"

	"sapward/finding"
	"sapward/flow/compare"
	"sapward/internal/exchange"
	"sapward/internal/lang"
	"sapward/internal/report"
	"sapward/measure/tree"
	"sapward/plan"
	"sapward/plan/label"
)

// layout asks the model, where a climate is given, how many ports pay on the
// block's typical tree, and puts the answer into the plan. It decides nothing.
func (c planCmd) layout(e *env, r plan.Request, job *plan.Job, trees *exchange.TreeReader) error {
	if c.Climate == "" || job.Plan.Totals.Planned == 0 {
		return nil
	}
	var faults finding.Faults
	take := func(err error) { faults = append(faults, finding.AsFaults(err)...) }
	q := compare.Request{HorizonD: compare.DefaultDays, Seed: r.Seed, StartH: clockHour(c.Start)}
	c.model(e, &q, take)
	if r.On.IsZero() {
		take(usage("compare-on-needed", nil))
	}
	o, w, wx, climate := c.water(c.uptakeOptions, c.Zone, take)
	if err := faults.OrNil(); err != nil {
		return err
	}
	if err := w.read(o, wx, climate, r.On, q.HorizonD); err != nil {
		return err
	}
	q.Plan, q.Days = r, w.days
	q.Plan.Method = label.Method(job.Plan.Method)
	if err := trees.Each(func(chunk []tree.Tree) error { q.Block = append(q.Block, chunk...); return nil }); err != nil {
		return err
	}
	line, at, level, err := compare.LayoutOf(q)
	if errors.Is(err, compare.ErrNoMethod) {
		return nil
	}
	if err != nil {
		return compareCmd{Trees: c.Trees, planOptions: c.planOptions}.fault(err)
	}
	l := plan.Layout{
		Tree: at.Tree, Stem: at.Stem, Level: report.LevelText(e.say, level), DaysD: q.HorizonD, Planned: line.Planned, Pays: line.Pays, ByArea: line.ByArea, Tried: []plan.LayoutLine{},
	}
	for _, t := range line.Tried {
		l.Tried = append(l.Tried, plan.LayoutLine{Ports: t.Ports, OffsetDeg: t.OffsetDeg, WoundPct: t.WoundPct, DaysP20: t.Days20, AreaP20: t.Area20, ReachesPct: t.Reaches, PeakPct: t.PeakPct.P50})
	}
	job.Plan.Layout = &l
	return nil
}

// printLayout shows how many ports pay.
func (e *env) printLayout(p plan.Plan) {
	l := p.Layout
	if l == nil {
		return
	}
	say := e.say
	e.title(say.T("plan-layout-head"))
	e.wrapped(report.PlanLayoutText(say, p), "")
	t := newTable(">"+say.T("col-ports"), ">"+say.T("compare-col-wound"), ">"+say.T("compare-col-days20"), ">"+say.T("compare-col-reaches"), ">"+say.T("compare-col-peak"))
	for _, x := range report.ShownPlanLayouts(*l) {
		n := strconv.Itoa(x.Ports)
		if x.Ports == l.Planned {
			n = "• " + n
		}
		t.row(n, lang.Fixed(x.WoundPct, 1)+" %", lang.Fixed(x.DaysP20, 0), lang.Fixed(x.ReachesPct, 0), lang.Fixed(x.PeakPct, 0))
	}
	e.printf("%s", t)
	e.wrapped(say.T("compare-layout-meaning"), "")
}
