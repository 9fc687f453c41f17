package crew

import (
	"encoding/json"
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func number(v float64) *float64 { return &v }

// goodMorning is a day (invented) on which everything is in order.
func goodMorning() Facts {
	return Facts{
		On: time.Date(2026, 6, 3, 9, 0, 0, 0, zone), CardRegistration: "DEMO-0001", ContainerNumbers: []string{"DEMO-0001", "DEMO-0001"},
		RegistrationFrom: "2026-01-01", RegistrationTo: "2030-12-31", RestrictedUse: true, CertificateTo: "2026-06-03", PlanAllowed: Yes,
		LabelOnSite: Yes, Months: []int{5, 6, 7}, TemperatureC: number(22), CardMinC: number(8), CardMaxC: number(32), BloomRule: true,
		BloomAllows: Yes, SymptomRule: true, TreesChecked: true, GearAsked: []string{"gloves"}, GearPresent: []string{"gloves", "boots"},
		NoticesLaw: true, NoticesPosted: Yes, HighPorts: true, ClimberAndSecond: Yes, PowerLinesClear: Yes, WatcherNeeded: true,
		WatcherPresent: Yes, ServicesLocated: Yes, NoRainOrFog: Yes, FoliageOut: Yes, SoilMoist: Yes, DeficitKPa: number(1.2),
		CleanSharpBits: Yes, SpillKit: Yes, FirstAidKnown: Yes, TagsMatch: Yes, CrewBriefed: Yes,
	}
}

func decide(t *testing.T, f Facts) ([]Item, Verdict) {
	t.Helper()
	items, err := MakeGate(f)
	if err != nil {
		t.Fatal(err)
	}
	v, err := Decide(items)
	if err != nil {
		t.Fatal(err)
	}
	return items, v
}

func TestGate_Verdicts(t *testing.T) {
	for name, c := range map[string]struct {
		change  func(*Facts)
		outcome Outcome
		item    string // named in the verdict
	}{
		"all in order":               {func(*Facts) {}, Go, ""},
		"another product's number":   {func(f *Facts) { f.ContainerNumbers[1] = "DEMO-0002" }, NoGo, GateContainer},
		"container not read":         {func(f *Facts) { f.ContainerNumbers = nil }, Open, GateContainer},
		"certificate ended":          {func(f *Facts) { f.CertificateTo = "2026-06-02" }, NoGo, GateCertificate},
		"certificate not given":      {func(f *Facts) { f.CertificateTo = "" }, Open, GateCertificate},
		"certificate not asked for":  {func(f *Facts) { f.RestrictedUse, f.CertificateTo = false, "" }, Go, ""},
		"registration ended":         {func(f *Facts) { f.RegistrationTo = "2026-06-02" }, NoGo, GateRegistration},
		"too hot for the card":       {func(f *Facts) { f.TemperatureC = number(32.1) }, NoGo, GateTemperature},
		"at the card's limit":        {func(f *Facts) { f.TemperatureC = number(32) }, Go, ""},
		"temperature not read":       {func(f *Facts) { f.TemperatureC = nil }, Open, GateTemperature},
		"month":                      {func(f *Facts) { f.Months = []int{9} }, NoGo, GateMonth},
		"bloom":                      {func(f *Facts) { f.BloomAllows = No }, NoGo, GateBloom},
		"a tree over the crown loss": {func(f *Facts) { f.TreesOver = []string{"A7"} }, NoGo, GateSymptoms},
		"crowns not looked at":       {func(f *Facts) { f.TreesChecked = false }, Open, GateSymptoms},
		"gear missing":               {func(f *Facts) { f.GearPresent = []string{"boots"} }, NoGo, GateGear},
		"gear not laid out":          {func(f *Facts) { f.GearPresent = nil }, Open, GateGear},
		"no second person":           {func(f *Facts) { f.ClimberAndSecond = No }, NoGo, GateAloft},
		"services not located":       {func(f *Facts) { f.ServicesLocated = No }, NoGo, GateServices},
		"dry air":                    {func(f *Facts) { f.DeficitKPa = number(2.4) }, NoGo, GateDeficit},
		"notices, no law":            {func(f *Facts) { f.NoticesLaw, f.NoticesPosted = false, No }, NoGo, GateNotices},
		"heat, card silent":          {func(f *Facts) { f.CardMinC, f.CardMaxC, f.TemperatureC = nil, nil, number(33) }, NoGo, GateHeat},
		"plan not allowed":           {func(f *Facts) { f.PlanAllowed = No }, NoGo, GatePlan},
		"no and open: no":            {func(f *Facts) { f.PlanAllowed, f.SpillKit = No, "" }, NoGo, GateSpill},
	} {
		t.Run(name, func(t *testing.T) {
			f := goodMorning()
			c.change(&f)
			_, v := decide(t, f)
			if v.Outcome != c.outcome {
				t.Errorf("%+v", v)
			}
			named := slices.Concat(v.Against, v.Advised, v.Open)
			if c.item == "" && len(named) != 0 || c.item != "" && !slices.Contains(named, c.item) {
				t.Errorf("%+v does not name %s", v, c.item)
			}
		})
	}
}

func TestGate_NothingKnownIsOpen(t *testing.T) {
	items, v := decide(t, Facts{})
	if v.Outcome != Open || len(v.Open) != len(items) {
		t.Errorf("%+v", v)
	}
}

func TestGate_Override(t *testing.T) {
	f := goodMorning()
	f.ServicesLocated, f.BloomAllows = No, No
	items, v := decide(t, f)
	if !slices.Equal(v.Against, []string{GateBloom}) || !slices.Equal(v.Advised, []string{GateServices}) {
		t.Fatalf("%+v", v)
	}
	if _, err := Override(items, GateBloom, "only a few flowers"); err == nil {
		t.Error("a mandatory item was overridden")
	}
	if _, err := Override(items, GateServices, "  "); err == nil {
		t.Error("overridden without a reason")
	}
	if _, err := Override(items, "gate-none", "x"); err == nil {
		t.Error("an unknown item was overridden")
	}
	over, err := Override(items, GateServices, "no pipe on the plan of the estate")
	if err != nil {
		t.Fatal(err)
	}
	if v, _ = Decide(over); v.Outcome != NoGo || !slices.Equal(v.Overridden, []string{GateServices}) {
		t.Errorf("%+v", v)
	}
	if v, _ = Decide(items); len(v.Overridden) != 0 {
		t.Error("the caller's items were changed")
	}
	// A reason written on a mandatory item by other means changes nothing.
	for i := range over {
		over[i].Reason = "because"
	}
	if v, _ = Decide(over); v.Outcome != NoGo || !slices.Equal(v.Against, []string{GateBloom}) {
		t.Errorf("%+v", v)
	}
}

// Only label and law bind, and no answer of practice or estimate, overridden, ever turns a mandatory no into a go.
func TestGate_Properties(t *testing.T) {
	answers := rapid.SampledFrom([]Answer{Yes, No, Unanswered, ""})
	rapid.Check(t, func(t *rapid.T) {
		var items []Item
		for range rapid.IntRange(0, 8).Draw(t, "n") {
			by := rapid.SampledFrom([]Authority{Label, Law, Practice, Estimate}).Draw(t, "by")
			binding := by == Label || by == Law
			items = append(items, Item{ID: "x", Authority: by, Mandatory: binding && rapid.Bool().Draw(t, "mandatory"), Answer: answers.Draw(t, "answer"),
				Reason: rapid.SampledFrom([]string{"", "seen"}).Draw(t, "reason")})
		}
		v, err := Decide(items)
		if err != nil {
			t.Fatalf("%v", err)
		}
		no, open := false, false
		for _, i := range items {
			no = no || (i.Answer == No && (i.Mandatory || i.Reason == ""))
			open = open || i.Answer == Unanswered || i.Answer == ""
		}
		want := Go
		if open {
			want = Open
		}
		if no {
			want = NoGo
		}
		if v.Outcome != want {
			t.Fatalf("%+v of %+v", v, items)
		}
	})
	all, err := MakeGate(goodMorning())
	if err != nil {
		t.Fatal(err)
	}
	for _, i := range all {
		if i.Mandatory != (i.Authority == Label || i.Authority == Law) {
			t.Errorf("%+v", i)
		}
	}
	if out, _ := json.Marshal(all[0]); string(out) != `{"id":"gate-plan-allowed","authority":"label","mandatory":true,"answer":"yes"}` {
		t.Errorf("%s", out)
	}
}

func TestGate_Refuses(t *testing.T) {
	for name, f := range map[string]func(*Facts){
		"date":   func(f *Facts) { f.CertificateTo = "3 June" },
		"number": func(f *Facts) { f.TemperatureC = number(math.NaN()) },
		"answer": func(f *Facts) { f.SpillKit = "perhaps" },
	} {
		facts := goodMorning()
		f(&facts)
		if _, err := MakeGate(facts); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
	for name, i := range map[string]Item{
		"practice made mandatory": {ID: "x", Authority: Practice, Mandatory: true, Answer: Yes},
		"authority":               {ID: "x", Authority: "rumour", Answer: Yes},
		"answer":                  {ID: "x", Authority: Law, Answer: "perhaps"},
	} {
		if _, err := Decide([]Item{i}); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}
