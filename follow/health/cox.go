package health

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// Ties says how deaths on one day share a risk set.
type Ties string

// Efron (1977) is the default; Breslow (1974) for comparison; exact is the
// discrete likelihood of Cox (1972), by recursion over the risk set.
const (
	Efron   Ties = "efron"
	Breslow Ties = "breslow"
	Exact   Ties = "exact"
)

// CoxData is one row a tree. X[i] are its covariates. Strata may be nil.
type CoxData struct {
	Days   []float64
	Died   []bool
	X      [][]float64
	Strata []int
}

// CoxFit is the fit of a proportional-hazards model.
type CoxFit struct {
	Ties         Ties        `json:"ties"`
	N            int         `json:"n"`
	Events       int         `json:"events"`
	Coefficients []float64   `json:"coefficients"`
	SE           []float64   `json:"se"`
	Covariance   [][]float64 `json:"covariance"`
	LogLik0      float64     `json:"loglik_null"`
	LogLik       float64     `json:"loglik"`
	LR           float64     `json:"likelihood_ratio"`
	Wald         float64     `json:"wald"`
	Score        float64     `json:"score"`
	Iterations   int         `json:"iterations"`
	Halvings     int         `json:"halvings"`
	Stop         string      `json:"stop"` // converged, separated
	// Separated marks coefficients that run to infinity: along them the dead
	// tree of every risk set has the largest value. Coefficients and SE of
	// those are 0; use Profile or Firth.
	Separated []bool `json:"separated"`

	model *coxModel
	beta  []float64 // scaled, where Newton ended
}

// coxModel holds the rows sorted by stratum and falling days, covariates
// centred and scaled to unit spread.
type coxModel struct {
	ties         Ties
	n, p, events int
	day          []float64
	stratum      []int
	died         []bool
	x            []float64 // n by p
	centre       []float64
	scale        []float64
	hold         []float64 // offset eta scratch
}

func newCoxModel(d CoxData, ties Ties) (*coxModel, error) {
	if err := checkTimes(d.Days, d.Died); err != nil {
		return nil, err
	}
	if ties == "" {
		ties = Efron
	}
	if ties != Efron && ties != Breslow && ties != Exact {
		return nil, fmt.Errorf("%w: %s", ErrOption, ties)
	}
	n := len(d.Days)
	if len(d.X) != n || len(d.X[0]) == 0 || d.Strata != nil && len(d.Strata) != n {
		return nil, ErrShape
	}
	m := &coxModel{ties: ties, n: n, p: len(d.X[0])}
	type row struct {
		day        float64
		stratum, i int
	}
	order := make([]row, n)
	for i := range order {
		order[i] = row{day: d.Days[i], i: i}
		if d.Strata != nil {
			order[i].stratum = d.Strata[i]
		}
		if len(d.X[i]) != m.p {
			return nil, ErrShape
		}
		for _, v := range d.X[i] {
			if !finite(v) {
				return nil, fmt.Errorf("%w: covariate of row %d", ErrNumber, i+1)
			}
		}
		if d.Died[i] {
			m.events++
		}
	}
	if m.events == 0 {
		return nil, ErrNoEvents
	}
	// Rows alike keep their order, so that sums are always taken in the same one.
	slices.SortFunc(order, func(a, b row) int {
		switch {
		case a.stratum != b.stratum:
			return cmp.Compare(a.stratum, b.stratum)
		case a.day > b.day:
			return -1
		case a.day < b.day:
			return 1
		}
		return a.i - b.i
	})
	m.day, m.stratum, m.died = make([]float64, n), make([]int, n), make([]bool, n)
	m.x, m.centre, m.scale = make([]float64, n*m.p), make([]float64, m.p), make([]float64, m.p)
	for _, x := range d.X {
		for j, v := range x {
			m.centre[j] += v / float64(n)
		}
	}
	for _, x := range d.X {
		for j, v := range x {
			e := v - m.centre[j]
			m.scale[j] += e * e / float64(n)
		}
	}
	for j := range m.centre {
		m.scale[j] = math.Sqrt(m.scale[j])
		if !finite(m.scale[j]) {
			return nil, ErrNumber
		}
		if m.scale[j] <= 1e-14*math.Abs(m.centre[j]) || m.scale[j] == 0 {
			return nil, fmt.Errorf("%w: column %d", ErrConstant, j+1)
		}
	}
	for k, r := range order {
		i := r.i
		m.day[k], m.died[k], m.stratum[k] = r.day, d.Died[i], r.stratum
		row := m.x[k*m.p : (k+1)*m.p]
		for j, v := range d.X[i] {
			row[j] = (v - m.centre[j]) / m.scale[j]
		}
	}
	m.hold = make([]float64, n)
	if ties == Exact {
		if err := m.affordable(); err != nil {
			return nil, err
		}
	}
	return m, nil
}

