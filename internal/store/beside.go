package store

import (
	"context"
	"database/sql"
	"errors"
	"time"

	"sapward/finding"
	"sapward/internal/app"
)

var _ app.Beside = (*Store)(nil)

// KeepSecret keeps the hash of a token's secret.
func (s *Store) KeepSecret(ctx context.Context, token, hash string) error {
	return s.side(ctx, "INSERT INTO token_secrets (token_id, hash) VALUES (?, ?)", token, hash)
}

// Secret finds the hash of a token's secret.
func (s *Store) Secret(ctx context.Context, token string) (hash string, err error) {
	err = s.read.QueryRowContext(ctx, "SELECT hash FROM token_secrets WHERE token_id = ?", token).Scan(&hash)
	if errors.Is(err, sql.ErrNoRows) {
		return "", nil
	}
	return hash, storeFault(s.dir, err)
}

// DropSecret makes a token void.
func (s *Store) DropSecret(ctx context.Context, token string) error {
	return s.side(ctx, "DELETE FROM token_secrets WHERE token_id = ?", token)
}

// BeginRequest keeps a request, takes over one that nobody holds any longer, or
// returns what is kept.
func (s *Store) BeginRequest(ctx context.Context, r app.Request) (app.Request, bool, error) {
	now := instant(s.now())
	if err := s.side(ctx, "DELETE FROM answers WHERE expires_at <= ?", now); err != nil {
		return r, false, err
	}
	if err := s.side(ctx, "INSERT INTO answers (key, request, holder, until, expires_at, act, answer) VALUES (?, ?, ?, ?, ?, '', '') ON CONFLICT (key) DO NOTHING",
		r.Key, r.Request, r.Holder, instant(r.Until), instant(r.Expires)); err != nil {
		return r, false, err
	}
	if err := s.side(ctx, "UPDATE answers SET holder = ?, until = ? WHERE key = ? AND request = ? AND until <= ? AND act = '' AND answer = ''", r.Holder, instant(r.Until), r.Key, r.Request, now); err != nil {
		return r, false, err
	}
	kept := app.Request{Key: r.Key}
	var until, expires string
	err := s.beside.QueryRowContext(ctx, "SELECT request, holder, until, expires_at, act, answer FROM answers WHERE key = ?", r.Key).Scan(&kept.Request, &kept.Holder, &until, &expires, &kept.Act, &kept.Answer)
	if err == nil {
		kept.Until, err = time.Parse(app.TimeForm, until)
	}
	if err == nil {
		kept.Expires, err = time.Parse(app.TimeForm, expires)
	}
	return kept, err == nil && kept.Holder == r.Holder, storeFault(s.dir, err)
}

// KeepAnswer keeps the answer of a request that the holder holds.
func (s *Store) KeepAnswer(ctx context.Context, key, holder, answer string) error {
	return s.side(ctx, "UPDATE answers SET answer = ? WHERE key = ? AND holder = ?", answer, key, holder)
}

// FreeRequest forgets a request that has kept nothing.
func (s *Store) FreeRequest(ctx context.Context, key, holder string) error {
	return s.side(ctx, "DELETE FROM answers WHERE key = ? AND holder = ? AND act = '' AND answer = ''", key, holder)
}

// fence keeps, in the transaction itself, which act it is for a request. One
// that another try has taken over meanwhile, or that is done, ends the
// transaction: what was asked once is kept once.
func (t *tx) fence(ctx context.Context) error {
	m, ok := app.MarkOf(ctx)
	if !ok || t.act == "" {
		return nil
	}
	res, err := t.tx.ExecContext(ctx, "UPDATE answers SET act = ? WHERE key = ? AND holder = ? AND act = ''", t.act, m.Key, m.Holder)
	if err != nil {
		return err
	}
	if n, err := res.RowsAffected(); err != nil || n != 1 {
		return errors.Join(err, &finding.Fault{Class: finding.Conflict, ID: "request-taken-over"})
	}
	return nil
}
