package compare

import (
	"errors"
	"math"

	"sapward/finding"
	"sapward/flow/plume"
	"sapward/flow/protect"
	"sapward/flow/sap"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan"
	"sapward/plan/label"
	"sapward/plan/port"
)

// Program defaults of a stem.
const (
	// CrownBaseShare is the height of the lowest leaves over the tree's where
	// nobody gave it; no source.
	CrownBaseShare = 1.0 / 3
	// CrownLevels is in how many levels the leaf area is spread.
	CrownLevels = 6
	// HoleM is the hole where the card names none; no source.
	HoleM = 0.006
	// UnknownUptakeD is how long a port drinks where the wood has no figure.
	UnknownUptakeD = 1.0
)

// cropCoefficient is K_c per crown projection: from memory (MODEL 1.1).
var cropCoefficient = sap.Parameter{Low: 0.3, Typical: 0.6, High: 1.0, Marks: []sap.Mark{sap.FromMemory}, Source: "water use of a crown over reference evapotranspiration, by its projection"}

// ErrPalm: nobody has measured what share of a palm's bundles one port reaches
// (MODEL 1.9 gives no figure), so the methods cannot be compared.
var ErrPalm = errors.New("no figure is known for how far a port reaches in a palm")

// Stem is one planned stem with all the model needs to know of it.
type Stem struct {
	Tree       tree.Tree
	Stem       tree.Stem
	Limbs      []tree.Limb // of this tree; fewer than two: one even crown
	CrownBaseM float64     // 0: CrownBaseShare of the height
}

// Water returns what the tree drinks a day at the season's peak, in m3/d:
// ET0 peak (mm/d) times K_c times the crown's projection.
func (s Stem) Water(peakMm float64) *sap.Parameter {
	crown := s.Tree.Crown.Value.Float() / 100
	f := peakMm / 1000 * math.Pi / 4 * crown * crown
	k := cropCoefficient
	return &sap.Parameter{Low: k.Low * f, Typical: k.Typical * f, High: k.High * f, Marks: k.Marks, Source: k.Source}
}

// Trunk returns the stem as the model sees it, for wood and the season's peak
// of reference evapotranspiration. Errors: ErrPalm, no girth under the bark, a
// crown that begins above the tree, no height or crown.
func (s Stem) Trunk(planned plan.Tree, wood sap.Wood, peakMm float64) (protect.Tree, error) {
	if wood.WholeStem {
		return protect.Tree{}, ErrPalm
	}
	bark := 0.0
	if s.Stem.Bark.Known {
		bark = s.Stem.Bark.Value.Float() / 100
	}
	radius := planned.GirthCM/100/(2*math.Pi) - bark
	height := s.Tree.Height.Value.Float() / 100
	if err := sap.Check(sap.Positive("radius_under_bark_m", radius), sap.Positive("height_m", height), sap.Positive("crown_m", s.Tree.Crown.Value.Float())); err != nil {
		return protect.Tree{}, err
	}
	base := s.CrownBaseM
	if base == 0 {
		base = height * CrownBaseShare
	}
	crown, err := protect.EvenCrown(base, height, CrownLevels)
	if err != nil {
		return protect.Tree{}, err
	}
	t := protect.Tree{Wood: wood, PerimeterM: 2 * math.Pi * radius, Crown: crown, WaterM3PerD: s.Water(peakMm)}
	if len(s.Limbs) > 1 {
		for _, l := range s.Limbs {
			d := l.Diameter.Float() / 100
			t.Limbs = append(t.Limbs, plume.Limb{AzimuthDeg: l.AzimuthDeg, DiameterM: d, PerimeterM: math.Pi * d, DepthM: wood.ConductingDepthMm.Typical / 1000, Connection: 1})
		}
	}
	return t, nil
}

// Gear is what a method's ports are like.
type Gear struct {
	Use     label.Use
	Grams   float64 // of the active in a mL of product
	Drinks  sap.Drinking
	HeadMPa float64
}

// hole is the diameter of a hole in m.
func (g Gear) hole() float64 {
	if g.Use.Ports.Hole.Known {
		return g.Use.Ports.Hole.Value.Float() / 100
	}
	return HoleM
}

// uptake returns how many days n ports of a volume each drink, and whether
// that is known.
func (g Gear) uptake(n int, volumeML float64) (float64, bool, error) {
	d := g.Drinks
	d.Ports, d.HeadMPa = n, g.HeadMPa
	minutes, _, known, err := d.Minutes(volumeML)
	if err != nil {
		return 0, false, err
	}
	if !known {
		return UnknownUptakeD, false, nil
	}
	return math.Max(minutes, 1) / 1440, true, nil
}

