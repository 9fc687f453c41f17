package web

import (
	"archive/zip"
	"bytes"
	"crypto/rand"
	"html/template"
	"math/big"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"sapward/finding"
	"sapward/follow/trial"
	"sapward/internal/app"
	"sapward/internal/draw"
	"sapward/internal/report"
	q "sapward/measure/quantity"
)

// trialsPage lists the trials of an estate or of one block.
type trialsPage struct {
	Here      string // of the block; empty for an estate
	Rows      []trialRow
	MayDesign bool
}

type trialRow struct {
	Href, Name, Text, Block string
	Open                    bool
}

// writer puts results of trials into this reader's words.
func (c *call) trialWriter() report.TrialWriter {
	return report.TrialWriter{Say: c.Printer, Engine: c.s.opt.Version, Buttons: true}
}

func (c *call) trialRows(estate, block string) ([]trialRow, error) {
	all, err := c.s.app.Trials(c.r.Context(), c.actor, estate, block)
	if err != nil {
		return nil, err
	}
	names := map[string]string{}
	var rows []trialRow
	for _, t := range all {
		l := t.Facts.Layout
		row := trialRow{Href: "/trials/" + t.ID, Name: t.Facts.Name, Open: t.Facts.Open, Text: c.S("trialweb-row", "design", c.T("trial-design-"+string(l.Design)), "plots", len(l.Plots), "treatments", strings.Join(l.Treatments, ", "))}
		if t.Facts.On != "" {
			row.Text += " · " + t.Facts.On
		}
		if block == "" {
			name, there := names[t.Parent]
			if !there {
				b, err := c.s.app.Block(c.r.Context(), c.actor, t.Parent)
				if err != nil {
					return nil, err
				}
				name = b.Facts.Name
				names[t.Parent] = name
			}
			row.Block = name
		}
		rows = append(rows, row)
	}
	return rows, nil
}

// trials lists the trials of a block.
func (s *Server) trials(c *call) error {
	b, err := s.app.Block(c.r.Context(), c.actor, c.id())
	if err != nil {
		return err
	}
	p := &trialsPage{Here: "/blocks/" + b.ID, MayDesign: c.may("DesignTrial", b.Estate.ID)}
	if p.Rows, err = c.trialRows(b.Estate.ID, b.ID); err != nil {
		return err
	}
	c.Sub = b.Facts.Name
	return c.show("trials", c.T("trialweb-title"), p, c.blockTrail(b.Estate, b.Block)...)
}

// estateTrials lists the trials of an estate.
func (s *Server) estateTrials(c *call) error {
	e, err := s.app.Estate(c.r.Context(), c.actor, c.id())
	if err != nil {
		return err
	}
	p := &trialsPage{}
	if p.Rows, err = c.trialRows(e.ID, ""); err != nil {
		return err
	}
	c.Sub = e.Facts.Name
	return c.show("trials", c.T("trialweb-title"), p, crumb{c.T("web-nav-estates"), "/estates"}, crumb{e.Facts.Name, "/estates/" + e.ID})
}

// trialForm is the form of a new trial: what everybody must say, and more.
type trialForm struct {
	Action, Cancel string
	Main, More     []input
	Faults         []string
	OpenMore       bool
	Fit            string
}

// newTrial shows the form of a trial and lays it out.
func (s *Server) newTrial(c *call) error {
	b, err := s.app.Block(c.r.Context(), c.actor, c.id())
	if err != nil {
		return err
	}
	if !c.may("DesignTrial", b.Estate.ID) {
		return &finding.Fault{Class: finding.Denied, ID: "web-denied"}
	}
	here := "/blocks/" + b.ID + "/trials"
	f := c.trialForm(here, b)
	trail := append(c.blockTrail(b.Estate, b.Block), crumb{c.T("trialweb-title"), here})
	if c.r.Method == http.MethodGet {
		return c.show("trialnew", c.T("trialweb-new"), f, trail...)
	}
	d, faults := c.trialTyped()
	var t app.Trial
	if err = faults.OrNil(); err == nil {
		if t, err = s.app.DesignTrial(c.r.Context(), c.actor, b.ID, d); err == nil {
			return c.gone("/trials/"+t.ID, c.S("trialweb-done-design", "plots", len(t.Facts.Layout.Plots)), t.Act)
		}
	}
	fs, bad := usable(err)
	if !bad {
		return err
	}
	both := form{Inputs: slices.Concat(f.Main, f.More)}
	c.wrong(&both, fs)
	f.Faults = both.Faults
	n := copy(f.Main, both.Inputs)
	copy(f.More, both.Inputs[n:])
	f.OpenMore = f.OpenMore || slices.ContainsFunc(f.More, func(in input) bool { return in.Error != "" })
	return c.again("trialnew", c.T("trialweb-new"), f, trail...)
}

