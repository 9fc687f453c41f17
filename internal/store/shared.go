package store

import (
	"context"
	"database/sql"
	"errors"
	"os"
	"time"

	"sapward/finding"
	"sapward/internal/app"
)

var _ app.Shared = (*Store)(nil)

// sharedTables hold what is no fact, lasts minutes, and has to be known by every
// server of one database: counts of tries, and bytes that wait for a person's
// next step. They are not logged: a database that crashes forgets them, and
// nothing of a plan, a day or a record is among them. An SQLite folder has one
// server, which keeps the like in its memory.
var sharedTables = []string{
	`CREATE UNLOGGED TABLE IF NOT EXISTS tries (key TEXT NOT NULL, since INTEGER NOT NULL, n INTEGER NOT NULL, PRIMARY KEY (key, since))`,
	`CREATE UNLOGGED TABLE IF NOT EXISTS waiting (kind TEXT NOT NULL, key TEXT NOT NULL, owner TEXT NOT NULL, made_at TEXT NOT NULL, until TEXT NOT NULL, data BYTEA NOT NULL, PRIMARY KEY (kind, key))`,
}

// Shared reports that other servers may have the same facts open.
func (s *Store) Shared() bool { return s.shared }

// triesKept is how long counts of tries are kept at least.
const triesKept = time.Hour

// CountTry counts one more try in the window that begins at an instant.
func (s *Store) CountTry(ctx context.Context, key string, window time.Time, n int) error {
	var count int
	err := s.beside.QueryRowContext(ctx, "INSERT INTO tries (key, since, n) VALUES (?, ?, ?) ON CONFLICT (key, since) DO UPDATE SET n = tries.n + excluded.n RETURNING n", key, window.Unix(), n).Scan(&count)
	if err == nil && count == n { // a new window: a good moment to tidy
		_, err = s.beside.ExecContext(ctx, "DELETE FROM tries WHERE since < ?", window.Add(-triesKept).Unix())
	}
	return storeFault(s.dir, err)
}

// Tries returns what was counted in two windows.
func (s *Store) Tries(ctx context.Context, key string, current, previous time.Time) (now, before int, err error) {
	err = s.read.QueryRowContext(ctx, "SELECT COALESCE(max(CASE WHEN since = ? THEN n END), 0), COALESCE(max(CASE WHEN since = ? THEN n END), 0) FROM tries WHERE key = ? AND since >= ?",
		current.Unix(), previous.Unix(), key, previous.Unix()).Scan(&now, &before)
	return now, before, storeFault(s.dir, err)
}

// KeepWaiting keeps bytes until an instant. Of its kind an owner has at most
// mostOwn, and all owners together most; the oldest go.
func (s *Store) KeepWaiting(ctx context.Context, w app.Waiting, mostOwn, most int) error {
	if w.Data == nil {
		w.Data = []byte{}
	}
	err := s.inBeside(ctx, func(t *sql.Tx) error {
		if _, err := t.ExecContext(ctx, "DELETE FROM waiting WHERE until <= ?", instant(s.now())); err != nil {
			return err
		}
		if _, err := t.ExecContext(ctx, "INSERT INTO waiting (kind, key, owner, made_at, until, data) VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (kind, key) DO UPDATE SET owner = excluded.owner, made_at = excluded.made_at, until = excluded.until, data = excluded.data",
			w.Kind, w.Key, w.Owner, instant(s.now()), instant(w.Until), w.Data); err != nil {
			return err
		}
		for _, x := range []struct {
			owner string
			most  int
		}{{w.Owner, mostOwn}, {"", most}} {
			if _, err := t.ExecContext(ctx, "DELETE FROM waiting WHERE kind = ? AND key IN (SELECT key FROM waiting WHERE kind = ? AND (? = '' OR owner = ?) ORDER BY made_at DESC, key DESC OFFSET ?)", w.Kind, w.Kind, x.owner, x.owner, x.most); err != nil {
				return err
			}
		}
		return nil
	})
	return storeFault(s.dir, err)
}

