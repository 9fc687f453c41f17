package weather

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// integratedRa is the slow oracle of Ra: the sine of the sun's height, where
// positive, summed over small steps of the hour angle.
func integratedRa(lat float64, j int, from, to float64) float64 {
	const n = 20000
	d := Declination(j)
	step := (to - from) / n
	sum := 0.0
	for i := range n {
		sum += math.Max(0, SunElevationSine(lat, d, from+(float64(i)+0.5)*step))
	}
	return 12 * 60 / math.Pi * 0.0820 * InverseDistance(j) * sum * step
}

// TestExtraterrestrial_EqualsIntegral: tolerance 2e-5 MJ m-2 d-1 (a midpoint sum
// of 20,000 steps with two kinks).
func TestExtraterrestrial_EqualsIntegral(t *testing.T) {
	worst := 0.0
	for lat := -90.0; lat <= 90; lat += 7.5 {
		for j := 1; j <= 365; j += 26 {
			phi := radians(lat)
			d := math.Abs(ExtraterrestrialDaily(phi, j) - integratedRa(phi, j, -math.Pi, math.Pi))
			worst = math.Max(worst, d)
			if d > 2e-5 {
				t.Errorf("latitude %g, day %d: off by %.2g", lat, j, d)
			}
		}
	}
	t.Logf("largest deviation %.2g MJ m-2 d-1", worst)
}

// TestExtraterrestrialPeriod_EqualsIntegral also passes solar midnight and the
// days on which the sun hardly sets.
func TestExtraterrestrialPeriod_EqualsIntegral(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		phi := radians(rapid.Float64Range(-90, 90).Draw(t, "lat"))
		j := rapid.IntRange(1, 366).Draw(t, "day")
		w := rapid.Float64Range(-math.Pi, math.Pi).Draw(t, "angle")
		h := rapid.Float64Range(0.25, 3).Draw(t, "hours")
		got := ExtraterrestrialPeriod(phi, j, w, h)
		want := integratedRa(phi, j, w-math.Pi*h/24, w+math.Pi*h/24)
		if math.Abs(got-want) > 1e-5 {
			t.Fatalf("%.8f, integral %.8f", got, want)
		}
	})
}

// TestExtraterrestrialPeriod_HoursAddUp: 24 hours make the day, at any latitude,
// to 1e-9.
func TestExtraterrestrialPeriod_HoursAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		phi := radians(rapid.Float64Range(-90, 90).Draw(t, "lat"))
		j := rapid.IntRange(1, 366).Draw(t, "day")
		start := rapid.Float64Range(-math.Pi, math.Pi).Draw(t, "start")
		ra, up := 0.0, 0.0
		for k := range 24 {
			w := wrapAngle(start + math.Pi/12*(float64(k)+0.5))
			ra += ExtraterrestrialPeriod(phi, j, w, 1)
			up += DaylightShare(phi, j, w, 1)
		}
		if want := ExtraterrestrialDaily(phi, j); math.Abs(ra-want) > 1e-9 {
			t.Fatalf("hours add up to %.12f, day is %.12f", ra, want)
		}
		if want := DayLength(SunsetAngle(phi, Declination(j))); math.Abs(up-want) > 1e-9 {
			t.Fatalf("daylight adds up to %.12f h, day has %.12f h", up, want)
		}
	})
}

// TestSun_Symmetry: the day at +latitude and the night at -latitude make 24 h;
// and with the declination turned round, both hemispheres have the same day.
func TestSun_Symmetry(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		phi := radians(rapid.Float64Range(-89.9, 89.9).Draw(t, "lat"))
		j := rapid.IntRange(1, 366).Draw(t, "day")
		d := Declination(j)
		if s := DayLength(SunsetAngle(phi, d)) + DayLength(SunsetAngle(-phi, d)); math.Abs(s-24) > 1e-9 {
			t.Fatalf("north and south make %.12f h", s)
		}
		if a, b := SunsetAngle(phi, d), SunsetAngle(-phi, -d); math.Abs(a-b) > 1e-12 {
			t.Fatalf("sunset angle %v in one hemisphere, %v in the other", a, b)
		}
	})
}

// TestRa_Hemispheres: two days half a year apart with opposite declination, one
// in each hemisphere, differ only by the sun's distance: dividing Ra by dr makes
// them equal. Day 80.71 has no declination by Eq. 24, so J and J + 182.5 mirror;
// whole days leave 1 % (half a day of declination).
func TestRa_Hemispheres(t *testing.T) {
	for lat := 0.0; lat <= 50; lat += 10 {
		for j := 5; j < 180; j += 25 {
			north := ExtraterrestrialDaily(radians(lat), j) / InverseDistance(j)
			south := ExtraterrestrialDaily(radians(-lat), j+182) / InverseDistance(j+182)
			if math.Abs(north/south-1) > 0.01 {
				t.Errorf("latitude %g, day %d: %.4f north, %.4f south half a year on", lat, j, north, south)
			}
		}
	}
}

