package report

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/follow/trial"
	"sapward/internal/draw"
	"sapward/internal/lang"
)

// TrialReport writes the report of a trial in the order that EPPO PP 1/181
// (4) (2012) asks for, as far as its paraphrases show: purpose, site, trees,
// soil and care, growth at treatment, design with the plot diagram, treatments,
// assessments, weather, results, injury, analysis. What the user did not tell
// stands as not given.
//
// Errors: no language, an unknown paper, no analysis, or the writer's own.
func TrialReport(w io.Writer, in TrialInput) error {
	p, err := openTrial(in, "trial-paper-report")
	if err != nil {
		return err
	}
	if in.Analysis == nil {
		return fmt.Errorf("report: no analysis given")
	}
	p.section(join(": ", p.t("trial-paper-report"), in.Name), in.Value)
	fields := func(head string, names ...string) {
		p.subhead(p.t(head))
		t := p.newTable(column{share: 2}, column{share: 5})
		t.begun = true
		for _, n := range names {
			v := in.About[n]
			if v == "" {
				v = p.t("trial-paper-notgiven")
			}
			t.row(p.t("trial-field-"+strings.ReplaceAll(n, "_", "-")), v)
		}
		p.y += 1.5
	}
	fields("trial-report-1", "purpose")
	fields("trial-report-2", "site", "coordinates")
	fields("trial-report-3", "species", "cultivar", "rootstock", "spacing", "training", "height", "age", "bearing")
	fields("trial-report-4", "soil", "fertiliser", "irrigation")
	fields("trial-report-5", "growth")
	if err := p.design(fields); err != nil {
		return err
	}
	fields("trial-report-7", "test_product", "reference_product", "application", "target", "infection")
	fields("trial-report-8", "variables", "dates", "assessor")
	fields("trial-report-9", "weather")
	if err := p.results(); err != nil {
		return err
	}
	fields("trial-report-11", "phytotoxicity", "wounds")
	if err := p.analysis(); err != nil {
		return err
	}
	p.subhead(p.t("trial-report-13"))
	for _, m := range in.Meaning {
		p.paragraph(m, text{})
		p.y += 0.6
	}
	p.y += 1.5
	for _, n := range in.Notes {
		p.paragraph("· "+n, text{size: small, gray: muted})
		p.y += 0.4
	}
	fields2 := in.About["deviations"]
	if fields2 != "" {
		p.subhead(p.t("trial-field-deviations"))
		p.paragraph(fields2, text{})
	}
	return p.end(w, p.t("trial-paper-verdict-"+in.Analysis.Verdict))
}

// design is section 6: what was dealt how, and the plot diagram.
func (p *trialPaper) design(fields func(string, ...string)) error {
	fields("trial-report-6", "gross_plot", "net_plot", "guard")
	a, l := p.in.Analysis, p.in.Layout
	line := p.say.Say("trial-analysis-head", finding.Args{"design": finding.Text(p.t("trial-design-" + string(a.Design))), "value": finding.Text(p.in.Value), "plots": finding.Count(a.Plots), "treatments": finding.Count(len(a.Treatments)), "blocks": finding.Count(len(a.Blocks))})
	p.paragraph(line, text{})
	if l == nil {
		p.y += 2
		return nil
	}
	p.paragraph(p.say.Say("trial-layout-seed", finding.Args{"seed": finding.Text(strconv.FormatUint(l.Seed, 10))})+" "+p.t("trial-generator"), text{size: small, gray: muted})
	p.y += 1
	if err := p.plotMap(110); err != nil {
		return err
	}
	p.key()
	return nil
}

func shownFigure(x *float64, digits int) string {
	if x == nil || math.IsNaN(*x) || math.IsInf(*x, 0) {
		return "–"
	}
	if *x == 0 {
		return "0"
	}
	return lang.Figure(*x, min(9, max(0, digits-1-int(math.Floor(math.Log10(math.Abs(*x)))))))
}

func (p *trialPaper) interval(low, high *float64, digits int) string {
	if low == nil || high == nil {
		return "–"
	}
	return p.say.Say("follow-between", finding.Args{"low": finding.Text(shownFigure(low, digits)), "high": finding.Text(shownFigure(high, digits))})
}

