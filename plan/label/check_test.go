package label

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"sapward/finding"
	"sapward/measure/civil"
	q "sapward/measure/quantity"
	"sapward/numeric/exact"
)

func cm(n int64) q.Opt[q.Length] { return q.Known(q.New[q.LengthKind](n, "cm")) }

func span[K q.Kind](low, high int64, unit string) q.Opt[q.Range[K]] {
	return q.Known(q.Range[K]{Low: q.New[K](low, unit), High: q.New[K](high, unit)})
}

func date(s string) civil.Date {
	d, err := civil.Parse(s)
	if err != nil {
		panic(err)
	}
	return d
}

// invented is a complete card of an invented product with one injection.
func invented() Card {
	return Card{
		Product: Product{
			Name: "Invented Product B", Invented: true, RestrictedStated: true, AgriculturalStated: true,
			Registration: Registration{Number: "DEMO-0002", Territory: []string{"DEMO", "US"}, Valid: civil.Period{From: date("2026-01-01"), To: date("2030-12-31")}},
			Density:      q.Known(q.New[q.DensityKind](1100, "g/L")),
			Actives:      []Active{{Name: "invented active b", Content: q.Known(q.New[q.DensityKind](200, "g/L"))}},
		},
		Verified: Verified{EnteredBy: "adviser", EnteredOn: date("2026-02-01"), CheckedBy: "crew lead", CheckedOn: date("2026-02-03")},
		Uses: []Use{{
			Method: Injection, Sites: []Site{{Name: "elm", Code: "1ULMG", FoodStated: true}}, Targets: []string{"wilt"},
			Tree: TreeRule{Min: cm(10), Max: cm(60)},
			Rate: q.Known(Rate{Per: PerDiameter, Low: exact.Int(2), High: exact.Int(3)}),
			Ports: PortRule{Spacing: span[q.LengthKind](10, 16, "cm"), Volume: span[q.VolumeKind](2, 20, "mL"),
				Hole: q.Known(q.New[q.LengthKind](6, "mm"))},
			Reentry: Reentry{Stated: true, None: true}, Harvest: Harvest{Stated: true, NotFood: true},
		}},
	}
}

func with(change func(c *Card)) Card {
	c := invented()
	change(&c)
	return c
}

func use(change func(u *Use)) Card { return with(func(c *Card) { change(&c.Uses[0]) }) }

func rate(change func(r *Rate)) Card { return use(func(u *Use) { change(&u.Rate.Value) }) }

// said writes findings as severity id ref.
func said(fs []finding.Finding) string {
	var out []string
	for _, f := range fs {
		out = append(out, fmt.Sprintf("%s %s %s", f.Severity, f.ID, f.Ref))
	}
	return strings.Join(out, "; ")
}

