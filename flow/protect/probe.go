package protect

import (
	"math"

	"sapward/flow/plume"
	"sapward/flow/sap"
)

// Place is a spot in the wood at a moment after the treatment.
type Place struct {
	DayD       float64
	HeightM    float64 // above the datum of the ports
	AzimuthDeg float64
	Metric     plume.Metric // wood mg/kg, or sap mg/L
}

// Assumption is one uncertain input of a case with its name; the unit is part
// of the name.
type Assumption struct {
	Name      string
	Parameter sap.Parameter
}

// Assumptions returns every input of the case that has a parameter, in the
// order of the draws.
func (c Case) Assumptions() []Assumption {
	var out []Assumption
	for i, p := range c.parameters() {
		if p != nil {
			name := inputNames[i]
			if i == inFlux && c.Tree.WaterM3PerD != nil {
				name = "water_use_m3_d"
			}
			out = append(out, Assumption{name, *p})
		}
	}
	return out
}

// Middle returns the draw in which every input stands at its middle and the
// ports take what they are given when it is probed. Errors: as Draws.
func (c Case) Middle() (Draw, error) {
	s, err := NewSampler(c, 0)
	if err != nil {
		return Draw{}, err
	}
	u := make([]float64, len(s.Inputs()))
	for i := range u {
		u[i] = 0.5
	}
	return s.At(u)
}

// Probe returns the concentration at every place for every draw: a row a draw.
// asGiven leaves out the scatter of the ports, so that the answer is that of
// the inputs alone. Places are checked; leaves cannot be probed.
//
// Errors: a case, treatment or place that cannot be used.
func Probe(c Case, t Treatment, places []Place, draws []Draw, asGiven bool, workers int) ([][]float64, error) {
	c, err := c.complete()
	if err != nil {
		return nil, err
	}
	e, err := newEngine(c, t)
	if err != nil {
		return nil, err
	}
	e.quiet = asGiven
	if err := sap.Check(sap.Need{Field: "places", Value: float64(len(places)), OK: len(places) > 0, Needs: "at least one"}); err != nil {
		return nil, err
	}
	if c.Tree.Wood.WholeStem {
		return nil, &sap.InputError{Field: "wood", Value: math.NaN(), Needs: "a trunk with sectors: a palm mixes its stem"}
	}
	spots := make([]spot, len(places))
	for i, p := range places {
		if spots[i], err = c.spot(p); err != nil {
			return nil, err
		}
	}
	out, errs := make([][]float64, len(draws)), make([]error, len(draws))
	each(len(draws), workers, e.scratch, func(s *scratch, i int) {
		out[i] = make([]float64, len(spots))
		e.take(s, &draws[i])
		errs[i] = e.concentrations(out[i], &draws[i], s.ports, spots)
	})
	for _, err := range errs {
		if err != nil {
			return nil, err
		}
	}
	return out, nil
}

// spot is a place with the clocks at its moment.
type spot struct {
	Place
	flow, heat float64
	springs    int
}

// spot checks a place and reads the clocks.
func (c Case) spot(p Place) (spot, error) {
	err := sap.Check(
		sap.Need{Field: "day_d", Value: p.DayD, OK: p.DayD > 0 && p.DayD <= c.Season.LengthD(), Needs: "after the treatment and within the season"},
		sap.Finite("height_m", p.HeightM), sap.Finite("azimuth_deg", p.AzimuthDeg),
		sap.Need{Field: "metric", Value: math.NaN(), OK: p.Metric == plume.InWood || p.Metric == plume.InSap, Needs: "wood mg/kg or sap mg/L"})
	if err != nil {
		return spot{}, err
	}
	flow, heat := c.Season.at(p.DayD)
	return spot{p, flow, heat, c.Season.springs[min(int(p.DayD), len(c.Season.springs)-1)]}, nil
}

