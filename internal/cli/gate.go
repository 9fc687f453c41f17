package cli

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"time"

	"sapward/finding"
	"sapward/internal/brief"
	"sapward/internal/exchange"
	"sapward/measure/civil"
	"sapward/plan"
	"sapward/plan/crew"
	"sapward/plan/label"
)

// gateCmd asks the morning's questions: may this plan start today, with these
// containers, in this weather.
type gateCmd struct {
	Folder        string            `arg:"" help:"The plan's folder, as written by sapward plan --out."`
	Card          string            `help:"Label card (YAML), the one the plan was made with." required:""`
	On            string            `help:"Today, 2026-06-17; the plan's day if not given."`
	Container     []string          `help:"Registration number on each container at hand."`
	Temperature   *float64          `help:"Air temperature now, degrees Celsius."`
	Deficit       *float64          `help:"Vapour-pressure deficit now, kPa."`
	Bloom         string            `help:"Bloom now: no, yes or after." enum:",no,yes,after" default:""`
	CertificateTo string            `name:"certificate-valid-to" help:"Last day the certificate is valid."`
	Yes           []string          `help:"Items answered yes, such as services-located,notices-posted."`
	No            []string          `help:"Items answered no."`
	Because       map[string]string `help:"Go on although an advisory item says no: ITEM=REASON, printed on the record." mapsep:"none"`
	Answers       string            `help:"GATE.csv: item, answer (yes or no), reason."`
}

// gateDocument is what is kept beside the plan.
type gateDocument struct {
	Schema  string       `json:"schema"`
	Engine  string       `json:"engine"`
	Card    string       `json:"card_hash"`
	On      string       `json:"on"`
	Verdict crew.Verdict `json:"verdict"`
	Items   []crew.Item  `json:"items"`
}

func (c gateCmd) Run(e *env) error {
	loaded, findings, err := e.loadCard(c.Card)
	if err != nil {
		return err
	}
	faults := refusing(loaded, findings)
	p, err := readPlan(filepath.Join(c.Folder, "plan.json"))
	if err != nil {
		return err
	}
	if p.CardHash != loaded.Hash {
		faults = append(faults, finding.AsFaults(usage("gate-other-card", nil))...)
	}
	answers, reasons, err := c.answers()
	faults = append(faults, finding.AsFaults(err)...)
	facts, err := c.facts(p, loaded.Card, answers)
	faults = append(faults, finding.AsFaults(err)...)
	if err := faults.OrNil(); err != nil {
		return err
	}
	items, err := crew.MakeGate(facts)
	if err != nil {
		return gateFault(err)
	}
	for i := range items { // a person's no always counts; a yes does not stand for a reading
		a, given := answers[items[i].ID]
		switch {
		case !given:
		case a == crew.No:
			items[i].Answer = crew.No
		case items[i].Answer == crew.Unanswered && readings[items[i].ID] != "":
			return usage("gate-needs-reading", finding.Args{"item": finding.Text(strings.TrimPrefix(items[i].ID, "gate-")), "option": finding.Text(readings[items[i].ID])})
		case items[i].Answer == crew.Unanswered:
			items[i].Answer = a
		}
		delete(answers, items[i].ID)
	}
	for id := range answers {
		return usage("gate-item-unknown", finding.Args{"item": finding.Text(strings.TrimPrefix(id, "gate-")), "items": finding.Text(itemNames(items))})
	}
	for id, reason := range reasons {
		if items, err = crew.Override(items, id, reason); err != nil {
			return usage("gate-no-override", finding.Args{"item": finding.Text(strings.TrimPrefix(id, "gate-"))})
		}
	}
	doc := gateDocument{Schema: "sapward/gate/1", Engine: Version, Card: loaded.Hash, On: facts.On.Format(time.DateOnly), Items: items}
	if doc.Verdict, err = crew.Decide(items); err != nil {
		return gateFault(err)
	}
	data, err := brief.Marshal(doc)
	if err != nil {
		return err
	}
	if err := exchange.WriteFile(filepath.Join(c.Folder, "gate.json"), append(data, '\n')); err != nil {
		return err
	}
	if doc.Verdict.Outcome == crew.NoGo {
		e.status = exitRefused
	}
	if e.globals.JSON {
		return e.printJSON(doc)
	}
	e.printGate(doc)
	return nil
}

// readings are items that a number or a date answers, with the option that
// gives it.
var readings = map[string]string{
	crew.GateContainer: "--container", crew.GateTemperature: "--temperature", crew.GateDeficit: "--deficit", crew.GateHeat: "--temperature",
	crew.GateCertificate: "--certificate-valid-to", crew.GateBloom: "--bloom", crew.GateRegistration: "--on", crew.GateMonth: "--on",
}

