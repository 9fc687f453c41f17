package exchange

import (
	"bytes"
	"errors"
	"io"
	"unicode/utf8"

	"sapward/finding"
)

// block is a run of whole rows: text of a CSV file, or cells of a workbook.
type block struct {
	data []byte
	line int  // line of the first byte
	long bool // the row is over maxRecord and was cut off

	// Workbooks only: the cells stand one behind the other in data.
	sheet bool
	ends  []int // end of each cell in data
	rows  []sheetRow
	start int // where the first row left begins in data
}

// sheetRow is one row of a workbook: its number and how many cells it has.
type sheetRow struct {
	number, cells int
	col           int // column of the file at which the row begins; 0: cells are counted
}

// blocks hands out a file's blocks one after the other; io.EOF ends it.
type blocks interface {
	next() (*block, error)
}

// splitter cuts a stream of CSV text into blocks at line ends outside quotes.
// It counts quotes only: where a quote stands astray the count is wrong from
// there on, but the block with the stray quote is cut before it, and reading
// ends there.
type splitter struct {
	r    io.Reader
	file string
	nl   byte
	rest []byte // begun row
	line int
	done bool
}

func (s *splitter) next() (*block, error) {
	if s.done {
		return nil, io.EOF
	}
	buf := make([]byte, 0, max(blockSize, len(s.rest)+blockSize/2))
	buf = append(buf, s.rest...)
	s.rest = s.rest[:0]
	for {
		seen := len(buf)
		n, err := io.ReadFull(s.r, buf[seen:cap(buf)])
		buf = buf[:seen+n]
		if err == io.EOF || err == io.ErrUnexpectedEOF {
			s.done = true
			if len(buf) == 0 {
				return nil, io.EOF
			}
			return s.emit(buf), nil
		}
		if err != nil {
			return nil, readFault(s.file, err)
		}
		if s.nl == 0 {
			s.nl = '\n'
			if bytes.IndexByte(buf, '\n') < 0 && bytes.IndexByte(buf, '\r') >= 0 {
				s.nl = '\r'
			}
		}
		if end := lastRow(buf, s.nl); end > 0 {
			s.rest = append(s.rest, buf[end:]...)
			return s.emit(buf[:end]), nil
		}
		if len(buf) > maxRecord {
			s.done = true
			b := s.emit(buf)
			b.long = true
			return b, nil
		}
		grown := make([]byte, len(buf), 2*cap(buf))
		copy(grown, buf)
		buf = grown
	}
}

func (s *splitter) emit(data []byte) *block {
	if s.nl == 0 {
		s.nl = '\n'
		if bytes.IndexByte(data, '\n') < 0 && bytes.IndexByte(data, '\r') >= 0 {
			s.nl = '\r'
		}
	}
	b := &block{data: data, line: s.line}
	s.line += bytes.Count(data, []byte{s.nl})
	return b
}

// lastRow returns the place behind the last line end that stands outside
// quotes, or 0.
func lastRow(buf []byte, nl byte) int {
	open := bytes.Count(buf, []byte{'"'}) % 2
	end := len(buf)
	for {
		k := bytes.LastIndexByte(buf[:end], nl)
		if k < 0 {
			return 0
		}
		open ^= bytes.Count(buf[k:end], []byte{'"'}) % 2
		if open == 0 {
			return k + 1
		}
		end = k
	}
}

// encoding returns a fault where a block is not UTF-8 text.
func encoding(file string, data []byte, line int, nl byte) *finding.Fault {
	at := func(id string, i int) *finding.Fault {
		r := reader{dialect: dialect{nl: nl}, file: file, data: data, line: line}
		return r.bad(id, i)
	}
	if i := bytes.IndexByte(data, 0); i >= 0 {
		return at("file-nul", i)
	}
	if utf8.Valid(data) {
		return nil
	}
	for i := 0; i < len(data); {
		r, n := utf8.DecodeRune(data[i:])
		if r == utf8.RuneError && n == 1 {
			return at("file-not-utf8", i)
		}
		i += n
	}
	return nil
}

// source is an opened file: its blocks and what its first bytes said.
type source struct {
	early   *collector        // what was wrong before any row was read
	notes   []finding.Finding // on the file as a whole
	match   map[string]string // headers a person has matched
	untaped bool              // trees may be without a reading
	headers []string          // of the header row, as written
	file    string
	blocks  blocks
	first   *block
	dialect dialect
	sheet   bool
	book    *workbook // the workbook, if it is one
	date04  bool      // workbook counts days from 1904
	close   func()
}

