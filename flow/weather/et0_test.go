package weather

import (
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func drawDay(t *rapid.T) (Site, Day) {
	lo := rapid.Float64Range(-30, 40).Draw(t, "tmin")
	hi := lo + rapid.Float64Range(0, 19).Draw(t, "range")
	site := Site{
		LatitudeDeg: rapid.Float64Range(-90, 90).Draw(t, "lat"), ElevationM: new(rapid.Float64Range(-400, 5000).Draw(t, "z")),
		WindHeightM: rapid.Float64Range(1, 20).Draw(t, "height"),
	}
	day := Day{Date: Date{2026, time.January, 1}.Add(rapid.IntRange(0, 364).Draw(t, "day")), TminC: &lo, TmaxC: &hi}
	maybe := func(name string, lo, hi float64) *float64 {
		if rapid.Bool().Draw(t, name+"?") {
			return new(rapid.Float64Range(lo, hi).Draw(t, name))
		}
		return nil
	}
	day.RHMaxPct, day.RHMinPct, day.RHMeanPct = maybe("rhmax", 50, 100), maybe("rhmin", 0, 50), maybe("rhmean", 0, 100)
	day.TdewC, day.VapourKPa = maybe("tdew", -40, 40), maybe("ea", 0, 6)
	day.WindMS, day.SolarMJM2D, day.SunshineH = maybe("wind", 0, 20), maybe("rs", 0, 40), maybe("n", 0, 24)
	return site, day
}

// TestDaily_NeverBelowZero: whatever is missing, ET0 is finite, at least zero and
// at least the raw sum; every quantity has its route.
func TestDaily_NeverBelowZero(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		site, day := drawDay(t)
		ref := rapid.SampledFrom([]Reference{FAO56, ASCEShort, ASCETall}).Draw(t, "reference")
		r, err := Daily(site, day, Options{Reference: ref})
		if err != nil {
			t.Fatal(err)
		}
		if !(r.ET0MM >= 0) || math.IsInf(r.ET0MM, 0) || r.ET0MM < *r.RawMM {
			t.Fatalf("ET0 %v, raw %v", r.ET0MM, *r.RawMM)
		}
		if r.VPDKPa < 0 || r.RaMJM2D < 0 || r.DaylightH < 0 || r.DaylightH > 24 || *r.CloudFactor < 0.05 || *r.CloudFactor > 1 {
			t.Fatalf("out of bounds: %+v", r)
		}
		for _, prefix := range []string{"humidity.", "wind.", "radiation.", "soil_heat.", "et0."} {
			if !slices.ContainsFunc(r.Routes, func(s string) bool { return strings.HasPrefix(s, prefix) }) {
				t.Fatalf("no route for %s in %v", prefix, r.Routes)
			}
		}
		if _, err := json.Marshal(r); err != nil {
			t.Fatal(err)
		}
	})
}

// TestPenmanMonteith_Monotone: with the available energy held, ET0 grows with the
// deficit and with the energy. With wind it grows exactly when the air's demand
// exceeds the energy's: d/du2 of (a + b u)/(c + d u) has the sign of b c - a d.
func TestPenmanMonteith_Monotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		temp := rapid.Float64Range(-10, 45).Draw(t, "temp")
		delta, gamma := SaturationSlope(temp), PsychrometricConstant(rapid.Float64Range(55, 105).Draw(t, "p"))
		rn := rapid.Float64Range(0, 25).Draw(t, "rn")
		u := rapid.Float64Range(0.1, 10).Draw(t, "u")
		vpd := rapid.Float64Range(0, 5).Draw(t, "vpd")
		sum := func(rn, u, vpd float64) float64 {
			c := penmanMonteith(delta, gamma, rn, temp, u, vpd, 900, 0.34)
			return c.radiationMM + c.aerodynamicMM
		}
		at := sum(rn, u, vpd)
		if sum(rn, u, vpd+0.1) <= at {
			t.Fatal("not growing with the deficit")
		}
		if sum(rn+0.1, u, vpd) <= at {
			t.Fatal("not growing with the energy")
		}
		b, a := gamma*900/(temp+273)*vpd, 0.408*delta*rn
		slope := b*(delta+gamma) - a*gamma*0.34
		if change := sum(rn, u+0.01, vpd) - at; math.Abs(slope) > 1e-6 && (change > 0) != (slope > 0) {
			t.Fatalf("wind changes it by %g, theory says sign of %g", change, slope)
		}
	})
}

