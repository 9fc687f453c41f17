package protect

import (
	"math"

	"sapward/flow/plume"
)

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
