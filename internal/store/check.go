package store

import (
	"context"
	"database/sql"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"sapward/finding"
	"sapward/internal/app"
)

// maxFindings bounds the lines of one kind; the last says how many more.
const maxFindings = 20

// checking gathers what a check finds.
type checking struct {
	report app.CheckReport
	seen   map[string]int
}

func (c *checking) say(id string, args finding.Args) {
	if c.seen[id]++; c.seen[id] <= maxFindings {
		c.report.Findings = append(c.report.Findings, finding.Finding{ID: id, Severity: finding.Refused, Authority: finding.ByEstimate, Args: args})
	}
}

func (c *checking) close() app.CheckReport {
	for _, n := range c.seen {
		if n > maxFindings {
			c.report.Findings = append(c.report.Findings, finding.Finding{ID: "check-more", Severity: finding.Note, Authority: finding.ByEstimate, Args: finding.Args{"count": finding.Count(n - maxFindings)}})
		}
	}
	slices.SortStableFunc(c.report.Findings, func(a, b finding.Finding) int { return strings.Compare(string(a.Severity), string(b.Severity)) * -1 })
	return c.report
}

// Check verifies everything that is kept: SQLite's own integrity, foreign keys,
// the chain of events from the first to the last, every table rebuilt from the
// events and compared row by row, and every file by its hash. It may run while
// the server serves: it sees one moment. A problem is a finding with its way
// out; the error is only for what could not be looked at.
func (s *Store) Check(ctx context.Context, progress func(done, of int64)) (app.CheckReport, error) {
	c := &checking{report: app.CheckReport{Findings: []finding.Finding{}}, seen: map[string]int{}}
	if progress == nil {
		progress = func(_, _ int64) {}
	}
	conn, err := s.read.Conn(ctx)
	if err != nil {
		return c.report, storeFault(s.dir, err)
	}
	defer conn.Close()
	now, err := conn.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return c.report, storeFault(s.dir, err)
	}
	defer now.Rollback()
	if err := c.integrity(ctx, now); err != nil {
		return c.report, storeFault(s.dir, err)
	}
	if err := c.rebuild(ctx, s, now, progress); err != nil {
		return c.report, storeFault(s.dir, err)
	}
	if err := c.files(ctx, s.dir, now); err != nil {
		return c.report, storeFault(s.dir, err)
	}
	return c.close(), nil
}

// integrity asks SQLite about its own pages and references.
func (c *checking) integrity(ctx context.Context, now *sql.Tx) error {
	lines, err := texts(ctx, now, "PRAGMA integrity_check(20)")
	if err != nil {
		return err
	}
	for _, l := range lines {
		if l != "ok" {
			c.say("check-integrity", finding.Args{"text": finding.Text(l)})
		}
	}
	rows, err := now.QueryContext(ctx, "PRAGMA foreign_key_check")
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var table, parent string
		var row sql.NullInt64
		var n int
		if err := rows.Scan(&table, &row, &parent, &n); err != nil {
			return err
		}
		c.say("check-key", finding.Args{"table": finding.Text(table), "parent": finding.Text(parent)})
	}
	return rows.Err()
}

func texts(ctx context.Context, q querier, query string, args ...any) ([]string, error) {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var out []string
	for rows.Next() {
		var s string
		if err := rows.Scan(&s); err != nil {
			return nil, err
		}
		out = append(out, s)
	}
	return out, rows.Err()
}

