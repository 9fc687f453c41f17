package report

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strconv"
	"time"

	"codeberg.org/go-pdf/fpdf"

	"sapward/finding"
	"sapward/flow/compare"
	"sapward/internal/draw"
	"sapward/internal/lang"
)

// ComparisonInput is everything the paper of a comparison shows.
type ComparisonInput struct {
	Document *compare.Document
	Name     string // of the block
	Say      *lang.Printer
	Paper    string // a4 or letter
	Created  time.Time
}

// Comparison writes the comparison as a PDF: the answer with both methods side
// by side, what the verdict hangs on, pictures, and how it was worked out. The
// document itself is attached as comparison.json.
//
// Errors: no printer, an unknown paper, a drawing that cannot be made, or the
// writer's own.
func Comparison(w io.Writer, in ComparisonInput) error {
	if in.Say == nil || in.Document == nil {
		return fmt.Errorf("report: no language or no comparison given")
	}
	size, ok := papers[in.Paper]
	if !ok {
		return fmt.Errorf("report: paper %q is neither a4 nor letter", in.Paper)
	}
	s := openSheet(size.w, size.h, in.Created, in.Say, in.Document.Engine, nil)
	s.pdf.SetTitle(in.Say.T("compare-title")+": "+in.Document.Product, true)
	c := &comparison{s, in, in.Document}
	for _, part := range []func() error{c.answer, c.hangs, c.pictures, c.workings} {
		if err := part(); err != nil {
			return err
		}
	}
	s.finish(c.runningHead())
	data, err := json.MarshalIndent(in.Document, "", " ")
	if err != nil {
		return fmt.Errorf("report: comparison.json: %w", err)
	}
	s.pdf.SetAttachments([]fpdf.Attachment{{Content: data, Filename: "comparison.json", Description: in.Document.Schema}})
	var b bytes.Buffer
	if err := s.pdf.Output(&b); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	_, err = w.Write(b.Bytes())
	return err
}

type comparison struct {
	*sheet
	in ComparisonInput
	d  *compare.Document
}

func (c *comparison) t(id string) string { return c.say.T(id) }

func (c *comparison) runningHead() runningHead {
	h := runningHead{product: c.d.Product, block: join("  ·  ", c.in.Name, c.d.On), verdict: c.t("compare-estimate-short"), decides: c.t("report-decides")}
	if c.d.Invented {
		h.badges = append(h.badges, c.t("report-invented"))
	}
	if c.d.PracticeOnly {
		h.badges = append(h.badges, c.t("report-practice-only"))
	}
	hash := c.d.CardHash
	if len(hash) > 12 {
		hash = hash[:12]
	}
	h.origin = c.say.Say("report-origin", finding.Args{"engine": finding.Text(c.d.Engine), "seed": finding.Text(strconv.FormatUint(c.d.Seed, 10)), "hash": finding.Text(hash)})
	return h
}

// answer is the first page: the sentence, both methods side by side, coverage.
func (c *comparison) answer() error {
	c.section(c.t("compare-title"), ComparisonSubject(c.say, c.d))
	c.boxed(c.d.Verdict.Sentence)
	if c.d.Probability != nil {
		c.bars()
	}
	c.sideBySide()
	return c.picture(func(w float64) (draw.Scene, bool, error) { return c.in.coverage(w*pxPerMM, false) }, 68)
}

// boxed writes the answer large, in a frame.
func (c *comparison) boxed(str string) {
	t := text{size: 11, bold: true}
	const lead = 5.2
	ls := c.wrap(str, c.width-10, t)
	h := float64(len(ls))*lead + 6
	c.need(h)
	c.line(0.5, ink)
	c.pdf.Rect(c.x, c.y, c.width, h, "D")
	for i, l := range ls {
		c.within(c.x+5, c.y+6.6+float64(i)*lead, c.width-10, l, t)
	}
	c.y += h + 3
}

