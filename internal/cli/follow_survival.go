package cli

import (
	"math"
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/follow/health"
	"sapward/internal/exchange"
	"sapward/internal/lang"
)

type survivalCmd struct {
	File       string  `arg:"" help:"DEATHS.csv or .xlsx: tree, treatment, days (or date), died."`
	Strata     string  `help:"Column of the strata, such as block: compare within them."`
	Versus     string  `help:"Treatment the others are compared with; default the untreated."`
	DayZero    string  `help:"Date that counts as day 0, where the file gives dates."`
	Confidence float64 `help:"Confidence of the intervals." default:"0.95"`
}

type survivalDocument struct {
	followHead
	Strata string `json:"strata,omitempty"`
	health.SurvivalReport
	Notes []saidNote `json:"notes"`
}

func (c survivalCmd) Run(e *env) error {
	zero, faults := followOptions(c.DayZero, c.Confidence)
	if err := faults.OrNil(); err != nil {
		return err
	}
	f, err := exchange.ReadDeaths(c.File, zero, c.Strata)
	if err != nil {
		return err
	}
	report, err := health.Survival(f.Rows, health.SurvivalOptions{Confidence: c.Confidence, Versus: c.Versus, Stratified: c.Strata != ""})
	if err != nil {
		return f.Locate(err)
	}
	doc := survivalDocument{Strata: c.Strata, SurvivalReport: report, Notes: e.saidNotes(report.Notes)}
	if doc.followHead, err = openFollowed(e, "sapward/survival/1", f); err != nil {
		return err
	}
	doc.mean(e)
	if e.globals.JSON {
		return e.printJSON(doc)
	}
	doc.print(e)
	return nil
}

// fewDeaths is the number of deaths under which no difference is claimed, the
// same at which the report warns (a program default).
const fewDeaths = 5

// mean says what medians, test and hazard ratios mean.
func (d *survivalDocument) mean(e *env) {
	say := func(id string, a finding.Args) { d.Meaning = append(d.Meaning, e.say.Say(id, a)) }
	for _, g := range d.Groups {
		a := finding.Args{"treatment": finding.Text(g.Treatment), "last": finding.Number(g.LastDay, "")}
		if g.MedianD == nil {
			say("survival-mean-no-median", a)
			continue
		}
		a["median"] = finding.Number(*g.MedianD, "")
		say("survival-mean-median", a)
	}
	if d.LogRank == nil {
		return
	}
	test, died := d.LogRank, 0
	if d.Strata != "" {
		test = d.Stratified
	}
	for _, g := range d.Groups {
		died += g.Died
	}
	a := finding.Args{"count": finding.Count(died), "strata": finding.Text(d.Strata)}
	if test != nil {
		a["p"], a["level"] = finding.Text(pvalue(test.P)), finding.Text(lang.Figure(1-d.Confidence, 4))
	}
	switch {
	case test == nil:
		say("survival-mean-strata-none", a)
	case died < fewDeaths:
		say("survival-mean-few", a)
	case test.P < 1-d.Confidence:
		say("survival-mean-differ", a)
	default:
		say("survival-mean-not-shown", a)
	}
	for _, h := range d.Hazard {
		a := finding.Args{"treatment": finding.Text(h.Treatment), "versus": finding.Text(h.Versus), "ratio": finding.Text(significant(h.Ratio, 3)),
			"interval": finding.Text(e.ratios(h.Low, h.High)), "confidence": finding.Number(100*d.Confidence, "pct")}
		switch {
		case h.Ratio == nil && h.Low == nil && h.High == nil:
		case h.Ratio == nil:
			say("survival-mean-hazard-interval", a)
		case (h.Low == nil || *h.Low <= 1) && (h.High == nil || *h.High >= 1):
			say("survival-mean-hazard-open", a)
		default:
			say("survival-mean-hazard", a)
		}
	}
}

// ratios writes the limits of a ratio; one without a lower limit comes down to 0.
func (e *env) ratios(low, high *float64) string {
	if low == nil && high != nil {
		low = new(float64)
	}
	return e.between(low, high, ratio)
}

// ratio writes a ratio to three digits.
func ratio(p *float64) string { return significant(p, 3) }

