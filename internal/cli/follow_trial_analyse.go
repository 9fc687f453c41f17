package cli

import (
	"slices"
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/follow/trial"
	"sapward/internal/exchange"
	"sapward/internal/lang"
	"sapward/internal/report"
)

type trialAnalyseCmd struct {
	File         string  `arg:"" help:"Results, CSV or XLSX: value, and plot, tree or treatment; block, sub, reason."`
	Value        string  `help:"Column to analyse." default:"value"`
	Layout       string  `help:"layout.json of trial design: gives each plot its treatment and block."`
	Design       string  `help:"crd, rcbd or split-plot, without --layout." default:"rcbd"`
	Control      string  `help:"Name of the untreated control."`
	Scale        string  `help:"number, percent or class; by default percent where the column's name ends in _pct."`
	Transform    string  `help:"none, arcsine (percents), log or sqrt." default:"none"`
	Compare      string  `help:"dunnett (against the control), tukey (all pairs) or both."`
	Covariate    string  `help:"Column rated before the treatment, to adjust for."`
	Unit         string  `help:"What got a treatment of its own: tree or plot."`
	Permutations int     `help:"Deals of the permutation test; -1 for none." default:"9999"`
	Seed         uint64  `help:"Seed of the permutation test." default:"1"`
	Confidence   float64 `help:"Confidence of the intervals." default:"0.95"`
	About        string  `help:"Table field,text about the place and the trial, for the report."`
	Name         string  `help:"Name of the trial, for the report."`
	Paper        string  `help:"Paper of the report: a4 or letter; by default letter with US units."`
	Out          string  `help:"Folder for the report and the data package; complete or not at all."`
}

func (c trialAnalyseCmd) Run(e *env) error {
	size, err := e.paperSize(c.Paper)
	if err != nil {
		return err
	}
	o := trial.Options{Design: trial.Design(strings.ToLower(c.Design)), Control: c.Control, Scale: trial.Scale(strings.ToLower(c.Scale)), Transform: trial.Transform(strings.ToLower(c.Transform)),
		Compare: strings.ToLower(c.Compare), Confidence: c.Confidence, Unit: c.Unit, Covariate: c.Covariate != "", Permutations: c.Permutations, Seed: c.Seed}
	if c.Confidence == 0 {
		return usage("confidence-out-of-range", finding.Args{"confidence": finding.Text("0")})
	}
	if o.Permutations == 0 {
		o.Permutations = -1
	}
	if o.Scale == "" {
		o.Scale = trial.Number
		if strings.HasSuffix(strings.ToLower(c.Value), "_pct") {
			o.Scale = trial.Percent
		}
	}
	var layout *report.TrialLayoutDocument
	if c.Layout != "" {
		if layout, err = e.readLayout(c.Layout); err != nil {
			return err
		}
		o.Design, o.Order = layout.Design, slices.Concat(layout.Treatments, layout.Subs)
		if o.Control == "" {
			o.Control = layout.Control
		}
		if o.Unit == "" {
			o.Unit = layout.Unit
		}
	}
	rows, sum, err := exchange.ReadResults(c.File, c.Value, c.Covariate)
	if err != nil {
		return err
	}
	if layout != nil {
		if rows, err = layout.Assign(rows); err != nil {
			return err
		}
	}
	analysis, err := trial.Analyse(rows, o)
	if err != nil {
		return inFile(err, sum.File)
	}
	doc := e.trials().Analysis(c.Name, c.Value, analysis, rows, layout)
	if c.About != "" {
		if doc.About, err = exchange.ReadAbout(c.About); err != nil {
			return err
		}
	}
	if c.Out != "" {
		if err := writeTrial(c.Out, report.TrialAnalysisNames, doc.Files(e.say, size)); err != nil {
			return err
		}
	}
	if e.globals.JSON {
		return e.printJSON(doc)
	}
	e.printTrialAnalysis(doc)
	if c.Out != "" {
		e.println("")
		e.println(e.say.Say("trial-package-written", finding.Args{"folder": finding.Text(c.Out)}))
	}
	return nil
}

