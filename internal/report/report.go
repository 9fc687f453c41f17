// Package report makes the paper of a plan: one PDF with what the adviser
// signs, what the crew carries and what it writes down. The same plan, language
// and date give the same bytes.
package report

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"time"

	"codeberg.org/go-pdf/fpdf"

	"sapward/internal/draw"
	"sapward/internal/lang"
	"sapward/measure/tree"
	"sapward/plan"
	"sapward/plan/label"
)

// Input is everything the document shows. The plan carries its trees; where
// the printer speaks US units, its class card is best worked out in steps of a
// tenth of an inch (plan.Job.ClassCard).
type Input struct {
	Plan      plan.Plan
	Name      string      // of the block; empty: the site's
	Block     []tree.Tree // all trees of the block, for positions and status
	Wounds    []tree.Wound
	Obstacles []tree.Obstacle
	Limbs     []tree.Limb
	Outfit    *plan.Outfit // nil: the plan's own; without either, kit and crew are left out
	Say       *lang.Printer
	Paper     string // a4 or letter
	Created   time.Time
	CardText  label.Card
}

// Plan writes the plan as a PDF: summary and cautions, class card, a section a
// fill with the trees that get it, map, kit and mixing, crew and day, field
// sheets, pocket card. A refused plan has no doses and therefore neither class
// card nor anything to carry. The plan itself is attached as plan.json.
//
// Errors: no printer, an unknown paper, a drawing that cannot be made of the
// values given, or the writer's own.
func Plan(w io.Writer, in Input) error { return write(w, in, nil) }

// write makes the document; seen, if not nil, is told of everything placed.
func write(w io.Writer, in Input, seen *placings) error {
	if in.Say == nil {
		return fmt.Errorf("report: no language given")
	}
	if in.Outfit == nil {
		in.Outfit = in.Plan.Outfit
	} else if in.Plan.Outfit == nil {
		in.Plan.Outfit, in.Plan.Kit = in.Outfit, in.Outfit.Kit.Lines
	}
	s, err := newSheet(in, seen)
	if err != nil {
		return err
	}
	d := newDocument(s, in)
	parts := []func() error{d.summary, d.cautions, d.classCard, d.fills, d.blockPage, d.kit, d.crew, d.fieldSheets, d.pocket}
	for _, part := range parts {
		if err := part(); err != nil {
			return err
		}
	}
	s.finish(d.runningHead())
	if err := s.attach(in.Plan); err != nil {
		return err
	}
	var b bytes.Buffer
	if err := s.pdf.Output(&b); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	_, err = w.Write(b.Bytes())
	return err
}

// attach puts the plan document into the file, for programs to read.
func (s *sheet) attach(p plan.Plan) error {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", " ")
	if err := enc.Encode(p); err != nil {
		return fmt.Errorf("report: plan.json: %w", err)
	}
	s.pdf.SetAttachments([]fpdf.Attachment{{Content: b.Bytes(), Filename: "plan.json", Description: p.Schema}})
	return nil
}

// newSheet opens a document of the paper asked for.
func newSheet(in Input, seen *placings) (*sheet, error) {
	size, ok := papers[in.Paper]
	if !ok {
		return nil, fmt.Errorf("report: paper %q is neither a4 nor letter", in.Paper)
	}
	s := openSheet(size.w, size.h, in.Created, in.Say, in.Plan.Engine, seen)
	s.pdf.SetTitle(in.Say.T("report-title")+": "+in.Plan.Card.Product, true)
	s.pdf.SetSubject(in.Say.T("verdict-short-"+string(in.Plan.Verdict)), true)
	return s, nil
}

// openSheet opens a document of a size in mm, with fixed dates inside so that
// the same content gives the same bytes.
func openSheet(w, h float64, created time.Time, say *lang.Printer, engine string, seen *placings) *sheet {
	pdf := fpdf.NewCustom(&fpdf.InitType{UnitStr: "mm", Size: fpdf.SizeType{Wd: w, Ht: h}})
	pdf.SetMargins(0, 0, 0)
	pdf.SetAutoPageBreak(false, 0)
	pdf.SetCatalogSort(true)
	pdf.SetCreationDate(created.UTC())
	pdf.SetModificationDate(created.UTC())
	pdf.SetLang(say.Lang)
	pdf.SetCreator("Sapward "+engine, true)
	pdf.SetProducer("Sapward "+engine, true)
	draw.AddFonts(pdf)
	return &sheet{pdf: pdf, say: say, w: w, h: h, seen: seen}
}
