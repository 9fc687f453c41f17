package report

import (
	"math"
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/flow/compare"
	"sapward/flow/plume"
	"sapward/flow/protect"
	"sapward/internal/lang"
	"sapward/plan"
)

// hundred writes a share of draws as so many of 100.
func hundred(share float64) string { return strconv.Itoa(int(math.Round(100 * share))) }

// Figures writes a number with three significant figures, at most nine decimals
// and no exponent.
func Figures(x float64) string {
	if x == 0 || math.IsNaN(x) || math.IsInf(x, 0) {
		return strconv.FormatFloat(x, 'f', -1, 64)
	}
	n := 2 - int(math.Floor(math.Log10(math.Abs(x))))
	if n < 0 {
		p := math.Pow(10, float64(-n))
		return strconv.FormatFloat(math.Round(x/p)*p, 'f', 0, 64)
	}
	return lang.Figure(x, min(n, 9))
}

// BandText writes the 10, 50 and 90 % points with so many decimals. A point
// beyond the horizon is "never" for a day and left as the sign of infinity
// never shown.
func BandText(say *lang.Printer, b protect.Band, decimals int) string {
	p := func(x float64) string {
		if math.IsInf(x, 1) {
			return say.T("compare-never")
		}
		return lang.Fixed(x, decimals)
	}
	lo, mid, hi := p(b.P10), p(b.P50), p(b.P90)
	if lo == mid && mid == hi {
		return mid
	}
	return say.Say("compare-band", finding.Args{"low": finding.Text(lo), "mid": finding.Text(mid), "high": finding.Text(hi)})
}

// LevelText writes the effective level with its unit and what it is of.
func LevelText(say *lang.Printer, l compare.LevelLine) string {
	unit, of := "mg/kg", "wood"
	switch l.Metric {
	case plume.InSap:
		unit, of = "mg/L", "sap"
	case plume.InLeaf:
		of = "leaf"
	}
	value := finding.Args{"value": finding.Text(Figures(l.Value) + " " + unit)}
	s := say.Say("compare-level-"+of, value)
	if l.Low != l.High {
		value = finding.Args{"level": finding.Text(s), "low": finding.Text(Figures(l.Low)), "high": finding.Text(Figures(l.High))}
		return say.Say("compare-level-class", value)
	}
	return say.Say("compare-level-entered", finding.Args{"level": finding.Text(s)})
}

// ComparisonSentence is the answer in the words of a grower: which way is
// sooner, which lasts longer, and what cannot be said.
func ComparisonSentence(say *lang.Printer, d *compare.Document) string {
	modelled := 0
	only := ""
	for _, m := range d.Methods {
		if m.Line != nil {
			modelled++
			only = m.Method
		}
	}
	if modelled == 0 {
		return say.T("compare-none")
	}
	args := finding.Args{"target": finding.Text(lang.Figure(d.TargetPct, 0) + " %"), "level": finding.Text(LevelText(say, d.Level)), "days": finding.Count(int(math.Round(d.Days)))}
	if modelled == 1 {
		for _, m := range d.Methods {
			if m.Line != nil {
				args["reaches"] = finding.Text(hundred(m.ReachesPct / 100))
			}
		}
		args["method"] = finding.Text(say.T("method-" + only))
		return say.Say("compare-only", args) + " " + say.T("compare-no-claim")
	}
	p := d.Probability
	args["infusion"], args["injection"] = finding.Text(hundred(p.Earlier)), finding.Text(hundred(p.Later))
	args["neither"], args["same"] = finding.Text(hundred(p.Neither)), finding.Text(hundred(p.Same))
	assayed := ""
	if d.Assays != nil {
		assayed = "-assayed"
	}
	sooner := "compare-sooner-" + strings.ReplaceAll(string(d.Verdict.Sooner), "_", "-")
	if d.Verdict.Sooner == compare.CannotSay {
		sooner += assayed
	}
	parts := []string{say.Say(sooner, args)}
	args["infusion"], args["injection"] = finding.Text(hundred(p.Longer)), finding.Text(hundred(p.Shorter))
	if d.Verdict.Sooner != compare.Neither {
		parts = append(parts, say.Say("compare-longer-"+strings.ReplaceAll(string(d.Verdict.Longer), "_", "-"), args))
	}
	if (len(d.Verdict.DayOpen) > 0 || len(d.Verdict.DaysOpen) > 0) && d.Verdict.Sooner != compare.CannotSay {
		parts = append(parts, say.T("compare-days-open"+assayed))
	}
	return strings.Join(append(parts, say.T("compare-no-claim")), " ")
}

