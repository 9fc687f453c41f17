package plan

import (
	"math"
	"sync"

	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan/label"
	"sapward/plan/port"
)

// Lay works out the ports of every tree that gets a dose and passes them on in
// the order of the source, some thousands at a time. A refused block has none.
func (j *Job) Lay(src Source, emit func([]Tree) error) error {
	if !j.planning {
		return nil
	}
	return each(src, func(trees []tree.Tree) []Tree {
		out := make([]Tree, 0, len(trees))
		for i := range trees {
			s := j.study(&trees[i])
			if s.same != nil {
				out = append(out, j.layAlike(s.same, &trees[i]))
			}
			for k := range s.units {
				out = append(out, j.lay(&trees[i], &s.units[k]))
			}
		}
		return out
	}, emit)
}

// lay turns one dose unit into its planned tree.
func (j *Job) lay(t *tree.Tree, u *unit) Tree {
	load := j.loadOf(u.need)
	out := Tree{
		Tag: u.tag, Stem: u.stem,
		DiameterCM: round(u.size.Diameter.Float(), 2),
		Low:        Microlitres(u.limits.Low.Mul(exact.Int(1000)).Ceil()),
		High:       Microlitres(u.limits.High.Mul(exact.Int(1000)).Floor()),
		Target:     Microlitres(u.limits.Target.Mul(exact.Int(1000)).Floor()),
	}
	if u.limits.PerPort { // limits of the whole unit follow from its ports
		n := exact.Int(int64(len(load)))
		out.Low = Microlitres(u.limits.Low.Mul(n).Mul(exact.Int(1000)).Ceil())
		out.High = min(Microlitres(u.limits.High.Mul(n).Mul(exact.Int(1000)).Floor()), Microlitres(u.need.High*j.gradUL))
		out.Target = out.High
	}
	if len(load) == 0 {
		return out
	}
	var total int64
	same := true
	for _, v := range load {
		total += v
		same = same && v == load[0]
	}
	if same {
		out.Fill = Microlitres(load[0] * j.gradUL)
	}
	out.Dose = Microlitres(total * j.gradUL)
	out.Product = j.product(total)
	out.Water = out.Dose - out.Product
	out.Ports = make([]Port, 0, len(load))
	up := 0
	if len(u.limbs) > 0 {
		up = j.limbPorts(len(load))
	}
	counts := j.share(u, len(load)-up)
	for i, n := range counts {
		j.layTrunk(&out, t, &u.trunks[i], load[len(out.Ports):len(out.Ports)+n])
	}
	if up > 0 {
		j.layLimbs(&out, u, load[len(out.Ports):])
	}
	out.GirthCM = round(u.trunks[0].girth.Float(), 1)
	return out
}

// product is what part of a volume is product, rounded down to a thousandth of
// a millilitre.
func (j *Job) product(graduations int64) Microlitres {
	return Microlitres(exact.Int(graduations).Mul(j.grad).Mul(j.concentration).Mul(exact.Int(1000)).Floor())
}

// share divides n ports over a unit's trunks, as near as may be to their cross
// sections; one trunk takes them all.
func (j *Job) share(u *unit, n int) []int {
	if len(u.trunks) == 1 {
		return []int{n}
	}
	var area float64
	for i := range u.trunks {
		d := u.trunks[i].stem.Diameter.Float()
		area += float64(d * d)
	}
	// best[i][m]: least squared deviation when the first i trunks take m ports.
	type step struct {
		cost float64
		took int
		ok   bool
	}
	best := make([][]step, len(u.trunks)+1)
	best[0] = make([]step, n+1)
	best[0][0].ok = true
	for i := range u.trunks {
		d := u.trunks[i].stem.Diameter.Float()
		want := float64(n) * float64(d*d) / area
		best[i+1] = make([]step, n+1)
		for m := 0; m <= n; m++ {
			for took := 0; took <= m; took++ {
				if !best[i][m-took].ok || !u.trunks[i].any.Has(took) {
					continue
				}
				miss := float64(took) - want
				cost := best[i][m-took].cost + float64(miss*miss)
				if !best[i+1][m].ok || cost < best[i+1][m].cost {
					best[i+1][m] = step{cost, took, true}
				}
			}
		}
	}
	out := make([]int, len(u.trunks))
	for i := len(u.trunks); i > 0; i-- {
		out[i-1] = best[i][n].took
		n -= out[i-1]
	}
	return out
}

