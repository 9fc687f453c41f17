package weather

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"
	"time"
)

func readCSV(t *testing.T, path string) [][]string {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

func number(t *testing.T, text string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func daily(t *testing.T, site Site, day Day, o Options) DailyResult {
	t.Helper()
	r, err := Daily(site, day, o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func hourly(t *testing.T, site Site, hour Hour, o Options) HourlyResult {
	t.Helper()
	r, err := Hourly(site, hour, o)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// bangkok is FAO-56 Example 17, April means, taken on day 105 of the year.
func bangkok() (Site, Day) {
	return Site{LatitudeDeg: 13.73, ElevationM: new(2.0)}, Day{
		Date: Date{2015, time.April, 15}, TmaxC: new(34.8), TminC: new(25.6), VapourKPa: new(2.85),
		WindMS: new(2.0), SunshineH: new(8.5), MonthBeforeC: new(29.2),
	}
}

// uccle is FAO-56 Example 18, 6 July.
func uccle() (Site, Day) {
	return Site{LatitudeDeg: 50.80, ElevationM: new(100.0), WindHeightM: 10}, Day{
		Date: Date{2015, time.July, 6}, TmaxC: new(21.5), TminC: new(12.3), RHMaxPct: new(84.0), RHMinPct: new(63.0),
		WindMS: new(10 / 3.6), SunshineH: new(9.25),
	}
}

// ndiaye is FAO-56 Example 19, 1 October. The example takes the zone of 15 W
// although Senegal keeps universal time.
func ndiaye(start int, temp, rh, wind, solar float64) (Site, Hour) {
	zone := time.FixedZone("15 W", -3600)
	return Site{LatitudeDeg: 16.2167, LongitudeDeg: new(-16.25), ElevationM: new(8.0)}, Hour{
		Start: time.Date(2015, time.October, 1, start, 0, 0, 0, zone), TempC: &temp, RHPct: &rh, WindMS: &wind,
		SolarMJM2: &solar, LowSunRatio: new(0.8),
	}
}

// lyon is FAO-56 Example 20, July, temperature only.
func lyon() (Site, Day) {
	return Site{LatitudeDeg: 45.72, ElevationM: new(200.0)}, Day{Date: Date{2015, time.July, 15}, TmaxC: new(26.6), TminC: new(14.8)}
}

// exampleSteps computes every step of the worked examples by this package. The
// examples before 17 go on from the printed, rounded value of the example before;
// the table's full-precision column does the same.
func exampleSteps(t *testing.T) map[string]float64 {
	s := map[string]float64{}
	s["1 evaporation depth"] = EvaporationEquivalent(0.8 * 15)
	s["2 P"] = Pressure(1800)
	s["2 gamma"] = PsychrometricConstant(81.8)
	s["3 e0(Tmax)"] = SaturationPressure(24.5)
	s["3 e0(Tmin)"] = SaturationPressure(15)
	s["3 es"] = DailySaturationPressure(15, 24.5)
	s["3 e0(Tmean)"] = SaturationPressure(19.75)
	s["4 P"] = Pressure(1200)
	s["4 e0(Twet)"] = SaturationPressure(19.5)
	s["4 ea"] = VapourFromPsychrometer(25.6, 19.5, 87.9, PsychrometerVentilated)
	s["5 e0(Tmin)"] = SaturationPressure(18)
	s["5 e0(Tmax)"] = SaturationPressure(25)
	s["5 ea (RHmax,RHmin)"] = VapourFromRHExtremes(18, 25, 54, 82)
	s["5 ea (RHmean)"] = VapourFromRHMean(18, 25, 68)
	s["6 es-ea"] = DailySaturationPressure(18, 25) - VapourFromRHExtremes(18, 25, 54, 82)
	s["7 lat Bangkok"] = radians(13 + 44.0/60)
	s["7 lat Rio"] = radians(-(22 + 54.0/60))

	south := radians(-20)
	ws := SunsetAngle(south, Declination(246))
	s["8 dr"], s["8 delta"], s["8 omega_s"] = InverseDistance(246), Declination(246), ws
	s["8 Ra"] = ExtraterrestrialDaily(south, 246)
	s["8 Ra mm/d"] = EvaporationEquivalent(ExtraterrestrialDaily(south, 246))
	s["9 N"] = DayLength(ws)

	rio := radians(-22.9)
	s["10 Ra"] = ExtraterrestrialDaily(rio, 135)
	s["10 N"] = DayLength(SunsetAngle(rio, Declination(135)))
	s["10 n"] = 220.0 / 31
	s["10 Rs"] = SolarFromSunshine(7.1, 10.9, 25.1, 0.25, 0.5)
	s["10 Rs mm/d"] = EvaporationEquivalent(s["10 Rs"])
	s["11 Rso"] = ClearSky(0, 25.1)
	l := netLongwave(sigmaDailyMJM2K4, 19.1, 25.1, 2.1, 14.5/18.8, 0)
	s["11 sigma Tmax^4"], s["11 sigma Tmin^4"], s["11 Rnl"] = l.sigmaMax, l.sigmaMin, l.net
	s["11 Rnl mm/d"] = EvaporationEquivalent(3.5)
	s["12 Rns"] = NetShortwave(14.5)
	s["12 Rn"] = 11.1 - 3.5
	s["12 Rn mm/d"] = EvaporationEquivalent(7.6)
	s["13 G month"] = SoilHeatMonthBoth(14.1, 18.8)
	s["13 G mm/d"] = EvaporationEquivalent(0.33)
	s["14 u2"] = WindAt2M(3.2, 10)
	s["15 Ra"] = ExtraterrestrialDaily(radians(45+43.0/60), 196)
	s["15 Rs"] = SolarFromTemperature(14.8, 26.6, 40.6, interiorKRs)
	s["15 Rs mm/d"] = EvaporationEquivalent(s["15 Rs"])
	s["16 Ra"] = ExtraterrestrialDaily(radians(13+44.0/60), 105)
	s["16 Rs"] = SolarFromTemperature(25.6, 34.8, 38.1, coastalKRs)
	s["16 Rso"] = ClearSky(0, 38.1)
	s["16 Rns"] = NetShortwave(s["16 Rs"])
	s["16 Rnl"] = netLongwave(sigmaDailyMJM2K4, 25.6, 34.8, 2.85, 21.9/28.5, 0).net
	s["16 Rn"] = 16.9 - 3.0

	site, day := bangkok()
	b := daily(t, site, day, Options{})
	for k, v := range map[string]float64{
		"Delta": b.DeltaKPaC, "P": *b.PressureKPa, "gamma": *b.GammaKPaC, "e0(Tmax)": b.ETmaxKPa, "e0(Tmin)": b.ETminKPa,
		"es": b.EsKPa, "es-ea": b.VPDKPa, "Ra": b.RaMJM2D, "N": b.DaylightH, "n/N": *b.SunshineShare, "Rs": b.RsMJM2D,
		"Rso": *b.RsoMJM2D, "Rs/Rso": *b.RsRso, "Rns": b.RnsMJM2D, "Rnl": *b.RnlMJM2D, "Rn": *b.RnMJM2D, "G": *b.GMJM2D,
		"Rn-G": *b.RnMinusGMJM2D, "ETo": b.ET0MM,
	} {
		s["17 "+k] = v
	}
	site, day = uccle()
	u := daily(t, site, day, Options{})
	for k, v := range map[string]float64{
		"u2": u.U2MS, "P": *u.PressureKPa, "Delta": u.DeltaKPaC, "gamma": *u.GammaKPaC, "1+0.34u2": *u.ResistanceTerm,
		"Delta/(Delta+gamma(1+.34u2))": *u.DeltaWeight, "gamma/(Delta+gamma(1+.34u2))": *u.GammaWeight,
		"900/(T+273)*u2": *u.WindFactor, "e0(Tmax)": u.ETmaxKPa, "e0(Tmin)": u.ETminKPa, "es": u.EsKPa, "ea": u.EaKPa,
		"es-ea": u.VPDKPa, "Ra": u.RaMJM2D, "N": u.DaylightH, "n/N": *u.SunshineShare, "Rs": u.RsMJM2D, "Rso": *u.RsoMJM2D,
		"Rs/Rso": *u.RsRso, "Rns": u.RnsMJM2D, "Rnl": *u.RnlMJM2D, "Rn": *u.RnMJM2D, "0.408Rn": *u.RnMM, "ETo": u.ET0MM,
	} {
		s["18 "+k] = v
	}
	for name, at := range map[string][5]float64{"02-03h": {2, 28, 90, 1.9, 0}, "14-15h": {14, 38, 52, 3.3, 2.45}} {
		site, hour := ndiaye(int(at[0]), at[1], at[2], at[3], at[4])
		h := hourly(t, site, hour, Options{})
		for k, v := range map[string]float64{
			"Delta": h.DeltaKPaC, "e0": h.EsKPa, "ea": h.EaKPa, "vpd": h.VPDKPa, "Rnl": h.RnlMJM2H, "Rns": h.RnsMJM2H,
			"Rn": h.RnMJM2H, "G": h.GMJM2H, "RnG": h.RnMinusGMJM2H, "ETo": h.ET0MM,
		} {
			s["19 "+k+" "+name] = v
		}
		if name == "14-15h" {
			s["19 Sc"], s["19 omega 14.5h"] = h.SeasonalCorrectionH, h.HourAngleRad
			s["19 Ra 14-15h"], s["19 Rso 14-15h"], s["19 Rs/Rso 14-15h"] = h.RaMJM2H, h.RsoMJM2H, *h.RsRso
		}
	}
	site, day = lyon()
	y := daily(t, site, day, Options{})
	for k, v := range map[string]float64{
		"ea=e0(Tmin)": y.EaKPa, "Ra": y.RaMJM2D, "Rs": y.RsMJM2D, "Delta": y.DeltaKPaC, "es": y.EsKPa, "es-ea": y.VPDKPa,
		"ETo Penman-Monteith": y.ET0MM, "ETo Hargreaves": *y.HargreavesMM,
	} {
		s["20 "+k] = v
	}
	return s
}

// TestFAO56_WorkedExamples holds every printed step of FAO-56 Examples 1 to 20
// against the table's tolerance to print, and against its independently computed
// full-precision value to 1e-6 relative (1e-9 absolute below 1e-3).
func TestFAO56_WorkedExamples(t *testing.T) {
	steps := exampleSteps(t)
	rows := readCSV(t, "../../check/03_fao56/worked_examples.csv")[1:]
	if len(rows) != 124 {
		t.Fatalf("table has %d rows, want 124", len(rows))
	}
	used := map[string]bool{}
	worstFull, worstPrint := 0.0, 0.0
	for _, r := range rows {
		key := r[0] + " " + r[1]
		got, ok := steps[key]
		if !ok || used[key] {
			t.Errorf("%s: no step of its own", key)
			continue
		}
		used[key] = true
		printed, full, tol := number(t, r[4]), number(t, r[5]), number(t, r[6])
		if d := math.Abs(got - printed); d > tol {
			t.Errorf("%s: %.6g, printed %g, off by %.2g > %g", key, got, printed, d, tol)
		} else {
			worstPrint = math.Max(worstPrint, d/tol)
		}
		d := math.Abs(got - full)
		if d > 1e-6*math.Abs(full)+1e-9 {
			t.Errorf("%s: %.10g, full precision %.10g, off by %.2g", key, got, full, d)
		}
		if full != 0 {
			worstFull = math.Max(worstFull, d/math.Abs(full))
		}
	}
	for k := range steps {
		if !used[k] {
			t.Errorf("%s: computed but not in the table", k)
		}
	}
	t.Logf("124 rows: largest relative deviation from full precision %.2g, from print %.2f of its tolerance", worstFull, worstPrint)
}

// TestRaDaylight_Table holds Ra and N from 70 N to 70 S, on the 15th of each
// month, to the table's computed values: 1e-6 (the last printed digit).
func TestRaDaylight_Table(t *testing.T) {
	rows := readCSV(t, "../../check/03_fao56/ra_daylight_table.csv")[1:]
	if len(rows) != 30 {
		t.Fatalf("table has %d rows, want 30", len(rows))
	}
	worst := 0.0
	for _, r := range rows {
		lat := radians(number(t, r[0]))
		for m := 1; m <= 12; m++ {
			j := Date{2015, time.Month(m), 15}.YearDay()
			got := DayLength(SunsetAngle(lat, Declination(j)))
			if r[1] == "Ra_MJ_m2_d" {
				got = ExtraterrestrialDaily(lat, j)
			}
			d := math.Abs(got - number(t, r[m+1]))
			worst = math.Max(worst, d)
			if d > 1e-6 {
				t.Errorf("%s at %s, month %d: %.6f, want %s", r[1], r[0], m, got, r[m+1])
			}
		}
	}
	t.Logf("360 values: largest deviation %.2g", worst)
}