// TestCheck gives each rule of the card one card that breaks it and no other.
func TestCheck(t *testing.T) {
	infusion := func(u *Use) {
		u.Method = Infusion
		u.Dilution = q.Known(Dilution{MixPer: span[q.VolumePerLengthKind](1, 1, "L/cm"), Concentration: span[q.VolumePerVolumeKind](2, 4, "mL/L").Value})
	}
	for _, c := range []struct {
		name string
		card Card
		want string
	}{
		{"complete", invented(), ""},
		{"E01 number", with(func(c *Card) { c.Product.Registration.Number = " " }), "refused card-registration-missing product.registration.number"},
		{"E01 territory", with(func(c *Card) { c.Product.Registration.Territory = nil }), "refused card-territory-missing product.registration.territory"},
		{"name", with(func(c *Card) { c.Product.Name = "" }), "refused card-name-missing product.name"},
		{"validity backwards", with(func(c *Card) { c.Product.Registration.Valid.To = date("2025-01-01") }), "refused card-valid-backwards product.registration.valid"},
		{"no actives", with(func(c *Card) { c.Product.Actives = nil }), "refused card-active-missing product.active"},
		{"no uses", with(func(c *Card) { c.Uses = nil }), "refused card-no-uses uses"},
		{"restricted unsaid", with(func(c *Card) { c.Product.RestrictedStated = false }), "note card-restricted-unsaid product.restricted_use"},
		{"E05 content", with(func(c *Card) { c.Product.Actives[0].Content.Known = false; c.Uses[0].Rate.Value.Active = true }), "refused card-content-missing uses[0].rate"},
		{"E05 density", with(func(c *Card) {
			c.Product.Actives[0] = Active{Name: "a", Share: q.Known(q.New[q.MassFractionKind](200, "g/kg"))}
			c.Product.Density.Known = false
			c.Uses[0].Rate.Value.Active = true
		}), "refused card-density-missing uses[0].rate"},
		{"E05 area cap", with(func(c *Card) {
			c.Product.Actives[0].Content.Known = false
			c.Uses[0].Limits.ActivePerArea = q.Known(q.New[q.MassPerAreaKind](4000, "g/ha"))
		}), "refused card-content-missing uses[0].limits.active_per_area"},
		{"content over density", with(func(c *Card) { c.Product.Actives[0].Content.Value = q.New[q.DensityKind](1200, "g/L") }), "refused card-content-impossible product.active[0].content"},
		{"share over one", with(func(c *Card) {
			c.Product.Actives[0] = Active{Share: q.Known(q.New[q.MassFractionKind](1001, "g/kg"))}
		}), "refused card-content-impossible product.active[0].content"},
		{"E07 rate", rate(func(r *Rate) { r.Low = exact.Int(4) }), "refused card-low-above-high uses[0].rate"},
		{"E07 tree", use(func(u *Use) { u.Tree.Min = cm(61) }), "refused card-low-above-high uses[0].tree.max"},
		{"E07 spacing", use(func(u *Use) { u.Ports.Spacing = span[q.LengthKind](16, 10, "cm") }), "refused card-low-above-high uses[0].ports.spacing"},
		{"E07 ports", use(func(u *Use) { u.Ports.Min, u.Ports.Max = 5, 4 }), "refused card-low-above-high uses[0].ports.max"},
		{"E07 density", use(func(u *Use) {
			u.Ports.DensityMin, u.Ports.DensityMax = q.Known(q.New[q.CountPerLengthKind](16, "/m")), q.Known(q.New[q.CountPerLengthKind](15, "/m"))
		}), "refused card-low-above-high uses[0].ports.density_max"},
		{"E07 wounds", use(func(u *Use) {
			u.Ports.WoundWarn, u.Ports.WoundMax = q.Known(q.New[q.PercentKind](25, "%")), q.Known(q.New[q.PercentKind](15, "%"))
		}), "refused card-low-above-high uses[0].ports.wound_max"},
		{"E07 temperature", use(func(u *Use) { u.Timing.Temperature = span[q.TemperatureKind](32, 8, "°C") }), "refused card-low-above-high uses[0].timing.temperature"},
		{"frost is a temperature", use(func(u *Use) { u.Timing.Temperature = span[q.TemperatureKind](-5, 0, "°C") }), ""},
		{"E08 rate zero", rate(func(r *Rate) { r.Low = exact.Int(0) }), "refused card-not-positive uses[0].rate"},
		{"E08 rate negative", rate(func(r *Rate) { r.Low, r.High = exact.Int(-2), exact.Int(-1) }), "refused card-not-positive uses[0].rate"},
		{"E08 hole", use(func(u *Use) { u.Ports.Hole.Value = q.New[q.LengthKind](0, "mm") }), "refused card-not-positive uses[0].ports.hole"},
		{"E08 interval", use(func(u *Use) { u.Limits.Interval = q.Known(q.New[q.DurationKind](-1, "d")) }), "refused card-not-positive uses[0].limits.interval"},
		{"E08 months", use(func(u *Use) { u.Timing.Months = []int{13} }), "refused card-month-unknown uses[0].timing.months[0]"},
		{"ground level is a height", use(func(u *Use) { u.Ports.Height = span[q.LengthKind](0, 50, "cm") }), ""},
		{"share over 100", use(func(u *Use) { u.Ports.WoundMax = q.Known(q.New[q.PercentKind](101, "%")) }), "refused card-share-over-100 uses[0].ports.wound_max"},
		{"E09 year under application", use(func(u *Use) {
			u.Limits.PerApplication, u.Limits.PerYear = q.Known(q.New[q.VolumeKind](100, "mL")), q.Known(q.New[q.VolumeKind](99, "mL"))
		}), "refused card-year-below-application uses[0].limits.per_year"},
		// 2 mL/cm at 10 cm is 20 mL, at 60 cm 120 mL.
		{"E09 under the least dose", use(func(u *Use) { u.Limits.PerYear = q.Known(q.New[q.VolumeKind](19, "mL")) }), "refused card-limit-below-dose uses[0].limits.per_year"},
		{"E09 at the least dose", use(func(u *Use) { u.Limits.PerYear = q.Known(q.New[q.VolumeKind](20, "mL")) }), "warning card-limit-cuts-dose uses[0].limits.per_year"},
		{"E09 just cuts", use(func(u *Use) { u.Limits.PerApplication = q.Known(q.New[q.VolumeKind](119, "mL")) }), "warning card-limit-cuts-dose uses[0].limits.per_application"},
		{"E09 all fit", use(func(u *Use) { u.Limits.PerYear = q.Known(q.New[q.VolumeKind](120, "mL")) }), ""},
		// 10 cm diameter has 31.4159... cm of girth.
		{"E11 no port", use(func(u *Use) { u.Ports.Spacing = span[q.LengthKind](32, 40, "cm") }), "refused card-no-port-at-smallest uses[0].ports.spacing"},
		{"E11 one port", use(func(u *Use) { u.Ports.Spacing = span[q.LengthKind](31, 40, "cm") }), ""},
		{"E11 density", use(func(u *Use) { u.Ports.DensityMax = q.Known(q.New[q.CountPerLengthKind](3, "/m")) }), "refused card-no-port-at-smallest uses[0].ports.density_max"},
		{"E11 density enough", use(func(u *Use) { u.Ports.DensityMax = q.Known(q.New[q.CountPerLengthKind](4, "/m")) }), ""},
		{"E12 food", use(func(u *Use) { u.Sites[0].Food, u.Harvest.Stated = true, false }), "refused card-food-without-phi uses[0].phi"},
		{"E12 food said", use(func(u *Use) { u.Sites[0].Food = true }), ""},
		{"food unsaid", use(func(u *Use) { u.Sites[0].FoodStated = false }), "open card-food-unsaid uses[0].sites[0].food"},
		{"E13 re-entry", with(func(c *Card) { c.Product.Agricultural = true; c.Uses[0].Reentry.Stated = false }), "refused card-reentry-missing uses[0].rei"},
		{"re-entry unsaid", with(func(c *Card) { c.Product.AgriculturalStated = false; c.Uses[0].Reentry.Stated = false }), "open card-reentry-unsaid uses[0].rei"},
		{"E14 method", use(func(u *Use) { u.Method = "spray" }), "refused card-method-unknown uses[0].method"},
		{"E15 nobody checked", with(func(c *Card) { c.Verified.CheckedBy = "" }), "warning card-practice-only verified"},
		{"E15 checked by the same", with(func(c *Card) { c.Verified.CheckedBy = "adviser" }), "warning card-same-person verified.checked_by"},
		{"checked too early", with(func(c *Card) { c.Verified.CheckedOn = date("2026-01-31") }), "warning card-checked-before-entered verified.checked_on"},
		{"W17 low", with(func(c *Card) {
			c.Product.Density.Value = q.New[q.DensityKind](699, "g/L")
		}), "warning card-density-unusual product.density"},
		{"W17 edge", with(func(c *Card) { c.Product.Density.Value = q.New[q.DensityKind](1600, "g/L") }), ""},
		{"W17 high", with(func(c *Card) { c.Product.Density.Value = q.New[q.DensityKind](1601, "g/L") }), "warning card-density-unusual product.density"},
		{"no rate", use(func(u *Use) { u.Rate.Known = false }), "refused card-rate-missing uses[0].rate"},
		{"no shape", rate(func(r *Rate) { r.Per = PerCanopyVolume }), "refused card-shape-missing uses[0].rate.shape"},
		{"infusion", use(infusion), ""},
		{"infusion without water", use(func(u *Use) { u.Method = Infusion }), "refused card-dilution-missing uses[0].dilution"},
		{"injection with water", use(func(u *Use) { infusion(u); u.Method = Injection }), "refused card-injection-diluted uses[0].dilution"},
		{"mix clashes with rate", use(func(u *Use) { infusion(u); u.Rate.Value.Low, u.Rate.Value.High = exact.Int(5), exact.Int(6) }), "refused card-mix-clash uses[0].dilution"},
		{"mix just meets rate", use(func(u *Use) { infusion(u); u.Rate.Value.Low, u.Rate.Value.High = exact.Int(4), exact.Int(6) }), ""},
		{"more product than mix", use(func(u *Use) {
			infusion(u)
			u.Dilution.Value.Concentration.High = q.New[q.VolumePerVolumeKind](1001, "mL/L")
		}), "refused card-concentration-over-1 uses[0].dilution.concentration"},
		{"no amount at all", use(func(u *Use) { infusion(u); u.Rate.Known = false; u.Dilution.Value.MixPer.Known = false }), "refused card-amount-missing uses[0].dilution"},
		{"season without start", use(func(u *Use) { u.Limits.Year = YearSeason }), "open card-season-start-missing uses[0].limits.season_starts"},
		{"statement without force", with(func(c *Card) { c.Statements = []Statement{{Text: "x"}} }), "refused card-force-unknown statements[0].force"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := said(Check(c.card)); got != c.want {
				t.Errorf("got  %s\nwant %s", got, c.want)
			}
		})
	}
}

