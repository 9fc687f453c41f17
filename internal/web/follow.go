package web

import (
	"bytes"
	"fmt"
	"html/template"
	"maps"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"sapward/finding"
	"sapward/follow/decline"
	"sapward/follow/health"
	"sapward/internal/app"
	"sapward/internal/draw"
	"sapward/internal/lang"
	"sapward/internal/report"
	q "sapward/measure/quantity"
)

// followPage is the follow-up of a block: pictures, what they mean, the figures
// behind them, and the ways to add to it.
type followPage struct {
	app.FollowResult
	Here                       string
	Empty                      bool
	Answer                     []string            // the first sentences: what it comes to
	Windows                    []report.WindowLine // when to treat again, the earliest first
	CauseRows                  [][]string
	MayRetire                  bool
	Parts                      []followPart
	Visited                    []visitRow
	Setup                      form
	Kinds                      []option
	Faults                     []string
	MayVisit, MaySet, MayTable bool
}

// followPart is one question with its picture, its sentences and its table.
type followPart struct {
	Anchor, Title string
	Picture       template.HTML
	Lines         []string
	Notes         []string // what is worth knowing
	Heads         []string // ">" sets a column right
	Rows          [][]string
	TableHint     string
}

type visitRow struct {
	ID, On, Text, Note string
	Version            int
	Causes             string // told, with their trees
	Photos             []visitPhoto
}

type visitPhoto struct{ Href, Text string }

// follow shows what the follow-up of a block says.
func (s *Server) follow(c *call) error {
	p, trail, err := c.followPage()
	if err != nil {
		return err
	}
	return c.show("follow", c.T("followweb-title"), p, trail...)
}

func (c *call) followPage() (*followPage, []crumb, error) {
	r, err := c.s.app.FollowUp(c.r.Context(), c.actor, c.id())
	if err != nil {
		return nil, nil, err
	}
	c.Zone = r.Estate.Facts.Location()
	here := "/blocks/" + r.Block.ID
	p := &followPage{FollowResult: r, Here: here + "/follow", Empty: len(r.Visits) == 0 && len(r.Assays) == 0 && len(r.Follow.Facts.Counts) == 0,
		MayVisit: c.may("AddVisit", r.Estate.ID), MaySet: c.may("SetFollow", r.Estate.ID), MayTable: c.may("ImportFollow", r.Estate.ID)}
	for _, k := range app.FollowTables {
		p.Kinds = append(p.Kinds, option{k, c.T("followweb-table-" + k)})
	}
	p.Setup = c.followSetup(p.Here, r.Follow)
	f := report.FollowUp{Result: r, Say: c.Printer}
	c.followAnswer(p, f)
	c.followProgress(p, f)
	c.followSurvival(p, f)
	c.followEfficacy(p, f)
	c.followWounds(p, f)
	for i, d := range r.Declines {
		c.followResidue(p, f, i, d)
	}
	for i := len(r.Visits) - 1; i >= 0; i-- {
		p.Visited = append(p.Visited, c.visitLine(r.Visits[i], r.Photos[r.Visits[i].ID]))
	}
	p.MayRetire = c.may("RetireVisit", r.Estate.ID)
	for _, x := range r.Causes {
		p.CauseRows = append(p.CauseRows, []string{x.Treatment, c.T("cause-" + string(x.Cause)), strconv.Itoa(x.Rated), strconv.Itoa(x.Dead), strconv.Itoa(x.Removed)})
	}
	return p, append(c.blockTrail(r.Estate, r.Block), crumb{c.T("followweb-title"), p.Here}), nil
}

// followAnswer is the first thing said: when again, and whether trees live.
func (c *call) followAnswer(p *followPage, f report.FollowUp) {
	p.Windows = f.WindowLines()
	if s := p.Survival; s != nil {
		for _, g := range s.Groups {
			p.Answer = append(p.Answer, c.S("followweb-answer-alive", "treatment", g.Treatment, "died", g.Died, "n", g.N))
		}
	}
	if next := p.Follow.Facts.NextVisit; next != "" {
		p.Answer = append(p.Answer, c.S("followweb-answer-next", "date", next))
	}
	if len(p.Ungrouped) > 0 {
		p.Answer = append(p.Answer, c.S("followweb-ungrouped", "n", len(p.Ungrouped)))
	}
}

