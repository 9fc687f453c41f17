// Package trial designs and analyses field trials (SCIENCE S19): layouts with
// a printed seed, the number of trees by simulation of the planned analysis,
// and the analysis of variance by the design with means, intervals and
// comparisons. It takes rows and returns reports with JSON names; it reads no
// files and keeps no state, and its random numbers come from seeds it is given.
//
// A result is never NaN: a figure that the data cannot give is left out (nil)
// and the reason stands under notes. "Cannot say" is an answer.
package trial

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"sapward/finding"
)

// Design says how treatments were given to plots.
type Design string

// The designs. In a split plot the treatment lies on main plots in complete
// blocks, a second factor on the plots inside them.
const (
	CRD       Design = "crd"
	RCBD      Design = "rcbd"
	SplitPlot Design = "split-plot"
)

// Known reports whether the design is one of these.
func (d Design) Known() bool { return d == CRD || d == RCBD || d == SplitPlot }

// Defaults of the program that warn and never refuse: at least 4 replicates
// (PP 1 crop standards) and about 12 residual degrees of freedom (common
// practice, no source).
const (
	LeastReplicates = 4
	LeastDF         = 12
)

// LeastDisease is the mean of the untreated in percent under which no verdict
// is given (program default, as in follow/health).
const LeastDisease = 5

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// some returns a pointer to x, nil for a number that is not finite.
func some(x float64) *float64 {
	if !finite(x) {
		return nil
	}
	return &x
}

// note makes a finding of this package.
func note(id string, s finding.Severity, args finding.Args) finding.Finding {
	return finding.Finding{ID: id, Severity: s, Authority: finding.ByEstimate, Args: args}
}

// practice makes a finding that rests on common practice.
func practice(id string, s finding.Severity, args finding.Args) finding.Finding {
	return finding.Finding{ID: id, Severity: s, Authority: finding.ByPractice, Args: args}
}

// tailF is the probability that F with d1 and d2 degrees of freedom exceeds x.
func tailF(x float64, d1, d2 int) float64 {
	if d1 < 1 || d2 < 1 || math.IsNaN(x) {
		return math.NaN()
	}
	if x <= 0 {
		return 1
	}
	return distuv.F{D1: float64(d1), D2: float64(d2)}.Survival(x)
}
