package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"

	"sapward/finding"
	"sapward/internal/app"
)

// rebuild follows the chain, makes all tables anew from the events in a
// database of its own, and compares. One connection reads the events while
// another writes; both see the kept database as of the same event.
func (c *checking) rebuild(ctx context.Context, s *Store, progress func(done, of int64)) error {
	dir, err := os.MkdirTemp("", "sapward-check-*")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	beside := filepath.Join(s.dir, dbName)
	if s.shared {
		beside = ""
	}
	a, err := openAnew(ctx, filepath.Join(dir, "anew.db"), beside)
	if err != nil {
		return err
	}
	defer a.close()
	if s.shared {
		return c.rebuildShared(ctx, s, a, progress)
	}
	seq, hash, known := readLast(s.dir) // before the events: it is never ahead of them
	now, err := a.begin(ctx, s.read)
	if err != nil {
		return err
	}
	defer now.Rollback()
	var of int64
	if err := now.QueryRowContext(ctx, "SELECT count(*) FROM events").Scan(&of); err != nil {
		return err
	}
	if err := c.follow(ctx, now, a, func(done int64) { progress(done, of) }); err != nil {
		return err
	}
	at, err := texts(ctx, now, "SELECT hash FROM events WHERE seq = ?", seq)
	if err != nil {
		return err
	}
	c.newest(s.dir, seq, hash, known, strings.Join(at, ""))
	for _, table := range projected {
		if err := c.compare(ctx, a.tx, table); err != nil {
			return err
		}
	}
	progress(of, of)
	return c.files(ctx, s.dir, now)
}

// rebuildShared is rebuild for a PostgreSQL database: what follows from its
// events is made in SQLite and read side by side with it, as of one moment.
func (c *checking) rebuildShared(ctx context.Context, s *Store, a *anew, progress func(done, of int64)) error {
	now, err := s.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true, Isolation: sql.LevelRepeatableRead})
	if err != nil {
		return err
	}
	defer now.Rollback()
	if a.tx, err = a.db.BeginTx(ctx, nil); err != nil {
		return err
	}
	var of int64
	if err := now.QueryRowContext(ctx, "SELECT count(*) FROM events").Scan(&of); err != nil {
		return err
	}
	if err := c.follow(ctx, now, a, func(done int64) { progress(done, of) }); err != nil {
		return err
	}
	for _, table := range projected {
		if err := c.merge(ctx, now, a.tx, table); err != nil {
			return err
		}
	}
	progress(of, of)
	return c.blobs(ctx, now)
}

// anew is a database that is made from the events, with the kept one beside it
// under the name kept where it is SQLite too.
type anew struct {
	db    *sql.DB
	stmts *statements
	tx    *sql.Tx
}

func openAnew(ctx context.Context, path, kept string) (a *anew, err error) {
	a = &anew{}
	// A savepoint needs a journal; in memory it stays small, because hardly a page
	// is written that was there before. Keys to other tables are looked at where
	// they are kept.
	if a.db, err = sql.Open("sqlite", dsn(path, url.Values{"_pragma": {"journal_mode(memory)", "synchronous(off)", "cache_size(-64000)", "foreign_keys(0)"}})); err != nil {
		return nil, err
	}
	a.db.SetMaxOpenConns(1)
	defer func() {
		if err != nil {
			a.close()
		}
	}()
	if err = migrate(ctx, a.db, sqliteDialect); err != nil {
		return nil, err
	}
	// Nothing is looked up but by key.
	names, err := texts(ctx, a.db, "SELECT name FROM sqlite_master WHERE type = 'index' AND sql IS NOT NULL AND name <> 'names_entity'")
	for _, n := range names {
		if err == nil {
			_, err = a.db.ExecContext(ctx, "DROP INDEX "+n)
		}
	}
	if err == nil && kept != "" {
		_, err = a.db.ExecContext(ctx, "ATTACH DATABASE ? AS kept", "file:"+(&url.URL{Path: kept}).EscapedPath())
	}
	if err == nil {
		a.stmts, err = prepare(ctx, a.db)
	}
	return a, err
}

func (a *anew) close() {
	if a.tx != nil {
		_ = a.tx.Rollback()
	}
	if a.stmts != nil {
		a.stmts.close()
	}
	a.db.Close()
}

// begin begins to read, here and in read, until both stand at the same event.
func (a *anew) begin(ctx context.Context, read *sql.DB) (*sql.Tx, error) {
	const last = "SELECT COALESCE(max(seq), 0) FROM %sevents"
	for {
		var here, there int64
		now, err := read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
		if err != nil {
			return nil, err
		}
		if a.tx, err = a.db.BeginTx(ctx, nil); err == nil {
			if err = now.QueryRowContext(ctx, fmt.Sprintf(last, "")).Scan(&there); err == nil {
				err = a.tx.QueryRowContext(ctx, fmt.Sprintf(last, "kept.")).Scan(&here)
			}
		}
		if err == nil && here == there {
			return now, nil
		}
		if err = errors.Join(err, now.Rollback()); a.tx != nil {
			err = errors.Join(err, a.tx.Rollback())
			a.tx = nil
		}
		if err != nil {
			return nil, err
		}
	}
}

// followed is an event as it was read, with what is wrong with it.
type followed struct {
	item
	problems []finding.Finding
	misfit   bool
}

