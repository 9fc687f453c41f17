package crew

import (
	"fmt"
	"math/big"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// Worked by hand: three trees of 30 mL product in 10 L of mix; loading at 0, 1,800 and 3,600 s, dry at 3,000, 5,400 and
// 7,200 s; mix life 5,400 s. The first two share a batch (dry at 5,400), the third gets its own. Hold-up 500 mL holds
// 1.5 mL of product each time: 93 mL of product, two containers of 50 mL, 7 mL left. Water 29,910 + 997 mL, rinse
// 5 L: two loads of 20 L, one refill.
func TestPlanMix_ByHand(t *testing.T) {
	use := func(tree string, load, dry int64) MixUse { return MixUse{tree, 30_000, 9_970_000, load, dry} }
	m, err := PlanMix(MixRequest{Uses: []MixUse{use("3", 3600, 7200), use("1", 0, 3000), use("2", 1800, 5400)},
		LifeS: 5400, HoldUpUL: 500_000, ContainerUL: 50_000, CarryUL: 20_000_000, RinseUL: 5_000_000})
	if err != nil {
		t.Fatal(err)
	}
	if len(m.Batches) != 2 || len(m.Batches[0].Shares) != 2 || m.Batches[1].Shares[0].Tree != "3" {
		t.Fatalf("%+v", m.Batches)
	}
	b := m.Batches[1]
	if b.MixByS != 3600 || b.MixFromS != 1800 || b.ProductUL != 31_500 || b.WaterUL != 10_468_500 || b.MixUL != 10_500_000 {
		t.Errorf("last batch %+v", b)
	}
	want := Balance{100_000, 90_000, 3_000, 7_000, 35_907_000, 29_910_000, 997_000, 5_000_000}
	if m.Balance != want || m.Containers != 2 || m.LeftProductML != 7 || m.LeftMixML != 1000 || m.WaterRefills != 1 || m.LargestBatchML != 20_500 {
		t.Errorf("%+v", m)
	}
}

// A tree larger than the tank: 25 L from a tank of 10 L is three fillings of one concentration, 10, 10 and 5 L.
func TestPlanMix_TreeLargerThanTheTank(t *testing.T) {
	m, err := PlanMix(MixRequest{Uses: []MixUse{{"1", 75_000, 24_925_000, 0, 100}}, TankUL: 10_000_000})
	if err != nil || len(m.Batches) != 3 {
		t.Fatalf("%+v %v", m, err)
	}
	for i, want := range []int64{30_000, 30_000, 15_000} {
		if m.Batches[i].ProductUL != want {
			t.Errorf("filling %d: %+v", i+1, m.Batches[i])
		}
	}
}

func TestPlanMix_RefusesTreeThatOutlivesTheMix(t *testing.T) {
	m, err := PlanMix(MixRequest{Uses: []MixUse{{"1", 10, 990, 0, 101}, {"2", 10, 990, 0, 100}, {"3", 10, 0, 0, 500}}, LifeS: 100})
	if err != nil || !slices.Equal(m.Refused, []string{"1"}) || m.Balance.ProductTreesUL != 20 {
		t.Errorf("%+v %v", m, err)
	}
}

// Product and water balance exactly, to the microlitre, whatever the numbers; each tree gets what it needs; no batch
// outlives its mix, overfills the tank or strays from its concentration by more than a microlitre a share.
func TestPlanMix_Properties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := MixRequest{LifeS: rapid.SampledFrom([]int64{0, 3_000, 20_000}).Draw(t, "life"), RinseUL: rapid.Int64Range(0, 1e7).Draw(t, "rinse"),
			HoldUpUL: rapid.Int64Range(0, 400_000).Draw(t, "hold"), ContainerUL: rapid.SampledFrom([]int64{0, 1_000, 999_983}).Draw(t, "container"),
			CarryUL: rapid.Int64Range(0, 2e7).Draw(t, "carry"), TankUL: rapid.SampledFrom([]int64{0, 1_000_003, 20_000_000}).Draw(t, "tank")}
		n := rapid.IntRange(0, 12).Draw(t, "n")
		need := map[string][2]int64{}
		for i := range n {
			u := MixUse{Tree: fmt.Sprint(i), ProductUL: rapid.Int64Range(0, 90_000).Draw(t, "product"), LoadS: rapid.Int64Range(0, 30_000).Draw(t, "load")}
			u.WaterUL = u.ProductUL * rapid.SampledFrom([]int64{0, 1, 250, 250}).Draw(t, "parts")
			u.DryS = u.LoadS + rapid.Int64Range(0, 5_000).Draw(t, "uptake")
			q.Uses = append(q.Uses, u)
			need[u.Tree] = [2]int64{u.ProductUL, u.WaterUL}
		}
		before := slices.Clone(q.Uses)
		m, err := PlanMix(q)
		if err != nil {
			t.Fatalf("%v", err)
		}
		if !slices.Equal(before, q.Uses) {
			t.Fatalf("the caller's slice was changed")
		}
		if p, w := m.Balance.Check(); p != 0 || w != 0 {
			t.Fatalf("missing product %d uL, water %d uL: %+v", p, w, m.Balance)
		}
		if b := m.Balance; min(b.ProductTreesUL, b.ProductHeldUL, b.ProductContainerUL, b.WaterTreesUL, b.WaterHeldUL) < 0 {
			t.Fatalf("%+v", b)
		}
		got := map[string][2]int64{}
		var product, water, held int64
		for _, b := range m.Batches {
			var p, w int64
			for _, s := range b.Shares {
				g := got[s.Tree]
				got[s.Tree] = [2]int64{g[0] + s.ProductUL, g[1] + s.WaterUL}
				p, w = p+s.ProductUL, w+s.WaterUL
				// |product - mix * P/M| <= 1, crosswise
				all := need[s.Tree][0] + need[s.Tree][1]
				off := new(big.Int).Sub(new(big.Int).Mul(big.NewInt(s.ProductUL), big.NewInt(all)),
					new(big.Int).Mul(big.NewInt(s.ProductUL+s.WaterUL), big.NewInt(need[s.Tree][0])))
				if off.CmpAbs(big.NewInt(all)) > 0 {
					t.Fatalf("share %+v of %v", s, need[s.Tree])
				}
			}
			if p+b.ProductHeldUL != b.ProductUL || w+b.HoldUpUL-b.ProductHeldUL != b.WaterUL || b.ProductUL+b.WaterUL != b.MixUL {
				t.Fatalf("batch does not add up: %+v", b)
			}
			if (q.TankUL > 0 && b.MixUL > q.TankUL) || (q.LifeS > 0 && w > 0 && b.LastDryS-b.MixByS > q.LifeS) || b.MixFromS > b.MixByS {
				t.Fatalf("batch too large or too old: %+v", b)
			}
			product, water, held = product+b.ProductUL, water+b.WaterUL, held+b.HoldUpUL
		}
		if product != m.Balance.ProductTreesUL+m.Balance.ProductHeldUL || water != m.Balance.WaterTreesUL+m.Balance.WaterHeldUL ||
			held != m.Balance.ProductHeldUL+m.Balance.WaterHeldUL {
			t.Fatalf("batches and balance differ: %+v", m)
		}
		for _, r := range m.Refused {
			delete(need, r)
		}
		for tree, v := range need {
			if got[tree] != v {
				t.Fatalf("%s needs %v, gets %v", tree, v, got[tree])
			}
		}
	})
}

