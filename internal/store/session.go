package store

import (
	"context"
	"database/sql"
	"errors"
	"net/url"
	"time"

	"sapward/finding"
	"sapward/internal/app"
)

var _ app.Sessions = (*Store)(nil)

// side runs one statement on what is no fact. It waits for a transaction that
// is under way.
func (s *Store) side(ctx context.Context, query string, args ...any) error {
	if s.write == nil {
		return &finding.Fault{Class: finding.Storage, ID: "store-read-only", Where: finding.Where{File: s.dir}, Args: finding.Args{"reason": finding.Text("read-only")}}
	}
	_, err := s.beside.ExecContext(ctx, query, args...)
	return storeFault(s.dir, err)
}

func instant(t time.Time) string { return t.UTC().Format(app.TimeForm) }

// BeginSession keeps a new session and drops those that have expired.
func (s *Store) BeginSession(ctx context.Context, x app.Session) error {
	if err := s.side(ctx, "DELETE FROM sessions WHERE expires_at <= ?", instant(s.now())); err != nil {
		return err
	}
	return s.side(ctx, "INSERT INTO sessions (hash, person_id, created_at, seen_at, expires_at, data) VALUES (?, ?, ?, ?, ?, ?)",
		x.Hash, x.Person, instant(x.Created), instant(x.Seen), instant(x.Expires), x.Data)
}

// Session finds a session that has not expired.
func (s *Store) Session(ctx context.Context, hash string) (app.Session, bool, error) {
	x := app.Session{Hash: hash}
	var created, seen, expires string
	err := s.read.QueryRowContext(ctx, "SELECT person_id, created_at, seen_at, expires_at, data FROM sessions WHERE hash = ? AND expires_at > ?", hash, instant(s.now())).
		Scan(&x.Person, &created, &seen, &expires, &x.Data)
	if errors.Is(err, sql.ErrNoRows) {
		return app.Session{}, false, nil
	}
	for _, p := range []struct {
		to   *time.Time
		text string
	}{{&x.Created, created}, {&x.Seen, seen}, {&x.Expires, expires}} {
		if err == nil {
			*p.to, err = time.Parse(app.TimeForm, p.text)
		}
	}
	return x, err == nil, storeFault(s.dir, err)
}

// ChangeSession keeps Seen, Expires and Data of a session that is there.
func (s *Store) ChangeSession(ctx context.Context, x app.Session) error {
	return s.side(ctx, "UPDATE sessions SET seen_at = ?, expires_at = ?, data = ? WHERE hash = ?", instant(x.Seen), instant(x.Expires), x.Data, x.Hash)
}

// EndSession ends a session.
func (s *Store) EndSession(ctx context.Context, hash string) error {
	return s.side(ctx, "DELETE FROM sessions WHERE hash = ?", hash)
}

// EndSessions ends all sessions of a person but one.
func (s *Store) EndSessions(ctx context.Context, person, keep string) error {
	return s.side(ctx, "DELETE FROM sessions WHERE person_id = ? AND hash <> ?", person, keep)
}

// besides are the tables of what is no fact.
var besides = []string{"sessions", "token_secrets", "answers"}

// withoutBeside empties what is no fact in a copy, so that whoever finds a
// backup, or restores one, has nobody signed in and no program let in. What stood
// there is written over.
func withoutBeside(ctx context.Context, path string) error {
	db, err := sql.Open("sqlite", dsn(path, url.Values{"_pragma": {"secure_delete(1)", "journal_mode(delete)"}}))
	if err != nil {
		return err
	}
	for _, table := range besides {
		_, failed := db.ExecContext(ctx, "DELETE FROM "+table)
		err = errors.Join(err, failed)
	}
	return errors.Join(err, db.Close())
}
