package web

import (
	"bytes"
	"html/template"
	"io"
	"math"
	"net/http"
	"path"
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/internal/app"
	"sapward/internal/draw"
	"sapward/measure/tree"
)

var statuses = []string{"healthy", "suspect", "symptomatic", "dead"}

func (v *view) statusOptions() []option {
	out := []option{{"", v.T("web-not-said")}}
	for _, s := range statuses {
		out = append(out, option{s, v.T("web-status-" + s)})
	}
	return out
}

func (v *view) woodOptions() []option {
	out := []option{{"", v.T("web-not-said")}}
	for _, w := range []tree.Wood{tree.RingPorous, tree.DiffusePorous, tree.Conifer, tree.Palm} {
		out = append(out, option{string(w), v.T("web-wood-" + string(w))})
	}
	return out
}

// blockTrail is the way to a block.
func (c *call) blockTrail(e app.Estate, b app.Block) []crumb {
	c.Zone = e.Facts.Location()
	return []crumb{{c.T("web-nav-estates"), "/estates"}, {e.Facts.Name, "/estates/" + e.ID}, {b.Facts.Name, "/blocks/" + b.ID}}
}

type treesPage struct {
	Block    app.BlockView
	Query    app.TreeQuery
	Trees    []app.Tree
	Next     string
	Statuses []option
	MayAdd   bool
	Map      template.HTML
	Unplaced int
}

// pageSize is how many trees a page of the table holds.
const pageSize = 100

func (s *Server) trees(c *call) error {
	ctx := c.r.Context()
	b, err := s.app.Block(ctx, c.actor, c.id())
	if err != nil {
		return err
	}
	q := app.TreeQuery{Block: b.ID, Text: c.field("q"), Status: c.field("status"), After: app.Key{Sort: c.r.FormValue("after"), ID: c.r.FormValue("afterid")}, Limit: pageSize}
	list, err := s.app.Trees(ctx, c.actor, q)
	if err != nil {
		return err
	}
	p := treesPage{Block: b, Query: q, Trees: list.Trees, Statuses: append(c.statusOptions(), option{"unmeasured", c.T("web-unmeasured")}), MayAdd: c.may("AddTree", b.Estate.ID)}
	p.Statuses[0].Text = c.T("web-any-status")
	if list.Next.ID != "" {
		p.Next = "/blocks/" + b.ID + "/trees?q=" + queryEscape(q.Text) + "&status=" + queryEscape(q.Status) + "&after=" + queryEscape(list.Next.Sort) + "&afterid=" + queryEscape(list.Next.ID)
	}
	c.Title, c.Trail, c.D = c.T("web-trees"), c.blockTrail(b.Estate, b.Block), p
	if c.r.Header.Get("HX-Target") == "tree-table" {
		s.part(c.w, c.r, http.StatusOK, "trees", "treetable", c.view)
		return nil
	}
	return c.show("trees", c.S("web-trees-of", "block", b.Facts.Name), p, c.Trail...)
}

type treePage struct {
	app.TreeView
	Ring     template.HTML
	Rows     []historyRow
	MayTape  bool
	MayRate  bool
	MayWound bool
	MayEdit  bool
	MayFile  bool
	Tape     form
	Rate     form
	Wound    form
}

func (s *Server) tree(c *call) error {
	t, err := s.app.Tree(c.r.Context(), c.actor, c.id())
	if err != nil {
		return err
	}
	return c.showTree(t, nil)
}

// showTree shows a tree; bad, if not nil, is one of its forms with what was
// wrong with it.
func (c *call) showTree(t app.TreeView, bad *form) error {
	trail := c.blockTrail(t.Estate, t.Block)
	trail = append(trail, crumb{c.T("web-trees"), "/blocks/" + t.Block.ID + "/trees"})
	p := treePage{TreeView: t}
	p.MayTape, p.MayRate = c.may("MeasureTree", t.Estate.ID), c.may("RateTree", t.Estate.ID)
	p.MayWound, p.MayEdit = c.may("AddWound", t.Estate.ID), c.may("ChangeTree", t.Estate.ID)
	p.MayFile = c.may("Attach", t.Estate.ID)
	p.Tape, p.Rate, p.Wound = c.tapeForm(t), c.rateForm(t), c.woundForm(t)
	p.Ring = c.treeRing(t)
	p.Rows = c.historyRows(t.History)
	title := c.S("web-tree-title", "tag", t.Facts.Tag)
	if bad != nil {
		for _, f := range []*form{&p.Tape, &p.Rate, &p.Wound} {
			if f.Name == bad.Name {
				*f = *bad
			}
		}
		return c.again("tree", title, p, trail...)
	}
	return c.show("tree", title, p, trail...)
}

