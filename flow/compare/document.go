package compare

import (
	"cmp"
	"math"

	"sapward/finding"
	"sapward/flow/plume"
	"sapward/flow/protect"
	"sapward/flow/sap"
	"sapward/plan"
	"sapward/plan/crew"
	"sapward/plan/label"
)

// Schema names the form of a comparison.
const Schema = "sapward/comparison/1"

// Document is a comparison as it is written and shown.
type Document struct {
	Schema   string `json:"schema"`
	Engine   string `json:"engine"`
	Seed     uint64 `json:"seed"`
	CardHash string `json:"card_hash"`
	Product  string `json:"product"`
	Invented bool   `json:"invented"`

	PracticeOnly bool    `json:"practice_only"`
	On           string  `json:"on,omitempty"`
	Days         float64 `json:"days_d"`
	Draws        int     `json:"draws"`
	TargetPct    float64 `json:"target_pct"`
	Active       string  `json:"active"`
	Class        string  `json:"class"`
	ClassKnown   bool    `json:"class_in_table"`

	Tree  ModelTree `json:"model_tree"`
	Level LevelLine `json:"effective_level"`

	Methods     []MethodLine   `json:"methods"`
	Coverage    []CoverageLine `json:"coverage"`
	Probability *Probability   `json:"probability"` // infusion against injection
	Equal       *EqualLine     `json:"equal_ports"`
	Verdict     VerdictLine    `json:"verdict"`
	Drivers     []DriverLine   `json:"drivers"`
	Advice      []AdviceLine   `json:"assays_worth_most"`
	Assays      *AssaysLine    `json:"assays"`
	Layouts     []LayoutLine   `json:"layout"`
	Arrival     []ArrivalLine  `json:"arrival"`
	Maps        []MapLine      `json:"maps"`
	Assumptions []Assumption   `json:"assumptions"`
	Warnings    []sap.Warning  `json:"warnings"`
}

// ModelTree is the stem that was modelled.
type ModelTree struct {
	Tree       string  `json:"tree"`
	Stem       string  `json:"stem,omitempty"`
	Asked      bool    `json:"asked"` // by name; else the block's typical one
	Wood       string  `json:"wood"`
	DiameterCM float64 `json:"diameter_cm"`
	GirthCM    float64 `json:"girth_at_ports_cm"`
	HeightM    float64 `json:"height_m"`
	CrownM     float64 `json:"crown_m"`
	CrownBaseM float64 `json:"crown_base_m"`
	Limbs      int     `json:"limbs"`
}

// LevelLine is the effective level.
type LevelLine struct {
	Value  float64      `json:"value"`
	Low    float64      `json:"low"` // both equal to the value where a person entered it
	High   float64      `json:"high"`
	Metric plume.Metric `json:"metric"`
	Source string       `json:"source"`
}

// Line is what the draws say of one method.
type Line struct {
	FirstDayD       protect.Band  `json:"first_day_d"`
	DaysAboveD      protect.Band  `json:"days_above_d"`
	PeakCoveragePct protect.Band  `json:"peak_coverage_pct"`
	AreaDaysD       protect.Band  `json:"area_days_d"`
	TrunkPeakPct    *protect.Band `json:"trunk_peak_pct"`     // nil for a level in the leaf
	ReachesPct      float64       `json:"reaches_target_pct"` // share of draws
}

func lineOf(s protect.Summary) Line {
	l := Line{FirstDayD: s.FirstD, DaysAboveD: s.Days, PeakCoveragePct: s.PeakPct, AreaDaysD: s.AreaDays, ReachesPct: 100 * s.Reaches}
	if len(s.Trunk) > 0 {
		l.TrunkPeakPct = &s.TrunkPeakPct
	}
	return l
}

// MethodLine is one method: what the card says, what it takes, what it does.
type MethodLine struct {
	Method   string            `json:"method"`
	Labelled bool              `json:"labelled"` // the card has this method for site and target
	Verdict  plan.Verdict      `json:"verdict"`
	Open     []finding.Finding `json:"open"`
	Refusals []finding.Finding `json:"refusals"`
	Planned  int64             `json:"planned_trees"`
	Refused  int64             `json:"refused_trees"`

	// Of the whole block.
	ProductML plan.Microlitres `json:"product_ml"`
	WaterML   plan.Microlitres `json:"water_ml"`
	Ports     int64            `json:"ports"`
	WoundPct  *float64         `json:"wound_pct"` // of the model tree's girth; nil without ports there
	CrewH     *float64         `json:"crew_h"`
	Cost      *crew.Cost       `json:"cost"`

	// Of the model tree; without ports there, Tree is nil and so is what the
	// draws say.
	Tree *TreeLine `json:"tree"`
	*Line
	Prior *Line `json:"prior,omitempty"` // before the assays
}

