package cli

import (
	"math"
	"slices"

	"sapward/finding"
	"sapward/flow/plume"
	"sapward/flow/sap"
	"sapward/internal/brief"
	"sapward/plan"
	"sapward/plan/label"
)

// movementDocument is the JSON of the command.
type movementDocument struct {
	Schema     string            `json:"schema"`
	Engine     string            `json:"engine"`
	Seed       uint64            `json:"seed"`
	CardHash   string            `json:"card_hash"`
	Product    string            `json:"product"`
	Invented   bool              `json:"invented,omitempty"`
	Estimate   string            `json:"estimate"` // what this document is, in words
	Verdict    string            `json:"plan_verdict"`
	Tree       string            `json:"tree"`
	Stem       string            `json:"stem,omitempty"`
	Wood       string            `json:"wood"`
	Method     string            `json:"method"`
	On         string            `json:"on"`
	StartH     float64           `json:"start_h"`
	Ports      int               `json:"ports"`
	DoseG      float64           `json:"active_g"`
	Level      float64           `json:"effective_level"`
	LevelUnit  string            `json:"effective_level_unit"`
	Metric     plume.Metric      `json:"effective_metric"`
	LevelFrom  string            `json:"effective_level_source"`
	Answer     string            `json:"answer"`
	Parameters []parameterLine   `json:"parameters"`
	Uptake     []uptakeLine      `json:"uptake"`
	Arrival    []arrivalLine     `json:"arrival"`
	Coverage   []coverageLine    `json:"coverage"`
	Balance    []balanceLine     `json:"balance"`
	Water      waterLine         `json:"water"`
	Warnings   []movementWarning `json:"warnings"`
	Days       []float64         `json:"days_d"`

	maps         [][][]float64
	topM         float64
	practiceOnly bool
}

// parameterLine is one figure with where it is from. A source of our own begins
// with @ and the key of its sentence until the document is put into words.
type parameterLine struct {
	Name   string  `json:"name"`
	Value  float64 `json:"value"`
	Unit   string  `json:"unit"`
	Mark   string  `json:"mark"` // measured, entered, found, derived, from memory, program default
	Source string  `json:"source"`
}

type uptakeLine struct {
	Ports    int      `json:"ports"`
	VolumeML float64  `json:"volume_ml"`
	Minutes  float64  `json:"minutes"`
	Stop     sap.Stop `json:"stop"`
}

// arrivalLine is when the metric first passes the effective level at a height
// above the ports; nil: not within the days asked.
type arrivalLine struct {
	AbovePortsM float64  `json:"above_ports_m"`
	HeightM     float64  `json:"height_m"`
	InLineD     *float64 `json:"in_line_d"`
	InLineTop   float64  `json:"in_line_top"` // highest value within the days asked
	BetweenD    *float64 `json:"between_d"`
	BetweenTop  float64  `json:"between_top"`
}

type coverageLine struct {
	Day      float64 `json:"day_d"`
	TrunkPct float64 `json:"trunk_pct"`
	CrownPct float64 `json:"crown_pct"`
}

type balanceLine struct {
	Day        float64 `json:"day_d"`
	DepotPct   float64 `json:"depot_pct"`
	WoodPct    float64 `json:"wood_pct"`
	BelowPct   float64 `json:"below_ground_line_pct"`
	LeavesPct  float64 `json:"leaves_pct"`
	DecayedPct float64 `json:"decayed_pct"`
	RetiredPct float64 `json:"old_rings_pct"`
	Relative   float64 `json:"relative_error"`
}

type waterLine struct {
	FirstDayL   float64 `json:"first_day_l"`
	DistanceM   float64 `json:"sap_distance_m"` // over the longest day asked, of the active
	FromFileD   int     `json:"days_from_weather"`
	FromClimate int     `json:"days_from_climate"`
	FoliageSaid bool    `json:"foliage_said"`
}

type movementWarning struct {
	sap.Warning
	Text string `json:"text"`
}

// nonlinearExponent is the Freundlich exponent with which linear sorption is
// tested where nobody gave one: program default, no source.
const nonlinearExponent = 0.9

// crownLevels is in how many levels the crown's leaf area is spread.
const crownLevels = 12