// chart draws in both widths, or nothing where there is nothing to draw.
func (c *call) chart(id string, make func(draw.Frame) (draw.Scene, bool, error)) template.HTML {
	frame := func(id string, width float64) draw.Frame {
		return draw.Frame{WidthPx: width, ID: id, Words: draw.Words{Lang: c.Lang, DecimalMark: "."}}
	}
	if _, ok, _ := make(frame(id, wideDrawing)); !ok {
		return ""
	}
	return c.Pair(id, func(id string, width float64) (draw.Scene, error) {
		s, _, err := make(frame(id, width))
		return s, err
	})
}

func (c *call) followProgress(p *followPage, f report.FollowUp) {
	if len(p.Seasons) == 0 {
		return
	}
	part := followPart{Anchor: "progress", Title: c.T("followweb-head-progress"), Picture: c.chart("progress", f.Progress), Lines: f.ProgressLines(), TableHint: c.T("ratings-columns"),
		Heads: []string{c.T("followweb-season"), c.T("col-treatment"), ">" + c.T("col-trees"), ">" + c.T("col-in-means"), ">" + c.T("col-dead"), ">" + c.T("col-removed"), ">" + c.T("col-audpc"), ">" + c.T("col-relative"), ">" + c.T("col-audps"), ">" + c.T("col-severity")}}
	for _, s := range p.Seasons {
		for _, t := range s.Treatments {
			part.Rows = append(part.Rows, []string{s.From + " – " + s.To, t.Treatment, strconv.Itoa(t.Trees), strconv.Itoa(t.N), strconv.Itoa(t.Dead), strconv.Itoa(t.Removed), figureOf(t.AUDPC, 0), figureOf(t.Relative, 3), figureOf(t.AUDPS, 0), figureOf(t.SeverityPct, 1)})
		}
		for _, n := range s.Notes {
			text, _ := c.Finding(n)
			if n.TreeCount > 0 {
				text += " (" + lang.TreeList(n) + ")"
			}
			part.Notes = append(part.Notes, s.From+": "+text)
		}
	}
	p.Parts = append(p.Parts, part)
}

func figureOf(x *float64, decimals int) string {
	if x == nil {
		return "–"
	}
	return lang.Figure(*x, decimals)
}

func (c *call) followSurvival(p *followPage, f report.FollowUp) {
	if p.Survival == nil && len(p.SurvivalBad) == 0 {
		return
	}
	part := followPart{Anchor: "survival", Title: c.T("followweb-head-survival"), Picture: c.chart("survival", f.Survival),
		Heads: []string{c.T("col-treatment"), ">" + c.T("col-trees"), ">" + c.T("col-died"), ">" + c.T("col-median"), c.T("col-median-interval"), ">" + c.T("followweb-alive-end"), c.T("col-interval")}}
	part.Lines, part.Notes = f.SurvivalLines()
	if s := p.Survival; s != nil {
		for _, g := range s.Groups {
			alive, interval := 1.0, "–"
			if n := len(g.Table); n > 0 {
				last := g.Table[n-1]
				alive = last.Survival
				if last.Low != nil && last.High != nil {
					lo, hi := 100**last.Low, 100**last.High
					interval = f.Between(&lo, &hi, " %")
				}
			}
			alive *= 100
			part.Rows = append(part.Rows, []string{g.Treatment, strconv.Itoa(g.N), strconv.Itoa(g.Died), figureOf(g.MedianD, 0), f.Between(g.MedianLow, g.MedianHigh, ""), f.Percent(&alive), interval})
		}
		if s.LogRank != nil {
			part.TableHint = c.S("followweb-logrank", "chi2", lang.Fixed(s.LogRank.Chi2, 2), "df", s.LogRank.DF, "p", report.Probability(s.LogRank.P))
		}
	}
	p.Parts = append(p.Parts, part)
}

