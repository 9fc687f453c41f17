package web

import (
	"html/template"
	"slices"
	"strconv"
	"strings"

	"sapward/follow/trial"
	"sapward/internal/app"
	"sapward/internal/draw"
	"sapward/internal/lang"
	"sapward/internal/report"
)

// trialAnalysisPage is the analysis of a trial: the verdict, the means as a
// picture, tables, tests and residuals.
type trialAnalysisPage struct {
	app.TrialAnswer
	Here, Query      string
	What             string
	Verdict, Why     string
	Parts            []followPart
	Lines, Notes     []string
	Residuals        []template.HTML
	Keys             []trialLetter
	Ask              []input
	Faults           []string
	TestLines, Folds []string
}

func (c *call) trialQuestion() app.TrialQuestion {
	return app.TrialQuestion{Variable: c.field("of"), Covariate: c.field("covariate"), Transform: c.field("transform"), Compare: c.field("compare")}
}

// analysisDocument puts an analysis into a document.
func (c *call) analysisDocument(a app.TrialAnswer, laid *report.TrialLayoutDocument) *report.TrialAnalysisDocument {
	d := c.trialWriter().Analysis(a.Facts.Name, c.variable(a.Variable), a.Analysis, a.Rows, laid)
	d.About = map[string]string{}
	for k, v := range a.Facts.About {
		d.About[k] = v
	}
	if d.About["species"] == "" {
		d.About["species"] = a.Block.Facts.Species
	}
	if d.About["site"] == "" {
		d.About["site"] = a.Estate.Facts.Name + ", " + a.Block.Facts.Name
	}
	if d.About["variables"] == "" {
		d.About["variables"] = c.variable(a.Variable)
	}
	return &d
}

// trialAnalysis shows the analysis.
func (s *Server) trialAnalysis(c *call) error {
	question := c.trialQuestion()
	a, err := s.app.AnalyseTrial(c.r.Context(), c.actor, c.id(), question)
	fs, bad := usable(err)
	if err != nil && !bad {
		return err
	}
	c.Zone = a.Estate.Facts.Location()
	p := &trialAnalysisPage{TrialAnswer: a, Here: "/trials/" + a.ID, Faults: c.lines(fs)}
	p.Query = "of=" + queryEscape(a.Question.Variable) + "&covariate=" + queryEscape(question.Covariate) + "&transform=" + queryEscape(question.Transform) + "&compare=" + queryEscape(question.Compare)
	if a.Rated {
		p.What = c.variable(a.Variable)
	}
	c.trialAsk(p)
	if a.Rated && err == nil {
		c.analysed(p)
	}
	c.Sub = a.Facts.Name
	trail := append(c.blockTrail(a.Estate, a.Block), crumb{c.T("trialweb-title"), "/blocks/" + a.Block.ID + "/trials"}, crumb{a.Facts.Name, p.Here})
	if bad {
		return c.again("trialanalysis", c.T("trialweb-analysis"), p, trail...)
	}
	return c.show("trialanalysis", c.T("trialweb-analysis"), p, trail...)
}

// trialAsk is the form of what to analyse and how.
func (c *call) trialAsk(p *trialAnalysisPage) {
	var of, before, transform, compare []option
	for i := len(p.Variables) - 1; i >= 0; i-- {
		of = append(of, option{p.Variables[i].ID, c.variable(p.Variables[i])})
	}
	before = append(before, option{"", c.T("trialweb-covariate-none")})
	for _, on := range p.Covariates {
		if p.Variable.ID != app.VariableVisit+":"+on {
			before = append(before, option{on, c.S("trialweb-var-visit", "on", on)})
		}
	}
	for _, x := range []string{"none", "arcsine", "log", "sqrt"} {
		if x != "arcsine" || p.Variable.Scale == trial.Percent {
			transform = append(transform, option{x, c.T("trialweb-transform-" + x)})
		}
	}
	for _, x := range []string{"", "dunnett", "tukey", "both"} {
		compare = append(compare, option{x, c.T("trialweb-compare-" + orElse(x, "auto"))})
	}
	p.Ask = []input{
		{Name: "of", Label: c.T("trialweb-of"), Value: p.Question.Variable, Kind: "select", Options: of},
		{Name: "transform", Label: c.T("trialweb-transform"), Value: orElse(p.Question.Transform, "none"), Kind: "select", Options: transform, Hint: c.T("trialweb-transform-hint")},
		{Name: "compare", Label: c.T("trialweb-compare"), Value: p.Question.Compare, Kind: "select", Options: compare},
	}
	if len(before) > 1 && p.Facts.Layout.Design != trial.SplitPlot {
		p.Ask = append(p.Ask, input{Name: "covariate", Label: c.T("trialweb-covariate"), Value: p.Question.Covariate, Kind: "select", Options: before, Hint: c.T("trialweb-covariate-hint")})
	}
}

