package report

import (
	"os"
	"testing"

	"sapward/measure/civil"
	"sapward/numeric/exact"
	"sapward/plan"
	"sapward/plan/crew"
	"sapward/plan/label"
)

func TestDump(t *testing.T) {
	dir := os.Getenv("REPORT_DUMP")
	if dir == "" {
		t.Skip("no dump")
	}
	for _, block := range []string{"avenue", "chestnut"} {
		for _, l := range []string{"en", "es"} {
			for _, p := range []string{"a4", "letter"} {
				u := "metric"
				if p == "letter" {
					u = "us"
				}
				data, _ := render(t, estate(t, want{block: block, lang: l, units: u, paper: p}))
				os.WriteFile(dir+"/"+block+"-"+l+"-"+p+".pdf", data, 0o644)
			}
		}
	}
	data, _ := render(t, estate(t, want{change: func(r *plan.Request) {
		r.Method, r.Bloom, r.Area.Known, r.CertificateUntil = label.Infusion, "", false, civil.Date{}
	}, lang: "en", units: "us", paper: "letter", crew: &plan.Crew{People: []crew.Person{{ID: "Adviser"}, {ID: "Crew lead"}, {ID: "3"}}, Devices: 20, Public: true, Kicks: -1, Currency: "EUR", Prices: []crew.Price{{Item: crew.CostProduct, Minor: 12000, Per: 1000000}, {Item: crew.CostLabour, Minor: 2000, Per: 3600}}}}))
	os.WriteFile(dir+"/infusion.pdf", data, 0o644)
	data, _ = render(t, estate(t, want{lang: "es", change: func(r *plan.Request) {
		for i := range r.Card.Uses {
			r.Card.Uses[i].Ports.Places = append(r.Card.Uses[i].Ports.Places, label.OnLimb)
		}
		r.LimbShare, r.Climber, r.Basis = exact.Frac(1, 4), true, plan.ByTree
	}, crew: &plan.Crew{People: []crew.Person{{ID: "1", Climber: true}, {ID: "2", AloftTrained: true}, {ID: "3"}}, Delivery: crew.Spring, Devices: 10, Kicks: -1}}))
	os.WriteFile(dir+"/limbs.pdf", data, 0o644)
}
