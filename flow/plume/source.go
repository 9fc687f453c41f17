package plume

import (
	"math"

	"sapward/flow/sap"
)

// Method is how the active enters.
type Method string

// The two methods: a small concentrated volume, or a large dilute one.
const (
	Injection Method = "injection"
	Infusion  Method = "infusion"
)

// Port is one hole and what it is given.
type Port struct {
	Method     Method
	AzimuthDeg float64 // clockwise from north, seen from above
	HeightM    float64 // above the datum of the ports
	MassG      float64 // M_p, active
	VolumeM3   float64 // V_p
	UptakeD    float64 // T_u, time in which the volume is drunk
	HoleM      float64 // d, diameter
}

// Entry is the state of tree and active while the ports drink.
type Entry struct {
	FluxMPerD        float64 // q0, sap flux density during uptake
	SaturationGPerM3 float64 // c_sat,eff of the formulation in sap, g/m3; 0 or +Inf: no limit
	SorptionReached  float64 // eta, share of the sorption reached during uptake, 0..1 (0.2/0.5/1)
}

// Source is what a port has become: the one source object of both methods
// (MODEL 1.6). A patch stands at X = 0, a depot releases over a sap distance.
type Source struct {
	ArcM        float64 // y_p
	HeightM     float64 // z_p
	WidthM      float64 // W, full width of the source
	Widens      bool    // the width grows above the port as a hydraulic half-body
	PatchG      float64
	Patch       Emission
	DepotG      float64
	Depot       Emission
	InletGPerM3 float64 // c_in, g/m3
	LengthM     float64 // length of the emplaced patch
	DownM       float64 // how far below the port the patch begins
	BelowShare  float64 // share of the volume driven below by excess uptake
}

// RankineWidth returns the final width of the half-body that a continuous
// uptake makes in a uniform stream, W = V/(T q s) (MODEL 1.6).
func RankineWidth(volumeM3, uptakeD, fluxMPerD, depthM float64) float64 {
	return volumeM3 / (uptakeD * fluxMPerD * depthM)
}

// Displacement returns the half-width a_y and the axial reach a_z = kappa a_y of
// the ellipse of lumens that a volume fills at once (MODEL 1.6):
// a_y = sqrt(V/(phi_l s)/(pi kappa)).
func Displacement(volumeM3, lumenFraction, depthM, anisotropy float64) (halfWidthM, reachM float64) {
	a := math.Sqrt(volumeM3 / (lumenFraction * depthM) / (math.Pi * anisotropy))
	return a, anisotropy * a
}

// Stagnation returns how far below a port its solution reaches against the
// stream, z_s = kappa W/(2 pi) (MODEL 1.6).
func Stagnation(widthM, anisotropy float64) float64 { return anisotropy * widthM / (2 * math.Pi) }

// HalfBody returns the width at z above the port of a half-body of final width
// W: W (1 - t/pi), tan t = kappa W(z)/(2 z) (MODEL 1.6); half the final width at
// the port, which is also returned below it.
func HalfBody(z, widthM, anisotropy float64) float64 {
	if z <= 0 || widthM <= 0 {
		return widthM / 2
	}
	// w = 1 - atan(c w)/pi is concave; Newton from below rises to its root.
	c, w := anisotropy*widthM/(2*z), 0.5
	for range 30 {
		step := (w - 1 + math.Atan(c*w)/math.Pi) / (1 + c/(math.Pi*(1+c*c*w*w)))
		w -= step
		if math.Abs(step) < 1e-15 {
			break
		}
	}
	return w * widthM
}

