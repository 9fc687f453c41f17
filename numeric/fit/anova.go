package fit

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"sapward/numeric/describe"
)

// Anova is the analysis of variance of one factor.
type Anova struct {
	Groups    int     `json:"groups"`
	N         int     `json:"n"`
	DFBetween int     `json:"df_between"`
	DFWithin  int     `json:"df_within"`
	SSBetween float64 `json:"ss_between"`
	SSWithin  float64 `json:"ss_within"`
	MSBetween float64 `json:"ms_between"`
	MSWithin  float64 `json:"ms_within"`
	F         float64 `json:"f"`
	P         float64 `json:"p"`
	RSquared  float64 `json:"r_squared"`
	SD        float64 `json:"residual_sd"`
}

// OneWay compares the means of groups: F = MSBetween/MSWithin, with the sums
// of squares taken about the mean of the means' common origin in compensated
// sums, so that a large common part of the values does no harm. Groups may
// differ in size. Errors: ErrTooFew (fewer than two groups, an empty group, no
// degree of freedom within), ErrNotFinite, ErrConstant (nothing varies within).
func OneWay(groups [][]float64) (Anova, error) {
	a := Anova{Groups: len(groups)}
	if len(groups) < 2 {
		return Anova{}, fmt.Errorf("%w: %d groups", ErrTooFew, len(groups))
	}
	for _, g := range groups {
		if len(g) == 0 {
			return Anova{}, fmt.Errorf("%w: an empty group", ErrTooFew)
		}
		for _, v := range g {
			if !isFinite(v) {
				return Anova{}, ErrNotFinite
			}
		}
		a.N += len(g)
	}
	if a.N <= a.Groups {
		return Anova{}, fmt.Errorf("%w: one value a group", ErrTooFew)
	}
	// A value of the data as origin: the differences are exact or nearly so.
	origin := groups[0][0]
	sums, means := make([]float64, len(groups)), make([]float64, len(groups))
	within := make([]float64, 0, a.N)
	for k, g := range groups {
		d := make([]float64, len(g))
		for i, v := range g {
			d[i] = v - origin
		}
		s, err := describe.Sum(d)
		if err != nil {
			return Anova{}, fmt.Errorf("%w: %v", ErrNotFinite, err)
		}
		sums[k], means[k] = s, s/float64(len(g))
		rest := make([]float64, len(d))
		for i := range d {
			rest[i] = d[i] - means[k]
		}
		// The mean is rounded; what is left of the sum of deviations corrects it.
		left, _ := describe.Sum(rest)
		for i := range rest {
			within = append(within, float64(rest[i]*rest[i]))
		}
		within = append(within, -left*left/float64(len(g)))
	}
	total, err := describe.Sum(sums)
	if err != nil {
		return Anova{}, fmt.Errorf("%w: %v", ErrNotFinite, err)
	}
	grand := total / float64(a.N)
	between := make([]float64, len(groups))
	for k, g := range groups {
		d := means[k] - grand
		between[k] = float64(len(g)) * float64(d*d)
	}
	if a.SSBetween, err = describe.Sum(between); err == nil {
		a.SSWithin, err = describe.Sum(within)
	}
	if err != nil || !isFinite(a.SSBetween+a.SSWithin) {
		return Anova{}, ErrNotFinite
	}
	if a.SSWithin <= 0 {
		return Anova{}, ErrConstant
	}
	a.DFBetween, a.DFWithin = a.Groups-1, a.N-a.Groups
	a.MSBetween = a.SSBetween / float64(a.DFBetween)
	a.MSWithin = a.SSWithin / float64(a.DFWithin)
	a.F = a.MSBetween / a.MSWithin
	a.RSquared = a.SSBetween / (a.SSBetween + a.SSWithin)
	a.SD = math.Sqrt(a.MSWithin)
	a.P = distuv.F{D1: float64(a.DFBetween), D2: float64(a.DFWithin)}.Survival(a.F)
	return a, nil
}
