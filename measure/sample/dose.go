package sample

import (
	"fmt"
	"math"

	"sapward/numeric/describe"
)

// DoseFunc returns the volume, mL, that a card gives a tree of this diameter, cm;
// ok is false where the card has no dose for that size.
type DoseFunc func(diameterCM float64) (ml float64, ok bool)

// Rule is a card's dose as functions of the diameter.
type Rule struct {
	Dose DoseFunc // the dose that is meant
	Low  DoseFunc // the least the label allows; nil if it sets none
	High DoseFunc // the most the label allows; nil if it sets none
}

// Need is the volume the whole block takes.
type Need struct {
	BlockTrees   int     `json:"block_trees"`
	TotalML      float64 `json:"total_ml"`
	LowML        float64 `json:"low_ml"`
	HighML       float64 `json:"high_ml"`
	HalfWidthPct float64 `json:"half_width_pct"`
}

// DoseSummary compares a dose for each tree with one dose for all.
type DoseSummary struct {
	DoseAtMeanML  float64 `json:"dose_at_mean_ml"`  // f(mean d)
	MeanOfDosesML float64 `json:"mean_of_doses_ml"` // mean of f(d_i)
	BiasPct       float64 `json:"bias_pct"`         // 100 (f(mean d)/mean f(d_i) - 1)
	DoseSDML      float64 `json:"dose_sd_ml"`
	MeanLowML     float64 `json:"mean_of_doses_low_ml"`
	MeanHighML    float64 `json:"mean_of_doses_high_ml"`

	// Need is nil when the number of trees in the block is unknown.
	Need *Need `json:"block_need,omitempty"`

	// Taped trees that the one dose f(mean d) would put above their own label
	// maximum, below their own minimum, and those the card gives no dose at all.
	AboveOwnMax []int `json:"above_own_max"`
	BelowOwnMin []int `json:"below_own_min"`
	NoDose      []int `json:"no_dose"`

	// The same for untaped trees, expected share from the prediction.
	AboveOwnMaxPct float64    `json:"expected_above_own_max_pct"`
	BelowOwnMinPct float64    `json:"expected_below_own_min_pct"`
	NoDosePct      float64    `json:"expected_no_dose_pct"`
	Prediction     Prediction `json:"prediction"`
}

// slack keeps a dose that equals a limit up to rounding from counting as beyond
// it. This comparison informs; lawful limits are decided in exact arithmetic
// where doses are planned.
const slack = 1e-12

// volume evaluates f at d; no dose counts as 0.
func volume(f DoseFunc, d float64) (float64, bool, error) {
	v, ok := f(d)
	if !ok {
		return 0, false, nil
	}
	if !(v >= 0) || math.IsInf(v, 0) {
		return 0, false, fmt.Errorf("%w: %v mL at %v cm", ErrDose, v, d)
	}
	return v, true, nil
}

func doses(d []float64, f DoseFunc) (ml []float64, none []int, err error) {
	ml, none = make([]float64, len(d)), []int{}
	for i, x := range d {
		v, ok, err := volume(f, x)
		if err != nil {
			return nil, nil, err
		}
		if !ok {
			none = append(none, i)
		}
		ml[i] = v
	}
	return ml, none, nil
}

// BlockNeed returns the volume the block takes when every tree gets its own
// dose, from the taped diameters, cm, and the dose f:
//
//	N mean(f(d_i)) +/- N t(n-1, 1-a/2) sd(f(d_i)) sqrt(1/n - 1/N).
//
// It is the interval of f, not f of the interval of the mean (SCIENCE S2). A
// taped tree without a dose on the card counts 0 mL. o.TolerancePct is checked
// but not used. The plain t interval may begin below 0 for very few trees.
// Errors: ErrBlock when o.BlockTrees is 0 or too small, ErrNoDose when every dose
// is 0, ErrDose, and those of Summarise.
func BlockNeed(diametersCM []float64, f DoseFunc, o Options) (Need, error) {
	if err := checkDiameters(diametersCM, 2); err != nil {
		return Need{}, err
	}
	if err := o.check(len(diametersCM)); err != nil {
		return Need{}, err
	}
	if o.BlockTrees == 0 {
		return Need{}, fmt.Errorf("%w: unknown, so the block's need cannot be told", ErrBlock)
	}
	ml, _, err := doses(diametersCM, f)
	if err != nil {
		return Need{}, err
	}
	e, err := estimate(ml, o)
	if err != nil {
		return Need{}, err
	}
	return need(e, o)
}

