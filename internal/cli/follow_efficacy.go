package cli

import (
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/follow/health"
	"sapward/internal/exchange"
)

type efficacyCmd struct {
	File       string  `arg:"" help:"COUNTS.csv or .xlsx: role (treated, untreated) with before and after, after alone, or dead and total."`
	Formula    string  `help:"abbott, henderson-tilton, sun-shepard, schneider-orelli or risk-ratio; default by what the data hold."`
	Confidence float64 `help:"Confidence of the interval." default:"0.95"`
	Resamples  int     `help:"Resamples of the bootstrap." default:"2000"`
	Seed       uint64  `help:"Seed of the bootstrap." default:"1"`
}

type efficacyDocument struct {
	followHead
	Chosen bool `json:"formula_chosen"` // by the program, from the columns
	health.EfficacyReport
	Notes []saidNote `json:"notes"`
}

// formulas are the names of the formulas, in the order they are listed.
var formulas = []string{string(health.FormulaAbbott), string(health.FormulaHendersonTilton), string(health.FormulaSunShepard), string(health.FormulaSchneiderOrelli), string(health.FormulaRiskRatio)}

// maxResamples keeps a slip of the finger from running for hours.
const maxResamples = 100_000

func (c efficacyCmd) Run(e *env) error {
	_, faults := followOptions("", c.Confidence)
	formula := strings.ReplaceAll(strings.ToLower(strings.TrimSpace(c.Formula)), "_", "-")
	known := formula == ""
	for _, f := range formulas {
		known = known || f == formula
	}
	if !known {
		faults = append(faults, finding.AsFaults(usage("efficacy-formula-unknown", finding.Args{"formula": finding.Text(c.Formula), "formulas": finding.Text(strings.Join(formulas, ", "))}))...)
	}
	if c.Resamples < 100 || c.Resamples > maxResamples {
		faults = append(faults, finding.AsFaults(usage("efficacy-resamples", finding.Args{"text": finding.Text(strconv.Itoa(c.Resamples)), "most": finding.Count(maxResamples)}))...)
	}
	if err := faults.OrNil(); err != nil {
		return err
	}
	f, err := exchange.ReadCounts(c.File)
	if err != nil {
		return err
	}
	report, err := health.Efficacy(f.Rows, health.EfficacyOptions{Formula: health.Formula(formula), Confidence: c.Confidence, Resamples: c.Resamples, Seed: c.Seed})
	if err != nil {
		return f.Locate(err)
	}
	doc := efficacyDocument{Chosen: formula == "", EfficacyReport: report, Notes: e.saidNotes(report.Notes)}
	if doc.followHead, err = openFollowed(e, "sapward/efficacy/1", f); err != nil {
		return err
	}
	doc.mean(e)
	if e.globals.JSON {
		return e.printJSON(doc)
	}
	doc.print(e)
	return nil
}

// mean says which formula, why, and what the interval says.
func (d *efficacyDocument) mean(e *env) {
	say := e.say
	why := "efficacy-asked"
	if d.Chosen {
		why = "efficacy-chosen-" + string(d.Formula)
	}
	name := say.T("efficacy-name-" + string(d.Formula))
	d.Meaning = append(d.Meaning, say.Say(why, finding.Args{"formula": finding.Text(name)}))
	d.Meaning = append(d.Meaning, say.Say("efficacy-verdict-"+string(d.Verdict), finding.Args{
		"efficacy": finding.Text(percent(d.Efficacy)), "interval": finding.Text(e.between(d.Low, d.High, percent)), "confidence": finding.Number(100*d.Confidence, "pct"),
	}))
}

// percent writes a percentage.
func percent(p *float64) string {
	if s := shown(p, 1); s != noFigure {
		return s + " %"
	}
	return noFigure
}

func (d *efficacyDocument) print(e *env) {
	say := e.say
	e.println(say.T("efficacy-head"))
	e.title(say.T("head-counts"))
	t := e.heads("col-role", ">col-rows", ">col-before", ">col-after", ">col-dead", ">col-total")
	for _, x := range []struct {
		id string
		s  health.Side
	}{{"efficacy-role-treated", d.Treated}, {"efficacy-role-untreated", d.Untreated}} {
		t.row(say.T(x.id), strconv.Itoa(x.s.Rows), shown(x.s.Before, 2), shown(x.s.After, 2), shown(x.s.Dead, 2), shown(x.s.Total, 2))
	}
	e.printf("%s", t)
	e.title(say.T("head-efficacy"))
	t = e.heads("col-formula", ">col-efficacy", "col-interval", "col-interval-by")
	name, eff := say.T("efficacy-name-"+string(d.Formula)), percent(d.Efficacy)
	for _, x := range d.Intervals {
		how := x.Method
		if id := "efficacy-interval-" + x.Method; say.Has(id) {
			how = say.T(id)
		}
		t.row(name, eff, e.between(x.Low, x.High, percent), how)
		name, eff = "", ""
	}
	if len(d.Intervals) == 0 {
		t.row(name, eff, noFigure, noFigure)
	}
	e.printf("%s", t)
	e.printMeaning(d.followHead, d.Notes)
}
