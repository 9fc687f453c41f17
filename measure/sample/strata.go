package sample

import (
	"fmt"
	"math"
)

// Stratum is a part of the block that was sampled on its own: a size class, a
// planting year, a variety.
type Stratum struct {
	Trees int     `json:"trees"` // trees in the stratum
	N     int     `json:"n"`     // trees taped; 0 where only an allocation is wanted
	Mean  float64 `json:"mean"`
	SD    float64 `json:"sd"`
}

// Stratified is the estimate over all strata, in the unit of the means.
type Stratified struct {
	Mean     float64 `json:"mean"`
	Variance float64 `json:"variance_of_mean"`
	SE       float64 `json:"se"`
	Total    float64 `json:"total"`
	SETotal  float64 `json:"se_total"`
}

// CombineStrata returns the stratified mean and its variance,
//
//	mean = sum W_h m_h,   V = sum W_h^2 (1 - n_h/N_h) s_h^2/n_h,   W_h = N_h/N
//
// (Cochran 1977, from memory).
//
// Errors: ErrStratum for no stratum, one with fewer than two taped trees (one is
// enough where it holds one tree), more taped than it holds, or a mean or sd that
// is not a finite number, or a negative sd.
func CombineStrata(strata []Stratum) (Stratified, error) {
	total, err := checkStrata(strata)
	if err != nil {
		return Stratified{}, err
	}
	var s Stratified
	for i, h := range strata {
		if h.N > h.Trees || h.N < 2 && h.N != h.Trees {
			return Stratified{}, fmt.Errorf("%w %d: %d taped of %d", ErrStratum, i+1, h.N, h.Trees)
		}
		w := float64(h.Trees) / total
		s.Mean += float64(w * h.Mean)
		if h.N < h.Trees {
			f := float64(h.Trees-h.N) / float64(h.Trees)
			s.Variance += float64(w * w * f * h.SD * h.SD / float64(h.N))
		}
	}
	s.SE = math.Sqrt(s.Variance)
	s.Total, s.SETotal = total*s.Mean, total*s.SE
	if math.IsInf(s.Total, 0) || math.IsInf(s.SETotal, 0) || math.IsNaN(s.Total) || math.IsNaN(s.SETotal) {
		return Stratified{}, fmt.Errorf("%w: figures too large", ErrStratum)
	}
	return s, nil
}

func checkStrata(strata []Stratum) (total float64, err error) {
	if len(strata) == 0 {
		return 0, fmt.Errorf("%w: none given", ErrStratum)
	}
	for i, h := range strata {
		if h.Trees < 1 || h.N < 0 || !(h.SD >= 0) || math.IsInf(h.SD, 0) || math.IsNaN(h.Mean) || math.IsInf(h.Mean, 0) {
			return 0, fmt.Errorf("%w %d: %d trees, %d taped, mean %v, sd %v", ErrStratum, i+1, h.Trees, h.N, h.Mean, h.SD)
		}
		total += float64(h.Trees)
	}
	return total, nil
}

// AllocateNeyman returns the unrounded numbers of trees to tape in each stratum
// that make the variance of the mean smallest for n in all: n_h proportional to
// N_h s_h (Neyman 1934, from memory). A share may exceed the trees of a stratum;
// tape that one whole. If no stratum varies, the allocation is proportional.
//
// Errors: ErrStratum; ErrBlock unless n is at least 1.
func AllocateNeyman(n int, strata []Stratum) ([]float64, error) {
	return allocate(n, strata, func(h Stratum) float64 { return float64(h.Trees) * h.SD })
}

// AllocateProportional returns the unrounded numbers of trees to tape in each
// stratum in proportion to the trees it holds.
//
// Errors: as AllocateNeyman.
func AllocateProportional(n int, strata []Stratum) ([]float64, error) {
	return allocate(n, strata, func(h Stratum) float64 { return float64(h.Trees) })
}

func allocate(n int, strata []Stratum, weight func(Stratum) float64) ([]float64, error) {
	if _, err := checkStrata(strata); err != nil {
		return nil, err
	}
	if n < 1 {
		return nil, fmt.Errorf("%w: %d to be taped", ErrBlock, n)
	}
	sum := 0.0
	for _, h := range strata {
		sum += weight(h)
	}
	if sum == 0 {
		return AllocateProportional(n, strata)
	}
	if math.IsInf(sum, 0) {
		return nil, fmt.Errorf("%w: figures too large", ErrStratum)
	}
	out := make([]float64, len(strata))
	for i, h := range strata {
		out[i] = float64(n) * (weight(h) / sum)
	}
	return out, nil
}
