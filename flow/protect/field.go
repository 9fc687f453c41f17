package protect

import (
	"math"

	"sapward/flow/plume"
	"sapward/flow/sap"
	"sapward/numeric/quasi"
)

// engine is a case and a treatment made ready for many draws.
type engine struct {
	c       Case
	ports   []plume.Port
	nodes   []node
	heights []height
	arcs    []plume.Arc
	quiet   bool // ports take what they are given: for checks
	alike   bool // ports differ in azimuth only
}

// height is a level at which coverage is computed, of crown or trunk.
type height struct {
	z     float64
	share float64
	trunk bool
}

// trunkLevels is the number of heights between the datum of the ports and the
// lowest leaves at which the trunk's sapwood is judged.
const trunkLevels = 3

// newEngine checks a completed case with a treatment.
func newEngine(c Case, t Treatment) (*engine, error) {
	e := &engine{c: c, ports: append([]plume.Port(nil), t.Ports...), nodes: c.Season.nodes(c.HorizonD)}
	low := math.Inf(1)
	for _, l := range c.Tree.Crown {
		e.heights = append(e.heights, height{l.HeightM, l.Share, false})
		low = math.Min(low, l.HeightM)
	}
	if c.Trunk {
		for i := range trunkLevels {
			e.heights = append(e.heights, height{low * (float64(i) + 0.5) / trunkLevels, 1.0 / trunkLevels, true})
		}
	}
	if len(c.Tree.Limbs) > 0 {
		arcs, err := plume.Arcs(c.Tree.Limbs, c.Tree.PerimeterM)
		if err != nil {
			return nil, err
		}
		e.arcs = arcs
	}
	if err := sap.Check(sap.Need{Field: "ports", Value: float64(len(t.Ports)), OK: len(t.Ports) > 0 && len(t.Ports) <= 1000, Needs: "1 to 1000"},
		sap.Positive("mass_g", t.MassG())); err != nil {
		return nil, err
	}
	e.alike = true
	for _, p := range e.ports {
		p.AzimuthDeg = e.ports[0].AzimuthDeg
		e.alike = e.alike && p == e.ports[0]
	}
	return e, nil
}

// scratch is the working memory of one worker.
type scratch struct {
	ports        []plume.Port
	logX         []float64
	left         []float64
	late         []float64   // ln(X - Xu) by source and node
	along        [][]float64 // by source, at the nodes
	rows         []row
	store        []float64
	field        []float64
	crown, trunk []float64 // coverage at the nodes
	weights      []float64
	working      int   // ports that took something
	references   []int // sources whose kernel along the grain is computed
	from         []between
}

// row is what a source lays round the stem at one height: values from a start,
// going round.
type row struct {
	start  int
	values []float64
	most   float64
}

func (e *engine) scratch() *scratch {
	n := len(e.nodes)
	return &scratch{ports: make([]plume.Port, len(e.ports)), logX: make([]float64, n), left: make([]float64, n), crown: make([]float64, n), trunk: make([]float64, n)}
}

// column returns the sapwood of a draw.
func (e *engine) column(d *Draw) plume.Column {
	v := &d.value
	return plume.Column{PerimeterM: e.c.Tree.PerimeterM, DepthM: v[inDepth] / 1000, Mixed: e.c.Tree.Wood.WholeStem, Medium: plume.Medium{
		WaterFraction: v[inWater], DryDensityKgPerM3: v[inDensity], Retardation: v[inRetardation], TubeLogSD: v[inTubes],
		LateralDispersivityM: v[inLateral], GrainTurnsPerM: v[inGrain], Anisotropy: v[inAnisotropy], LumenFraction: v[inLumen],
		WidthEfficiency: v[inWidth], RingCarryOver: v[inCarry],
	}}
}

// take fills s.ports with what each port really takes: mass and volume times a
// lognormal weight of log-sd PortLogSD; a port in ten takes nothing (MODEL
// 1.6). Weights are scaled so that the working ports together take the whole
// dose, as the balance of package plume asks; with LostWithPort the share of a
// failed port stays out of the tree instead.
func (e *engine) take(s *scratch, d *Draw) {
	copy(s.ports, e.ports)
	s.working = len(s.ports)
	if e.quiet {
		return
	}
	all, working, base := 0.0, 0.0, 0.0
	s.weights = s.weights[:0]
	for i := range s.ports {
		w := math.Exp(PortLogSD * math.Sqrt2 * math.Erfinv(2*quasi.Uniform(d.ports, uint64(2*i))-1))
		m := s.ports[i].MassG
		base += m
		all += w * m
		if quasi.Uniform(d.ports, uint64(2*i+1)) < PortFailure {
			w = 0
			s.working--
		}
		working += w * m
		s.weights = append(s.weights, w)
	}
	scale := base / all
	if !e.c.LostWithPort && working > 0 {
		scale = base / working
	}
	for i, w := range s.weights {
		s.ports[i].MassG *= w * scale
		s.ports[i].VolumeM3 *= w * scale
	}
}