// TreeLine is what the model tree gets.
type TreeLine struct {
	Ports     int              `json:"ports"`
	LimbPorts int              `json:"limb_ports_left_out"`
	DoseML    plan.Microlitres `json:"dose_ml"`
	ProductML plan.Microlitres `json:"product_ml"`
	WaterML   plan.Microlitres `json:"water_ml"`
	ActiveG   float64          `json:"active_g"`
	WoundPct  float64          `json:"wound_pct"`
	UptakeH   float64          `json:"uptake_h"` // of the slowest port
	Known     bool             `json:"uptake_known"`
}

// CoverageLine is the share of crown and trunk above the level on one day.
type CoverageLine struct {
	Method string        `json:"method"`
	DayD   float64       `json:"day_d"`
	Crown  protect.Band  `json:"crown_pct"`
	Trunk  *protect.Band `json:"trunk_pct"` // nil for a level in the leaf
	Prior  *protect.Band `json:"prior_crown_pct,omitempty"`
}

// Probability is that of infusion against injection; the first four sum to 1.
type Probability struct {
	Earlier float64 `json:"earlier"`
	Later   float64 `json:"later"`
	Same    float64 `json:"same_day"`
	Neither float64 `json:"neither"`
	Longer  float64 `json:"longer"`
	Shorter float64 `json:"shorter"`
}

func probability(c *protect.Chances) *Probability {
	if c == nil {
		return nil
	}
	return &Probability{c.Earlier, c.Later, c.Same, c.Neither, c.Longer, c.Shorter}
}

// EqualLine is both methods through an equal number of ports.
type EqualLine struct {
	Ports       int          `json:"ports"`
	Permitted   []string     `json:"permitted"` // methods whose card permits that number
	WoundPct    [2]float64   `json:"wound_pct"` // injection, infusion; product, water and active are the plan's
	Injection   Line         `json:"injection"`
	Infusion    Line         `json:"infusion"`
	Probability *Probability `json:"probability"`
}

// VerdictLine is the verdict; Sentence is put in by who shows it.
type VerdictLine struct {
	Sooner   Side           `json:"sooner"`
	Longer   Side           `json:"longer"`
	DayOpen  []plume.Method `json:"first_day_cannot_be_said"`
	DaysOpen []plume.Method `json:"days_cannot_be_said"`
	Prior    *Probability   `json:"prior_probability,omitempty"`
	Sentence string         `json:"sentence"`
}

// DriverLine is an input with its hold on the verdict.
type DriverLine struct {
	Input    string  `json:"input"`
	Share    float64 `json:"share"`
	Half     float64 `json:"half_width_95"`
	Weighted bool    `json:"by_assays"`
}

// AdviceLine is an assay that would help to settle the verdict.
type AdviceLine struct {
	Method     string       `json:"method"`
	DayD       float64      `json:"day_d"`
	HeightM    float64      `json:"height_m"`
	AzimuthDeg float64      `json:"azimuth_deg"`
	Between    bool         `json:"between_ports"`
	Settles    float64      `json:"settles_with_those_before"`
	Expect     protect.Band `json:"expected_mg_kg"`
}

// LayoutLine is the search for the number of ports of one method.
type LayoutLine struct {
	Method  string      `json:"method"`
	Pays    int         `json:"ports_that_pay"` // 0: no number fits the card
	Planned int         `json:"planned_ports"`
	ByArea  bool        `json:"judged_by_area"`
	Turned  bool        `json:"turned"`
	Tried   []TriedLine `json:"tried"`
}

// TriedLine is one number of ports.
type TriedLine struct {
	Ports     int          `json:"ports"`
	OffsetDeg float64      `json:"offset_deg"`
	WoundPct  float64      `json:"wound_pct"`
	Days20    float64      `json:"days_above_p20_d"`
	Area20    float64      `json:"area_days_p20_d"`
	Reaches   float64      `json:"reaches_target_pct"`
	PeakPct   protect.Band `json:"peak_coverage_pct"`
}

