package report

import (
	"bytes"
	"fmt"
	"io"
	"strconv"
	"time"

	"sapward/finding"
	"sapward/internal/app"
	"sapward/internal/draw"
	"sapward/internal/lang"
)

// SeasonInput is what the season report of a block is made of.
type SeasonInput struct {
	Facts   app.SeasonFacts
	Say     *lang.Printer
	Paper   string // a4 or letter
	Engine  string
	Created time.Time
}

// Season writes the season report of a block for its owner: one page, pictures
// first, then done, found, cost and due.
//
// Errors: no language, an unknown paper, or the writer's own.
func Season(w io.Writer, in SeasonInput) error {
	if in.Say == nil {
		return fmt.Errorf("report: no language given")
	}
	size, ok := papers[in.Paper]
	if !ok {
		return fmt.Errorf("report: paper %q is neither a4 nor letter", in.Paper)
	}
	var p *seasonPaper
	for tall := 68.0; tall >= 20; tall -= 8 { // the pictures give way until all stands on one page
		var err error
		if p, err = drawSeason(in, size.w, size.h, tall); err != nil {
			return err
		}
		if p.pdf.PageCount() == 1 {
			break
		}
	}
	var b bytes.Buffer
	if err := p.pdf.Output(&b); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	_, err := w.Write(b.Bytes())
	return err
}

// drawSeason draws the report with pictures of at most that height, mm.
func drawSeason(in SeasonInput, w, h, tall float64) (*seasonPaper, error) {
	p := &seasonPaper{tall: tall, sheet: openSheet(w, h, in.Created, in.Say, in.Engine, nil), in: in, follow: FollowUp{Result: in.Facts.FollowResult, Say: in.Say}}
	p.pdf.SetTitle(join(": ", in.Say.T("season-title"), in.Facts.Block.Facts.Name), true)
	p.section(join(": ", in.Say.T("season-title"), in.Facts.Block.Facts.Name), in.Say.Say("season-sub", finding.Args{
		"estate": finding.Text(in.Facts.Estate.Facts.Name), "from": finding.Text(in.Facts.From), "to": finding.Text(in.Facts.To), "trees": finding.Count(in.Facts.Count.Trees)}))
	if err := p.pictures(); err != nil {
		return nil, err
	}
	p.part("season-done", p.done())
	p.part("season-found", p.found())
	p.part("season-cost", p.cost())
	p.part("season-due", p.due())
	if note := in.Facts.Follow.Facts.Note; note != "" {
		p.y += 1
		p.paragraph(note, text{size: small, gray: muted})
	}
	p.finish(runningHead{product: in.Facts.Estate.Facts.Name, block: in.Facts.Block.Facts.Name, verdict: in.Facts.To,
		origin: in.Say.Say("season-origin", finding.Args{"engine": finding.Text(in.Engine)}), decides: in.Say.T("season-decides")})
	return p, nil
}

type seasonPaper struct {
	*sheet
	tall   float64
	in     SeasonInput
	follow FollowUp
	drawn  int
}

// Lines a part may have, so that all stand on one page.
const seasonLines = 8

func (p *seasonPaper) part(head string, lines []string) {
	p.subhead(p.say.T(head))
	for i, l := range lines {
		if i == seasonLines {
			p.paragraph(p.say.Say("and-more", finding.Args{"count": finding.Count(len(lines) - i)}), text{size: small, gray: muted})
			break
		}
		p.paragraph("· "+l, text{size: small})
	}
	p.y += 1.2
}

// pictures are the curves, two beside one another.
func (p *seasonPaper) pictures() error {
	type picture func(draw.Frame) (draw.Scene, bool, error)
	all := []picture{p.follow.Progress, p.follow.Survival}
	for _, d := range p.follow.Result.Declines {
		if len(d.Series) > 0 && len(all) < 4 {
			all = append(all, func(f draw.Frame) (draw.Scene, bool, error) { return p.follow.Decline(f, d, d.Series[0]) })
		}
	}
	w := (p.width - gutter) / 2
	var scenes []draw.Scene
	for _, make := range all {
		p.drawn++
		s, ok, err := make(draw.Frame{WidthPx: w * pxPerMM, ID: "s" + strconv.Itoa(p.drawn), Words: draw.Words{Lang: p.say.Lang, DecimalMark: "."}})
		if err != nil {
			return err
		}
		if ok {
			scenes = append(scenes, s)
		}
	}
	if len(scenes) == 0 {
		p.paragraph(p.say.T("season-no-pictures"), text{gray: muted})
		p.y += 2
	}
	for i := 0; i < len(scenes); i += 2 {
		h := 0.0
		for k := i; k < min(i+2, len(scenes)); k++ {
			x := p.x + float64(k-i)*(w+gutter)
			p.lineFit(x, p.y+3, w, scenes[k].Title, text{size: small, bold: true})
			h = max(h, p.place(scenes[k], x, p.y+4, w, p.tall))
		}
		p.y += h + 6
	}
	return nil
}

