package health

import (
	"math"
	"math/rand/v2"
	"sort"

	"gonum.org/v1/gonum/stat/distuv"

	"sapward/finding"
	"sapward/numeric/describe"
	"sapward/numeric/special"
)

// RiskRatio returns the ratio of two shares, treated over untreated, with its
// log-normal limits: log RR -+ z sqrt(1/a - 1/n + 1/c - 1/m) (Katz et al. 1978,
// from memory). Errors: ErrNumber; ErrUntreated where a or c is 0 (use
// RiskRatioScore).
func RiskRatio(a, n, c, m, confidence float64) (ratio, low, high float64, err error) {
	z, err := zQuantile(confidence)
	if err != nil {
		return 0, 0, 0, err
	}
	if counts(a, n, c, m) != nil || n == 0 || m == 0 || a > n || c > m {
		return 0, 0, 0, ErrNumber
	}
	if a == 0 || c == 0 {
		return 0, 0, 0, ErrUntreated
	}
	ratio = a / n / (c / m)
	w := math.Exp(z * math.Sqrt(1/a-1/n+1/c-1/m))
	return ratio, ratio / w, ratio * w, nil
}

// RiskRatioScore returns the score limits of the ratio of two shares (Miettinen
// and Nurminen 1985 without their factor N/(N-1), which is Koopman 1984; from
// memory): the ratios R at which
//
//	(p1 - R p2)^2 / (q1(1-q1)/n + R^2 q2(1-q2)/m) = chi2(confidence; 1),
//
// q1 = R q2 being the likeliest shares under the ratio R. It holds with zero
// cells: low is 0 for a = 0, high nil for c = 0. Errors: ErrNumber.
func RiskRatioScore(a, n, c, m, confidence float64) (low, high *float64, err error) {
	if !(confidence > 0 && confidence < 1) {
		return nil, nil, ErrConfidence
	}
	if counts(a, n, c, m) != nil || n == 0 || m == 0 || a > n || c > m || a+c == 0 {
		return nil, nil, ErrNumber
	}
	limit := distuv.ChiSquared{K: 1}.Quantile(confidence)
	score := func(r float64) float64 {
		// Likeliest q2: root of A q^2 + B q + C = 0.
		aa, bb, cc := (n+m)*r, -((n+c)*r + m + a), a+c
		q2 := (-bb - math.Sqrt(math.Max(0, bb*bb-4*aa*cc))) / (2 * aa)
		q2 = math.Min(math.Max(q2, 0), 1)
		q1 := math.Min(1, r*q2)
		v := q1*(1-q1)/n + r*r*q2*(1-q2)/m
		d := a/n - r*c/m
		if v <= 0 {
			if d == 0 {
				return 0
			}
			return math.Inf(1)
		}
		return d * d / v
	}
	peak := math.Log(math.Max(a, 0.5) / n / (math.Max(c, 0.5) / m))
	side := func(sign float64) *float64 {
		in, outside := peak, peak+sign
		for score(math.Exp(outside)) < limit {
			in = outside
			if outside += sign; math.Abs(outside-peak) > 60 {
				return nil
			}
		}
		for range 200 {
			mid := (in + outside) / 2
			if score(math.Exp(mid)) < limit {
				in = mid
			} else {
				outside = mid
			}
		}
		return some(math.Exp((in + outside) / 2))
	}
	zero := 0.0
	low, high = &zero, nil
	if a > 0 {
		low = side(-1)
		if low == nil {
			low = &zero
		}
	}
	if c > 0 {
		high = side(1)
	}
	return low, high, nil
}

func sums2(cells []cell) (a, b float64) {
	for _, c := range cells {
		a, b = a+c.a, b+c.b
	}
	return
}

// spread is the relative variance of sum a/sum b: over rows by the ratio
// estimator, n/(n-1) sum (a_i - r b_i)^2/(sum a)^2; from a single row by
// Poisson counts, 1/a (+ 1/b where the base is a count too).
func (s sample) spread(cells []cell) (v float64, df int, ok bool) {
	a, b := sums2(cells)
	if a == 0 || b == 0 {
		return 0, 0, false
	}
	if n := float64(len(cells)); n > 1 {
		r := a / b
		for _, c := range cells {
			e := c.a - r*c.b
			v += e * e
		}
		return v * n / (n - 1) / (a * a), len(cells) - 1, true
	}
	switch s.formula {
	case FormulaHendersonTilton, FormulaSunShepard:
		return 1/a + 1/b, 0, true
	case FormulaSchneiderOrelli:
		return 1/a - 1/b, 0, true
	}
	return 1 / a, 0, true
}

