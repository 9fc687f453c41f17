package weather

import (
	"fmt"
	"time"
)

// Date is a day of the calendar without a time zone.
type Date struct {
	Year  int
	Month time.Month
	Day   int
}

// DateOf returns the local date of t in its own location.
func DateOf(t time.Time) Date {
	y, m, d := t.Date()
	return Date{y, m, d}
}

// ParseDate reads YYYY-MM-DD.
func ParseDate(text string) (Date, error) {
	t, err := time.Parse("2006-01-02", text)
	if err != nil {
		code := CodeDateInvalid
		if ambiguousOrder(text) {
			code = CodeTimeAmbiguous
		}
		return Date{}, Problem{Row: NoRow, Column: "date", Code: code, Severity: SeverityError, Args: map[string]any{"text": text}}
	}
	return DateOf(t), nil
}

// IsZero reports whether d was never set.
func (d Date) IsZero() bool { return d == Date{} }

// Valid reports whether d is a day of the Gregorian calendar.
func (d Date) Valid() bool { return !d.IsZero() && DateOf(d.utc()) == d }

// YearDay returns the number of the day in the year, 1 to 366.
func (d Date) YearDay() int { return d.utc().YearDay() }

// Add returns the date n days later.
func (d Date) Add(n int) Date { return DateOf(d.utc().AddDate(0, 0, n)) }

// Before reports whether d is earlier than e.
func (d Date) Before(e Date) bool { return d.utc().Before(e.utc()) }

// daysUntil returns the number of days from d to e.
func (d Date) daysUntil(e Date) int { return int(e.utc().Sub(d.utc()).Hours() / 24) }

func (d Date) utc() time.Time { return time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, time.UTC) }

// String returns YYYY-MM-DD.
func (d Date) String() string { return fmt.Sprintf("%04d-%02d-%02d", d.Year, d.Month, d.Day) }

// MarshalText writes YYYY-MM-DD.
func (d Date) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads YYYY-MM-DD.
func (d *Date) UnmarshalText(b []byte) error {
	v, err := ParseDate(string(b))
	if err != nil {
		return err
	}
	*d = v
	return nil
}