// sums of one pass: log partial likelihood, gradient, information.
type sums struct {
	l float64
	g []float64
	h []float64 // p by p
}

// evaluate makes one pass over the sorted rows, O(n p^2). visit, if given, sees
// each tie set: its rows [from,to) and the mean covariates of its risk set.
func (m *coxModel) evaluate(beta []float64, visit func(from, to int, deaths int, mean []float64)) sums {
	p := m.p
	out := sums{g: make([]float64, p), h: make([]float64, p*p)}
	top := math.Inf(-1)
	for i := 0; i < m.n; i++ {
		e := 0.0
		for j, b := range beta {
			e += float64(b * m.x[i*p+j])
		}
		m.hold[i] = e
		top = math.Max(top, e)
	}
	s1, d1, mean, average := make([]float64, p), make([]float64, p), make([]float64, p), make([]float64, p)
	s2, d2 := make([]float64, p*p), make([]float64, p*p)
	s0 := 0.0
	start := 0
	for i := 0; i < m.n; {
		if i == 0 || m.stratum[i] != m.stratum[i-1] {
			s0, start = 0, i
			clear(s1)
			clear(s2)
		}
		last, deaths, d0 := i, 0, 0.0
		for last < m.n && m.stratum[last] == m.stratum[i] && m.day[last] == m.day[i] {
			if m.died[last] {
				deaths++
			}
			last++
		}
		tied := deaths > 1 && m.ties == Efron // else the sums over the dead are not used
		if tied {
			clear(d1)
			clear(d2)
		}
		j := i
		for ; j < last; j++ {
			w := math.Exp(m.hold[j] - top)
			x := m.x[j*p : j*p+p]
			s0 += w
			for a, v := range x {
				wv := w * v
				s1[a] += wv
				row := s2[a*p : a*p+a+1]
				for b := range row {
					row[b] += wv * x[b]
				}
			}
			if !m.died[j] {
				continue
			}
			out.l += m.hold[j]
			for a, v := range x {
				out.g[a] += v
			}
			if !tied {
				continue
			}
			d0 += w
			for a, v := range x {
				wv := w * v
				d1[a] += wv
				row := d2[a*p : a*p+a+1]
				for b := range row {
					row[b] += wv * x[b]
				}
			}
		}
		if deaths > 0 && m.ties == Exact {
			m.exact(&out, start, j, deaths, top, average)
		} else if deaths > 0 {
			clear(average)
			for l := 0; l < deaths; l++ {
				f := 0.0
				if m.ties == Efron {
					f = float64(l) / float64(deaths)
				}
				if !tied {
					f = 0 // nobody shares the day, or Breslow's form
				}
				q := s0 - f*d0
				out.l -= math.Log(q) + top
				inv := 1 / q
				for a := range mean {
					u := s1[a]
					if f != 0 {
						u -= f * d1[a]
					}
					u *= inv
					mean[a] = u
					average[a] += u / float64(deaths)
					out.g[a] -= u
					h, s := out.h[a*p:a*p+a+1], s2[a*p:a*p+a+1]
					if f == 0 {
						for b := range h {
							h[b] += s[b]*inv - u*mean[b]
						}
						continue
					}
					d := d2[a*p : a*p+a+1]
					for b := range h {
						h[b] += (s[b]-f*d[b])*inv - u*mean[b]
					}
				}
			}
		}
		if deaths > 0 && visit != nil {
			visit(i, j, deaths, average)
		}
		i = j
	}
	for a := 0; a < p; a++ {
		for b := 0; b < a; b++ {
			out.h[b*p+a] = out.h[a*p+b]
		}
	}
	return out
}

