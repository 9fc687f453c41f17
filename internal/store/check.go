package store

import (
	"context"
	"database/sql"
	"os"
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
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	if s.shared { // PostgreSQL sees to its pages and keys by itself
		if err := c.rebuild(ctx, s, progress); err != nil {
			return c.report, storeFault(s.dir, err)
		}
		return c.close(), nil
	}
	// SQLite looks at its own pages while the events are read.
	pages := &checking{seen: map[string]int{}}
	done := make(chan error, 1)
	go func() { done <- pages.integrity(ctx, s.read) }()
	err := c.rebuild(ctx, s, progress)
	if err != nil {
		stop()
	}
	if pagesErr := <-done; err == nil {
		err = pagesErr
	}
	if err != nil {
		return c.report, storeFault(s.dir, err)
	}
	c.join(pages)
	return c.close(), nil
}

// join adds what another has found, first.
func (c *checking) join(o *checking) {
	c.report.Findings = append(o.report.Findings, c.report.Findings...)
	for id, n := range o.seen {
		c.seen[id] += n
	}
}

// integrity asks SQLite about its own pages and references.
func (c *checking) integrity(ctx context.Context, read *sql.DB) error {
	lines, err := texts(ctx, read, "PRAGMA integrity_check(20)")
	if err != nil {
		return err
	}
	for _, l := range lines {
		if l != "ok" {
			c.say("check-integrity", finding.Args{"text": finding.Text(l)})
		}
	}
	rows, err := read.QueryContext(ctx, "PRAGMA foreign_key_check")
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
