package brief

import (
	"math"

	"sapward/flow/sap"
	"sapward/measure/tree"
	"sapward/plan"
	"sapward/plan/crew"
	"sapward/plan/label"
)

// cropCoefficient is the share of reference evapotranspiration that a crown
// over its own projection takes (from memory, as in sapward movement).
const cropCoefficient = 0.6

// Drinks is the weather of the day of work as the model of uptake wants it.
type Drinks struct {
	DailyMm           float64 // reference evapotranspiration of the day
	SunriseH, SunsetH float64 // hours of the clock
	StartH            float64 // when the work begins
}

// Model returns how many minutes one port of a tree takes to drink its volume;
// false where wood or crown of the tree are not known.
func (d Drinks) Model(card label.Card, method label.Method, by crew.Delivery) func(*tree.Tree, plan.Tree) (float64, bool) {
	pressure := Head(method)
	if by == crew.Gravity {
		pressure = sap.GravityHeadMPa
	}
	for _, u := range card.Uses {
		if u.Method == method && u.Pressure.Known {
			pressure = min(pressure, u.Pressure.Value.High.Float()/1000)
		}
	}
	return func(t *tree.Tree, p plan.Tree) (float64, bool) {
		wood, known := Wood(t.Wood)
		if !known || !t.Crown.Known || len(p.Ports) == 0 {
			return 0, false
		}
		crown := t.Crown.Value.Float() / 100
		drinking := sap.Drinking{
			Wood: wood, Species: t.Species, DiameterM: p.DiameterCM / 100, Ports: len(p.Ports), HeadMPa: pressure,
			DailyL: cropCoefficient * d.DailyMm * math.Pi / 4 * crown * crown, SunriseH: d.SunriseH, SunsetH: d.SunsetH, StartH: d.StartH,
		}
		minutes, _, ok, err := drinking.Minutes(p.Dose.ML() / float64(len(p.Ports)))
		return minutes, ok && err == nil
	}
}

// Head is the pressure head of a method's usual device (program defaults of
// package sap).
func Head(m label.Method) float64 {
	if m == label.Infusion {
		return sap.GravityHeadMPa
	}
	return sap.DeviceHeadMPa
}

// Wood is the parameter table of a tree's wood.
func Wood(w tree.Wood) (sap.Wood, bool) {
	if w == tree.WoodUnknown {
		return sap.Wood{}, false
	}
	wood, err := sap.WoodNamed(string(w))
	return wood, err == nil
}
