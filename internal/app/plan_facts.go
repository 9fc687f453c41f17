package app

import (
	"strings"

	"sapward/finding"
	"sapward/internal/brief"
	"sapward/measure/tree"
	"sapward/plan"
	"sapward/plan/label"
)

// DraftFacts are what a person is trying out: options, not results. They are
// worked out anew each time a draft is opened.
type DraftFacts struct {
	Name  string      `json:"name,omitempty"`
	Card  string      `json:"card"`
	Brief brief.Brief `json:"brief"`
	Crew  brief.Crew  `json:"crew"`
	Model *ModelFacts `json:"model,omitempty"`
	// Weather, where there is one, says how long ports drink and when to treat.
	Weather *WeatherFacts `json:"weather,omitempty"`
}

// Draft is a draft as it is kept. Its parent is the block.
type Draft = Kept[DraftFacts]

// mostNamed bounds a named crew (program default).
const mostNamed = 200

func (f *DraftFacts) tidy() error {
	var faults finding.Faults
	words(&faults, "name", &f.Name, 80)
	b := &f.Brief
	for _, x := range []*string{&b.Method, &b.Basis, &b.Level, &b.On, &b.Site, &b.Target, &b.Territory, &b.AreaHa, &b.Bloom, &b.HarvestFrom, &b.CertificateTo, &b.LimbShare, &b.GraduationML} {
		words(&faults, "option", x, 200)
	}
	for _, x := range []*string{&f.Crew.Delivery, &f.Crew.Start, &f.Crew.End, &f.Crew.Zone, &f.Crew.Parking, &f.Crew.TankL} {
		words(&faults, "option", x, 200)
	}
	if f.Model != nil {
		f.Model.tidy(&faults)
	}
	if f.Weather != nil {
		f.Weather.tidy(&faults)
	}
	if len(f.Crew.People) > mostNamed {
		faults = append(faults, usage("crew-size", finding.Args{"count": finding.Count(len(f.Crew.People))}))
	}
	for i := range f.Crew.People {
		words(&faults, "option", &f.Crew.People[i].Role, 60)
	}
	if p := f.Crew.Pilot; p != nil {
		words(&faults, "option", &p.Tree, 200)
	}
	for id, reason := range b.Overrides {
		if reason = strings.TrimSpace(reason); reason == "" {
			delete(b.Overrides, id)
		} else if len(reason) > 1000 {
			faults = append(faults, usage("field-long", finding.Args{"field_by": finding.Text("field-reason"), "most": finding.Count(1000)}))
		}
	}
	return faults.OrNil()
}

// Inputs are everything a plan was made from, kept beside it.
type Inputs struct {
	Schema       string             `json:"schema"`
	Estate       EstateFacts        `json:"estate"`
	Block        BlockFacts         `json:"block"`
	Trees        []TreeFacts        `json:"trees"`
	Wounds       []TreeWound        `json:"wounds"`
	Applications []ApplicationFacts `json:"applications"`
	Brief        brief.Brief        `json:"brief"` // with the block's and estate's facts filled in
	Crew         brief.Crew         `json:"crew"`
	Weather      *WeatherFacts      `json:"weather,omitempty"`
	Verified     label.Verified     `json:"verified"`
	Checked      Checked            `json:"checked"`
}

// InputsSchema names the form of Inputs.
const InputsSchema = "sapward/plan-inputs/1"

// TreeWound is a wound with its tree's tag.
type TreeWound struct {
	Tree string `json:"tree"`
	WoundFacts
}

// CoreTrees returns the trees with a reading for the core.
func (in Inputs) CoreTrees() []tree.Tree {
	out := make([]tree.Tree, 0, len(in.Trees))
	for _, f := range in.Trees {
		if t := f.Tree(); len(t.Stems) > 0 {
			out = append(out, t)
		}
	}
	return out
}

// CoreWounds returns the wounds for the core.
func (in Inputs) CoreWounds() []tree.Wound {
	out := make([]tree.Wound, 0, len(in.Wounds))
	for _, w := range in.Wounds {
		out = append(out, w.wound(w.Tree))
	}
	return out
}