func TestPlanMix_Refuses(t *testing.T) {
	for name, q := range map[string]MixRequest{
		"negative product":  {Uses: []MixUse{{Tree: "1", ProductUL: -1}}},
		"dry before loaded": {Uses: []MixUse{{Tree: "1", LoadS: 5, DryS: 4}}},
		"tank all hold-up":  {TankUL: 1_000, HoldUpUL: 900},
		"rinse":             {RinseUL: -1},
		"a sea":             {Uses: []MixUse{{Tree: "1", WaterUL: maxUL + 1}}},
		"life":              {LifeS: -1},
	} {
		if _, err := PlanMix(q); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

func TestMixUses_TakesTheScheduleOnOneClock(t *testing.T) {
	q := Request{People: []Person{{ID: "a"}}, Delivery: ByHand, Steps: steps(t), Windows: []Window{hours(0, 2)}, RepeatDays: 5}
	for i := range 4 {
		q.Trees = append(q.Trees, DayTree{Tree: fmt.Sprint(i), At: &Point{}, Ports: evenPorts(4, 900)})
	}
	s, err := MakeSchedule(q)
	if err != nil || len(s.Days) != 4 {
		t.Fatalf("%d days %v", len(s.Days), err)
	}
	uses := MixUses(s, map[string]int64{"0": 1, "1": 1, "3": 1}, map[string]int64{"1": 9})
	if len(uses) != 3 || uses[1].WaterUL != 9 || uses[2].LoadS != uses[0].LoadS+3*86_400 {
		t.Errorf("%+v", uses)
	}
}

func kitRequest() KitRequest {
	return KitRequest{Trees: 40, Ports: 281, Symptomatic: 3, Days: 2, People: 3, Workers: 2, Delivery: ByHand, PortsMost: 9,
		Fills:     []FillUse{{14_000, 231, 9}, {10_000, 50, 7}},
		SyringeUL: []int64{20_000, 10_000}, Gear: []Gear{{"mix", []string{"face shield"}}, {"apply", []string{"gloves", "glasses"}}}, Signs: 4}
}

// Worked by hand: 281 ports and 29 spare; bits ceil(281/50) = 6 and 1 spare; syringes of 20 mL for the fill of 14 mL: two
// workers times two trees times 9 ports = 36 and 4 spare, of 10 mL 28 and 3; needles 64 and 7; sharps box ceil(70/100);
// forms 40/20 + 2 days; disinfectant 40 * 50 mL; separate kits for the two workers.
func TestMakeKit_ByHand(t *testing.T) {
	k, err := MakeKit(kitRequest())
	if err != nil {
		t.Fatal(err)
	}
	got := map[string][2]int64{}
	for _, l := range k.Lines {
		got[fmt.Sprint(l.Item, l.CapacityUL, l.Label)] = [2]int64{l.Need, l.Spare}
		if l.Pack != l.Need+l.Spare {
			t.Errorf("%+v", l)
		}
	}
	for item, want := range map[string][2]int64{
		KitPorts + "0": {281, 29}, KitBits + "0": {6, 1}, KitSyringes + "20000": {36, 4}, KitSyringes + "10000": {28, 3},
		KitNeedles + "0": {64, 7}, KitSharpsBox + "0": {1, 1}, KitForms + "0": {4, 0}, KitDisinfectant + "0": {2_000_000, 0},
		KitSeparateKit + "0": {2, 0}, KitSigns + "0": {4, 0}, KitGear + "0gloves": {3, 0}, KitGear + "0face shield": {3, 0},
		KitHammer + "0": {2, 1}, KitSettingTool + "0": {2, 1}, KitPaint + "0": {1, 1}, KitTape + "0": {2, 1}, KitAbsorbent + "0": {3, 1},
	} {
		if got[item] != want {
			t.Errorf("%s: %v, want %v", item, got[item], want)
		}
	}
	if !slices.Equal(k.Cautions, []string{CautionSeparateKit}) {
		t.Errorf("cautions %v", k.Cautions)
	}
	q := kitRequest()
	q.Delivery, q.Devices = Gravity, 5
	if k, err = MakeKit(q); err != nil {
		t.Fatal(err)
	}
	for _, l := range k.Lines {
		if l.Item == KitSyringes || l.Item == KitNeedles {
			t.Errorf("lines need no %s", l.Item)
		}
		if l.Item == KitTees && (l.Need != 45 || l.Spare != 5) {
			t.Errorf("tees %+v", l)
		}
	}
}

// Spares are at least the share asked for and less than one piece more; nothing is packed short.
func TestMakeKit_SparesRoundUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := kitRequest()
		q.Ports = rapid.Int64Range(1, 5000).Draw(t, "ports")
		q.SpareBP = rapid.Int64Range(1, 10_000).Draw(t, "spare")
		k, err := MakeKit(q)
		if err != nil {
			t.Fatalf("%v", err)
		}
		l := k.Lines[0]
		if l.Item != KitPorts || l.Spare*10_000 < q.Ports*q.SpareBP || (l.Spare-1)*10_000 >= q.Ports*q.SpareBP {
			t.Fatalf("%+v", l)
		}
		q.SpareBP = -1
		if k, err = MakeKit(q); err != nil || k.Lines[0].Spare != 0 {
			t.Fatalf("no spares asked: %+v %v", k.Lines[0], err)
		}
	})
}

