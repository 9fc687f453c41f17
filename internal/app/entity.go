package app

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"strings"
	"time"

	"sapward/finding"
)

// Stamp is what the store knows of a thing apart from its facts.
type Stamp struct {
	ID      string
	Estate  string
	Parent  string
	Version int       // to be handed back with a change
	At      time.Time // of the last change
	By      string
	Act     string // of the last change; Undo takes it
	Retired bool
}

// Kept is a thing with its facts.
type Kept[F any] struct {
	Stamp
	Facts F
}

// kept reads a state.
func kept[F any](s State) (Kept[F], error) {
	k := Kept[F]{Stamp: Stamp{ID: s.ID, Estate: s.Estate, Parent: s.Parent, Version: s.Version, At: parseTime(s.At), By: s.By, Act: s.Act, Retired: s.Retired != ""}}
	if err := json.Unmarshal(s.Body, &k.Facts); err != nil {
		return k, &finding.Fault{Class: finding.Internal, ID: "internal", Cause: err, Args: finding.Args{"cause": finding.Text(err.Error())}}
	}
	return k, nil
}

// get reads one thing.
func get[F any](ctx context.Context, r Reader, t Type, id string) (Kept[F], error) {
	s, err := r.State(ctx, t, id)
	if err != nil {
		return Kept[F]{}, err
	}
	return kept[F](s)
}

// list reads all things of a query; Limit bounds a page, 0 reads on to the end.
func list[F any](ctx context.Context, r Reader, q Query) ([]Kept[F], error) {
	all := q.Limit == 0
	var out []Kept[F]
	for {
		states, err := r.States(ctx, q)
		if err != nil {
			return nil, err
		}
		for _, s := range states {
			k, err := kept[F](s)
			if err != nil {
				return nil, err
			}
			out = append(out, k)
		}
		if !all || len(states) == 0 {
			return out, nil
		}
		last := states[len(states)-1]
		q.After = Key{last.Sort, last.ID}
	}
}

// encode writes facts as JSON and refuses text that no file or page can carry.
func encode(facts any) (json.RawMessage, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(facts); err != nil {
		return nil, usage("text-unclean", nil)
	}
	body := bytes.TrimSpace(b.Bytes())
	if bytes.Contains(body, []byte(`\u0000`)) || bytes.Contains(body, []byte(`\ufffd`)) {
		return nil, usage("text-unclean", nil)
	}
	return body, nil
}

// write appends one change with facts and returns the thing as it is kept.
func write[F any](ctx context.Context, tx Tx, actor Actor, c Change, facts F) (Kept[F], error) {
	var err error
	if c.Body, err = encode(facts); err != nil {
		return Kept[F]{}, err
	}
	es, err := tx.Append(ctx, actor.Person, c)
	if err != nil {
		return Kept[F]{}, err
	}
	return stamped(es[0], facts), nil
}

func stamped[F any](e Event, facts F) Kept[F] {
	return Kept[F]{Stamp{ID: e.Entity, Estate: e.Estate, Parent: e.Parent, Version: e.Version, At: e.Time(), By: e.By, Act: e.Act, Retired: e.Verb == Retired}, facts}
}

// add keeps a new thing.
func add[F any](ctx context.Context, a *App, actor Actor, c Change, facts F) (out Kept[F], err error) {
	if c.ID == "" {
		c.ID = a.NewID()
	}
	if c.Verb == "" {
		c.Verb = Added
	}
	c.Version = 1
	err = a.Store.InTx(ctx, func(tx Tx) error {
		if out, err = write(ctx, tx, actor, c, facts); err != nil {
			return err
		}
		return nil
	})
	return out, err
}

// change keeps a new version of a thing: version is the one the person looked
// at.
func change[F any](ctx context.Context, a *App, actor Actor, t Type, verb, id string, version int, sort, reason string, facts F) (out Kept[F], err error) {
	err = a.Store.InTx(ctx, func(tx Tx) error {
		s, err := tx.State(ctx, t, id)
		if err != nil {
			return err
		}
		c := Change{Type: t, Verb: verb, ID: id, Estate: s.Estate, Parent: s.Parent, Sort: sort, Version: version + 1, Reason: strings.TrimSpace(reason)}
		if sort == "" {
			c.Sort = s.Sort
		}
		out, err = write(ctx, tx, actor, c, facts)
		return err
	})
	return out, err
}

// retire takes a thing out of use.
func (a *App) retire(ctx context.Context, actor Actor, t Type, id string, version int, reason string) (Stamp, error) {
	return a.turn(ctx, actor, t, Retired, id, version, reason)
}

func (a *App) turn(ctx context.Context, actor Actor, t Type, verb, id string, version int, reason string) (out Stamp, err error) {
	err = a.Store.InTx(ctx, func(tx Tx) error {
		s, err := tx.State(ctx, t, id)
		if err != nil {
			return err
		}
		es, err := tx.Append(ctx, actor.Person, Change{Type: t, Verb: verb, ID: id, Estate: s.Estate, Parent: s.Parent, Sort: s.Sort, Version: version + 1, Reason: strings.TrimSpace(reason), Body: s.Body})
		if err != nil {
			return err
		}
		out = stamped(es[0], struct{}{}).Stamp
		return nil
	})
	return out, err
}

// estateOf returns the estate a thing belongs to. A thing that is not there
// belongs to none.
func (a *App) estateOf(ctx context.Context, t Type, id string) (string, error) {
	s, err := a.Store.State(ctx, t, id)
	return s.Estate, err
}

// isMissing reports a Missing fault.
func isMissing(err error) bool {
	var f *finding.Fault
	return errors.As(err, &f) && f.Class == finding.Missing
}

// words trims a text and refuses one that is too long.
func words(faults *finding.Faults, field string, text *string, most int) {
	*text = strings.TrimSpace(*text)
	if len([]rune(*text)) > most {
		*faults = append(*faults, usage("field-long", finding.Args{"field_by": finding.Text("field-" + field), "most": finding.Count(most)}))
	}
}

// need refuses an empty text.
func need(faults *finding.Faults, field, text string) {
	if strings.TrimSpace(text) == "" {
		*faults = append(*faults, usage("field-needed", finding.Args{"field_by": finding.Text("field-" + field)}))
	}
}