func (p *seasonPaper) done() (out []string) {
	for _, x := range p.in.Facts.Applications {
		trees := p.say.T("web-whole-block")
		if n := len(x.Facts.Trees); n > 0 {
			trees = p.say.Say("season-trees", finding.Args{"n": finding.Count(n)})
		}
		method := ""
		if x.Facts.Method != "" {
			method = p.say.T("method-" + x.Facts.Method)
		}
		out = append(out, x.Facts.DateEnd+": "+join(", ", x.Facts.Product, method, trees))
	}
	if len(out) == 0 {
		out = append(out, p.say.T("season-no-applications"))
	}
	return append(out, p.say.Say("season-looked", finding.Args{"visits": finding.Count(p.in.Facts.SeasonVisits), "samples": finding.Count(p.in.Facts.SeasonAssays)}))
}

func (p *seasonPaper) found() (out []string) {
	f := p.in.Facts
	if f.Survival != nil {
		for _, g := range f.Survival.Groups {
			out = append(out, p.say.Say("followweb-answer-alive", finding.Args{"treatment": finding.Text(g.Treatment), "died": finding.Count(g.Died), "n": finding.Count(g.N)}))
		}
	}
	for _, e := range f.Efficacy {
		if len(e.Bad) == 0 {
			out = append(out, e.Treatment+": "+p.say.Say("efficacy-verdict-"+string(e.Verdict), finding.Args{
				"efficacy": finding.Text(p.follow.Percent(e.Efficacy)), "interval": finding.Text(p.follow.Between(e.Low, e.High, " %")), "confidence": finding.Number(100*e.Confidence, "pct")}))
		}
	}
	closed, _ := p.follow.WoundLines()
	if len(closed) > 0 { // by treatment, the last look; medians are on the follow-up page
		for _, t := range f.Closure.Treatments {
			last := t.Days[len(t.Days)-1]
			out = append(out, p.say.Say("season-closed", finding.Args{"treatment": finding.Text(t.Treatment), "closed": finding.Count(last.Closed), "ports": finding.Count(last.Ports), "trees": finding.Count(last.Trees), "date": finding.Text(f.Zero.AddDays(int(last.Day)).String())}))
		}
	}
	if f.Count.OpenWounds > 0 {
		out = append(out, p.say.Say("season-wounds", finding.Args{"n": finding.Count(f.Count.OpenWounds)}))
	}
	if len(out) == 0 {
		out = append(out, p.say.T("season-nothing-found"))
	}
	return out
}

func (p *seasonPaper) cost() (out []string) {
	for _, c := range p.in.Facts.Costs {
		out = append(out, p.say.Say("season-cost-plan", finding.Args{"cost": finding.Text(Money(c.Total))}))
		if len(c.Unpriced) > 0 {
			out = append(out, p.say.Say("season-unpriced", finding.Args{"n": finding.Count(len(c.Unpriced))}))
		}
	}
	if n := p.in.Facts.Uncosted; n > 0 {
		out = append(out, p.say.Say("season-uncosted", finding.Args{"n": finding.Count(n)}))
	}
	if len(out) == 0 {
		out = append(out, p.say.T("season-no-cost"))
	}
	return out
}

func (p *seasonPaper) due() (out []string) {
	for _, d := range p.in.Facts.Due {
		out = append(out, d.On+": "+p.say.Say("web-due-"+d.Kind, finding.Args{"n": finding.Count(d.Count), "by": finding.Text(d.By), "treatment": finding.Text(d.Treatment)}))
	}
	if len(out) == 0 {
		out = append(out, p.say.T("season-nothing-due"))
	}
	return out
}
