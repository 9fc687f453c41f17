package web

import (
	"bytes"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"sapward/apply/fieldlog"
	"sapward/finding"
	"sapward/internal/app"
	"sapward/internal/report"
)

// safeSVG marks a drawing of the program's own as it is.
func safeSVG(s string) template.HTML { return template.HTML(s) }

// dayHead is what every page of a day shows of it.
type dayHead struct {
	ID, Plan   string
	Version    int
	On, Closed string
	Open       bool
	MayLead    bool
	MayNote    bool
}

func (c *call) head(v app.DayView) dayHead {
	return dayHead{ID: v.ID, Plan: v.Parent, Version: v.Version, On: v.Facts.On, Closed: v.Facts.ClosedAt, Open: v.Facts.ClosedAt == "", MayLead: c.may("CloseDay", v.Estate.ID), MayNote: c.may("Note", v.Estate.ID)}
}

func (c *call) theDay() (app.DayView, error) {
	v, err := c.s.app.Day(c.r.Context(), c.actor, c.id())
	if err == nil {
		c.Zone = v.Estate.Facts.Location()
	}
	return v, err
}

func (c *call) dayTrail(v app.DayView) []crumb {
	return append(c.blockTrail(v.Estate, v.Block), crumb{c.S("web-plan-title", "block", v.Block.Facts.Name), "/plans/" + v.Parent}, crumb{c.S("web-day-title", "on", v.Facts.On), "/days/" + v.ID})
}

// openDay opens a day from an approved plan.
func (s *Server) openDay(c *call) error {
	d, err := s.app.OpenDay(c.r.Context(), c.actor, c.id(), app.DayOrder{On: c.field("on"), Number: max(c.number("number"), 0), People: lines(c.field("people")), Trees: lines(c.field("trees"))})
	if err != nil {
		return err
	}
	return c.gone("/days/"+d.ID, c.T("web-done-day"), "")
}

// lines are the entries of a text: one a line, or between commas.
func lines(text string) (out []string) {
	for _, l := range strings.FieldsFunc(text, func(r rune) bool { return r == '\n' || r == '\r' || r == ',' || r == ';' }) {
		if l = strings.TrimSpace(l); l != "" {
			out = append(out, l)
		}
	}
	return out
}

// board is the lead's view of a day.
type board struct {
	dayHead
	Figures   []figure
	Tiles     []tile
	People    []boardPerson
	Outlook   *outlookView
	Balance   balanceView
	Returns   []boardReturn
	Conflicts []boardConflict
	Incidents []boardNote
	Notes     []boardNote
	Findings  []said
	Troubles  []string
	News      []string // what is good to know and asks for nothing
	Stages    []stageCount
	Live      string
	At        string
	Photos    []boardPhoto
	Waiting   int // pictures spoken of that are not here yet
	Trees     string
	Names     string
	Record    string
	Profiles  []option
}

type tile struct {
	Tag, Href, Stage, Word, Note string
	Closed, Ports, Read          int
	Flag                         bool
}

type stageCount struct {
	Stage, Word string
	N           int
}

type boardPerson struct {
	ID, Name, At, Ago, Phone, PhoneID string
	Trees, Done, Waiting              int
	Late                              bool
}

type balanceView struct {
	Drawn, Returned, Delivered, Lost, Left, Unread, Missing, Within string
	Known, Fits, Some                                               bool
}

type boardReturn struct{ Text, Why, Href string }

type boardConflict struct {
	Title string
	Tree  string
	Sides []boardSide
}

type boardSide struct{ ID, Text, Others string }

type boardNote struct{ At, Who, Text, Kind string }

type boardPhoto struct{ Href, Text string }

// quietAfter is how long nothing may be heard of a person at work before the
// board says so (program default).
const quietAfter = 45 * time.Minute

func (c *call) ml(ul int64) string { return c.Volume(float64(ul) / 1000) }

