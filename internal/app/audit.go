package app

import (
	"bytes"
	"context"
	"encoding/json"
	"strings"

	"sapward/finding"
)

// leaves writes facts by path, for comparing.
func leaves(facts any) map[string]string {
	out := map[string]string{}
	data, err := json.Marshal(facts)
	if err != nil {
		return out
	}
	var doc any
	dec := json.NewDecoder(bytes.NewReader(data))
	dec.UseNumber()
	if dec.Decode(&doc) == nil {
		flatten(out, "", doc)
	}
	return out
}

// Changes lists what differs between two bodies, by path; either may be nil.
func Changes(before, after json.RawMessage) []FieldChange {
	read := func(b json.RawMessage) map[string]string {
		if len(b) == 0 {
			return map[string]string{}
		}
		return leaves(b)
	}
	return differ(read(before), read(after))
}

// secret takes what nobody may read out of an event.
func secret(e Event) Event {
	if e.Type == TypePerson {
		var f PersonFacts
		if json.Unmarshal(e.Body, &f) == nil && f.Password != "" {
			f.Password = ""
			if body, err := encode(f); err == nil {
				e.Body = body
			}
		}
	}
	return e
}

// visibleEstates are the estates the actor has a role on.
func (a *App) visibleEstates(ctx context.Context, actor Actor) ([]Estate, error) {
	estates, err := list[EstateFacts](ctx, a.Store, Query{Type: TypeEstate})
	if err != nil {
		return nil, err
	}
	out := []Estate{}
	for _, e := range estates {
		role, err := a.role(ctx, a.Store, actor, e.ID)
		if err != nil {
			return nil, err
		}
		if role != Nobody {
			out = append(out, e)
		}
	}
	return out, nil
}

// AuditPage is a page of events, newest first. Next asks for the page after it;
// 0 ends the list.
type AuditPage struct {
	Events []Event
	People map[string]string // names by identifier
	Next   int64
}

// Audit returns events of an estate, newest first; with no estate named, those
// of everything, for which a role on everything is needed.
func (a *App) Audit(ctx context.Context, actor Actor, query EventQuery) (AuditPage, error) {
	var page AuditPage
	if err := a.may(ctx, actor, "Audit", query.Estate); err != nil {
		return page, err
	}
	if query.Estate == "" {
		if role, err := a.everywhere(ctx, actor); err != nil || !role.Allows(Permissions["Audit"].least) {
			if err == nil {
				err = denied(Permissions["Audit"].least)
			}
			return page, err
		}
	}
	if query.Limit <= 0 || query.Limit > 500 {
		query.Limit = 100
	}
	events, err := a.Store.Events(ctx, query)
	if err != nil {
		return page, err
	}
	for _, e := range events {
		page.Events = append(page.Events, secret(e))
	}
	if len(events) == query.Limit {
		page.Next = events[len(events)-1].Seq
	}
	page.People, err = a.names(ctx)
	return page, err
}

// History returns the events of one thing, newest first.
func (a *App) History(ctx context.Context, actor Actor, t Type, id string) ([]Event, error) {
	if err := a.mayOn(ctx, actor, "History", t, id); err != nil {
		return nil, err
	}
	if t == TypePerson || t == TypeSettings || t == TypeMembership || t == TypeToken {
		if role, err := a.everywhere(ctx, actor); err != nil || role != Owner {
			if err == nil {
				err = denied(Owner)
			}
			return nil, err
		}
	}
	events, err := a.Store.Events(ctx, EventQuery{Entity: id, Limit: 500})
	if err != nil {
		return nil, err
	}
	for i := range events {
		if events[i], err = a.blinded(ctx, actor, secret(events[i])); err != nil {
			return nil, err
		}
	}
	return events, nil
}

// Search finds estates, blocks, trees, cards and plans by how their name, tag or
// species begins, at most limit, among those the actor may see.
func (a *App) Search(ctx context.Context, actor Actor, text string, limit int) ([]Hit, error) {
	if err := a.may(ctx, actor, "Search", ""); err != nil {
		return nil, err
	}
	text = strings.TrimSpace(text)
	if text == "" || len(text) > 200 {
		return []Hit{}, nil
	}
	if limit <= 0 || limit > 100 {
		limit = 20
	}
	estates, err := a.visibleEstates(ctx, actor)
	if err != nil {
		return nil, err
	}
	q := SearchQuery{Text: text, Limit: limit}
	for _, e := range estates {
		q.Estates = append(q.Estates, e.ID)
	}
	return a.Store.Search(ctx, q)
}

