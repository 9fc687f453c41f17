package api

import (
	"encoding/json"
	"net/http"

	"sapward/finding"
	"sapward/internal/app"
)

// Measurement is new tape readings of a tree's stems.
type Measurement struct {
	Stems  []app.StemFacts `json:"stems"`            // a stem of the same name gets the new reading, a new name is a further stem
	Reason string          `json:"reason,omitempty"` // why, for a correction
}

// Rating is how a tree was seen.
type Rating struct {
	Status       string `json:"status"`               // healthy, suspect, symptomatic or dead
	CrownLossPct string `json:"rating_pct,omitempty"` // crown loss, 0 to 100, exact decimal as text
	On           string `json:"on,omitempty"`         // day it was seen
}

func trees(t *table) {
	filters := []param{text("q", "Part of the tag or species; capitals and accents do not matter."), text("status", "A status, or unmeasured for trees without a reading.", "healthy", "suspect", "symptomatic", "dead", "unmeasured"),
		{name: "retired", about: "true: also trees out of use.", kind: "boolean"}}
	query := func(c *call) app.TreeQuery {
		return app.TreeQuery{Block: c.id(), Text: c.text("q"), Status: c.text("status"), Retired: c.text("retired") == "true"}
	}
	read(t, "blocks/{id}/trees", "listTrees", "Trees", "Trees of a block by tag, a part at a time", func(c *call) (Page[Thing[app.TreeFacts]], error) {
		q := query(c)
		var err error
		if q.After, err = c.after("after"); err != nil {
			return Page[Thing[app.TreeFacts]]{}, err
		}
		q.Limit = c.number("limit")
		p, err := c.h.app.Trees(c.ctx, c.actor, q)
		return Page[Thing[app.TreeFacts]]{things(p.Trees), cursor(p.Next)}, err
	}).asks(filters...).asks(text("after", "Cursor: next of the part before."), count("limit", "At most so many, 1 to 1000; 100 where nothing is said."))
	t.add(&op{method: http.MethodGet, path: "blocks/{id}/trees.ndjson", name: "streamTrees", use: "Trees", title: "All trees of a block, one JSON object a line", about: "Each line is a Tree. An answer that breaks off in the middle ends without its last line feed.", media: "application/x-ndjson", status: http.StatusOK, run: func(c *call) (*reply, error) {
		q := query(c)
		q.Limit = 1000
		p, err := c.h.app.Trees(c.ctx, c.actor, q)
		if err != nil {
			return nil, err
		}
		return &reply{stream: func(w http.ResponseWriter) error {
			w.Header().Set("Content-Type", "application/x-ndjson")
			e := json.NewEncoder(w)
			for {
				for _, k := range p.Trees {
					if err := e.Encode(thing(k)); err != nil {
						return nil // the caller has left
					}
				}
				if p.Next == (app.Key{}) {
					return nil
				}
				q.After = p.Next
				var err error
				if p, err = c.h.app.Trees(c.ctx, c.actor, q); err != nil {
					c.h.log.Error("trees", "err", err)
					panic(http.ErrAbortHandler) // a broken answer, not a short one
				}
			}
		}}, nil
	}}).asks(filters...)
	makes(t, "blocks/{id}/trees", "addTree", "AddTree", "Keep a new tree of a block", func(c *call, in app.TreeFacts) (app.Tree, error) {
		return c.h.app.AddTree(c.ctx, c.actor, c.id(), in)
	}).says("A tag stands once in a block.").example(app.TreeFacts{Tag: "E001", Species: "Ulmus minor", Stems: []app.StemFacts{{GirthCM: "98.5", MeasuredAtM: "1.3", On: "2026-05-20"}}})
	one(t, "trees/{id}", "getTree", "Tree", "A tree", func(c *call) (app.Tree, error) {
		v, err := c.h.app.Tree(c.ctx, c.actor, c.id())
		return v.Tree, err
	})
	changes(t, http.MethodPut, "trees/{id}", "changeTree", "ChangeTree", "Keep new facts of a tree", func(c *call, in app.TreeFacts) (app.Tree, error) {
		return c.h.app.ChangeTree(c.ctx, c.actor, c.id(), c.version, in, c.text("reason"))
	}).asks(reasonParam)
	turns(t, http.MethodDelete, "trees/{id}", "retireTree", "RetireTree", "Take a tree out of use: felled, or entered by mistake", func(c *call) (app.Stamp, error) {
		return c.h.app.RetireTree(c.ctx, c.actor, c.id(), c.version, c.text("reason"))
	}).asks(reasonParam)
	turns(t, http.MethodPost, "trees/{id}/restore", "restoreTree", "RestoreTree", "Bring a retired tree back", func(c *call) (app.Stamp, error) {
		return c.h.app.RestoreTree(c.ctx, c.actor, c.id(), c.version)
	})
	list(t, "trees/{id}/measurements", "listMeasurements", "Tree", "Every tape reading of a tree, as it was taken", func(c *call) ([]app.Reading, error) {
		v, err := c.h.app.Tree(c.ctx, c.actor, c.id())
		return v.Readings, err
	})
	changes(t, http.MethodPost, "trees/{id}/measurements", "measureTree", "MeasureTree", "Keep new tape readings of a tree", func(c *call, in Measurement) (app.Tree, error) {
		if len(in.Stems) == 0 {
			return app.Tree{}, inBodies{bad("api-needed", "/stems/0", nil)}
		}
		return c.h.app.MeasureTree(c.ctx, c.actor, c.id(), c.version, in.Stems, in.Reason)
	}).says("Earlier readings stay in the history.").example(Measurement{Stems: []app.StemFacts{{GirthCM: "101.2", MeasuredAtM: "1.3", On: "2026-06-03"}}})
	changes(t, http.MethodPost, "trees/{id}/ratings", "rateTree", "RateTree", "Keep how a tree was seen", func(c *call, in Rating) (app.Tree, error) {
		return c.h.app.RateTree(c.ctx, c.actor, c.id(), c.version, in.Status, in.CrownLossPct, in.On)
	}).example(Rating{Status: "suspect", CrownLossPct: "10", On: "2026-06-03"})
	list(t, "trees/{id}/wounds", "listWounds", "Tree", "Old ports and other holes of a tree", func(c *call) ([]Thing[app.WoundFacts], error) {
		v, err := c.h.app.Tree(c.ctx, c.actor, c.id())
		return things(v.Wounds), err
	})
	makes(t, "trees/{id}/wounds", "addWound", "AddWound", "Keep a hole of a tree", func(c *call, in app.WoundFacts) (app.Wound, error) {
		return c.h.app.AddWound(c.ctx, c.actor, c.id(), in)
	}).example(app.WoundFacts{AzimuthDeg: 90, HeightCM: "25", HoleMM: "7.5", Year: 2025})
	changes(t, http.MethodPut, "wounds/{id}", "changeWound", "ChangeWound", "Keep new facts of a hole, such as that it has closed", func(c *call, in app.WoundFacts) (app.Wound, error) {
		return c.h.app.ChangeWound(c.ctx, c.actor, c.id(), c.version, in, c.text("reason"))
	}).asks(reasonParam)
	turns(t, http.MethodDelete, "wounds/{id}", "retireWound", "RetireWound", "Take a hole out of use: entered by mistake", func(c *call) (app.Stamp, error) {
		return c.h.app.RetireWound(c.ctx, c.actor, c.id(), c.version, c.text("reason"))
	}).asks(reasonParam)
}

