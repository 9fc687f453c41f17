package record

import (
	"encoding/json"
	"strings"
	"time"

	"sapward/finding"
	"sapward/measure/civil"
	q "sapward/measure/quantity"
)

// Content is what one version of a record says. Every element R01 to R28 is a
// fact of its own; R25, who wrote it down when, is the version's.
type Content struct {
	Invented     bool          `json:"invented,omitempty"`      // the product does not exist
	PracticeOnly bool          `json:"practice_only,omitempty"` // nobody has checked the card
	Regimes      []string      `json:"regimes,omitempty"`       // identifiers of the chosen profiles
	Card         *CardSnapshot `json:"card,omitempty"`
	Products     []Product     `json:"products,omitempty"`
	Work         Work          `json:"work,omitzero"`
	Place        Place         `json:"place,omitzero"`

	Area         Fact[Measure[q.AreaKind]] `json:"area,omitzero"`          // R10
	TreesTreated Fact[int]                 `json:"trees_treated,omitzero"` // R11
	TreesPlanted Fact[int]                 `json:"trees_planted,omitzero"` // R11
	Site         Coded                     `json:"site,omitzero"`          // R12
	Stage        Fact[string]              `json:"stage,omitzero"`         // R13: BBCH, a text of two or three digits
	Target       Coded                     `json:"target,omitzero"`        // R14

	People  People  `json:"people,omitzero"`
	Weather Weather `json:"weather,omitzero"` // R20
	Permits Permits `json:"permits,omitzero"` // R23

	Training Fact[string] `json:"training,omitzero"` // R27: where the evidence is
	Law      Law          `json:"law,omitzero"`
	Trees    []Tree       `json:"trees,omitempty"`
	Notes    []string     `json:"notes,omitempty"`
}

// CardSnapshot is the label card as it was on the day, so that a reprint years
// later says the same.
type CardSnapshot struct {
	Hash    string          `json:"hash"`    // SHA-256 of Content
	Content json.RawMessage `json:"content"` // canonical JSON (RFC 8785)
	Use     int             `json:"use"`     // which of the card's uses, counted from 0
}

// Product is one product put into the trees.
type Product struct {
	Name         Fact[string]                `json:"name,omitzero"`         // R01
	Registration Fact[string]                `json:"registration,omitzero"` // R02
	Supplement   Fact[string]                `json:"supplement,omitzero"`   // R02: local or emergency supplement
	Territory    []string                    `json:"territory,omitempty"`   // R02
	Actives      Fact[[]Active]              `json:"actives,omitzero"`      // R03
	Total        Fact[Measure[q.VolumeKind]] `json:"total,omitzero"`        // R04: concentrate, before water
	Leaked       Fact[Measure[q.VolumeKind]] `json:"leaked,omitzero"`       // of the total, what ran out again
	Rate         Fact[Rate]                  `json:"rate,omitzero"`         // R05
	Mix          Fact[Measure[q.VolumeKind]] `json:"mix,omitzero"`          // R06: finished mix
	REI          Fact[REI]                   `json:"rei,omitzero"`          // R21
	PHI          Fact[PHI]                   `json:"phi,omitzero"`          // R22
	SDS          Fact[string]                `json:"sds,omitzero"`          // R26: where the safety data sheet is
	Interval     Fact[int]                   `json:"interval_d,omitzero"`   // days before the next treatment by the card
	Containers   []string                    `json:"containers,omitempty"`  // numbers of the containers used
}

// Active is an active ingredient with its content as the label gives it.
type Active struct {
	Name    string `json:"name"`
	Content string `json:"content,omitempty"`
}

// Rate is the rate used: an amount and what it was counted on.
type Rate struct {
	Amount string `json:"amount"` // such as "3 mL/cm"
	Basis  string `json:"basis"`  // such as diameter, tree, port
}

// REI is a restricted-entry interval.
type REI struct {
	Hours    Decimal `json:"hours,omitzero"`
	UntilDry bool    `json:"until_dry,omitempty"`
}

// IsZero reports that no hours are given.
func (d Decimal) IsZero() bool { return d.v.Sign() == 0 }

// PHI is a pre-harvest interval in days, or the word that the trees bear no
// food.
type PHI struct {
	Days    int  `json:"days,omitempty"`
	NotFood bool `json:"not_food,omitempty"`
}

// Days is the legal date of the work: one day, or first and last. In JSON
// 2026-06-17 or 2026-06-17/2026-06-18.
type Days struct{ From, To civil.Date }