func TestMakeKit_Refuses(t *testing.T) {
	for name, f := range map[string]func(*KitRequest){
		"fill above every syringe": func(q *KitRequest) { q.Fills[0].FillUL = 20_001 },
		"nobody works":             func(q *KitRequest) { q.Workers = 0 },
		"more workers than people": func(q *KitRequest) { q.Workers = 4 },
		"negative trees":           func(q *KitRequest) { q.Trees = -1 },
		"spares over all":          func(q *KitRequest) { q.SpareBP = 10_001 },
		"mode":                     func(q *KitRequest) { q.Delivery = "" },
	} {
		q := kitRequest()
		f(&q)
		if _, err := MakeKit(q); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

// Worked by hand: 93,000 uL at 150.00 a litre is 13.95; 5,000 s at 36.00 an hour is 50.00; 3 ports at 0.33; 1/2 minor unit
// rounds up.
func TestPriceJob_ByHand(t *testing.T) {
	c, err := PriceJob([]Amount{{CostProduct, 93_000}, {CostLabour, 5_000}, {KitPorts, 3}, {KitPaint, 1}, {KitTape, 1}},
		[]Price{{CostProduct, 15_000, 1_000_000}, {CostLabour, 3_600, 3_600}, {KitPorts, 33, 1}, {KitTape, 1, 2}}, "EUR")
	if err != nil {
		t.Fatal(err)
	}
	var minor []int64
	for _, l := range c.Lines {
		minor = append(minor, l.Cost.Minor)
	}
	if !slices.Equal(minor, []int64{1395, 5000, 99, 1}) || c.Total != (Money{6495, "EUR"}) || !slices.Equal(c.Unpriced, []string{KitPaint}) {
		t.Errorf("%+v", c)
	}
	for name, f := range map[string]func() error{
		"currency": func() error { _, err := PriceJob(nil, nil, "eur"); return err },
		"twice":    func() error { _, err := PriceJob(nil, []Price{{"a", 1, 1}, {"a", 1, 1}}, "USD"); return err },
		"per none": func() error { _, err := PriceJob(nil, []Price{{"a", 1, 0}}, "USD"); return err },
		"negative": func() error { _, err := PriceJob([]Amount{{"a", -1}}, nil, "USD"); return err },
		"overflow": func() error {
			_, err := PriceJob([]Amount{{"a", 1 << 62}}, []Price{{"a", 4, 1}}, "USD")
			return err
		},
	} {
		if f() == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}
