package plan

import (
	"strings"

	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan/dose"
	"sapward/plan/label"
	"sapward/plan/port"
)

// study is what one tree comes to: its dose units, or why it gets none.
type study struct {
	tag      string
	units    []unit
	same     *prototype        // in place of units, for a tree like others
	findings []finding.Finding // open facts and warnings
	refused  []RefusedTree
}

// unit is what one dose is worked out for: a stem where the card doses each
// stem, else the whole tree.
type unit struct {
	tag, stem string
	size      dose.Size
	limits    dose.Limits // in what goes into the ports
	need      dose.Need
	trunks    []trunk
	limbs     []limb
	sharers   int              // dose units of the tree, which share its greatest number of ports
	cap       q.Opt[exact.Rat] // mL the unit may get in all; rates per port only
	findings  []finding.Finding
}

// agreeWithin is how far two measuring heights may lie apart and still be the
// same (4.5 ft is 1.3716 m; SCIENCE S1).
var agreeWithin = q.New[q.LengthKind](2, "cm")

// study applies the card to one tree.
func (j *Job) study(t *tree.Tree) study {
	s := study{tag: t.Tag}
	findings, refusals := j.judgeTree(t)
	s.findings = findings
	if len(refusals) > 0 {
		s.refused = []RefusedTree{{Tree: t.Tag, Findings: refusals}}
		return s
	}
	if p := j.alike(t); p != nil {
		if p.why != nil {
			s.say(t.Tag, "", p.why)
			return s
		}
		s.findings = append(s.findings, p.unit.findings...)
		s.same = p
		return s
	}
	var units []unit
	for _, stems := range j.group(t) {
		u, why := j.unit(t, stems)
		if why != nil {
			s.say(t.Tag, u.stem, why)
			continue
		}
		units = append(units, u)
	}
	if why := j.capTree(t, units); why != nil {
		s.say(t.Tag, "", why)
		return s
	}
	for _, u := range units {
		if why := j.settle(&u); why != nil {
			s.say(t.Tag, u.stem, why)
			continue
		}
		s.findings = append(s.findings, u.findings...)
		s.units = append(s.units, u)
	}
	return s
}

// say files why a unit gets no dose: an open fact waits, a rule refuses.
func (s *study) say(tag, stem string, why []finding.Finding) {
	if why[0].Severity == finding.Open {
		s.findings = append(s.findings, why...)
		return
	}
	s.refused = append(s.refused, RefusedTree{Tree: tag, Stem: stem, Findings: why})
}

// group divides a tree's stems into dose units by the card's rule. An amount
// that is counted on the whole tree is one dose, however many stems it has.
func (j *Job) group(t *tree.Tree) [][]tree.Stem {
	if len(t.Stems) <= 1 || j.use.Measure.Stems != label.StemsEach || j.wholeTree() {
		return [][]tree.Stem{t.Stems}
	}
	out := make([][]tree.Stem, len(t.Stems))
	for i := range t.Stems {
		out[i] = t.Stems[i : i+1]
	}
	return out
}

// wholeTree reports whether the card's amounts are counted on the tree and not
// on its stems.
func (j *Job) wholeTree() bool {
	if d := j.use.Dilution; j.use.Method == label.Infusion && d.Known && d.Value.MixPerTree.Known {
		return true
	}
	if !j.use.Rate.Known {
		return false
	}
	switch j.use.Rate.Value.Per {
	case label.PerTree, label.PerCanopyDiameter, label.PerCanopyVolume:
		return true
	}
	return false
}

func mandatory(id, ref string, args finding.Args) finding.Finding {
	return finding.Finding{ID: id, Severity: finding.Refused, Force: finding.Mandatory, Authority: finding.ByLabel, Ref: ref, Args: args}
}

func open(id, ref string, args finding.Args) finding.Finding {
	return finding.Finding{ID: id, Severity: finding.Open, Authority: finding.ByLabel, Ref: ref, Args: args}
}

