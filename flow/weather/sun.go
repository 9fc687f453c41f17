package weather

import (
	"math"
	"time"
)

// InverseDistance returns the inverse relative distance from earth to sun:
//
//	dr = 1 + 0.033 cos(2 pi J/365)   (Eq. 23)
//
// J is the number of the day in the year.
func InverseDistance(yearDay int) float64 {
	return 1 + 0.033*math.Cos(2*math.Pi*float64(yearDay)/365)
}

// Declination returns the sun's declination in rad:
//
//	delta = 0.409 sin(2 pi J/365 - 1.39)   (Eq. 24)
func Declination(yearDay int) float64 {
	return 0.409 * math.Sin(2*math.Pi*float64(yearDay)/365-1.39)
}

// SunsetAngle returns the sunset hour angle in rad:
//
//	omega_s = arccos(-tan(latitude) tan(declination))   (Eq. 25)
//
// It is 0 in the polar night and pi under the midnight sun.
func SunsetAngle(latitudeRad, declinationRad float64) float64 {
	return math.Acos(clamp(-math.Tan(latitudeRad)*math.Tan(declinationRad), -1, 1))
}

// DayLength returns the hours of daylight N = 24/pi omega_s (Eq. 34).
func DayLength(sunsetAngleRad float64) float64 { return 24 / math.Pi * sunsetAngleRad }

// ExtraterrestrialDaily returns the radiation outside the atmosphere on a
// horizontal surface in MJ m-2 d-1:
//
//	Ra = 24(60)/pi Gsc dr (omega_s sin(lat) sin(delta) + cos(lat) cos(delta) sin(omega_s))   (Eq. 21)
//
// It is 0 in the polar night.
func ExtraterrestrialDaily(latitudeRad float64, yearDay int) float64 {
	delta := Declination(yearDay)
	ws := SunsetAngle(latitudeRad, delta)
	ra := 24 * 60 / math.Pi * solarConstantMJM2Min * InverseDistance(yearDay) *
		(ws*math.Sin(latitudeRad)*math.Sin(delta) + math.Cos(latitudeRad)*math.Cos(delta)*math.Sin(ws))
	return math.Max(0, ra)
}

// SeasonalCorrection returns the seasonal correction of solar time in hours
// (Eq. 32 and 33).
func SeasonalCorrection(yearDay int) float64 {
	b := 2 * math.Pi * float64(yearDay-81) / 364
	return 0.1645*math.Sin(2*b) - 0.1255*math.Cos(b) - 0.025*math.Sin(b)
}

// SolarHourAngle returns the hour angle in rad of the sun at an instant, 0 at
// solar noon, from -pi to pi:
//
//	omega = pi/12 (t + 0.06667 (Lz - Lm) + Sc - 12)   (Eq. 31)
//
// The longitude is positive east of Greenwich; yearDay is that of the local date.
// The clock time t and its meridian Lz come from the instant's own location, so
// that summer time does no harm: the paper's rounding of 1/15 makes 0.2 s between
// two zones an hour apart, and nothing else does.
func SolarHourAngle(at time.Time, longitudeDeg float64, yearDay int) float64 {
	_, offset := at.Zone()
	h, m, s := at.Clock()
	clock := float64(h) + float64(m)/60 + (float64(s)+float64(at.Nanosecond())*1e-9)/3600
	east := longitudeDeg - 15*float64(offset)/3600
	return wrapAngle(math.Pi / 12 * (clock + hoursPerDegree*east + SeasonalCorrection(yearDay) - 12))
}

func wrapAngle(a float64) float64 {
	a = math.Mod(a+math.Pi, 2*math.Pi)
	if a < 0 {
		a += 2 * math.Pi
	}
	return a - math.Pi
}

// SunElevationSine returns the sine of the sun's height above the horizon at an
// hour angle in rad.
func SunElevationSine(latitudeRad, declinationRad, hourAngleRad float64) float64 {
	return math.Sin(latitudeRad)*math.Sin(declinationRad) + math.Cos(latitudeRad)*math.Cos(declinationRad)*math.Cos(hourAngleRad)
}

