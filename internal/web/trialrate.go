package web

import (
	"net/http"
	"strconv"

	"sapward/finding"
	"sapward/follow/trial"
	"sapward/internal/app"
	q "sapward/measure/quantity"
)

// trialRatePage is the entry of ratings by plot, without treatments: of the crown,
// as a visit of the block, or of another figure.
type trialRatePage struct {
	visitPage
	Trial           string
	Plot            map[string]int
	Other, Percent  bool
	Variable, Where string
}

// rateTrial shows the form of a rating and keeps it.
func (s *Server) rateTrial(c *call) error {
	p, v, trail, err := c.trialRatePage()
	if err != nil {
		return err
	}
	title := c.T("trialweb-rate")
	if c.r.Method == http.MethodGet {
		return c.show("trialrate", title, p, trail...)
	}
	n, act := 0, ""
	if p.Other {
		f, faults := c.figuresTyped(p)
		if err = faults.OrNil(); err == nil {
			var a app.Assessment
			if a, err = s.app.AssessTrial(c.r.Context(), c.actor, v.ID, f); err == nil {
				n, act = len(f.Rows), a.Act
			}
		}
	} else {
		f, faults := c.visitTyped(&p.visitPage)
		if err = faults.OrNil(); err == nil {
			var x app.Visit
			if x, err = s.app.AddVisit(c.r.Context(), c.actor, v.Block.ID, f); err == nil {
				n, act = len(f.Rows), x.Act
			}
		}
	}
	if err == nil {
		to := "/trials/" + v.ID
		if p.Next > 0 {
			to += "/rate?on=" + queryEscape(p.On) + "&from=" + strconv.Itoa(p.Next)
			if p.Other {
				to += "&what=other&variable=" + queryEscape(p.Variable) + "&scale=" + queryEscape(c.field("scale"))
			}
		}
		return c.gone(to, c.S("followweb-done-visit", "n", n, "date", p.On), act)
	}
	fs, bad := usable(err)
	if !bad {
		return err
	}
	p.Faults = c.lines(fs)
	return c.again("trialrate", title, p, trail...)
}

func (c *call) trialRatePage() (*trialRatePage, app.TrialView, []crumb, error) {
	v, err := c.s.app.Trial(c.r.Context(), c.actor, c.id())
	if err != nil {
		return nil, v, nil, err
	}
	if !c.may("AssessTrial", v.Trial.Estate) {
		return nil, v, nil, &finding.Fault{Class: finding.Denied, ID: "web-denied"}
	}
	p := &trialRatePage{Trial: v.Facts.Name, Plot: map[string]int{}, Where: "/trials/" + v.ID, Other: c.field("what") == "other", Percent: c.field("scale") == string(trial.Percent), Variable: c.field("variable")}
	p.Here, p.On, p.Today, p.Note = p.Where, orElse(c.field("on"), v.Today.String()), v.Today.String(), c.field("note")
	p.Steps, p.From = visitSteps, max(0, c.number("from"))
	r := app.FollowResult{Visits: v.Visits}
	group := app.TreatmentGroup{}
	for _, x := range v.Facts.Layout.Plots {
		for _, t := range x.Trees {
			group.Trees = append(group.Trees, t)
			p.Plot[t] = x.Plot
		}
	}
	r.Follow.Facts.Groups = []app.TreatmentGroup{group}
	p.trees(c, r, v.Block)
	return p, v, append(c.blockTrail(v.Estate, v.Block), crumb{c.T("trialweb-title"), "/blocks/" + v.Block.ID + "/trials"}, crumb{v.Facts.Name, p.Where}), nil
}

// figuresTyped reads the figures of another variable.
func (c *call) figuresTyped(p *trialRatePage) (app.AssessmentFacts, finding.Faults) {
	f := app.AssessmentFacts{Variable: p.Variable, On: p.On, Note: p.Note, Scale: c.field("scale")}
	var faults finding.Faults
	for _, t := range p.Trees {
		reason := t.Cause
		if t.Other == "" && reason == "" {
			continue
		}
		row := app.AssessedRow{Plot: p.Plot[t.Tag], Tree: t.Tag, Reason: reason}
		if t.Other != "" {
			v, fault := q.Number(t.Other)
			if fault != nil {
				faults = append(faults, &finding.Fault{Class: finding.Usage, ID: "followweb-rating-unclear", Args: argsOf("tree", t.Tag, "text", t.Other)})
				continue
			}
			x := v.Float()
			row.Value = &x
		}
		f.Rows = append(f.Rows, row)
	}
	if len(f.Rows) == 0 && len(faults) == 0 {
		faults = append(faults, &finding.Fault{Class: finding.Usage, ID: "followweb-nothing-rated"})
	}
	return f, faults
}

// importTrial takes a table of figures.
func (s *Server) importTrial(c *call) error {
	lines := []string{c.T("web-file-needed")}
	file, header, err := c.r.FormFile("file")
	if err == nil {
		defer file.Close()
		lines = []string{c.T("web-file-kind")}
		if tableName(header.Filename) {
			f := app.AssessmentFacts{Variable: orElse(c.field("variable"), orElse(c.field("column"), "value")), On: c.field("on"), Scale: c.field("scale")}
			a, err := s.app.ImportTrial(c.r.Context(), c.actor, c.id(), f, header.Filename, c.field("column"), file)
			if err == nil {
				return c.gone("/trials/"+c.id(), c.S("trialweb-done-imported", "n", len(a.Facts.Rows)), a.Act)
			}
			fs, bad := usable(err)
			if !bad {
				return err
			}
			lines = c.lines(fs)
		}
	}
	p, trail, err := c.trialPage()
	if err != nil {
		return err
	}
	p.Faults = lines
	return c.again("trial", p.Facts.Name, p, trail...)
}
