package health

import (
	"fmt"
	"math"
	"slices"
	"sort"
)

// Interval is the scale on which the limits of survival are symmetric.
type Interval string

// The scales: S -+ z se; S exp(-+ z se/S); S^exp(+- z se/(S ln S)).
const (
	LogLog Interval = "log-log"
	Log    Interval = "log"
	Plain  Interval = "plain"
)

// Step is one day on which trees died. SE (Greenwood), Low and High are left
// out where survival has come down to 0: the variance has no value there.
type Step struct {
	Day        float64  `json:"day"`
	AtRisk     int      `json:"at_risk"`
	Died       int      `json:"died"`
	Survival   float64  `json:"survival"`
	SE         *float64 `json:"se"`
	Low        *float64 `json:"low"`
	High       *float64 `json:"high"`
	CumHazard  float64  `json:"cumulative_hazard"` // Nelson and Aalen
	CensoredTo int      `json:"censored_until_next"`
}

// Curve is the Kaplan-Meier estimate of one group.
type Curve struct {
	N          int      `json:"n"`
	Died       int      `json:"died"`
	MedianD    *float64 `json:"median_d"` // nil: survival never falls to one half
	MedianLow  *float64 `json:"median_low_d"`
	MedianHigh *float64 `json:"median_high_d"`
	// Mean days lived up to LastDay, the last day of the group, and its error.
	MeanD    float64  `json:"restricted_mean_d"`
	MeanSE   *float64 `json:"restricted_mean_se_d"`
	LastDay  float64  `json:"last_day"`
	Interval Interval `json:"interval"`
	Table    []Step   `json:"table"`
}

func checkTimes(days []float64, died []bool) error {
	if len(days) == 0 || len(days) != len(died) {
		return ErrShape
	}
	for i, d := range days {
		if !finite(d) || d < 0 {
			return fmt.Errorf("%w: row %d", ErrDays, i+1)
		}
	}
	return nil
}

// KaplanMeier returns the product-limit estimate (Kaplan and Meier 1958)
//
//	S(t) = product over t_i <= t of (1 - d_i/n_i)
//
// with Greenwood's variance S^2 sum d_i/(n_i (n_i-d_i)), limits on the chosen
// scale, the median with the interval of Brookmeyer and Crowley (1982: the days
// on which the limits of the curve come to one half; where the curve runs level
// at exactly one half, the middle of that stretch), and the mean restricted to
// the last day of the group. A tree censored on the day of a death counts as at
// risk. Sources from memory; checked against check/04_survival.
//
// Errors: ErrShape, ErrDays, ErrConfidence, ErrOption. No death is no error:
// the table is empty and survival is 1 throughout.
func KaplanMeier(days []float64, died []bool, confidence float64, interval Interval) (Curve, error) {
	if err := checkTimes(days, died); err != nil {
		return Curve{}, err
	}
	z, err := zQuantile(confidence)
	if err != nil {
		return Curve{}, err
	}
	if interval == "" {
		interval = LogLog
	}
	if interval != LogLog && interval != Log && interval != Plain {
		return Curve{}, fmt.Errorf("%w: %s", ErrOption, interval)
	}
	c := Curve{N: len(days), Interval: interval}
	gone := 0
	for _, d := range died {
		if d {
			gone++
		}
	}
	dead, left := make([]float64, 0, gone), make([]float64, 0, len(days)-gone)
	for i, d := range days {
		if died[i] {
			dead = append(dead, d)
		} else {
			left = append(left, d)
		}
		c.LastDay = math.Max(c.LastDay, d)
	}
	slices.Sort(dead)
	slices.Sort(left)
	c.Died = gone
	steps := 0
	for i := range dead {
		if i == 0 || dead[i] != dead[i-1] {
			steps++
		}
	}
	c.Table = make([]Step, 0, steps)
	slab := make([]float64, 3*steps)
	s, green, hazard := 1.0, 0.0, 0.0
	var atRisk int
	l := 0
	for i := 0; i < len(dead); {
		j := i
		for j < len(dead) && dead[j] == dead[i] {
			j++
		}
		from := l
		for l < len(left) && left[l] < dead[i] {
			l++
		}
		if k := len(c.Table); k > 0 {
			c.Table[k-1].CensoredTo = l - from
		}
		atRisk = len(days) - i - l
		d, n := float64(j-i), float64(atRisk)
		hazard += d / n
		step := Step{Day: dead[i], AtRisk: atRisk, Died: j - i, CumHazard: hazard}
		if j-i == atRisk {
			s = 0
		} else {
			s *= (n - d) / n
			green += d / (n * (n - d))
			v := slab[3*len(c.Table) : 3*len(c.Table)+3]
			v[0] = s * math.Sqrt(green)
			v[1], v[2] = limits(s, math.Sqrt(green), z, interval)
			step.SE, step.Low, step.High = &v[0], &v[1], &v[2]
		}
		step.Survival = s
		c.Table = append(c.Table, step)
		i = j
	}
	if k := len(c.Table); k > 0 {
		c.Table[k-1].CensoredTo = len(left) - l
	}
	c.MedianD = cross(c.Table, func(s Step) (float64, bool) { return s.Survival, true })
	c.MedianLow = cross(c.Table, func(s Step) (float64, bool) { return value(s.Low) })
	c.MedianHigh = cross(c.Table, func(s Step) (float64, bool) { return value(s.High) })
	c.restrictedMean()
	return c, nil
}