func (c *call) followEfficacy(p *followPage, f report.FollowUp) {
	lines, notes := f.EfficacyLines()
	if len(lines) == 0 {
		return
	}
	part := followPart{Anchor: "efficacy", Title: c.T("head-efficacy"), Lines: lines, Notes: notes, Heads: []string{c.T("col-treatment"), ">" + c.T("col-dead"), ">" + c.T("col-trees"), ">" + c.T("col-efficacy"), c.T("col-interval"), c.T("followweb-verdict")}}
	for _, e := range p.Efficacy {
		if len(e.Bad) == 0 {
			part.Rows = append(part.Rows, []string{e.Treatment, figureOf(e.Treated.Dead, 0), figureOf(e.Treated.Total, 0), f.Percent(e.Efficacy), f.Between(e.Low, e.High, " %"), c.T("followweb-verdict-" + string(e.Verdict))})
		}
	}
	p.Parts = append(p.Parts, part)
}

func (c *call) followResidue(p *followPage, f report.FollowUp, i int, d app.FollowDecline) {
	name := d.Treatment
	if name == "" {
		name = c.T("followweb-no-treatment")
	}
	if len(d.Bad) > 0 || len(d.Series) == 0 {
		p.Parts = append(p.Parts, followPart{Anchor: fmt.Sprint("residue", i), Title: c.T("followweb-head-residue") + ": " + name, Lines: append(c.lines(d.Bad), c.S("followweb-samples", "n", d.Samples, "trees", d.Trees))})
		return
	}
	for k, s := range d.Series {
		id := fmt.Sprintf("residue%d-%d", i, k)
		part := followPart{Anchor: id, Title: c.T("followweb-head-residue") + ": " + name,
			Heads: []string{c.T("col-model"), ">" + c.T("col-c0"), ">" + c.T("col-dt50"), ">" + c.T("col-dt90"), ">" + c.T("col-chi2-error"), ">" + c.T("col-aic"), c.T("col-remark")}}
		part.Lines, part.Notes = f.DeclineLines(d, s)
		if s.Tissue != "" {
			part.Title += ", " + s.Tissue
		}
		if s.HeightM != nil {
			part.Title += ", " + c.Height(*s.HeightM)
		}
		part.Picture = c.chart(id, func(fr draw.Frame) (draw.Scene, bool, error) { return f.Decline(fr, d, s) })
		far := 100 * max(s.LastDay-s.StartDay, 1)
		days := func(x *float64) string {
			if x != nil && *x > far {
				return "> " + lang.Figure(far, 0)
			}
			return figureOf(x, 1)
		}
		for _, m := range s.Models {
			remark := ""
			switch {
			case s.Chosen != nil && m.Model == s.Chosen.Model:
				remark = c.T("decline-chosen")
			case m.Collapsed != "":
				remark = c.T("decline-no-more")
			}
			part.Rows = append(part.Rows, []string{modelName(m.Model), figureOf(&m.C0, 2), days(m.DT50), days(m.DT90), figureOf(m.Chi2Error, 1), figureOf(&m.AIC, 1), remark})
		}
		p.Parts = append(p.Parts, part)
	}
}

func modelName(m decline.Model) string {
	return map[decline.Model]string{decline.SFO: "SFO", decline.FOMC: "FOMC", decline.DFOP: "DFOP", decline.HS: "HS"}[m]
}