// Emplace turns ports into sources by the rules of MODEL 1.6:
//
//	infusion   W = f_w [min(W_R, W_D) + d], at most 1.5 spacings; patch of length
//	           V/(theta R_u W s), R_u = 1 + (Rbar-1) eta, beginning min(z_s, 0.3 length + 0.05) below
//	injection  W = 2 a_y + d, at most one spacing; patch [-a_z, a_z] if M/V <= c_sat, else a depot
//	depot      releases over Xu = M/(c_in theta Rbar W s)
//
// Infused mass above saturation becomes a depot of the same width. Where the
// infusion ports together give more than the tree transpires, the share
// 1 - Q/sum(Q_p) of each volume lies below its port and the patch is moved down
// by that share of its length (how it is laid there is our choice). A port
// without mass (a failed one) counts for the spacing and gives no source.
// Errors: *sap.InputError for a value that cannot be used.
func Emplace(c Column, ports []Port, e Entry) ([]Source, []sap.Warning, error) {
	if err := c.Check(); err != nil {
		return nil, nil, err
	}
	m := c.Medium
	err := sap.Check(
		sap.Positive("anisotropy", m.Anisotropy), sap.Need{Field: "lumen_fraction", Value: m.LumenFraction, OK: m.LumenFraction > 0 && m.LumenFraction <= 1, Needs: "above 0 and at most 1"},
		sap.Positive("width_efficiency", m.WidthEfficiency), sap.NotNegative("flux_m_d", e.FluxMPerD), sap.Fraction("sorption_reached", e.SorptionReached),
		sap.Need{Field: "saturation_g_m3", Value: e.SaturationGPerM3, OK: e.SaturationGPerM3 >= 0, Needs: "0 or more"},
		sap.Need{Field: "ports", Value: float64(len(ports)), OK: len(ports) > 0, Needs: "at least one port"},
	)
	if err != nil {
		return nil, nil, err
	}
	infused := 0.0
	for _, p := range ports {
		if p.Method != Injection && p.Method != Infusion {
			return nil, nil, &sap.InputError{Field: "method", Value: math.NaN(), Needs: "injection or infusion"}
		}
		err := sap.Check(sap.Finite("azimuth_deg", p.AzimuthDeg), sap.Finite("port_height_m", p.HeightM), sap.NotNegative("mass_g", p.MassG),
			sap.Need{Field: "volume_m3", Value: p.VolumeM3, OK: p.VolumeM3 >= 0 && (p.VolumeM3 > 0 || p.MassG == 0) && !math.IsInf(p.VolumeM3, 1), Needs: "above 0 where there is mass"},
			sap.Positive("hole_m", p.HoleM))
		if err != nil {
			return nil, nil, err
		}
		if p.Method == Infusion && p.MassG > 0 {
			if err := sap.Check(sap.Positive("uptake_d", p.UptakeD)); err != nil {
				return nil, nil, err
			}
			infused += p.VolumeM3 / p.UptakeD
		}
	}
	excess := 0.0
	var warnings []sap.Warning
	if q := e.FluxMPerD * c.AreaM2(); infused > q {
		excess = 1 - q/infused
		warnings = append(warnings, sap.Warning{Code: UptakeExceedsSap, Value: infused, Limit: q, Count: len(ports)})
	}
	capped := sap.Warning{Code: WidthCapped}
	depots := sap.Warning{Code: DepotFormed, Limit: e.SaturationGPerM3}
	var sources []Source
	for _, p := range ports {
		if p.MassG == 0 {
			continue
		}
		s, wanted := emplace(c, p, e, excess, c.PerimeterM/float64(len(ports)))
		if wanted > s.WidthM {
			capped.Count, capped.Value, capped.Limit = capped.Count+1, math.Max(capped.Value, wanted), s.WidthM
		}
		if s.DepotG > 0 {
			depots.Count, depots.Value = depots.Count+1, math.Max(depots.Value, p.MassG/p.VolumeM3)
		}
		sources = append(sources, s)
	}
	for _, w := range []sap.Warning{capped, depots} {
		if w.Count > 0 {
			warnings = append(warnings, w)
		}
	}
	return sources, warnings, nil
}

// emplace turns one port with mass into a source and returns the width it would
// have without the cap.
func emplace(c Column, p Port, e Entry, excess, spacing float64) (Source, float64) {
	m := c.Medium
	hold := m.WaterFraction * c.DepthM // theta s
	half, reachM := Displacement(p.VolumeM3, m.LumenFraction, c.DepthM, m.Anisotropy)
	s := Source{ArcM: math.Mod(p.AzimuthDeg/360, 1) * c.PerimeterM, HeightM: p.HeightM, InletGPerM3: p.MassG / p.VolumeM3}
	if s.ArcM < 0 {
		s.ArcM += c.PerimeterM
	}
	if e.SaturationGPerM3 > 0 {
		s.InletGPerM3 = math.Min(s.InletGPerM3, e.SaturationGPerM3)
	}
	depot := func(mass float64) {
		s.DepotG = mass
		s.Depot = Emission{ReleaseM: mass / (s.InletGPerM3 * m.Retardation * s.WidthM * hold)}
	}
	if p.Method == Injection {
		wanted := 2*half + p.HoleM
		s.WidthM = math.Min(wanted, spacing)
		if s.InletGPerM3 < p.MassG/p.VolumeM3 {
			depot(p.MassG)
			return s, wanted
		}
		s.PatchG, s.Patch = p.MassG, Emission{FromM: -reachM, ToM: reachM}
		s.LengthM, s.DownM = 2*reachM, reachM
		return s, wanted
	}
	wide := 2 * half
	if e.FluxMPerD > 0 {
		if r := RankineWidth(p.VolumeM3, p.UptakeD, e.FluxMPerD, c.DepthM); r < wide {
			wide, s.Widens = r, true
		}
	}
	wanted := m.WidthEfficiency * (wide + p.HoleM)
	s.WidthM = math.Min(wanted, 1.5*spacing)
	during := 1 + (m.Retardation-1)*e.SorptionReached
	s.LengthM = p.VolumeM3 / (during * s.WidthM * hold)
	s.BelowShare = excess
	s.DownM = math.Min(Stagnation(s.WidthM, m.Anisotropy), 0.3*s.LengthM+0.05) + excess*s.LengthM
	s.PatchG = s.InletGPerM3 * p.VolumeM3
	s.Patch = Emission{FromM: -s.DownM, ToM: s.LengthM - s.DownM}
	if rest := p.MassG - s.PatchG; rest > 1e-12*p.MassG {
		depot(rest)
	} else {
		s.PatchG = p.MassG
	}
	return s, wanted
}

// halfWidth returns b at z above the source's port.
func (s Source) halfWidth(z, anisotropy float64) float64 {
	if s.Widens {
		return HalfBody(z, s.WidthM, anisotropy) / 2
	}
	return s.WidthM / 2
}
