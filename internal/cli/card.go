package cli

import (
	"sapward/finding"
	"sapward/internal/cardfile"
	"sapward/plan"
	"sapward/plan/label"
)

type cardCmd struct {
	New    cardNewCmd    `cmd:"" help:"Print a blank card to fill in from the product's label."`
	Check  cardCheckCmd  `cmd:"" help:"Check a card and say what was understood."`
	Schema cardSchemaCmd `cmd:"" help:"Print the card format as a JSON Schema."`
}

type cardNewCmd struct{}

func (cardNewCmd) Run(e *env) error {
	_, err := e.stdout.Write(cardfile.BlankIn(e.say.Lang))
	return err
}

type cardSchemaCmd struct{}

func (cardSchemaCmd) Run(e *env) error {
	_, err := e.stdout.Write(cardfile.Schema())
	return err
}

type cardCheckCmd struct {
	File string `arg:"" help:"The card, a YAML file; - for standard input."`
}

// loadCard reads and checks a card. Findings that forbid planning come back
// with the others; the caller decides.
func (e *env) loadCard(path string) (cardfile.Loaded, []finding.Finding, error) {
	data, err := e.readFile(path)
	if err != nil {
		return cardfile.Loaded{}, nil, err
	}
	loaded, err := cardfile.Parse(data, path)
	if err != nil {
		return loaded, nil, err
	}
	findings := label.Check(loaded.Card)
	findings = append(findings, plan.CheckFeasible(loaded.Card)...)
	finding.Sort(findings)
	return loaded, findings, nil
}

// refusing returns the findings that forbid planning with a card, as faults at
// their place in the file.
func refusing(loaded cardfile.Loaded, fs []finding.Finding) finding.Faults {
	var out finding.Faults
	for _, f := range fs {
		if f.Severity == finding.Refused {
			out = append(out, finding.Bad(f.ID, loaded.Place(f.Ref), f.Args))
		}
	}
	return out
}

func (c cardCheckCmd) Run(e *env) error {
	loaded, findings, err := e.loadCard(c.File)
	if err != nil {
		return err
	}
	errors := len(refusing(loaded, findings))
	if e.globals.JSON {
		type place struct {
			finding.Finding
			Where finding.Where `json:"where"`
			Text  string        `json:"text"`
		}
		doc := struct {
			Schema     string          `json:"schema"`
			Engine     string          `json:"engine"`
			CardHash   string          `json:"card_hash"`
			Product    string          `json:"product"`
			Usable     bool            `json:"usable"`
			Practice   bool            `json:"practice_only"`
			Findings   []place         `json:"findings"`
			Understood []cardfile.Echo `json:"understood"`
		}{"sapward/card-check/1", Version, loaded.Hash, loaded.Card.Product.Name, errors == 0, !loaded.Card.Verified.Complete(), []place{}, loaded.Understood}
		for _, f := range findings {
			text, mend := e.say.Finding(f)
			if mend != "" {
				text += " " + mend
			}
			doc.Findings = append(doc.Findings, place{f, loaded.Place(f.Ref), text})
		}
		if err := e.printJSON(doc); err != nil {
			return err
		}
	} else {
		e.printCardCheck(loaded, findings, errors)
	}
	if errors > 0 {
		e.status = exitRefused
	}
	return nil
}

func (e *env) printCardCheck(loaded cardfile.Loaded, findings []finding.Finding, errors int) {
	for _, f := range findings {
		text, mend := e.say.Finding(f)
		line := text
		if w := loaded.Place(f.Ref).String(); w != "" {
			line = w + ": " + line
		}
		if mend != "" {
			line += " " + mend
		}
		e.println(e.say.T("severity-"+string(f.Severity)) + " " + line)
	}
	if len(loaded.Understood) > 0 {
		e.title(e.say.T("head-understood"))
		t := newTable(e.say.T("col-place"), e.say.T("col-written"), e.say.T("col-understood"))
		for _, u := range loaded.Understood {
			t.row(u.Path, u.Written, u.Understood)
		}
		e.printf("%s", t)
	}
	id := "card-usable"
	if errors > 0 {
		id = "card-not-usable"
	}
	e.println("")
	e.println(e.say.Say(id, finding.Args{"count": finding.Count(errors), "product": finding.Text(loaded.Card.Product.Name)}))
}
