// Package civil keeps the calendar day apart from the instant: a record's
// legal date never moves with a time zone.
package civil

import (
	"fmt"
	"time"
)

// Date is a day of the proleptic Gregorian calendar. The zero value means no
// date.
type Date struct {
	Year  int
	Month time.Month
	Day   int
}

// Parse reads an ISO 8601 day such as 2026-05-04 and nothing else: 03/04/26
// means two different days to two people.
func Parse(s string) (Date, error) {
	t, err := time.Parse("2006-01-02", s)
	if err != nil || t.Year() < 1900 || t.Year() > 2200 {
		return Date{}, fmt.Errorf("%q is not a date written as 2026-05-04 between 1900 and 2200", s)
	}
	return Of(t), nil
}

// Of returns the day on which t falls in t's own location.
func Of(t time.Time) Date {
	y, m, d := t.Date()
	return Date{y, m, d}
}

// IsZero reports that no date is given.
func (d Date) IsZero() bool { return d == Date{} }

// String writes 2026-05-04, or nothing for no date.
func (d Date) String() string {
	if d.IsZero() {
		return ""
	}
	return fmt.Sprintf("%04d-%02d-%02d", d.Year, int(d.Month), d.Day)
}

// MarshalText writes the ISO day.
func (d Date) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads the ISO day; empty text is no date.
func (d *Date) UnmarshalText(b []byte) (err error) {
	if len(b) == 0 {
		*d = Date{}
		return nil
	}
	*d, err = Parse(string(b))
	return err
}

func (d Date) utc() time.Time { return time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, time.UTC) }

// AddDays returns the day n days later; n may be negative.
func (d Date) AddDays(n int) Date { return Of(d.utc().AddDate(0, 0, n)) }

// AddYears returns the same day n years later; 29 February becomes 1 March
// where there is none.
func (d Date) AddYears(n int) Date { return Of(d.utc().AddDate(n, 0, 0)) }

// DaysSince returns the number of days from e to d, negative if d is earlier.
func (d Date) DaysSince(e Date) int { return int(d.utc().Sub(e.utc()) / (24 * time.Hour)) }

// Before reports whether d is earlier than e.
func (d Date) Before(e Date) bool { return d.utc().Before(e.utc()) }

// After reports whether d is later than e.
func (d Date) After(e Date) bool { return e.Before(d) }

// In returns the first instant of the day in loc.
func (d Date) In(loc *time.Location) time.Time {
	return time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, loc)
}

// Period is a span of days, both ends included. A zero end is open.
type Period struct{ From, To Date }

// Contains reports whether d lies in the period.
func (p Period) Contains(d Date) bool {
	return (p.From.IsZero() || !d.Before(p.From)) && (p.To.IsZero() || !p.To.Before(d))
}