// followWounds is how the holes close.
func (c *call) followWounds(p *followPage, f report.FollowUp) {
	if p.Closure == nil {
		if len(p.ClosureBad) > 0 {
			p.Parts = append(p.Parts, followPart{Anchor: "wounds", Title: c.T("closure-head"), Lines: c.lines(p.ClosureBad)})
		}
		return
	}
	part := followPart{Anchor: "wounds", Title: c.T("closure-head"), Picture: c.chart("wounds", f.Wounds), TableHint: c.T("closure-columns"),
		Heads: []string{c.T("col-treatment"), ">" + c.T("col-day"), ">" + c.T("col-trees"), ">" + c.T("closure-col-ports"), ">" + c.T("closure-col-closed"), ">" + c.T("closure-col-share"), c.T("col-interval"), ">" + c.T("closure-col-mean")}}
	part.Lines, part.Notes = f.WoundLines()
	for _, t := range p.Closure.Treatments {
		for _, d := range t.Days {
			part.Rows = append(part.Rows, []string{t.Treatment, figureOf(&d.Day, 0), strconv.Itoa(d.Trees), strconv.Itoa(d.Ports), strconv.Itoa(d.Closed), lang.Figure(d.SharePct, 1), f.Between(d.Low, d.High, " %"), figureOf(d.MeanPct, 1)})
		}
	}
	p.Parts = append(p.Parts, part)
}

// retireVisit takes a visit out of use; what it did to trees stays.
func (s *Server) retireVisit(c *call) error {
	if c.field("sure") != "yes" {
		return &finding.Fault{Class: finding.Usage, ID: "followweb-retire-sure"}
	}
	out, err := s.app.RetireVisit(c.r.Context(), c.actor, c.r.PathValue("visit"), c.number("version"), c.field("reason"))
	if err != nil {
		return err
	}
	return c.gone("/blocks/"+c.id()+"/follow", c.T("web-done-retired"), out.Act)
}

// visitLine is one visit in the list.
func (c *call) visitLine(v app.Visit, photos []app.Attachment) visitRow {
	n := map[string]int{}
	sum := 0.0
	for _, r := range v.Facts.Rows {
		n[r.Status]++
		if r.Rating != nil {
			sum += *r.Rating
		}
	}
	told := map[string][]string{}
	holes := 0
	for _, r := range v.Facts.Rows {
		if r.Cause != "" && r.Cause != string(health.CauseDisease) {
			name := c.T("cause-" + r.Cause)
			if r.CauseNote != "" {
				name = r.CauseNote
			}
			told[name] = append(told[name], r.Tree)
		}
		holes += len(r.Ports)
	}
	var causes []string
	for _, name := range slices.Sorted(maps.Keys(told)) {
		trees := told[name]
		more := ""
		if n := len(trees) - 6; n > 0 {
			trees, more = trees[:6], " "+c.S("and-more", "count", n)
		}
		causes = append(causes, name+": "+strings.Join(trees, ", ")+more)
	}
	text := c.S("followweb-visit-line", "n", n[app.TreeSeen], "dead", n[app.TreeDead], "removed", n[app.TreeRemoved], "missed", n[app.TreeMissed])
	if holes > 0 {
		text += ", " + c.S("followweb-visit-holes", "n", holes)
	}
	row := visitRow{ID: v.ID, Version: v.Version, On: v.Facts.On, Text: text, Note: v.Facts.Note, Causes: strings.Join(causes, "; ")}
	for _, x := range photos {
		row.Photos = append(row.Photos, visitPhoto{"/files/" + x.ID, strings.TrimSpace(x.Facts.Note + " " + x.Facts.Name)})
	}
	return row
}

// followSetup asks for what the results are judged by.
func (c *call) followSetup(here string, f app.Follow) form {
	number := func(x *float64) string {
		if x == nil {
			return ""
		}
		return strconv.FormatFloat(*x, 'f', -1, 64)
	}
	return form{Name: "follow-setup", Action: here, Submit: c.T("web-save"), Once: true, Inputs: []input{
		hidden("version", f.Version),
		{Name: "day-zero", Label: c.L("field-day-zero"), Value: f.Facts.DayZero, Kind: "date", Hint: c.T("followweb-day-zero-hint")},
		{Name: "effective-mg-kg", Label: c.L("field-effective-mg-kg"), Value: number(f.Facts.EffectiveMgKg), Kind: "number", Unit: "mg/kg", Hint: c.T("followweb-effective-hint")},
		{Name: "interval-d", Label: c.L("field-interval-d"), Value: number(f.Facts.IntervalD), Kind: "number", Unit: "d", Hint: c.T("followweb-interval-hint")},
		{Name: "next-visit", Label: c.L("field-next-visit"), Value: f.Facts.NextVisit, Kind: "date"},
	}}
}

