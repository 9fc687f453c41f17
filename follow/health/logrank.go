package health

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// Comparison is a test that groups have one survival curve.
type Comparison struct {
	Observed []float64   `json:"observed"` // by group, weighted for Peto-Peto
	Expected []float64   `json:"expected"`
	Variance [][]float64 `json:"variance"`
	Chi2     float64     `json:"chi2"`
	DF       int         `json:"df"`
	P        float64     `json:"p"`
}

type subject struct {
	day     float64
	stratum int32
	group   int32
	died    bool
}

// LogRank compares groups (numbered from 0) within strata (nil for one). At
// each death day the expected deaths of a group are d n_g/n and their
// covariance d (n-d)/(n-1) n_g/n (delta_gh - n_h/n); both are weighted by the
// pooled survival just before that day to the power rho: rho 0 is the log-rank
// test (Mantel 1966), rho 1 the test of Peto and Peto (1972) in the form of
// Harrington and Fleming (1982). chi2 = (O-E)' V^- (O-E), with one degree of
// freedom less than there are groups with an expected death. Sources from
// memory.
//
// Errors: ErrShape, ErrDays, ErrOneGroup, ErrNoEvents, and ErrNumber where no
// death day has two groups at risk, so that nothing can be compared.
func LogRank(days []float64, died []bool, group, strata []int, rho float64) (Comparison, error) {
	if err := checkTimes(days, died); err != nil {
		return Comparison{}, err
	}
	if len(group) != len(days) || strata != nil && len(strata) != len(days) {
		return Comparison{}, ErrShape
	}
	if !finite(rho) || rho < 0 {
		return Comparison{}, ErrNumber
	}
	rows := make([]subject, len(days))
	k, strataMax, events := 0, 0, 0
	for i := range rows {
		if group[i] < 0 || strata != nil && strata[i] < 0 {
			return Comparison{}, ErrShape
		}
		rows[i] = subject{day: days[i], group: int32(group[i]), died: died[i]}
		if strata != nil {
			rows[i].stratum = int32(strata[i])
			strataMax = max(strataMax, strata[i])
		}
		k = max(k, group[i]+1)
		if died[i] {
			events++
		}
	}
	if k < 2 {
		return Comparison{}, ErrOneGroup
	}
	if events == 0 {
		return Comparison{}, ErrNoEvents
	}
	slices.SortFunc(rows, func(a, b subject) int {
		switch {
		case a.stratum != b.stratum:
			return int(a.stratum) - int(b.stratum)
		case a.day < b.day:
			return -1
		case a.day > b.day:
			return 1
		}
		return 0
	})
	c := Comparison{Observed: make([]float64, k), Expected: make([]float64, k), Variance: make([][]float64, k)}
	for g := range c.Variance {
		c.Variance[g] = make([]float64, k)
	}
	atRisk, deaths := make([]float64, k), make([]float64, k)
	for from := 0; from < len(rows); {
		to := from
		for g := range atRisk {
			atRisk[g] = 0
		}
		for to < len(rows) && rows[to].stratum == rows[from].stratum {
			atRisk[rows[to].group]++
			to++
		}
		n, s := float64(to-from), 1.0
		for i := from; i < to; {
			j, d := i, 0.0
			clear(deaths)
			for j < to && rows[j].day == rows[i].day {
				if rows[j].died {
					deaths[rows[j].group]++
					d++
				}
				j++
			}
			if d > 0 {
				w := 1.0
				if rho != 0 {
					w = math.Pow(s, rho)
				}
				v := 0.0
				if n > 1 {
					v = w * w * d * (n - d) / (n - 1)
				}
				for g := range atRisk {
					share := atRisk[g] / n
					c.Observed[g] += w * deaths[g]
					c.Expected[g] += w * d * share
					if v == 0 || share == 0 {
						continue
					}
					for h := range atRisk {
						c.Variance[g][h] -= v * share * atRisk[h] / n
					}
					c.Variance[g][g] += v * share
				}
				s *= (n - d) / n
			}
			for ; i < j; i++ {
				atRisk[rows[i].group]--
				n--
			}
		}
		from = to
	}
	var use []int
	for g := range c.Expected {
		if c.Expected[g] > 0 {
			use = append(use, g)
		}
	}
	if len(use) < 2 {
		return Comparison{}, ErrOneGroup
	}
	if err := c.test(use[1:]); err != nil {
		return Comparison{}, err
	}
	return c, nil
}

// test sets Chi2, DF and P from the groups given, by the eigenvalues of V.
func (c *Comparison) test(use []int) error {
	m := len(use)
	v := mat.NewSymDense(m, nil)
	for i, g := range use {
		for j, h := range use[:i+1] {
			v.SetSym(i, j, c.Variance[g][h])
		}
	}
	var e mat.EigenSym
	if !e.Factorize(v, true) {
		return ErrDiverged
	}
	values := e.Values(nil)
	var vec mat.Dense
	e.VectorsTo(&vec)
	top := values[m-1]
	if !(top > 0) {
		return ErrNumber
	}
	for j, l := range values {
		if l <= 1e-12*top {
			continue
		}
		u := 0.0
		for i, g := range use {
			u += vec.At(i, j) * (c.Observed[g] - c.Expected[g])
		}
		c.Chi2 += u * u / l
		c.DF++
	}
	c.P = chi2Tail(c.Chi2, c.DF)
	return nil
}
