package exchange

import (
	"bytes"
	"unicode/utf8"

	"sapward/finding"
)

// field is one cell of a row.
type field struct {
	b      []byte // the text, quotes removed
	at     int    // where it begins in the block's bytes
	quoted bool
}

// dialect is how a file writes its rows.
type dialect struct {
	sep byte // between fields; 0 in a workbook
	nl  byte // end of a row: '\n', or '\r' in old files
}

// reader cuts one block of text into rows (RFC 4180: fields may be quoted,
// quotes inside are doubled, a quoted field may hold line ends).
type reader struct {
	dialect
	file    string
	data    []byte
	line    int // line of data[0], from 1
	pos     int
	row     int // line of the row cut last
	fields  []field
	scratch []byte // quoted fields with doubled quotes, unescaped
	next    int    // line of data[pos]
}

func (r *reader) reset(data []byte, line int) {
	r.data, r.line, r.pos, r.next = data, line, 0, line
}

// where returns the place of byte at as line and column, both counted from 1,
// the column in characters.
func (r *reader) where(at int) finding.Where {
	start := bytes.LastIndexByte(r.data[:at], r.nl) + 1
	return finding.Where{File: r.file, Line: r.line + bytes.Count(r.data[:at], []byte{r.nl}), Column: utf8.RuneCount(r.data[start:at]) + 1}
}

func (r *reader) bad(id string, at int) *finding.Fault {
	return finding.Bad(id, r.where(at), finding.Args{})
}

// cut reads the next row into r.fields and reports whether there was one. A
// fault here is about quotes or size; nothing behind it can be trusted, so
// reading ends.
func (r *reader) cut() (bool, *finding.Fault) {
	data, sep, nl := r.data, r.sep, r.nl
	i := r.pos
	if i >= len(data) {
		return false, nil
	}
	r.row = r.next
	r.fields, r.scratch = r.fields[:0], r.scratch[:0]
	for {
		start := i
		var f field
		if i < len(data) && data[i] == '"' {
			body, end, fault := r.quoted(i)
			if fault != nil {
				return false, fault
			}
			f, i = field{body, start, true}, end
		} else {
			for i < len(data) && data[i] != sep && data[i] != nl {
				if data[i] == '"' {
					return false, r.bad("quote-stray", i)
				}
				i++
			}
			f = field{data[start:i], start, false}
		}
		if len(f.b) > MaxField {
			return false, r.bad("field-long", start)
		}
		last := i >= len(data) || data[i] == nl
		if n := len(f.b); last && !f.quoted && n > 0 && f.b[n-1] == '\r' {
			f.b = f.b[:n-1]
		}
		r.fields = append(r.fields, f)
		if len(r.fields) > MaxColumns {
			fault := r.bad("columns-many", start)
			fault.Args["most"] = finding.Count(MaxColumns)
			return false, fault
		}
		i++ // the separator or the line end
		if last {
			r.next++
			r.pos = min(i, len(data))
			return true, nil
		}
	}
}

// quoted reads the quoted field that opens at byte i. It returns the text and
// the place of the separator, line end or end of text behind it.
func (r *reader) quoted(open int) ([]byte, int, *finding.Fault) {
	data := r.data
	from, mark := open+1, -1
	var text []byte
	for {
		k := bytes.IndexByte(data[from:], '"')
		if k < 0 {
			return nil, 0, r.bad("quote-open", open)
		}
		q := from + k
		if q+1 < len(data) && data[q+1] == '"' { // a doubled quote stands for one
			if mark < 0 {
				mark = len(r.scratch)
				r.scratch = append(r.scratch, data[open+1:q+1]...)
			} else {
				r.scratch = append(r.scratch, data[from:q+1]...)
			}
			from = q + 2
			continue
		}
		if mark < 0 {
			text = data[open+1 : q]
		} else {
			r.scratch = append(r.scratch, data[from:q]...)
			text = r.scratch[mark:]
		}
		r.next += bytes.Count(data[open:q], []byte{r.nl})
		end := q + 1
		if end+1 < len(data) && data[end] == '\r' && data[end+1] == '\n' || end+1 == len(data) && data[end] == '\r' {
			end++
		}
		if end < len(data) && data[end] != r.sep && data[end] != r.nl {
			return nil, 0, r.bad("quote-stray", end)
		}
		return text, end, nil
	}
}
