package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
	"sync"

	"sapward/finding"
	"sapward/internal/app"
)

// querier is what both a pool and a transaction can do.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// reader is the read side, on the pool or inside a transaction.
type reader struct{ q querier }

const stateColumns = "s.id, COALESCE(s.estate_id, ''), COALESCE(s.parent_id, ''), s.sort, s.version, s.at, s.by_id, s.act, COALESCE(s.retired_at, ''), s.body"

func scanState(rows interface{ Scan(...any) error }, t app.Type) (app.State, error) {
	s := app.State{Type: t}
	var body string
	err := rows.Scan(&s.ID, &s.Estate, &s.Parent, &s.Sort, &s.Version, &s.At, &s.By, &s.Act, &s.Retired, &body)
	s.Body = []byte(body)
	return s, err
}

func (r reader) states(ctx context.Context, t app.Type, query string, args ...any) ([]app.State, error) {
	rows, err := r.q.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, storeFault("", err)
	}
	defer rows.Close()
	out := []app.State{}
	for rows.Next() {
		s, err := scanState(rows, t)
		if err != nil {
			return nil, storeFault("", err)
		}
		out = append(out, s)
	}
	return out, storeFault("", rows.Err())
}

func missing(t app.Type) error {
	return &finding.Fault{Class: finding.Missing, ID: "app-missing", Args: finding.Args{"what_by": finding.Text("kind-" + string(t))}}
}

// EventsAfter returns events of one type and parent after a number, oldest
// first.
func (r reader) EventsAfter(ctx context.Context, t app.Type, parent string, after int64, limit int) ([]app.Event, error) {
	rows, err := r.q.QueryContext(ctx, fmt.Sprintf("SELECT %s FROM events WHERE parent_id = ? AND seq > ? AND type = ? ORDER BY seq LIMIT %d", eventColumns, max(limit, 1)), parent, after, string(t))
	if err != nil {
		return nil, storeFault("", err)
	}
	defer rows.Close()
	out := []app.Event{}
	for rows.Next() {
		e, err := scanEvent(rows)
		if err != nil {
			return nil, storeFault("", err)
		}
		out = append(out, e)
	}
	return out, storeFault("", rows.Err())
}

// State returns one thing, or a Missing fault.
func (r reader) State(ctx context.Context, t app.Type, id string) (app.State, error) {
	table, ok := tables[t]
	if !ok {
		return app.State{}, missing(t)
	}
	s, err := scanState(r.q.QueryRowContext(ctx, "SELECT "+stateColumns+" FROM "+table+" s WHERE s.id = ?", id), t)
	if errors.Is(err, sql.ErrNoRows) {
		return s, missing(t)
	}
	return s, storeFault("", err)
}

// where gathers conditions.
type where struct {
	text strings.Builder
	args []any
}

func (w *where) and(text string, args ...any) {
	if w.text.Len() == 0 {
		w.text.WriteString(" WHERE ")
	} else {
		w.text.WriteString(" AND ")
	}
	w.text.WriteString(text)
	w.args = append(w.args, args...)
}

func (w *where) after(k app.Key) {
	if k != (app.Key{}) {
		w.and("(s.sort, s.id) > (?, ?)", k.Sort, k.ID)
	}
}

// States returns the states of one type in the order of sort and id.
func (r reader) States(ctx context.Context, q app.Query) ([]app.State, error) {
	table, ok := tables[q.Type]
	if !ok {
		return nil, missing(q.Type)
	}
	var w where
	if q.Parent != "" {
		w.and("s.parent_id = ?", q.Parent)
	}
	if q.Estate != "" {
		w.and("s.estate_id = ?", q.Estate)
	}
	if !q.Retired {
		w.and("s.retired_at IS NULL")
	}
	w.after(q.After)
	if q.Limit <= 0 {
		q.Limit = 1000
	}
	return r.states(ctx, q.Type, fmt.Sprintf("SELECT %s FROM %s s%s ORDER BY s.sort, s.id LIMIT %d", stateColumns, table, w.text.String(), q.Limit), w.args...)
}

