// Package storetest is the contract that every store of the app's facts has to
// pass, whatever database lies under it.
package storetest

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
	"testing"
	"time"

	"sapward/finding"
	"sapward/internal/app"
)

// Clock is a clock that a test sets.
type Clock struct {
	mu sync.Mutex
	t  time.Time
}

// NewClock returns a clock that stands at a moment.
func NewClock(t time.Time) *Clock { return &Clock{t: t} }

// Now is what the clock reads.
func (c *Clock) Now() time.Time { c.mu.Lock(); defer c.mu.Unlock(); return c.t }

// Set turns the clock.
func (c *Clock) Set(t time.Time) { c.mu.Lock(); c.t = t; c.mu.Unlock() }

// Run tests a store. open returns an empty one that reads the given clock.
func Run(t *testing.T, open func(t *testing.T, now func() time.Time) app.Store) {
	ctx := context.Background()
	clock := NewClock(time.Date(2026, 6, 3, 7, 0, 0, 0, time.UTC))
	fresh := func(t *testing.T) app.Store { return open(t, clock.Now) }
	for _, c := range []struct {
		name string
		test func(*testing.T, context.Context, app.Store, *Clock)
	}{
		{"a state is the last event's body", lastBody}, {"a stale version conflicts and loses nothing", conflicts},
		{"an error leaves nothing behind", rollsBack}, {"two writers never both win", twoWriters},
		{"events chain and never go back in time", chain}, {"lists page by key", pages},
		{"a tag stands once in a block", tagOnce}, {"readings are kept, not overwritten", readings},
		{"files are kept under their hash", files}, {"hostile text comes back as it was", hostile},
		{"counts, places and marks follow the trees", counts}, {"search goes by how words begin", search},
		{"a thousand new things are written as one by one", thousand},
	} {
		t.Run(c.name, func(t *testing.T) {
			clock.Set(time.Date(2026, 6, 3, 7, 0, 0, 0, time.UTC))
			c.test(t, ctx, fresh(t), clock)
		})
	}
}

func body(v any) json.RawMessage {
	b, err := json.Marshal(v)
	if err != nil {
		panic(err)
	}
	return b
}

func put(t *testing.T, ctx context.Context, s app.Store, changes ...app.Change) []app.Event {
	t.Helper()
	var out []app.Event
	if err := s.InTx(ctx, func(tx app.Tx) (err error) {
		out, err = tx.Append(ctx, "p", changes...)
		return err
	}); err != nil {
		t.Fatal(err)
	}
	return out
}

const (
	estateID = "estate-1"
	blockID  = "block-1"
	woundID  = "wound-1"
)

func estate(version int, name string) app.Change {
	return app.Change{Type: app.TypeEstate, Verb: app.Changed, ID: estateID, Estate: estateID, Sort: app.SortKey(name), Version: version, Body: body(app.EstateFacts{Name: name, Zone: "UTC"})}
}

func block() app.Change {
	return app.Change{Type: app.TypeBlock, Verb: app.Added, ID: blockID, Estate: estateID, Parent: estateID, Version: 1, Body: body(app.BlockFacts{Name: "block"})}
}

func treeOf(tag string, version int, girth string) app.Change {
	f := app.TreeFacts{Tag: tag}
	if girth != "" {
		f.Stems = []app.StemFacts{{GirthCM: girth}}
	}
	return app.Change{Type: app.TypeTree, Verb: app.Measured, ID: "tree-" + tag, Estate: estateID, Parent: blockID, Sort: app.SortKey(tag), Version: version, Body: body(f)}
}

func lastBody(t *testing.T, ctx context.Context, s app.Store, _ *Clock) {
	put(t, ctx, s, estate(1, "one"))
	put(t, ctx, s, estate(2, "two"))
	got, err := s.State(ctx, app.TypeEstate, estateID)
	if err != nil || got.Version != 2 || !strings.Contains(string(got.Body), `"two"`) {
		t.Fatalf("%+v %v", got, err)
	}
	if _, err := s.State(ctx, app.TypeEstate, "none"); !class(err, finding.Missing) {
		t.Errorf("a thing that is not there: %v", err)
	}
	r := estate(3, "two")
	r.Verb = app.Retired
	put(t, ctx, s, r)
	if list, err := s.States(ctx, app.Query{Type: app.TypeEstate}); err != nil || len(list) != 0 {
		t.Errorf("retired things stay out of lists: %v %v", list, err)
	}
	if list, err := s.States(ctx, app.Query{Type: app.TypeEstate, Retired: true}); err != nil || len(list) != 1 {
		t.Errorf("retired things are kept: %v %v", list, err)
	}
}