// signed are types whose events are signed in some way: they are withdrawn or
// corrected, not undone.
var signed = map[Type]bool{TypePlan: true, TypeCheck: true, TypeGate: true, TypeDay: true, TypePhone: true, TypeNote: true, TypeRecord: true, TypeFeed: true, TypePerson: true, TypeMembership: true, TypeSettings: true, TypeToken: true}

// doing names, for each type of thing, the use case that changes it.
var doing = map[Type]string{
	TypeEstate: "ChangeEstate", TypeBlock: "ChangeBlock", TypeTree: "ChangeTree", TypeWound: "ChangeWound", TypeCard: "ChangeCard", TypeDraft: "SaveDraft",
	TypeApplication: "ChangeApplication", TypeAttachment: "Attach",
	TypeFollow: "SetFollow", TypeVisit: "AddVisit", TypeAssay: "ImportFollow", TypeTrial: "DesignTrial", TypeAssessment: "AssessTrial",
}

// leastFor is the least role that may do what an event did.
func leastFor(e Event) Role {
	use := doing[e.Type]
	switch e.Verb {
	case Measured:
		use = "MeasureTree"
	case Rated:
		use = "RateTree"
	}
	if r, ok := Permissions[use]; ok {
		return r.least
	}
	return Owner
}

// Undo takes back an act of the actor's own: every event of it gets an inverse
// event, newest first, in one transaction. It is refused when anything has
// changed since, and for acts that were signed.
func (a *App) Undo(ctx context.Context, actor Actor, act string) ([]Event, error) {
	if err := a.may(ctx, actor, "Undo", ""); err != nil {
		return nil, err
	}
	var out []Event
	err := a.Store.InTx(ctx, func(tx Tx) error {
		var events []Event
		for q := (EventQuery{Act: act, Limit: 1000}); ; {
			page, err := tx.Events(ctx, q)
			if err != nil {
				return err
			}
			events = append(events, page...)
			if len(page) < q.Limit {
				break
			}
			q.Before = page[len(page)-1].Seq
		}
		if len(events) == 0 {
			return missing("act")
		}
		var changes []Change
		seen := map[string]bool{}
		for _, e := range events {
			if e.By != actor.Person {
				return &finding.Fault{Class: finding.Denied, ID: "undo-not-yours"}
			}
			if signed[e.Type] {
				return usage("undo-signed", nil)
			}
			// Whoever has lost a role since may no longer take back what it did.
			least := leastFor(e)
			if role, err := a.role(ctx, tx, actor, e.Estate); err != nil || !role.Allows(least) {
				if err == nil {
					err = denied(least)
				}
				return err
			}
			if seen[e.Entity] {
				return usage("undo-twice", nil)
			}
			seen[e.Entity] = true
			c, err := a.inverse(ctx, tx, e)
			if err != nil {
				return err
			}
			changes = append(changes, c)
		}
		var err error
		out, err = tx.Append(ctx, actor.Person, changes...)
		return err
	})
	return out, err
}

// inverse is the change that takes an event back.
func (a *App) inverse(ctx context.Context, tx Tx, e Event) (Change, error) {
	s, err := tx.State(ctx, e.Type, e.Entity)
	if err != nil {
		return Change{}, err
	}
	if s.Version != e.Version {
		return Change{}, &Conflict{Type: e.Type, ID: e.Entity, Theirs: s, Yours: e.Body}
	}
	c := Change{Type: e.Type, ID: e.Entity, Estate: e.Estate, Parent: e.Parent, Sort: e.Sort, Version: e.Version + 1, Body: e.Body}
	switch {
	case e.Verb == Retired:
		c.Verb = Restored
	case e.Verb == Restored, e.Version == 1:
		c.Verb = Retired
	default:
		before, err := tx.Events(ctx, EventQuery{Entity: e.Entity, Type: e.Type, Before: e.Seq, Limit: 1})
		if err != nil {
			return c, err
		}
		if len(before) == 0 {
			return c, missing("act")
		}
		c.Verb, c.Body, c.Sort = Undone, before[0].Body, before[0].Sort
	}
	return c, nil
}
