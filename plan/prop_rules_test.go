package plan_test

import (
	"math"
	"slices"
	"testing"

	"sapward/finding"
	"sapward/measure/civil"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan"
	"sapward/plan/label"
)

// everyID sets aside every refusal that a plan can name; Make must answer with
// a fault for the mandatory ones and never with a dose.
func overridden(r plan.Request, id string) plan.Request {
	r.Overrides = map[string]string{id: "the manager insists on it"}
	return r
}

// Each rule of refusal (RULES 2.5, P01 to P12), violated on purpose. A rule of
// the block leaves no doses at all, a rule of a tree no dose for the tree, and
// no override helps.
func TestRules_EachRefusalStands(t *testing.T) {
	earlier := func(days int) tree.Treatment {
		return tree.Treatment{Tree: "T", Product: "Invented Product B", Active: "invented active a", Method: "injection",
			ActiveMass: q.Known(q.Grams(exact.Int(30))), DateEnd: date("2026-06-15").AddDays(-days)}
	}
	tests := []struct {
		rule, id string
		block    bool
		change   func(r *plan.Request, u *label.Use, x *tree.Tree)
	}{
		{"P01 too small", "tree-too-small", false, func(r *plan.Request, u *label.Use, x *tree.Tree) { u.Tree.Min = q.Known(cm(301, 10)) }},
		{"P01 too large", "tree-too-large", false, func(r *plan.Request, u *label.Use, x *tree.Tree) { u.Tree.Max = q.Known(cm(299, 10)) }},
		{"P01 above the table", "outside-bands", false, func(r *plan.Request, u *label.Use, x *tree.Tree) {
			u.Tree.Max = q.Known(cm(299, 10))
			u.Tree = label.TreeRule{}
			u.Rate = q.Known(label.Rate{Per: label.PerBand, Bands: []label.Band{{From: cm(10, 1), To: cm(299, 10), Low: exact.Int(40), High: exact.Int(60)}}})
		}},
		{"P02 site", "site-not-on-card", true, func(r *plan.Request, u *label.Use, x *tree.Tree) { r.Site = "oak" }},
		{"P02 target", "target-not-on-card", true, func(r *plan.Request, u *label.Use, x *tree.Tree) { r.Target = "borer" }},
		{"P02 species", "species-not-site", false, func(r *plan.Request, u *label.Use, x *tree.Tree) { x.Species = "Quercus robur" }},
		{"P03 bearing", "bearing-tree", false, func(r *plan.Request, u *label.Use, x *tree.Tree) {
			u.Sites[0].Bearing, x.Bearing = "nonbearing", q.Known(true)
		}},
		{"P04 harvest", "harvest-too-soon", true, func(r *plan.Request, u *label.Use, x *tree.Tree) {
			u.Sites[0].Food, u.Harvest = true, label.Harvest{Stated: true, Interval: q.Known(q.New[q.DurationKind](180, "d"))}
			r.HarvestFrom = r.On.AddDays(179)
		}},
		{"P04 not for food", "not-for-food", true, func(r *plan.Request, u *label.Use, x *tree.Tree) {
			u.Harvest, r.HarvestFrom = label.Harvest{Stated: true, NotFood: true}, r.On.AddDays(400)
		}},
		{"P05 interval, another product and method", "interval-too-short", false, func(r *plan.Request, u *label.Use, x *tree.Tree) {
			u.Limits.Interval = q.Known(q.New[q.DurationKind](330, "d"))
			h := earlier(329)
			h.Method = "infusion"
			r.History = []tree.Treatment{h}
		}},
		{"P06 tree's year", "yearly-limit", false, func(r *plan.Request, u *label.Use, x *tree.Tree) {
			u.Limits.PerYear = q.Known(q.ML(exact.Int(150))) // 30 g / 0.2 g/mL = 150 mL are used
			r.History = []tree.Treatment{earlier(364)}
		}},
		{"P07 area", "area-cap", true, func(r *plan.Request, u *label.Use, x *tree.Tree) {
			u.Limits.ActivePerArea = q.Known(q.New[q.MassPerAreaKind](40, "g/ha")) // 30 g and at least 75 mL at 0.2 g/mL = 15 g
			r.Area = q.Known(q.New[q.AreaKind](1, "ha"))
			r.History = []tree.Treatment{earlier(364)}
		}},
		{"P08 applications", "applications-used", false, func(r *plan.Request, u *label.Use, x *tree.Tree) {
			u.Limits.Applications, u.Limits.ApplicationsPer = 1, "year"
			r.History = []tree.Treatment{earlier(364)}
		}},
		{"P09 bloom", "bloom-forbids", true, func(r *plan.Request, u *label.Use, x *tree.Tree) {
			u.Timing.Bloom, r.Bloom = label.NotInBloom, plan.InBloom
		}},
		{"P09 petal fall", "bloom-forbids", true, func(r *plan.Request, u *label.Use, x *tree.Tree) {
			u.Timing.Bloom, r.Bloom = label.AfterPetalFall, plan.NoBloom
		}},
		{"P10 month", "month-not-allowed", true, func(r *plan.Request, u *label.Use, x *tree.Tree) { u.Timing.Months = []int{5, 7} }},
		{"P11 certificate", "certificate-expired", true, func(r *plan.Request, u *label.Use, x *tree.Tree) {
			r.Card.Product.RestrictedUse, r.CertificateUntil = true, r.On.AddDays(-1)
		}},
		{"P12 crown", "crown-loss", false, func(r *plan.Request, u *label.Use, x *tree.Tree) {
			u.Tree.CrownLossMax, x.CrownLoss = q.Known(q.Of[q.PercentKind](exact.Int(10))), q.Known(q.Of[q.PercentKind](exact.Frac(101, 10)))
		}},
		{"P12 dead", "tree-dead", false, func(r *plan.Request, u *label.Use, x *tree.Tree) { x.Status = tree.Dead }},
		{"card expired", "card-expired", true, func(r *plan.Request, u *label.Use, x *tree.Tree) {
			r.Card.Product.Registration.Valid.To = r.On.AddDays(-1)
		}},
		{"territory", "card-wrong-territory", true, func(r *plan.Request, u *label.Use, x *tree.Tree) { r.Territory = "ELSEWHERE" }},
		{"method", "method-not-on-card", true, func(r *plan.Request, u *label.Use, x *tree.Tree) { r.Method = label.Infusion }},
		{"measuring height", "measured-elsewhere", false, func(r *plan.Request, u *label.Use, x *tree.Tree) { x.Stems[0].MeasuredAt = q.Known(cm(1391, 10)) }},
		{"wound share of the card", "wounds-too-many", false, func(r *plan.Request, u *label.Use, x *tree.Tree) {
			u.Ports.WoundMax = q.Known(q.Of[q.PercentKind](exact.Int(5)))
		}},
	}
	for _, tt := range tests {
		t.Run(tt.rule, func(t *testing.T) {
			c := plainCard()
			u, x := &c.Uses[0], taped("T", 300)
			r := plainRequest(c)
			tt.change(&r, u, &x)
			r.Card.Uses = c.Uses
			p, err := plan.Make(r, []tree.Tree{x})
			if err != nil {
				t.Fatal(err)
			}
			var said []string
			if tt.block {
				said = ids(p.Refusals)
			} else {
				for _, d := range p.RefusedTrees {
					said = append(said, ids(d.Findings)...)
				}
			}
			if !slices.Contains(said, tt.id) || len(p.Trees) != 0 || p.Totals.Dose != 0 || tt.block && p.Verdict != plan.Refused {
				t.Fatalf("want %s, got %v, %d trees planned, verdict %s", tt.id, said, len(p.Trees), p.Verdict)
			}
			for _, id := range said {
				o, err := plan.Make(overridden(r, id), []tree.Tree{x})
				if err == nil && len(o.Trees) > 0 {
					t.Errorf("setting %s aside gives a dose", id)
				}
				if fs := finding.AsFaults(err); id != "wounds-too-many" && (len(fs) != 1 || fs[0].ID != "override-mandatory") {
					t.Errorf("setting %s aside: %v", id, err)
				}
			}
		})
	}
}