func (c *call) tapeForm(t app.TreeView) form {
	unit, kinds := "cm", []option{{"girth", c.L("field-girth")}, {"diameter", c.L("field-diameter")}}
	if c.US {
		unit = "in"
	}
	return form{Name: "tape", Action: "/trees/" + t.ID + "/measure", Submit: c.T("web-tape-keep"), Once: true, Wide: true, Inputs: []input{
		hidden("version", t.Version),
		{Name: "kind", Label: c.T("web-tape-read"), Kind: "select", Options: kinds, Value: "girth"},
		{Name: "reading", Label: c.T("web-reading"), Kind: "number", Unit: unit, Needed: true, Part: "girth"},
		{Name: "at", Label: c.L("field-measured-at"), Kind: "number", Unit: pick(c.US, "ft", "m"), Value: pick(c.US, "4.5", "1.3")},
		{Name: "stem", Label: c.L("field-stem"), Hint: c.T("web-stem-hint")},
		{Name: "on", Label: c.L("field-measured-on"), Kind: "date", Part: "measured-on"},
		{Name: "taker", Label: c.L("field-taker"), Value: ""},
		{Name: "instrument", Label: c.L("field-instrument")},
		{Name: "reason", Label: c.T("web-reason"), Hint: c.T("web-reason-hint")},
	}}
}

func (c *call) measure(t app.TreeView) (app.Tree, error) {
	unit, at := " cm", " m"
	if c.US {
		unit, at = " in", " ft"
	}
	stem := app.StemFacts{Name: c.field("stem"), On: c.field("on"), Taker: c.field("taker"), Instrument: c.field("instrument")}
	with := func(text, unit string) string {
		if text == "" || text[len(text)-1] > '9' { // a unit of its own
			return text
		}
		return text + unit
	}
	if c.field("kind") == "diameter" {
		stem.DiameterCM = with(c.field("reading"), unit)
	} else {
		stem.GirthCM = with(c.field("reading"), unit)
	}
	stem.MeasuredAtM = with(c.field("at"), at)
	return c.s.app.MeasureTree(c.r.Context(), c.actor, t.ID, c.number("version"), []app.StemFacts{stem}, c.field("reason"))
}

func (c *call) rateForm(t app.TreeView) form {
	return form{Name: "rate", Action: "/trees/" + t.ID + "/rate", Submit: c.T("web-save"), Once: true, Wide: true, Inputs: []input{
		hidden("version", t.Version),
		{Name: "status", Label: c.L("field-status"), Kind: "select", Options: c.statusOptions(), Value: t.Facts.Status},
		{Name: "loss", Label: c.L("field-rating"), Kind: "number", Unit: "%", Value: t.Facts.CrownLossPct, Part: "rating"},
		{Name: "on", Label: c.L("field-rated-on"), Kind: "date", Value: t.Facts.RatedOn, Part: "rated-on"},
	}}
}

func (c *call) woundForm(t app.TreeView) form {
	return form{Name: "wound", Action: "/trees/" + t.ID + "/wounds", Submit: c.T("web-wound-add"), Once: true, Wide: true, Inputs: []input{
		{Name: "azimuth", Label: c.T("web-azimuth"), Kind: "number", Unit: "°", Needed: true},
		{Name: "height", Label: c.L("field-height"), Kind: "number", Unit: pick(c.US, "in", "cm"), Needed: true},
		{Name: "depth", Label: c.L("field-depth"), Kind: "number", Unit: "mm"},
		{Name: "hole", Label: c.L("field-hole"), Kind: "number", Unit: "mm", Needed: true},
		{Name: "on", Label: c.L("field-made-on"), Kind: "date", Part: "made-on", Needed: true},
		{Name: "stem", Label: c.L("field-stem")},
		{Name: "note", Label: c.L("field-note")},
	}}
}

