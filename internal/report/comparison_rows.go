package report

import (
	"math"
	"strings"

	"sapward/finding"
	"sapward/flow/compare"
	"sapward/flow/protect"
	"sapward/flow/sap"
	"sapward/internal/lang"
)

// ComparisonRow is one line of the table of both methods, a cell a method.
type ComparisonRow struct {
	Name  string
	Cells []string
}

// ComparisonRows is the table that sets the methods side by side: what the card
// says, what it takes, what the model says.
func ComparisonRows(say *lang.Printer, d *compare.Document) []ComparisonRow {
	var rows []ComparisonRow
	row := func(id string, cell func(m compare.MethodLine) string) {
		r := ComparisonRow{Name: say.T(id)}
		some := false
		for _, m := range d.Methods {
			s := cell(m)
			some = some || s != ""
			if s == "" {
				s = "–"
			}
			r.Cells = append(r.Cells, s)
		}
		if some {
			rows = append(rows, r)
		}
	}
	row("compare-row-card", func(m compare.MethodLine) string {
		if !m.Labelled {
			return say.T("compare-not-on-card")
		}
		return say.T("verdict-short-" + string(m.Verdict))
	})
	planned := func(f func(m compare.MethodLine) string) func(m compare.MethodLine) string {
		return func(m compare.MethodLine) string {
			if m.Planned == 0 {
				return ""
			}
			return f(m)
		}
	}
	row("compare-row-trees", planned(func(m compare.MethodLine) string {
		if m.Refused > 0 {
			return say.Say("compare-trees-refused", finding.Args{"planned": finding.Count(int(m.Planned)), "refused": finding.Count(int(m.Refused))})
		}
		return whole(m.Planned)
	}))
	row("compare-row-product", planned(func(m compare.MethodLine) string { return say.Volume(m.ProductML.ML()) }))
	row("compare-row-water", planned(func(m compare.MethodLine) string {
		if m.WaterML == 0 {
			return say.T("compare-no-water")
		}
		return say.Volume(m.WaterML.ML())
	}))
	row("compare-row-ports", planned(func(m compare.MethodLine) string { return whole(m.Ports) }))
	row("compare-row-hours", func(m compare.MethodLine) string {
		if m.CrewH == nil {
			return ""
		}
		return lang.Fixed(*m.CrewH, 0) + " h"
	})
	row("compare-row-cost", func(m compare.MethodLine) string {
		if m.Cost == nil {
			return ""
		}
		return Money(m.Cost.Total)
	})
	tree := func(f func(t compare.TreeLine) string) func(m compare.MethodLine) string {
		return func(m compare.MethodLine) string {
			if m.Tree == nil {
				return ""
			}
			return f(*m.Tree)
		}
	}
	row("compare-row-tree-ports", tree(func(t compare.TreeLine) string {
		return say.Say("compare-ports-of", finding.Args{"ports": finding.Count(t.Ports), "volume": finding.Text(say.Volume(t.DoseML.ML() / math.Max(1, float64(t.Ports+t.LimbPorts))))})
	}))
	row("compare-row-active", tree(func(t compare.TreeLine) string { return Figures(t.ActiveG) + " g" }))
	row("compare-row-wound", tree(func(t compare.TreeLine) string { return lang.Fixed(t.WoundPct, 1) + " %" }))
	row("compare-row-uptake", tree(func(t compare.TreeLine) string {
		if !t.Known {
			return say.T("compare-uptake-unknown")
		}
		return hoursText(say, t.UptakeH)
	}))
	band := func(get func(l compare.Line) protect.Band, unit string) func(m compare.MethodLine) string {
		return func(m compare.MethodLine) string {
			if m.Line == nil {
				return ""
			}
			s := BandText(say, get(*m.Line), 0)
			if unit != "" {
				s += " " + unit
			}
			return s
		}
	}
	row("compare-row-first", band(func(l compare.Line) protect.Band { return l.FirstDayD }, ""))
	row("compare-row-days", band(func(l compare.Line) protect.Band { return l.DaysAboveD }, ""))
	row("compare-row-peak", band(func(l compare.Line) protect.Band { return l.PeakCoveragePct }, "%"))
	row("compare-row-trunk", func(m compare.MethodLine) string {
		if m.Line == nil || m.TrunkPeakPct == nil {
			return ""
		}
		return BandText(say, *m.TrunkPeakPct, 0) + " %"
	})
	row("compare-row-reaches", func(m compare.MethodLine) string {
		if m.Line == nil {
			return ""
		}
		return say.Say("compare-of-100", finding.Args{"count": finding.Text(hundred(m.ReachesPct / 100))})
	})
	return rows
}