// Uptake is how long a port drinks.
type Uptake struct {
	Ports    int
	VolumeML float64
	Days     float64
	Known    bool // the wood has a figure
}

// Treatment returns the trunk ports of a planned stem as the model sees them,
// how long they drink, and how many limb ports were left out.
func (g Gear) Treatment(p plan.Tree) (protect.Treatment, []Uptake, int, error) {
	var t protect.Treatment
	var drinks []Uptake
	limbs := 0
	for _, o := range p.Ports {
		if o.Where == string(label.OnLimb) {
			limbs++
		}
	}
	for _, o := range p.Ports {
		if o.Where == string(label.OnLimb) {
			continue
		}
		ml := o.Volume.ML()
		k := -1
		for i := range drinks {
			if drinks[i].VolumeML == ml {
				k = i
			}
		}
		if k < 0 {
			days, known, err := g.uptake(len(p.Ports)-limbs, ml)
			if err != nil {
				return t, nil, 0, err
			}
			k = len(drinks)
			drinks = append(drinks, Uptake{VolumeML: ml, Days: days, Known: known})
		}
		drinks[k].Ports++
		t.Ports = append(t.Ports, plume.Port{
			Method: plume.Method(g.Use.Method), AzimuthDeg: o.AzimuthDeg, HeightM: o.HeightCM / 100,
			MassG: o.Product.ML() * g.Grams, VolumeM3: ml / 1e6, UptakeD: drinks[k].Days, HoleM: g.hole(),
		})
	}
	return t, drinks, limbs, nil
}

// Choices returns the numbers of ports that the card permits on a stem for the
// dose of its plan: by number, spacing and density, by what one port takes, and
// by the share of the girth it may wound (active old wounds counted). season is
// the year of work.
func (g Gear) Choices(s Stem, p plan.Tree, wounds []tree.Wound, season int) ([]Choice, error) {
	girth := s.Stem.PortGirth()
	count := port.Counts(g.Use.Ports, girth, 0)
	most := min(count.Max, 200)
	hole := g.holeSize()
	limits := port.WoundLimitsFor(g.Use.Ports)
	var out []Choice
	total := p.Dose.ML()
	for n := max(1, count.Min); n <= most; n++ {
		each := total / float64(n)
		if v := g.Use.Ports.Volume; v.Known && (each > v.Value.High.Float()+1e-9 || each < v.Value.Low.Float()-1e-9) {
			continue
		}
		share, ok := port.WoundShare(wounds, season, n, hole, girth)
		if !ok {
			continue
		}
		if f, found := limits.Judge(share); found && f.Severity == finding.Refused {
			break
		}
		days, _, err := g.uptake(n, each)
		if err != nil {
			return nil, err
		}
		out = append(out, Choice{Ports: n, WoundPct: share.Percent(), UptakeD: days})
	}
	return out, nil
}

// Wounded returns the share of a stem's girth, in per cent, that n ports and its
// active old wounds put out of use.
func (g Gear) Wounded(s Stem, wounds []tree.Wound, season, n int) float64 {
	share, _ := port.WoundShare(wounds, season, n, g.holeSize(), s.Stem.PortGirth())
	return share.Percent()
}

// holeSize is the card's hole, or the program's where the card names none.
func (g Gear) holeSize() q.Length {
	if h := g.Use.Ports.Hole; h.Known {
		return h.Value
	}
	return q.Cm(exact.Frac(6, 10))
}

// Equal returns both treatments through an equal number of ports, each drinking
// as long as it then does, and which of them the cards' choices permit. The
// number is the largest that both permit; without one, the larger of the two.
func Equal(a, b protect.Treatment, ga, gb Gear, ca, cb []Choice) (pair []protect.Treatment, permitted [2]bool, err error) {
	has := func(c []Choice, n int) bool {
		for _, x := range c {
			if x.Ports == n {
				return true
			}
		}
		return false
	}
	n := 0
	for _, x := range ca {
		if has(cb, x.Ports) {
			n = max(n, x.Ports)
		}
	}
	if n == 0 {
		n = max(len(a.Ports), len(b.Ports))
	}
	for i, w := range []struct {
		t protect.Treatment
		g Gear
		c []Choice
	}{{a, ga, ca}, {b, gb, cb}} {
		even, err := w.t.AtPorts(n)
		if err != nil {
			return nil, permitted, err
		}
		days, _, err := w.g.uptake(n, even.VolumeM3()*1e6/float64(n))
		if err != nil {
			return nil, permitted, err
		}
		for k := range even.Ports {
			even.Ports[k].UptakeD = days
		}
		pair = append(pair, even)
		permitted[i] = has(w.c, n)
	}
	return pair, permitted, nil
}
