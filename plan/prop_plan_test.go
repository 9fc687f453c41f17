package plan_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"math/rand/v2"
	"os"
	"reflect"
	"runtime"
	"strings"
	"testing"

	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan"
	"sapward/plan/label"

	"pgregory.net/rapid"
)

// Saved failures are not kept in the tree, and a soak makes a hundred times the
// checks; flags on the command line win.
func init() {
	for name, value := range map[string]string{"rapid.nofailfile": "true", "rapid.shrinktime": "5s"} {
		if err := flag.Set(name, value); err != nil {
			panic(err)
		}
	}
	if os.Getenv("SAPWARD_SOAK") == "1" {
		if err := flag.Set("rapid.checks", "10000"); err != nil {
			panic(err)
		}
	}
}

// makePlan plans a world; a request that cannot be planned at all is skipped where
// the fault is one that a generated world may have.
func makePlan(t *rapid.T, w world) (plan.Plan, bool) {
	p, err := plan.Make(w.r, w.trees)
	if err == nil {
		return p, true
	}
	for _, f := range finding.AsFaults(err) {
		switch f.ID {
		case "fill-count-too-small", "graduation-too-coarse", "graduation-too-fine":
		default:
			t.Fatalf("unexpected fault %v", err)
		}
	}
	return p, false
}

func TestProp_PlanKeepsTheCard(t *testing.T) {
	var worlds, planned, units, ports int
	forms := map[string]int{}
	rapid.Check(t, func(t *rapid.T) {
		w := genWorld(t)
		p, ok := makePlan(t, w)
		if !ok {
			return
		}
		worlds++
		if len(p.Trees) > 0 {
			planned++
			units += len(p.Trees)
			u := useOf(w.r)
			form := string(w.r.Method) + " by mix alone"
			if u.Rate.Known {
				form = string(w.r.Method) + " per " + string(u.Rate.Value.Per)
			}
			forms[form]++
		}
		for _, u := range p.Trees {
			ports += len(u.Ports)
		}
		if bad := judgePlan(w.r, w.trees, p); bad != nil {
			t.Fatalf("%s", strings.Join(bad, "\n"))
		}
	})
	t.Logf("%d worlds, %d with doses, %d units, %d ports; %v", worlds, planned, units, ports, forms)
	if !t.Failed() && (planned < worlds/10 || units == 0) {
		t.Errorf("the generator makes too few plans to prove anything: %d of %d", planned, worlds)
	}
}

func document(t *rapid.T, p plan.Plan) []byte {
	b, err := json.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestProp_SameInputSameBytes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := genWorld(t)
		p, ok := makePlan(t, w)
		if !ok {
			return
		}
		want := document(t, p)
		for _, procs := range []int{1, 2} {
			was := runtime.GOMAXPROCS(procs)
			again, err := plan.Make(w.r, w.trees)
			runtime.GOMAXPROCS(was)
			if err != nil || !bytes.Equal(want, document(t, again)) {
				t.Fatalf("other bytes with GOMAXPROCS %d (%v)", procs, err)
			}
		}
		// In chunks of two trees instead of one chunk.
		chunked := plan.Source(func(yield func([]tree.Tree) error) error {
			for i := 0; i < len(w.trees); i += 2 {
				if err := yield(w.trees[i:min(i+2, len(w.trees))]); err != nil {
					return err
				}
			}
			return nil
		})
		j, err := plan.Decide(w.r, chunked)
		if err != nil {
			t.Fatal(err)
		}
		got := j.Plan
		got.Trees = []plan.Tree{}
		if err := j.Lay(chunked, func(ts []plan.Tree) error { got.Trees = append(got.Trees, ts...); return nil }); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(want, document(t, got)) {
			t.Fatal("Decide and Lay differ from Make")
		}
	})
}

// parts is what must not depend on the order of the rows.
type parts struct {
	verdict plan.Verdict
	trees   map[string]string
	refused map[string]bool
	totals  plan.Totals
	fills   []plan.Fill
	classes []plan.ClassRow
	open    map[string]int
}

