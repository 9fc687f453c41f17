package crew

import (
	"math/big"
	"slices"
)

// maxUL bounds a volume in microlitres: a million litres.
const maxUL = int64(1e12)

// MixUse is what one tree takes and when. Times are seconds on any one clock (the day's), whole.
type MixUse struct {
	Tree      string `json:"tree"`
	ProductUL int64  `json:"product_ul"`
	WaterUL   int64  `json:"water_ul"`
	LoadS     int64  `json:"load_s"` // loading begins: the batch is mixed by then
	DryS      int64  `json:"dry_s"`  // its last port is dry
}

// MixRequest is what PlanMix needs. Volumes are whole microlitres.
type MixRequest struct {
	Uses        []MixUse // in any order
	LifeS       int64    // the card's mix life; 0: none, or nothing is diluted
	TankUL      int64    // largest batch of finished mix; 0: no limit
	HoldUpUL    int64    // mix that stays in hoses and tank of each batch and reaches no tree
	ContainerUL int64    // product is bought in containers of this size; 0: exactly what is used
	CarryUL     int64    // water carried at once; 0: all of it
	RinseUL     int64    // water for rinsing over the whole job, counted apart from the mix
}

// Share is the part of a batch one tree gets.
type Share struct {
	Tree      string `json:"tree"`
	ProductUL int64  `json:"product_ul"`
	WaterUL   int64  `json:"water_ul"`
}

// Batch is one mixing: product and water include the hold-up.
type Batch struct {
	Number        int     `json:"number"`
	MixByS        int64   `json:"mix_by_s"`   // mixed no earlier than mix_from_s, no later than this
	MixFromS      int64   `json:"mix_from_s"` // earlier, its life would end before the last tree is dry
	LastDryS      int64   `json:"last_dry_s"`
	ProductUL     int64   `json:"product_ul"`
	WaterUL       int64   `json:"water_ul"`
	MixUL         int64   `json:"mix_ul"`
	HoldUpUL      int64   `json:"hold_up_ul"`
	Shares        []Share `json:"shares"`
	ProductHeldUL int64   `json:"product_held_ul"` // product in the hold-up
}

// Balance accounts for every microlitre of product and water. In both lines what comes in equals the sum of the rest.
type Balance struct {
	ProductInUL        int64 `json:"product_in_ul"`        // bought
	ProductTreesUL     int64 `json:"product_trees_ul"`     // into trees
	ProductHeldUL      int64 `json:"product_held_ul"`      // in leftover mix
	ProductContainerUL int64 `json:"product_container_ul"` // left in the containers
	WaterInUL          int64 `json:"water_in_ul"`
	WaterTreesUL       int64 `json:"water_trees_ul"`
	WaterHeldUL        int64 `json:"water_held_ul"` // in leftover mix
	WaterRinseUL       int64 `json:"water_rinse_ul"`
}

// Check returns the microlitres of product and of water that are missing: both 0, always.
func (b Balance) Check() (productUL, waterUL int64) {
	return b.ProductInUL - b.ProductTreesUL - b.ProductHeldUL - b.ProductContainerUL,
		b.WaterInUL - b.WaterTreesUL - b.WaterHeldUL - b.WaterRinseUL
}

// Mix is the mixing plan of a job.
type Mix struct {
	Batches        []Batch  `json:"batches"`
	Refused        []string `json:"refused_trees"` // longer under way than the mix lives
	Containers     int64    `json:"containers"`
	LeftMixML      float64  `json:"left_mix_ml"`
	LeftProductML  float64  `json:"left_product_ml"`
	WaterMixML     float64  `json:"water_mix_ml"`
	WaterRinseML   float64  `json:"water_rinse_ml"`
	WaterRefills   int64    `json:"water_refills"` // trips for water after the first load
	LargestBatchML float64  `json:"largest_batch_ml"`
	Balance        Balance  `json:"balance"`
}