func (e *env) printTrialAnalysis(d report.TrialAnalysisDocument) {
	say := e.say
	e.println(say.Say("trial-analysis-head", finding.Args{"design": finding.Text(say.T("trial-design-" + string(d.Design))), "value": finding.Text(d.Value), "plots": finding.Count(d.Plots), "treatments": finding.Count(len(d.Treatments)), "blocks": finding.Count(len(d.Blocks))}))
	three := func(p *float64) string { return significant(p, 4) }
	back := d.Transform != trial.Plain
	means := func(head string, list []trial.Mean) {
		if len(list) == 0 {
			return
		}
		e.title(say.T(head))
		heads := []string{"col-treatment", ">trial-col-plots", ">trial-col-mean", ">col-se", "col-interval"}
		if back {
			heads = append(heads, ">trial-col-back", "col-interval")
		}
		t := e.heads(heads...)
		for _, m := range list {
			name := m.Treatment
			if m.Sub != "" {
				name = strings.Trim(name+" / "+m.Sub, " /")
			}
			cells := []string{name, strconv.Itoa(m.N), three(&m.Mean), significant(m.SE, 3), e.between(m.Low, m.High, three)}
			if back {
				cells = append(cells, three(m.Back), e.between(m.BackLow, m.BackHigh, three))
			}
			t.row(cells...)
		}
		e.printf("%s", t)
	}
	means("trial-head-means", d.Means)
	means("trial-head-sub-means", d.SubMeans)
	means("trial-head-cell-means", d.CellMeans)
	if len(d.Comparisons) > 0 {
		e.title(say.T("trial-head-comparisons"))
		t := e.heads("trial-col-method", "trial-col-a", "trial-col-b", ">trial-col-difference", ">col-se", "col-interval", ">trial-col-p")
		for _, c := range d.Comparisons {
			t.row(say.T("trial-method-"+c.Method), c.A, c.B, report.SignedFigure(c.Difference), significant(&c.SE, 3), e.between(&c.Low, &c.High, three), pvalue(orOne(c.P)))
		}
		e.printf("%s", t)
		e.wrapped(say.T("trial-comparisons-note"), "")
	}
	if slices.ContainsFunc(d.Effects, func(x trial.Effect) bool { return x.Pct != nil }) {
		e.title(say.T("trial-head-effects"))
		t := e.heads("col-treatment", ">trial-col-effect", "col-interval")
		for _, x := range d.Effects {
			t.row(x.Treatment, significant(x.Pct, 3), e.between(x.Low, x.High, func(p *float64) string { return significant(p, 3) }))
		}
		e.printf("%s", t)
	}
	e.title(say.T("trial-head-anova"))
	t := e.heads("trial-col-stratum", "trial-col-source", ">col-df", ">trial-col-ss", ">trial-col-ms", ">trial-col-fvalue", ">col-p")
	for _, l := range d.Table {
		p := noFigure
		if l.P != nil {
			p = pvalue(*l.P)
		}
		t.row(say.T("trial-stratum-"+l.Stratum), say.T("trial-source-"+strings.ReplaceAll(l.Source, ":", "-")), strconv.Itoa(l.DF), significant(l.SS, 6), significant(l.MS, 6), significant(l.F, 4), p)
	}
	e.printf("%s", t)
	if d.CVPct != nil {
		e.println(say.Say("trial-cv", finding.Args{"cv": finding.Text(lang.Fixed(*d.CVPct, 1))}))
	}
	for _, p := range d.Permutations {
		id := "trial-permuted"
		if p.Exact {
			id = "trial-permuted-all"
		}
		e.wrapped(say.Say(id, finding.Args{"factor": finding.Text(say.T("trial-source-" + p.Factor)), "p": finding.Text(pvalue(p.P)), "runs": finding.Count(p.Runs), "seed": finding.Text(strconv.FormatUint(d.Seed, 10))}), "")
	}
	if d.Ranks != nil {
		e.wrapped(say.Say("trial-ranked-"+d.Ranks.Test, finding.Args{"chi2": finding.Text(significant(&d.Ranks.Chi2, 4)), "df": finding.Count(d.Ranks.DF), "p": finding.Text(pvalue(d.Ranks.P))}), "")
	}
	e.printMeaning(followHead{Meaning: d.Meaning}, d.Notes)
}

func orOne(p *float64) float64 {
	if p == nil {
		return 1
	}
	return *p
}