// The edges of the rules are lawful: the interval's last day, harvest on the
// day itself, an application of exactly a year ago.
func TestRules_EdgesAreAllowed(t *testing.T) {
	c := plainCard()
	l := &c.Uses[0].Limits
	l.Interval, l.Applications, l.ApplicationsPer = q.Known(q.New[q.DurationKind](365, "d")), 1, "year"
	r := plainRequest(c)
	r.History = []tree.Treatment{{Tree: "T", Active: "invented active a", Method: "injection", DateEnd: date("2025-06-15"), ActiveMass: q.Known(q.Grams(exact.Int(1)))}}
	p, err := plan.Make(r, []tree.Tree{taped("T", 300)})
	if err != nil || len(p.Trees) != 1 {
		t.Fatalf("%v %+v", err, p.RefusedTrees)
	}
	r.On = date("2024-02-29") // the year of 1 March 2023 ends on 1 March 2024
	l.Interval = q.Opt[q.Duration]{}
	r.History[0].DateEnd = date("2023-03-01")
	if p, err = plan.Make(r, []tree.Tree{taped("T", 300)}); err != nil || len(p.Trees) != 0 {
		t.Fatalf("an application of 2023-03-01 is forgotten on 2024-02-29: %v, %d trees", err, len(p.Trees))
	}
	r.History[0].DateEnd = civil.Date{Year: 2023, Month: 2, Day: 28}
	if p, err = plan.Make(r, []tree.Tree{taped("T", 300)}); err != nil || len(p.Trees) != 1 {
		t.Fatalf("an application of 2023-02-28 still counts on 2024-02-29: %v, %d trees", err, len(p.Trees))
	}
}

