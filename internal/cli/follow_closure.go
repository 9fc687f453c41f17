package cli

import (
	"strconv"

	"sapward/finding"
	"sapward/follow/health"
	"sapward/internal/lang"
)

// ratingsClosure is how wounds close, of a file of ratings with such columns.
type ratingsClosure struct {
	health.ClosureReport
	Notes []saidNote `json:"notes"`
}

// meanClosure says how far the wounds of each treatment have closed.
func (d *ratingsDocument) meanClosure(e *env) {
	if d.Closure == nil {
		return
	}
	for _, t := range d.Closure.Treatments {
		last := t.Days[len(t.Days)-1]
		a := finding.Args{"treatment": finding.Text(t.Treatment), "closed": finding.Count(last.Closed), "ports": finding.Count(last.Ports), "trees": finding.Count(last.Trees), "day": finding.Text(shown(&last.Day, 2)),
			"interval": finding.Text(e.between(last.Low, last.High, func(p *float64) string { return lang.Fixed(*p, 0) })), "confidence": finding.Number(100*d.Closure.Confidence, "pct")}
		id := "closure-mean"
		if last.Low == nil {
			id = "closure-mean-one-tree"
		}
		d.Meaning = append(d.Meaning, e.say.Say(id, a))
		if t.MedianD != nil {
			a["median"] = finding.Text(shown(t.MedianD, 2))
			d.Meaning = append(d.Meaning, e.say.Say("closure-mean-median", a))
		}
	}
}

func (d *ratingsDocument) printClosure(e *env) {
	say := e.say
	e.title(say.T("closure-head"))
	t := e.heads("col-treatment", ">col-day", ">col-trees", ">closure-col-ports", ">closure-col-closed", ">closure-col-share", "col-interval", ">closure-col-mean")
	for _, x := range d.Closure.Treatments {
		for _, day := range x.Days {
			t.row(x.Treatment, shown(&day.Day, 2), strconv.Itoa(day.Trees), strconv.Itoa(day.Ports), strconv.Itoa(day.Closed), lang.Fixed(day.SharePct, 1),
				e.between(day.Low, day.High, func(p *float64) string { return lang.Fixed(*p, 1) }), shown(day.MeanPct, 1))
		}
	}
	e.printf("%s", t)
	e.title(say.T("closure-head-time"))
	t = e.heads("col-treatment", ">col-trees", ">closure-col-trees-closed", ">closure-col-median-tree", "col-interval", ">closure-col-median-port")
	day := func(p *float64) string { return shown(p, 2) }
	for _, x := range d.Closure.Treatments {
		t.row(x.Treatment, strconv.Itoa(x.Trees), strconv.Itoa(x.TreesClosed), day(x.MedianD), e.between(x.MedianLow, x.MedianHigh, day), day(x.PortMedianD))
	}
	e.printf("%s", t)
	e.wrapped(say.T("closure-columns"), "")
}
