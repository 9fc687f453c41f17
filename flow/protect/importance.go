package protect

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"

	"sapward/numeric/quasi"
)

// sample is a weighted sample of whitened points.
type sample struct {
	points    [][]float64
	predicted [][]float64 // at the assays
	weight    []float64   // sum 1
	ess       float64     // effective sample size, 1/sum w^2
	most      float64     // largest weight
}

// poor tells whether the weights are not to be trusted.
func (s *sample) poor() bool { return s.ess < LeastESS || s.most > MostWeight }

// weigh draws n points of a proposal and weighs them by the posterior.
func (k *calibration) weigh(q *proposal, n int, seed uint64, workers int) (*sample, error) {
	d := len(q.parts[0].centre)
	sobol, err := quasi.NewSobol(d+2, quasi.Owen, seed)
	if err != nil {
		return nil, err
	}
	s := &sample{points: make([][]float64, n), predicted: make([][]float64, n), weight: make([]float64, n)}
	type state struct {
		u []float64
		x expected
	}
	each(n, workers, func() *state { return &state{u: make([]float64, d+2)} }, func(w *state, i int) {
		sobol.Point(w.u, uint32(i))
		z := q.draw(w.u)
		s.points[i], s.predicted[i] = z, make([]float64, len(k.assays))
		s.weight[i] = math.Inf(-1)
		if k.predictAt(&w.x, z, s.predicted[i]) {
			s.weight[i] = logPrior(z) - q.logDensity(z, nil) + k.logLikelihood(s.predicted[i])
		}
	})
	top := math.Inf(-1)
	for _, l := range s.weight {
		top = math.Max(top, l)
	}
	if math.IsInf(top, -1) {
		return nil, ErrNoStart
	}
	sum, square := 0.0, 0.0
	for i, l := range s.weight {
		s.weight[i] = math.Exp(l - top)
		sum += s.weight[i]
	}
	for i := range s.weight {
		s.weight[i] /= sum
		square += s.weight[i] * s.weight[i]
		s.most = math.Max(s.most, s.weight[i])
	}
	s.ess = 1 / square
	return s, nil
}

// quantiles returns weighted quantiles of a value of each point, at rising
// probabilities.
func (s *sample) quantiles(value func(i int) float64, at ...float64) []float64 {
	type item struct{ value, weight float64 }
	items := make([]item, len(s.points))
	for i := range items {
		items[i] = item{value(i), s.weight[i]}
	}
	slices.SortStableFunc(items, func(a, b item) int { return cmp.Compare(a.value, b.value) })
	out := make([]float64, len(at))
	sum, i := items[0].weight, 0
	for k, q := range at {
		for sum < q && i+1 < len(items) {
			i++
			sum += items[i].weight
		}
		out[k] = items[i].value
	}
	return out
}

// The proposal (MODEL section 6): a mixture of multivariate t with few degrees of
// freedom, wider than the posterior is thought to be. One part is as wide as
// the prior, so that no place is left out.
const (
	freedom      = 5.0
	widen        = 1.2
	priorPart    = 0.2
	leastPart    = 0.02
	leastSpread2 = 0.01 // of a re-centred part, variance in units of the prior's
)

type proposal struct{ parts []part }

type part struct {
	share         float64
	centre        []float64
	root, inverse *mat.Dense // root root' is the scale matrix
	logDet        float64    // of the root
}

// newProposal makes a proposal of the modes, each with a share by its
// probability mass (Laplace).
func newProposal(modes []mode) *proposal {
	q := &proposal{}
	sum, best := 0.0, math.Inf(-1)
	for _, m := range modes {
		p := newPart(m.z, m.covariance, 0)
		p.share = p.logDet - m.value/2
		best = math.Max(best, p.share)
		q.parts = append(q.parts, p)
	}
	for i := range q.parts {
		q.parts[i].share = math.Max(leastPart, math.Exp(q.parts[i].share-best))
		sum += q.parts[i].share
	}
	for i := range q.parts {
		q.parts[i].share *= (1 - priorPart) / sum
	}
	d := len(q.parts[0].centre)
	unit := mat.NewSymDense(d, nil)
	for i := range d {
		unit.SetSym(i, i, 1)
	}
	wide := newPart(make([]float64, d), unit, 0)
	wide.share = priorPart
	q.parts = append(q.parts, wide)
	return q
}

