package protect

import (
	"errors"

	"sapward/flow/sap"
	"sapward/numeric/fit"
	"sapward/numeric/quasi"
)

// Bounds within which importance weights are trusted (MODEL section 6).
const (
	LeastESS   = 100
	MostWeight = 0.1
	// recentrings is how often a poor proposal is moved to what its draws found;
	// MODEL section 6 has it once.
	recentrings = 4
)

const (
	// WeightsPoor warns that few of the weighted draws carry the answer, after one
	// re-centring: Value is the effective sample size.
	WeightsPoor sap.Code = "calibration_weights_poor"
	// AssaysContradict warns that assays contradict one another or the model, so
	// that their error was widened: Value is the factor; see Contradiction.
	AssaysContradict sap.Code = "calibration_assays_contradict"
	// SearchUnfinished warns that the search for the largest posterior density
	// stopped before its end. The weights make good for it unless they are poor.
	SearchUnfinished sap.Code = "calibration_search_unfinished"
)

// ErrNoStart: the logarithm of the posterior is finite at no start.
var ErrNoStart = errors.New("the assays fit the model nowhere")

// Calibrated is what assays say of one parameter: its 10, 50 and 90 % points
// before and after, and where the posterior density is largest.
type Calibrated struct {
	Name   string  `json:"name"`
	Prior  Band    `json:"prior"`
	After  Band    `json:"after"`
	MAP    float64 `json:"map"`
	Low90  float64 `json:"low_90"` // ends of the 90 % interval
	High90 float64 `json:"high_90"`
}

// Fitted is an assay beside what was expected there before and after the
// calibration: the concentration without the error of an assay, in the unit of
// the assay.
type Fitted struct {
	Assay Assay
	Tree  int // which of the sampled trees
	Prior Band
	After Band
}

// Posterior is a weighted sample of the calibrated parameters.
type Posterior struct {
	Parameters    []Calibrated
	Assays        []Fitted // in the order given
	ESS           float64  // effective sample size, 1/sum w^2
	LargestWeight float64
	Recentred     bool // the weights are those of the re-centred proposal
	Contradiction Contradiction
	Warnings      []sap.Warning
	Stop          fit.Stop // how the search for the largest density ended

	calibration *calibration
	sample      *sample
	prior       *sample // unweighted points of the prior
}

// Calibrate weighs the parameters by assays (MODEL section 6): least squares from
// the prior's middle and the best 60 of 2,048 Sobol points find the places where
// the posterior density is largest (spiral grain, which turns the ports above
// the stem, gives it many); with the curvature there each becomes a
// multivariate t5 of a mixture, its covariance times 1.2^2; n scrambled Sobol
// draws (0: 4,096) of the mixture get self-normalised importance weights. If the effective sample size is below
// LeastESS or a weight above MostWeight, the mixture is re-centred on the weighted
// means and covariances, up to four times, and the best sample kept; if that is
// still poor, the result carries the warning WeightsPoor. Parameters that do not vary
// in the case are not calibrated; the carry-over is only if an assay was taken
// after a spring.
//
// Assays that contradict one another or the model widen the error of all, and
// with it the answer; the warning AssaysContradict says so. What is not
// calibrated stands at its typical value meanwhile, and ports take what they
// were given; the scatter of the ports is part of the error of an assay. The
// number of workers (0: as many as processors) does not change the result.
//
// Errors: no assay, a value that cannot be used, ErrNoStart, n not 64 to 1e6.
func Calibrate(c Case, t Treatment, assays []Assay, n int, seed uint64, workers int) (*Posterior, error) {
	k, err := newCalibration(c, t, assays)
	if err != nil {
		return nil, err
	}
	return k.calibrate(n, seed, workers)
}

// Sampled is a tree that was treated and sampled, with the ports it had.
type Sampled struct {
	Tree      Tree
	Treatment Treatment
	Assays    []Assay
}

