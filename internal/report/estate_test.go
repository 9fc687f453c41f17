package report

import (
	"bytes"
	"fmt"
	"math"
	"testing"
	"time"

	"sapward/internal/cardfile"
	"sapward/internal/demo"
	"sapward/internal/exchange"
	"sapward/internal/lang"
	"sapward/measure/civil"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan"
	"sapward/plan/crew"
	"sapward/plan/label"
)

// created is the date of every document of the tests.
var created = time.Date(2026, 6, 10, 8, 0, 0, 0, time.UTC)

// want says which invented document a test asks for.
type want struct {
	block, lang, units, paper string
	change                    func(*plan.Request)
	crew                      *plan.Crew
	trees                     []tree.Tree
	wounds                    []tree.Wound
}

// ask fills in what a test leaves open: avenue, English, metric, A4, two people.
func ask(w want) want {
	if w.block == "" {
		w.block = "avenue"
	}
	if w.lang == "" {
		w.lang = "en"
	}
	if w.units == "" {
		w.units = "metric"
	}
	if w.paper == "" {
		w.paper = "a4"
	}
	if w.crew == nil {
		w.crew = &plan.Crew{People: []crew.Person{{ID: "1"}, {ID: "2"}}, Kicks: -1}
	}
	return w
}

// estate reads the demo estate's files by the readers of the program and makes
// the plan as a user's would be made.
func estate(t testing.TB, w want) Input {
	t.Helper()
	w = ask(w)
	files := demo.Files()
	file := func(name string) *bytes.Reader {
		data, ok := files[w.block+"/"+name]
		if !ok {
			t.Fatalf("no file %s/%s", w.block, name)
		}
		return bytes.NewReader(data)
	}
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	loaded, err := cardfile.Parse(files[w.block+"/card.yaml"], "card.yaml")
	must(err)
	in := Input{Name: w.block, Paper: w.paper, Created: created, CardText: loaded.Card, Say: lang.New(w.lang, w.units)}
	r := plan.Request{Engine: "0.0.0-test", Seed: 7, CardHash: loaded.Hash, Card: loaded.Card, Method: label.Injection, Territory: "DEMO", Basis: plan.ByFills, LevelName: "target"}
	switch w.block {
	case "avenue":
		r.Site, r.Target, r.On, r.Bloom = "elm", "vascular wilt", civil.Date{Year: 2026, Month: 6, Day: 17}, plan.NoBloom
		r.Area, r.CertificateUntil = hectares(12, 10), civil.Date{Year: 2027, Month: 12, Day: 31}
		in.Wounds, _, err = exchange.ReadWounds(file("wounds.csv"), "wounds.csv")
		must(err)
		in.Obstacles, _, err = exchange.ReadObstacles(file("obstacles.csv"), "obstacles.csv")
		must(err)
		in.Limbs, _, err = exchange.ReadLimbs(file("limbs.csv"), "limbs.csv")
		must(err)
		r.History, _, err = exchange.ReadHistory(file("history.csv"), "history.csv")
		must(err)
	case "chestnut":
		r.Site, r.Target, r.On, r.Bloom = "sweet chestnut", "root rot", civil.Date{Year: 2026, Month: 6, Day: 15}, plan.PetalFall
		r.Area, r.CertificateUntil, r.HarvestFrom = hectares(24, 10), civil.Date{Year: 2027, Month: 12, Day: 31}, civil.Date{Year: 2026, Month: 10, Day: 5}
	}
	in.Block, _, err = exchange.ReadTrees(file("trees.csv"), "trees.csv")
	must(err)
	if w.trees != nil {
		in.Block, in.Wounds, in.Obstacles, in.Limbs, r.History = w.trees, w.wounds, nil, nil, nil
	}
	r.Wounds, r.Obstacles, r.Limbs = in.Wounds, in.Obstacles, in.Limbs
	if w.change != nil {
		w.change(&r)
	}
	job, err := plan.Decide(r, plan.Slice(in.Block))
	must(err)
	p := job.Plan
	if in.Say.US {
		p.ClassCard = job.ClassCard(exact.Frac(254, 1000))
	}
	p.Trees = []plan.Tree{}
	must(job.Lay(plan.Slice(in.Block), func(ts []plan.Tree) error { p.Trees = append(p.Trees, ts...); return nil }))
	in.Outfit, err = plan.Equip(p, in.Block, r, *w.crew)
	must(err)
	in.Plan = p
	return in
}

func hectares(n, d int64) q.Opt[q.Area] {
	return q.Known(q.Of[q.AreaKind](exact.Frac(n, d).Mul(exact.Int(10_000))))
}

// grid is an invented block of n trees in rows, every tenth with two old holes.
func grid(n int) ([]tree.Tree, []tree.Wound) {
	trees := make([]tree.Tree, n)
	var wounds []tree.Wound
	for i := range trees {
		tag := fmt.Sprintf("G%05d", i+1)
		cm := 300 + int64(i*37%280) // tenths
		s := tree.FromDiameter(q.New[q.LengthKind](cm, "mm"))
		s.MeasuredAt = q.Known(q.New[q.LengthKind](1370, "mm"))
		s.Bark = q.Known(q.New[q.LengthKind](14, "mm"))
		trees[i] = tree.Tree{Tag: tag, Row: i + 2, Stems: []tree.Stem{s}, Species: "Ulmus minor", Wood: tree.RingPorous, Status: tree.Healthy,
			CrownLoss: q.Known(q.New[q.PercentKind](1, "%")), X: q.Known(float64(i%100) * 6), Y: q.Known(math.Floor(float64(i)/100) * 7)}
		if i%10 == 3 {
			for k := range 2 {
				wounds = append(wounds, tree.Wound{Tree: tag, AzimuthDeg: float64((i*71 + k*140) % 360), Height: q.New[q.LengthKind](200, "mm"), Year: 2025, Hole: q.New[q.LengthKind](6, "mm")})
			}
		}
	}
	return trees, wounds
}

// render writes the document and returns it with what was placed.
func render(t testing.TB, in Input) ([]byte, *placings) {
	t.Helper()
	var b bytes.Buffer
	seen := &placings{}
	if err := write(&b, in, seen); err != nil {
		t.Fatal(err)
	}
	return b.Bytes(), seen
}
