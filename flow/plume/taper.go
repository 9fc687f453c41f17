package plume

import "math"

// taper is the change of variable of MODEL 1.2,
//
//	xi(z) = integral from 0 to z of [A(z')/A(0)]/f(z') dz'
//
// by which a column of any taper carries its active like a uniform one; f is
// the share of the leaf area above z. In the pipe model xi = z.
type taper struct {
	levels []Level // rising
	above  []float64
	z, xi  []float64 // knots; nil for the pipe model
}

func newTaper(c Column) taper {
	t := taper{levels: c.rising()}
	t.above = make([]float64, len(t.levels)+1)
	for i := len(t.levels) - 1; i >= 0; i-- {
		t.above[i] = t.above[i+1] + t.levels[i].Share
	}
	if len(c.Taper) == 0 {
		return t
	}
	area := func(z float64) float64 { return c.areaRatio(z) }
	top := c.Taper[len(c.Taper)-1].HeightM
	if n := len(t.levels); n > 0 {
		top = math.Max(top, t.levels[n-1].HeightM)
	}
	knots := []float64{0}
	for _, s := range c.Taper {
		knots = append(knots, s.HeightM)
	}
	for _, l := range t.levels {
		knots = append(knots, l.HeightM)
	}
	knots = ascending(knots)
	t.z, t.xi = []float64{0}, []float64{0}
	for i := 1; i < len(knots) && knots[i] <= top; i++ {
		a, b := knots[i-1], knots[i]
		f := 1.0
		if len(t.levels) > 0 {
			if f = t.leafAbove((a + b) / 2); f <= 0 {
				break
			}
		}
		// A is a straight line and f constant between knots: the trapezoid is exact.
		t.z = append(t.z, b)
		t.xi = append(t.xi, t.xi[len(t.xi)-1]+float64((b-a)*(area(a)+area(b))/2)/f)
	}
	return t
}

// areaRatio returns A(z)/A(0): straight lines between the sections, 1 at the
// datum and below, the last value above the last section.
func (c Column) areaRatio(z float64) float64 {
	z0, a0 := 0.0, 1.0
	for _, s := range c.Taper {
		if z <= s.HeightM {
			if s.HeightM == z0 {
				return s.AreaRatio
			}
			return a0 + (s.AreaRatio-a0)*math.Max(0, z-z0)/(s.HeightM-z0)
		}
		z0, a0 = s.HeightM, s.AreaRatio
	}
	return a0
}

// leafAbove returns f(z), the share of the leaf area at z or above; 1 without a
// crown.
func (t taper) leafAbove(z float64) float64 {
	if len(t.levels) == 0 {
		return 1
	}
	for i, l := range t.levels {
		if z <= l.HeightM {
			return math.Min(1, t.above[i])
		}
	}
	return 0
}

// at returns xi(z); below the datum, and in the pipe model, z itself. Above the
// last knot it goes on with the last slope.
func (t taper) at(z float64) float64 {
	n := len(t.z)
	if n < 2 || z <= 0 {
		return z
	}
	i := 1
	for i < n-1 && z > t.z[i] {
		i++
	}
	slope := (t.xi[i] - t.xi[i-1]) / (t.z[i] - t.z[i-1])
	return t.xi[i-1] + slope*(z-t.z[i-1])
}
