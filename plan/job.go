package plan

import (
	"maps"
	"slices"
	"sync"

	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/measure/sample"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan/crew"
	"sapward/plan/dose"
	"sapward/plan/label"
)

// Job is a plan whose block-wide decisions are made: which fills, which
// concentration, what is open and refused. Lay then works out the ports of one
// tree after another.
type Job struct {
	Plan Plan // complete but for Trees

	Smallest, Largest float64 // diameters of the block's trunks, cm; 0 without any

	r             *Request
	use           label.Use
	ref           string
	planning      bool // doses come out
	gradUL        int64
	grad          exact.Rat // mL
	grid          dose.Grid
	concentration exact.Rat // mL product per mL mix; 1 for injection
	content       q.Opt[q.Density]
	fills         dose.Fills
	meanDose      int64 // graduations, basis mean

	wounds    map[string][]tree.Wound
	limbs     map[string][]tree.Limb
	obstacles map[string][]tree.Obstacle
	history   map[string][]tree.Treatment
	depths    depths
	known     prototypes
	// trunkAlone: the dose follows from the trunk, and no history or limb share
	// makes one tree differ from another of the same size.
	trunkAlone bool
	species    sync.Map // species as typed -> *finding.Finding that refuses it, or nil
}

// Make plans a block held in memory.
func Make(r Request, trees []tree.Tree) (Plan, error) {
	j, err := Decide(r, Slice(trees))
	if err != nil {
		return Plan{}, err
	}
	p := j.Plan
	p.Trees = []Tree{}
	err = j.Lay(Slice(trees), func(ts []Tree) error {
		p.Trees = append(p.Trees, ts...)
		return nil
	})
	return p, err
}

// Decide reads the block and makes every decision that concerns it as a whole.
// The error is finding.Faults for a request that makes no sense, or the
// source's own error. Violated rules are no error: they stand in the plan.
func Decide(r Request, src Source) (*Job, error) {
	if fs := r.check(); len(fs) > 0 {
		return nil, fs
	}
	j := &Job{r: &r}
	j.Plan = Plan{
		Schema: Schema, Engine: r.Engine, Seed: r.Seed, CardHash: r.CardHash,
		Card: cardLine(r.Card), PracticeOnly: !r.Card.Verified.Complete(),
		Method: string(r.Method), Basis: r.Basis, Level: r.LevelName, On: r.On.String(), Site: r.Site, Target: r.Target,
		Bases: []BasisLine{}, Fills: []Fill{}, ClassCard: []ClassRow{}, Mix: []MixLine{}, Kit: []crew.KitLine{}, Cautions: []Caution{}, RefusedTrees: []RefusedTree{},
	}
	var f facts
	use, index, ok := chooseUse(&r, &f)
	if ok {
		j.use, j.ref = use, useRef(index)
		for _, c := range label.Check(r.Card) {
			if c.Severity == finding.Refused {
				f.refusals = append(f.refusals, c)
				ok = false
			}
		}
	}
	if ok {
		level, fault := levelOf(r.LevelName, use)
		if fault != nil {
			return nil, finding.Faults{fault}
		}
		r.Level = level
		j.Plan.Method = string(use.Method)
		j.Plan.Dates = dates(&r, use)
		judgeBlock(&r, use, j.ref, &f)
		if err := j.prepare(&f); err != nil {
			return nil, err
		}
	}
	s, err := j.survey(src, ok)
	if err != nil {
		return nil, err
	}
	if n := int64(r.BlockTrees); n > 0 && n < s.trees {
		return nil, finding.Faults{{Class: finding.Usage, ID: "block-trees-small", Args: finding.Args{"block": finding.Number(float64(n), ""), "taped": finding.Number(float64(s.trees), "")}}}
	}
	s.report(&f)
	if len(s.diameters) > 0 {
		j.Smallest, j.Largest = slices.Min(s.diameters), slices.Max(s.diameters)
	}
	f.notes = append(f.notes, slips(s.diameters, s.named)...)
	j.planning = ok && len(f.refusals) == 0
	if err := j.decide(s, &f); err != nil {
		return nil, err
	}
	j.finish(s, &f)
	return j, nil
}

func cardLine(c label.Card) CardLine {
	return CardLine{
		Product: c.Product.Name, Registration: c.Product.Registration.Number, Territory: c.Product.Registration.Territory, Invented: c.Product.Invented,
		EnteredBy: c.Verified.EnteredBy, CheckedBy: c.Verified.CheckedBy, CheckedOn: c.Verified.CheckedOn.String(),
	}
}

