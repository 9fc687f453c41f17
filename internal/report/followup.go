package report

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"sapward/finding"
	"sapward/follow/decline"
	"sapward/follow/health"
	"sapward/internal/app"
	"sapward/internal/draw"
	"sapward/internal/lang"
	"sapward/measure/civil"
)

// FollowUp puts the follow-up of a block into pictures and sentences, for paper
// and screen.
type FollowUp struct {
	Result app.FollowResult
	Say    *lang.Printer
}

// mostCurves is how many treatments one picture shows.
const mostCurves = 4

// fewEvents is the number of deaths under which no difference is claimed, as on
// the command line (program default).
const fewEvents = 5

func (f FollowUp) axis() string {
	return f.Say.Say("followweb-axis-days", finding.Args{"date": finding.Text(f.Result.Zero.String())})
}

func (f FollowUp) chart(frame draw.Frame, title, median, band string) draw.BandChart {
	frame.Title = f.Say.T(title)
	words := map[string]string{"median": f.Say.T(median), "band": f.Say.T(band)}
	frame.Words.Label = words
	return draw.BandChart{Frame: frame, XLabel: f.axis()}
}

// Progress is the picture of the disease by treatment. ok is false where there
// are not two visits to join.
func (f FollowUp) Progress(frame draw.Frame) (scene draw.Scene, ok bool, err error) {
	c := f.chart(frame, "followweb-head-progress", "followweb-mean-severity", "followweb-band")
	c.YLabel, c.YLow, c.YHigh = f.Say.T("followweb-axis-severity"), 0, 100
	for _, x := range f.Result.Curves {
		if len(x.Days) >= 2 && len(c.Series) < mostCurves {
			c.Series = append(c.Series, draw.Series{Name: x.Treatment, X: x.Days, P50: x.Index})
		}
	}
	if len(c.Series) == 0 {
		return scene, false, nil
	}
	c.Desc = f.Say.Say("followweb-desc-progress", finding.Args{"n": finding.Count(len(f.Result.Curves))})
	scene, err = draw.DrawBandChart(c)
	return scene, true, err
}

// Survival is the picture of the share alive by treatment, with intervals and
// the trees at risk.
func (f FollowUp) Survival(frame draw.Frame) (scene draw.Scene, ok bool, err error) {
	r := f.Result.Survival
	if r == nil {
		return scene, false, nil
	}
	c := f.chart(frame, "followweb-head-survival", "followweb-alive", "followweb-band")
	c.YLabel, c.YLow, c.YHigh = f.Say.T("followweb-axis-alive"), 0, 100
	c.UnderHead = f.Say.T("followweb-at-risk")
	step := 1
	if frame.WidthPx < 500 {
		step = 2
	}
	for i := 0; i < len(r.RiskDays); i += step {
		c.UnderX = append(c.UnderX, r.RiskDays[i])
	}
	for _, g := range r.Groups {
		if len(c.Series) == mostCurves {
			break
		}
		s := stairs(g)
		if s.X[len(s.X)-1] <= 0 {
			continue
		}
		c.Series = append(c.Series, s)
		row := draw.UnderRow{Name: g.Treatment}
		for i := 0; i < len(g.AtRisk); i += step {
			row.Values = append(row.Values, fmt.Sprint(g.AtRisk[i]))
		}
		c.Under = append(c.Under, row)
	}
	if len(c.Series) == 0 {
		return scene, false, nil
	}
	c.Desc = f.Say.Say("followweb-desc-survival", finding.Args{"n": finding.Count(f.Result.Watched)})
	scene, err = draw.DrawBandChart(c)
	return scene, true, err
}

// stairs are the steps of a curve in percent, with its limits.
func stairs(g health.Group) draw.Series {
	s := draw.Series{Name: g.Treatment}
	put := func(day, low, mid, high float64) {
		s.X, s.P10, s.P50, s.P90 = append(s.X, day), append(s.P10, 100*low), append(s.P50, 100*mid), append(s.P90, 100*high)
	}
	low, mid, high := 1.0, 1.0, 1.0
	put(0, low, mid, high)
	for _, t := range g.Table {
		put(t.Day, low, mid, high)
		mid = t.Survival
		low, high = mid, mid
		if t.Low != nil && t.High != nil {
			low, high = *t.Low, *t.High
		}
		put(t.Day, low, mid, high)
	}
	put(g.LastDay, low, mid, high)
	return s
}