func (out *EfficacyReport) intervals(s sample, ratio, z float64, o EfficacyOptions) {
	add := func(method string, low, high *float64) {
		span := Span{Method: method}
		if high != nil {
			span.Low = some(100 * (1 - *high))
		}
		if low != nil {
			span.High = some(100 * (1 - *low))
		}
		out.Intervals = append(out.Intervals, span)
	}
	ta, tb := sums2(s.treated)
	ua, ub := sums2(s.untreated)
	if s.formula == FormulaRiskRatio {
		if _, low, high, err := RiskRatio(ta, tb, ua, ub, o.Confidence); err == nil {
			add("log-normal", &low, &high)
		} else if low, high, err := RiskRatioScore(ta, tb, ua, ub, o.Confidence); err == nil {
			add("score", low, high)
			out.Notes = append(out.Notes, note("efficacy-zero-cell", finding.Note, nil))
		}
	}
	v1, d1, ok1 := s.spread(s.treated)
	v2, d2, ok2 := s.spread(s.untreated)
	switch {
	case s.formula == FormulaRiskRatio && len(s.treated)+len(s.untreated) == 2:
		// One row a role: the delta method is the log-normal interval itself.
	case ok1 && ok2 && ratio > 0:
		q := z
		if df := d1 + d2; df > 0 {
			if t, err := describe.StudentQuantile(0.5+o.Confidence/2, float64(df)); err == nil {
				q = t
			}
		}
		w := math.Exp(q * math.Sqrt(v1+v2))
		low, high := ratio/w, ratio*w
		add("delta", &low, &high)
		if d1 == 0 || d2 == 0 {
			out.Notes = append(out.Notes, note("efficacy-no-replicates", finding.Note, nil))
		}
	case ta == 0 && s.formula != FormulaRiskRatio && ua > 0:
		// Nothing left among the treated: the exact upper limit of a Poisson
		// count of 0 is -ln(alpha/2); the counts of the untreated are held.
		zero, high := 0.0, -math.Log((1-o.Confidence)/2)/tb*(ub/ua)
		add("exact-poisson", &zero, &high)
		out.Notes = append(out.Notes, note("efficacy-zero-cell", finding.Note, nil))
	}
	if low, high, ok := s.bootstrap(ratio, o); ok {
		add("bca", &low, &high)
	}
}

