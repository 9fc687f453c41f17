package plan_test

import (
	"fmt"
	"time"

	"sapward/finding"
	"sapward/measure/civil"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan"
	"sapward/plan/label"

	"pgregory.net/rapid"
)

// Generators of cards, blocks and requests. All products are invented. The
// figures are drawn on decimal grids, as people type them.

type world struct {
	r     plan.Request
	trees []tree.Tree
}

func cm(n, d int64) q.Length { return q.Cm(exact.Frac(n, d)) }

func rng[K q.Kind](low, high exact.Rat) q.Range[K] {
	return q.Range[K]{Low: q.Of[K](low), High: q.Of[K](high)}
}

func one[K q.Kind](high exact.Rat) q.Range[K] {
	return q.Range[K]{Low: q.Of[K](high), High: q.Of[K](high), Single: true}
}

func date(s string) civil.Date {
	d, err := civil.Parse(s)
	if err != nil {
		panic(err)
	}
	return d
}

// chance is true about once in n draws.
func chance(t *rapid.T, n int, name string) bool { return rapid.IntRange(1, n).Draw(t, name) == 1 }

func frac(t *rapid.T, low, high, den int64, name string) exact.Rat {
	return exact.Frac(rapid.Int64Range(low, high).Draw(t, name), den)
}

// plainCard is an invented injection card with round figures; tests change it.
func plainCard() label.Card {
	return label.Card{
		Product: label.Product{
			Name: "Invented Product A", Invented: true, RestrictedStated: true, AgriculturalStated: true,
			Registration: label.Registration{Number: "DEMO-0001", Territory: []string{"DEMO"}, Valid: civil.Period{From: date("2020-01-01"), To: date("2032-12-31")}},
			Actives:      []label.Active{{Name: "invented active a", Content: q.Known(q.Of[q.DensityKind](exact.Frac(1, 5)))}},
		},
		Verified: label.Verified{EnteredBy: "adviser", CheckedBy: "crew lead", CheckedOn: date("2026-02-03")},
		Uses: []label.Use{{
			Method: label.Injection, Sites: []label.Site{{Name: "elm", FoodStated: true}}, Targets: []string{"vascular wilt"},
			Measure: label.Measure{At: q.Known(cm(137, 1)), Stems: label.StemsEach},
			Tree:    label.TreeRule{Min: q.Known(cm(10, 1)), Max: q.Known(cm(120, 1))},
			Rate:    q.Known(label.Rate{Per: label.PerDiameter, Low: exact.Frac(5, 2), High: exact.Frac(7, 2)}),
			Ports: label.PortRule{
				Places: []label.Place{label.RootFlare, label.Trunk}, Spacing: q.Known(rng[q.LengthKind](exact.Int(10), exact.Int(16))),
				Volume: q.Known(rng[q.VolumeKind](exact.Int(2), exact.Int(20))), Hole: q.Known(cm(6, 10)),
			},
			Reentry: label.Reentry{Stated: true, None: true},
		}},
	}
}

func plainRequest(c label.Card) plan.Request {
	return plan.Request{Card: c, Method: c.Uses[0].Method, Site: "elm", Target: "vascular wilt", Territory: "DEMO", Basis: plan.ByFills, LevelName: "target", On: date("2026-06-15")}
}

func taped(tag string, tenths int64) tree.Tree {
	s := tree.FromDiameter(cm(tenths, 10))
	s.MeasuredAt = q.Known(cm(137, 1))
	return tree.Tree{Tag: tag, Stems: []tree.Stem{s}}
}

var rateForms = []string{"diameter", "girth", "canopy diameter", "canopy volume", "basal area", "bands", "bands with ports", "tree", "classes", "port", "diameter, active", "tree, active"}

