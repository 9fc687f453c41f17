// Package label holds what a product's label permits, as values. A card is
// typed in once from the label by the person who holds it; reading the file is
// the work of internal/cardfile. The card decides; the program never suggests
// an amount without one.
package label

import (
	"strings"

	"sapward/finding"
	"sapward/measure/civil"
	q "sapward/measure/quantity"
	"sapward/numeric/exact"
)

// Schema names the card format this package understands.
const Schema = "sapward/label-card/1"

// Card is one product's label.
type Card struct {
	Product    Product
	Verified   Verified
	Source     Source
	Uses       []Use
	Safety     Safety
	Statements []Statement
}

// Source is the paper or page the card was typed in from.
type Source struct {
	Kind string // container, pdf, register
	Date civil.Date
}

// Product is what stands on the container.
type Product struct {
	Name          string
	Invented      bool // the product does not exist; every output says so
	Holder        string
	Registration  Registration
	RestrictedUse bool
	Agricultural  bool // the label carries agricultural-use requirements
	Density       q.Opt[q.Density]
	Actives       []Active

	RestrictedStated   bool // the card says whether the use is restricted
	AgriculturalStated bool // the card says whether the requirements are there
}

// Registration is the authorisation on the label.
type Registration struct {
	Number     string
	Supplement string // number of a local or emergency supplement, if any
	Type       string // full, local-need, emergency, minor-use, experimental, old-stock
	Territory  []string
	Valid      civil.Period
	UseUpBy    civil.Date
}

// Active is one active ingredient. Exactly one of Content and Share is known.
type Active struct {
	Name    string
	Class   string                // class of the model of movement, such as triazole
	Content q.Opt[q.Density]      // mass per volume of product
	Share   q.Opt[q.MassFraction] // mass per mass of product; needs the density
	As      string                // what the content counts: base, salt, acid equivalent
}

// Verified is the two-person check. Without both names every output says
// practice only.
type Verified struct {
	EnteredBy string
	EnteredOn civil.Date
	CheckedBy string
	CheckedOn civil.Date
}

// Complete reports whether a second person has checked the card.
func (v Verified) Complete() bool {
	return v.EnteredBy != "" && v.CheckedBy != "" && !strings.EqualFold(strings.TrimSpace(v.EnteredBy), strings.TrimSpace(v.CheckedBy)) && !v.CheckedOn.IsZero()
}

// Method is the way of treating.
type Method string

// The two methods.
const (
	Injection Method = "injection" // small concentrated volumes of product
	Infusion  Method = "infusion"  // large dilute volumes of product in water
)

// Use is what the label allows on certain sites against certain targets by one
// method.
type Use struct {
	Method   Method
	Sites    []Site
	Targets  []string
	Measure  Measure
	Tree     TreeRule
	Rate     q.Opt[Rate] // of product; an infusion may give it by dilution alone
	Dilution q.Opt[Dilution]
	Ports    PortRule
	Pressure q.Opt[q.Range[q.PressureKind]]
	Limits   Limits
	Timing   Timing
	Reentry  Reentry
	Harvest  Harvest
	// WithoutDrilling is a way of treating without wounds that the same label
	// allows, in its words; empty if none was typed in.
	WithoutDrilling string
	Page            int // page of the label, 0 if not given
}

// Site is where the product may be used.
type Site struct {
	Name    string
	Code    string // EPPO code
	Food    bool
	Bearing string // any, nonbearing

	FoodStated bool // the card says whether the site bears food
}

// StemRule says how several stems of one tree are measured.
type StemRule string

// Stem rules; none means the card does not say.
const (
	StemsUnsaid        StemRule = ""
	StemsEach          StemRule = "each"
	StemsRootSumSquare StemRule = "root-sum-square"
	StemsSum           StemRule = "sum"
)

// Measure says where the trunk is taped.
type Measure struct {
	At    q.Opt[q.Length]
	Stems StemRule
}

// TreeRule says which trees may be treated.
type TreeRule struct {
	Min, Max     q.Opt[q.Length] // trunk diameter
	CrownLossMax q.Opt[q.Percent]
}

// Basis is what a rate is counted on.
type Basis string

// The bases of rates. Bands are counted per diameter band.
const (
	PerDiameter       Basis = "diameter"        // per cm of diameter
	PerGirth          Basis = "girth"           // per cm of girth
	PerCanopyDiameter Basis = "canopy diameter" // per cm of crown width
	PerCanopyVolume   Basis = "canopy volume"   // per mL of crown volume
	PerBasalArea      Basis = "basal area"      // per m2 of trunk cross section
	PerBand           Basis = "bands"           // per tree of a diameter band
	PerTree           Basis = "tree"            // per tree, or per age class
	PerPort           Basis = "port"            // per port
)

// Rate is one of the card's rate forms. Low and High are mL of product, or
// grams of active ingredient when Active is set, per base unit of the basis.
type Rate struct {
	Per       Basis
	Active    bool // amounts are grams of the first active ingredient
	Low, High exact.Rat
	Single    bool // one value on the card: it is the maximum, and Low equals High
	Bands     []Band
	Classes   []Class
	Shape     exact.Rat // crown volume = Shape * width^2 * height; 0 for other bases
}

