package brief

import (
	"strings"
	"time"

	"sapward/finding"
	"sapward/measure/civil"
	"sapward/plan"
	"sapward/plan/crew"
	"sapward/plan/label"
)

// GateSchema names the form of a gate document.
const GateSchema = "sapward/gate/1"

// Gate is what a person says and reads on the morning of the work.
type Gate struct {
	On            string            `json:"on,omitempty"` // today; the plan's day if not given
	Containers    []string          `json:"containers,omitempty"`
	Temperature   *float64          `json:"temperature_c,omitempty"`
	Deficit       *float64          `json:"deficit_kpa,omitempty"`
	Bloom         string            `json:"bloom,omitempty"`
	CertificateTo string            `json:"certificate_valid_to,omitempty"`
	Answers       map[string]bool   `json:"answers,omitempty"` // by item, with or without gate-
	Reasons       map[string]string `json:"reasons,omitempty"` // advisory items set aside
}

// GateDocument is what is kept of a gate.
type GateDocument struct {
	Schema  string       `json:"schema"`
	Engine  string       `json:"engine"`
	Card    string       `json:"card_hash"`
	On      string       `json:"on"`
	Verdict crew.Verdict `json:"verdict"`
	Items   []crew.Item  `json:"items"`
}

// Judge asks the morning's questions of a plan and its card: go or not, item by
// item. A person's no always counts; a yes does not stand for a reading.
//
// Errors: finding.Faults of class Usage for a day the plan was not made for, an
// item nobody asks, a yes where a reading is wanted, a mandatory item set aside.
func (g Gate) Judge(p plan.Plan, card label.Card, engine, cardHash string) (GateDocument, error) {
	var doc GateDocument
	full := func(id string) string { return "gate-" + strings.TrimPrefix(strings.TrimSpace(id), "gate-") }
	answers := map[string]crew.Answer{}
	for id, yes := range g.Answers {
		answers[full(id)] = crew.No
		if yes {
			answers[full(id)] = crew.Yes
		}
	}
	facts, err := g.facts(p, card, answers)
	if err != nil {
		return doc, err
	}
	items, err := crew.MakeGate(facts)
	if err != nil {
		return doc, gateFault(err)
	}
	for i := range items {
		a, given := answers[items[i].ID]
		switch {
		case !given:
		case a == crew.No:
			items[i].Answer = crew.No
		case items[i].Answer == crew.Unanswered && readings[items[i].ID] != "":
			return doc, gateUsage("gate-needs-reading", finding.Args{"item": finding.Text(strings.TrimPrefix(items[i].ID, "gate-")), "option": finding.Text(readings[items[i].ID])})
		case items[i].Answer == crew.Unanswered:
			items[i].Answer = a
		}
		delete(answers, items[i].ID)
	}
	for id := range answers {
		return doc, gateUsage("gate-item-unknown", finding.Args{"item": finding.Text(strings.TrimPrefix(id, "gate-")), "items": finding.Text(itemNames(items))})
	}
	for id, reason := range g.Reasons {
		if items, err = crew.Override(items, full(id), reason); err != nil {
			return doc, gateUsage("gate-no-override", finding.Args{"item": finding.Text(strings.TrimPrefix(full(id), "gate-"))})
		}
	}
	doc = GateDocument{Schema: GateSchema, Engine: engine, Card: cardHash, On: facts.On.Format(time.DateOnly), Items: items}
	if doc.Verdict, err = crew.Decide(items); err != nil {
		return doc, gateFault(err)
	}
	return doc, nil
}

func gateUsage(id string, args finding.Args) error {
	return finding.Faults{{Class: finding.Usage, ID: id, Args: args}}
}

// readings are items that a number or a date answers, with the option that
// gives it.
var readings = map[string]string{
	crew.GateContainer: "--container", crew.GateTemperature: "--temperature", crew.GateDeficit: "--deficit", crew.GateHeat: "--temperature",
	crew.GateCertificate: "--certificate-valid-to", crew.GateBloom: "--bloom", crew.GateRegistration: "--on", crew.GateMonth: "--on",
}

