package cli

import (
	"context"
	"os"
	"path/filepath"

	"sapward/finding"
	"sapward/internal/store"
)

type moveCmd struct {
	From string `help:"Data folder or postgres://... that the facts are in; it stays as it is." required:""`
	To   string `help:"Data folder or postgres://... that they go to; it has to be empty." required:""`
}

// Run carries everything over and compares both sides before it is kept.
func (c moveCmd) Run(e *env) error {
	ctx := context.Background()
	if !store.IsDatabase(c.From) {
		if _, err := os.Stat(filepath.Join(c.From, "sapward.db")); err != nil { // opening it would make one
			return finding.Faults{{Class: finding.Missing, ID: "store-missing", Where: finding.Where{File: c.From}, Cause: err}}
		}
	}
	from, err := openStore(ctx, c.From, false)
	if err != nil {
		return err
	}
	defer from.Close()
	to, err := openStore(ctx, c.To, false)
	if err != nil {
		return err
	}
	defer to.Close()
	show := e.far("move-progress")
	r, err := store.Move(ctx, from, to, show.at)
	show.end()
	if err != nil {
		return err
	}
	if e.globals.JSON {
		return e.printJSON(struct {
			Schema string `json:"schema"`
			Engine string `json:"engine"`
			From   string `json:"from"`
			To     string `json:"to"`
			store.MoveReport
		}{"sapward/move/1", Version, store.Shown(c.From), store.Shown(c.To), r})
	}
	e.println(e.say.Say("move-done", finding.Args{"to": finding.Text(store.Shown(c.To)), "events": finding.Count(int(r.Events)), "rows": finding.Count(int(r.Rows)), "files": finding.Count(r.Files), "head": finding.Text(r.Head)}))
	return nil
}