// Decline is the picture of one series of residue: samples, curve, interval, the
// level, and the days on which to treat again.
func (f FollowUp) Decline(frame draw.Frame, d app.FollowDecline, s decline.Series) (scene draw.Scene, ok bool, err error) {
	if s.Chosen == nil {
		return scene, false, nil
	}
	c := f.chart(frame, "followweb-head-residue", "followweb-curve", "followweb-band")
	c.Title += ", " + f.seriesName(d, s)
	c.XLabel = f.Say.Say("followweb-axis-days", finding.Args{"date": finding.Text(d.Zero.String())})
	c.YLabel = f.Say.T("followweb-axis-residue")
	end := s.LastDay
	if a := s.Again; a != nil {
		c.Level, c.LevelLabel = a.EffectiveMgKg, f.Say.T("followweb-level")
		for _, x := range []*float64{a.ByDay, a.CurveDay} {
			if x != nil && *x < 3*s.LastDay {
				end = math.Max(end, *x*1.1)
			}
		}
		if a.ByDay != nil && *a.ByDay > a.FromDay {
			c.Shade = &draw.Shade{From: a.FromDay, To: *a.ByDay, Label: f.Say.T("followweb-window")}
		}
	}
	var line draw.Series
	line.Name = f.Say.T("followweb-curve")
	bands := true
	const steps = 60
	for i := 0; i <= steps; i++ {
		day := s.StartDay + (end-s.StartDay)*float64(i)/steps
		low, mid, high, ok := s.Band(day)
		if !finite(mid) {
			continue
		}
		bands = bands && ok && finite(low) && finite(high)
		line.X, line.P10, line.P50, line.P90 = append(line.X, day), append(line.P10, math.Max(0, low)), append(line.P50, mid), append(line.P90, high)
	}
	if !bands {
		line.P10, line.P90 = nil, nil
	}
	if len(line.X) < 2 {
		return scene, false, nil
	}
	c.Series = []draw.Series{line}
	by := f.Result.Follow.Facts.Groups
	for _, x := range f.Result.Assays {
		if groupOf(by, x.Facts.Tree) != d.Treatment || x.Facts.Tissue != s.Tissue || !sameHeight(x.Facts.HeightM, s.HeightM) {
			continue
		}
		on, bad := parseDay(x.Facts.On)
		if bad || on.Before(d.Zero) {
			continue
		}
		dot := draw.Dot{X: float64(on.DaysSince(d.Zero))}
		switch {
		case x.Facts.MgKg != nil:
			dot.Y = *x.Facts.MgKg
		case x.Facts.LimitMgKg != nil:
			dot.Y, dot.Open = *x.Facts.LimitMgKg, true
		}
		c.Dots = append(c.Dots, dot)
	}
	c.DotsLabel, c.OpenLabel = f.Say.T("followweb-sample"), f.Say.T("followweb-under-limit")
	top := 0.0
	for _, x := range c.Dots {
		top = math.Max(top, x.Y)
	}
	for i := range line.X {
		top = math.Max(top, line.P50[i])
	}
	c.YLow, c.YHigh = 0, math.Max(top, c.Level)*1.12
	c.Desc = f.Say.Say("followweb-desc-residue", finding.Args{"n": finding.Count(s.N)})
	scene, err = draw.DrawBandChart(c)
	return scene, true, err
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

func sameHeight(a, b *float64) bool { return (a == nil) == (b == nil) && (a == nil || *a == *b) }

func groupOf(groups []app.TreatmentGroup, tree string) string {
	for _, g := range groups {
		if slices.Contains(g.Trees, tree) {
			return g.Treatment
		}
	}
	return ""
}

// seriesName names a series of residue by treatment, tissue and height.
func (f FollowUp) seriesName(d app.FollowDecline, s decline.Series) string {
	height := ""
	if s.HeightM != nil {
		height = f.Say.Say("decline-height-at", finding.Args{"height": finding.Number(*s.HeightM, "m")})
	}
	return join(", ", d.Treatment, s.Tissue, height)
}

// ProgressLines say what the progress curves mean, by season.
func (f FollowUp) ProgressLines() (out []string) {
	say := func(id string, a finding.Args) { out = append(out, f.Say.Say(id, a)) }
	for _, s := range f.Result.Seasons {
		span := finding.Args{"from": finding.Text(s.From), "to": finding.Text(s.To), "n": finding.Count(s.Visits)}
		if len(s.Bad) > 0 {
			say("followweb-season-bad", span)
			for _, x := range s.Bad[:min(3, len(s.Bad))] {
				out = append(out, f.Say.Fault(x))
			}
			continue
		}
		var ref health.TreatmentProgress
		for _, t := range s.Treatments {
			if t.Treatment == f.Result.Versus {
				ref = t
			}
		}
		for _, t := range s.Treatments {
			if t.Treatment == ref.Treatment {
				continue
			}
			a := finding.Args{"from": span["from"], "to": span["to"], "treatment": finding.Text(t.Treatment), "versus": finding.Text(ref.Treatment), "n": finding.Count(t.N), "m": finding.Count(ref.N)}
			switch {
			case t.AUDPC == nil || ref.AUDPC == nil:
				say("followweb-season-none", a)
			case *ref.AUDPC == 0:
				say("followweb-season-healthy", a)
			default:
				a["share"] = finding.Number(math.Round(100**t.AUDPC / *ref.AUDPC), "pct")
				say("followweb-season-share", a)
			}
		}
	}
	if len(f.Result.Seasons) > 0 {
		out = append(out, f.Say.Say("followweb-season-assumes", finding.Args{"n": finding.Count(app.SeasonGapD)}))
	}
	return out
}

// SurvivalLines say what the survival means.
func (f FollowUp) SurvivalLines() (out, notes []string) {
	r := f.Result.Survival
	if r == nil {
		for _, x := range f.Result.SurvivalBad {
			out = append(out, f.Say.Fault(x))
		}
		return out, nil
	}
	say := func(id string, a finding.Args) { out = append(out, f.Say.Say(id, a)) }
	died := 0
	for _, g := range r.Groups {
		died += g.Died
	}
	for _, g := range r.Groups {
		if died == 0 {
			break
		}
		a := finding.Args{"treatment": finding.Text(g.Treatment), "last": finding.Number(g.LastDay, "")}
		if g.MedianD == nil {
			say("survival-mean-no-median", a)
		} else {
			a["median"] = finding.Number(*g.MedianD, "")
			say("survival-mean-median", a)
		}
	}
	if t := r.LogRank; t != nil {
		a := finding.Args{"count": finding.Count(died), "p": finding.Text(Probability(t.P)), "level": finding.Text(lang.Figure(1-r.Confidence, 4))}
		switch {
		case died < fewEvents:
			say("survival-mean-few", a)
		case t.P < 1-r.Confidence:
			say("survival-mean-differ", a)
		default:
			say("survival-mean-not-shown", a)
		}
	}
	for _, h := range r.Hazard {
		low := h.Low
		if low == nil && h.High != nil {
			low = new(float64)
		}
		a := finding.Args{"treatment": finding.Text(h.Treatment), "versus": finding.Text(h.Versus), "ratio": finding.Text(shownFigure(h.Ratio, 3)),
			"interval": finding.Text(f.Between(low, h.High, "")), "confidence": finding.Number(100*r.Confidence, "pct")}
		switch {
		case h.Ratio == nil && h.Low == nil && h.High == nil:
		case h.Ratio == nil:
			say("survival-mean-hazard-interval", a)
		case (h.Low == nil || *h.Low <= 1) && (h.High == nil || *h.High >= 1):
			say("survival-mean-hazard-open", a)
		default:
			say("survival-mean-hazard", a)
		}
		if d := h.Drift; d != nil {
			id := "followweb-proportional"
			if d.P < 0.05 {
				id = "followweb-not-proportional"
			}
			say(id, finding.Args{"treatment": finding.Text(h.Treatment), "p": finding.Text(Probability(d.P))})
		}
	}
	say("followweb-survival-assumes", finding.Args{"n": finding.Count(f.Result.Watched), "left": finding.Count(f.Result.Unwatched)})
	return out, f.notes(r.Notes)
}

// Probability writes a p value.
func Probability(p float64) string {
	if p < 0.0001 {
		return "< 0.0001"
	}
	return lang.Fixed(p, 4)
}

// Between writes an interval; a side without limit is said in words.
func (f FollowUp) Between(low, high *float64, unit string) string {
	if low == nil && high == nil {
		return "–"
	}
	side := func(p *float64) string {
		if p == nil || !finite(*p) {
			return f.Say.T("follow-no-limit")
		}
		return shownFigure(p, 3) + unit
	}
	return f.Say.Say("follow-between", finding.Args{"low": finding.Text(side(low)), "high": finding.Text(side(high))})
}

func (f FollowUp) notes(notes []finding.Finding) (out []string) {
	for _, n := range notes {
		text, mend := f.Say.Finding(n)
		if n.TreeCount > 0 {
			text += " (" + lang.TreeList(n) + ")"
		}
		out = append(out, join(" ", text, mend))
	}
	return out
}

// EfficacyLines say what the treatments did, or that it cannot be said.
func (f FollowUp) EfficacyLines() (out, notes []string) {
	one := func(name string, r health.EfficacyReport) {
		out = append(out, name+": "+f.Say.Say("efficacy-verdict-"+string(r.Verdict), finding.Args{
			"efficacy": finding.Text(f.Percent(r.Efficacy)), "interval": finding.Text(f.Between(r.Low, r.High, " %")), "confidence": finding.Number(100*r.Confidence, "pct"),
		}))
		for _, n := range f.notes(r.Notes) {
			notes = append(notes, name+": "+n)
		}
	}
	for _, e := range f.Result.Efficacy {
		if len(e.Bad) > 0 {
			for _, x := range e.Bad {
				out = append(out, e.Treatment+": "+f.Say.Fault(x))
			}
			continue
		}
		one(e.Treatment, e.EfficacyReport)
		out = append(out, f.Say.Say("followweb-efficacy-assumes", finding.Args{"dead": finding.Text(whole2(e.Treated.Dead)), "total": finding.Text(whole2(e.Treated.Total)),
			"udead": finding.Text(whole2(e.Untreated.Dead)), "utotal": finding.Text(whole2(e.Untreated.Total)), "versus": finding.Text(f.Result.Versus), "left": finding.Count(e.Unknown)}))
	}
	if c := f.Result.Counts; c != nil {
		one(f.Say.T("followweb-counts"), *c)
	}
	for _, x := range f.Result.CountsBad {
		out = append(out, f.Say.T("followweb-counts")+": "+f.Say.Fault(x))
	}
	return out, notes
}

func whole2(x *float64) string {
	if x == nil {
		return "–"
	}
	return lang.Figure(*x, 0)
}

// Percent writes a percentage.
func (f FollowUp) Percent(x *float64) string {
	if x == nil || !finite(*x) {
		return "–"
	}
	return lang.Figure(*x, 1) + " %"
}

// DeclineLines say how long the residue lasts and when to treat again.
func (f FollowUp) DeclineLines(d app.FollowDecline, s decline.Series) (out, notes []string) {
	say := func(id string, a finding.Args) { out = append(out, f.Say.Say(id, a)) }
	far := 100 * math.Max(s.LastDay-s.StartDay, 1)
	days := func(p *float64) string {
		if p != nil && *p > far {
			return "> " + lang.Figure(far, 0)
		}
		return shownFigure(p, 3)
	}
	between := func(low, high *float64) string {
		side := func(p *float64) string {
			if p == nil {
				return f.Say.T("follow-no-limit")
			}
			return days(p)
		}
		return f.Say.Say("follow-between", finding.Args{"low": finding.Text(side(low)), "high": finding.Text(side(high))})
	}
	pct := finding.Number(100*d.Confidence, "pct")
	start := finding.Number(s.StartDay, "")
	if s.Again != nil && s.Again.ByDay != nil {
		a := s.Again
		level := finding.Text(lang.Figure(a.EffectiveMgKg, 4) + " mg/kg")
		by, from := d.Zero.AddDays(int(math.Floor(math.Min(*a.ByDay, 36_525)))), d.Zero.AddDays(int(math.Ceil(math.Min(a.FromDay, 36_525))))
		args := finding.Args{"from": finding.Text(from.String()), "by": finding.Text(by.String()), "level": level, "start": start}
		switch {
		case *a.ByDay <= s.StartDay:
			say("again-mean-never", args)
		case d.IntervalD == 0 && d.NotBefore == "":
			say("followweb-again-by", args)
		case !by.Before(from):
			say("followweb-again-between", args)
		default:
			say("followweb-again-late", args)
		}
		if a.CurveDay != nil {
			say("again-mean-curve", finding.Args{"level": level, "curve": finding.Text(days(a.CurveDay)), "interval": finding.Text(between(a.LowerDay, a.UpperDay)), "confidence": pct})
		}
	} else if s.Again != nil && s.Again.CurveDay == nil {
		say("again-mean-curve-none", finding.Args{"level": finding.Text(lang.Figure(s.Again.EffectiveMgKg, 4) + " mg/kg")})
	}
	switch c := s.Chosen; {
	case c == nil:
		say("decline-mean-none", nil)
	case c.DT50 != nil:
		a := finding.Args{"dt50": finding.Text(days(c.DT50)), "start": start, "confidence": pct}
		if r := c.DT50Range; r != nil && (r.Low != nil || r.High != nil) {
			a["interval"] = finding.Text(between(r.Low, r.High))
			say("decline-mean-half-interval", a)
		} else {
			say("decline-mean-half", a)
		}
	}
	say("decline-series", finding.Args{"n": finding.Count(s.N), "trees": finding.Count(s.Trees), "start": start, "last": finding.Number(s.LastDay, ""), "censored": finding.Count(s.NonDetect)})
	if d.Before > 0 {
		say("followweb-samples-before", finding.Args{"n": finding.Count(d.Before), "date": finding.Text(d.Zero.String())})
	}
	return out, f.notes(s.Notes)
}

// Again is the first window over all residues that is still ahead of a second
// treatment, with its treatment.
func (f FollowUp) Again() (w app.AgainWindow, treatment string, ok bool) {
	for _, d := range f.Result.Declines {
		for _, x := range d.Windows {
			if x.By != "" && !x.Done && (!ok || cmp.Less(x.By, w.By)) {
				w, treatment, ok = x, d.Treatment, true
			}
		}
	}
	return w, treatment, ok
}

// WindowLine says when to treat again, and why then.
type WindowLine struct{ Text, Why string }

// WindowLines are all windows of a second treatment, the earliest last day
// first, each with what sets its first and its last day and what that assumes;
// then the residues that give no last day, then trees that were treated again.
func (f FollowUp) WindowLines() (out []WindowLine) {
	type line struct {
		key string
		WindowLine
	}
	var lines []line
	for _, d := range f.Result.Declines {
		for _, w := range d.Windows {
			s := d.Series[w.Series]
			a := finding.Args{"name": finding.Text(f.seriesOr(d, s)), "from": finding.Text(w.From), "by": finding.Text(w.By), "zero": finding.Text(d.Zero.String()),
				"n": finding.Count(s.N), "trees": finding.Count(s.Trees), "days": finding.Number(math.Ceil(s.Again.FromDay), ""), "confidence": finding.Number(100*d.Confidence, "pct"),
				"level": finding.Text(lang.Figure(s.Again.EffectiveMgKg, 4) + " mg/kg"), "last": finding.Text(d.Zero.AddDays(int(s.LastDay)).String()), "gap": finding.Count(w.GapD)}
			if s.Chosen != nil {
				a["model"] = finding.Text(strings.ToUpper(string(s.Chosen.Model)))
			}
			id, key := "followwin-between", "1"+w.By
			switch {
			case w.Done:
				id, key = "followwin-done", "3"+w.By
			case w.By == "":
				id, key = "followwin-never", "2"+w.From
			case w.Late:
				id = "followwin-late"
			case w.FromWhy == app.FromNothing:
				id = "followwin-by"
			}
			text := ""
			if !w.Done {
				text = join(" ", text, f.Say.Say("followwin-from-"+w.FromWhy, a))
				if w.By != "" {
					text = join(" ", text, f.Say.Say("followwin-why", a))
				}
				if s.Again.Extrapolated && w.By != "" {
					text = join(" ", text, f.Say.Say("followwin-beyond", a))
				}
			}
			lines = append(lines, line{key, WindowLine{f.Say.Say(id, a), text}})
		}
	}
	slices.SortStableFunc(lines, func(x, y line) int { return cmp.Compare(x.key, y.key) })
	for _, l := range lines {
		out = append(out, l.WindowLine)
	}
	return out
}

// seriesOr names a series; one without treatment, tissue and height is the
// block's.
func (f FollowUp) seriesOr(d app.FollowDecline, s decline.Series) string {
	if name := f.seriesName(d, s); name != "" {
		return name
	}
	return f.Say.T("followweb-no-treatment")
}

func parseDay(s string) (d civil.Date, bad bool) {
	d, err := civil.Parse(s)
	return d, err != nil || s == ""
}
