package store

import (
	"context"
	"database/sql"
	"errors"
	"runtime"
	"sync"

	"sapward/finding"
	"sapward/internal/app"
)

// tx is one transaction of the writer.
type tx struct {
	reader
	s    *Store
	tx   *sql.Tx
	act  string
	head *head
	days map[string]bool // that something was noted of
}

// InTx runs f in one transaction; one at a time. What f wrote is on the disk
// when InTx returns nil, and nothing of it is when it returns an error.
func (s *Store) InTx(ctx context.Context, f func(app.Tx) error) (err error) {
	if s.write == nil {
		return &finding.Fault{Class: finding.Storage, ID: "store-read-only", Where: finding.Where{File: s.dir}, Args: finding.Args{"reason": finding.Text("read-only")}}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	raw, at, end, err := s.begin(ctx)
	if err != nil {
		return storeFault(s.dir, err)
	}
	defer end()
	defer func() {
		if p := recover(); p != nil {
			_ = raw.Rollback()
			panic(p)
		}
		if err != nil {
			_ = raw.Rollback()
		}
	}()
	t := &tx{reader: reader{q: raw}, s: s, tx: raw, head: at}
	if err := f(t); err != nil {
		return storeFault(s.dir, err)
	}
	if err := t.fence(ctx); err != nil {
		return storeFault(s.dir, err)
	}
	if err := t.announce(ctx); err != nil {
		return storeFault(s.dir, err)
	}
	if err := raw.Commit(); err != nil {
		return storeFault(s.dir, err)
	}
	if t.act != "" {
		s.last.write(*t.head)
	}
	return nil
}

// begin begins a transaction of the writer. Where other servers write as well
// it holds the chain until it ends, and says where the chain ends.
func (s *Store) begin(ctx context.Context) (raw *sql.Tx, at *head, end func(), err error) {
	if !s.shared {
		raw, err = s.write.BeginTx(ctx, nil)
		return raw, nil, func() {}, err
	}
	conn, err := s.write.Conn(ctx)
	if err != nil {
		return nil, nil, nil, err
	}
	end = func() { _ = conn.Close() }
	if raw, err = conn.BeginTx(ctx, nil); err == nil {
		var h head
		if h, err = headOf(conn); err == nil {
			return raw, &h, end, nil
		}
		_ = raw.Rollback()
	}
	end()
	return nil, nil, nil, err
}

// Append keeps changes as events and brings the tables up to date.
func (t *tx) Append(ctx context.Context, by string, changes ...app.Change) ([]app.Event, error) {
	if t.head == nil {
		var h head
		err := t.tx.StmtContext(ctx, t.s.stmts.head).QueryRowContext(ctx).Scan(&h.Seq, &h.ID, &h.At, &h.Hash)
		if err != nil && !errors.Is(err, sql.ErrNoRows) {
			return nil, err
		}
		t.head = &h
	}
	if by == "" {
		by = app.LocalPerson
	}
	out := make([]app.Event, 0, len(changes))
	var m *many
	defer func() {
		if m != nil {
			m.close()
		}
	}()
	for k := range changes {
		t.heard(&changes[k])
	}
	next := t.ready(changes)
	for len(changes) > 0 {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		now, n := next()
		rest := changes[n:]
		next = t.ready(rest) // made ready on the other processors while these are written
		if n >= leastMany {
			if m == nil {
				m = t.s.stmts.many(t.tx, true)
			}
			es, ok, err := t.appendMany(ctx, by, m, now)
			if err != nil {
				return nil, err
			}
			if ok {
				out, changes = append(out, es...), rest
				continue
			}
		}
		for k := range now {
			e, err := t.appendOne(ctx, by, &now[k])
			if err != nil {
				return nil, err
			}
			out = append(out, e)
		}
		changes = rest
	}
	return out, nil
}

// readied is a change whose body is canonical and read.
type readied struct {
	c app.Change
	decoded
	err error
}

// ready starts to make the next changes ready that can be written together,
// and returns how to wait for them.
func (t *tx) ready(changes []app.Change) func() ([]readied, int) {
	n := max(min(1, len(changes)), together(changes, func(c *app.Change) (app.Type, int) { return c.Type, c.Version }))
	out := make([]readied, n)
	one := func(k int) {
		r := &out[k]
		r.c = changes[k]
		if !clean(r.c.Reason) || !clean(r.c.Sort) || !clean(r.c.ID) || !clean(r.c.Parent) || r.c.ID == "" {
			r.err = &finding.Fault{Class: finding.Usage, ID: "text-unclean"}
			return
		}
		if r.c.Body, r.err = canonical(r.c.Body); r.err == nil {
			r.decoded, r.err = decode(&app.Event{Type: r.c.Type, Verb: r.c.Verb, Body: r.c.Body})
		}
	}
	if n < leastMany {
		for k := range out {
			one(k)
		}
		return func() ([]readied, int) { return out, n }
	}
	var wg sync.WaitGroup
	workers := runtime.GOMAXPROCS(0)
	for w := range workers {
		wg.Go(func() {
			for k := n * w / workers; k < n*(w+1)/workers; k++ {
				one(k)
			}
		})
	}
	return func() ([]readied, int) { wg.Wait(); return out, n }
}

// event makes the event after h of a change.
func (t *tx) event(h *head, by string, r *readied) item {
	c := &r.c
	e := app.Event{Seq: h.Seq + 1, By: by, Type: c.Type, Verb: c.Verb, Estate: c.Estate, Entity: c.ID, Parent: c.Parent, Sort: c.Sort, Version: c.Version, Reason: c.Reason, Body: c.Body, Prev: h.Hash}
	e.At, e.ClockAt, e.ID = h.next(t.s.now(), t.s.random)
	e.Act = orElse(t.act, e.ID)
	e.Hash = hashOf(e.Prev, &e)
	return item{e, r.decoded}
}

func (t *tx) stepped(e *app.Event) {
	t.act, t.head = e.Act, &head{e.Seq, e.ID, e.At, e.Hash}
}

// appendMany writes changes of one type that are all new. It reports false,
// with nothing written, when they have to go one by one.
func (t *tx) appendMany(ctx context.Context, by string, m *many, rs []readied) ([]app.Event, bool, error) {
	items := make([]item, len(rs))
	h, act := *t.head, t.act
	for k := range rs {
		if rs[k].err != nil {
			t.act = act
			return nil, false, nil
		}
		items[k] = t.event(&h, by, &rs[k])
		e := &items[k].e
		h, t.act = head{e.Seq, e.ID, e.At, e.Hash}, e.Act
	}
	ok, err := m.write(ctx, items)
	if err != nil || !ok {
		t.act = act
		return nil, false, err
	}
	t.stepped(&items[len(items)-1].e)
	out := make([]app.Event, len(items))
	for k := range items {
		out[k] = items[k].e
	}
	return out, true, nil
}

func (t *tx) appendOne(ctx context.Context, by string, r *readied) (app.Event, error) {
	if r.err != nil {
		return app.Event{}, r.err
	}
	i := t.event(t.head, by, r)
	ok, err := t.s.stmts.project(ctx, t.tx, &i)
	if err != nil {
		return app.Event{}, t.taken(err, r.c)
	}
	if !ok {
		return app.Event{}, t.conflict(ctx, r.c)
	}
	if err := t.s.stmts.keep(ctx, t.tx, &i); err != nil {
		return app.Event{}, err
	}
	t.stepped(&i.e)
	return i.e, nil
}

// conflict tells what is kept instead of the version that was looked at.
func (t *tx) conflict(ctx context.Context, c app.Change) error {
	theirs, err := t.State(ctx, c.Type, c.ID)
	if err != nil {
		return err
	}
	return &app.Conflict{Type: c.Type, ID: c.ID, Theirs: theirs, Yours: c.Body}
}

// taken turns a broken uniqueness or reference into a fault people understand.
func (t *tx) taken(err error, c app.Change) error {
	switch ruleOf(err) {
	case ruleTag:
		if c.Type == app.TypeTree {
			return &finding.Fault{Class: finding.Conflict, ID: "tree-tag-twice", Cause: err}
		}
	case ruleParent:
		return &finding.Fault{Class: finding.Missing, ID: "app-missing", Cause: err, Args: finding.Args{"what_by": finding.Text("kind-" + string(c.Type))}}
	}
	return err
}
