package api

import (
	"bufio"
	"bytes"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"sapward/apply/fieldlog"
	"sapward/finding"
	"sapward/internal/app"
	"sapward/internal/brief"
	"sapward/plan"
)

// PlanLine is a draft or plan in a block's list.
type PlanLine struct {
	Stamp
	Type         app.Type `json:"type"` // draft or plan
	Name         string   `json:"name,omitempty"`
	Product      string   `json:"product,omitempty"`
	Method       string   `json:"method,omitempty"`
	On           string   `json:"on,omitempty"` // day of work
	PracticeOnly bool     `json:"practice_only"`
	Trees        int64    `json:"trees"` // of a plan
	Ports        int64    `json:"ports"` // of a plan
	ApprovedBy   string   `json:"approved_by,omitempty"`
}

// Wait is one thing that approval waits for.
type Wait struct {
	Finding finding.Finding `json:"finding"`
	Field   string          `json:"field,omitempty"` // option of the brief that answers it; absent: the answer lies elsewhere
	Text    string          `json:"text"`            // in the language that was asked for
	Hint    string          `json:"hint,omitempty"`
}

// FactAnswer answers one open fact of a draft.
type FactAnswer struct {
	Fact string `json:"fact"` // identifier of the finding, such as area-needed
	Text string `json:"text"` // the answer, as the option of the brief takes it
}

// written is a plan document as plan --json writes it.
func written(o app.Outcome) ([]byte, error) {
	var b bytes.Buffer
	w := bufio.NewWriter(&b)
	if err := brief.WriteDocument(w, o.Job, plan.Slice(o.Inputs.CoreTrees()), nil); err != nil {
		return nil, err
	}
	err := w.Flush()
	return b.Bytes(), err
}

func plans(t *table) {
	list(t, "blocks/{id}/plans", "listPlans", "Plans", "Drafts and plans of a block, drafts first; withdrawn plans are among them", func(c *call) ([]PlanLine, error) {
		ps, err := c.h.app.Plans(c.ctx, c.actor, c.id())
		var out []PlanLine
		for _, p := range ps {
			out = append(out, PlanLine{stamp(p.Stamp), p.Type, p.Name, p.Product, p.Method, p.On, p.PracticeOnly, p.Trees, p.Ports, p.ApprovedBy})
		}
		return out, err
	})
	draft := app.DraftFacts{Card: "01890000-0000-7000-8000-000000000001", Brief: brief.Brief{Method: "injection", On: "2026-06-03", AreaHa: "1.2", Bloom: "after"}}
	try := act(t, http.MethodPost, "blocks/{id}/plans/try", "tryPlan", "TryPlan", "Work out what a draft would give and keep nothing", http.StatusOK, func(c *call, in app.DraftFacts) (plan.Plan, error) {
		return plan.Plan{}, nil
	}).example(draft)
	try.run = func(c *call) (*reply, error) {
		var in app.DraftFacts
		if err := decode(c.body, &in); err != nil {
			return nil, err
		}
		o, err := c.h.app.TryPlan(c.ctx, c.actor, c.id(), in)
		if err != nil {
			return nil, err
		}
		data, err := written(o)
		return &reply{raw: data, body: rawJSON(data)}, err
	}
	makes(t, "blocks/{id}/drafts", "addDraft", "AddDraft", "Keep a new draft for a block: a card and options", func(c *call, in app.DraftFacts) (app.Draft, error) {
		return c.h.app.AddDraft(c.ctx, c.actor, c.id(), in)
	}).example(draft)
	one(t, "drafts/{id}", "getDraft", "Draft", "A draft's options", func(c *call) (app.Draft, error) {
		d, _, err := c.h.app.Draft(c.ctx, c.actor, c.id())
		return d, err
	})
	changes(t, http.MethodPut, "drafts/{id}", "changeDraft", "SaveDraft", "Keep new options of a draft", func(c *call, in app.DraftFacts) (app.Draft, error) {
		return c.h.app.SaveDraft(c.ctx, c.actor, c.id(), c.version, in)
	})
	turns(t, http.MethodDelete, "drafts/{id}", "retireDraft", "RetireDraft", "Put a draft away", func(c *call) (app.Stamp, error) {
		return c.h.app.RetireDraft(c.ctx, c.actor, c.id(), c.version)
	})
	raw[plan.Plan](t, "drafts/{id}/document", "getDraftDocument", "Draft", "What a draft gives today, as a plan document", func(c *call) ([]byte, error) {
		_, o, err := c.h.app.Draft(c.ctx, c.actor, c.id())
		if err != nil {
			return nil, err
		}
		return written(o)
	}).says("The document that plan --json writes: doses, ports with their places, refusals, open facts.")
	list(t, "drafts/{id}/waits", "listWaits", "Draft", "What stands between a draft and approval", func(c *call) ([]Wait, error) {
		_, o, err := c.h.app.Draft(c.ctx, c.actor, c.id())
		var out []Wait
		for _, x := range o.Waits {
			w := Wait{Finding: x.Finding, Field: x.Field}
			w.Text, w.Hint = c.say.Finding(x.Finding)
			out = append(out, w)
		}
		return out, err
	})
	changes(t, http.MethodPost, "drafts/{id}/answers", "answerFact", "AnswerFact", "Answer one open fact of a draft", func(c *call, in FactAnswer) (app.Draft, error) {
		return c.h.app.AnswerFact(c.ctx, c.actor, c.id(), c.version, in.Fact, in.Text)
	}).example(FactAnswer{Fact: "area-needed", Text: "1.2"})
	makes(t, "drafts/{id}/approve", "approvePlan", "ApprovePlan", "Approve what a draft gives now", func(c *call, _ none) (app.Plan, error) {
		return c.h.app.ApprovePlan(c.ctx, c.actor, c.id(), c.version)
	}).says("The plan is kept as computed, with its inputs, and never changes again. It is refused while anything is waited for.").match = true
	one(t, "plans/{id}", "getPlan", "Plan", "An approved plan", func(c *call) (app.Plan, error) {
		v, err := c.h.app.Plan(c.ctx, c.actor, c.id())
		return v.Plan, err
	})
	raw[plan.Plan](t, "plans/{id}/document", "getPlanDocument", "PlanDocument", "The document of a plan, byte by byte as it was approved", func(c *call) ([]byte, error) {
		return c.h.app.PlanDocument(c.ctx, c.actor, c.id())
	})
	turns(t, http.MethodDelete, "plans/{id}", "withdrawPlan", "WithdrawPlan", "Take a plan back before the work; it stays readable", func(c *call) (app.Stamp, error) {
		return c.h.app.WithdrawPlan(c.ctx, c.actor, c.id(), c.version, c.text("reason"))
	}).asks(text("reason", "Why.").must())
}

