package report

import (
	"bytes"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"sapward/finding"
	"sapward/follow/trial"
	"sapward/internal/draw"
	"sapward/internal/lang"
)

// TrialInput is everything the papers of a trial show. Layout may be nil for a
// report whose plots were dealt elsewhere.
type TrialInput struct {
	Layout   *trial.Layout
	Analysis *trial.Analysis
	Name     string
	Value    string            // column that was analysed
	About    map[string]string // what the user told of the place, by field
	Meaning  []string
	Notes    []string
	Engine   string
	Say      *lang.Printer
	Paper    string // a4 or letter
	Created  time.Time

	seen *placings // for tests
}

// trialPaper is a paper of a trial.
type trialPaper struct {
	*sheet
	in       TrialInput
	drawings int
}

func openTrial(in TrialInput, title string) (*trialPaper, error) {
	if in.Say == nil {
		return nil, fmt.Errorf("report: no language given")
	}
	size, ok := papers[in.Paper]
	if !ok {
		return nil, fmt.Errorf("report: paper %q is neither a4 nor letter", in.Paper)
	}
	s := openSheet(size.w, size.h, in.Created, in.Say, in.Engine, in.seen)
	s.pdf.SetTitle(join(": ", in.Say.T(title), in.Name), true)
	return &trialPaper{sheet: s, in: in}, nil
}

func (p *trialPaper) t(id string) string { return p.say.T(id) }

// end writes head and foot and the file.
func (p *trialPaper) end(w io.Writer, verdict string) error {
	h := runningHead{product: p.in.Name, verdict: verdict, decides: p.t("trial-paper-decides")}
	if h.product == "" {
		h.product = p.t("trial-paper-report")
	}
	h.origin = p.say.Say("trial-paper-origin", finding.Args{"engine": finding.Text(p.in.Engine), "seed": finding.Text(strconv.FormatUint(p.seed(), 10))})
	p.finish(h)
	var b bytes.Buffer
	if err := p.pdf.Output(&b); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	_, err := w.Write(b.Bytes())
	return err
}

func (p *trialPaper) seed() uint64 {
	switch {
	case p.in.Layout != nil:
		return p.in.Layout.Seed
	case p.in.Analysis != nil:
		return p.in.Analysis.Seed
	}
	return 0
}

func (p *trialPaper) frame(width float64) draw.Frame {
	p.drawings++
	return draw.Frame{WidthPx: width * pxPerMM, ID: "t" + strconv.Itoa(p.drawings), Words: draw.Words{Lang: p.say.Lang, DecimalMark: "."}}
}

// TrialMap writes the map of the plots for the person who treats: drawn trees
// or plots in the pattern and letter of their treatment, the key, and the list.
//
// Errors: no language, an unknown paper, no layout, or the writer's own.
func TrialMap(w io.Writer, in TrialInput) error {
	p, err := openTrial(in, "trial-paper-map")
	if err != nil {
		return err
	}
	if in.Layout == nil {
		return fmt.Errorf("report: no layout given")
	}
	p.section(p.t("trial-paper-map"), p.t("trial-paper-map-key"))
	if err := p.plotMap(150); err != nil {
		return err
	}
	p.key()
	p.plotList(true)
	return p.end(w, p.t("trial-paper-layout"))
}

// plotMap draws the map at most so many mm high.
func (p *trialPaper) plotMap(most float64) error {
	scene, err := DrawTrial(p.in.Layout, p.frame(p.width), p.say)
	if err != nil {
		return err
	}
	h := min(scene.Height/scene.Width*p.width, most)
	p.need(h + 8)
	p.y += p.place(scene, p.x, p.y, p.width, most) + 1
	p.paragraph(p.t("trial-paper-map-sub"), text{size: small, gray: muted})
	p.y += 2
	return nil
}

// DrawTrial is the map of a layout, for paper and screen: by position where
// every tree has one, else plots in rows.
func DrawTrial(l *trial.Layout, f draw.Frame, say *lang.Printer) (draw.Scene, error) {
	m := draw.TrialMap{Frame: f, North: say.T("draw-north")}
	m.Title = say.T("trial-paper-map")
	index := map[string]int{}
	for i, t := range l.LetterList() {
		index[t[1]] = i
	}
	for _, x := range l.Plots {
		letter := x.Letter
		if i := slices.Index(l.Subs, x.Sub); i >= 0 {
			letter += strconv.Itoa(i + 1)
		}
		m.Plots = append(m.Plots, draw.TrialPlot{Number: x.Plot, Block: x.Block, Letter: letter, Treatment: index[x.Treatment]})
	}
	for _, t := range l.Trees {
		if t.X == nil || t.Y == nil {
			m.Grid = true
			break
		}
		m.Trees = append(m.Trees, draw.TrialTree{X: *t.X, Y: *t.Y, Role: t.Role, Plot: t.Plot})
	}
	return draw.DrawTrialMap(m)
}

