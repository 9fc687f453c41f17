package cli

import (
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/internal/lang"
	"sapward/numeric/exact"
	"sapward/plan"
)

// shownTrees is how many trees the screen lists; plan.csv has them all.
const shownTrees = 12

// printPlan writes the plan for people: the answer first, then what is open or
// refused, then tables.
func (e *env) printPlan(job *plan.Job, trees []plan.Tree) {
	say, p := e.say, job.Plan
	if say.US { // a tape in inches steps by tenths of an inch
		p.ClassCard = job.ClassCard(exact.Frac(254, 1000))
	}
	num := func(n int64) finding.Value { return finding.Number(float64(n), "") }
	if p.Card.Invented {
		e.println(say.T("invented"))
	}
	if p.PracticeOnly {
		e.println(say.T("practice-only"))
	}
	e.println(say.Say("plan-head", finding.Args{
		"product": finding.Text(p.Card.Product), "number": finding.Text(p.Card.Registration), "method": finding.Text(say.T("method-" + p.Method)), "trees": num(p.Totals.Trees),
	}))
	verdict := "verdict-" + string(p.Verdict)
	if p.Verdict != plan.Refused && p.Totals.Planned == 0 {
		verdict = "verdict-none"
	}
	e.println(say.Say(verdict, finding.Args{"open": finding.Count(len(p.Open)), "refused": finding.Count(len(p.Refusals))}))
	if p.Totals.Planned > 0 {
		e.wrapped(e.doseSentence(p), "")
	}
	if p.Totals.RefusedTrees > 0 {
		e.println(say.Say("plan-refused-trees", finding.Args{"count": num(p.Totals.RefusedTrees)}))
	}
	if p.Totals.Planned > 0 {
		e.printDates(p)
	}
	e.findings("head-refusals", p.Refusals)
	e.findings("head-open", p.Open)
	e.refusedTrees(p)
	e.bases(p)
	e.printBlock(p)
	e.mix(p)
	e.classCard(job, p)
	e.treeTable(p, trees)
	e.printLayout(p)
	e.printOutfit(p)
	e.findings("head-findings", p.Findings)
	e.cautions(p)
}

// doseSentence is the ten-second answer.
func (e *env) doseSentence(p plan.Plan) string {
	say := e.say
	var fills []string
	for _, f := range p.Fills {
		fills = append(fills, say.Volume(f.Volume.ML()))
	}
	args := finding.Args{
		"trees": finding.Number(float64(p.Totals.Planned), ""), "ports": finding.Number(float64(p.Totals.Ports), ""),
		"product": finding.Number(p.Totals.Product.ML(), "mL"), "dose": finding.Number(p.Totals.Dose.ML(), "mL"), "water": finding.Number(p.Totals.Water.ML(), "mL"),
		"count": finding.Count(len(p.Fills)), "fills": finding.Text(strings.Join(fills, ", ")),
	}
	id := "plan-dose-injection"
	if len(p.Mix) > 0 {
		id = "plan-dose-infusion"
	}
	if p.Basis != plan.ByFills {
		id += "-own"
	}
	s := say.Say(id, args)
	for _, a := range p.Totals.Active {
		line := finding.Args{"active": finding.Text(a.Name), "mass": finding.Number(a.Grams, "g")}
		switch {
		case a.PerHa != nil && a.CapG != nil:
			line["per"], line["cap"], line["before"] = finding.Number(*a.PerHa, "g/ha"), finding.Number(*a.CapG, "g/ha"), finding.Number(a.History, "g")
			s += " " + say.Say("plan-active-cap", line)
		case a.PerHa != nil:
			line["per"] = finding.Number(*a.PerHa, "g/ha")
			s += " " + say.Say("plan-active-area", line)
		default:
			s += " " + say.Say("plan-active", line)
		}
	}
	return s
}

