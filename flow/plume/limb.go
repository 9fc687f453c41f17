package plume

import (
	"math"
	"sort"

	"sapward/flow/sap"
)

// Limb is a main branch of the trunk.
type Limb struct {
	AzimuthDeg float64 // where it leaves the trunk
	DiameterM  float64
	PerimeterM float64 // under bark
	DepthM     float64 // conducting depth
	// Connection is the share of the trunk's supply that the collar lets through:
	// 1 for codominant limbs, less for small or steep ones (branch conductivity
	// rises with the branch to stem ratio: Eisner et al. 2002, J. Arboric. 28:245).
	Connection float64
}

// Arc is the part of the trunk's perimeter that feeds a limb (MODEL 1.8).
type Arc struct {
	Limb    int     // index in the limbs given
	Share   float64 // a_i = d_i^2/sum d^2 (pipe model: Shinozaki et al. 1964)
	FromM   float64 // where it begins, clockwise; may lie below 0 or above the perimeter
	LengthM float64 // a_i L
}

// Arcs gives each limb an arc of the trunk's perimeter in proportion to its
// cross-section, in order of azimuth, turned so that the arcs' middles differ
// least from the limbs' azimuths (circular mean). The result is in order of
// azimuth. Errors: no limb, an impossible value.
func Arcs(limbs []Limb, perimeterM float64) ([]Arc, error) {
	if err := sap.Check(sap.Positive("limbs", float64(len(limbs))), sap.Positive("perimeter_m", perimeterM)); err != nil {
		return nil, err
	}
	order := make([]int, len(limbs))
	total := 0.0
	for i, l := range limbs {
		err := sap.Check(sap.Finite("azimuth_deg", l.AzimuthDeg), sap.Positive("limb_diameter_m", l.DiameterM), sap.Fraction("connection", l.Connection))
		if err != nil {
			return nil, err
		}
		order[i] = i
		total += l.DiameterM * l.DiameterM
	}
	turn := func(deg float64) float64 { t := math.Mod(deg/360, 1); return math.Mod(t+1, 1) }
	sort.SliceStable(order, func(i, j int) bool { return turn(limbs[order[i]].AzimuthDeg) < turn(limbs[order[j]].AzimuthDeg) })
	arcs := make([]Arc, len(order))
	from, east, north := 0.0, 0.0, 0.0
	for n, i := range order {
		share := limbs[i].DiameterM * limbs[i].DiameterM / total
		arcs[n] = Arc{Limb: i, Share: share, FromM: from * perimeterM, LengthM: share * perimeterM}
		off := 2 * math.Pi * (turn(limbs[i].AzimuthDeg) - (from + share/2))
		east, north = east+share*math.Sin(off), north+share*math.Cos(off)
		from += share
	}
	offset := math.Atan2(east, north) / (2 * math.Pi) * perimeterM
	for n := range arcs {
		arcs[n].FromM += offset
	}
	return arcs, nil
}

// OnTrunk returns the trunk arc that feeds an arc of the limb's own perimeter:
// the trunk's arc is stretched evenly onto it.
func (a Arc) OnTrunk(limbArcM float64, limb Limb) float64 {
	return a.FromM + a.LengthM*limbArcM/limb.PerimeterM
}

// InLimb returns what stands in a limb, at an arc of its own perimeter and a
// height measured along the path of the sap from the trunk's datum. Dissolved
// concentration passes through the collar by the connection; mass per area is
// thinned by the stretch a_i L to L_i, and residue besides by s to s_i, so that
// mass is conserved. Errors: an impossible limb.
func (m *Model) InLimb(a Arc, limb Limb, heightM, limbArcM float64, at sap.Moment) (Reading, error) {
	if err := sap.Check(sap.Positive("limb_perimeter_m", limb.PerimeterM), sap.Positive("limb_depth_m", limb.DepthM), sap.Fraction("connection", limb.Connection)); err != nil {
		return Reading{}, err
	}
	r := m.At(Point{heightM, a.OnTrunk(limbArcM, limb)}, at)
	thin := a.LengthM / limb.PerimeterM
	return Reading{
		MassGPerM2:      limb.Connection * thin * r.MassGPerM2,
		ResidueMgPerKg:  limb.Connection * thin * m.column.DepthM / limb.DepthM * r.ResidueMgPerKg,
		DissolvedGPerM3: limb.Connection * r.DissolvedGPerM3,
	}, nil
}

// Column returns the column of a limb with ports of its own: the trunk's medium
// on the limb's perimeter and depth. A port on it reaches only that limb.
func (l Limb) Column(medium Medium, crown []Level) Column {
	return Column{PerimeterM: l.PerimeterM, DepthM: l.DepthM, Medium: medium, Crown: append([]Level(nil), crown...)}
}

// FluxMPerD returns the sap flux density in a limb that carries a share of the
// tree's flow: a_i Q/A_i. Errors: an impossible value.
func (l Limb) FluxMPerD(share, waterM3PerD float64) (float64, error) {
	c := Column{PerimeterM: l.PerimeterM, DepthM: l.DepthM}
	err := sap.Check(sap.Positive("limb_perimeter_m", l.PerimeterM), sap.Positive("limb_depth_m", l.DepthM), sap.Fraction("share", share), sap.NotNegative("water_m3_d", waterM3PerD))
	if err != nil {
		return 0, err
	}
	return share * waterM3PerD / c.AreaM2(), nil
}
