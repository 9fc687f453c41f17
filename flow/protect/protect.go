// Package protect follows many plumes through one tree under uncertainty and
// says how soon, how much of the tree and how long. Every answer reads: above
// the effective level you entered, in this share of the tree, by this model. It
// is no statement about a disease or a pest.
//
// A draw fixes every uncertain input at once: the wood, the active, the level
// and what each port really took. The same draws serve every treatment that is
// compared. Units: metre, day, gram, m3, unless a name says otherwise.
package protect

import (
	"fmt"
	"math"

	"sapward/flow/plume"
	"sapward/flow/sap"
)

// Defaults of a question.
const (
	// DefaultTarget is the share of the crown asked for (SCIENCE S13, default).
	DefaultTarget = 0.8
	// DefaultHorizonD is how long a run looks ahead (MODEL section 2).
	DefaultHorizonD = 900
	// SpanLimit is the ratio of the 90 % to the 10 % point beyond which the
	// answer is that it cannot be said without assays (SCIENCE S13).
	SpanLimit = 30
	// PortLogSD and PortFailure are the scatter of what ports take and the share
	// that take nothing (MODEL 1.6, needed to meet observation C3).
	PortLogSD   = 0.6
	PortFailure = 0.1
)

// Tree is the treated stem and its crown.
type Tree struct {
	Wood       sap.Wood
	PerimeterM float64 // under bark at the ports
	// Crown is where the leaves are, with shares that sum to 1; see EvenCrown.
	Crown []plume.Level
	// Limbs divide the crown by azimuth (MODEL 1.8); none: one even crown. Their
	// connection thins what reaches them; only their azimuth, diameter and
	// connection are used.
	Limbs []plume.Limb
	// WaterM3PerD, if known, is the tree's water use at the season's peak; the
	// flux is then water over conducting area, held to the wood's cap. nil: the
	// flux of the wood table.
	WaterM3PerD *sap.Parameter
	// PalmMixing is the share of bundles that one port reaches, for woods that
	// conduct with the whole stem (MODEL 1.9 gives no figure); 0 elsewhere.
	PalmMixing float64
}

// EvenCrown returns n levels of equal leaf area in the middles of n equal
// layers between base and top. Error: not 0 <= base < top, or no level.
func EvenCrown(baseM, topM float64, n int) ([]plume.Level, error) {
	if err := sap.Check(sap.NotNegative("crown_base_m", baseM), sap.Finite("crown_top_m", topM),
		sap.Need{Field: "crown_top_m", Value: topM, OK: topM > baseM, Needs: "above the base of the crown"},
		sap.Need{Field: "crown_levels", Value: float64(n), OK: n >= 1 && n <= 100, Needs: "1 to 100"}); err != nil {
		return nil, err
	}
	levels := make([]plume.Level, n)
	for i := range levels {
		levels[i] = plume.Level{HeightM: baseM + (topM-baseM)*(float64(i)+0.5)/float64(n), Share: 1 / float64(n)}
	}
	return levels, nil
}

// Treatment is the ports of one stem with what each is given.
type Treatment struct{ Ports []plume.Port }

// Method returns the method of the first port.
func (t Treatment) Method() plume.Method {
	if len(t.Ports) == 0 {
		return ""
	}
	return t.Ports[0].Method
}

// MassG returns the active given by all ports.
func (t Treatment) MassG() float64 {
	sum := 0.0
	for _, p := range t.Ports {
		sum += p.MassG
	}
	return sum
}

// VolumeM3 returns the volume given by all ports.
func (t Treatment) VolumeM3() float64 {
	sum := 0.0
	for _, p := range t.Ports {
		sum += p.VolumeM3
	}
	return sum
}

// Even returns a treatment of n ports evenly round the stem, the first at an
// azimuth, that share mass and volume equally; each is a copy of p otherwise.
// Error: fewer than 1 or more than 1,000 ports.
func Even(p plume.Port, n int, firstDeg, massG, volumeM3 float64) (Treatment, error) {
	if n < 1 || n > 1000 {
		return Treatment{}, &sap.InputError{Field: "ports", Value: float64(n), Needs: "1 to 1000"}
	}
	t := Treatment{make([]plume.Port, n)}
	for i := range t.Ports {
		p.AzimuthDeg = math.Mod(firstDeg+360*float64(i)/float64(n), 360)
		p.MassG, p.VolumeM3 = massG/float64(n), volumeM3/float64(n)
		t.Ports[i] = p
	}
	return t, nil
}

