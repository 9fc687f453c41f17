package plan_test

import (
	"fmt"
	"math"
	"math/big"
	"strings"

	"sapward/measure/civil"
	"sapward/measure/tree"
	"sapward/plan"
	"sapward/plan/label"
)

// port judges one port by itself.
func (j *judge) port(at string, i int, p plan.Port) {
	if p.N != i+1 {
		j.say("%s: port %d is numbered %d", at, i+1, p.N)
	}
	if !(p.AzimuthDeg >= 0 && p.AzimuthDeg < 360) {
		j.say("%s: azimuth %v", at, p.AzimuthDeg)
	}
	if p.Volume <= 0 {
		j.say("%s: an empty port", at)
	}
	if v := j.use.Ports.Volume; v.Known {
		if above(ul(p.Volume), v.Value.High.Base().Big()) || !v.Value.Single && ul(p.Volume).Cmp(v.Value.Low.Base().Big()) < 0 {
			j.say("%s: port of %v outside the card's", at, p.Volume)
		}
	}
	g := num(1, 2)
	if j.use.Method == label.Infusion {
		g = num(50, 1)
	}
	if j.r.Graduation.Known {
		g = j.r.Graduation.Value.Base().Big()
	}
	if !quo(ul(p.Volume), g).IsInt() {
		j.say("%s: port of %v is off the graduation", at, p.Volume)
	}
	if h := j.use.Ports.Height; h.Known && !strings.HasPrefix(p.Where, "limb") {
		if p.HeightCM > h.Value.High.Float()+0.0501 || p.HeightCM < 0 || !h.Value.Single && p.HeightCM < h.Value.Low.Float()-0.0501 {
			j.say("%s: port at height %v", at, p.HeightCM)
		}
	}
}

func turn(x float64) float64 {
	x = math.Mod(x, 360)
	if x < 0 {
		x += 360
	}
	return x
}

// ring is the ports of one girth.
type ring struct {
	where string
	girth span
	stem  *tree.Stem
	ports []plan.Port
}

// places judges where the ports of a unit are.
func (j *judge) places(u plan.Tree, t tree.Tree, stems []tree.Stem) {
	var rings []ring
	byLimb := map[string]tree.Limb{}
	for _, l := range j.r.Limbs {
		if l.Tree == u.Tag {
			byLimb["limb "+l.Name] = l
		}
	}
	trunkPorts := 0
	for i := range stems {
		k := ring{stem: &stems[i], girth: girthOf(stems[i])}
		for _, p := range u.Ports {
			if p.Stem == stems[i].Name && !strings.HasPrefix(p.Where, "limb") {
				k.ports, k.where = append(k.ports, p), p.Where
			}
		}
		if k.where == string(label.RootFlare) && stems[i].Flare.Known {
			f := stems[i].Flare.Value.Base().Big()
			k.girth = span{f, f}
		}
		trunkPorts += len(k.ports)
		rings = append(rings, k)
	}
	limbPorts := 0
	for name, l := range byLimb {
		d := l.Diameter.Base().Big()
		k := ring{where: name, girth: span{mul(d, piBelow), mul(d, piAbove)}}
		for _, p := range u.Ports {
			if p.Where == name {
				k.ports = append(k.ports, p)
			}
		}
		limbPorts += len(k.ports)
		if len(k.ports) > 0 {
			rings = append(rings, k)
		}
	}
	if trunkPorts+limbPorts != len(u.Ports) {
		j.say("%s/%s: %d ports, %d on trunks, %d on limbs", u.Tag, u.Stem, len(u.Ports), trunkPorts, limbPorts)
	}
	rule := j.use.Ports
	if rule.Max > 0 && len(u.Ports) > rule.Max {
		j.say("%s/%s: %d ports, the card's most is %d", u.Tag, u.Stem, len(u.Ports), rule.Max)
	}
	if len(u.Ports) < rule.Min {
		j.say("%s/%s: %d ports, the card's least is %d", u.Tag, u.Stem, len(u.Ports), rule.Min)
	}
	if limbPorts > 0 && !rule.Allows(label.OnLimb) {
		j.say("%s: ports on limbs", u.Tag)
	}
	for _, k := range rings {
		j.ring(u, t, k)
	}
}

