package exchange

import (
	"io"
	"math"
	"strconv"
)

// RowWriter writes CSV rows by RFC 4180: comma, CRLF, quotes where needed, dot
// decimals, UTF-8. It keeps one buffer and allocates nothing per row. The first
// error of the writer below stays and comes back from Close.
//
// A text that a spreadsheet would run as a formula gets an apostrophe in front;
// this package's readers take it off again. Numbers are never touched.
type RowWriter struct {
	w     io.Writer
	buf   []byte
	start int  // where the row begins in buf
	begun bool // the row has a field
	rows  int
	err   error
}

const rowBuffer = 64 << 10

// NewRowWriter returns a writer of rows to w.
func NewRowWriter(w io.Writer) *RowWriter {
	return &RowWriter{w: w, buf: make([]byte, 0, rowBuffer+4096)}
}

func (w *RowWriter) sep() {
	if w.begun {
		w.buf = append(w.buf, ',')
	}
	w.begun = true
}

// formulaSign reports a first character that makes spreadsheets run a text.
func formulaSign(c byte) bool {
	return c == '=' || c == '+' || c == '-' || c == '@' || c == '\t' || c == '\r'
}

// plainByte holds the bytes that need no quotes.
var plainByte = func() (t [256]bool) {
	for i := range t {
		t[i] = i != '"' && i != ',' && i != '\r' && i != '\n' && i != ';' && i != '\t'
	}
	return t
}()

// Text writes a text field.
func (w *RowWriter) Text(s string) {
	w.sep()
	guard := s != "" && formulaSign(s[0])
	quote := s != "" && (s[0] == ' ' || s[len(s)-1] == ' ')
	for i := 0; i < len(s) && !quote; i++ {
		quote = !plainByte[s[i]]
	}
	if !quote {
		if guard {
			w.buf = append(w.buf, '\'')
		}
		w.buf = append(w.buf, s...)
		return
	}
	w.buf = append(w.buf, '"')
	if guard {
		w.buf = append(w.buf, '\'')
	}
	for i := 0; i < len(s); i++ {
		if s[i] == '"' {
			w.buf = append(w.buf, '"')
		}
		w.buf = append(w.buf, s[i])
	}
	w.buf = append(w.buf, '"')
}

// Blank writes an empty field: a value nobody knows.
func (w *RowWriter) Blank() { w.sep() }

// Int writes a whole number.
func (w *RowWriter) Int(n int) { w.Fixed(int64(n), 0) }

// Fixed writes value / 10^decimals with exactly that many decimals, 0 to 18:
// Fixed(125, 1) writes 12.5.
func (w *RowWriter) Fixed(value int64, decimals int) {
	w.sep()
	u := uint64(value)
	if value < 0 {
		w.buf = append(w.buf, '-')
		u = -u
	}
	decimals = max(0, min(decimals, 18))
	var digits [24]byte
	i := len(digits)
	for n := 0; u > 0 || n <= decimals; n++ {
		if n == decimals && n > 0 {
			i--
			digits[i] = '.'
		}
		next := u / 10
		i--
		digits[i] = byte('0' + u - next*10)
		u = next
	}
	w.buf = append(w.buf, digits[i:]...)
}

// pow10 are the powers of ten that Float scales by.
var pow10 = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6}

// Float writes x with the given number of decimals, rounded to nearest as
// strconv does; NaN and infinities, values nobody knows, are left empty.
func (w *RowWriter) Float(x float64, decimals int) {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		w.Blank()
		return
	}
	// Below 1e11 the scaled value is off by less than 1e-5; away from a tie by
	// more than that, rounding it is the same as rounding the decimal expansion,
	// and much faster.
	if decimals >= 0 && decimals < len(pow10) {
		y := x * pow10[decimals]
		n := math.Round(y)
		if math.Abs(y) < 1e11 && math.Abs(y-n) < 0.499 {
			w.Fixed(int64(n), decimals)
			return
		}
	}
	w.sep()
	from := len(w.buf)
	w.buf = strconv.AppendFloat(w.buf, x, 'f', decimals, 64)
	if w.buf[from] == '-' && allZero(w.buf[from+1:]) {
		w.buf = append(w.buf[:from], w.buf[from+1:]...)
	}
}

func allZero(b []byte) bool {
	for _, c := range b {
		if c != '0' && c != '.' {
			return false
		}
	}
	return true
}

// End ends the row.
func (w *RowWriter) End() {
	if len(w.buf) == w.start { // a lone empty field would read as no row at all
		w.buf = append(w.buf, '"', '"')
	}
	w.buf = append(w.buf, '\r', '\n')
	w.begun = false
	w.rows++
	if len(w.buf) >= rowBuffer {
		w.flush()
	}
	w.start = len(w.buf)
}

func (w *RowWriter) flush() {
	if w.err == nil && len(w.buf) > 0 {
		_, w.err = w.w.Write(w.buf)
	}
	w.buf = w.buf[:0]
}

// Err returns the first error of the writer below.
func (w *RowWriter) Err() error { return w.err }

// Rows returns how many rows were ended.
func (w *RowWriter) Rows() int { return w.rows }

// Close writes what is left. It does not close the writer below.
func (w *RowWriter) Close() error {
	w.flush()
	return w.err
}