// results is section 10: means with intervals, drawn and listed, differences,
// effect against the untreated.
func (p *trialPaper) results() error {
	a := p.in.Analysis
	p.need(40 + 7*float64(len(a.Means))) // the heading stays with its chart
	p.subhead(p.t("trial-report-10"))
	back := a.Transform != trial.Plain
	scene, ok, err := DrawTrialMeans(*a, p.in.Value, p.frame(p.width), p.say)
	if err != nil {
		return err
	}
	if ok {
		p.need(scene.Height / scene.Width * p.width)
		p.y += p.place(scene, p.x, p.y, p.width, 0) + 2
	}
	cols := []column{{head: p.t("col-treatment"), share: 3, bold: true}, {head: p.t("trial-col-plots"), share: 1, right: true}, {head: p.t("trial-col-mean"), share: 1.4, right: true}, {head: p.t("col-se"), share: 1.2, right: true}, {head: p.t("col-interval"), share: 2.6}}
	if back {
		cols = append(cols, column{head: p.t("trial-col-back"), share: 1.4, right: true}, column{head: p.t("col-interval"), share: 2.6})
	}
	t := p.newTable(cols...)
	for _, list := range [][]trial.Mean{a.Means, a.SubMeans, a.CellMeans} {
		for _, m := range list {
			cells := []string{join(" / ", m.Treatment, m.Sub), strconv.Itoa(m.N), shownFigure(&m.Mean, 4), shownFigure(m.SE, 3), p.interval(m.Low, m.High, 4)}
			if back {
				cells = append(cells, shownFigure(m.Back, 4), p.interval(m.BackLow, m.BackHigh, 4))
			}
			t.row(cells...)
		}
	}
	p.y += 3
	if len(a.Comparisons) > 0 {
		p.subhead(p.t("trial-head-comparisons"))
		t = p.newTable(column{head: p.t("trial-col-method"), share: 1.4}, column{head: p.t("trial-col-a"), share: 2.4, bold: true}, column{head: p.t("trial-col-b"), share: 2.4}, column{head: p.t("trial-col-difference"), share: 1.6, right: true}, column{head: p.t("col-interval"), share: 2.8}, column{head: p.t("trial-col-p"), share: 1.3, right: true})
		for _, c := range a.Comparisons {
			pv := "–"
			if c.P != nil {
				pv = probability(*c.P)
			}
			t.row(p.t("trial-method-"+c.Method), c.A, c.B, shownFigure(&c.Difference, 3), p.interval(&c.Low, &c.High, 3), pv)
		}
		p.paragraph(p.t("trial-comparisons-note"), text{size: small, gray: muted})
		p.y += 2
	}
	if slices.ContainsFunc(a.Effects, func(e trial.Effect) bool { return e.Pct != nil }) {
		p.subhead(p.t("trial-head-effects"))
		t = p.newTable(column{head: p.t("col-treatment"), share: 3, bold: true}, column{head: p.t("trial-col-effect"), share: 1.6, right: true}, column{head: p.t("col-interval"), share: 4})
		for _, e := range a.Effects {
			t.row(e.Treatment, shownFigure(e.Pct, 3), p.interval(e.Low, e.High, 3))
		}
		p.y += 3
	}
	return nil
}

// DrawTrialMeans is the picture of the means with their intervals, for paper and
// screen; ok is false where no mean has one.
func DrawTrialMeans(a trial.Analysis, value string, f draw.Frame, say *lang.Printer) (scene draw.Scene, ok bool, err error) {
	var rows []draw.MeanRow
	for _, m := range a.Means {
		mean, low, high := &m.Mean, m.Low, m.High
		if a.Transform != trial.Plain {
			mean, low, high = m.Back, m.BackLow, m.BackHigh
		}
		if mean == nil || low == nil || high == nil {
			continue
		}
		rows = append(rows, draw.MeanRow{Name: m.Treatment, Mean: *mean, Low: *low, High: *high, Mark: m.Treatment == a.Control})
	}
	if len(rows) == 0 {
		return scene, false, nil
	}
	axis := value + ": " + say.Say("trial-report-axis-mean", finding.Args{"confidence": finding.Number(100*a.Confidence, "pct")})
	if f.Title == "" {
		f.Title = say.T("trial-head-means")
	}
	scene, err = draw.DrawMeanChart(draw.MeanChart{Frame: f, Rows: rows, Axis: axis, Zero: true})
	return scene, true, err
}