// TestASCE_ShortDailyIsFAO: by day the short surface has FAO-56's coefficients;
// the Stefan-Boltzmann constants differ in the fourth digit (4.901 and 4.903e-9),
// which moves Rnl by 4e-4 of itself.
func TestASCE_ShortDailyIsFAO(t *testing.T) {
	site, day := uccle()
	fao := daily(t, site, day, Options{})
	short := daily(t, site, day, Options{Reference: ASCEShort})
	tall := daily(t, site, day, Options{Reference: ASCETall})
	if got, want := *short.RnlMJM2D / *fao.RnlMJM2D, 4.901/4.903; math.Abs(got-want) > 1e-12 {
		t.Errorf("Rnl ratio %.12f, want %.12f", got, want)
	}
	if math.Abs(short.ET0MM-fao.ET0MM) > 5e-4 {
		t.Errorf("short %.6f, FAO-56 %.6f", short.ET0MM, fao.ET0MM)
	}
	if tall.ET0MM <= short.ET0MM {
		t.Errorf("tall %.4f not above short %.4f", tall.ET0MM, short.ET0MM)
	}
}

// TestDaily_Routes: each of the paper's routes, alone, with its equation worked
// in the test.
func TestDaily_Routes(t *testing.T) {
	site, base := lyon()
	e := SaturationPressure
	ra := ExtraterrestrialDaily(radians(45.72), 196)
	for _, c := range []struct {
		name  string
		set   func(*Site, *Day, *Options)
		route string
		got   func(DailyResult) float64
		want  float64
	}{
		{"vapour", func(_ *Site, d *Day, _ *Options) { d.VapourKPa = new(1.2); d.TdewC = new(3.0) }, RouteHumidityVapour, func(r DailyResult) float64 { return r.EaKPa }, 1.2},
		{"dew point", func(_ *Site, d *Day, _ *Options) { d.TdewC = new(11.0); d.RHMaxPct = new(50.0) }, RouteHumidityDewPoint, func(r DailyResult) float64 { return r.EaKPa }, e(11)},
		{"psychrometer", func(_ *Site, d *Day, _ *Options) { d.TdryC, d.TwetC = new(20.0), new(15.0) }, RouteHumidityWetBulb, func(r DailyResult) float64 { return r.EaKPa }, e(15) - 0.000662*Pressure(200)*5},
		{"rh extremes", func(_ *Site, d *Day, _ *Options) { d.RHMaxPct, d.RHMinPct = new(90.0), new(40.0) }, RouteHumidityExtremes, func(r DailyResult) float64 { return r.EaKPa }, (e(14.8)*.9 + e(26.6)*.4) / 2},
		{"rh max", func(_ *Site, d *Day, _ *Options) { d.RHMaxPct, d.RHMeanPct = new(90.0), new(40.0) }, RouteHumidityMax, func(r DailyResult) float64 { return r.EaKPa }, e(14.8) * .9},
		{"rh mean", func(_ *Site, d *Day, _ *Options) { d.RHMeanPct = new(60.0) }, RouteHumidityMean, func(r DailyResult) float64 { return r.EaKPa }, .6 * (e(14.8) + e(26.6)) / 2},
		{"tmin", func(_ *Site, _ *Day, o *Options) { o.DewPointOffsetC = 2 }, RouteHumidityTmin, func(r DailyResult) float64 { return r.EaKPa }, e(12.8)},
		{"saturation", func(_ *Site, d *Day, _ *Options) { d.VapourKPa = new(9.0) }, RouteHumidityLimited, func(r DailyResult) float64 { return r.VPDKPa }, 0},
		{"wind default", func(*Site, *Day, *Options) {}, RouteWindDefault, func(r DailyResult) float64 { return r.U2MS }, 2},
		{"wind 2 m", func(_ *Site, d *Day, _ *Options) { d.WindMS = new(3.0) }, RouteWind2M, func(r DailyResult) float64 { return r.U2MS }, 3},
		{"wind 10 m", func(s *Site, d *Day, _ *Options) { s.WindHeightM = 10; d.WindMS = new(3.0) }, RouteWindConverted, func(r DailyResult) float64 { return r.U2MS }, 3 * 4.87 / math.Log(672.58)},
		{"wind floor", func(_ *Site, d *Day, o *Options) { d.WindMS = new(0.0); o.WindFloorMS = 0.5 }, RouteWindFloor, func(r DailyResult) float64 { return r.U2MS }, 0.5},
		{"solar", func(_ *Site, d *Day, _ *Options) { d.SolarMJM2D = new(20.0) }, RouteSolarMeasured, func(r DailyResult) float64 { return r.RsMJM2D }, 20},
		{"sunshine", func(_ *Site, d *Day, _ *Options) { d.SunshineH = new(0.0) }, RouteSolarSunshine, func(r DailyResult) float64 { return r.RsMJM2D }, .25 * ra},
		{"regional", func(_ *Site, _ *Day, o *Options) { o.RegionalRatio = 0.6 }, RouteSolarRegional, func(r DailyResult) float64 { return r.RsMJM2D }, .6 * ra},
		{"island", func(_ *Site, _ *Day, o *Options) { o.Island = true }, RouteSolarIsland, func(r DailyResult) float64 { return r.RsMJM2D }, .7*ra - 4},
		{"coast", func(_ *Site, _ *Day, o *Options) { o.Coastal = true }, RouteSolarTemperature, func(r DailyResult) float64 { return r.RsMJM2D }, .19 * math.Sqrt(11.8) * ra},
		{"clear sky", func(_ *Site, d *Day, _ *Options) { d.TmaxC = new(44.8) }, RouteSolarLimited, func(r DailyResult) float64 { return r.RsMJM2D }, (.75 + 2e-5*200) * ra},
		{"angstrom", func(_ *Site, _ *Day, o *Options) { o.AngstromA, o.AngstromB = .2, .6 }, RouteClearSkyCalibrated, func(r DailyResult) float64 { return *r.RsoMJM2D }, .8 * ra},
		{"months", func(_ *Site, d *Day, _ *Options) { d.MonthBeforeC, d.MonthAfterC = new(18.0), new(21.0) }, RouteSoilHeatMonthBoth, func(r DailyResult) float64 { return *r.GMJM2D }, .21},
		{"month", func(_ *Site, d *Day, _ *Options) { d.MonthBeforeC = new(18.0) }, RouteSoilHeatMonthBefore, func(r DailyResult) float64 { return *r.GMJM2D }, .14 * 2.7},
		{"soil given", func(_ *Site, d *Day, _ *Options) { d.SoilHeatMJM2 = new(1.5) }, RouteSoilHeatGiven, func(r DailyResult) float64 { return *r.GMJM2D }, 1.5},
		{"hargreaves", func(_ *Site, _ *Day, o *Options) { o.Hargreaves = true }, RouteHargreaves, func(r DailyResult) float64 { return r.ET0MM }, .0023 * 38.5 * math.Sqrt(11.8) * .408 * ra},
		{"no elevation", func(s *Site, _ *Day, _ *Options) { s.ElevationM = nil }, RouteElevationMissing, func(r DailyResult) float64 { return r.ET0MM }, .0023 * 38.5 * math.Sqrt(11.8) * .408 * ra},
		{"mean only", func(_ *Site, d *Day, _ *Options) {
			d.TminC, d.TmaxC, d.TmeanC, d.SolarMJM2D = nil, nil, new(20.0), new(20.0)
		}, RouteTemperatureMeanOnly, func(r DailyResult) float64 { return r.EsKPa }, e(20)},
		{"overcast", func(_ *Site, d *Day, _ *Options) { d.SolarMJM2D = new(1.0) }, RouteLongwaveLimited, func(r DailyResult) float64 { return *r.CloudFactor }, .05},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, d, o := site, base, Options{}
			c.set(&s, &d, &o)
			r := daily(t, s, d, o)
			if !slices.Contains(r.Routes, c.route) {
				t.Errorf("route %s not in %v", c.route, r.Routes)
			}
			if got := c.got(r); math.Abs(got-c.want) > 1e-12*math.Max(1, math.Abs(c.want)) {
				t.Errorf("%.12g, want %.12g", got, c.want)
			}
		})
	}
}

