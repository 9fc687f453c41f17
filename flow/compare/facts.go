package compare

import (
	"math"

	"sapward/flow/plume"
	"sapward/flow/sap"
)

// Spread of a value that a person entered for an active whose class is not
// known: program default, no source.
const (
	spreadRetardation = 3
	spreadOther       = 2
)

// Fact is a value with the source it was read in.
type Fact struct {
	Value  float64
	Source string
}

// Level is the effective level: exact, since it is the person's own.
type Level struct {
	Fact
	Metric plume.Metric
}

// Facts is what a person entered of an active. Nil: not entered.
type Facts struct {
	LogKow, HalfLifeD, HalfLifeLeafD, SolubilityMgL, Access, Retardation, SaturationMgL *Fact
	Level                                                                               *Level
}

// Active returns what the model needs to know of the active: the class's row of
// the parameter table where there is one, with what was entered in its place.
// An entered value is the middle; about it lies the spread of the class, or a
// program default where no class is known. The effective level has no spread.
// known tells whether the class is in the table.
//
// Errors: an unknown class without log Kow, half-life and solubility (or
// retardation and saturation in their place); no effective level.
func (f Facts) Active(class string, wood sap.Wood) (a plume.Active, known bool, err error) {
	a, lookup := plume.ActiveNamed(class)
	known = lookup == nil
	if !known {
		a = plume.Active{Class: class}
	}
	put := func(to **sap.Parameter, x *Fact, spread float64) {
		if x == nil {
			return
		}
		p := sap.Parameter{Low: x.Value / spread, Typical: x.Value, High: x.Value * spread}
		if *to != nil {
			p.Low, p.High = x.Value*(*to).Low/(*to).Typical, x.Value*(*to).High/(*to).Typical
		}
		p.Marks, p.Source = []sap.Mark{sap.Entered}, x.Source
		*to = &p
	}
	put(&a.HalfLifeWoodD, f.HalfLifeD, spreadOther)
	put(&a.HalfLifeLeafD, f.HalfLifeLeafD, spreadOther)
	switch {
	case f.Retardation != nil:
		put(&a.Retardation, f.Retardation, spreadRetardation)
	case f.LogKow != nil && (f.Access != nil || a.Access != nil):
		access, immobile := 0.0, 0.0
		if f.Access != nil {
			access = f.Access.Value
		} else {
			access = a.Access.Typical
		}
		if a.Immobile != nil {
			immobile = a.Immobile.Typical
		}
		k, _, err := plume.Partition(f.LogKow.Value)
		if err != nil {
			return a, known, err
		}
		r, err := plume.Retardation(wood.DryDensityKgPerM3.Typical, k, wood.WaterFraction.Typical, access, immobile)
		if err != nil {
			return a, known, err
		}
		put(&a.Retardation, &Fact{r, f.LogKow.Source}, spreadRetardation)
	}
	switch {
	case f.SaturationMgL != nil:
		put(&a.SaturationGM3, f.SaturationMgL, spreadOther)
	case f.SolubilityMgL != nil && a.SaturationGM3 != nil && a.SolubilityMgL != nil:
		put(&a.SaturationGM3, &Fact{f.SolubilityMgL.Value * a.SaturationGM3.Typical / a.SolubilityMgL.Typical, f.SolubilityMgL.Source}, spreadOther)
	case f.SolubilityMgL != nil && !known:
		put(&a.SaturationGM3, f.SolubilityMgL, spreadOther)
	}
	if f.Level != nil {
		v := f.Level.Value
		a.EffectiveLevel = &sap.Parameter{Low: v, Typical: v, High: v, Marks: []sap.Mark{sap.Entered}, Source: f.Level.Source}
		a.EffectiveMetric = f.Level.Metric
	}
	lacks := func(field string) error {
		return &sap.InputError{Field: field, Value: math.NaN(), Needs: "a value: the card names no class of the table"}
	}
	switch {
	case a.Retardation == nil:
		return a, known, lacks("log_kow or retardation")
	case a.HalfLifeWoodD == nil:
		return a, known, lacks("half_life_d")
	case a.EffectiveLevel == nil:
		return a, known, lacks("effective_level")
	}
	return a, known, nil
}
