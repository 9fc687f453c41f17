package plume

import (
	"math"
	"sort"

	"sapward/flow/sap"
)

// Model is a treated column, ready to be asked. Use New.
type Model struct {
	column  Column
	tube    Tube
	taper   taper
	sources []Source
	streams []stream
	dose    float64
}

// stream is the mass of all ports that share height and emission, so that it
// needs one kernel along the grain; parts tells where round the stem it stands.
type stream struct {
	heightM  float64
	emission Emission
	xi       float64 // xi of the port
	mass     float64
	parts    []part
}

type part struct {
	source int
	mass   float64
}

// New prepares a model from a column and its sources, which it copies. Sources
// come from Emplace or are made by hand. Errors: a value that cannot be used;
// no mass at all.
func New(c Column, sources []Source) (*Model, error) {
	if err := c.Check(); err != nil {
		return nil, err
	}
	m := &Model{column: c, tube: Tube{c.Medium.TubeLogSD}, sources: append([]Source(nil), sources...)}
	m.column.Crown = append([]Level(nil), c.Crown...)
	m.column.Taper = append([]Section(nil), c.Taper...)
	m.taper = newTaper(m.column)
	index := map[streamKey]int{}
	for i, s := range m.sources {
		spread := c.Medium.LateralDispersivityM + c.Medium.StartVarianceM2 + s.WidthM
		err := sap.Check(sap.Finite("arc_m", s.ArcM), sap.Finite("height_m", s.HeightM), sap.NotNegative("patch_g", s.PatchG), sap.NotNegative("depot_g", s.DepotG),
			sap.Need{Field: "width_m", Value: s.WidthM, OK: s.WidthM >= 0 && s.WidthM <= 2*c.PerimeterM && (c.Mixed || spread > 0), Needs: "0 to twice the perimeter, above 0 without lateral spread"})
		if err != nil {
			return nil, err
		}
		for _, e := range []struct {
			mass     float64
			emission Emission
		}{{s.PatchG, s.Patch}, {s.DepotG, s.Depot}} {
			if e.mass == 0 {
				continue
			}
			err := sap.Check(sap.Finite("from_m", e.emission.FromM),
				sap.Need{Field: "to_m", Value: e.emission.ToM, OK: e.emission.ReleaseM > 0 || e.emission.ToM >= e.emission.FromM && !math.IsInf(e.emission.ToM, 1), Needs: "no lower than from_m"},
				sap.NotNegative("release_m", e.emission.ReleaseM))
			if err != nil {
				return nil, err
			}
			key := streamKey{s.HeightM, e.emission}
			n, ok := index[key]
			if !ok {
				n = len(m.streams)
				index[key] = n
				m.streams = append(m.streams, stream{heightM: s.HeightM, emission: e.emission, xi: m.taper.at(s.HeightM)})
			}
			m.streams[n].mass += e.mass
			m.streams[n].parts = append(m.streams[n].parts, part{i, e.mass})
			m.dose += e.mass
		}
	}
	if err := sap.Check(sap.Positive("dose_g", m.dose)); err != nil {
		return nil, err
	}
	return m, nil
}

type streamKey struct {
	heightM  float64
	emission Emission
}

// Treat is Emplace and New in one call.
func Treat(c Column, ports []Port, e Entry) (*Model, []sap.Warning, error) {
	sources, warnings, err := Emplace(c, ports, e)
	if err != nil {
		return nil, nil, err
	}
	m, err := New(c, sources)
	return m, warnings, err
}

// DoseG returns the mass of all sources.
func (m *Model) DoseG() float64 { return m.dose }

// Sources returns a copy of the sources.
func (m *Model) Sources() []Source { return append([]Source(nil), m.sources...) }

// Remaining returns what losses and ring renewal have left of a gram,
// e^(-Lambda) k^springs (MODEL 1.7).
func (m *Model) Remaining(at sap.Moment) float64 {
	return math.Exp(-at.Loss) * math.Pow(m.column.Medium.RingCarryOver, float64(at.Springs))
}

// across returns the tangential density of source i at height z and arc y
// (MODEL 1.5): variance S0 + 2 alpha_T max(z - z_p, 0), turned by the grain.
func (m *Model) across(i int, z, y float64) float64 {
	c := &m.column
	if c.Mixed {
		return 1 / c.PerimeterM
	}
	s := &m.sources[i]
	up := z - s.HeightM
	variance := c.Medium.StartVarianceM2 + 2*c.Medium.LateralDispersivityM*math.Max(0, up)
	d := y - s.ArcM - float64(c.Medium.GrainTurnsPerM*up)*c.PerimeterM
	return Around(d, s.halfWidth(up, c.Medium.Anisotropy), variance, c.PerimeterM)
}

// Point is a place in the sapwood.
type Point struct{ HeightM, ArcM float64 }

// Reading is what stands at a point.
type Reading struct {
	MassGPerM2      float64 // m, active per area of the unrolled sheet, dissolved and sorbed
	ResidueMgPerKg  float64 // 1000 m/(rho_b s), per kg dry wood
	DissolvedGPerM3 float64 // c_sap, concentration in the moving sap
}

// At returns the reading at a point and a moment after application (MODEL 1.7):
//
//	m = e^(-Lambda) k^n sum M d Gy;  residue = 1000 m/(rho_b s);  c_sap = e^(-Lambda) k^n sum M j Gy/(theta Rbar s)
//
// Above the highest level of the crown there is no wood and all are 0.
func (m *Model) At(p Point, at sap.Moment) Reading {
	if m.aboveTop(p.HeightM) {
		return Reading{}
	}
	xi := m.taper.at(p.HeightM)
	var mass, flux float64
	for _, s := range m.streams {
		across := 0.0
		for _, part := range s.parts {
			across += part.mass * m.across(part.source, p.HeightM, p.ArcM)
		}
		mass += across * m.tube.Density(s.emission, xi-s.xi, at.DistanceM)
		flux += across * m.tube.Flux(s.emission, xi-s.xi, at.DistanceM)
	}
	left := m.Remaining(at)
	return m.reading(left*mass, left*flux)
}

func (m *Model) aboveTop(z float64) bool {
	n := len(m.taper.levels)
	return n > 0 && z > m.taper.levels[n-1].HeightM
}

func (m *Model) reading(mass, flux float64) Reading {
	c := &m.column
	return Reading{MassGPerM2: mass, ResidueMgPerKg: 1000 * mass / (c.Medium.DryDensityKgPerM3 * c.DepthM),
		DissolvedGPerM3: flux / (c.Medium.WaterFraction * c.Medium.Retardation * c.DepthM)}
}

// ascending returns a sorted copy without repeats.
func ascending(values []float64) []float64 {
	sorted := append([]float64(nil), values...)
	sort.Float64s(sorted)
	kept := sorted[:0]
	for i, v := range sorted {
		if i == 0 || v != kept[len(kept)-1] {
			kept = append(kept, v)
		}
	}
	return kept
}
