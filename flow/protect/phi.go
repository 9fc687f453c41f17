package protect

import (
	"math"
	"sync"

	"sapward/numeric/special"
)

// The table of the normal distribution function: value and density at knots
// phiStep apart from -phiTop to phiTop. From the nearest knot a cubic Taylor
// piece is taken; its error is at most (phiStep/2)^4/24 max|phi”'| = 2.2e-10
// (max|phi”'| = 1.38). Beyond phiTop the function is 0 or 1 within 7e-16.
const (
	phiTop  = 8
	phiPer  = 64 // knots a unit
	phiStep = 1.0 / phiPer
)

type phiKnot struct{ value, density float64 }

var phiTable = sync.OnceValue(func() *[2*phiTop*phiPer + 1]phiKnot {
	var t [2*phiTop*phiPer + 1]phiKnot
	for i := range t {
		x := float64(i)*phiStep - phiTop
		t[i] = phiKnot{special.NormalCDF(x), special.NormalPDF(x)}
	}
	return &t
})

// phi is the normal distribution function within 3e-10.
func phi(t *[2*phiTop*phiPer + 1]phiKnot, x float64) float64 {
	if !(x > -phiTop) {
		return 0
	}
	if x >= phiTop {
		return 1
	}
	i := int((x+phiTop)*phiPer + 0.5)
	k := float64(i)*phiStep - phiTop
	d := x - k
	return t[i].value + t[i].density*d*(1-d*(k/2-d*(k*k-1)/6))
}

// logOrNone is the logarithm, or minus infinity from 0 down.
func logOrNone(x float64) float64 {
	if x > 0 {
		return math.Log(x)
	}
	return math.Inf(-1)
}