// EqualRows is the table of both methods through an equal number of ports.
func EqualRows(say *lang.Printer, d *compare.Document) []ComparisonRow {
	e := d.Equal
	if e == nil {
		return nil
	}
	both := func(id string, f func(l compare.Line) string) ComparisonRow {
		return ComparisonRow{say.T(id), []string{f(e.Injection), f(e.Infusion)}}
	}
	yes := func(m string) string {
		for _, p := range e.Permitted {
			if p == m {
				return say.T("compare-permitted")
			}
		}
		return say.T("compare-not-permitted")
	}
	wound := func(i int) string { return lang.Fixed(e.WoundPct[i], 1) + " %" }
	return []ComparisonRow{
		{say.Say("compare-row-equal", finding.Args{"ports": finding.Count(e.Ports)}), []string{yes("injection"), yes("infusion")}},
		{say.T("compare-row-wound"), []string{wound(0), wound(1)}},
		both("compare-row-first", func(l compare.Line) string { return BandText(say, l.FirstDayD, 0) }),
		both("compare-row-days", func(l compare.Line) string { return BandText(say, l.DaysAboveD, 0) }),
		both("compare-row-peak", func(l compare.Line) string { return BandText(say, l.PeakCoveragePct, 0) + " %" }),
		both("compare-row-reaches", func(l compare.Line) string {
			return say.Say("compare-of-100", finding.Args{"count": finding.Text(hundred(l.ReachesPct / 100))})
		}),
	}
}

// hoursText writes a duration in minutes or hours.
func hoursText(say *lang.Printer, h float64) string {
	switch {
	case h*60 < 1.5:
		return say.T("compare-minute")
	case h < 1.5:
		return lang.Fixed(h*60, 0) + " min"
	}
	return lang.Figure(h, 1) + " h"
}

// ComparisonSubject says which tree and what was asked.
func ComparisonSubject(say *lang.Printer, d *compare.Document) string {
	if d.Tree.Tree == "" {
		return ""
	}
	id := "compare-subject-typical"
	if d.Tree.Asked {
		id = "compare-subject-asked"
	}
	return say.Say(id, finding.Args{
		"tree": finding.Text(name(d.Tree.Tree, d.Tree.Stem)), "diameter": finding.Text(say.Length(d.Tree.DiameterCM)), "height": finding.Text(say.Height(d.Tree.HeightM)),
		"wood": finding.Text(say.T("movement-wood-" + d.Tree.Wood)), "date": finding.Text(d.On), "days": finding.Count(int(d.Days)), "draws": finding.Count(d.Draws),
		"level": finding.Text(LevelText(say, d.Level)), "target": finding.Text(lang.Figure(d.TargetPct, 0) + " %"),
	})
}

// ComparisonStepArgs are the figures that the steps of the workings name.
func ComparisonStepArgs(say *lang.Printer, d *compare.Document) finding.Args {
	return finding.Args{
		"draws": finding.Count(d.Draws), "seed": finding.Text(Figures(float64(d.Seed))), "days": finding.Count(int(d.Days)), "target": finding.Text(lang.Figure(d.TargetPct, 0) + " %"),
		"level": finding.Text(LevelText(say, d.Level)), "sure": finding.Text(hundred(compare.Sure)), "span": finding.Count(protect.SpanLimit), "class": finding.Text(d.Class),
		"scatter": finding.Text(lang.Figure(protect.PortLogSD, 1)), "failing": finding.Text(hundred(protect.PortFailure)), "enough": finding.Text(hundred(compare.Enough)),
		"base": finding.Text(say.Height(d.Tree.CrownBaseM)),
	}
}

// WarningText puts a warning of the model into words.
func WarningText(say *lang.Printer, w sap.Warning) string {
	id := "compare-warning-" + strings.ReplaceAll(string(w.Code), "_", "-")
	if !say.Has(id) {
		id = "movement-warning-" + strings.ReplaceAll(string(w.Code), "_", "-")
	}
	return say.Say(id, finding.Args{"value": finding.Text(Figures(w.Value)), "limit": finding.Text(Figures(w.Limit)), "count": finding.Count(w.Count)})
}

// SourceText is the source of an assumption; our own judgements are put into
// words, citations stand as they are.
func SourceText(say *lang.Printer, source string) string {
	id := "compare-source-" + strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9':
			return r
		case r >= 'A' && r <= 'Z':
			return r + 'a' - 'A'
		}
		return '-'
	}, source)
	if say.Has(id) {
		return say.T(id)
	}
	return source
}

// FigureBand writes the 10, 50 and 90 % points with three figures each.
func FigureBand(say *lang.Printer, b protect.Band) string {
	return say.Say("compare-band", finding.Args{"low": finding.Text(Figures(b.P10)), "mid": finding.Text(Figures(b.P50)), "high": finding.Text(Figures(b.P90))})
}

// AssaysText says what the assays did to the answer.
func AssaysText(say *lang.Printer, d *compare.Document) []string {
	a := d.Assays
	out := []string{say.Say("compare-assays-used", finding.Args{"count": finding.Count(len(a.Points)), "trees": finding.Count(a.Trees), "missing": finding.Count(a.NotDetected), "ess": finding.Text(Figures(a.EffectiveDraws))})}
	if a.Contradicting {
		out = append(out, say.T("compare-assays-contradict"))
	}
	if a.Poor {
		out = append(out, say.T("compare-assays-poor"))
	}
	if p := d.Verdict.Prior; p != nil && d.Probability != nil {
		out = append(out, say.Say("compare-assays-shift", finding.Args{
			"before": finding.Text(hundred(p.Earlier)), "after": finding.Text(hundred(d.Probability.Earlier)), "longer-before": finding.Text(hundred(p.Longer)), "longer-after": finding.Text(hundred(d.Probability.Longer)),
		}))
	}
	return out
}
