package sap

import (
	"math"
	"strings"
)

// Heads at the ports, MPa. None has a source: a bag hung 1.5 m above the port
// gives 15 kPa, and 150 kPa is the middle of what low-pressure devices use (55
// to 240 kPa, trade magazines); a person gives the device's own.
const (
	GravityHeadMPa = 0.015
	DeviceHeadMPa  = 0.15
)

// Water relations of the tree while it drinks: derived or from memory, MODEL
// section 5, waiting for the user's own clocked ports.
const (
	soilMPa = -0.1 // moist soil
	// MiddayDropMPa is from soil to stem at the day's greatest demand.
	MiddayDropMPa = 1.0
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

// Drinking is a tree that drinks from its ports at once.
type Drinking struct {
	Wood      Wood
	Species   string // Latin name or nothing
	DiameterM float64
	Ports     int
	HeadMPa   float64 // pressure at the ports above the atmosphere; 0 is an open cup
	DailyL    float64 // the day's transpiration
	SunriseH  float64 // clock hours
	SunsetH   float64
	StartH    float64
}

// CapacityLPerMPa is the water that the stem gives up or takes in for each MPa.
func (d Drinking) CapacityLPerMPa() float64 { return capacityPerM2 * d.DiameterM * d.DiameterM }

// PortUptake is the conductance of one port, with what it rests on: by genus
// where it was measured, else by wood; false where neither is known.
func (d Drinking) PortUptake() (Parameter, bool) {
	if p, ok := d.Wood.PortUptakeByGenus[genusOf(d.Species)]; ok {
		return p, true
	}
	if d.Wood.PortUptakeMlPerMinMPa != nil {
		return *d.Wood.PortUptakeMlPerMinMPa, true
	}
	return Parameter{}, false
}

// Minutes returns the minutes until a port has drunk a volume in mL, with
// how the search ended, when all ports of the tree drink side by side:
//
//	G   = n G0,  G0 the conductance of a port by genus, else by wood
//	G_r = E_max/1 MPa, so that the stem falls 1 MPa below the soil at the day's greatest demand
//	C   = 25 L/MPa (d/0.45 m)^2
//	psi(0) = psi_soil - E(start)/G_r
//
// and the demand E follows half a sine wave over the day (Uptake.Drinks
// with clogging and embolism at their typical values). Volumes of 0 take no
// time. ok is false where the wood has no figure for a port, as palms have
// none: then nobody knows, and the crew's clock decides. With stop Stalled or
// OutOfTime the minutes are those until the search ended, not those of the
// volume. Plan's day may be filled with it port by port: a port that takes
// longer than setting it is a slow port, to be left and come back to. It is a
// model estimate with typical values; a pilot tree rescales the day.
func (d Drinking) Minutes(volumeML float64) (minutes float64, stop Stop, ok bool, err error) {
	p, ok := d.PortUptake()
	if !ok {
		return 0, "", false, nil
	}
	if err := Check(Positive("ports", float64(d.Ports)), Positive("diameter_m", d.DiameterM), NotNegative("volume_ml", volumeML), NotNegative("daily_l", d.DailyL), Finite("head_mpa", d.HeadMPa)); err != nil {
		return 0, "", true, err
	}
	if volumeML == 0 {
		return 0, Filled, true, nil
	}
	demand := func(float64) float64 { return 0 }
	most := 0.0
	if d.DailyL > 0 && d.SunsetH > d.SunriseH {
		if demand, err = DaylightDemand(d.DailyL, d.SunriseH, d.SunsetH, d.StartH); err != nil {
			return 0, "", true, err
		}
		most = d.DailyL * math.Pi / (2 * (d.SunsetH - d.SunriseH)) // top of the half sine wave
	}
	roots := most / MiddayDropMPa
	start := soilMPa
	if roots > 0 {
		start -= demand(0) / roots
	}
	n := float64(d.Ports)
	u := Uptake{
		PortsLPerHMPa: n * p.Typical * 60 / 1000, RootsLPerHMPa: roots, CapacityLPerMPa: d.CapacityLPerMPa(),
		HeadMPa: d.HeadMPa, SoilMPa: soilMPa, StartMPa: start, DemandLPerH: demand(0),
	}
	r := TypicalReality()
	r.DemandLPerH = demand
	drink, err := u.Drinks(n*volumeML/1000, r)
	if err != nil {
		return 0, "", true, err
	}
	return drink.Hours * 60, drink.Stop, true, nil
}
