package protect

import (
	"math"

	"sapward/flow/sap"
	"sapward/numeric/quasi"
)

// Sampler turns points of the unit cube into draws of a case: what Draws does
// with Sobol points, for a design of one's own (sensitivity indices).
type Sampler struct {
	parameters [inputs]*sap.Parameter
	perimeterM float64
	maxFlux    float64 // m/d
	water      bool    // the flux coordinate is the tree's water use
	whole      bool    // the whole stem conducts
	seed       uint64
	varying    []int // inputs that vary, in order; the last is inPorts
}

// NewSampler returns the sampler of a case. The seed enters into what each port
// takes. Errors: a wood or active without a value it needs, or with one that
// cannot be used.
func NewSampler(c Case, seed uint64) (*Sampler, error) {
	s := &Sampler{parameters: c.parameters(), perimeterM: c.Tree.PerimeterM, maxFlux: math.Inf(1), water: c.Tree.WaterM3PerD != nil, whole: c.Tree.Wood.WholeStem, seed: seed}
	if err := sap.Check(sap.Positive("perimeter_m", s.perimeterM)); err != nil {
		return nil, err
	}
	for i, p := range s.parameters {
		if p == nil {
			continue
		}
		if err := p.Check(inputNames[i]); err != nil {
			return nil, err
		}
	}
	needed := []int{inFlux, inWater, inDensity, inLumen, inTubes, inAnisotropy, inCarry, inRetardation, inHalfLife, inLevel}
	if !s.whole {
		needed = append(needed, inDepth, inLateral, inWidth)
	}
	for _, i := range needed {
		if s.parameters[i] == nil {
			return nil, &sap.InputError{Field: inputNames[i], Value: math.NaN(), Needs: "a value"}
		}
	}
	if c.Tree.Wood.SapFluxMPerD != nil {
		s.maxFlux = c.Tree.Wood.MaxFluxMPerD()
	}
	s.varying = c.varying()
	return s, nil
}

// Inputs returns the names of the coordinates of At, as Case.Inputs: the inputs
// that vary, in order, and port_scatter last.
func (s *Sampler) Inputs() []string {
	names := make([]string, len(s.varying))
	for k, i := range s.varying {
		names[k] = inputNames[i]
	}
	return names
}

// At returns the draw at a point of the open unit cube, one coordinate for each
// of Inputs: the probability at which the input's distribution is read. Inputs
// that do not vary take their middle; any change of the last coordinate gives
// the ports another state. Errors: another number of coordinates, or one that
// is not between 0 and 1.
func (s *Sampler) At(u []float64) (Draw, error) {
	if len(u) != len(s.varying) {
		return Draw{}, &sap.InputError{Field: "coordinates", Value: float64(len(u)), Needs: "one for each input that varies"}
	}
	var full [inputs]float64
	for i := range full {
		full[i] = 0.5
	}
	for k, i := range s.varying {
		if !(u[k] > 0 && u[k] < 1) {
			return Draw{}, &sap.InputError{Field: inputNames[i], Value: u[k], Needs: "between 0 and 1"}
		}
		full[i] = u[k]
	}
	return s.at(full[:]), nil
}

// at turns a point with a coordinate for every input into a draw. Values are
// held to what they can be: shares to 1, water to 0.95, retardation from 1,
// depth to the radius.
func (s *Sampler) at(u []float64) Draw {
	var d Draw
	for i, p := range s.parameters {
		if p != nil {
			d.value[i] = p.At(math.Sqrt2 * math.Erfinv(2*u[i]-1))
		}
	}
	v := &d.value
	radius := s.perimeterM / (2 * math.Pi)
	if s.whole {
		v[inDepth] = 1000 * radius / 2 // perimeter times depth is the disc
		v[inWidth] = 1
	}
	v[inDepth] = math.Min(v[inDepth], 1000*radius)
	v[inWater] = math.Min(v[inWater], 0.95)
	v[inLumen] = math.Min(v[inLumen], v[inWater])
	v[inCarry] = math.Min(v[inCarry], 1)
	v[inSorption] = math.Min(v[inSorption], 1)
	v[inRetardation] = math.Max(v[inRetardation], 1)
	if s.water {
		depth := v[inDepth] / 1000
		area := s.perimeterM * depth
		if !s.whole {
			area *= 1 - depth/(2*radius)
		}
		v[inFlux] = math.Min(v[inFlux]/area, s.maxFlux)
	}
	v[inDelivered] = 1
	d.ports = quasi.Mix(s.seed, math.Float64bits(u[inPorts]))
	return d
}
