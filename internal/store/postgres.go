package store

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"runtime"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"

	"sapward/finding"
)

// IsDatabase reports that a text names a PostgreSQL database, not a folder.
func IsDatabase(text string) bool {
	return strings.HasPrefix(text, "postgres://") || strings.HasPrefix(text, "postgresql://")
}

// Shown is how a database is named to people: without its password and
// settings. A folder stays as it is.
func Shown(database string) string {
	if !strings.Contains(database, "://") {
		return database
	}
	u, err := url.Parse(database)
	if err != nil {
		scheme, _, _ := strings.Cut(database, "://")
		return scheme + "://"
	}
	if u.User != nil {
		u.User = url.User(u.User.Username())
	}
	u.RawQuery, u.Fragment = "", ""
	return u.String()
}

// pool opens connections with settings that stand above those of the server.
func pool(config *pgx.ConnConfig, chain bool, most int, settings map[string]string) *sql.DB {
	c := config.Copy()
	for k, v := range settings {
		c.RuntimeParams[k] = v
	}
	dial := c.DialFunc
	c.DialFunc = func(ctx context.Context, network, address string) (net.Conn, error) {
		conn, err := dial(ctx, network, address)
		if err != nil {
			return nil, err
		}
		return line{conn}, nil
	}
	db := sql.OpenDB(pgConnector{stdlib.GetConnector(*c), chain})
	db.SetMaxOpenConns(most)
	db.SetMaxIdleConns(most)
	return db
}

// line is a connection that says by a network error that the server closed it,
// so that it is not mistaken for the end of something else.
type line struct{ net.Conn }

func (l line) Read(p []byte) (int, error) {
	n, err := l.Conn.Read(p)
	if err == io.EOF {
		err = &net.OpError{Op: "read", Net: l.RemoteAddr().Network(), Err: errors.New("the server closed the connection")}
	}
	return n, err
}

// connectTimeout is how long a connection may take to come about where the
// address does not say (connect_timeout; program default).
const connectTimeout = 10 * time.Second

// connectPostgres opens a database that several servers may have open.
func (s *Store) connectPostgres(ctx context.Context, database string) error {
	config, err := pgx.ParseConfig(database)
	if err != nil {
		return &finding.Fault{Class: finding.Usage, ID: "database-url", Where: finding.Where{File: s.dir}, Args: finding.Args{"reason": finding.Text(strings.ReplaceAll(err.Error(), database, s.dir))}}
	}
	if config.RuntimeParams["application_name"] == "" {
		config.RuntimeParams["application_name"] = "sapward"
	}
	config.RuntimeParams["standard_conforming_strings"] = "on"
	if config.ConnectTimeout == 0 {
		config.ConnectTimeout = connectTimeout
	}
	many := max(4, 2*runtime.GOMAXPROCS(0))
	// A commit that was acknowledged is on the server's disk. Who stops in the
	// middle of a transaction without closing it, as a machine that lost its
	// network does, lets the others go on after a while.
	durable := map[string]string{"synchronous_commit": "on", "idle_in_transaction_session_timeout": "5min"}
	s.read = pool(config, false, many, map[string]string{"default_transaction_read_only": "on"})
	s.reader = reader{q: s.read}
	var encoding string
	if err := s.read.QueryRowContext(ctx, "SHOW server_encoding").Scan(&encoding); err != nil {
		return err
	}
	if encoding != "UTF8" {
		return &finding.Fault{Class: finding.Conflict, ID: "database-encoding", Where: finding.Where{File: s.dir}, Args: finding.Args{"encoding": finding.Text(encoding)}}
	}
	if !s.unclean {
		s.write = pool(config, true, 1, durable)
		s.beside = pool(config, false, many, durable)
		if err := s.newer(ctx, s.beside); err != nil {
			return err
		}
		if err := s.stepsUnderLock(ctx); err != nil {
			return err
		}
	}
	if !s.unclean {
		s.news = listen(config)
	}
	return s.upToDate(ctx)
}

// stepsUnderLock brings tables and rows up to date, one server at a time. The
// lock is the session's: it ends with a server that dies in the middle, whose
// step PostgreSQL takes back.
func (s *Store) stepsUnderLock(ctx context.Context) error {
	conn, err := s.beside.Conn(ctx)
	if err != nil {
		return err
	}
	defer conn.Close()
	if _, err := conn.ExecContext(ctx, "SELECT pg_advisory_lock(?, ?)", lockProgram, lockSteps); err != nil {
		return err
	}
	defer conn.ExecContext(context.WithoutCancel(ctx), "SELECT pg_advisory_unlock(?, ?)", lockProgram, lockSteps)
	if err := s.newer(ctx, s.beside); err != nil {
		return err
	}
	if err := migrate(ctx, s.beside, s.dialect); err != nil {
		return err
	}
	for _, text := range append(slices.Clone(blobTables), sharedTables...) {
		if _, err := s.beside.ExecContext(ctx, text); err != nil {
			return err
		}
	}
	if s.stmts, err = prepare(ctx, s.write, s.dialect); err != nil {
		return err
	}
	return s.reproject(ctx)
}

// postgresFault names what a PostgreSQL server answered, empty for errors of
// another kind.
func postgresFault(err error) string {
	var pg *pgconn.PgError
	var connect *pgconn.ConnectError
	var cut *net.OpError
	switch {
	case errors.As(err, &pg):
		switch {
		case pg.Code == "53100", pg.Code == "53200":
			return "store-full"
		case pg.Code == "25006":
			return "database-read-only"
		case strings.HasPrefix(pg.Code, "28"), pg.Code == "3D000", pg.Code == "42501":
			return "database-refused"
		case strings.HasPrefix(pg.Code, "08"), strings.HasPrefix(pg.Code, "57P"), pg.Code == "53300", pg.Code == "25P03":
			return "database-away"
		case strings.HasPrefix(pg.Code, "XX"):
			return "store-damaged"
		}
		return "database-failed"
	case errors.As(err, &connect), errors.As(err, &cut), errors.Is(err, driver.ErrBadConn), errors.Is(err, sql.ErrConnDone), pgconn.SafeToRetry(err):
		return "database-away"
	}
	return ""
}

// migrate brings the tables up to date, in a transaction a step.
func migrate(ctx context.Context, db *sql.DB, d dialect) error {
	steps, err := stepFiles()
	if err != nil {
		return err
	}
	p, err := goose.NewProvider(d.steps, db, steps)
	if err != nil {
		return fmt.Errorf("store: %w", err)
	}
	_, err = p.Up(ctx)
	return err
}
