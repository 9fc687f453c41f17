package report

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"time"

	"sapward/apply/tag"
	"sapward/finding"
	"sapward/internal/draw"
	"sapward/internal/lang"
)

// TreeTag is what one tag shows: nothing of a place or a person.
type TreeTag struct {
	Tree string // the tree's own tag, in large type
	Key  string // opaque, in the QR code: capital letters and digits
	Code string // for people, with its check symbol
}

// TagSize is a size of tag.
type TagSize string

// Sizes of tag, in mm: small 59 x 26, medium 88 x 38, large 88 x 96.
const (
	SmallTag  TagSize = "small"
	MediumTag TagSize = "medium"
	LargeTag  TagSize = "large"
)

// TagSizes are the sizes from small to large.
var TagSizes = []TagSize{SmallTag, MediumTag, LargeTag}

// tagShape is a size's measures in mm. The module of the code is that of a key
// of tag.KeyLength symbols; a longer text gets smaller modules in the same
// square.
type tagShape struct {
	w, h   float64
	square float64 // the code with its margin
	upper  float64 // largest type of the tree's tag, pt
	code   float64 // type of the code, pt
	below  bool    // words stand below the code, not beside it
}

var tagShapes = map[TagSize]tagShape{
	SmallTag:  {w: 59, h: 26, square: 24.65, upper: 22, code: 12},
	MediumTag: {w: 88, h: 38, square: 36.25, upper: 34, code: 18},
	LargeTag:  {w: 88, h: 96, square: 63.8, upper: 44, code: 26, below: true},
}

// leastModule is the smallest module in mm that is printed (common practice
// for codes read with a phone in the open, no source).
const leastModule = 0.5

// leastType is the smallest type of a tree's tag, pt.
const leastType = 9

// TagsInput is everything a sheet of tree tags shows.
type TagsInput struct {
	Tags    []TreeTag
	Sizes   []TagSize // every tag is printed in each; empty: medium
	Say     *lang.Printer
	Paper   string // a4 or letter
	Created time.Time
	Engine  string // version of the program
}

// Tags writes tree tags as a PDF: rows of tags with cut marks, each with a QR
// code of level Q, its 4-module margin, the code for people and the tree's tag.
// A bar of 100 mm on every page shows whether the printer kept the size. The
// same input gives the same bytes.
//
// Errors: no printer or tags, an unknown paper or size, a key that is not in
// capital letters and digits or too long for its square, or the writer's own.
func Tags(w io.Writer, in TagsInput) error { return writeTags(w, in, nil) }

func writeTags(w io.Writer, in TagsInput, seen *placings) error {
	if in.Say == nil || len(in.Tags) == 0 {
		return fmt.Errorf("report: no language or no tags given")
	}
	size, ok := papers[in.Paper]
	if !ok {
		return fmt.Errorf("report: paper %q is neither a4 nor letter", in.Paper)
	}
	if len(in.Sizes) == 0 {
		in.Sizes = []TagSize{MediumTag}
	}
	s := openSheet(size.w, size.h, in.Created, in.Say, in.Engine, seen)
	s.pdf.SetTitle(in.Say.T("tags-title"), true)
	t := tagSheet{s}
	s.section(in.Say.T("tags-title"), in.Say.T("tags-meaning"))
	for _, name := range in.Sizes {
		shape, ok := tagShapes[name]
		if !ok {
			return fmt.Errorf("report: tag size %q is none of %v", name, TagSizes)
		}
		if err := t.rows(in.Tags, shape); err != nil {
			return err
		}
	}
	t.feet()
	var b bytes.Buffer
	if err := s.pdf.Output(&b); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	_, err := w.Write(b.Bytes())
	return err
}

type tagSheet struct{ *sheet }

// rows lays all tags out in rows of one size.
func (t tagSheet) rows(tags []TreeTag, shape tagShape) error {
	across := int((t.width + 1e-6) / shape.w)
	t.y += 6 // apart from the cut marks above
	for len(tags) > 0 {
		n := min(across, len(tags))
		t.need(shape.h + 1)
		for i := range n {
			x := t.x + float64(i)*shape.w
			if err := t.tag(x, t.y, tags[i], shape); err != nil {
				return err
			}
			t.marks(x, t.y, shape)
		}
		t.y += shape.h
		tags = tags[n:]
	}
	return nil
}

