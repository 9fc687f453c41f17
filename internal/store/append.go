package store

import (
	"context"
	"database/sql"
	"errors"
	"strings"

	"sapward/finding"
	"sapward/internal/app"
)

// tx is one transaction of the writer.
type tx struct {
	reader
	s    *Store
	tx   *sql.Tx
	act  string
	head *head
}

// InTx runs f in one transaction; one at a time. What f wrote is on the disk
// when InTx returns nil, and nothing of it is when it returns an error.
func (s *Store) InTx(ctx context.Context, f func(app.Tx) error) (err error) {
	if s.write == nil {
		return &finding.Fault{Class: finding.Storage, ID: "store-read-only", Where: finding.Where{File: s.dir}, Args: finding.Args{"reason": finding.Text("read-only")}}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	raw, err := s.write.BeginTx(ctx, nil)
	if err != nil {
		return storeFault(s.dir, err)
	}
	defer func() {
		if p := recover(); p != nil {
			_ = raw.Rollback()
			panic(p)
		}
		if err != nil {
			_ = raw.Rollback()
		}
	}()
	t := &tx{reader: reader{q: raw}, s: s, tx: raw}
	if err := f(t); err != nil {
		return storeFault(s.dir, err)
	}
	return storeFault(s.dir, raw.Commit())
}

// Append keeps changes as events and brings the tables up to date.
func (t *tx) Append(ctx context.Context, by string, changes ...app.Change) ([]app.Event, error) {
	if t.head == nil {
		var h head
		err := t.tx.StmtContext(ctx, t.s.stmts.head).QueryRowContext(ctx).Scan(&h.Seq, &h.ID, &h.At, &h.Hash)
		if err != nil && !errors.Is(err, sql.ErrNoRows) {
			return nil, err
		}
		t.head = &h
	}
	if by == "" {
		by = app.LocalPerson
	}
	out := make([]app.Event, 0, len(changes))
	for _, c := range changes {
		if !clean(c.Reason) || !clean(c.Sort) || !clean(c.ID) || !clean(c.Parent) || c.ID == "" {
			return nil, &finding.Fault{Class: finding.Usage, ID: "text-unclean"}
		}
		body, err := canonical(c.Body)
		if err != nil {
			return nil, err
		}
		e := app.Event{Seq: t.head.Seq + 1, By: by, Type: c.Type, Verb: c.Verb, Estate: c.Estate, Entity: c.ID, Parent: c.Parent, Sort: c.Sort, Version: c.Version, Reason: c.Reason, Body: body, Prev: t.head.Hash}
		e.At, e.ClockAt, e.ID = t.head.next(t.s.now(), t.s.random)
		if t.act == "" {
			t.act = e.ID
		}
		e.Act = t.act
		e.Hash = hashOf(e.Prev, &e)
		ok, err := t.s.stmts.project(ctx, t.tx, &e)
		if err != nil {
			return nil, t.taken(err, c)
		}
		if !ok {
			return nil, t.conflict(ctx, c)
		}
		if err := t.s.stmts.keep(ctx, t.tx, &e); err != nil {
			return nil, err
		}
		t.head = &head{e.Seq, e.ID, e.At, e.Hash}
		out = append(out, e)
	}
	return out, nil
}

// keep writes the event itself.
func (s *statements) keep(ctx context.Context, tx *sql.Tx, e *app.Event) error {
	_, err := tx.StmtContext(ctx, s.event).ExecContext(ctx, e.Seq, e.ID, e.Act, e.At, e.ClockAt, e.By, string(e.Type), e.Verb, e.Estate, e.Entity, e.Parent, e.Sort, e.Version, e.Reason, string(e.Body), e.Prev, e.Hash)
	return err
}

// conflict tells what is kept instead of the version that was looked at.
func (t *tx) conflict(ctx context.Context, c app.Change) error {
	theirs, err := t.State(ctx, c.Type, c.ID)
	if err != nil {
		return err
	}
	return &app.Conflict{Type: c.Type, ID: c.ID, Theirs: theirs, Yours: c.Body}
}

// taken turns a broken uniqueness or reference into a fault people understand.
func (t *tx) taken(err error, c app.Change) error {
	if code(err)&0xFF != sqliteConstraint {
		return err
	}
	switch {
	case c.Type == app.TypeTree && strings.Contains(err.Error(), "trees.tag"):
		return &finding.Fault{Class: finding.Conflict, ID: "tree-tag-twice", Cause: err}
	case strings.Contains(err.Error(), "FOREIGN KEY"):
		return &finding.Fault{Class: finding.Missing, ID: "app-missing", Cause: err, Args: finding.Args{"what_by": finding.Text("kind-" + string(c.Type))}}
	}
	return err
}

// sqliteConstraint is SQLITE_CONSTRAINT.
const sqliteConstraint = 19
