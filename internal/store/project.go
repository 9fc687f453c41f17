package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"sapward/internal/app"
)

// tables names the table of each type of thing.
var tables = map[app.Type]string{
	app.TypePerson: "people", app.TypeSettings: "settings", app.TypeEstate: "estates", app.TypeMembership: "memberships", app.TypeBlock: "blocks",
	app.TypeTree: "trees", app.TypeWound: "wounds", app.TypeCard: "cards", app.TypeCheck: "card_checks", app.TypeDraft: "drafts", app.TypePlan: "plans",
	app.TypeGate: "gates", app.TypeDay: "days", app.TypePhone: "phones", app.TypeNote: "notes", app.TypeRecord: "records", app.TypeFeed: "feeds", app.TypeApplication: "applications", app.TypeAttachment: "attachments",
	app.TypeToken: "tokens", app.TypeFollow: "follows", app.TypeVisit: "visits", app.TypeAssay: "assays", app.TypeTrial: "trials", app.TypeAssessment: "assessments",
}

// projected are all tables that follow from the events, parents first.
var projected = []string{"people", "settings", "estates", "memberships", "blocks", "trees", "wounds", "readings", "cards", "card_checks", "drafts", "plans", "gates", "days", "phones", "notes", "records", "applications", "follows", "visits", "assays", "trials", "assessments", "attachments", "files", "feeds", "tokens", "names"}

// Columns of the rows that are written beside a thing's own.
const (
	eventColumns   = "seq, id, act, at, clock_at, by_id, type, verb, estate_id, entity_id, parent_id, sort, version, reason, body, prev, hash"
	readingColumns = "id, tree_id, seq, event_id, stem, on_day, by_id, taker, instrument, diameter_cm, at_m, reason, entered_at"
)

// statements are the prepared statements of the writer. Preparing each once
// makes a commit about as quick as bare SQLite (bench/store).
type statements struct {
	head, before, block                *sql.Stmt
	event, file, reading, unname, name aside

	insert, update map[app.Type]*sql.Stmt
	all            []*sql.Stmt
}

// aside is a statement whose count of rows nobody asks for.
type aside struct {
	st   *sql.Stmt
	text string // instead of st, where statements may wait for the next
}

func (a aside) exec(ctx context.Context, tx *sql.Tx, args ...any) (err error) {
	if a.st == nil {
		_, err = tx.ExecContext(ctx, a.text, args...)
	} else {
		_, err = tx.StmtContext(ctx, a.st).ExecContext(ctx, args...)
	}
	return err
}

func prepare(ctx context.Context, db *sql.DB, d dialect) (*statements, error) {
	s := &statements{insert: map[app.Type]*sql.Stmt{}, update: map[app.Type]*sql.Stmt{}}
	var err error
	make := func(text string) *sql.Stmt {
		if err != nil {
			return nil
		}
		var st *sql.Stmt
		if st, err = db.PrepareContext(ctx, text); err == nil {
			s.all = append(s.all, st)
		}
		return st
	}
	makeAside := func(text string) aside {
		if d.waits {
			return aside{text: later + text}
		}
		return aside{st: make(text)}
	}
	s.head = make("SELECT seq, id, at, hash FROM events ORDER BY seq DESC LIMIT 1")
	s.event = makeAside(inserting("events", eventColumns, "", 1))
	s.file = makeAside("INSERT INTO files (hash, event_id, size) VALUES (?, ?, ?) ON CONFLICT DO NOTHING")
	s.reading = makeAside(inserting("readings", readingColumns, "", 1))
	s.unname = makeAside("DELETE FROM names WHERE entity_id = ?")
	s.name = makeAside("INSERT INTO names (type, key, entity_id, estate_id, parent_id, text) VALUES (?, ?, ?, ?, ?, ?)")
	s.before = make("SELECT body FROM trees WHERE id = ?")
	s.block = make("SELECT parent_id FROM trees WHERE id = ?")
	for t, table := range tables {
		sets := ""
		for _, c := range more[t] {
			sets += ", " + c + " = ?"
		}
		s.insert[t] = make(inserting(table, thingColumns(t), "ON CONFLICT (id) DO NOTHING", 1))
		s.update[t] = make("UPDATE " + table + " SET version = ?, seq = ?, at = ?, by_id = ?, act = ?, retired_at = ?, body = ?, sort = ?" + sets + " WHERE id = ? AND version = ? AND (retired_at IS NULL OR ? = 'restored')")
	}
	return s, err
}