// verdict is what the analysis comes to, in one sentence.
func (c *call) verdict(a trial.Analysis) string {
	if a.Why != "" {
		return c.S("trial-mean-no-verdict", "control", a.Control)
	}
	var told, open []string
	pairs, differ := 0, 0
	dunnett := slices.ContainsFunc(a.Comparisons, func(x trial.Comparison) bool { return x.Method == "dunnett" })
	for _, x := range a.Comparisons {
		if x.Factor != "treatment" || dunnett != (x.Method == "dunnett") {
			continue
		}
		pairs++
		if x.Shown() {
			differ++
			told = append(told, x.A+" ("+report.SignedFigure(x.Difference)+")")
		} else {
			open = append(open, x.A)
		}
	}
	switch {
	case pairs == 0:
		return c.T("trialweb-verdict-none")
	case !dunnett && differ == 0:
		return c.S("trialweb-verdict-pairs-open", "pairs", pairs)
	case !dunnett:
		return c.S("trialweb-verdict-pairs", "differ", differ, "pairs", pairs)
	case differ == 0:
		return c.S("trialweb-verdict-open", "control", a.Control, "list", strings.Join(open, ", "))
	case len(open) == 0:
		return c.S("trialweb-verdict-all", "control", a.Control, "list", strings.Join(told, ", "))
	}
	return c.S("trialweb-verdict-some", "control", a.Control, "list", strings.Join(told, ", "), "rest", strings.Join(open, ", "))
}

// analysed puts the analysis into pictures, sentences and tables.
func (c *call) analysed(p *trialAnalysisPage) {
	a := p.Analysis
	name := c.variable(p.Variable)
	d := c.trialWriter().Analysis(p.Facts.Name, name, a, p.Rows, nil)
	p.Verdict, p.Lines = c.verdict(a), d.Meaning
	for _, n := range d.Notes {
		p.Notes = append(p.Notes, c.T("severity-"+string(n.Severity))+": "+n.Text)
	}
	between := func(low, high *float64, digits int) string { return report.TrialInterval(c.Printer, low, high, digits) }
	back := a.Transform != trial.Plain
	means := followPart{Anchor: "means", Title: c.T("trial-head-means"), Heads: []string{c.T("col-treatment"), ">" + c.T("trial-col-plots"), ">" + c.T("trial-col-mean"), ">" + c.T("col-se"), c.T("col-interval")},
		Picture: c.chart("means", func(f draw.Frame) (draw.Scene, bool, error) { return report.DrawTrialMeans(a, name, f, c.Printer) })}
	if back {
		means.Heads = append(means.Heads, ">"+c.T("trial-col-back"), c.T("col-interval"))
	}
	for _, list := range [][]trial.Mean{a.Means, a.SubMeans, a.CellMeans} {
		for _, m := range list {
			label := strings.Trim(m.Treatment+" / "+m.Sub, " /")
			row := []string{label, strconv.Itoa(m.N), report.SignificantFigure(&m.Mean, 4), report.SignificantFigure(m.SE, 3), between(m.Low, m.High, 4)}
			if back {
				row = append(row, report.SignificantFigure(m.Back, 4), between(m.BackLow, m.BackHigh, 4))
			}
			means.Rows = append(means.Rows, row)
		}
	}
	p.Parts = append(p.Parts, means)
	if len(a.Comparisons) > 0 {
		part := followPart{Anchor: "differences", Title: c.T("trial-head-comparisons"), TableHint: c.T("trial-comparisons-note"),
			Heads: []string{c.T("trial-col-a"), c.T("trial-col-b"), c.T("trial-col-method"), ">" + c.T("trial-col-difference"), c.T("col-interval"), ">" + c.T("trial-col-p")}}
		for _, x := range a.Comparisons {
			part.Rows = append(part.Rows, []string{x.A, x.B, c.T("trial-method-" + x.Method), report.SignedFigure(x.Difference), between(&x.Low, &x.High, 3), probabilityOf(x.P)})
		}
		p.Parts = append(p.Parts, part)
	}
	if slices.ContainsFunc(a.Effects, func(x trial.Effect) bool { return x.Pct != nil }) {
		part := followPart{Anchor: "effect", Title: c.T("trial-head-effects"), Heads: []string{c.T("col-treatment"), ">" + c.T("trial-col-effect"), c.T("col-interval")}}
		for _, x := range a.Effects {
			part.Rows = append(part.Rows, []string{x.Treatment, report.SignificantFigure(x.Pct, 3), between(x.Low, x.High, 3)})
		}
		p.Parts = append(p.Parts, part)
	}
	c.tests(p)
}