// run fills s.crown and s.trunk with the coverage at the nodes for one draw.
//
// It is the model of package plume (MODEL 1.7) in an order of work that suits
// many draws: kernels along the grain from tabulated Phi with the logarithms of
// all distances taken once, kernels across it once for each height, and the
// share above the level by interpolating the crossings between points.
func (e *engine) run(s *scratch, d *Draw) error {
	clear(s.crown)
	clear(s.trunk)
	e.take(s, d)
	v := &d.value
	if s.working == 0 || v[inDelivered] <= 0 {
		return nil
	}
	c := e.column(d)
	sources, _, err := plume.Emplace(c, s.ports, plume.Entry{FluxMPerD: v[inFlux] * e.c.Season.relative(), SaturationGPerM3: v[inSaturation], SorptionReached: v[inSorption]})
	if err != nil {
		return err
	}
	if len(sources) == 0 {
		return nil
	}
	speed := v[inFlux] / (v[inWater] * v[inRetardation])
	logSpeed := math.Log(speed)
	for n, o := range e.nodes {
		s.logX[n] = logSpeed + o.logFlow
		s.left[n] = v[inDelivered] * math.Exp(-math.Ln2/v[inHalfLife]*o.heat) * carried(v[inCarry], o.springs)
	}
	if e.c.Active.EffectiveMetric == plume.InLeaf { // leaves collect what passes
		for n := range s.left {
			s.left[n] /= c.Medium.WaterFraction * c.Medium.Retardation * c.DepthM
		}
	} else if e.c.Active.EffectiveMetric == plume.InSap {
		f := 1 / (c.Medium.WaterFraction * c.Medium.Retardation * c.DepthM)
		for n := range s.left {
			s.left[n] *= f
		}
	} else {
		f := 1000 / (c.Medium.DryDensityKgPerM3 * c.DepthM)
		for n := range s.left {
			s.left[n] *= f
		}
	}
	e.lateLogs(s, sources, speed)
	for len(s.along) < len(sources) {
		s.along = append(s.along, make([]float64, len(e.nodes)))
	}
	s.refer(sources, e.alike)
	for _, h := range e.heights {
		for _, j := range s.references {
			e.alongGrain(s, d, &sources[j], j, h.z)
		}
		s.fillBetween(sources)
		to := s.crown
		if h.trunk {
			to = s.trunk
		}
		if c.Mixed {
			reached := h.share * plume.BundleCoverage(s.working, e.c.Tree.PalmMixing)
			for n := range e.nodes {
				sum := 0.0
				for j := range sources {
					sum += s.along[j][n]
				}
				if sum/c.PerimeterM >= v[inLevel] {
					to[n] += reached
				}
			}
			continue
		}
		e.round(s, d, &c, sources, h, to)
	}
	return nil
}

func carried(k float64, springs int) float64 {
	p := 1.0
	for range springs {
		p *= k
	}
	return p
}

// lateLogs fills s.late for the sources with a depot.
func (e *engine) lateLogs(s *scratch, sources []plume.Source, speed float64) {
	n := len(e.nodes)
	if cap(s.late) < n*len(sources) {
		s.late = make([]float64, n*len(sources))
	}
	s.late = s.late[:n*len(sources)]
	for j := range sources {
		if sources[j].DepotG == 0 {
			continue
		}
		for i, o := range e.nodes {
			s.late[j*n+i] = logOrNone(speed*o.flow - sources[j].Depot.ReleaseM)
		}
	}
}

// kinds is the number of ports whose kernel along the grain is computed when
// ports are alike but for what they took: it is then a smooth function of the
// logarithm of the mass, and the others lie between two of them.
const kinds = 8

// between places a source between two references: share of the second.
type between struct {
	a, b  int
	share float64
}

