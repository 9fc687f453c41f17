package plan

import (
	"strconv"

	"sapward/finding"
	"sapward/measure/sample"
	"sapward/plan/crew"
)

// Microlitres is a planned volume: a whole number, so that two machines can
// never differ by a rounding. JSON and tables show it in mL.
type Microlitres int64

// ML returns the volume in mL for display.
func (u Microlitres) ML() float64 { return float64(u) / 1000 }

// Append writes the volume in mL without trailing zeros.
func (u Microlitres) Append(b []byte) []byte {
	if u < 0 {
		b, u = append(b, '-'), -u
	}
	b = strconv.AppendInt(b, int64(u)/1000, 10)
	if rest := int64(u) % 1000; rest != 0 {
		d := [4]byte{'.', byte('0' + rest/100), byte('0' + rest/10%10), byte('0' + rest%10)}
		n := 4
		for d[n-1] == '0' {
			n--
		}
		b = append(b, d[:n]...)
	}
	return b
}

// String writes the volume in mL.
func (u Microlitres) String() string { return string(u.Append(nil)) }

// MarshalJSON writes the volume as a number of mL.
func (u Microlitres) MarshalJSON() ([]byte, error) { return u.Append(nil), nil }

// UnmarshalJSON reads a number of mL with at most three decimals.
func (u *Microlitres) UnmarshalJSON(b []byte) error {
	f, err := strconv.ParseFloat(string(b), 64)
	if err != nil {
		return err
	}
	if f < 0 {
		*u = Microlitres(f*1000 - 0.5)
	} else {
		*u = Microlitres(f*1000 + 0.5)
	}
	return nil
}

// Verdict is the plan's answer: allowed by the card entered, open facts left,
// or refused.
type Verdict string

// Verdicts.
const (
	Allowed Verdict = "allowed"
	Opened  Verdict = "open"
	Refused Verdict = "refused"
)

// Plan is the whole answer. Trees may be nil when they are written elsewhere
// while they are computed.
type Plan struct {
	Schema       string            `json:"schema"`
	Engine       string            `json:"engine"`
	Seed         uint64            `json:"seed"`
	CardHash     string            `json:"card_hash"`
	Card         CardLine          `json:"card"`
	Verdict      Verdict           `json:"verdict"`
	PracticeOnly bool              `json:"practice_only"`
	Method       string            `json:"method"`
	Basis        Basis             `json:"basis"`
	Level        string            `json:"level"`
	On           string            `json:"on,omitempty"`
	Site         string            `json:"site,omitempty"`
	Target       string            `json:"target,omitempty"`
	Open         []finding.Finding `json:"open"`
	Refusals     []finding.Finding `json:"refusals"`
	Findings     []finding.Finding `json:"findings"`
	Dates        Dates             `json:"dates"`
	Bases        []BasisLine       `json:"bases"`
	Fills        []Fill            `json:"fills"`
	ClassCard    []ClassRow        `json:"class_card"`
	Totals       Totals            `json:"totals"`
	Block        *Block            `json:"block,omitempty"`
	Layout       *Layout           `json:"layout,omitempty"`
	Mix          []MixLine         `json:"mix"`
	Kit          []crew.KitLine    `json:"kit"`
	*Outfit
	Cautions     []Caution     `json:"cautions"`
	RefusedTrees []RefusedTree `json:"refused_trees"`
	Trees        []Tree        `json:"trees"`
}

// CardLine says which card was used.
type CardLine struct {
	Product      string   `json:"product"`
	Registration string   `json:"registration"`
	Territory    []string `json:"territory"`
	Invented     bool     `json:"invented"`
	EnteredBy    string   `json:"entered_by,omitempty"`
	CheckedBy    string   `json:"checked_by,omitempty"`
	CheckedOn    string   `json:"checked_on,omitempty"`
}

// Dates follow from the day of work; empty where they do not apply.
type Dates struct {
	HarvestFrom  string `json:"harvest_from,omitempty"`  // first lawful day of harvest
	NextEarliest string `json:"next_earliest,omitempty"` // first day the interval allows the next treatment
	ReentryH     string `json:"reentry_h,omitempty"`     // hours after the end of work
}

// BasisLine sets one way of choosing volumes beside the others.
type BasisLine struct {
	Basis     Basis       `json:"basis"`
	Lawful    bool        `json:"lawful"`
	Loads     int         `json:"loads"` // different volumes a crew carries
	Ports     int64       `json:"ports"`
	Dose      Microlitres `json:"dose_ml"`
	MisdoseML float64     `json:"mean_misdose_ml"` // mean of |dose - target|
	Above     int64       `json:"above"`           // units above their own maximum
	Below     int64       `json:"below"`           // units below their own minimum
	Each      Microlitres `json:"each_ml,omitempty"`
}

// Fill is a volume that syringes are loaded with, for one port.
type Fill struct {
	Volume Microlitres `json:"volume_ml"`
	Ports  int64       `json:"ports"`
	Trees  int64       `json:"trees"`
}