func class(err error, c finding.Class) bool {
	var f *finding.Fault
	return errors.As(err, &f) && f.Class == c
}

func conflicts(t *testing.T, ctx context.Context, s app.Store, _ *Clock) {
	put(t, ctx, s, estate(1, "one"))
	put(t, ctx, s, estate(2, "theirs"))
	for _, stale := range []app.Change{estate(1, "yours"), estate(2, "yours"), estate(4, "yours")} {
		err := s.InTx(ctx, func(tx app.Tx) error { _, err := tx.Append(ctx, "q", stale); return err })
		var c *app.Conflict
		if !errors.As(err, &c) || !class(err, finding.Conflict) {
			t.Fatalf("version %d: %v", stale.Version, err)
		}
		if c.Theirs.Version != 2 || !strings.Contains(string(c.Theirs.Body), "theirs") || !strings.Contains(string(c.Yours), "yours") {
			t.Errorf("a conflict carries both states: %+v", c)
		}
	}
	if es, err := s.Events(ctx, app.EventQuery{}); err != nil || len(es) != 2 {
		t.Errorf("%d events, %v", len(es), err)
	}
}

func rollsBack(t *testing.T, ctx context.Context, s app.Store, _ *Clock) {
	put(t, ctx, s, estate(1, "one"))
	stop := errors.New("stop")
	err := s.InTx(ctx, func(tx app.Tx) error {
		if _, err := tx.Append(ctx, "p", estate(2, "half"), block()); err != nil {
			return err
		}
		if got, err := tx.State(ctx, app.TypeEstate, estateID); err != nil || got.Version != 2 {
			t.Errorf("a transaction reads what it wrote: %+v %v", got, err)
		}
		return &finding.Fault{Class: finding.Internal, ID: "internal", Cause: stop}
	})
	if !errors.Is(err, stop) {
		t.Fatal(err)
	}
	if got, err := s.State(ctx, app.TypeEstate, estateID); err != nil || got.Version != 1 {
		t.Errorf("%+v %v", got, err)
	}
	if es, _ := s.Events(ctx, app.EventQuery{}); len(es) != 1 {
		t.Errorf("%d events", len(es))
	}
	put(t, ctx, s, estate(2, "whole"))
}

func twoWriters(t *testing.T, ctx context.Context, s app.Store, _ *Clock) {
	put(t, ctx, s, estate(1, "0"))
	const writers, each = 8, 25
	var wg sync.WaitGroup
	var mu sync.Mutex
	won, lost := map[int]int{}, 0
	for w := range writers {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for range each {
				at, err := s.State(ctx, app.TypeEstate, estateID)
				if err != nil {
					t.Error(err)
					return
				}
				err = s.InTx(ctx, func(tx app.Tx) error {
					_, err := tx.Append(ctx, "p", estate(at.Version+1, fmt.Sprint(w)))
					return err
				})
				mu.Lock()
				var c *app.Conflict
				switch {
				case err == nil:
					won[at.Version+1]++
				case errors.As(err, &c):
					lost++
				default:
					t.Error(err)
				}
				mu.Unlock()
			}
		}()
	}
	wg.Wait()
	for v, n := range won {
		if n != 1 {
			t.Errorf("version %d was written %d times", v, n)
		}
	}
	got, err := s.State(ctx, app.TypeEstate, estateID)
	if err != nil || got.Version != 1+len(won) || len(won)+lost != writers*each {
		t.Errorf("version %d after %d writes and %d conflicts, %v", got.Version, len(won), lost, err)
	}
}

func chain(t *testing.T, ctx context.Context, s app.Store, clock *Clock) {
	put(t, ctx, s, estate(1, "one"), block())
	clock.Set(clock.Now().Add(-48 * time.Hour)) // somebody set the clock back
	put(t, ctx, s, estate(2, "two"))
	clock.Set(clock.Now().Add(96 * time.Hour))
	put(t, ctx, s, estate(3, "three"))
	var prev app.Event
	n := 0
	if err := s.EachEvent(ctx, func(e app.Event) error {
		n++
		if e.Seq != prev.Seq+1 || e.Prev != prev.Hash || e.At < prev.At || e.ID <= prev.ID || len(e.Hash) != 64 {
			t.Errorf("%+v does not follow %+v", e, prev)
		}
		prev = e
		return nil
	}); err != nil || n != 4 {
		t.Fatal(n, err)
	}
	es, err := s.Events(ctx, app.EventQuery{Entity: estateID, Type: app.TypeEstate})
	if err != nil || len(es) != 3 || es[0].Version != 3 {
		t.Fatalf("%v %v", es, err)
	}
	if es[1].ClockAt != "2026-06-01T07:00:00.000Z" || es[1].At != "2026-06-03T07:00:00.000Z" || es[0].ClockAt != "" {
		t.Errorf("the clock's reading is kept where it stood behind: %+v", es[1])
	}
}