// DayOrder is a day to be opened or changed.
type DayOrder struct {
	On     string   `json:"on,omitempty"`     // day of work; absent: the plan's
	Number int      `json:"number,omitempty"` // day of the plan's schedule, from 1; absent: all trees
	People []string `json:"people"`           // names or roles, in the order of the plan's crew
	Trees  []string `json:"trees,omitempty"`  // tags; absent: those of the day
	Note   string   `json:"note,omitempty"`
}

// DayLine is a day in a list.
type DayLine struct {
	Thing[app.DayFacts]
	Notes int `json:"notes"` // noted so far
}

// Noted is one thing that happened at the trees, as it is typed in.
type Noted struct {
	At        string        `json:"at,omitempty"` // when it happened, RFC 3339 with offset; absent: now
	Kind      fieldlog.Kind `json:"kind"`
	Tree      string        `json:"tree,omitempty"`      // tag
	Port      int           `json:"port,omitempty"`      // number on the plan, from 1
	Person    string        `json:"person,omitempty"`    // of the day's people; absent: the person of the token
	Stem      string        `json:"stem,omitempty"`      // name of the stem
	AlongMM   *int64        `json:"along_mm,omitempty"`  // from the mark, clockwise seen from above
	HeightMM  *int64        `json:"height_mm,omitempty"` // above the ground
	DepthMM   *int64        `json:"depth_mm,omitempty"`  // from the bark's surface
	BitUM     *int64        `json:"bit_um,omitempty"`    // diameter of the bit
	VolumeUL  *int64        `json:"volume_ul,omitempty"`
	LeftUL    *int64        `json:"left_ul,omitempty"` // absent: not read
	LostUL    *int64        `json:"lost_ul,omitempty"` // absent: not measured
	Container string        `json:"container,omitempty"`
	Lot       string        `json:"lot,omitempty"`
	To        int           `json:"to,omitempty"`       // port that the rest goes to
	Replaces  int           `json:"replaces,omitempty"` // port that a new hole stands for
	Reading   string        `json:"reading,omitempty"`  // of a tape, with its unit
	Taped     string        `json:"taped,omitempty"`    // girth or diameter
	Text      string        `json:"text,omitempty"`
	Reason    string        `json:"reason,omitempty"`
	Of        string        `json:"of,omitempty"`   // note that a decision keeps, or that was a slip
	Drop      []string      `json:"drop,omitempty"` // notes that a decision sets aside
}

