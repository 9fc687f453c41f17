package cli

import (
	"math"
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/follow/decline"
	"sapward/internal/exchange"
	"sapward/internal/lang"
	"sapward/measure/civil"
	q "sapward/measure/quantity"
)

type declineCmd struct {
	File         string   `arg:"" help:"ASSAYS.csv or .xlsx: tree, day or date, mg_kg; non-detects as <0.01, or nd with detection_limit."`
	Model        string   `help:"sfo, fomc, dfop, hs or auto." default:"auto"`
	Errors       string   `help:"How errors grow with the residue: constant or proportional." default:"constant"`
	Effective    string   `help:"Level that must stay in the tree, such as '0.5 mg/kg': says when to treat again."`
	MinIntervalD *float64 `name:"min-interval-d" help:"Least days between two treatments, from the card."`
	NotBeforeD   float64  `name:"not-before-d" help:"First day that the card's yearly limit allows, from day 0."`
	DayZero      string   `help:"Date of the treatment, day 0, where the file gives dates."`
	Confidence   float64  `help:"Confidence of the intervals." default:"0.95"`
}

// declineDocument carries the chosen model at its top where there is one series.
type declineDocument struct {
	followHead
	*decline.Fit
	Errors       decline.Errors  `json:"errors"`
	Confidence   float64         `json:"confidence"`
	MinIntervalD *float64        `json:"min_interval_d"`
	Series       []declineSeries `json:"series"`
	Notes        []saidNote      `json:"notes"`
}

type declineSeries struct {
	decline.Series
	FromDate *civil.Date `json:"again_from_date,omitempty"` // whole days, inside from_d and by_d
	ByDate   *civil.Date `json:"again_by_date,omitempty"`
	Meaning  []string    `json:"meaning"`
	Notes    []saidNote  `json:"notes"`
}

// effective reads the level in mg/kg; ppm by mass is the same.
func (c declineCmd) effective() (float64, finding.Faults) {
	s := strings.TrimSpace(c.Effective)
	if s == "" {
		return 0, nil
	}
	bad := finding.AsFaults(usage("effective-unclear", finding.Args{"text": finding.Text(c.Effective)}))
	i := strings.LastIndexAny(s, "0123456789.,") + 1
	if unit := strings.ToLower(strings.TrimSpace(s[i:])); unit != "mg/kg" && unit != "ppm" {
		return 0, bad
	}
	v, fault := q.Number(s[:i])
	if fault != nil || v.Sign() <= 0 {
		return 0, bad
	}
	return v.Float(), nil
}

func (c declineCmd) Run(e *env) error {
	zero, faults := followOptions(c.DayZero, c.Confidence)
	level, bad := c.effective()
	faults = append(faults, bad...)
	o := decline.Options{Model: decline.Model(strings.ToLower(c.Model)), Errors: decline.Errors(strings.ToLower(c.Errors)), Confidence: c.Confidence, EffectiveMgKg: level, NotBeforeD: c.NotBeforeD}
	if c.MinIntervalD != nil {
		o.MinIntervalD = *c.MinIntervalD
		faults = append(faults, atLeastZero("--min-interval-d", o.MinIntervalD)...)
	}
	faults = append(faults, atLeastZero("--not-before-d", c.NotBeforeD)...)
	if o.Model != "auto" && decline.Names(o.Model) == nil {
		faults = append(faults, finding.AsFaults(usage("decline-model-unknown", finding.Args{"model": finding.Text(c.Model)}))...)
	}
	if o.Errors != decline.Constant && o.Errors != decline.Proportional {
		faults = append(faults, finding.AsFaults(usage("decline-errors-unknown", finding.Args{"errors": finding.Text(c.Errors)}))...)
	}
	if err := faults.OrNil(); err != nil {
		return err
	}
	f, err := exchange.ReadAssays(c.File, zero)
	if err != nil {
		return err
	}
	if f.ZeroFrom == "first-date" && (c.MinIntervalD != nil || c.NotBeforeD > 0) {
		return usage("interval-needs-day-zero", nil) // the first sample is not the treatment
	}
	report, err := decline.Decline(f.Rows, o)
	if err != nil {
		return f.Locate(err)
	}
	doc := declineDocument{Errors: report.Errors, Confidence: report.Confidence, MinIntervalD: c.MinIntervalD, Series: []declineSeries{}, Notes: e.saidNotes(report.Notes)}
	if doc.followHead, err = openFollowed(e, "sapward/decline/1", f); err != nil {
		return err
	}
	for _, s := range report.Series {
		d := declineSeries{Series: s, Meaning: []string{}, Notes: e.saidNotes(s.Notes)}
		d.mean(e, report.Confidence, c.MinIntervalD != nil || c.NotBeforeD > 0, f.DayZero)
		doc.Series = append(doc.Series, d)
	}
	if len(doc.Series) == 1 {
		doc.Fit = doc.Series[0].Chosen
		doc.Meaning = doc.Series[0].Meaning
	}
	if e.globals.JSON {
		return e.printJSON(doc)
	}
	doc.print(e)
	return nil
}

// farthest is the last day that is shown as a date.
const farthest = 100_000

