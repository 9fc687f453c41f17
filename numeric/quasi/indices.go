package quasi

import (
	"fmt"
	"math"
)

// Indices are the Sobol sensitivity indices of a function with independent
// inputs uniform on the unit cube: First[i] is the share of the variance that
// input i explains alone, Total[i] the share that is left when only i is
// unknown. The half-widths are 1.96 standard errors over the points taken as
// independent, which for quasi-random points is on the safe side.
type Indices struct {
	Mean, Variance       float64
	First, Total         []float64
	FirstHalf, TotalHalf []float64
}

// Design is the set of points at which a function must be known to estimate its
// indices: two independent samples A and B and, for each input i, A with column
// i from B (Saltelli 2002). Use NewDesign.
type Design struct {
	inputs, points int
	sobol          *Sobol
}

// NewDesign prepares a design for a number of inputs (at most MaxDimension/2)
// and base points (at least 2, best a power of 2), scrambled by a seed. It has
// points*(inputs+2) runs. Errors: ErrDimension, ErrShape.
func NewDesign(inputs, points int, seed uint64) (*Design, error) {
	if inputs < 1 {
		return nil, fmt.Errorf("%w: %d inputs", ErrDimension, inputs)
	}
	if points < 2 || int64(points) > math.MaxUint32 {
		return nil, fmt.Errorf("%w: %d points", ErrShape, points)
	}
	s, err := NewSobol(2*inputs, Owen, seed)
	if err != nil {
		return nil, err
	}
	return &Design{inputs, points, s}, nil
}

// Runs returns how many times the function is needed.
func (d *Design) Runs() int { return d.points * (d.inputs + 2) }

// At fills dst (one value an input) with the point of a run, 0 to Runs()-1:
// first all of A, then all of B, then for each input its mixed sample.
func (d *Design) At(dst []float64, run int) {
	both := make([]float64, 2*d.inputs)
	d.sobol.Point(both, uint32(run%d.points))
	switch sample := run / d.points; sample {
	case 0:
		copy(dst, both[:d.inputs])
	case 1:
		copy(dst, both[d.inputs:])
	default:
		copy(dst, both[:d.inputs])
		dst[sample-2] = both[d.inputs+sample-2]
	}
}

// Estimate returns the indices from the values of the function, in the order of
// the runs:
//
//	S_i  = mean(f_B (f_ABi - f_A))/V       Saltelli et al. 2010, Comput. Phys. Commun. 181:259, table 2 (b)
//	ST_i = mean((f_A - f_ABi)^2)/(2 V)     Jansen 1999, Comput. Phys. Commun. 117:35
//
// with the variance over A and B together, and values taken about their mean.
// Errors: ErrShape, ErrNotFinite, ErrConstant.
func (d *Design) Estimate(values []float64) (Indices, error) {
	if len(values) != d.Runs() {
		return Indices{}, fmt.Errorf("%w: %d values for %d runs", ErrShape, len(values), d.Runs())
	}
	n := d.points
	var out Indices
	for i, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return Indices{}, fmt.Errorf("%w: run %d", ErrNotFinite, i)
		}
		if i < 2*n {
			out.Mean += v / float64(2*n)
		}
	}
	for _, v := range values[:2*n] {
		out.Variance += (v - out.Mean) * (v - out.Mean) / float64(2*n)
	}
	if !(out.Variance > 1e-28*out.Mean*out.Mean) {
		return Indices{}, ErrConstant
	}
	for i := range d.inputs {
		var first, total, first2, total2 float64
		mixed := values[(i+2)*n : (i+3)*n]
		for k, m := range mixed {
			a, b := values[k]-out.Mean, values[n+k]-out.Mean
			f := b * (m - out.Mean - a) / out.Variance
			t := (a - (m - out.Mean)) * (a - (m - out.Mean)) / (2 * out.Variance)
			first, first2 = first+f, first2+float64(f*f)
			total, total2 = total+t, total2+float64(t*t)
		}
		mean := func(x float64) float64 { return x / float64(n) }
		half := func(x, x2 float64) float64 {
			return 1.96 * math.Sqrt(math.Max(0, mean(x2)-mean(x)*mean(x))/float64(n))
		}
		out.First, out.FirstHalf = append(out.First, mean(first)), append(out.FirstHalf, half(first, first2))
		out.Total, out.TotalHalf = append(out.Total, mean(total)), append(out.TotalHalf, half(total, total2))
	}
	return out, nil
}
