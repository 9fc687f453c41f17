package record

import (
	"testing"

	q "sapward/measure/quantity"
	"sapward/numeric/exact"
	"sapward/plan/label"
)

// What the card says fills what nobody wrote down; what was written down stays,
// and a card that says nothing leaves the element not recorded.
func TestAssemble(t *testing.T) {
	days := func(n int64) q.Opt[q.Duration] { return q.Known(q.New[q.DurationKind](n, "d")) }
	card := label.Card{Product: label.Product{Name: "Invented Product B", Invented: true, RestrictedStated: true,
		Registration: label.Registration{Number: "DEMO-2", Territory: []string{"DEMO"}},
		Actives:      []label.Active{{Name: "invented b", Share: q.Known(q.Of[q.MassFractionKind](exact.Frac(458, 1000)))}}},
		Uses: []label.Use{
			{Method: label.Injection, Sites: []label.Site{{Name: "sweet chestnut", Code: "CSNSA", Food: true}}, Targets: []string{"root rot"},
				Reentry: label.Reentry{Stated: true, UntilDry: true, Interval: q.Known(q.New[q.DurationKind](90, "min"))}, Harvest: label.Harvest{Stated: true, Interval: days(180)},
				Limits: label.Limits{Interval: days(330)}, Timing: label.Timing{Bloom: label.NotInBloom, From: "06:00"}},
			{Method: label.Infusion, Sites: []label.Site{{Name: "elm"}, {Name: "oak", Code: "1QUEG"}}, Reentry: label.Reentry{Stated: true, None: true}, Harvest: label.Harvest{Stated: true, NotFood: true}},
			{Method: label.Infusion, Sites: []label.Site{{Name: "elm"}}},
			{Method: label.Infusion, Reentry: label.Reentry{Stated: true, UntilDry: true}, Harvest: label.Harvest{Stated: true, None: true}},
		}}
	c, err := Assemble(Content{}, card, CardSnapshot{Hash: "h", Content: []byte(`{}`)})
	if err != nil {
		t.Fatal(err)
	}
	p := c.Products[0]
	if p.Name.Value != "Invented Product B" || p.Registration.Value != "DEMO-2" || p.Actives.Value[0].Content != "45.8 % w/w" || p.REI.Value.Hours.String() != "1.5" || !p.REI.Value.UntilDry || p.PHI.Value.Days != 180 ||
		p.Interval.Value != 330 || c.Site.Code.Value != "CSNSA" || c.Target.Name.Value != "root rot" || !c.Invented || !c.PracticeOnly ||
		!c.Law.StageRestricted.Value || !c.Law.HoursRestricted.Value || c.Law.RestrictedUse.State != Recorded || c.Law.RestrictedUse.Value || c.Card.Hash != "h" {
		t.Errorf("%+v", c)
	}
	in := Content{Products: []Product{{REI: Is(REI{UntilDry: true})}}, Site: Coded{Name: Is("oak")}}
	if c, err = Assemble(in, card, CardSnapshot{Use: 1, Content: []byte(`{}`)}); err != nil {
		t.Fatal(err)
	}
	if p = c.Products[0]; p.REI.Value.Hours.String() != "0" || !p.PHI.Value.NotFood || c.Site.Code.Value != "1QUEG" || c.Law.StageRestricted.Value || c.Target.Name.State != NotRecorded {
		t.Errorf("%+v", c)
	}
	if !in.Products[0].Name.IsZero() {
		t.Error("the caller's content was changed")
	}
	if c, err = Assemble(Content{}, card, CardSnapshot{Use: 2, Content: []byte(`{}`)}); err != nil || !c.Products[0].REI.IsZero() || !c.Products[0].PHI.IsZero() || !c.Site.Code.IsZero() {
		t.Errorf("a card that says nothing fills something: %+v, %v", c.Products, err)
	}
	if c, err = Assemble(Content{}, card, CardSnapshot{Use: 3, Content: []byte(`{}`)}); err != nil || !c.Products[0].REI.Value.UntilDry || c.Products[0].REI.State != Recorded || c.Products[0].PHI.State != None {
		t.Errorf("until dry: %+v, %v", c.Products, err)
	}
	if c, err = Assemble(Content{}, card, CardSnapshot{Use: 1, Content: []byte(`{}`)}); err != nil || c.Products[0].REI.State != None {
		t.Errorf("no interval: %+v, %v", c.Products, err)
	}
	if _, err = Assemble(Content{}, card, CardSnapshot{Use: 4}); ids(err) != "record-card-use" {
		t.Error(err)
	}
	if _, err = Assemble(Content{Products: []Product{{Name: Is("other")}}}, card, CardSnapshot{}); ids(err) != "record-card-product" {
		t.Error(err)
	}
}
