// Package fit fits: nonlinear least squares by Levenberg and Marquardt's
// method in a trust region, a damped Newton minimiser for likelihoods, and the
// analysis of variance of one factor.
//
// Every solver says how it stopped. Values that a model cannot give (NaN or
// infinite) make a step bad, they never end up in a result. Slices of the
// caller are read, never changed.
package fit

import (
	"errors"
	"math"
)

// Errors of this package; test with errors.Is.
var (
	// ErrShape: lengths that do not agree, or nothing to fit.
	ErrShape = errors.New("lengths do not agree")
	// ErrTooFew: fewer points than parameters, or groups too small.
	ErrTooFew = errors.New("too few values")
	// ErrNotFinite: a value is NaN or infinite.
	ErrNotFinite = errors.New("value is not a finite number")
	// ErrBounds: a bound is empty or a start lies outside its bounds.
	ErrBounds = errors.New("start outside its bounds")
	// ErrStart: the model has no finite value at any start.
	ErrStart = errors.New("no finite value at any start")
	// ErrConstant: nothing varies, so a ratio of variances has no value.
	ErrConstant = errors.New("all values within the groups are equal")
)

// Stop says why a solver ended.
type Stop string

// The reasons. The first four are good ends.
const (
	StopGradient   Stop = "gradient"   // residuals stand square on every column, or the gradient vanishes
	StopReduction  Stop = "reduction"  // no further reduction worth the name is predicted or found
	StopStep       Stop = "step"       // the step is below the resolution of the parameters
	StopZero       Stop = "zero"       // the residuals vanish within rounding
	StopIterations Stop = "iterations" // the iterations allowed are used up
	StopStuck      Stop = "stuck"      // no step reduces the sum although the gradient does not vanish
)

// Good reports whether the end is a minimum as far as the solver can tell.
func (s Stop) Good() bool {
	return s == StopGradient || s == StopReduction || s == StopStep || s == StopZero
}

// epsilon is the distance from 1 to the next larger float64.
const epsilon = 0x1p-52

func isFinite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// norm is the Euclidean length, safe from overflow of the squares.
func norm(x []float64) float64 {
	scale, ssq := 0.0, 1.0
	for _, v := range x {
		if v == 0 {
			continue
		}
		a := math.Abs(v)
		if math.IsInf(a, 1) || math.IsNaN(a) {
			return math.Inf(1)
		}
		if scale < a {
			q := scale / a
			ssq = 1 + float64(ssq*q)*q
			scale = a
		} else {
			q := a / scale
			ssq += float64(q * q)
		}
	}
	return scale * math.Sqrt(ssq)
}

func dot(a, b []float64) float64 {
	s := 0.0
	for i, v := range a {
		s += float64(v * b[i])
	}
	return s
}