// TestSun_PolarDays: expected by geometry.
func TestSun_PolarDays(t *testing.T) {
	for _, c := range []struct {
		lat   float64
		date  Date
		hours float64
	}{
		{70, Date{2026, time.December, 21}, 0}, {70, Date{2026, time.June, 21}, 24},
		{-70, Date{2026, time.June, 21}, 0}, {-70, Date{2026, time.December, 21}, 24},
		{90, Date{2026, time.June, 21}, 24}, {-90, Date{2026, time.June, 21}, 0},
	} {
		sun := SunTimesOn(c.date, time.UTC, c.lat, 0)
		if sun.DaylightH != c.hours || sun.PolarNight != (c.hours == 0) || sun.MidnightSun != (c.hours == 24) {
			t.Errorf("latitude %g on %v: %+v, want %g h", c.lat, c.date, sun, c.hours)
		}
		if ra := ExtraterrestrialDaily(radians(c.lat), c.date.YearDay()); (ra == 0) != (c.hours == 0) {
			t.Errorf("latitude %g on %v: Ra %g with %g h of sun", c.lat, c.date, ra, c.hours)
		}
		day := Day{Date: c.date, TminC: new(-20.0), TmaxC: new(-12.0)}
		r, err := Daily(Site{LatitudeDeg: c.lat, ElevationM: new(10.0)}, day, Options{})
		if err != nil || math.IsNaN(r.ET0MM) || r.ET0MM < 0 {
			t.Errorf("latitude %g on %v: ET0 %v, %v", c.lat, c.date, r.ET0MM, err)
		}
	}
}

// TestSunTimesOn: solar noon lies on the local date asked for, half way between
// rise and set, and the hour angle there is zero. Angle tolerance 1e-3 rad: the
// paper's 0.06667 in place of 1/15 costs up to 2e-4.
func TestSunTimesOn(t *testing.T) {
	zones := []struct {
		name string
		lon  float64
	}{{"Europe/Madrid", -3.7}, {"America/New_York", -74}, {"Pacific/Apia", -171.8}, {"Pacific/Auckland", 174.8}, {"Asia/Kolkata", 77.2}, {"Asia/Urumqi", 87.6}, {"America/Adak", 173}, {"Pacific/Kiritimati", -157.4}}
	for _, z := range zones {
		loc := zone(t, z.name)
		for d := (Date{2026, time.January, 1}); d.Year == 2026; d = d.Add(9) {
			sun := SunTimesOn(d, loc, 30, z.lon)
			if DateOf(sun.Noon) != d {
				t.Fatalf("%s: noon of %v is on %v", z.name, d, sun.Noon)
			}
			if w := SolarHourAngle(sun.Noon, z.lon, d.YearDay()); math.Abs(w) > 1e-3 {
				t.Fatalf("%s on %v: hour angle at noon %g", z.name, d, w)
			}
			if gap := sun.Noon.Sub(sun.Rise) - sun.Set.Sub(sun.Noon); gap.Abs() > time.Second {
				t.Fatalf("%s on %v: not symmetric by %v", z.name, d, gap)
			}
		}
	}
}

// TestSolarHourAngle_SummerTime: one instant told by different clocks is the same
// sun, to 3e-5 rad (0.4 s).
func TestSolarHourAngle_SummerTime(t *testing.T) {
	at := time.Date(2026, time.July, 1, 15, 30, 0, 0, zone(t, "America/New_York"))
	a := SolarHourAngle(at, -74, 182)
	for _, other := range []*time.Location{time.FixedZone("standard", -5*3600), time.FixedZone("next", -6*3600)} {
		if b := SolarHourAngle(at.In(other), -74, 182); math.Abs(a-b) > 3e-5 {
			t.Errorf("%v: %g, was %g", other, b, a)
		}
	}
}

func TestZoneLongitude(t *testing.T) {
	for name, want := range map[string]float64{"America/New_York": -75, "Europe/Dublin": 0, "Australia/Sydney": 150, "Pacific/Apia": -165, "Asia/Kolkata": 82.5, "Pacific/Auckland": 180, "Pacific/Kiritimati": -150} {
		if got := ZoneLongitude(zone(t, name), 2026); got != want {
			t.Errorf("%s: %g, want %g", name, got, want)
		}
	}
}

func zone(t *testing.T, name string) *time.Location {
	t.Helper()
	loc, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return loc
}
