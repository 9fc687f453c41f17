package store

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/stdlib"
)

// pgConnector makes connections that read the store's SQL.
type pgConnector struct {
	driver.Connector
	chain bool // transactions hold the chain
}

func (c pgConnector) Connect(ctx context.Context) (driver.Conn, error) {
	inner, err := c.Connector.Connect(ctx)
	if err != nil {
		return nil, err
	}
	std, ok := inner.(*stdlib.Conn)
	if !ok {
		return nil, fmt.Errorf("store: a connection of type %T", inner)
	}
	return &pgConn{Conn: std, chain: c.chain, waiting: &pgx.Batch{}}, nil
}

// pgConn translates statements on their way to the server.
type pgConn struct {
	*stdlib.Conn
	chain   bool
	head    head // of the chain when the transaction began
	open    bool // a transaction of the chain is under way
	waiting *pgx.Batch
}

func (c *pgConn) Prepare(query string) (driver.Stmt, error) {
	return c.PrepareContext(context.Background(), query)
}

func (c *pgConn) PrepareContext(ctx context.Context, query string) (driver.Stmt, error) {
	if err := c.flush(ctx); err != nil {
		return nil, err
	}
	text := toPostgres(query)
	st, err := c.Conn.PrepareContext(ctx, text)
	if err != nil {
		return nil, err
	}
	std, ok := st.(*stdlib.Stmt)
	if !ok {
		return nil, fmt.Errorf("store: a statement of type %T", st)
	}
	return &pgStmt{Stmt: std, c: c, text: text}, nil
}

// later marks a statement whose count of rows nobody asks for. Inside a
// transaction of the chain it waits and travels with the next statement or with
// COMMIT, so that a short transaction is three ways to the server. Its error
// comes with that statement and ends the transaction all the same.
const later = "/* later */ "

func (c *pgConn) ExecContext(ctx context.Context, query string, args []driver.NamedValue) (driver.Result, error) {
	text := toPostgres(query)
	if c.open && strings.HasPrefix(text, later) {
		c.waiting.Queue(text, values(args)...)
		return driver.RowsAffected(0), nil
	}
	if c.waiting.Len() > 0 {
		return c.send(ctx, text, args)
	}
	return c.Conn.ExecContext(ctx, text, args)
}

func (c *pgConn) QueryContext(ctx context.Context, query string, args []driver.NamedValue) (driver.Rows, error) {
	if err := c.flush(ctx); err != nil {
		return nil, err
	}
	return c.Conn.QueryContext(ctx, toPostgres(query), args)
}

func values(args []driver.NamedValue) []any {
	out := make([]any, len(args))
	for i, a := range args {
		out[i] = a.Value
	}
	return out
}

// flush sends what waits.
func (c *pgConn) flush(ctx context.Context) error {
	if c.waiting.Len() == 0 {
		return nil
	}
	_, err := c.sendWaiting(ctx)
	return err
}

// send sends what waits and one more statement in one way.
func (c *pgConn) send(ctx context.Context, text string, args []driver.NamedValue) (driver.Result, error) {
	c.waiting.Queue(text, values(args)...)
	tag, err := c.sendWaiting(ctx)
	return driver.RowsAffected(tag.RowsAffected()), err
}

func (c *pgConn) sendWaiting(ctx context.Context) (tag pgconn.CommandTag, err error) {
	b := c.waiting
	c.waiting = &pgx.Batch{}
	n := b.Len()
	results := c.Conn.Conn().SendBatch(ctx, b)
	for k := 0; k < n && err == nil; k++ {
		tag, err = results.Exec()
	}
	if closed := results.Close(); err == nil {
		err = closed
	}
	return tag, err
}

// pgStmt is a prepared statement before which what waits is sent.
type pgStmt struct {
	*stdlib.Stmt
	c    *pgConn
	text string
}

func (s *pgStmt) ExecContext(ctx context.Context, args []driver.NamedValue) (driver.Result, error) {
	if s.c.waiting.Len() > 0 {
		return s.c.send(ctx, s.text, args)
	}
	return s.Stmt.ExecContext(ctx, args)
}