func (c *call) woundFacts() app.WoundFacts {
	az, err := strconv.ParseFloat(c.field("azimuth"), 64)
	if err != nil {
		az = math.NaN()
	}
	h := c.field("height")
	if c.US && h != "" {
		h += " in"
	}
	return app.WoundFacts{AzimuthDeg: az, HeightCM: h, DepthMM: c.field("depth"), HoleMM: c.field("hole"), On: c.field("on"), Stem: c.field("stem"), Note: c.field("note")}
}

// treeDo is one of the small forms of a tree's page.
func (s *Server) treeDo(what string) func(c *call) error {
	return func(c *call) error {
		ctx := c.r.Context()
		t, err := s.app.Tree(ctx, c.actor, c.id())
		if err != nil {
			return err
		}
		here := "/trees/" + t.ID
		var act, said string
		var f form
		switch what {
		case "measure":
			var out app.Tree
			f = c.tapeForm(t)
			out, err = c.measure(t)
			act, said = out.Act, c.T("web-done-taped")
		case "rate":
			var out app.Tree
			f = c.rateForm(t)
			out, err = s.app.RateTree(ctx, c.actor, t.ID, c.number("version"), c.field("status"), c.field("loss"), c.field("on"))
			act, said = out.Act, c.T("web-done-saved")
		case "wounds":
			var out app.Wound
			f = c.woundForm(t)
			out, err = s.app.AddWound(ctx, c.actor, t.ID, c.woundFacts())
			act, said = out.Act, c.T("web-done-wound")
		}
		fs, bad := usable(err)
		con := conflict(err)
		if bad || con != nil {
			for i := range f.Inputs {
				if f.Inputs[i].Kind != "hidden" {
					f.Inputs[i].Value = c.field(f.Inputs[i].Name)
				}
			}
			if con != nil {
				f.Theirs = &theirs{By: c.name(con.Theirs.By), At: con.Theirs.At}
			} else {
				c.wrong(&f, fs)
			}
			return c.showTree(t, &f)
		}
		if err != nil {
			return err
		}
		return c.gone(here, said, act)
	}
}

// attach keeps a file beside a tree. What it is follows from its bytes, not from
// what the browser says.
func (s *Server) attach(c *call) error {
	t, err := s.app.Tree(c.r.Context(), c.actor, c.id())
	if err != nil {
		return err
	}
	file, header, err := c.r.FormFile("file")
	if err != nil {
		return &finding.Fault{Class: finding.Usage, ID: "web-file-needed"}
	}
	defer file.Close()
	head := make([]byte, 512)
	n, err := io.ReadFull(file, head)
	if err != nil && err != io.ErrUnexpectedEOF {
		return &finding.Fault{Class: finding.Usage, ID: "web-file-needed", Cause: err}
	}
	out, err := s.app.Attach(c.r.Context(), c.actor, app.TypeTree, t.ID, header.Filename, mediaOf(head[:n], header.Filename), c.field("note"), io.MultiReader(bytes.NewReader(head[:n]), file))
	if err != nil {
		return err
	}
	return c.gone("/trees/"+t.ID, c.S("web-done-added", "what", out.Facts.Name), out.Act)
}

// mediaOf is the media type of a file by its first bytes; its name decides only
// between types whose bytes look alike.
func mediaOf(head []byte, name string) string {
	kind := http.DetectContentType(head)
	switch ext := strings.ToLower(path.Ext(name)); {
	case kind == "application/zip" && ext == ".xlsx":
		return "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
	case kind == "application/octet-stream" && ext == ".heic" && len(head) > 12 && string(head[4:8]) == "ftyp":
		return "image/heic"
	case strings.HasPrefix(kind, "text/"):
		kinds := map[string]string{".txt": "text/plain", ".csv": "text/csv", ".json": "application/json", ".geojson": "application/geo+json", ".gpx": "application/gpx+xml"}
		return orElse(kinds[ext], "application/octet-stream")
	}
	return kind
}