// CardLine is a card of a list.
type CardLine struct {
	Thing[app.CardFacts]
	Checked app.Checked `json:"checked"` // how far the newest version is checked
}

// CardVersion is one version of a card.
type CardVersion struct {
	Version int         `json:"version"`
	Hash    string      `json:"hash"` // SHA-256 of the content
	By      string      `json:"by"`   // identifier of who typed it in
	At      string      `json:"at"`   // UTC
	Reason  string      `json:"reason,omitempty"`
	Checked app.Checked `json:"checked"`
}

// CardReading is what was understood of a card's text.
type CardReading struct {
	Hash       string            `json:"hash"`       // SHA-256 of the content
	Usable     bool              `json:"usable"`     // nothing forbids planning with it
	Findings   []finding.Finding `json:"findings"`   // what is wrong with its content
	Understood []Echo            `json:"understood"` // how each quantity was understood
}

// Echo says how a quantity of a card was understood.
type Echo struct {
	Path       string `json:"path"`
	Written    string `json:"written"`
	Understood string `json:"understood"`
	Note       string `json:"note,omitempty"` // identifier of a remark
}

// Checking says that a person has compared a version of a card with the label.
type Checking struct {
	Hash string `json:"hash"` // of the version that was compared
	Note string `json:"note,omitempty"`
}