// PlanMix cuts a job into batches of finished mix.
//
// Trees are taken by the time their loading begins. A batch ends where the next tree would be dry later than the mix
// life after the batch was mixed (mixed just before its first loading), where the tank is full, or where the
// concentration changes; a tree larger than the tank gets several fillings of one concentration. So no batch is larger
// than its life at the crew's pace allows, and the last is sized to what is left. A tree that takes longer than the
// mix lives is refused. Undiluted product has no mix life and is measured out the same way.
//
// All amounts are whole microlitres and balance exactly (Balance). Where a tree is divided, its product is divided by
// rounding the running total down, so that a part holds at most one microlitre of product more or less than its share
// and the parts add up; of the hold-up, product is rounded down.
func PlanMix(q MixRequest) (Mix, error) {
	if err := q.check(); err != nil {
		return Mix{}, err
	}
	m := Mix{Batches: []Batch{}, Refused: []string{}}
	uses := slices.Clone(q.Uses)
	slices.SortStableFunc(uses, func(a, b MixUse) int {
		if a.LoadS != b.LoadS {
			return sign(int(a.LoadS - b.LoadS))
		}
		return CompareTags(a.Tree, b.Tree)
	})
	room := int64(0) // for trees in the tank
	if q.TankUL > 0 {
		room = q.TankUL - q.HoldUpUL
	}
	var open *Batch
	var first MixUse
	for _, u := range uses {
		if q.LifeS > 0 && u.WaterUL > 0 && u.DryS-u.LoadS > q.LifeS {
			m.Refused = append(m.Refused, u.Tree)
			continue
		}
		if u.ProductUL+u.WaterUL == 0 {
			continue
		}
		all := u.ProductUL + u.WaterUL
		for done := int64(0); done < all; {
			fits := open != nil && sameMix(first, u) &&
				(q.LifeS == 0 || u.WaterUL == 0 || u.DryS-open.MixByS <= q.LifeS) &&
				(room == 0 || open.MixUL+all-done <= room)
			if !fits {
				m.close(open, first, q)
				m.Batches = append(m.Batches, Batch{Number: len(m.Batches) + 1, MixByS: u.LoadS, HoldUpUL: q.HoldUpUL})
				open, first = &m.Batches[len(m.Batches)-1], u
			}
			part := all - done
			if room > 0 {
				part = min(part, room)
			}
			product := portion(u.ProductUL, done+part, all) - portion(u.ProductUL, done, all)
			done += part
			open.add(Share{u.Tree, product, part - product}, u.DryS)
			m.Balance.ProductTreesUL += product
			m.Balance.WaterTreesUL += part - product
		}
	}
	m.close(open, first, q)
	m.total(q)
	return m, nil
}

func (b *Batch) add(s Share, dryS int64) {
	b.Shares = append(b.Shares, s)
	b.ProductUL += s.ProductUL
	b.WaterUL += s.WaterUL
	b.MixUL += s.ProductUL + s.WaterUL
	b.LastDryS = max(b.LastDryS, dryS)
}

func (q MixRequest) check() error {
	for _, v := range []int64{q.TankUL, q.HoldUpUL, q.ContainerUL, q.CarryUL, q.RinseUL} {
		if v < 0 || v > maxUL {
			return fault(CodeOutOfRange, "mix", "%d uL", v)
		}
	}
	if q.LifeS < 0 || q.LifeS > maxSeconds {
		return fault(CodeOutOfRange, "life_s", "%d", q.LifeS)
	}
	if q.TankUL > 0 && q.TankUL < 2*q.HoldUpUL+1_000 {
		return fault(CodeOutOfRange, "tank_ul", "%d uL with a hold-up of %d uL", q.TankUL, q.HoldUpUL)
	}
	var sum int64
	for _, u := range q.Uses {
		if min(u.ProductUL, u.WaterUL, u.LoadS) < 0 || max(u.ProductUL, u.WaterUL) > maxUL || max(u.LoadS, u.DryS) > maxSeconds || u.DryS < u.LoadS {
			return fault(CodeOutOfRange, "uses", "%s: product %d uL, water %d uL, from %d s to %d s", u.Tree, u.ProductUL, u.WaterUL, u.LoadS, u.DryS)
		}
		sum += u.ProductUL + u.WaterUL
		if sum > maxUL {
			return fault(CodeTooLarge, "uses", "more than %d uL in all", maxUL)
		}
		if q.TankUL > 0 && (u.ProductUL+u.WaterUL)/(q.TankUL-q.HoldUpUL) > 10_000 {
			return fault(CodeTooLarge, "tank_ul", "%s takes more than 10,000 fillings", u.Tree)
		}
	}
	return nil
}