// key explains patterns and letters.
func (p *trialPaper) key() {
	const w, h = 9.0, 4.95
	l := p.in.Layout
	p.need(float64(len(l.Treatments)+len(l.Subs))*(h+1.6) + 2)
	for i, l := range p.in.Layout.LetterList() {
		p.need(h + 2)
		p.place(draw.TrialSwatch(i, l[0]), p.x, p.y, w, 0)
		name := l[1]
		p.lineFit(p.x+w+3, p.y+h-1.2, p.width-w-3, name, text{bold: name == p.in.Layout.Control})
		p.y += h + 1.6
	}
	for i, sub := range l.Subs {
		p.need(h + 2)
		p.within(p.x, p.y+h-1.2, w, strconv.Itoa(i+1), text{bold: true, align: "C"})
		p.lineFit(p.x+w+3, p.y+h-1.2, p.width-w-3, sub, text{})
		p.y += h + 1.6
	}
	p.y += 2
}

// plotList lists the plots, with or without their treatments.
func (p *trialPaper) plotList(named bool) {
	split := len(p.in.Layout.Subs) > 0
	cols := []column{{head: p.t("trial-col-plot"), share: 1, right: true, bold: true}, {head: p.t("trial-col-block"), share: 1.6}}
	if named {
		cols = append(cols, column{head: p.t("trial-col-letter"), share: 1, bold: true}, column{head: p.t("col-treatment"), share: 3})
		if split {
			cols = append(cols, column{head: p.t("trial-col-sub"), share: 2.4})
		}
	}
	cols = append(cols, column{head: p.t("trial-col-size"), share: 1.8, right: true}, column{head: p.t("trial-col-trees"), share: 5})
	t := p.newTable(cols...)
	for _, x := range p.in.Layout.Plots {
		cells := []string{strconv.Itoa(x.Plot), x.Block}
		if named {
			cells = append(cells, x.Letter, x.Treatment)
			if split {
				cells = append(cells, x.Sub)
			}
		}
		size := ""
		if x.SizeCM != nil {
			size = p.say.Length(*x.SizeCM)
		}
		t.row(append(cells, size, strings.Join(x.Trees, " "))...)
	}
	p.y += 3
}

// TrialLabels writes a label a plot, three beside one another: number, block
// and trees, no treatment, so that it may hang where the assessor walks.
//
// Errors: as TrialMap.
func TrialLabels(w io.Writer, in TrialInput) error {
	p, err := openTrial(in, "trial-paper-labels")
	if err != nil {
		return err
	}
	if in.Layout == nil {
		return fmt.Errorf("report: no layout given")
	}
	const across, down = 3, 7
	p.title = p.t("trial-paper-labels")
	width, height := (p.w-2*side)/across, (p.h-foot-top-2)/down
	for i, x := range in.Layout.Plots {
		k := i % (across * down)
		if k == 0 {
			p.newPage()
		}
		left, upper := side+float64(k%across)*width, top+float64(k/across)*height
		p.line(hairline, hair)
		p.pdf.Rect(left, upper, width, height, "D")
		p.pdf.SetFont(draw.FontFamily, "B", 34)
		p.font.ok = false
		p.pdf.SetTextColor(ink, ink, ink)
		p.pdf.Text(left+4, upper+16, strconv.Itoa(x.Plot))
		p.font.ok = false
		y := upper + 21
		if in.Name != "" {
			p.lineFit(left+4, upper+5.2, width-8, in.Name, text{size: small, gray: muted, align: "R"})
		}
		if x.Block != "" {
			p.lineFit(left+4, upper+10, width-8, p.say.Say("trial-paper-blockline", finding.Args{"block": finding.Text(x.Block)}), text{size: small, align: "R"})
		}
		for n, l := range p.wrap(strings.Join(x.Trees, "  "), width-8, text{size: small}) {
			if y+float64(n)*lineSmall > upper+height-2 {
				break
			}
			p.within(left+4, y+float64(n)*lineSmall, width-8, l, text{size: small})
		}
	}
	return p.end(w, p.t("trial-paper-labels"))
}

// TrialAssessor writes the sheet the assessor fills in: plots and trees in the
// order of the walk, without treatments, letters or blocks.
//
// Errors: as TrialMap.
func TrialAssessor(w io.Writer, in TrialInput) error {
	p, err := openTrial(in, "trial-paper-assessor")
	if err != nil {
		return err
	}
	if in.Layout == nil {
		return fmt.Errorf("report: no layout given")
	}
	p.section(p.t("trial-paper-assessor"), p.t("trial-paper-assessor-sub"))
	for _, id := range []string{"trial-paper-assessor-name", "trial-paper-visit", "trial-paper-variable"} {
		p.need(9)
		p.y += 8
		p.put(p.x, p.y-1.2, p.t(id), text{size: small, gray: muted})
		p.blank(p.x+62, p.y, p.width-62)
	}
	p.y += 5
	t := p.newTable(column{head: p.t("trial-col-plot"), share: 1, right: true, bold: true}, column{head: p.t("trial-paper-col-tree"), share: 2.2},
		column{head: p.t("trial-paper-col-value"), share: 3}, column{head: p.t("trial-paper-col-reason"), share: 5})
	t.size = large // room to write in
	for _, x := range in.Layout.Plots {
		for _, tree := range x.Trees {
			t.row(strconv.Itoa(x.Plot), tree, "", "")
		}
	}
	return p.end(w, p.t("trial-paper-assessor"))
}