// Magic numbers: a workbook is a zip archive, an old or encrypted one a
// compound file.
var (
	magicZip = []byte("PK\x03\x04")
	magicOLE = []byte{0xD0, 0xCF, 0x11, 0xE0}
)

// openPath opens the table in a file: CSV, XLSX, GeoJSON, GeoPackage or GPX by
// its content.
func openPath(path string) (*source, error) {
	f, err := openFile(path)
	if err != nil {
		return nil, err
	}
	head := make([]byte, 512)
	n, err := f.ReadAt(head, 0)
	if err != nil && !errors.Is(err, io.EOF) && n < 0 {
		f.Close()
		return nil, readFault(path, err)
	}
	switch kind := kindOf(head[:n]); kind {
	case kindText:
	case kindWorkbook:
		info, err := f.Stat()
		if err != nil {
			f.Close()
			return nil, readFault(path, err)
		}
		s, err := openSheet(f, info.Size(), path)
		if err != nil {
			f.Close()
			return nil, err
		}
		shut := s.close
		s.close = func() { shut(); f.Close() }
		return s, nil
	default:
		defer f.Close()
		return openPlaces(f, kind, path)
	}
	s, err := openText(f, path)
	if err != nil {
		f.Close()
		return nil, err
	}
	s.close = func() { f.Close() }
	return s, nil
}

// openStream opens the table in a stream; a workbook is read into memory.
func openStream(r io.Reader, name string) (*source, error) {
	head := make([]byte, 512)
	n, err := io.ReadFull(r, head)
	if err != nil && err != io.EOF && err != io.ErrUnexpectedEOF {
		return nil, readFault(name, err)
	}
	all := io.MultiReader(bytes.NewReader(head[:n]), r)
	switch kind := kindOf(head[:n]); kind {
	case kindText:
		return openText(all, name)
	case kindGeoJSON, kindXML, kindSQLite:
		return openPlaces(all, kind, name)
	}
	data, err := io.ReadAll(io.LimitReader(all, maxUnzipped+1))
	if err != nil {
		return nil, readFault(name, err)
	}
	return openSheet(bytes.NewReader(data), int64(len(data)), name)
}

// openText looks at the first block of a CSV text: encoding, byte order mark,
// and a first line such as "sep=;" that spreadsheets write.
func openText(r io.Reader, name string) (*source, error) {
	sp := &splitter{r: r, file: name, line: 1}
	first, err := sp.next()
	if err == io.EOF {
		return nil, finding.Bad("file-empty", finding.Where{File: name}, finding.Args{})
	}
	if err != nil {
		return nil, err
	}
	d := first.data
	start := finding.Where{File: name, Line: 1, Column: 1}
	switch {
	case bytes.HasPrefix(d, []byte{0xFF, 0xFE}), bytes.HasPrefix(d, []byte{0xFE, 0xFF}):
		return nil, finding.Bad("file-utf16", start, finding.Args{})
	case bytes.HasPrefix(d, magicOLE):
		return nil, finding.Bad("file-old-workbook", start, finding.Args{})
	case bytes.HasPrefix(d, []byte("%PDF")):
		return nil, finding.Bad("file-pdf", start, finding.Args{})
	}
	d = bytes.TrimPrefix(d, []byte("\uFEFF"))
	s := &source{file: name, blocks: sp, first: first, dialect: dialect{nl: sp.nl}, close: func() {}}
	if fault := encoding(name, d, first.line, sp.nl); fault != nil {
		return nil, fault
	}
	if len(d) > 5 && bytes.EqualFold(d[:4], []byte("sep=")) {
		end := bytes.IndexByte(d, sp.nl)
		if end < 0 {
			end = len(d) - 1
		}
		if line := bytes.TrimRight(d[:end], "\r\n"); len(line) == 5 {
			s.dialect.sep = line[4]
			d = d[end+1:]
			first.line++
		}
	}
	first.data = d
	if len(bytes.TrimSpace(d)) == 0 {
		return nil, finding.Bad("file-empty", finding.Where{File: name}, finding.Args{})
	}
	return s, nil
}