func (c *call) board(v app.DayView) *board {
	st := v.State
	b := &board{dayHead: c.head(v), Live: "/days/" + v.ID, At: c.Time(v.Checked)}
	treesDone := st.ByStage[fieldlog.Finished]
	b.Figures = []figure{
		{c.T("web-day-trees-done"), fmt.Sprintf("%d / %d", treesDone, len(st.Trees)), ""},
		{c.T("web-day-ports-closed"), fmt.Sprintf("%d / %d", st.Closed, st.Ports), ""},
		{c.T("web-day-planned"), c.ml(st.PlannedUL), ""},
		{c.T("web-day-read"), c.ml(st.Balance.DeliveredUL + st.Balance.LostUL), c.T("web-day-read-note")},
	}
	if st.Balance.UnreadUL > 0 {
		b.Figures = append(b.Figures, figure{c.T("web-day-unread"), c.ml(st.Balance.UnreadUL), c.T("web-day-unread-note")})
	}
	for _, s := range []fieldlog.TreeStage{fieldlog.ToDo, fieldlog.UnderWay, fieldlog.Waiting, fieldlog.Finished, fieldlog.Skipped, fieldlog.NoDose} {
		if n := st.ByStage[s]; n > 0 {
			b.Stages = append(b.Stages, stageCount{string(s), c.T("day-stage-" + string(s)), n})
		}
	}
	for _, t := range st.Trees {
		word := c.T("day-stage-" + string(t.Stage))
		if t.Stage == fieldlog.Waiting { // a long word in a narrow tile: it says where it may break
			word = c.T("day-tile-waiting")
		}
		b.Tiles = append(b.Tiles, tile{Tag: t.Tag, Href: b.Live + "/trees/" + url.PathEscape(t.Tag), Stage: string(t.Stage), Word: word, Closed: t.Closed, Ports: t.Ports, Read: t.Read, Note: t.Why, Flag: t.Leaking || t.Conflicts > 0})
	}
	c.boardPeople(b, v)
	b.Outlook = c.outlook(v)
	m := st.Balance
	b.Balance = balanceView{c.ml(m.DrawnUL), c.ml(m.ReturnedUL), c.ml(m.DeliveredUL), c.ml(m.LostUL), c.ml(m.LeftUL), c.ml(m.UnreadUL), c.ml(m.MissingUL), c.ml(m.WithinUL), m.Known, m.Fits, m.DrawnUL > 0}
	b.Returns = c.boardReturns(b.Live, st.Returns)
	for _, k := range st.Conflicts {
		b.Conflicts = append(b.Conflicts, c.boardConflict(v, k))
	}
	who := map[string]string{}
	for _, p := range v.Facts.People {
		who[p.ID] = p.Name
	}
	for _, n := range st.Incidents {
		b.Incidents = append(b.Incidents, boardNote{c.instant(n.At), orElse(who[n.Person], c.name(n.Person)), n.Text, c.T("day-incident-" + n.Reason)})
	}
	for _, n := range st.Notes {
		if n.Kind == fieldlog.Note {
			b.Notes = append(b.Notes, boardNote{c.instant(n.At), orElse(who[n.Person], c.name(n.Person)), n.Text, ""})
		}
	}
	b.Findings = c.sayAll(st.Findings)
	names := map[string]string{}
	for _, p := range v.Phones {
		names[p.ID] = p.Facts.Name
	}
	for _, g := range st.Gaps {
		b.Troubles = append(b.Troubles, c.S("web-day-gap", "name", orElse(names[g.Device], g.Device), "n", len(g.Missing), "last", int(g.Last)))
	}
	if n := len(v.ByFile); n > 0 {
		b.News = append(b.News, c.S("web-day-by-file", "n", n))
	}
	if n := len(st.Clashes); n > 0 {
		b.Troubles = append(b.Troubles, c.S("web-day-clash", "n", n))
	}
	c.boardPhotos(b, v)
	b.Trees, b.Record, b.Profiles = strings.Join(v.Facts.Trees, ", "), v.Record, profileOptions()
	for _, p := range v.Facts.People {
		b.Names += p.Name + "\n"
	}
	return b
}

// boardReturns puts what is to come back for into words, a line for each tree
// and reason.
func (c *call) boardReturns(here string, list []fieldlog.ComeBack) (out []boardReturn) {
	for i := 0; i < len(list); {
		r, ports := list[i], []string{}
		for ; i < len(list) && list[i].Tree == r.Tree && list[i].What == r.What; i++ {
			if list[i].Port > 0 {
				ports = append(ports, strconv.Itoa(list[i].Port))
			}
		}
		out = append(out, boardReturn{c.S(r.What, "tree", r.Tree, "ports", strings.Join(ports, ", ")), r.Why, here + "/trees/" + url.PathEscape(r.Tree)})
	}
	return out
}

