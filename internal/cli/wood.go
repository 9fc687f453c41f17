package cli

import (
	"sapward/flow/sap"
	"sapward/measure/tree"
	"sapward/plan/label"
)

// head is the pressure taken for a method where the person gives none.
func head(m label.Method) float64 {
	if m == label.Infusion {
		return sap.GravityHeadMPa
	}
	return sap.DeviceHeadMPa
}

// woodOf is the parameter table of a tree's wood.
func woodOf(w tree.Wood) (sap.Wood, bool) {
	if w == tree.WoodUnknown {
		return sap.Wood{}, false
	}
	wood, err := sap.WoodNamed(string(w))
	return wood, err == nil
}
