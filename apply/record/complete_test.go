package record

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"

	"sapward/finding"
	q "sapward/measure/quantity"
)

// A record with everything meets every profile that has a list.
func TestComplete_FullRecord(t *testing.T) {
	ps, _ := Profiles()
	for _, p := range ps {
		c := world(t, p.ID)
		got := Complete(&c)
		if got.Complete == p.Unlisted {
			t.Errorf("%s: complete %v, gaps %v, %v", p.ID, got.Complete, got.Gaps, got.Findings)
		}
	}
	c := world(t)
	for _, it := range Items() {
		if it.Of(&c) != Recorded {
			t.Errorf("%s is not in the full record", it)
		}
	}
	if fs := Validate(&c, zones); len(refusing(fs)) > 0 {
		t.Error(fs)
	}
}

// Each item taken out of a full record is missing for exactly the profiles
// whose every way needs it; the slow oracle reads the profile's lists again.
func TestComplete_EachItemTakenOut(t *testing.T) {
	ps, _ := Profiles()
	for _, info := range items {
		path := strings.Split(strings.ReplaceAll(info.path, "[]", ""), ".")
		if info.item == "R09.point" {
			path = []string{"place", "lat"}
		}
		if info.item == "R15" {
			continue // method or equipment: tested below
		}
		for _, p := range ps {
			if p.Unlisted {
				continue
			}
			c := without(t, world(t, p.ID), path...)
			if info.item == "R09.point" {
				c.Place.Lon = Fact[Degree]{}
			}
			needed := false
			for _, a := range p.Asks {
				every := true
				for _, list := range a.Any {
					every = every && slices.Contains(list, info.item)
				}
				needed = needed || every
			}
			got := Complete(&c)
			has := slices.ContainsFunc(got.Gaps, func(g Gap) bool { return g.Items[0] == info.item && g.Path == info.path })
			// Without the area a spot application cannot be judged, and the number
			// of a person without a name is nobody's.
			if has != needed && !(strings.HasPrefix(string(info.item), "R16") || strings.HasPrefix(string(info.item), "R18") || strings.HasPrefix(string(info.item), "R19")) {
				t.Errorf("%s without %s: missing %v, want %v: %v", p.ID, info.item, has, needed, got.Gaps)
			}
			if info.item.Of(&c) != NotRecorded {
				t.Errorf("%s taken out is %v", info.item, info.item.Of(&c))
			}
		}
	}
}

// The union: what two profiles ask for together, one gap for what both ask.
func TestComplete_Union(t *testing.T) {
	c := without(t, without(t, world(t, "us-tx", "eu-2023-564"), "site", "code"), "products", "rate")
	got := Complete(&c)
	var said []string
	for _, g := range got.Gaps {
		said = append(said, string(g.Items[0])+" "+strings.Join(g.Profiles, "+"))
	}
	if want := []string{"R05 us-tx+eu-2023-564", "R12.code eu-2023-564"}; !slices.Equal(said, want) {
		t.Errorf("gaps %v, want %v", said, want)
	}
}

// Nothing written down is never nothing: wind that nobody measured is missing
// where asked, and stays so beside a wind of zero that was measured.
func TestNotRecorded_IsNotZero(t *testing.T) {
	c := world(t, "us-mn")
	c.Weather.WindSpeed = Fact[WindSpeed]{}
	if got := Complete(&c); got.Complete || got.Gaps[0].Path != "weather.wind_speed" {
		t.Errorf("%+v", got)
	}
	zero, _ := Dec("0")
	c.Weather.WindSpeed = Is(WindSpeed{zero, "m/s"})
	if !Complete(&c).Complete {
		t.Error("a measured calm is not taken")
	}
	c.Weather.WindSpeed = DoesNotApply[WindSpeed]("nobody looked")
	got := Complete(&c)
	if got.Complete || got.Gaps[0].Finding.ID != "record-none-not-enough" {
		t.Errorf("a reason stands for the weather: %+v", got.Gaps)
	}
	data, _ := marshal(Content{})
	if string(data) != "{}" {
		t.Errorf("an empty record says %s", data)
	}
}