// concentrations fills dst with the concentration at each spot for one draw and
// what the ports took (MODEL 1.7): flux over the water where the sap is asked,
// residue where the wood is.
func (e *engine) concentrations(dst []float64, d *Draw, ports []plume.Port, spots []spot) error {
	clear(dst)
	v := &d.value
	if v[inDelivered] <= 0 {
		return nil
	}
	c := e.column(d)
	sources, _, err := plume.Emplace(c, ports, plume.Entry{FluxMPerD: v[inFlux] * e.c.Season.relative(), SaturationGPerM3: v[inSaturation], SorptionReached: v[inSorption]})
	if err != nil {
		return err
	}
	table := phiTable()
	speed := v[inFlux] / (v[inWater] * v[inRetardation])
	tube, length := v[inTubes], c.PerimeterM
	per := 1 / tube
	for i := range spots {
		a := &spots[i]
		x := speed * a.flow
		logX := logOrNone(x)
		sum := 0.0
		for j := range sources {
			p := &sources[j]
			up := a.HeightM - p.HeightM
			sd := math.Max(1e-6, math.Sqrt(2*v[inLateral]*math.Max(0, up)))
			off := math.Abs(math.Remainder(math.Mod(a.AzimuthDeg/360, 1)*length-p.ArcM-v[inGrain]*up*length, length))
			if off > p.WidthM/2+phiTop*sd {
				continue
			}
			b := p.WidthM / 2
			if p.Widens {
				b = plume.HalfBody(up, p.WidthM, v[inAnisotropy]) / 2
			}
			across := around(table, off, b, sd, length)
			if across == 0 {
				continue
			}
			along := 0.0
			wood := a.Metric == plume.InWood
			if p.PatchG > 0 {
				scale := p.PatchG / (p.Patch.ToM - p.Patch.FromM)
				l1, l2 := logOrNone(up-p.Patch.FromM), logOrNone(up-p.Patch.ToM)
				if wood {
					along += scale * (phi(table, (logX-l2)*per-tube/2) - phi(table, (logX-l1)*per-tube/2))
				} else {
					along += scale * (phi(table, (l1-logX)*per-tube/2) - phi(table, (l2-logX)*per-tube/2))
				}
			}
			if p.DepotG > 0 && up > p.Depot.FromM {
				scale, shift := p.DepotG/p.Depot.ReleaseM, tube/2
				if wood {
					scale, shift = scale*math.Exp(tube*tube), 1.5*tube
				}
				l := math.Log(up - p.Depot.FromM)
				along += scale * (phi(table, (logX-l)*per-shift) - phi(table, (logOrNone(x-p.Depot.ReleaseM)-l)*per-shift))
			}
			sum += along * across
		}
		if len(e.arcs) > 0 && a.HeightM >= e.c.Tree.Crown[0].HeightM { // no collar below the crown
			sum *= e.connection(math.Mod(a.AzimuthDeg/360+1, 1) * length)
		}
		unit := 1000 / (v[inDensity] * c.DepthM)
		if a.Metric == plume.InSap {
			unit = 1 / (v[inWater] * v[inRetardation] * c.DepthM)
		}
		dst[i] = sum * unit * v[inDelivered] * math.Exp(-math.Ln2/v[inHalfLife]*a.heat) * carried(v[inCarry], a.springs)
	}
	return nil
}

// around is the density across the grain at an arc distance off from the middle
// of a source of half-width b under a wrapped normal of a standard deviation
// (MODEL 1.5), 1/m.
func around(table *[2*phiTop*phiPer + 1]phiKnot, off, b, sd, length float64) float64 {
	if sd > length/2 {
		return 1 / length
	}
	sum := 0.0
	reach := b + phiTop*sd
	for t := -math.Ceil(reach/length) * length; t <= reach+length; t += length {
		sum += phi(table, (off+t+b)/sd) - phi(table, (off+t-b)/sd)
	}
	return sum / (2 * b)
}