// newPart makes a part of a covariance whose eigenvalues are first raised to a
// least one.
func newPart(centre []float64, s *mat.SymDense, least float64) part {
	d := len(centre)
	p := part{centre: centre, root: mat.NewDense(d, d, nil), inverse: mat.NewDense(d, d, nil)}
	var e mat.EigenSym
	if !e.Factorize(s, true) {
		for i := range d {
			p.root.Set(i, i, 1)
			p.inverse.Set(i, i, 1)
		}
		return p
	}
	var v mat.Dense
	e.VectorsTo(&v)
	for j, l := range e.Values(nil) {
		sd := widen * math.Sqrt(math.Max(math.Max(least, 1e-12), l))
		p.logDet += math.Log(sd)
		for i := range d {
			p.root.Set(i, j, v.At(i, j)*sd)
			p.inverse.Set(j, i, v.At(i, j)/sd)
		}
	}
	return p
}

// draw turns a point of the unit cube, two coordinates longer, into a point of
// the proposal.
func (q *proposal) draw(u []float64) []float64 {
	d := len(u) - 2
	n, left := 0, u[d+1]
	for n < len(q.parts)-1 && left >= q.parts[n].share {
		left -= q.parts[n].share
		n++
	}
	p := &q.parts[n]
	scale := math.Sqrt(freedom / distuv.ChiSquared{K: freedom}.Quantile(u[d]))
	z := append([]float64(nil), p.centre...)
	for j := range d {
		x := math.Sqrt2 * math.Erfinv(2*u[j]-1) * scale
		for i := range z {
			z[i] += p.root.At(i, j) * x
		}
	}
	return z
}

// logDensity returns the logarithm of the density at a point, up to a
// constant; of, if given, takes the share of each part in it.
func (q *proposal) logDensity(z, of []float64) float64 {
	d := len(z)
	logs := make([]float64, len(q.parts))
	top := math.Inf(-1)
	for n := range q.parts {
		p := &q.parts[n]
		square := 0.0
		for i := range d {
			x := 0.0
			for j := range d {
				x += p.inverse.At(i, j) * (z[j] - p.centre[j])
			}
			square += x * x
		}
		logs[n] = math.Log(p.share) - p.logDet - (freedom+float64(d))/2*math.Log1p(square/freedom)
		top = math.Max(top, logs[n])
	}
	sum := 0.0
	for n, l := range logs {
		logs[n] = math.Exp(l - top)
		sum += logs[n]
	}
	for n := range of {
		of[n] = logs[n] / sum
	}
	return top + math.Log(sum)
}

// recentred returns the proposal with each part but the widest moved to the
// weighted mean and covariance of the points it stands for (population Monte
// Carlo, Cappe et al. 2008, Stat. Comput. 18:447, from memory).
func (q *proposal) recentred(s *sample) *proposal {
	d, last := len(q.parts[0].centre), len(q.parts)-1
	of := make([][]float64, len(s.points))
	for i, z := range s.points {
		of[i] = make([]float64, len(q.parts))
		q.logDensity(z, of[i])
	}
	out := &proposal{}
	sum := 0.0
	for n := range last {
		mean, mass := make([]float64, d), 0.0
		for i, z := range s.points {
			w := s.weight[i] * of[i][n]
			mass += w
			for j := range mean {
				mean[j] += w * z[j]
			}
		}
		if mass < 1e-6 {
			continue
		}
		for j := range mean {
			mean[j] /= mass
		}
		c := mat.NewSymDense(d, nil)
		for i, z := range s.points {
			w := s.weight[i] * of[i][n] / mass
			for j := range mean {
				for m := j; m < d; m++ {
					c.SetSym(j, m, c.At(j, m)+w*(z[j]-mean[j])*(z[m]-mean[m]))
				}
			}
		}
		p := newPart(mean, c, leastSpread2)
		p.share = math.Max(leastPart, mass)
		sum += p.share
		out.parts = append(out.parts, p)
	}
	for n := range out.parts {
		out.parts[n].share *= (1 - priorPart) / sum
	}
	wide := q.parts[last]
	if len(out.parts) == 0 {
		wide.share = 1
	}
	out.parts = append(out.parts, wide)
	return out
}