// thingColumns are the columns of a thing's row, in the order of item.columns
// and then the keys.
func thingColumns(t app.Type) string {
	names := append([]string{"version", "seq", "at", "by_id", "act", "retired_at", "body", "sort"}, more[t]...)
	return strings.Join(append(names, "estate_id", "parent_id", "id"), ", ")
}

// inserting is the statement that inserts some rows at once.
func inserting(table, columns, or string, rows int) string {
	one := "(" + strings.Repeat("?, ", strings.Count(columns, ",")) + "?)"
	return "INSERT INTO " + table + " (" + columns + ") VALUES " + strings.Repeat(one+", ", rows-1) + one + " " + or
}

func (s *statements) close() {
	for _, st := range s.all {
		if st != nil {
			st.Close()
		}
	}
}

// project brings the tables up to date with one event. It reports false when
// the thing is not at the version before.
func (s *statements) project(ctx context.Context, tx *sql.Tx, i *item) (bool, error) {
	e := &i.e
	text := func(st *sql.Stmt, id string) (out string, err error) {
		err = tx.StmtContext(ctx, st).QueryRowContext(ctx, id).Scan(&out)
		if errors.Is(err, sql.ErrNoRows) {
			err = nil
		}
		return out, err
	}
	var before *app.TreeFacts
	block := ""
	var err error
	switch {
	case e.Type == app.TypeTree && e.Version > 1:
		body, err := text(s.before, e.Entity)
		if err != nil {
			return false, err
		}
		before = &app.TreeFacts{}
		if body != "" {
			if err := json.Unmarshal([]byte(body), before); err != nil {
				return false, err
			}
		}
	case e.Type == app.TypeWound:
		if block, err = text(s.block, e.Parent); err != nil {
			return false, err
		}
	}
	args := i.columns(nil, block)
	st := s.update[e.Type]
	if e.Version == 1 {
		st = s.insert[e.Type]
		args = append(args, null(e.Estate), null(e.Parent), e.Entity)
	} else {
		args = append(args, e.Entity, e.Version-1, e.Verb)
	}
	if st == nil {
		return false, fmt.Errorf("store: no table for %q", e.Type)
	}
	res, err := tx.StmtContext(ctx, st).ExecContext(ctx, args...)
	if err != nil {
		return false, err
	}
	if n, err := res.RowsAffected(); err != nil || n == 0 {
		return false, err
	}
	rows, n := i.taken(nil, before)
	for k := range n {
		w := len(rows) / n
		if err := s.reading.exec(ctx, tx, rows[k*w:(k+1)*w]...); err != nil {
			return false, err
		}
	}
	if err := s.named(ctx, tx, i); err != nil {
		return false, err
	}
	return true, s.files(ctx, tx, i)
}

// named keeps what search finds a thing by; what is retired is not found.
func (s *statements) named(ctx context.Context, tx *sql.Tx, i *item) error {
	if i.names == nil {
		return nil
	}
	if i.e.Version > 1 {
		if err := s.unname.exec(ctx, tx, i.e.Entity); err != nil {
			return err
		}
	}
	if i.e.Verb == app.Retired {
		return nil
	}
	for _, key := range nameKeys(i.names) {
		if err := s.name.exec(ctx, tx, string(i.e.Type), key, i.e.Entity, i.e.Estate, i.e.Parent, i.name); err != nil {
			return err
		}
	}
	return nil
}

// files keeps which files an event speaks of.
func (s *statements) files(ctx context.Context, tx *sql.Tx, i *item) error {
	for _, f := range i.decoded.files {
		if f.Hash == "" {
			continue
		}
		if err := s.file.exec(ctx, tx, f.Hash, i.e.ID, f.Size); err != nil {
			return err
		}
	}
	return nil
}

// keep writes the event itself.
func (s *statements) keep(ctx context.Context, tx *sql.Tx, i *item) error {
	return s.event.exec(ctx, tx, i.kept(nil)...)
}