// newton makes the likelihood greatest over the free coordinates.
func (m *coxModel) newton(beta []float64, free []int) (s sums, iterations, halvings int, separated []bool, err error) {
	return m.newtonFrom(m.evaluate(beta, nil), beta, free)
}

// newtonFrom is newton where the sums at beta are known.
func (m *coxModel) newtonFrom(s sums, beta []float64, free []int) (_ sums, iterations, halvings int, separated []bool, err error) {
	trial := make([]float64, m.p)
	for iterations = 1; iterations <= 100; iterations++ {
		step, ok := solveInformation(s, m.p, free)
		if !ok {
			if separated != nil {
				return s, iterations, halvings, separated, nil
			}
			return s, iterations, halvings, nil, ErrCollinear
		}
		size, gain := 0.0, 0.0
		for k, j := range free {
			size = math.Max(size, math.Abs(step[k]))
			gain += step[k] * s.g[j]
		}
		if separated == nil && size > 0.2 && gain < 0.5 && iterations > 5 {
			separated = m.separation(step, free)
		}
		// Along a separated direction the likelihood comes to its limit.
		if separated != nil && gain < 1e-12 {
			return s, iterations, halvings, separated, nil
		}
		if gain <= 1e-20*(1+math.Abs(s.l)) || size < 1e-11 {
			// Quadratic convergence: this last step only rounds off.
			for k, j := range free {
				beta[j] += step[k]
			}
			return m.evaluate(beta, nil), iterations, halvings, nil, nil
		}
		t, moved := 1.0, false
		if size > 20 {
			t = 20 / size
		}
		for ; t > 1e-10; t /= 2 {
			copy(trial, beta)
			for k, j := range free {
				trial[j] += t * step[k]
			}
			next := m.evaluate(trial, nil)
			if finite(next.l) && next.l >= s.l-1e-13*math.Abs(s.l) {
				copy(beta, trial)
				s, moved = next, true
				break
			}
			halvings++
		}
		if !moved {
			if separated != nil {
				return s, iterations, halvings, separated, nil
			}
			if gain < 1e-9*(1+math.Abs(s.l)) {
				return s, iterations, halvings, nil, nil
			}
			return s, iterations, halvings, nil, ErrDiverged
		}
	}
	return s, iterations, halvings, nil, ErrDiverged
}

// solveInformation solves H step = g over the free coordinates.
func solveInformation(s sums, p int, free []int) ([]float64, bool) {
	k := len(free)
	h := mat.NewSymDense(k, nil)
	g := mat.NewVecDense(k, nil)
	for a, i := range free {
		g.SetVec(a, s.g[i])
		for b, j := range free[:a+1] {
			h.SetSym(a, b, s.h[i*p+j])
		}
	}
	var c mat.Cholesky
	if !c.Factorize(h) || c.Cond() > 1e14 {
		return nil, false
	}
	var x mat.VecDense
	if err := c.SolveVecTo(&x, g); err != nil {
		return nil, false
	}
	return x.RawVector().Data, true
}

