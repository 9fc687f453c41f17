package protect

import (
	"fmt"
	"runtime"
	"sync"
	"sync/atomic"

	"sapward/flow/plume"
	"sapward/flow/sap"
	"sapward/numeric/quasi"
)

// The inputs of a draw, in the order of their coordinates.
const (
	inDepth = iota
	inFlux
	inWater
	inDensity
	inLumen
	inTubes
	inLateral
	inAnisotropy
	inWidth
	inCarry
	inGrain
	inRetardation
	inSaturation
	inHalfLife
	inLevel
	inSorption
	inLeafHalfLife
	inLeafSupply
	inDelivered
	inPorts
	inputs
)

// inputNames are the JSON names; the last one stands for the scatter of ports.
var inputNames = [inputs]string{
	"conducting_depth_mm", "sap_flux_m_d", "water_fraction", "dry_density_kg_m3", "lumen_fraction", "tube_log_sd", "lateral_dispersivity_m", "anisotropy",
	"width_efficiency", "ring_carry_over", "spiral_grain_turns_m", "retardation", "saturation_g_m3", "half_life_wood_d", "effective_level", "sorption_reached",
	"half_life_leaf_d", "leaf_supply_l_kg_d", "delivered_share", "port_scatter",
}

// sorptionReached is eta of MODEL 1.6; leafSupply is E_L of MODEL 1.7, whose
// middle is the geometric one.
var (
	sorptionReached = sap.Parameter{Low: 0.2, Typical: 0.5, High: 1, Marks: []sap.Mark{sap.Derived}, Source: "share of the sorption reached during uptake, by judgement"}
	leafSupply      = sap.Parameter{Low: 3, Typical: 5.5, High: 10, Marks: []sap.Mark{sap.Derived}, Source: "water per dry leaf, L/kg/d, by judgement"}
)

// Draw is one possible truth: a value for every input, and the state of the
// ports. It is a value; With returns a changed copy.
type Draw struct {
	value [inputs]float64
	ports uint64
}

// Inputs returns the names of the inputs that vary over the draws of a case, in
// order; the last, port_scatter, is what each port takes.
func (c Case) Inputs() []string {
	var names []string
	for _, i := range c.varying() {
		names = append(names, inputNames[i])
	}
	return names
}

// varying returns the inputs that vary over the draws of a case.
func (c Case) varying() []int {
	var v []int
	for i, p := range c.parameters() {
		if i == inPorts || p != nil && p.Low != p.High {
			v = append(v, i)
		}
	}
	return v
}

// parameters returns the parameter of each input; nil does not apply.
func (c Case) parameters() [inputs]*sap.Parameter {
	w, a := c.Tree.Wood, c.Active
	p := [inputs]*sap.Parameter{
		w.ConductingDepthMm, w.SapFluxMPerD, w.WaterFraction, w.DryDensityKgPerM3, w.LumenFraction, w.TubeLogSD, w.LateralDispersivityM, w.Anisotropy,
		w.WidthEfficiency, w.RingCarryOver, w.SpiralGrainTurnsPerM, a.Retardation, a.SaturationGM3, a.HalfLifeWoodD, a.EffectiveLevel, &sorptionReached,
		nil, nil, nil, nil,
	}
	if c.Tree.WaterM3PerD != nil {
		p[inFlux] = c.Tree.WaterM3PerD
	}
	if a.EffectiveMetric == plume.InLeaf {
		p[inLeafHalfLife], p[inLeafSupply] = a.HalfLifeLeafD, &leafSupply
	}
	return p
}

// Value returns the value of an input by its name, in the unit of the name;
// false for an unknown one and for port_scatter.
func (d Draw) Value(name string) (float64, bool) {
	for i, n := range inputNames[:inPorts] {
		if n == name {
			return d.value[i], true
		}
	}
	return 0, false
}

// With returns the draw with one input set. Error: an unknown name, or a value
// that is not finite.
func (d Draw) With(name string, v float64) (Draw, error) {
	if err := sap.Check(sap.Finite(name, v)); err != nil {
		return d, err
	}
	for i, n := range inputNames[:inPorts] {
		if n == name {
			d.value[i] = v
			return d, nil
		}
	}
	return d, fmt.Errorf("input %q is unknown", name)
}

// Draws returns n draws of all inputs of a case by scrambled Sobol points. The
// same case, n and seed give the same draws, whatever is then asked of them.
// Errors: fewer than 1 or more than 10 million draws, a wood or active without
// a value it needs.
func Draws(c Case, n int, seed uint64) ([]Draw, error) {
	if n < 1 || n > 1e7 {
		return nil, &sap.InputError{Field: "draws", Value: float64(n), Needs: "1 to 10 million"}
	}
	s, err := NewSampler(c, seed)
	if err != nil {
		return nil, err
	}
	sobol, err := quasi.NewSobol(inputs, quasi.Owen, seed)
	if err != nil {
		return nil, err
	}
	draws, u := make([]Draw, n), make([]float64, inputs)
	for i := range draws {
		sobol.Point(u, uint32(i))
		draws[i] = s.at(u)
	}
	return draws, nil
}

// each calls work for every index from 0 to n-1 on several workers (0: as many
// as there are processors), each with a state of its own. What is done for an
// index must depend on the index only; then the number of workers changes
// nothing.
func each[S any](n, workers int, state func() S, work func(s S, i int)) {
	if workers <= 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	workers = max(1, min(workers, n))
	var next atomic.Int64
	var group sync.WaitGroup
	for range workers {
		group.Go(func() {
			s := state()
			for {
				from := int(next.Add(16)) - 16
				if from >= n {
					return
				}
				for i := from; i < min(from+16, n); i++ {
					work(s, i)
				}
			}
		})
	}
	group.Wait()
}
