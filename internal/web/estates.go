package web

import (
	"html/template"
	"net/http"
	"strings"
	"time"

	"sapward/internal/app"
	"sapward/internal/draw"
)

type estatesPage struct {
	Lines  []app.EstateLine
	Cards  int
	MayAdd bool
	Form   form
}

func (c *call) estateForm(action string, f app.EstateFacts, version int) form {
	var zones []option
	for _, z := range []string{"Europe/Madrid", "Europe/Berlin", "Europe/London", "America/New_York", "America/Chicago", "America/Denver", "America/Los_Angeles", "America/Mexico_City", "America/Bogota", "America/Santiago", "America/Argentina/Buenos_Aires", "Africa/Johannesburg", "Australia/Sydney", "UTC"} {
		zones = append(zones, option{z, ""})
	}
	if f.Zone == "" {
		f.Zone = "UTC"
	}
	return form{Action: action, Submit: c.T("web-save"), Name: "estate-form", Once: true, Inputs: []input{
		hidden("version", version),
		{Name: "name", Label: c.L("field-name"), Value: f.Name, Needed: true},
		{Name: "zone", Label: c.T("web-zone"), Value: f.Zone, Options: zones, Hint: c.T("web-zone-hint")},
		{Name: "territory", Label: c.L("field-territory"), Value: f.Territory, Hint: c.T("web-territory-hint")},
		{Name: "address", Label: c.L("field-address"), Value: f.Address},
		{Name: "note", Label: c.L("field-note"), Value: f.Note, Kind: "textarea"},
	}}
}

func (c *call) estateFacts() app.EstateFacts {
	return app.EstateFacts{Name: c.field("name"), Zone: c.field("zone"), Territory: c.field("territory"), Address: c.field("address"), Note: c.field("note")}
}

func (s *Server) estates(c *call) error {
	ctx := c.r.Context()
	lines, err := s.app.Estates(ctx, c.actor)
	if err != nil {
		return err
	}
	cards, err := s.app.Cards(ctx, c.actor)
	if err != nil {
		return err
	}
	return c.show("estates", c.T("web-nav-estates"), estatesPage{Lines: lines, Cards: len(cards), MayAdd: c.may("AddEstate", "")})
}

func (s *Server) newEstate(c *call) error {
	trail := crumb{c.T("web-nav-estates"), "/estates"}
	f := c.estateFacts()
	page := c.estateForm("/estates/new", f, 0)
	if c.r.Method == http.MethodGet {
		return c.show("form", c.T("web-estate-add"), page, trail)
	}
	e, err := s.app.AddEstate(c.r.Context(), c.actor, f)
	if fs, ok := usable(err); ok {
		c.wrong(&page, fs)
		return c.again("form", c.T("web-estate-add"), page, trail)
	}
	if err != nil {
		return err
	}
	return c.gone("/estates/"+e.ID, c.S("web-done-added", "what", e.Facts.Name), "")
}

// blockCard is a block as the estate's page shows it.
type blockCard struct {
	app.BlockLine
	Thumb template.HTML
}

type estatePage struct {
	app.EstateView
	Cards   []blockCard
	Due     []dueRow
	Map     template.HTML
	MayAdd  bool
	MayEdit bool
	MayFeed bool
	Feeds   []feedRow
}

// feedRow is a calendar address that works.
type feedRow struct{ ID, Made, Lang string }

// mostThumbs bounds the blocks drawn on one page; further ones are listed.
const mostThumbs = 24

func (s *Server) estate(c *call) error {
	ctx := c.r.Context()
	e, err := s.app.Estate(ctx, c.actor, c.id())
	if err != nil {
		return err
	}
	c.Zone = e.Facts.Location()
	p := estatePage{EstateView: e, MayAdd: c.may("AddBlock", e.ID), MayEdit: c.may("ChangeEstate", e.ID)}
	var globe []mapped
	for i, b := range e.Blocks {
		card := blockCard{BlockLine: b}
		if i < mostThumbs && b.Count.Trees > 0 && b.Count.Trees <= mostSketched {
			places, err := s.app.Places(ctx, c.actor, b.ID)
			if err != nil {
				return err
			}
			card.Thumb = c.sketch("sk"+b.ID, b.Facts, places)
			if m, ok := onGlobe(b, places); ok {
				globe = append(globe, m)
			}
		} else if m, ok := onGlobe(b, nil); ok {
			globe = append(globe, m)
		}
		p.Cards = append(p.Cards, card)
	}
	p.Map = c.estateMap(c.S("web-estate-map", "estate", e.Facts.Name), globe)
	if p.Due, err = c.dueRows(e.ID); err != nil {
		return err
	}
	feeds, err := s.app.Feeds(ctx, c.actor, e.ID)
	if err != nil {
		return err
	}
	for _, f := range feeds {
		row := feedRow{ID: f.ID, Lang: f.Facts.Lang}
		if at, err := time.Parse(app.TimeForm, f.Facts.MadeAt); err == nil {
			row.Made = c.Time(at)
		}
		p.Feeds = append(p.Feeds, row)
	}
	p.MayFeed = c.may("AddFeed", e.ID)
	return c.show("estate", e.Facts.Name, p, crumb{c.T("web-nav-estates"), "/estates"})
}

