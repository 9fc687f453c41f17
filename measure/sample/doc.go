// Package sample says what a few taped trunks tell about a block of trees: which
// trunks to tape, the mean diameter with its interval, how many more trunks are
// needed, what dosing every tree at the mean would do, and which readings look
// like slips of the pen.
//
// Diameters are plain numbers in centimetres; volumes are millilitres. Results
// are estimates with intervals and serve purchase and comparison; the dose of a
// tree itself is decided elsewhere, from that tree's own reading.
//
// Positions in results (index) count from 0 in the slice the caller gave. The
// slice is never changed and no reading is ever dropped.
package sample

import (
	"errors"
	"fmt"
	"math"
)

// Range of diameters accepted as real trunks, cm. Outside it a reading is a
// typing error, to be asked about and not clipped (SCIENCE S1; common practice,
// no source).
const (
	MinDiameterCM = 1
	MaxDiameterCM = 400
)

// Errors of this package. Test with errors.Is; the text names the reading or
// the count that was wrong.
var (
	// ErrTooFew: not enough readings; an interval needs two.
	ErrTooFew = errors.New("too few trees")
	// ErrDiameter: a reading is not a number from 1 to 400 cm.
	ErrDiameter = errors.New("not a trunk diameter from 1 to 400 cm")
	// ErrBlock: the block is said to hold fewer trees than were taped, or a
	// number of trees is negative or zero where trees are needed.
	ErrBlock = errors.New("number of trees does not fit the block")
	// ErrConfidence: the confidence is not above 0 and below 1.
	ErrConfidence = errors.New("confidence must be above 0 and below 1")
	// ErrTolerance: the tolerance is not a positive number.
	ErrTolerance = errors.New("tolerance must be a positive number")
	// ErrNoDose: the card has no dose for the mean diameter, or for any tree.
	ErrNoDose = errors.New("no dose")
	// ErrDose: a dose function gave a negative or not finite volume.
	ErrDose = errors.New("not a dose volume")
	// ErrTag: a tag is empty or stands twice in the list.
	ErrTag = errors.New("unusable tag")
	// ErrStratum: the figures of a stratum contradict each other.
	ErrStratum = errors.New("unusable stratum")
)

// Options of an estimate.
type Options struct {
	// BlockTrees is the number of trees in the block, the taped ones included;
	// 0 if unknown, and then there is no finite-population factor.
	BlockTrees int `json:"block_trees,omitempty"`
	// Confidence of the intervals, above 0 and below 1, usually 0.95.
	Confidence float64 `json:"confidence"`
	// TolerancePct is the half width wanted, per cent of the mean, above 0.
	TolerancePct float64 `json:"tolerance_pct"`
}

func (o Options) check(n int) error {
	if !(o.Confidence > 0 && o.Confidence < 1) {
		return fmt.Errorf("%w: %v", ErrConfidence, o.Confidence)
	}
	if !(o.TolerancePct > 0) || math.IsInf(o.TolerancePct, 0) {
		return fmt.Errorf("%w: %v %%", ErrTolerance, o.TolerancePct)
	}
	if o.BlockTrees < 0 || o.BlockTrees > 0 && o.BlockTrees < n {
		return fmt.Errorf("%w: %d trees taped, %d in the block", ErrBlock, n, o.BlockTrees)
	}
	return nil
}

func checkDiameters(d []float64, least int) error {
	for i, v := range d {
		if !(v >= MinDiameterCM && v <= MaxDiameterCM) {
			return fmt.Errorf("%w: reading %d is %v", ErrDiameter, i+1, v)
		}
	}
	if len(d) < least {
		return fmt.Errorf("%w: %d taped, at least %d needed", ErrTooFew, len(d), least)
	}
	return nil
}