// file sends a kept file as a download; nothing in it is run here.
func (s *Server) file(c *call) error {
	at, f, err := s.app.OpenAttachment(c.r.Context(), c.actor, c.id())
	if err != nil {
		return err
	}
	defer f.Close()
	ext := path.Ext(at.Facts.Name)
	h := c.w.Header()
	h.Set("Content-Type", at.Facts.Type)
	h.Set("Content-Disposition", `attachment; filename="`+fileName(strings.TrimSuffix(at.Facts.Name, ext))+"."+fileName(strings.TrimPrefix(ext, "."))+`"`)
	_, err = io.Copy(c.w, f)
	return err
}

// closeWound keeps that a wound has closed.
func (s *Server) closeWound(c *call) error {
	ctx := c.r.Context()
	t, err := s.app.Tree(ctx, c.actor, c.id())
	if err != nil {
		return err
	}
	for _, w := range t.Wounds {
		if w.ID == c.r.PathValue("wound") {
			f := w.Facts
			f.Closed, f.ClosedOn = true, c.field("on")
			out, err := s.app.ChangeWound(ctx, c.actor, w.ID, w.Version, f, "")
			if err != nil {
				return err
			}
			return c.gone("/trees/"+t.ID, c.T("web-done-closed"), out.Act)
		}
	}
	return missingPage()
}

func (c *call) treeForm(action string, f app.TreeFacts, version int) form {
	num := func(p *float64) string {
		if p == nil {
			return ""
		}
		return strconv.FormatFloat(*p, 'f', -1, 64)
	}
	bearing := ""
	if f.Bearing != nil {
		bearing = pick(*f.Bearing, "yes", "no")
	}
	return form{Action: action, Submit: c.T("web-save"), Name: "tree-form", Once: true, Wide: true, Inputs: []input{
		hidden("version", version),
		{Name: "tag", Label: c.L("field-tag"), Value: f.Tag, Needed: true},
		{Name: "species", Label: c.L("field-species"), Value: f.Species},
		{Name: "wood", Label: c.L("field-wood"), Kind: "select", Options: c.woodOptions(), Value: f.Wood},
		{Name: "status", Label: c.L("field-status"), Kind: "select", Options: c.statusOptions(), Value: f.Status},
		{Name: "height", Label: c.L("field-height"), Kind: "number", Unit: pick(c.US, "ft", "m"), Value: c.feetShown(f.HeightM)},
		{Name: "crown", Label: c.L("field-crown"), Kind: "number", Unit: pick(c.US, "ft", "m"), Value: c.feetShown(f.CrownM)},
		{Name: "bearing", Label: c.T("web-bearing"), Kind: "select", Value: bearing, Options: []option{{"", c.T("web-not-said")}, {"yes", c.T("crew-yes")}, {"no", c.T("crew-no")}}},
		{Name: "x", Label: c.T("web-x"), Kind: "number", Unit: "m", Value: num(f.XM), Part: "place"},
		{Name: "y", Label: c.T("web-y"), Kind: "number", Unit: "m", Value: num(f.YM)},
		{Name: "lat", Label: c.T("web-lat"), Kind: "number", Unit: "°", Value: num(f.Lat)},
		{Name: "lon", Label: c.T("web-lon"), Kind: "number", Unit: "°", Value: num(f.Lon)},
		{Name: "note", Label: c.L("field-note"), Value: f.Note, Kind: "textarea"},
	}}
}

// feetShown writes a decimal text of metres in the reader's unit for a field;
// what cannot be read is shown as it was typed.
func (v *view) feetShown(m string) string {
	x, err := strconv.ParseFloat(m, 64)
	if err != nil || !v.US {
		return m
	}
	return v.Fig(x/0.3048, 2)
}

// feetTyped gives a length typed in feet its unit; one that was not touched
// stays as it was kept, so that no rounding creeps in.
func (v *view) feetTyped(text, before string) string {
	switch {
	case !v.US || text == "" || text[len(text)-1] > '9':
		return text
	case v.feetShown(before) == text:
		return before
	}
	return text + " ft"
}

func (c *call) treeFacts(f app.TreeFacts) app.TreeFacts {
	num := func(name string) *float64 {
		x, err := strconv.ParseFloat(c.field(name), 64)
		if err != nil {
			return nil
		}
		return &x
	}
	f.Tag, f.Species, f.Wood, f.Status = c.field("tag"), c.field("species"), c.field("wood"), c.field("status")
	f.HeightM, f.CrownM, f.Note = c.feetTyped(c.field("height"), f.HeightM), c.feetTyped(c.field("crown"), f.CrownM), c.field("note")
	f.XM, f.YM, f.Lat, f.Lon = num("x"), num("y"), num("lat"), num("lon")
	f.Bearing = nil
	if b := c.field("bearing"); b != "" {
		yes := b == "yes"
		f.Bearing = &yes
	}
	return f
}

