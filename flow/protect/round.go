package protect

import (
	"math"

	"sapward/flow/plume"
)

// points of a stem's perimeter at which a height is judged.
const (
	leastPoints = 48
	mostPoints  = 1024
	// A port adds nothing where it brings less than this share of the level.
	negligible = 1e-4
)

// round adds to the coverage at each node what one height contributes.
func (e *engine) round(s *scratch, d *Draw, c *plume.Column, sources []plume.Source, h height, to []float64) {
	v := &d.value
	length := c.PerimeterM
	// Five points to two standard deviations of the least spread.
	least := math.Inf(1)
	for i := range sources {
		least = math.Min(least, math.Sqrt(2*v[inLateral]*math.Max(0, h.z-sources[i].HeightM)))
	}
	points := int(math.Min(mostPoints, math.Max(leastPoints, math.Ceil(2.5*length/least))))
	lay := e.lay(s, c, sources, h, points)
	if cap(s.field) < points+1 {
		s.field = make([]float64, points+1)
	}
	field := s.field[:points]
	clear(field)
	for _, r := range lay {
		accumulate(field, r, 1)
	}
	high, low := 0.0, math.Inf(1)
	for _, f := range field {
		if f > high {
			high = f
		}
		if f < low {
			low = f
		}
	}
	level := v[inLevel]
	for n := range e.nodes {
		most, fewest := 0.0, math.Inf(1)
		for j := range sources {
			a := s.along[j][n]
			if a > most {
				most = a
			}
			if a < fewest {
				fewest = a
			}
		}
		if most*high < level {
			continue
		}
		if fewest*low >= level {
			to[n] += h.share
			continue
		}
		clear(field)
		for j, r := range lay {
			if a := s.along[j][n]; a*r.most > negligible*level {
				accumulate(field, r, a)
			}
		}
		to[n] += h.share * above(field, level)
	}
}

// accumulate adds a times a row, going round.
func accumulate(field []float64, r row, a float64) {
	n := min(len(r.values), len(field)-r.start)
	addScaled(field[r.start:r.start+n], r.values[:n], a)
	addScaled(field, r.values[n:], a)
}

// addScaled adds a times src to the beginning of dst, four at a time.
func addScaled(dst, src []float64, a float64) {
	dst = dst[:len(src)]
	for len(src) >= 4 && len(dst) >= 4 {
		dst[0] += a * src[0]
		dst[1] += a * src[1]
		dst[2] += a * src[2]
		dst[3] += a * src[3]
		dst, src = dst[4:], src[4:]
	}
	for i, x := range src {
		dst[i] += a * x
	}
}

// above returns the share of a closed line on which values exceed a level,
// straight between the points.
func above(field []float64, level float64) float64 {
	whole, part := 0, 0.0
	last := field[len(field)-1]
	was := last >= level
	for _, now := range field {
		is := now >= level
		if is != was { // the few crossings
			if is {
				part += (now - level) / (now - last)
			} else {
				part += (last - level) / (last - now)
			}
			was = is
		} else if is {
			whole++
		}
		last = now
	}
	return (float64(whole) + part) / float64(len(field))
}

// lay fills s.rows with what each source lays round the stem at a height: the
// top-hat of its width there under a wrapped normal (MODEL 1.5), times the
// connection of the limb above in the crown; the trunk below has no collar.
func (e *engine) lay(s *scratch, c *plume.Column, sources []plume.Source, h height, points int) []row {
	table := phiTable()
	length := c.PerimeterM
	step := length / float64(points)
	s.rows = s.rows[:0]
	s.store = s.store[:0]
	if need := points * len(sources); cap(s.store) < need {
		s.store = make([]float64, 0, need)
	}
	for i := range sources {
		p := &sources[i]
		up := h.z - p.HeightM
		b := p.WidthM / 2
		if p.Widens {
			b = plume.HalfBody(up, p.WidthM, c.Medium.Anisotropy) / 2
		}
		sd := math.Sqrt(2 * c.Medium.LateralDispersivityM * math.Max(0, up))
		sd = math.Max(sd, step/4) // below that the points cannot tell
		y := p.ArcM + c.Medium.GrainTurnsPerM*up*length
		reach := b + 5.5*sd
		from, to := int(math.Ceil((y-reach)/step)), int(math.Floor((y+reach)/step))
		start := ((from % points) + points) % points
		count := min(to-from+1, points)
		base := len(s.store)
		s.store = s.store[:base+count]
		r := row{start: start, values: s.store[base:]}
		clear(r.values)
		switch {
		case sd > length: // even to 3e-9
			for k := range r.values {
				r.values[k] = 1 / length
			}
		default:
			per, k := 1/sd, 0
			for g := from; g <= to; g++ {
				u := float64(g)*step - y
				r.values[k] += (phi(table, (u+b)*per) - phi(table, (u-b)*per)) / (2 * b)
				if k++; k == points {
					k = 0
				}
			}
		}
		if len(e.arcs) > 0 && !h.trunk {
			for k := range r.values {
				r.values[k] *= e.connection(float64((start+k)%points) * step)
			}
		}
		for _, x := range r.values {
			if x > r.most {
				r.most = x
			}
		}
		s.rows = append(s.rows, r)
	}
	return s.rows
}

// connection returns the connection of the limb that an arc feeds.
func (e *engine) connection(y float64) float64 {
	length := e.c.Tree.PerimeterM
	for _, a := range e.arcs {
		if off := math.Mod(y-a.FromM+2*length, length); off < a.LengthM {
			return e.c.Tree.Limbs[a.Limb].Connection
		}
	}
	return 1
}