// Waiting finds what waits under a key.
func (s *Store) Waiting(ctx context.Context, kind, key string) (app.Waiting, bool, error) {
	w := app.Waiting{Kind: kind, Key: key}
	var until string
	err := s.read.QueryRowContext(ctx, "SELECT owner, until, data FROM waiting WHERE kind = ? AND key = ? AND until > ?", kind, key, instant(s.now())).Scan(&w.Owner, &until, &w.Data)
	if errors.Is(err, sql.ErrNoRows) {
		return app.Waiting{}, false, nil
	}
	if err == nil {
		w.Until, err = time.Parse(app.TimeForm, until)
	}
	return w, err == nil, storeFault(s.dir, err)
}

// DropWaiting ends what waits under a key, or all of a kind where it is empty.
func (s *Store) DropWaiting(ctx context.Context, kind, key string) error {
	return s.side(ctx, "DELETE FROM waiting WHERE kind = ? AND (? = '' OR key = ?)", kind, key, key)
}

// Ready says whether the store can be worked with: it answers, its tables are of
// this program, and it takes writing.
func (s *Store) Ready(ctx context.Context) error {
	if err := s.upToDate(ctx); err != nil {
		return storeFault(s.dir, err)
	}
	if s.shared {
		var only bool
		err := s.beside.QueryRowContext(ctx, "SELECT pg_is_in_recovery()").Scan(&only)
		if err == nil && only {
			err = &finding.Fault{Class: finding.Storage, ID: "database-read-only", Where: finding.Where{File: s.dir}}
		}
		return storeFault(s.dir, err)
	}
	f, err := s.disk.temp(s.dir)
	if err == nil {
		_, err = f.Write(make([]byte, 4096))
		err = errors.Join(err, f.Sync(), f.Close(), os.Remove(f.Name()))
	}
	return storeFault(s.dir, err)
}

// Pool is how many connections to the database there are.
type Pool struct {
	Name              string
	Open, InUse, Most int
	Waits             int64
	Waited            time.Duration
}

// Pools are the connections of the store.
func (s *Store) Pools() []Pool {
	out := []Pool{}
	for _, p := range []struct {
		name string
		db   *sql.DB
	}{{"read", s.read}, {"write", s.write}, {"beside", s.beside}} {
		if p.db == nil || p.name == "beside" && p.db == s.write {
			continue
		}
		x := p.db.Stats()
		out = append(out, Pool{p.name, x.OpenConnections, x.InUse, x.MaxOpenConnections, x.WaitCount, x.WaitDuration})
	}
	return out
}

// SignedIn counts the sessions that have not expired.
func (s *Store) SignedIn(ctx context.Context) (n int, err error) {
	err = s.read.QueryRowContext(ctx, "SELECT count(*) FROM sessions WHERE expires_at > ?", instant(s.now())).Scan(&n)
	return n, storeFault(s.dir, err)
}

// lastBackup is the kind under which servers tell one another of their last
// backup by schedule.
const lastBackup = "backup"

// BackupTurn runs f where no other server makes a backup by schedule at this
// moment and none has made one since an instant. It reports whether f ran, and
// when the last one was made where another server made it.
func (s *Store) BackupTurn(ctx context.Context, since time.Time, f func() error) (ran bool, last time.Time, err error) {
	if !s.shared {
		return true, last, f()
	}
	conn, err := s.beside.Conn(ctx)
	if err != nil {
		return false, last, storeFault(s.dir, err)
	}
	defer conn.Close()
	var mine bool
	if err := conn.QueryRowContext(ctx, "SELECT pg_try_advisory_lock(?, ?)", lockProgram, lockBackup).Scan(&mine); err != nil || !mine {
		return false, s.now(), storeFault(s.dir, err)
	}
	defer conn.ExecContext(context.WithoutCancel(ctx), "SELECT pg_advisory_unlock(?, ?)", lockProgram, lockBackup)
	w, known, err := s.Waiting(ctx, lastBackup, "")
	if err != nil {
		return false, last, err
	}
	if known {
		if last, err = time.Parse(app.TimeForm, string(w.Data)); err == nil && last.After(since) {
			return false, last, nil
		}
	}
	at := s.now()
	if err := f(); err != nil {
		return true, at, err
	}
	return true, at, s.KeepWaiting(ctx, app.Waiting{Kind: lastBackup, Until: at.AddDate(1, 0, 0), Data: []byte(instant(at))}, 1, 1)
}
