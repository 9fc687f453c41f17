package report

// column is a column of a table: its head, its share of the width and how its
// cells stand. A box column holds a box to tick, an empty one is to write in.
type column struct {
	head  string
	share float64
	right bool
	bold  bool
	box   bool
}

const cellPad = 1.2 // mm left and right in a cell

// table is a table that runs down the frames and repeats its head.
type table struct {
	s     *sheet
	cols  []column
	size  float64
	begun bool
}

// newTable returns a table; its head is written with the first row.
func (s *sheet) newTable(cols ...column) *table { return &table{s: s, cols: cols, size: body} }

// widths of the columns in the frame.
func (t *table) widths() []float64 {
	sum := 0.0
	for _, c := range t.cols {
		sum += c.share
	}
	w := make([]float64, len(t.cols))
	for i, c := range t.cols {
		w[i] = t.s.width * c.share / sum
	}
	return w
}

func (t *table) headHeight(w []float64) (float64, [][]string) {
	ls := make([][]string, len(t.cols))
	n := 1
	for i, c := range t.cols {
		ls[i] = t.s.wrap(c.head, w[i]-2*cellPad, text{size: small, bold: true})
		n = max(n, len(ls[i]))
	}
	return float64(n)*lineSmall + 1.6, ls
}

// head writes the head of the table.
func (t *table) head() {
	s := t.s
	w := t.widths()
	h, ls := t.headHeight(w)
	x := s.x
	s.gray(soft)
	s.pdf.Rect(s.x, s.y, s.width, h, "F")
	for i, c := range t.cols {
		st := text{size: small, bold: true}
		if c.right {
			st.align = "R"
		}
		if c.box {
			st.align = "C"
		}
		off := h - float64(len(ls[i]))*lineSmall - 0.6 // heads stand at the bottom
		s.lines(x+cellPad, s.y+off+2.5, w[i]-2*cellPad, ls[i], st)
		x += w[i]
	}
	s.y += h
}

// row writes one row; cells that are too wide run over several lines.
func (t *table) row(cells ...string) {
	s := t.s
	w := t.widths()
	ls := make([][]string, len(t.cols))
	n := 1
	for i, c := range t.cols {
		if i >= len(cells) || cells[i] == "" {
			continue
		}
		ls[i] = s.wrap(cells[i], w[i]-2*cellPad, text{size: t.size, bold: c.bold})
		n = max(n, len(ls[i]))
	}
	lead := text{size: t.size}.lead()
	h := float64(n)*lead + lead*0.28
	hh, _ := t.headHeight(w)
	if !t.begun {
		s.need(hh + h)
		t.head()
		t.begun = true
	} else if s.need(h) {
		t.head()
		w = t.widths()
	}
	x := s.x
	for i, c := range t.cols {
		st := text{size: t.size, bold: c.bold}
		if c.right {
			st.align = "R"
		}
		if c.box {
			size := min(3.2, lead-0.8)
			s.tick(x+(w[i]-size)/2, s.y+0.5+lead-1.2, size)
		}
		s.lines(x+cellPad, s.y+0.6+lead-1.2, w[i]-2*cellPad, ls[i], st)
		x += w[i]
	}
	s.y += h
	s.rule(s.x, s.y, s.width)
}
