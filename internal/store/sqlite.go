// Package store keeps the app's facts in SQLite or PostgreSQL: an append-only
// chain of events, and tables that follow from it and are rebuilt to check it.
// Files lie beside an SQLite database under their SHA-256, and inside a
// PostgreSQL one, which several servers share. The SQL is written once;
// storetest is the contract both have to pass.
package store

import (
	"context"
	"crypto/rand"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"syscall"
	"time"

	sqlite "modernc.org/sqlite"
	lib "modernc.org/sqlite/lib"

	"sapward/finding"
	"sapward/internal/app"
)

//go:embed migrations/*.sql
var migrations embed.FS

// Names in a data folder.
const (
	dbName    = "sapward.db"
	lockName  = "lock"
	filesName = "attachments"
)

// Options say how a data folder is opened.
type Options struct {
	Dir      string
	Database string           // postgres://...; empty: SQLite in Dir
	Now      func() time.Time // nil: time.Now
	Random   io.Reader        // nil: crypto/rand
	ReadOnly bool             // beside a server that runs: nothing is written, no lock is taken
	disk     *disk            // nil: the real one
}

// Store keeps facts in one SQLite file and files beside it, or both in a
// PostgreSQL database. It is safe for concurrent use: one writer at a time,
// readers beside it.
type Store struct {
	reader
	dialect dialect
	shared  bool   // PostgreSQL: other servers may write as well
	dir     string // how the database is named, where there is no folder
	now     func() time.Time
	random  func([]byte)
	disk    disk
	lock    io.Closer
	write   *sql.DB // one connection
	read    *sql.DB
	beside  *sql.DB // what is no fact: in SQLite the writer's own
	stmts   *statements
	mu      sync.Mutex // one transaction at a time
	counts  counts
	last    *lastFile
	unclean bool // the folder was opened read-only
	partsMu sync.Mutex
	news    *news // of other servers; nil in a folder, which has one
}

var _ app.Store = (*Store)(nil)

// dsn names the database with the pragmas of docs/decisions: write-ahead log,
// every commit on the disk, foreign keys.
func dsn(path string, extra url.Values) string {
	v := url.Values{"_time_format": {"sqlite"}, "_pragma": {"busy_timeout(10000)", "foreign_keys(1)"}}
	for k, list := range extra {
		v[k] = append(v[k], list...)
	}
	return "file:" + (&url.URL{Path: path}).EscapedPath() + "?" + v.Encode()
}

// Open opens a data folder, made if it is not there, and brings its tables up
// to date. A folder that another server has open is refused. The faults are of
// class Storage; one that says store-in-use means that somebody else has it.
func Open(ctx context.Context, o Options) (*Store, error) {
	s := &Store{dialect: sqliteDialect, dir: o.Dir, now: o.Now, disk: realDisk, unclean: o.ReadOnly}
	if o.disk != nil {
		s.disk = *o.disk
	}
	if s.now == nil {
		s.now = time.Now
	}
	source := o.Random
	if source == nil {
		source = rand.Reader
	}
	s.random = func(b []byte) {
		if _, err := io.ReadFull(source, b); err != nil {
			panic(err) // crypto/rand does not fail
		}
	}
	if o.Database != "" {
		s.dialect, s.shared, s.dir = postgresDialect, true, Shown(o.Database)
		if err := s.connectPostgres(ctx, o.Database); err != nil {
			s.Close()
			return nil, storeFault(s.dir, err)
		}
		return s, nil
	}
	path := filepath.Join(o.Dir, dbName)
	if o.ReadOnly {
		if _, err := os.Stat(path); err != nil {
			return nil, storeFault(o.Dir, err)
		}
	} else {
		if err := os.MkdirAll(o.Dir, 0o700); err != nil {
			return nil, storeFault(o.Dir, err)
		}
		lock, err := lockFile(filepath.Join(o.Dir, lockName))
		if err != nil {
			if errors.Is(err, errLocked) {
				return nil, &finding.Fault{Class: finding.Conflict, ID: "store-in-use", Where: finding.Where{File: o.Dir}, Args: finding.Args{"folder": finding.Text(o.Dir)}, Cause: err}
			}
			return nil, storeFault(o.Dir, err)
		}
		s.lock = lock
	}
	if err := s.connect(ctx, path); err != nil {
		s.Close()
		return nil, storeFault(o.Dir, err)
	}
	return s, nil
}