// readPlan reads a plan document.
func readPlan(path string) (plan.Plan, error) {
	var p plan.Plan
	data, err := os.ReadFile(path)
	if err != nil {
		return p, finding.Faults{fileFault("plan-unreadable", path, err)}
	}
	if err := json.Unmarshal(data, &p); err != nil || p.Schema != plan.Schema {
		return p, finding.Faults{finding.Bad("plan-not-one", finding.Where{File: path}, finding.Args{"schema": finding.Text(plan.Schema)})}
	}
	return p, nil
}

// answers gathers yes and no, from options and file, by item.
func (c gateCmd) answers() (map[string]crew.Answer, map[string]string, error) {
	out, reasons := map[string]crew.Answer{}, map[string]string{}
	full := func(id string) string { return "gate-" + strings.TrimPrefix(strings.TrimSpace(id), "gate-") }
	if c.Answers != "" {
		rows, err := exchange.ReadAnswersFile(c.Answers)
		if err != nil {
			return nil, nil, err
		}
		for _, r := range rows {
			out[full(r.Item)] = crew.No
			if r.Yes {
				out[full(r.Item)] = crew.Yes
			}
			if r.Reason != "" {
				reasons[full(r.Item)] = r.Reason
			}
		}
	}
	for _, id := range c.Yes {
		out[full(id)] = crew.Yes
	}
	for _, id := range c.No {
		out[full(id)] = crew.No
	}
	for id, reason := range c.Because {
		reasons[full(id)] = reason
	}
	return out, reasons, nil
}

// facts puts together what card, plan and options know this morning.
func (c gateCmd) facts(p plan.Plan, card label.Card, answers map[string]crew.Answer) (crew.Facts, error) {
	f := crew.Facts{
		CardRegistration: card.Product.Registration.Number, ContainerNumbers: trimmed(c.Container),
		RegistrationFrom: card.Product.Registration.Valid.From.String(), RegistrationTo: card.Product.Registration.Valid.To.String(),
		RestrictedUse: card.Product.RestrictedUse, CertificateTo: c.CertificateTo, TemperatureC: c.Temperature, DeficitKPa: c.Deficit,
		PlanAllowed: crew.No,
	}
	if p.Verdict == plan.Allowed && !p.PracticeOnly {
		f.PlanAllowed = crew.Yes
	}
	day := c.On
	if day == "" {
		day = p.On
	}
	if day != "" {
		d, err := civil.Parse(day)
		if err != nil {
			return f, usage("option-date", finding.Args{"option": finding.Text("--on"), "text": finding.Text(day)})
		}
		f.On = d.In(time.UTC)
		if !planned(p, d) {
			return f, usage("gate-other-day", finding.Args{"date": finding.Text(day), "planned": finding.Text(p.On)})
		}
	}
	if c.CertificateTo != "" {
		if _, err := civil.Parse(c.CertificateTo); err != nil {
			return f, usage("option-date", finding.Args{"option": finding.Text("--certificate-valid-to"), "text": finding.Text(c.CertificateTo)})
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
		if f.BloomRule && c.Bloom != "" {
			f.BloomAllows = crew.Yes
			if c.Bloom == "yes" || u.Timing.Bloom == label.AfterPetalFall && c.Bloom != "after" {
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
	return usage("gate-unusable", finding.Args{"reason": finding.Text(err.Error())})
}

func itemNames(items []crew.Item) string {
	out := make([]string, len(items))
	for i, it := range items {
		out[i] = strings.TrimPrefix(it.ID, "gate-")
	}
	return strings.Join(out, ", ")
}

// printGate shows the outcome first, then every item with its badge.
func (e *env) printGate(doc gateDocument) {
	say := e.say
	e.println(say.Say("gate-outcome-"+string(doc.Verdict.Outcome), finding.Args{
		"date": finding.Text(doc.On), "against": finding.Count(len(doc.Verdict.Against) + len(doc.Verdict.Advised)), "open": finding.Count(len(doc.Verdict.Open)),
	}))
	mark := map[crew.Answer]string{crew.Yes: "✓", crew.No: "✗", crew.Unanswered: "?"}
	for _, i := range doc.Items {
		line := mark[i.Answer] + " [" + say.T("authority-"+string(i.Authority)) + "] " + say.T(i.ID) + " (" + strings.TrimPrefix(i.ID, "gate-") + ")"
		if i.Reason != "" {
			line += " " + say.Say("override-printed", finding.Args{"reason": finding.Text(i.Reason)})
		}
		e.println(line)
	}
	e.println(say.T("gate-how"))
}

// trimmed takes blanks off what was read from a container.
func trimmed(in []string) []string {
	var out []string
	for _, s := range in {
		out = append(out, strings.TrimSpace(s))
	}
	return out
}