func TestDaily_Refuses(t *testing.T) {
	site, base := lyon()
	for _, c := range []struct {
		name, code string
		set        func(*Site, *Day, *Options)
	}{
		{"no temperature", CodeMissing, func(_ *Site, d *Day, _ *Options) { d.TminC = nil }},
		{"mean without radiation", CodeMissing, func(_ *Site, d *Day, _ *Options) { d.TminC, d.TmaxC, d.TmeanC = nil, nil, new(20.0) }},
		{"minimum above maximum", CodeTemperatureOrder, func(_ *Site, d *Day, _ *Options) { d.TminC = new(30.0) }},
		{"latitude", CodeOutOfRange, func(s *Site, _ *Day, _ *Options) { s.LatitudeDeg = 91 }},
		{"not a number", CodeNotFinite, func(_ *Site, d *Day, _ *Options) { d.WindMS = new(math.NaN()) }},
		{"reference", CodeUnknownReference, func(_ *Site, _ *Day, o *Options) { o.Reference = "wheat" }},
		{"date", CodeDateInvalid, func(_ *Site, d *Day, _ *Options) { d.Date = Date{2026, time.February, 30} }},
		{"kelvin", CodeOutOfRange, func(_ *Site, d *Day, _ *Options) { d.TmaxC = new(299.0) }},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, d, o := site, base, Options{}
			c.set(&s, &d, &o)
			_, err := Daily(s, d, o)
			ps, ok := err.(Problems)
			if !ok || !slices.ContainsFunc(ps, func(p Problem) bool { return p.Code == c.code }) {
				t.Errorf("error %v, want %s", err, c.code)
			}
		})
	}
}

