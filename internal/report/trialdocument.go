package report

import (
	"math"
	"slices"
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/follow/trial"
	"sapward/internal/exchange"
	"sapward/internal/lang"
)

// Schemas of the three documents of a trial.
const (
	TrialLayoutSchema   = "sapward/trial-layout/1"
	TrialPowerSchema    = "sapward/trial-power/1"
	TrialAnalysisSchema = "sapward/trial-analysis/1"
)

// TrialHead opens a trial's documents.
type TrialHead struct {
	Schema  string   `json:"schema"`
	Engine  string   `json:"engine"`
	Meaning []string `json:"meaning"`
}

// SaidNote is a note with its sentence.
type SaidNote struct {
	finding.Finding
	Text string `json:"text"`
}

// TrialWriter puts results of trials into documents. Buttons speaks of the
// app's pages where the command line would name its options.
type TrialWriter struct {
	Say     *lang.Printer
	Engine  string
	Buttons bool
}

// t says a message in the way of the command line or of the pages.
func (w TrialWriter) t(id string, a finding.Args) string {
	if w.Buttons && w.Say.Has("web-"+id) {
		id = "web-" + id
	}
	return w.Say.Say(id, a)
}

// Notes gives notes their sentences.
func (w TrialWriter) Notes(notes []finding.Finding) []SaidNote {
	out := SaidNotes(w.Say, notes)
	for i, n := range notes {
		if id := "web-mend-" + n.ID; w.Buttons && w.Say.Has(id) {
			text := w.Say.Say(n.ID, n.Args)
			if n.TreeCount > 0 {
				text += " (" + lang.TreeList(n) + ")"
			}
			out[i].Text = text + " " + w.Say.Say(id, n.Args)
		}
	}
	return out
}

// SaidNotes gives notes their sentences.
func SaidNotes(say *lang.Printer, notes []finding.Finding) []SaidNote {
	out := []SaidNote{}
	for _, n := range notes {
		plain := n
		plain.Args = exchange.DayNumbers(n.Args)
		text, mend := say.Finding(plain)
		if n.TreeCount > 0 {
			text += " (" + lang.TreeList(n) + ")"
		}
		if mend != "" {
			text += " " + mend
		}
		out = append(out, SaidNote{n, text})
	}
	return out
}

// TrialLayoutDocument is a layout with what it means.
type TrialLayoutDocument struct {
	TrialHead
	Name string `json:"name,omitempty"`
	trial.Layout
	Notes []SaidNote `json:"notes"`
}

// Layout puts a layout into a document.
func (w TrialWriter) Layout(name string, l trial.Layout) TrialLayoutDocument {
	d := TrialLayoutDocument{TrialHead: TrialHead{Schema: TrialLayoutSchema, Engine: w.Engine, Meaning: []string{}}, Name: name, Layout: l, Notes: w.Notes(l.Notes)}
	mean := func(id string, a finding.Args) { d.Meaning = append(d.Meaning, w.t(id, a)) }
	a := finding.Args{"plots": finding.Count(len(l.Plots)), "treatments": finding.Text(strings.Join(l.Treatments, ", ")), "replicates": finding.Count(l.Replicates),
		"trees": finding.Count(l.TreesPerPlot), "seed": finding.Text(strconv.FormatUint(l.Seed, 10)), "df": finding.Count(l.ResidualDF)}
	mean("trial-layout-mean-"+string(l.Design), a)
	if l.BlockBy != "" {
		mean("trial-layout-by-"+string(l.BlockBy), nil)
	}
	mean("trial-layout-seed", a)
	mean("trial-layout-df", a)
	return d
}

// TrialPowerDocument is the power with what it means.
type TrialPowerDocument struct {
	TrialHead
	Names []string `json:"names"`
	trial.PowerReport
	Notes []SaidNote `json:"notes"`
}

// Power puts a report of power into a document. Treatments without a name are
// numbered.
func (w TrialWriter) Power(names []string, r trial.PowerReport) TrialPowerDocument {
	say := w.Say
	names = slices.Clone(names)
	for i := len(names); i < len(r.Means); i++ {
		names = append(names, say.Say("trial-treatment-n", finding.Args{"n": finding.Count(i)}))
	}
	d := TrialPowerDocument{TrialHead: TrialHead{Schema: TrialPowerSchema, Engine: w.Engine, Meaning: []string{}}, Names: names, PowerReport: r, Notes: w.Notes(r.Notes)}
	mean := func(id string, a finding.Args) { d.Meaning = append(d.Meaning, w.t(id, a)) }
	a := finding.Args{"target": finding.Number(100*r.Target, "pct"), "sims": finding.Count(r.Sims), "seed": finding.Text(strconv.FormatUint(r.Seed, 10)), "test": finding.Text(say.T("trial-power-test-" + r.Compare))}
	if r.Needed == nil {
		mean("trial-power-mean-none", a)
	} else {
		a["replicates"], a["trees"] = finding.Count(*r.Needed), finding.Count(*r.NeedTrees)
		mean("trial-power-mean", a)
	}
	mean(r.Assumption, nil)
	mean("trial-power-sims", a)
	return d
}