func (c *call) boardPeople(b *board, v app.DayView) {
	phone := map[string]app.Phone{}
	for _, p := range v.Phones {
		if had, ok := phone[p.Facts.Person]; !ok || had.Facts.JoinedAt < p.Facts.JoinedAt {
			phone[p.Facts.Person] = p
		}
	}
	for _, p := range v.State.People {
		line := boardPerson{ID: p.ID, Name: p.Name, At: p.At, Trees: p.Trees, Done: p.Done, Waiting: p.Waiting}
		if t, ok := fieldlog.Instant(p.LastAt); ok {
			line.Ago = c.ago(v.Checked.Sub(t))
			line.Late = b.Open && p.Done < p.Trees && v.Checked.Sub(t) > quietAfter
		}
		if x, ok := phone[p.ID]; ok {
			line.PhoneID = x.ID
			switch {
			case x.Facts.RevokedAt != "":
				line.Phone, line.PhoneID = "revoked", ""
			case x.Facts.JoinedAt != "":
				line.Phone = "joined"
			default:
				line.Phone, line.PhoneID = "", ""
			}
		}
		b.People = append(b.People, line)
	}
}

// ago is how long ago in round words.
func (c *call) ago(d time.Duration) string {
	switch {
	case d < time.Minute:
		return c.T("web-day-just-now")
	case d < 2*time.Hour:
		return c.S("web-day-minutes-ago", "n", int(d.Minutes()))
	case d < 48*time.Hour:
		return c.S("web-day-hours-ago", "n", int(d.Hours()))
	}
	return c.S("web-day-days-ago", "n", int(d.Hours()/24))
}

func (c *call) instant(s string) string {
	t, ok := fieldlog.Instant(s)
	if !ok {
		return s
	}
	return c.Time(t)
}

// boardConflict puts both sides of a conflict into words.
func (c *call) boardConflict(v app.DayView, k fieldlog.Conflict) boardConflict {
	out := boardConflict{Title: c.S("day-conflict-"+string(k.Kind), "tree", k.Tree, "port", k.Port), Tree: k.Tree}
	for _, e := range v.Log.Events(k.Tree) {
		if !slices.Contains(k.IDs, e.ID) {
			continue
		}
		var others []string
		for _, id := range k.IDs {
			if id != e.ID {
				others = append(others, id)
			}
		}
		out.Sides = append(out.Sides, boardSide{e.ID, c.event(v, e), strings.Join(others, " ")})
	}
	return out
}

// event puts one note into words: who, when, what.
func (c *call) event(v app.DayView, e fieldlog.Event) string {
	who := c.name(e.Person)
	for _, p := range v.Facts.People {
		if p.ID == e.Person {
			who = p.Name
		}
	}
	parts := []string{c.T("day-note-" + string(e.Kind))}
	if e.Port > 0 {
		parts = append(parts, c.S("day-port", "port", e.Port))
	}
	put := func(id string, ul *int64) {
		if ul != nil {
			parts = append(parts, c.S(id, "volume", c.ml(*ul)))
		}
	}
	put("day-volume", e.VolumeUL)
	if e.Kind == fieldlog.Read || e.Kind == fieldlog.Refuse {
		if e.LeftUL == nil {
			parts = append(parts, c.T("day-not-read"))
		}
		put("day-left", e.LeftUL)
	}
	put("day-lost", e.LostUL)
	if e.To > 0 {
		parts = append(parts, c.S("day-to", "port", e.To))
	}
	if e.Replaces > 0 {
		parts = append(parts, c.S("day-replaces", "port", e.Replaces))
	}
	length := func(id string, mm *int64) {
		if mm != nil {
			parts = append(parts, c.S(id, "length", c.Length(float64(*mm)/10)))
		}
	}
	length("day-along", e.AlongMM)
	length("day-height", e.HeightMM)
	if e.DepthMM != nil {
		parts = append(parts, c.S("day-depth", "length", fmt.Sprintf("%d mm", *e.DepthMM)))
	}
	for _, s := range []string{e.Reading, e.Container, e.Lot, e.Text, e.Reason} {
		if s != "" {
			parts = append(parts, s)
		}
	}
	if v.ByFile[e.ID] {
		parts = append(parts, c.T("web-phonefile-came"))
	}
	line := strings.Join(parts, " · ")
	when := c.instant(e.At)
	if e.EnteredAt != "" {
		return c.S("day-line-later", "what", line, "who", who, "when", when, "entered", c.instant(e.EnteredAt))
	}
	return c.S("day-note-line", "what", line, "who", who, "when", when)
}

