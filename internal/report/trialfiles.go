package report

import (
	"encoding/json"
	"io"
	"strings"
	"time"

	"sapward/follow/trial"
	"sapward/internal/exchange"
	"sapward/internal/lang"
)

// TrialFile is one file of a trial's folder.
type TrialFile struct {
	Name  string
	Write func(io.Writer) error
}

// Names of the files that Files of a layout and of an analysis may hold.
var (
	TrialLayoutNames   = []string{"layout.json", "plots.csv", "trees.csv", "assessor.csv", "map.pdf", "labels.pdf", "assessor.pdf"}
	TrialAnalysisNames = []string{"report.pdf", "analysis.json", "layout.json", "observations.csv", "means.csv", "comparisons.csv", "anova.csv", "residuals.csv"}
)

// trialDate stands inside the PDFs, so that the same trial gives the same bytes.
var trialDate = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)

// Files are the papers and tables of a layout: for the person who treats, and
// for the assessor without treatments.
func (d *TrialLayoutDocument) Files(say *lang.Printer, paper string) []TrialFile {
	in := TrialInput{Layout: &d.Layout, Name: d.Name, Engine: d.Engine, Say: say, Paper: paper, Created: trialDate}
	return []TrialFile{
		{"layout.json", func(w io.Writer) error { return writeTrialJSON(w, d) }}, {"plots.csv", d.plotTable}, {"trees.csv", d.treeTable}, {"assessor.csv", d.assessorTable},
		{"map.pdf", func(w io.Writer) error { return TrialMap(w, in) }},
		{"labels.pdf", func(w io.Writer) error { return TrialLabels(w, in) }},
		{"assessor.pdf", func(w io.Writer) error { return TrialAssessor(w, in) }},
	}
}

// Files are the data package: the report, the document, the layout with its seed
// and every table as CSV.
func (d *TrialAnalysisDocument) Files(say *lang.Printer, paper string) []TrialFile {
	in := TrialInput{Analysis: &d.Analysis, Name: d.Name, Value: d.Value, About: d.About, Meaning: d.Meaning, Engine: d.Engine, Say: say, Paper: paper, Created: trialDate}
	if d.Laid != nil {
		in.Layout = &d.Laid.Layout
		if in.Name == "" {
			in.Name = d.Laid.Name
		}
	}
	for _, n := range d.Notes {
		in.Notes = append(in.Notes, n.Text)
	}
	files := []TrialFile{
		{"analysis.json", func(w io.Writer) error { return writeTrialJSON(w, d) }},
		{"observations.csv", d.observationTable}, {"means.csv", d.meanTable}, {"comparisons.csv", d.comparisonTable}, {"anova.csv", d.anovaTable}, {"residuals.csv", d.residualTable},
	}
	if d.Laid != nil {
		files = append(files, TrialFile{"layout.json", func(w io.Writer) error { return writeTrialJSON(w, d.Laid) }})
	}
	return append(files, TrialFile{"report.pdf", func(w io.Writer) error { return TrialReport(w, in) }})
}

func writeTrialJSON(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	return enc.Encode(v)
}

// csvTable writes a table with its header.
func csvTable(w io.Writer, head []string, rows func(*exchange.RowWriter)) error {
	t := exchange.NewRowWriter(w)
	for _, h := range head {
		t.Text(h)
	}
	t.End()
	rows(t)
	return t.Close()
}

func (d *TrialLayoutDocument) plotTable(w io.Writer) error {
	return csvTable(w, []string{"plot", "block", "main_plot", "treatment", "sub", "letter", "trees", "mean_size_cm", "mean_distance_m"}, func(t *exchange.RowWriter) {
		for _, p := range d.Plots {
			t.Int(p.Plot)
			t.Text(p.Block)
			optionalInt(t, p.Main)
			t.Text(p.Treatment)
			t.Text(p.Sub)
			t.Text(p.Letter)
			t.Text(strings.Join(p.Trees, " "))
			optional(t, p.SizeCM, 1)
			optional(t, p.DistanceM, 1)
			t.End()
		}
	})
}

func optionalInt(t *exchange.RowWriter, n int) {
	if n == 0 {
		t.Blank()
		return
	}
	t.Int(n)
}

func optional(t *exchange.RowWriter, p *float64, decimals int) {
	if p == nil {
		t.Blank()
		return
	}
	t.Float(*p, decimals)
}

func (d *TrialLayoutDocument) treeTable(w io.Writer) error {
	return csvTable(w, []string{"tree", "role", "plot", "x_m", "y_m"}, func(t *exchange.RowWriter) {
		for _, x := range d.Trees {
			t.Text(x.Tree)
			t.Text(x.Role)
			optionalInt(t, x.Plot)
			optional(t, x.X, 2)
			optional(t, x.Y, 2)
			t.End()
		}
	})
}

// assessorTable is the table an assessor fills in; it tells neither treatment
// nor block.
func (d *TrialLayoutDocument) assessorTable(w io.Writer) error {
	return csvTable(w, []string{"plot", "tree", "date", "value", "reason", "assessor"}, func(t *exchange.RowWriter) {
		for _, p := range d.Plots {
			for _, tree := range p.Trees {
				t.Int(p.Plot)
				t.Text(tree)
				for range 4 {
					t.Blank()
				}
				t.End()
			}
		}
	})
}

func (d *TrialAnalysisDocument) observationTable(w io.Writer) error {
	return csvTable(w, []string{"plot", "tree", "block", "treatment", "sub", d.Value, "covariate", "reason"}, func(t *exchange.RowWriter) {
		for _, r := range d.Rows {
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

func (d *TrialAnalysisDocument) meanTable(w io.Writer) error {
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

func (d *TrialAnalysisDocument) comparisonTable(w io.Writer) error {
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

func (d *TrialAnalysisDocument) anovaTable(w io.Writer) error {
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

func (d *TrialAnalysisDocument) residualTable(w io.Writer) error {
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
