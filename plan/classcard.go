package plan

import (
	"sort"

	q "sapward/measure/quantity"
	"sapward/measure/sample"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan/dose"
	"sapward/plan/label"
)

// trunkOnly reports whether the card's dose follows from the trunk alone, so
// that a tape reading is enough to look it up.
func (j *Job) trunkOnly() bool {
	if !j.use.Rate.Known {
		return true
	}
	switch r := j.use.Rate.Value; r.Per {
	case label.PerCanopyDiameter, label.PerCanopyVolume:
		return false
	default:
		return len(r.Classes) == 0
	}
}

// plain works out a dose unit from a tape reading alone: one stem, ports at
// the trunk's own girth, no old holes. ok is false where the card allows no
// dose.
func (j *Job) plain(s tree.Stem) (u unit, ok bool) {
	u.size = dose.Size{Diameter: s.Diameter, Girth: s.Girth}
	if j.judgeSize(u.size) != nil {
		return u, false
	}
	l, missing := j.limits(u.size)
	if missing != dose.NothingMissing {
		return u, false
	}
	u.limits, u.sharers = l, 1
	u.trunks = []trunk{j.bareTrunk(s, j.mostPorts(l))}
	units := []unit{u}
	if j.capTree(&tree.Tree{}, units) != nil {
		return u, false
	}
	u = units[0]
	return u, j.settle(&u) == nil
}

// ClassCard tells ports and fill from the tape: the diameter ranges over which
// they stay the same, worked out at every step (cm) of the diameter and of the
// girth by the same rule as a planned tree. It is empty when the
// dose needs more than the trunk, or when trees have loads of their own.
func (j *Job) ClassCard(step exact.Rat) []ClassRow {
	rows := []ClassRow{}
	if !j.trunkOnly() || j.r.Basis != ByFills || len(j.fills.Volumes) == 0 {
		return rows
	}
	low, high := tree.MinDiameter, tree.MaxDiameter
	if j.use.Tree.Min.Known {
		low = j.use.Tree.Min.Value
	}
	if j.use.Tree.Max.Known {
		high = j.use.Tree.Max.Value
	}
	for k := low.Base().Quo(step).Ceil(); ; k++ {
		d := q.Cm(exact.Int(k).Mul(step))
		if high.Less(d) {
			break
		}
		v, n := j.lookUp(tree.FromDiameter(d))
		cm := round(d.Float(), 4)
		if last := len(rows) - 1; last >= 0 && rows[last].Ports == n && rows[last].Volume == v {
			rows[last].ToCM = cm
			continue
		}
		rows = append(rows, ClassRow{FromCM: cm, ToCM: cm, Ports: n, Volume: v})
	}
	for k := low.Base().Mul(q.PiLow).Quo(step).Floor(); ; k++ {
		girth := exact.Int(k).Mul(step)
		s := tree.FromGirth(q.Cm(girth))
		if s.Diameter.Low.Less(low) {
			continue
		}
		if high.Less(s.Diameter.High) {
			return rows
		}
		v, n := j.lookUp(s)
		if r := rowFor(rows, s.Diameter.Float(), n, v); r != nil {
			r.GirthToCM = round(girth.Float(), 4)
			if r.GirthFromCM == 0 {
				r.GirthFromCM = r.GirthToCM
			}
		}
	}
}

// rowFor finds the row of a diameter between two steps of the tape: the one
// below or above it that says the same.
func rowFor(rows []ClassRow, cm float64, ports int, volume Microlitres) *ClassRow {
	i := sort.Search(len(rows), func(i int) bool { return rows[i].FromCM > cm }) - 1
	for _, k := range []int{i, i + 1} {
		if k >= 0 && k < len(rows) && rows[k].Ports == ports && rows[k].Volume == volume {
			return &rows[k]
		}
	}
	return nil
}

// lookUp returns fill and ports of a bare stem, zeros where none is allowed.
func (j *Job) lookUp(s tree.Stem) (Microlitres, int) {
	u, ok := j.plain(s)
	if !ok {
		return 0, 0
	}
	v, n := j.fills.Choose(u.need, j.grid)
	return Microlitres(v * j.gradUL), n
}

// DoseFunc returns the product, in mL, that a bare stem of a diameter gets by
// this plan's fills.
func (j *Job) DoseFunc() sample.DoseFunc {
	return func(cm float64) (float64, bool) {
		d, ok := exact.FromFloat(round(cm, 6))
		if !ok {
			return 0, false
		}
		v, n := j.lookUp(tree.FromDiameter(q.Cm(d)))
		return v.ML() * float64(n) * j.concentration.Float(), n > 0
	}
}

// DoseRule returns the card's dose as functions of the diameter, in mL of
// product: what is aimed at, the least and the most. It serves the question
// what one dose for all would do, before any fill is chosen.
func DoseRule(r Request) (sample.Rule, bool) {
	var f facts
	use, index, ok := chooseUse(&r, &f)
	if !ok {
		return sample.Rule{}, false
	}
	j := &Job{r: &r, use: use, ref: useRef(index)}
	if err := j.prepare(&f); err != nil || len(f.refusals) > 0 || !j.trunkOnly() {
		return sample.Rule{}, false
	}
	part := func(pick func(dose.Limits) exact.Rat) sample.DoseFunc {
		return func(cm float64) (float64, bool) {
			d, ok := exact.FromFloat(round(cm, 6))
			if !ok {
				return 0, false
			}
			s := tree.FromDiameter(q.Cm(d))
			size := dose.Size{Diameter: s.Diameter, Girth: s.Girth}
			if j.judgeSize(size) != nil {
				return 0, false
			}
			p, _, _, missing := j.productAndMix(size)
			return pick(p).Float(), missing == dose.NothingMissing && !p.PerPort
		}
	}
	rule := sample.Rule{
		Dose: part(func(l dose.Limits) exact.Rat { return l.Target }),
		High: part(func(l dose.Limits) exact.Rat { return l.High }),
		Low:  part(func(l dose.Limits) exact.Rat { return l.Low }),
	}
	if use.Rate.Known && use.Rate.Value.Single {
		rule.Low = nil
	}
	return rule, true
}
