// Package plan makes the plan of a treatment: from taped trees and a card to
// the ports, volumes and places of every tree, with what is still open and
// what the card refuses. It takes values and returns values.
package plan

import (
	"sapward/finding"
	"sapward/measure/civil"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan/dose"
	"sapward/plan/label"
)

// Schema names the form of a plan document.
const Schema = "sapward/plan/1"

// Basis says how volumes are chosen.
type Basis string

// The bases.
const (
	ByFills Basis = "fills" // few volumes for the whole block, ports by tree
	ByTree  Basis = "tree"  // a load of its own for every tree
	ByMean  Basis = "mean"  // one dose for all, from the mean diameter
)

// Bloom is what the trees show on the day.
type Bloom string

// Bloom states; unknown is never assumed.
const (
	BloomUnknown Bloom = ""
	NoBloom      Bloom = "no"    // not flowering now
	InBloom      Bloom = "yes"   // flowering now
	PetalFall    Bloom = "after" // petals have fallen
)

// Request is everything a plan is made from, apart from the trees themselves.
type Request struct {
	Engine   string
	Seed     uint64
	CardHash string
	Card     label.Card

	Method    label.Method
	Site      string
	Target    string
	Territory string

	Basis      Basis
	FillCount  int        // 0: as few as possible; 1..4: at most so many, least misdose
	LevelName  string     // low, target, high, or a rate such as 3 mL/cm
	Level      dose.Level // worked out from LevelName when a plan is decided
	Graduation q.Opt[q.Volume]

	On               civil.Date
	Area             q.Opt[q.Area]
	Bloom            Bloom
	HarvestFrom      civil.Date
	CertificateUntil civil.Date
	BlockTrees       int // trees in the block; 0 unknown
	MarkAzimuthDeg   float64
	LimbShare        exact.Rat // share of the dose given to limb ports, 0..1
	Climber          bool      // a climber and a second trained person are in the crew

	History   []tree.Treatment
	Wounds    []tree.Wound
	Limbs     []tree.Limb
	Obstacles []tree.Obstacle

	// Overrides sets advisory rules aside, by finding identifier, with the
	// reason that is printed. A mandatory rule cannot be set aside.
	Overrides map[string]string
}

// Program defaults, used where the card is silent and shown as such.
var (
	// InjectionGraduation is what a syringe can measure (program default).
	InjectionGraduation = q.New[q.VolumeKind](500, "uL")
	// InfusionGraduation is what a bottle or bag can measure (program default).
	InfusionGraduation = q.New[q.VolumeKind](50, "mL")
)

// graduation returns the request's graduation or the method's default.
func (r *Request) graduation(m label.Method) q.Volume {
	if r.Graduation.Known {
		return r.Graduation.Value
	}
	if m == label.Infusion {
		return InfusionGraduation
	}
	return InjectionGraduation
}

// check refuses requests that make no sense at all.
func (r *Request) check() finding.Faults {
	var fs finding.Faults
	usage := func(id string, args finding.Args) {
		fs = append(fs, &finding.Fault{Class: finding.Usage, ID: id, Args: args})
	}
	if r.Graduation.Known {
		g := r.Graduation.Value.Base()
		if g.Sign() <= 0 || !isWholeMicrolitres(g) || exact.Int(10_000).Less(g) {
			usage("graduation-unusable", finding.Args{"volume": finding.Number(g.Float(), "mL")})
		}
	}
	if r.FillCount < 0 || r.FillCount > 4 {
		usage("fill-count-range", finding.Args{"count": finding.Count(r.FillCount)})
	}
	if r.LimbShare.Sign() < 0 || exact.Int(1).Cmp(r.LimbShare) <= 0 {
		usage("limb-share-range", finding.Args{})
	}
	if r.BlockTrees < 0 {
		usage("block-trees-range", finding.Args{"count": finding.Count(r.BlockTrees)})
	}
	switch r.Basis {
	case ByFills, ByTree, ByMean:
	default:
		usage("basis-unknown", finding.Args{"text": finding.Text(string(r.Basis))})
	}
	for id, reason := range r.Overrides {
		if !overridable[id] {
			usage("override-mandatory", finding.Args{"id": finding.Text(id)})
		} else if len(reason) < 4 {
			usage("override-reason", finding.Args{"id": finding.Text(id)})
		}
	}
	return fs
}

// overridable lists the advisory refusals; everything else stands.
var overridable = map[string]bool{
	"wounds-too-many": true, // program default of the greatest share of girth wounded
	"ports-no-room":   true, // program default of the distance from old holes
	"dose-below-rate": true, // less than the label's rate, where the law allows less
}

func isWholeMicrolitres(ml exact.Rat) bool {
	ul := ml.Mul(exact.Int(1000))
	return exact.Int(ul.Floor()).Cmp(ul) == 0
}