// TestHourly_Periods: two half hours of the same weather make the hour's ET0 to
// 1 %: the sun's course bends within the hour only in Rs/Rso.
func TestHourly_Periods(t *testing.T) {
	site, hour := ndiaye(14, 38, 52, 3.3, 2.45)
	whole := hourly(t, site, hour, Options{}).ET0MM
	sum := 0.0
	for k := range 2 {
		half := hour
		half.Start, half.HoursH, half.SolarMJM2 = hour.Start.Add(time.Duration(k)*30*time.Minute), 0.5, new(2.45/2)
		sum += hourly(t, site, half, Options{}).ET0MM
	}
	if math.Abs(sum/whole-1) > 0.01 {
		t.Errorf("two halves %.5f, whole %.5f", sum, whole)
	}
}

// TestHourly_NeverBelowZero over latitudes, seasons, clocks and missing values.
func TestHourly_NeverBelowZero(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		temp := rapid.Float64Range(-40, 45).Draw(t, "temp")
		h := Hour{
			Start: time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(rapid.IntRange(0, 365*24).Draw(t, "hour")) * time.Hour),
			TempC: &temp, RHPct: new(rapid.Float64Range(0, 100).Draw(t, "rh")), WindMS: new(rapid.Float64Range(0, 15).Draw(t, "wind")),
		}
		if rapid.Bool().Draw(t, "solar?") {
			h.SolarMJM2 = new(rapid.Float64Range(0, 4).Draw(t, "solar"))
		} else {
			h.DayTminC, h.DayTmaxC = new(temp-4), new(temp+4)
		}
		site := Site{LatitudeDeg: rapid.Float64Range(-90, 90).Draw(t, "lat"), LongitudeDeg: new(rapid.Float64Range(-180, 180).Draw(t, "lon")), ElevationM: new(100.0)}
		r, err := Hourly(site, h, Options{Reference: rapid.SampledFrom([]Reference{"", ASCEShort, ASCETall}).Draw(t, "reference")})
		if err != nil {
			t.Fatal(err)
		}
		if !(r.ET0MM >= 0) || math.IsInf(r.ET0MM, 0) || r.VPDKPa < 0 || r.RaMJM2H < 0 || r.RsMJM2H < 0 {
			t.Fatalf("%+v", r)
		}
		if _, err := json.Marshal(r); err != nil {
			t.Fatal(err)
		}
	})
}

