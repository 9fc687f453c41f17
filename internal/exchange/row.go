package exchange

import (
	"bytes"
	"sort"
	"strings"
	"unicode"
	"unicode/utf8"

	"sapward/finding"
	"sapward/measure/civil"
	q "sapward/measure/quantity"
	"sapward/numeric/exact"
)

// Row is one row of a table while it is read. Its getters return the value of a
// column and whether the cell has one; a cell that cannot be read is noted as a
// fault with its place, and reading goes on so that all faults come out at
// once. A Row is valid only during the call it is passed to.
type Row struct {
	Line int // line of the file, or row of the sheet, from 1
	col  int // column of the file at which the row begins; 0: cells are counted

	*layout
	reader
	sheet  bool
	date04 bool
	skim   bool // cells are checked and their values not wanted
	faults collector
	intern map[string]string
	dot    mark // first cell with a decimal point
	comma  mark // first cell with a decimal comma
}

// mark is a place that matters for the whole file.
type mark struct {
	at   finding.Where
	text string
	set  bool
}

// cell returns the trimmed text of a column, empty if there is none.
func (r *Row) cell(c Col) []byte {
	k := r.at[c]
	if k < 0 || k >= len(r.fields) {
		return nil
	}
	return trim(r.fields[k].b)
}

// trim cuts blanks, tabs, line ends and no-break spaces off both ends.
func trim(b []byte) []byte {
	for len(b) > 0 && (b[0] == ' ' || b[0] == '\t' || b[0] == '\n' || b[0] == '\r') {
		b = b[1:]
	}
	for len(b) > 0 {
		if e := b[len(b)-1]; e != ' ' && e != '\t' && e != '\n' && e != '\r' {
			break
		}
		b = b[:len(b)-1]
	}
	if len(b) > 0 && (b[0] >= utf8.RuneSelf || b[len(b)-1] >= utf8.RuneSelf) {
		b = bytes.TrimFunc(b, unicode.IsSpace)
	}
	return b
}

// Has reports that the column is there and the cell is not blank.
func (r *Row) Has(c Col) bool { return len(r.cell(c)) > 0 }

// Unit returns the unit the header named for a column: "in" for "girth_in".
func (r *Row) Unit(c Col) string { return r.unit[c] }

// Where returns the place of a column's cell; for a column that is not there,
// the row's.
func (r *Row) Where(c Col) finding.Where {
	k := -1
	if c >= 0 {
		k = r.at[c]
	}
	w := finding.Where{File: r.file, Line: r.Line}
	if r.col > 0 {
		w.Column = r.col
		return w
	}
	if k < 0 || k >= len(r.fields) {
		return w
	}
	if r.sheet {
		w.Column = k + 1
		return w
	}
	return r.reader.where(r.fields[k].at)
}

// Fault notes a problem with a column's cell. The header, as the file writes
// it, is added as {{.column}} and the cell as {{.text}}. Column -1 is the whole
// row.
func (r *Row) Fault(c Col, id string, args finding.Args) {
	if r.faults.full() {
		r.faults.more++
		return
	}
	if args == nil {
		args = finding.Args{}
	}
	if c >= 0 {
		if r.at[c] >= 0 {
			args["column"] = finding.Text(r.names[r.at[c]])
		} else {
			args["column"] = finding.Text(r.spec.Columns[c].full())
		}
		if _, ok := args["text"]; !ok {
			args["text"] = finding.Text(show(string(r.cell(c))))
		}
	}
	r.faults.add(finding.Bad(id, r.Where(c), args))
}

// keep returns b as a string, one copy for each different text.
func (r *Row) keep(b []byte) string {
	if s, ok := r.intern[string(b)]; ok {
		return s
	}
	s := string(b)
	if len(r.intern) < maxInterned {
		r.intern[s] = s
	}
	return s
}