func need(e estimated, o Options) (Need, error) {
	if e.mean == 0 {
		return Need{}, fmt.Errorf("%w for any taped tree", ErrNoDose)
	}
	n := float64(o.BlockTrees)
	return Need{
		BlockTrees: o.BlockTrees, TotalML: n * e.mean, LowML: n * (e.mean - e.half), HighML: n * (e.mean + e.half),
		HalfWidthPct: 100 * e.half / e.mean,
	}, nil
}

// DoseBias compares dosing every tree by its own diameter with giving all the
// dose of the mean diameter, from diameters, cm, taped at random:
// bias = f(mean d)/mean(f(d_i)) - 1. It is zero for a rate per diameter or girth,
// negative for a convex rate such as basal area (Jensen's inequality), of either
// sign for a table of bands (SCIENCE S2).
//
// A taped tree without a dose on the card counts 0 mL in the mean of doses, for
// it takes nothing, and is listed. A limit function that is nil, or has no value
// for a size, is never passed there.
// Errors: ErrNoDose when the card has no dose for the mean diameter (the block's
// need still comes from BlockNeed) or none above 0 for any taped tree; ErrDose;
// those of Summarise.
func DoseBias(diametersCM []float64, r Rule, o Options) (DoseSummary, error) {
	if err := checkDiameters(diametersCM, 2); err != nil {
		return DoseSummary{}, err
	}
	if err := o.check(len(diametersCM)); err != nil {
		return DoseSummary{}, err
	}
	if r.Dose == nil {
		return DoseSummary{}, fmt.Errorf("%w: no dose function", ErrNoDose)
	}
	ml, none, err := doses(diametersCM, r.Dose)
	if err != nil {
		return DoseSummary{}, err
	}
	e, err := estimate(ml, o)
	if err != nil {
		return DoseSummary{}, err
	}
	if e.mean == 0 {
		return DoseSummary{}, fmt.Errorf("%w for any taped tree", ErrNoDose)
	}
	mean, err := describe.Mean(diametersCM)
	if err != nil {
		return DoseSummary{}, err
	}
	at, ok, err := volume(r.Dose, mean)
	if err != nil {
		return DoseSummary{}, err
	}
	if !ok {
		return DoseSummary{}, fmt.Errorf("%w on the card for the mean diameter, %.4g cm", ErrNoDose, mean)
	}
	s := DoseSummary{
		DoseAtMeanML: at, MeanOfDosesML: e.mean, BiasPct: 100 * (at/e.mean - 1), DoseSDML: e.sd,
		MeanLowML: e.mean - e.half, MeanHighML: e.mean + e.half, NoDose: none, AboveOwnMax: []int{}, BelowOwnMin: []int{},
	}
	if o.BlockTrees > 0 {
		n, err := need(e, o)
		if err != nil {
			return DoseSummary{}, err
		}
		s.Need = &n
	}
	return s.compare(diametersCM, r, o)
}

// compare fills in whom one dose for all puts above or below.
func (s DoseSummary) compare(d []float64, r Rule, o Options) (DoseSummary, error) {
	above := func(x float64) bool {
		if r.High == nil {
			return false
		}
		v, ok := r.High(x)
		return ok && s.DoseAtMeanML > v*(1+slack)
	}
	below := func(x float64) bool {
		if r.Low == nil {
			return false
		}
		v, ok := r.Low(x)
		return ok && s.DoseAtMeanML < v*(1-slack)
	}
	missing := func(x float64) bool {
		_, ok := r.Dose(x)
		return !ok
	}
	for i, x := range d {
		if above(x) {
			s.AboveOwnMax = append(s.AboveOwnMax, i)
		}
		if below(x) {
			s.BelowOwnMin = append(s.BelowOwnMin, i)
		}
	}
	var err error
	if s.Prediction, err = Predict(d, o.Confidence); err != nil {
		return DoseSummary{}, err
	}
	for _, c := range []struct {
		pct   *float64
		holds func(float64) bool
	}{{&s.AboveOwnMaxPct, above}, {&s.BelowOwnMinPct, below}, {&s.NoDosePct, missing}} {
		share, err := s.Prediction.Share(c.holds)
		if err != nil {
			return DoseSummary{}, err
		}
		*c.pct = 100 * share
	}
	return s, nil
}