// like makes a pattern that finds text anywhere, its own signs taken as they
// are.
func like(text string) string {
	return "%" + strings.NewReplacer(`\`, `\\`, "%", `\%`, "_", `\_`).Replace(text) + "%"
}

// Trees returns trees of one block in the order of tags.
func (r reader) Trees(ctx context.Context, q app.TreeQuery) ([]app.State, error) {
	var w where
	w.and("s.parent_id = ?", q.Block)
	if !q.Retired {
		w.and("s.retired_at IS NULL")
	}
	if q.Text != "" {
		key := like(searchKey(q.Text))
		w.and(`(s.tag_key LIKE ? ESCAPE '\' OR s.species_key LIKE ? ESCAPE '\')`, key, key)
	}
	switch q.Status {
	case "":
	case "unmeasured":
		w.and("s.diameter_cm = 0")
	case "unknown":
		w.and("s.status = ''")
	default:
		w.and("s.status = ?", q.Status)
	}
	w.after(q.After)
	if q.Limit <= 0 {
		q.Limit = 100
	}
	return r.states(ctx, app.TypeTree, fmt.Sprintf("SELECT %s FROM trees s%s ORDER BY s.sort, s.id LIMIT %d", stateColumns, w.text.String(), q.Limit), w.args...)
}

// EachTree passes the trees of a block that are in use, by tag, in chunks.
func (r reader) EachTree(ctx context.Context, block string, visit func([]app.State) error) error {
	const chunk = 4096
	q := app.TreeQuery{Block: block, Limit: chunk}
	for {
		states, err := r.Trees(ctx, q)
		if err != nil {
			return err
		}
		if len(states) > 0 {
			if err := visit(states); err != nil {
				return err
			}
		}
		if len(states) < chunk {
			return nil
		}
		last := states[len(states)-1]
		q.After = app.Key{Sort: last.Sort, ID: last.ID}
	}
}

// TreesTagged returns the trees of a block in use that have one of the tags.
func (r reader) TreesTagged(ctx context.Context, block string, tags []string) ([]app.State, error) {
	const most = 500 // tags a statement
	out := []app.State{}
	for len(tags) > 0 {
		n := min(most, len(tags))
		args := make([]any, 0, n+1)
		args = append(args, block)
		for _, t := range tags[:n] {
			args = append(args, t)
		}
		states, err := r.states(ctx, app.TypeTree, "SELECT "+stateColumns+" FROM trees s WHERE s.parent_id = ? AND s.retired_at IS NULL AND s.tag IN (?"+strings.Repeat(", ?", n-1)+")", args...)
		if err != nil {
			return nil, err
		}
		out, tags = append(out, states...), tags[n:]
	}
	return out, nil
}

// BlockMark grows with every change of a block's trees or their wounds.
func (r reader) BlockMark(ctx context.Context, block string) (int64, error) {
	var n int64
	err := r.q.QueryRowContext(ctx, "SELECT COALESCE(max(m.seq), 0) FROM (SELECT max(seq) AS seq FROM trees WHERE parent_id = ? UNION ALL SELECT max(seq) FROM wounds WHERE block_id = ?) m", block, block).Scan(&n)
	return n, storeFault("", err)
}

// Places returns where the trees of a block stand and how thick they are.
func (r reader) Places(ctx context.Context, block string) ([]app.Place, error) {
	rows, err := r.q.QueryContext(ctx, "SELECT id, tag, status, diameter_cm, stems, x_m, y_m, lat, lon FROM trees WHERE parent_id = ? AND retired_at IS NULL ORDER BY sort, id", block)
	if err != nil {
		return nil, storeFault("", err)
	}
	defer rows.Close()
	out := []app.Place{}
	for rows.Next() {
		var p app.Place
		if err := rows.Scan(&p.ID, &p.Tag, &p.Status, &p.DiameterCM, &p.Stems, &p.XM, &p.YM, &p.Lat, &p.Lon); err != nil {
			return nil, storeFault("", err)
		}
		out = append(out, p)
	}
	return out, storeFault("", rows.Err())
}

// Readings returns a tree's tape readings, newest first.
func (r reader) Readings(ctx context.Context, tree string) ([]app.Reading, error) {
	rows, err := r.q.QueryContext(ctx, "SELECT event_id, tree_id, stem, on_day, by_id, taker, instrument, diameter_cm, at_m, reason, entered_at FROM readings WHERE tree_id = ? ORDER BY seq DESC, id DESC", tree)
	if err != nil {
		return nil, storeFault("", err)
	}
	defer rows.Close()
	out := []app.Reading{}
	for rows.Next() {
		var x app.Reading
		if err := rows.Scan(&x.Event, &x.Tree, &x.Stem, &x.On, &x.By, &x.Taker, &x.Instrument, &x.DiameterCM, &x.AtM, &x.Reason, &x.EnteredAt); err != nil {
			return nil, storeFault("", err)
		}
		out = append(out, x)
	}
	return out, storeFault("", rows.Err())
}

// BlockCounts counts trees by status.
func (r reader) BlockCounts(ctx context.Context, blocks []string) (map[string]app.BlockCount, error) {
	out := map[string]app.BlockCount{}
	for _, b := range blocks {
		c := app.BlockCount{ByStatus: map[string]int{}}
		rows, err := r.q.QueryContext(ctx, "SELECT status, count(*), sum(CASE WHEN diameter_cm > 0 THEN 1 ELSE 0 END) FROM trees WHERE parent_id = ? AND retired_at IS NULL GROUP BY status", b)
		if err != nil {
			return nil, storeFault("", err)
		}
		for rows.Next() {
			var status string
			var n, measured int
			if err = rows.Scan(&status, &n, &measured); err != nil {
				break
			}
			c.ByStatus[status] = n
			c.Trees += n
			c.Measured += measured
		}
		if err = errors.Join(err, rows.Err(), rows.Close()); err != nil {
			return nil, storeFault("", err)
		}
		if err := r.q.QueryRowContext(ctx, "SELECT count(*) FROM wounds WHERE block_id = ? AND retired_at IS NULL AND NOT closed", b).Scan(&c.OpenWounds); err != nil {
			return nil, storeFault("", err)
		}
		out[b] = c
	}
	return out, nil
}

// counts keeps the counts of blocks that have not changed.
type counts struct {
	mu sync.Mutex
	at map[string]marked
}

// marked is the count of a block at a mark, and the last event up to which the
// mark is known to stand.
type marked struct {
	mark, known int64
	count       app.BlockCount
}

// BlockCounts is the reader's, with what has not changed kept. While nothing at
// all was kept since, one look at the last event answers for every block.
func (s *Store) BlockCounts(ctx context.Context, blocks []string) (map[string]app.BlockCount, error) {
	out := map[string]app.BlockCount{}
	var last int64
	if err := s.q.QueryRowContext(ctx, "SELECT COALESCE(max(seq), 0) FROM events").Scan(&last); err != nil {
		return nil, storeFault("", err)
	}
	for _, b := range blocks {
		s.counts.mu.Lock()
		m, ok := s.counts.at[b]
		s.counts.mu.Unlock()
		if ok && m.known >= last {
			out[b] = m.count
			continue
		}
		mark, err := s.BlockMark(ctx, b)
		if err != nil {
			return nil, err
		}
		if !ok || m.mark != mark {
			one, err := s.reader.BlockCounts(ctx, []string{b})
			if err != nil {
				return nil, err
			}
			m = marked{mark: mark, count: one[b]}
		}
		m.known = last
		s.counts.mu.Lock()
		if s.counts.at == nil || len(s.counts.at) > 10_000 {
			s.counts.at = map[string]marked{}
		}
		s.counts.at[b] = m
		s.counts.mu.Unlock()
		out[b] = m.count
	}
	return out, nil
}

// BlockWounds returns the wounds of all trees of a block, by tree.
func (r reader) BlockWounds(ctx context.Context, block string) ([]app.State, error) {
	return r.states(ctx, app.TypeWound, "SELECT "+stateColumns+" FROM wounds s JOIN trees t ON t.id = s.parent_id WHERE s.block_id = ? AND s.retired_at IS NULL ORDER BY t.sort, t.id, s.sort, s.id", block)
}

func scanEvent(rows *sql.Rows) (e app.Event, err error) {
	var body string
	err = rows.Scan(&e.Seq, &e.ID, &e.Act, &e.At, &e.ClockAt, &e.By, &e.Type, &e.Verb, &e.Estate, &e.Entity, &e.Parent, &e.Sort, &e.Version, &e.Reason, &body, &e.Prev, &e.Hash)
	e.Body = []byte(body)
	return e, err
}

// Events returns events, newest first.
func (r reader) Events(ctx context.Context, q app.EventQuery) ([]app.Event, error) {
	var w where
	if q.Estate != "" {
		w.and("estate_id = ?", q.Estate)
	}
	if q.Entity != "" {
		w.and("(entity_id = ? OR parent_id = ?)", q.Entity, q.Entity)
	}
	if q.By != "" {
		w.and("by_id = ?", q.By)
	}
	if q.Act != "" {
		w.and("act = ?", q.Act)
	}
	if q.Type != "" {
		w.and("type = ?", string(q.Type))
	}
	if q.Before > 0 {
		w.and("seq < ?", q.Before)
	}
	if q.Limit <= 0 {
		q.Limit = 100
	}
	rows, err := r.q.QueryContext(ctx, fmt.Sprintf("SELECT %s FROM events%s ORDER BY seq DESC LIMIT %d", eventColumns, w.text.String(), q.Limit), w.args...)
	if err != nil {
		return nil, storeFault("", err)
	}
	defer rows.Close()
	out := []app.Event{}
	for rows.Next() {
		e, err := scanEvent(rows)
		if err != nil {
			return nil, storeFault("", err)
		}
		out = append(out, e)
	}
	return out, storeFault("", rows.Err())
}

// EachEvent passes every event in order.
func (r reader) EachEvent(ctx context.Context, visit func(app.Event) error) error {
	rows, err := r.q.QueryContext(ctx, "SELECT "+eventColumns+" FROM events ORDER BY seq")
	if err != nil {
		return storeFault("", err)
	}
	defer rows.Close()
	for rows.Next() {
		e, err := scanEvent(rows)
		if err != nil {
			return storeFault("", err)
		}
		if err := visit(e); err != nil {
			return err
		}
	}
	return storeFault("", rows.Err())
}