func pages(t *testing.T, ctx context.Context, s app.Store, _ *Clock) {
	put(t, ctx, s, estate(1, "e"), block())
	var changes []app.Change
	for i := range 25 {
		changes = append(changes, treeOf(fmt.Sprintf("T%d", i), 1, "100"))
	}
	put(t, ctx, s, changes...)
	var got []string
	q := app.TreeQuery{Block: blockID, Limit: 7}
	for {
		page, err := s.Trees(ctx, q)
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range page {
			got = append(got, strings.TrimPrefix(x.ID, "tree-"))
		}
		if len(page) < 7 {
			break
		}
		q.After = app.Key{Sort: page[6].Sort, ID: page[6].ID}
	}
	if len(got) != 25 || got[0] != "T0" || got[2] != "T2" || got[10] != "T10" || got[24] != "T24" {
		t.Errorf("%v", got)
	}
	if found, err := s.Trees(ctx, app.TreeQuery{Block: blockID, Text: "t2"}); err != nil || len(found) != 6 {
		t.Errorf("%d trees with t2: %v", len(found), err)
	}
	if found, err := s.Trees(ctx, app.TreeQuery{Block: blockID, Text: "Ť2"}); err != nil || len(found) != 6 {
		t.Errorf("%d trees with t2, accents aside: %v", len(found), err)
	}
	if found, err := s.Trees(ctx, app.TreeQuery{Block: blockID, Text: "%"}); err != nil || len(found) != 0 {
		t.Errorf("a sign of the query language is text: %d, %v", len(found), err)
	}
	n := 0
	if err := s.EachTree(ctx, blockID, func(x []app.State) error { n += len(x); return nil }); err != nil || n != 25 {
		t.Error(n, err)
	}
	hits, err := s.Search(ctx, app.SearchQuery{Text: "T24", Estates: []string{estateID}, Limit: 10})
	if err != nil || len(hits) != 1 || hits[0].ID != "tree-T24" {
		t.Errorf("%v %v", hits, err)
	}
}

func tagOnce(t *testing.T, ctx context.Context, s app.Store, _ *Clock) {
	put(t, ctx, s, estate(1, "e"), block(), treeOf("A", 1, ""))
	twice := treeOf("A", 1, "")
	twice.ID = "other"
	if err := s.InTx(ctx, func(tx app.Tx) error { _, err := tx.Append(ctx, "p", twice); return err }); !class(err, finding.Conflict) {
		t.Errorf("%v", err)
	}
	gone := treeOf("A", 2, "")
	gone.Verb = app.Retired
	put(t, ctx, s, gone)
	put(t, ctx, s, twice) // the tag is free again
	tags := []string{"no such", "a", "A"}
	for i := range 1200 { // more than one statement takes
		tags = append(tags, fmt.Sprint("X", i))
	}
	put(t, ctx, s, treeOf("X1199", 1, ""))
	found, err := s.TreesTagged(ctx, blockID, tags)
	ids := map[string]bool{}
	for _, x := range found {
		ids[x.ID] = true
	}
	if err != nil || len(found) != 2 || !ids["other"] || !ids["tree-X1199"] {
		t.Errorf("by tags, in use only: %v, %v", ids, err)
	}
	if found, err := s.TreesTagged(ctx, "no-block", tags); err != nil || len(found) != 0 {
		t.Errorf("%d trees of no block, %v", len(found), err)
	}
	orphan := treeOf("B", 1, "")
	orphan.Parent = "no-block"
	if err := s.InTx(ctx, func(tx app.Tx) error { _, err := tx.Append(ctx, "p", orphan); return err }); !class(err, finding.Missing) {
		t.Errorf("a tree without its block: %v", err)
	}
}