// MarshalText writes one day or two with a slash between.
func (d Days) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// String writes one day or two with a slash between.
func (d Days) String() string {
	if d.To == d.From {
		return d.From.String()
	}
	return d.From.String() + "/" + d.To.String()
}

// UnmarshalText reads what MarshalText wrote.
func (d *Days) UnmarshalText(b []byte) (err error) {
	from, to, two := strings.Cut(string(b), "/")
	bad := func() error {
		return finding.Bad("record-date", finding.Where{}, finding.Args{"text": finding.Text(string(b))})
	}
	if d.From, err = civil.Parse(from); err != nil {
		return bad()
	}
	d.To = d.From
	if two {
		if d.To, err = civil.Parse(to); err != nil || d.To.Before(d.From) {
			return bad()
		}
	}
	return nil
}

// Instant is a moment with its offset, RFC 3339 to the second or finer.
type Instant struct{ T time.Time }

// MarshalText writes RFC 3339.
func (i Instant) MarshalText() ([]byte, error) { return []byte(i.T.Format(time.RFC3339Nano)), nil }

// UnmarshalText reads RFC 3339 with an offset and nothing else.
func (i *Instant) UnmarshalText(b []byte) error {
	t, err := time.Parse(time.RFC3339Nano, string(b))
	if err != nil || t.Year() < 1900 || t.Year() > 2200 {
		return finding.Bad("record-instant", finding.Where{}, finding.Args{"text": finding.Text(string(b))})
	}
	i.T = t
	return nil
}

// Work is when and how.
type Work struct {
	Date       Fact[Days]    `json:"date,omitzero"`  // R07
	Start      Fact[Instant] `json:"start,omitzero"` // R08
	End        Fact[Instant] `json:"end,omitzero"`   // R08: the last port closed
	Zone       string        `json:"zone,omitempty"` // R08: IANA name
	Method     Fact[string]  `json:"method,omitzero"`
	Equipment  Fact[string]  `json:"equipment,omitzero"`   // R15
	TypeOfUse  Fact[string]  `json:"type_of_use,omitzero"` // R24: open, enclosed, propagating
	Spot       Fact[string]  `json:"spot,omitzero"`        // spot application: its short description
	Greenhouse Fact[bool]    `json:"nursery_or_greenhouse,omitzero"`
}

// Types of use (R24).
const (
	OpenArea    = "open"
	Enclosed    = "enclosed"
	Propagating = "propagating"
)

// Place holds the ways to say where (R09).
type Place struct {
	Description Fact[string] `json:"description,omitzero"`
	County      Fact[string] `json:"county,omitzero"`
	Section     Fact[string] `json:"section,omitzero"`   // section, township, range, base meridian
	Map         Fact[string] `json:"map,omitzero"`       // a map or written scheme
	AgencyID    Fact[string] `json:"agency_id,omitzero"` // an authority's identification scheme
	Legal       Fact[string] `json:"legal,omitzero"`     // legal description
	Parcel      Fact[string] `json:"parcel,omitzero"`    // parcel unit of an area application
	Address     Fact[string] `json:"address,omitzero"`
	Postcode    Fact[string] `json:"postcode,omitzero"`
	Field       Fact[string] `json:"field,omitzero"` // name or number of field or block
	Lat         Fact[Degree] `json:"lat,omitzero"`
	Lon         Fact[Degree] `json:"lon,omitzero"`
}

// Degree is an angle in decimal degrees, WGS 84.
type Degree = Decimal

// Coded is a name with its EPPO code.
type Coded struct {
	Name Fact[string] `json:"name,omitzero"`
	Code Fact[string] `json:"code,omitzero"`
}

// People are the persons; each is personal data.
type People struct {
	Applicator Fact[Certified] `json:"applicator,omitzero"` // R16
	Appliers   Fact[[]Person]  `json:"appliers,omitzero"`   // R17: who applied, if another than R16
	Supervisor Fact[string]    `json:"supervisor,omitzero"` // R17
	Customer   Fact[Party]     `json:"customer,omitzero"`   // R18
	Company    Fact[Company]   `json:"company,omitzero"`    // R19
}

// Certified is the certified applicator.
type Certified struct {
	Name    string     `json:"name"`
	Number  string     `json:"number,omitempty"`
	Expires civil.Date `json:"expires,omitzero"` // last day of validity
	Address string     `json:"address,omitempty"`
}