// genRate draws a rate whose dose at 30 cm is some tens of mL.
func genRate(t *rapid.T) (r label.Rate) {
	form := rapid.SampledFrom(rateForms).Draw(t, "rate form")
	single := chance(t, 4, "single rate")
	pair := func(lowTenths, highTenths, unit int64) (exact.Rat, exact.Rat) {
		high := frac(t, lowTenths, highTenths, unit, "rate high")
		if single {
			return high, high
		}
		return high.Mul(frac(t, 40, 100, 100, "rate low share")), high
	}
	r.Single = single
	switch form {
	case "diameter":
		r.Per = label.PerDiameter
		r.Low, r.High = pair(5, 45, 10)
	case "diameter, active":
		r.Per, r.Active = label.PerDiameter, true
		r.Low, r.High = pair(10, 90, 100)
	case "girth":
		r.Per = label.PerGirth
		r.Low, r.High = pair(3, 14, 10)
	case "canopy diameter":
		r.Per = label.PerCanopyDiameter
		r.Low, r.High = pair(5, 25, 100)
	case "canopy volume":
		r.Per, r.Shape = label.PerCanopyVolume, frac(t, 3, 8, 10, "shape")
		r.Low, r.High = pair(2, 9, 10_000_000)
	case "basal area":
		r.Per = label.PerBasalArea
		r.Low, r.High = pair(300, 1600, 1)
	case "bands", "bands with ports":
		r.Per = label.PerBand
		from := exact.Int(5)
		for i := range rapid.IntRange(1, 5).Draw(t, "bands") {
			to := from.Add(frac(t, 50, 300, 10, "band width"))
			low, high := pair(150+int64(i)*150, 400+int64(i)*200, 10)
			b := label.Band{From: q.Cm(from), To: q.Cm(to), Low: low, High: high}
			if form == "bands with ports" {
				b.Ports = rapid.IntRange(2, 12).Draw(t, "band ports")
			}
			r.Bands, from = append(r.Bands, b), to
		}
	case "tree", "tree, active":
		r.Per, r.Active = label.PerTree, form == "tree, active"
		if r.Active {
			r.Low, r.High = pair(40, 200, 10)
		} else {
			r.Low, r.High = pair(300, 1500, 10)
		}
	case "classes":
		r.Per = label.PerTree
		for _, name := range []string{"young", "bearing", "old"} {
			low, high := pair(300, 1500, 10)
			r.Classes = append(r.Classes, label.Class{Name: name, Low: low, High: high})
		}
	case "port":
		r.Per = label.PerPort
		r.Low, r.High = pair(20, 250, 10)
	}
	return r
}

func genPorts(t *rapid.T, method label.Method) (p label.PortRule) {
	p.Places = rapid.SampledFrom([][]label.Place{nil, {label.RootFlare}, {label.Trunk}, {label.RootFlare, label.Trunk}, {label.RootFlare, label.Trunk, label.OnLimb}, {label.Trunk, label.OnLimb}}).Draw(t, "places")
	switch rapid.IntRange(0, 5).Draw(t, "spacing form") {
	case 0:
		p.Spacing = q.Known(one[q.LengthKind](frac(t, 100, 250, 10, "spacing")))
	case 1:
	default:
		low := frac(t, 40, 90, 10, "spacing low")
		p.Spacing = q.Known(rng[q.LengthKind](low, low.Mul(frac(t, 15, 35, 10, "spacing ratio"))))
	}
	scale := exact.Int(1)
	if method == label.Infusion {
		scale = exact.Int(100)
	}
	switch rapid.IntRange(0, 5).Draw(t, "volume form") {
	case 0:
		p.Volume = q.Known(one[q.VolumeKind](frac(t, 80, 300, 10, "volume").Mul(scale)))
	default:
		p.Volume = q.Known(rng[q.VolumeKind](frac(t, 2, 40, 10, "volume low").Mul(scale), frac(t, 60, 300, 10, "volume high").Mul(scale)))
	}
	if chance(t, 5, "min ports") {
		p.Min = rapid.IntRange(1, 6).Draw(t, "min")
	}
	if chance(t, 3, "max ports") {
		p.Max = rapid.IntRange(10, 40).Draw(t, "max")
	}
	if chance(t, 6, "density min") {
		p.DensityMin = q.Known(q.Of[q.CountPerLengthKind](frac(t, 2, 6, 100, "least a cm")))
	}
	if chance(t, 6, "density max") {
		p.DensityMax = q.Known(q.Of[q.CountPerLengthKind](frac(t, 12, 30, 100, "most a cm")))
	}
	if !chance(t, 5, "no hole") {
		p.Hole = q.Known(q.Cm(frac(t, 3, 7, 10, "hole")))
	}
	if chance(t, 3, "depth") {
		p.SapwoodDepth = q.Known(rng[q.LengthKind](frac(t, 8, 14, 10, "depth low"), frac(t, 25, 50, 10, "depth high")))
	}
	if chance(t, 4, "height") {
		low := frac(t, 0, 40, 1, "height low")
		p.Height = q.Known(rng[q.LengthKind](low, low.Add(frac(t, 0, 60, 1, "height span"))))
	}
	if chance(t, 5, "stagger") {
		p.Stagger = q.Known(q.Cm(frac(t, 0, 60, 10, "stagger")))
	}
	if chance(t, 3, "keep out") {
		p.KeepOut.Sideways = q.Known(q.Cm(frac(t, 10, 80, 10, "sideways")))
	}
	if chance(t, 4, "keep out heights") {
		p.KeepOut.Below, p.KeepOut.Above = q.Known(q.Cm(frac(t, 0, 50, 1, "below"))), q.Known(q.Cm(frac(t, 0, 250, 1, "above")))
	}
	if chance(t, 3, "wound max") {
		p.WoundMax = q.Known(q.Of[q.PercentKind](frac(t, 15, 45, 1, "wound max")))
	}
	return p
}