func band(from, to, amount int64) Band {
	return Band{From: q.New[q.LengthKind](from, "cm"), To: q.New[q.LengthKind](to, "cm"), Low: exact.Int(amount), High: exact.Int(amount)}
}

func TestCheck_Bands(t *testing.T) {
	const b = "uses[0].rate.bands"
	for _, c := range []struct {
		name  string
		bands []Band
		want  string
	}{
		{"whole", []Band{band(10, 30, 20), band(30, 60, 40)}, ""},
		{"wider than the trees", []Band{band(5, 30, 20), band(30, 90, 40)}, ""},
		{"E06 gap", []Band{band(10, 30, 20), band(31, 60, 40)}, "refused card-band-gap " + b + "[1].from"},
		{"E06 overlap", []Band{band(10, 30, 20), band(29, 60, 40)}, "refused card-band-overlap " + b + "[1].from"},
		{"E06 empty row", []Band{band(10, 30, 20), band(30, 30, 30), band(30, 60, 40)}, "refused card-band-order " + b + "[1]; refused card-band-order " + b + "[2].from"},
		{"E06 lower edge", []Band{band(11, 30, 20), band(30, 60, 40)}, "refused card-band-edge " + b},
		{"E06 upper edge", []Band{band(10, 30, 20), band(30, 59, 40)}, "refused card-band-edge " + b},
		{"E06 nothing", nil, "refused card-band-edge " + b},
		{"E07", []Band{{From: q.New[q.LengthKind](10, "cm"), To: q.New[q.LengthKind](60, "cm"), Low: exact.Int(2), High: exact.Int(1)}}, "refused card-low-above-high " + b + "[0]"},
		{"E08", []Band{band(10, 60, 0)}, "refused card-not-positive " + b + "[0]"},
		{"falls", []Band{band(10, 30, 40), band(30, 60, 20)}, "warning card-band-falls " + b + "[1]"},
		{"W18", []Band{band(10, 20, 20), band(20, 40, 40), band(40, 60, 400)}, "warning card-rate-far-from-others " + b + "[2]"},
	} {
		card := rate(func(r *Rate) { *r = Rate{Per: PerBand, Single: true, Bands: c.bands} })
		if got := said(Check(card)); got != c.want {
			t.Errorf("%s: got %s, want %s", c.name, got, c.want)
		}
	}
	classes := rate(func(r *Rate) {
		*r = Rate{Per: PerTree, Classes: []Class{{"young", exact.Int(1), exact.Int(1)}, {"young", exact.Int(9), exact.Int(9)}}}
	})
	if got := said(Check(classes)); got != "refused card-class-twice uses[0].rate.classes[1].class" {
		t.Errorf("classes: %s", got)
	}
}