// layTrunk places the ports of one trunk.
func (j *Job) layTrunk(out *Tree, t *tree.Tree, k *trunk, load []int64) {
	n := len(load)
	if n == 0 {
		return
	}
	layout, err := port.Place(j.ring(k), n)
	if err != nil || layout.Reason != port.Placed {
		return // cannot be: fit has placed this number before
	}
	depth := j.depth(t, k)
	girth := k.girth.Float()
	where := string(k.place)
	for i, az := range layout.AzimuthsDeg {
		out.Ports = append(out.Ports, Port{
			N: len(out.Ports) + 1, Stem: k.stem.Name, Where: where,
			AzimuthDeg: port.ShownDeg(az), AlongCM: along(az, j.r.MarkAzimuthDeg, girth),
			HeightCM: round(k.levels.At(i, n).Float(), 1), DepthMM: depth.mm,
			Volume: Microlitres(load[i] * j.gradUL), Product: j.product(load[i]),
		})
	}
	if hole := j.use.Ports.Hole; hole.Known {
		if share, ok := port.WoundShare(k.wounds, j.season(), n, hole.Value, k.girth); ok {
			out.WoundPct = max(out.WoundPct, round(share.Percent(), 1))
			if f, over := port.WoundLimitsFor(j.use.Ports).Judge(share); over {
				f.Severity = finding.Warning
				out.Findings = append(out.Findings, *j.at(f))
			}
		}
	}
	if f, said := layout.Finding(n, false); said {
		out.Findings = append(out.Findings, *j.at(f))
	}
	if f, said := k.levels.Finding(n); said {
		out.Findings = append(out.Findings, *j.at(f))
	}
}

// along is the tape distance along a girth from the mark, clockwise seen from
// above, to 0.1 cm; a distance that rounds to the whole girth is the mark.
func along(azimuth, mark, girth float64) float64 {
	a := math.Round(float64(port.Turn(azimuth-mark, 360)*girth)/36) / 10
	if a >= math.Round(girth*10)/10 {
		return 0
	}
	return a
}

// layLimbs places the ports of limbs: evenly round each limb, numbers by cross
// section.
func (j *Job) layLimbs(out *Tree, u *unit, load []int64) {
	parts := j.dealLimbs(u, len(load))
	used := 0
	for i, n := range parts {
		l := u.limbs[i]
		girth := q.TimesPi(q.Exactly(l.Diameter)).Float()
		for k := range n {
			az := 360 * float64(k) / float64(n)
			out.Ports = append(out.Ports, Port{
				N: len(out.Ports) + 1, Where: "limb " + l.Name,
				AzimuthDeg: port.ShownDeg(az), AlongCM: along(az, 0, girth), HeightCM: round(l.Height.Float(), 1),
				Volume: Microlitres(load[used] * j.gradUL), Product: j.product(load[used]),
			})
			used++
		}
	}
}

// drilled is how deep to drill, and what stands against saying so.
type drilled struct {
	mm  *int
	why []finding.Finding
}

// depthKey names what an estimate of depth depends on; trees alike share it.
type depthKey struct {
	species string
	wood    tree.Wood
	place   label.Place
	tenths  int64
	bark    string
}

// depths keeps estimates that many trees share.
type depths struct{ m sync.Map }

// depth returns the depth for a trunk's ports from the bark's surface.
func (j *Job) depth(t *tree.Tree, k *trunk) drilled {
	sapwood := j.use.Ports.SapwoodDepth
	if !sapwood.Known {
		return drilled{}
	}
	key := depthKey{species: t.Species, wood: t.Wood, place: k.place, tenths: int64(math.Round(k.stem.Diameter.Float() * 10))}
	if k.stem.Bark.Known {
		key.bark, key.species = k.stem.Bark.Value.String(), ""
	}
	if d, ok := j.depths.m.Load(key); ok {
		return d.(drilled)
	}
	var d drilled
	var bark port.Bark
	known := k.stem.Bark.Known
	if known {
		bark = port.Gauged(k.stem.Bark.Value)
	} else if table, err := port.Barks(); err == nil {
		if e, ok := table.Estimate(t.Species, t.Wood, float64(key.tenths)/10, k.place); ok {
			bark, known = e.Bark, true
			d.why = append(d.why, *j.at(e.Finding()))
		}
	}
	if !known {
		d.why = []finding.Finding{{ID: "bark-needed", Severity: finding.Open, Authority: finding.ByLabel, Ref: j.ref + ".ports.sapwood_depth"}}
	} else {
		got := port.DepthFor(bark, sapwood.Value, t.Wood)
		if f, bad := got.Finding(); bad {
			d.why = append(d.why, *j.at(f))
		} else if radius := k.stem.Diameter.Low.Base().Mul(exact.Int(5)); radius.Less(exact.Int(int64(got.Mm))) { // mm
			d.why = append(d.why, finding.Finding{ID: "depth-past-pith", Severity: finding.Refused, Force: finding.Mandatory, Authority: finding.ByEstimate, Ref: j.ref + ".ports.sapwood_depth",
				Args: finding.Args{"depth": finding.Number(float64(got.Mm), "mm"), "radius": finding.Number(math.Floor(radius.Float()), "mm")}})
		} else {
			d.mm = &got.Mm
		}
	}
	j.depths.m.Store(key, d)
	return d
}