// EqualSentence says what is left of the difference at an equal number of
// ports.
func EqualSentence(say *lang.Printer, e *compare.EqualLine) string {
	p := e.Probability
	s := say.Say("compare-equal", finding.Args{
		"ports": finding.Count(e.Ports), "infusion": finding.Text(hundred(p.Earlier)), "injection": finding.Text(hundred(p.Later)), "same": finding.Text(hundred(p.Same)),
		"neither": finding.Text(hundred(p.Neither)), "longer": finding.Text(hundred(p.Longer)), "shorter": finding.Text(hundred(p.Shorter)),
	})
	switch len(e.Permitted) {
	case 2:
		return s + " " + say.T("compare-equal-both")
	case 1:
		return s + " " + say.Say("compare-equal-one", finding.Args{"method": finding.Text(say.T("method-" + e.Permitted[0]))})
	}
	return s + " " + say.T("compare-equal-none")
}

// AdviceText says where and when to sample.
func AdviceText(say *lang.Printer, a compare.AdviceLine) string {
	id := "compare-assay-on"
	if a.Between {
		id = "compare-assay-between"
	}
	return say.Say(id, finding.Args{
		"method": finding.Text(say.T("method-" + a.Method)), "day": finding.Count(int(a.DayD)), "height": finding.Text(say.Height(a.HeightM)), "settles": finding.Text(hundred(a.Settles)),
		"low": finding.Text(Figures(a.Expect.P10)), "high": finding.Text(Figures(a.Expect.P90)),
	})
}

// LayoutText says at which number more ports stop paying.
func LayoutText(say *lang.Printer, l compare.LayoutLine) string {
	args := finding.Args{"method": finding.Text(say.T("method-" + l.Method)), "ports": finding.Count(l.Pays), "planned": finding.Count(l.Planned)}
	switch {
	case l.Pays == 0:
		return say.Say("compare-layout-none", args)
	case l.Pays == l.Planned:
		return say.Say("compare-layout-planned", args)
	case l.Pays < l.Planned:
		return say.Say("compare-layout-fewer", args)
	}
	return say.Say("compare-layout-more", args)
}

// PlanLayoutText says the same of a plan, with the tree and the level it was
// asked for.
func PlanLayoutText(say *lang.Printer, p plan.Plan) string {
	l := p.Layout
	return LayoutText(say, compare.LayoutLine{Method: p.Method, Pays: l.Pays, Planned: l.Planned}) + " " + say.Say("plan-layout-tree", finding.Args{
		"tree": finding.Text(name(l.Tree, l.Stem)), "days": finding.Count(int(l.DaysD)), "level": finding.Text(l.Level),
	})
}

// ShownPlanLayouts picks the numbers of ports worth a line, as ShownLayouts.
func ShownPlanLayouts(l plan.Layout) []plan.LayoutLine {
	var of compare.LayoutLine
	of.Pays, of.Planned = l.Pays, l.Planned
	for _, t := range l.Tried {
		of.Tried = append(of.Tried, compare.TriedLine{Ports: t.Ports})
	}
	var out []plan.LayoutLine
	for _, x := range ShownLayouts(of) {
		for _, t := range l.Tried {
			if t.Ports == x.Ports {
				out = append(out, t)
			}
		}
	}
	return out
}

// InputName is the name of an uncertain input.
func InputName(say *lang.Printer, name string) string {
	return say.T("compare-input-" + strings.ReplaceAll(name, "_", "-"))
}

// MarkText puts the marks of an assumption into words.
func MarkText(say *lang.Printer, mark string) string {
	parts := strings.Split(mark, ", ")
	for i, m := range parts {
		parts[i] = say.T("movement-mark-" + strings.ReplaceAll(m, " ", "-"))
	}
	return strings.Join(parts, ", ")
}