// ArrivalLine is the first day at which the wood in line with a port, and
// midway between two, is above the level at a height. It needs a level in sap
// or wood.
type ArrivalLine struct {
	Method  string       `json:"method"`
	HeightM float64      `json:"height_m"`
	InLine  protect.Band `json:"in_line_d"`
	Between protect.Band `json:"between_d"`
}

// MapLine is a picture of the unrolled sapwood with every input at its middle.
type MapLine struct {
	Method   string       `json:"method"`
	DayD     float64      `json:"day_d"`
	Metric   plume.Metric `json:"metric"`
	HeightsM []float64    `json:"heights_m"`
	Columns  int          `json:"columns"`
	Values   [][]float64  `json:"values"` // by height, then azimuth clockwise from north
}

// Assumption is an input with its range, mark and source.
type Assumption struct {
	Name    string  `json:"name"`
	Low     float64 `json:"low"`
	Typical float64 `json:"typical"`
	High    float64 `json:"high"`
	Mark    string  `json:"mark"`
	Source  string  `json:"source"`
}

// Make answers a request.
//
// Errors: a *NoTree, *NoContent, ErrPalm, ErrNoMethod, finding.Faults of the
// plan, or a value that the model cannot use. A document without any method on
// the model tree is still made: what the card refuses stands in it.
func Make(r Request) (*Document, error) {
	if r.HorizonD == 0 {
		r.HorizonD = DefaultDays
	}
	if r.Draws == 0 {
		r.Draws = DefaultDraws
	}
	if err := sap.Check(sap.Need{Field: "days", Value: float64(len(r.Days)), OK: float64(len(r.Days)) >= r.HorizonD, Needs: "one for each day of the horizon"}); err != nil {
		return nil, err
	}
	x, err := r.set()
	if err == ErrNoMethod {
		return x.document(Answer{}), nil
	}
	if err != nil {
		return nil, err
	}
	q := Question{Case: x.c, Draws: r.Draws, Seed: r.Seed, Workers: r.Workers}
	for _, p := range x.ways {
		if p.stem == nil {
			continue
		}
		if p.method == label.Injection {
			q.Injection = p.wounding.Treatment
		} else {
			q.Infusion = p.wounding.Treatment
		}
	}
	var permitted [2]bool
	if len(q.ways()) == 2 {
		a, b := x.ways[0], x.ways[1]
		if q.Equal, permitted, err = Equal(a.wounding.Treatment, b.wounding.Treatment, a.gear, b.gear, a.wounding.Choices, b.wounding.Choices); err != nil {
			return nil, err
		}
	}
	if q.Known, err = x.sampled(); err != nil {
		return nil, err
	}
	answer, err := Compare(q)
	if err != nil {
		return nil, err
	}
	d := x.document(answer)
	d.equal(answer, permitted)
	if d.Equal != nil {
		for i, p := range x.ways {
			d.Equal.WoundPct[i] = p.gear.Wounded(x.stem, woundsOf(r.Plan.Wounds, x.stem.Tree.Tag), r.Plan.On.Year, d.Equal.Ports)
		}
	}
	few, err := x.few(answer.Posterior)
	if err != nil {
		return nil, err
	}
	if err := x.pictures(d, q, few); err != nil {
		return nil, err
	}
	return d, x.layouts(d, few)
}

// few returns the draws that layouts and arrivals are judged by: those the
// assays leave, where there are any.
func (x *setting) few(p *protect.Posterior) ([]protect.Draw, error) {
	n := min(fewDraws, cmp.Or(x.r.Draws, DefaultDraws))
	if p != nil {
		return p.Draws(n, x.r.Seed)
	}
	return protect.Draws(x.c, n, x.r.Seed)
}

