package plume

import (
	"math"

	"sapward/numeric/special"
)

// Tube is the stream-tube model along the grain: a particle in a tube of speed
// factor g stands at z0 + g X, g lognormal with mean 1 and log-sd s_g
// (MODEL 1.3). LogSD = 0 is plug flow.
type Tube struct{ LogSD float64 }

// Emission is where one gram enters, in heights above its port: at X = 0 evenly
// over [FromM, ToM], or, when ReleaseM > 0, at FromM evenly in X over
// (0, ReleaseM). FromM = ToM and ReleaseM = 0 is a point.
type Emission struct {
	FromM, ToM float64
	ReleaseM   float64
}

// pointRelease is the share of X under which a release counts as a point
// (MODEL 1.3).
const pointRelease = 1e-3

// score returns (ln(p/q) - shift)/a for positive p and q; for a = 0 the sign
// decides, and a tie goes to tie.
func (k Tube) score(p, q, shift, tie float64) float64 {
	v := math.Log(p/q) - shift
	if k.LogSD > 0 {
		return v / k.LogSD
	}
	switch {
	case v > 0:
		return math.Inf(1)
	case v < 0:
		return math.Inf(-1)
	}
	return tie
}

func (k Tube) passedScore(u, x float64) float64 {
	switch {
	case u <= 0:
		return math.Inf(1)
	case x <= 0:
		return math.Inf(-1)
	}
	return k.score(x, u, k.LogSD*k.LogSD/2, math.Inf(1))
}

func (k Tube) carriedScore(u, x float64) float64 {
	switch {
	case u <= 0:
		return math.Inf(-1)
	case x <= 0:
		return math.Inf(1)
	}
	return k.score(u, x, k.LogSD*k.LogSD/2, math.Inf(-1))
}

// Passed returns P(u; X) = Pr(g X >= u) = Phi((ln(X/u) - s_g^2/2)/s_g), the
// share of tubes that have moved at least u metres; 1 for u <= 0, 0 for u > 0
// and X <= 0.
func (k Tube) Passed(u, x float64) float64 { return special.NormalCDF(k.passedScore(u, x)) }

// Carried returns G(u; X) = E[g; g X < u] = Phi((ln(u/X) - s_g^2/2)/s_g), the
// share of the flow in tubes that have moved less than u metres; 0 for u <= 0.
func (k Tube) Carried(u, x float64) float64 { return special.NormalCDF(k.carriedScore(u, x)) }

// Limited returns LEV(u; X) = E[min(g X, u)] = X G + u P in metres; u for
// u <= 0.
func (k Tube) Limited(u, x float64) float64 {
	if u <= 0 {
		return u
	}
	if x <= 0 {
		return 0
	}
	return float64(x*k.Carried(u, x)) + float64(u*k.Passed(u, x))
}

// released is the integral of P(z; x) over x from 0 to X,
// X P(z; X) - z e^(a^2) Phi((ln(X/z) - 1.5 a^2)/a), for z > 0.
func (k Tube) released(z, x float64) float64 {
	if x <= 0 {
		return 0
	}
	if z <= 0 {
		return x
	}
	a2 := k.LogSD * k.LogSD
	late := z * math.Exp(a2) * special.NormalCDF(k.score(x, z, 1.5*a2, math.Inf(1)))
	return float64(x*k.Passed(z, x)) - late
}

// point tells whether e is a point at the sap distance x, and from what age.
func (e Emission) point(x float64) (float64, bool) {
	if e.ReleaseM > 0 {
		return x - e.ReleaseM/2, e.ReleaseM < pointRelease*x
	}
	return x, e.FromM == e.ToM
}

// Released returns the share of the gram that has entered the stream.
func (e Emission) Released(x float64) float64 {
	if e.ReleaseM > 0 {
		return math.Min(1, math.Max(0, x)/e.ReleaseM)
	}
	return 1
}

// Density returns the mass per metre of height, in 1/m, at z metres above the
// port after a sap distance x (MODEL 1.3):
//
//	patch    d = [P(z-z2) - P(z-z1)]/(z2-z1)
//	release  d = e^(a^2) [Phi((ln(X/z)-1.5a^2)/a) - Phi((ln((X-Xu)/z)-1.5a^2)/a)]/Xu
func (k Tube) Density(e Emission, z, x float64) float64 {
	if age, ok := e.point(x); ok {
		u := z - e.FromM
		if u <= 0 || age <= 0 || k.LogSD == 0 {
			return 0
		}
		return special.NormalPDF(k.carriedScore(u, age)+k.LogSD) / (u * k.LogSD)
	}
	if e.ReleaseM > 0 {
		u := z - e.FromM
		if u <= 0 || x <= 0 {
			return 0
		}
		a2 := k.LogSD * k.LogSD
		first := k.score(x, u, 1.5*a2, math.Inf(1))
		last := math.Inf(-1)
		if x > e.ReleaseM {
			last = k.score(x-e.ReleaseM, u, 1.5*a2, math.Inf(1))
		}
		return math.Exp(a2) * special.NormalBetween(last, first) / e.ReleaseM
	}
	return special.NormalBetween(k.passedScore(z-e.FromM, x), k.passedScore(z-e.ToM, x)) / (e.ToM - e.FromM)
}

// Flux returns the mass passing z per metre of sap distance, in 1/m (MODEL 1.3):
//
//	patch    j = [G(z-z1) - G(z-z2)]/(z2-z1)
//	release  j = [P(z; X) - P(z; X-Xu)]/Xu
func (k Tube) Flux(e Emission, z, x float64) float64 {
	if age, ok := e.point(x); ok {
		u := z - e.FromM
		if u <= 0 || age <= 0 || k.LogSD == 0 {
			return 0
		}
		return special.NormalPDF(k.passedScore(u, age)) / (age * k.LogSD)
	}
	if e.ReleaseM > 0 {
		u := z - e.FromM
		if u < 0 {
			return 0
		}
		last := math.Inf(-1)
		if x > e.ReleaseM {
			last = k.passedScore(u, x-e.ReleaseM)
		}
		return special.NormalBetween(last, k.passedScore(u, x)) / e.ReleaseM
	}
	return special.NormalBetween(k.carriedScore(z-e.ToM, x), k.carriedScore(z-e.FromM, x)) / (e.ToM - e.FromM)
}

// Beyond returns the share of the gram that has passed z:
//
//	patch    B = [LEV(z-z1) - LEV(z-z2)]/(z2-z1)
//	release  B = [H(z; X) - H(z; X-Xu)]/Xu,  H(z; X) = integral of P(z; x) from 0 to X
func (k Tube) Beyond(e Emission, z, x float64) float64 {
	var b float64
	if age, ok := e.point(x); ok {
		b = k.Passed(z-e.FromM, age)
	} else if e.ReleaseM > 0 {
		b = (k.released(z-e.FromM, x) - k.released(z-e.FromM, x-e.ReleaseM)) / e.ReleaseM
	} else {
		b = (k.Limited(z-e.FromM, x) - k.Limited(z-e.ToM, x)) / (e.ToM - e.FromM)
	}
	return math.Min(1, math.Max(0, b))
}

// Dispersivity returns the dispersivity in m that a dispersion model would need
// at a distance z to spread as the tubes do: z (e^(a^2) - 1)/2.
func (k Tube) Dispersivity(z float64) float64 { return z * math.Expm1(k.LogSD*k.LogSD) / 2 }