func (c *call) trialForm(here string, b app.BlockView) *trialForm {
	v := func(name, otherwise string) string {
		if c.r.Method == http.MethodPost {
			return c.field(name)
		}
		return otherwise
	}
	yes := func(name string) string {
		if c.r.Method == http.MethodPost {
			return c.field(name)
		}
		return "yes"
	}
	choices := func(prefix string, values ...string) (out []option) {
		for _, x := range values {
			out = append(out, option{x, c.T(prefix + x)})
		}
		return out
	}
	seed := "1"
	if n, err := rand.Int(rand.Reader, big.NewInt(1_000_000)); err == nil {
		seed = n.String()
	}
	unfit := 0
	for _, status := range []string{"symptomatic", "suspect", "dead"} {
		unfit += b.Count.ByStatus[status]
	}
	f := &trialForm{Action: here + "/new", Cancel: here, Fit: c.S("trialweb-fit", "fit", b.Count.Trees-unfit, "unfit", unfit), OpenMore: c.r.Method == http.MethodPost}
	f.Main = []input{
		{Name: "name", Label: c.T("trialweb-name"), Value: v("name", ""), Needed: true},
		{Name: "control", Label: c.L("field-control"), Value: v("control", c.T("trialweb-untreated")), Hint: c.T("trialweb-control-hint")},
		{Name: "treatments", Label: c.L("field-treatments"), Value: v("treatments", ""), Kind: "textarea", Hint: c.T("trialweb-treatments-hint"), Needed: true},
		{Name: "design", Label: c.L("field-design"), Value: v("design", "rcbd"), Kind: "select", Options: choices("trial-design-", "rcbd", "crd", "split-plot"), Hint: c.T("trialweb-design-hint")},
		{Name: "replicates", Label: c.L("field-replicates"), Value: v("replicates", "4"), Kind: "number", Hint: c.T("trialweb-replicates-hint")},
		{Name: "block-by", Label: c.L("field-block-by"), Value: v("block-by", "order"), Kind: "select", Options: choices("trialapp-by-", "order", "size", "crown", "distance"), Hint: c.T("trialweb-block-by-hint")},
	}
	f.More = []input{
		{Name: "trial-trees", Label: c.L("field-trial-trees"), Value: v("trial-trees", ""), Kind: "textarea", Hint: c.T("trialweb-trees-hint")},
		{Name: "trees-per-plot", Label: c.L("field-trees-per-plot"), Value: v("trees-per-plot", "1"), Kind: "number", Hint: c.T("trialweb-per-plot-hint")},
		{Name: "buffer", Label: c.L("field-buffer"), Value: v("buffer", "0"), Kind: "number", Hint: c.T("trialweb-buffer-hint")},
		{Name: "graft", Label: c.L("field-graft"), Value: v("graft", ""), Kind: "number", Unit: "m", Hint: c.T("trialweb-graft-hint")},
		{Name: "subs", Label: c.L("field-subs"), Value: v("subs", ""), Kind: "textarea", Hint: c.T("trialweb-subs-hint")},
		{Name: "treated-on", Label: c.L("field-treated-on"), Value: v("treated-on", ""), Kind: "date", Hint: c.T("trialweb-on-hint")},
		{Name: "seed", Label: c.T("web-seed"), Value: v("seed", seed), Kind: "number", Hint: c.T("trialweb-seed-hint")},
		{Name: "pre-rated", Label: c.T("trialweb-pre-rated"), Value: v("pre-rated", ""), Kind: "check"},
		{Name: "blinded", Label: c.T("trialweb-blinded"), Value: yes("blinded"), Kind: "check"},
	}
	return f
}

