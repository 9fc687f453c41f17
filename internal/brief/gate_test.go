package brief

import (
	"reflect"
	"strings"
	"testing"
	"time"

	"sapward/finding"
	"sapward/measure/civil"
	q "sapward/measure/quantity"
	"sapward/plan"
	"sapward/plan/crew"
	"sapward/plan/label"
)

// An invented card and plan: restricted use, 8 to 32 degrees, not in bloom, May
// to September.
func invented(t *testing.T) (plan.Plan, label.Card) {
	t.Helper()
	degree := func(n int64) q.Quantity[q.TemperatureKind] { return q.New[q.TemperatureKind](n, "°C") }
	card := label.Card{Product: label.Product{Name: "Invented", RestrictedUse: true, Registration: label.Registration{Number: "DEMO-0001", Valid: civil.Period{From: civil.Date{Year: 2026, Month: 1, Day: 1}, To: civil.Date{Year: 2030, Month: 12, Day: 31}}}},
		Uses: []label.Use{{Method: label.Injection, Sites: []label.Site{{Name: "elm"}}, Targets: []string{"wilt"},
			Timing: label.Timing{Months: []int{5, 6, 7, 8, 9}, Bloom: label.NotInBloom, Temperature: q.Known(q.Range[q.TemperatureKind]{Low: degree(8), High: degree(32)})}}},
		Safety: label.Safety{Mix: []string{"gloves"}, Apply: []string{"goggles"}}}
	return plan.Plan{Verdict: plan.Allowed, On: "2026-06-03", Method: "injection", Site: "elm", Target: "wilt"}, card
}

func answerOf(t *testing.T, d GateDocument, id string) crew.Answer {
	t.Helper()
	for _, x := range d.Items {
		if x.ID == id {
			return x.Answer
		}
	}
	t.Errorf("%s is not asked", id)
	return crew.Unanswered
}

// What a reading or an answer makes of an item.
func TestGate_AnswersAndReadings(t *testing.T) {
	p, card := invented(t)
	warm, hot := 20.0, 33.0
	for _, c := range []struct {
		name string
		in   Gate
		item string
		want crew.Answer
	}{
		{"nothing said", Gate{}, crew.GateContainer, crew.Unanswered},
		{"the card's container", Gate{Containers: []string{" DEMO-0001 "}}, crew.GateContainer, crew.Yes},
		{"another container", Gate{Containers: []string{"DEMO-0001", "DEMO-0002"}}, crew.GateContainer, crew.No},
		{"registered on the day", Gate{}, crew.GateRegistration, crew.Yes},
		{"warm", Gate{Temperature: &warm}, crew.GateTemperature, crew.Yes},
		{"above the card", Gate{Temperature: &hot}, crew.GateTemperature, crew.No},
		{"not in bloom", Gate{Bloom: "no"}, crew.GateBloom, crew.Yes},
		{"in bloom", Gate{Bloom: "yes"}, crew.GateBloom, crew.No},
		{"certificate", Gate{CertificateTo: "2026-06-03"}, crew.GateCertificate, crew.Yes},
		{"certificate over", Gate{CertificateTo: "2026-06-02"}, crew.GateCertificate, crew.No},
		{"a yes", Gate{Answers: map[string]bool{"services-located": true}}, crew.GateServices, crew.Yes},
		{"a yes by its full name", Gate{Answers: map[string]bool{" gate-services-located ": true}}, crew.GateServices, crew.Yes},
		{"gear", Gate{Answers: map[string]bool{"gear-present": true}}, crew.GateGear, crew.Yes},
		{"a no beats a reading", Gate{Temperature: &warm, Answers: map[string]bool{"temperature": false}}, crew.GateTemperature, crew.No},
		{"a yes does not beat a reading", Gate{Temperature: &hot, Answers: map[string]bool{"temperature": true}}, crew.GateTemperature, crew.No},
	} {
		t.Run(c.name, func(t *testing.T) {
			d, err := c.in.Judge(p, card, "test", "hash")
			if err != nil {
				t.Fatal(err)
			}
			if got := answerOf(t, d, c.item); got != c.want {
				t.Errorf("%s is %s, want %s", c.item, got, c.want)
			}
			if d.Schema != GateSchema || d.Engine != "test" || d.Card != "hash" || d.On != "2026-06-03" {
				t.Errorf("document %+v", d)
			}
		})
	}
	// after petal fall, "no" is not yet the answer that allows
	card.Uses[0].Timing.Bloom = label.AfterPetalFall
	for said, want := range map[string]crew.Answer{"no": crew.No, "after": crew.Yes} {
		d, err := Gate{Bloom: said}.Judge(p, card, "", "")
		if err != nil || answerOf(t, d, crew.GateBloom) != want {
			t.Errorf("after petal fall, %q: %v", said, err)
		}
	}
}

