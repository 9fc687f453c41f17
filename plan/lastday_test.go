package plan

import (
	"testing"
	"time"

	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/numeric/exact"
	"sapward/plan/crew"
	"sapward/plan/label"
)

// Work that runs on for days is judged on its last day: the certificate, the
// months, the harvest.
func TestAddOutfit_JudgesTheLastDay(t *testing.T) {
	card := demoCard()
	card.Product.RestrictedStated, card.Product.RestrictedUse = true, true
	card.Uses[0].Timing.Months = []int{6}
	card.Uses[0].Sites[0].Food = true
	card.Uses[0].Harvest = label.Harvest{Stated: true, Interval: q.Known(q.New[q.DurationKind](10, "d"))}
	card.Uses[0].Reentry = label.Reentry{Stated: true, None: true}
	r := Request{
		Card: card, Method: label.Injection, Basis: ByFills, Site: "elm", Target: "vascular wilt", Territory: "DEMO",
		On: day("2026-06-29"), CertificateUntil: day("2026-06-30"), HarvestFrom: day("2026-07-10"), Area: q.Known(q.Of[q.AreaKind](exact.Int(10_000))),
	}
	block := randomTrees(120, 3)
	for i := range block {
		block[i].Stems[0].Bark = q.Known(q.New[q.LengthKind](10, "mm"))
	}
	p, err := Make(r, block)
	if err != nil {
		t.Fatal(err)
	}
	if p.Verdict != Allowed {
		t.Fatalf("the first day is %s: %+v %+v", p.Verdict, p.Open, p.Refusals)
	}
	for _, tt := range []struct {
		people int
		want   Verdict
		rules  []string
	}{
		{1, Opened, []string{"certificate-expired", "harvest-too-soon", "month-not-allowed"}},
		{40, Allowed, nil},
	} {
		job, err := Decide(r, Slice(block))
		if err != nil {
			t.Fatal(err)
		}
		c := Crew{Zone: time.UTC}
		for i := range tt.people {
			c.People = append(c.People, crew.Person{ID: string(rune('A'+i/26)) + string(rune('a'+i%26))})
		}
		o, err := Equip(p, block, r, c)
		if err != nil {
			t.Fatal(err)
		}
		job.AddOutfit(o)
		var rules []string
		for _, f := range job.Plan.Open {
			rules = append(rules, f.Args["why_by"].Text)
		}
		if job.Plan.Verdict != tt.want || len(rules) != len(tt.rules) {
			t.Errorf("%d people, %d days: %s, %v", tt.people, len(o.Schedule.Days), job.Plan.Verdict, rules)
		}
		days := len(o.Schedule.Days)
		if want := r.On.AddDays(days - 1 + 10).String(); job.Plan.Dates.HarvestFrom != want {
			t.Errorf("%d days: harvest from %s, want %s", days, job.Plan.Dates.HarvestFrom, want)
		}
	}
}

// The ways past a rule that a stranger found.
func TestStranger_WaysPastARule(t *testing.T) {
	base := func() Request {
		card := demoCard()
		card.Product.RestrictedStated = true
		card.Uses[0].Limits.ActivePerArea = q.Known(q.New[q.MassPerAreaKind](4000, "g/ha"))
		return Request{Card: card, Method: label.Injection, Basis: ByFills, Site: "elm", Target: "vascular wilt", Territory: "DEMO", On: day("2026-06-17"), Area: q.Known(q.Of[q.AreaKind](exact.Int(10_000)))}
	}
	has := func(fs []finding.Finding, id string) bool {
		for _, f := range fs {
			if f.ID == id {
				return true
			}
		}
		return false
	}
	block := randomTrees(20, 4)

	// this product under a misspelt active still counts for the area
	r := base()
	r.History = append(r.History, treatment("", "Invented Product A", "invented activ a", 11_900, "2026-05-01"))
	if p, _ := Make(r, block); !has(p.Refusals, "area-cap") {
		t.Error("a misspelt active hides grams")
	}
	// a treatment after the work is called out
	r = base()
	r.History = append(r.History, treatment(block[0].Tag, "Invented Product A", "invented active a", 10, "2026-06-20"))
	if p, _ := Make(r, block); !has(p.Open, "history-later") {
		t.Error("a later treatment is silent")
	}
	// bark thicker than the trunk allows no hole past the pith
	r = base()
	thick := randomTrees(1, 5)
	thick[0].Stems[0].Bark = q.Known(q.New[q.LengthKind](50, "cm"))
	if p, _ := Make(r, thick); p.Totals.Planned != 0 || !has(p.RefusedTrees[0].Findings, "depth-past-pith") {
		t.Errorf("a hole past the pith: %+v", p.RefusedTrees)
	}
	// the same person twice is no second person
	r = base()
	r.Card.Verified.CheckedBy = " Adviser"
	if p, _ := Make(r, block); !p.PracticeOnly {
		t.Error("a capital letter makes a second person")
	}
	// a card silent on restriction, hole or depth leaves the fact open
	r = base()
	r.Card.Product.RestrictedStated = false
	r.Card.Uses[0].Ports.SapwoodDepth.Known, r.Card.Uses[0].Ports.Hole.Known = false, false
	if p, _ := Make(r, block); !has(p.Open, "restricted-unsaid") || !has(p.Open, "sapwood-depth-unsaid") || !has(p.Open, "hole-unsaid") {
		t.Errorf("silence is taken for no: %+v", p.Open)
	}
	// fewer trees in the block than taped
	r = base()
	r.BlockTrees = 5
	if _, err := Make(r, block); err == nil {
		t.Error("a block smaller than its taped trees")
	}
	// the untaped trees would pass the cap
	r = base()
	r.BlockTrees = 2000
	if p, _ := Make(r, block); !has(p.Findings, "block-over-cap") {
		t.Error("the whole block passes the cap unsaid")
	}
}
