package exchange

import (
	"bytes"
	"math"
	"strconv"
	"strings"

	"github.com/xuri/excelize/v2"

	"sapward/finding"
	"sapward/measure/civil"
	q "sapward/measure/quantity"
	"sapward/numeric/exact"
)

// sheetErrors are the error values spreadsheets leave in cells.
var sheetErrors = map[string]bool{
	"#REF!": true, "#N/A": true, "#DIV/0!": true, "#VALUE!": true, "#NAME?": true, "#NULL!": true, "#NUM!": true, "#SPILL!": true, "#CALC!": true,
	"#¡REF!": true, "#¡DIV/0!": true, "#¡VALOR!": true, "#¿NOMBRE?": true, "#¡NULO!": true, "#¡NUM!": true, "#N/D": true,
}

// small reads the numbers nearly every cell holds, at most 15 digits with a
// decimal point, without allocating: the value is n/d with d a power of ten.
// Anything else is left to slow.
func (r *Row) small(c Col) (n, d int64, ok bool) {
	b := r.cell(c)
	if len(b) == 0 || len(b) > 16 {
		return 0, 0, false
	}
	d = 1
	point := false
	for i, x := range b {
		switch {
		case x >= '0' && x <= '9':
			n = n*10 + int64(x-'0')
			if point {
				d *= 10
			}
		case x == '.' && !point && i > 0 && i < len(b)-1:
			point = true
		case x == '-' && i == 0 && len(b) > 1:
			// the sign is put on below
		default:
			return 0, 0, false
		}
	}
	digits := b
	if b[0] == '-' {
		digits, n = b[1:], -n
	}
	if digits[0] == '0' && len(digits) > 1 && digits[1] != '.' || digits[0] == '.' {
		return 0, 0, false
	}
	if point && !r.sheet && !r.dot.set {
		r.see(&r.dot, c)
	}
	return n, d, true
}

// see keeps the place of the first decimal mark of its sort.
func (r *Row) see(m *mark, c Col) {
	if !m.set {
		*m = mark{at: r.Where(c), text: show(string(r.cell(c))), set: true}
	}
}

// slow reads any other number by the rules of measure/quantity: a decimal comma
// is accepted where it cannot be a thousands mark; grouping, exponents and
// leading zeros are faults.
func (r *Row) slow(c Col) (exact.Rat, bool) {
	b := r.cell(c)
	if len(b) == 0 {
		return exact.Rat{}, false
	}
	if len(b) > 64 {
		r.Fault(c, "number-unclear", nil)
		return exact.Rat{}, false
	}
	s := string(b)
	if sheetErrors[strings.ToUpper(s)] {
		r.Fault(c, "cell-error", nil)
		return exact.Rat{}, false
	}
	if r.sheet {
		s = sheetNumber(s)
	}
	v, fault := q.Number(s)
	if fault != nil {
		r.Fault(c, fault.ID, nil)
		return exact.Rat{}, false
	}
	if !r.sheet {
		if bytes.IndexByte(b, ',') >= 0 {
			r.see(&r.comma, c)
		} else if bytes.IndexByte(b, '.') >= 0 {
			r.see(&r.dot, c)
		}
	}
	return v, true
}

// sheetNumber writes a workbook's number as a plain decimal. Workbooks keep
// binary numbers, written with up to 17 digits or an exponent; 15 digits are
// what the user typed and sees. Other texts come back unchanged.
func sheetNumber(s string) string {
	if len(s) <= 15 && !strings.ContainsAny(s, "eE") {
		return s
	}
	for i := range len(s) {
		if strings.IndexByte("+-0123456789.eE", s[i]) < 0 {
			return s
		}
	}
	x, err := strconv.ParseFloat(s, 64)
	if err != nil || math.Abs(x) >= 1e15 || x != 0 && math.Abs(x) < 1e-15 {
		return s
	}
	x, _ = strconv.ParseFloat(strconv.FormatFloat(x, 'g', 15, 64), 64)
	return strconv.FormatFloat(x, 'f', -1, 64)
}

// serialDate reads a workbook's day number. The fraction, a time of day, is
// dropped. Only days from 1900 to 2200 count, so that a plain year is no date.
func serialDate(s string, date04 bool) (civil.Date, bool) {
	for i := range len(s) {
		if strings.IndexByte("0123456789.", s[i]) < 0 {
			return civil.Date{}, false
		}
	}
	x, err := strconv.ParseFloat(s, 64)
	if err != nil || x < 1 || x > 109_574 || x >= 1900 && x <= 2200 && x == math.Trunc(x) {
		return civil.Date{}, false
	}
	t, err := excelize.ExcelDateToTime(math.Floor(x), date04)
	if err != nil || t.Year() < 1900 || t.Year() > 2200 {
		return civil.Date{}, false
	}
	return civil.Of(t), true
}

// mixed returns the fault of a file that writes both 1.5 and 1,5.
func mixed(dot, comma mark) *finding.Fault {
	first, second := dot, comma
	if comma.at.Line < dot.at.Line || comma.at.Line == dot.at.Line && comma.at.Column < dot.at.Column {
		first, second = comma, dot
	}
	return finding.Bad("decimal-mixed", second.at, finding.Args{
		"text": finding.Text(second.text), "other": finding.Text(first.text), "line": finding.Count(first.at.Line),
	})
}
