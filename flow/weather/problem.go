package weather

import (
	"fmt"
	"math"
	"sort"
	"strings"
)

// NoRow is the Row of a problem that concerns the whole table, the site or the
// options.
const NoRow = -1

// Severity says what a problem does to its value.
type Severity string

// An error takes the value or the row out of use; a warning leaves it in, except
// where its code says what was put in its place; a note informs.
const (
	SeverityError   Severity = "error"
	SeverityWarning Severity = "warning"
	SeverityNote    Severity = "note"
)

// Codes of the problems this package reports.
const (
	CodeOutOfRange        = "value.out_of_range"
	CodeNotFinite         = "value.not_finite"
	CodeSentinel          = "value.sentinel"
	CodeUnknownReference  = "option.unknown_reference"
	CodeMissing           = "value.missing"
	CodeDateInvalid       = "date.invalid"
	CodeTimeInvalid       = "time.invalid"
	CodeTimeAmbiguous     = "time.ambiguous_order"
	CodeHour24            = "time.hour_24"
	CodeTimeSkipped       = "time.skipped_by_clock"
	CodeTimeRepeated      = "time.repeated_by_clock"
	CodeClockChange       = "time.clock_change"
	CodeStep              = "time.step"
	CodeDuplicate         = "row.duplicate"
	CodeUnordered         = "row.unordered"
	CodeGap               = "row.gap"
	CodeMixed             = "row.mixed_dates_and_times"
	CodeNoStamp           = "row.no_date"
	CodeEmpty             = "table.empty"
	CodeKelvin            = "temperature.kelvin_looking"
	CodeFahrenheit        = "temperature.fahrenheit_looking"
	CodeTemperatureOrder  = "temperature.order"
	CodeDewAboveAir       = "temperature.dew_point_above_air"
	CodeHumidityAbove     = "humidity.above_100"
	CodeHumidityFraction  = "humidity.fraction_looking"
	CodeHumidityOrder     = "humidity.order"
	CodeWindMPH           = "wind.mph_looking"
	CodeWindZero          = "wind.zero"
	CodeRadiationWatts    = "radiation.watts_looking"
	CodeRadiationAboveSky = "radiation.above_extraterrestrial"
	CodeSunshineAboveDay  = "sunshine.above_day_length"
)

var sentences = map[string]string{
	CodeOutOfRange:        "value outside the accepted range",
	CodeNotFinite:         "value is not a finite number",
	CodeSentinel:          "value looks like a mark for missing data and was not used",
	CodeUnknownReference:  "unknown reference surface",
	CodeMissing:           "a needed value is missing",
	CodeDateInvalid:       "not a date written YYYY-MM-DD",
	CodeTimeInvalid:       "not a time written YYYY-MM-DD HH:MM",
	CodeTimeAmbiguous:     "day and month cannot be told apart; write YYYY-MM-DD",
	CodeHour24:            "hour 24 read as 00:00 of the next day",
	CodeTimeSkipped:       "this local time does not exist; the clock was put forward over it",
	CodeTimeRepeated:      "this local time occurs twice; the order of rows decided which",
	CodeClockChange:       "the clock changes here",
	CodeStep:              "the step between rows is not one of 15 to 60 minutes",
	CodeDuplicate:         "this date or time was already given; the first row is kept",
	CodeUnordered:         "rows are not in order of time; they were sorted",
	CodeGap:               "rows are missing before this one",
	CodeMixed:             "dates and times are mixed in one table",
	CodeNoStamp:           "the row has neither date nor time",
	CodeEmpty:             "no rows",
	CodeKelvin:            "temperature looks like kelvin",
	CodeFahrenheit:        "temperature looks like Fahrenheit",
	CodeTemperatureOrder:  "minimum, mean and maximum temperature are not in order",
	CodeDewAboveAir:       "dew point above the air temperature",
	CodeHumidityAbove:     "humidity above 100 %",
	CodeHumidityFraction:  "humidity looks like a fraction, not per cent",
	CodeHumidityOrder:     "minimum, mean and maximum humidity are not in order",
	CodeWindMPH:           "wind looks like miles or kilometres per hour",
	CodeWindZero:          "wind is exactly zero; a stuck or buried anemometer reads so",
	CodeRadiationWatts:    "radiation looks like W/m2 or another unit",
	CodeRadiationAboveSky: "radiation above that outside the atmosphere",
	CodeSunshineAboveDay:  "more sunshine than the day is long",
}

// Problem is one thing that is wrong with the data. Row counts from 0 in the
// rows as they were given; NoRow stands for none. Args name the numbers and
// texts a sentence needs, with units in their names where they have one.
type Problem struct {
	Row      int            `json:"row"`
	Column   string         `json:"column,omitempty"`
	Code     string         `json:"code"`
	Severity Severity       `json:"severity"`
	Args     map[string]any `json:"args,omitempty"`
}

// Error returns a plain English line, for use where no catalogue is at hand.
func (p Problem) Error() string {
	var b strings.Builder
	if p.Row != NoRow {
		fmt.Fprintf(&b, "row %d", p.Row+1)
	}
	if p.Column != "" {
		if b.Len() > 0 {
			b.WriteString(", ")
		}
		b.WriteString(p.Column)
	}
	if b.Len() > 0 {
		b.WriteString(": ")
	}
	if s, ok := sentences[p.Code]; ok {
		b.WriteString(s)
	} else {
		b.WriteString(p.Code)
	}
	keys := make([]string, 0, len(p.Args))
	for k := range p.Args {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	for i, k := range keys {
		sep := ", "
		if i == 0 {
			sep = " ("
		}
		fmt.Fprintf(&b, "%s%s %v", sep, k, p.Args[k])
	}
	if len(keys) > 0 {
		b.WriteString(")")
	}
	return b.String()
}

// Problems is a list of problems. It is an error only through Err.
type Problems []Problem

// Error joins the lines of all problems.
func (ps Problems) Error() string {
	lines := make([]string, len(ps))
	for i, p := range ps {
		lines[i] = p.Error()
	}
	return strings.Join(lines, "; ")
}

// Errors returns the problems of severity error.
func (ps Problems) Errors() Problems {
	var out Problems
	for _, p := range ps {
		if p.Severity == SeverityError {
			out = append(out, p)
		}
	}
	return out
}

// Err returns the errors among the problems as one error, nil if there are none.
func (ps Problems) Err() error {
	if e := ps.Errors(); len(e) > 0 {
		return e
	}
	return nil
}

func (ps *Problems) add(p Problem) {
	if p.Severity == "" {
		p.Severity = SeverityError
	}
	*ps = append(*ps, p)
}

// within adds an error when v is given and not a finite number in [lo, hi].
func (ps *Problems) within(column string, v *float64, lo, hi float64) bool {
	if v == nil {
		return true
	}
	if math.IsNaN(*v) || math.IsInf(*v, 0) {
		ps.add(Problem{Row: NoRow, Column: column, Code: CodeNotFinite})
		return false
	}
	if *v < lo || *v > hi {
		ps.add(Problem{Row: NoRow, Column: column, Code: CodeOutOfRange, Args: map[string]any{"value": *v, "low": lo, "high": hi}})
		return false
	}
	return true
}

func (ps *Problems) missing(column string) {
	ps.add(Problem{Row: NoRow, Column: column, Code: CodeMissing})
}

// at returns the problems with their row set.
func (ps Problems) at(row int) Problems {
	out := make(Problems, len(ps))
	for i, p := range ps {
		p.Row = row
		out[i] = p
	}
	return out
}
