// Package tree describes what stands in the block: trees with their stems,
// limbs, old wounds and the places where no port may go.
package tree

import (
	"math"

	"sapward/measure/civil"
	q "sapward/measure/quantity"
	"sapward/numeric/exact"
)

// Tree is one tree as it was measured. Facts nobody gave stay unknown.
type Tree struct {
	Tag       string
	Row       int // row of the file, counted with the header as 1; 0 if none
	Stems     []Stem
	Species   string
	Wood      Wood
	AgeClass  string
	Height    q.Opt[q.Length]
	Crown     q.Opt[q.Length]  // crown diameter
	CrownLoss q.Opt[q.Percent] // share of the crown lost, the column rating_pct
	Status    Status
	Bearing   q.Opt[bool] // bears fruit this season
	Lat, Lon  q.Opt[float64]
	X, Y      q.Opt[float64] // m, on a local grid
}

// Stem is one trunk of a tree.
type Stem struct {
	Name       string // empty for a tree with one stem
	Diameter   q.LengthSpan
	Girth      q.LengthSpan
	FromGirth  bool            // the tape read a girth
	MeasuredAt q.Opt[q.Length] // height above ground, uphill side
	Bark       q.Opt[q.Length] // bark thickness by gauge
	Flare      q.Opt[q.Length] // girth at the root flare
}

// FromDiameter returns a stem taped as a diameter; its girth is pi d.
func FromDiameter(d q.Length) Stem {
	s := q.Exactly(d)
	return Stem{Diameter: s, Girth: q.TimesPi(s)}
}

// FromGirth returns a stem taped as a girth; its diameter is g/pi
// (SCIENCE S1), enclosed by rational bounds of pi.
func FromGirth(g q.Length) Stem {
	s := q.Exactly(g)
	return Stem{Diameter: q.OverPi(s), Girth: s, FromGirth: true}
}

// PortGirth is the girth where ports are set: the flare's when it was taped,
// else the trunk's.
func (s Stem) PortGirth() q.LengthSpan {
	if s.Flare.Known {
		return q.Exactly(s.Flare.Value)
	}
	return s.Girth
}

// MinDiameter and MaxDiameter bound a believable trunk: 1 to 400 cm. Outside
// it a reading is a typing error, asked about and never clipped.
var (
	MinDiameter = q.New[q.LengthKind](1, "cm")
	MaxDiameter = q.New[q.LengthKind](400, "cm")
)

// Status is the health class that orders the walk.
type Status string

// Statuses: healthy trees are worked first, symptomatic ones last.
const (
	StatusUnknown Status = ""
	Healthy       Status = "healthy"
	Suspect       Status = "suspect"
	Symptomatic   Status = "symptomatic"
	Dead          Status = "dead"
)

// Wood groups species by how their sapwood conducts.
type Wood string

// Wood groups.
const (
	WoodUnknown   Wood = ""
	RingPorous    Wood = "ring-porous"
	DiffusePorous Wood = "diffuse-porous"
	Conifer       Wood = "conifer"
	Palm          Wood = "palm"
)

// Wound is an old port or other hole in a trunk.
type Wound struct {
	Tree, Stem string
	AzimuthDeg float64 // clockwise from north, seen from above, [0, 360)
	Height     q.Length
	Year       int
	Closed     bool
	Hole       q.Length // diameter of the hole
	Row        int
}

// Limb is a limb that may take ports of its own.
type Limb struct {
	Tree, Name string
	AzimuthDeg float64
	Height     q.Length // where its ports would go
	Diameter   q.Length
	Row        int
}

// Obstacle is an arc of the trunk where no port may go: included bark, a
// valley between flares, a canker, a crack, a pipe.
type Obstacle struct {
	Tree, Stem     string
	FromDeg, ToDeg float64 // clockwise from FromDeg to ToDeg
	Kind           string
	Row            int
}

// Treatment is one earlier treatment, for limits over time.
type Treatment struct {
	Tree, Product, Active string
	ActiveMass            q.Opt[q.Mass]
	ProductVolume         q.Opt[q.Volume]
	DateEnd               civil.Date
	Block                 string
	Area                  q.Opt[q.Area]
	Method                string
	Row                   int
}

// CombinedDiameter returns the diameter that stands for several stems:
// sqrt(sum d_i^2), equal basal area, enclosed by rational bounds.
func CombinedDiameter(stems []Stem) q.LengthSpan {
	var lo, hi exact.Rat
	for _, s := range stems {
		lo = lo.Add(s.Diameter.Low.Base().Mul(s.Diameter.Low.Base()))
		hi = hi.Add(s.Diameter.High.Base().Mul(s.Diameter.High.Base()))
	}
	return q.LengthSpan{Low: q.Cm(rootBound(lo, false)), High: q.Cm(rootBound(hi, true))}
}

// rootBound returns a rational at or below (above, if up) the square root of
// v >= 0, within 1e-9 cm.
func rootBound(v exact.Rat, up bool) exact.Rat {
	if v.Sign() <= 0 {
		return exact.Rat{}
	}
	const grain = 1_000_000_000
	k := int64(math.Sqrt(v.Float()) * grain)
	at := func(k int64) exact.Rat { return exact.Frac(k, grain) }
	for at(k).Mul(at(k)).Cmp(v) > 0 {
		k--
	}
	for at(k+1).Mul(at(k+1)).Cmp(v) <= 0 {
		k++
	}
	if up && at(k).Mul(at(k)).Cmp(v) < 0 {
		k++
	}
	return at(k)
}

// SumDiameter returns the plain sum of the stems' diameters.
func SumDiameter(stems []Stem) q.LengthSpan {
	var lo, hi q.Length
	for _, s := range stems {
		lo, hi = lo.Add(s.Diameter.Low), hi.Add(s.Diameter.High)
	}
	return q.LengthSpan{Low: lo, High: hi}
}
