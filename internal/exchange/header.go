package exchange

import (
	"maps"
	"slices"
	"strings"
	"unicode"

	"sapward/finding"
	"sapward/numeric/exact"
)

// Kind is what the cells of a column hold. A kind with a unit takes the unit
// from the header ("height_ft"), never from the cell.
type Kind uint8

// The kinds of column.
const (
	Text   Kind = iota
	Number      // a plain number; its unit, if any, is part of the column's name
	Length
	Mass
	Volume
	Area
)

// Column describes one column of a table.
type Column struct {
	Name string   // as documented, without unit: "height"
	Also []string // other names accepted
	Kind Kind
	Unit string // documented unit of a kind with units: "m"; "height_m" is the full name
	Need bool   // the column must be there and filled in every row
}

// full is the documented name with its unit.
func (c Column) full() string {
	if c.Unit == "" {
		return c.Name
	}
	return c.Name + "_" + c.Unit
}

// Spec describes a table.
type Spec struct {
	What    string // catalogue key of the table's name: "trees", "wounds" ...
	Columns []Column
	OneOf   [][]int // groups of columns of which one must be there
}

// Col is a column's place in Spec.Columns.
type Col = int

// sizes gives, for each kind with units, the units a header may name and their
// exact size in the kind's base unit (cm, g, mL, m2). The sizes are those of
// measure/quantity (NIST Special Publication 811, 2008, appendix B).
var sizes = map[Kind]map[string]exact.Rat{
	Length: {"cm": exact.Int(1), "mm": exact.Frac(1, 10), "m": exact.Int(100), "in": exact.Frac(254, 100), "ft": exact.Frac(3048, 100)},
	Mass:   {"g": exact.Int(1), "mg": exact.Frac(1, 1000), "kg": exact.Int(1000), "lb": exact.Frac(45359237, 100_000)},
	Volume: {"ml": exact.Int(1), "l": exact.Int(1000)},
	Area:   {"m2": exact.Int(1), "ha": exact.Int(10_000), "ac": exact.Frac(40468564224, 10_000_000)},
}

// unitWords maps other words for a unit in a header to its key in sizes.
var unitWords = map[string]string{
	"centimetre": "cm", "centimetres": "cm", "centimeter": "cm", "centimeters": "cm", "centimetro": "cm", "centimetros": "cm", "cms": "cm",
	"millimetre": "mm", "millimetres": "mm", "millimeter": "mm", "millimeters": "mm", "milimetro": "mm", "milimetros": "mm",
	"metre": "m", "metres": "m", "meter": "m", "meters": "m", "metro": "m", "metros": "m", "mts": "m",
	"inch": "in", "inches": "in", "ins": "in", "pulgada": "in", "pulgadas": "in", "pulg": "in",
	"foot": "ft", "feet": "ft", "pie": "ft", "pies": "ft",
	"gram": "g", "grams": "g", "gramo": "g", "gramos": "g", "lbs": "lb",
	"litre": "l", "litres": "l", "liter": "l", "liters": "l", "litro": "l", "litros": "l",
	"hectare": "ha", "hectares": "ha", "hectarea": "ha", "hectareas": "ha", "acre": "ac", "acres": "ac",
}

var fold = strings.NewReplacer("á", "a", "à", "a", "â", "a", "ä", "a", "é", "e", "è", "e", "ê", "e", "ë", "e", "í", "i", "ï", "i",
	"ó", "o", "ô", "o", "ö", "o", "ú", "u", "ü", "u", "ñ", "n", "ç", "c", "º", "", "°", "", "²", "2", "\"", " in ", "″", " in ", "′", " ft ")

// plain reduces a word to its bare form: lower case, no accents, each run of
// other characters one underscore. "DBH (in)" becomes "dbh_in". Accents written
// as combining marks are dropped too.
func plain(s string) string {
	var b strings.Builder
	gap := false
	for _, r := range fold.Replace(strings.ToLower(s)) {
		switch {
		case unicode.Is(unicode.Mn, r), r == '\uFEFF':
			// part of the letter before it, or a byte order mark
		case unicode.IsLetter(r) || unicode.IsDigit(r):
			if gap && b.Len() > 0 {
				b.WriteByte('_')
			}
			gap = false
			b.WriteRune(r)
		default:
			gap = true
		}
	}
	return b.String()
}

// ColumnUse says how one column of the file was read.
type ColumnUse struct {
	Header string // as the file writes it
	Column string // as Sapward names it, with the unit read
	Place  int    // from 1
}

// layout is a header matched to a Spec.
type layout struct {
	spec  *Spec
	names []string    // the file's headers, trimmed
	at    []int       // Spec column -> field, or -1
	size  []exact.Rat // Spec column -> size of its unit in the base unit
	unit  []string    // Spec column -> unit read
	uses  []ColumnUse
	notes []finding.Finding
}

// match finds the column a header means: its index, its unit, and whether the
// header lacks a unit it needs.
func (s *Spec) match(header string) (col int, unit string, bare, ok bool) {
	name := plain(header)
	if name == "" {
		return 0, "", false, false
	}
	for i := range s.Columns {
		c := &s.Columns[i]
		units := sizes[c.Kind]
		for k := -1; k < len(c.Also); k++ {
			own := c.Name
			if k >= 0 {
				own = c.Also[k]
			}
			if name == own || strings.HasPrefix(name, own) && units != nil && name[len(own)] == '_' {
				if units == nil {
					return i, "", false, true
				}
				if name == own {
					return i, "", true, true
				}
				u := name[len(own)+1:]
				u = strings.TrimPrefix(u, "in_")
				if w, found := unitWords[u]; found {
					u = w
				}
				if _, found := units[u]; found {
					return i, u, false, true
				}
			}
		}
	}
	return 0, "", false, false
}