// CalibrateAll is Calibrate with the assays of several trees of the case's wood
// and season, each with ports of its own: one set of parameters for all, with
// the speed as a multiple of what is typical for each tree. The posterior is
// that of the case's own tree; it predicts nothing at places, since the case
// has no ports. Errors: as Calibrate; no sampled tree.
func CalibrateAll(c Case, known []Sampled, n int, seed uint64, workers int) (*Posterior, error) {
	if err := sap.Check(sap.Need{Field: "sampled_trees", Value: float64(len(known)), OK: len(known) > 0, Needs: "at least one"}); err != nil {
		return nil, err
	}
	k, err := newCalibration(c, known[0].Treatment, nil)
	if err != nil {
		return nil, err
	}
	if err := k.gather(known); err != nil {
		return nil, err
	}
	return k.calibrate(n, seed, workers)
}

func (k *calibration) calibrate(n int, seed uint64, workers int) (*Posterior, error) {
	assays := k.assays
	if n == 0 {
		n = 4096
	}
	if err := sap.Check(sap.Need{Field: "assays", Value: float64(len(assays)), OK: len(assays) > 0, Needs: "at least one"},
		sap.Need{Field: "draws", Value: float64(n), OK: n >= 64 && n <= 1e6, Needs: "64 to 1e6"}); err != nil {
		return nil, err
	}
	starts, err := k.starts(seed)
	if err != nil {
		return nil, err
	}
	modes, err := k.modes(starts)
	if err != nil {
		return nil, err
	}
	p := &Posterior{calibration: k}
	if p.Contradiction, err = k.contradiction(modes, quasi.Mix(seed, 3)); err != nil {
		return nil, err
	}
	if p.Contradiction.Found() { // other places may be the likely ones now
		p.Warnings = append(p.Warnings, sap.Warning{Code: AssaysContradict, Value: p.Contradiction.Scale, Limit: 1, Count: len(assays)})
		if starts, err = k.starts(seed); err != nil {
			return nil, err
		}
		if modes, err = k.modes(starts); err != nil {
			return nil, err
		}
	}
	p.Stop = modes[0].stop
	if !p.Stop.Good() {
		p.Warnings = append(p.Warnings, sap.Warning{Code: SearchUnfinished, Count: 1})
	}
	proposal := newProposal(modes)
	if p.sample, err = k.weigh(proposal, n, quasi.Mix(seed, 1), workers); err != nil {
		return nil, err
	}
	for i := uint64(0); i < recentrings && p.sample.poor(); i++ {
		proposal = proposal.recentred(p.sample)
		again, err := k.weigh(proposal, n, quasi.Mix(seed, 10+i), workers)
		if err != nil {
			return nil, err
		}
		if again.ess > p.sample.ess {
			p.sample, p.Recentred = again, true
		}
	}
	if p.sample.poor() {
		p.Warnings = append(p.Warnings, sap.Warning{Code: WeightsPoor, Value: p.sample.ess, Limit: LeastESS, Count: 1})
	}
	p.ESS, p.LargestWeight = p.sample.ess, p.sample.most
	if p.prior, err = k.before(quasi.Mix(seed, 4), workers); err != nil {
		return nil, err
	}
	p.report(modes[0].z)
	return p, nil
}

// report fills in what is told of parameters and assays.
func (p *Posterior) report(top []float64) {
	k := p.calibration
	largest := k.values(top)
	for _, i := range k.free {
		q := p.sample.quantiles(func(n int) float64 { return k.values(p.sample.points[n])[i] }, 0.05, 0.1, 0.5, 0.9, 0.95)
		p.Parameters = append(p.Parameters, Calibrated{Name: calibratedNames[i], Prior: Band{k.prior[i].Low, k.prior[i].Typical, k.prior[i].High},
			After: Band{q[1], q[2], q[3]}, MAP: largest[i], Low90: q[0], High90: q[4]})
	}
	for i, a := range k.assays {
		p.Assays = append(p.Assays, Fitted{a, k.trees[i], p.prior.band(func(n int) float64 { return p.prior.predicted[n][i] }),
			p.sample.band(func(n int) float64 { return p.sample.predicted[n][i] })})
	}
}