func (s *Store) connect(ctx context.Context, path string) (err error) {
	readers := url.Values{"_pragma": {"query_only(1)"}}
	if !s.unclean {
		if s.write, err = sql.Open("sqlite", dsn(path, url.Values{"_pragma": {"journal_mode(wal)", "synchronous(full)", "wal_autocheckpoint(2000)", "cache_size(-32000)"}, "_txlock": {"immediate"}})); err != nil {
			return err
		}
		s.write.SetMaxOpenConns(1)
		s.beside = s.write
		if err := s.newer(ctx, s.write); err != nil {
			return err
		}
		if err := migrate(ctx, s.write, s.dialect); err != nil {
			return err
		}
		if s.stmts, err = prepare(ctx, s.write, s.dialect); err != nil {
			return err
		}
		if err := s.reproject(ctx); err != nil {
			return err
		}
		var h head
		if err := s.stmts.head.QueryRowContext(ctx).Scan(&h.Seq, &h.ID, &h.At, &h.Hash); err != nil && !errors.Is(err, sql.ErrNoRows) {
			return err
		}
		if err := s.openLast(h); err != nil {
			return err
		}
	}
	if s.read, err = sql.Open("sqlite", dsn(path, readers)); err != nil {
		return err
	}
	s.read.SetMaxOpenConns(max(4, 2*runtime.GOMAXPROCS(0)))
	s.read.SetMaxIdleConns(max(4, 2*runtime.GOMAXPROCS(0)))
	s.reader = reader{q: s.read}
	return s.upToDate(ctx)
}

// upToDate refuses tables that this program did not bring up to date.
func (s *Store) upToDate(ctx context.Context) error {
	if err := s.newer(ctx, s.read); err != nil {
		return err
	}
	if have, err := s.version(ctx, s.read); err != nil || have < lastStep() {
		return orFault(err, s.dir, "store-older")
	}
	var form int
	if err := s.read.QueryRowContext(ctx, "SELECT form FROM projection").Scan(&form); err != nil || form != projectionForm {
		return orFault(err, s.dir, "store-older")
	}
	return nil
}

func orFault(err error, dir, id string) error {
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return err
	}
	return &finding.Fault{Class: finding.Conflict, ID: id, Where: finding.Where{File: dir}}
}

// stepFiles are the steps of the tables, the same for both databases.
func stepFiles() (fs.FS, error) { return fs.Sub(migrations, "migrations") }

// lastStep is the number of the last step that this program knows.
func lastStep() int {
	names, _ := fs.Glob(migrations, "migrations/*.sql")
	n := 0
	for _, name := range names {
		k := 0
		for _, c := range filepath.Base(name)[:5] {
			k = 10*k + int(c-'0')
		}
		n = max(n, k)
	}
	return n
}

// version is the number of the last step the tables went through, 0 for none.
func (s *Store) version(ctx context.Context, db *sql.DB) (n int, err error) {
	if has, err := s.dialect.has(ctx, db, "goose_db_version"); err != nil || !has {
		return 0, err
	}
	err = db.QueryRowContext(ctx, "SELECT COALESCE(max(version_id), 0) FROM goose_db_version").Scan(&n)
	return n, err
}

// newer refuses a folder that a later version of the program has written.
func (s *Store) newer(ctx context.Context, db *sql.DB) error {
	if have, err := s.version(ctx, db); err != nil || have > lastStep() {
		return orFault(err, s.dir, "store-newer")
	}
	var form int
	has, err := s.dialect.has(ctx, db, "projection")
	if err == nil && has {
		err = db.QueryRowContext(ctx, "SELECT form FROM projection").Scan(&form)
	}
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return err
	}
	if form > projectionForm {
		return orFault(nil, s.dir, "store-newer")
	}
	return nil
}

// reproject makes the tables that follow from the events anew, in one
// transaction, where they were made another way.
func (s *Store) reproject(ctx context.Context) error {
	var form int
	err := s.write.QueryRowContext(ctx, "SELECT form FROM projection").Scan(&form)
	if err != nil && !errors.Is(err, sql.ErrNoRows) || form == projectionForm {
		return err
	}
	return s.InTx(ctx, func(at app.Tx) error {
		t := at.(*tx)
		for i := len(projected) - 1; i >= 0; i-- {
			if _, err := t.tx.ExecContext(ctx, "DELETE FROM "+projected[i]); err != nil {
				return err
			}
		}
		if err := t.lay(ctx, t, false, func(int64) {}); err != nil {
			return err
		}
		if _, err := t.tx.ExecContext(ctx, "DELETE FROM projection"); err != nil {
			return err
		}
		_, err := t.tx.ExecContext(ctx, "INSERT INTO projection (form) VALUES (?)", projectionForm)
		return err
	})
}

