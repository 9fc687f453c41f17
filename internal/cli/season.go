package cli

import (
	"bytes"
	"context"
	"os"
	"strings"
	"time"

	"sapward/finding"
	"sapward/internal/app"
	"sapward/internal/report"
)

type seasonCmd struct {
	Block string `required:"" help:"Name of the block."`
	Out   string `help:"File to write." default:"season.pdf"`
	Paper string `help:"a4 or letter." enum:"a4,letter" default:"a4"`
	dataOption
}

// Run writes the season report of a block. The data may be in use.
func (c seasonCmd) Run(e *env) error {
	ctx := context.Background()
	a, s, err := c.open(ctx, true)
	if err != nil {
		return err
	}
	defer s.Close()
	hits, err := a.Search(ctx, app.Local(), c.Block, 50)
	if err != nil {
		return err
	}
	id := ""
	for _, h := range hits {
		if h.Type == app.TypeBlock && (id == "" || strings.EqualFold(h.Text, c.Block)) {
			id = h.ID
		}
	}
	if id == "" {
		return usage("season-block-unknown", finding.Args{"text": finding.Text(c.Block)})
	}
	facts, err := a.Season(ctx, app.Local(), id)
	if err != nil {
		return err
	}
	var b bytes.Buffer
	if err := report.Season(&b, report.SeasonInput{Facts: facts, Say: e.say, Paper: c.Paper, Engine: Version, Created: time.Now()}); err != nil {
		return err
	}
	if err := os.WriteFile(c.Out, b.Bytes(), 0o644); err != nil {
		return usage("output-unwritable", finding.Args{"reason": finding.Text(err.Error())})
	}
	if e.globals.JSON {
		return e.printJSON(struct {
			Schema string `json:"schema"`
			Engine string `json:"engine"`
			Block  string `json:"block"`
			File   string `json:"file"`
		}{"sapward/season/1", Version, id, c.Out})
	}
	e.println(e.say.Say("season-written", finding.Args{"path": finding.Text(c.Out)}))
	return nil
}