// label reads a text cell: control characters and texts over most characters
// are faults. An apostrophe before a formula sign, which Sapward and others
// write to keep spreadsheets from running the text, is taken off again.
func (r *Row) label(c Col, most int) ([]byte, bool) {
	b := r.cell(c)
	if len(b) == 0 {
		return nil, false
	}
	if len(b) > 1 && b[0] == '\'' && formulaSign(b[1]) {
		b = b[1:]
	}
	ascii := true
	for _, x := range b {
		if x < ' ' || x == 0x7F {
			r.Fault(c, "text-control", nil)
			return nil, false
		}
		ascii = ascii && x < utf8.RuneSelf
	}
	n := len(b)
	if !ascii {
		n = 0
		for i := 0; i < len(b); {
			x, size := utf8.DecodeRune(b[i:])
			if unicode.Is(unicode.C, x) || x == utf8.RuneError || x == '\u2028' || x == '\u2029' {
				r.Fault(c, "text-control", nil)
				return nil, false
			}
			i += size
			n++
		}
	}
	if n > most {
		r.Fault(c, "text-long", finding.Args{"most": finding.Count(most), "count": finding.Count(n)})
		return nil, false
	}
	if b[0] == '#' && sheetErrors[string(b)] {
		r.Fault(c, "cell-error", nil)
		return nil, false
	}
	return b, true
}

// Text returns a text, trimmed.
func (r *Row) Text(c Col) string {
	b, _ := r.label(c, MaxText)
	return r.keep(b)
}

// Tag returns a tree's tag or a stem's name: text, never a number, so that
// leading zeros survive.
func (r *Row) Tag(c Col) string {
	b, _ := r.label(c, MaxTag)
	return r.keep(b)
}

// Decimal returns a plain number, exactly.
func (r *Row) Decimal(c Col) (exact.Rat, bool) {
	n, d, ok := r.small(c)
	if ok {
		return exact.Frac(n, d), true
	}
	return r.slow(c)
}

// Float returns a number between low and high, both included. In a header
// without unit the number stands as it is.
func (r *Row) Float(c Col, low, high float64) (float64, bool) {
	var x float64
	if n, d, ok := r.small(c); ok && n < 1<<53 && n > -1<<53 && d < 1<<53 {
		x = float64(n) / float64(d)
	} else if v, ok := r.Decimal(c); ok {
		x = v.Float()
	} else {
		return 0, false
	}
	if !(x >= low && x <= high) {
		r.Fault(c, "value-range", finding.Args{"low": finding.Number(low, ""), "high": finding.Number(high, "")})
		return 0, false
	}
	return x, true
}

// Int returns a whole number between low and high.
func (r *Row) Int(c Col, low, high int) (int, bool) {
	v, ok := r.Decimal(c)
	if !ok {
		return 0, false
	}
	n := v.Floor()
	if v.Cmp(exact.Int(n)) != 0 {
		r.Fault(c, "value-not-whole", nil)
		return 0, false
	}
	if n < int64(low) || n > int64(high) {
		r.Fault(c, "value-range", finding.Args{"low": finding.Count(low), "high": finding.Count(high)})
		return 0, false
	}
	return int(n), true
}

// sized returns a number in the base unit of the column's kind, and a fault if
// it lies outside low..high (base unit; openLow shuts low itself out).
func (r *Row) sized(c Col, low, high float64, openLow bool, unit string) (exact.Rat, bool) {
	if r.skim { // inside by a margin that no rounding crosses
		if n, d, ok := r.small(c); ok && (n > 0 || low < 0) {
			if x := float64(n) / float64(d) * r.size[c].Float(); x > low && x < high*0.999999 {
				return exact.Rat{}, true
			}
		}
	}
	v, ok := r.Decimal(c)
	if !ok {
		return v, false
	}
	if s := r.size[c]; s.Cmp(exact.Int(1)) != 0 {
		v = v.Mul(s)
	}
	// The bounds are wide of any decision, so the nearest float64 serves.
	if x := v.Float(); !(x >= low && x <= high) || openLow && v.Sign() <= 0 {
		r.Fault(c, "value-range", finding.Args{"low": finding.Number(low, unit), "high": finding.Number(high, unit)})
		return v, false
	}
	return v, true
}

// LengthCm returns a length above 0 and up to high centimetres.
func (r *Row) LengthCm(c Col, high float64) (q.Length, bool) {
	v, ok := r.sized(c, 0, high, true, "cm")
	return q.Cm(v), ok
}

// Mass returns a mass of 0 and up to high grams.
func (r *Row) Mass(c Col, high float64) (q.Mass, bool) {
	v, ok := r.sized(c, 0, high, false, "g")
	return q.Grams(v), ok
}

