package exchange

import (
	"archive/zip"
	"encoding/xml"
	"fmt"
	"io"
	"path"
	"strings"

	"github.com/xuri/excelize/v2"

	"sapward/finding"
)

// Bounds of a workbook, against archives that unpack to far more than they
// weigh.
const (
	maxRatio  = 200       // a part's unpacked over packed size, for parts over maxSheetXML
	maxOther  = 256 << 20 // bytes of parts that are neither sheets nor shared strings
	sheetRows = 4096      // rows handed to one worker at a time
)

// openSheet opens a workbook's sheet named as the table ("trees"), or its first.
func openSheet(ra io.ReaderAt, size int64, name string) (s *source, err error) {
	damaged := func(cause error) *finding.Fault {
		return &finding.Fault{Class: finding.BadInput, ID: "workbook-damaged", Where: finding.Where{File: name}, Args: finding.Args{}, Cause: cause}
	}
	defer func() {
		if p := recover(); p != nil { // the workbook library met a file it did not expect
			s, err = nil, damaged(fmt.Errorf("%v", p))
		}
	}()
	if fault := checkArchive(ra, size, name, damaged); fault != nil {
		return nil, fault
	}
	book, err := excelize.OpenReader(io.NewSectionReader(ra, 0, size), excelize.Options{
		RawCellValue: true, UnzipSizeLimit: maxUnzipped, UnzipXMLSizeLimit: maxSheetXML,
	})
	if err != nil {
		return nil, damaged(err)
	}
	list := book.GetSheetList()
	if len(list) == 0 {
		book.Close()
		return nil, damaged(nil)
	}
	props, err := book.GetWorkbookProps()
	if err != nil {
		book.Close()
		return nil, damaged(err)
	}
	return &source{file: name, sheet: true, date04: props.Date1904 != nil && *props.Date1904,
		book: &workbook{file: book, name: name, sheets: list, damaged: damaged}, close: func() { book.Close() }}, nil
}

// checkArchive holds the archive against the bounds and makes sure that every
// sheet is complete: the workbook library ends a broken sheet silently.
func checkArchive(ra io.ReaderAt, size int64, name string, damaged func(error) *finding.Fault) *finding.Fault {
	z, err := zip.NewReader(ra, size)
	if err != nil {
		return damaged(err)
	}
	large := finding.Bad("workbook-large", finding.Where{File: name}, finding.Args{})
	if len(z.File) > maxParts {
		return large
	}
	var all, other uint64
	book := false
	for _, part := range z.File {
		n := part.UncompressedSize64
		lower := strings.ToLower(part.Name)
		book = book || lower == "xl/workbook.xml"
		if n > maxUnzipped || n > maxSheetXML && n/maxRatio > part.CompressedSize64 {
			return large
		}
		all += n
		if !strings.HasPrefix(lower, "xl/worksheets/") && lower != "xl/sharedstrings.xml" {
			other += n
		}
		if all > maxUnzipped || other > maxOther {
			return large
		}
	}
	if !book {
		return damaged(nil)
	}
	for _, part := range z.File {
		lower := strings.ToLower(part.Name)
		if path.Dir(lower) != "xl/worksheets" && lower != "xl/sharedstrings.xml" || path.Ext(lower) != ".xml" {
			continue
		}
		if err := wellFormed(part); err != nil {
			return damaged(fmt.Errorf("%s: %w", part.Name, err))
		}
	}
	return nil
}

// wellFormed reads one part to its end.
func wellFormed(part *zip.File) error {
	r, err := part.Open()
	if err != nil {
		return err
	}
	defer r.Close()
	d := xml.NewDecoder(r)
	for {
		if _, err := d.Token(); err == io.EOF {
			return nil
		} else if err != nil {
			return err
		}
	}
}

// workbook hands out a sheet's rows in blocks.
type workbook struct {
	file    *excelize.File
	name    string
	sheets  []string
	rows    *excelize.Rows
	number  int
	damaged func(error) *finding.Fault
}

// choose begins reading the sheet of the given name, or the first.
func (w *workbook) choose(sheet string) (err error) {
	defer w.guard(&err)
	name := w.sheets[0]
	for _, s := range w.sheets {
		if strings.EqualFold(strings.TrimSpace(s), sheet) {
			name = s
		}
	}
	if w.rows, err = w.file.Rows(name); err != nil {
		return w.damaged(err)
	}
	return nil
}

// guard turns a panic of the workbook library into a fault.
func (w *workbook) guard(err *error) {
	if p := recover(); p != nil {
		*err = w.damaged(fmt.Errorf("%v", p))
	}
}

func (w *workbook) next() (b *block, err error) {
	defer w.guard(&err)
	b = &block{sheet: true, line: w.number + 1}
	for len(b.rows) < sheetRows && len(b.data) < 4*blockSize && w.rows.Next() {
		w.number++
		cells, err := w.rows.Columns()
		if err != nil {
			return nil, w.damaged(err)
		}
		if len(cells) == 0 {
			continue
		}
		for _, c := range cells {
			b.data = append(b.data, c...)
			b.ends = append(b.ends, len(b.data))
		}
		b.rows = append(b.rows, sheetRow{number: w.number, cells: len(cells)})
	}
	if err := w.rows.Error(); err != nil {
		return nil, w.damaged(err)
	}
	if len(b.rows) == 0 {
		if err := w.rows.Close(); err != nil {
			return nil, w.damaged(err)
		}
		return nil, io.EOF
	}
	return b, nil
}