// TestCheck_Slips: W18 to W20 with amounts worked out by hand. Content is 0.2
// g/mL, so 0.4 g/cm is 2 mL/cm.
func TestCheck_Slips(t *testing.T) {
	type amount struct {
		per       Basis
		active    bool
		low, high string
	}
	d := func(low, high string) amount { return amount{PerDiameter, false, low, high} }
	far, inch, girth := "card-rate-far-from-others", "card-rate-inch-slip", "card-rate-girth-slip"
	for _, c := range []struct {
		name string
		uses []amount
		want string // id@use
	}{
		{"alike", []amount{d("2", "3"), d("2.2", "3.1"), d("1", "3")}, ""},
		{"W18 over three times", []amount{d("2", "3"), d("2", "3"), d("20", "30")}, far + "@2"},
		{"W18 at three times", []amount{d("2", "3"), d("2", "3"), d("5", "9")}, ""},
		{"W18 under a third", []amount{d("2", "3"), d("2", "3"), d("0.2", "0.3")}, far + "@2"},
		{"W19 inch as centimetre", []amount{d("2", "3"), d("5.08", "7.62")}, inch + "@1"},
		{"W19 one end only", []amount{d("2", "3"), d("4", "7.62")}, ""},
		{"W20 diameter as girth", []amount{d("2", "3"), d("6.283", "9.42")}, girth + "@1"},
		{"W20 same number per girth", []amount{d("2", "3"), {PerGirth, false, "2", "3"}}, girth + "@1"},
		{"girth rate that means the same", []amount{d("2", "3"), {PerGirth, false, "0.6366", "0.9549"}}, ""},
		{"active that means the same", []amount{d("2", "3"), {PerDiameter, true, "0.4", "0.6"}}, ""},
		{"W19 in active", []amount{d("2", "3"), {PerDiameter, true, "1.016", "1.524"}}, inch + "@1"},
		{"other bases are not compared", []amount{d("2", "3"), {PerBasalArea, false, "200", "300"}, {PerTree, false, "50", "60"}}, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			card := invented()
			first := card.Uses[0]
			card.Uses = nil
			for _, a := range c.uses {
				u := first
				low, _ := exact.Decimal(a.low)
				high, _ := exact.Decimal(a.high)
				u.Rate = q.Known(Rate{Per: a.per, Active: a.active, Low: low, High: high})
				card.Uses = append(card.Uses, u)
			}
			var got []string
			for _, f := range Check(card) {
				got = append(got, f.ID+"@"+strings.TrimSuffix(strings.TrimPrefix(f.Ref, "uses["), "].rate"))
			}
			if strings.Join(got, " ") != c.want {
				t.Errorf("got %v, want %s", got, c.want)
			}
		})
	}
}