// judgeTree applies the rules about the tree as a whole. It returns open facts
// and warnings, and refusals.
func (j *Job) judgeTree(t *tree.Tree) (said, refused []finding.Finding) {
	rule := j.use.Tree
	if t.Status == tree.Dead {
		refused = append(refused, finding.Finding{ID: "tree-dead", Severity: finding.Refused, Force: finding.Mandatory, Authority: finding.ByPractice})
	}
	if t.Status == tree.Symptomatic {
		said = append(said, finding.Finding{ID: "tree-symptomatic", Severity: finding.Warning, Authority: finding.ByPractice})
	}
	if rule.CrownLossMax.Known {
		const ref = ".tree.crown_loss_max"
		most := finding.Number(rule.CrownLossMax.Value.Float(), "pct")
		switch {
		case !t.CrownLoss.Known:
			said = append(said, open("crown-loss-needed", j.ref+ref, finding.Args{"max": most}))
		case rule.CrownLossMax.Value.Less(t.CrownLoss.Value):
			refused = append(refused, mandatory("crown-loss", j.ref+ref, finding.Args{"max": most, "loss": finding.Number(t.CrownLoss.Value.Float(), "pct")}))
		}
	}
	for _, s := range j.use.Sites {
		if s.Bearing != "nonbearing" || j.r.Site != "" && siteOf(label.Use{Sites: []label.Site{s}}, j.r.Site) == nil {
			continue
		}
		switch {
		case !t.Bearing.Known:
			said = append(said, open("bearing-needed", j.ref+".sites", nil))
		case t.Bearing.Value:
			refused = append(refused, mandatory("bearing-tree", j.ref+".sites", nil))
		}
	}
	said = append(said, j.judgeHeights(t, &refused)...)
	j.judgeHistory(t, &said, &refused)
	if f := j.judgeSpecies(t); f != nil {
		refused = append(refused, *f)
	}
	return said, refused
}

// judgeSpecies refuses a tree whose genus is known and is none of the card's
// sites. A name the program does not know proves nothing.
func (j *Job) judgeSpecies(t *tree.Tree) *finding.Finding {
	if t.Species == "" {
		return nil
	}
	if f, done := j.species.Load(t.Species); done {
		return f.(*finding.Finding)
	}
	genus := port.Genus(t.Species)
	var names []string
	fits := genus == ""
	for _, s := range j.use.Sites {
		if j.r.Site != "" && siteOf(label.Use{Sites: []label.Site{s}}, j.r.Site) == nil {
			continue
		}
		g := port.Genus(s.Name)
		fits = fits || g == "" || g == genus
		names = append(names, s.Name)
	}
	var f *finding.Finding
	if !fits && len(names) > 0 {
		m := mandatory("species-not-site", j.ref+".sites", finding.Args{"species": finding.Text(t.Species), "site": finding.Text(strings.Join(names, ", "))})
		f = &m
	}
	j.species.Store(t.Species, f)
	return f
}

// judgeHeights checks that the trunks were taped where the card says.
func (j *Job) judgeHeights(t *tree.Tree, refused *[]finding.Finding) (said []finding.Finding) {
	at := j.use.Measure.At
	if !at.Known {
		return nil
	}
	const ref = ".measure.at"
	for i := range t.Stems {
		m := t.Stems[i].MeasuredAt
		if !m.Known {
			return append(said, open("measured-at-needed", j.ref+ref, finding.Args{"at": finding.Number(at.Value.Float()/100, "m")}))
		}
		apart := m.Value.Sub(at.Value)
		if apart.Sign() < 0 {
			apart = q.Length{}.Sub(apart)
		}
		if agreeWithin.Less(apart) {
			*refused = append(*refused, mandatory("measured-elsewhere", j.ref+ref, finding.Args{
				"at": finding.Number(at.Value.Float()/100, "m"), "was": finding.Number(m.Value.Float()/100, "m"),
			}))
			return nil
		}
	}
	return nil
}