// lay makes the rows that follow from the events of a source anew, and with
// keep writes the events as they are before.
func (t *tx) lay(ctx context.Context, source *tx, keep bool, progress func(done int64)) error {
	c := &checking{seen: map[string]int{}}
	m := t.s.stmts.many(t.tx, false)
	defer m.close()
	var args []any
	for last := int64(0); ; {
		page, err := source.following(ctx, last)
		if err != nil {
			return err
		}
		if len(page) == 0 {
			break
		}
		end := &page[len(page)-1].e
		last = end.Seq
		if keep {
			args = args[:0]
			for k := range page {
				args = page[k].kept(args)
			}
			if _, err := m.insert(ctx, "events", eventColumns, "", args, len(page)); err != nil {
				return err
			}
			t.stepped(end)
		}
		if err := c.lay(ctx, &anew{stmts: t.s.stmts, tx: t.tx}, m, page); err != nil {
			return err
		}
		progress(last)
	}
	if len(c.seen) > 0 {
		return &finding.Fault{Class: finding.Storage, ID: "store-damaged", Where: finding.Where{File: t.s.dir}, Args: finding.Args{"reason": finding.Text("events")}}
	}
	return nil
}

// following reads the events after one, some thousands at once.
func (t *tx) following(ctx context.Context, seq int64) ([]followed, error) {
	rows, err := t.tx.QueryContext(ctx, "SELECT "+eventColumns+" FROM events WHERE seq > ? ORDER BY seq LIMIT 4096", seq)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []followed
	for rows.Next() {
		e, err := scanEvent(rows)
		if err != nil {
			return nil, err
		}
		f := followed{item: item{e: e}}
		f.decoded, err = decode(&e)
		f.misfit = err != nil
		out = append(out, f)
	}
	return out, rows.Err()
}

// Close ends all use of the folder. What was acknowledged is on the disk
// whether or not Close is called.
func (s *Store) Close() error {
	err := s.news.close()
	if s.stmts != nil {
		s.stmts.close()
	}
	if s.read != nil {
		err = errors.Join(err, s.read.Close())
	}
	if s.beside != nil && s.beside != s.write {
		err = errors.Join(err, s.beside.Close())
	}
	if s.write != nil {
		err = errors.Join(err, s.write.Close())
	}
	err = errors.Join(err, s.last.close())
	if s.lock != nil {
		err = errors.Join(err, s.lock.Close())
	}
	return err
}

// storeFault turns an error of database or disk into a fault that says what to
// do. What is a fault or a conflict already passes through.
func storeFault(where string, err error) error {
	if err == nil {
		return nil
	}
	var f *finding.Fault
	var fs2 finding.Faults
	var c *app.Conflict
	if errors.As(err, &c) || errors.As(err, &f) || errors.As(err, &fs2) || errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	out := &finding.Fault{Class: finding.Storage, ID: "store-failed", Where: finding.Where{File: where}, Cause: err, Args: finding.Args{"reason": finding.Text(plainReason(err))}}
	if id := postgresFault(err); id != "" && code(err) == 0 && !isFileError(err) {
		out.ID = id
		return out
	}
	switch code(err) & 0xFF {
	case lib.SQLITE_FULL:
		out.ID = "store-full"
	case lib.SQLITE_READONLY, lib.SQLITE_PERM:
		out.ID = "store-read-only"
	case lib.SQLITE_CORRUPT, lib.SQLITE_NOTADB:
		out.ID = "store-damaged"
	case lib.SQLITE_CANTOPEN:
		out.ID = "store-unopened"
	}
	switch {
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT), errors.Is(err, syscall.EFBIG):
		out.ID = "store-full"
	case errors.Is(err, syscall.EROFS), errors.Is(err, fs.ErrPermission):
		out.ID = "store-read-only"
	case errors.Is(err, fs.ErrNotExist):
		out.Class, out.ID = finding.Missing, "store-missing"
	}
	return out
}

// isFileError reports an error of a file or folder.
func isFileError(err error) bool {
	var p *fs.PathError
	return errors.As(err, &p)
}

// code is SQLite's extended result code, 0 for other errors.
func code(err error) int {
	var e *sqlite.Error
	if errors.As(err, &e) {
		return e.Code()
	}
	return 0
}

// plainReason is what the system said, without paths.
func plainReason(err error) string {
	var pe *fs.PathError
	if errors.As(err, &pe) {
		return pe.Err.Error()
	}
	return strings.Join(strings.Fields(fmt.Sprint(err)), " ")
}
