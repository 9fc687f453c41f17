package protect

import (
	"fmt"
	"math"

	"sapward/flow/sap"
)

// faintest is added to every predicted concentration, so that its logarithm
// stays finite; far below any detection limit.
const faintest = 1e-9

// The parameters that may be calibrated (MODEL section 6): speed, spread, lateral
// mixing, half-life and share; the grain, which is the phase of the ports above
// them; and the carry-over where an assay lies beyond a spring. The speed is
// that at the season's peak, q/(theta Rbar) in m/d: retardation and flux cannot
// be told apart by residues.
const (
	calSpeed = iota
	calTubes
	calLateral
	calHalfLife
	calDelivered
	calGrain
	calCarry
	calibrated
)

var calibratedNames = [calibrated]string{"speed_m_d", "tube_log_sd", "lateral_dispersivity_m", "half_life_wood_d", "delivered_share", "spiral_grain_turns_m", "ring_carry_over"}

// deliveredShare is the prior of f, the share of the dose found in the wood. It
// also takes up what depth and density of the typical tree are wrong by, and
// may therefore be above 1.
var deliveredShare = sap.Parameter{Low: 0.4, Typical: 0.8, High: 1.6, Marks: []sap.Mark{sap.Derived}, Source: "share of the dose found in the wood, by judgement"}

// calibration is a case with its assays, ready to be evaluated.
type calibration struct {
	c       Case
	e       *engine
	typical Draw
	prior   [calibrated]sap.Parameter
	free    []int // parameters that vary, in order: the coordinates of a point
	// parts are the sampled trees, if the assays are not of the case's own tree:
	// each with a case, ports and assays of its own and the same free parameters.
	// assays and trees then run through all of them.
	parts []*calibration
	trees []int // of each assay: which tree
	// Variances of the logarithms of flux, depth, water fraction and retardation:
	// a change of speed is shared among them in proportion (see with).
	flux, depth, water, retardation float64
	scale                           float64 // of the error of an assay
	assays                          []Assay
	clocks                          []node // at the assays
}

// logSD returns the log-sd of a lognormal with the parameter's 10 and 90 %
// points.
func logSD(p *sap.Parameter) float64 {
	if p == nil {
		return 0
	}
	return math.Log(p.High/p.Low) / (2 * z90)
}

// z90 is the 90 % point of the standard normal distribution.
const z90 = 1.281551565544600

func newCalibration(c Case, t Treatment, assays []Assay) (*calibration, error) {
	c, err := c.complete()
	if err != nil {
		return nil, err
	}
	if c.Tree.Wood.WholeStem {
		return nil, &sap.InputError{Field: "wood", Value: math.NaN(), Needs: "a wood with rings; palms have no lateral mixing to calibrate"}
	}
	e, err := newEngine(c, t)
	if err != nil {
		return nil, err
	}
	e.quiet = true
	s, err := NewSampler(c, 0)
	if err != nil {
		return nil, err
	}
	k := &calibration{c: c, e: e, scale: AssayScale}
	middle := make([]float64, inputs)
	for i := range middle {
		middle[i] = 0.5
	}
	k.typical = s.at(middle)
	v := &k.typical.value
	square := func(i int) float64 { sd := logSD(s.parameters[i]); return sd * sd }
	k.flux, k.water, k.retardation = square(inFlux), square(inWater), square(inRetardation)
	if s.water { // the flux is water over an area that goes with the depth
		k.depth = square(inDepth)
		k.flux += k.depth
	}
	u := v[inFlux] / (v[inWater] * v[inRetardation])
	wide := math.Exp(z90 * math.Sqrt(k.flux+k.water+k.retardation))
	k.prior = [calibrated]sap.Parameter{
		{Low: u / wide, Typical: u, High: u * wide, Marks: []sap.Mark{sap.Derived}, Source: "flux over water fraction and retardation"},
		*s.parameters[inTubes], *s.parameters[inLateral], *s.parameters[inHalfLife], deliveredShare, {}, *s.parameters[inCarry],
	}
	if p := s.parameters[inGrain]; p != nil {
		k.prior[calGrain] = *p
	}
	if err := k.set(assays); err != nil {
		return nil, err
	}
	return k, k.release()
}

// release finds the parameters that vary. Error: none.
func (k *calibration) release() error {
	renewed := false
	for _, o := range k.clocks {
		renewed = renewed || o.springs > 0
	}
	k.free = nil
	for i, p := range k.prior {
		if p.Low != p.High && (i != calCarry || renewed) {
			k.free = append(k.free, i)
		}
	}
	if len(k.free) == 0 {
		return &sap.InputError{Field: "parameters", Value: 0, Needs: "at least one that is uncertain"}
	}
	return nil
}