// document fills in all that needs no further running of the model.
func (x *setting) document(a Answer) *Document {
	r := x.r
	d := &Document{
		Schema: Schema, Engine: r.Plan.Engine, Seed: r.Seed, CardHash: r.Plan.CardHash, On: r.Plan.On.String(), Days: r.HorizonD, Draws: r.Draws,
		TargetPct: 100 * r.Target, Active: r.Active, Class: x.class, ClassKnown: x.known, Methods: []MethodLine{}, Coverage: []CoverageLine{}, Drivers: []DriverLine{},
		Advice: []AdviceLine{}, Layouts: []LayoutLine{}, Arrival: []ArrivalLine{}, Maps: []MapLine{}, Assumptions: []Assumption{}, Warnings: []sap.Warning{},
	}
	if r.Plan.On.IsZero() {
		d.On = ""
	}
	if r.Target == 0 {
		d.TargetPct = 100 * protect.DefaultTarget
	}
	next := 0
	for _, p := range x.ways {
		d.Product, d.Invented, d.PracticeOnly = p.plan.Card.Product, p.plan.Card.Invented, p.plan.PracticeOnly
		m := MethodLine{
			Method: string(p.method), Labelled: p.onCard, Verdict: p.plan.Verdict, Open: findings(p.plan.Open), Refusals: findings(p.plan.Refusals), Planned: p.plan.Totals.Planned,
			Refused: p.plan.Totals.RefusedTrees, ProductML: p.plan.Totals.Product, WaterML: p.plan.Totals.Water, Ports: p.plan.Totals.Ports, CrewH: p.hours,
		}
		if p.plan.Outfit != nil {
			m.Cost = p.plan.Outfit.Cost
		}
		if p.stem != nil {
			t := TreeLine{
				Ports: len(p.wounding.Treatment.Ports), LimbPorts: p.wounding.LimbPorts, DoseML: p.stem.Dose, ProductML: p.stem.Product, WaterML: p.stem.Water,
				ActiveG: p.wounding.Treatment.MassG(), WoundPct: p.stem.WoundPct, Known: true,
			}
			for _, u := range p.wounding.Uptake {
				t.UptakeH = math.Max(t.UptakeH, 24*u.Days)
				t.Known = t.Known && u.Known
			}
			m.Tree, m.WoundPct = &t, &t.WoundPct
			if t.LimbPorts > 0 {
				d.Warnings = append(d.Warnings, sap.Warning{Code: LimbPortsLeftOut, Count: t.LimbPorts})
			}
			if next < len(a.Own.Methods) {
				l := a.Own.Methods[next]
				line := lineOf(l.Summary)
				m.Line = &line
				if l.Prior != nil {
					before := lineOf(*l.Prior)
					m.Prior = &before
				}
				for i, c := range l.Coverage {
					k := CoverageLine{Method: string(p.method), DayD: c.Day, Crown: c.Coverage}
					if len(l.Trunk) > 0 {
						k.Trunk = &l.Trunk[i].Coverage
					}
					if l.Prior != nil {
						k.Prior = &l.Prior.Coverage[i].Coverage
					}
					d.Coverage = append(d.Coverage, k)
				}
				next++
			}
		}
		d.Methods = append(d.Methods, m)
	}
	d.Verdict = VerdictLine{Sooner: a.Verdict.Sooner, Longer: a.Verdict.Longer, DayOpen: a.Verdict.DayOpen, DaysOpen: a.Verdict.DaysOpen, Prior: probability(a.Prior)}
	d.Probability = probability(a.Own.Chances)
	for _, v := range a.Drivers {
		d.Drivers = append(d.Drivers, DriverLine{v.Input, v.Total, v.Half, v.Weighted})
	}
	for _, v := range a.Advice {
		d.Advice = append(d.Advice, AdviceLine{string(v.Method), v.DayD, v.HeightM, math.Round(v.AzimuthDeg), v.Between, v.Together, v.Expect})
	}
	if next == 0 {
		return d
	}
	x.describe(d)
	if a.Posterior != nil {
		d.Assays = x.assaysLine(a.Posterior)
	}
	return d
}

// LimbPortsLeftOut warns that ports on limbs are not in the model.
const LimbPortsLeftOut sap.Code = "limb_ports_left_out"

// FluxCapped warns that the tree's water over its conducting area is more than
// the wood carries: area, crown or crop coefficient do not belong together.
const FluxCapped sap.Code = "flux_capped"

