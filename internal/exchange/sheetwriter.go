package exchange

import (
	"errors"
	"io"
	"math"
	"time"
	"unicode/utf8"

	"github.com/xuri/excelize/v2"

	"sapward/finding"
	"sapward/measure/civil"
	"sapward/numeric/exact"
)

// SheetColumn is a column of a workbook that is written.
type SheetColumn struct {
	Header   string
	Width    float64 // in characters; 0 leaves the spreadsheet's own
	Decimals int     // shown decimals of numbers, 0 to 6; -1 shows all
}

// SheetWriter writes one sheet of a workbook row by row. Texts are written as
// texts and never run as formulas.
type SheetWriter struct {
	w      io.Writer
	book   *excelize.File
	stream *excelize.StreamWriter
	styles []int // of each column's numbers
	date   int
	row    int
	cells  []any
	err    error
}

// errSheet names what cannot stand in a workbook.
var errSheet = errors.New("exchange: value does not fit a workbook")

const (
	maxSheetRows = 1 << 20 // rows of a sheet, limit of the file format
	maxSheetText = 32_767  // characters of a cell, limit of the file format
)

// NewSheetWriter begins a workbook with one sheet and its header row, which
// stays in sight when the sheet is scrolled.
func NewSheetWriter(w io.Writer, sheet string, columns []SheetColumn) (*SheetWriter, error) {
	book := excelize.NewFile()
	s := &SheetWriter{w: w, book: book}
	if err := s.begin(sheet, columns); err != nil {
		book.Close()
		return nil, err
	}
	return s, nil
}

func (s *SheetWriter) begin(sheet string, columns []SheetColumn) (err error) {
	if err = s.book.SetSheetName("Sheet1", sheet); err != nil {
		return err
	}
	if s.stream, err = s.book.NewStreamWriter(sheet); err != nil {
		return err
	}
	bold, err := s.book.NewStyle(&excelize.Style{Font: &excelize.Font{Bold: true}})
	if err != nil {
		return err
	}
	iso := "yyyy-mm-dd"
	if s.date, err = s.book.NewStyle(&excelize.Style{CustomNumFmt: &iso}); err != nil {
		return err
	}
	byDecimals := map[int]int{}
	head := make([]any, len(columns))
	for i, c := range columns {
		if c.Width > 0 {
			if err = s.stream.SetColWidth(i+1, i+1, c.Width); err != nil {
				return err
			}
		}
		style := 0
		if d := min(c.Decimals, 6); d >= 0 {
			if _, ok := byDecimals[d]; !ok {
				format := "0.000000"[:d+2]
				if d == 0 {
					format = "0"
				}
				if byDecimals[d], err = s.book.NewStyle(&excelize.Style{CustomNumFmt: &format}); err != nil {
					return err
				}
			}
			style = byDecimals[d]
		}
		s.styles = append(s.styles, style)
		head[i] = excelize.Cell{StyleID: bold, Value: c.Header}
	}
	if err = s.stream.SetPanes(&excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"}); err != nil {
		return err
	}
	s.row = 1
	return s.stream.SetRow("A1", head)
}

// Row writes one row. A cell is a string, int, int64, float64, exact.Rat,
// civil.Date, bool or nil; NaN, infinities, nil and no date leave the cell
// empty. The first error stays and comes back from Close.
func (s *SheetWriter) Row(cells ...any) error {
	if s.err != nil {
		return s.err
	}
	if s.row++; s.row > maxSheetRows || len(cells) > len(s.styles) {
		s.err = errSheet
		return s.err
	}
	s.cells = s.cells[:0]
	for i, c := range cells {
		style := s.styles[i]
		switch v := c.(type) {
		case nil:
		case string:
			if utf8.RuneCountInString(v) > maxSheetText {
				s.err = errSheet
				return s.err
			}
			style = 0
		case int, int64, bool:
		case exact.Rat:
			c = v.Float()
		case float64:
			if math.IsNaN(v) || math.IsInf(v, 0) {
				c = nil
			}
		case civil.Date:
			style, c = s.date, nil
			if !v.IsZero() {
				c = v.In(time.UTC)
			}
		default:
			s.err = errSheet
			return s.err
		}
		if c != nil && style != 0 {
			c = excelize.Cell{StyleID: style, Value: c}
		}
		s.cells = append(s.cells, c)
	}
	at, err := excelize.CoordinatesToCellName(1, s.row)
	if err == nil {
		err = s.stream.SetRow(at, s.cells)
	}
	s.err = err
	return err
}

// Close completes the workbook and writes it. It does not close the writer
// below. A disk that is full comes back as a fault.
func (s *SheetWriter) Close() error {
	defer s.book.Close()
	if s.err == nil {
		s.err = s.stream.Flush()
	}
	if s.err == nil {
		s.err = s.book.Write(s.w)
	}
	var f *finding.Fault
	if s.err != nil && !errors.Is(s.err, errSheet) && !errors.As(s.err, &f) {
		return writeFault("", s.err)
	}
	return s.err
}
