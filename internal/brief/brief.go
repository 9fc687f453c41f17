// Package brief is what a person asks of a plan, as it was typed: at the
// command line, in a form, in a saved draft. It reads the words into the core's
// request with every fault at once, and writes the plan document. The command
// line and the app share it, so that both make the same plan of the same words
// (docs/decisions: one brief).
package brief

import (
	"strconv"
	"strings"
	"time"

	"sapward/finding"
	"sapward/measure/civil"
	q "sapward/measure/quantity"
	"sapward/numeric/exact"
	"sapward/plan"
	"sapward/plan/crew"
	"sapward/plan/label"
)

// Brief holds the options of a plan as typed. The zero value asks for the
// program defaults. Trees, wounds, limbs, obstacles and history come from
// elsewhere.
type Brief struct {
	Method        string            `json:"method,omitempty"` // injection or infusion
	Basis         string            `json:"basis,omitempty"`  // fills (default), tree or mean
	Fills         int               `json:"fills,omitempty"`  // at most so many, 1 to 4; 0: as few as possible
	Level         string            `json:"level,omitempty"`  // low, target (default), high, or a rate such as 3 mL/cm
	On            string            `json:"on,omitempty"`     // day of work, 2026-06-03
	Site          string            `json:"site,omitempty"`
	Target        string            `json:"target,omitempty"`
	Territory     string            `json:"territory,omitempty"`
	AreaHa        string            `json:"area_ha,omitempty"`
	Bloom         string            `json:"bloom,omitempty"` // no, yes, after
	HarvestFrom   string            `json:"harvest_from,omitempty"`
	CertificateTo string            `json:"certificate_valid_to,omitempty"`
	BlockTrees    int               `json:"block_trees,omitempty"`
	LimbShare     string            `json:"limb_share,omitempty"` // such as 20 %
	GraduationML  string            `json:"graduation_ml,omitempty"`
	MarkAzimuth   float64           `json:"mark_azimuth_deg,omitempty"`
	Overrides     map[string]string `json:"overrides,omitempty"`
	Seed          uint64            `json:"seed,omitempty"`
}

// Request reads the brief into the core's request, without card and tables.
// The error is finding.Faults of class Usage, all at once; an option is named
// as at the command line.
func (b Brief) Request() (plan.Request, error) {
	var faults finding.Faults
	bad := func(id string, args finding.Args) {
		faults = append(faults, &finding.Fault{Class: finding.Usage, ID: id, Args: args})
	}
	basis, level, share := b.Basis, b.Level, b.LimbShare
	if basis == "" {
		basis = string(plan.ByFills)
	}
	if level == "" {
		level = "target"
	}
	if share == "" {
		share = "0 %"
	}
	r := plan.Request{
		Seed: b.Seed, Method: label.Method(b.Method), Site: b.Site, Target: b.Target, Territory: b.Territory,
		Basis: plan.Basis(basis), FillCount: b.Fills, LevelName: level,
		Bloom: plan.Bloom(b.Bloom), BlockTrees: b.BlockTrees, MarkAzimuthDeg: b.MarkAzimuth, Overrides: b.Overrides,
	}
	for _, d := range []struct {
		option, text string
		to           *civil.Date
	}{{"--on", b.On, &r.On}, {"--harvest-from", b.HarvestFrom, &r.HarvestFrom}, {"--certificate-valid-to", b.CertificateTo, &r.CertificateUntil}} {
		if d.text == "" {
			continue
		}
		var err error
		if *d.to, err = civil.Parse(d.text); err != nil {
			bad("option-date", finding.Args{"option": finding.Text(d.option), "text": finding.Text(d.text)})
		}
	}
	if !(r.MarkAzimuthDeg >= 0 && r.MarkAzimuthDeg < 360) {
		bad("option-azimuth", nil)
	}
	number := func(option, text, example string) (exact.Rat, bool) {
		v, fault := q.Number(text)
		if fault != nil {
			bad("option-number", finding.Args{"option": finding.Text(option), "text": finding.Text(text), "example": finding.Text(example)})
		}
		return v, fault == nil
	}
	if b.AreaHa != "" {
		if v, ok := number("--area_ha", b.AreaHa, "1.2"); ok && v.Sign() <= 0 {
			bad("option-number", finding.Args{"option": finding.Text("--area_ha"), "text": finding.Text(b.AreaHa), "example": finding.Text("1.2")})
		} else if ok {
			r.Area = q.Known(q.Of[q.AreaKind](v.Mul(exact.Int(10_000))))
		}
	}
	if b.GraduationML != "" {
		if v, ok := number("--graduation_ml", b.GraduationML, "0.5"); ok {
			r.Graduation = q.Known(q.ML(v))
		}
	}
	part, fault := q.Parse[q.PercentKind](share)
	if fault != nil {
		fault.Class, fault.Where.File = finding.Usage, "--limb-share"
		faults = append(faults, fault)
	}
	r.LimbShare = part.Base().Quo(exact.Int(100))
	return r, faults.OrNil()
}