// TestResult_JSON: names a reader of the paper will look for.
func TestResult_JSON(t *testing.T) {
	site, day := uccle()
	b, err := json.Marshal(daily(t, site, day, Options{}))
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{`"date":"2015-07-06"`, `"delta_kpa_c"`, `"gamma_kpa_c"`, `"ra_mj_m2_d"`, `"rso_mj_m2_d"`, `"rnl_mj_m2_d"`, `"vpd_kpa"`, `"u2_ms"`, `"et0_mm"`, `"routes":["pressure.elevation","wind.height_converted"`} {
		if !strings.Contains(string(b), name) {
			t.Errorf("%s not in %s", name, b)
		}
	}
}

// TestWindAt2M: nothing is converted at 2 m; at 10 m the factor of FAO-56 Annex 2
// Table 2.9 is 0.748 (from memory), half a unit of the last digit.
func TestWindAt2M(t *testing.T) {
	if WindAt2M(3, 2) != 3 {
		t.Error("wind at 2 m was changed")
	}
	if got := WindAt2M(1, 10); math.Abs(got-0.748) > 0.0005 {
		t.Errorf("%.5f", got)
	}
}

// TestDaily_PolarNight: no sun to measure clouds by, so the assumed ratio serves
// (1.35 x 0.6 - 0.35 = 0.46), and the negative sum gives zero and says so.
func TestDaily_PolarNight(t *testing.T) {
	site := Site{LatitudeDeg: 75, ElevationM: new(10.0)}
	day := Day{Date: Date{2026, time.December, 21}, TminC: new(-12.0), TmaxC: new(-8.0), RHMeanPct: new(100.0), WindMS: new(1.0), SolarMJM2D: new(0.0)}
	r := daily(t, site, day, Options{})
	if math.Abs(*r.CloudFactor-0.46) > 1e-12 || r.RsRso != nil || !slices.Contains(r.Routes, RouteLongwaveAssumed) {
		t.Errorf("cloud factor %g, %v", *r.CloudFactor, r.Routes)
	}
	if r.ET0MM != 0 || *r.RawMM >= 0 || !slices.Contains(r.Routes, RouteNegativeToZero) {
		t.Errorf("ET0 %g, raw %g, %v", r.ET0MM, *r.RawMM, r.Routes)
	}
	h := hourly(t, Site{LatitudeDeg: 45, LongitudeDeg: new(0.0), ElevationM: new(10.0)}, Hour{
		Start: time.Date(2026, 6, 1, 1, 0, 0, 0, time.UTC), TempC: new(10.0), RHPct: new(100.0), SolarMJM2: new(0.0),
	}, Options{})
	if h.ET0MM != 0 || h.RawMMH >= 0 || !slices.Contains(h.Routes, RouteNegativeToZero) {
		t.Errorf("ET0 %g, raw %g, %v", h.ET0MM, h.RawMMH, h.Routes)
	}
}