// bars draws how often each method is sooner and longer, in 100 cases.
func (c *comparison) bars() {
	p := c.d.Probability
	rest := math.Max(0, 1-p.Longer-p.Shorter)
	rows := []struct {
		label string
		parts []float64
		names []string
	}{
		{c.t("compare-row-sooner"), []float64{p.Later, p.Earlier, p.Same, p.Neither}, []string{c.t("method-injection"), c.t("method-infusion"), c.t("compare-same"), c.t("compare-neither")}},
		{c.t("compare-row-longer"), []float64{p.Shorter, p.Longer, rest}, []string{c.t("method-injection"), c.t("method-infusion"), c.t("compare-alike")}},
	}
	greys := map[string]int{c.t("method-injection"): 60, c.t("method-infusion"): 150, c.t("compare-same"): 205, c.t("compare-alike"): 205, c.t("compare-neither"): 240}
	const label = 34.0
	for _, r := range rows {
		c.need(9.5)
		c.within(c.x, c.y+4, label-2, r.label, text{bold: true})
		x := c.x + label
		w := c.width - label
		for i, v := range r.parts {
			bw := v * w
			g := greys[r.names[i]]
			c.gray(g)
			c.line(0.2, ink)
			if bw > 0.2 {
				c.pdf.Rect(x, c.y, bw, 5.6, "FD")
			}
			st := text{size: small, bold: true, align: "C"}
			if g < 128 {
				st.gray = paper
			}
			str := r.names[i] + " " + hundred(v)
			if bw > c.measure(str, st)+2 {
				c.within(x, c.y+3.9, bw, str, st)
			} else if str = hundred(v); v >= 0.005 && bw > c.measure(str, st)+1 {
				c.within(x, c.y+3.9, bw, str, st)
			}
			x += bw
		}
		c.y += 7.4
	}
	c.paragraph(c.t("compare-bars-meaning"), text{size: small, gray: muted})
	c.y += 1.5
}

// sideBySide is the table of both methods.
func (c *comparison) sideBySide() {
	cols := []column{{head: "", share: 40}}
	for _, m := range c.d.Methods {
		cols = append(cols, column{head: c.t("method-" + m.Method), share: 34, right: true})
	}
	t := c.newTable(cols...)
	for _, r := range ComparisonRows(c.say, c.d) {
		t.row(append([]string{r.Name}, r.Cells...)...)
	}
	c.y += 1.5
	c.paragraph(c.t("compare-table-meaning"), text{size: small, gray: muted})
	for _, m := range c.d.Methods {
		for _, f := range m.Refusals {
			str, _ := c.say.Finding(f)
			c.paragraph(c.t("method-"+m.Method)+": "+str, text{})
		}
		for _, f := range m.Open {
			str, _ := c.say.Finding(f)
			c.paragraph(c.t("method-"+m.Method)+": "+str, text{size: small})
		}
	}
	c.y += 2
}

// picture places a drawing over the width of the frame, at most so high.
func (c *comparison) picture(make func(width float64) (draw.Scene, bool, error), most float64) error {
	s, ok, err := make(c.width)
	if err != nil || !ok {
		return err
	}
	h := s.Height / s.Width * c.width
	if most > 0 {
		h = math.Min(h, most)
	}
	if room := c.bottom - c.y; room < h && room > 0.65*h { // rather smaller than on the next page
		h, most = room, room
	}
	c.need(h)
	c.y += c.place(s, c.x, c.y, c.width, most) + 3
	return nil
}

// hangs says what the verdict hangs on: ports, layout, inputs, assays.
func (c *comparison) hangs() error {
	c.section(c.t("compare-hangs"), "")
	if e := c.d.Equal; e != nil {
		c.subhead(c.t("compare-head-equal"))
		c.paragraph(EqualSentence(c.say, e), text{})
		t := c.newTable(column{head: "", share: 40}, column{head: c.t("method-injection"), share: 34, right: true}, column{head: c.t("method-infusion"), share: 34, right: true})
		t.size = small
		for _, r := range EqualRows(c.say, c.d) {
			t.row(append([]string{r.Name}, r.Cells...)...)
		}
		c.y += 1
	}
	if len(c.d.Layouts) > 0 {
		c.subhead(c.t("compare-head-layout"))
		for _, l := range c.d.Layouts {
			c.paragraph(LayoutText(c.say, l), text{})
			c.layoutTable(l)
		}
		c.paragraph(c.t("compare-layout-meaning"), text{size: small, gray: muted})
	}
	if len(c.d.Drivers) > 0 {
		c.subhead(c.t("compare-head-drivers"))
		c.drivers()
	}
	if len(c.d.Methods) > 1 && c.d.Probability != nil {
		c.subhead(c.t("compare-head-advice"))
		if len(c.d.Advice) == 0 {
			c.paragraph(c.t("compare-advice-none"), text{})
		}
		for i, a := range c.d.Advice {
			c.paragraph(strconv.Itoa(i+1)+". "+AdviceText(c.say, a), text{})
		}
		if len(c.d.Advice) > 0 {
			c.paragraph(c.t("compare-advice-meaning"), text{size: small, gray: muted})
		}
	}
	c.assays()
	return nil
}