// mean says how long half the residue lasts and when to treat again. asked: the
// card's interval is given.
func (d *declineSeries) mean(e *env, confidence float64, asked bool, zero civil.Date) {
	say := func(id string, a finding.Args) { d.Meaning = append(d.Meaning, e.say.Say(id, a)) }
	days := d.days
	pct := finding.Number(100*confidence, "pct")
	f := d.Chosen
	if f == nil {
		say("decline-mean-none", nil)
	} else if f.DT50 != nil {
		a := finding.Args{"dt50": finding.Text(days(f.DT50)), "start": finding.Number(d.StartDay, ""), "confidence": pct}
		if r := f.DT50Range; r != nil && (r.Low != nil || r.High != nil) {
			a["interval"] = finding.Text(e.between(r.Low, r.High, days))
			say("decline-mean-half-interval", a)
		} else {
			say("decline-mean-half", a)
		}
	}
	again := d.Again
	if again == nil {
		return
	}
	date := func(day float64) (string, *civil.Date) {
		text := lang.Figure(day, 0)
		if zero.IsZero() || day > farthest {
			return text, nil
		}
		when := zero.AddDays(int(day))
		return text + " (" + when.String() + ")", &when
	}
	a := finding.Args{"level": finding.Text(significant(&again.EffectiveMgKg, 4) + " mg/kg"), "confidence": pct, "start": finding.Number(d.StartDay, "")}
	if again.CurveDay == nil {
		say("again-mean-curve-none", a)
	} else {
		a["curve"] = finding.Text(days(again.CurveDay))
		a["interval"] = finding.Text(e.between(again.LowerDay, again.UpperDay, days))
		if again.LowerDay == nil && again.UpperDay == nil {
			say("again-mean-curve-only", a)
		} else {
			say("again-mean-curve", a)
		}
	}
	if again.ByDay == nil {
		return
	}
	by, from := math.Floor(*again.ByDay), math.Ceil(again.FromDay) // whole days inside
	var byText, fromText string
	byText, d.ByDate = date(by)
	fromText, d.FromDate = date(from)
	a["by"], a["from"] = finding.Text(byText), finding.Text(fromText)
	switch {
	case *again.ByDay <= d.StartDay:
		say("again-mean-never", a)
	case !asked:
		d.FromDate = nil
		say("again-mean-by", a)
	case from <= by:
		say("again-mean-between", a)
	default:
		say("again-mean-late", a)
	}
}

func (d *declineDocument) print(e *env) {
	say := e.say
	e.wrapped(say.Say("decline-head", finding.Args{"errors": finding.Text(say.T("decline-errors-" + string(d.Errors))), "confidence": finding.Number(100*d.Confidence, "pct")}), "")
	for _, s := range d.Series {
		s.print(e)
	}
	h := d.followHead
	h.Meaning = nil // said with each series
	e.printMeaning(h, d.Notes)
}

// heading names a series by tissue and height.
func (d *declineSeries) heading(e *env) string {
	parts := []string{}
	if d.Tissue != "" {
		parts = append(parts, d.Tissue)
	}
	if d.HeightM != nil {
		parts = append(parts, e.say.Say("decline-height-at", finding.Args{"height": finding.Number(*d.HeightM, "m")}))
	}
	if len(parts) == 0 {
		return e.say.T("head-residue")
	}
	return strings.Join(parts, ", ")
}

// far is how many times the days observed a time is still worth a figure.
const far = 100

// days writes a time; far beyond the assays only that it is long.
func (d *declineSeries) days(p *float64) string {
	if most := far * math.Max(d.LastDay-d.StartDay, 1); p != nil && *p > most {
		return "> " + lang.Figure(most, 0)
	}
	return shown(p, 1)
}

func (d *declineSeries) print(e *env) {
	say := e.say
	e.title(d.heading(e))
	e.wrapped(say.Say("decline-series", finding.Args{"n": finding.Count(d.N), "censored": finding.Count(d.NonDetect), "trees": finding.Count(d.Trees), "start": finding.Number(d.StartDay, ""), "last": finding.Number(d.LastDay, "")}), "")
	if len(d.Models) > 0 {
		t := e.heads("col-model", ">col-c0", ">col-dt50", ">col-dt90", ">col-chi2-error", ">col-aic", "col-remark")
		for _, m := range d.Models {
			remark := ""
			switch {
			case d.Chosen != nil && m.Model == d.Chosen.Model:
				remark = say.T("decline-chosen")
			case m.Collapsed != "":
				remark = say.T("decline-no-more")
			}
			t.row(strings.ToUpper(string(m.Model)), significant(&m.C0, 4), d.days(m.DT50), d.days(m.DT90), shown(m.Chi2Error, 1), shown(&m.AIC, 1), remark)
		}
		e.printf("\n%s", t)
	}
	if f := d.Chosen; f != nil {
		t := e.heads("col-parameter", ">col-value", ">col-se", "col-interval")
		for _, name := range decline.Names(f.Model) {
			p := f.Parameters[name]
			t.row(name, significant(&p.Value, 5), significant(p.SE, 3), "")
		}
		for _, x := range []struct {
			name  string
			value *float64
			r     *decline.Interval
			delta decline.Interval
		}{{"DT50", f.DT50, f.DT50Range, f.DT50Delta}, {"DT90", f.DT90, f.DT90Range, f.DT90Delta}} {
			interval := noFigure
			if x.r != nil {
				interval = e.between(x.r.Low, x.r.High, d.days)
			} else if x.value != nil {
				interval = e.between(x.delta.Low, x.delta.High, d.days)
			}
			t.row(x.name, d.days(x.value), "", interval)
		}
		e.printf("\n%s", t)
		e.wrapped(say.Say("decline-chi2", finding.Args{"error": finding.Text(percent(f.Chi2Error)), "df": finding.Text(strconv.Itoa(f.Chi2DF))}), "")
	}
	if len(d.Meaning) > 0 {
		e.println("")
		for _, m := range d.Meaning {
			e.wrapped(m, "")
		}
	}
	for _, n := range d.Notes {
		e.wrapped(say.T("severity-"+string(n.Severity))+" "+n.Text, "  ")
	}
}
