package plan

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan/label"
)

// demoCard is the injection of an invented card, with round figures.
func demoCard() label.Card {
	cm := func(n int64) q.Length { return q.Cm(exact.Int(n)) }
	mm := func(n int64) q.Length { return q.Cm(exact.Frac(n, 10)) }
	span := func(a, b q.Length) q.Opt[q.Range[q.LengthKind]] {
		return q.Known(q.Range[q.LengthKind]{Low: a, High: b})
	}
	return label.Card{
		Product: label.Product{
			Name: "Invented Product A", Invented: true,
			Registration: label.Registration{Number: "DEMO-0001", Territory: []string{"DEMO"}},
			Actives:      []label.Active{{Name: "invented active a", Content: q.Known(q.Of[q.DensityKind](exact.Frac(1, 5)))}},
		},
		Verified: label.Verified{EnteredBy: "adviser", CheckedBy: "crew lead", CheckedOn: day("2026-02-03")},
		Uses: []label.Use{{
			Method: label.Injection, Sites: []label.Site{{Name: "elm"}}, Targets: []string{"vascular wilt"},
			Measure: label.Measure{At: q.Known(q.Cm(exact.Int(137))), Stems: label.StemsEach},
			Tree:    label.TreeRule{Min: q.Known(cm(10)), Max: q.Known(cm(120))},
			Rate:    q.Known(label.Rate{Per: label.PerDiameter, Low: exact.Frac(5, 2), High: exact.Frac(7, 2)}),
			Ports: label.PortRule{
				Places: []label.Place{label.RootFlare, label.Trunk}, Spacing: span(cm(10), cm(16)),
				Volume: q.Known(q.Range[q.VolumeKind]{Low: q.ML(exact.Int(2)), High: q.ML(exact.Int(20))}),
				Hole:   q.Known(mm(6)), SapwoodDepth: span(mm(12), mm(35)),
			},
		}},
	}
}

func randomTrees(n int, seed uint64) []tree.Tree {
	rng := rand.New(rand.NewPCG(seed, 1))
	out := make([]tree.Tree, n)
	for i := range out {
		mm := int64(math.Min(900, math.Max(120, 370*math.Exp(0.25*rng.NormFloat64()))))
		s := tree.FromDiameter(q.Cm(exact.Frac(mm, 10)))
		s.MeasuredAt = q.Known(q.Cm(exact.Int(137)))
		out[i] = tree.Tree{Tag: fmt.Sprintf("T%07d", i), Species: "Ulmus minor", Wood: tree.RingPorous, Stems: []tree.Stem{s}}
	}
	return out
}

func BenchmarkPlan100k(b *testing.B) {
	trees := randomTrees(100_000, 1)
	r := Request{Card: demoCard(), Method: label.Injection, Basis: ByFills}
	b.ReportAllocs()
	for b.Loop() {
		j, err := Decide(r, Slice(trees))
		if err != nil {
			b.Fatal(err)
		}
		if err := j.Lay(Slice(trees), func([]Tree) error { return nil }); err != nil {
			b.Fatal(err)
		}
	}
}