// DrawTrialResiduals are the residuals against fitted values and against normal
// quantiles, each in its frame; ok is false for under three.
func DrawTrialResiduals(a trial.Analysis, left, right draw.Frame, say *lang.Printer) (byFitted, byNormal draw.Scene, ok bool, err error) {
	var fitted, normal []draw.ScatterPoint
	for _, r := range a.Residuals {
		if r.Standard == nil {
			continue
		}
		g := slices.Index(a.Treatments, r.Treatment)
		fitted = append(fitted, draw.ScatterPoint{X: r.Fitted, Y: *r.Standard, Group: g, Name: r.Plot})
		normal = append(normal, draw.ScatterPoint{X: r.Normal, Y: *r.Standard, Group: g, Name: r.Plot})
	}
	if len(fitted) < 3 {
		return byFitted, byNormal, false, nil
	}
	if byFitted, err = draw.DrawScatter(draw.Scatter{Frame: left, Points: fitted, XAxis: say.T("trial-report-fitted"), YAxis: say.T("trial-report-residual")}); err != nil {
		return byFitted, byNormal, true, err
	}
	byNormal, err = draw.DrawScatter(draw.Scatter{Frame: right, Points: normal, XAxis: say.T("trial-report-normal"), YAxis: say.T("trial-report-residual"), Line: true})
	return byFitted, byNormal, true, err
}

func probability(p float64) string {
	if p < 0.0001 {
		return "< 0.0001"
	}
	return lang.Fixed(p, 4)
}

// analysis is section 12: the table, the tests beside it and the residuals.
func (p *trialPaper) analysis() error {
	a := p.in.Analysis
	p.subhead(p.t("trial-report-12"))
	t := p.newTable(column{head: p.t("trial-col-stratum"), share: 1.6}, column{head: p.t("trial-col-source"), share: 2.6}, column{head: p.t("col-df"), share: 0.8, right: true}, column{head: p.t("trial-col-ss"), share: 1.6, right: true}, column{head: p.t("trial-col-ms"), share: 1.6, right: true}, column{head: p.t("trial-col-fvalue"), share: 1.1, right: true}, column{head: p.t("col-p"), share: 1.2, right: true})
	for _, l := range a.Table {
		pv := "–"
		if l.P != nil {
			pv = probability(*l.P)
		}
		t.row(p.t("trial-stratum-"+l.Stratum), p.t("trial-source-"+strings.ReplaceAll(l.Source, ":", "-")), strconv.Itoa(l.DF), shownFigure(l.SS, 6), shownFigure(l.MS, 6), shownFigure(l.F, 4), pv)
	}
	p.y += 2
	if a.CVPct != nil {
		p.paragraph(p.say.Say("trial-cv", finding.Args{"cv": finding.Text(lang.Fixed(*a.CVPct, 1))}), text{})
	}
	for _, x := range a.Permutations {
		id := "trial-permuted"
		if x.Exact {
			id = "trial-permuted-all"
		}
		p.paragraph(p.say.Say(id, finding.Args{"factor": finding.Text(p.t("trial-source-" + x.Factor)), "p": finding.Text(probability(x.P)), "runs": finding.Count(x.Runs), "seed": finding.Text(strconv.FormatUint(a.Seed, 10))}), text{})
	}
	if a.Ranks != nil {
		p.paragraph(p.say.Say("trial-ranked-"+a.Ranks.Test, finding.Args{"chi2": finding.Text(shownFigure(&a.Ranks.Chi2, 4)), "df": finding.Count(a.Ranks.DF), "p": finding.Text(probability(a.Ranks.P))}), text{})
	}
	return p.residuals()
}

// residuals draws residuals against fitted values and normal quantiles.
func (p *trialPaper) residuals() error {
	a := p.in.Analysis
	half := (p.width - gutter) / 2
	left, right, ok, err := DrawTrialResiduals(*a, p.frame(half), p.frame(half), p.say)
	if err != nil || !ok {
		return err
	}
	h := left.Height / left.Width * half
	p.need(h + 26)
	p.subhead(p.t("trial-report-residuals"))
	p.place(left, p.x, p.y, half, 0)
	p.place(right, p.x+half+gutter, p.y, half, 0)
	p.y += h + 1
	x := p.x
	for i, name := range a.Treatments {
		w := p.measure(name, text{size: small}) + 9
		if x+w > p.x+p.width {
			x = p.x
			p.y += 4
		}
		p.place(draw.ScatterKey(i), x, p.y, 3, 0)
		p.put(x+4, p.y+2.5, name, text{size: small})
		x += w
	}
	p.y += 5
	p.paragraph(p.t("trial-report-residuals-read"), text{size: small, gray: muted})
	p.y += 2
	return nil
}
