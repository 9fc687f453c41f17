package cli

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"

	"sapward/finding"
	"sapward/internal/brief"
	"sapward/internal/exchange"
	"sapward/plan"
	"sapward/plan/crew"
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
	g := brief.Gate{On: c.On, Containers: c.Container, Temperature: c.Temperature, Deficit: c.Deficit, Bloom: c.Bloom, CertificateTo: c.CertificateTo}
	if g.Answers, g.Reasons, err = c.answers(); err != nil {
		faults = append(faults, finding.AsFaults(err)...)
	}
	doc, err := g.Judge(p, loaded.Card, Version, loaded.Hash)
	faults = append(faults, finding.AsFaults(err)...)
	if err := faults.OrNil(); err != nil {
		return err
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
func (c gateCmd) answers() (map[string]bool, map[string]string, error) {
	out, reasons := map[string]bool{}, map[string]string{}
	if c.Answers != "" {
		rows, err := exchange.ReadAnswersFile(c.Answers)
		if err != nil {
			return nil, nil, err
		}
		for _, r := range rows {
			out[strings.TrimPrefix(strings.TrimSpace(r.Item), "gate-")] = r.Yes
			if r.Reason != "" {
				reasons[strings.TrimPrefix(strings.TrimSpace(r.Item), "gate-")] = r.Reason
			}
		}
	}
	bare := func(id string) string { return strings.TrimPrefix(strings.TrimSpace(id), "gate-") }
	for _, id := range c.Yes {
		out[bare(id)] = true
	}
	for _, id := range c.No {
		out[bare(id)] = false
	}
	for id, reason := range c.Because {
		reasons[bare(id)] = reason
	}
	return out, reasons, nil
}

// printGate shows the outcome first, then every item with its badge.
func (e *env) printGate(doc brief.GateDocument) {
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