func (n Noted) event() fieldlog.Event {
	return fieldlog.Event{At: n.At, Kind: n.Kind, Tree: n.Tree, Port: n.Port, Person: n.Person, Stem: n.Stem, AlongMM: n.AlongMM, HeightMM: n.HeightMM, DepthMM: n.DepthMM, BitUM: n.BitUM, VolumeUL: n.VolumeUL, LeftUL: n.LeftUL, LostUL: n.LostUL,
		Container: n.Container, Lot: n.Lot, To: n.To, Replaces: n.Replaces, Reading: n.Reading, Taped: n.Taped, Text: n.Text, Reason: n.Reason, Of: n.Of, Drop: n.Drop}
}

// NoteList is what happened at the trees, typed in afterwards: all of it is kept,
// or none.
type NoteList struct {
	Notes []Noted `json:"notes"`
}

// News is what a day's stream of events says.
type News struct {
	Day   string `json:"day"`   // identifier
	Notes int    `json:"notes"` // noted so far
}

func days(t *table) {
	act(t, http.MethodPost, "plans/{id}/gates/try", "tryGate", "Gate", "Ask the morning's questions of a plan and keep nothing", http.StatusOK, func(c *call, in brief.Gate) (brief.GateDocument, error) {
		return c.h.app.Gate(c.ctx, c.actor, c.id(), in)
	})
	list(t, "plans/{id}/gates", "listGates", "Plan", "Mornings that were answered for a plan", func(c *call) ([]Thing[app.GateFacts], error) {
		v, err := c.h.app.Plan(c.ctx, c.actor, c.id())
		return things(v.Gates), err
	})
	makes(t, "plans/{id}/gates", "keepGate", "KeepGate", "Keep a morning's answers beside a plan", func(c *call, in brief.Gate) (app.Kept[app.GateFacts], error) {
		return c.h.app.KeepGate(c.ctx, c.actor, c.id(), in)
	})
	list(t, "plans/{id}/days", "listDays", "Days", "Days of a plan, newest first", func(c *call) ([]DayLine, error) {
		ds, err := c.h.app.Days(c.ctx, c.actor, c.id())
		var out []DayLine
		for _, d := range ds {
			out = append(out, DayLine{thing(d.FieldDay), d.Notes})
		}
		return out, err
	})
	order := func(in DayOrder) app.DayOrder { return app.DayOrder(in) }
	makes(t, "plans/{id}/days", "openDay", "OpenDay", "Open a day of a plan whose gate says go", func(c *call, in DayOrder) (app.FieldDay, error) {
		return c.h.app.OpenDay(c.ctx, c.actor, c.id(), order(in))
	}).example(DayOrder{On: "2026-06-03", People: []string{"crew lead", "second"}})
	one(t, "days/{id}", "getDay", "Day", "A day", func(c *call) (app.FieldDay, error) {
		v, err := c.h.app.Day(c.ctx, c.actor, c.id())
		return v.FieldDay, err
	})
	changes(t, http.MethodPut, "days/{id}", "changeDay", "ChangeDay", "Change people and trees of an open day", func(c *call, in DayOrder) (app.FieldDay, error) {
		return c.h.app.ChangeDay(c.ctx, c.actor, c.id(), c.version, order(in))
	})
	changes(t, http.MethodPost, "days/{id}/close", "closeDay", "CloseDay", "End a day, so that its record can be written", func(c *call, _ none) (app.FieldDay, error) {
		return c.h.app.CloseDay(c.ctx, c.actor, c.id(), c.version)
	})
	read(t, "days/{id}/state", "getDayState", "Day", "A day at a glance: trees, people, balance of the liquid, contradictions", func(c *call) (fieldlog.DayState, error) {
		v, err := c.h.app.Day(c.ctx, c.actor, c.id())
		return v.State, err
	})
	list(t, "days/{id}/notes", "listNotes", "Day", "Everything that was noted on a day, in the order of the clock", func(c *call) ([]fieldlog.Event, error) {
		v, err := c.h.app.Day(c.ctx, c.actor, c.id())
		if err != nil {
			return nil, err
		}
		var out []fieldlog.Event
		for _, tree := range v.Pack.Trees {
			out = append(out, v.Log.Events(tree.Tag)...)
		}
		out = append(out, v.Log.Events("")...)
		at := func(e fieldlog.Event) time.Time { t, _ := fieldlog.Instant(e.At); return t }
		slices.SortStableFunc(out, func(a, b fieldlog.Event) int {
			if c := at(a).Compare(at(b)); c != 0 {
				return c
			}
			return strings.Compare(a.ID, b.ID)
		})
		return out, nil
	})
	o := act(t, http.MethodPost, "days/{id}/notes", "addNotes", "NoteAll", "Keep what happened at the trees, typed in afterwards: all of it or nothing", http.StatusCreated, func(c *call, in NoteList) (Page[fieldlog.Event], error) {
		if len(in.Notes) == 0 || len(in.Notes) > 500 {
			return Page[fieldlog.Event]{}, inBodies{bad("api-count", "/notes", finding.Args{"least": finding.Count(1), "most": finding.Count(500)})}
		}
		var notes []fieldlog.Event
		for _, n := range in.Notes {
			notes = append(notes, n.event())
		}
		out, err := c.h.app.NoteAll(c.ctx, c.actor, c.id(), notes)
		return whole(out), err
	}).says("At most 500 at once. Decisions between notes and slips taken back ask for a crew lead.").example(NoteList{[]Noted{{Kind: fieldlog.Start, Tree: "E001", At: "2026-06-03T08:10:00+02:00"}}})
	o.makes = true
	o.again = func(c *call, events []app.Event) (*reply, error) {
		out := []fieldlog.Event{}
		for _, e := range events {
			if e.Type != app.TypeNote {
				continue
			}
			k, err := app.AsKept[fieldlog.Event](e)
			if err != nil {
				return nil, err
			}
			out = append(out, k.Facts)
		}
		return &reply{body: whole(out)}, nil
	}
	t.add(&op{method: http.MethodGet, path: "days/{id}/events", name: "watchDay", use: "WatchDay", title: "News of a day as it comes (server-sent events)", about: "An event `noted` whenever something was noted, with a News object as its data; a comment every 20 seconds says that the line is still there. What was missed is in the notes.", media: "text/event-stream", status: http.StatusOK, long: true, run: watch})
}