// setting is everything the model runs on.
type setting struct {
	s      subject
	a      activeFacts
	wood   sap.Wood
	column plume.Column
	crown  float64 // lowest leaves, m
	top    float64 // tree height, m
	ports  []plume.Port
	portM  float64 // mean height of the ports
	model  *plume.Model
	clock  *sap.Clock
	from   float64 // time of the work on the clock, d
	doc    *movementDocument
}

func (x *setting) say(name string, value float64, unit, mark, source string) {
	x.doc.Parameters = append(x.doc.Parameters, parameterLine{name, value, unit, mark, source})
}

// typical takes the typical value of a parameter of the tables and says so.
func (x *setting) typical(name, unit string, p *sap.Parameter) float64 {
	if p == nil {
		return 0
	}
	mark := ""
	for i, m := range p.Marks {
		if i > 0 {
			mark += ", "
		}
		mark += string(m)
	}
	x.say(name, p.Typical, unit, mark, p.Source)
	return p.Typical
}

func (x *setting) warn(ws ...sap.Warning) {
	for _, w := range ws {
		x.doc.Warnings = append(x.doc.Warnings, movementWarning{Warning: w})
	}
}

// model runs the whole chain for one planned stem: wood and active, column,
// clock, uptake, sources, field.
func (c movementCmd) model(s subject, p plan.Plan, a activeFacts, w *waterDays, days []float64) (*movementDocument, error) {
	if err := crownShape(s.tree, c.Trees); err != nil {
		return nil, err
	}
	doc := &movementDocument{
		Schema: "sapward/movement/1", Engine: Version, Seed: p.Seed, CardHash: p.CardHash, Product: p.Card.Product, Invented: p.Card.Invented, practiceOnly: p.PracticeOnly,
		Verdict: string(p.Verdict), Tree: s.tree.Tag, Stem: s.stem.Name, Wood: string(s.tree.Wood), Method: p.Method, On: w.on.String(), StartH: c.StartH,
		Level: a.Level, LevelUnit: a.unit(), Metric: a.Metric, LevelFrom: a.Values["effective_level"].source, Days: days, Warnings: []movementWarning{}, Uptake: []uptakeLine{},
	}
	x := &setting{s: s, a: a, doc: doc, from: c.StartH / 24}
	var ok bool
	if x.wood, ok = brief.Wood(s.tree.Wood); !ok {
		return nil, finding.Faults{finding.Bad("movement-wood-unknown", finding.Where{File: c.Trees, Line: s.tree.Row}, finding.Args{"tree": finding.Text(s.tree.Tag), "text": finding.Text(string(s.tree.Wood))})}
	}
	if err := x.sapwood(c); err != nil {
		return nil, err
	}
	saturation, err := x.active(c)
	if err != nil {
		return nil, err
	}
	if err := x.water(c, w); err != nil {
		return nil, err
	}
	if err := x.enter(c, w, saturation); err != nil {
		return nil, err
	}
	if err := x.ask(days); err != nil {
		return nil, err
	}
	return doc, nil
}

