package api

import (
	"net/http"

	"sapward/apply/record"
	"sapward/finding"
	"sapward/follow/decline"
	"sapward/follow/health"
	"sapward/internal/app"
	"sapward/plan/crew"
)

// RecordLine is a record of a list, without its text.
type RecordLine struct {
	Stamp
	Day      string   `json:"day,omitempty"`  // identifier of the day it was made from
	Plan     string   `json:"plan,omitempty"` // identifier
	Product  string   `json:"product"`
	Method   string   `json:"method,omitempty"`
	From     string   `json:"from,omitempty"` // first day of work
	To       string   `json:"to,omitempty"`   // last day of work
	Regimes  []string `json:"regimes"`        // rules it is kept by
	Trees    int      `json:"trees"`
	Signed   bool     `json:"signed"`
	Complete bool     `json:"complete"`
}

// NewRecord is the content of a record that is begun by hand.
type NewRecord struct {
	Content record.Content `json:"content"`
}

// RecordDay says by which rules the record of a day is written.
type RecordDay struct {
	Regimes []string `json:"regimes,omitempty"` // identifiers of the rules
}

// AmendedRecord is changed content of a record.
type AmendedRecord struct {
	Content record.Content `json:"content"`
	Reason  string         `json:"reason,omitempty"` // a must once it was signed
}

// Signature signs the newest version of a record.
type Signature struct {
	Incomplete string `json:"incomplete,omitempty"` // why it is signed although something is missing
}

// RecordState is what follows from a record.
type RecordState struct {
	Done     record.Completeness `json:"done"`      // what the chosen rules ask for and is missing
	Late     []finding.Finding   `json:"late"`      // times that have passed
	Tamper   []finding.Finding   `json:"tamper"`    // where its own chain is broken
	NewNotes int                 `json:"new_notes"` // of the day, that came after the record was made
}

func records(t *table) {
	list(t, "blocks/{id}/applications", "listApplications", "Applications", "What was applied in a block, newest first", func(c *call) ([]Thing[app.ApplicationFacts], error) {
		xs, err := c.h.app.Applications(c.ctx, c.actor, c.id())
		return things(xs), err
	})
	makes(t, "blocks/{id}/applications", "addApplication", "AddApplication", "Keep an earlier treatment, for limits over time", func(c *call, in app.ApplicationFacts) (app.Application, error) {
		return c.h.app.AddApplication(c.ctx, c.actor, c.id(), in)
	}).example(app.ApplicationFacts{Product: "Invented product", Active: "invented active", Method: "injection", DateEnd: "2025-06-04", Trees: []app.Treated{{Tag: "E001", ActiveG: "0.8", ProductML: "14.5"}}})
	changes(t, http.MethodPut, "applications/{id}", "changeApplication", "ChangeApplication", "Correct an application", func(c *call, in app.ApplicationFacts) (app.Application, error) {
		return c.h.app.ChangeApplication(c.ctx, c.actor, c.id(), c.version, in, c.text("reason"))
	}).asks(text("reason", "Why it is corrected.").must())
	turns(t, http.MethodDelete, "applications/{id}", "retireApplication", "RetireApplication", "Take an application out of use: entered by mistake", func(c *call) (app.Stamp, error) {
		return c.h.app.RetireApplication(c.ctx, c.actor, c.id(), c.version, c.text("reason"))
	}).asks(reasonParam)
	list(t, "estates/{id}/records", "listRecords", "Records", "Application records of an estate, newest day of work first", func(c *call) ([]RecordLine, error) {
		rs, err := c.h.app.Records(c.ctx, c.actor, c.id(), app.RecordQuery{From: c.text("from"), To: c.text("to"), Regime: c.text("regime"), Text: c.text("q")})
		var out []RecordLine
		for _, r := range rs {
			f := r.Facts
			out = append(out, RecordLine{stamp(r.Stamp), f.Day, f.Plan, f.Product, f.Method, f.From, f.To, f.Regimes, f.Trees, f.Signed, f.Complete})
		}
		return out, err
	}).asks(text("from", "First day of work."), text("to", "Last day of work."), text("regime", "Rules that ask for it."), text("q", "Part of a product, block or tree."))
	makes(t, "blocks/{id}/records", "addRecord", "NewRecord", "Begin a record by hand, for work that no phone noted", func(c *call, in NewRecord) (app.ApplicationRecord, error) {
		return c.h.app.NewRecord(c.ctx, c.actor, c.id(), in.Content)
	})
	makes(t, "days/{id}/record", "recordDay", "RecordDay", "Write the record of a closed day from what was noted", func(c *call, in RecordDay) (app.ApplicationRecord, error) {
		return c.h.app.RecordDay(c.ctx, c.actor, c.id(), in.Regimes)
	}).says("It also enters the application and every hole into the block's history.")
	one(t, "records/{id}", "getRecord", "Record", "A record with all its versions", func(c *call) (app.ApplicationRecord, error) {
		v, err := c.h.app.Record(c.ctx, c.actor, c.id())
		return v.ApplicationRecord, err
	})
	read(t, "records/{id}/state", "getRecordState", "Record", "What is missing in a record, what is late, whether its chain is whole", func(c *call) (RecordState, error) {
		v, err := c.h.app.Record(c.ctx, c.actor, c.id())
		return RecordState{v.Done, v.Late, v.Tamper, v.Newer}, err
	})
	changes(t, http.MethodPut, "records/{id}", "amendRecord", "AmendRecord", "Keep a changed version of a record; the old ones stay", func(c *call, in AmendedRecord) (app.ApplicationRecord, error) {
		return c.h.app.AmendRecord(c.ctx, c.actor, c.id(), c.version, in.Content, in.Reason)
	})
	changes(t, http.MethodPost, "records/{id}/sign", "signRecord", "SignRecord", "Sign the newest version as the certified applicator named in it", func(c *call, in Signature) (app.ApplicationRecord, error) {
		return c.h.app.SignRecord(c.ctx, c.actor, c.id(), c.version, in.Incomplete)
	})
}

