package store

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"strconv"
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
	return &pgConn{Conn: std, chain: c.chain}, nil
}

// pgConn translates statements on their way to the server.
type pgConn struct {
	*stdlib.Conn
	chain bool
	head  head // of the chain when the transaction began
}

func (c *pgConn) Prepare(query string) (driver.Stmt, error) { return c.Conn.Prepare(toPostgres(query)) }

func (c *pgConn) PrepareContext(ctx context.Context, query string) (driver.Stmt, error) {
	return c.Conn.PrepareContext(ctx, toPostgres(query))
}

func (c *pgConn) ExecContext(ctx context.Context, query string, args []driver.NamedValue) (driver.Result, error) {
	return c.Conn.ExecContext(ctx, toPostgres(query), args)
}

func (c *pgConn) QueryContext(ctx context.Context, query string, args []driver.NamedValue) (driver.Rows, error) {
	return c.Conn.QueryContext(ctx, toPostgres(query), args)
}

// Keys of the advisory locks: the first number is the program's, the second
// says what is held. Both are of one database; the third part, the schema, is
// left out, so that two estates in two schemas of one database wait for each
// other and are right all the same.
const (
	lockProgram = 0x5A9A2D
	lockChain   = 1 // the end of the chain, until the transaction ends
	lockSteps   = 2 // migrations, until the session ends
)

// beginChain begins a transaction, waits until no other transaction on any
// server holds the chain, and reads its end: one way to the server and back.
// Each statement sees what was committed before it, whatever the database's
// own default is, so the end is read after the lock is held.
var beginChain = fmt.Sprintf("BEGIN ISOLATION LEVEL READ COMMITTED READ WRITE; SELECT pg_advisory_xact_lock(%d, %d); SELECT seq, id, at, hash FROM events ORDER BY seq DESC LIMIT 1", lockProgram, lockChain)

// BeginTx begins a transaction; on the writer's connection it holds the chain.
func (c *pgConn) BeginTx(ctx context.Context, opts driver.TxOptions) (driver.Tx, error) {
	if !c.chain {
		return c.Conn.BeginTx(ctx, opts)
	}
	raw := c.Conn.Conn()
	if raw.IsClosed() {
		return nil, driver.ErrBadConn
	}
	results, err := raw.PgConn().Exec(ctx, beginChain).ReadAll()
	if err == nil {
		err = c.readHead(results)
	}
	if err != nil {
		if pgconn.SafeToRetry(err) {
			return nil, driver.ErrBadConn
		}
		_ = (&pgTx{ctx: ctx, conn: raw}).Rollback()
		return nil, err
	}
	return &pgTx{ctx: ctx, conn: raw}, nil
}

func (c *pgConn) readHead(results []*pgconn.Result) (err error) {
	c.head = head{}
	rows := results[len(results)-1].Rows
	if len(rows) == 0 {
		return nil
	}
	r := rows[0]
	c.head.Seq, err = strconv.ParseInt(string(r[0]), 10, 64)
	c.head.ID, c.head.At, c.head.Hash = string(r[1]), string(r[2]), string(r[3])
	return err
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
	ctx  context.Context
	conn *pgx.Conn
}

func (t *pgTx) Commit() error {
	results, err := t.conn.PgConn().Exec(t.ctx, "COMMIT").ReadAll()
	if err == nil && len(results) == 1 && results[0].CommandTag.String() != "COMMIT" {
		err = errors.New("the transaction was rolled back")
	}
	return err
}

// Rollback also works after the context has ended: the lock must not stay.
func (t *pgTx) Rollback() error {
	if t.conn.IsClosed() {
		return nil // the server ends it
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(t.ctx), 5*time.Second)
	defer cancel()
	_, err := t.conn.PgConn().Exec(ctx, "ROLLBACK").ReadAll()
	return err
}