func genLimits(t *rapid.T) (l label.Limits) {
	l.Year = rapid.SampledFrom([]label.YearRule{"", label.YearRolling, label.YearCalendar, label.YearSeason}).Draw(t, "year rule")
	if l.Year == label.YearSeason {
		l.SeasonStarts = rapid.IntRange(1, 12).Draw(t, "season starts")
	}
	if chance(t, 3, "applications") {
		l.Applications = rapid.IntRange(1, 3).Draw(t, "allowed")
		l.ApplicationsPer = rapid.SampledFrom([]string{"year", "season", "life"}).Draw(t, "per")
	}
	if chance(t, 3, "interval") {
		l.Interval = q.Known(q.Hours(frac(t, 24*20, 24*400, 1, "interval hours")))
	}
	if chance(t, 3, "per application") {
		l.PerApplication = q.Known(q.ML(frac(t, 300, 2500, 10, "most an application")))
	}
	if chance(t, 3, "per year") {
		l.PerYear = q.Known(q.ML(frac(t, 300, 3000, 10, "most a year")))
	}
	if chance(t, 4, "per area") {
		l.ActivePerArea = q.Known(q.Of[q.MassPerAreaKind](frac(t, 50, 4000, 10_000, "g a m2")))
	}
	return l
}

func genUse(t *rapid.T, method label.Method) label.Use {
	u := label.Use{
		Method: method, Sites: []label.Site{{Name: "elm", FoodStated: true}}, Targets: []string{"vascular wilt"},
		Reentry: label.Reentry{Stated: true, None: true}, Ports: genPorts(t, method), Limits: genLimits(t),
		Measure: label.Measure{Stems: rapid.SampledFrom([]label.StemRule{label.StemsUnsaid, label.StemsEach, label.StemsEach, label.StemsRootSumSquare, label.StemsSum}).Draw(t, "stem rule")},
	}
	if chance(t, 2, "measure at") {
		u.Measure.At = q.Known(cm(137, 1))
	}
	// Always bounded: a class card is worked out for every size between.
	u.Tree.Min, u.Tree.Max = q.Known(q.Cm(frac(t, 80, 200, 10, "least tree"))), q.Known(q.Cm(frac(t, 350, 600, 10, "greatest tree")))
	if chance(t, 4, "crown loss") {
		u.Tree.CrownLossMax = q.Known(q.Of[q.PercentKind](frac(t, 5, 40, 1, "crown loss max")))
	}
	if method == label.Injection || !chance(t, 3, "no rate") {
		u.Rate = q.Known(genRate(t))
	}
	if method == label.Infusion {
		d := label.Dilution{}
		low := frac(t, 10, 40, 10_000, "concentration low")
		d.Concentration = rng[q.VolumePerVolumeKind](low, low.Mul(frac(t, 10, 40, 10, "concentration ratio")))
		if chance(t, 4, "one concentration") {
			d.Concentration = one[q.VolumePerVolumeKind](low)
		}
		switch high := frac(t, 400, 2000, 1, "mix high"); rapid.IntRange(0, 4).Draw(t, "mix form") {
		case 0:
			d.MixPer = q.Known(one[q.VolumePerLengthKind](high))
		case 1:
			d.MixPerTree = q.Known(rng[q.VolumeKind](high.Mul(exact.Int(10)), high.Mul(exact.Int(40))))
		case 2:
			d.MixPer = q.Known(rng[q.VolumePerLengthKind](high.Mul(frac(t, 10, 90, 100, "mix low share")), high))
		case 3:
			d.MixPerTree = q.Known(one[q.VolumeKind](high.Mul(exact.Int(40))))
		default:
			d.MixPer = q.Known(one[q.VolumePerLengthKind](high))
		}
		u.Dilution = q.Known(d)
	}
	return u
}