// marks draws the cut marks at the four corners of a tag.
func (t tagSheet) marks(x, y float64, shape tagShape) {
	const arm = 1.8
	t.line(hairline, muted)
	for _, cx := range []float64{x, x + shape.w} {
		for _, cy := range []float64{y, y + shape.h} {
			t.pdf.Line(max(cx-arm, side-arm), cy, cx+arm, cy)
			t.pdf.Line(cx, cy-arm, cx, cy+arm)
		}
	}
}

// tag draws one tag with its upper left corner at (x, y).
func (t tagSheet) tag(x, y float64, tg TreeTag, shape tagShape) error {
	for _, c := range tg.Key {
		if (c < '0' || c > '9') && (c < 'A' || c > 'Z') {
			return fmt.Errorf("report: key %q of tree %q is not in capital letters and digits", tg.Key, tg.Tree)
		}
	}
	q, err := draw.NewQR(tg.Key, draw.QRQuartile)
	if err != nil {
		return fmt.Errorf("report: tree %q: %w", tg.Tree, err)
	}
	if module := shape.square / float64(q.Side()); module < leastModule {
		return fmt.Errorf("report: the code of tree %q would have modules of %.2f mm, less than %.1f", tg.Tree, module, leastModule)
	}
	qx, qy := x+0.5, y+(shape.h-shape.square)/2
	tx, tw, base := x+shape.square+1.5, shape.w-shape.square-3.5, y+shape.h/2
	align := ""
	if shape.below {
		qx, qy = x+(shape.w-shape.square)/2, y+0.5
		tx, tw, base, align = x+3, shape.w-6, y+shape.square+(shape.h-shape.square)/2-3, "C"
	}
	t.place(q.Scene(), qx, qy, shape.square, 0)
	code := text{size: shape.code, bold: true, align: align}
	label := text{size: small, gray: muted, align: align}
	name := t.fitted(tg.Tree, tw, shape)
	name.align = align
	lines := []string{tg.Tree}
	if t.measure(tg.Tree, name) > tw {
		lines = t.wrap(tg.Tree, tw, name)
	}
	lead := name.size * mmPerPt * 1.05
	codeSize := code.size
	for t.measure(tag.Grouped(tg.Code), code) > tw && codeSize > small {
		codeSize--
		code.size = codeSize
	}
	under := small*mmPerPt + 1.2 + codeSize*mmPerPt // from the last line of the name to the base of the code
	room := shape.h - 4 - under - 2
	if shape.below {
		room = shape.h - shape.square - 3 - under - 2
	}
	if most := max(1, int(room/lead)); len(lines) > most {
		lines = lines[:most]
		last := []rune(lines[most-1])
		for len(last) > 0 && t.measure(string(last)+"…", name) > tw {
			last = last[:len(last)-1]
		}
		lines[most-1] = string(last) + "…"
	}
	high := float64(len(lines)-1)*lead + name.size*mmPerPt*0.72 + 2.2 + under
	first := base - high/2 + name.size*mmPerPt*0.72
	if shape.below {
		first += 1.5
	}
	for i, l := range lines {
		t.within(tx, first+float64(i)*lead, tw, l, name)
	}
	y = first + float64(len(lines)-1)*lead + 2.2
	t.within(tx, y+small*mmPerPt, tw, t.say.T("tags-code"), label)
	t.within(tx, y+under, tw, tag.Grouped(tg.Code), code)
	return nil
}

// fitted is the largest type in which a tree's tag stands in one line.
func (t tagSheet) fitted(str string, w float64, shape tagShape) text {
	tt := text{size: shape.upper, bold: true}
	if got := t.measure(str, tt); got > w {
		tt.size = max(leastType, math.Floor(tt.size*w/got*2)/2)
	}
	return tt
}

// feet writes the bar that shows the scale, and the number of the page.
func (t tagSheet) feet() {
	n := t.pdf.PageCount()
	for i := 1; i <= n; i++ {
		t.pdf.SetPage(i)
		t.font.ok = false
		t.plainPen()
		y := t.h - 9.0
		t.line(0.4, ink)
		t.pdf.Line(side, y-3, side+100, y-3)
		for _, x := range []float64{side, side + 50, side + 100} {
			t.pdf.Line(x, y-4.5, x, y-1.5)
		}
		t.within(side, y+2, 100, t.say.T("tags-bar"), text{size: small, gray: muted})
		page := t.say.Say("report-page", finding.Args{"page": finding.Count(i), "pages": finding.Count(n)})
		t.within(t.w-side-40, y+2, 40, page, text{size: small, bold: true, align: "R"})
	}
	t.pdf.SetPage(n)
}
