package store

import (
	"context"
	"database/sql"
	"errors"
	"strconv"
	"strings"
	"sync"

	"github.com/jackc/pgx/v5/pgconn"
	"github.com/pressly/goose/v3"
)

// What the two databases do not share. All other SQL, the migrations too, is
// written once: `?` in order, text identifiers, TEXT and INTEGER.
type dialect struct {
	steps goose.Dialect
	table string // counts the tables of a name
	waits bool   // statements may wait and travel together
}

var (
	sqliteDialect   = dialect{steps: goose.DialectSQLite3, table: "SELECT count(*) FROM sqlite_master WHERE name = ?"}
	postgresDialect = dialect{steps: goose.DialectPostgres, table: "SELECT count(*) FROM information_schema.tables WHERE table_schema = current_schema() AND table_name = ?", waits: true}
)

func (d dialect) has(ctx context.Context, db *sql.DB, table string) (bool, error) {
	var n int
	err := db.QueryRowContext(ctx, d.table, table).Scan(&n)
	return n > 0, err
}

// translated keeps what toPostgres made; the program has some hundred texts.
var translated sync.Map

// toPostgres is a statement as PostgreSQL reads it: the question marks outside
// quotes numbered, and in definitions of tables whole numbers of 64 bits and
// text that is compared byte by byte, as SQLite does both.
func toPostgres(text string) string {
	if out, ok := translated.Load(text); ok {
		return out.(string)
	}
	var b strings.Builder
	n, quoted := 0, false
	for i := range len(text) {
		c := text[i]
		if c == '\'' {
			quoted = !quoted
		}
		if c == '?' && !quoted {
			n++
			b.WriteByte('$')
			b.WriteString(strconv.Itoa(n))
			continue
		}
		b.WriteByte(c)
	}
	out := b.String()
	if defining(text) {
		out = strings.ReplaceAll(strings.ReplaceAll(out, " TEXT", ` TEXT COLLATE "C"`), " INTEGER", " BIGINT")
	}
	translated.Store(text, out)
	return out
}

// defining reports a definition of a table, whatever comments stand before it.
func defining(text string) bool {
	for {
		text = strings.TrimSpace(text)
		if !strings.HasPrefix(text, "--") {
			return strings.HasPrefix(text, "CREATE TABLE ") || strings.HasPrefix(text, "CREATE UNLOGGED TABLE ") || strings.HasPrefix(text, "ALTER TABLE ")
		}
		_, text, _ = strings.Cut(text, "\n")
	}
}

// broken is a rule of a table that a row broke.
type broken int

const (
	ruleNone broken = iota
	ruleOther
	ruleTag    // a tag stands once in a block
	ruleParent // what a row belongs to is there
)

// ruleOf tells which rule an error speaks of.
func ruleOf(err error) broken {
	var pg *pgconn.PgError
	switch {
	case err == nil:
		return ruleNone
	case errors.As(err, &pg):
		switch {
		case pg.ConstraintName == "trees_once":
			return ruleTag
		case pg.Code == "23503":
			return ruleParent
		case strings.HasPrefix(pg.Code, "23"):
			return ruleOther
		}
		return ruleNone
	case code(err)&0xFF != sqliteConstraint:
		return ruleNone
	case strings.Contains(err.Error(), "trees.tag"):
		return ruleTag
	case strings.Contains(err.Error(), "FOREIGN KEY"):
		return ruleParent
	}
	return ruleOther
}

// sqliteConstraint is SQLITE_CONSTRAINT.
const sqliteConstraint = 19