func (e *env) printDates(p plan.Plan) {
	for _, d := range []struct{ id, value string }{
		{"date-harvest", p.Dates.HarvestFrom}, {"date-next", p.Dates.NextEarliest}, {"date-reentry", p.Dates.ReentryH},
	} {
		if d.value != "" {
			e.println(e.say.Say(d.id, finding.Args{"date": finding.Text(d.value), "hours": finding.Text(d.value)}))
		}
	}
}

// findings prints a list with its heading, each with its badge of authority.
func (e *env) findings(head string, fs []finding.Finding) {
	if len(fs) == 0 {
		return
	}
	e.title(e.say.T(head))
	for _, f := range fs {
		e.finding("", f)
	}
}

// finding prints one finding: badge, sentence, way out.
func (e *env) finding(prefix string, f finding.Finding) {
	text, mend := e.say.Finding(f)
	line := "• " + prefix + "[" + e.say.T("authority-"+string(f.Authority)) + "] " + text
	if mend != "" {
		line += " " + mend
	}
	if f.Reason != "" {
		line += " " + e.say.Say("override-printed", finding.Args{"reason": finding.Text(f.Reason)})
	}
	e.wrapped(line, "  ")
}

// refusedTrees prints trees that get no dose, gathered by reason.
func (e *env) refusedTrees(p plan.Plan) {
	if len(p.RefusedTrees) == 0 {
		return
	}
	e.title(e.say.T("head-refused-trees"))
	for i, r := range p.RefusedTrees {
		if i == shownTrees {
			e.println(e.say.Say("and-more", finding.Args{"count": finding.Count(len(p.RefusedTrees) - i)}))
			break
		}
		name := r.Tree
		if r.Stem != "" {
			name += "/" + r.Stem
		}
		for _, f := range r.Findings {
			e.finding(name+" ", f)
		}
	}
}

// bases prints the three ways of choosing volumes side by side.
func (e *env) bases(p plan.Plan) {
	if len(p.Bases) == 0 {
		return
	}
	say := e.say
	e.title(say.T("head-bases"))
	t := newTable(say.T("col-basis"), ">"+say.T("col-loads"), ">"+say.T("col-ports"), ">"+say.T("col-dose"), ">"+say.T("col-misdose"), ">"+say.T("col-above"), ">"+say.T("col-below"))
	for _, b := range p.Bases {
		name := say.T("basis-" + string(b.Basis))
		if b.Each > 0 {
			name += " (" + say.Volume(b.Each.ML()) + ")"
		}
		t.row(name, strconv.Itoa(b.Loads), strconv.FormatInt(b.Ports, 10), say.Volume(b.Dose.ML()), lang.Figure(b.MisdoseML, 2)+" mL", strconv.FormatInt(b.Above, 10), strconv.FormatInt(b.Below, 10))
	}
	e.printf("%s", t)
	e.wrapped(say.T("bases-meaning"), "")
}

// printBlock says what the taped trees tell about the whole block.
func (e *env) printBlock(p plan.Plan) {
	b := p.Block
	if b == nil || b.Untaped == 0 || b.Need == nil {
		return
	}
	e.title(e.say.T("head-block"))
	e.println(e.say.Say("block-need", finding.Args{
		"untaped": finding.Count(b.Untaped), "trees": finding.Count(b.Trees),
		"total": finding.Number(b.Need.TotalML, "mL"), "low": finding.Number(b.Need.LowML, "mL"), "high": finding.Number(b.Need.HighML, "mL"),
	}))
}

func (e *env) mix(p plan.Plan) {
	for _, m := range p.Mix {
		e.title(e.say.T("head-mix"))
		args := finding.Args{
			"concentration": finding.Text(lang.Figure(m.ConcentrationMLPerL, 3)), "product": finding.Number(m.Product.ML(), "mL"),
			"water": finding.Number(m.Water.ML(), "mL"), "mix": finding.Number(m.Mix.ML(), "mL"), "life": finding.Number(m.LifeH, "h"),
		}
		e.println(e.say.Say("mix-line", args))
		if m.LifeH > 0 {
			e.println(e.say.Say("mix-life", args))
		}
	}
}

