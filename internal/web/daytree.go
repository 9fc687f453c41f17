package web

import (
	"fmt"
	"net/url"
	"strconv"
	"strings"
	"time"

	"sapward/apply/fieldlog"
	"sapward/finding"
	"sapward/internal/app"
	q "sapward/measure/quantity"
)

// dayTree is one tree of a day: its ports as they are, every note, and the line
// of the field sheet to type in.
type dayTree struct {
	dayHead
	Tag, Stage, Word string
	Ports            []dayPort
	Events           []dayEvent
	Findings         []said
	Faults           []string
	Next             string
	People           []option
	At               string
}

type dayPort struct {
	N                                             int
	Where, Along, Height, Depth, Stage            string
	Planned, Loaded, Left, Gone, Lost, Containers string
	GivenUp                                       string
	Leaking, Refused, Read                        bool
	Replaces                                      int
}

type dayEvent struct {
	ID, Text string
	Void     bool
	May      bool
}

func (c *call) dayTree(v app.DayView, tag string) (*dayTree, error) {
	st := v.Log.Tree(tag)
	if st == nil {
		return nil, missingPage()
	}
	d := &dayTree{dayHead: c.head(v), Tag: tag, Stage: string(st.Stage), Word: c.T("day-stage-" + string(st.Stage)), Findings: c.sayAll(st.Findings)}
	for i := range st.Ports {
		p := &st.Ports[i]
		x := dayPort{N: p.N, Where: p.Where, Along: c.Length(p.AlongCM), Height: c.Length(p.HeightCM), Stage: c.T("day-stage-port-" + string(p.Stage)), Planned: c.ml(p.PlannedUL), GivenUp: p.GivenUp, Leaking: p.Leaking, Refused: p.Refused, Replaces: p.Replaces, Containers: strings.Join(p.Containers, ", "), Read: p.Read}
		if p.DepthMM != nil {
			x.Depth = fmt.Sprintf("%d mm", *p.DepthMM)
		}
		if p.LoadedUL > 0 {
			x.Loaded = c.ml(p.LoadedUL)
			x.Left, x.Gone = c.T("day-not-read"), c.T("day-not-read")
			if p.Read {
				x.Left, x.Gone = c.ml(p.LeftUL), c.ml(p.GoneUL)
			}
		}
		if p.LostUL > 0 || !p.LostRead {
			x.Lost = c.ml(p.LostUL)
			if !p.LostRead {
				x.Lost = c.T("day-not-measured")
			}
		}
		d.Ports = append(d.Ports, x)
	}
	void := map[string]bool{}
	for _, id := range v.Log.Voided(tag) {
		void[id] = true
	}
	for _, e := range v.Log.Events(tag) {
		d.Events = append(d.Events, dayEvent{e.ID, c.event(v, e), void[e.ID], d.MayLead && !void[e.ID]})
	}
	for i, t := range v.State.Trees {
		if t.Tag == tag && i+1 < len(v.State.Trees) {
			d.Next = "/days/" + v.ID + "/trees/" + url.PathEscape(v.State.Trees[i+1].Tag)
		}
	}
	for _, p := range v.Facts.People {
		d.People = append(d.People, option{p.ID, p.Name})
	}
	d.At = v.Facts.On + "T12:00"
	return d, nil
}

func (s *Server) showDayTree(c *call) error {
	v, err := c.theDay()
	if err != nil {
		return err
	}
	d, err := c.dayTree(v, c.r.PathValue("tag"))
	if err != nil {
		return err
	}
	return c.show("daytree", c.S("web-day-tree", "tree", d.Tag), d, c.dayTrail(v)...)
}

// typeIn keeps a line of the field sheet: what was written at one tree, as
// notes entered later. What is wrong is said together and nothing is kept; the
// core judges each note on the state the notes before it made.
func (s *Server) typeIn(c *call) error {
	v, err := c.theDay()
	if err != nil {
		return err
	}
	tag := c.r.PathValue("tag")
	d, err := c.dayTree(v, tag)
	if err != nil {
		return err
	}
	notes, faults := c.sheetNotes(v, d)
	if len(notes) == 0 && len(faults) == 0 {
		faults = append(faults, &finding.Fault{Class: finding.Usage, ID: "sheet-empty"})
	}
	if len(faults) == 0 {
		_, err := s.app.NoteAll(c.r.Context(), c.actor, v.ID, notes)
		if err == nil {
			return c.gone(orElse(d.Next, "/days/"+v.ID), c.S("web-done-typed", "tree", tag, "n", len(notes)), "")
		}
		fs, mine := usable(err)
		if !mine {
			return err
		}
		faults = fs
	}
	d.Faults = c.lines(faults)
	return c.again("daytree", c.S("web-day-tree", "tree", d.Tag), d, c.dayTrail(v)...)
}