// rebuild follows the chain, makes all tables anew from the events in a folder
// of its own, and compares.
func (c *checking) rebuild(ctx context.Context, s *Store, now *sql.Tx, progress func(done, of int64)) error {
	var of int64
	if err := now.QueryRowContext(ctx, "SELECT count(*) FROM events").Scan(&of); err != nil {
		return err
	}
	dir, err := os.MkdirTemp("", "sapward-check-*")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "anew.db")
	db, err := sql.Open("sqlite", dsn(path, url.Values{"_pragma": {"journal_mode(off)", "synchronous(off)", "cache_size(-64000)"}}))
	if err != nil {
		return err
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	if err := migrate(ctx, db); err != nil {
		return err
	}
	stmts, err := prepare(ctx, db)
	if err != nil {
		return err
	}
	defer stmts.close()
	anew, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer anew.Rollback()
	var prev app.Event
	err = reader{q: now}.EachEvent(ctx, func(e app.Event) error {
		at := finding.Args{"seq": finding.Text(fmt.Sprint(e.Seq)), "at": finding.Text(e.At)}
		switch {
		case e.Seq != prev.Seq+1:
			c.say("check-event-gone", finding.Args{"seq": finding.Text(fmt.Sprint(prev.Seq + 1)), "to": finding.Text(fmt.Sprint(e.Seq - 1))})
		case e.Prev != prev.Hash:
			c.say("check-chain-broken", at)
		}
		if hashOf(e.Prev, &e) != e.Hash {
			c.say("check-event-changed", at)
		}
		if e.At < prev.At || e.ID <= prev.ID {
			c.say("check-event-order", at)
		}
		if ok, err := stmts.project(ctx, anew, &e); err != nil || !ok {
			c.say("check-event-misfit", at)
		}
		prev = e
		c.report.Events++
		if c.report.Events%1000 == 0 {
			progress(c.report.Events, of)
		}
		return ctx.Err()
	})
	if err != nil {
		return err
	}
	c.report.Head = prev.Hash
	for _, table := range []string{"people", "settings", "estates", "memberships", "blocks", "trees", "wounds", "readings", "cards", "card_checks", "drafts", "plans", "gates", "applications", "attachments", "files"} {
		if err := c.compare(ctx, table, now, anew); err != nil {
			return err
		}
	}
	progress(of, of)
	return nil
}

// compare walks one table beside its rebuilt twin, both in the order of their
// first two columns.
func (c *checking) compare(ctx context.Context, table string, kept, anew querier) error {
	query := "SELECT * FROM " + table + " ORDER BY 1, 2"
	a, err := kept.QueryContext(ctx, query)
	if err != nil {
		return err
	}
	defer a.Close()
	b, err := anew.QueryContext(ctx, query)
	if err != nil {
		return err
	}
	defer b.Close()
	next := func(rows *sql.Rows) (key, all string, more bool, err error) {
		if !rows.Next() {
			return "", "", false, rows.Err()
		}
		names, err := rows.Columns()
		if err != nil {
			return "", "", false, err
		}
		cells := make([]any, len(names))
		to := make([]any, len(names))
		for i := range cells {
			to[i] = &cells[i]
		}
		if err := rows.Scan(to...); err != nil {
			return "", "", false, err
		}
		return fmt.Sprintf("%v", cells[0]), fmt.Sprintf("%v", cells), true, nil
	}
	keyA, allA, moreA, err := next(a)
	if err != nil {
		return err
	}
	keyB, allB, moreB, err := next(b)
	for err == nil && (moreA || moreB) {
		args := func(id string) finding.Args {
			return finding.Args{"table": finding.Text(table), "id": finding.Text(id)}
		}
		switch {
		case moreA && (!moreB || keyA < keyB):
			c.say("check-row-extra", args(keyA))
			keyA, allA, moreA, err = next(a)
			continue
		case moreB && (!moreA || keyB < keyA):
			c.say("check-row-gone", args(keyB))
			keyB, allB, moreB, err = next(b)
			continue
		case allA != allB:
			c.say("check-row-changed", args(keyA))
		}
		c.report.Rows++
		if keyA, allA, moreA, err = next(a); err == nil {
			keyB, allB, moreB, err = next(b)
		}
	}
	return err
}

// files looks at every file that a fact speaks of.
func (c *checking) files(ctx context.Context, dir string, now querier) error {
	hashes, err := texts(ctx, now, "SELECT DISTINCT hash FROM files ORDER BY hash")
	if err != nil {
		return err
	}
	for _, h := range hashes {
		if !isHash(h) {
			c.say("check-file-changed", finding.Args{"hash": finding.Text(h)})
			continue
		}
		got, _, err := hashFile(pathOf(dir, h))
		switch {
		case os.IsNotExist(err):
			c.say("check-file-gone", finding.Args{"hash": finding.Text(h)})
		case err != nil:
			c.say("check-file-unreadable", finding.Args{"hash": finding.Text(h), "reason": finding.Text(plainReason(err))})
		case got != h:
			c.say("check-file-changed", finding.Args{"hash": finding.Text(h)})
		}
		c.report.Attachments++
		if err := ctx.Err(); err != nil {
			return err
		}
	}
	return nil
}