// CoreLimbs and CoreObstacles return the trees' limbs and obstacles.
func (in Inputs) CoreLimbs() (out []tree.Limb) {
	for _, f := range in.Trees {
		out = append(out, f.limbs()...)
	}
	return out
}

// CoreObstacles returns the arcs where no port may go.
func (in Inputs) CoreObstacles() (out []tree.Obstacle) {
	for _, f := range in.Trees {
		out = append(out, f.obstacles()...)
	}
	return out
}

// PlanFacts are an approved plan: immutable. The document is kept as the bytes
// that were computed; what lists show of it is repeated here.
type PlanFacts struct {
	Name         string      `json:"name"`
	Draft        string      `json:"draft"`
	Card         string      `json:"card"`
	CardVersion  int         `json:"card_version"`
	CardHash     string      `json:"card_hash"`
	CardText     string      `json:"card_text"`
	Checked      Checked     `json:"checked"`
	Brief        brief.Brief `json:"brief"`
	Crew         brief.Crew  `json:"crew"`
	Engine       string      `json:"engine"`
	Seed         uint64      `json:"seed"`
	Document     File        `json:"document"`
	Inputs       File        `json:"inputs"`
	Product      string      `json:"product"`
	Method       string      `json:"method"`
	PracticeOnly bool        `json:"practice_only,omitempty"`
	On           string      `json:"on"`
	LastDay      string      `json:"last_day,omitempty"`
	SignsDown    string      `json:"signs_down,omitempty"` // RFC 3339, in the estate's zone
	HarvestFrom  string      `json:"harvest_from,omitempty"`
	NextEarliest string      `json:"next_earliest,omitempty"`
	Trees        int64       `json:"trees"`
	RefusedTrees int64       `json:"refused_trees,omitempty"`
	Ports        int64       `json:"ports"`
	ProductUL    int64       `json:"product_ul"`
}

// Plan is an approved plan as it is kept: approved by By at At. A retired plan
// was withdrawn. Its parent is the block.
type Plan = Kept[PlanFacts]

// PlanLine is a draft or plan in a block's list.
type PlanLine struct {
	Stamp
	Type         Type // TypeDraft or TypePlan
	Name         string
	Product      string
	Method       string
	On           string
	PracticeOnly bool
	Trees, Ports int64 // of a plan
	ApprovedBy   string
}

// Outcome is a plan worked out but not kept.
type Outcome struct {
	Plan      plan.Plan // with its trees
	Inputs    Inputs
	Card      CardFacts
	CardID    string
	CardCheck Checked
	Request   plan.Request
	Job       *plan.Job   // decisions of the block, such as ClassCard in another step
	Waits     []Wait      // what stands between this draft and approval
	Weather   *WeatherDay // of the day of work, where the draft has a weather table
	PilotTree string      // the tree to begin with: named, else the first of the walk
}

// Wait is one thing that approval waits for: an open fact, a refusal, an
// unchecked card. Field names the option of the brief that answers it, empty
// where the answer lies elsewhere (a tree's reading, the card).
type Wait struct {
	Finding finding.Finding
	Field   string
}

// fields says which option of the brief answers an open fact.
var fields = map[string]string{
	"territory-needed": "territory", "date-needed": "on", "certificate-needed": "certificate_valid_to", "bloom-needed": "bloom",
	"harvest-needed": "harvest_from", "area-needed": "area_ha", "site-needed": "site", "target-needed": "target", "method-needed": "method",
}

// Field returns the option of the brief that answers an open fact, or nothing.
func Field(id string) string { return fields[id] }

// answer sets the option of the brief that answers an open fact.
func answer(b *brief.Brief, field, text string) bool {
	to := map[string]*string{
		"territory": &b.Territory, "on": &b.On, "certificate_valid_to": &b.CertificateTo, "bloom": &b.Bloom,
		"harvest_from": &b.HarvestFrom, "area_ha": &b.AreaHa, "site": &b.Site, "target": &b.Target, "method": &b.Method,
	}[field]
	if to == nil {
		return false
	}
	*to = strings.TrimSpace(text)
	return true
}