func (s *pgStmt) QueryContext(ctx context.Context, args []driver.NamedValue) (driver.Rows, error) {
	if err := s.c.flush(ctx); err != nil {
		return nil, err
	}
	return s.Stmt.QueryContext(ctx, args)
}

// Keys of the advisory locks: the first number is the program's, the second
// says what is held. Both are of one database; the third part, the schema, is
// left out, so that two estates in two schemas of one database wait for each
// other and are right all the same.
const (
	lockProgram = 0x5A9A2D
	lockChain   = 1 // the end of the chain, until the transaction ends
	lockSteps   = 2 // migrations, until the session ends
	lockBackup  = 3 // a backup by schedule, until the session ends
)

// beginChain begins a transaction, waits until no other transaction on any
// server holds the chain, and reads its end: one way to the server and back.
// Each statement sees what was committed before it, whatever the database's
// own default is, so the end is read after the lock is held.
var (
	beginChain = "BEGIN ISOLATION LEVEL READ COMMITTED READ WRITE"
	holdChain  = fmt.Sprintf("SELECT pg_advisory_xact_lock(%d, %d)", lockProgram, lockChain)
	endOfChain = "SELECT seq, id, at, hash FROM events ORDER BY seq DESC LIMIT 1"
)

// BeginTx begins a transaction; on the writer's connection it holds the chain.
func (c *pgConn) BeginTx(ctx context.Context, opts driver.TxOptions) (driver.Tx, error) {
	if !c.chain {
		return c.Conn.BeginTx(ctx, opts)
	}
	raw := c.Conn.Conn()
	if raw.IsClosed() {
		return nil, driver.ErrBadConn
	}
	c.head, c.waiting = head{}, &pgx.Batch{}
	b := &pgx.Batch{}
	b.Queue(beginChain)
	b.Queue(holdChain)
	b.Queue(endOfChain)
	results := raw.SendBatch(ctx, b)
	_, err := results.Exec()
	if err == nil {
		_, err = results.Exec()
	}
	if err == nil {
		if err = results.QueryRow().Scan(&c.head.Seq, &c.head.ID, &c.head.At, &c.head.Hash); errors.Is(err, pgx.ErrNoRows) {
			err = nil
		}
	}
	if closed := results.Close(); err == nil {
		err = closed
	}
	t := &pgTx{ctx: ctx, c: c}
	if err != nil {
		if pgconn.SafeToRetry(err) {
			return nil, driver.ErrBadConn
		}
		_ = t.Rollback()
		return nil, err
	}
	c.open = true
	return t, nil
}

// headOf is the end of the chain as the transaction that conn began found it.
func headOf(conn *sql.Conn) (h head, err error) {
	err = conn.Raw(func(c any) error {
		p, ok := c.(*pgConn)
		if !ok {
			return fmt.Errorf("store: a connection of type %T", c)
		}
		h = p.head
		return nil
	})
	return h, err
}

// pgTx ends a transaction that beginChain began.
type pgTx struct {
	ctx context.Context
	c   *pgConn
}

// Commit sends what waits and COMMIT in one way: where a statement fails, the
// server does not get to COMMIT.
func (t *pgTx) Commit() error {
	t.c.open = false
	t.c.waiting.Queue("COMMIT")
	tag, err := t.c.sendWaiting(t.ctx)
	if err == nil && tag.String() != "COMMIT" {
		err = errors.New("the transaction was rolled back")
	}
	if err != nil {
		_ = t.Rollback()
	}
	return err
}

// Rollback also works after the context has ended: the lock must not stay.
func (t *pgTx) Rollback() error {
	t.c.open, t.c.waiting = false, &pgx.Batch{}
	raw := t.c.Conn.Conn()
	if raw.IsClosed() {
		return nil // the server ends it
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(t.ctx), 5*time.Second)
	defer cancel()
	_, err := raw.PgConn().Exec(ctx, "ROLLBACK").ReadAll()
	return err
}
