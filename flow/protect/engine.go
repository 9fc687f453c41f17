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

// entry returns the state of tree and active while the ports drink.
func (e *engine) entry(d *Draw) plume.Entry {
	return plume.Entry{FluxMPerD: d.value[inFlux] * e.c.Season.relative(), SaturationGPerM3: d.value[inSaturation], SorptionReached: d.value[inSorption]}
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
	sources, _, err := plume.Emplace(c, s.ports, e.entry(d))
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
