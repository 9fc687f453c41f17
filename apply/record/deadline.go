package record

import (
	"time"

	"sapward/finding"
	"sapward/measure/civil"
)

// Due is a deadline of a profile worked out for one record.
type Due struct {
	Profile string     `json:"profile"`
	What    string     `json:"what"`              // record, report, display, copy, electronic
	At      time.Time  `json:"at,omitzero"`       // of a deadline in hours
	Day     civil.Date `json:"day,omitzero"`      // last day of a deadline in days
	AtOnce  bool       `json:"at_once,omitempty"` // without delay: no day can be named
	Open    bool       `json:"open,omitempty"`    // the end of the work is not recorded
	Mark    Mark       `json:"mark"`
}

// Dues works out the deadlines of the chosen profiles from the end of the work.
// Days are counted from the day after it, and the last one counts in full; hours
// run from the instant.
func Dues(c *Content, zones Zones) []Due {
	ps, _ := Chosen(c.Regimes)
	end, hasEnd := c.Work.End.Known()
	loc := location(c, zones)
	endDay := WorkedOut(c, zones).EndDay
	var out []Due
	for _, p := range ps {
		for _, l := range p.Deadlines {
			d := Due{Profile: p.ID, What: l.What, AtOnce: l.AtOnce, Mark: l.Mark}
			switch {
			case l.Hours > 0 && hasEnd && loc != nil:
				d.At = end.T.Add(time.Duration(l.Hours) * time.Hour).In(loc)
			case l.Hours > 0, endDay.IsZero():
				d.Open = true
			case l.Days > 0:
				d.Day = endDay.AddDays(l.Days)
			case l.Rule == "tenth-of-next-month":
				d.Day = civil.Of(time.Date(endDay.Year, endDay.Month+1, 10, 0, 0, 0, 0, time.UTC))
			case l.Rule == "first-of-february":
				d.Day = civil.Date{Year: endDay.Year + 1, Month: time.February, Day: 1}
			}
			out = append(out, d)
		}
	}
	return out
}

// after reports that t is past the deadline, in the record's zone.
func (d Due) after(t time.Time, loc *time.Location) bool {
	switch {
	case !d.At.IsZero():
		return t.After(d.At)
	case !d.Day.IsZero() && loc != nil:
		return civil.Of(t.In(loc)).After(d.Day)
	case !d.Day.IsZero():
		// Without a zone nobody knows the local day; the earliest place on earth
		// decides, UTC+14, the careful side.
		return civil.Of(t.UTC().Add(14 * time.Hour)).After(d.Day)
	}
	return false
}

// Late flags what was entered, or completed, after a profile's deadline.
// Recorded is the instant at which the record was first entered, as kept in its
// first version; it is never moved back. Completed is when a version first had
// everything the profile asks, zero if none has; now is then compared.
//
// Findings: record-late, record-completed-late, record-due-open.
func Late(r *Record, zones Zones, now time.Time) []finding.Finding {
	if len(r.Versions) == 0 {
		return nil
	}
	last := &r.Versions[len(r.Versions)-1].Content
	loc := location(last, zones)
	first := r.Versions[0].At.T
	var out []finding.Finding
	for _, d := range Dues(last, zones) {
		if d.What == "copy" || d.What == "display" {
			continue // acts outside this program
		}
		args := finding.Args{"profile": finding.Text(d.Profile), "what_by": finding.Text("record-due-" + d.What)}
		if d.Open {
			out = append(out, finding.Finding{ID: "record-due-open", Severity: finding.Open, Authority: finding.ByLaw, Ref: "work.end", Args: args})
			continue
		}
		args["due"] = finding.Text(d.String())
		if d.after(first, loc) {
			args["entered"] = finding.Text(local(first, loc))
			out = append(out, finding.Finding{ID: "record-late", Severity: finding.Warning, Authority: finding.ByLaw, Ref: "work.date", Args: args})
			continue
		}
		p, _ := ProfileByID(d.Profile)
		done, when := completed(r, p)
		if !done {
			when = now
		}
		if d.after(when, loc) {
			args["entered"] = finding.Text(local(when, loc))
			id := "record-completed-late"
			if !done {
				id = "record-still-incomplete"
			}
			out = append(out, finding.Finding{ID: id, Severity: finding.Warning, Authority: finding.ByLaw, Ref: "regimes", Args: args})
		}
	}
	return out
}

// completed finds the version that first had everything a profile asks.
func completed(r *Record, p Profile) (bool, time.Time) {
	for i := range r.Versions {
		if Meets(&r.Versions[i].Content, p) {
			return true, r.Versions[i].At.T
		}
	}
	return false, time.Time{}
}

// String writes the deadline.
func (d Due) String() string {
	switch {
	case !d.At.IsZero():
		return d.At.Format("2006-01-02 15:04 -07:00")
	case !d.Day.IsZero():
		return d.Day.String()
	}
	return ""
}

func local(t time.Time, loc *time.Location) string {
	if loc != nil {
		t = t.In(loc)
	}
	return t.Format("2006-01-02 15:04 -07:00")
}

// Retention is how long a record must be kept: the longest of the chosen
// profiles. Nothing is ever deleted by this program; Until is the last day on
// which keeping it is a duty.
type Retention struct {
	Years   int        `json:"years"`
	Profile string     `json:"profile,omitempty"` // whose rule is the longest
	From    civil.Date `json:"from,omitzero"`
	Until   civil.Date `json:"until,omitzero"`
	Delete  civil.Date `json:"earliest_lawful_deletion,omitzero"` // the day after
	Mark    Mark       `json:"mark,omitempty"`
	Open    bool       `json:"open,omitempty"` // a date is missing
}

// Kept works out retention.
func Kept(c *Content, zones Zones) Retention {
	ps, _ := Chosen(c.Regimes)
	dates := WorkedOut(c, zones)
	var out Retention
	for _, p := range ps {
		if p.Keep.Years == 0 {
			continue
		}
		from := dates.EndDay
		if p.Keep.From == "display-end" {
			from = dates.DisplayUntil
		}
		if from.IsZero() {
			out.Open = true
			if p.Keep.Years > out.Years {
				out.Years, out.Profile, out.Mark = p.Keep.Years, p.ID, p.Keep.Mark
			}
			continue
		}
		until := from.AddYears(p.Keep.Years)
		if out.Until.IsZero() || until.After(out.Until) {
			out.Years, out.Profile, out.Mark = p.Keep.Years, p.ID, p.Keep.Mark
			out.From, out.Until, out.Delete = from, until, until.AddDays(1)
		}
	}
	if out.Open {
		out.From, out.Until, out.Delete = civil.Date{}, civil.Date{}, civil.Date{}
	}
	return out
}