func (s *Server) newTree(c *call) error {
	ctx := c.r.Context()
	b, err := s.app.Block(ctx, c.actor, c.id())
	if err != nil {
		return err
	}
	trail := c.blockTrail(b.Estate, b.Block)
	action := "/blocks/" + b.ID + "/trees/new"
	if c.r.Method == http.MethodGet {
		return c.show("form", c.T("web-tree-add"), c.treeForm(action, app.TreeFacts{Species: b.Facts.Species, Status: "healthy"}, 0), trail...)
	}
	f := c.treeFacts(app.TreeFacts{})
	t, err := s.app.AddTree(ctx, c.actor, b.ID, f)
	if fs, ok := usable(err); ok {
		page := c.treeForm(action, f, 0)
		c.wrong(&page, fs)
		return c.again("form", c.T("web-tree-add"), page, trail...)
	}
	if err != nil {
		return err
	}
	return c.gone("/trees/"+t.ID, c.S("web-done-added", "what", t.Facts.Tag), "")
}

func (s *Server) editTree(c *call) error {
	ctx := c.r.Context()
	t, err := s.app.Tree(ctx, c.actor, c.id())
	if err != nil {
		return err
	}
	here := "/trees/" + t.ID
	trail := append(c.blockTrail(t.Estate, t.Block), crumb{t.Facts.Tag, here})
	title := c.S("web-tree-change", "tag", t.Facts.Tag)
	if c.r.Method == http.MethodGet {
		page := c.treeForm(here+"/edit", t.Facts, t.Version)
		page.Cancel = here
		return c.show("form", title, page, trail...)
	}
	f := c.treeFacts(t.Facts)
	page := c.treeForm(here+"/edit", f, c.number("version"))
	page.Cancel = here
	out, err := s.app.ChangeTree(ctx, c.actor, t.ID, c.number("version"), f, "")
	if fs, ok := usable(err); ok {
		c.wrong(&page, fs)
		return c.again("form", title, page, trail...)
	}
	if con := conflict(err); con != nil {
		c.beside(&page, con, map[string]string{"tag": "tag", "species": "species", "wood": "wood", "status": "status", "height": "height_m", "crown": "crown_m", "x": "x_m", "y": "y_m", "lat": "lat", "lon": "lon", "note": "note"})
		c.Title, c.Trail, c.D = title, trail, page
		s.show(c.w, c.r, http.StatusConflict, "form", c.view)
		return nil
	}
	if err != nil {
		return err
	}
	return c.gone(here, c.T("web-done-saved"), out.Act)
}

// treeRing draws the trunk with its wounds; without a reading there is none.
func (c *call) treeRing(t app.TreeView) template.HTML {
	d := t.Facts.Diameter()
	if d < 1 {
		return ""
	}
	core := t.Facts.Tree()
	r := draw.Ring{Frame: c.frame(draw.KindRing, "ring", 330, c.S("web-tree-title", "tag", t.Facts.Tag), c.S("web-wounds-desc", "n", len(t.Wounds))), DiameterCm: d, Unit: c.lengthUnit()}
	if len(core.Stems) > 0 && core.Stems[0].Bark.Known {
		r.BarkMm = core.Stems[0].Bark.Value.Float() * 10
	}
	var ws []tree.Wound
	for _, w := range t.Wounds {
		ws = append(ws, coreWound(w.Facts))
	}
	r.OldHoles = oldHoles(ws)
	for i, w := range t.Wounds {
		if mm, err := strconv.ParseFloat(w.Facts.DepthMM, 64); err == nil {
			r.OldHoles[i].DepthMm = mm
		}
	}
	for _, o := range t.Facts.Obstacles {
		r.Blocked = append(r.Blocked, draw.Blocked{FromDeg: o.FromDeg, ToDeg: o.ToDeg, Label: c.obstacle(o.Kind)})
	}
	return c.Picture(draw.DrawRing(r))
}
