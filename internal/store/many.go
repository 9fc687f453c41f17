package store

import (
	"context"
	"database/sql"
	"errors"

	"sapward/internal/app"
)

// A table of trees is thousands of things of one type that are all new. They
// are written many rows a statement, which SQLite does about three times as fast as
// one at a time; whatever does not fit is left to the slow way, which says why.
const (
	leastMany  = 32   // things that are worth it
	mostAtOnce = 2048 // things between two looks at the context
	rowsAtOnce = 50   // rows of one statement
)

// manyTypes can come by the thousand.
var manyTypes = map[app.Type]bool{app.TypeTree: true, app.TypeWound: true}

// many writes rows of new things of one type, with or without their events.
type many struct {
	s      *statements
	tx     *sql.Tx
	stmts  map[string]*sql.Stmt
	events bool
	args   []any
}

func (s *statements) many(tx *sql.Tx, events bool) *many {
	return &many{s: s, tx: tx, stmts: map[string]*sql.Stmt{}, events: events}
}

func (m *many) close() {
	for _, st := range m.stmts {
		st.Close()
	}
}

// insert writes n rows that stand one after the other in args.
func (m *many) insert(ctx context.Context, table, columns, or string, args []any, n int) (int64, error) {
	done := int64(0)
	width := 0
	if n > 0 {
		width = len(args) / n
	}
	for from := 0; from < n; {
		rows := min(rowsAtOnce, n-from)
		text := inserting(table, columns, or, rows)
		st := m.stmts[text]
		if st == nil {
			var err error
			if st, err = m.tx.PrepareContext(ctx, text); err != nil {
				return done, err
			}
			if rows == rowsAtOnce {
				m.stmts[text] = st
			} else {
				defer st.Close()
			}
		}
		res, err := st.ExecContext(ctx, args[from*width:(from+rows)*width]...)
		if err != nil {
			return done, err
		}
		k, err := res.RowsAffected()
		if err != nil {
			return done, err
		}
		done += k
		from += rows
	}
	return done, nil
}

// write writes items, all new things of one type. It reports false, with
// nothing written, when they have to go one by one.
func (m *many) write(ctx context.Context, items []item) (ok bool, err error) {
	if _, err := m.tx.ExecContext(ctx, "SAVEPOINT many"); err != nil {
		return false, err
	}
	ok, err = m.rows(ctx, items)
	if cause := ctx.Err(); cause != nil {
		return false, cause
	}
	if !ok || ruleOf(err) != ruleNone {
		ok, err = false, nil
		_, err = m.tx.ExecContext(ctx, "ROLLBACK TO many")
	}
	if err != nil {
		return false, err
	}
	_, err = m.tx.ExecContext(ctx, "RELEASE many")
	return ok && err == nil, err
}

func (m *many) rows(ctx context.Context, items []item) (bool, error) {
	t := items[0].e.Type
	args := m.args[:0]
	blocks := map[string]string{}
	for k := range items {
		i := &items[k]
		block := ""
		if t == app.TypeWound {
			var known bool
			if block, known = blocks[i.e.Parent]; !known {
				err := m.tx.StmtContext(ctx, m.s.block).QueryRowContext(ctx, i.e.Parent).Scan(&block)
				if errors.Is(err, sql.ErrNoRows) {
					return false, nil
				}
				if err != nil {
					return false, err
				}
				blocks[i.e.Parent] = block
			}
		}
		args = append(i.columns(args, block), null(i.e.Estate), null(i.e.Parent), i.e.Entity)
	}
	n, err := m.insert(ctx, tables[t], thingColumns(t), "ON CONFLICT (id) DO NOTHING", args, len(items))
	if err != nil || n < int64(len(items)) {
		return false, err
	}
	args = args[:0]
	readings := 0
	for k := range items {
		var n int
		args, n = items[k].taken(args, nil)
		readings += n
	}
	if _, err := m.insert(ctx, "readings", readingColumns, "", args, readings); err != nil {
		return false, err
	}
	args = args[:0]
	if m.events {
		for k := range items {
			args = items[k].kept(args)
		}
		if _, err := m.insert(ctx, "events", eventColumns, "", args, len(items)); err != nil {
			return false, err
		}
	}
	m.args = args
	return true, nil
}

// together is how many items from the first on can be written as many.
func together[T any](all []T, of func(*T) (app.Type, int)) int {
	n := 0
	for n < len(all) && n < mostAtOnce {
		t, version := of(&all[n])
		first, _ := of(&all[0])
		if version != 1 || t != first || !manyTypes[t] {
			break
		}
		n++
	}
	return n
}