// sapwood lays out the sapwood: perimeter under bark, conducting depth, crown.
func (x *setting) sapwood(c movementCmd) error {
	girth := x.s.plan.GirthCM / 100
	bark := 0.0
	x.say("girth_at_ports", girth, "m", "measured", "@tape")
	if x.s.stem.Bark.Known {
		bark = x.s.stem.Bark.Value.Float() / 100
		x.say("bark", 1000*bark, "mm", "measured", "@gauge")
	} else {
		x.say("bark", 0, "mm", "program default", "@no-bark")
	}
	radius := girth/(2*math.Pi) - bark
	if !(radius > 0) {
		return &sap.InputError{Field: "radius_under_bark_m", Value: radius, Needs: "above 0"}
	}
	x.top = x.s.tree.Height.Value.Float() / 100
	x.say("height", x.top, "m", "measured", "@list")
	if x.crown = c.CrownBase; x.crown > 0 {
		x.say("crown_base", x.crown, "m", "entered", "--crown-base_m")
	} else {
		x.crown = x.top / 3
		x.say("crown_base", x.crown, "m", "program default", "@third")
	}
	if x.crown >= x.top {
		return &sap.InputError{Field: "crown_base_m", Value: x.crown, Needs: "below the tree's height"}
	}
	var crown []plume.Level
	for i := range crownLevels {
		crown = append(crown, plume.Level{HeightM: x.crown + (float64(i)+0.5)/crownLevels*(x.top-x.crown), Share: 1.0 / crownLevels})
	}
	m := plume.Medium{
		WaterFraction: x.typical("water_fraction", "", x.wood.WaterFraction), DryDensityKgPerM3: x.typical("dry_density", "kg/m3", x.wood.DryDensityKgPerM3),
		TubeLogSD: x.typical("tube_log_sd", "", x.wood.TubeLogSD), LateralDispersivityM: x.typical("lateral_dispersivity", "m", x.wood.LateralDispersivityM),
		Anisotropy: x.typical("anisotropy", "", x.wood.Anisotropy), LumenFraction: x.typical("lumen_fraction", "", x.wood.LumenFraction),
		WidthEfficiency: x.typical("width_efficiency", "", x.wood.WidthEfficiency), RingCarryOver: x.typical("ring_carry_over", "", x.wood.RingCarryOver),
		GrainTurnsPerM: x.typical("spiral_grain", "turns/m", x.wood.SpiralGrainTurnsPerM), Retardation: 1,
	}
	if m.WidthEfficiency == 0 {
		m.WidthEfficiency = 1
	}
	if x.wood.WholeStem {
		x.column = plume.Palm(radius, m, crown)
		x.say("conducting_depth", 1000*radius, "mm", "derived", "@whole")
		return nil
	}
	depth := math.Min(x.typical("conducting_depth", "mm", x.wood.ConductingDepthMm)/1000, radius)
	if m.RingCarryOver == 0 {
		m.RingCarryOver = 1
	}
	x.column = plume.Column{PerimeterM: 2 * math.Pi * radius, DepthM: depth, Medium: m, Crown: crown}
	return nil
}

// active works out how the wood holds the active back, and the concentration
// above which it stays behind in the hole; 0 sets no limit.
func (x *setting) active(c movementCmd) (saturation float64, err error) {
	a := x.a
	for _, k := range []struct{ key, unit string }{{"log_kow", ""}, {"half_life_d", "d"}, {"solubility_mg_l", "mg/L"}} {
		x.say(map[string]string{"log_kow": "log_kow", "half_life_d": "half_life", "solubility_mg_l": "solubility"}[k.key], a.Values[k.key].value, k.unit, "entered", a.Values[k.key].source)
	}
	x.say("effective_level", a.Level, a.unit(), "entered", a.Values["effective_level"].source)
	class := a.Class
	if class == "" {
		class = x.s.class(a.Name)
	}
	table, err := plume.ActiveNamed(class)
	known := err == nil
	medium := &x.column.Medium
retard:
	switch {
	case a.Values["retardation"].value > 0:
		medium.Retardation = a.Values["retardation"].value
		x.say("retardation", medium.Retardation, "", "entered", a.Values["retardation"].source)
	default:
		access, immobile := 0.0, 0.0
		switch {
		case a.Values["access"].source != "":
			access = a.Values["access"].value
			x.say("access", access, "", "entered", a.Values["access"].source)
		case known && table.Access != nil:
			access = x.typical("access", "", table.Access)
		case known && table.Retardation != nil: // an ion: the regression on log Kow does not hold
			medium.Retardation = x.typical("retardation", "", table.Retardation)
			break retard
		default:
			return 0, finding.Faults{finding.Bad("movement-class-unknown", finding.Where{File: c.Active}, finding.Args{"class": finding.Text(class), "known": finding.Text(knownClasses())})}
		}
		if known && table.Immobile != nil {
			immobile = x.typical("immobile_storage", "", table.Immobile)
		}
		k, warning, err := plume.Partition(a.Values["log_kow"].value)
		if err != nil {
			return 0, err
		}
		if warning != nil {
			x.warn(*warning)
		}
		x.say("wood_water_partition", k, "L/kg", "derived", "@oak")
		if medium.Retardation, err = plume.Retardation(medium.DryDensityKgPerM3, k, medium.WaterFraction, access, immobile); err != nil {
			return 0, err
		}
		x.say("retardation", medium.Retardation, "", "derived", "@retardation")
	}
	water := a.Values["solubility_mg_l"].value
	switch {
	case a.Values["saturation_mg_l"].value > 0:
		saturation = a.Values["saturation_mg_l"].value
		x.say("saturation_in_sap", saturation, "mg/L", "entered", a.Values["saturation_mg_l"].source)
	case known && table.SaturationGM3 != nil && table.SolubilityMgL != nil:
		saturation = water * table.SaturationGM3.Typical / table.SolubilityMgL.Typical
		x.say("saturation_in_sap", saturation, "mg/L", "derived", "@formulation "+table.SaturationGM3.Source)
	default:
		saturation = water
		x.say("saturation_in_sap", saturation, "mg/L", "program default", "@water")
	}
	return saturation, nil
}