// Person is somebody of the crew.
type Person struct {
	Name string `json:"name"`
}

// Party is a customer, owner or operator of the property.
type Party struct {
	Name    string `json:"name"`
	Address string `json:"address,omitempty"`
}

// Company is the firm that did the work.
type Company struct {
	Name    string `json:"name"`
	Address string `json:"address,omitempty"`
	Licence string `json:"licence,omitempty"`
}

// Weather is the weather at the work. What nobody measured is not recorded.
type Weather struct {
	Temperature   Fact[Measure[q.TemperatureKind]] `json:"temperature,omitzero"`
	WindSpeed     Fact[WindSpeed]                  `json:"wind_speed,omitzero"`
	WindDirection Fact[Direction]                  `json:"wind_direction,omitzero"` // where it comes from
	Observed      Fact[Instant]                    `json:"observed,omitzero"`
	Source        Fact[string]                     `json:"source,omitzero"` // own reading, or the station's name
}

// Direction is where the wind comes from: a point of the compass such as NNW,
// degrees 0 to 359, calm or variable.
type Direction string

var compass = map[string]bool{"N": true, "NNE": true, "NE": true, "ENE": true, "E": true, "ESE": true, "SE": true, "SSE": true,
	"S": true, "SSW": true, "SW": true, "WSW": true, "W": true, "WNW": true, "NW": true, "NNW": true, "CALM": true, "VARIABLE": true}

// UnmarshalJSON reads a text or a number of degrees.
func (d *Direction) UnmarshalJSON(b []byte) error {
	s := string(b)
	if len(b) > 0 && b[0] == '"' {
		if err := json.Unmarshal(b, &s); err != nil {
			return err
		}
	}
	s = strings.TrimSuffix(strings.TrimSpace(s), "°")
	if up := strings.ToUpper(s); compass[up] {
		if len(up) > 3 {
			up = strings.ToLower(up)
		}
		*d = Direction(up)
		return nil
	}
	v, fault := Dec(s)
	if fault != nil || v.v.Sign() < 0 || v.v.Float() >= 360 {
		return finding.Bad("record-direction", finding.Where{}, finding.Args{"text": finding.Text(s)})
	}
	*d = Direction(v.String())
	return nil
}

// Permits are identification numbers (R23).
type Permits struct {
	Operator Fact[string] `json:"operator_id,omitzero"`
	Site     Fact[string] `json:"site_id,omitzero"`
	Permit   Fact[string] `json:"permit,omitzero"`
}

// Law are facts that decide whether a regime asks for something.
type Law struct {
	RestrictedUse   Fact[bool] `json:"restricted_use,omitzero"`
	StageRestricted Fact[bool] `json:"stage_restricted,omitzero"` // the card allows the use at some stages only
	HoursRestricted Fact[bool] `json:"hours_restricted,omitzero"` // the card allows the use at some hours only
	DayAreaTotal    Fact[bool] `json:"area_is_days_total,omitzero"`
}

// Tree is one tree or stem as it was treated.
type Tree struct {
	Tag      string        `json:"tree"`
	Stem     string        `json:"stem,omitempty"`
	Group    string        `json:"group,omitempty"` // trees treated alike
	Diameter Fact[Decimal] `json:"diameter_cm,omitzero"`
	Height   Fact[Decimal] `json:"measured_at_m,omitzero"`
	Ports    Fact[int]     `json:"ports,omitzero"`
	Amounts  []Amount      `json:"amounts,omitempty"`
	Start    Fact[Instant] `json:"start,omitzero"`
	End      Fact[Instant] `json:"end,omitzero"`
	Lat      Fact[Degree]  `json:"lat,omitzero"`
	Lon      Fact[Degree]  `json:"lon,omitzero"`
	Accuracy Fact[Decimal] `json:"accuracy_m,omitzero"`
	Load     string        `json:"load,omitempty"`     // R28: trees of one load share its name
	Sequence int           `json:"sequence,omitempty"` // R28: from 1 in its load
}

// Amount is what one tree got of one product.
type Amount struct {
	Product   int           `json:"product"` // index into Products
	ProductML Fact[Decimal] `json:"product_ml,omitzero"`
	MixML     Fact[Decimal] `json:"mix_ml,omitzero"`
	LeakedML  Fact[Decimal] `json:"leaked_ml,omitzero"` // of product_ml
}
