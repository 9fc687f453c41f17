package cli

import (
	"io"
	"time"

	"sapward/follow/trial"
	"sapward/internal/exchange"
	"sapward/internal/report"
)

// trialFile is one file of a trial's folder.
type trialFile = struct {
	name  string
	write func(io.Writer) error
}

// write makes the data package: the report, the document, the layout with its
// seed and every table as CSV.
func (d *trialAnalysisDocument) write(e *env, dir, size string) error {
	known := []string{"report.pdf", "analysis.json", "layout.json", "observations.csv", "means.csv", "comparisons.csv", "anova.csv", "residuals.csv"}
	files := []trialFile{
		{"analysis.json", func(w io.Writer) error { return writeJSON(w, d) }},
		{"observations.csv", d.observationTable}, {"means.csv", d.meanTable}, {"comparisons.csv", d.comparisonTable}, {"anova.csv", d.anovaTable}, {"residuals.csv", d.residualTable},
	}
	if d.layout != nil {
		files = append(files, trialFile{"layout.json", func(w io.Writer) error { return writeJSON(w, d.layout) }})
	}
	files = append(files, d.paper(e, size)...)
	return exchange.WriteFolder(dir, known, func(f *exchange.Folder) error {
		for _, x := range files {
			if err := f.File(x.name, x.write); err != nil {
				return err
			}
		}
		return nil
	})
}

func (d *trialAnalysisDocument) observationTable(w io.Writer) error {
	return csvTable(w, []string{"plot", "tree", "block", "treatment", "sub", d.Value, "covariate", "reason"}, func(t *exchange.RowWriter) {
		for _, r := range d.rows {
			for _, s := range []string{r.Plot, r.Tree, r.Block, r.Treatment, r.Sub} {
				t.Text(s)
			}
			optional(t, r.Value, 9)
			optional(t, r.Covariate, 9)
			t.Text(r.Reason)
			t.End()
		}
	})
}

func (d *trialAnalysisDocument) meanTable(w io.Writer) error {
	return csvTable(w, []string{"treatment", "sub", "plots", "mean", "se", "df", "low", "high", "back", "back_low", "back_high"}, func(t *exchange.RowWriter) {
		for _, list := range [][]trial.Mean{d.Means, d.SubMeans, d.CellMeans} {
			for _, m := range list {
				t.Text(m.Treatment)
				t.Text(m.Sub)
				t.Int(m.N)
				for _, p := range []*float64{&m.Mean, m.SE, m.DF, m.Low, m.High, m.Back, m.BackLow, m.BackHigh} {
					optional(t, p, 9)
				}
				t.End()
			}
		}
	})
}

func (d *trialAnalysisDocument) comparisonTable(w io.Writer) error {
	return csvTable(w, []string{"method", "factor", "a", "b", "difference", "se", "t", "df", "critical", "low", "high", "p"}, func(t *exchange.RowWriter) {
		for _, c := range d.Comparisons {
			for _, s := range []string{c.Method, c.Factor, c.A, c.B} {
				t.Text(s)
			}
			for _, x := range []float64{c.Difference, c.SE, c.T} {
				t.Float(x, 9)
			}
			t.Int(c.DF)
			for _, x := range []float64{c.Critical, c.Low, c.High} {
				t.Float(x, 9)
			}
			optional(t, c.P, 9)
			t.End()
		}
	})
}

func (d *trialAnalysisDocument) anovaTable(w io.Writer) error {
	return csvTable(w, []string{"stratum", "source", "df", "ss", "ms", "f", "p"}, func(t *exchange.RowWriter) {
		for _, l := range d.Table {
			t.Text(l.Stratum)
			t.Text(l.Source)
			t.Int(l.DF)
			for _, p := range []*float64{l.SS, l.MS, l.F, l.P} {
				optional(t, p, 9)
			}
			t.End()
		}
	})
}

func (d *trialAnalysisDocument) residualTable(w io.Writer) error {
	return csvTable(w, []string{"plot", "block", "treatment", "sub", "fitted", "residual", "standard", "normal"}, func(t *exchange.RowWriter) {
		for _, r := range d.Residuals {
			for _, s := range []string{r.Plot, r.Block, r.Treatment, r.Sub} {
				t.Text(s)
			}
			t.Float(r.Fitted, 9)
			t.Float(r.Residual, 9)
			optional(t, r.Standard, 9)
			t.Float(r.Normal, 9)
			t.End()
		}
	})
}

// trialDate stands inside the PDFs, so that the same trial gives the same bytes.
var trialDate = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)

// papers are the PDFs of a layout.
func (d *trialLayoutDocument) papers(e *env, size string) []trialFile {
	in := report.TrialInput{Layout: &d.Layout, Name: d.Name, Engine: Version, Say: e.say, Paper: size, Created: trialDate}
	return []trialFile{
		{"map.pdf", func(w io.Writer) error { return report.TrialMap(w, in) }},
		{"labels.pdf", func(w io.Writer) error { return report.TrialLabels(w, in) }},
		{"assessor.pdf", func(w io.Writer) error { return report.TrialAssessor(w, in) }},
	}
}

// paper is the report of an analysis.
func (d *trialAnalysisDocument) paper(e *env, size string) []trialFile {
	in := report.TrialInput{Analysis: &d.Analysis, Name: d.Name, Value: d.Value, About: d.about, Meaning: d.Meaning, Engine: Version, Say: e.say, Paper: size, Created: trialDate}
	if d.layout != nil {
		in.Layout = &d.layout.Layout
		if in.Name == "" {
			in.Name = d.layout.Name
		}
	}
	for _, n := range d.Notes {
		in.Notes = append(in.Notes, n.Text)
	}
	return []trialFile{{"report.pdf", func(w io.Writer) error { return report.TrialReport(w, in) }}}
}