// Vectors of RULES 2.6 from end to end, and the class card of SCIENCE S4.
func TestRules_VectorsEndToEnd(t *testing.T) {
	one := func(c label.Card, x tree.Tree, grad string) plan.Tree {
		t.Helper()
		r := plainRequest(c)
		r.Basis = plan.ByTree
		if grad != "" {
			g, _ := exact.Decimal(grad)
			r.Graduation = q.Known(q.ML(g))
		}
		p, err := plan.Make(r, []tree.Tree{x})
		if err != nil || len(p.Trees) != 1 {
			t.Fatalf("%v: %v %v", err, p.Refusals, p.RefusedTrees)
		}
		return p.Trees[0]
	}
	single := func(per label.Basis, n, d int64) q.Opt[label.Rate] {
		return q.Known(label.Rate{Per: per, Low: exact.Frac(n, d), High: exact.Frac(n, d), Single: true})
	}
	t.Run("1 per diameter", func(t *testing.T) { // 0.71 mL/cm x 40.0 cm = 28.4 mL
		c := plainCard()
		c.Uses[0].Rate = single(label.PerDiameter, 71, 100)
		if got := one(c, taped("T", 400), "0.1"); got.Dose != 28_400 {
			t.Errorf("%v mL", got.Dose)
		}
	})
	t.Run("2 per canopy diameter", func(t *testing.T) { // 15 mL/m x 6.0 m = 90 mL, at most 20 mL a port: 5 ports of 18 mL
		c := plainCard()
		c.Uses[0].Rate = single(label.PerCanopyDiameter, 15, 100)
		c.Uses[0].Ports.Spacing = q.Opt[q.Range[q.LengthKind]]{}
		x := taped("T", 200)
		x.Crown = q.Known(cm(600, 1))
		got := one(c, x, "")
		if got.Dose != 90_000 || len(got.Ports) != 5 || got.Ports[0].Volume != 18_000 {
			t.Errorf("%v mL in %d ports of %v", got.Dose, len(got.Ports), got.Ports[0].Volume)
		}
	})
	t.Run("3 active mass", func(t *testing.T) { // 0.032 g/cm x 30 cm = 0.96 g, at 0.2 g/mL 4.8 mL
		c := plainCard()
		c.Uses[0].Rate = single(label.PerDiameter, 32, 1000)
		c.Uses[0].Rate.Value.Active = true
		c.Uses[0].Ports.Volume = q.Known(rng[q.VolumeKind](exact.Frac(1, 10), exact.Int(20)))
		if got := one(c, taped("T", 300), "0.1"); got.Dose != 4_800 {
			t.Errorf("%v mL", got.Dose)
		}
	})
	for _, v := range []struct {
		name  string
		least bool
		want  int
	}{{"4 density at least", true, 21}, {"4 density at most", false, 20}} { // 16/m x pi x 0.40 m = 20.1
		t.Run(v.name, func(t *testing.T) {
			c := plainCard()
			p := &c.Uses[0].Ports
			p.Spacing, p.WoundMax = q.Opt[q.Range[q.LengthKind]]{}, q.Known(q.Of[q.PercentKind](exact.Int(100)))
			d := q.Known(q.Of[q.CountPerLengthKind](exact.Frac(16, 100)))
			if v.least {
				p.DensityMin = d
			} else {
				p.DensityMax, p.Volume = d, q.Known(rng[q.VolumeKind](exact.Int(2), exact.Int(7))) // 140 mL: 20 ports of 7
			}
			c.Uses[0].Rate = q.Known(label.Rate{Per: label.PerDiameter, Low: exact.Frac(5, 2), High: exact.Frac(7, 2)})
			r := plainRequest(c)
			r.Basis, r.LevelName = plan.ByTree, "high"
			got, err := plan.Make(r, []tree.Tree{taped("T", 400)})
			if err != nil || len(got.Trees) != 1 || len(got.Trees[0].Ports) != v.want {
				t.Errorf("%v %v", err, got.Trees)
			}
		})
	}
	t.Run("8 stems", func(t *testing.T) { // 5, 6, 8 in: 11.18 in by root-sum-square, 19 in by sum, apart three doses
		for rule, want := range map[label.StemRule][]float64{label.StemsEach: {5, 6, 8}, label.StemsRootSumSquare: {11.1803}, label.StemsSum: {19}} {
			c := plainCard()
			c.Uses[0].Measure.Stems = rule
			x := tree.Tree{Tag: "T"}
			for i, in := range []int64{5, 6, 8} {
				s := tree.FromDiameter(q.New[q.LengthKind](in, "in"))
				s.Name, s.MeasuredAt = string(rune('a'+i)), q.Known(cm(137, 1))
				x.Stems = append(x.Stems, s)
			}
			r := plainRequest(c)
			r.Basis = plan.ByTree
			p, err := plan.Make(r, []tree.Tree{x})
			if err != nil || len(p.Trees) != len(want) {
				t.Fatalf("%s: %v, %d units %v", rule, err, len(p.Trees), p.RefusedTrees)
			}
			for i, u := range p.Trees { // diameters are shown to 0.01 cm
				if math.Abs(u.DiameterCM/2.54-want[i]) > 0.0021 {
					t.Errorf("%s: %v cm, want %v in", rule, u.DiameterCM, want[i])
				}
			}
		}
	})
	t.Run("S4 class card", func(t *testing.T) {
		var trees []tree.Tree
		for _, d := range []int64{204, 254, 305, 356, 407, 458} {
			trees = append(trees, taped(string(rune('A'+len(trees))), d))
		}
		c := plainCard()
		c.Uses[0].Ports.Volume = q.Known(rng[q.VolumeKind](exact.Int(14), exact.Int(14))) // the vector's fill
		p, err := plan.Make(plainRequest(c), trees)
		if err != nil || len(p.Fills) != 1 || p.Fills[0].Volume != 14_000 {
			t.Fatalf("%v %+v", err, p.Fills)
		}
		want := map[int][2]float64{5: {20.4, 25.4}, 6: {25.5, 30.5}, 7: {30.6, 35.6}, 8: {35.7, 40.7}, 9: {40.8, 45.8}}
		for _, row := range p.ClassCard {
			if w, ok := want[row.Ports]; ok && row.FromCM == w[0] {
				if row.ToCM != w[1] || row.Volume != 14_000 {
					t.Errorf("%+v", row)
				}
				delete(want, row.Ports)
			}
		}
		if len(want) > 0 {
			t.Errorf("rows missing: %v in %+v", want, p.ClassCard)
		}
	})
}