// AtPorts returns the same mass and volume through n even ports of the same
// kind, the first where the first port is. Errors: no port, or as Even.
func (t Treatment) AtPorts(n int) (Treatment, error) {
	if len(t.Ports) == 0 {
		return Treatment{}, &sap.InputError{Field: "ports", Value: 0, Needs: "at least one port"}
	}
	return Even(t.Ports[0], n, t.Ports[0].AzimuthDeg, t.MassG(), t.VolumeM3())
}

// Case is the question: which tree, which active at which level, in which
// season, and what share of the crown counts as reached.
type Case struct {
	Tree   Tree
	Active plume.Active // with the effective level and its metric
	Season *Season
	Target float64 // share of the crown; 0: DefaultTarget
	// HorizonD is how far ahead, at most the season's length; 0: DefaultHorizonD
	// or the season's length if that is shorter.
	HorizonD float64
	// ReportD are the days on which coverage is reported; nil: a default list.
	ReportD []float64
	// LostWithPort: what a failed port refuses stays out of the tree. Otherwise
	// the other ports take it, so that the dose is the one given.
	LostWithPort bool
	// Trunk asks for the coverage of the trunk's sapwood besides the crown's.
	Trunk bool
}

// complete fills in the defaults and checks.
func (c Case) complete() (Case, error) {
	t := c.Tree
	if err := sap.Check(sap.Positive("perimeter_m", t.PerimeterM),
		sap.Need{Field: "crown_levels", Value: float64(len(t.Crown)), OK: len(t.Crown) > 0, Needs: "at least one level"}); err != nil {
		return c, err
	}
	if c.Season == nil {
		return c, &sap.InputError{Field: "season", Value: math.NaN(), Needs: "a season"}
	}
	if c.Target == 0 {
		c.Target = DefaultTarget
	}
	if c.HorizonD == 0 {
		c.HorizonD = math.Min(DefaultHorizonD, c.Season.LengthD())
	}
	if err := sap.Check(sap.Need{Field: "target", Value: c.Target, OK: c.Target > 0 && c.Target <= 1, Needs: "above 0 and at most 1"},
		sap.Need{Field: "horizon_d", Value: c.HorizonD, OK: c.HorizonD >= 1 && c.HorizonD <= c.Season.LengthD(), Needs: "from 1 day to the length of the season"}); err != nil {
		return c, err
	}
	sum := 0.0
	for _, l := range t.Crown {
		if err := sap.Check(sap.Positive("crown_height_m", l.HeightM), sap.NotNegative("crown_share", l.Share)); err != nil {
			return c, err
		}
		sum += l.Share
	}
	if math.Abs(sum-1) > 1e-9 {
		return c, &sap.InputError{Field: "crown_shares", Value: sum, Needs: "a sum of 1"}
	}
	if t.Wood.WholeStem {
		if err := sap.Check(sap.Positive("palm_mixing", t.PalmMixing)); err != nil {
			return c, err
		}
		if len(t.Limbs) > 0 {
			return c, &sap.InputError{Field: "limbs", Value: float64(len(t.Limbs)), Needs: "none on a palm"}
		}
	}
	switch c.Active.EffectiveMetric {
	case plume.InSap, plume.InWood, plume.InLeaf:
	default:
		return c, fmt.Errorf("effective level: metric %q is unknown", c.Active.EffectiveMetric)
	}
	if c.Active.EffectiveMetric == plume.InLeaf && c.Active.HalfLifeLeafD == nil {
		return c, &sap.InputError{Field: "half_life_leaf_d", Value: math.NaN(), Needs: "a value for a level in the leaf"}
	}
	if c.ReportD == nil {
		for _, d := range []float64{1, 3, 7, 14, 21, 30, 45, 60, 90, 120, 180, 240, 300, 365, 450, 540, 630, 720, 810, 900} {
			if d <= c.HorizonD {
				c.ReportD = append(c.ReportD, d)
			}
		}
	}
	for i, d := range c.ReportD {
		if !(d >= 0 && d <= c.HorizonD) || i > 0 && d <= c.ReportD[i-1] {
			return c, &sap.InputError{Field: "report_d", Value: d, Needs: "rising days within the horizon"}
		}
	}
	return c, nil
}