// layoutTable shows the numbers of ports that were tried.
func (c *comparison) layoutTable(l compare.LayoutLine) {
	if len(l.Tried) == 0 {
		return
	}
	cols := []column{{head: c.t("col-ports"), share: 22, right: true}, {head: c.t("compare-col-wound"), share: 26, right: true}, {head: c.t("compare-col-days20"), share: 34, right: true},
		{head: c.t("compare-col-reaches"), share: 34, right: true}, {head: c.t("compare-col-peak"), share: 44, right: true}}
	if l.Turned {
		cols = append(cols, column{head: c.t("compare-col-offset"), share: 26, right: true})
	}
	t := c.newTable(cols...)
	for _, x := range ShownLayouts(l) {
		n := strconv.Itoa(x.Ports)
		if x.Ports == l.Planned {
			n = "• " + n
		}
		cells := []string{n, lang.Fixed(x.WoundPct, 1) + " %", lang.Fixed(x.Days20, 0), hundred(x.Reaches / 100), BandText(c.say, x.PeakPct, 0)}
		if l.Turned {
			cells = append(cells, lang.Fixed(x.OffsetDeg, 0)+"°")
		}
		t.row(cells...)
	}
	c.y += 2.5
}

// mostLayouts is how many numbers of ports a table lists.
const mostLayouts = 5

// ShownLayouts picks the numbers of ports worth a line: the fewest, the most,
// the plan's, the one at which more stop paying, and evenly between.
func ShownLayouts(l compare.LayoutLine) []compare.TriedLine {
	if len(l.Tried) <= mostLayouts {
		return l.Tried
	}
	keep := map[int]bool{0: true, len(l.Tried) - 1: true}
	for i, x := range l.Tried {
		if x.Ports == l.Planned || x.Ports == l.Pays {
			keep[i] = true
		}
	}
	for k := 1; len(keep) < mostLayouts && k < len(l.Tried); k++ { // halves, quarters, ...
		for j := 1; j < 1<<k && len(keep) < mostLayouts; j += 2 {
			keep[j*(len(l.Tried)-1)/(1<<k)] = true
		}
	}
	var out []compare.TriedLine
	for i, x := range l.Tried {
		if keep[i] {
			out = append(out, x)
		}
	}
	return out
}

// shownDrivers is how many inputs are listed.
const shownDrivers = 8

// drivers draws a bar for each of the inputs with the largest hold.
func (c *comparison) drivers() {
	const label, number = 74.0, 22.0
	w := c.width - label - number
	for i, v := range c.d.Drivers {
		if i == shownDrivers {
			break
		}
		c.need(5)
		c.within(c.x, c.y+3.3, label-2, InputName(c.say, v.Input), text{})
		c.gray(150)
		c.pdf.Rect(c.x+label, c.y+0.6, math.Max(0.3, math.Min(1, v.Share)*w), 3.2, "F")
		str := hundred(v.Share) + " %"
		if !v.Weighted {
			str += " ± " + hundred(v.Half)
		}
		c.within(c.x+label+w, c.y+3.3, number, str, text{align: "R"})
		c.y += 4.9
	}
	id := "compare-drivers-meaning"
	if c.d.Drivers[0].Weighted {
		id = "compare-drivers-weighted"
	}
	c.paragraph(c.t(id), text{size: small, gray: muted})
}

// pictures shows maps, arrivals and the trunk.
func (c *comparison) pictures() error {
	if len(c.d.Maps) == 0 {
		return nil
	}
	c.section(c.t("compare-pictures"), c.t("compare-map-middle"))
	cells := []func(w float64) (draw.Scene, bool, error){}
	for day := range len(c.d.Maps) / max(1, len(c.in.methods())) {
		for k := range c.in.methods() {
			i := k*(len(c.d.Maps)/len(c.in.methods())) + day
			cells = append(cells, func(w float64) (draw.Scene, bool, error) { s, err := c.in.sapMap(w*pxPerMM, i); return s, true, err })
		}
	}
	for _, m := range c.in.methods() {
		if hasArrival(c.d, m) {
			cells = append(cells, func(w float64) (draw.Scene, bool, error) { return c.in.arrivals(w*pxPerMM, m) })
		}
	}
	w := (c.width - gutter) / 2
	for i := 0; i < len(cells); i += 2 {
		high := 0.0
		var row []draw.Scene
		for _, cell := range cells[i:min(i+2, len(cells))] {
			s, ok, err := cell(w)
			if err != nil {
				return err
			}
			if ok {
				row = append(row, s)
				high = math.Max(high, s.Height/s.Width*w)
			}
		}
		c.need(high + 3)
		for k, s := range row {
			c.place(s, c.x+float64(k)*(w+gutter), c.y, w, 0)
		}
		c.y += high + 4
	}
	if len(c.d.Arrival) > 0 {
		c.paragraph(c.t("compare-arrival-meaning"), text{size: small, gray: muted})
	}
	return c.picture(func(w float64) (draw.Scene, bool, error) { return c.in.coverage(w*pxPerMM, true) }, 80)
}

