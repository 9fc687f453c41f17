package health

import (
	"fmt"
	"math"
	"sort"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"

	"sapward/numeric/fit"
)

// Limits of a coefficient; nil is unlimited on that side.
type Limits struct {
	Estimate *float64 `json:"estimate"` // nil: runs to infinity
	Low      *float64 `json:"low"`
	High     *float64 `json:"high"`
}

// Profile returns the limits of coefficient j within which twice the loss of
// profile log-likelihood stays below the chi-square quantile of one degree of
// freedom. Under separation one side is unlimited, the other is not.
// Errors: ErrConfidence, ErrShape, ErrDiverged.
func (f CoxFit) Profile(j int, confidence float64) (Limits, error) {
	if f.model == nil || j < 0 || j >= f.model.p {
		return Limits{}, ErrShape
	}
	if !(confidence > 0 && confidence < 1) {
		return Limits{}, ErrConfidence
	}
	m := f.model
	var others []int
	for k := 0; k < m.p; k++ {
		if k != j {
			others = append(others, k)
		}
	}
	warm := append([]float64(nil), f.beta...)
	at := func(b float64) (float64, error) {
		beta := append([]float64(nil), warm...)
		beta[j] = b
		if len(others) == 0 {
			return m.evaluate(beta, nil).l, nil
		}
		s, _, _, sep, err := m.newton(beta, others)
		if err != nil {
			return 0, err
		}
		if sep == nil {
			copy(warm, beta)
		}
		return s.l, nil
	}
	out := Limits{}
	if !f.Separated[j] {
		out.Estimate = some(f.Coefficients[j])
	}
	var err error
	spread := 1.0
	if f.SE[j] > 0 {
		spread = f.SE[j] * m.scale[j]
	}
	out.Low, out.High, err = profileLimits(at, f.beta[j], f.LogLik, spread, confidence)
	if err != nil {
		return Limits{}, err
	}
	for _, p := range []*float64{out.Low, out.High} {
		if p != nil {
			*p /= m.scale[j]
		}
	}
	return out, nil
}

// profileLimits looks on both sides of the peak for the drop.
func profileLimits(at func(float64) (float64, error), peak, best, spread, confidence float64) (low, high *float64, err error) {
	drop := distuv.ChiSquared{K: 1}.Quantile(confidence) / 2
	side := func(sign float64) (*float64, error) {
		inside := peak
		var outside float64
		for k, step := 0, spread; ; k++ {
			outside = peak + sign*step
			l, err := at(outside)
			if err != nil {
				return nil, err
			}
			if best-l > drop {
				break
			}
			inside = outside
			if step *= 1.6; step > 60*math.Max(1, spread) || k > 60 {
				return nil, nil
			}
		}
		for k := 0; k < 200 && math.Abs(outside-inside) > 1e-8*(1+math.Abs(inside)); k++ {
			mid := (inside + outside) / 2
			l, err := at(mid)
			if err != nil {
				return nil, err
			}
			if best-l > drop {
				outside = mid
			} else {
				inside = mid
			}
		}
		return some((inside + outside) / 2), nil
	}
	if low, err = side(-1); err != nil {
		return nil, nil, err
	}
	high, err = side(1)
	return low, high, err
}

