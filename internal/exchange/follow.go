package exchange

import (
	"maps"
	"slices"
	"strings"

	"sapward/finding"
	"sapward/measure/civil"
)

// Followed is a table of what was seen of trees in time: ratings, deaths,
// counts, assays. Days are numbers from day 0; where the file gives dates they
// have been counted from DayZero.
type Followed[T any] struct {
	Summary
	Rows     []T
	Dated    bool
	DayZero  civil.Date // of a file with dates
	ZeroFrom string     // "option", "first-date", "row"; empty where days are numbered

	places []rowPlaces
}

// Cells of a row that a later fault may be about.
const (
	atDay = iota
	atTree
	atTreatment
	atValue
	atStatus
	atCells
)

type rowPlaces struct {
	line int
	at   [atCells]int // columns of the file, 0 where there is none
}

// followedRow is a row before its day is counted.
type followedRow[T any] struct {
	row    T
	day    Day
	from   civil.Date // the row's own day 0
	places rowPlaces
}

// maxDay is the largest day number taken: a century. A workbook's date read as
// a number is larger.
const maxDay = 36_525

// dayOrDate reads the row's day: a number, or a date.
func (r *Row) dayOrDate(day, date Col) (Day, bool) {
	switch {
	case r.Has(day):
		if _, err := civil.Parse(string(r.cell(day))); err == nil {
			r.Fault(day, "day-holds-date", nil)
			return Day{}, false
		}
		x, ok := r.Float(day, -maxDay, maxDay)
		return Day{Number: x, Numbers: true}, ok
	case r.Has(date):
		d, ok := r.Date(date)
		return Day{Date: d}, ok
	case r.at[day] >= 0:
		r.Fault(day, "cell-empty", nil)
	default:
		r.Fault(date, "cell-empty", nil)
	}
	return Day{}, false
}

// placesOf notes where the cells of a row stand; -1 for none.
func (r *Row) placesOf(cells [atCells]Col) rowPlaces {
	p := rowPlaces{line: r.Line}
	for i, c := range cells {
		if c >= 0 && r.at[c] >= 0 {
			p.at[i] = r.Where(c).Column
		}
	}
	return p
}

// either returns the first of some columns that is filled in, else the first
// that is there.
func (r *Row) either(cols ...Col) Col {
	for _, c := range cols {
		if r.Has(c) {
			return c
		}
	}
	for _, c := range cols {
		if r.at[c] >= 0 {
			return c
		}
	}
	return -1
}

// readFollowed reads a table and counts its days. zero is the day 0 asked for,
// or no date. firstDate lets the first date of the file be day 0.
func readFollowed[T any](in input, spec *Spec, zero civil.Date, firstDate bool, build func(*Row) followedRow[T], set func(row *T, day float64, dated bool, where finding.Where)) (*Followed[T], error) {
	src, err := in.open()
	if err != nil {
		return nil, finding.AsFaults(err)
	}
	rows, sum, err := readAll(src, spec, build)
	if err != nil {
		return nil, err
	}
	f := &Followed[T]{Summary: sum}
	head := finding.Where{File: sum.File, Line: 1}
	if len(rows) > 0 {
		head.Line = max(1, rows[0].places.line-1)
	}
	used := map[string]string{}
	for _, u := range sum.Columns {
		used[u.Column] = u.Header
	}
	numbers := used["day"] + used["days"]
	if numbers != "" && used["date"] != "" {
		return nil, finding.Faults{finding.Bad("day-and-date", head, finding.Args{"column": finding.Text(numbers), "other": finding.Text(used["date"])})}
	}
	f.Dated = used["date"] != ""
	own := f.Dated && used["from_date"] != ""
	switch {
	case !f.Dated && !zero.IsZero() && numbers != "":
		return nil, finding.Faults{finding.Bad("day-zero-without-dates", head, finding.Args{"column": finding.Text(numbers)})}
	case !f.Dated && used["from_date"] != "":
		return nil, finding.Faults{finding.Bad("day-and-date", head, finding.Args{"column": finding.Text(numbers), "other": finding.Text(used["from_date"])})}
	case own && !zero.IsZero():
		return nil, finding.Faults{finding.Bad("day-zero-twice", head, finding.Args{"column": finding.Text(used["from_date"])})}
	case own:
		f.ZeroFrom = "row"
	case f.Dated && !zero.IsZero():
		f.DayZero, f.ZeroFrom = zero, "option"
	case f.Dated && !firstDate:
		return nil, finding.Faults{finding.Bad("day-zero-needed", head, finding.Args{"column": finding.Text(used["date"])})}
	case f.Dated:
		f.ZeroFrom = "first-date"
		for i, r := range rows {
			if i == 0 || r.day.Date.Before(f.DayZero) {
				f.DayZero = r.day.Date
			}
		}
	}
	for i := range rows {
		r := &rows[i]
		day := r.day.Number
		if f.Dated {
			from := f.DayZero
			if own {
				from = r.from
			}
			day = float64(r.day.Date.DaysSince(from))
		}
		set(&r.row, day, f.Dated, finding.Where{File: sum.File, Line: r.places.line})
		f.Rows, f.places = append(f.Rows, r.row), append(f.places, r.places)
	}
	return f, nil
}

// about says which cell of a row a fault of the core is about, by words of its
// identifier.
var about = []struct {
	word string
	cell int
}{
	{"visit-twice", atDay}, {"-day-", atDay}, {"-days-", atDay}, {"days-and-dates", atDay},
	{"treatment", atTreatment}, {"role", atTreatment}, {"status", atStatus},
	{"one-tree", atTree}, {"tree-twice", atTree}, {"tree-missing", atTree},
}

// Locate gives the faults that the core found in the rows their place in the
// file: the column of the cell, where the core knows only the row.
func (f *Followed[T]) Locate(err error) error {
	if err == nil {
		return nil
	}
	var out collector
	for _, fault := range finding.AsFaults(err) {
		c := *fault
		if c.Class == finding.BadInput && c.Where.File == "" && !strings.HasPrefix(c.ID, "confidence-") && !strings.HasPrefix(c.ID, "decline-option") {
			c.Where.File = f.File
		}
		c.Args = DayNumbers(c.Args)
		i, ok := slices.BinarySearchFunc(f.places, c.Where.Line, func(p rowPlaces, line int) int { return p.line - line })
		if ok && c.Where.Column == 0 {
			cell := atValue
			for _, a := range about {
				if strings.Contains(c.ID, a.word) {
					cell = a.cell
					break
				}
			}
			c.Where.Column = f.places[i].at[cell]
		}
		out.add(&c)
	}
	return out.err(f.File)
}

// DayNumbers returns arguments with days of the calendar of day 0 as plain
// numbers: "day 14", not "day 14 d".
func DayNumbers(args finding.Args) finding.Args {
	out := maps.Clone(args)
	for _, name := range []string{"day", "from"} {
		if v, ok := out[name]; ok && v.Unit == "d" {
			v.Unit = ""
			out[name] = v
		}
	}
	return out
}