// Volume returns a volume of 0 and up to high millilitres.
func (r *Row) Volume(c Col, high float64) (q.Volume, bool) {
	v, ok := r.sized(c, 0, high, false, "mL")
	return q.ML(v), ok
}

// AreaHa returns an area above 0 and up to high hectares.
func (r *Row) AreaHa(c Col, high float64) (q.Area, bool) {
	v, ok := r.Decimal(c)
	if !ok {
		return q.Area{}, false
	}
	v = v.Mul(r.size[c])
	if x := v.Float() / 10_000; !(x <= high) || v.Sign() <= 0 {
		r.Fault(c, "value-range", finding.Args{"low": finding.Number(0, "ha"), "high": finding.Number(high, "ha")})
		return q.Area{}, false
	}
	return q.Of[q.AreaKind](v), true
}

// Azimuth returns a direction in degrees clockwise from north; 360 is 0.
func (r *Row) Azimuth(c Col) (float64, bool) {
	x, ok := r.Float(c, 0, 360)
	if x == 360 {
		x = 0
	}
	return x, ok
}

// Date returns a day written 2026-05-04; in a workbook also a date cell.
func (r *Row) Date(c Col) (civil.Date, bool) {
	b := r.cell(c)
	if len(b) == 0 {
		return civil.Date{}, false
	}
	if r.sheet {
		if d, ok := serialDate(string(b), r.date04); ok {
			return d, true
		}
		b = bytes.TrimSuffix(bytes.TrimSuffix(b, []byte("Z")), []byte("T00:00:00"))
	}
	d, err := civil.Parse(string(b))
	if err != nil {
		r.Fault(c, "date-unclear", nil)
		return civil.Date{}, false
	}
	return d, true
}

// yesNo are the words of a yes-or-no column, English and Spanish.
var yesNo = map[string]bool{
	"1": true, "yes": true, "y": true, "true": true, "si": true, "s": true, "verdadero": true, "x": true,
	"0": false, "no": false, "n": false, "false": false, "falso": false,
}

// YesNo returns a yes or a no.
func (r *Row) YesNo(c Col) (value, ok bool) { return Choice(r, c, yesNo) }

// Choice returns what a cell's word means. Words are compared without case,
// accents and punctuation; the map's keys are in that plain form.
func Choice[T any](r *Row, c Col, words map[string]T) (T, bool) {
	var none T
	b := r.cell(c)
	if len(b) == 0 {
		return none, false
	}
	if v, ok := words[string(b)]; ok {
		return v, true
	}
	if len(b) <= MaxText {
		if v, ok := words[plain(string(b))]; ok {
			return v, true
		}
	}
	if !r.faults.full() {
		r.Fault(c, "word-unknown", finding.Args{"words": finding.Text(wordList(words))})
	} else {
		r.faults.more++
	}
	return none, false
}

// blank reports that every cell is empty: a row that spreadsheets leave.
func (r *Row) blank() bool {
	for _, f := range r.fields {
		if len(trim(f.b)) > 0 {
			return false
		}
	}
	return true
}

// check notes what is wrong with the row as a whole and reports whether its
// cells are worth reading.
func (r *Row) check() bool {
	have, want := len(r.fields), len(r.names)
	if have > want {
		for _, f := range r.fields[want:] {
			if len(trim(f.b)) > 0 {
				r.Fault(-1, "row-ragged", finding.Args{"count": finding.Count(have), "want": finding.Count(want)})
				return false
			}
		}
	}
	if have < want && !r.sheet { // a sheet leaves empty cells at the end out
		r.Fault(-1, "row-ragged", finding.Args{"count": finding.Count(have), "want": finding.Count(want)})
		return false
	}
	for c := range r.spec.Columns {
		if r.spec.Columns[c].Need && len(r.cell(c)) == 0 {
			r.Fault(c, "cell-empty", nil)
		}
	}
	return true
}

// wordList lists the words of a choice in order, for messages.
func wordList[T any](words map[string]T) string {
	if list, ok := any(words).(map[string]bool); ok && len(list) == len(yesNo) {
		return "yes, no"
	}
	names := make([]string, 0, len(words))
	for w := range words {
		names = append(names, w)
	}
	sort.Strings(names)
	return strings.Join(names, ", ")
}