func partsOf(t *rapid.T, p plan.Plan) parts {
	out := parts{verdict: p.Verdict, trees: map[string]string{}, refused: map[string]bool{}, totals: p.Totals, fills: p.Fills, classes: p.ClassCard, open: map[string]int{}}
	for _, u := range p.Trees {
		b, err := json.Marshal(u)
		if err != nil {
			t.Fatal(err)
		}
		out.trees[u.Tag+"/"+u.Stem] = string(b)
	}
	for _, x := range p.RefusedTrees {
		for _, f := range x.Findings {
			out.refused[x.Tree+"/"+x.Stem+" "+f.ID] = true
		}
	}
	for _, f := range p.Open {
		out.open[f.ID] = f.TreeCount
	}
	return out
}

func TestProp_OrderOfRowsDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := genWorld(t)
		p, ok := makePlan(t, w)
		if !ok {
			return
		}
		rnd := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "shuffle"), 1))
		m := w
		m.trees = append([]tree.Tree(nil), w.trees...)
		m.r.Wounds = append([]tree.Wound(nil), w.r.Wounds...)
		m.r.Obstacles = append([]tree.Obstacle(nil), w.r.Obstacles...)
		m.r.History = append([]tree.Treatment(nil), w.r.History...)
		rnd.Shuffle(len(m.trees), func(i, j int) { m.trees[i], m.trees[j] = m.trees[j], m.trees[i] })
		rnd.Shuffle(len(m.r.Wounds), func(i, j int) { m.r.Wounds[i], m.r.Wounds[j] = m.r.Wounds[j], m.r.Wounds[i] })
		rnd.Shuffle(len(m.r.Obstacles), func(i, j int) { m.r.Obstacles[i], m.r.Obstacles[j] = m.r.Obstacles[j], m.r.Obstacles[i] })
		rnd.Shuffle(len(m.r.History), func(i, j int) { m.r.History[i], m.r.History[j] = m.r.History[j], m.r.History[i] })
		got, ok := makePlan(t, m)
		if !ok {
			t.Fatal("planned in one order only")
		}
		a, b := partsOf(t, p), partsOf(t, got)
		if !reflect.DeepEqual(a, b) {
			for k, v := range a.trees {
				if b.trees[k] != v {
					t.Fatalf("order matters:\n%s\n%s", v, b.trees[k])
				}
			}
			if !reflect.DeepEqual(a.open, b.open) || !reflect.DeepEqual(a.refused, b.refused) {
				t.Fatalf("order matters:\n%v %v\n%v %v", a.open, a.refused, b.open, b.refused)
			}
			t.Fatalf("order matters:\n%+v\n%+v", a.totals, b.totals)
		}
	})
}