// workings is the page how this was worked out: the steps, every assumption
// with its mark and source, doubts and limits.
func (c *comparison) workings() error {
	c.section(c.t("compare-workings"), "")
	for i := 1; c.say.Has("compare-step-" + strconv.Itoa(i)); i++ {
		c.paragraph(strconv.Itoa(i)+". "+c.say.Say("compare-step-"+strconv.Itoa(i), ComparisonStepArgs(c.say, c.d)), text{})
		c.y += 0.8
	}
	if len(c.d.Warnings) > 0 {
		c.subhead(c.t("movement-head-warnings"))
		for _, w := range c.d.Warnings {
			c.paragraph("• "+WarningText(c.say, w), text{})
		}
	}
	c.subhead(c.t("compare-head-limits"))
	for i := 1; c.say.Has("compare-limit-" + strconv.Itoa(i)); i++ {
		c.paragraph("• "+c.t("compare-limit-"+strconv.Itoa(i)), text{})
	}
	if len(c.d.Assumptions) > 0 {
		c.subhead(c.t("compare-head-assumptions"))
		t := c.newTable(column{head: c.t("compare-col-input"), share: 46}, column{head: c.t("compare-col-low"), share: 17, right: true}, column{head: c.t("compare-col-middle"), share: 17, right: true},
			column{head: c.t("compare-col-high"), share: 17, right: true}, column{head: c.t("compare-col-mark"), share: 24}, column{head: c.t("compare-col-source"), share: 62})
		t.size = small
		for _, a := range c.d.Assumptions {
			t.row(InputName(c.say, a.Name), Figures(a.Low), Figures(a.Typical), Figures(a.High), MarkText(c.say, a.Mark), SourceText(c.say, a.Source))
		}
		c.y += 1.5
		c.paragraph(c.t("compare-assumptions-meaning"), text{size: small, gray: muted})
	}
	return nil
}

// assays shows what the assays did to the answer.
func (c *comparison) assays() {
	a := c.d.Assays
	if a == nil {
		return
	}
	c.subhead(c.t("compare-head-assays"))
	for _, s := range AssaysText(c.say, c.d) {
		c.paragraph(s, text{})
	}
	t := c.newTable(column{head: c.t("col-tree"), share: 22}, column{head: c.t("compare-col-day"), share: 16, right: true}, column{head: c.t("compare-col-height"), share: 20, right: true}, column{head: c.t("compare-col-azimuth"), share: 20, right: true},
		column{head: c.t("compare-col-found"), share: 24, right: true}, column{head: c.t("compare-col-before"), share: 42, right: true}, column{head: c.t("compare-col-after"), share: 42, right: true})
	t.size = small
	for _, p := range a.Points {
		t.row(p.Tree, lang.Figure(p.DayD, 1), c.say.Height(p.HeightM), lang.Fixed(p.AzimuthDeg, 0)+"°", FoundText(p), FigureBand(c.say, p.Prior), FigureBand(c.say, p.Posterior))
	}
	c.y += 2
	t = c.newTable(column{head: c.t("compare-col-input"), share: 60}, column{head: c.t("compare-col-before"), share: 50, right: true}, column{head: c.t("compare-col-after"), share: 50, right: true})
	t.size = small
	for _, p := range a.Parameters {
		t.row(InputName(c.say, p.Name), FigureBand(c.say, p.Prior), FigureBand(c.say, p.Posterior))
	}
}

// FoundText is the residue found in an assay.
func FoundText(p compare.AssayPoint) string {
	if p.NotDetected {
		return "< " + Figures(p.LimitMgKg)
	}
	return Figures(p.MgKg)
}