// MeansText names the means that were asked for.
func (d TrialPowerDocument) MeansText() string {
	parts := make([]string, len(d.Means))
	for i, m := range d.Means {
		parts[i] = d.Names[i] + " " + lang.Figure(m, 3)
	}
	return strings.Join(parts, ", ")
}

// TrialAnalysisDocument is an analysis with what it means, and what it was made
// from.
type TrialAnalysisDocument struct {
	TrialHead
	Name  string `json:"name,omitempty"`
	Value string `json:"value_column"`
	trial.Analysis
	Notes []SaidNote `json:"notes"`

	Laid  *TrialLayoutDocument `json:"-"`
	Rows  []trial.Observation  `json:"-"`
	About map[string]string    `json:"-"`
}

// Analysis puts an analysis of rows into a document.
func (w TrialWriter) Analysis(name, value string, a trial.Analysis, rows []trial.Observation, laid *TrialLayoutDocument) TrialAnalysisDocument {
	return TrialAnalysisDocument{TrialHead: TrialHead{Schema: TrialAnalysisSchema, Engine: w.Engine, Meaning: w.meaning(a)}, Name: name, Value: value, Analysis: a,
		Notes: w.Notes(a.Notes), Laid: laid, Rows: rows}
}

// meaning says what the comparisons show, each with its interval.
func (w TrialWriter) meaning(d trial.Analysis) []string {
	say := w.Say
	var out []string
	mean := func(id string, a finding.Args) { out = append(out, w.t(id, a)) }
	base := finding.Args{"plots": finding.Count(d.Plots), "trees": finding.Count(d.Trees), "missing": finding.Count(len(d.Missing)), "confidence": finding.Number(100*d.Confidence, "pct")}
	mean("trial-mean-rests", base)
	if d.Why != "" {
		mean("trial-mean-no-verdict", finding.Args{"control": finding.Text(d.Control)})
		return out
	}
	interval := func(low, high float64) finding.Value {
		return finding.Text(TrialInterval(say, &low, &high, 3))
	}
	dunnett := slices.ContainsFunc(d.Comparisons, func(c trial.Comparison) bool { return c.Method == "dunnett" })
	for _, c := range d.Comparisons {
		if c.Factor != "treatment" || c.Method == "tukey" && dunnett && (c.A == d.Control || c.B == d.Control) {
			continue // said by Dunnett
		}
		a := finding.Args{"a": finding.Text(c.A), "b": finding.Text(c.B), "difference": finding.Text(SignedFigure(c.Difference)), "interval": interval(c.Low, c.High),
			"confidence": finding.Number(100*d.Confidence, "pct")}
		switch {
		case c.Low > 0:
			mean("trial-mean-higher", a)
		case c.High < 0:
			mean("trial-mean-lower", a)
		default:
			mean("trial-mean-open", a)
		}
	}
	if d.Transform != trial.Plain {
		mean("trial-mean-transformed", finding.Args{"transform": finding.Text(say.T("trial-transform-" + string(d.Transform)))})
	}
	for _, x := range d.Effects {
		if x.Low == nil || x.High == nil || *x.Low <= 0 && *x.High >= 0 {
			continue // open, as said above
		}
		id, effect, low, high := "trial-mean-effect", *x.Pct, *x.Low, *x.High
		if effect < 0 {
			id, effect, low, high = "trial-mean-effect-more", -effect, -high, -low
		}
		mean(id, finding.Args{"treatment": finding.Text(x.Treatment), "control": finding.Text(d.Control), "effect": finding.Text(SignificantFigure(&effect, 3)), "interval": interval(low, high)})
	}
	return out
}

// NoFigure stands where a figure cannot be given.
const NoFigure = "–"

// SignificantFigure writes a figure with that many digits, without an exponent.
func SignificantFigure(p *float64, digits int) string {
	if p == nil || math.IsNaN(*p) || math.IsInf(*p, 0) {
		return NoFigure
	}
	if *p == 0 {
		return "0"
	}
	return lang.Figure(*p, min(12, max(0, digits-1-int(math.Floor(math.Log10(math.Abs(*p)))))))
}

// SignedFigure writes a difference with its sign.
func SignedFigure(x float64) string {
	s := SignificantFigure(&x, 3)
	if x > 0 {
		return "+" + s
	}
	return s
}

// TrialInterval writes an interval; a side without limit is said in words.
func TrialInterval(say *lang.Printer, low, high *float64, digits int) string {
	if low == nil && high == nil {
		return NoFigure
	}
	side := func(p *float64) string {
		if p == nil {
			return say.T("follow-no-limit")
		}
		return SignificantFigure(p, digits)
	}
	return say.Say("follow-between", finding.Args{"low": finding.Text(side(low)), "high": finding.Text(side(high))})
}