// A tighter limit lets no unit through that a looser one stopped. Injection
// only: the one concentration of an infusion is chosen for the trees at hand.
func TestProp_TighterLimitsLetNothingMoreThrough(t *testing.T) {
	half := exact.Frac(1, 2)
	tighten := map[string]func(*world) bool{
		"per application": func(w *world) bool {
			l := &w.r.Card.Uses[0].Limits.PerApplication
			*l = q.Known(q.ML(exact.Int(40)))
			return true
		},
		"per year":      func(w *world) bool { w.r.Card.Uses[0].Limits.PerYear = q.Known(q.ML(exact.Int(40))); return true },
		"greatest tree": func(w *world) bool { w.r.Card.Uses[0].Tree.Max = q.Known(cm(40, 1)); return true },
		"applications": func(w *world) bool {
			l := &w.r.Card.Uses[0].Limits
			l.Applications, l.ApplicationsPer = 1, "life"
			return true
		},
		"interval": func(w *world) bool {
			w.r.Card.Uses[0].Limits.Interval = q.Known(q.Hours(exact.Int(24 * 900)))
			return true
		},
		"port volume": func(w *world) bool {
			v := &w.r.Card.Uses[0].Ports.Volume.Value
			v.High = v.High.Times(half)
			return v.Low.Less(v.High)
		},
		"spacing at least": func(w *world) bool {
			s := &w.r.Card.Uses[0].Ports.Spacing
			if !s.Known || s.Value.Single {
				return false
			}
			s.Value.Low = q.Cm(s.Value.Low.Base().Add(s.Value.High.Base()).Mul(half))
			return true
		},
		"most ports": func(w *world) bool {
			p := &w.r.Card.Uses[0].Ports
			if p.Max != 0 {
				return false
			}
			p.Max = max(p.Min, 7)
			return true
		},
		"density": func(w *world) bool {
			w.r.Card.Uses[0].Ports.DensityMax = q.Known(q.Of[q.CountPerLengthKind](exact.Frac(8, 100)))
			return true
		},
		"wound share": func(w *world) bool {
			w.r.Card.Uses[0].Ports.WoundMax = q.Known(q.Of[q.PercentKind](exact.Int(4)))
			return true
		},
	}
	names := []string{"per application", "per year", "greatest tree", "applications", "interval", "port volume", "spacing at least", "most ports", "density", "wound share"}
	rapid.Check(t, func(t *rapid.T) {
		w := genWorld(t)
		use := &w.r.Card.Uses[0]
		if use.Method != label.Injection {
			return
		}
		w.r.Card.Uses = w.r.Card.Uses[:1]
		w.r.Basis, w.r.FillCount = plan.ByTree, 0
		use.Limits.ActivePerArea = q.Opt[q.MassPerArea]{}
		if name := rapid.SampledFrom(names).Draw(t, "tighter"); true {
			loose, ok := makePlan(t, w)
			if !ok || loose.Verdict == plan.Refused {
				return
			}
			m := w
			m.r.Card.Uses = append([]label.Use(nil), w.r.Card.Uses...)
			was := m.r.Card.Uses[0].Limits
			if !tighten[name](&m) {
				return
			}
			now := m.r.Card.Uses[0].Limits
			if was.PerApplication.Known && was.PerApplication.Value.Less(now.PerApplication.Value) || was.PerYear.Known && was.PerYear.Value.Less(now.PerYear.Value) ||
				was.Interval.Known && now.Interval.Value.Less(was.Interval.Value) {
				return
			}
			if o := w.r.Card.Uses[0]; o.Tree.Max.Known && o.Tree.Max.Value.Less(m.r.Card.Uses[0].Tree.Max.Value) || o.Ports.WoundMax.Known && o.Ports.WoundMax.Value.Less(m.r.Card.Uses[0].Ports.WoundMax.Value) ||
				o.Ports.DensityMax.Known && o.Ports.DensityMax.Value.Less(m.r.Card.Uses[0].Ports.DensityMax.Value) {
				return
			}
			tight, ok := makePlan(t, m)
			if !ok {
				return
			}
			before := partsOf(t, loose).trees
			for unit := range partsOf(t, tight).trees {
				if before[unit] == "" {
					t.Fatalf("a tighter %s lets %s through", name, unit)
				}
			}
		}
	})
}

// Inches and centimetres of the same length give the same document.
func TestProp_UnitsDoNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var inch, metric []tree.Tree
		for i := range rapid.IntRange(1, 6).Draw(t, "trees") {
			n := rapid.Int64Range(40, 170).Draw(t, "tenths of an inch")
			tag := string(rune('A' + i))
			a := tree.FromDiameter(q.New[q.LengthKind](n, "in").Times(exact.Frac(1, 10)))
			text, fault := q.Parse[q.LengthKind](exact.Frac(n*254, 1000).String() + " cm")
			if fault != nil {
				t.Fatal(fault)
			}
			b := tree.FromDiameter(text)
			a.MeasuredAt, b.MeasuredAt = q.Known(q.New[q.LengthKind](54, "in")), q.Known(q.Cm(exact.Frac(13716, 100)))
			inch = append(inch, tree.Tree{Tag: tag, Stems: []tree.Stem{a}})
			metric = append(metric, tree.Tree{Tag: tag, Stems: []tree.Stem{b}})
		}
		c := plainCard()
		c.Uses[0].Tree.Max = q.Known(cm(40, 1))
		r := plainRequest(c)
		if !chance(t, 5, "with a class card") { // which takes most of the time
			r.Basis = plan.ByTree
		}
		p, ok := makePlan(t, world{r, inch})
		// The card's own figures in US units of the same size.
		us := plainCard()
		us.Uses[0].Tree.Max = q.Known(cm(40, 1))
		us.Uses[0].Ports.Spacing = q.Known(q.Range[q.LengthKind]{Low: q.New[q.LengthKind](1000, "in").Times(exact.Frac(1, 254)), High: q.New[q.LengthKind](1600, "in").Times(exact.Frac(1, 254))})
		r.Card = us
		o, ok2 := makePlan(t, world{r, metric})
		if !ok || !ok2 || !bytes.Equal(document(t, p), document(t, o)) {
			t.Fatal("the unit of the tape changes the plan")
		}
	})
}