// boardPhotos lists the pictures that are here and counts those spoken of that
// are not yet.
func (c *call) boardPhotos(b *board, v app.DayView) {
	here := map[string]bool{}
	for h := range v.Photos {
		here[h] = true
	}
	put := func(tag string, e fieldlog.Event) {
		if e.Kind != fieldlog.Photo {
			return
		}
		if !here[e.Photo] {
			b.Waiting++
			return
		}
		b.Photos = append(b.Photos, boardPhoto{"/files/" + e.Photo + "-" + v.ID, strings.Trim(tag+" · "+c.instant(e.At)+" · "+e.Text, " ·")})
	}
	for _, t := range v.State.Trees {
		if s := v.Log.Tree(t.Tag); s != nil {
			for _, e := range s.Notes {
				put(t.Tag, e)
			}
		}
	}
	for _, e := range v.State.Notes {
		put("", e)
	}
}

func (s *Server) showDay(c *call) error {
	v, err := c.theDay()
	if err != nil {
		return err
	}
	c.Sub = v.Plan.Product + " · " + c.T("method-"+v.Plan.Method)
	trail := c.dayTrail(v)
	return c.show("day", c.S("web-day-of", "block", v.Block.Facts.Name, "on", v.Facts.On), c.board(v), trail[:len(trail)-1]...)
}

// dayBoard is the part of the page that follows the phones.
func (s *Server) dayBoard(c *call) error {
	v, err := c.theDay()
	if err != nil {
		return err
	}
	c.D = c.board(v)
	s.part(c.w, c.r, http.StatusOK, "day", "board", c.view)
	return nil
}

func (s *Server) changeDay(c *call) error {
	if _, err := s.app.ChangeDay(c.r.Context(), c.actor, c.id(), c.number("version"), app.DayOrder{People: lines(c.field("people")), Trees: lines(c.field("trees")), Note: c.field("note")}); err != nil {
		return err
	}
	return c.gone("/days/"+c.id(), c.T("web-done-day-changed"), "")
}

func (s *Server) closeDay(c *call) error {
	if _, err := s.app.CloseDay(c.r.Context(), c.actor, c.id(), c.number("version")); err != nil {
		return err
	}
	return c.gone("/days/"+c.id(), c.T("web-done-day-closed"), "")
}

func (s *Server) revokePhone(c *call) error {
	if _, err := s.app.RevokePhone(c.r.Context(), c.actor, c.r.PathValue("phone"), c.T("web-day-lost")); err != nil {
		return err
	}
	return c.gone("/days/"+c.id(), c.T("web-done-phone-revoked"), "")
}

// decide keeps one of several notes that contradict each other.
func (s *Server) decide(c *call) error {
	drop := strings.Fields(c.field("drop"))
	n := fieldlog.Event{Kind: fieldlog.Decide, Tree: c.field("tree"), Of: c.field("keep"), Drop: drop, Reason: c.field("reason")}
	if n.Reason == "" {
		return &finding.Fault{Class: finding.Usage, ID: "field-needed", Args: finding.Args{"field_by": finding.Text("field-reason")}}
	}
	if _, err := s.app.Note(c.r.Context(), c.actor, c.id(), n, false); err != nil {
		return err
	}
	return c.gone("/days/"+c.id(), c.T("web-done-decided"), "")
}

// dayTags prints the tags of a day's trees.
func (s *Server) dayTags(c *call) error {
	v, err := c.theDay()
	if err != nil {
		return err
	}
	in := report.TagsInput{Say: c.Printer, Paper: pick(c.US, "letter", "a4"), Created: v.At, Engine: s.opt.Version}
	if size := c.field("size"); slices.Contains([]string{"small", "medium", "large"}, size) {
		in.Sizes = []report.TagSize{report.TagSize(size)}
	}
	for _, t := range v.Pack.Trees {
		in.Tags = append(in.Tags, report.TreeTag{Tree: t.Tag, Key: t.Key, Code: t.Code})
	}
	var b bytes.Buffer
	if err := report.Tags(&b, in); err != nil {
		return err
	}
	c.w.Header().Set("Content-Type", "application/pdf")
	c.w.Header().Set("Content-Disposition", `inline; filename="tags.pdf"`)
	_, _ = c.w.Write(b.Bytes())
	return nil
}

// crewNames are the people of the plan's crew, a line each, and the days of its
// schedule where it has more than one.
func crewNames(v app.PlanView) (names string, days []int) {
	if v.Doc.Outfit == nil {
		return "", nil
	}
	seen := map[string]bool{}
	for _, d := range v.Doc.Schedule.Days {
		days = append(days, d.Number)
		for _, p := range d.People {
			if !seen[p.Person] {
				seen[p.Person] = true
				names += p.Person + "\n"
			}
		}
	}
	if len(days) < 2 {
		days = nil
	}
	return strings.TrimSpace(names), days
}