func (d *survivalDocument) print(e *env) {
	say := e.say
	n, died := 0, 0
	for _, g := range d.Groups {
		n, died = n+g.N, died+g.Died
	}
	pct := finding.Number(100*d.Confidence, "pct")
	e.println(say.Say("survival-head", finding.Args{"count": finding.Count(n), "died": finding.Count(died), "confidence": pct}))
	day := func(p *float64) string { return shown(p, 2) }
	e.title(say.T("head-by-treatment"))
	t := e.heads("col-treatment", ">col-trees", ">col-died", ">col-median", "col-median-interval", ">col-mean-days", ">col-last-day")
	for _, g := range d.Groups {
		t.row(g.Treatment, strconv.Itoa(g.N), strconv.Itoa(g.Died), day(g.MedianD), e.between(g.MedianLow, g.MedianHigh, day), shown(&g.MeanD, 1), day(&g.LastDay))
	}
	e.printf("%s", t)
	d.printCurves(e)
	if died > 0 {
		e.title(say.T("head-kaplan-meier"))
		t := e.heads("col-treatment", ">col-day", ">col-at-risk", ">col-died", ">col-survival", ">col-se", "col-interval")
		for _, g := range d.Groups {
			for _, s := range g.Table {
				t.row(g.Treatment, day(&s.Day), strconv.Itoa(s.AtRisk), strconv.Itoa(s.Died), lang.Fixed(s.Survival, 3), fixed(s.SE, 3), e.between(s.Low, s.High, func(p *float64) string { return fixed(p, 3) }))
			}
		}
		e.printf("%s", t)
	}
	if d.LogRank != nil {
		e.title(say.T("head-tests"))
		t := e.heads("col-test", ">col-chi2", ">col-df", ">col-p")
		for _, x := range []struct {
			id string
			r  *health.TestResult
		}{{"survival-test-logrank", d.LogRank}, {"survival-test-stratified", d.Stratified}, {"survival-test-peto", d.PetoPeto}} {
			if x.r != nil {
				t.row(say.Say(x.id, finding.Args{"strata": finding.Text(d.Strata)}), lang.Fixed(x.r.Chi2, 3), strconv.Itoa(x.r.DF), pvalue(x.r.P))
			}
		}
		e.printf("%s", t)
	}
	if len(d.Hazard) > 0 {
		e.title(say.T("head-hazard"))
		t := e.heads("col-treatment", "col-versus", ">col-ratio", "col-interval", ">col-p", "col-method")
		for _, h := range d.Hazard {
			p := noFigure
			if h.P != nil {
				p = pvalue(*h.P)
			}
			t.row(h.Treatment, h.Versus, ratio(h.Ratio), e.ratios(h.Low, h.High), p, h.Method)
		}
		e.printf("%s", t)
	}
	e.printMeaning(d.followHead, d.Notes)
}

// fixed writes a figure with exactly that many decimals.
func fixed(p *float64, decimals int) string {
	if p == nil || math.IsNaN(*p) || math.IsInf(*p, 0) {
		return noFigure
	}
	return lang.Fixed(*p, decimals)
}

// Sizes of the drawn curves.
const (
	curveGroups = 3  // beside one another
	curveBar    = 20 // characters for all trees alive
	curveSteps  = 10 // from day 0 to the last
)

// printCurves draws the share alive on evenly spaced days, a bar a treatment;
// a treatment with trees alive that nobody watched any longer shows none.
func (d *survivalDocument) printCurves(e *env) {
	last := 0.0
	for _, g := range d.Groups {
		last = math.Max(last, g.LastDay)
	}
	if last == 0 || len(d.Groups) > curveGroups {
		return
	}
	e.title(e.say.T("head-curve"))
	head := []string{">" + e.say.T("col-day")}
	for _, g := range d.Groups {
		head = append(head, g.Treatment)
	}
	t := newTable(head...)
	for i := 0; i <= curveSteps; i++ {
		day := last * float64(i) / curveSteps
		row := []string{shown(&day, 1)}
		for _, g := range d.Groups {
			if day > g.LastDay && g.SurvivalAt(g.LastDay) > 0 {
				row = append(row, noFigure)
				continue
			}
			s := g.SurvivalAt(day)
			full := int(math.Round(curveBar * s))
			row = append(row, strings.Repeat("█", full)+strings.Repeat("·", curveBar-full)+" "+lang.Fixed(100*s, 0)+" %")
		}
		t.row(row...)
	}
	e.printf("%s", t)
}