// bootstrap is the bias-corrected and accelerated interval (Efron 1987, from
// memory) of the ratio. Rows are drawn with replacement within role and block;
// a risk ratio of one row a role is drawn tree by tree. The generator is PCG
// with the seed given. Not ok where fewer than 95 of 100 draws have a ratio or
// nothing varies.
func (s sample) bootstrap(ratio float64, o EfficacyOptions) (low, high float64, ok bool) {
	treated, untreated := s.treated, s.untreated
	if s.formula == FormulaRiskRatio {
		// Every tree is a unit of its own.
		expand := func(cells []cell) (out []cell) {
			for _, c := range cells {
				for i := 0.0; i < c.b; i++ {
					e := cell{b: 1, block: c.block}
					if i < c.a {
						e.a = 1
					}
					out = append(out, e)
				}
			}
			return
		}
		if _, n := sums2(treated); n > 1e5 {
			return 0, 0, false
		}
		if _, n := sums2(untreated); n > 1e5 {
			return 0, 0, false
		}
		treated, untreated = expand(treated), expand(untreated)
	}
	if len(treated) < 2 || len(untreated) < 2 || o.Resamples < 100 {
		return 0, 0, false
	}
	rng := rand.New(rand.NewPCG(o.Seed, 0x5a1bad))
	st, su := strataOf(treated), strataOf(untreated)
	bt, bu := make([]cell, len(treated)), make([]cell, len(untreated))
	draws := make([]float64, 0, o.Resamples)
	below := 0.0
	draw := resample
	if s.formula == FormulaRiskRatio && len(treated)+len(untreated) > manyUnits {
		draw = resampleShares
		bt, bu = make([]cell, len(st)), make([]cell, len(su))
	}
	for range o.Resamples {
		draw(rng, treated, st, bt)
		draw(rng, untreated, su, bu)
		r, good := s.ratio(bt, bu)
		if !good {
			continue
		}
		draws = append(draws, r)
		switch {
		case r < ratio:
			below++
		case r == ratio:
			below += 0.5
		}
	}
	if float64(len(draws)) < 0.95*float64(o.Resamples) {
		return 0, 0, false
	}
	sort.Float64s(draws)
	n := float64(len(draws))
	if draws[0] == draws[len(draws)-1] || below == 0 || below == n {
		return 0, 0, false
	}
	z0, err := describe.NormalQuantile(below / n)
	if err != nil {
		return 0, 0, false
	}
	acc, ok := s.acceleration(treated, untreated)
	if !ok {
		return 0, 0, false
	}
	at := func(p float64) float64 {
		z, _ := describe.NormalQuantile(p)
		q := special.NormalCDF(z0 + (z0+z)/(1-acc*(z0+z)))
		v, err := describe.Quantile7(draws, math.Min(math.Max(q, 0), 1))
		if err != nil {
			return math.NaN()
		}
		return v
	}
	low, high = at((1-o.Confidence)/2), at((1+o.Confidence)/2)
	return low, high, finite(low) && finite(high) && low <= high
}

// acceleration is the skewness of the jackknife values by role, each role's
// rows left out in turn: sum d^3/(6 (sum d^2)^1.5), d weighted by (n-1)/n.
func (s sample) acceleration(treated, untreated []cell) (float64, bool) {
	ta, tb := sums2(treated)
	ua, ub := sums2(untreated)
	s2, s3 := 0.0, 0.0
	role := func(n int, without func(i int) (float64, bool)) bool {
		values, mean := make([]float64, n), 0.0
		for i := range values {
			v, ok := without(i)
			if !ok {
				return false
			}
			values[i] = v
			mean += v / float64(n)
		}
		for _, v := range values {
			d := (mean - v) * float64(n-1) / float64(n)
			s2, s3 = s2+d*d, s3+d*d*d
		}
		return true
	}
	ratio := func(ta, tb, ua, ub float64) (float64, bool) {
		if tb <= 0 || ub <= 0 || ua <= 0 {
			return 0, false
		}
		return ta / tb * (ub / ua), true
	}
	ok := role(len(treated), func(i int) (float64, bool) { return ratio(ta-treated[i].a, tb-treated[i].b, ua, ub) }) &&
		role(len(untreated), func(i int) (float64, bool) { return ratio(ta, tb, ua-untreated[i].a, ub-untreated[i].b) })
	if !ok || s2 == 0 {
		return 0, false
	}
	return s3 / (6 * math.Pow(s2, 1.5)), true
}

// strataOf groups the rows of a role by block.
func strataOf(cells []cell) [][]int {
	index := map[string]int{}
	var out [][]int
	for i, c := range cells {
		k, ok := index[c.block]
		if !ok {
			k = len(out)
			index[c.block] = k
			out = append(out, nil)
		}
		out[k] = append(out[k], i)
	}
	return out
}

func resample(rng *rand.Rand, cells []cell, strata [][]int, into []cell) {
	k := 0
	for _, rows := range strata {
		for range rows {
			into[k] = cells[rows[rng.IntN(len(rows))]]
			k++
		}
	}
}

// manyUnits is the number of trees above which a resample is drawn as counts:
// drawing n trees of which x are dead with replacement is a binomial draw of n
// with the share x/n.
const manyUnits = 20_000

// resampleShares is resample for units that are 0 or 1, a cell a stratum.
func resampleShares(rng *rand.Rand, cells []cell, strata [][]int, into []cell) {
	for k, rows := range strata {
		ones := 0.0
		for _, i := range rows {
			ones += cells[i].a
		}
		n := float64(len(rows))
		into[k] = cell{a: distuv.Binomial{N: n, P: ones / n, Src: rng}.Rand(), b: n}
	}
}