// CardChange is a field that differs between two versions.
type CardChange struct {
	Path string `json:"path"`
	Old  string `json:"old,omitempty"` // absent: not there
	New  string `json:"new,omitempty"` // absent: not there
}

var yamlTypes = []string{"application/yaml", "text/yaml", "text/plain"}

func cards(t *table) {
	list(t, "cards", "listCards", "Cards", "Label cards by product", func(c *call) ([]CardLine, error) {
		cs, err := c.h.app.Cards(c.ctx, c.actor)
		var out []CardLine
		for _, x := range cs {
			out = append(out, CardLine{thing(x.Card), x.Checked})
		}
		return out, err
	})
	makes(t, "cards", "addCard", "AddCard", "Keep a new card", func(c *call, _ none) (app.Card, error) {
		return c.h.app.AddCard(c.ctx, c.actor, string(c.body))
	}).uploads(yamlTypes...).says("The body is the card's text, at most 256 kB. Faults come with line and column.")
	act(t, http.MethodPost, "cards/try", "tryCard", "TryCard", "Read a card's text and keep nothing", http.StatusOK, func(c *call, _ none) (CardReading, error) {
		r, err := c.h.app.TryCard(c.ctx, c.actor, string(c.body))
		out := CardReading{Hash: r.Hash, Usable: r.Usable, Findings: r.Findings, Understood: []Echo{}}
		for _, e := range r.Understood {
			out.Understood = append(out.Understood, Echo(e))
		}
		return out, err
	}).uploads(yamlTypes...)
	one(t, "cards/{id}", "getCard", "Card", "A card with its text", func(c *call) (app.Card, error) {
		v, err := c.h.app.Card(c.ctx, c.actor, c.id())
		return v.Card, err
	})
	changes(t, http.MethodPut, "cards/{id}", "changeCard", "ChangeCard", "Keep a new version of a card; it waits for its own check", func(c *call, _ none) (app.Card, error) {
		return c.h.app.ChangeCard(c.ctx, c.actor, c.id(), c.version, string(c.body), c.text("reason"))
	}).uploads(yamlTypes...).asks(reasonParam)
	turns(t, http.MethodDelete, "cards/{id}", "retireCard", "RetireCard", "Take a card out of use; plans made with it stay", func(c *call) (app.Stamp, error) {
		return c.h.app.RetireCard(c.ctx, c.actor, c.id(), c.version, c.text("reason"))
	}).asks(reasonParam)
	turns(t, http.MethodPost, "cards/{id}/restore", "restoreCard", "RestoreCard", "Bring a retired card back", func(c *call) (app.Stamp, error) {
		return c.h.app.RestoreCard(c.ctx, c.actor, c.id(), c.version)
	})
	list(t, "cards/{id}/versions", "listCardVersions", "Card", "Versions of a card, newest first", func(c *call) ([]CardVersion, error) {
		v, err := c.h.app.Card(c.ctx, c.actor, c.id())
		var out []CardVersion
		for _, x := range v.Versions {
			out = append(out, CardVersion{x.Version, x.Hash, x.By, x.At, x.Reason, x.Checked})
		}
		return out, err
	})
	list(t, "cards/{id}/changes", "listCardChanges", "CardChanges", "What differs between two versions of a card", func(c *call) ([]CardChange, error) {
		xs, err := c.h.app.CardChanges(c.ctx, c.actor, c.id(), c.text("from"), c.text("to"))
		var out []CardChange
		for _, x := range xs {
			out = append(out, CardChange(x))
		}
		return out, err
	}).asks(text("from", "Hash of one version.").must(), text("to", "Hash of the other version.").must())
	list(t, "cards/{id}/checks", "listCardChecks", "Card", "Checks of a card against its label", func(c *call) ([]Thing[app.CheckFacts], error) {
		v, err := c.h.app.Card(c.ctx, c.actor, c.id())
		return things(v.Checks), err
	})
	makes(t, "cards/{id}/checks", "checkCard", "CheckCard", "Keep that the person of the token has compared a version with the label", func(c *call, in Checking) (app.Check, error) {
		return c.h.app.CheckCard(c.ctx, c.actor, c.id(), in.Hash, in.Note)
	}).says("Who typed a version in cannot check it.")
}