// ClassRow tells the crew ports and fill from a tape reading.
type ClassRow struct {
	FromCM      float64     `json:"diameter_from_cm"`
	ToCM        float64     `json:"diameter_to_cm"`
	GirthFromCM float64     `json:"girth_from_cm"`
	GirthToCM   float64     `json:"girth_to_cm"`
	Ports       int         `json:"ports"` // 0: no permitted number of ports, ask
	Volume      Microlitres `json:"volume_ml"`
}

// Totals add up the planned trees.
type Totals struct {
	Trees        int64        `json:"trees"`
	Planned      int64        `json:"planned_trees"`
	Units        int64        `json:"dose_units"` // stems where the card doses each stem, else trees
	RefusedTrees int64        `json:"refused_trees"`
	Ports        int64        `json:"ports"`
	Dose         Microlitres  `json:"dose_ml"`
	Product      Microlitres  `json:"product_ml"`
	Water        Microlitres  `json:"water_ml"`
	Active       []ActiveLine `json:"active"`
}

// ActiveLine is one active ingredient summed over the block.
type ActiveLine struct {
	Name    string   `json:"name"`
	Grams   float64  `json:"mass_g"`
	PerHa   *float64 `json:"mass_g_per_ha,omitempty"`
	History float64  `json:"earlier_g"` // in the same year, by the history given
	CapG    *float64 `json:"cap_g_per_ha,omitempty"`
}

// Block is what the taped trees say about all trees of the block.
type Block struct {
	Trees   int             `json:"trees"`
	Untaped int             `json:"untaped"`
	Summary *sample.Summary `json:"sample,omitempty"`
	Need    *sample.Need    `json:"need,omitempty"`
}

// MixLine is how product and water go together.
type MixLine struct {
	ConcentrationMLPerL float64     `json:"concentration_ml_per_l"`
	Product             Microlitres `json:"product_ml"`
	Water               Microlitres `json:"water_ml"`
	Mix                 Microlitres `json:"mix_ml"`
	LifeH               float64     `json:"mix_life_h,omitempty"`
}

// Caution stands at its step, with who says so.
type Caution struct {
	Step      string            `json:"step"`
	ID        string            `json:"id"`
	Authority finding.Authority `json:"authority"`
	Text      string            `json:"text,omitempty"` // the card's own words
	Page      int               `json:"page,omitempty"`
}

// RefusedTree is a tree that gets no dose, with why.
type RefusedTree struct {
	Tree     string            `json:"tree"`
	Stem     string            `json:"stem,omitempty"`
	Findings []finding.Finding `json:"findings"`
}

// Tree is the plan of one dose unit: a stem where the card doses each stem,
// else the whole tree.
type Tree struct {
	Tag        string            `json:"tree"`
	Stem       string            `json:"stem,omitempty"`
	DiameterCM float64           `json:"diameter_cm"`
	GirthCM    float64           `json:"girth_at_ports_cm"`
	Low        Microlitres       `json:"least_ml"`
	High       Microlitres       `json:"most_ml"`
	Target     Microlitres       `json:"target_ml"`
	Dose       Microlitres       `json:"dose_ml"`
	Product    Microlitres       `json:"product_ml"`
	Water      Microlitres       `json:"water_ml"`
	Fill       Microlitres       `json:"fill_ml"`
	WoundPct   float64           `json:"wound_pct"`
	Findings   []finding.Finding `json:"findings,omitempty"`
	Ports      []Port            `json:"ports"`
}

// Port is one hole, where it goes and what it gets.
type Port struct {
	N          int         `json:"n"`
	Stem       string      `json:"stem,omitempty"`
	Where      string      `json:"where"`
	AzimuthDeg float64     `json:"azimuth_deg"`
	AlongCM    float64     `json:"along_girth_cm"`
	HeightCM   float64     `json:"height_cm"`
	DepthMM    *int        `json:"depth_mm"`
	Volume     Microlitres `json:"volume_ml"`
	Product    Microlitres `json:"product_ml"`
}

// Layout is what a model of the movement says of the number of ports on one
// tree: the same dose through every number the card permits. It is a value put
// in by who runs the model, as uptake minutes are; it decides nothing here.
type Layout struct {
	Tree    string       `json:"tree"`
	Stem    string       `json:"stem,omitempty"`
	Level   string       `json:"effective_level"` // in words
	DaysD   float64      `json:"days_d"`          // how far ahead
	Planned int          `json:"planned_ports"`
	Pays    int          `json:"ports_that_pay"` // more stop paying there; 0: no number fits
	ByArea  bool         `json:"judged_by_area"` // coverage summed over days: days at the target tell nothing apart
	Tried   []LayoutLine `json:"tried"`
}

// LayoutLine is one number of ports.
type LayoutLine struct {
	Ports      int     `json:"ports"`
	OffsetDeg  float64 `json:"offset_deg"`
	WoundPct   float64 `json:"wound_pct"`
	DaysP20    float64 `json:"days_above_p20_d"` // reached by four cases in five
	AreaP20    float64 `json:"area_days_p20_d"`
	ReachesPct float64 `json:"reaches_target_pct"` // of cases
	PeakPct    float64 `json:"peak_coverage_p50_pct"`
}