func TestCheckOn(t *testing.T) {
	grace := invented()
	grace.Product.Registration.UseUpBy = date("2031-06-30")
	undated := invented()
	undated.Product.Registration.Valid = civil.Period{}
	for _, c := range []struct {
		card          Card
		on, territory string
		want          string
	}{
		{invented(), "2026-05-04", "DEMO", ""},
		{invented(), "2026-05-04", "demo", ""},
		{invented(), "2026-05-04", "US-MN", ""},
		{invented(), "2026-05-04", "", ""},
		{invented(), "", "DEMO", ""},
		{invented(), "2026-05-04", "USA", "refused card-wrong-territory product.registration.territory"},
		{invented(), "2026-05-04", "DE", "refused card-wrong-territory product.registration.territory"},
		{invented(), "2025-12-31", "", "refused card-not-yet-valid product.registration.valid"},
		{invented(), "2026-01-01", "", ""},
		{invented(), "2030-11-30", "", ""}, // 31 days left
		{invented(), "2030-12-01", "", "warning card-expires-soon product.registration.valid"},
		{invented(), "2030-12-31", "", "warning card-expires-soon product.registration.valid"},
		{invented(), "2031-01-01", "", "refused card-expired product.registration.valid"},
		{grace, "2030-12-15", "", ""},
		{grace, "2031-01-01", "", "note card-old-stock product.registration.use_up_by"},
		{grace, "2031-06-30", "", "warning card-expires-soon product.registration.use_up_by; note card-old-stock product.registration.use_up_by"},
		{grace, "2031-07-01", "", "refused card-expired product.registration.use_up_by"},
		{undated, "2026-05-04", "", "note card-validity-unsaid product.registration.valid"},
	} {
		var on civil.Date
		if c.on != "" {
			on = date(c.on)
		}
		if got := said(CheckOn(c.card, on, c.territory)); got != c.want {
			t.Errorf("%s in %q: got %s, want %s", c.on, c.territory, got, c.want)
		}
	}
}