func (s *Server) editEstate(c *call) error {
	ctx := c.r.Context()
	e, err := s.app.Estate(ctx, c.actor, c.id())
	if err != nil {
		return err
	}
	here := "/estates/" + e.ID
	trail := []crumb{{c.T("web-nav-estates"), "/estates"}, {e.Facts.Name, here}}
	if c.r.Method == http.MethodGet {
		page := c.estateForm(here+"/edit", e.Facts, e.Version)
		page.Cancel = here
		return c.show("form", c.T("web-estate-change"), page, trail...)
	}
	f := c.estateFacts()
	page := c.estateForm(here+"/edit", f, c.number("version"))
	page.Cancel = here
	out, err := s.app.ChangeEstate(ctx, c.actor, e.ID, c.number("version"), f, "")
	if fs, ok := usable(err); ok {
		c.wrong(&page, fs)
		return c.again("form", c.T("web-estate-change"), page, trail...)
	}
	if con := conflict(err); con != nil {
		c.beside(&page, con, map[string]string{"name": "name", "zone": "zone", "territory": "territory", "address": "address", "note": "note"})
		c.Title, c.Trail, c.D = c.T("web-estate-change"), trail, page
		s.show(c.w, c.r, http.StatusConflict, "form", c.view)
		return nil
	}
	if err != nil {
		return err
	}
	return c.gone(here, c.T("web-done-saved"), out.Act)
}

// mostSketched bounds the trees of a sketch.
const mostSketched = 20_000

// sketch is a block in a few square centimetres: a dot a tree. In a large
// block every so many trees are drawn, which keeps its outline.
func (v *view) sketch(id string, b app.BlockFacts, places []app.Place) template.HTML {
	at := v.placesXY(places)
	if len(at) == 0 {
		return ""
	}
	x0, x1, y0, y1, first := 0.0, 0.0, 0.0, 0.0, true
	for _, p := range at {
		if first {
			x0, x1, y0, y1, first = p[0], p[0], p[1], p[1], false
		}
		x0, x1, y0, y1 = min(x0, p[0]), max(x1, p[0]), min(y0, p[1]), max(y1, p[1])
	}
	outline := v.outlineXY(b, places)
	for _, p := range outline {
		x0, x1, y0, y1 = min(x0, p.X), max(x1, p.X), min(y0, p.Y), max(y1, p.Y)
	}
	const w, h, edge = 300.0, 110.0, 10.0
	turn := (y1-y0)/max(x1-x0, 1) > 2 // a long block lies down
	dx, dy := x1-x0, y1-y0
	if turn {
		dx, dy = dy, dx
	}
	scale := min((w-2*edge)/max(dx, 1), (h-2*edge)/max(dy, 1))
	ox, oy := (w-scale*dx)/2, (h-scale*dy)/2
	sc := draw.Scene{ID: "s" + strings.ReplaceAll(id, "-", ""), Lang: v.Lang, Title: v.S("web-sketch-of", "block", b.Name), Desc: v.S("web-sketch-desc", "n", len(at)), Width: w, Height: h}
	place := func(px, py float64) draw.Point {
		x, y := px-x0, y1-py
		if turn {
			x, y = py-y0, px-x0
		}
		return draw.Point{X: ox + scale*x, Y: oy + scale*y}
	}
	var line []draw.Point
	for _, p := range outline {
		line = append(line, place(p.X, p.Y))
	}
	if len(line) > 2 {
		sc.Items = append(sc.Items, draw.Polygon(line, draw.Style{Stroke: draw.Leaf, WidthPx: 1.2, Dash: draw.LongDash}))
	}
	step := 1 + len(at)/1200
	r := min(3.2, max(1.7, scale*1.6))
	for i := 0; i < len(places); i += step {
		p, ok := at[i]
		if !ok {
			continue
		}
		role := draw.Leaf
		switch places[i].Status {
		case "suspect", "symptomatic":
			role = draw.Warn
		case "dead":
			role = draw.Muted
		}
		sc.Items = append(sc.Items, draw.Circle{C: place(p[0], p[1]), R: r, Style: draw.Style{Fill: role}})
	}
	return template.HTML(sc.SVGInline()) //nolint:gosec // the drawing escapes its own texts
}