func knownClasses() string {
	all, err := plume.Actives()
	if err != nil {
		return ""
	}
	text := ""
	for i, a := range all {
		if i > 0 {
			text += ", "
		}
		text += a.Class
	}
	return text
}

// water lays the clock over the days: from reference evapotranspiration to sap
// distance.
func (x *setting) water(c movementCmd, w *waterDays) error {
	crown := x.s.tree.Crown.Value.Float() / 100
	area := math.Pi / 4 * crown * crown
	x.say("crown_projection", area, "m2", "measured", "@circle")
	mark, source := "from memory", "@crop"
	if c.CropCoeff != 0.6 {
		mark, source = "entered", "--crop-coefficient"
	}
	x.say("crop_coefficient", c.CropCoeff, "", mark, source)
	x.say("water_stress", 1, "", "program default", "@no-stress")
	t := sap.Tree{CropCoefficient: c.CropCoeff, CrownM2: area, SapwoodM2: x.column.AreaM2(), MaxFluxMPerD: x.wood.MaxFluxMPerD(), LeaflessShare: 0.03}
	x.say("sapwood_area", t.SapwoodM2*1e4, "cm2", "derived", "@area")
	x.say("most_sap_flux", t.MaxFluxMPerD, "m/d", "derived", "@peak")
	x.say("loss_per_10K", sap.DefaultQ10, "", "from memory", "@q10")
	clock, warnings, err := sap.NewClock(t, sap.Medium{WaterFraction: x.column.Medium.WaterFraction, Retardation: x.column.Medium.Retardation},
		sap.Loss{HalfLifeD: x.a.Values["half_life_d"].value}, w.days)
	if err != nil {
		return err
	}
	x.clock = clock
	x.warn(warnings...)
	x.doc.Water = waterLine{FirstDayL: 1000 * clock.FluxMPerD(0) * t.SapwoodM2, FromFileD: w.fromFile, FromClimate: len(w.days) - w.fromFile, FoliageSaid: len(w.foliage) > 0}
	return nil
}