// trialTyped reads the form of a new trial.
func (c *call) trialTyped() (app.TrialDesign, finding.Faults) {
	var faults finding.Faults
	lines := func(field string) (out []string) {
		for _, l := range strings.FieldsFunc(c.field(field), func(r rune) bool { return r == '\n' || r == '\r' || r == ',' }) {
			if l = strings.TrimSpace(l); l != "" {
				out = append(out, l)
			}
		}
		return out
	}
	whole := func(field string, otherwise int) int {
		if c.field(field) == "" {
			return otherwise
		}
		n := c.number(field)
		if n < 0 {
			faults = append(faults, fieldFault("web-number-needed", field))
		}
		return n
	}
	d := app.TrialDesign{Name: c.field("name"), On: c.field("treated-on"), Trees: c.field("trial-trees"), Request: trial.Request{
		Design: trial.Design(c.field("design")), Control: c.field("control"), Treatments: lines("treatments"), Subs: lines("subs"), Replicates: whole("replicates", 0),
		TreesPerPlot: whole("trees-per-plot", 1), BlockBy: trial.BlockBy(c.field("block-by")), BufferTrees: whole("buffer", 0),
		PreRated: c.field("pre-rated") == "yes", Blinded: c.field("blinded") == "yes", Seed: uint64(max(0, whole("seed", 1))),
	}}
	if d.Control != "" && !slices.ContainsFunc(d.Treatments, func(t string) bool { return strings.EqualFold(t, d.Control) }) {
		d.Treatments = append([]string{d.Control}, d.Treatments...)
	}
	for _, t := range d.Treatments {
		if strings.EqualFold(t, d.Control) {
			d.Control = t
		}
	}
	if text := c.field("graft"); text != "" {
		v, fault := q.Number(text)
		if fault != nil {
			faults = append(faults, fieldFault("web-number-needed", "graft"))
		}
		d.GraftM = v.Float()
	}
	return d, faults
}

func fieldFault(id, field string) *finding.Fault {
	return &finding.Fault{Class: finding.Usage, ID: id, Args: finding.Args{"field_by": finding.Text("field-" + field)}}
}

// trialPage is one trial: the map first.
type trialPage struct {
	app.TrialView
	Here                                  string
	Map                                   template.HTML
	Letters                               []trialLetter
	Lines, Notes                          []string
	Papers                                []paperLink
	Assessed, Older                       []assessedRow
	Heads                                 []string
	Rows                                  [][]string
	Edit                                  form
	Faults                                []string
	MayAssess, MayEdit, MayDrop, MaySplit bool
	On                                    string
}

type trialLetter struct {
	Swatch       template.HTML
	Letter, Name string
	Control      bool
	Plots        int
}

type paperLink struct{ Href, Text, Hint string }

type assessedRow struct {
	On, Text, Retire string
	Version          int
}

// mostAssessed is how many ratings the page lists before it folds the rest.
const mostAssessed = 5

// showTrial shows a trial.
func (s *Server) showTrial(c *call) error {
	p, trail, err := c.trialPage()
	if err != nil {
		return err
	}
	return c.show("trial", p.Facts.Name, p, trail...)
}