// A plan that is refused, or for practice only, gives no go.
func TestGate_NeedsAnAllowedPlan(t *testing.T) {
	p, card := invented(t)
	for _, c := range []struct {
		verdict  plan.Verdict
		practice bool
		want     crew.Answer
	}{{plan.Allowed, false, crew.Yes}, {plan.Allowed, true, crew.No}, {plan.Opened, false, crew.No}, {plan.Refused, false, crew.No}} {
		p.Verdict, p.PracticeOnly = c.verdict, c.practice
		d, err := Gate{}.Judge(p, card, "", "")
		if err != nil || answerOf(t, d, crew.GatePlan) != c.want {
			t.Errorf("%s, practice %v: %v", c.verdict, c.practice, err)
		}
		if c.want == crew.No && d.Verdict.Outcome != crew.NoGo {
			t.Errorf("%s: %s", c.verdict, d.Verdict.Outcome)
		}
	}
}

// Everything answered is go; an advisory no needs a reason; a mandatory one has
// no way round.
func TestGate_GoAndOverrides(t *testing.T) {
	p, card := invented(t)
	warm, dry := 20.0, 1.0
	g := Gate{Containers: []string{"DEMO-0001"}, Temperature: &warm, Deficit: &dry, Bloom: "no", CertificateTo: "2028-01-01", Answers: map[string]bool{}}
	first, err := g.Judge(p, card, "", "")
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range first.Items {
		if x.Answer == crew.Unanswered {
			g.Answers[x.ID] = true
		}
	}
	d, err := g.Judge(p, card, "", "")
	if err != nil || d.Verdict.Outcome != crew.Go {
		t.Fatalf("%+v %v", d.Verdict, err)
	}
	g.Answers[crew.GateSoil] = false
	if d, err = g.Judge(p, card, "", ""); err != nil || d.Verdict.Outcome != crew.NoGo || !reflect.DeepEqual(d.Verdict.Advised, []string{crew.GateSoil}) {
		t.Errorf("dry soil: %+v %v", d.Verdict, err)
	}
	g.Reasons = map[string]string{"soil-moist": "watered last night"}
	if d, err = g.Judge(p, card, "", ""); err != nil || d.Verdict.Outcome != crew.Go || !reflect.DeepEqual(d.Verdict.Overridden, []string{crew.GateSoil}) {
		t.Errorf("with a reason: %+v %v", d.Verdict, err)
	}
	g.Reasons = map[string]string{"container-registration": "it is the same stuff"}
	if _, err = g.Judge(p, card, "", ""); !reflect.DeepEqual(said(err), []string{"gate-no-override"}) {
		t.Errorf("a mandatory item set aside: %q", said(err))
	}
}

// What cannot be judged is said, with the option it is about.
func TestGate_Faults(t *testing.T) {
	p, card := invented(t)
	for _, c := range []struct {
		name string
		in   Gate
		want []string
	}{
		{"no day", Gate{On: "tomorrow"}, []string{"option-date:--on:tomorrow"}},
		{"another day", Gate{On: "2026-06-04"}, []string{"gate-other-day"}},
		{"no certificate", Gate{CertificateTo: "soon"}, []string{"option-date:--certificate-valid-to:soon"}},
		{"an item nobody asks", Gate{Answers: map[string]bool{"weather-nice": true}}, []string{"gate-item-unknown"}},
		{"a yes for a number", Gate{Answers: map[string]bool{"temperature": true}}, []string{"gate-needs-reading:--temperature"}},
		{"a yes for a container", Gate{Answers: map[string]bool{"container-registration": true}}, []string{"gate-needs-reading:--container"}},
	} {
		_, err := c.in.Judge(p, card, "", "")
		if got := said(err); !reflect.DeepEqual(got, c.want) {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
		for _, f := range finding.AsFaults(err) {
			if f.Class != finding.Usage {
				t.Errorf("%s: class %s", c.name, f.Class)
			}
		}
	}
	// a day the schedule runs on for is one of the plan's days
	day, err := civil.Parse("2026-06-04")
	if err != nil {
		t.Fatal(err)
	}
	p.Outfit = &plan.Outfit{Schedule: crew.Schedule{Days: []crew.Day{{Start: civil.Date{Year: 2026, Month: 6, Day: 3}.In(time.UTC)}, {Start: day.In(time.UTC), Watchers: 1}}}}
	d, err := Gate{On: "2026-06-04"}.Judge(p, card, "", "")
	if err != nil || d.On != "2026-06-04" {
		t.Errorf("the second day: %v", err)
	}
	if answerOf(t, d, crew.GateWatcher) != crew.Unanswered {
		t.Error("nobody asks for the watcher")
	}
}

// A document ends as JSON does, and nothing in it is escaped for HTML.
func TestMarshal(t *testing.T) {
	got, err := Marshal(map[string]string{"a": "<5 & ñ>"})
	if err != nil || string(got) != "{\n  \"a\": \"<5 & ñ>\"\n}" {
		t.Errorf("%q %v", got, err)
	}
	if _, err := Marshal(func() {}); err == nil || strings.Contains(err.Error(), "panic") {
		t.Error("what is no document is written")
	}
	if MinorUnits("EUR") != 100 || MinorUnits("JPY") != 1 || MinorUnits("KWD") != 1000 {
		t.Error("minor units")
	}
}
