// Package health tells whether treated trees fared better: disease progress
// from ratings (SCIENCE S16), survival from deaths (S17) and efficacy from
// counts (S18). It takes rows and returns reports with JSON names; it reads no
// files and keeps no state. Percent means 0 to 100, days are counted from the
// user's day 0.
//
// A result is never NaN: a figure that the data cannot give is left out (nil)
// and the reason stands under notes. "Cannot say" is an answer.
package health

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"sapward/finding"
	"sapward/numeric/describe"
)

// Errors of the statistical functions; test with errors.Is. The three reports
// (Progress, Survival, Efficacy) return finding.Faults instead.
var (
	ErrShape      = errors.New("lengths do not agree or nothing was given")
	ErrDays       = errors.New("days must be finite and not negative")
	ErrConfidence = errors.New("confidence must lie between 0 and 1")
	ErrNoEvents   = errors.New("no tree died")
	ErrOneGroup   = errors.New("fewer than two groups can be compared")
	ErrConstant   = errors.New("a covariate does not vary")
	ErrCollinear  = errors.New("covariates depend on one another")
	ErrManyTies   = errors.New("too many ties for the exact likelihood")
	ErrDiverged   = errors.New("the likelihood could not be made greatest")
	ErrNumber     = errors.New("a number is not finite or out of range")
	ErrUntreated  = errors.New("nothing among the untreated to compare with")
	ErrOption     = errors.New("option not known")
)

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// some returns a pointer to x, nil for a number that is not finite.
func some(x float64) *float64 {
	if !finite(x) {
		return nil
	}
	return &x
}

// zQuantile is the two-sided normal quantile of a confidence, 1.96 for 0.95.
func zQuantile(confidence float64) (float64, error) {
	if !(confidence > 0 && confidence < 1) {
		return 0, ErrConfidence
	}
	return describe.NormalQuantile(0.5 + confidence/2)
}

// chi2Tail is the probability that chi-square with df exceeds x.
func chi2Tail(x float64, df int) float64 {
	if df < 1 {
		return 1
	}
	if x <= 0 {
		return 1
	}
	return distuv.ChiSquared{K: float64(df)}.Survival(x)
}

// note makes a finding of this package.
func note(id string, s finding.Severity, args finding.Args) finding.Finding {
	return finding.Finding{ID: id, Severity: s, Authority: finding.ByEstimate, Args: args}
}

// exponent is exp(p), nil for nil or overflow.
func exponent(p *float64) *float64 {
	if p == nil {
		return nil
	}
	return some(math.Exp(*p))
}