// FollowUp is what the follow-up of a block says. What the data cannot give is
// absent, and its reason stands under problems.
type FollowUp struct {
	Today      string   `json:"today"`
	DayZero    string   `json:"day_zero,omitempty"` // days are counted from it: the treatment, else the first visit
	Given      bool     `json:"day_zero_given"`
	Treatments []string `json:"treatments"`       // the reference first
	Versus     string   `json:"versus,omitempty"` // the reference
	Visits     int      `json:"visits"`
	Samples    int      `json:"samples"`   // that a laboratory measured
	Ungrouped  []string `json:"ungrouped"` // rated trees that are in no treatment

	Seasons   []SeasonProgress       `json:"seasons"`
	Survival  *health.SurvivalReport `json:"survival,omitempty"`
	Watched   int                    `json:"watched"`   // trees in the survival
	Unwatched int                    `json:"unwatched"` // trees that were never looked at after day zero
	Efficacy  []Efficacy             `json:"efficacy"`
	Counts    *health.EfficacyReport `json:"counts,omitempty"` // from a table of counts
	Residues  []Residue              `json:"residues"`
	Problems  []Wrong                `json:"problems"`
}

// SeasonProgress is one season's disease progress.
type SeasonProgress struct {
	From     string                 `json:"from"`
	To       string                 `json:"to"`
	Visits   int                    `json:"visits"`
	Progress *health.ProgressReport `json:"progress,omitempty"`
}

// Efficacy is one treatment against the reference: shares of dead trees.
type Efficacy struct {
	Treatment string                 `json:"treatment"`
	Unknown   int                    `json:"unknown"` // trees left out: removed, or not seen at the last visit
	Report    *health.EfficacyReport `json:"report,omitempty"`
}

// Residue is what is left of the active in the trees of one treatment.
type Residue struct {
	Treatment string          `json:"treatment,omitempty"` // absent: trees in no treatment
	DayZero   string          `json:"day_zero,omitempty"`
	Samples   int             `json:"samples"`
	Trees     int             `json:"trees"`
	Before    int             `json:"before"` // samples taken before day zero, left out
	Report    *decline.Report `json:"report,omitempty"`
	Windows   []AgainWindow   `json:"windows"` // when to treat again
}

// AgainWindow says when to treat again by the residue of one tissue.
type AgainWindow struct {
	Tissue  string   `json:"tissue,omitempty"`
	HeightM *float64 `json:"height_m,omitempty"` // of the sample above the ground
	From    string   `json:"from"`
	By      string   `json:"by,omitempty"` // absent: the level is not lost as far as can be told
	Late    bool     `json:"late"`         // the card allows it only after the level is lost
	GapD    int      `json:"gap_d"`        // days between the two, where it is late
	Done    bool     `json:"done"`         // treated again since
	Series  int      `json:"series"`       // of the decline it follows from
	FromWhy string   `json:"from_why"`     // what sets the first day: card, record, or none
}

// Season is a block's last twelve months.
type Season struct {
	From         string                        `json:"from"`
	To           string                        `json:"to"`
	Count        BlockCount                    `json:"count"`
	Applications []Thing[app.ApplicationFacts] `json:"applications"`
	Costs        []crew.Cost                   `json:"costs"`    // of the plans that they follow
	Uncosted     int                           `json:"uncosted"` // applications without a cost on record
	Visits       int                           `json:"visits"`
	Samples      int                           `json:"samples"`
	Due          []DueItem                     `json:"due"`
}