func value(p *float64) (float64, bool) {
	if p == nil {
		return 0, false
	}
	return *p, true
}

// limits of survival s with relative error r = se/s.
func limits(s, r, z float64, interval Interval) (low, high float64) {
	switch interval {
	case Plain:
		return math.Max(0, s-z*r*s), math.Min(1, s+z*r*s)
	case Log:
		return s * math.Exp(-z*r), math.Min(1, s*math.Exp(z*r))
	}
	l := math.Log(s)
	w := z * r / math.Abs(l)
	return math.Exp(l * math.Exp(w)), math.Exp(l * math.Exp(-w))
}

// cross is the day on which the line comes to one half.
func cross(table []Step, of func(Step) (float64, bool)) *float64 {
	const near = 1.5e-8
	for i, s := range table {
		v, ok := of(s)
		if !ok || v >= 0.5+near {
			continue
		}
		if math.Abs(v-0.5) < near {
			for _, later := range table[i+1:] {
				if w, ok := of(later); ok && w < v {
					return some((s.Day + later.Day) / 2)
				}
			}
		}
		return some(s.Day)
	}
	return nil
}

// restrictedMean is the area under the curve to the last day; its variance is
// the sum of (area to the right)^2 d/(n(n-d)).
func (c *Curve) restrictedMean() {
	area, variance := 0.0, 0.0
	to := c.LastDay
	for i := len(c.Table) - 1; i >= 0; i-- {
		s := c.Table[i]
		area += s.Survival * (to - s.Day)
		if s.Died < s.AtRisk {
			n, d := float64(s.AtRisk), float64(s.Died)
			variance += area * area * d / (n * (n - d))
		}
		to = s.Day
	}
	c.MeanD = area + to
	if c.Died > 0 {
		c.MeanSE = some(math.Sqrt(variance))
	}
}

// SurvivalAt returns S on a day: 1 before the first death.
func (c Curve) SurvivalAt(day float64) float64 {
	i := sort.Search(len(c.Table), func(i int) bool { return c.Table[i].Day > day })
	if i == 0 {
		return 1
	}
	return c.Table[i-1].Survival
}

// NumbersAtRisk counts the trees still under observation on each given day.
func NumbersAtRisk(days, at []float64) []int {
	sorted := slices.Clone(days)
	slices.Sort(sorted)
	out := make([]int, len(at))
	for i, d := range at {
		out[i] = len(sorted) - sort.SearchFloat64s(sorted, d)
	}
	return out
}
