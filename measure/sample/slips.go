package sample

import (
	"fmt"
	"math"

	"sapward/numeric/describe"
)

// SlipCode names a probable mistake of measuring or typing.
type SlipCode string

// The slips that are recognised, each by the ratio of the reading to the median
// of the block.
const (
	// SlipGirthAsDiameter: a girth stands in the diameter column, ratio pi.
	SlipGirthAsDiameter SlipCode = "girth-as-diameter"
	// SlipDiameterAsGirth: a diameter stood in the girth column, ratio 1/pi.
	SlipDiameterAsGirth SlipCode = "diameter-as-girth"
	// SlipCentimetreAsInch: centimetres stood in an inch column, ratio 2.54.
	SlipCentimetreAsInch SlipCode = "centimetre-as-inch"
	// SlipInchAsCentimetre: inches stand in a centimetre column, ratio 1/2.54.
	SlipInchAsCentimetre SlipCode = "inch-as-centimetre"
)

// slipBand is how far, relatively, the ratio may be from the exact one; the
// bands of the four codes do not overlap. A default of this program, editable.
const slipBand = 0.08

var slipRatios = []struct {
	ratio float64
	code  SlipCode
}{
	{math.Pi, SlipGirthAsDiameter},
	{2.54, SlipCentimetreAsInch},
	{1 / 2.54, SlipInchAsCentimetre},
	{1 / math.Pi, SlipDiameterAsGirth},
}

// slipOf returns the slip whose ratio is within the band, or "".
func slipOf(ratio float64) SlipCode {
	for _, s := range slipRatios {
		if math.Abs(ratio/s.ratio-1) <= slipBand {
			return s.code
		}
	}
	return ""
}

// Slip is a reading that looks like a known mistake.
type Slip struct {
	Index      int      `json:"index"`
	DiameterCM float64  `json:"diameter_cm"`
	Ratio      float64  `json:"ratio"` // reading over the median of the block
	Code       SlipCode `json:"code"`
	// CorrectedCM is what the reading would be if the slip is what it looks like.
	// It is a question to the person with the tape, never a replacement.
	CorrectedCM float64 `json:"corrected_cm"`
}

// Slips returns the readings, cm, that are both an outlier (robust z beyond 3.5)
// and within 8 % of a telling ratio to the median of the block: pi or 1/pi for
// girth against diameter, 2.54 or 1/2.54 for inch against centimetre
// (SCIENCE S1). A merely large or small tree that is no outlier is not listed.
//
// Where half of the readings or more carry the same slip, the median is wrong too
// and nothing can be seen. With two readings neither can be an outlier.
// Errors: ErrTooFew for no reading, ErrDiameter.
func Slips(diametersCM []float64) ([]Slip, error) {
	if err := checkDiameters(diametersCM, 1); err != nil {
		return nil, err
	}
	out, err := outliers(diametersCM)
	if err != nil {
		return nil, fmt.Errorf("slips: %w", err)
	}
	median, err := describe.Median(diametersCM)
	if err != nil {
		return nil, fmt.Errorf("slips: %w", err)
	}
	slips := []Slip{}
	for _, o := range out {
		for _, s := range slipRatios {
			if o.Slip == s.code {
				slips = append(slips, Slip{o.Index, o.DiameterCM, o.DiameterCM / median, o.Slip, o.DiameterCM / s.ratio})
			}
		}
	}
	return slips, nil
}