// Every row of a class card says what a planned tree of that tape reading gets.
func TestRules_ClassCardAgreesWithTrees(t *testing.T) {
	c := plainCard()
	c.Uses[0].Tree.Max = q.Known(cm(60, 1))
	c.Uses[0].Limits.PerYear = q.Known(q.ML(exact.Int(110)))
	block := []tree.Tree{taped("A", 203), taped("B", 305), taped("C", 377), taped("D", 421)}
	j, err := plan.Decide(plainRequest(c), plan.Slice(block))
	if err != nil {
		t.Fatal(err)
	}
	rows := j.Plan.ClassCard
	if len(rows) < 4 {
		t.Fatalf("%d rows", len(rows))
	}
	look := func(s tree.Stem) (int, plan.Microlitres) {
		s.MeasuredAt = q.Known(cm(137, 1))
		n, v := 0, plan.Microlitres(0)
		if err := j.Lay(plan.Slice([]tree.Tree{{Tag: "X", Stems: []tree.Stem{s}}}), func(ts []plan.Tree) error {
			for _, u := range ts {
				n, v = len(u.Ports), u.Fill
				if u.Dose > 110_000 {
					t.Errorf("%v mL at %v cm, over the year's limit", u.Dose, u.DiameterCM)
				}
			}
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		return n, v
	}
	for _, r := range rows {
		for k := int64(math.Round(r.FromCM * 10)); k <= int64(math.Round(r.ToCM*10)); k++ {
			if n, v := look(tree.FromDiameter(cm(k, 10))); n != r.Ports || v != r.Volume {
				t.Fatalf("%v cm: tree %d x %v, card %+v", float64(k)/10, n, v, r)
			}
		}
		if r.GirthFromCM == 0 {
			t.Errorf("no girths for %+v", r)
		}
		for k := int64(math.Round(r.GirthFromCM * 10)); k > 0 && k <= int64(math.Round(r.GirthToCM*10)); k++ {
			if n, v := look(tree.FromGirth(cm(k, 10))); n != r.Ports || v != r.Volume {
				t.Fatalf("girth %v cm: tree %d x %v, card %+v", float64(k)/10, n, v, r)
			}
		}
	}
}

// One value on a card is its maximum; below 90 % of it the program warns and
// goes on (SCIENCE S3). 3 mL/cm x 30 cm = 90 mL, but 9 ports of 7 mL hold 63.
func TestRules_SingleValueOnlyWarns(t *testing.T) {
	c := plainCard()
	c.Uses[0].Rate = q.Known(label.Rate{Per: label.PerDiameter, Low: exact.Int(3), High: exact.Int(3), Single: true})
	c.Uses[0].Ports.Volume = q.Known(rng[q.VolumeKind](exact.Int(2), exact.Int(7)))
	r := plainRequest(c)
	r.Basis = plan.ByTree
	p, err := plan.Make(r, []tree.Tree{taped("T", 300)})
	if err != nil || len(p.Trees) != 1 || p.Trees[0].Dose != 63_000 {
		t.Fatalf("%v %+v %v", err, p.Trees, p.RefusedTrees)
	}
	if !slices.Contains(ids(p.Findings), "dose-under-single-rate") {
		t.Errorf("no warning: %v", ids(p.Findings))
	}
	// The same by a limit of one application instead of the ports.
	c.Uses[0].Ports.Volume = plainCard().Uses[0].Ports.Volume
	c.Uses[0].Limits.PerApplication = q.Known(q.ML(exact.Int(60)))
	r.Card = c
	p, err = plan.Make(r, []tree.Tree{taped("T", 300)})
	if err != nil || len(p.Trees) != 1 || p.Trees[0].Dose != 60_000 {
		t.Fatalf("%v %+v %v", err, p.Trees, p.RefusedTrees)
	}
}