// watch tells of news as server-sent events.
func watch(c *call) (*reply, error) {
	news, err := c.h.app.WatchDay(c.ctx, c.actor, c.id())
	if err != nil {
		return nil, err
	}
	return &reply{stream: func(w http.ResponseWriter) error {
		w.Header().Set("Content-Type", "text/event-stream")
		w.Header().Set("Cache-Control", "no-store")
		out := http.NewResponseController(w)
		_ = out.SetWriteDeadline(time.Time{})
		send := func(text string) bool {
			_, err := w.Write([]byte(text))
			return err == nil && out.Flush() == nil
		}
		if !send("retry: 5000\n\n") {
			return nil
		}
		if f := c.h.opt.Listening; f != nil {
			f(1)
			defer f(-1)
		}
		beat := time.NewTicker(20 * time.Second)
		defer beat.Stop()
		for {
			select {
			case _, ok := <-news:
				if !ok {
					return nil
				}
				v, err := c.h.app.Day(c.ctx, c.actor, c.id()) // who has lost the role meanwhile is told nothing more
				if err != nil || !send(fmt.Sprintf("event: noted\ndata: {\"day\":%q,\"notes\":%d}\n\n", v.ID, v.State.Events)) {
					return nil
				}
			case <-beat.C:
				if !send(": still here\n\n") {
					return nil
				}
			case <-c.h.opt.Stopping: // the caller connects anew, to this server's successor or another
				send("retry: 1000\n\n")
				return nil
			}
		}
	}}, nil
}