// Conditions, each by hand.
func TestConditions(t *testing.T) {
	gap := func(c Content, it Item) string {
		for _, g := range Complete(&c).Gaps {
			if g.Items[0] == it {
				return g.Finding.ID
			}
		}
		return ""
	}
	c := without(t, world(t, "eu-2023-564"), "stage")
	if got := gap(c, "R13"); got != "record-missing" {
		t.Errorf("stage restricted: %q", got)
	}
	c.Law.StageRestricted = Is(false)
	if got := gap(c, "R13"); got != "" {
		t.Errorf("no stage on the card: %q", got)
	}
	c.Law.StageRestricted = Fact[bool]{}
	if got := gap(c, "R13"); got != "record-missing-if" {
		t.Errorf("nobody said: %q", got)
	}
	c.Stage = DoesNotApply[string]("the card names no stage")
	if got := gap(c, "R13"); got != "" {
		t.Errorf("declared: %q", got)
	}

	c = without(t, world(t, "eu-2023-564"), "work", "start")
	c.Law.HoursRestricted = Is(false)
	if got := gap(c, "R08.start"); got != "" {
		t.Errorf("no hours on the card: %q", got)
	}
	c.Law.HoursRestricted = Is(true)
	if got := gap(c, "R08.start"); got != "record-missing" {
		t.Errorf("hours on the card: %q", got)
	}

	c = without(t, world(t, "us-tx"), "weather", "wind_speed")
	c.Work.TypeOfUse = Is(Enclosed)
	if got := gap(c, "R20.wind_speed"); got != "" {
		t.Errorf("indoors: %q", got)
	}

	c = world(t, "us-40cfr171")
	c.People.Appliers = DoesNotApply[[]Person]("the certified applicator alone")
	if !Complete(&c).Complete {
		t.Error("nobody else applied, and it is missing")
	}
	c.People.Appliers = Fact[[]Person]{}
	if got := gap(c, "R17"); got != "record-missing-if" {
		t.Errorf("who applied: %q", got)
	}

	c = world(t, "us-40cfr171")
	c.Law.RestrictedUse = Is(false)
	c.People = People{}
	if got := Complete(&c); !got.Complete || len(got.Asked) != 0 {
		t.Errorf("not restricted: %+v", got)
	}
	c.Law.RestrictedUse = Fact[bool]{}
	if got := Complete(&c); got.Complete || len(got.Gaps) == 0 {
		t.Error("nobody said whether the use is restricted, and nothing is asked")
	}
}

// A spot application stays below one tenth of an acre, 404.68564224 m2, over
// the day, and is not for nurseries and greenhouses.
func TestSpotApplication(t *testing.T) {
	for _, x := range []struct {
		area       string
		greenhouse Fact[bool]
		total      Fact[bool]
		id         string
	}{
		{"404.68564223 m2", Is(false), Is(true), ""},
		{"404.68564224 m2", Is(false), Is(true), "record-spot-refused"},
		{"404.9 m2", Is(false), Is(true), "record-spot-refused"}, // below 405 m2, not below a tenth of an acre
		{"0.1 ac", Is(false), Is(true), "record-spot-refused"},
		{"0.0999 ac", Is(false), Is(true), ""},
		{"300 m2", Is(true), Is(true), "record-spot-refused"},
		{"300 m2", Fact[bool]{}, Is(true), "record-profile-open"},
		{"300 m2", Is(false), Fact[bool]{}, "record-profile-open"},
		{"300 m2", Is(false), Is(false), "record-spot-refused"},
		{"", Is(false), Is(true), "record-profile-open"},
	} {
		c := world(t, "us-7cfr110-spot")
		c.Area = Fact[Measure[q.AreaKind]]{}
		if x.area != "" {
			m, fault := MeasureOf[q.AreaKind](x.area)
			if fault != nil {
				t.Fatal(fault)
			}
			c.Area = Is(m)
		}
		c.Work.Greenhouse, c.Law.DayAreaTotal = x.greenhouse, x.total
		got := Complete(&c)
		id := ""
		for _, f := range got.Findings {
			if f.Severity == finding.Refused || f.Severity == finding.Open {
				id = f.ID
			}
		}
		if id != x.id || got.Complete != (x.id == "") {
			t.Errorf("%q: %q, want %q", x.area, id, x.id)
		}
	}
}

