package cli

import (
	"math"
	"strings"

	"sapward/flow/sap"
	"sapward/measure/tree"
	"sapward/plan/label"
)

// Heads at the ports, MPa. None has a source: a bag hung 1.5 m above the port
// gives 15 kPa, and 150 kPa is the middle of what low-pressure devices use (55
// to 240 kPa, trade magazines); the person gives the device's own with
// --head_kpa.
const (
	gravityHeadMPa = 0.015
	deviceHeadMPa  = 0.15
)

// Water relations of the tree while it drinks: derived or from memory, MODEL
// section 5, waiting for the user's own clocked ports.
const (
	soilMPa       = -0.1        // moist soil
	middayDropMPa = 1.0         // from soil to stem at the day's greatest demand
	capacityPerM2 = 25 / 0.2025 // L/MPa for each square metre of diameter squared: 25 L/MPa at 45 cm
)

// genusNames are the genera for which a port's uptake was measured.
var genusNames = map[string]string{
	"ulmus": "elm", "quercus": "oak", "fraxinus": "ash", "tilia": "lime", "fagus": "beech", "acer": "maple", "betula": "birch",
}

// genusOf returns the key of a species in the table of port uptake, or nothing.
func genusOf(species string) string {
	first, _, _ := strings.Cut(strings.ToLower(strings.TrimSpace(species)), " ")
	return genusNames[first]
}

// drinking is a tree that drinks from its ports at once.
type drinking struct {
	Wood      sap.Wood
	Species   string // Latin name or nothing
	DiameterM float64
	Ports     int
	HeadMPa   float64 // pressure at the ports above the atmosphere; 0 is an open cup
	DailyL    float64 // the day's transpiration
	SunriseH  float64 // clock hours
	SunsetH   float64
	StartH    float64
}

// head is the pressure taken for a method where the person gives none.
func head(m label.Method) float64 {
	if m == label.Infusion {
		return gravityHeadMPa
	}
	return deviceHeadMPa
}

// portUptake is the conductance of one port, with what it rests on.
func (d drinking) portUptake() (sap.Parameter, bool) {
	if p, ok := d.Wood.PortUptakeByGenus[genusOf(d.Species)]; ok {
		return p, true
	}
	if d.Wood.PortUptakeMlPerMinMPa != nil {
		return *d.Wood.PortUptakeMlPerMinMPa, true
	}
	return sap.Parameter{}, false
}

// uptakeMinutes returns the minutes until a port has drunk a volume in mL, with
// how the search ended, when all ports of the tree drink side by side:
//
//	G   = n G0,  G0 the conductance of a port by genus, else by wood
//	G_r = E_max/1 MPa, so that the stem falls 1 MPa below the soil at the day's greatest demand
//	C   = 25 L/MPa (d/0.45 m)^2
//	psi(0) = psi_soil - E(start)/G_r
//
// and the demand E follows half a sine wave over the day (package sap, Drinks,
// with clogging and embolism at their typical values). Volumes of 0 take no
// time. ok is false where the wood has no figure for a port, as palms have
// none: then nobody knows, and the crew's clock decides. With stop Stalled or
// OutOfTime the minutes are those until the search ended, not those of the
// volume. Plan's day may be filled with it port by port: a port that takes
// longer than setting it is a slow port, to be left and come back to. It is a
// model estimate with typical values; a pilot tree rescales the day.
func uptakeMinutes(d drinking, volumeML float64) (minutes float64, stop sap.Stop, ok bool, err error) {
	p, ok := d.portUptake()
	if !ok {
		return 0, "", false, nil
	}
	if err := sap.Check(sap.Positive("ports", float64(d.Ports)), sap.Positive("diameter_m", d.DiameterM), sap.NotNegative("volume_ml", volumeML), sap.NotNegative("daily_l", d.DailyL), sap.Finite("head_mpa", d.HeadMPa)); err != nil {
		return 0, "", true, err
	}
	if volumeML == 0 {
		return 0, sap.Filled, true, nil
	}
	demand := func(float64) float64 { return 0 }
	most := 0.0
	if d.DailyL > 0 && d.SunsetH > d.SunriseH {
		if demand, err = sap.DaylightDemand(d.DailyL, d.SunriseH, d.SunsetH, d.StartH); err != nil {
			return 0, "", true, err
		}
		most = d.DailyL * math.Pi / (2 * (d.SunsetH - d.SunriseH)) // top of the half sine wave
	}
	roots := most / middayDropMPa
	start := soilMPa
	if roots > 0 {
		start -= demand(0) / roots
	}
	n := float64(d.Ports)
	u := sap.Uptake{
		PortsLPerHMPa: n * p.Typical * 60 / 1000, RootsLPerHMPa: roots, CapacityLPerMPa: capacityPerM2 * d.DiameterM * d.DiameterM,
		HeadMPa: d.HeadMPa, SoilMPa: soilMPa, StartMPa: start, DemandLPerH: demand(0),
	}
	r := sap.TypicalReality()
	r.DemandLPerH = demand
	drink, err := u.Drinks(n*volumeML/1000, r)
	if err != nil {
		return 0, "", true, err
	}
	return drink.Hours * 60, drink.Stop, true, nil
}

// woodOf is the parameter table of a tree's wood.
func woodOf(w tree.Wood) (sap.Wood, bool) {
	if w == tree.WoodUnknown {
		return sap.Wood{}, false
	}
	wood, err := sap.WoodNamed(string(w))
	return wood, err == nil
}
