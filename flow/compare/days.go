package compare

import (
	"math"
	"time"

	"sapward/flow/sap"
	"sapward/flow/weather"
	"sapward/measure/civil"
)

// MeanDay is one day's water and warmth.
type MeanDay struct {
	ET0Mm float64
	MeanC float64
}

// Leaves says when a tree is in leaf and when its new ring forms.
type Leaves struct {
	Months []int // months in leaf, 1 to 12; none or all twelve: an evergreen
	// RingMonth is the month on whose first day an evergreen's new ring is
	// counted; 0: it is not counted. A deciduous tree forms it with its leaves.
	RingMonth int
}

// RingMonth is the month in which an evergreen's new ring is counted at a
// latitude: April in the north, October in the south; program default.
func RingMonth(latitudeDeg float64) int {
	if latitudeDeg < 0 {
		return 10
	}
	return 4
}

// out tells whether leaves are out on a date.
func (l Leaves) out(d civil.Date) bool {
	if len(l.Months) == 0 {
		return true
	}
	for _, m := range l.Months {
		if m == int(d.Month) {
			return true
		}
	}
	return false
}

// LayDays lays out n consecutive days from a date as the sap's clock wants
// them, in moist soil: water and warmth of each, whether leaves are out, and on
// which days they come and fall. sun gives sunrise and sunset in hours of the
// clock; nil: zeros. missing is the first date that day does not know, else the
// zero date.
func LayDays(on civil.Date, n int, day func(civil.Date) (MeanDay, bool), leaves Leaves, sun func(civil.Date) (rise, set float64)) (days []sap.Day, missing civil.Date) {
	evergreen := len(leaves.Months)%12 == 0
	for i := range n {
		d := on.AddDays(i)
		t, ok := day(d)
		if !ok {
			return days, d
		}
		x := sap.Day{ET0Mm: math.Max(0, t.ET0Mm), Stress: 1, MeanC: t.MeanC, Leafless: !leaves.out(d)}
		if i > 0 {
			before := leaves.out(on.AddDays(i - 1))
			x.LeafOut, x.LeafFall = !before && leaves.out(d), before && !leaves.out(d)
			if evergreen && leaves.RingMonth > 0 {
				x.LeafOut = int(d.Month) == leaves.RingMonth && d.Day == 1
			}
		}
		if sun != nil {
			x.SunriseH, x.SunsetH = sun(d)
		}
		days = append(days, x)
	}
	return days, civil.Date{}
}

// SunOf returns sunrise and sunset of a site by date in hours of a zone's clock;
// zeros where the sun does neither, or where zone and longitude do not belong
// together. Without a longitude that of the zone's clock is taken.
func SunOf(site weather.Site, zone *time.Location) func(d civil.Date) (rise, set float64) {
	return func(d civil.Date) (rise, set float64) {
		lon := weather.ZoneLongitude(zone, d.Year)
		if site.LongitudeDeg != nil {
			lon = *site.LongitudeDeg
		}
		s := weather.SunTimesOn(weather.Date(d), zone, site.LatitudeDeg, lon)
		if s.PolarNight || s.MidnightSun {
			return 0, 0
		}
		begin := d.In(zone)
		rise, set = s.Rise.Sub(begin).Hours(), s.Set.Sub(begin).Hours()
		if rise < 0 || set > 24 || rise >= set {
			return 0, 0
		}
		return rise, set
	}
}
