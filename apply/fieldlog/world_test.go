package fieldlog_test

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"sapward/apply/fieldlog"
	"sapward/measure/civil"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan"
	"sapward/plan/label"
)

// card is an invented card: 2.5 to 3.5 mL per cm of diameter, ports 10 to 16 cm
// apart, 2 to 20 mL each.
func card() label.Card {
	cm := func(n, d int64) q.Length { return q.Cm(exact.Frac(n, d)) }
	return label.Card{
		Product: label.Product{
			Name: "Invented Product A", Invented: true, RestrictedStated: true, AgriculturalStated: true,
			Registration: label.Registration{Number: "DEMO-0001", Territory: []string{"DEMO"}, Valid: civil.Period{From: civil.Date{Year: 2020, Month: 1, Day: 1}, To: civil.Date{Year: 2032, Month: 12, Day: 31}}},
			Actives:      []label.Active{{Name: "invented active a", Content: q.Known(q.Of[q.DensityKind](exact.Frac(1, 5)))}},
		},
		Verified: label.Verified{EnteredBy: "adviser", CheckedBy: "crew lead", CheckedOn: civil.Date{Year: 2026, Month: 2, Day: 3}},
		Uses: []label.Use{{
			Method: label.Injection, Sites: []label.Site{{Name: "elm", FoodStated: true}}, Targets: []string{"vascular wilt"},
			Measure: label.Measure{At: q.Known(cm(137, 1)), Stems: label.StemsEach},
			Tree:    label.TreeRule{Min: q.Known(cm(10, 1)), Max: q.Known(cm(120, 1))},
			Rate:    q.Known(label.Rate{Per: label.PerDiameter, Low: exact.Frac(5, 2), High: exact.Frac(7, 2)}),
			Ports: label.PortRule{
				Places: []label.Place{label.RootFlare, label.Trunk}, Spacing: q.Known(q.Range[q.LengthKind]{Low: cm(10, 1), High: cm(16, 1)}),
				Volume: q.Known(q.Range[q.VolumeKind]{Low: q.ML(exact.Int(2)), High: q.ML(exact.Int(20))}), Hole: q.Known(cm(6, 10)),
				SapwoodDepth: q.Known(q.Range[q.LengthKind]{Low: cm(12, 10), High: cm(35, 10)}),
			},
			Reentry: label.Reentry{Stated: true, None: true},
		}},
	}
}

// pack is a day of trees with the given diameters in cm.
func pack(t testing.TB, diameters ...int64) *fieldlog.Pack {
	t.Helper()
	c := card()
	r := plan.Request{Card: c, Method: label.Injection, Site: "elm", Target: "vascular wilt", Territory: "DEMO", Basis: plan.ByFills, LevelName: "target", On: civil.Date{Year: 2026, Month: 6, Day: 15}}
	var trees []tree.Tree
	for i, d := range diameters {
		s := tree.FromDiameter(q.Cm(exact.Int(d)))
		s.MeasuredAt = q.Known(q.Cm(exact.Int(137)))
		trees = append(trees, tree.Tree{Tag: fmt.Sprintf("T%02d", i+1), Species: "elm", Stems: []tree.Stem{s}})
	}
	job, err := plan.Decide(r, plan.Slice(trees))
	if err != nil {
		t.Fatal(err)
	}
	frame, ok := job.Frame()
	if !ok {
		t.Fatalf("refused: %+v", job.Plan.Refusals)
	}
	p := &fieldlog.Pack{Schema: fieldlog.PackSchema, Day: uuid(0xDA1, 0), Request: r, Frame: frame, GradUL: 500, PortMost: int64(frame.PortMost), HoleUM: 6000, Depth: [2]int64{12, 35},
		Class: job.Plan.ClassCard, Cautions: job.Plan.Cautions, People: []fieldlog.Person{{ID: "p1", Name: "crew one"}, {ID: "p2", Name: "crew two"}}}
	for i, tr := range trees {
		p.Trees = append(p.Trees, fieldlog.PackTree{Tag: tr.Tag, Order: i + 1, Person: "p1", Taped: tr})
	}
	err = job.Lay(plan.Slice(trees), func(ts []plan.Tree) error {
		for _, x := range ts {
			for i := range p.Trees {
				if p.Trees[i].Tag == x.Tag {
					p.Trees[i].Units = append(p.Trees[i].Units, x)
				}
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// uuid makes identifiers that sort by n.
func uuid(n, m uint64) string {
	return fmt.Sprintf("%08x-%04x-7000-8000-%012x", n>>16&0xffffffff, n&0xffff, m)
}

// phone notes events as a device does.
type phone struct {
	t      testing.TB
	log    *fieldlog.Log
	device string
	person string
	seq    int64
	clock  time.Time
	notes  []fieldlog.Event
}

func newPhone(t testing.TB, p *fieldlog.Pack, n uint64) *phone {
	return &phone{t: t, log: fieldlog.NewLog(p), device: uuid(0xD, n), person: fmt.Sprintf("p%d", n), clock: time.Date(2026, 6, 15, 7, 0, 0, 0, time.FixedZone("", 7200))}
}

// note keeps an event whatever the core says of it.
func (p *phone) note(e fieldlog.Event) fieldlog.Event {
	p.t.Helper()
	p.seq++
	p.clock = p.clock.Add(10 * time.Second)
	e.ID = fmt.Sprintf("%08x-%04x-7000-8000-%s", p.clock.Unix()&0xffffffff, p.seq&0xffff, p.device[24:])
	e.Device, e.Person, e.Seq, e.At = p.device, p.person, p.seq, p.clock.Format("2006-01-02T15:04:05.000Z07:00")
	e, err := p.log.Write(e)
	if err != nil {
		p.t.Fatalf("%s: %v", e.Kind, err)
	}
	if isNew, err := p.log.Add(e); err != nil || !isNew {
		p.t.Fatalf("%s: new %v, %v", e.Kind, isNew, err)
	}
	p.notes = append(p.notes, e)
	return e
}

// try notes an event if nothing stands against it, and returns what does.
func (p *phone) try(e fieldlog.Event) []string {
	p.t.Helper()
	if a := p.log.Judge(e).Against; len(a) > 0 {
		var ids []string
		for _, f := range a {
			ids = append(ids, f.ID)
		}
		return ids
	}
	p.note(e)
	return nil
}

func (p *phone) take(events []fieldlog.Event) {
	p.t.Helper()
	for _, e := range events {
		if _, err := p.log.Add(e); err != nil {
			p.t.Fatal(err)
		}
	}
}

func ul(v int64) *int64 { return &v }

func shuffled[T any](r *rand.Rand, in []T) []T {
	out := append([]T(nil), in...)
	r.Shuffle(len(out), func(i, k int) { out[i], out[k] = out[k], out[i] })
	return out
}