func (c *call) trialPage() (*trialPage, []crumb, error) {
	v, err := c.s.app.Trial(c.r.Context(), c.actor, c.id())
	if err != nil {
		return nil, nil, err
	}
	c.Zone = v.Estate.Facts.Location()
	l := v.Facts.Layout
	p := &trialPage{TrialView: v, Here: "/trials/" + v.ID, On: v.Today.String(), MayAssess: c.may("AssessTrial", v.Trial.Estate), MayEdit: c.may("ChangeTrial", v.Trial.Estate), MayDrop: c.may("RetireAssessment", v.Trial.Estate)}
	p.Map = c.Pair("trial", func(id string, width float64) (draw.Scene, error) {
		return report.DrawTrial(&l, draw.Frame{WidthPx: width, ID: id, Words: draw.Words{Lang: c.Lang, DecimalMark: "."}}, c.Printer)
	})
	if v.Key {
		count := map[string]int{}
		for _, x := range l.Plots {
			count[x.Treatment]++
		}
		for i, x := range l.LetterList() {
			sw := draw.TrialSwatch(i, x[0])
			sw.ID, sw.Title = "key"+strconv.Itoa(i), x[0]+": "+x[1]
			p.Letters = append(p.Letters, trialLetter{c.Picture(sw, nil), x[0], x[1], x[1] == l.Control, count[x[1]]})
		}
	}
	d := c.trialWriter().Layout(v.Facts.Name, l)
	p.Lines = d.Meaning
	for _, n := range d.Notes {
		p.Notes = append(p.Notes, c.T("severity-"+string(n.Severity))+": "+n.Text)
	}
	p.papers(c)
	for i := len(v.Variables) - 1; i >= 0; i-- {
		x := v.Variables[i]
		row := assessedRow{On: x.On, Text: c.S("trialweb-rated", "what", c.variable(x), "n", x.Rated)}
		for _, a := range v.Assessments {
			if p.MayDrop && x.ID == app.VariableAssessment+":"+a.ID {
				row.Retire, row.Version = p.Here+"/assessments/"+a.ID+"/retire", a.Version
			}
		}
		p.Assessed = append(p.Assessed, row)
	}
	if len(p.Assessed) > mostAssessed {
		p.Assessed, p.Older = p.Assessed[:mostAssessed], p.Assessed[mostAssessed:]
	}
	split := len(l.Subs) > 0
	p.Heads = []string{c.T("trial-col-plot")}
	if v.Key {
		p.Heads = append(p.Heads, c.T("trial-col-block"), c.T("trial-col-letter"), c.T("col-treatment"))
		if split {
			p.Heads = append(p.Heads, c.T("trial-col-sub"))
		}
	}
	p.Heads = append(p.Heads, ">"+c.T("trial-col-size"), c.T("trial-col-trees"))
	for _, x := range l.Plots {
		cells := []string{strconv.Itoa(x.Plot)}
		if v.Key {
			cells = append(cells, orElse(x.Block, report.NoFigure), x.Letter, x.Treatment)
			if split {
				cells = append(cells, x.Sub)
			}
		}
		size := report.NoFigure
		if x.SizeCM != nil {
			size = c.Length(*x.SizeCM)
		}
		p.Rows = append(p.Rows, append(cells, size, strings.Join(x.Trees, " ")))
	}
	p.Edit = c.trialEdit(p.Here, v.Trial)
	return p, append(c.blockTrail(v.Estate, v.Block), crumb{c.T("trialweb-title"), "/blocks/" + v.Block.ID + "/trials"}), nil
}

// papers are what there is to take along.
func (p *trialPage) papers(c *call) {
	add := func(file, id string) {
		p.Papers = append(p.Papers, paperLink{p.Here + "/" + file, c.T(id), c.T(id + "-hint")})
	}
	add("assessor.pdf", "trialweb-paper-assessor")
	add("assessor.csv", "trialweb-paper-assessor-csv")
	add("labels.pdf", "trialweb-paper-labels")
	if p.Key {
		add("map.pdf", "trialweb-paper-map")
		if len(p.Variables) > 0 {
			add("report.pdf", "trialweb-paper-report")
		}
		add("package.zip", "trialweb-paper-package")
	}
}

// variable names what was measured.
func (c *call) variable(x app.TrialVariable) string {
	switch x.Kind {
	case app.VariableVisit:
		return c.S("trialweb-var-visit", "on", x.On)
	case app.VariableProgress:
		return c.S("trialweb-var-progress", "from", x.On, "to", x.To)
	}
	return c.S("trialweb-var-assessment", "name", x.Name, "on", x.On)
}

// trialEdit asks for what the report tells beside the figures.
func (c *call) trialEdit(here string, t app.Trial) form {
	f := form{Name: "trial-edit", Action: here, Submit: c.T("web-save"), Once: true, Inputs: []input{
		hidden("version", t.Version),
		{Name: "name", Label: c.T("trialweb-name"), Value: t.Facts.Name, Needed: true},
		{Name: "treated-on", Label: c.L("field-treated-on"), Value: t.Facts.On, Kind: "date", Hint: c.T("trialweb-on-hint")},
	}}
	for _, k := range app.TrialAbout {
		f.Inputs = append(f.Inputs, input{Name: "about-" + k, Label: c.L("trial-field-" + strings.ReplaceAll(k, "_", "-")), Value: t.Facts.About[k]})
	}
	return f
}

