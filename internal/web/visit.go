package web

import (
	"bytes"
	"io"
	"mime/multipart"
	"net/http"
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/follow/health"
	"sapward/internal/app"
	"sapward/measure/civil"
	q "sapward/measure/quantity"
)

// visitPage is the entry of one visit: the trees in walking order, each with
// large buttons.
type visitPage struct {
	Here, On, Note string
	Today          string
	Class          bool
	Top            int
	Steps          []string
	Trees          []visitTree
	Faults         []string
	Causes         []option
	From, Next     int
	Count          int
}

type visitTree struct {
	Tag, Treatment, Last string
	Value, Other         string
	Cause, CauseNote     string
	Closed, Open         string // ports
}

// Trees on one page of a visit, and the percentages that have a button (program
// defaults).
const visitTrees = 60

var visitSteps = []string{"0", "5", "10", "25", "50", "75", "100"}

// visit shows the form of a visit and keeps it.
func (s *Server) visit(c *call) error {
	p, trail, err := c.visitPage()
	if err != nil {
		return err
	}
	title := c.T("followweb-visit-title")
	if c.r.Method == http.MethodGet {
		return c.show("visit", title, p, trail...)
	}
	f, faults := c.visitTyped(p)
	if err = faults.OrNil(); err == nil {
		var v app.Visit
		if v, err = s.app.AddVisit(c.r.Context(), c.actor, c.id(), f); err == nil {
			to := "/blocks/" + c.id() + "/follow"
			said := c.S("followweb-done-visit", "n", len(f.Rows), "date", f.On)
			if n := count(f.Rows, app.TreeRemoved); n > 0 && !c.may("RetireTree", v.Estate) {
				said += " " + c.S("followvisit-still-listed", "n", n)
			}
			if tree := c.visitPhotos(v, p); tree != "" {
				said += " " + c.S("followvisit-photo-lost", "tree", tree, "mb", app.MaxPhoto>>20)
			}
			if p.Next > 0 {
				to += "/visit?on=" + queryEscape(f.On) + "&from=" + strconv.Itoa(p.Next)
			}
			return c.gone(to, said, v.Act)
		}
	}
	fs, bad := usable(err)
	if !bad {
		return err
	}
	p.Faults = c.lines(fs)
	return c.again("visit", title, p, trail...)
}

func count(rows []app.VisitRow, status string) (n int) {
	for _, r := range rows {
		if r.Status == status {
			n++
		}
	}
	return n
}

// visitPhotos keeps the pictures of the form beside the visit, each under its
// tree; it returns a tree whose picture could not be taken.
func (c *call) visitPhotos(v app.Visit, p *visitPage) (lost string) {
	if c.r.MultipartForm == nil {
		return ""
	}
	for _, t := range p.Trees {
		for _, h := range c.r.MultipartForm.File["p-"+t.Tag] {
			if h.Filename == "" && h.Size == 0 {
				continue
			}
			if err := c.visitPhoto(v, t.Tag, h); err != nil {
				lost = t.Tag
			}
		}
	}
	return lost
}

func (c *call) visitPhoto(v app.Visit, tree string, h *multipart.FileHeader) error {
	f, err := h.Open()
	if err != nil {
		return err
	}
	defer f.Close()
	head := make([]byte, 512)
	n, err := io.ReadFull(f, head)
	if err != nil && err != io.ErrUnexpectedEOF {
		return err
	}
	kind := mediaOf(head[:n], h.Filename)
	if !strings.HasPrefix(kind, "image/") || h.Size > app.MaxPhoto {
		return &finding.Fault{Class: finding.Usage, ID: "attachment-type", Args: argsOf("type", kind)}
	}
	_, err = c.s.app.Attach(c.r.Context(), c.actor, app.TypeVisit, v.ID, h.Filename, kind, tree, io.MultiReader(bytes.NewReader(head[:n]), f))
	return err
}

func (c *call) visitPage() (*visitPage, []crumb, error) {
	ctx := c.r.Context()
	b, err := c.s.app.Block(ctx, c.actor, c.id())
	if err != nil {
		return nil, nil, err
	}
	if !c.may("AddVisit", b.Estate.ID) {
		return nil, nil, &finding.Fault{Class: finding.Denied, ID: "web-denied"}
	}
	r, err := c.s.app.FollowUp(ctx, c.actor, c.id())
	if err != nil {
		return nil, nil, err
	}
	here := "/blocks/" + b.ID + "/follow"
	p := &visitPage{Here: here, On: orElse(c.field("on"), r.Today.String()), Note: c.field("note"), Today: r.Today.String(), Steps: visitSteps, From: max(0, c.number("from"))}
	p.Causes = []option{{"", c.T("cause-none")}}
	for _, k := range health.Causes {
		p.Causes = append(p.Causes, option{string(k), c.T("cause-" + string(k))})
	}
	p.trees(c, r, b.Block)
	return p, append(c.blockTrail(b.Estate, b.Block), crumb{c.T("followweb-title"), here}), nil
}