func (j *judge) ring(u plan.Tree, t tree.Tree, k ring) {
	rule, n := j.use.Ports, int64(len(k.ports))
	at := fmt.Sprintf("%s/%s %s", u.Tag, u.Stem, k.where)
	girth := float(k.girth.lo)
	seen := 0.05 * girth / 360 // what an azimuth shown to 0.1 degree leaves open, cm
	if n == 0 {
		j.say("%s: a trunk without a port", at)
		return
	}
	if k.stem != nil {
		if !rule.Allows(label.Place(k.where)) {
			j.say("%s: ports where the card allows none", at)
		}
		if d := rule.DensityMin; d.Known && n < ceilOf(mul(d.Value.Base().Big(), k.girth.lo)) {
			j.say("%s: %d ports are under the least density", at, n)
		}
		if s := rule.Spacing; s.Known && n < ceilOf(quo(k.girth.lo, s.Value.High.Base().Big())) {
			j.say("%s: %d ports are too far apart", at, n)
		}
	}
	if d := rule.DensityMax; d.Known && n > floorOf(mul(d.Value.Base().Big(), k.girth.hi)) {
		j.say("%s: %d ports are over the greatest density", at, n)
	}
	if s := rule.Spacing; s.Known && !s.Value.Single && n > floorOf(quo(k.girth.hi, s.Value.Low.Base().Big())) {
		j.say("%s: %d ports are too near each other", at, n)
	}
	for i, p := range k.ports {
		next := k.ports[(i+1)%len(k.ports)]
		gap := turn(next.AzimuthDeg-p.AzimuthDeg) / 360 * girth
		if len(k.ports) == 1 {
			gap = girth
		} else if i+1 < len(k.ports) && next.AzimuthDeg <= p.AzimuthDeg {
			j.say("%s: azimuths do not ascend", at)
		}
		if s := rule.Spacing; s.Known {
			if !s.Value.Single && gap < s.Value.Low.Float()-2*seen-1e-9 {
				j.say("%s: neighbours %v cm apart", at, gap)
			}
			if k.stem != nil && gap > s.Value.High.Float()+2*seen+1e-9 {
				j.say("%s: neighbours %v cm apart", at, gap)
			}
		}
		mark := j.r.MarkAzimuthDeg
		if k.stem == nil {
			mark = 0
		}
		along := turn(p.AzimuthDeg-mark) / 360 * girth
		if off := math.Abs(p.AlongCM - along); p.AlongCM < 0 || p.AlongCM >= girth || min(off, girth-off) > 0.05+seen+1e-9 {
			j.say("%s: %v cm along the girth for azimuth %v", at, p.AlongCM, p.AzimuthDeg)
		}
	}
	if k.stem != nil {
		j.clear(at, t, k, seen)
	}
}

// clear judges clearances, wound share and depth on one trunk.
func (j *judge) clear(at string, t tree.Tree, k ring, seen float64) {
	rule, girth := j.use.Ports, float(k.girth.lo)
	onStem := func(name string) bool {
		if len(t.Stems) == 1 || name == "" || name == k.stem.Name {
			return true
		}
		for _, s := range t.Stems {
			if s.Name == name {
				return false
			}
		}
		return true // a stem nobody knows: the row counts on each
	}
	hole := 0.0
	if rule.Hole.Known {
		hole = rule.Hole.Value.Float()
	}
	side, below, up := 5.0, 30.0, 200.0
	if rule.KeepOut.Sideways.Known {
		side = rule.KeepOut.Sideways.Value.Float()
	}
	if rule.KeepOut.Below.Known {
		below = rule.KeepOut.Below.Value.Float()
	}
	if rule.KeepOut.Above.Known {
		up = rule.KeepOut.Above.Value.Float()
	}
	lifted := j.r.Overrides["ports-no-room"] != "" && !rule.KeepOut.Sideways.Known
	wounds := new(big.Rat)
	for _, w := range j.r.Wounds {
		active := !w.Closed || w.Year == 0 || j.r.On.IsZero() || j.r.On.Year-w.Year <= 3
		if w.Tree != t.Tag || !onStem(w.Stem) || !active {
			continue
		}
		wounds = plus(wounds, w.Hole.Base().Big())
		for _, p := range k.ports {
			if h := w.Height.Float(); lifted || p.HeightCM < h-below-0.05 || p.HeightCM > h+up+0.05 {
				continue
			}
			a := turn(p.AzimuthDeg - w.AzimuthDeg)
			if d := min(a, 360-a) / 360 * girth; d < side+w.Hole.Float()/2-seen-1e-6 {
				j.say("%s: port %d is %v cm from an old hole", at, p.N, d)
			}
		}
	}
	for _, o := range j.r.Obstacles {
		if o.Tree != t.Tag || !onStem(o.Stem) || strings.Contains(o.Kind, "flare") {
			continue
		}
		width := turn(o.ToDeg - o.FromDeg)
		for _, p := range k.ports {
			half := hole / 2 / girth * 360
			in := turn(p.AzimuthDeg - (o.FromDeg - half))
			if in > 0.0501 && in < width+2*half-0.0501 {
				j.say("%s: port %d stands in an obstacle", at, p.N)
			}
		}
	}
	if rule.Hole.Known {
		most, card := num(25, 1), rule.WoundMax.Known
		if card {
			most = rule.WoundMax.Value.Base().Big()
		}
		share := mul(quo(plus(wounds, mul(rule.Hole.Value.Base().Big(), num(int64(len(k.ports)), 1))), k.girth.lo), num(250, 1))
		if above(share, mul(most, ratOf("1.0000000000000000000000000000000001"))) && (card || j.r.Overrides["wounds-too-many"] == "") {
			j.say("%s: wound share %v %%", at, float(share))
		}
	}
	if s := rule.SapwoodDepth; s.Known && k.stem.Bark.Known {
		for _, p := range k.ports {
			if p.DepthMM == nil {
				j.say("%s: no depth although the bark is gauged", at)
				continue
			}
			deep := minus(num(int64(*p.DepthMM), 10), k.stem.Bark.Value.Base().Big())
			if above(deep, s.Value.High.Base().Big()) || !s.Value.Single && deep.Cmp(s.Value.Low.Base().Big()) < 0 {
				j.say("%s: %d mm deep", at, *p.DepthMM)
			}
		}
	}
}

