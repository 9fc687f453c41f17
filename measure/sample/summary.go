package sample

import (
	"math"

	"sapward/numeric/describe"
)

// Summary is what the taped trunks tell about the mean diameter of the block.
type Summary struct {
	N               int     `json:"n"`
	MeanCM          float64 `json:"mean_cm"`
	QuadraticMeanCM float64 `json:"quadratic_mean_cm"` // diameter of the tree of mean basal area
	SDCM            float64 `json:"sd_cm"`             // n-1 in the denominator
	CVPct           float64 `json:"cv_pct"`            // 100 sd/mean
	CILowCM         float64 `json:"ci_low_cm"`
	CIHighCM        float64 `json:"ci_high_cm"`
	HalfWidthCM     float64 `json:"half_width_cm"`
	HalfWidthPct    float64 `json:"half_width_pct"` // per cent of the mean
	Enough          bool    `json:"enough"`         // half width within the tolerance
	Needed
	MedianCM float64   `json:"median_cm"`
	Outliers []Outlier `json:"outliers"` // shown, never dropped
	Options
}

// Outlier is a reading that stands apart from the others.
type Outlier struct {
	Index      int            `json:"index"`
	DiameterCM float64        `json:"diameter_cm"`
	RobustZ    float64        `json:"robust_z"`
	Scale      describe.Scale `json:"scale"`
	Slip       SlipCode       `json:"slip,omitempty"` // what slip it looks like, if any
}

// Summarise describes the taped diameters, cm, of trees drawn at random from a
// block (SCIENCE S2). The interval of the mean is
//
//	mean +/- t(n-1, 1-a/2) * sd/sqrt(n) * sqrt(1 - n/N)
//
// with a = 1 - confidence and N the trees in the block (factor 1 if unknown)
// (Freese 1962, USDA Agriculture Handbook 232). Enough is true exactly when n is
// at least TreesNeeded for the sample's own coefficient of variation.
// Outliers are readings with a robust z beyond 3.5 (Iglewicz and Hoaglin 1993).
//
// Special cases: all readings equal give sd 0, half width 0 and two trees
// needed; a census (n = N) gives half width 0. The interval is the plain t
// interval, so with two or three very different trunks its low end can be below 0.
// Errors: ErrTooFew for fewer than two trees, ErrDiameter, ErrBlock,
// ErrConfidence, ErrTolerance.
func Summarise(diametersCM []float64, o Options) (Summary, error) {
	if err := checkDiameters(diametersCM, 2); err != nil {
		return Summary{}, err
	}
	n := len(diametersCM)
	if err := o.check(n); err != nil {
		return Summary{}, err
	}
	e, err := estimate(diametersCM, o)
	if err != nil {
		return Summary{}, err
	}
	s := Summary{
		N: n, MeanCM: e.mean, SDCM: e.sd, CVPct: 100 * e.sd / e.mean, HalfWidthCM: e.half,
		CILowCM: e.mean - e.half, CIHighCM: e.mean + e.half, Options: o,
	}
	if s.QuadraticMeanCM, err = describe.QuadraticMean(diametersCM); err != nil {
		return Summary{}, err
	}
	if s.MedianCM, err = describe.Median(diametersCM); err != nil {
		return Summary{}, err
	}
	cv := e.sd / e.mean
	rel, err := relativeHalfWidth(n, cv, o.BlockTrees, o.Confidence)
	if err != nil {
		return Summary{}, err
	}
	s.HalfWidthPct = 100 * rel
	s.Enough = rel <= o.TolerancePct/100
	if s.Needed, err = TreesNeeded(cv, o); err != nil {
		return Summary{}, err
	}
	s.Outliers, err = outliers(diametersCM)
	return s, err
}

// estimated holds a mean with its t interval.
type estimated struct{ mean, sd, half float64 }

// estimate returns mean, sd and half width of two or more checked values.
func estimate(x []float64, o Options) (estimated, error) {
	mean, err := describe.Mean(x)
	if err != nil {
		return estimated{}, err
	}
	sd, err := describe.SD(x)
	if err != nil {
		return estimated{}, err
	}
	half, err := relativeHalfWidth(len(x), sd, o.BlockTrees, o.Confidence)
	return estimated{mean, sd, half}, err
}

// outliers lists the readings beyond the robust z limit with the slip each may be.
func outliers(d []float64) ([]Outlier, error) {
	z, scale, err := describe.RobustZ(d)
	if err != nil {
		return nil, err
	}
	median, err := describe.Median(d)
	if err != nil {
		return nil, err
	}
	out := []Outlier{}
	for i, v := range z {
		if math.Abs(v) > describe.OutlierZ {
			out = append(out, Outlier{Index: i, DiameterCM: d[i], RobustZ: v, Scale: scale, Slip: slipOf(d[i] / median)})
		}
	}
	return out, nil
}
