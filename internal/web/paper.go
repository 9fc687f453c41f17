package web

import (
	"bytes"
	"strconv"
	"time"

	"sapward/finding"
	"sapward/internal/brief"
	"sapward/internal/exchange"
	"sapward/internal/report"
	"sapward/measure/civil"
)

// paper sends a plan as a file. It is written whole before the first byte goes
// out, so that a fault never ends in half a file.
func (s *Server) paper(kind, ext string) func(c *call) error {
	return func(c *call) error {
		l, err := c.laidOut(kind)
		if err != nil {
			return err
		}
		var b bytes.Buffer
		media := ""
		switch ext {
		case "pdf":
			media = "application/pdf"
			created := l.stamp
			if day, err := civil.Parse(l.plan.On); err == nil {
				created = day.In(time.UTC)
			}
			err = report.Plan(&b, report.Input{
				Plan: l.plan, Name: l.block.Facts.Name, Block: l.inputs.CoreTrees(), Wounds: l.wounds, Obstacles: l.obstacles, Limbs: l.limbs,
				Say: c.Printer, Paper: pick(c.US, "letter", "a4"), Created: created, CardText: l.card,
			})
		case "csv":
			media = "text/csv; charset=utf-8"
			rows := exchange.NewPortRows(&b)
			for i := range l.plan.Trees {
				rows.Tree(&l.plan.Trees[i])
			}
			err = rows.Close()
		case "json":
			media = "application/json"
			if kind == "plans" {
				var doc []byte
				doc, err = s.app.PlanDocument(c.r.Context(), c.actor, c.id())
				b.Write(doc)
			} else {
				var doc []byte
				doc, err = brief.Marshal(l.plan)
				b.Write(doc)
			}
		case "ics":
			media = "text/calendar; charset=utf-8"
			err = c.calendar(l).Write(&b)
		}
		if err != nil {
			return &finding.Fault{Class: finding.Internal, ID: "internal", Cause: err, Args: finding.Args{"cause": finding.Text(err.Error())}}
		}
		c.attach(media, fileName(l.block.Facts.Name)+"."+ext, b.Bytes())
		return nil
	}
}

// attach sends bytes as a file to keep.
func (c *call) attach(media, name string, data []byte) {
	h := c.w.Header()
	h.Set("Content-Type", media)
	h.Set("Content-Disposition", `attachment; filename="`+name+`"`)
	h.Set("Content-Length", strconv.Itoa(len(data)))
	_, _ = c.w.Write(data)
}

// fileName is a name that any disk takes.
func fileName(s string) string {
	var b []rune
	for _, r := range s {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '-':
			b = append(b, r)
		case len(b) > 0 && b[len(b)-1] != '-':
			b = append(b, '-')
		}
	}
	if len(b) == 0 {
		return "sapward"
	}
	return string(b[:min(len(b), 60)])
}

// calendar holds the days that follow from a plan.
func (c *call) calendar(l laid) exchange.Calendar {
	cal := exchange.Calendar{Content: l.id, Stamp: l.stamp.UTC()}
	name := l.block.Facts.Name
	p := l.plan
	if p.Outfit != nil {
		for i := range p.Schedule.Days {
			d := &p.Schedule.Days[i]
			n := strconv.Itoa(d.Number)
			cal.Events = append(cal.Events,
				exchange.CalendarEvent{Key: "work-" + n, Title: c.S("web-cal-work", "block", name), Text: c.T("web-foot"), Start: d.Start, End: d.Finish},
				exchange.CalendarEvent{Key: "signs-" + n, Title: c.S("web-cal-signs", "block", name), Start: d.SignsDown, End: d.SignsDown.Add(15 * time.Minute)})
		}
	} else if day, err := civil.Parse(p.On); err == nil {
		cal.Events = append(cal.Events, exchange.CalendarEvent{Key: "work", Title: c.S("web-cal-work", "block", name), Day: day})
	}
	for _, x := range []struct{ key, id, on string }{{"harvest", "web-cal-harvest", p.Dates.HarvestFrom}, {"next", "web-cal-next", p.Dates.NextEarliest}} {
		if day, err := civil.Parse(x.on); err == nil {
			cal.Events = append(cal.Events, exchange.CalendarEvent{Key: x.key, Title: c.S(x.id, "block", name), Day: day})
		}
	}
	return cal
}