// A text rescinded before the work, or not yet in force, is said and still
// asks.
func TestProfile_NotInForce(t *testing.T) {
	for _, x := range []struct {
		profile, date string
		warns         bool
	}{{"us-7cfr110", "2025-07-10", false}, {"us-7cfr110", "2025-07-11", true}, {"eu-2023-564", "2025-12-31", true}, {"eu-2023-564", "2026-01-01", false}} {
		c := world(t, x.profile)
		d := day(x.date)
		c.Work.Date = Is(Days{d, d})
		got := Complete(&c)
		warns := slices.ContainsFunc(got.Findings, func(f finding.Finding) bool { return f.ID == "record-profile-not-in-force" })
		if warns != x.warns || len(got.Asked) != 1 {
			t.Errorf("%s on %s: warns %v", x.profile, x.date, warns)
		}
	}
}

// Persons only where somebody asks.
func TestPersonal(t *testing.T) {
	c := world(t)
	for _, x := range []struct {
		regimes string
		want    string
	}{
		{"us-stat-min", "R09.address"},
		{"us-7cfr110", "R16 R16.number"},
		{"us-40cfr171", "R09.address R16 R16.number R17 R18 R18.address"},
		{"us-md", "R09.address R16 R16.address R17"},
		{"us-ny", "R09.address R09.postcode"},
		{"eu-1107-67", ""},
		{"us-7cfr110 us-ny", "R09.address R09.postcode R16 R16.number"},
		{"us-ca-operator", "R16 R17 R18 R23.operator"},
		{"", ""},
	} {
		ids := strings.Fields(x.regimes)
		var asked []string
		for _, f := range Personal(&c, ids) {
			if len(f.AskedBy) > 0 {
				asked = append(asked, string(f.Item))
			}
		}
		if got := strings.Join(asked, " "); got != x.want {
			t.Errorf("%s: %s, want %s", x.regimes, got, x.want)
		}
		out, err := ForRegimes(&c, ids)
		if err != nil {
			t.Fatal(err)
		}
		var left []string
		for _, f := range items {
			if f.personal && f.state(&out) == Recorded {
				left = append(left, string(f.item))
			}
		}
		if got := strings.Join(left, " "); got != x.want {
			t.Errorf("%s: the export holds %s, want %s", x.regimes, got, x.want)
		}
	}
	data, _ := marshal(must(ForRegimes(&c, []string{"eu-2023-564", "us-mn"})))
	if strings.Contains(string(data), "Crew member") {
		t.Error("a name of the crew is in an export that does not need it")
	}
	if len(c.People.Appliers.Value) != 1 {
		t.Error("the caller's content was changed")
	}
}

// The three states of a fact survive JSON; a reason must be given.
func TestFact_JSON(t *testing.T) {
	for _, s := range []string{`null`, `"x"`, `{"none":"because"}`} {
		var f Fact[string]
		if err := json.Unmarshal([]byte(s), &f); err != nil {
			t.Fatal(err)
		}
		if back, _ := marshal(f); string(back) != s {
			t.Errorf("%s reads back as %s", s, back)
		}
	}
	var f Fact[string]
	if json.Unmarshal([]byte(`{"none":" "}`), &f) == nil {
		t.Error("no reason is taken")
	}
	var d Fact[Decimal]
	for in, want := range map[string]string{`0`: `0`, `"0"`: `0`, `12.50`: `12.5`, `"12,5"`: `12.5`} {
		if err := json.Unmarshal([]byte(in), &d); err != nil {
			t.Errorf("%s: %v", in, err)
		}
		if back, _ := marshal(d); string(back) != want {
			t.Errorf("%s reads back as %s, want %s", in, back, want)
		}
	}
}
