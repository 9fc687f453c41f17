package quantity

import (
	"encoding/csv"
	"math/big"
	"os"
	"strings"
	"testing"

	"sapward/numeric/exact"
)

func rows(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open("../../check/13_units/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return all[1:]
}

// checkNames maps the unit names of factors.csv to a quantity written the way
// people write it and the SI value of the base unit, as a fraction.
var checkNames = map[string]struct {
	text string
	si   exact.Rat
}{
	"inch": {"1 in", exact.Frac(1, 100)}, "foot (international)": {"1 ft", exact.Frac(1, 100)}, "yard": {"1 yd", exact.Frac(1, 100)},
	"square inch": {"1 in2", exact.Int(1)}, "square foot": {"1 ft2", exact.Int(1)}, "acre (international foot)": {"1 ac", exact.Int(1)}, "hectare": {"1 ha", exact.Int(1)},
	"cubic foot": {"1 ft3", exact.Frac(1, 1_000_000)}, "US gallon": {"1 US gal", exact.Frac(1, 1_000_000)}, "US liquid quart": {"1 US qt", exact.Frac(1, 1_000_000)},
	"US liquid pint": {"1 US pt", exact.Frac(1, 1_000_000)}, "US fluid ounce": {"1 fl oz", exact.Frac(1, 1_000_000)},
	"imperial gallon": {"1 imp gal", exact.Frac(1, 1_000_000)}, "imperial pint": {"1 imp pt", exact.Frac(1, 1_000_000)}, "imperial fluid ounce": {"1 imp fl oz", exact.Frac(1, 1_000_000)},
	"pound (avoirdupois)": {"1 lb", exact.Frac(1, 1000)}, "ounce (avoirdupois)": {"1 oz av", exact.Frac(1, 1000)},
	"psi": {"1 psi", exact.Int(1000)}, "bar": {"1 bar", exact.Int(1000)},
	"oz(avdp)/US gal": {"1 oz av/US gal", exact.Int(1000)}, "lb/US gal": {"1 lb/US gal", exact.Int(1000)}, "lb/imperial gal": {"1 lb/imp gal", exact.Int(1000)},
	"US fl oz per inch": {"1 fl oz/in", exact.Frac(1, 10_000)}, "mL per inch": {"1 mL/in", exact.Frac(1, 10_000)}, "g per inch": {"1 g/in", exact.Frac(1, 10)},
	"lb/acre": {"1 lb/ac", exact.Frac(1, 1000)}, "US gal/acre": {"1 US gal/ac", exact.Frac(1, 1_000_000)},
}

// base parses a text as whatever kind accepts it.
func base(text string) (exact.Rat, bool) {
	if v, f := Parse[LengthKind](text); f == nil {
		return v.Base(), true
	}
	if v, f := Parse[AreaKind](text); f == nil {
		return v.Base(), true
	}
	if v, f := Parse[VolumeKind](text); f == nil {
		return v.Base(), true
	}
	if v, f := Parse[MassKind](text); f == nil {
		return v.Base(), true
	}
	if v, f := Parse[PressureKind](text); f == nil {
		return v.Base(), true
	}
	if v, f := Parse[DensityKind](text); f == nil {
		return v.Base(), true
	}
	if v, f := Parse[VolumePerLengthKind](text); f == nil {
		return v.Base(), true
	}
	if v, f := Parse[MassPerLengthKind](text); f == nil {
		return v.Base(), true
	}
	if v, f := Parse[MassPerAreaKind](text); f == nil {
		return v.Base(), true
	}
	if v, f := Parse[VolumePerAreaKind](text); f == nil {
		return v.Base(), true
	}
	return exact.Rat{}, false
}

// Check 13_units: every factor of a unit that Sapward reads, exactly.
func TestFactors_NISTSP811(t *testing.T) {
	seen := 0
	for _, row := range rows(t, "factors.csv") {
		c, ok := checkNames[row[0]]
		if !ok {
			continue
		}
		seen++
		want, good := new(big.Rat).SetString(row[3])
		if !good {
			t.Fatalf("%s: fraction %q", row[0], row[3])
		}
		got, ok := base(c.text)
		if !ok {
			t.Errorf("%s: %q is not read", row[0], c.text)
			continue
		}
		if got.Mul(c.si).Big().Cmp(want) != 0 {
			t.Errorf("%s: %v, want %v", row[0], got.Mul(c.si).Big(), want)
		}
	}
	if seen != len(checkNames) {
		t.Errorf("%d of %d units found in the check file", seen, len(checkNames))
	}
}

// Check 13_units: the temperature table, both ways.
func TestTemperatures(t *testing.T) {
	for _, row := range rows(t, "temperature.csv") {
		f, fault := Parse[TemperatureKind](row[0] + " °F")
		if fault != nil {
			t.Fatal(fault)
		}
		// The table cuts repeating decimals at 38 digits, one unit there is 1e-36.
		want, _ := new(big.Rat).SetString(row[1])
		diff := new(big.Rat).Sub(f.Base().Big(), want)
		if limit := big.NewRat(1, 1e18); diff.Abs(diff).Cmp(limit) > 0 {
			t.Errorf("%s °F = %v °C, want %s", row[0], f.Base().Float(), row[1])
		}
		back, _ := new(big.Rat).SetString(row[0])
		if f.In("°F").Big().Cmp(back) != 0 {
			t.Errorf("%s °F comes back as %v", row[0], f.In("°F"))
		}
	}
}

// Worked figures of check 13_units.
func TestWorked(t *testing.T) {
	close := func(name string, got exact.Rat, want string) {
		w, _ := new(big.Rat).SetString(want)
		d := new(big.Rat).Quo(got.Big(), w)
		d.Sub(d, big.NewRat(1, 1)).Abs(d)
		if d.Cmp(big.NewRat(1, 1_000_000_000_000)) > 0 {
			t.Errorf("%s: %v, want %s", name, got.Float(), want)
		}
	}
	rate, _ := Parse[VolumePerLengthKind]("4 mL/in")
	d, _ := Parse[LengthKind]("24 in")
	close("4 mL per inch at 24 in", rate.Base().Mul(d.Base()), "96")
	close("24 in", d.Base(), "60.96")
	mass, _ := Parse[MassPerLengthKind]("0.4 g/in")
	close("0.4 g per inch at 60.96 cm", mass.Base().Mul(d.Base()), "9.6")
	p, _ := Parse[PressureKind]("30 psi")
	close("30 psi", p.Base(), "206.842718795050840101680203360406720813")
	bar, _ := Parse[PressureKind]("2.5 bar")
	close("2.5 bar in psi", bar.In("psi"), "36.2594344325523037885602569877984941752")
	c, _ := Parse[DensityKind]("5.73 oz av/US gal")
	close("5.73 oz/gal", c.In("g/L"), "42.9128392828636050972889347353497856602")
	a, _ := Parse[AreaKind]("1 ac")
	close("1 acre", a.In("ha"), "0.40468564224")
}

// The convergents must lie on their own side of pi. The digits are those of
// the On-Line Encyclopedia of Integer Sequences, A000796.
func TestPi_BoundsLieOnTheirSides(t *testing.T) {
	pi, _ := new(big.Rat).SetString("3.14159265358979323846264338327950288419716939937510")
	if PiLow.Big().Cmp(pi) >= 0 {
		t.Error("PiLow is not below pi")
	}
	if PiHigh.Big().Cmp(pi) <= 0 {
		t.Error("PiHigh is not above pi")
	}
	gap, _ := new(big.Rat).Sub(PiHigh.Big(), PiLow.Big()).Float64()
	if gap > 3e-16 {
		t.Errorf("the bounds lie %g apart", gap)
	}
}

func TestParse_AsPeopleWrite(t *testing.T) {
	length := func(s string) string {
		v, f := Parse[LengthKind](s)
		if f != nil {
			return f.ID
		}
		return v.String()
	}
	for s, want := range map[string]string{
		"12.5 in": "31.75 cm", "12.5in": "31.75 cm", `12.5"`: "31.75 cm", "4.5 ft": "137.16 cm", "1,5 m": "150 cm", "0,125 m": "12.5 cm",
		"12,75 cm": "12.75 cm", "1.37\u00a0m": "137 cm", "−3 cm": "-3 cm", "1234,567 cm": "1234.567 cm",
		"1,234 cm": "number-comma", "1.234,5 cm": "number-grouped", "1,234.5 cm": "number-grouped", "1_000 cm": "number-grouped",
		"012 cm": "number-zeros", "1e3 cm": "number-unclear", "NaN cm": "number-unclear", "cm": "number-unclear", "": "quantity-empty", " ": "quantity-empty",
		"12": "unit-missing", "12 furlong": "unit-unknown", "12 mL": "unit-kind", "12 M": "unit-vague", "12 %": "unit-kind", "5 cm/m": "unit-kind",
	} {
		if got := length(s); got != want {
			t.Errorf("%q: %s, want %s", s, got, want)
		}
	}
	if _, f := Parse[VolumeKind]("3 oz"); f == nil || f.ID != "unit-vague" || !strings.Contains(f.Args["units"].Text, "imp fl oz") {
		t.Errorf("3 oz: %v", f)
	}
	if _, f := Parse[VolumeKind]("3 gal"); f == nil || f.ID != "unit-vague" {
		t.Errorf("3 gal: %v", f)
	}
	if _, f := Parse[DensityKind]("20 %"); f == nil || f.ID != "percent-basis" {
		t.Errorf("20 %%: %v", f)
	}
	if v, f := Parse[DensityKind]("20 % w/v"); f != nil || v.In("g/L").Cmp(exact.Int(200)) != 0 {
		t.Errorf("20 %% w/v: %v %v", v, f)
	}
	if v, f := Parse[MassFractionKind]("45.8 % w/w"); f != nil || v.Base().Cmp(exact.Frac(458, 1000)) != 0 {
		t.Errorf("45.8 %% w/w: %v %v", v, f)
	}
	if v, f := Parse[CountPerLengthKind]("16 /m"); f != nil || v.Base().Cmp(exact.Frac(16, 100)) != 0 {
		t.Errorf("16 /m: %v %v", v, f)
	}
	if v, f := Parse[CountPerLengthKind]("16 ports per m"); f != nil || v.Base().Cmp(exact.Frac(16, 100)) != 0 {
		t.Errorf("16 ports per m: %v %v", v, f)
	}
	if v, f := Parse[VolumePerVolumeKind]("2 mL/L"); f != nil || v.Base().Cmp(exact.Frac(2, 1000)) != 0 {
		t.Errorf("2 mL/L: %v %v", v, f)
	}
	if v, f := Parse[TemperatureKind]("32 °F"); f != nil || v.Sign() != 0 {
		t.Errorf("32 °F: %v %v", v, f)
	}
	for _, s := range []string{"8 °C", "8 Cel", "8 C", "8 degC"} {
		if v, f := Parse[TemperatureKind](s); f != nil || v.Base().Cmp(exact.Int(8)) != 0 {
			t.Errorf("%s: %v %v", s, v, f)
		}
	}
}

// The cap vector of the rules: 0.4 lb is 181.4 g; at 1.4 g an inch that is
// 129.6 inches; the source rounds to 128, the program must not.
func TestCap_IsExact(t *testing.T) {
	lb, _ := Parse[MassKind]("0.4 lb")
	per, _ := Parse[MassPerLengthKind]("1.4 g/in")
	inches := lb.Base().Quo(per.Base()).Quo(exact.Frac(254, 100))
	if inches.Cmp(exact.Frac(181436948, 1_400_000)) != 0 {
		t.Errorf("%v in", inches.Float())
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"1.2 mL/cm", "0.5 fl oz/in", "200 g/L", "32 °F", "%", "1 /", "\x00", "1,5 m"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		v, fault := Parse[VolumePerLengthKind](s)
		if fault == nil {
			again, fault := Parse[VolumePerLengthKind](v.String())
			if fault == nil && again.Cmp(v) != 0 {
				t.Errorf("%q: %v reads back as %v", s, v, again)
			}
		}
	})
}