// Crew holds who works, with what and when, as typed.
type Crew struct {
	Count    int      `json:"crew,omitempty"`    // people (program default 2)
	Devices  int      `json:"devices,omitempty"` // trees under way at once; 0: no limit
	Delivery string   `json:"delivery,omitempty"`
	Public   bool     `json:"public,omitempty"`
	Start    string   `json:"start,omitempty"` // 07:00
	End      string   `json:"end,omitempty"`   // 16:00
	Zone     string   `json:"zone,omitempty"`  // Europe/Madrid; UTC
	Parking  string   `json:"parking,omitempty"`
	TankL    string   `json:"tank_l,omitempty"`
	Climber  bool     `json:"climber,omitempty"` // a climber and a second trained person are in the crew
	People   []Person `json:"people,omitempty"`  // by role; they count instead of Count
	Pilot    *Pilot   `json:"pilot,omitempty"`
}

// Person is one member of the crew: a role, not a name.
type Person struct {
	Role    string `json:"role"`
	Climber bool   `json:"climber,omitempty"` // may work aloft
	Second  bool   `json:"second,omitempty"`  // may be the second trained person aloft
}

// Pilot is what was clocked on the first tree of the day. An empty tree is the
// first of the walk.
type Pilot struct {
	Tree    string           `json:"tree,omitempty"`
	Seconds map[string]int64 `json:"seconds,omitempty"` // by group of steps; uptake is the delivery time
}

// Aloft reports whether the crew may work aloft: a climber, and another person
// trained to be the second (ANSI Z133, as docs/method says of limb ports).
func (c Crew) Aloft() bool {
	if len(c.People) == 0 {
		return c.Climber
	}
	climbers, trained := 0, 0
	for _, p := range c.People {
		if p.Climber {
			climbers++
		}
		if p.Climber || p.Second {
			trained++
		}
	}
	return climbers > 0 && trained > 1
}

// Defaults of a crew (program defaults).
const (
	DefaultCrew  = 2
	DefaultStart = "07:00"
	DefaultEnd   = "16:00"
	maxCrew      = 200
)

// Plan reads the crew into the core's. People are numbered unless named later.
// The error is finding.Faults of class Usage, all at once.
func (c Crew) Plan() (plan.Crew, error) {
	var faults finding.Faults
	bad := func(id string, args finding.Args) {
		faults = append(faults, &finding.Fault{Class: finding.Usage, ID: id, Args: args})
	}
	out := plan.Crew{Devices: c.Devices, Delivery: crew.Delivery(c.Delivery), Public: c.Public, Start: c.Start, End: c.End}
	n := c.Count
	if len(c.People) > 0 {
		n = len(c.People)
	}
	if n == 0 {
		n = DefaultCrew
	}
	if n < 1 || n > maxCrew {
		bad("crew-size", finding.Args{"count": finding.Count(n)})
		n = 0
	}
	for i := range n {
		out.People = append(out.People, crew.Person{ID: strconv.Itoa(i + 1)})
	}
	named := map[string]bool{}
	for i, p := range c.People[:min(n, len(c.People))] {
		role := strings.TrimSpace(p.Role)
		switch key := strings.ToLower(role); {
		case role == "":
			bad("crew-role-empty", finding.Args{"n": finding.Count(i + 1)})
		case named[key]:
			bad("crew-role-twice", finding.Args{"role": finding.Text(role)})
		default:
			named[key] = true
		}
		out.People[i] = crew.Person{ID: role, Climber: p.Climber, AloftTrained: p.Second}
	}
	if len(c.People) > 0 {
		// each is said to be what they are
	} else if c.Climber && n < 2 {
		bad("crew-climber-alone", nil)
	} else if c.Climber {
		out.People[0].Climber, out.People[1].AloftTrained = true, true
	}
	if out.Start == "" {
		out.Start = DefaultStart
	}
	if out.End == "" {
		out.End = DefaultEnd
	}
	zone := c.Zone
	if zone == "" {
		zone = "UTC"
	}
	var err error
	if out.Zone, err = time.LoadLocation(zone); err != nil || zone == "Local" {
		bad("option-zone", finding.Args{"text": finding.Text(zone)})
	}
	if begin, errB := time.Parse("15:04", out.Start); errB == nil {
		if end, errE := time.Parse("15:04", out.End); errE == nil && !begin.Before(end) {
			bad("option-hours", finding.Args{"start": finding.Text(out.Start), "end": finding.Text(out.End)})
		}
	}
	if c.Parking != "" {
		x, y, ok := strings.Cut(c.Parking, ",")
		px, errX := strconv.ParseFloat(strings.TrimSpace(x), 64)
		py, errY := strconv.ParseFloat(strings.TrimSpace(y), 64)
		if !ok || errX != nil || errY != nil {
			bad("option-parking", finding.Args{"text": finding.Text(c.Parking)})
		}
		out.Parking = &crew.Point{XM: px, YM: py}
	}
	if c.TankL != "" {
		v, ok := exact.Decimal(c.TankL)
		if !ok || v.Sign() <= 0 {
			bad("option-number", finding.Args{"option": finding.Text("--tank_l"), "text": finding.Text(c.TankL), "example": finding.Text("100")})
		}
		out.TankUL = v.Mul(exact.Int(1_000_000)).Floor()
	}
	return out, faults.OrNil()
}