// tree judges what all units of one tree get together, with its history.
func (j *judge) tree(tag string, us []plan.Tree, conc rat) {
	l, t := j.use.Limits, j.trees[tag]
	sum := new(big.Rat)
	limbPorts, ports := map[string]int{}, 0
	for _, u := range us {
		sum = plus(sum, mul(ul(u.Dose), conc))
		ports += len(u.Ports)
		for _, p := range u.Ports {
			if strings.HasPrefix(p.Where, "limb") {
				limbPorts[p.Where]++
			}
		}
	}
	sum = mul(sum, minus(num(1, 1), j.slack()))
	if most := j.use.Ports.Max; most > 0 && ports > most {
		j.say("%s: %d ports on all stems, the card's most is %d", tag, ports, most)
	}
	if len(us) > 1 {
		for _, x := range j.r.Limbs {
			d := mul(x.Diameter.Base().Big(), piAbove)
			if s := j.use.Ports.Spacing; x.Tree == tag && s.Known && !s.Value.Single && int64(limbPorts["limb "+x.Name]) > floorOf(quo(d, s.Value.Low.Base().Big())) {
				j.say("%s: limb %s has %d ports", tag, x.Name, limbPorts["limb "+x.Name])
			}
		}
		if wholeTree(j.use) && j.use.Rate.Known {
			if _, high, _, ok := rateLimits(j.r.Card, j.use.Rate.Value, t, t.Stems[:1], diameterOf(t.Stems[0])); ok && ratedOnTree(j.use.Rate.Value.Per) && above(sum, high.lo) {
				j.say("%s: %v mL on all stems, the tree's most is %v", tag, float(sum), float(high.lo))
			}
		}
	}
	if c := l.PerApplication; c.Known && above(sum, c.Value.Base().Big()) {
		j.say("%s: %v mL in one application", tag, float(sum))
	}
	used := new(big.Rat)
	g, content := contentOf(j.r.Card)
	dates := map[civil.Date]bool{}
	for _, h := range rowsOf(j.r, tag, false) {
		if !h.DateEnd.IsZero() && !j.r.On.IsZero() && h.DateEnd.After(j.r.On) {
			continue
		}
		if !h.DateEnd.IsZero() && !j.r.On.IsZero() {
			if l.Interval.Known && j.r.On.Before(h.DateEnd.AddDays(int(ceilOf(quo(l.Interval.Value.Base().Big(), num(24, 1)))))) {
				j.say("%s: too soon after %v", tag, h.DateEnd)
			}
			if l.ApplicationsPer == "life" || counted(l, j.r.On, h.DateEnd) {
				dates[h.DateEnd] = true
			}
		}
		if !counted(l, j.r.On, h.DateEnd) {
			continue
		}
		switch {
		case h.ProductVolume.Known:
			used = plus(used, h.ProductVolume.Value.Base().Big())
		case h.ActiveMass.Known && content:
			used = plus(used, quo(h.ActiveMass.Value.Base().Big(), g))
		}
	}
	if c := l.PerYear; c.Known && above(plus(sum, used), c.Value.Base().Big()) {
		j.say("%s: %v mL now and %v mL earlier in one year", tag, float(sum), float(used))
	}
	if l.Applications > 0 && !j.r.On.IsZero() && len(dates) >= l.Applications {
		j.say("%s: application %d of %d", tag, len(dates)+1, l.Applications)
	}
}

