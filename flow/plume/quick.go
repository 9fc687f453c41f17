package plume

import (
	"math"
	"sync"
)

// erfKnots and erfTop lay out the table of erf: cubic Hermite pieces between
// knots, from values and the slope 2/sqrt(pi) exp(-x^2). With a step h the
// error of a piece is at most h^4/384 max|erf””| (textbook bound of Hermite
// interpolation), here below 2e-12; beyond erfTop erf is 1 to 2e-17.
const (
	erfKnots = 2048
	erfTop   = 6.0
)

type erfPiece struct{ value, slope float64 } // slope times the step

var erfTable = sync.OnceValue(func() *[erfKnots + 2]erfPiece {
	var t [erfKnots + 2]erfPiece
	h := erfTop / erfKnots
	for i := range t {
		x := h * float64(i)
		t[i] = erfPiece{math.Erf(x), h * 2 / math.SqrtPi * math.Exp(-x*x)}
	}
	return &t
})

// quickErf is erf(x) within 1e-11, from the table.
func quickErf(t *[erfKnots + 2]erfPiece, x float64) float64 {
	a := math.Abs(x)
	if a >= erfTop {
		return math.Copysign(1, x)
	}
	s := a * (erfKnots / erfTop)
	i := int(s)
	u := s - float64(i)
	p, q := &t[i], &t[i+1]
	d := q.value - p.value
	v := p.value + u*(p.slope+u*(3*d-2*p.slope-q.slope+u*(p.slope+q.slope-2*d)))
	return math.Copysign(v, x)
}

// PatchField fills dst with the field of a patch of unit mass that was placed
// on heights -h..h and arcs -b..b and carried a sap distance x, both variances
// those of its age (MODEL 1.4 with 1.5):
//
//	c(z, y) = Patch(z) Around(y),  variances 2 alpha_L x and 2 alpha_T x
//
// times left, the share not yet lost. dst has len(heights) rows of len(arcs)
// columns, row after row, 1/m2. The kernels come from a table of erf: the
// result is within 1e-9 of the peak of the exact kernels, which the tests hold
// it to. Lateral variance must stay below (perimeter/4)^2; above it use Around.
// x must be above 0.
func (k Dispersion) PatchField(dst, heights, arcs []float64, h, b, x, acrossM, perimeter, left float64) {
	t := erfTable()
	w := 1 / math.Sqrt(4*k.DispersivityM*x+2*k.ExtraM2)
	s := 1 / math.Sqrt(4*acrossM*x)
	reach := b + erfTop/s
	var few [256]float64
	across := few[:0]
	if len(arcs) > len(few) {
		across = make([]float64, 0, len(arcs))
	}
	for _, y := range arcs {
		d := math.Abs(wrapped(y, perimeter))
		sum := 0.0
		for u := d - perimeter; u <= d+perimeter; u += perimeter {
			if v := math.Abs(u); v < reach {
				sum += quickErf(t, (v+b)*s) - quickErf(t, (v-b)*s)
			}
		}
		across = append(across, sum/(4*b))
	}
	n := len(arcs)
	for i, z := range heights {
		a := left * (quickErf(t, (z-x+h)*w) - quickErf(t, (z-x-h)*w)) / (4 * h)
		row := dst[i*n : i*n+n]
		if a == 0 {
			clear(row)
			continue
		}
		for j, c := range across {
			row[j] = a * c
		}
	}
}