func probabilityOf(p *float64) string {
	if p == nil {
		return report.NoFigure
	}
	return report.Probability(*p)
}

// tests are the analysis of variance, the tests beside it and the residuals.
func (c *call) tests(p *trialAnalysisPage) {
	a := p.Analysis
	part := followPart{Anchor: "anova", Title: c.T("trial-head-anova"), Heads: []string{c.T("trial-col-source"), c.T("trial-col-stratum"), ">" + c.T("col-df"), ">" + c.T("trial-col-ss"), ">" + c.T("trial-col-ms"), ">" + c.T("trial-col-fvalue"), ">" + c.T("col-p")}}
	for _, l := range a.Table {
		part.Rows = append(part.Rows, []string{c.T("trial-source-" + strings.ReplaceAll(l.Source, ":", "-")), c.T("trial-stratum-" + l.Stratum), strconv.Itoa(l.DF),
			report.SignificantFigure(l.SS, 6), report.SignificantFigure(l.MS, 6), report.SignificantFigure(l.F, 4), probabilityOf(l.P)})
	}
	if a.CVPct != nil {
		part.Notes = append(part.Notes, c.S("trial-cv", "cv", lang.Fixed(*a.CVPct, 1)))
	}
	for _, x := range a.Permutations {
		part.Notes = append(part.Notes, c.S(pick(x.Exact, "trial-permuted-all", "trial-permuted"), "factor", c.T("trial-source-"+x.Factor), "p", report.Probability(x.P), "runs", x.Runs, "seed", strconv.FormatUint(a.Seed, 10)))
	}
	if a.Ranks != nil {
		part.Notes = append(part.Notes, c.S("trial-ranked-"+a.Ranks.Test, "chi2", report.SignificantFigure(&a.Ranks.Chi2, 4), "df", a.Ranks.DF, "p", report.Probability(a.Ranks.P)))
	}
	p.Parts = append(p.Parts, part)
	frame := func(id string, width float64) draw.Frame {
		return draw.Frame{WidthPx: width, ID: id, Words: draw.Words{Lang: c.Lang, DecimalMark: "."}}
	}
	for k, title := range []string{c.T("trial-report-fitted"), c.T("trial-report-normal")} {
		make := func(id string, width float64) (draw.Scene, bool, error) {
			left, right, ok, err := report.DrawTrialResiduals(a, frame(id, width), frame(id, width), c.Printer)
			if k == 1 {
				left = right
			}
			left.Title = title
			return left, ok, err
		}
		if _, ok, err := make("r", narrowDrawing); !ok || err != nil {
			return
		}
		id := "residual" + strconv.Itoa(k)
		wide, _, err := make(id, wideDrawing/2)
		narrow, _, narrowErr := make(id+"n", narrowDrawing)
		p.Residuals = append(p.Residuals, `<div class="at-desk">`+c.Picture(wide, err)+`</div><div class="on-phone">`+c.Picture(narrow, narrowErr)+`</div>`)
	}
	for i, t := range a.Treatments {
		sc := draw.ScatterKey(i)
		sc.ID, sc.Title = "dot"+strconv.Itoa(i), t
		p.Keys = append(p.Keys, trialLetter{Swatch: c.Picture(sc, nil), Name: t})
	}
}