// ExtraterrestrialPeriod returns the radiation outside the atmosphere in MJ m-2
// over a period of up to 24 hours around the hour angle in rad (Eq. 28 to 30):
//
//	Ra = 12(60)/pi Gsc dr ((w2 - w1) sin(lat) sin(delta) + cos(lat) cos(delta)(sin(w2) - sin(w1)))
//
// Unlike Eq. 28 as printed it counts only the part of the period in which the
// sun is up, so that the hours of a day add up to Eq. 21 (ASCE-EWRI 2005, Eq. 56,
// does the same).
func ExtraterrestrialPeriod(latitudeRad float64, yearDay int, middleAngleRad, hours float64) float64 {
	delta := Declination(yearDay)
	s := math.Sin(latitudeRad) * math.Sin(delta)
	c := math.Cos(latitudeRad) * math.Cos(delta)
	sum := 0.0
	for _, p := range sunlit(SunsetAngle(latitudeRad, delta), middleAngleRad, hours) {
		sum += (p[1]-p[0])*s + c*(math.Sin(p[1])-math.Sin(p[0]))
	}
	return math.Max(0, 12*60/math.Pi*solarConstantMJM2Min*InverseDistance(yearDay)*sum)
}

// DaylightShare returns the share of a period during which the sun is up, 0 to 1.
func DaylightShare(latitudeRad float64, yearDay int, middleAngleRad, hours float64) float64 {
	if hours <= 0 {
		return 0
	}
	sum := 0.0
	for _, p := range sunlit(SunsetAngle(latitudeRad, Declination(yearDay)), middleAngleRad, hours) {
		sum += p[1] - p[0]
	}
	return clamp(sum/(math.Pi/12*hours), 0, 1)
}

// sunlit cuts a period to the intervals with the sun up. Yesterday's and
// tomorrow's sun count too, since a period may pass solar midnight.
func sunlit(ws, middle, hours float64) [][2]float64 {
	w1, w2 := middle-math.Pi*hours/24, middle+math.Pi*hours/24
	var out [][2]float64
	for k := -1; k <= 1; k++ {
		turn := 2 * math.Pi * float64(k)
		lo, hi := math.Max(w1, turn-ws), math.Min(w2, turn+ws)
		if hi > lo {
			out = append(out, [2]float64{lo, hi})
		}
	}
	return out
}

// SunTimes holds the sun's day at a place.
type SunTimes struct {
	Rise, Noon, Set time.Time
	DaylightH       float64
	PolarNight      bool
	MidnightSun     bool
}

// SunTimesOn returns sunrise, solar noon and sunset of a local date as instants
// in loc. In the polar night Rise and Set are solar noon; under the midnight sun
// they are 12 h before and after it. Refraction and the size of the disc are
// left out, as in FAO-56, so real sunrise is some minutes earlier.
func SunTimesOn(date Date, loc *time.Location, latitudeDeg, longitudeDeg float64) SunTimes {
	j := date.YearDay()
	ws := SunsetAngle(radians(latitudeDeg), Declination(j))
	noonH := 12 - longitudeDeg/15 - SeasonalCorrection(j)
	noon := date.utc().Add(hoursToDuration(noonH)).In(loc)
	for range 2 {
		switch local := DateOf(noon); {
		case local.Before(date):
			noon = noon.Add(24 * time.Hour)
		case date.Before(local):
			noon = noon.Add(-24 * time.Hour)
		}
	}
	half := hoursToDuration(12 / math.Pi * ws)
	return SunTimes{
		Rise: noon.Add(-half), Noon: noon, Set: noon.Add(half), DaylightH: DayLength(ws),
		PolarNight: ws == 0, MidnightSun: ws == math.Pi,
	}
}

func hoursToDuration(h float64) time.Duration {
	return time.Duration(math.Round(h * float64(time.Hour)))
}

// ZoneLongitude returns the longitude in degrees east of the middle of the time
// zone loc in a year: 15 times its standard offset in hours. Standard time is the
// smaller offset of 1 January and 1 July.
func ZoneLongitude(loc *time.Location, year int) float64 {
	_, a := time.Date(year, time.January, 1, 12, 0, 0, 0, loc).Zone()
	_, b := time.Date(year, time.July, 1, 12, 0, 0, 0, loc).Zone()
	lon := 15 * float64(min(a, b)) / 3600
	if lon > 180 {
		lon -= 360
	}
	return lon
}
