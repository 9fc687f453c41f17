package weather

import (
	"regexp"
	"strconv"
	"strings"
	"time"
)

var (
	localStamp = regexp.MustCompile(`^(\d{4})-(\d{2})-(\d{2})[T ](\d{2}):?(\d{2})(?::(\d{2})(?:\.\d+)?)?$`)
	slashed    = regexp.MustCompile(`^\s*\d{1,2}[/.\-]\d{1,2}[/.\-]\d{2,4}`)
)

func ambiguousOrder(text string) bool { return slashed.MatchString(text) }

// ParseTimes reads the time column of a table. A time with an offset or Z is an
// instant (RFC 3339); one without is local time in loc, written
// YYYY-MM-DD HH:MM with a blank or T between. Times come back in loc, the zero
// time where a text could not be read.
//
// Hour 24 is read as 00:00 of the next day, with a warning. A local time that the
// clock skipped in spring is an error. One that occurs twice in autumn is taken
// as the first of the two unless the row before has reached it already, then as
// the second, with a note. An order of day and month that cannot be told apart is
// refused.
func ParseTimes(texts []string, loc *time.Location) ([]time.Time, Problems) {
	out := make([]time.Time, len(texts))
	var ps Problems
	var last time.Time
	for i, text := range texts {
		t, p := parseTime(strings.TrimSpace(text), loc, last)
		if p == nil && t.IsZero() { // the first instant of year 1 means "none" here
			p = &Problem{Code: CodeTimeInvalid, Args: map[string]any{"text": text}}
		}
		if p != nil {
			p.Row, p.Column = i, "time"
			ps.add(*p)
		}
		out[i] = t
		if !t.IsZero() {
			last = t
		}
	}
	return out, ps
}

func parseTime(text string, loc *time.Location, last time.Time) (time.Time, *Problem) {
	args := map[string]any{"text": text}
	for _, layout := range []string{time.RFC3339Nano, "2006-01-02T15:04Z07:00", "2006-01-02 15:04:05Z07:00", "2006-01-02 15:04Z07:00"} {
		if t, err := time.Parse(layout, text); err == nil {
			return t.In(loc), nil
		}
	}
	m := localStamp.FindStringSubmatch(text)
	if m == nil {
		code := CodeTimeInvalid
		if ambiguousOrder(text) {
			code = CodeTimeAmbiguous
		}
		return time.Time{}, &Problem{Code: code, Args: args}
	}
	n := func(i int) int {
		v, _ := strconv.Atoi(m[i]) // digits by the expression; an absent second is 0
		return v
	}
	date := Date{n(1), time.Month(n(2)), n(3)}
	h, mi, s := n(4), n(5), n(6)
	hour24 := h == 24 && mi == 0 && s == 0
	if !date.Valid() || mi > 59 || s > 59 || (h > 23 && !hour24) {
		return time.Time{}, &Problem{Code: CodeTimeInvalid, Args: args}
	}
	if hour24 {
		date, h = date.Add(1), 0
	}
	first, second, count := instants(date, h, mi, s, loc)
	switch {
	case count == 0:
		return time.Time{}, &Problem{Code: CodeTimeSkipped, Args: args}
	case count == 2:
		t := first
		if !last.IsZero() && !last.Before(first) {
			t = second
		}
		return t, &Problem{Code: CodeTimeRepeated, Severity: SeverityNote, Args: map[string]any{"text": text, "taken": t.Format(time.RFC3339)}}
	case hour24:
		return first, &Problem{Code: CodeHour24, Severity: SeverityWarning, Args: args}
	}
	return first, nil
}

// instants returns the instants, none to two, at which a clock in loc shows a
// local time. Offsets in force a day before and a day after are both tried.
func instants(d Date, h, m, s int, loc *time.Location) (first, second time.Time, count int) {
	wall := time.Date(d.Year, d.Month, d.Day, h, m, s, 0, time.UTC)
	var found []time.Time
	for _, probe := range []time.Duration{-24 * time.Hour, 24 * time.Hour} {
		_, offset := wall.Add(probe).In(loc).Zone()
		t := wall.Add(-time.Duration(offset) * time.Second).In(loc)
		_, actual := t.Zone()
		if actual == offset && (len(found) == 0 || !found[0].Equal(t)) {
			found = append(found, t)
		}
	}
	switch len(found) {
	case 0:
		return time.Time{}, time.Time{}, 0
	case 1:
		return found[0], time.Time{}, 1
	}
	if found[1].Before(found[0]) {
		found[0], found[1] = found[1], found[0]
	}
	return found[0], found[1], 2
}