// prepare sets up what every tree needs: graduation, content, and the side
// tables by tree.
func (j *Job) prepare(f *facts) error {
	g := j.r.graduation(j.use.Method)
	j.grad = g.Base()
	j.gradUL = j.grad.Mul(exact.Int(1000)).Floor()
	j.concentration = exact.Int(1)
	if c, ok := j.r.Card.Product.ActivePerVolume(0); ok {
		j.content = q.Known(c)
	}
	j.grid = dose.Grid{Graduation: j.grad, Min: 1}
	if v := j.use.Ports.Volume; v.Known {
		if !v.Value.Single {
			j.grid.Min = max(v.Value.Low.Base().Quo(j.grad).Ceil(), 1)
		}
		j.grid.Max = v.Value.High.Base().Quo(j.grad).Floor()
		if j.grid.Max < j.grid.Min {
			return finding.Faults{{Class: finding.BadInput, ID: "graduation-too-coarse", Args: finding.Args{"volume": finding.Number(g.Float(), "mL"), "low": finding.Number(v.Value.Low.Float(), "mL"), "high": finding.Number(v.Value.High.Float(), "mL")}}}
		}
	}
	if j.use.Rate.Known && j.use.Rate.Value.Active && !j.content.Known {
		f.refuse("content-unknown", "product.active", finding.ByLabel, nil)
	}
	j.wounds, j.limbs, j.obstacles, j.history = map[string][]tree.Wound{}, map[string][]tree.Limb{}, map[string][]tree.Obstacle{}, map[string][]tree.Treatment{}
	for _, w := range j.r.Wounds {
		j.wounds[w.Tree] = append(j.wounds[w.Tree], w)
	}
	for _, l := range j.r.Limbs {
		j.limbs[l.Tree] = append(j.limbs[l.Tree], l)
	}
	for _, o := range j.r.Obstacles {
		j.obstacles[o.Tree] = append(j.obstacles[o.Tree], o)
	}
	for _, h := range j.r.History {
		j.history[h.Tree] = append(j.history[h.Tree], h)
	}
	j.trunkAlone = j.trunkOnly() && (len(j.r.History) == 0 || !j.use.Limits.PerYear.Known) && j.r.LimbShare.Sign() == 0
	return nil
}

// survey is what reading the whole block tells.
type survey struct {
	trees     int64
	planned   int64 // trees with at least one dose unit
	tally     dose.Tally
	findings  map[string]*finding.Finding // open facts and warnings of trees, by identifier
	order     []string
	last      map[string]string // by finding, the tree it was last said of
	refused   []RefusedTree
	diameters []float64       // of trees with one stem, in the order of the file
	named     []string        // their tags
	tags      map[string]bool // trees that side tables speak of
}

// add merges tree findings that stop nothing. Arguments that differ between
// trees are dropped from the merged finding: they would be true of one only.
func (s *survey) add(tag string, fs []finding.Finding) {
	for _, f := range fs {
		key := f.ID + "\x00" + f.Ref
		have := s.findings[key]
		if have == nil {
			f.Trees, f.TreeCount = nil, 0
			have = &f
			f.Args = maps.Clone(f.Args)
			s.findings[key] = have
			s.order = append(s.order, key)
		} else {
			for name, v := range have.Args {
				if f.Args[name] != v {
					delete(have.Args, name)
				}
			}
		}
		if s.last[key] != tag || have.TreeCount == 0 { // a tree counts once, whatever it has twice
			have.AddTree(tag)
			s.last[key] = tag
		}
	}
}

func (s *survey) report(f *facts) {
	for _, key := range s.order {
		x := *s.findings[key]
		if x.Severity == finding.Open {
			f.open = append(f.open, x)
		} else {
			f.notes = append(f.notes, x)
		}
	}
}