// enter turns the planned ports into sources, with the time each takes to
// drink.
func (x *setting) enter(c movementCmd, w *waterDays, saturation float64) error {
	grams, ok := x.s.perML(x.a.Name)
	if !ok {
		return finding.Faults{finding.Bad("movement-content-unknown", finding.Where{File: c.Card}, finding.Args{"name": finding.Text(x.a.Name)})}
	}
	hole := 6.0
	if x.s.use.Ports.Hole.Known {
		hole = x.s.use.Ports.Hole.Value.Float() * 10
		x.say("hole", hole, "mm", "card", "@card-hole")
	} else {
		x.say("hole", hole, "mm", "program default", "@hole")
	}
	kPa := c.HeadKPa
	switch {
	case kPa > 0:
		x.say("head", kPa, "kPa", "entered", "--head_kpa")
	default:
		kPa = 1000 * brief.Head(label.Method(x.doc.Method))
		if p := x.s.use.Pressure; p.Known && p.Value.High.Float() < kPa {
			kPa = p.Value.High.Float()
		}
		x.say("head", kPa, "kPa", "program default", "@head")
	}
	if p := x.s.use.Pressure; p.Known && kPa > p.Value.High.Float() {
		return finding.Faults{finding.Bad("movement-head-above-card", finding.Where{}, finding.Args{"value": finding.Number(kPa, "kPa"), "limit": finding.Number(p.Value.High.Float(), "kPa")})}
	}
	d := sap.Drinking{Wood: x.wood, Species: x.s.tree.Species, DiameterM: x.s.plan.DiameterCM / 100, HeadMPa: kPa / 1000, DailyL: x.doc.Water.FirstDayL, SunriseH: w.days[0].SunriseH, SunsetH: w.days[0].SunsetH, StartH: c.StartH}
	limb := 0
	for _, p := range x.s.plan.Ports {
		if p.Where == string(label.OnLimb) {
			limb++
			continue
		}
		d.Ports++
	}
	if limb > 0 {
		x.warn(sap.Warning{Code: "limb_ports_left_out", Count: limb})
	}
	if d.Ports == 0 {
		return finding.Faults{finding.Bad("movement-no-trunk-port", finding.Where{File: c.Trees}, finding.Args{"tree": finding.Text(c.Tree)})}
	}
	if g, ok := d.PortUptake(); ok {
		x.typical("port_uptake", "mL/min/MPa", &g)
		x.say("midday_drop", sap.MiddayDropMPa, "MPa", "from memory", "@drop")
		x.say("stem_capacity", d.CapacityLPerMPa(), "L/MPa", "derived", "@capacity")
	}
	cache := map[float64]uptakeLine{}
	for _, p := range x.s.plan.Ports {
		if p.Where == string(label.OnLimb) {
			continue
		}
		v := p.Volume.ML()
		line, seen := cache[v]
		if !seen {
			minutes, stop, known, err := d.Minutes(v)
			if err != nil {
				return err
			}
			if !known {
				minutes, stop = 24*60, "unknown"
			}
			line = uptakeLine{VolumeML: v, Minutes: minutes, Stop: stop}
			switch stop {
			case sap.Stalled, sap.OutOfTime:
				x.warn(sap.Warning{Code: "uptake_not_finished", Value: minutes / 60, Count: 1})
			}
		}
		line.Ports++
		cache[v] = line
		z := p.HeightCM / 100
		x.portM += z / float64(d.Ports)
		x.doc.DoseG += p.Product.ML() * grams
		x.ports = append(x.ports, plume.Port{
			Method: plume.Method(x.doc.Method), AzimuthDeg: p.AzimuthDeg, HeightM: z, MassG: p.Product.ML() * grams, VolumeM3: v / 1e6,
			UptakeD: math.Max(line.Minutes, 1) / 1440, HoleM: hole / 1000,
		})
	}
	for _, l := range cache {
		x.doc.Uptake = append(x.doc.Uptake, l)
	}
	slices.SortFunc(x.doc.Uptake, func(a, b uptakeLine) int {
		if a.VolumeML < b.VolumeML {
			return -1
		}
		return 1
	})
	x.doc.Ports = len(x.ports)
	x.say("sorption_during_uptake", 0.5, "", "derived", "@judgement")
	model, warnings, err := plume.Treat(x.column, x.ports, plume.Entry{FluxMPerD: x.clock.FluxMPerD(0), SaturationGPerM3: saturation, SorptionReached: 0.5})
	if err != nil {
		return err
	}
	x.model = model
	x.warn(warnings...)
	inlet := 0.0
	for _, s := range model.Sources() {
		inlet = math.Max(inlet, s.InletGPerM3)
	}
	exponent := nonlinearExponent
	if f := x.a.Values["freundlich_exponent"]; f.value > 0 {
		exponent = f.value
		x.say("freundlich_exponent", exponent, "", "entered", f.source)
	} else {
		x.say("freundlich_exponent", exponent, "", "program default", "@freundlich")
	}
	level := x.a.Level
	if x.a.Metric == plume.InWood { // the sap in balance with that residue
		m := x.column.Medium
		level *= m.DryDensityKgPerM3 / (1000 * m.WaterFraction * m.Retardation)
	}
	_, warning, err := plume.Nonlinearity(inlet, level, exponent)
	if err != nil {
		return err
	}
	if warning != nil {
		x.warn(*warning)
	}
	return nil
}