// gather makes the assays of sampled trees those of the case: speeds are then
// compared as multiples of what is typical for each tree.
func (k *calibration) gather(known []Sampled) error {
	k.assays, k.clocks, k.trees = nil, nil, nil
	for n, s := range known {
		c := k.c
		c.Tree = s.Tree
		part, err := newCalibration(c, s.Treatment, s.Assays)
		if err != nil {
			return fmt.Errorf("sampled tree %d: %w", n+1, err)
		}
		k.parts = append(k.parts, part)
		k.assays, k.clocks = append(k.assays, part.assays...), append(k.clocks, part.clocks...)
		for range part.assays {
			k.trees = append(k.trees, n)
		}
	}
	if err := k.release(); err != nil {
		return err
	}
	for _, part := range k.parts {
		part.free = k.free
	}
	return nil
}

// set replaces the assays, checked, with the clocks at their days.
func (k *calibration) set(assays []Assay) error {
	k.assays, k.clocks, k.trees = make([]Assay, len(assays)), make([]node, len(assays)), make([]int, len(assays))
	for i := range assays {
		a, err := completeAssay(assays[i], k.c.Season.LengthD())
		if err != nil {
			return fmt.Errorf("assay %d: %w", i+1, err)
		}
		k.assays[i] = a
		flow, heat := k.c.Season.at(a.DayD)
		springs := k.c.Season.springs
		k.clocks[i] = node{time: a.DayD, flow: flow, heat: heat, springs: springs[min(int(a.DayD), len(springs)-1)]}
	}
	return nil
}

// values returns the parameters at a whitened point, one coordinate for each
// free parameter.
func (k *calibration) values(z []float64) (p [calibrated]float64) {
	for i := range p {
		p[i] = k.prior[i].Typical
	}
	for j, i := range k.free {
		p[i] = k.prior[i].At(z[j])
	}
	p[calCarry] = math.Min(1, p[calCarry])
	return p
}

// with returns a draw with the calibrated parameters in the place of its own.
//
// A speed other than the draw's own is laid on flux, depth, water and
// retardation in proportion to the variances of their logarithms: for
// lognormal inputs that is a draw from their distribution given the speed. The
// share delivered goes with the conducting depth, for residues tell mass per
// depth.
func (k *calibration) with(d Draw, p [calibrated]float64) Draw {
	v := &d.value
	if all := k.flux + k.water + k.retardation; all > 0 {
		by := math.Log(p[calSpeed]*v[inWater]*v[inRetardation]/v[inFlux]) / all
		v[inDepth] = math.Min(v[inDepth]*math.Exp(-by*k.depth), 1000*k.c.Tree.PerimeterM/(2*math.Pi))
		v[inWater] = math.Min(v[inWater]*math.Exp(-by*k.water), 0.95)
		v[inLumen] = math.Min(v[inLumen], v[inWater])
		v[inRetardation] = math.Max(1, v[inRetardation]*math.Exp(-by*k.retardation))
	}
	v[inFlux] = p[calSpeed] * v[inWater] * v[inRetardation] // what the limits left over
	v[inTubes], v[inLateral], v[inHalfLife] = p[calTubes], p[calLateral], p[calHalfLife]
	v[inDelivered] = p[calDelivered] * v[inDepth] / k.typical.value[inDepth]
	v[inGrain] = p[calGrain]
	if k.free[len(k.free)-1] == calCarry {
		v[inCarry] = p[calCarry]
	}
	return d
}

// misfit returns -2 ln of the likelihood of an assay where the concentration
// is predicted, relative to its top.
func (k *calibration) misfit(i int, predicted float64) float64 {
	a, expected := &k.assays[i], math.Log(predicted+faintest)
	if a.NotDetected {
		return -2 * math.Log(student4((math.Log(a.Limit)-expected)/k.scale))
	}
	return student4Misfit((math.Log(a.Value) - expected) / k.scale)
}

// logLikelihood returns the logarithm of the likelihood, up to a constant, of
// predicted concentrations: for each assay the Student-t4 density of the log
// concentration, or its distribution function where nothing was detected.
func (k *calibration) logLikelihood(predicted []float64) float64 {
	sum := 0.0
	for i, x := range predicted {
		sum -= k.misfit(i, x) / 2
	}
	return sum
}

// logPrior returns the logarithm of the standard normal density, up to a
// constant.
func logPrior(z []float64) float64 {
	sum := 0.0
	for _, x := range z {
		sum -= x * x / 2
	}
	return sum
}

// residuals fills r with the signed roots of the terms of -2 ln of the
// posterior density: those of the assays, then those of the prior. Their sum of
// squares is least where the density is largest.
func (k *calibration) residuals(x *expected, z, r []float64) {
	n := len(k.assays)
	copy(r[n:], z)
	if !k.predictAt(x, z, r[:n]) {
		for i := range r {
			r[i] = math.NaN()
		}
		return
	}
	for i := range n {
		root := math.Sqrt(math.Max(0, k.misfit(i, r[i])))
		if a := &k.assays[i]; !a.NotDetected && math.Log(r[i]+faintest) < math.Log(a.Value) {
			root = -root
		}
		r[i] = root
	}
}