// trees lists those of the treatments that still stand, else all of the block.
func (p *visitPage) trees(c *call, r app.FollowResult, b app.Block) {
	last := map[string]string{}
	over := map[string]bool{}
	for _, v := range r.Visits {
		for _, x := range v.Facts.Rows {
			if x.Rating != nil {
				last[x.Tree] = strconv.FormatFloat(*x.Rating, 'f', -1, 64) + pick(v.Facts.Scale == app.ScaleClass, "", " %")
				p.Class = v.Facts.Scale == app.ScaleClass
				p.Top = max(p.Top, int(v.Facts.TopClass))
			}
			over[x.Tree] = over[x.Tree] || v.Facts.On != p.On && (x.Status == app.TreeDead || x.Status == app.TreeRemoved)
		}
	}
	if p.Class {
		p.Steps = nil
		for i := range min(max(p.Top, 1), 12) + 1 {
			p.Steps = append(p.Steps, strconv.Itoa(i))
		}
	}
	var all []visitTree
	for _, g := range r.Follow.Facts.Groups {
		for _, tag := range g.Trees {
			if !over[tag] {
				all = append(all, visitTree{Tag: tag, Treatment: g.Treatment, Last: last[tag]})
			}
		}
	}
	if len(r.Follow.Facts.Groups) == 0 {
		if page, err := c.s.app.Trees(c.r.Context(), c.actor, app.TreeQuery{Block: b.ID, Limit: 1000}); err == nil {
			for _, t := range page.Trees {
				if !over[t.Facts.Tag] {
					all = append(all, visitTree{Tag: t.Facts.Tag, Last: last[t.Facts.Tag]})
				}
			}
		}
	} else {
		sortTags(all)
	}
	p.Count = len(all)
	if p.From >= len(all) {
		p.From = 0
	}
	to := min(len(all), p.From+visitTrees)
	if to < len(all) {
		p.Next = to
	}
	p.Trees = all[p.From:to]
	for i := range p.Trees {
		t := &p.Trees[i]
		t.Value, t.Other, t.Cause, t.CauseNote = c.field("v-"+t.Tag), c.field("o-"+t.Tag), c.field("c-"+t.Tag), c.field("cn-"+t.Tag)
		t.Closed, t.Open = c.field("hc-"+t.Tag), c.field("ho-"+t.Tag)
	}
}

func sortTags(trees []visitTree) {
	key := make([]string, len(trees))
	for i := range trees {
		key[i] = app.SortKey(trees[i].Tag)
	}
	for i := 1; i < len(trees); i++ { // nearly in order already
		for k := i; k > 0 && key[k] < key[k-1]; k-- {
			key[k], key[k-1] = key[k-1], key[k]
			trees[k], trees[k-1] = trees[k-1], trees[k]
		}
	}
}

// visitTyped reads the form: trees without an answer are left out.
func (c *call) visitTyped(p *visitPage) (app.VisitFacts, finding.Faults) {
	f := app.VisitFacts{On: p.On, Scale: app.ScalePercent, Note: p.Note}
	if d, err := civil.Parse(p.On); err == nil {
		f.On = d.String()
	}
	if p.Class {
		f.Scale, f.TopClass = app.ScaleClass, float64(max(p.Top, 1))
	}
	var faults finding.Faults
	for _, t := range p.Trees {
		row := app.VisitRow{Tree: t.Tag, Cause: t.Cause, CauseNote: t.CauseNote}
		if row.Cause == "" && row.CauseNote != "" {
			row.Cause = string(health.CauseOther)
		}
		for _, h := range []struct {
			text   string
			closed bool
		}{{t.Closed, true}, {t.Open, false}} {
			if h.text == "" {
				continue
			}
			n, err := strconv.Atoi(h.text)
			if err != nil || n < 0 || n > 400 {
				faults = append(faults, &finding.Fault{Class: finding.Usage, ID: "followvisit-holes-unclear", Args: argsOf("tree", t.Tag, "text", h.text)})
				continue
			}
			for range n {
				row.Ports = append(row.Ports, app.PortLook{Port: strconv.Itoa(len(row.Ports) + 1), Closed: &h.closed})
			}
		}
		text := orElse(strings.TrimSuffix(t.Other, "%"), t.Value)
		switch text {
		case "":
			if len(row.Ports) == 0 {
				continue
			}
			row.Status = app.TreeAlive
		case app.TreeDead, app.TreeRemoved, app.TreeMissed, app.TreeAlive:
			row.Status = text
		default:
			v, fault := q.Number(strings.TrimSpace(text))
			if fault != nil {
				faults = append(faults, &finding.Fault{Class: finding.Usage, ID: "followweb-rating-unclear", Args: argsOf("tree", t.Tag, "text", text)})
				continue
			}
			x := v.Float()
			row.Rating = &x
		}
		f.Rows = append(f.Rows, row)
	}
	if len(f.Rows) == 0 && len(faults) == 0 {
		faults = append(faults, &finding.Fault{Class: finding.Usage, ID: "followweb-nothing-rated"})
	}
	return f, faults
}
