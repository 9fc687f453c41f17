package store

import (
	"cmp"
	"context"
	"database/sql"
	"fmt"
	"strings"

	"sapward/finding"
)

// keysFor are the columns that name a row of a table.
func keysFor(table string) []string {
	if table == "events" {
		return []string{"seq"}
	}
	if keys := keysOf[table]; keys != nil {
		return keys
	}
	return []string{"id"}
}

// columnsOf are the columns of a table, in any database.
func columnsOf(ctx context.Context, q querier, table string) ([]string, error) {
	rows, err := q.QueryContext(ctx, "SELECT * FROM "+table+" LIMIT 0")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	names, err := rows.Columns()
	if err == nil {
		err = rows.Err()
	}
	return names, err
}

// cursor reads a table in the order of its keys, each value in one form
// whatever the database.
type cursor struct {
	rows *sql.Rows
	row  []any
	to   []any
	done bool
	n    int64
}

func openCursor(ctx context.Context, q querier, table string, columns, keys []string) (*cursor, error) {
	rows, err := q.QueryContext(ctx, fmt.Sprintf("SELECT %s FROM %s ORDER BY %s", strings.Join(columns, ", "), table, strings.Join(keys, ", ")))
	if err != nil {
		return nil, err
	}
	c := &cursor{rows: rows, row: make([]any, len(columns)), to: make([]any, len(columns))}
	for i := range c.row {
		c.to[i] = &c.row[i]
	}
	return c, c.next()
}

func (c *cursor) next() error {
	if c.done || !c.rows.Next() {
		c.done = true
		return c.rows.Err()
	}
	c.n++
	if err := c.rows.Scan(c.to...); err != nil {
		return err
	}
	for i, v := range c.row {
		switch v := v.(type) {
		case []byte:
			c.row[i] = string(v)
		case bool:
			c.row[i] = int64(0)
			if v {
				c.row[i] = int64(1)
			}
		case int32:
			c.row[i] = int64(v)
		}
	}
	return nil
}

// order compares keys; a row that is not there comes last.
func (c *cursor) order(o *cursor, keys []int) int {
	switch {
	case c.done && o.done:
		return 0
	case c.done:
		return 1
	case o.done:
		return -1
	}
	for _, k := range keys {
		a, aInt := c.row[k].(int64)
		b, bInt := o.row[k].(int64)
		by := 0
		if aInt && bInt {
			by = cmp.Compare(a, b)
		} else {
			by = cmp.Compare(fmt.Sprint(c.row[k]), fmt.Sprint(o.row[k]))
		}
		if by != 0 {
			return by
		}
	}
	return 0
}

// Kinds of rows that differ, as the findings of check name them.
const (
	rowChanged = "check-row-changed"
	rowExtra   = "check-row-extra"
	rowGone    = "check-row-gone"
)

// compareRows reads one table in two databases side by side and passes every
// row that differs in any column, is only kept or is only made. It returns how
// many rows are kept and not extra.
func compareRows(ctx context.Context, kept, made querier, table string, differ func(kind, id string)) (int64, error) {
	columns, err := columnsOf(ctx, made, table)
	if err != nil {
		return 0, err
	}
	names := keysFor(table)
	keys := make([]int, len(names))
	for i, name := range names {
		for k, c := range columns {
			if c == name {
				keys[i] = k
			}
		}
	}
	k, err := openCursor(ctx, kept, table, columns, names)
	if err != nil {
		return 0, err
	}
	defer k.rows.Close()
	m, err := openCursor(ctx, made, table, columns, names)
	if err != nil {
		return 0, err
	}
	defer m.rows.Close()
	extra := int64(0)
	for !k.done || !m.done {
		by := k.order(m, keys)
		switch {
		case by < 0:
			extra++
			differ(rowExtra, fmt.Sprint(k.row[keys[0]]))
		case by > 0:
			differ(rowGone, fmt.Sprint(m.row[keys[0]]))
		default:
			for i := range columns {
				if k.row[i] != m.row[i] {
					differ(rowChanged, fmt.Sprint(k.row[keys[0]]))
					break
				}
			}
		}
		if by <= 0 {
			err = k.next()
		}
		if by >= 0 && err == nil {
			err = m.next()
		}
		if err != nil {
			return 0, err
		}
	}
	return k.n - extra, nil
}

// merge is compare where the kept table lies in another database than the one
// made anew.
func (c *checking) merge(ctx context.Context, kept, made querier, table string) error {
	n, err := compareRows(ctx, kept, made, table, func(kind, id string) {
		c.say(kind, finding.Args{"table": finding.Text(table), "id": finding.Text(id)})
	})
	c.report.Rows += n
	return err
}

// blobs looks at every file that a fact speaks of, in the database.
func (c *checking) blobs(ctx context.Context, now querier) error {
	hashes, err := texts(ctx, now, "SELECT DISTINCT hash FROM files ORDER BY hash")
	if err != nil {
		return err
	}
	for _, h := range hashes {
		c.report.Attachments++
		pieces, err := texts(ctx, now, "SELECT pieces FROM kept_files WHERE hash = ?", h)
		if err != nil {
			return err
		}
		if len(pieces) == 0 {
			c.say("check-file-gone", finding.Args{"hash": finding.Text(h)})
			continue
		}
		got, _, err := hashBlob(ctx, now, pieces[0])
		if err != nil {
			return err
		}
		if got != h {
			c.say("check-file-changed", finding.Args{"hash": finding.Text(h)})
		}
	}
	return nil
}
