package describe

import (
	"errors"
	"fmt"
	"math"
)

// Errors of this package. Test with errors.Is; the text that is returned also
// names the position or the count that was wrong.
var (
	// ErrEmpty: there is no value.
	ErrEmpty = errors.New("no values")
	// ErrTooFew: fewer values than the statistic needs.
	ErrTooFew = errors.New("too few values")
	// ErrNotFinite: a value is NaN or infinite.
	ErrNotFinite = errors.New("value is not a finite number")
	// ErrConstant: all values are equal, so a ratio to their spread has no value.
	ErrConstant = errors.New("all values are equal")
	// ErrOverflow: the values are so large that their sum or squares exceed a float64.
	ErrOverflow = errors.New("values too large to sum")
	// ErrProbability: a probability or a confidence level outside its range.
	ErrProbability = errors.New("probability out of range")
	// ErrDomain: a count or a parameter outside its range.
	ErrDomain = errors.New("argument out of range")
)

// check returns an error unless x has at least least values and all are finite.
func check(x []float64, least int) error {
	if len(x) == 0 {
		return ErrEmpty
	}
	if len(x) < least {
		return fmt.Errorf("%w: have %d, need at least %d", ErrTooFew, len(x), least)
	}
	for i, v := range x {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return fmt.Errorf("%w: value %d", ErrNotFinite, i+1)
		}
	}
	return nil
}

// finite turns a result that left the range of a float64 into ErrOverflow.
func finite(v float64) (float64, error) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, ErrOverflow
	}
	return v, nil
}
