package plan

import (
	"sapward/finding"
	"sapward/plan/label"
)

// cautions lists what can hurt people, trees and food at the step where it
// can, and who says so. The card's own words come with their page.
func cautions(j *Job) []Caution {
	out := []Caution{{Step: "plan", ID: "caution-planning-aid", Authority: finding.ByPractice}}
	add := func(step, id string, by finding.Authority) {
		out = append(out, Caution{Step: step, ID: id, Authority: by})
	}
	card := j.r.Card
	if !card.Verified.Complete() {
		add("plan", "caution-card-unchecked", finding.ByLabel)
	}
	if card.Product.RestrictedUse {
		add("plan", "caution-certified-only", finding.ByLaw)
	}
	for _, s := range card.Statements {
		by := finding.ByLabel
		out = append(out, Caution{Step: "plan", ID: "statement-" + string(s.Force), Authority: by, Text: s.Text, Page: s.Page})
	}
	if j.use.Method == "" {
		return out
	}
	add("plan", "caution-each-port-a-wound", finding.ByPractice)
	if j.use.WithoutDrilling != "" {
		out = append(out, Caution{Step: "plan", ID: "without-drilling", Authority: finding.ByLabel, Text: j.use.WithoutDrilling, Page: j.use.Page})
	}
	add("measure", "caution-look-before-drilling", finding.ByPractice)
	for _, item := range card.Safety.Mix {
		out = append(out, Caution{Step: "mix", ID: "gear-mix", Authority: finding.ByLabel, Text: item})
	}
	add("mix", "caution-mixing", finding.ByPractice)
	add("drill", "caution-drilling", finding.ByPractice)
	add("drill", "caution-clean-bits", finding.ByPractice)
	for _, item := range card.Safety.Apply {
		out = append(out, Caution{Step: "apply", ID: "gear-apply", Authority: finding.ByLabel, Text: item})
	}
	add("apply", "caution-bystanders", finding.ByPractice)
	if j.use.Pressure.Known {
		add("apply", "caution-pressure", finding.ByPractice)
	}
	if j.use.Method == label.Infusion {
		add("apply", "caution-unattended", finding.ByPractice)
	}
	if j.r.LimbShare.Sign() > 0 {
		add("apply", "caution-aloft", finding.ByPractice)
	}
	if t := j.use.Timing.Temperature; t.Known {
		add("apply", "caution-temperature", finding.ByLabel)
	}
	add("apply", "caution-heat", finding.ByPractice)
	if j.use.Timing.Bloom != label.BloomNone {
		add("apply", "caution-pollinators", finding.ByLabel)
	}
	add("apply", "caution-leak", finding.ByPractice)
	add("apply", "caution-exposure", finding.ByPractice)
	if card.Safety.FirstAid != "" {
		out = append(out, Caution{Step: "apply", ID: "first-aid", Authority: finding.ByLabel, Text: card.Safety.FirstAid})
	}
	if card.Safety.EmergencyNumber != "" {
		out = append(out, Caution{Step: "apply", ID: "emergency-number", Authority: finding.ByLabel, Text: card.Safety.EmergencyNumber})
	}
	for _, s := range j.use.Sites {
		if s.Food {
			add("after", "caution-food", finding.ByLabel)
			break
		}
	}
	if j.use.Reentry.Stated {
		add("after", "caution-reentry", finding.ByLabel)
	}
	add("after", "caution-waste", finding.ByPractice)
	return out
}
