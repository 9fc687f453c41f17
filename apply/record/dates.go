package record

import (
	"math/big"
	"time"

	"sapward/measure/civil"
)

// Zones finds a time zone by its IANA name; time.LoadLocation with embedded
// data is one.
type Zones func(name string) (*time.Location, error)

// ReentryAt is the instant from which entry is free: end plus the restricted-
// entry interval. Hours are counted on the instant, not on the clock, so that a
// change of the clock neither shortens nor lengthens them. Fractions of a
// second are rounded up. The result is shown in the location of end.
func ReentryAt(end time.Time, hours Decimal) time.Time {
	ns := new(big.Rat).Mul(hours.v.Big(), new(big.Rat).SetInt64(int64(time.Hour)))
	sec := new(big.Rat).Quo(ns, new(big.Rat).SetInt64(int64(time.Second)))
	n := new(big.Int).Div(new(big.Int).Add(sec.Num(), new(big.Int).Sub(sec.Denom(), big.NewInt(1))), sec.Denom())
	return end.Add(time.Duration(n.Int64()) * time.Second)
}

// HarvestFrom is the first local day of harvest: days whole local days after
// the day on which the work ended.
func HarvestFrom(endDay civil.Date, days int) civil.Date { return endDay.AddDays(days) }

// OnDay is the instant on a day at the local wall-clock time of t, in loc. A
// time that a change of the clock skips is taken later, one that occurs twice
// the second time: the careful side for "not before".
func OnDay(day civil.Date, t time.Time, loc *time.Location) time.Time {
	l := t.In(loc)
	at := func(offset int) (time.Time, bool) {
		u := time.Date(day.Year, day.Month, day.Day, l.Hour(), l.Minute(), l.Second(), l.Nanosecond(), time.UTC).Add(-time.Duration(offset) * time.Second).In(loc)
		return u, u.Hour() == l.Hour() && u.Minute() == l.Minute() && civil.Of(u) == day
	}
	noon := time.Date(day.Year, day.Month, day.Day, 12, 0, 0, 0, time.UTC)
	_, before := noon.Add(-36 * time.Hour).In(loc).Zone()
	_, after := noon.Add(36 * time.Hour).In(loc).Zone()
	var best time.Time
	for _, o := range []int{before, after} {
		if u, ok := at(o); ok && u.After(best) {
			best = u
		}
	}
	if best.IsZero() { // skipped: the later reading
		a, _ := at(before)
		b, _ := at(after)
		best = a
		if b.After(a) {
			best = b
		}
	}
	return best
}

// Dates are what follows from the end of the work.
type Dates struct {
	EndDay       civil.Date `json:"end_day,omitzero"`
	Reentry      time.Time  `json:"reentry,omitzero"`       // longest interval of all products
	ReentryOpen  bool       `json:"reentry_open,omitempty"` // an interval or the end is not recorded
	UntilDry     bool       `json:"until_dry,omitempty"`    // a label says until dry
	NoREI        bool       `json:"no_rei,omitempty"`       // no label states an interval
	HarvestFrom  civil.Date `json:"harvest_from,omitzero"`  // longest interval of all products
	HarvestAt    time.Time  `json:"harvest_at,omitzero"`    // the same clock time as the end: where a label counts hours, not before
	HarvestOpen  bool       `json:"harvest_open,omitempty"` // an interval or the date is not recorded
	NotFood      bool       `json:"not_food,omitempty"`     // a label says not for food
	SignsFrom    time.Time  `json:"signs_up_from,omitzero"` // not earlier than 24 h before the work
	SignsDownBy  civil.Date `json:"signs_down_by,omitzero"` // within 3 days after the re-entry interval
	DisplayUntil civil.Date `json:"display_until,omitzero"` // 30 days after it, or after the work where there is none
	NextEarliest civil.Date `json:"next_earliest,omitzero"` // next treatment by the card's interval
	Retreatment  int        `json:"interval_d,omitempty"`   // that interval
	Local        string     `json:"zone,omitempty"`         // zone of the instants
}