// Twice as long with half the rate, and twice as much in twice the syringe, are
// the same layout.
func TestProp_Scaling(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := frac(t, 1, 4, 2, "scale of lengths")
		m := rapid.Int64Range(1, 4).Draw(t, "scale of volumes")
		a, b := plainCard(), plainCard()
		a.Uses[0].Tree.Max = q.Known(cm(61, 1))
		b.Uses[0].Tree = label.TreeRule{Min: q.Known(q.Cm(exact.Int(10).Mul(k))), Max: q.Known(q.Cm(exact.Int(61).Mul(k)))}
		s := &b.Uses[0].Ports
		s.Spacing = q.Known(rng[q.LengthKind](exact.Int(10).Mul(k), exact.Int(16).Mul(k)))
		s.Hole = q.Known(q.Cm(exact.Frac(6, 10).Mul(k)))
		s.Volume = q.Known(rng[q.VolumeKind](exact.Int(2*m), exact.Int(20*m)))
		rate := &b.Uses[0].Rate.Value
		rate.Low, rate.High = rate.Low.Quo(k).Mul(exact.Int(m)), rate.High.Quo(k).Mul(exact.Int(m))
		ra, rb := plainRequest(a), plainRequest(b)
		if !chance(t, 5, "with a class card") {
			ra.Basis, rb.Basis = plan.ByTree, plan.ByTree
		}
		rb.Graduation = q.Known(q.ML(exact.Frac(m, 2)))
		var ta, tb []tree.Tree
		for i := range rapid.IntRange(1, 6).Draw(t, "trees") {
			n := rapid.Int64Range(120, 600).Draw(t, "tenths")
			x, y := taped(string(rune('A'+i)), n), taped(string(rune('A'+i)), n)
			y.Stems[0] = tree.FromDiameter(q.Cm(exact.Frac(n, 10).Mul(k)))
			y.Stems[0].MeasuredAt = x.Stems[0].MeasuredAt
			ta, tb = append(ta, x), append(tb, y)
		}
		p, ok := makePlan(t, world{ra, ta})
		o, ok2 := makePlan(t, world{rb, tb})
		if !ok || !ok2 || len(p.Trees) != len(o.Trees) {
			t.Fatalf("%d and %d trees planned", len(p.Trees), len(o.Trees))
		}
		for i := range p.Trees {
			x, y := p.Trees[i], o.Trees[i]
			if y.Dose != x.Dose*plan.Microlitres(m) || len(x.Ports) != len(y.Ports) {
				t.Fatalf("%v in %d ports, scaled %v in %d", x.Dose, len(x.Ports), y.Dose, len(y.Ports))
			}
			for n := range x.Ports {
				if x.Ports[n].AzimuthDeg != y.Ports[n].AzimuthDeg {
					t.Fatal("other azimuths")
				}
			}
		}
	})
}

