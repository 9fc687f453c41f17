package report

import (
	"sapward/internal/draw"
)

// placings records what was placed where, for whoever wants to check that
// nothing is cut off. A nil one records nothing.
type placings struct {
	texts  []placed
	boxed  []boxed
	scenes []drawn
	broken []boxed // words cut in two because they are wider than their box
}

// placed is a line of text on a page, its base line starting at (x, y).
type placed struct {
	page int
	x, y float64
	s    string
	text
}

// boxed is a text with the width it takes and the width it has.
type boxed struct {
	page      int
	s         string
	got, room float64
}

// drawn is a picture on a page.
type drawn struct {
	page    int
	x, y, w float64
	sc      draw.Scene
}

func (p *placings) text(s *sheet, x, y float64, str string, t text) {
	if p != nil {
		p.texts = append(p.texts, placed{s.pdf.PageNo(), x, y, str, t})
	}
}

func (p *placings) box(s *sheet, str string, got, room float64) {
	if p != nil {
		p.boxed = append(p.boxed, boxed{s.pdf.PageNo(), str, got, room})
	}
}

func (p *placings) broke(s *sheet, word string, room float64) {
	if p != nil {
		p.broken = append(p.broken, boxed{s.pdf.PageNo(), word, 0, room})
	}
}

func (p *placings) scene(s *sheet, sc draw.Scene, x, y, w float64) {
	if p != nil {
		p.scenes = append(p.scenes, drawn{s.pdf.PageNo(), x, y, w, sc})
	}
}
