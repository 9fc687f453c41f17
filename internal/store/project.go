package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"

	"sapward/internal/app"
)

// tables names the table of each type of thing.
var tables = map[app.Type]string{
	app.TypePerson: "people", app.TypeSettings: "settings", app.TypeEstate: "estates", app.TypeMembership: "memberships", app.TypeBlock: "blocks",
	app.TypeTree: "trees", app.TypeWound: "wounds", app.TypeCard: "cards", app.TypeCheck: "card_checks", app.TypeDraft: "drafts", app.TypePlan: "plans",
	app.TypeGate: "gates", app.TypeDay: "days", app.TypePhone: "phones", app.TypeNote: "notes", app.TypeApplication: "applications", app.TypeAttachment: "attachments",
}

// statements are the prepared statements of the writer. Preparing each once
// makes a commit about as quick as bare SQLite (bench/store).
type statements struct {
	head, event, file, reading *sql.Stmt
	insert, update             map[app.Type]*sql.Stmt
	all                        []*sql.Stmt
}

// more are the columns that only some tables have.
var more = map[app.Type][]string{
	app.TypeTree:  {"tag", "species", "status", "diameter_cm", "x_m", "y_m", "lat", "lon"},
	app.TypeWound: {"block_id", "closed"},
}

func prepare(ctx context.Context, db *sql.DB) (*statements, error) {
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
	s.head = make("SELECT seq, id, at, hash FROM events ORDER BY seq DESC LIMIT 1")
	s.event = make("INSERT INTO events (seq, id, act, at, clock_at, by_id, type, verb, estate_id, entity_id, parent_id, sort, version, reason, body, prev, hash) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)")
	s.file = make("INSERT INTO files (hash, event_id, size) VALUES (?, ?, ?) ON CONFLICT DO NOTHING")
	s.reading = make("INSERT INTO readings (id, tree_id, seq, event_id, stem, on_day, by_id, taker, instrument, diameter_cm, at_m, reason, entered_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)")
	for t, table := range tables {
		names, marks, sets := "", "", ""
		for _, c := range more[t] {
			names, marks, sets = names+", "+c, marks+", ?", sets+", "+c+" = ?"
		}
		s.insert[t] = make("INSERT INTO " + table + " (version, seq, at, by_id, act, retired_at, body, sort" + names + ", estate_id, parent_id, id) VALUES (?, ?, ?, ?, ?, ?, ?, ?" + marks + ", ?, ?, ?) ON CONFLICT (id) DO NOTHING")
		s.update[t] = make("UPDATE " + table + " SET version = ?, seq = ?, at = ?, by_id = ?, act = ?, retired_at = ?, body = ?, sort = ?" + sets + " WHERE id = ? AND version = ? AND (retired_at IS NULL OR ? = 'restored')")
	}
	return s, err
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
func (s *statements) project(ctx context.Context, tx *sql.Tx, e *app.Event) (bool, error) {
	var retired any
	if e.Verb == app.Retired {
		retired = e.At
	}
	args := []any{e.Version, e.Seq, e.At, e.By, e.Act, retired, string(e.Body), e.Sort}
	var tree, before app.TreeFacts
	switch e.Type {
	case app.TypeTree:
		if err := json.Unmarshal(e.Body, &tree); err != nil {
			return false, err
		}
		args = append(args, tree.Tag, tree.Species, tree.Status, tree.Diameter(), float(tree.XM), float(tree.YM), float(tree.Lat), float(tree.Lon))
		if e.Version > 1 {
			var body string
			err := tx.QueryRowContext(ctx, "SELECT body FROM trees WHERE id = ?", e.Entity).Scan(&body)
			if err == nil {
				err = json.Unmarshal([]byte(body), &before)
			}
			if err != nil && err != sql.ErrNoRows {
				return false, err
			}
		}
	case app.TypeWound:
		var w app.WoundFacts
		if err := json.Unmarshal(e.Body, &w); err != nil {
			return false, err
		}
		var block string
		if err := tx.QueryRowContext(ctx, "SELECT parent_id FROM trees WHERE id = ?", e.Parent).Scan(&block); err != nil && err != sql.ErrNoRows {
			return false, err
		}
		args = append(args, block, w.Closed)
	}
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
	if e.Type == app.TypeTree {
		if err := s.readings(ctx, tx, e, tree, before); err != nil {
			return false, err
		}
	}
	return true, s.files(ctx, tx, e)
}

// readings keeps each tape reading that an event brings: one that the tree did
// not have before, unless the event only takes something back.
func (s *statements) readings(ctx context.Context, tx *sql.Tx, e *app.Event, now, before app.TreeFacts) error {
	if e.Verb == app.Retired || e.Verb == app.Restored || e.Verb == app.Undone {
		return nil
	}
	for i, stem := range now.Stems {
		if !stem.Measured() {
			continue
		}
		same := false
		for _, old := range before.Stems {
			same = same || old.SameReading(stem)
		}
		if same {
			continue
		}
		if _, err := tx.StmtContext(ctx, s.reading).ExecContext(ctx, fmt.Sprintf("%s/%d", e.ID, i), e.Entity, e.Seq, e.ID, stem.Name, stem.On, e.By, stem.Taker, stem.Instrument, stem.Diameter(), stem.MeasuredAtM, e.Reason, e.At); err != nil {
			return err
		}
	}
	return nil
}

// files keeps which files an event speaks of.
func (s *statements) files(ctx context.Context, tx *sql.Tx, e *app.Event) error {
	var list []app.File
	switch e.Type {
	case app.TypePlan:
		var p app.PlanFacts
		if err := json.Unmarshal(e.Body, &p); err != nil {
			return err
		}
		list = []app.File{p.Document, p.Inputs}
	case app.TypeDay:
		var d app.DayFacts
		if err := json.Unmarshal(e.Body, &d); err != nil {
			return err
		}
		list = []app.File{d.Pack}
	case app.TypeAttachment:
		var a app.AttachmentFacts
		if err := json.Unmarshal(e.Body, &a); err != nil {
			return err
		}
		list = []app.File{a.File}
	}
	for _, f := range list {
		if f.Hash == "" {
			continue
		}
		if _, err := tx.StmtContext(ctx, s.file).ExecContext(ctx, f.Hash, e.ID, f.Size); err != nil {
			return err
		}
	}
	return nil
}

func null(s string) any {
	if s == "" {
		return nil
	}
	return s
}

func float(x *float64) any {
	if x == nil {
		return nil
	}
	return *x
}
