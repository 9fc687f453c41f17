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
		return e.printJSON(seasonOf(e, facts, id, c.Out))
	}
	e.println(e.say.Say("season-written", finding.Args{"path": finding.Text(c.Out)}))
	return nil
}

// seasonDocument is the season report as JSON: what was done, found and spent in
// the twelve months, and what is due.
type seasonDocument struct {
	Schema       string         `json:"schema"`
	Engine       string         `json:"engine"`
	Block        string         `json:"block"`
	BlockName    string         `json:"block_name"`
	Estate       string         `json:"estate_name"`
	File         string         `json:"file"`
	From         string         `json:"from_date"`
	To           string         `json:"to_date"`
	DayZero      string         `json:"day_zero,omitempty"`
	Trees        int            `json:"trees"`
	Visits       int            `json:"visits"`
	Samples      int            `json:"samples"`
	Applications []seasonDone   `json:"applications"`
	Costs        []seasonCost   `json:"costs"`
	Uncosted     int            `json:"applications_without_cost"`
	Treatments   []seasonFound  `json:"treatments"`
	Windows      []seasonWindow `json:"treat_again"`
	Due          []seasonDue    `json:"due"`
}

type seasonDone struct {
	On      string `json:"on_date"`
	Product string `json:"product"`
	Method  string `json:"method,omitempty"`
	Trees   *int   `json:"trees"` // null: the whole block
}

type seasonCost struct {
	Minor    int64  `json:"total_minor"` // in hundredths of the currency
	Currency string `json:"currency"`
	Unpriced int    `json:"items_without_price"`
}

type seasonFound struct {
	Treatment string   `json:"treatment"`
	Trees     int      `json:"trees"`
	Watched   int      `json:"watched"`
	Died      int      `json:"died"`
	Efficacy  *float64 `json:"efficacy_pct"`
	Low       *float64 `json:"low_pct"`
	High      *float64 `json:"high_pct"`
	Verdict   string   `json:"verdict,omitempty"`
}

type seasonWindow struct {
	Treatment string   `json:"treatment"`
	Tissue    string   `json:"tissue,omitempty"`
	HeightM   *float64 `json:"height_m"`
	From      string   `json:"from_date"`
	FromWhy   string   `json:"from_by"` // card, record or none
	By        string   `json:"by_date,omitempty"`
	GapD      int      `json:"gap_d"`
	Done      bool     `json:"done"`
}

type seasonDue struct {
	Kind string `json:"kind"`
	On   string `json:"on_date"`
	By   string `json:"by_date,omitempty"`
}

func seasonOf(e *env, f app.SeasonFacts, id, file string) seasonDocument {
	d := seasonDocument{Schema: "sapward/season/1", Engine: Version, Block: id, BlockName: f.Block.Facts.Name, Estate: f.Estate.Facts.Name, File: file, From: f.From, To: f.To,
		Trees: f.Count.Trees, Visits: f.SeasonVisits, Samples: f.SeasonAssays, Uncosted: f.Uncosted,
		Applications: []seasonDone{}, Costs: []seasonCost{}, Treatments: []seasonFound{}, Windows: []seasonWindow{}, Due: []seasonDue{}}
	if !f.Zero.IsZero() {
		d.DayZero = f.Zero.String()
	}
	for _, x := range f.Applications {
		done := seasonDone{On: x.Facts.DateEnd, Product: x.Facts.Product, Method: x.Facts.Method}
		if n := len(x.Facts.Trees); n > 0 {
			done.Trees = &n
		}
		d.Applications = append(d.Applications, done)
	}
	for _, c := range f.Costs {
		d.Costs = append(d.Costs, seasonCost{c.Total.Minor, c.Total.Currency, len(c.Unpriced)})
	}
	for _, name := range f.Treatments {
		x := seasonFound{Treatment: name, Trees: f.Trees[name]}
		if f.Survival != nil {
			for _, g := range f.Survival.Groups {
				if g.Treatment == name {
					x.Watched, x.Died = g.N, g.Died
				}
			}
		}
		for _, r := range f.Efficacy {
			if r.Treatment == name && len(r.Bad) == 0 {
				x.Efficacy, x.Low, x.High, x.Verdict = r.Efficacy, r.Low, r.High, string(r.Verdict)
			}
		}
		d.Treatments = append(d.Treatments, x)
	}
	for _, x := range f.Declines {
		for _, w := range x.Windows {
			d.Windows = append(d.Windows, seasonWindow{x.Treatment, w.Tissue, w.HeightM, w.From, w.FromWhy, w.By, w.GapD, w.Done})
		}
	}
	for _, x := range f.Due {
		d.Due = append(d.Due, seasonDue{x.Kind, x.On, x.By})
	}
	return d
}
