package cli

import (
	"io"
	"math"
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/internal/exchange"
	"sapward/internal/lang"
	"sapward/internal/report"
	"sapward/measure/civil"
)

// followHead opens the documents of ratings, survival, efficacy and decline.
type followHead struct {
	Schema   string      `json:"schema"`
	Engine   string      `json:"engine"`
	DayZero  *civil.Date `json:"day_zero,omitempty"`
	ZeroFrom string      `json:"day_zero_from,omitempty"` // option, first-date or row
	Meaning  []string    `json:"meaning"`
}

// saidNote is a note with its sentence.
type saidNote = report.SaidNote

// noFigure stands where a figure cannot be given.
const noFigure = report.NoFigure

// openFollowed fills in the head and tells on standard error what was read in a
// way nobody expects.
func openFollowed[T any](e *env, schema string, f *exchange.Followed[T]) (followHead, error) {
	h := followHead{Schema: schema, Engine: Version, ZeroFrom: f.ZeroFrom, Meaning: []string{}}
	if !f.DayZero.IsZero() {
		h.DayZero = &f.DayZero
	}
	for _, n := range f.Notes {
		text, mend := e.say.Finding(n)
		if mend != "" {
			text += " " + mend
		}
		if _, err := io.WriteString(e.stderr, f.File+": "+text+"\n"); err != nil {
			return h, err
		}
	}
	return h, nil
}

// followOptions checks the options that several of the commands have.
func followOptions(zeroText string, confidence float64) (zero civil.Date, faults finding.Faults) {
	if zeroText != "" {
		var err error
		if zero, err = civil.Parse(zeroText); err != nil {
			faults = append(faults, finding.AsFaults(usage("option-date", finding.Args{"option": finding.Text("--day-zero"), "text": finding.Text(zeroText)}))...)
		}
	}
	if !(confidence > 0 && confidence < 1) {
		faults = append(faults, finding.AsFaults(usage("confidence-out-of-range", finding.Args{"confidence": finding.Text(strconv.FormatFloat(confidence, 'g', -1, 64))}))...)
	}
	return zero, faults
}

// atLeastZero checks a number that must be finite and not negative.
func atLeastZero(option string, x float64) finding.Faults {
	if x >= 0 && !math.IsInf(x, 0) {
		return nil
	}
	return finding.AsFaults(usage("option-not-negative", finding.Args{"option": finding.Text(option), "text": finding.Text(strconv.FormatFloat(x, 'g', -1, 64))}))
}

// saidNotes gives notes their sentences.
func (e *env) saidNotes(notes []finding.Finding) []saidNote { return report.SaidNotes(e.say, notes) }

// printMeaning prints the sentences, then what is worth knowing.
func (e *env) printMeaning(h followHead, notes []saidNote) {
	if h.DayZero != nil {
		id := "follow-day-zero"
		if h.ZeroFrom == "first-date" {
			id = "follow-day-zero-first"
		}
		e.println("")
		e.wrapped(e.say.Say(id, finding.Args{"date": finding.Text(h.DayZero.String())}), "")
	}
	if len(h.Meaning) > 0 {
		e.title(e.say.T("head-meaning"))
		for _, m := range h.Meaning {
			e.wrapped(m, "")
		}
	}
	if len(notes) > 0 {
		e.title(e.say.T("head-findings"))
		for _, n := range notes {
			e.wrapped(e.say.T("severity-"+string(n.Severity))+" "+n.Text, "  ")
		}
	}
}

// shown writes a figure with at most the given decimals.
func shown(p *float64, decimals int) string {
	if p == nil || math.IsNaN(*p) || math.IsInf(*p, 0) {
		return noFigure
	}
	return lang.Figure(*p, decimals)
}

// significant writes a figure with that many digits, without an exponent.
func significant(p *float64, digits int) string { return report.SignificantFigure(p, digits) }

// between writes an interval; a side without limit is said in words.
func (e *env) between(low, high *float64, write func(*float64) string) string {
	if low == nil && high == nil {
		return noFigure
	}
	side := func(p *float64) string {
		if p == nil {
			return e.say.T("follow-no-limit")
		}
		return write(p)
	}
	return e.say.Say("follow-between", finding.Args{"low": finding.Text(side(low)), "high": finding.Text(side(high))})
}

// pvalue writes a probability.
func pvalue(p float64) string {
	if p < 0.0001 {
		return "< 0.0001"
	}
	return lang.Fixed(p, 4)
}

// heads makes a table from identifiers of captions; ">" sets a column right.
func (e *env) heads(ids ...string) *table {
	out := make([]string, len(ids))
	for i, id := range ids {
		name, right := strings.CutPrefix(id, ">")
		out[i] = e.say.T(name)
		if right {
			out[i] = ">" + out[i]
		}
	}
	return newTable(out...)
}