func TestCheckSet(t *testing.T) {
	other := func(change func(c *Card)) []Card {
		c := invented()
		change(&c)
		return []Card{invented(), c}
	}
	const w16 = "warning card-same-number-other-rate uses[0].rate"
	for name, c := range map[string]struct {
		cards []Card
		want  string
	}{
		"the same twice":    {other(func(c *Card) {}), ""},
		"another rate":      {other(func(c *Card) { c.Uses[0].Rate.Value.High = exact.Int(4) }), w16},
		"number with space": {other(func(c *Card) { c.Product.Registration.Number = "demo - 0002"; c.Uses[0].Rate.Value.High = exact.Int(4) }), w16},
		"another number":    {other(func(c *Card) { c.Product.Registration.Number = "DEMO-3"; c.Uses[0].Rate.Value.High = exact.Int(4) }), ""},
		"a supplement":      {other(func(c *Card) { c.Product.Registration.Supplement = "L-1"; c.Uses[0].Rate.Value.High = exact.Int(4) }), ""},
		"another site":      {other(func(c *Card) { c.Uses[0].Sites = []Site{{Name: "ash"}}; c.Uses[0].Rate.Value.High = exact.Int(4) }), ""},
		"another target":    {other(func(c *Card) { c.Uses[0].Targets = []string{"borer"}; c.Uses[0].Rate.Value.High = exact.Int(4) }), ""},
		"another basis":     {other(func(c *Card) { c.Uses[0].Rate.Value.Per = PerGirth }), ""},
		"no number":         {[]Card{with(func(c *Card) { c.Product.Registration.Number = "" }), with(func(c *Card) { c.Product.Registration.Number = ""; c.Uses[0].Rate.Value.High = exact.Int(4) })}, ""},
	} {
		if got := said(CheckSet(c.cards)); got != c.want {
			t.Errorf("%s: got %s, want %s", name, got, c.want)
		}
	}
}