// saveTrial keeps what the report tells.
func (s *Server) saveTrial(c *call) error {
	about := map[string]string{}
	for _, k := range app.TrialAbout {
		about[k] = c.field("about-" + k)
	}
	t, err := s.app.ChangeTrial(c.r.Context(), c.actor, c.id(), c.number("version"), c.field("name"), c.field("treated-on"), about)
	if err == nil {
		return c.gone("/trials/"+c.id(), c.T("web-done-saved"), t.Act)
	}
	fs, bad := usable(err)
	con := conflict(err)
	if !bad && con == nil {
		return err
	}
	p, trail, perr := c.trialPage()
	if perr != nil {
		return perr
	}
	for i := range p.Edit.Inputs {
		if in := &p.Edit.Inputs[i]; in.Kind != "hidden" {
			in.Value = c.field(in.Name)
		}
	}
	c.wrong(&p.Edit, fs)
	if con != nil {
		c.beside(&p.Edit, con, map[string]string{"name": "name", "treated-on": "on"})
	}
	return c.again("trial", p.Facts.Name, p, trail...)
}

func (s *Server) openTrialKey(c *call) error {
	t, err := s.app.OpenTrialKey(c.r.Context(), c.actor, c.id(), c.number("version"))
	if err != nil {
		return err
	}
	return c.gone("/trials/"+c.id(), c.T("trialweb-done-open"), t.Act)
}

func (s *Server) retireTrial(c *call) error {
	v, err := s.app.Trial(c.r.Context(), c.actor, c.id())
	if err != nil {
		return err
	}
	out, err := s.app.RetireTrial(c.r.Context(), c.actor, c.id(), c.number("version"), c.field("reason"))
	if err != nil {
		return err
	}
	return c.gone("/blocks/"+v.Block.ID+"/trials", c.T("web-done-retired"), out.Act)
}

func (s *Server) retireAssessment(c *call) error {
	out, err := s.app.RetireAssessment(c.r.Context(), c.actor, c.r.PathValue("assessment"), c.number("version"), "")
	if err != nil {
		return err
	}
	return c.gone("/trials/"+c.id(), c.T("web-done-retired"), out.Act)
}

// trialFile sends one paper or table of a trial, or all of it as one archive.
// What names treatments goes only to those who may see them.
func (s *Server) trialFile(c *call) error {
	name := c.r.PathValue("file")
	v, err := s.app.Trial(c.r.Context(), c.actor, c.id())
	if err != nil {
		return err
	}
	paper := pick(c.US, "letter", "a4")
	doc := c.trialWriter().Layout(v.Facts.Name, v.Facts.Layout)
	blind := []string{"assessor.pdf", "assessor.csv", "labels.pdf", "trees.csv"}
	if !v.Key && !slices.Contains(blind, name) {
		return &finding.Fault{Class: finding.Denied, ID: "trialapp-key-closed", Args: argsOf("role_by", "role-crew-lead")}
	}
	files := doc.Files(c.Printer, paper)
	if name == "report.pdf" || name == "package.zip" && len(v.Variables) > 0 {
		a, err := s.app.AnalyseTrial(c.r.Context(), c.actor, c.id(), c.trialQuestion())
		if _, bad := usable(err); bad { // the page of the analysis says what is wrong
			http.Redirect(c.w, c.r, "/trials/"+c.id()+"/analysis?"+c.r.URL.RawQuery, http.StatusSeeOther)
			return nil
		}
		if err != nil {
			return err
		}
		if !a.Rated {
			return missingPage()
		}
		more := c.analysisDocument(a, &doc).Files(c.Printer, paper)
		files = append(files, slices.DeleteFunc(more, func(f report.TrialFile) bool { return f.Name == "layout.json" })...)
	}
	base := fileName(v.Facts.Name)
	if name == "package.zip" {
		var b bytes.Buffer
		z := zip.NewWriter(&b)
		for _, f := range files {
			w, err := z.Create(f.Name)
			if err == nil {
				err = f.Write(w)
			}
			if err != nil {
				return internal(err)
			}
		}
		if err := z.Close(); err != nil {
			return internal(err)
		}
		c.attach("application/zip", base+".zip", b.Bytes())
		return nil
	}
	for _, f := range files {
		if f.Name != name {
			continue
		}
		var b bytes.Buffer
		if err := f.Write(&b); err != nil {
			return internal(err)
		}
		media := "application/json"
		switch {
		case strings.HasSuffix(name, ".pdf"):
			media = "application/pdf"
		case strings.HasSuffix(name, ".csv"):
			media = "text/csv; charset=utf-8"
		}
		c.attach(media, base+"-"+name, b.Bytes())
		return nil
	}
	return missingPage()
}

func internal(err error) error {
	return &finding.Fault{Class: finding.Internal, ID: "internal", Cause: err, Args: finding.Args{"cause": finding.Text(err.Error())}}
}