// Firth makes the likelihood penalised by half the logarithm of the determinant
// of the information greatest (Firth 1993; Heinze and Schemper 2001, from
// memory). It has a finite estimate also under separation. The limits are those
// of its profile. Errors: ErrConfidence, ErrDiverged.
func (f CoxFit) Firth(confidence float64) ([]Limits, error) {
	if f.model == nil {
		return nil, ErrShape
	}
	if !(confidence > 0 && confidence < 1) {
		return nil, ErrConfidence
	}
	m := f.model
	penalised := func(beta []float64) float64 {
		s := m.evaluate(beta, nil)
		h := mat.NewSymDense(m.p, nil)
		for a := 0; a < m.p; a++ {
			for b := 0; b <= a; b++ {
				h.SetSym(a, b, s.h[a*m.p+b])
			}
		}
		var c mat.Cholesky
		if !c.Factorize(h) {
			return math.Inf(1)
		}
		return -s.l - c.LogDet()/2
	}
	best, err := fit.Minimise(fit.Objective{Value: penalised}, [][]float64{make([]float64, m.p)}, fit.Options{})
	if err != nil || !best.Stop.Good() {
		return nil, fmt.Errorf("%w: penalised likelihood", ErrDiverged)
	}
	out := make([]Limits, m.p)
	for j := range out {
		warm := append([]float64(nil), best.X...)
		at := func(b float64) (float64, error) {
			full := make([]float64, m.p)
			spread := func(x []float64) []float64 {
				copy(full[:j], x[:j])
				full[j] = b
				copy(full[j+1:], x[j:])
				return full
			}
			if m.p == 1 {
				return -penalised([]float64{b}), nil
			}
			rest := append(append([]float64(nil), warm[:j]...), warm[j+1:]...)
			r, err := fit.Minimise(fit.Objective{Value: func(x []float64) float64 { return penalised(spread(x)) }}, [][]float64{rest}, fit.Options{})
			if err != nil {
				return 0, ErrDiverged
			}
			return -r.Value, nil
		}
		l, h, err := profileLimits(at, best.X[j], -best.Value, 1, confidence)
		if err != nil {
			return nil, err
		}
		for _, p := range []*float64{l, h} {
			if p != nil {
				*p /= m.scale[j]
			}
		}
		out[j] = Limits{Estimate: some(best.X[j] / m.scale[j]), Low: l, High: h}
	}
	return out, nil
}

// Drift is the check of proportional hazards for one covariate: the correlation
// of its scaled Schoenfeld residuals with the rank of the death days.
type Drift struct {
	Rho  float64 `json:"rho"`
	Chi2 float64 `json:"chi2"`
	P    float64 `json:"p"`
}

// Proportional tests each covariate, and all together (with as many degrees of
// freedom as covariates), for an effect that changes with time: Grambsch and
// Therneau (1994, from memory), residuals scaled by the covariance, time as
// average ranks. Errors: ErrShape under separation or with fewer than 3 deaths.
func (f CoxFit) Proportional() (each []Drift, global Drift, err error) {
	m := f.model
	if m == nil || f.Stop != "converged" || m.events < 3 {
		return nil, Drift{}, ErrShape
	}
	var days []float64
	var residual [][]float64
	m.evaluate(f.beta, func(from, to, deaths int, mean []float64) {
		for i := from; i < to; i++ {
			if !m.died[i] {
				continue
			}
			r := make([]float64, m.p)
			for j := range r {
				r[j] = (m.x[i*m.p+j] - mean[j]) * m.scale[j]
			}
			days, residual = append(days, m.day[i]), append(residual, r)
		}
	})
	g := ranks(days)
	d := float64(len(g))
	centre, spread := (d+1)/2, 0.0
	u := make([]float64, m.p)
	for i := range g {
		g[i] -= centre
		spread += g[i] * g[i]
		for j := range u {
			u[j] += g[i] * residual[i][j]
		}
	}
	if spread == 0 {
		return nil, Drift{}, ErrShape
	}
	each = make([]Drift, m.p)
	for j := range each {
		scaled, mean, ss := make([]float64, len(g)), 0.0, 0.0
		for i := range g {
			for k := range u {
				scaled[i] += d * residual[i][k] * f.Covariance[k][j]
			}
			mean += scaled[i] / d
		}
		t := 0.0
		for i := range g {
			t += g[i] * scaled[i]
			ss += (scaled[i] - mean) * (scaled[i] - mean)
		}
		each[j].Chi2 = t * t / (f.Covariance[j][j] * d * spread)
		each[j].P = chi2Tail(each[j].Chi2, 1)
		if ss > 0 {
			each[j].Rho = t / math.Sqrt(spread*ss)
		}
	}
	for j := range u {
		for k := range u {
			global.Chi2 += u[j] * f.Covariance[j][k] * u[k] * d / spread
		}
	}
	global.P = chi2Tail(global.Chi2, m.p)
	return each, global, nil
}

// ranks from 1, equal values share the mean of their ranks.
func ranks(x []float64) []float64 {
	order := make([]int, len(x))
	for i := range order {
		order[i] = i
	}
	sort.Slice(order, func(a, b int) bool { return x[order[a]] < x[order[b]] })
	out := make([]float64, len(x))
	for i := 0; i < len(order); {
		j := i
		for j < len(order) && x[order[j]] == x[order[i]] {
			j++
		}
		for k := i; k < j; k++ {
			out[order[k]] = float64(i+j+1) / 2
		}
		i = j
	}
	return out
}
