package plume

import (
	"math"

	"sapward/numeric/special"
)

// The classical solutions of advection and dispersion below stand beside the
// model for verification only: a port is not the inlet of a column (MODEL
// section 0). Lengths and times are in any one pair of units.

// Flowing is uniform flow with dispersion.
type Flowing struct {
	Velocity    float64 // v, of the water
	Dispersion  float64 // D_x, along the flow
	Retardation float64 // R, 1 or more
	Loss        float64 // mu, bulk first-order loss, not divided by R
}

// FirstType returns C/C0 at x and t in a half-infinite column whose inlet is
// held at C0 (Ogata and Banks 1961; with loss, van Genuchten and Alves 1982,
// solution A1), u = sqrt(v^2 + 4 mu D):
//
//	1/2 e^((v-u)x/2D) erfc[(Rx-ut)/w] + 1/2 e^((v+u)x/2D) erfc[(Rx+ut)/w],  w = 2 sqrt(D R t)
//
// The second term is taken as e^((v-u)x/2D - p^2) erfcx, which cannot overflow.
func (f Flowing) FirstType(x, t float64) float64 {
	d := f.Dispersion
	u := math.Sqrt(f.Velocity*f.Velocity + 4*f.Loss*d)
	w := 2 * math.Sqrt(d*f.Retardation*t)
	p, q := (f.Retardation*x-u*t)/w, (f.Retardation*x+u*t)/w
	fade := (f.Velocity - u) * x / (2 * d)
	return 0.5 * (math.Exp(fade)*math.Erfc(p) + math.Exp(fade-p*p)*special.Erfcx(q))
}

// ThirdType returns C/C0 where the inlet's flux is held instead (Lindstrom et
// al. 1967), without loss:
//
//	1/2 erfc(p) + sqrt(v^2 t/(pi D R)) e^(-p^2) - 1/2 (1 + vx/D + v^2 t/(D R)) e^(vx/D) erfc(q)
func (f Flowing) ThirdType(x, t float64) float64 {
	d, v, r := f.Dispersion, f.Velocity, f.Retardation
	w := 2 * math.Sqrt(d*r*t)
	p, q := (r*x-v*t)/w, (r*x+v*t)/w
	rest := v*math.Sqrt(t/(math.Pi*d*r)) - 0.5*(1+v*x/d+v*v*t/(d*r))*special.Erfcx(q)
	if p > 0 {
		return math.Exp(-p*p) * (0.5*special.Erfcx(p) + rest)
	}
	return 0.5*math.Erfc(p) + math.Exp(-p*p)*rest
}

// FiniteColumn returns C/C0 at x and t in a column of length L whose outlet has
// no gradient, by its eigenfunctions; third selects the inlet of held flux. With
// p = v/2D the deficit 1 - C/C0 is sum a_n phi_n e^(px) e^(-(k_n^2+p^2) D t/R),
//
//	first type  phi = sin kx,               k cos kL + p sin kL = 0
//	third type  phi = cos kx + (p/k) sin kx, (k^2-p^2) sin kL = 2 p k cos kL
//
// (the problem of Wexler 1992, USGS TWRI 3-B7; derived here). Without loss; the
// series needs t not to be very small. x from 0 to L.
func (f Flowing) FiniteColumn(x, t, length float64, third bool) float64 {
	p := f.Velocity / (2 * f.Dispersion)
	condition := func(k float64) float64 {
		if third {
			return (k*k-p*p)*math.Sin(k*length) - 2*p*k*math.Cos(k*length)
		}
		return k*math.Cos(k*length) + p*math.Sin(k*length)
	}
	deficit := 0.0
	for n := 0; n < 400; n++ {
		// One root in each half turn: (n+1/2, n+1) pi for the first type, (n, n+1) pi for the third.
		lo, hi := (float64(n)+0.5)*math.Pi/length, (float64(n)+1)*math.Pi/length
		if third {
			lo = (float64(n) + 1e-9) * math.Pi / length
		}
		k := bisect(condition, lo, hi)
		rate := (k*k + p*p) * f.Dispersion * t / f.Retardation
		phi := func(y float64) float64 {
			if third {
				return math.Cos(k*y) + p/k*math.Sin(k*y)
			}
			return math.Sin(k * y)
		}
		var top, norm float64
		panels := 4 * (n + 2)
		for i := range panels {
			a, b := float64(i)*length/float64(panels), float64(i+1)*length/float64(panels)
			top += between(func(y float64) float64 { return math.Exp(-p*y) * phi(y) }, a, b)
			norm += between(func(y float64) float64 { return phi(y) * phi(y) }, a, b)
		}
		term := top / norm * phi(x) * math.Exp(p*x-rate)
		deficit += term
		if rate-p*x > 45 {
			break
		}
	}
	return 1 - deficit
}