func (c *call) followUp(f app.FollowResult) FollowUp {
	out := FollowUp{Today: f.Today.String(), Given: f.ZeroGiven, Treatments: f.Treatments, Versus: f.Versus, Visits: len(f.Visits), Samples: len(f.Assays), Ungrouped: f.Ungrouped,
		Seasons: []SeasonProgress{}, Survival: f.Survival, Watched: f.Watched, Unwatched: f.Unwatched, Efficacy: []Efficacy{}, Counts: f.Counts, Residues: []Residue{}, Problems: []Wrong{}}
	if !f.Zero.IsZero() {
		out.DayZero = f.Zero.String()
	}
	bad := func(fs finding.Faults) bool {
		for _, x := range fs {
			out.Problems = append(out.Problems, c.h.wrong(c.say, x))
		}
		return len(fs) > 0
	}
	for _, s := range f.Seasons {
		x := SeasonProgress{From: s.From, To: s.To, Visits: s.Visits}
		if !bad(s.Bad) {
			x.Progress = &s.ProgressReport
		}
		out.Seasons = append(out.Seasons, x)
	}
	bad(f.SurvivalBad)
	bad(f.CountsBad)
	for _, e := range f.Efficacy {
		x := Efficacy{Treatment: e.Treatment, Unknown: e.Unknown}
		if !bad(e.Bad) {
			x.Report = &e.EfficacyReport
		}
		out.Efficacy = append(out.Efficacy, x)
	}
	for _, d := range f.Declines {
		x := Residue{Treatment: d.Treatment, Samples: d.Samples, Trees: d.Trees, Before: d.Before, Windows: []AgainWindow{}}
		if !d.Zero.IsZero() {
			x.DayZero = d.Zero.String()
		}
		if !bad(d.Bad) && d.Samples > 0 {
			x.Report = &d.Report
		}
		for _, w := range d.Windows {
			x.Windows = append(x.Windows, AgainWindow(w))
		}
		out.Residues = append(out.Residues, x)
	}
	return out
}

func followUp(t *table) {
	read(t, "blocks/{id}/follow", "getFollowUp", "FollowUp", "What the follow-up of a block says: progress, survival, efficacy, residues", func(c *call) (FollowUp, error) {
		f, err := c.h.app.FollowUp(c.ctx, c.actor, c.id())
		if err != nil {
			return FollowUp{}, err
		}
		return c.followUp(f), nil
	})
	one(t, "blocks/{id}/follow/facts", "getFollowFacts", "FollowUp", "How a block is followed; version 0 where nothing is kept", func(c *call) (app.Follow, error) {
		f, err := c.h.app.FollowUp(c.ctx, c.actor, c.id())
		return f.Follow, err
	})
	changes(t, http.MethodPut, "blocks/{id}/follow/facts", "setFollowFacts", "SetFollow", "Keep how a block is followed; If-Match \"0\" makes the first", func(c *call, in app.FollowFacts) (app.Follow, error) {
		return c.h.app.SetFollow(c.ctx, c.actor, c.id(), c.version, in)
	})
	list(t, "blocks/{id}/visits", "listVisits", "Visits", "Visits of a block, oldest first", func(c *call) ([]Thing[app.VisitFacts], error) {
		vs, err := c.h.app.Visits(c.ctx, c.actor, c.id())
		return things(vs), err
	})
	five := 5.0
	makes(t, "blocks/{id}/visits", "addVisit", "AddVisit", "Keep what was seen on a day", func(c *call, in app.VisitFacts) (app.Visit, error) {
		return c.h.app.AddVisit(c.ctx, c.actor, c.id(), in)
	}).says("A second visit on the same day adds to the first.").example(app.VisitFacts{On: "2026-07-01", Scale: "percent", Rows: []app.VisitRow{{Tree: "E001", Rating: &five}, {Tree: "E002", Status: "dead"}}})
	turns(t, http.MethodDelete, "visits/{id}", "retireVisit", "RetireVisit", "Take a visit out of use: entered by mistake", func(c *call) (app.Stamp, error) {
		return c.h.app.RetireVisit(c.ctx, c.actor, c.id(), c.version, c.text("reason"))
	}).asks(reasonParam)
	read(t, "blocks/{id}/season", "getSeason", "Season", "A block's last twelve months: what was done, seen and spent, and what is due", func(c *call) (Season, error) {
		s, err := c.h.app.Season(c.ctx, c.actor, c.id())
		return Season{s.From, s.To, BlockCount(s.Count), things(s.Applications), s.Costs, s.Uncosted, s.SeasonVisits, s.SeasonAssays, dueItems(s.Due)}, err
	})
}
