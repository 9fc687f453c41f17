package trial

import (
	"math"
	"slices"

	"sapward/finding"
	"sapward/numeric/describe"
	"sapward/numeric/special"
)

// family is a set of means with their covariances: variance z_i'z_j.
type family struct {
	factor   string
	names    []string
	n        []int
	mean     []float64
	z        [][]float64
	variance float64
	df       float64
	dfInt    int
}

func (f family) cov(i, j int) float64 { return f.variance * dot(f.z[i], f.z[j]) }

// difference of two means and its standard error.
func (f family) difference(i, j int) (d, se float64) {
	return f.mean[i] - f.mean[j], math.Sqrt(math.Max(0, f.cov(i, i)+f.cov(j, j)-2*f.cov(i, j)))
}

// means gives each mean its interval by Student's t.
func (f family) means(a *Analysis, o Options) []Mean {
	out := make([]Mean, len(f.names))
	for k := range out {
		out[k] = newMean(f.mean[k], math.Sqrt(f.cov(k, k)), f.df, o)
		out[k].N = f.n[k]
		if f.factor == "sub" {
			out[k].Sub = f.names[k]
		} else {
			out[k].Treatment = f.names[k]
		}
	}
	return out
}

func newMean(mean, se, df float64, o Options) Mean {
	m := Mean{Mean: mean, SE: some(se), DF: some(df)}
	q, err := describe.StudentQuantile(0.5+o.Confidence/2, df)
	if err == nil {
		m.Low, m.High = some(mean-q*se), some(mean+q*se)
	}
	if o.Transform != Plain {
		m.Back = some(o.Transform.back(mean))
		if m.Low != nil && m.High != nil {
			m.BackLow, m.BackHigh = some(o.Transform.back(*m.Low)), some(o.Transform.back(*m.High))
		}
	}
	return m
}

// compare adds the comparisons asked for. Dunnett (1955): every treatment
// against the control by the multivariate t with the correlations of the
// design. Tukey (1949), for unequal standard errors Kramer (1956): all pairs by
// the studentized range.
func (a *Analysis) compare(f family, o Options, control string) {
	c := slices.Index(f.names, control)
	if c >= 0 && o.Compare != "tukey" {
		a.dunnett(f, o, c)
	}
	if o.Compare != "dunnett" || c < 0 {
		a.tukey(f, o)
	}
}

func (a *Analysis) dunnett(f family, o Options, control int) {
	var others []int
	for i := range f.names {
		if i != control {
			others = append(others, i)
		}
	}
	d, se := make([]float64, len(others)), make([]float64, len(others))
	r := make([][]float64, len(others))
	for i, x := range others {
		d[i], se[i] = f.difference(x, control)
		if !(se[i] > 0) {
			return
		}
	}
	for i, x := range others {
		r[i] = make([]float64, len(others))
		for j, y := range others {
			r[i][j] = (f.cov(x, y) - f.cov(x, control) - f.cov(y, control) + f.cov(control, control)) / (se[i] * se[j])
		}
		r[i][i] = 1
	}
	corr, ok := special.NewCorrelations(r)
	if !ok {
		a.Notes = append(a.Notes, note("trial-dunnett-fails", finding.Warning, nil))
		a.tukey(f, o)
		return
	}
	critical := corr.Critical(o.Confidence, f.df)
	for i, x := range others {
		a.Comparisons = append(a.Comparisons, comparison("dunnett", f, x, control, d[i], se[i], critical, 1-corr.Within(math.Abs(d[i]/se[i]), f.df)))
	}
}

func (a *Analysis) tukey(f family, o Options) {
	k := len(f.names)
	critical := special.StudentizedRangeQuantile(o.Confidence, k, f.df) / math.Sqrt2
	for j := range f.names {
		for i := j + 1; i < k; i++ {
			d, se := f.difference(i, j)
			if !(se > 0) {
				continue
			}
			a.Comparisons = append(a.Comparisons, comparison("tukey", f, i, j, d, se, critical, 1-special.StudentizedRangeCDF(math.Sqrt2*math.Abs(d/se), k, f.df)))
		}
	}
}

func comparison(method string, f family, i, j int, d, se, critical, p float64) Comparison {
	return Comparison{Method: method, Factor: f.factor, A: f.names[i], B: f.names[j], Difference: d, SE: se, T: d / se, DF: f.dfInt,
		Critical: critical, Low: d - float64(critical*se), High: d + float64(critical*se), P: some(math.Max(0, p))}
}

// effects gives what each treatment took off the control, in percent of it,
// with Fieller's interval (1954) for the ratio r = a/b of two means with
// covariances v11, v22, v12:
//
//	g = t^2 v22/b^2, (r - g v12/v22 -+ (t/b) sqrt(v11 - 2 r v12 + r^2 v22 - g (v11 - v12^2/v22)))/(1 - g),
//
// none where g is 1 or more: then the control itself may be 0.
func (a *Analysis) effects(f family, o Options) {
	c := slices.Index(f.names, o.Control)
	if c < 0 || o.Transform != Plain || o.Scale == Class {
		return
	}
	t, err := describe.StudentQuantile(0.5+o.Confidence/2, f.df)
	if err != nil {
		return
	}
	b, v22 := f.mean[c], f.cov(c, c)
	for i, name := range f.names {
		if i == c {
			continue
		}
		e := Effect{Treatment: name}
		if b > 0 {
			r := f.mean[i] / b
			e.Pct = some(100 * (1 - r))
			if low, high, ok := fieller(r, b, f.cov(i, i), v22, f.cov(i, c), t); ok {
				e.Low, e.High = some(100*(1-high)), some(100*(1-low))
			}
		}
		a.Effects = append(a.Effects, e)
	}
}

func fieller(r, b, v11, v22, v12, t float64) (low, high float64, ok bool) {
	g := t * t * v22 / (b * b)
	if !(g < 1) || v22 <= 0 {
		return 0, 0, false
	}
	mid := r - g*v12/v22
	root := v11 - 2*r*v12 + r*r*v22 - g*(v11-v12*v12/v22)
	half := t / math.Abs(b) * math.Sqrt(math.Max(0, root))
	return (mid - half) / (1 - g), (mid + half) / (1 - g), true
}