func (s *sample) band(value func(i int) float64) Band {
	q := s.quantiles(value, 0.1, 0.5, 0.9)
	return Band{q[0], q[1], q[2]}
}

// before returns 1,024 points of the prior with what they predict.
func (k *calibration) before(seed uint64, workers int) (*sample, error) {
	const n = 1024
	sobol, err := quasi.NewSobol(len(k.free), quasi.Owen, seed)
	if err != nil {
		return nil, err
	}
	s := &sample{points: make([][]float64, n), predicted: make([][]float64, n), weight: make([]float64, n), ess: n, most: 1.0 / n}
	each(n, workers, func() *expected { return new(expected) }, func(x *expected, i int) {
		z := normalPoint(sobol, len(k.free), i)
		s.points[i], s.predicted[i], s.weight[i] = z, make([]float64, len(k.assays)), 1.0/n
		k.predictAt(x, z, s.predicted[i])
	})
	return s, nil
}

// Predict returns the 10, 50 and 90 % points of the concentration at a place and
// day after the calibration, without the error of an assay; only the assay's
// day, height, azimuth and metric are read. Errors: a value that cannot be used.
func (p *Posterior) Predict(at Assay) (Band, error) { return p.bandAt(p.sample, at) }

// PredictPrior is Predict before the calibration, over the prior of the
// calibrated parameters.
func (p *Posterior) PredictPrior(at Assay) (Band, error) { return p.bandAt(p.prior, at) }

func (p *Posterior) bandAt(s *sample, at Assay) (Band, error) {
	q, err := p.quantilesAt(s, at, 0.1, 0.5, 0.9)
	if err != nil {
		return Band{}, err
	}
	return Band{q[0], q[1], q[2]}, nil
}

func (p *Posterior) quantilesAt(s *sample, at Assay, q ...float64) ([]float64, error) {
	if len(p.calibration.parts) > 0 {
		return nil, &sap.InputError{Field: "sampled_trees", Value: float64(len(p.calibration.parts)), Needs: "a calibration of the case's own ports"}
	}
	k := *p.calibration
	at.NotDetected, at.Limit = true, 1
	if err := k.set([]Assay{at}); err != nil {
		return nil, err
	}
	out, values := make([]float64, 1), make([]float64, len(s.points))
	var x expected
	for i, z := range s.points {
		if k.predictAt(&x, z, out) { // a point of no weight may be impossible
			values[i] = out[0]
		}
	}
	return s.quantiles(func(i int) float64 { return values[i] }, q...), nil
}

// Draws returns n draws of the case that was calibrated: the calibrated
// parameters resampled by weight (systematic resampling, then shuffled by the
// seed), all other inputs as Draws gives them for the same n and seed. They
// feed Evaluate as any draws. Errors: as Draws.
func (p *Posterior) Draws(n int, seed uint64) ([]Draw, error) {
	draws, err := Draws(p.calibration.c, n, seed)
	if err != nil {
		return nil, err
	}
	s := p.sample
	index := make([]int, n)
	offset := quasi.Uniform(seed, 0)
	sum, j := s.weight[0], 0
	for i := range index {
		for sum < (float64(i)+offset)/float64(n) && j < len(s.weight)-1 {
			j++
			sum += s.weight[j]
		}
		index[i] = j
	}
	for i := n - 1; i > 0; i-- {
		o := int(quasi.Mix(seed, uint64(i)) % uint64(i+1))
		index[i], index[o] = index[o], index[i]
	}
	for i := range draws {
		draws[i] = p.calibration.with(draws[i], p.calibration.values(s.points[index[i]]))
	}
	return draws, nil
}