// unit works out one dose unit. why is nil, or says why there is none.
func (j *Job) unit(t *tree.Tree, stems []tree.Stem) (u unit, why []finding.Finding) {
	u.tag = t.Tag
	if len(stems) == 1 {
		u.stem = stems[0].Name
	}
	size, ok := j.sizeOf(t, stems)
	if !ok {
		return u, []finding.Finding{open("stems-rule-unsaid", j.ref+".measure.stems", nil)}
	}
	u.size, u.sharers = size, 1
	if j.use.Measure.Stems == label.StemsEach {
		for i := range stems { // the card's sizes are those of a stem
			if why := j.judgeSize(dose.Size{Diameter: stems[i].Diameter}); why != nil {
				return u, why
			}
		}
		if len(stems) == 1 {
			u.sharers = len(t.Stems)
		}
	} else if why := j.judgeSize(size); why != nil {
		return u, why
	}
	l, missing := j.limits(size)
	if missing != dose.NothingMissing {
		f := dose.MissingFinding(missing)
		f.Ref = j.ref + "." + f.Ref
		f.Args = finding.Args{"diameter": finding.Number(size.Diameter.Float(), "cm"), "class": finding.Text(size.AgeClass)}
		return u, []finding.Finding{f}
	}
	u.limits = l
	u.trunks = make([]trunk, len(stems))
	for i := range stems {
		u.trunks[i] = j.trunk(t, stems[i], j.mostPorts(l))
		if f := stems[i].Flare; f.Known && f.Value.Less(stems[i].Girth.Low) {
			u.findings = append(u.findings, finding.Finding{ID: "flare-smaller", Severity: finding.Warning, Authority: finding.ByEstimate})
		}
		if u.trunks[i].place == label.RootFlare && !stems[i].Flare.Known && j.use.Ports.Spacing.Known {
			u.findings = append(u.findings, finding.Finding{ID: "flare-untaped", Severity: finding.Warning, Authority: finding.ByPractice, Ref: j.ref + ".ports.spacing"})
		}
		for _, f := range j.depth(t, &u.trunks[i]).why {
			if f.Severity == finding.Refused {
				return u, []finding.Finding{f}
			}
			u.findings = append(u.findings, f)
		}
	}
	if thickest(t).Name == stems[0].Name || len(stems) > 1 {
		u.limbs = j.limbsOf(t) // of several stems dosed apart the thickest carries the limbs
	}
	return u, nil
}

// mostPorts is the greatest number of ports that limits leave room for: each
// takes at least the least volume of a port.
func (j *Job) mostPorts(l dose.Limits) int {
	if l.PerPort {
		return dose.MaxPorts
	}
	return int(min(dose.MaxPorts, l.High.Quo(j.grad).Floor()/max(j.grid.Min, 1)))
}

// sizeOf is dose.SizeOf by the card's rule; where the card doses each stem but
// counts its amount on the tree, the stems' equal basal area stands for the
// trunk.
func (j *Job) sizeOf(t *tree.Tree, stems []tree.Stem) (dose.Size, bool) {
	rule := j.use.Measure.Stems
	byDiameter := j.use.Dilution.Known && j.use.Dilution.Value.MixPer.Known
	if rule == label.StemsEach && len(stems) > 1 || rule == label.StemsUnsaid && j.wholeTree() && !byDiameter {
		rule = label.StemsRootSumSquare
	}
	return dose.SizeOf(*t, stems, rule)
}

// thickest is the tree's stem of greatest diameter, the first of equals.
func thickest(t *tree.Tree) *tree.Stem {
	best := &t.Stems[0]
	for i := range t.Stems {
		if best.Diameter.High.Less(t.Stems[i].Diameter.High) {
			best = &t.Stems[i]
		}
	}
	return best
}

// settle combines trunks and limbs into the unit's need and says why nothing
// fits, if so.
func (j *Job) settle(u *unit) []finding.Finding {
	if why := j.standAgainst(u); why != nil {
		return why
	}
	why := j.try(u, j.countsOf(u, func(k *trunk) dose.Counts { return k.even }))
	if why == nil {
		return nil
	}
	least := 1
	if len(u.trunks) == 1 && len(u.limbs) == 0 && j.grid.Max > 0 && !u.limits.PerPort {
		least = int(min(u.limits.Low.Quo(j.grad).Quo(exact.Int(j.grid.Max)).Ceil(), dose.MaxPorts))
	}
	for i := range u.trunks {
		j.reserve(&u.trunks[i], least)
	}
	return j.try(u, j.countsOf(u, func(k *trunk) dose.Counts { return k.any }))
}

// try makes the unit's need from a set of port numbers.
func (j *Job) try(u *unit, counts dose.Counts) []finding.Finding {
	if p := u.limits.BandPorts; p > 0 {
		var only dose.Counts
		if counts.Has(p) {
			only.Add(p)
		}
		if only.Empty() {
			return []finding.Finding{mandatory("band-ports-clash", j.ref+".rate.bands", finding.Args{"ports": finding.Count(p), "min": finding.Count(counts.Min()), "max": finding.Count(counts.Max())})}
		}
		counts = only
	}
	u.need = dose.NewNeed(u.limits, j.grad, counts)
	if u.limits.PerPort {
		u.need.Low = max(u.need.Low, u.limits.TreeLow.Quo(j.grad).Ceil())
		for _, most := range []q.Opt[exact.Rat]{u.cap, u.limits.TreeHigh} {
			if most.Known {
				u.need.High = min(u.need.High, most.Value.Quo(j.grad).Floor())
			}
		}
		u.need.Target = min(u.need.Target, 10*u.need.High)
	}
	if u.need.Feasible(j.grid) {
		return nil
	}
	if u.limits.Soft {
		u.need.Low = max(1, u.limits.Floor.Quo(j.grad).Ceil(), u.limits.TreeLow.Quo(j.grad).Ceil())
		u.need.PortLow = min(u.need.PortLow, 1)
		if u.need.Feasible(j.grid) {
			u.findings = append(u.findings, finding.Finding{ID: "dose-under-single-rate", Severity: finding.Warning, Authority: finding.ByPractice, Ref: j.ref + ".rate"})
			return nil
		}
	}
	return []finding.Finding{j.clash(u)}
}

