package trial

import (
	"errors"
	"math"
	"sort"

	"gonum.org/v1/gonum/stat/distuv"
)

// ErrRanks: fewer than two groups or blocks, an empty group, rows of unequal
// length, a value that is no number, or all values alike.
var ErrRanks = errors.New("ranks cannot be compared")

// midranks returns ranks from 1 with ties sharing their mean, and sum(t^3 - t)
// over ties of t values.
func midranks(x []float64) (rank []float64, ties float64) {
	order := make([]int, len(x))
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(i, j int) bool { return x[order[i]] < x[order[j]] })
	rank = make([]float64, len(x))
	for i := 0; i < len(order); {
		j := i
		for j < len(order) && x[order[j]] == x[order[i]] {
			j++
		}
		for k := i; k < j; k++ {
			rank[order[k]] = float64(i+j+1) / 2
		}
		t := float64(j - i)
		ties += t*t*t - t
		i = j
	}
	return rank, ties
}

// KruskalWallis compares groups by the ranks of their values (Kruskal and
// Wallis 1952): H = 12/(N(N+1)) sum n_i (mean rank - (N+1)/2)^2, divided by 1 -
// sum(t^3 - t)/(N^3 - N) for ties; p by chi-square. Error: ErrRanks.
func KruskalWallis(groups [][]float64) (RankTest, error) {
	var all []float64
	for _, g := range groups {
		if len(g) == 0 {
			return RankTest{}, ErrRanks
		}
		all = append(all, g...)
	}
	for _, v := range all {
		if !finite(v) {
			return RankTest{}, ErrRanks
		}
	}
	n := float64(len(all))
	if len(groups) < 2 || n < 3 {
		return RankTest{}, ErrRanks
	}
	rank, ties := midranks(all)
	h, at := 0.0, 0
	for _, g := range groups {
		s := 0.0
		for range g {
			s += rank[at]
			at++
		}
		d := s/float64(len(g)) - (n+1)/2
		h += float64(len(g)) * d * d
	}
	h *= 12 / (n * (n + 1))
	left := 1 - ties/(n*n*n-n)
	if !(left > 0) {
		return RankTest{}, ErrRanks
	}
	h /= left
	df := len(groups) - 1
	return RankTest{Test: "kruskal-wallis", Chi2: h, DF: df, P: distuv.ChiSquared{K: float64(df)}.Survival(h)}, nil
}

// Friedman compares treatments by their ranks inside each block (Friedman
// 1937, with ties): chi-square = 12 sum (R_j - b(k+1)/2)^2 / (b k (k+1) - sum(t^3
// - t)/(k - 1)), R_j the rank sum of a treatment over b blocks of k. One row a
// block, one value a treatment. Error: ErrRanks.
func Friedman(blocks [][]float64) (RankTest, error) {
	b := len(blocks)
	if b < 2 || len(blocks[0]) < 2 {
		return RankTest{}, ErrRanks
	}
	k := len(blocks[0])
	sum, ties := make([]float64, k), 0.0
	for _, row := range blocks {
		if len(row) != k {
			return RankTest{}, ErrRanks
		}
		for _, v := range row {
			if !finite(v) {
				return RankTest{}, ErrRanks
			}
		}
		rank, t := midranks(row)
		ties += t
		for j, r := range rank {
			sum[j] += r
		}
	}
	kf, bf := float64(k), float64(b)
	up := 0.0
	for _, s := range sum {
		d := s - bf*(kf+1)/2
		up += d * d
	}
	down := bf*kf*(kf+1) - ties/(kf-1)
	if !(down > 0) {
		return RankTest{}, ErrRanks
	}
	chi := 12 * up / down
	return RankTest{Test: "friedman", Chi2: chi, DF: k - 1, P: distuv.ChiSquared{K: kf - 1}.Survival(chi)}, nil
}

// rank adds the rank test of the design, for classes and beside the means.
func (a *Analysis) rank(t *table, o Options) {
	if o.Covariate {
		return
	}
	var test RankTest
	var err error
	if o.Design == CRD {
		groups := make([][]float64, len(t.treatments))
		tr, _, _ := t.index()
		for i, p := range t.plots {
			groups[tr[i]] = append(groups[tr[i]], p.y)
		}
		test, err = KruskalWallis(groups)
	} else {
		tr, _, bl := t.index()
		rows := make([][]float64, len(t.blocks))
		for i := range rows {
			rows[i] = make([]float64, len(t.treatments))
			for j := range rows[i] {
				rows[i][j] = math.NaN()
			}
		}
		if len(t.plots) != len(t.blocks)*len(t.treatments) {
			return // ranks inside blocks need complete blocks
		}
		for i, p := range t.plots {
			rows[bl[i]][tr[i]] = p.y
		}
		test, err = Friedman(rows)
	}
	if err == nil {
		a.Ranks = &test
	}
}