func genCard(t *rapid.T) label.Card {
	c := plainCard()
	c.Uses = nil
	method := rapid.SampledFrom([]label.Method{label.Injection, label.Injection, label.Infusion}).Draw(t, "method")
	c.Uses = append(c.Uses, genUse(t, method))
	if chance(t, 4, "other use") {
		other := label.Injection
		if method == label.Injection {
			other = label.Infusion
		}
		c.Uses = append(c.Uses, genUse(t, other))
	}
	c.Product.Actives[0].Content = q.Known(q.Of[q.DensityKind](frac(t, 5, 60, 100, "content")))
	if chance(t, 4, "content by mass") {
		c.Product.Actives[0].Content = q.Opt[q.Density]{}
		c.Product.Actives[0].Share = q.Known(q.Of[q.MassFractionKind](frac(t, 5, 60, 100, "share")))
		c.Product.Density = q.Known(q.Of[q.DensityKind](frac(t, 80, 130, 100, "density")))
	}
	return c
}

func genStem(t *rapid.T, name string) tree.Stem {
	var s tree.Stem
	if chance(t, 2, "girth taped") {
		s = tree.FromGirth(q.Cm(frac(t, 300, 1400, 10, "girth")))
	} else {
		s = tree.FromDiameter(q.Cm(frac(t, 90, 450, 10, "diameter")))
	}
	s.Name = name
	if !chance(t, 8, "height of tape unknown") {
		s.MeasuredAt = q.Known(q.Cm(frac(t, 1355, 1385, 10, "taped at")))
	}
	if chance(t, 2, "flare taped") {
		s.Flare = q.Known(q.Cm(frac(t, 400, 1800, 10, "flare girth")))
	}
	if chance(t, 2, "bark gauged") {
		s.Bark = q.Known(q.Cm(frac(t, 3, 40, 10, "bark")))
	}
	return s
}

// genTree draws a tree and the rows of the side tables about it.
func genTree(t *rapid.T, tag string, r *plan.Request) tree.Tree {
	x := tree.Tree{Tag: tag, Wood: rapid.SampledFrom([]tree.Wood{"", tree.RingPorous, tree.DiffusePorous, tree.Conifer}).Draw(t, "wood")}
	names := []string{""}
	if chance(t, 4, "several stems") {
		names = []string{"a", "b", "c"}[:rapid.IntRange(2, 3).Draw(t, "stems")]
	}
	for _, n := range names {
		x.Stems = append(x.Stems, genStem(t, n))
	}
	x.AgeClass = rapid.SampledFrom([]string{"young", "bearing", "old", "old", "bearing", "", "ancient"}).Draw(t, "age class")
	if !chance(t, 8, "crown missing") {
		x.Crown = q.Known(q.Cm(frac(t, 100, 1500, 1, "crown")))
	}
	if !chance(t, 8, "height missing") {
		x.Height = q.Known(q.Cm(frac(t, 200, 2500, 1, "height")))
	}
	if !chance(t, 8, "crown loss missing") {
		x.CrownLoss = q.Known(q.Of[q.PercentKind](frac(t, 0, 30, 1, "loss")))
	}
	x.Status = rapid.SampledFrom([]tree.Status{"", tree.Healthy, tree.Healthy, tree.Healthy, tree.Healthy, tree.Suspect, tree.Symptomatic, tree.Dead}).Draw(t, "status")
	stem := func() string {
		return rapid.SampledFrom(append([]string{""}, names...)).Draw(t, "stem of row")
	}
	if chance(t, 3, "wounds") {
		for range rapid.IntRange(1, 6).Draw(t, "number of wounds") {
			r.Wounds = append(r.Wounds, tree.Wound{
				Tree: tag, Stem: stem(), AzimuthDeg: rapid.Float64Range(0, 359.99).Draw(t, "wound at"), Height: q.Cm(frac(t, 0, 200, 1, "wound height")),
				Year: rapid.SampledFrom([]int{0, 2019, 2021, 2022, 2023, 2024, 2025}).Draw(t, "wound year"), Closed: chance(t, 2, "closed"), Hole: q.Cm(frac(t, 3, 15, 10, "wound hole")),
			})
		}
	}
	if chance(t, 3, "obstacles") {
		for range rapid.IntRange(1, 3).Draw(t, "number of obstacles") {
			from := rapid.Float64Range(0, 359.9).Draw(t, "from")
			to := from + rapid.Float64Range(0, 60).Draw(t, "arc")
			if to >= 360 {
				to -= 360
			}
			r.Obstacles = append(r.Obstacles, tree.Obstacle{Tree: tag, Stem: stem(), FromDeg: from, ToDeg: to, Kind: rapid.SampledFrom([]string{"canker", "crack", "flare", "root flare"}).Draw(t, "kind")})
		}
	}
	if chance(t, 3, "limbs") {
		for i := range rapid.IntRange(1, 3).Draw(t, "number of limbs") {
			r.Limbs = append(r.Limbs, tree.Limb{Tree: tag, Name: fmt.Sprintf("L%d", i), Height: q.Cm(frac(t, 100, 400, 1, "limb height")), Diameter: q.Cm(frac(t, 50, 400, 10, "limb diameter"))})
		}
	}
	if chance(t, 3, "history") {
		for range rapid.IntRange(1, 2).Draw(t, "number of rows") {
			r.History = append(r.History, genTreatment(t, tag))
		}
	}
	return x
}

