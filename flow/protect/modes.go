package protect

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"sapward/numeric/fit"
	"sapward/numeric/quasi"
)

// A search for modes.
const (
	tried    = 512 // Sobol points looked at
	searched = 15  // best of them from which a search goes out
	// Modes are one when closer than apart in every coordinate, and left out when
	// their density is less than e^-(faint/2) of the largest.
	apart = 0.2
	faint = 18
	most  = 8
)

// mode is a place where the posterior density is largest.
type mode struct {
	z          []float64
	value      float64       // -2 ln of the density, up to a constant
	covariance *mat.SymDense // inverse of J'J, half the second derivatives of the value
	stop       fit.Stop
}

// normalPoint returns a Sobol point as standard normal deviates.
func normalPoint(sobol *quasi.Sobol, d, i int) []float64 {
	z := make([]float64, d)
	sobol.Point(z, uint32(i))
	for j := range z {
		z[j] = math.Sqrt2 * math.Erfinv(2*z[j]-1)
	}
	return z
}

// starts returns the prior's middle and the best of the Sobol points.
func (k *calibration) starts(seed uint64) ([][]float64, error) {
	d := len(k.free)
	sobol, err := quasi.NewSobol(d, quasi.Owen, seed)
	if err != nil {
		return nil, err
	}
	type point struct {
		z     []float64
		value float64
	}
	all, out := make([]point, tried), make([]float64, len(k.assays))
	var x expected
	for i := range all {
		all[i] = point{normalPoint(sobol, d, i), math.Inf(-1)}
		if k.predictAt(&x, all[i].z, out) {
			all[i].value = k.logLikelihood(out) + logPrior(all[i].z)
		}
	}
	slices.SortStableFunc(all, func(a, b point) int { return cmp.Compare(b.value, a.value) })
	starts := [][]float64{make([]float64, d)}
	for _, p := range all[:searched] {
		starts = append(starts, p.z)
	}
	return starts, nil
}

// modes returns where searches from the starts end, the largest density first.
// Error: ErrNoStart.
func (k *calibration) modes(starts [][]float64) ([]mode, error) {
	d, n := len(k.free), len(k.assays)+len(k.free)
	var found []mode
	var x expected
	residuals := func(z, r []float64) { k.residuals(&x, z, r) }
	for _, start := range starts {
		r, err := fit.Solve(fit.Problem{Points: n, Residuals: residuals, Starts: [][]float64{start}}, fit.Options{Iterations: 60, Quick: true, Coarse: true})
		if err != nil || math.IsNaN(r.RSS) || math.IsInf(r.RSS, 0) {
			continue
		}
		found = append(found, mode{z: r.Parameters, value: r.RSS, stop: r.Stop})
	}
	if len(found) == 0 {
		return nil, ErrNoStart
	}
	slices.SortStableFunc(found, func(a, b mode) int { return cmp.Compare(a.value, b.value) })
	var kept []mode
	for _, m := range found {
		known := m.value > found[0].value+faint || len(kept) == most
		for _, o := range kept {
			distance := 0.0
			for j := range d {
				distance = math.Max(distance, math.Abs(m.z[j]-o.z[j]))
			}
			known = known || distance < apart
		}
		if !known {
			m.covariance = inverse(k.curvature(m.z))
			kept = append(kept, m)
		}
	}
	return kept, nil
}

// curvature returns J'J of the residuals at a point, by central differences.
func (k *calibration) curvature(z []float64) *mat.SymDense {
	d, n := len(z), len(k.assays)+len(z)
	const h = 1e-4
	columns := make([][]float64, d)
	var x expected
	up, down, w := make([]float64, n), make([]float64, n), append([]float64(nil), z...)
	for j := range columns {
		columns[j] = make([]float64, n)
		w[j] = z[j] + h
		k.residuals(&x, w, up)
		w[j] = z[j] - h
		k.residuals(&x, w, down)
		w[j] = z[j]
		for i := range up {
			if slope := (up[i] - down[i]) / (2 * h); !math.IsNaN(slope) {
				columns[j][i] = slope
			}
		}
	}
	s := mat.NewSymDense(d, nil)
	for j := range d {
		for m := j; m < d; m++ {
			sum := 0.0
			for i := range n {
				sum += columns[j][i] * columns[m][i]
			}
			s.SetSym(j, m, sum)
		}
	}
	return s
}

// inverse returns the inverse of a symmetric matrix whose eigenvalues are first
// raised to at least a quarter of the prior's curvature.
func inverse(s *mat.SymDense) *mat.SymDense {
	d := s.SymmetricDim()
	out := mat.NewSymDense(d, nil)
	var e mat.EigenSym
	if !e.Factorize(s, true) {
		for i := range d {
			out.SetSym(i, i, 1)
		}
		return out
	}
	var v mat.Dense
	e.VectorsTo(&v)
	values := e.Values(nil)
	for i := range d {
		for j := i; j < d; j++ {
			for n, l := range values {
				out.SetSym(i, j, out.At(i, j)+v.At(i, n)*v.At(j, n)/math.Max(0.25, l))
			}
		}
	}
	return out
}