// saveFollow keeps what the results are judged by.
func (s *Server) saveFollow(c *call) error {
	r, err := s.app.FollowUp(c.r.Context(), c.actor, c.id())
	if err != nil {
		return err
	}
	f := r.Follow.Facts
	f.DayZero, f.NextVisit = c.field("day-zero"), c.field("next-visit")
	var faults finding.Faults
	number := func(field string) *float64 {
		text := c.field(field)
		if text == "" {
			return nil
		}
		v, fault := q.Number(text)
		if fault != nil {
			faults = append(faults, &finding.Fault{Class: finding.Usage, ID: "web-number-needed", Args: finding.Args{"field_by": finding.Text("field-" + field)}})
			return nil
		}
		x := v.Float()
		return &x
	}
	f.EffectiveMgKg, f.IntervalD = number("effective-mg-kg"), number("interval-d")
	err = faults.OrNil()
	var out app.Follow
	if err == nil {
		out, err = s.app.SetFollow(c.r.Context(), c.actor, c.id(), c.number("version"), f)
	}
	if err != nil {
		fs, bad := usable(err)
		if con := conflict(err); !bad && con == nil {
			return err
		}
		p, trail, perr := c.followPage()
		if perr != nil {
			return perr
		}
		for i := range p.Setup.Inputs {
			if in := &p.Setup.Inputs[i]; in.Kind != "hidden" {
				in.Value = c.field(in.Name)
			}
		}
		c.wrong(&p.Setup, fs)
		if con := conflict(err); con != nil {
			c.beside(&p.Setup, con, map[string]string{"day-zero": "day_zero", "effective-mg-kg": "effective_mg_kg", "interval-d": "interval_d", "next-visit": "next_visit"})
		}
		return c.again("follow", c.T("followweb-title"), p, trail...)
	}
	return c.gone("/blocks/"+c.id()+"/follow", c.T("web-done-saved"), out.Act)
}

// importFollow takes a table of follow-up.
func (s *Server) importFollow(c *call) error {
	lines := []string{c.T("web-file-needed")}
	file, header, err := c.r.FormFile("file")
	if err == nil {
		defer file.Close()
		lines = []string{c.T("web-file-kind")}
		if tableName(header.Filename) {
			out, err := s.app.ImportFollow(c.r.Context(), c.actor, c.id(), c.field("kind"), header.Filename, file)
			if err == nil {
				return c.gone("/blocks/"+c.id()+"/follow", c.S("followweb-done-imported", "rows", out.Rows, "add", out.Add, "change", out.Change, "same", out.Same), out.Act)
			}
			fs, bad := usable(err)
			if !bad {
				return err
			}
			lines = c.lines(fs)
		}
	}
	p, trail, err := c.followPage()
	if err != nil {
		return err
	}
	p.Faults = lines
	return c.again("follow", c.T("followweb-title"), p, trail...)
}

// season sends the block's season on one page.
func (s *Server) season(c *call) error {
	in, err := s.app.Season(c.r.Context(), c.actor, c.id())
	if err != nil {
		return err
	}
	var b bytes.Buffer
	if err := report.Season(&b, report.SeasonInput{Facts: in, Say: c.Printer, Paper: pick(c.US, "letter", "a4"), Engine: s.opt.Version, Created: time.Now()}); err != nil {
		return err
	}
	h := c.w.Header()
	h.Set("Content-Type", "application/pdf")
	h.Set("Content-Disposition", `inline; filename="season.pdf"`)
	h.Set("Content-Length", strconv.Itoa(b.Len()))
	c.w.WriteHeader(http.StatusOK)
	_, err = c.w.Write(b.Bytes())
	return err
}

// Right reports whether a table's head sets its column right; Bare is the head
// without that mark.
func (v *view) Right(head string) bool { return strings.HasPrefix(head, ">") }

// Bare is a head without its mark.
func (v *view) Bare(head string) string { return strings.TrimPrefix(head, ">") }