// sameMix reports whether two trees take mix of the same concentration: p1/(p1+w1) = p2/(p2+w2), compared crosswise.
func sameMix(a, b MixUse) bool {
	x := new(big.Int).Mul(big.NewInt(a.ProductUL), big.NewInt(b.WaterUL))
	y := new(big.Int).Mul(big.NewInt(b.ProductUL), big.NewInt(a.WaterUL))
	return x.Cmp(y) == 0
}

// portion returns whole*part/of rounded down.
func portion(whole, part, of int64) int64 {
	v := new(big.Int).Mul(big.NewInt(whole), big.NewInt(part))
	return v.Quo(v, big.NewInt(of)).Int64()
}

// close adds the hold-up to a batch, at the batch's concentration.
func (m *Mix) close(b *Batch, first MixUse, q MixRequest) {
	if b == nil {
		return
	}
	b.ProductHeldUL = portion(first.ProductUL, b.HoldUpUL, first.ProductUL+first.WaterUL)
	b.ProductUL += b.ProductHeldUL
	b.WaterUL += b.HoldUpUL - b.ProductHeldUL
	b.MixUL += b.HoldUpUL
	if q.LifeS > 0 && first.WaterUL > 0 {
		b.MixFromS = max(0, b.LastDryS-q.LifeS)
	}
	m.Balance.ProductHeldUL += b.ProductHeldUL
	m.Balance.WaterHeldUL += b.HoldUpUL - b.ProductHeldUL
	m.LargestBatchML = max(m.LargestBatchML, millilitres(b.MixUL))
}

func (m *Mix) total(q MixRequest) {
	b := &m.Balance
	used := b.ProductTreesUL + b.ProductHeldUL
	b.ProductInUL = used
	if q.ContainerUL > 0 {
		m.Containers = ceilDiv(used, q.ContainerUL)
		b.ProductInUL = m.Containers * q.ContainerUL
	}
	b.ProductContainerUL = b.ProductInUL - used
	b.WaterRinseUL = q.RinseUL
	b.WaterInUL = b.WaterTreesUL + b.WaterHeldUL + b.WaterRinseUL
	if q.CarryUL > 0 {
		m.WaterRefills = max(0, ceilDiv(b.WaterInUL, q.CarryUL)-1)
	}
	m.LeftMixML = millilitres(b.ProductHeldUL + b.WaterHeldUL)
	m.LeftProductML = millilitres(b.ProductContainerUL)
	m.WaterMixML = millilitres(b.WaterTreesUL + b.WaterHeldUL)
	m.WaterRinseML = millilitres(b.WaterRinseUL)
}

func millilitres(ul int64) float64 { return float64(ul) / 1000 }

func ceilDiv(a, b int64) int64 { return (a + b - 1) / b }

// MixUses returns the trees of a schedule as PlanMix wants them, on a clock that starts with the first day. Trees without an
// entry in either map are left out.
func MixUses(s Schedule, productUL, waterUL map[string]int64) []MixUse {
	var out []MixUse
	for _, d := range s.Days {
		shift := int64(d.Start.Sub(s.Days[0].Start).Seconds())
		for _, v := range d.Visits {
			if u := (MixUse{v.Tree, productUL[v.Tree], waterUL[v.Tree], shift + v.LoadS, shift + v.DryS}); u.ProductUL+u.WaterUL > 0 {
				out = append(out, u)
			}
		}
	}
	return out
}