// SignDays and DisplayDays are the days signs may stay after re-entry
// (Washington State University tree fruit page) and the days of display (40
// CFR 170.122, superseded; the same in the revised rule from memory).
const (
	SignDays    = 3
	DisplayDays = 30
)

// WorkedOut returns the dates of a record. Where several products were mixed
// the longest interval governs. What cannot be known is left open, never
// guessed.
func WorkedOut(c *Content, zones Zones) Dates {
	var d Dates
	end, hasEnd := c.Work.End.Known()
	loc := location(c, zones)
	d.Local = c.Work.Zone
	if days, ok := c.Work.Date.Known(); ok {
		d.EndDay = days.To
	} else if hasEnd && loc != nil {
		d.EndDay = civil.Of(end.T.In(loc))
	}
	d.reentry(c, end.T, hasEnd, loc)
	d.harvest(c, end.T, hasEnd, loc)
	for _, p := range c.Products {
		if n, ok := p.Interval.Known(); ok && n > d.Retreatment {
			d.Retreatment = n
		}
	}
	if d.Retreatment > 0 && !d.EndDay.IsZero() {
		d.NextEarliest = d.EndDay.AddDays(d.Retreatment)
	}
	if s, ok := c.Work.Start.Known(); ok && loc != nil {
		d.SignsFrom = s.T.Add(-24 * time.Hour).In(loc)
	}
	return d
}

func location(c *Content, zones Zones) *time.Location {
	if c.Work.Zone == "" || zones == nil {
		return nil
	}
	loc, err := zones(c.Work.Zone)
	if err != nil {
		return nil
	}
	return loc
}

func (d *Dates) reentry(c *Content, end time.Time, hasEnd bool, loc *time.Location) {
	longest, some := Decimal{}, false
	d.ReentryOpen = len(c.Products) == 0
	for _, p := range c.Products {
		switch p.REI.State {
		case NotRecorded:
			d.ReentryOpen = true
		case Recorded:
			d.UntilDry = d.UntilDry || p.REI.Value.UntilDry
			if h := p.REI.Value.Hours; h.v.Sign() > 0 {
				some = true
				if longest.v.Less(h.v) {
					longest = h
				}
			}
		}
	}
	d.NoREI = !some && !d.UntilDry && !d.ReentryOpen
	if !hasEnd || loc == nil {
		d.ReentryOpen = d.ReentryOpen || some
		if d.NoREI && !d.EndDay.IsZero() {
			d.DisplayUntil = d.EndDay.AddDays(DisplayDays)
		}
		return
	}
	free := end.In(loc)
	if some {
		free = ReentryAt(end, longest).In(loc)
		d.Reentry = free
	}
	if !d.ReentryOpen {
		d.SignsDownBy = civil.Of(free).AddDays(SignDays)
		d.DisplayUntil = civil.Of(free).AddDays(DisplayDays)
	}
}

func (d *Dates) harvest(c *Content, end time.Time, hasEnd bool, loc *time.Location) {
	longest := -1
	d.HarvestOpen = len(c.Products) == 0
	for _, p := range c.Products {
		switch p.PHI.State {
		case NotRecorded:
			d.HarvestOpen = true
		case Recorded:
			d.NotFood = d.NotFood || p.PHI.Value.NotFood
			if !p.PHI.Value.NotFood {
				longest = max(longest, p.PHI.Value.Days)
			}
		}
	}
	if longest < 0 {
		return
	}
	if d.EndDay.IsZero() {
		d.HarvestOpen = true
		return
	}
	d.HarvestFrom = HarvestFrom(d.EndDay, longest)
	if hasEnd && loc != nil {
		d.HarvestAt = OnDay(d.HarvestFrom, end, loc)
	}
}