// clash names the rules that leave a unit without any number of ports and
// volume.
func (j *Job) clash(u *unit) finding.Finding {
	n := u.need
	mL := func(g int64) finding.Value { return finding.Number(exact.Int(g).Mul(j.grad).Float(), "mL") }
	args := finding.Args{
		"low": mL(n.Low), "high": mL(n.High), "min": finding.Count(n.Counts.Min()), "max": finding.Count(n.Counts.Max()),
		"port_low": mL(j.grid.Min), "port_high": mL(j.grid.Max), "graduation": mL(1), "diameter": finding.Number(u.size.Diameter.Float(), "cm"),
	}
	switch {
	case n.High < n.Low:
		return mandatory("dose-between-graduations", j.ref+".rate", args)
	case j.grid.Max > 0 && int64(n.Counts.Max())*j.grid.Max < n.Low:
		return mandatory("ports-hold-too-little", j.ref+".ports.volume", args)
	case int64(n.Counts.Min())*j.grid.Min > n.High:
		return mandatory("ports-need-too-much", j.ref+".ports.volume", args)
	}
	return mandatory("no-volume-fits", j.ref+".ports", args)
}

// judgeSize checks the trunk against the card's smallest and largest tree. A
// diameter worked out from a girth must lie inside for certain.
func (j *Job) judgeSize(s dose.Size) []finding.Finding {
	r := j.use.Tree
	is := finding.Number(s.Diameter.Float(), "cm")
	switch {
	case r.Min.Known && s.Diameter.Low.Less(r.Min.Value):
		return []finding.Finding{mandatory("tree-too-small", j.ref+".tree.min", finding.Args{"diameter": is, "min": finding.Number(r.Min.Value.Float(), "cm")})}
	case r.Max.Known && r.Max.Value.Less(s.Diameter.High):
		return []finding.Finding{mandatory("tree-too-large", j.ref+".tree.max", finding.Args{"diameter": is, "max": finding.Number(r.Max.Value.Float(), "cm")})}
	}
	return nil
}

// limits returns what the card allows for a size, in mL of what goes into the
// ports: product for an injection, finished mix for an infusion.
func (j *Job) limits(s dose.Size) (dose.Limits, dose.Missing) {
	p, m, mixed, missing := j.productAndMix(s)
	if missing != dose.NothingMissing {
		return p, missing
	}
	if !mixed && j.use.Method == label.Infusion && j.use.Dilution.Known { // the card bounds the concentration, not the mix
		c := j.concentration
		p.Low, p.High, p.Target = p.Low.Quo(c), p.High.Quo(c), p.Target.Quo(c)
		return p, dose.NothingMissing
	}
	if !mixed {
		return p, dose.NothingMissing
	}
	l := dose.ThroughMix(p, m, j.concentration)
	if l.High.Less(l.Low) {
		return l, "mix-clash"
	}
	return l, dose.NothingMissing
}

// productAndMix returns the limits in product and, for an infusion whose card
// gives one, the limits of the mix.
func (j *Job) productAndMix(s dose.Size) (p dose.Limits, m dose.Mix, mixed bool, missing dose.Missing) {
	if j.use.Method == label.Infusion && j.use.Dilution.Known {
		m, mixed = dose.MixLimits(j.use.Dilution.Value, s)
	}
	switch {
	case j.use.Rate.Known:
		p, missing = dose.ProductLimits(j.use.Rate.Value, s, j.content, j.r.Level)
	case mixed:
		p = dose.DilutedProduct(m, concentrations(j.use.Dilution.Value), j.r.Level)
	default:
		missing = "rate-missing"
	}
	return p, m, mixed, missing
}

// concentrations returns the card's range; one value is that concentration.
func concentrations(d label.Dilution) q.Range[q.VolumePerVolumeKind] {
	c := d.Concentration
	if c.Single {
		c.Low = c.High
	}
	return c
}