// refusals: no refused unit has a dose, and no tree vanishes unsaid.
func (j *judge) refusals(p plan.Plan, seen map[string]bool, byTree map[string][]plan.Tree) {
	told := map[string]bool{}
	for _, x := range p.RefusedTrees {
		told[x.Tree] = true
		if len(x.Findings) == 0 {
			j.say("%s is refused without a reason", x.Tree)
		}
		if x.Stem == "" && len(byTree[x.Tree]) > 0 || seen[x.Tree+"/"+x.Stem] {
			j.say("%s/%s is refused and planned", x.Tree, x.Stem)
		}
	}
	for _, f := range p.Open {
		for _, tag := range f.Trees {
			told[tag] = true
		}
	}
	for tag := range j.trees {
		if !told[tag] && len(byTree[tag]) == 0 {
			j.say("%s is neither planned, refused nor open", tag)
		}
	}
}

// totals: everything adds up.
func (j *judge) totals(p plan.Plan) {
	var ports, n int64
	var dose, product plan.Microlitres
	byVolume := map[plan.Microlitres]plan.Fill{}
	for _, u := range p.Trees {
		dose += u.Dose
		product += u.Product
		mine := map[plan.Microlitres]bool{}
		for _, x := range u.Ports {
			f := byVolume[x.Volume]
			f.Volume, f.Ports = x.Volume, f.Ports+1
			if !mine[x.Volume] {
				f.Trees++
			}
			mine[x.Volume] = true
			byVolume[x.Volume] = f
		}
		ports += int64(len(u.Ports))
		n++
		if p.Basis == plan.ByFills && (len(mine) != 1 || !mine[u.Fill]) {
			j.say("%s/%s: fill %v, %d volumes", u.Tag, u.Stem, u.Fill, len(mine))
		}
	}
	if dose != p.Totals.Dose || ports != p.Totals.Ports || p.Totals.Dose != p.Totals.Product+p.Totals.Water || p.Totals.Trees != int64(len(j.trees)) {
		j.say("totals %+v, trees give dose %v ports %d units %d", p.Totals, dose, ports, n)
	}
	if product > p.Totals.Product || p.Totals.Product-product > plan.Microlitres(n) {
		j.say("total product %v, trees give %v", p.Totals.Product, product)
	}
	if len(byVolume) != len(p.Fills) {
		j.say("%d fills listed, %d used", len(p.Fills), len(byVolume))
	}
	for _, f := range p.Fills {
		if byVolume[f.Volume] != f {
			j.say("fill %+v, trees give %+v", f, byVolume[f.Volume])
		}
	}
	if j.r.FillCount > 0 && p.Basis == plan.ByFills && len(p.Fills) > j.r.FillCount {
		j.say("%d fills, at most %d asked for", len(p.Fills), j.r.FillCount)
	}
}

// area judges grams of active ingredient on the area, with the history.
func (j *judge) area(p plan.Plan, conc rat) {
	limit := j.use.Limits.ActivePerArea
	g, known := contentOf(j.r.Card)
	if !limit.Known || !known || len(p.Trees) == 0 {
		return
	}
	if !j.r.Area.Known {
		if p.Verdict != plan.Opened {
			j.say("an allowed plan without the area that the card needs")
		}
		return
	}
	sum := new(big.Rat)
	for _, u := range p.Trees {
		sum = plus(sum, mul(mul(ul(u.Dose), conc), g))
	}
	for _, h := range rowsOf(j.r, "", true) {
		if !counted(j.use.Limits, j.r.On, h.DateEnd) {
			continue
		}
		switch {
		case h.ActiveMass.Known:
			sum = plus(sum, h.ActiveMass.Value.Base().Big())
		case h.ProductVolume.Known && sameText(h.Product, j.r.Card.Product.Name):
			sum = plus(sum, mul(h.ProductVolume.Value.Base().Big(), g))
		}
	}
	if above(mul(sum, minus(num(1, 1), j.slack())), mul(limit.Value.Base().Big(), j.r.Area.Value.Base().Big())) {
		j.say("%v g of active over the area's %v", float(sum), limit.Value.Float()*j.r.Area.Value.Float())
	}
}
