package cli

import (
	"slices"
	"strconv"

	"sapward/finding"
	"sapward/follow/health"
	"sapward/internal/exchange"
)

type ratingsCmd struct {
	File     string  `arg:"" help:"RATINGS.csv or .xlsx: tree, treatment, day or date, rating_pct or class; cause may be told."`
	DayZero  string  `help:"Date that counts as day 0, where the file gives dates."`
	MaxClass float64 `help:"Highest class of the scale, where the file gives classes."`
}

type ratingsDocument struct {
	followHead
	Versus string `json:"versus"`
	health.ProgressReport
	Closure *ratingsClosure `json:"closure,omitempty"`
	Notes   []saidNote      `json:"notes"`
}

func (c ratingsCmd) Run(e *env) error {
	zero, faults := followOptions(c.DayZero, 0.95)
	faults = append(faults, atLeastZero("--max-class", c.MaxClass)...)
	if err := faults.OrNil(); err != nil {
		return err
	}
	f, wounds, err := exchange.ReadWoundedRatings(c.File, zero)
	if err != nil {
		return err
	}
	var report health.ProgressReport
	if len(f.Rows) > 0 || wounds == nil { // a file may tell of wounds only
		if report, err = health.Progress(f.Rows, health.ProgressOptions{TopClass: c.MaxClass}); err != nil {
			return f.Locate(err)
		}
	} else {
		report.Trees, report.Treatments, report.Causes = []health.TreeProgress{}, []health.TreatmentProgress{}, []health.CauseTally{}
	}
	doc := ratingsDocument{ProgressReport: report, Notes: e.saidNotes(report.Notes)}
	if wounds != nil {
		closure, err := health.Wounds(wounds, 0.95)
		if err != nil {
			return f.Locate(err)
		}
		doc.Closure = &ratingsClosure{ClosureReport: closure, Notes: e.saidNotes(closure.Notes)}
	}
	if doc.followHead, err = openFollowed(e, "sapward/ratings/1", f); err != nil {
		return err
	}
	doc.mean(e)
	if e.globals.JSON {
		return e.printJSON(doc)
	}
	doc.print(e)
	return nil
}

// mean says what the areas mean, each treatment beside the reference.
func (d *ratingsDocument) mean(e *env) {
	names := make([]string, len(d.Treatments))
	for i, t := range d.Treatments {
		names[i] = t.Treatment
	}
	d.Versus = health.Reference(names)
	var ref health.TreatmentProgress
	for _, t := range d.Treatments {
		if t.Treatment == d.Versus {
			ref = t
		}
	}
	say := func(id string, a finding.Args) { d.Meaning = append(d.Meaning, e.say.Say(id, a)) }
	compared := false
	d.meanClosure(e)
	for _, t := range d.Treatments {
		a := finding.Args{"treatment": finding.Text(t.Treatment), "versus": finding.Text(d.Versus), "n": finding.Count(t.N), "m": finding.Count(ref.N)}
		switch {
		case t.Treatment == d.Versus:
		case t.AUDPC == nil || ref.AUDPC == nil:
			say("ratings-mean-none", a)
		case *ref.AUDPC == 0:
			say("ratings-mean-healthy", a)
		default:
			a["share"] = finding.Number(100**t.AUDPC / *ref.AUDPC, "pct")
			say("ratings-mean-share", a)
			compared = true
		}
	}
	if compared {
		say("ratings-mean-description", nil)
	}
}

// listedTrees is how many trees the screen lists.
const listedTrees = 40

func (d *ratingsDocument) print(e *env) {
	say := e.say
	if len(d.Trees) == 0 && d.Closure != nil {
		d.printClosure(e)
		e.printMeaning(d.followHead, slices.Concat(d.Notes, d.Closure.Notes))
		return
	}
	e.println(say.Say("ratings-head", finding.Args{"count": finding.Count(len(d.Trees)), "from": finding.Number(d.FromDay, ""), "to": finding.Number(d.ToDay, "")}))
	e.title(say.T("head-by-treatment"))
	t := e.heads("col-treatment", ">col-trees", ">col-in-means", ">col-dead", ">col-removed", ">col-audpc", ">col-sd", ">col-relative", ">col-audps", ">col-severity")
	for _, x := range d.Treatments {
		t.row(x.Treatment, strconv.Itoa(x.Trees), strconv.Itoa(x.N), strconv.Itoa(x.Dead), strconv.Itoa(x.Removed),
			shown(x.AUDPC, 1), shown(x.AUDPCSD, 1), shown(x.Relative, 3), shown(x.AUDPS, 1), shown(x.SeverityPct, 1))
	}
	e.printf("%s", t)
	e.wrapped(say.T("ratings-columns"), "")
	e.title(say.T("head-severity-days"))
	t = e.heads("col-treatment", ">col-day", ">col-trees", ">col-severity")
	for _, x := range d.Treatments {
		for _, s := range x.Days {
			t.row(x.Treatment, shown(&s.Day, 2), strconv.Itoa(s.N), shown(&s.Index, 1))
		}
	}
	e.printf("%s", t)
	e.title(say.T("head-trees"))
	t = e.heads("col-tree", "col-treatment", ">col-visits", ">col-from-day", ">col-to-day", ">col-audpc", ">col-relative", ">col-audps", ">col-severity", "col-end")
	for i, x := range d.Trees {
		if i == listedTrees {
			break
		}
		t.row(x.Tree, x.Treatment, strconv.Itoa(x.Visits), shown(&x.FromDay, 2), shown(&x.ToDay, 2), shown(x.AUDPC, 1), shown(x.Relative, 3), shown(x.AUDPS, 1), shown(x.SeverityPct, 1), say.T("ratings-end-"+x.End))
	}
	e.printf("%s", t)
	if n := len(d.Trees) - listedTrees; n > 0 {
		e.println(say.Say("and-more", finding.Args{"count": finding.Count(n)}))
	}
	d.printCauses(e)
	notes := d.Notes
	if d.Closure != nil {
		d.printClosure(e)
		notes = slices.Concat(notes, d.Closure.Notes)
	}
	e.printMeaning(d.followHead, notes)
}

// printCauses lists the causes that the file tells, and what they do.
func (d *ratingsDocument) printCauses(e *env) {
	if len(d.Causes) == 0 {
		return
	}
	e.title(e.say.T("causes-head"))
	t := e.heads("col-treatment", "causes-col-cause", ">causes-col-rated", ">col-dead", ">col-removed")
	for _, c := range d.Causes {
		t.row(c.Treatment, e.say.T("cause-"+string(c.Cause)), strconv.Itoa(c.Rated), strconv.Itoa(c.Dead), strconv.Itoa(c.Removed))
	}
	e.printf("%s", t)
	e.wrapped(e.say.T("causes-rule"), "")
}
