// Package classes divides one-dimensional data into k classes so that the sum
// of squared deviations inside the classes is the smallest possible
// (Fisher 1958, Journal of the American Statistical Association 53:789; in map
// making known after Jenks and Caspall 1971).
package classes

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"sapward/numeric/describe"
)

// Errors of this package. Test with errors.Is.
var (
	// ErrEmpty: there is no value.
	ErrEmpty = errors.New("no values to classify")
	// ErrNotFinite: a value is NaN, infinite, or too large to square.
	ErrNotFinite = errors.New("value is not a usable number")
	// ErrClasses: the number of classes is below 1 or above the number of
	// different values.
	ErrClasses = errors.New("number of classes out of range")
)

// largest magnitude whose squares can be summed without leaving a float64.
const largest = 1e140

// Class is one class of a division.
type Class struct {
	Lower float64 `json:"lower"` // smallest value in the class
	Upper float64 `json:"upper"` // largest value in the class
	Size  int     `json:"size"`  // how many values
	Mean  float64 `json:"mean"`
	SSW   float64 `json:"ssw"` // sum of squared deviations from the class mean
}

// Division is the best division of the data into the wanted number of classes.
type Division struct {
	Classes []Class `json:"classes"` // in ascending order
	SSW     float64 `json:"ssw"`     // sum of squares within the classes, the minimum
	SST     float64 `json:"sst"`     // sum of squares about the mean of all values
	GVF     float64 `json:"gvf"`     // goodness of variance fit, 1 - SSW/SST
}

// Optimal returns the division of x into k classes with the smallest sum of
// squares within classes,
//
//	SSW = sum over classes of sum (x_i - mean of class)^2,
//
// by an exact dynamic programme over the sorted different values. The best last
// cut never moves left when a value is added, which the squared-error cost
// guarantees, so each of the k layers takes O(n log n) steps by divide and
// conquer; memory is 4 k n bytes for the cuts.
//
// x: in any order and unit, left unchanged. Equal values always fall into one
// class. k: 1 up to the number of different values.
//
// Special cases: where several divisions are equally good, the one with the
// longest last class is returned. GVF is 1 when all values are equal.
// Accuracy: cuts are chosen with sums of about 31 digits; SSW is then computed
// anew from the values of each class, to about 14 digits.
// Errors: ErrEmpty, ErrNotFinite (also beyond 1e140), ErrClasses.
func Optimal(x []float64, k int) (Division, error) {
	if len(x) == 0 {
		return Division{}, ErrEmpty
	}
	for i, v := range x {
		if math.IsNaN(v) || math.Abs(v) > largest {
			return Division{}, fmt.Errorf("%w: value %d", ErrNotFinite, i+1)
		}
	}
	s := slices.Clone(x)
	slices.Sort(s)
	p := newPrefix(s)
	m := len(p.end)
	if k < 1 || k > m {
		return Division{}, fmt.Errorf("%w: %d classes, %d different values", ErrClasses, k, m)
	}
	cuts := cut(p, k)
	return report(s, p, cuts)
}

// report describes the classes that the cuts (positions among the different
// values) make.
func report(s []float64, p prefix, cuts []int) (Division, error) {
	var d Division
	var ssw []float64
	from := 0
	for _, c := range cuts {
		to := p.end[c-1]
		part := s[from:to]
		mean, err := describe.Mean(part)
		if err != nil {
			return Division{}, fmt.Errorf("%w: %w", ErrNotFinite, err)
		}
		ss, err := describe.SumSquares(part)
		if err != nil {
			return Division{}, fmt.Errorf("%w: %w", ErrNotFinite, err)
		}
		d.Classes = append(d.Classes, Class{Lower: part[0], Upper: part[len(part)-1], Size: len(part), Mean: mean, SSW: ss})
		ssw = append(ssw, ss)
		from = to
	}
	var err error
	if d.SSW, err = describe.Sum(ssw); err != nil {
		return Division{}, fmt.Errorf("%w: %w", ErrNotFinite, err)
	}
	if d.SST, err = describe.SumSquares(s); err != nil {
		return Division{}, fmt.Errorf("%w: %w", ErrNotFinite, err)
	}
	d.GVF = 1
	if d.SST > 0 {
		d.GVF = 1 - d.SSW/d.SST
	}
	return d, nil
}

// layer is one step of the dynamic programme: best[j] is the smallest cost of
// the first j different values in the classes so far, from[j] the position
// where the last of those classes begins.
type layer struct {
	best []float64
	from []int32
}

// cut returns the ends of the k classes as counts of different values.
func cut(p prefix, k int) []int {
	m := len(p.end)
	best := make([]float64, m+1)
	for j := 1; j <= m; j++ {
		best[j] = p.cost(0, j)
	}
	layers := make([]layer, 1, k)
	layers[0] = layer{best, nil}
	for c := 2; c <= k; c++ {
		next := layer{make([]float64, m+1), make([]int32, m+1)}
		fill(p, layers[c-2].best, next, c, c, m, c-1, m-1)
		layers = append(layers, next)
		if c > 2 {
			layers[c-2].best = nil
		}
	}
	cuts := make([]int, k)
	j := m
	for c := k; c >= 1; c-- {
		cuts[c-1] = j
		if c > 1 {
			j = int(layers[c-1].from[j])
		}
	}
	return cuts
}

// fill finds, for every j in lo..hi, the best beginning i of class number c;
// that beginning is known to lie in from..to.
func fill(p prefix, before []float64, next layer, c, lo, hi, from, to int) {
	for lo <= hi {
		j := lo + (hi-lo)/2
		bestCost, bestI := math.Inf(1), from
		for i := from; i <= min(to, j-1); i++ {
			if v := before[i] + p.cost(i, j); v < bestCost {
				bestCost, bestI = v, i
			}
		}
		next.best[j], next.from[j] = bestCost, int32(bestI)
		fill(p, before, next, c, lo, j-1, from, bestI)
		lo, from = j+1, bestI
	}
}

// prefix holds running sums over the different values, each as an unevaluated
// sum of two float64 numbers.
type prefix struct {
	end    []int // end[i]: how many data values are <= different value i
	s1, s2 []pair
}

func newPrefix(sorted []float64) prefix {
	p := prefix{s1: make([]pair, 1), s2: make([]pair, 1)}
	// Sums about a middle value keep the numbers small; the shift changes no
	// sum of squares, and the difference is held exactly.
	origin := sorted[len(sorted)/2]
	for i := 0; i < len(sorted); {
		j := i
		for j < len(sorted) && cmp.Compare(sorted[j], sorted[i]) == 0 {
			j++
		}
		w := float64(j - i)
		d := twoSum(sorted[i], -origin)
		last := len(p.end)
		p.s1 = append(p.s1, p.s1[last].plus(d.times(pair{w, 0})))
		p.s2 = append(p.s2, p.s2[last].plus(d.times(d).times(pair{w, 0})))
		p.end = append(p.end, j)
		i = j
	}
	return p
}

// cost returns the sum of squares within the class of the different values
// i..j-1: sum of squares minus squared sum over count.
func (p prefix) cost(i, j int) float64 {
	if j-i <= 1 {
		return 0
	}
	begin := 0
	if i > 0 {
		begin = p.end[i-1]
	}
	w := float64(p.end[j-1] - begin)
	a := p.s1[j].plus(p.s1[i].minus())
	b := p.s2[j].plus(p.s2[i].minus())
	c := b.plus(a.times(a).over(w).minus())
	return math.Max(c.hi+c.lo, 0)
}
