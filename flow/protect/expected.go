package protect

import (
	"math"

	"sapward/flow/plume"
)

// expected is what a draw makes at the assays, but for the grain: for each
// assay and source the kernel along the grain, in the unit of the assay times
// metre of arc.
type expected struct {
	lengthM float64
	sources []plume.Source
	rows    []expectedRow
	along   []float64 // by assay and source
	half    []float64 // half-width there
}

// expectedRow is an assay's own part.
type expectedRow struct {
	arcM, heightM float64
	lateral       float64 // dispersivity
}

// fill computes the kernels by package plume (MODEL 1.7) for a draw; ports
// hold what each takes.
func (x *expected) fill(k *calibration, d *Draw, ports []plume.Port) error {
	v := &d.value
	c := k.e.column(d)
	sources, _, err := plume.Emplace(c, ports, k.e.entry(d))
	if err != nil {
		return err
	}
	x.lengthM, x.sources = c.PerimeterM, sources
	x.rows, x.along, x.half = x.rows[:0], x.along[:0], x.half[:0]
	tube := plume.Tube{LogSD: v[inTubes]}
	speed := v[inFlux] / (v[inWater] * v[inRetardation])
	for i := range k.assays {
		a, o := &k.assays[i], &k.clocks[i]
		kernel := tube.Density
		unit := 1000 / (v[inDensity] * c.DepthM)
		if a.Metric == plume.InSap {
			kernel = tube.Flux
			unit = 1 / (v[inWater] * v[inRetardation] * c.DepthM)
		}
		unit *= v[inDelivered] * math.Exp(-math.Ln2/v[inHalfLife]*o.heat) * carried(v[inCarry], o.springs)
		x.rows = append(x.rows, expectedRow{a.AzimuthDeg / 360 * x.lengthM, a.HeightM, v[inLateral]})
		along, half := 0.0, 0.0
		for j := range sources {
			p := &sources[j]
			if j == 0 || !alike(&sources[j-1], p) { // ports alike share their kernel
				up := a.HeightM - p.HeightM
				along, half = 0, p.WidthM/2
				if p.Widens {
					half = plume.HalfBody(up, p.WidthM, v[inAnisotropy]) / 2
				}
				if p.PatchG > 0 {
					along += p.PatchG * kernel(p.Patch, up, speed*o.flow)
				}
				if p.DepotG > 0 {
					along += p.DepotG * kernel(p.Depot, up, speed*o.flow)
				}
			}
			x.along, x.half = append(x.along, along*unit), append(x.half, half)
		}
	}
	return nil
}

// alike tells whether two sources differ in azimuth only.
func alike(a, b *plume.Source) bool {
	return a.HeightM == b.HeightM && a.WidthM == b.WidthM && a.Widens == b.Widens && a.PatchG == b.PatchG && a.Patch == b.Patch && a.DepotG == b.DepotG && a.Depot == b.Depot
}

// at fills out with the concentrations at the assays under a grain, in turns a
// metre.
func (x *expected) at(grain float64, out []float64) {
	const reach = 8.6 // standard deviations: 1e-17
	n := len(x.sources)
	for i := range x.rows {
		r := &x.rows[i]
		out[i] = 0
		for j := range x.sources {
			along := x.along[i*n+j]
			if along == 0 {
				continue
			}
			p := &x.sources[j]
			up := r.heightM - p.HeightM
			variance := 2 * r.lateral * math.Max(0, up)
			off := r.arcM - p.ArcM - grain*up*x.lengthM
			off -= x.lengthM * math.Floor(off/x.lengthM+0.5)
			if far := math.Abs(off) - x.half[i*n+j]; far > 0 && far*far > reach*reach*variance {
				continue
			}
			out[i] += along * plume.Around(off, x.half[i*n+j], variance, x.lengthM)
		}
	}
}

// predict fills out with the concentrations of a draw at the assays.
func (k *calibration) predict(out []float64, d *Draw, ports []plume.Port) error {
	var x expected
	if err := x.fill(k, d, ports); err != nil {
		return err
	}
	x.at(d.value[inGrain], out)
	return nil
}

// possible tells whether a whitened point is within any prior worth the name.
func possible(z []float64) bool {
	for _, x := range z {
		if !(math.Abs(x) < 12) {
			return false
		}
	}
	return true
}

// predictAt fills out with what the typical tree has at the assays with the
// parameters of a whitened point; false where the point is impossible.
func (k *calibration) predictAt(x *expected, z, out []float64) bool {
	if !possible(z) {
		return false
	}
	d := k.with(k.typical, k.values(z))
	if x.fill(k, &d, k.e.ports) != nil {
		return false
	}
	x.at(d.value[inGrain], out)
	return true
}
