package civil

import (
	"testing"
	"time"
)

func TestParse_OnlyISODays(t *testing.T) {
	for _, s := range []string{"03/04/26", "2026-13-01", "2026-02-29", "26-01-01", "", "2026-1-1", "1776-07-04"} {
		if d, err := Parse(s); err == nil {
			t.Errorf("%q is read as %v", s, d)
		}
	}
	d, err := Parse("2028-02-29")
	if err != nil || d.String() != "2028-02-29" {
		t.Errorf("%v %v", d, err)
	}
}

// Worked by hand: 2026 has 365 days, 2028 is a leap year.
func TestDays(t *testing.T) {
	d := Date{2027, 12, 31}
	if got := d.AddDays(60).String(); got != "2028-02-29" {
		t.Errorf("60 days after %v: %s", d, got)
	}
	if got := (Date{2028, 2, 29}).AddYears(1).String(); got != "2029-03-01" {
		t.Errorf("a year after a leap day: %s", got)
	}
	if n := (Date{2028, 3, 1}).DaysSince(Date{2027, 3, 1}); n != 366 {
		t.Errorf("%d days", n)
	}
	p := Period{From: Date{2026, 1, 1}, To: Date{2026, 12, 31}}
	for s, want := range map[string]bool{"2026-01-01": true, "2026-12-31": true, "2027-01-01": false, "2025-12-31": false} {
		if d, _ := Parse(s); p.Contains(d) != want {
			t.Errorf("%s in %v", s, p)
		}
	}
	// A civil day does not move with the zone of an instant.
	kiritimati := time.FixedZone("+14", 14*3600)
	if got := Of(time.Date(2026, 5, 4, 1, 0, 0, 0, kiritimati)).String(); got != "2026-05-04" {
		t.Errorf("%s", got)
	}
}
