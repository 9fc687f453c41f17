package brief

import (
	"fmt"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"sapward/finding"
	"sapward/measure/civil"
	q "sapward/measure/quantity"
	"sapward/numeric/exact"
	"sapward/plan"
	"sapward/plan/crew"
	"sapward/plan/label"
)

// said lists faults as id:option:text, in their order.
func said(err error) []string {
	var out []string
	for _, f := range finding.AsFaults(err) {
		s := f.ID
		for _, k := range []string{"option", "text", "role", "count", "n"} {
			if v, ok := f.Args[k]; ok {
				s += ":" + v.Text
				if v.Text == "" {
					s += fmt.Sprint(v.Number)
				}
			}
		}
		if f.Where.File != "" {
			s += "@" + f.Where.File
		}
		out = append(out, s)
	}
	return out
}

// What each word of a brief becomes in the core's request.
func TestBrief_WordsToRequest(t *testing.T) {
	day := func(s string) civil.Date {
		d, err := civil.Parse(s)
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	plain := plan.Request{Basis: plan.ByFills, LevelName: "target", LimbShare: exact.Int(0).Quo(exact.Int(100))}
	for _, c := range []struct {
		name string
		in   Brief
		want func(*plan.Request)
	}{
		{"nothing", Brief{}, func(*plan.Request) {}},
		{"method and basis", Brief{Method: "infusion", Basis: "mean", Fills: 3}, func(r *plan.Request) { r.Method, r.Basis, r.FillCount = label.Infusion, plan.Basis("mean"), 3 }},
		{"level", Brief{Level: "3 mL/cm"}, func(r *plan.Request) { r.LevelName = "3 mL/cm" }},
		{"where", Brief{Site: "elm", Target: "vascular wilt", Territory: "DEMO"}, func(r *plan.Request) { r.Site, r.Target, r.Territory = "elm", "vascular wilt", "DEMO" }},
		{"days", Brief{On: "2026-06-03", HarvestFrom: "2026-09-01", CertificateTo: "2028-12-31"}, func(r *plan.Request) {
			r.On, r.HarvestFrom, r.CertificateUntil = day("2026-06-03"), day("2026-09-01"), day("2028-12-31")
		}},
		// 1.2 ha are 12,000 m2, exactly
		{"area", Brief{AreaHa: "1.2"}, func(r *plan.Request) { r.Area = q.Known(q.Of[q.AreaKind](exact.Int(12_000))) }},
		{"graduation", Brief{GraduationML: "0.5"}, func(r *plan.Request) { r.Graduation = q.Known(q.ML(exact.Frac(1, 2))) }},
		{"limb share", Brief{LimbShare: "20 %"}, func(r *plan.Request) { r.LimbShare = exact.Frac(1, 5) }},
		{"mark", Brief{MarkAzimuth: 359.5}, func(r *plan.Request) { r.MarkAzimuthDeg = 359.5 }},
		{"the rest", Brief{Bloom: "after", BlockTrees: 80, Seed: 7, Overrides: map[string]string{"x": "because"}}, func(r *plan.Request) {
			r.Bloom, r.BlockTrees, r.Seed, r.Overrides = plan.Bloom("after"), 80, 7, map[string]string{"x": "because"}
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			want := plain
			c.want(&want)
			got, err := c.in.Request()
			if err != nil {
				t.Fatal(err)
			}
			if fmt.Sprintf("%+v", got) != fmt.Sprintf("%+v", want) {
				t.Errorf("got  %+v\nwant %+v", got, want)
			}
		})
	}
}

// Every fault of a brief is reported at once, each with the option it is about.
func TestBrief_EveryFaultAtOnce(t *testing.T) {
	for _, c := range []struct {
		name string
		in   Brief
		want []string
	}{
		{"days", Brief{On: "3 June", HarvestFrom: "2026-02-30", CertificateTo: "x"}, []string{"option-date:--on:3 June", "option-date:--harvest-from:2026-02-30", "option-date:--certificate-valid-to:x"}},
		{"azimuth below", Brief{MarkAzimuth: -1}, []string{"option-azimuth"}},
		{"azimuth above", Brief{MarkAzimuth: 360}, []string{"option-azimuth"}},
		{"area of nothing", Brief{AreaHa: "0"}, []string{"option-number:--area_ha:0"}},
		{"area with a unit", Brief{AreaHa: "1.2 ha"}, []string{"option-number:--area_ha:1.2 ha"}},
		{"graduation", Brief{GraduationML: "half"}, []string{"option-number:--graduation_ml:half"}},
		{"all", Brief{On: "a", MarkAzimuth: 400, AreaHa: "b", GraduationML: "c", LimbShare: "20"},
			[]string{"option-date:--on:a", "option-azimuth", "option-number:--area_ha:b", "option-number:--graduation_ml:c", "unit-missing:20@--limb-share"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := c.in.Request()
			got := said(err)
			for i := range got { // the unit's own text differs with the quantity package
				if strings.HasPrefix(got[i], "unit-missing") {
					got[i] = "unit-missing:20@--limb-share"
				}
			}
			if !reflect.DeepEqual(got, c.want) {
				t.Errorf("got %q, want %q", got, c.want)
			}
			for _, f := range finding.AsFaults(err) {
				if f.Class != finding.Usage {
					t.Errorf("%s is of class %s", f.ID, f.Class)
				}
			}
		})
	}
}

// Any words give a request or faults of class Usage, never a panic, and the
// brief's own map is not touched.
func TestBrief_AnyWords(t *testing.T) {
	word := rapid.SampledFrom([]string{"", "1", "-1", "1e400", "NaN", "2026-06-03", "99999-01-01", "injection", "3 mL/cm", "20 %", "\x00", "½", "1,2"})
	rapid.Check(t, func(rt *rapid.T) {
		w := func(name string) string { return word.Draw(rt, name) }
		b := Brief{Method: w("method"), Basis: w("basis"), Level: w("level"), On: w("on"), AreaHa: w("area"), HarvestFrom: w("harvest"), CertificateTo: w("certificate"), LimbShare: w("share"), GraduationML: w("graduation"),
			MarkAzimuth: rapid.Float64().Draw(rt, "mark"), Overrides: map[string]string{"a": w("reason")}}
		_, err := b.Request()
		c := Crew{Count: rapid.IntRange(-5, 500).Draw(rt, "count"), Start: w("start"), End: w("end"), Zone: w("zone"), Parking: w("parking"), TankL: w("tank"), Climber: rapid.Bool().Draw(rt, "climber")}
		for range rapid.IntRange(0, 3).Draw(rt, "people") {
			c.People = append(c.People, Person{Role: w("role"), Climber: rapid.Bool().Draw(rt, "climbs")})
		}
		people, crewErr := c.Plan()
		for _, f := range append(finding.AsFaults(err), finding.AsFaults(crewErr)...) {
			if f.Class != finding.Usage {
				rt.Fatalf("%s is of class %s", f.ID, f.Class)
			}
		}
		if crewErr == nil && len(people.People) == 0 {
			rt.Fatal("a crew of nobody")
		}
	})
}

// What each word of a crew becomes.
func TestCrew_WordsToPlan(t *testing.T) {
	got, err := (Crew{}).Plan()
	if err != nil || len(got.People) != DefaultCrew || got.People[1].ID != "2" || got.Start != DefaultStart || got.End != DefaultEnd || got.Zone != time.UTC || got.Parking != nil || got.TankUL != 0 {
		t.Errorf("the usual crew: %+v %v", got, err)
	}
	got, err = Crew{Count: 3, Devices: 4, Delivery: "spring", Public: true, Start: "06:30", End: "13:00", Zone: "Europe/Madrid", Parking: " 3.5, -2 ", TankL: "0.1", Climber: true}.Plan()
	if err != nil {
		t.Fatal(err)
	}
	if len(got.People) != 3 || !got.People[0].Climber || got.People[0].AloftTrained || !got.People[1].AloftTrained || got.People[2].Climber {
		t.Errorf("people %+v", got.People)
	}
	// a tenth of a litre is 100,000 uL
	if *got.Parking != (crew.Point{XM: 3.5, YM: -2}) || got.TankUL != 100_000 || got.Zone.String() != "Europe/Madrid" || got.Devices != 4 || got.Delivery != crew.Spring || !got.Public {
		t.Errorf("%+v", got)
	}
	got, err = Crew{Count: 9, Climber: true, People: []Person{{Role: " Lead "}, {Role: "Climber", Climber: true}, {Role: "Second", Second: true}}}.Plan()
	if err != nil || len(got.People) != 3 || got.People[0] != (crew.Person{ID: "Lead"}) || got.People[1] != (crew.Person{ID: "Climber", Climber: true}) || got.People[2] != (crew.Person{ID: "Second", AloftTrained: true}) {
		t.Errorf("named: %+v %v", got.People, err)
	}
}

// Who may work aloft: one climber and another person trained for it.
func TestCrew_Aloft(t *testing.T) {
	for _, c := range []struct {
		in   Crew
		want bool
	}{
		{Crew{}, false}, {Crew{Climber: true}, true},
		{Crew{Climber: true, People: []Person{{Role: "a"}}}, false},
		{Crew{People: []Person{{Role: "a", Climber: true}}}, false},
		{Crew{People: []Person{{Role: "a", Climber: true, Second: true}}}, false},
		{Crew{People: []Person{{Role: "a", Climber: true}, {Role: "b", Second: true}}}, true},
		{Crew{People: []Person{{Role: "a", Climber: true}, {Role: "b", Climber: true}}}, true},
		{Crew{People: []Person{{Role: "a", Second: true}, {Role: "b", Second: true}}}, false},
	} {
		if got := c.in.Aloft(); got != c.want {
			t.Errorf("%+v: %v", c.in, got)
		}
	}
}

// Every fault of a crew at once.
func TestCrew_EveryFaultAtOnce(t *testing.T) {
	for _, c := range []struct {
		name string
		in   Crew
		want []string
	}{
		{"nobody", Crew{Count: -1}, []string{"crew-size:-1"}},
		{"too many", Crew{Count: maxCrew + 1}, []string{"crew-size:201"}},
		{"a climber alone", Crew{Count: 1, Climber: true}, []string{"crew-climber-alone"}},
		{"roles", Crew{People: []Person{{Role: "Lead"}, {Role: " "}, {Role: "lead"}}}, []string{"crew-role-empty:2", "crew-role-twice:lead"}},
		{"hours", Crew{Start: "16:00", End: "07:00"}, []string{"option-hours"}},
		{"all", Crew{Count: 999, Zone: "Local", Start: "12:00", End: "12:00", Parking: "3", TankL: "-1"}, []string{"crew-size:999", "option-zone:Local", "option-hours", "option-parking:3", "option-number:--tank_l:-1"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			if _, err := c.in.Plan(); !reflect.DeepEqual(said(err), c.want) {
				t.Errorf("got %q, want %q", said(err), c.want)
			}
		})
	}
}

// Effective levels and months as people write them.
func TestEffectiveLevel(t *testing.T) {
	for text, want := range map[string]string{"0.5 mg/L sap": "0.5 sap mg/L", " 2  MG/KG  Wood ": "2 wood mg/kg", "3 mg/kg hoja": "3 leaf mg/kg", "0,5 mg/l savia": "0.5 sap mg/L"} {
		l, err := EffectiveLevel(text, "the user")
		if err != nil || l == nil {
			t.Errorf("%q: %v", text, err)
			continue
		}
		if got := fmt.Sprintf("%v %s", l.Value, l.Metric); got != want || l.Source != "the user" {
			t.Errorf("%q is read as %q, want %q", text, got, want)
		}
	}
	if l, err := EffectiveLevel("  ", ""); l != nil || err != nil {
		t.Error("nothing typed is not nothing")
	}
	for _, text := range []string{"0.5", "0.5 mg/L", "0.5 mg/L bark", "0.5 mg/kg sap", "0 mg/L sap", "-1 mg/L sap", "0.5 ppm sap", "0,5,1 mg/L sap", "a mg/L sap", "0.5 mg/L sap sap"} {
		if _, err := EffectiveLevel(text, ""); !reflect.DeepEqual(said(err), []string{"compare-effective:" + text}) {
			t.Errorf("%q: %q", text, said(err))
		}
	}
}

func TestMonths(t *testing.T) {
	for text, want := range map[string][]int{
		"4-10": {4, 5, 6, 7, 8, 9, 10}, "11-2": {1, 2, 11, 12}, "4,5,9": {4, 5, 9}, " 3 - 3 ": {3}, "5, 4-5": {4, 5}, "12-1,6": {1, 6, 12},
	} {
		if got, ok := Months(text); !ok || !reflect.DeepEqual(got, want) {
			t.Errorf("%q: %v %v", text, got, ok)
		}
	}
	for _, text := range []string{"", "0", "13", "4-", "-4", "4-13", "April", "4;5", "4,,5"} {
		if got, ok := Months(text); ok {
			t.Errorf("%q is read as %v", text, got)
		}
	}
}

// Prices in minor units: ISO 4217 gives the yen none and the Bahraini dinar
// three decimals (from memory).
func TestPrice(t *testing.T) {
	for _, c := range []struct {
		item, price, unit, currency string
		want                        crew.Price
		fault                       string
	}{
		{"product", "41.50", "L", "EUR", crew.Price{Item: crew.CostProduct, Minor: 4150, Per: 1_000_000}, ""},
		{"labour", "18", "h", "EUR", crew.Price{Item: crew.CostLabour, Minor: 1800, Per: 3600}, ""},
		{"labor", "18", "h", "USD", crew.Price{Item: crew.CostLabour, Minor: 1800, Per: 3600}, ""},
		{"bit", "3.25", "piece", "EUR", crew.Price{Item: "kit-bit", Minor: 325, Per: 1}, ""},
		{"kit-bit", "3", "piece", "JPY", crew.Price{Item: "kit-bit", Minor: 3, Per: 1}, ""},
		{"bit", "3.25", "piece", "JPY", crew.Price{}, "price-decimals"},
		{"bit", "3.255", "piece", "BHD", crew.Price{Item: "kit-bit", Minor: 3255, Per: 1}, ""},
		{"bit", "3.255", "piece", "EUR", crew.Price{}, "price-decimals"},
	} {
		v, ok := exact.Decimal(c.price)
		if !ok {
			t.Fatal(c.price)
		}
		got, fault := Price(c.item, v, c.unit, c.currency)
		if fault != nil && fault.ID != c.fault || fault == nil && (c.fault != "" || got != c.want) {
			t.Errorf("%s %s %s: %+v %v", c.item, c.price, c.currency, got, fault)
		}
	}
}