// bisect returns a root of f between lo and hi, where f changes sign.
func bisect(f func(float64) float64, lo, hi float64) float64 {
	rising := f(hi) > 0
	for range 200 {
		mid := lo + (hi-lo)/2
		if mid == lo || mid == hi {
			break
		}
		if f(mid) > 0 == rising {
			hi = mid
		} else {
			lo = mid
		}
	}
	return lo + (hi-lo)/2
}

// overTime integrates g(tau) e^(-a/tau) dtau/tau from 0 to t on the logarithm of
// tau, from where e^(-a/tau) is nothing; g includes its own powers of tau.
func overTime(g func(float64) float64, a, t float64) float64 {
	const panels = 96
	lo, hi := math.Log(a/745), math.Log(t)
	if lo >= hi {
		return 0
	}
	sum := 0.0
	for i := range panels {
		l, r := lo+(hi-lo)*float64(i)/panels, lo+(hi-lo)*float64(i+1)/panels
		sum += between(func(w float64) float64 { tau := math.Exp(w); return g(tau) * math.Exp(-a/tau) }, l, r)
	}
	return sum
}

// Side is a coordinate across the flow: the place asked and the stretch of the
// inlet that is held at C0, with its dispersion.
type Side struct {
	At, From, To, Dispersion float64
	// Width of an aquifer with closed sides at 0 and Width; 0: without sides.
	Width float64
}

// share is the spread of the stretch across the flow after a time: the model's
// own tangential kernel, closed sides by folding onto a ring of twice the width.
func (s Side) share(tau float64) float64 {
	b, middle := (s.To-s.From)/2, (s.From+s.To)/2
	variance := 2 * s.Dispersion * tau
	if s.Width == 0 {
		return 2 * b * overHat(math.Abs(s.At-middle), b, math.Sqrt(variance))
	}
	ring := 2 * s.Width
	return 2 * b * (Around(s.At-middle, b, variance, ring) + Around(s.At+middle, b, variance, ring))
}

// Patch returns C/C0 at x > 0 and t downstream of an inlet plane on which only
// the given stretches are held at C0 (first type): with one side the strip of
// Wexler (1992), STRIPI or STRIPF, with two the patch, PATCHI or PATCHF.
//
//	x/sqrt(4 pi D) integral of tau^(-3/2) e^(-(x-v tau)^2/(4 D tau) - mu tau) product of shares
func (f Flowing) Patch(x, t float64, sides ...Side) float64 {
	r := f.Retardation
	v, d, mu := f.Velocity/r, f.Dispersion/r, f.Loss/r
	g := func(tau float64) float64 {
		s := math.Exp(v*x/(2*d)-(v*v/(4*d)+mu)*tau) / math.Sqrt(tau)
		for _, side := range sides {
			side.Dispersion /= r
			s *= side.share(tau)
		}
		return s
	}
	return x / math.Sqrt(4*math.Pi*d) * overTime(g, x*x/(4*d), t)
}

// Line returns C/C0 at (x, y) from a continuous line source at the origin in an
// infinite plane (Wexler 1992, POINT2): rate is the inflow per thickness,
// porosity the water fraction.
func (f Flowing) Line(x, y, t, across, rate, porosity float64) float64 {
	d, v := f.Dispersion, f.Velocity
	g := func(tau float64) float64 { return math.Exp(v*x/(2*d) - (v*v/(4*d)+f.Loss)*tau) }
	return rate / (4 * math.Pi * porosity * math.Sqrt(d*across)) * overTime(g, x*x/(4*d)+y*y/(4*across), t)
}

// PointSource returns C/C0 at (x, y, z) from a continuous point source at the
// origin in infinite space (Wexler 1992, POINT3), in closed form:
//
//	Q e^(vx/2Dx)/(8 pi n rho sqrt(Dy Dz)) { e^(rho b) erfc[(rho + B t)/w] + e^(-rho b) erfc[(rho - B t)/w] }
//
// with rho^2 = x^2 + Dx/Dy y^2 + Dx/Dz z^2, B = sqrt(v^2 + 4 mu Dx), b = B/(2 Dx), w = 2 sqrt(Dx t).
func (f Flowing) PointSource(x, y, z, t, dy, dz, rate, porosity float64) float64 {
	d := f.Dispersion
	rho := math.Sqrt(x*x + d/dy*y*y + d/dz*z*z)
	b := math.Sqrt(f.Velocity*f.Velocity + 4*f.Loss*d)
	w := 2 * math.Sqrt(d*t)
	p, q := (rho-b*t)/w, (rho+b*t)/w
	fade := f.Velocity*x/(2*d) - rho*b/(2*d)
	return rate / (8 * math.Pi * porosity * rho * math.Sqrt(dy*dz)) * (math.Exp(fade)*math.Erfc(p) + math.Exp(fade-p*p)*special.Erfcx(q))
}