// read matches a header row and reports everything wrong with it.
func (s *Spec) read(names []string, where func(int) finding.Where, faults *collector) *layout {
	l := &layout{spec: s, at: make([]int, len(s.Columns)), size: make([]exact.Rat, len(s.Columns)), unit: make([]string, len(s.Columns))}
	for i := range l.at {
		l.at[i], l.size[i] = -1, exact.Int(1)
	}
	var unknown []int
	bare := map[int]bool{}
	for k, raw := range names {
		name := strings.TrimFunc(raw, func(r rune) bool { return unicode.IsSpace(r) || r == '\uFEFF' })
		l.names = append(l.names, show(name))
		col, unit, lacks, ok := s.match(name)
		switch {
		case name == "":
		case !ok:
			unknown = append(unknown, k)
		case lacks:
			bare[col] = true
			faults.add(finding.Bad("column-no-unit", where(k), finding.Args{"column": finding.Text(show(name)), "example": finding.Text(s.Columns[col].full())}))
		case l.at[col] >= 0:
			faults.add(finding.Bad("column-twice", where(k), finding.Args{"column": finding.Text(show(name)), "other": finding.Text(l.names[l.at[col]]), "name": finding.Text(s.Columns[col].Name)}))
		default:
			l.at[col], l.unit[col] = k, unit
			use := s.Columns[col].Name
			if unit != "" {
				use += "_" + unit
				l.size[col] = sizes[s.Columns[col].Kind][unit]
			}
			l.uses = append(l.uses, ColumnUse{Header: show(name), Column: use, Place: k + 1})
			if use != name {
				l.note("column-read-as", finding.Args{"column": finding.Text(show(name)), "name": finding.Text(use)})
			}
		}
	}
	for _, k := range unknown {
		if best := s.nearest(names[k]); best != "" {
			l.note("column-unknown-near", finding.Args{"column": finding.Text(l.names[k]), "near": finding.Text(best)})
		} else {
			l.note("column-unknown", finding.Args{"column": finding.Text(l.names[k])})
		}
	}
	s.missing(l, bare, unknown, where(0), faults)
	return l
}

// missing reports required columns that are not there.
func (s *Spec) missing(l *layout, bare map[int]bool, unknown []int, where finding.Where, faults *collector) {
	lack := func(cols []int) {
		var want []string
		for _, c := range cols {
			if l.at[c] >= 0 || bare[c] {
				return
			}
			want = append(want, s.Columns[c].full())
			if s.Columns[c].Kind == Length && len(cols) > 1 {
				want = append(want, s.Columns[c].Name+"_in")
			}
		}
		args := finding.Args{"column": finding.Text(strings.Join(want, ", ")), "found": finding.Text(clipList(l.names))}
		id := "column-missing"
		for _, k := range unknown {
			for _, c := range cols {
				if near := s.nearest(l.names[k]); near == s.Columns[c].full() {
					id = "column-missing-near"
					args["near"] = finding.Text(l.names[k])
				}
			}
		}
		w := where
		w.Column = 0
		faults.add(finding.Bad(id, w, args))
	}
	for i := range s.Columns {
		if s.Columns[i].Need {
			lack([]int{i})
		}
	}
	for _, g := range s.OneOf {
		lack(g)
	}
}

// clipList joins names for a message, at most eight.
func clipList(names []string) string {
	if len(names) > 8 {
		return strings.Join(names[:8], ", ") + ", …"
	}
	return strings.Join(names, ", ")
}

func (l *layout) note(id string, args finding.Args) {
	if len(l.notes) < MaxFaults {
		l.notes = append(l.notes, finding.Finding{ID: id, Severity: finding.Note, Authority: finding.ByEstimate, Args: args})
	}
}

// nearest returns the documented name closest to a header, if it is close: at
// most two edits, and fewer than a third of its letters.
func (s *Spec) nearest(header string) string {
	name := plain(header)
	best, least := "", 3
	try := func(own, full string) {
		if d := edits(name, own, least); d < least && 3*d < len(own) {
			best, least = full, d
		}
	}
	for i := range s.Columns {
		c := &s.Columns[i]
		try(c.full(), c.full())
		for _, u := range slices.Sorted(maps.Keys(sizes[c.Kind])) {
			if d := c.Name + "_" + u; d != c.full() {
				try(d, d)
			}
		}
		for _, a := range c.Also {
			if c.Unit != "" {
				try(a+"_"+c.Unit, c.full())
			} else {
				try(a, c.full())
			}
		}
	}
	return best
}

// edits is the Levenshtein distance of a and b, or limit if it is not below.
func edits(a, b string, limit int) int {
	if len(a)-len(b) >= limit || len(b)-len(a) >= limit {
		return limit
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diag := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := diag
			if a[i] != b[j] {
				cost++
			}
			diag = row[j+1]
			row[j+1] = min(cost, row[j]+1, diag+1)
		}
	}
	return min(row[len(b)], limit)
}