// facts puts together what card, plan and options know this morning.
func (g Gate) facts(p plan.Plan, card label.Card, answers map[string]crew.Answer) (crew.Facts, error) {
	f := crew.Facts{
		CardRegistration: card.Product.Registration.Number, ContainerNumbers: trimmed(g.Containers),
		RegistrationFrom: card.Product.Registration.Valid.From.String(), RegistrationTo: card.Product.Registration.Valid.To.String(),
		RestrictedUse: card.Product.RestrictedUse, CertificateTo: g.CertificateTo, TemperatureC: g.Temperature, DeficitKPa: g.Deficit,
		PlanAllowed: crew.No,
	}
	if p.Verdict == plan.Allowed && !p.PracticeOnly {
		f.PlanAllowed = crew.Yes
	}
	day := g.On
	if day == "" {
		day = p.On
	}
	if day != "" {
		d, err := civil.Parse(day)
		if err != nil {
			return f, gateUsage("option-date", finding.Args{"option": finding.Text("--on"), "text": finding.Text(day)})
		}
		f.On = d.In(time.UTC)
		if !planned(p, d) {
			return f, gateUsage("gate-other-day", finding.Args{"date": finding.Text(day), "planned": finding.Text(p.On)})
		}
	}
	if g.CertificateTo != "" {
		if _, err := civil.Parse(g.CertificateTo); err != nil {
			return f, gateUsage("option-date", finding.Args{"option": finding.Text("--certificate-valid-to"), "text": finding.Text(g.CertificateTo)})
		}
	}
	if u, ok := plan.UseOf(card, label.Method(p.Method), p.Site, p.Target); ok {
		f.Months = u.Timing.Months
		if t := u.Timing.Temperature; t.Known {
			low, high := t.Value.Low.Float(), t.Value.High.Float()
			f.CardMaxC = &high
			if !t.Value.Single {
				f.CardMinC = &low
			}
		}
		f.BloomRule = u.Timing.Bloom != label.BloomNone
		if f.BloomRule && g.Bloom != "" {
			f.BloomAllows = crew.Yes
			if g.Bloom == "yes" || u.Timing.Bloom == label.AfterPetalFall && g.Bloom != "after" {
				f.BloomAllows = crew.No
			}
		}
		f.SymptomRule = u.Tree.CrownLossMax.Known
	}
	f.GearAsked = append(append([]string{}, card.Safety.Mix...), card.Safety.Apply...)
	if answers[crew.GateGear] == crew.Yes {
		f.GearPresent = f.GearAsked
	}
	for _, t := range p.Trees {
		for _, q := range t.Ports {
			f.HighPorts = f.HighPorts || q.HeightCM > 100*crew.HighPortM
		}
	}
	if p.Outfit != nil {
		for _, d := range p.Schedule.Days {
			f.WatcherNeeded = f.WatcherNeeded || d.Watchers > 0
		}
	}
	return f, nil
}

// planned reports whether the plan was judged for a day: its own day of work,
// or one of the days its schedule runs on for.
func planned(p plan.Plan, d civil.Date) bool {
	if p.On == d.String() {
		return true
	}
	if p.Outfit == nil {
		return false
	}
	for _, day := range p.Schedule.Days {
		if civil.Of(day.Start) == d {
			return true
		}
	}
	return false
}

func gateFault(err error) error {
	return gateUsage("gate-unusable", finding.Args{"reason": finding.Text(err.Error())})
}

func itemNames(items []crew.Item) string {
	out := make([]string, len(items))
	for i, it := range items {
		out[i] = strings.TrimPrefix(it.ID, "gate-")
	}
	return strings.Join(out, ", ")
}

// trimmed takes blanks off what was read from a container.
func trimmed(in []string) []string {
	var out []string
	for _, s := range in {
		out = append(out, strings.TrimSpace(s))
	}
	return out
}