// refer chooses the references: all sources, or when they are many and alike
// the least, the largest, and the nearest to even steps of ln mass between.
func (s *scratch) refer(sources []plume.Source, alike bool) {
	s.references, s.from = s.references[:0], s.from[:0]
	if !alike || len(sources) <= kinds {
		for j := range sources {
			s.references = append(s.references, j)
		}
		return
	}
	mass := func(j int) float64 { return sources[j].PatchG + sources[j].DepotG }
	least, most := 0, 0
	for j := range sources {
		if mass(j) < mass(least) {
			least = j
		}
		if mass(j) > mass(most) {
			most = j
		}
	}
	s.references = append(s.references, least)
	ratio := mass(most) / mass(least)
	for k := 1; k < kinds-1; k++ {
		want := mass(least) * math.Pow(ratio, float64(k)/(kinds-1))
		best := least
		for j := range sources {
			if math.Abs(mass(j)-want) < math.Abs(mass(best)-want) {
				best = j
			}
		}
		if mass(best) > mass(s.references[len(s.references)-1]) && mass(best) < mass(most) {
			s.references = append(s.references, best)
		}
	}
	s.references = append(s.references, most)
	for j := range sources {
		k := 1
		for k < len(s.references)-1 && mass(j) > mass(s.references[k]) {
			k++
		}
		a, b := s.references[k-1], s.references[k]
		f := between{a: a, b: b}
		if mass(b) > mass(a) {
			f.share = math.Log(mass(j)/mass(a)) / math.Log(mass(b)/mass(a))
		}
		s.from = append(s.from, f)
	}
}

// fillBetween completes s.along for the sources that are no references.
func (s *scratch) fillBetween(sources []plume.Source) {
	for j, f := range s.from {
		if j == f.a || j == f.b {
			continue
		}
		m := func(i int) float64 { return sources[i].PatchG + sources[i].DepotG }
		wa, wb := (1-f.share)*m(j)/m(f.a), f.share*m(j)/m(f.b)
		out, a, b := s.along[j], s.along[f.a], s.along[f.b]
		for n := range out {
			out[n] = wa*a[n] + wb*b[n]
		}
	}
}

// alongGrain fills s.along[j] with mass times the kernel along the grain at a
// height, losses and unit included: concentration times metre of arc.
func (e *engine) alongGrain(s *scratch, d *Draw, p *plume.Source, j int, z float64) {
	v := &d.value
	table := phiTable()
	a := v[inTubes]
	per := 1 / a
	out := s.along[j]
	clear(out)
	inWood := e.c.Active.EffectiveMetric == plume.InWood
	up := z - p.HeightM
	if p.PatchG > 0 {
		// Flux: Phi((ln u1/X - a2/2)/a) - Phi((ln u2/X - a2/2)/a), u1 = z-z1 > u2 = z-z2.
		// Density: Phi((ln X/u2 - a2/2)/a) - Phi((ln X/u1 - a2/2)/a).
		scale := p.PatchG / (p.Patch.ToM - p.Patch.FromM)
		l1, l2 := logOrNone(up-p.Patch.FromM), logOrNone(up-p.Patch.ToM)
		if inWood {
			for n, x := range s.logX {
				out[n] = scale * (phi(table, (x-l2)*per-a/2) - phi(table, (x-l1)*per-a/2))
			}
		} else {
			for n, x := range s.logX {
				out[n] = scale * (phi(table, (l1-x)*per-a/2) - phi(table, (l2-x)*per-a/2))
			}
		}
	}
	if p.DepotG > 0 && up > p.Depot.FromM {
		scale := p.DepotG / p.Depot.ReleaseM
		late := s.late[j*len(e.nodes):]
		l := math.Log(up - p.Depot.FromM)
		shift := a / 2
		if inWood {
			scale *= math.Exp(a * a)
			shift = 1.5 * a
		}
		for n, x := range s.logX {
			out[n] += scale * (phi(table, (x-l)*per-shift) - phi(table, (late[n]-l)*per-shift))
		}
	}
	out[0] = 0 // nothing has moved yet
	for n := range out {
		out[n] *= s.left[n]
	}
	if e.c.Active.EffectiveMetric == plume.InLeaf {
		e.collect(out, v[inLeafSupply], math.Ln2/v[inLeafHalfLife])
	}
}

// collect turns a dissolved concentration at the nodes into that of the leaves
// (MODEL 1.7): dC/dt = E c - k C between nodes, with E c constant at the mean
// of its ends; the leaves are empty after they fell.
func (e *engine) collect(c []float64, supply, k float64) {
	leaf, before := 0.0, c[0]
	c[0] = 0
	for n := 1; n < len(c); n++ {
		now := c[n]
		o, last := &e.nodes[n], &e.nodes[n-1]
		if step := o.time - last.time; step > 0 {
			in := supply * (o.flow - last.flow) / step * (before + now) / 2
			stay := math.Exp(-k * step)
			leaf = leaf*stay + in*(1-stay)/k
		}
		if o.fell {
			leaf = 0
		}
		before, c[n] = now, leaf
	}
}

// points of a stem's perimeter at which a height is judged.
const (
	leastPoints = 48
	mostPoints  = 1024
	// A port adds nothing where it brings less than this share of the level.
	negligible = 1e-4
)