// TestCheck_LeastDose compares the least dose with floating point on random
// rates and sizes, and holds it to lie on the safe side where pi enters.
func TestCheck_LeastDose(t *testing.T) {
	worst := 0.0
	rapid.Check(t, func(rt *rapid.T) {
		milli := rapid.Int64Range(1, 1_000_000).Draw(rt, "rate in thousandths")
		tenths := rapid.Int64Range(1, 4000).Draw(rt, "diameter in mm")
		per := rapid.SampledFrom([]Basis{PerDiameter, PerGirth, PerBasalArea}).Draw(rt, "basis")
		active := rapid.Bool().Draw(rt, "active")
		c := &checker{card: invented()}
		got, ok := c.leastDose(Rate{Per: per, Active: active, Low: exact.Frac(milli, 1000)}, q.Known(q.New[q.LengthKind](tenths, "mm")))
		if !ok {
			rt.Fatal("no dose")
		}
		d, r := float64(tenths)/10, float64(milli)/1000
		want := map[Basis]float64{PerDiameter: r * d, PerGirth: r * d * math.Pi, PerBasalArea: r * math.Pi * d * d / 40_000}[per]
		if active {
			want /= 0.2
		}
		worst = max(worst, math.Abs(got.Float()/want-1))
		if math.Abs(got.Float()/want-1) > 1e-14 {
			rt.Fatalf("%g, want %g", got.Float(), want)
		}
	})
	t.Logf("largest relative deviation %.2g", worst)
}

func TestShown(t *testing.T) {
	half, _ := q.Parse[q.VolumePerLengthKind]("0.5 fl oz/in")
	acre, _ := q.Parse[q.MassPerAreaKind]("0.4 lb/ac")
	for got, want := range map[string]string{
		Shown(half):                                                 "5.82 mL/cm",
		Shown(acre):                                                 "448 g/ha", // 181.436948 g on 0.40468564224 ha is 448.34 g/ha
		Shown(q.New[q.LengthKind](6, "mm")):                         "6 mm",
		Shown(q.New[q.LengthKind](137, "cm")):                       "137 cm",
		Shown(q.New[q.DurationKind](330, "d")):                      "330 d",
		Shown(q.New[q.DurationKind](12, "h")):                       "12 h",
		Shown(q.New[q.VolumePerVolumeKind](4, "mL/L")):              "4 mL/L",
		Shown(q.New[q.CountPerLengthKind](16, "/m")):                "16/m",
		Shown(q.New[q.DensityKind](200, "g/L")):                     "200 g/L",
		Shown(q.New[q.LengthKind](0, "cm")):                         "0 cm",
		RateShown(PerCanopyVolume, false, exact.Frac(1, 1_000_000)): "1 mL/m3",
		RateShown(PerCanopyDiameter, false, exact.Frac(15, 100)):    "15 mL/m",
		RateShown(PerTree, true, exact.Frac(55, 100)):               "0.55 g",
		Figure(exact.Frac(2, 3)):                                    "0.667",
		Figure(exact.Frac(-123456, 1)):                              "-123456",
		Figure(exact.Frac(1, 30000)):                                "0.0000333",
	} {
		if got != want {
			t.Errorf("got %s, want %s", got, want)
		}
	}
}

// TestCheck_Quiet: checking changes nothing on the card and gives the same
// findings twice.
func TestCheck_Quiet(t *testing.T) {
	card := rate(func(r *Rate) {
		*r = Rate{Per: PerBand, Bands: []Band{band(30, 60, 20), band(10, 20, 40)}}
	})
	before := slices.Clone(card.Uses[0].Rate.Value.Bands)
	a, b := said(Check(card)), said(Check(card))
	if a == "" || a != b {
		t.Errorf("%s, then %s", a, b)
	}
	for i, x := range card.Uses[0].Rate.Value.Bands {
		if x.From.Cmp(before[i].From) != 0 {
			t.Error("the bands were reordered")
		}
	}
}