// survey reads the block once (twice for an infusion, whose concentration must
// suit all trees) and tallies its needs.
func (j *Job) survey(src Source, usable bool) (*survey, error) {
	s := &survey{findings: map[string]*finding.Finding{}, tags: map[string]bool{}, last: map[string]string{}}
	if usable && j.use.Method == label.Infusion && j.use.Dilution.Known {
		if err := j.chooseConcentration(src, s); err != nil {
			return nil, err
		}
	}
	side := len(j.wounds)+len(j.limbs)+len(j.obstacles)+len(j.history) > 0
	type result struct {
		trees     int64
		planned   int64
		tally     dose.Tally
		studies   []study // only those with something to say
		diameters []float64
		named     []string
		tags      []string
	}
	work := func(trees []tree.Tree) (r result) {
		r.trees = int64(len(trees))
		for i := range trees {
			t := &trees[i]
			if len(t.Stems) == 1 {
				r.diameters = append(r.diameters, t.Stems[0].Diameter.Float())
				r.named = append(r.named, t.Tag)
			}
			if side && (j.wounds[t.Tag] != nil || j.limbs[t.Tag] != nil || j.obstacles[t.Tag] != nil || j.history[t.Tag] != nil) {
				r.tags = append(r.tags, t.Tag)
			}
			if !usable {
				continue
			}
			st := j.study(t)
			for k := range st.units {
				r.tally.Add(st.units[k].need)
			}
			if st.same != nil {
				r.tally.Add(st.same.unit.need)
			}
			if st.same != nil || len(st.units) > 0 {
				r.planned++
			}
			if len(st.findings) > 0 || len(st.refused) > 0 {
				st.units = nil
				r.studies = append(r.studies, st)
			}
		}
		return r
	}
	err := each(src, work, func(r result) error {
		s.trees += r.trees
		s.planned += r.planned
		s.tally.Merge(&r.tally)
		s.diameters = append(s.diameters, r.diameters...)
		s.named = append(s.named, r.named...)
		for _, t := range r.tags {
			s.tags[t] = true
		}
		for _, st := range r.studies {
			s.add(st.tag, st.findings)
			s.refused = append(s.refused, st.refused...)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	for _, m := range strangers(j, s.tags) {
		s.add(m.tag, []finding.Finding{{ID: m.id, Severity: finding.Warning, Authority: finding.ByEstimate}})
	}
	return s, nil
}

// decide chooses the fills and works out totals from the tally.
func (j *Job) decide(s *survey, f *facts) error {
	if !j.planning || s.tally.Units == 0 {
		return nil
	}
	needs := s.tally.Sorted()
	if j.grid.Max == 0 { // the card bounds no port's volume: what a tree could take bounds it
		for _, w := range needs {
			most := w.Need.High / int64(max(w.Need.Counts.Min(), 1))
			if w.Need.PortHigh > 0 {
				most = min(most, w.Need.PortHigh)
			}
			j.grid.Max = max(j.grid.Max, most)
		}
	}
	var err error
	if j.r.FillCount > 0 {
		j.fills, err = dose.LeastMisdose(needs, j.grid, j.r.FillCount)
		if few, fewErr := dose.FewestFills(needs, j.grid); err == nil && fewErr == nil && few.Ports < j.fills.Ports {
			f.warn("fills-more-ports", j.ref+".ports", finding.ByEstimate, finding.Args{"ports": finding.Number(float64(j.fills.Ports), ""), "fewest": finding.Number(float64(few.Ports), "")})
		}
	} else {
		j.fills, err = dose.FewestFills(needs, j.grid)
	}
	switch err {
	case nil:
	case dose.ErrGrid:
		return finding.Faults{{Class: finding.Usage, ID: "graduation-too-fine", Args: finding.Args{"volume": finding.Number(j.grad.Float(), "mL")}}}
	case dose.ErrTooMany:
		return finding.Faults{{Class: finding.Usage, ID: "fill-count-too-small", Args: finding.Args{"count": finding.Count(j.r.FillCount)}}}
	default:
		return err
	}
	j.compareBases(needs, s, f)
	j.totals(needs, s, f)
	return nil
}

// loadOf returns what each port of a unit gets, in graduations, by the plan's
// basis.
func (j *Job) loadOf(n dose.Need) []int64 {
	switch j.r.Basis {
	case ByTree:
		return n.Own(j.grid)
	case ByMean:
		n.Target = 10 * j.meanDose
		return n.Own(j.grid)
	}
	v, k := j.fills.Choose(n, j.grid)
	out := make([]int64, k)
	for i := range out {
		out[i] = v
	}
	return out
}

// compareBases sets the three ways of choosing volumes side by side.
func (j *Job) compareBases(needs []dose.Weighted, s *survey, f *facts) {
	own := map[int64]bool{}
	fills := BasisLine{Basis: ByFills, Lawful: true, Loads: len(j.fills.Volumes), Ports: j.fills.Ports}
	each := BasisLine{Basis: ByTree, Lawful: true}
	mean := BasisLine{Basis: ByMean, Lawful: true, Loads: 1}
	j.meanDose = j.doseAtMean(s)
	var missFills, missEach, missMean float64
	var units int64
	for _, w := range needs {
		units += w.Count
		v, k := j.fills.Choose(w.Need, j.grid)
		fills.Dose += Microlitres(w.Count * v * int64(k) * j.gradUL)
		missFills += float64(w.Count) * off(v*int64(k), w.Need.Target)
		load := w.Need.Own(j.grid)
		var sum int64
		for _, v := range load {
			sum += v
			own[v] = true
		}
		each.Dose += Microlitres(w.Count * sum * j.gradUL)
		each.Ports += w.Count * int64(len(load))
		missEach += float64(w.Count) * off(sum, w.Need.Target)
		if j.meanDose > 0 {
			mean.Dose += Microlitres(w.Count * j.meanDose * j.gradUL)
			mean.Ports += w.Count * int64(k)
			missMean += float64(w.Count) * off(j.meanDose, w.Need.Target)
			switch {
			case j.meanDose > w.Need.High:
				mean.Above += w.Count
			case j.meanDose < w.Need.Low:
				mean.Below += w.Count
			}
		}
	}
	each.Loads = len(own)
	ml := j.grad.Float() / 10
	fills.MisdoseML = round(missFills*ml/float64(units), 3)
	each.MisdoseML = round(missEach*ml/float64(units), 3)
	j.Plan.Bases = append(j.Plan.Bases, fills, each)
	if j.meanDose > 0 {
		mean.MisdoseML = round(missMean*ml/float64(units), 3)
		mean.Each = Microlitres(j.meanDose * j.gradUL)
		mean.Lawful = mean.Above+mean.Below == 0 && j.meanFits(needs)
		j.Plan.Bases = append(j.Plan.Bases, mean)
	}
	if j.r.Basis == ByMean && j.meanDose == 0 {
		f.refuse("mean-dose-none", j.ref+".rate", finding.ByLabel, nil)
		j.planning = false
	} else if j.r.Basis == ByMean && !mean.Lawful {
		f.refuse("mean-dose-unlawful", j.ref+".rate", finding.ByLabel, finding.Args{"above": finding.Count(int(mean.Above)), "below": finding.Count(int(mean.Below))})
		j.planning = false
	}
}

// meanFits reports whether every unit can hold the mean dose exactly.
func (j *Job) meanFits(needs []dose.Weighted) bool {
	for _, w := range needs {
		n := w.Need
		n.Target = 10 * j.meanDose
		var sum int64
		for _, v := range n.Own(j.grid) {
			sum += v
		}
		if sum != j.meanDose {
			return false
		}
	}
	return true
}

func off(dose, targetTenths int64) float64 {
	d := 10*dose - targetTenths
	if d < 0 {
		d = -d
	}
	return float64(d)
}

// doseAtMean is the one dose that the block's mean diameter would give, in
// graduations; 0 when the mean has no dose on the card.
func (j *Job) doseAtMean(s *survey) int64 {
	if len(s.diameters) == 0 {
		return 0
	}
	d, ok := exact.FromFloat(round(meanOf(s.diameters), 6))
	if !ok {
		return 0
	}
	st := tree.FromDiameter(q.Cm(d))
	l, missing := j.limits(dose.Size{Diameter: st.Diameter, Girth: st.Girth})
	if missing != dose.NothingMissing || l.PerPort {
		return 0
	}
	return l.Target.Quo(j.grad).Floor()
}

// totals adds up the planned units from the tally, before a single port is
// placed, and checks the yearly mass per area.
func (j *Job) totals(needs []dose.Weighted, s *survey, f *facts) {
	t := &j.Plan.Totals
	type fill struct{ ports, trees int64 }
	byVolume := map[int64]*fill{}
	var graduations int64
	for _, w := range needs {
		load := j.loadOf(w.Need)
		seen := map[int64]bool{}
		for _, v := range load {
			graduations += w.Count * v
			t.Ports += w.Count
			if byVolume[v] == nil {
				byVolume[v] = &fill{}
			}
			byVolume[v].ports += w.Count
			if !seen[v] {
				byVolume[v].trees += w.Count
				seen[v] = true
			}
		}
	}
	t.Planned, t.Units = s.planned, s.tally.Units
	t.Dose = Microlitres(graduations * j.gradUL)
	product := exact.Int(graduations).Mul(j.grad).Mul(j.concentration)
	t.Product = Microlitres(product.Mul(exact.Int(1000)).Floor())
	t.Water = t.Dose - t.Product
	t.Active = judgeArea(j.r, j.use, j.ref, product, f)
	for _, v := range sortedKeys(byVolume) {
		j.Plan.Fills = append(j.Plan.Fills, Fill{Volume: Microlitres(v * j.gradUL), Ports: byVolume[v].ports, Trees: byVolume[v].trees})
	}
	if j.use.Method == label.Infusion && j.use.Dilution.Known {
		m := MixLine{ConcentrationMLPerL: j.concentration.Mul(exact.Int(1000)).Float(), Product: t.Product, Water: t.Water, Mix: t.Dose}
		if l := j.use.Dilution.Value.MixLife; l.Known {
			m.LifeH = l.Value.Float()
		}
		j.Plan.Mix = append(j.Plan.Mix, m)
	}
	if len(f.refusals) > 0 {
		j.planning = false
	}
}

// finish writes the verdict. A block that is refused keeps the comparison and
// what it would need, but no doses.
func (j *Job) finish(s *survey, f *facts) {
	p := &j.Plan
	p.Totals.Trees = s.trees
	if s.refused != nil {
		p.RefusedTrees = s.refused
	}
	refused := map[string]bool{}
	for _, r := range p.RefusedTrees {
		refused[r.Tree] = true
	}
	p.Totals.RefusedTrees = int64(len(refused))
	if !j.planning {
		p.Fills, p.Mix = []Fill{}, []MixLine{}
		p.Totals = Totals{Trees: s.trees, RefusedTrees: p.Totals.RefusedTrees, Active: p.Totals.Active}
	}
	p.Block = j.block(s)
	j.judgeWholeBlock(f)
	if j.planning {
		p.ClassCard = j.ClassCard(exact.Frac(1, 10))
	}
	finding.Sort(f.open)
	finding.Sort(f.refusals)
	finding.Sort(f.notes)
	p.Open, p.Refusals, p.Findings = orEmpty(f.open), orEmpty(f.refusals), orEmpty(f.notes)
	p.Cautions = cautions(j)
	switch {
	case len(p.Refusals) > 0:
		p.Verdict = Refused
	case len(p.Open) > 0:
		p.Verdict = Opened
	default:
		p.Verdict = Allowed
	}
	if p.Totals.Active == nil {
		p.Totals.Active = []ActiveLine{}
	}
}

// judgeWholeBlock warns when the trees nobody taped, dosed like the taped ones,
// would take the block over its yearly mass per area.
func (j *Job) judgeWholeBlock(f *facts) {
	b := j.Plan.Block
	if b == nil || b.Need == nil || !j.use.Limits.ActivePerArea.Known || !j.r.Area.Known || j.r.Area.Value.Sign() <= 0 {
		return
	}
	limit, ha := j.use.Limits.ActivePerArea.Value.In("g/ha").Float(), j.r.Area.Value.In("ha").Float()
	for i, a := range j.Plan.Totals.Active {
		content, ok := j.r.Card.Product.ActivePerVolume(i)
		if !ok {
			continue
		}
		whole := (b.Need.TotalML*content.Float() + a.History) / ha
		if whole > limit {
			f.warn("block-over-cap", j.ref+".limits.active_per_area", finding.ByEstimate, finding.Args{
				"active": finding.Text(a.Name), "whole": finding.Number(whole, "g/ha"), "cap": finding.Number(limit, "g/ha"),
			})
		}
	}
}

func orEmpty(fs []finding.Finding) []finding.Finding {
	if fs == nil {
		return []finding.Finding{}
	}
	return fs
}

// block says what the taped trees tell about all of the block.
func (j *Job) block(s *survey) *Block {
	n := j.r.BlockTrees
	if n <= 0 || int64(n) < s.trees || int64(len(s.diameters)) != s.trees {
		return nil
	}
	b := &Block{Trees: n, Untaped: n - int(s.trees)}
	o := sample.Options{BlockTrees: n, Confidence: 0.95, TolerancePct: 10}
	if sum, err := sample.Summarise(s.diameters, o); err == nil {
		b.Summary = &sum
	}
	if j.planning && b.Untaped > 0 {
		if need, err := sample.BlockNeed(s.diameters, j.DoseFunc(), o); err == nil {
			b.Need = &need
		}
	}
	return b
}