// follow reads the chain and writes what follows from it.
func (c *checking) follow(ctx context.Context, now querier, a *anew, progress func(done int64)) error {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	batches := make(chan []followed, 2)
	read := make(chan error, 1)
	go func() {
		defer close(batches)
		read <- followChain(ctx, now, func(b []followed) bool {
			select {
			case batches <- b:
				return true
			case <-ctx.Done():
				return false
			}
		})
	}()
	m := a.stmts.many(a.tx, false)
	defer m.close()
	err := func() error {
		for b := range batches {
			for _, f := range b {
				for _, p := range f.problems {
					c.say(p.ID, p.Args)
				}
				c.report.Head = f.e.Hash
			}
			if err := c.lay(ctx, a, m, b); err != nil {
				return err
			}
			c.report.Events += int64(len(b))
			progress(c.report.Events)
		}
		return nil
	}()
	stop()
	for range batches { // let the reader go
	}
	if readErr := <-read; err == nil && !errors.Is(readErr, context.Canceled) {
		err = readErr
	}
	return err
}

// followChain reads all events in order and hands them over in batches, each
// with what is wrong with its place in the chain.
func followChain(ctx context.Context, now querier, hand func([]followed) bool) error {
	const batch = 1000
	var prev app.Event
	b := make([]followed, 0, batch)
	err := reader{q: now}.EachEvent(ctx, func(e app.Event) error {
		f := followed{item: item{e: e}}
		say := func(id string, args finding.Args) {
			f.problems = append(f.problems, finding.Finding{ID: id, Args: args})
		}
		at := finding.Args{"seq": finding.Text(fmt.Sprint(e.Seq)), "at": finding.Text(e.At)}
		switch {
		case e.Seq != prev.Seq+1:
			say("check-event-gone", finding.Args{"seq": finding.Text(fmt.Sprint(prev.Seq + 1)), "to": finding.Text(fmt.Sprint(e.Seq - 1))})
		case e.Prev != prev.Hash:
			say("check-chain-broken", at)
		}
		if hashOf(e.Prev, &e) != e.Hash {
			say("check-event-changed", at)
		}
		if e.At < prev.At || e.ID <= prev.ID {
			say("check-event-order", at)
		}
		var err error
		f.decoded, err = decode(&e)
		f.misfit = err != nil
		prev = e
		if b = append(b, f); len(b) == batch {
			if !hand(b) {
				return ctx.Err()
			}
			b = make([]followed, 0, batch)
		}
		return nil
	})
	if err == nil && len(b) > 0 {
		hand(b)
	}
	return err
}

// lay writes what follows from a batch of events.
func (c *checking) lay(ctx context.Context, a *anew, m *many, b []followed) error {
	for len(b) > 0 {
		n := together(b, func(f *followed) (app.Type, int) {
			if f.misfit {
				return "", 0
			}
			return f.e.Type, f.e.Version
		})
		if n >= leastMany {
			items := make([]item, n)
			for k := range items {
				items[k] = b[k].item
			}
			ok, err := m.write(ctx, items)
			if err != nil {
				return err
			}
			if ok {
				b = b[n:]
				continue
			}
		}
		for k := range max(n, 1) {
			f := &b[k]
			ok := false
			if !f.misfit {
				var err error
				ok, err = a.stmts.project(ctx, a.tx, &f.item)
				if cause := ctx.Err(); err != nil && cause != nil {
					return cause
				}
				ok = ok && err == nil
			}
			if !ok {
				c.say("check-event-misfit", finding.Args{"seq": finding.Text(fmt.Sprint(f.e.Seq)), "at": finding.Text(f.e.At)})
			}
		}
		b = b[max(n, 1):]
	}
	return nil
}

// keysOf are the columns that name a row of the tables that have no id.
var keysOf = map[string][]string{"files": {"hash", "event_id"}, "names": {"type", "key", "entity_id"}}

// compare looks for rows of a kept table that differ from those made anew, in
// any column.
func (c *checking) compare(ctx context.Context, tx *sql.Tx, table string) error {
	columns, err := texts(ctx, tx, "SELECT name FROM pragma_table_info('"+table+"')")
	if err != nil {
		return err
	}
	keys := keysOf[table]
	if keys == nil {
		keys = []string{"id"}
	}
	same, differ := make([]string, len(keys)), make([]string, len(columns))
	for i, k := range keys {
		same[i] = "a." + k + " = k." + k
	}
	for i, n := range columns {
		differ[i] = "a." + n + " IS NOT k." + n
	}
	on := strings.Join(same, " AND ")
	rows, err := tx.QueryContext(ctx, fmt.Sprintf("SELECT COALESCE(k.%s, ''), a.%s IS NULL FROM kept.%s k LEFT JOIN main.%s a ON %s WHERE a.%s IS NULL OR %s ORDER BY k.%s",
		keys[0], keys[0], table, table, on, keys[0], strings.Join(differ, " OR "), keys[0]))
	if err != nil {
		return err
	}
	defer rows.Close()
	extra := int64(0)
	for rows.Next() {
		var id string
		var alone bool
		if err := rows.Scan(&id, &alone); err != nil {
			return err
		}
		what := "check-row-changed"
		if alone {
			extra++
			what = "check-row-extra"
		}
		c.say(what, finding.Args{"table": finding.Text(table), "id": finding.Text(id)})
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return err
	}
	var kept, made int64
	if err := tx.QueryRowContext(ctx, fmt.Sprintf("SELECT (SELECT count(*) FROM kept.%s), (SELECT count(*) FROM main.%s)", table, table)).Scan(&kept, &made); err != nil {
		return err
	}
	c.report.Rows += kept - extra
	if kept-extra == made {
		return nil
	}
	gone, err := texts(ctx, tx, fmt.Sprintf("SELECT a.%s FROM main.%s a LEFT JOIN kept.%s k ON %s WHERE k.%s IS NULL ORDER BY a.%s", keys[0], table, table, on, keys[0], keys[0]))
	for _, id := range gone {
		c.say("check-row-gone", finding.Args{"table": finding.Text(table), "id": finding.Text(id)})
	}
	return err
}
