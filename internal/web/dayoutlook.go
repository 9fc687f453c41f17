package web

import (
	"strings"
	"time"

	"sapward/apply/fieldlog"
	"sapward/internal/app"
)

// outlookView is when a day will be finished, by what was noted so far.
type outlookView struct {
	Likely, Span, Rests string // of the day; Likely empty: nobody can say
	Why                 string
	Planned             string
	Behind, Overdue     bool
	People              []outlookLine
	Uptake              string
	Slow                string
}

type outlookLine struct {
	Name, Text, Rests string
	Behind, Overdue   bool
}

// outlook puts the forecast into words; nil where the day is closed or nothing
// is left to do.
func (c *call) outlook(v app.DayView) *outlookView {
	f := v.Forecast
	if v.Facts.ClosedAt != "" || len(f.People) == 0 {
		return nil
	}
	o := &outlookView{Behind: f.Day.Behind, Overdue: f.Day.Overdue}
	if f.Day.Why == "" {
		o.Likely, o.Span = c.clock(v, f.Day.Likely), c.span(v, f.Day)
	} else {
		o.Why = c.T(f.Day.Why)
	}
	o.Rests = c.rests(f.Day)
	if t, err := time.Parse(time.RFC3339, v.Facts.Ends); err == nil {
		o.Planned = c.clock(v, t)
	}
	for _, p := range f.People {
		line := outlookLine{Name: orElse(p.Name, c.T("web-outlook-nobody")), Behind: p.Behind, Overdue: p.Overdue, Text: c.S("web-outlook-open", "trees", p.Trees, "ports", p.Ports)}
		switch {
		case p.Why != "" && p.Why == f.Day.Why: // said once for all
		case p.Why != "":
			line.Text += " · " + c.T(p.Why)
		default:
			line.Text += " · " + c.S("web-outlook-likely", "at", c.clock(v, p.Likely)) + " " + c.span(v, p)
			line.Rests = c.rests(p)
		}
		o.People = append(o.People, line)
	}
	if f.UptakeS > 0 {
		o.Uptake = c.S("web-outlook-uptake", "min", minutes(f.UptakeS))
		if e := v.Pack.ExpectS; e > 0 {
			o.Uptake = c.S("web-outlook-uptake-planned", "min", minutes(f.UptakeS), "planned", minutes(float64(e)))
		}
	}
	if len(f.Slow) > 0 {
		o.Slow = c.S("web-outlook-slow", "min", minutes(f.SlowS), "trees", strings.Join(f.Slow, ", "))
	}
	return o
}

func minutes(s float64) int { return int(s/60 + 0.5) }

// clock is an instant as the day reads it: the time alone, with the date on
// another day.
func (c *call) clock(v app.DayView, t time.Time) string {
	t = t.In(v.Estate.Facts.Location())
	if t.Format(time.DateOnly) == v.Checked.In(t.Location()).Format(time.DateOnly) {
		return t.Format("15:04")
	}
	return c.Time(t)
}

func (c *call) span(v app.DayView, o fieldlog.Outlook) string {
	return c.S("web-outlook-span", "best", c.clock(v, o.Best), "late", c.clock(v, o.Late))
}

func (c *call) rests(o fieldlog.Outlook) string {
	switch {
	case o.Rests == 0:
		return ""
	case o.Person != "" && !o.Own:
		return c.S("web-outlook-rests-others", "n", o.Rests)
	case o.Rests < 3:
		return c.S("web-outlook-rests-few", "n", o.Rests)
	}
	return c.S("web-outlook-rests", "n", o.Rests)
}