func genTreatment(t *rapid.T, tag string) tree.Treatment {
	h := tree.Treatment{Tree: tag, Active: "invented active a"}
	switch rapid.IntRange(0, 5).Draw(t, "row names") {
	case 0:
		h.Active, h.Product = "", "Invented Product A"
	case 1:
		h.Active, h.Product = "invented active b", "Invented Product B"
	case 2:
		h.Active, h.Product = "Invented Active A", "Invented Product C"
	}
	if !chance(t, 10, "row without date") {
		h.DateEnd = civil.Of(time.Date(2026, 6, 15, 0, 0, 0, 0, time.UTC)).AddDays(-rapid.IntRange(0, 900).Draw(t, "days ago"))
	}
	if !chance(t, 6, "row without volume") {
		h.ProductVolume = q.Known(q.ML(frac(t, 50, 1200, 10, "earlier volume")))
	}
	if !chance(t, 3, "row without mass") {
		h.ActiveMass = q.Known(q.Grams(frac(t, 10, 400, 10, "earlier mass")))
	}
	h.Method = rapid.SampledFrom([]string{"", "injection", "infusion"}).Draw(t, "earlier method")
	return h
}

func genWorld(t *rapid.T) world {
	var w world
	c := genCard(t)
	w.r = plainRequest(c)
	r := &w.r
	r.Basis = rapid.SampledFrom([]plan.Basis{plan.ByFills, plan.ByFills, plan.ByFills, plan.ByTree, plan.ByTree, plan.ByMean}).Draw(t, "basis")
	if r.Basis == plan.ByFills && chance(t, 3, "fill count") {
		r.FillCount = rapid.IntRange(1, 4).Draw(t, "fills")
	}
	r.LevelName = rapid.SampledFrom([]string{"", "low", "target", "high"}).Draw(t, "level")
	if chance(t, 2, "graduation") {
		ul := rapid.SampledFrom([]int64{250, 500, 1000, 2000}).Draw(t, "graduation uL")
		if r.Method == label.Infusion {
			ul *= 50
		}
		r.Graduation = q.Known(q.ML(exact.Frac(ul, 1000)))
	} else if r.Method == label.Infusion {
		r.Graduation = q.Known(q.ML(exact.Int(10)))
	}
	if chance(t, 8, "leap day") {
		r.On = date("2024-02-29")
	} else if chance(t, 12, "no day") {
		r.On = civil.Date{}
	}
	if chance(t, 2, "area") {
		r.Area = q.Known(q.Of[q.AreaKind](frac(t, 3_000, 200_000, 1, "area m2")))
	}
	r.MarkAzimuthDeg = rapid.SampledFrom([]float64{0, 0, 45, 359.5}).Draw(t, "mark")
	if chance(t, 3, "limb share") {
		r.LimbShare, r.Climber = frac(t, 1, 9, 10, "share of limbs"), chance(t, 2, "climber")
	}
	if chance(t, 4, "overrides") {
		r.Overrides = map[string]string{}
		for _, id := range []string{"wounds-too-many", "ports-no-room", "dose-below-rate"} {
			if chance(t, 2, id) {
				r.Overrides[id] = "adviser looked at the tree"
			}
		}
	}
	n := rapid.IntRange(3, 9).Draw(t, "trees")
	for i := range n {
		w.trees = append(w.trees, genTree(t, fmt.Sprintf("T%02d", i), r))
	}
	if s := useOf(*r).Ports.Spacing; !s.Known || s.Value.Single {
		r.Wounds, r.Obstacles = nil, nil // unequal spacing without a least distance is slow
	}
	if chance(t, 8, "block row of history") {
		r.History = append(r.History, genTreatment(t, ""))
	}
	return w
}

// ids lists the identifiers of findings.
func ids(fs []finding.Finding) (out []string) {
	for _, f := range fs {
		out = append(out, f.ID)
	}
	return out
}
