package fit

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// report turns the end of a search into a result in the caller's parameters.
func (s *search) report(a attempt, won, iterations int) Result {
	n := len(a.z)
	out := Result{
		Parameters: append([]float64(nil), s.params(a.z)...), RSS: a.f * a.f, DF: s.Points - n,
		AtBound: make([]bool, n), Iterations: iterations, Start: won, Stop: a.stop,
	}
	if out.DF > 0 {
		out.ResidualSD = a.f / math.Sqrt(float64(out.DF))
	}
	slope := make([]float64, n)
	var free []int
	for j := range slope {
		slope[j] = 1
		if s.Bounds != nil {
			_, slope[j] = s.Bounds[j].outward(a.z[j])
			out.AtBound[j] = s.Bounds[j].at(out.Parameters[j], s.Starts[won][j])
		}
		if !out.AtBound[j] {
			free = append(free, j)
		}
	}
	cov, rank := Unscaled(a.cols, free)
	out.Rank, out.Evaluations = rank, s.evals
	if cov == nil || out.DF <= 0 {
		return out
	}
	v := float64(out.ResidualSD * out.ResidualSD)
	out.Covariance = make([][]float64, n)
	for j := range out.Covariance {
		out.Covariance[j] = make([]float64, n)
	}
	out.StdErrors = make([]float64, n)
	for i, j := range free {
		for k, l := range free {
			out.Covariance[j][l] = v * cov[i][k] * slope[j] * slope[l]
		}
		out.StdErrors[j] = out.ResidualSD * math.Sqrt(cov[i][i]) * math.Abs(slope[j])
	}
	return out
}

// Unscaled returns (J'J)^-1 for the chosen columns of a Jacobian by QR of the
// columns scaled to length 1, and their rank; nil where they depend on one
// another (smallest singular value under 1e-12 of the largest).
func Unscaled(cols [][]float64, chosen []int) ([][]float64, int) {
	n := len(chosen)
	if n == 0 {
		return nil, 0
	}
	m := len(cols[chosen[0]])
	if m < n {
		return nil, 0
	}
	d := make([]float64, n)
	j := mat.NewDense(m, n, nil)
	for k, c := range chosen {
		d[k] = norm(cols[c])
		if d[k] == 0 || !isFinite(d[k]) {
			d[k] = 1
		}
		for i, v := range cols[c] {
			j.Set(i, k, v/d[k])
		}
	}
	var qr mat.QR
	qr.Factorize(j)
	var rt mat.Dense
	qr.RTo(&rt)
	var svd mat.SVD
	if !svd.Factorize(rt.Slice(0, n, 0, n), mat.SVDFull) {
		return nil, 0
	}
	values := svd.Values(nil)
	rank := 0
	for _, s := range values {
		if s > 1e-12*values[0] {
			rank++
		}
	}
	if rank < n {
		return nil, rank
	}
	var v mat.Dense
	svd.VTo(&v)
	out := make([][]float64, n)
	for a := range out {
		out[a] = make([]float64, n)
		for b := range out[a] {
			for k, s := range values {
				out[a][b] += v.At(a, k) * v.At(b, k) / (s * s)
			}
			out[a][b] /= d[a] * d[b]
			if !isFinite(out[a][b]) {
				return nil, rank
			}
		}
	}
	return out, rank
}
