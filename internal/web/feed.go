package web

import (
	"bytes"
	"net/http"
	"strconv"
	"strings"
	"time"

	"sapward/finding"
	"sapward/internal/app"
	"sapward/internal/exchange"
	"sapward/measure/civil"
)

// feeds answers calendar programs at an address nobody can guess: without
// sign-in, slowly, and with nothing of any person.
func (s *Server) feeds() http.Handler {
	return s.limit("calendar", askingsByAddress, byAddress, nil)(http.HandlerFunc(s.feed))
}

func (s *Server) feed(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Cache-Control", "private, no-cache")
	h.Set("X-Robots-Tag", "noindex")
	token, ok := strings.CutSuffix(r.PathValue("file"), ".ics")
	if !ok {
		http.NotFound(w, r)
		return
	}
	c, err := s.app.Calendar(r.Context(), app.Actor{}, token)
	if err != nil { // the address is a secret: it goes into no log and no page
		status := http.StatusInternalServerError
		if fs := finding.AsFaults(err); len(fs) > 0 {
			status = fs[0].HTTPStatus()
		}
		if status >= 500 {
			s.log.Error("calendar", "err", err)
		}
		if away(finding.AsFaults(err)) {
			h.Set("Retry-After", retryAfter)
			status = http.StatusServiceUnavailable
		}
		http.Error(w, http.StatusText(status), status)
		return
	}
	var b bytes.Buffer
	if err := dueCalendar(c).Write(&b); err != nil {
		s.log.Error("calendar", "err", err)
		http.Error(w, http.StatusText(http.StatusInternalServerError), http.StatusInternalServerError)
		return
	}
	h.Set("Content-Type", "text/calendar; charset=utf-8")
	h.Set("Content-Disposition", `inline; filename="sapward.ics"`)
	h.Set("Content-Length", strconv.Itoa(b.Len()))
	_, _ = w.Write(b.Bytes())
}

// dueCalendar lays due dates out as a calendar. An entry keeps its identifier
// when its day moves. The stamp is the latest day of all, so that the same dates
// give the same bytes.
func dueCalendar(c app.DueCalendar) exchange.Calendar {
	say := printer(c.Lang, "metric")
	cal := exchange.Calendar{Content: "due\n" + c.Feed, Stamp: time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)}
	for _, d := range c.Items {
		day, err := civil.Parse(d.On)
		if err != nil {
			continue
		}
		title := say.Say("web-due-"+d.Kind, finding.Args{"n": finding.Count(d.Count)})
		if d.Name != "" {
			title += ": " + d.Name
		}
		key := d.Kind + "\n" + d.Block + "\n" + d.Ref
		if d.Treatment != "" {
			key += "\n" + d.Treatment
			title += ", " + d.Treatment
		}
		e := exchange.CalendarEvent{Key: key, Title: title, Text: c.Estate}
		if at, err := time.Parse(time.RFC3339, d.At); err == nil {
			e.Start, e.End = at, at.Add(15*time.Minute)
		} else {
			e.Day = day
		}
		if at := day.In(time.UTC); at.After(cal.Stamp) {
			cal.Stamp = at
		}
		cal.Events = append(cal.Events, e)
	}
	return cal
}

// newFeed is a calendar address as it is shown, once.
type newFeed struct {
	Estate, URL string
	Plain       bool // not encrypted on its way
}

func (s *Server) addFeed(c *call) error {
	e, err := s.app.Estate(c.r.Context(), c.actor, c.id())
	if err != nil {
		return err
	}
	_, token, err := s.app.AddFeed(c.r.Context(), c.actor, e.ID, c.Lang)
	if err != nil {
		return err
	}
	d := newFeed{Estate: e.ID, URL: pick(s.opt.TLS, "https://", "http://") + c.r.Host + "/calendar/" + token + ".ics", Plain: !s.opt.TLS && !loopback(c.r.Host)}
	return c.show("feed", c.T("web-feed-new"), d, crumb{c.T("web-nav-estates"), "/estates"}, crumb{e.Facts.Name, "/estates/" + e.ID})
}

func (s *Server) revokeFeed(c *call) error {
	if _, err := s.app.RevokeFeed(c.r.Context(), c.actor, c.r.PathValue("feed"), ""); err != nil {
		return err
	}
	return c.gone("/estates/"+c.id(), c.T("web-feed-revoked"), "")
}