// describe fills in tree, level and assumptions.
func (x *setting) describe(d *Document) {
	t := x.stem.Tree
	d.Tree = ModelTree{
		Tree: t.Tag, Stem: x.stem.Stem.Name, Asked: x.r.Tree != "", Wood: x.wood.Name, DiameterCM: x.d, GirthCM: x.girth,
		HeightM: t.Height.Value.Float() / 100, CrownM: t.Crown.Value.Float() / 100, CrownBaseM: x.stem.CrownBaseM, Limbs: len(x.c.Tree.Limbs),
	}
	if d.Tree.CrownBaseM == 0 {
		d.Tree.CrownBaseM = d.Tree.HeightM * CrownBaseShare
	}
	e := x.active.EffectiveLevel
	d.Level = LevelLine{e.Typical, e.Low, e.High, x.active.EffectiveMetric, e.Source}
	for _, a := range x.c.Assumptions() {
		mark := ""
		for i, m := range a.Parameter.Marks {
			if i > 0 {
				mark += ", "
			}
			mark += string(m)
		}
		d.Assumptions = append(d.Assumptions, Assumption{a.Name, a.Parameter.Low, a.Parameter.Typical, a.Parameter.High, mark, a.Parameter.Source})
	}
	depth := x.wood.ConductingDepthMm.Typical / 1000
	area := x.c.Tree.PerimeterM * depth * (1 - math.Pi*depth/x.c.Tree.PerimeterM)
	if flux := x.c.Tree.WaterM3PerD.Typical / area; flux > x.wood.MaxFluxMPerD() {
		d.Warnings = append(d.Warnings, sap.Warning{Code: FluxCapped, Value: flux, Limit: x.wood.MaxFluxMPerD(), Count: 1})
	}
}

// equal fills in the pair with equal ports.
func (d *Document) equal(a Answer, permitted [2]bool) {
	if a.Equal == nil {
		return
	}
	e := &EqualLine{Ports: a.Equal.Ports, Permitted: []string{}, Injection: lineOf(a.Equal.Methods[0].Summary), Infusion: lineOf(a.Equal.Methods[1].Summary), Probability: probability(a.Equal.Chances)}
	for i, m := range []string{string(plume.Injection), string(plume.Infusion)} {
		if permitted[i] {
			e.Permitted = append(e.Permitted, m)
		}
	}
	d.Equal = e
}

// layouts runs the search for each method.
func (x *setting) layouts(d *Document, draws []protect.Draw) error {
	for _, p := range x.ways {
		if p.stem == nil || len(p.wounding.Treatment.Ports) == 0 {
			continue
		}
		line := LayoutLine{Method: string(p.method), Planned: len(p.wounding.Treatment.Ports), Tried: []TriedLine{}}
		if len(p.wounding.Choices) > 0 {
			l, err := SearchLayouts(x.c, p.wounding.Treatment, thin(p.wounding.Choices, line.Planned), draws, x.r.Workers)
			if err != nil {
				return err
			}
			line.ByArea, line.Turned = l.ByArea, l.Turned
			for _, t := range l.Tried {
				line.Tried = append(line.Tried, TriedLine{t.Ports, t.OffsetDeg, t.WoundPct, t.Days20, t.Area20, 100 * t.Reaches, t.PeakPct})
			}
			line.Pays = l.Tried[l.Pays].Ports
		}
		d.Layouts = append(d.Layouts, line)
	}
	return nil
}

// LayoutOf answers only how many ports pay, for the method of the plan's request,
// and returns the model tree beside it. Errors: as Make; ErrNoMethod when the
// method gives no doses.
func LayoutOf(r Request) (LayoutLine, ModelTree, LevelLine, error) {
	x, err := r.set()
	if err != nil {
		return LayoutLine{}, ModelTree{}, LevelLine{}, err
	}
	d := &Document{}
	x.describe(d)
	few, err := x.few(nil)
	if err != nil {
		return LayoutLine{}, d.Tree, d.Level, err
	}
	if err := x.layouts(d, few); err != nil || len(d.Layouts) == 0 {
		return LayoutLine{}, d.Tree, d.Level, err
	}
	return d.Layouts[0], d.Tree, d.Level, nil
}

// mostChoices is how many numbers of ports a search tries.
const mostChoices = 16

// thin keeps at most mostChoices choices, evenly by number, with the first, the
// last and the planned one.
func thin(all []Choice, planned int) []Choice {
	if len(all) <= mostChoices {
		return all
	}
	var out []Choice
	for i, c := range all {
		step := float64(len(all)-1) / (mostChoices - 2)
		if k := math.Round(float64(i) / step); int(math.Round(k*step)) == i || c.Ports == planned {
			out = append(out, c)
		}
	}
	return out
}