func readings(t *testing.T, ctx context.Context, s app.Store, _ *Clock) {
	put(t, ctx, s, estate(1, "e"), block(), treeOf("A", 1, "100"))
	put(t, ctx, s, treeOf("A", 2, "100")) // the same reading again is none
	put(t, ctx, s, treeOf("A", 3, "104.5"))
	got, err := s.Readings(ctx, "tree-A")
	if err != nil || len(got) != 2 {
		t.Fatalf("%+v %v", got, err)
	}
	// 104.5/pi = 33.263, 100/pi = 31.831 cm by hand.
	if d := got[0].DiameterCM; d < 33.26 || d > 33.27 {
		t.Errorf("newest first: %v", got)
	}
	if d := got[1].DiameterCM; d < 31.83 || d > 31.84 {
		t.Errorf("%v", got)
	}
}

func files(t *testing.T, ctx context.Context, s app.Store, _ *Clock) {
	f, err := s.PutFile(ctx, strings.NewReader("hello"), 10)
	// SHA-256 of "hello", as sha256sum prints it.
	if err != nil || f.Size != 5 || f.Hash != "2cf24dba5fb0a30e26e83b2ac5b9e29e1b161e5c1fa7425e73043362938b9824" {
		t.Fatalf("%+v %v", f, err)
	}
	r, err := s.OpenFile(ctx, f.Hash)
	if err != nil {
		t.Fatal(err)
	}
	data, err := io.ReadAll(r)
	if r.Close(); err != nil || string(data) != "hello" {
		t.Errorf("%q %v", data, err)
	}
	if _, err := s.PutFile(ctx, strings.NewReader("hello world"), 10); !class(err, finding.BadInput) {
		t.Errorf("too large: %v", err)
	}
	for _, bad := range []string{"", "../../etc/passwd", strings.Repeat("0", 64)} {
		if _, err := s.OpenFile(ctx, bad); !class(err, finding.Missing) {
			t.Errorf("%q: %v", bad, err)
		}
	}
}

func hostile(t *testing.T, ctx context.Context, s app.Store, _ *Clock) {
	for i, name := range []string{`'; DROP TABLE trees; --`, `"\"`, "ñ 漢 🌳", "a\u2028b", "<script>", "%_\\", "?1 $1 :x"} {
		put(t, ctx, s, estate(i+1, name))
		got, err := s.State(ctx, app.TypeEstate, estateID)
		var f app.EstateFacts
		if err != nil || json.Unmarshal(got.Body, &f) != nil || f.Name != name {
			t.Errorf("%q came back as %q, %v", name, f.Name, err)
		}
		if _, err := s.Search(ctx, app.SearchQuery{Text: name, Estates: []string{estateID}, Limit: 5}); err != nil {
			t.Errorf("%q: %v", name, err)
		}
	}
	bad := estate(99, "x")
	bad.Reason = "nul\x00"
	if err := s.InTx(ctx, func(tx app.Tx) error { _, err := tx.Append(ctx, "p", bad); return err }); !class(err, finding.Usage) {
		t.Errorf("%v", err)
	}
}

func counts(t *testing.T, ctx context.Context, s app.Store, _ *Clock) {
	put(t, ctx, s, estate(1, "e"), block(), treeOf("A", 1, "100"), treeOf("B", 1, ""))
	m1, err := s.BlockMark(ctx, blockID)
	if err != nil {
		t.Fatal(err)
	}
	c, err := s.BlockCounts(ctx, []string{blockID})
	if err != nil || c[blockID].Trees != 2 || c[blockID].Measured != 1 {
		t.Fatalf("%+v %v", c, err)
	}
	put(t, ctx, s, app.Change{Type: app.TypeWound, Verb: app.Added, ID: woundID, Estate: estateID, Parent: "tree-A", Version: 1, Body: body(app.WoundFacts{HeightCM: "10", HoleMM: "6", Year: 2026})})
	m2, err := s.BlockMark(ctx, blockID)
	if err != nil || m2 <= m1 {
		t.Errorf("mark %d after %d, %v", m2, m1, err)
	}
	c, err = s.BlockCounts(ctx, []string{blockID})
	if err != nil || c[blockID].OpenWounds != 1 {
		t.Errorf("%+v %v", c, err)
	}
	if w, err := s.BlockWounds(ctx, blockID); err != nil || len(w) != 1 || w[0].Parent != "tree-A" {
		t.Errorf("%v %v", w, err)
	}
	if p, err := s.Places(ctx, blockID); err != nil || len(p) != 2 || p[0].Tag != "A" {
		t.Errorf("%v %v", p, err)
	}
}