// Band is a row of a diameter band table: From <= d < To; the last row
// includes its upper end.
type Band struct {
	From, To  q.Length
	Low, High exact.Rat
	Ports     int // 0 when the table gives none
}

// Class is an age class with its amount.
type Class struct {
	Name      string
	Low, High exact.Rat
}

// Dilution is how product is carried in water. Concentration is mL of product
// per mL of finished mix.
type Dilution struct {
	MixPer        q.Opt[q.Range[q.VolumePerLengthKind]] // finished mix per diameter
	MixPerTree    q.Opt[q.Range[q.VolumeKind]]
	Concentration q.Range[q.VolumePerVolumeKind]
	MixLife       q.Opt[q.Duration]
}

// Place is where ports may be set.
type Place string

// Places.
const (
	RootFlare Place = "root flare"
	Trunk     Place = "trunk"
	OnLimb    Place = "limb"
)

// PortRule says how ports are set.
type PortRule struct {
	Places       []Place
	Spacing      q.Opt[q.Range[q.LengthKind]] // along the girth, centre to centre
	Volume       q.Opt[q.Range[q.VolumeKind]] // in one port
	Min          int                          // least number a tree, 0 if not given
	Max          int                          // greatest number a tree, 0 if not given
	DensityMin   q.Opt[q.CountPerLength]      // at least so many per girth
	DensityMax   q.Opt[q.CountPerLength]      // at most so many per girth
	Hole         q.Opt[q.Length]
	SapwoodDepth q.Opt[q.Range[q.LengthKind]]
	Height       q.Opt[q.Range[q.LengthKind]] // above ground
	Stagger      q.Opt[q.Length]              // difference of height between neighbours
	KeepOut      KeepOut
	WoundWarn    q.Opt[q.Percent] // wound share of the girth
	WoundMax     q.Opt[q.Percent]
	Plug         string
	DownSlopeDeg float64
}

// KeepOut is the distance kept from old holes where the card gives one.
type KeepOut struct{ Sideways, Below, Above q.Opt[q.Length] }

// YearRule says what a year is in a yearly limit.
type YearRule string

// Year rules.
const (
	YearRolling  YearRule = "rolling"
	YearCalendar YearRule = "calendar"
	YearSeason   YearRule = "season"
)

// Limits bound what a tree and an area may get over time.
type Limits struct {
	Applications    int    // in ApplicationsPer; 0 if not given
	ApplicationsPer string // year, season, life
	Year            YearRule
	SeasonStarts    int // month 1..12 in which a season starts, 0 if not given
	Interval        q.Opt[q.Duration]
	PerApplication  q.Opt[q.Volume]      // product a tree
	PerYear         q.Opt[q.Volume]      // product a tree and year
	ActivePerArea   q.Opt[q.MassPerArea] // a year
}

// Timing bounds when the work may be done.
type Timing struct {
	Months      []int
	Temperature q.Opt[q.Range[q.TemperatureKind]]
	Bloom       BloomRule
	BloomDays   int
	From, To    string // hours of the day as 06:00, empty if not given
	Force       finding.Force
}

// BloomRule says when flowering forbids the work.
type BloomRule string

// Bloom rules.
const (
	BloomNone       BloomRule = ""
	NotInBloom      BloomRule = "not in bloom"
	AfterPetalFall  BloomRule = "after petal fall"
	DaysBeforeBloom BloomRule = "days before bloom"
)

// Reentry is the restricted-entry interval.
type Reentry struct {
	Stated   bool // something was stated, "none" included
	Interval q.Opt[q.Duration]
	UntilDry bool
	None     bool
	Notify   string // oral, posted, both; empty if the label does not say
}

// Harvest is the pre-harvest interval.
type Harvest struct {
	Stated   bool
	Interval q.Opt[q.Duration]
	NotFood  bool // not for food sites
	None     bool // does not apply
	Grazing  string
}

// Safety is what the label says about people.
type Safety struct {
	Mix, Apply, Clean, EarlyEntry []string // protective gear by task
	FirstAid, EmergencyNumber     string
	Storage, Disposal, Spill      string
}

// Statement is one sentence of the label, with its force and page.
type Statement struct {
	Force finding.Force
	Text  string
	Page  int
}

// ActivePerVolume returns grams of active i in one mL of product. It reports
// false when the content is unknown, or by mass without a density.
func (p Product) ActivePerVolume(i int) (q.Density, bool) {
	if i >= len(p.Actives) {
		return q.Density{}, false
	}
	a := p.Actives[i]
	if a.Content.Known {
		return a.Content.Value, true
	}
	if a.Share.Known && p.Density.Known {
		return q.Of[q.DensityKind](a.Share.Value.Base().Mul(p.Density.Value.Base())), true
	}
	return q.Density{}, false
}

// Allows reports whether ports may be set at a place; a card that names none
// allows flare and trunk, never limbs.
func (p PortRule) Allows(place Place) bool {
	if len(p.Places) == 0 {
		return place != OnLimb
	}
	for _, x := range p.Places {
		if x == place {
			return true
		}
	}
	return false
}