// The fewest fills and the least misdose of small blocks, worked out again by
// trying every set of volumes. Counts and limits are worked out here.
func TestProp_FillsAreOptimal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := plainCard()
		c.Uses[0].Tree.Max = q.Known(cm(71, 1))
		rule := &c.Uses[0].Ports
		low := rapid.Int64Range(6, 14).Draw(t, "least half mL")
		points := rapid.Int64Range(3, 11).Draw(t, "grid points")
		rule.Volume = q.Known(rng[q.VolumeKind](exact.Frac(low, 2), exact.Frac(low+points-1, 2)))
		rule.WoundMax = q.Known(q.Of[q.PercentKind](exact.Int(100)))
		rate := &c.Uses[0].Rate.Value
		rate.High = frac(t, 15, 35, 10, "high")
		rate.Low = rate.High.Mul(frac(t, 80, 97, 100, "low share"))
		r := plainRequest(c)
		if chance(t, 2, "least misdose") {
			r.FillCount = rapid.IntRange(1, 3).Draw(t, "fills")
		}
		var trees []tree.Tree
		for i := range rapid.IntRange(1, 12).Draw(t, "trees") {
			trees = append(trees, taped(string(rune('A'+i)), rapid.Int64Range(100, 700).Draw(t, "tenths")))
		}
		p, err := plan.Make(r, trees)
		type option struct{ misdose, ports int64 }
		var rows [][]map[int64]option // tree, grid point: misdose by fewest or nearest
		planned := map[string]bool{}
		for _, u := range p.Trees {
			planned[u.Tag] = true
		}
		for _, x := range trees {
			d, g := diameterOf(x.Stems[0]).lo, girthOf(x.Stems[0])
			lo, hi := mul(rate.Low.Big(), d), mul(rate.High.Big(), d)
			first := ceilOf(quo(g.hi, num(16, 1)))
			last := floorOf(quo(g.lo, num(10, 1)))
			target := floorOf(mul(quo(plus(lo, hi), num(1, 1)), num(10, 1))) // tenths of a half mL: (lo+hi)/2 * 20
			row, any := map[int64]option{}, false
			for v := low; v < low+points; v++ {
				for n := first; n <= last; n++ {
					dose := num(n*v, 2)
					if dose.Cmp(lo) < 0 || above(dose, hi) {
						continue
					}
					miss := 10*n*v - target
					if miss < 0 {
						miss = -miss
					}
					have, ok := row[v]
					if !ok || r.FillCount > 0 && miss < have.misdose {
						row[v] = option{miss, n}
					}
					any = true
				}
			}
			if any {
				rows = append(rows, []map[int64]option{row})
			}
			if err == nil && any != planned[x.Tag] {
				t.Fatalf("%s: fits %t, planned %t", x.Tag, any, planned[x.Tag])
			}
		}
		if len(rows) == 0 {
			return
		}
		best, fewest := option{-1, 0}, 99
		for set := uint64(1); set < 1<<points; set++ {
			size := 0
			var sum option
			ok := true
			for k := int64(0); k < points; k++ {
				size += int(set >> k & 1)
			}
			for _, row := range rows {
				mine := option{-1, 0}
				for k := int64(0); k < points; k++ {
					o, fits := row[0][low+k]
					if set>>k&1 == 1 && fits && (mine.misdose < 0 || o.misdose < mine.misdose || o.misdose == mine.misdose && o.ports < mine.ports) {
						mine = o
					}
				}
				if mine.misdose < 0 {
					ok = false
					break
				}
				sum.misdose += mine.misdose
				sum.ports += mine.ports
			}
			if !ok || r.FillCount > 0 && size > r.FillCount {
				continue
			}
			better := best.misdose < 0 || sum.misdose < best.misdose || sum.misdose == best.misdose && sum.ports < best.ports
			if r.FillCount == 0 && size != fewest {
				better = size < fewest
			}
			if better {
				best, fewest = sum, size
			}
		}
		if best.misdose < 0 {
			if err == nil {
				t.Fatal("planned although no set of fills serves all")
			}
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		var got option
		for _, u := range p.Trees {
			for _, x := range trees {
				if x.Tag != u.Tag {
					continue
				}
				d := diameterOf(x.Stems[0]).lo
				target := floorOf(mul(plus(mul(rate.Low.Big(), d), mul(rate.High.Big(), d)), num(10, 1)))
				miss := 10*int64(u.Dose)/500 - target
				if miss < 0 {
					miss = -miss
				}
				got.misdose += miss
				got.ports += int64(len(u.Ports))
			}
		}
		if got != best || r.FillCount == 0 && len(p.Fills) != fewest {
			t.Fatalf("plan: %d fills, misdose %d, %d ports; best: %d fills, %d, %d", len(p.Fills), got.misdose, got.ports, fewest, best.misdose, best.ports)
		}
	})
}