// sheetNotes reads the typed line of every port. A field left empty says
// nothing; "-" or "?" under "left" says that nobody read it.
func (c *call) sheetNotes(v app.DayView, d *dayTree) (notes []fieldlog.Event, faults finding.Faults) {
	at := c.field("at")
	if at != "" {
		if t, err := parseLocal(at, c.Zone); err == nil {
			at = t
		} else {
			faults = append(faults, &finding.Fault{Class: finding.Usage, ID: "field-date", Args: argsOf("field_by", "field-at", "text", at)})
		}
	}
	put := func(e fieldlog.Event) {
		e.Tree, e.At, e.Person = d.Tag, at, c.field("person")
		notes = append(notes, e)
	}
	number := func(name, what string, scale float64) *int64 {
		text := c.field(name)
		if text == "" {
			return nil
		}
		x, fault := q.Number(text)
		if fault != nil || x.Sign() < 0 || x.Float() > 1e6 {
			faults = append(faults, &finding.Fault{Class: finding.Usage, ID: "field-number", Args: argsOf("field_by", what, "text", text, "example", "12.5")})
			return nil
		}
		n := int64(x.Float()*scale + 0.5)
		return &n
	}
	cm := 10.0 // mm a unit of length: cm, or inches
	if c.US {
		cm = 25.4
	}
	for _, p := range d.Ports {
		n := "-" + strconv.Itoa(p.N)
		if along, height, depth := number("along"+n, "field-along", cm), number("height"+n, "field-height", cm), number("depth"+n, "field-depth", 1); along != nil || height != nil || depth != nil || c.field("drilled"+n) != "" {
			put(fieldlog.Event{Kind: fieldlog.Drill, Port: p.N, AlongMM: along, HeightMM: height, DepthMM: depth})
		}
		if vol := number("loaded"+n, "field-loaded", 1000); vol != nil && *vol > 0 {
			put(fieldlog.Event{Kind: fieldlog.Load, Port: p.N, VolumeUL: vol, Container: c.field("container"), Lot: c.field("lot")})
		}
		if lost := c.field("lost" + n); lost == "-" || lost == "?" {
			put(fieldlog.Event{Kind: fieldlog.Leak, Port: p.N})
		} else if x := number("lost"+n, "field-lost", 1000); x != nil {
			put(fieldlog.Event{Kind: fieldlog.Leak, Port: p.N, LostUL: x})
		}
		if left := c.field("left" + n); left == "-" || left == "?" {
			put(fieldlog.Event{Kind: fieldlog.Read, Port: p.N})
		} else if x := number("left"+n, "field-left", 1000); x != nil {
			put(fieldlog.Event{Kind: fieldlog.Read, Port: p.N, LeftUL: x})
		}
		switch c.field("end" + n) {
		case "seal":
			put(fieldlog.Event{Kind: fieldlog.Seal, Port: p.N})
		case "pull":
			put(fieldlog.Event{Kind: fieldlog.Pull, Port: p.N})
		case "leave":
			put(fieldlog.Event{Kind: fieldlog.Leave, Port: p.N})
		}
	}
	if c.field("cleaned") != "" {
		notes = append([]fieldlog.Event{{Kind: fieldlog.Cleaned, Tree: d.Tag, At: at, Person: c.field("person")}}, notes...)
	}
	if text := c.field("text"); text != "" {
		put(fieldlog.Event{Kind: fieldlog.Note, Text: text})
	}
	switch c.field("tree") {
	case "done":
		put(fieldlog.Event{Kind: fieldlog.Done})
	case "skip":
		put(fieldlog.Event{Kind: fieldlog.Skip, Reason: c.field("reason")})
	}
	return notes, faults
}

// parseLocal reads the time of a browser's field in a zone.
func parseLocal(text string, zone *time.Location) (string, error) {
	t, err := time.ParseInLocation("2006-01-02T15:04", text, zone)
	if err != nil {
		return "", err
	}
	return t.Format(time.RFC3339), nil
}

// takeBack sets one note aside: it was a slip.
func (s *Server) takeBack(c *call) error {
	n := fieldlog.Event{Kind: fieldlog.Void, Tree: c.r.PathValue("tag"), Of: c.field("of"), Reason: c.field("reason")}
	if n.Reason == "" {
		return &finding.Fault{Class: finding.Usage, ID: "field-needed", Args: finding.Args{"field_by": finding.Text("field-reason")}}
	}
	if _, err := s.app.Note(c.r.Context(), c.actor, c.id(), n, false); err != nil {
		return err
	}
	return c.gone("/days/"+c.id()+"/trees/"+url.PathEscape(n.Tree), c.T("web-done-taken-back"), "")
}
