package plume

import (
	"math"

	"sapward/flow/sap"
)

// Leaf is the foliage that the sap feeds.
type Leaf struct {
	DryMassKg float64 // of the whole crown
	HalfLifeD float64 // in the leaf; +Inf or 0: none
	Deciduous bool    // leaf fall empties the leaves
}

// Leaves returns the concentration in the leaves, in mg per kg dry leaf, at each
// point (a height and arc of the crown) and moment of a path: result[i][n] is
// point i at moment n (MODEL 1.7).
//
//	dC/dt = E c_sap - k C,  E = Q/(dry leaf mass)
//
// Between moments the supply is constant at the mean of its ends, and the
// equation is solved exactly. Water comes from the path's WaterM3. Errors: an
// empty path or one that runs backwards, dry mass not above 0.
func (m *Model) Leaves(points []Point, path []sap.Moment, leaf Leaf) ([][]float64, error) {
	err := sap.Check(sap.Positive("path_moments", float64(len(path))), sap.Positive("leaf_dry_kg", leaf.DryMassKg),
		sap.Need{Field: "leaf_half_life_d", Value: leaf.HalfLifeD, OK: leaf.HalfLifeD >= 0, Needs: "0 or more"})
	if err != nil {
		return nil, err
	}
	decay := 0.0
	if leaf.HalfLifeD > 0 {
		decay = math.Ln2 / leaf.HalfLifeD
	}
	result := make([][]float64, len(points))
	for i, p := range points {
		result[i] = make([]float64, len(path))
		content, last := 0.0, m.At(p, path[0]).DissolvedGPerM3
		for n := 1; n < len(path); n++ {
			step := path[n].Since(path[n-1])
			if !(step.TimeD > 0 && step.DistanceM >= 0 && step.WaterM3 >= 0) {
				return nil, &sap.InputError{Field: "path", Value: path[n].TimeD, Needs: "moments in rising order"}
			}
			now := m.At(p, path[n]).DissolvedGPerM3
			supply := 1000 * step.WaterM3 / step.TimeD / leaf.DryMassKg * (last + now) / 2 // mg/kg/d; g/m3 is mg/L
			gain := step.TimeD
			if decay > 0 {
				gain = -math.Expm1(-decay*step.TimeD) / decay
			}
			content = content*math.Exp(-decay*step.TimeD) + supply*gain
			if leaf.Deciduous && step.LeafFalls > 0 {
				content = 0
			}
			result[i][n], last = content, now
		}
	}
	return result, nil
}