// separation looks whether the likelihood grows for ever along the last step:
// then, in every risk set, each dead tree has the largest value of d'x. The
// small coordinates of the step belong to coefficients that have settled.
func (m *coxModel) separation(step []float64, free []int) []bool {
	top := 0.0
	for _, v := range step {
		top = math.Max(top, math.Abs(v))
	}
	d := make([]float64, m.p)
	sep := make([]bool, m.p)
	for k, j := range free {
		if math.Abs(step[k]) > 0.05*top {
			d[j], sep[j] = step[k], true
		}
	}
	low, high := math.Inf(1), math.Inf(-1)
	u := make([]float64, m.n)
	for i := range u {
		for j, v := range d {
			u[i] += v * m.x[i*m.p+j]
		}
		low, high = math.Min(low, u[i]), math.Max(high, u[i])
	}
	near := 1e-9 * (high - low)
	most, least, strict := 0.0, 0.0, false
	for i := 0; i < m.n; {
		if i == 0 || m.stratum[i] != m.stratum[i-1] {
			most, least = math.Inf(-1), math.Inf(1)
		}
		j := i
		for j < m.n && m.stratum[j] == m.stratum[i] && m.day[j] == m.day[i] {
			most, least = math.Max(most, u[j]), math.Min(least, u[j])
			j++
		}
		for ; i < j; i++ {
			if m.died[i] {
				if u[i] < most-near {
					return nil
				}
				strict = strict || least < u[i]-near
			}
		}
	}
	if !strict {
		return nil
	}
	return sep
}

// Cox makes the partial likelihood (Cox 1972, 1975, from memory) greatest by
// Newton's method with step halving. Hazard ratios are exp(coefficient).
//
// Errors: ErrShape, ErrDays, ErrNoEvents, ErrConstant, ErrCollinear,
// ErrManyTies, ErrDiverged. Separation is no error; see CoxFit.
func Cox(d CoxData, ties Ties) (CoxFit, error) {
	m, err := newCoxModel(d, ties)
	if err != nil {
		return CoxFit{}, err
	}
	free := make([]int, m.p)
	for j := range free {
		free[j] = j
	}
	f := CoxFit{Ties: m.ties, N: m.n, Events: m.events, Stop: "converged", model: m, beta: make([]float64, m.p),
		Separated: make([]bool, m.p), Coefficients: make([]float64, m.p), SE: make([]float64, m.p), Covariance: make([][]float64, m.p)}
	null := m.evaluate(f.beta, nil)
	first, ok := solveInformation(null, m.p, free)
	if !ok {
		return CoxFit{}, ErrCollinear
	}
	for j := range first {
		f.Score += first[j] * null.g[j]
	}
	s, it, halved, sep, err := m.newtonFrom(null, f.beta, free)
	if err != nil {
		return CoxFit{}, err
	}
	f.LogLik0, f.LogLik, f.Iterations, f.Halvings = null.l, s.l, it, halved
	f.LR = math.Max(0, 2*(s.l-null.l))
	if sep != nil {
		f.Stop, f.Separated = "separated", sep
		settled := free[:0:0]
		for j := range sep {
			if !sep[j] {
				settled = append(settled, j)
			}
		}
		free = settled
	}
	for j := range f.Covariance {
		f.Covariance[j] = make([]float64, m.p)
	}
	if len(free) > 0 {
		v, ok := inverse(s, m.p, free)
		if !ok {
			return CoxFit{}, ErrCollinear
		}
		for a, i := range free {
			for b, j := range free {
				f.Covariance[i][j] = v[a][b] / (m.scale[i] * m.scale[j])
			}
			f.Coefficients[i] = f.beta[i] / m.scale[i]
			f.SE[i] = math.Sqrt(f.Covariance[i][i])
		}
		if sep == nil {
			for _, i := range free {
				for _, j := range free {
					f.Wald += f.beta[i] * s.h[i*m.p+j] * f.beta[j]
				}
			}
		}
	}
	return f, nil
}

func inverse(s sums, p int, free []int) ([][]float64, bool) {
	k := len(free)
	h := mat.NewSymDense(k, nil)
	for a, i := range free {
		for b, j := range free[:a+1] {
			h.SetSym(a, b, s.h[i*p+j])
		}
	}
	var c mat.Cholesky
	if !c.Factorize(h) {
		return nil, false
	}
	var inv mat.SymDense
	if err := c.InverseTo(&inv); err != nil {
		return nil, false
	}
	out := make([][]float64, k)
	for a := range out {
		out[a] = make([]float64, k)
		for b := range out[a] {
			out[a][b] = inv.At(a, b)
		}
	}
	return out, true
}
