package plume

import (
	"math"

	"sapward/numeric/special"
)

// Dispersion is the advection-dispersion model along the grain (MODEL 1.4): one
// speed, dispersivity alpha_L. It is the path by which the tubes are verified,
// and an option; molecular diffusion during dormancy enters as extra variance.
type Dispersion struct {
	DispersivityM float64 // alpha_L
	ExtraM2       float64 // 2 D_m t/R, variance by molecular diffusion
}

// Patch returns the density in 1/m, at z above the middle of a patch of
// half-length h that held one gram at X = 0:
//
//	{erf[(z-X+h)/w] - erf[(z-X-h)/w]}/(4h),  w = sqrt(4 alpha_L X + 4 D_m t/R)
func (k Dispersion) Patch(z, h, x float64) float64 {
	return overHat(math.Abs(z-x), h, math.Sqrt(2*k.DispersivityM*x+k.ExtraM2))
}

// Source returns the concentration, as a share of the inlet concentration, at z
// above a source that has fed the stream evenly over a sap distance x, with the
// medium going on below it:
//
//	z > 0: { erfc[(z-X)/w] - e^(z/aL) erfc[(z+X)/w] }/2
//	z < 0: { e^(z/aL) erfc[(|z|-X)/w] - erfc[(|z|+X)/w] }/2,  w = 2 sqrt(aL X)
//
// Its integral over all z is X. The product of exponential and erfc is taken as
// exp(-((|z|-X)/w)^2) erfcx((|z|+X)/w). ExtraM2 is not part of this kernel.
func (k Dispersion) Source(z, x float64) float64 {
	if x <= 0 {
		return 0
	}
	far, w := math.Abs(z), 2*math.Sqrt(k.DispersivityM*x)
	p := (far - x) / w
	if z >= 0 {
		return 0.5 * (math.Erfc(p) - math.Exp(-p*p)*special.Erfcx((far+x)/w))
	}
	// e^(z/aL) erfc(p) = exp(-((|z|+X)/w)^2) erfcx(p): the squares differ by |z|/aL
	q := (far + x) / w
	if p < -20 { // erfcx would overflow; erfc is 2 and z/aL is small
		return 0.5 * (math.Exp(z/k.DispersivityM)*math.Erfc(p) - math.Erfc(q))
	}
	return 0.5 * (math.Exp(-q*q)*special.Erfcx(p) - math.Erfc(q))
}

// Uptake returns the density in 1/m of one gram fed evenly over a sap distance
// xu, after a sap distance x: [c(X) - c(X-Xu)]/Xu.
func (k Dispersion) Uptake(z, x, xu float64) float64 {
	return (k.Source(z, x) - k.Source(z, x-xu)) / xu
}