// round adds to the coverage at each node what one height contributes.
func (e *engine) round(s *scratch, d *Draw, c *plume.Column, sources []plume.Source, h height, to []float64) {
	v := &d.value
	length := c.PerimeterM
	// Five points to two standard deviations of the least spread.
	least := math.Inf(1)
	for i := range sources {
		least = math.Min(least, math.Sqrt(2*v[inLateral]*math.Max(0, h.z-sources[i].HeightM)))
	}
	points := int(math.Min(mostPoints, math.Max(leastPoints, math.Ceil(2.5*length/least))))
	lay := e.lay(s, d, c, sources, h.z, points)
	if cap(s.field) < points+1 {
		s.field = make([]float64, points+1)
	}
	field := s.field[:points]
	clear(field)
	for _, r := range lay {
		accumulate(field, r, 1)
	}
	high, low := 0.0, math.Inf(1)
	for _, f := range field {
		if f > high {
			high = f
		}
		if f < low {
			low = f
		}
	}
	level := v[inLevel]
	for n := range e.nodes {
		most, fewest := 0.0, math.Inf(1)
		for j := range sources {
			a := s.along[j][n]
			if a > most {
				most = a
			}
			if a < fewest {
				fewest = a
			}
		}
		if most*high < level {
			continue
		}
		if fewest*low >= level {
			to[n] += h.share
			continue
		}
		clear(field)
		for j, r := range lay {
			if a := s.along[j][n]; a*r.most > negligible*level {
				accumulate(field, r, a)
			}
		}
		to[n] += h.share * above(field, level)
	}
}

// accumulate adds a times a row, going round.
func accumulate(field []float64, r row, a float64) {
	n := min(len(r.values), len(field)-r.start)
	dst, src := field[r.start:r.start+n], r.values[:n]
	for i, x := range src {
		dst[i] += a * x
	}
	dst, src = field, r.values[n:]
	for i, x := range src {
		dst[i] += a * x
	}
}

// above returns the share of a closed line on which values exceed a level,
// straight between the points.
func above(field []float64, level float64) float64 {
	sum := 0.0
	last := field[len(field)-1]
	for _, now := range field {
		switch {
		case now >= level && last >= level:
			sum++
		case now >= level:
			sum += (now - level) / (now - last)
		case last >= level:
			sum += (last - level) / (last - now)
		}
		last = now
	}
	return sum / float64(len(field))
}

// lay fills s.rows with what each source lays round the stem at a height: the
// top-hat of its width there under a wrapped normal (MODEL 1.5), times the
// connection of the limb above.
func (e *engine) lay(s *scratch, d *Draw, c *plume.Column, sources []plume.Source, z float64, points int) []row {
	table := phiTable()
	length := c.PerimeterM
	step := length / float64(points)
	s.rows = s.rows[:0]
	s.store = s.store[:0]
	if need := points * len(sources); cap(s.store) < need {
		s.store = make([]float64, 0, need)
	}
	for i := range sources {
		p := &sources[i]
		up := z - p.HeightM
		b := p.WidthM / 2
		if p.Widens {
			b = plume.HalfBody(up, p.WidthM, c.Medium.Anisotropy) / 2
		}
		sd := math.Sqrt(2 * c.Medium.LateralDispersivityM * math.Max(0, up))
		sd = math.Max(sd, step/4) // below that the points cannot tell
		y := p.ArcM + c.Medium.GrainTurnsPerM*up*length
		reach := b + 5.5*sd
		from, to := int(math.Ceil((y-reach)/step)), int(math.Floor((y+reach)/step))
		start := ((from % points) + points) % points
		count := min(to-from+1, points)
		base := len(s.store)
		s.store = s.store[:base+count]
		r := row{start: start, values: s.store[base:]}
		clear(r.values)
		switch {
		case sd > length: // even to 3e-9
			for k := range r.values {
				r.values[k] = 1 / length
			}
		default:
			per, k := 1/sd, 0
			for g := from; g <= to; g++ {
				u := float64(g)*step - y
				r.values[k] += (phi(table, (u+b)*per) - phi(table, (u-b)*per)) / (2 * b)
				if k++; k == points {
					k = 0
				}
			}
		}
		if len(e.arcs) > 0 {
			for k := range r.values {
				r.values[k] *= e.connection(float64((start+k)%points) * step)
			}
		}
		for _, x := range r.values {
			if x > r.most {
				r.most = x
			}
		}
		s.rows = append(s.rows, r)
	}
	return s.rows
}

// connection returns the connection of the limb that an arc feeds.
func (e *engine) connection(y float64) float64 {
	length := e.c.Tree.PerimeterM
	for _, a := range e.arcs {
		if off := math.Mod(y-a.FromM+2*length, length); off < a.LengthM {
			return e.c.Tree.Limbs[a.Limb].Connection
		}
	}
	return 1
}