// classCard prints which tape reading means how many ports of which fill.
func (e *env) classCard(job *plan.Job, p plan.Plan) {
	if len(p.ClassCard) == 0 {
		return
	}
	say := e.say
	e.title(say.T("head-class-card"))
	unit := "cm"
	if say.US {
		unit = "in"
	}
	t := newTable(">"+say.T("col-diameter")+" "+unit, ">"+say.T("col-girth")+" "+unit, ">"+say.T("col-ports"), ">"+say.T("col-each"), ">"+say.T("col-dose"))
	span := func(from, to float64) string {
		if say.US {
			return lang.Fixed(from/2.54, 1) + "–" + lang.Fixed(to/2.54, 1)
		}
		return lang.Fixed(from, 1) + "–" + lang.Fixed(to, 1)
	}
	low, high := job.Smallest/1.5, job.Largest*1.5
	for _, r := range p.ClassCard {
		if high > 0 && (r.ToCM < low || r.FromCM > high) {
			continue // far from any trunk of this block; plan.json has every row
		}
		girth := ""
		if r.GirthToCM > 0 {
			girth = span(r.GirthFromCM, r.GirthToCM)
		}
		if r.Ports == 0 {
			t.row(span(r.FromCM, r.ToCM), girth, "–", say.T("class-none"), "")
			continue
		}
		t.row(span(r.FromCM, r.ToCM), girth, strconv.Itoa(r.Ports), say.Volume(r.Volume.ML()), say.Volume(r.Volume.ML()*float64(r.Ports)))
	}
	e.printf("%s", t)
	e.wrapped(say.T("class-card-meaning"), "")
}

// treeTable lists the first trees.
func (e *env) treeTable(p plan.Plan, trees []plan.Tree) {
	if len(trees) == 0 {
		return
	}
	say := e.say
	e.title(say.T("head-trees"))
	t := newTable(say.T("col-tree"), ">"+say.T("col-diameter"), ">"+say.T("col-ports"), ">"+say.T("col-each"), ">"+say.T("col-dose"), ">"+say.T("col-limits"), ">"+say.T("col-wound"), say.T("col-along"))
	for i, tr := range trees {
		if i == shownTrees {
			break
		}
		name := tr.Tag
		if tr.Stem != "" {
			name += "/" + tr.Stem
		}
		var along []string
		for k, q := range tr.Ports {
			if k == 3 {
				along = append(along, "…")
				break
			}
			if say.US {
				along = append(along, lang.Fixed(q.AlongCM/2.54, 1))
			} else {
				along = append(along, lang.Fixed(q.AlongCM, 1))
			}
		}
		each := say.T("various")
		if tr.Fill > 0 {
			each = say.Volume(tr.Fill.ML())
		}
		t.row(name, say.Length(tr.DiameterCM), strconv.Itoa(len(tr.Ports)), each, say.Volume(tr.Dose.ML()),
			lang.Figure(tr.Low.ML(), 1)+"–"+lang.Figure(tr.High.ML(), 1)+" mL", lang.Figure(tr.WoundPct, 1)+" %", strings.Join(along, " "))
	}
	e.printf("%s", t)
	if n := p.Totals.Planned - int64(min(len(trees), shownTrees)); n > 0 {
		e.println(say.Say("and-more", finding.Args{"count": finding.Number(float64(n), "")}))
	}
	e.wrapped(say.T("along-meaning"), "")
}

// cautions prints what can hurt, at its step, with who says so.
func (e *env) cautions(p plan.Plan) {
	if len(p.Cautions) == 0 {
		return
	}
	e.title(e.say.T("head-cautions"))
	step := ""
	for _, c := range p.Cautions {
		if c.Step != step {
			step = c.Step
			e.println(e.say.T("step-"+step) + ":")
		}
		text := e.say.Say(c.ID, finding.Args{"text": finding.Text(c.Text)})
		if c.Page > 0 {
			text += " (" + e.say.Say("card-page", finding.Args{"page": finding.Count(c.Page)}) + ")"
		}
		e.wrapped("  • ["+e.say.T("authority-"+string(c.Authority))+"] "+text, "    ")
	}
}
