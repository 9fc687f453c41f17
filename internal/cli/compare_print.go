package cli

import (
	"strconv"

	"sapward/flow/compare"
	"sapward/internal/lang"
	"sapward/internal/report"
)

// printComparison writes the comparison for people: the answer, both methods
// side by side, then what it hangs on.
func (e *env) printComparison(d *compare.Document) {
	say := e.say
	if d.Invented {
		e.println(say.T("invented"))
	}
	if d.PracticeOnly {
		e.println(say.T("practice-only"))
	}
	if s := report.ComparisonSubject(say, d); s != "" {
		e.wrapped(s, "")
		e.println("")
	}
	e.wrapped(d.Verdict.Sentence, "")
	e.sideBySide(d)
	e.printCoverageBands(d)
	if d.Equal != nil {
		e.title(say.T("compare-head-equal"))
		e.wrapped(report.EqualSentence(say, d.Equal), "")
		t := newTable("", ">"+say.T("method-injection"), ">"+say.T("method-infusion"))
		for _, r := range report.EqualRows(say, d) {
			t.row(append([]string{r.Name}, r.Cells...)...)
		}
		e.printf("%s", t)
	}
	e.printLayouts(d)
	if len(d.Drivers) > 0 {
		e.title(say.T("compare-head-drivers"))
		t := newTable(say.T("compare-col-input"), ">%", ">±")
		for i, v := range d.Drivers {
			if i == 6 {
				break
			}
			half := ""
			if !v.Weighted {
				half = lang.Fixed(100*v.Half, 0)
			}
			t.row(report.InputName(say, v.Input), lang.Fixed(100*v.Share, 0), half)
		}
		e.printf("%s", t)
		id := "compare-drivers-meaning"
		if d.Drivers[0].Weighted {
			id = "compare-drivers-weighted"
		}
		e.wrapped(say.T(id), "")
	}
	if d.Probability != nil {
		e.title(say.T("compare-head-advice"))
		if len(d.Advice) == 0 {
			e.wrapped(say.T("compare-advice-none"), "")
		}
		for i, a := range d.Advice {
			e.wrapped(strconv.Itoa(i+1)+". "+report.AdviceText(say, a), "   ")
		}
	}
	e.printAssays(d)
	if len(d.Warnings) > 0 {
		e.title(say.T("movement-head-warnings"))
		for _, w := range d.Warnings {
			e.wrapped("• "+report.WarningText(say, w), "  ")
		}
	}
	e.printWorkings(d)
}

// sideBySide prints the table of both methods.
func (e *env) sideBySide(d *compare.Document) {
	heads := []string{""}
	for _, m := range d.Methods {
		heads = append(heads, ">"+e.say.T("method-"+m.Method))
	}
	e.println("")
	t := newTable(heads...)
	for _, r := range report.ComparisonRows(e.say, d) {
		t.row(append([]string{r.Name}, r.Cells...)...)
	}
	e.printf("%s", t)
	e.wrapped(e.say.T("compare-table-meaning"), "")
	for _, m := range d.Methods {
		if len(m.Refusals) > 0 {
			e.println("")
			e.println(e.say.T("method-" + m.Method))
			e.findings("head-refusals", m.Refusals)
		}
	}
}

// printCoverageBands prints coverage on a few days.
func (e *env) printCoverageBands(d *compare.Document) {
	by := map[float64]map[string]compare.CoverageLine{}
	var days []float64
	for _, c := range d.Coverage {
		if by[c.DayD] == nil {
			by[c.DayD] = map[string]compare.CoverageLine{}
			days = append(days, c.DayD)
		}
		by[c.DayD][c.Method] = c
	}
	if len(days) == 0 {
		return
	}
	e.title(e.say.T("compare-chart-crown") + ", %")
	heads := []string{">" + e.say.T("weather-col-day")}
	for _, m := range d.Methods {
		if m.Line != nil {
			heads = append(heads, ">"+e.say.T("method-"+m.Method))
		}
	}
	t := newTable(heads...)
	shown := map[float64]bool{1: true, 3: true, 7: true, 14: true, 30: true, 60: true, 90: true, 120: true, 180: true, 270: true, 365: true, d.Days: true}
	for _, day := range days {
		if !shown[day] {
			continue
		}
		cells := []string{dayText(day)}
		for _, m := range d.Methods {
			if m.Line != nil {
				cells = append(cells, report.BandText(e.say, by[day][m.Method].Crown, 0))
			}
		}
		t.row(cells...)
	}
	e.printf("%s", t)
}

func (e *env) printLayouts(d *compare.Document) {
	if len(d.Layouts) == 0 {
		return
	}
	say := e.say
	e.title(say.T("compare-head-layout"))
	for _, l := range d.Layouts {
		e.wrapped(report.LayoutText(say, l), "")
		if len(l.Tried) == 0 {
			continue
		}
		t := newTable(">"+say.T("col-ports"), ">"+say.T("compare-col-wound"), ">"+say.T("compare-col-days20"), ">"+say.T("compare-col-peak"))
		for _, x := range report.ShownLayouts(l) {
			n := strconv.Itoa(x.Ports)
			if x.Ports == l.Planned {
				n = "• " + n
			}
			t.row(n, lang.Fixed(x.WoundPct, 1)+" %", lang.Fixed(x.Days20, 0), report.BandText(say, x.PeakPct, 0))
		}
		e.printf("%s", t)
	}
	e.wrapped(say.T("compare-layout-meaning"), "")
}

func (e *env) printAssays(d *compare.Document) {
	a := d.Assays
	if a == nil {
		return
	}
	say := e.say
	e.title(say.T("compare-head-assays"))
	for _, s := range report.AssaysText(say, d) {
		e.wrapped(s, "")
	}
	t := newTable(say.T("col-tree"), ">"+say.T("compare-col-day"), ">"+say.T("compare-col-height"), ">"+say.T("compare-col-found"), ">"+say.T("compare-col-before"), ">"+say.T("compare-col-after"))
	for _, p := range a.Points {
		t.row(p.Tree, lang.Figure(p.DayD, 1), say.Height(p.HeightM), report.FoundText(p), report.FigureBand(say, p.Prior), report.FigureBand(say, p.Posterior))
	}
	e.printf("%s", t)
}

// printWorkings says how the answer was worked out.
func (e *env) printWorkings(d *compare.Document) {
	if len(d.Assumptions) == 0 {
		return
	}
	say := e.say
	e.title(say.T("compare-workings"))
	args := report.ComparisonStepArgs(say, d)
	for i := 1; say.Has("compare-step-" + strconv.Itoa(i)); i++ {
		e.wrapped(strconv.Itoa(i)+". "+say.Say("compare-step-"+strconv.Itoa(i), args), "   ")
	}
	t := newTable(say.T("compare-col-input"), ">"+say.T("compare-col-low"), ">"+say.T("compare-col-middle"), ">"+say.T("compare-col-high"), say.T("compare-col-mark"))
	for _, a := range d.Assumptions {
		t.row(report.InputName(say, a.Name), report.Figures(a.Low), report.Figures(a.Typical), report.Figures(a.High), report.MarkText(say, a.Mark))
	}
	e.println("")
	e.printf("%s", t)
	e.wrapped(say.T("compare-assumptions-meaning"), "")
	e.title(say.T("compare-head-limits"))
	for i := 1; say.Has("compare-limit-" + strconv.Itoa(i)); i++ {
		e.wrapped("• "+say.T("compare-limit-"+strconv.Itoa(i)), "  ")
	}
}
