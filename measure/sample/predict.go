package sample

import (
	"fmt"
	"math"

	"sapward/numeric/describe"
)

// PredictionScale says on which scale the prediction was made.
type PredictionScale string

// The scales, and why a scale was taken.
const (
	ScaleLinear PredictionScale = "linear" // diameters as they are
	ScaleLog    PredictionScale = "log"    // logarithms of the diameters

	ReasonNotSkewed  = "not-skewed"       // linear: no right skew seen
	ReasonSkewed     = "skewed"           // log: right skew beyond two standard errors, less so in logarithms
	ReasonBelowLimit = "limit-below-zero" // log: on the linear scale the lower limit is not above 0
)

// skewLimit is the ratio of the skewness to its standard error beyond which the
// logarithmic scale is tried. Two standard errors is common practice (Cramer
// 1997, from memory); a default of this program.
const skewLimit = 2

// Prediction is the distribution of the diameter of one tree that was not taped.
type Prediction struct {
	LowCM      float64         `json:"low_cm"`
	HighCM     float64         `json:"high_cm"`
	Scale      PredictionScale `json:"scale"`
	Reason     string          `json:"reason"`
	Confidence float64         `json:"confidence"`

	centre, spread, df float64
}

// Predict returns the prediction interval of a single untaped diameter,
//
//	mean +/- t(n-1, 1-a/2) * sd * sqrt(1 + 1/n),
//
// on the scale it names: of the diameters, or of their logarithms when the
// sample is skewed to the right (adjusted Fisher-Pearson skewness more than two
// of its standard errors above 0, and smaller in logarithms) or when the linear
// lower limit is not above 0.
//
// diametersCM: two or more readings drawn at random. confidence: above 0, below 1.
// Special case: equal readings give an interval of that one diameter.
// Errors: ErrTooFew, ErrDiameter, ErrConfidence.
func Predict(diametersCM []float64, confidence float64) (Prediction, error) {
	if err := checkDiameters(diametersCM, 2); err != nil {
		return Prediction{}, err
	}
	if !(confidence > 0 && confidence < 1) {
		return Prediction{}, fmt.Errorf("%w: %v", ErrConfidence, confidence)
	}
	n := len(diametersCM)
	logs := make([]float64, n)
	for i, v := range diametersCM {
		logs[i] = math.Log(v)
	}
	skewed, err := rightSkewed(diametersCM, logs)
	if err != nil {
		return Prediction{}, err
	}
	p := Prediction{Scale: ScaleLinear, Reason: ReasonNotSkewed, Confidence: confidence}
	if skewed {
		p.Scale, p.Reason = ScaleLog, ReasonSkewed
		return p.fit(logs)
	}
	if p, err = p.fit(diametersCM); err == nil && p.LowCM <= 0 {
		p.Scale, p.Reason = ScaleLog, ReasonBelowLimit
		return p.fit(logs)
	}
	return p, err
}

func rightSkewed(x, logs []float64) (bool, error) {
	if len(x) < 3 {
		return false, nil
	}
	if sd, err := describe.SD(x); err != nil || sd == 0 {
		return false, err
	}
	g, err := describe.Skewness(x)
	if err != nil {
		return false, err
	}
	ses, err := describe.SkewnessError(len(x))
	if err != nil {
		return false, err
	}
	if g <= skewLimit*ses {
		return false, nil
	}
	gl, err := describe.Skewness(logs)
	return math.Abs(gl) < g, err
}

// fit sets centre, spread and limits from the values on the chosen scale.
func (p Prediction) fit(x []float64) (Prediction, error) {
	n := float64(len(x))
	var err error
	if p.centre, err = describe.Mean(x); err != nil {
		return Prediction{}, err
	}
	sd, err := describe.SD(x)
	if err != nil {
		return Prediction{}, err
	}
	p.spread, p.df = sd*math.Sqrt(1+1/n), n-1
	t, err := describe.StudentQuantile((1-p.Confidence)/2, p.df)
	if err != nil {
		return Prediction{}, err
	}
	p.LowCM, p.HighCM = p.centre+t*p.spread, p.centre-t*p.spread
	if p.Scale == ScaleLog {
		// Two trunks give limits beyond any tree, even beyond a float64.
		p.LowCM, p.HighCM = math.Exp(p.LowCM), math.Min(math.Exp(p.HighCM), math.MaxFloat64)
	}
	return p, nil
}

// CDF returns the probability that an untaped tree is at most d cm thick:
// Student's t with n-1 degrees of freedom on the prediction's scale. On the
// linear scale it keeps the small share that distribution puts below 0.
//
// Errors: ErrDiameter for a NaN; those of describe.StudentCDF.
func (p Prediction) CDF(d float64) (float64, error) {
	if math.IsNaN(d) {
		return 0, ErrDiameter
	}
	if p.df == 0 {
		return 0, ErrTooFew
	}
	v := d
	if p.Scale == ScaleLog {
		if d <= 0 {
			return 0, nil
		}
		v = math.Log(d)
	}
	if p.spread == 0 {
		if v >= p.centre {
			return 1, nil
		}
		return 0, nil
	}
	return describe.StudentCDF((v-p.centre)/p.spread, p.df)
}

// Share returns the expected share, 0 to 1, of untaped trees that satisfy holds.
//
// The condition is looked at every 0.1 cm from 1 to 400 cm; each change is
// narrowed by bisection and weighed with CDF, so a condition that changes twice
// inside 0.1 cm is not seen. Trees the distribution puts outside 1..400 cm count
// as trees at that end. Special case: where all readings were equal, the share
// is 1 or 0.
// Errors: those of CDF.
func (p Prediction) Share(holds func(diameterCM float64) bool) (float64, error) {
	if p.df == 0 {
		return 0, ErrTooFew
	}
	if p.spread == 0 {
		d := p.centre
		if p.Scale == ScaleLog {
			d = math.Exp(d)
		}
		if holds(d) {
			return 1, nil
		}
		return 0, nil
	}
	share, start := 0.0, 0.0 // start: probability where the run of true began
	before := holds(MinDiameterCM)
	last := float64(MinDiameterCM)
	const steps = (MaxDiameterCM - MinDiameterCM) * 10
	for i := 1; i <= steps; i++ {
		d := MinDiameterCM + float64(i)/10
		now := holds(d)
		if now != before {
			a, b := last, d
			for m := a + (b-a)/2; m > a && m < b; m = a + (b-a)/2 {
				if holds(m) == before {
					a = m
				} else {
					b = m
				}
			}
			c, err := p.CDF(b)
			if err != nil {
				return 0, err
			}
			if before {
				share += c - start
			}
			start, before = c, now
		}
		last = d
	}
	if before {
		share += 1 - start
	}
	return math.Min(math.Max(share, 0), 1), nil
}
