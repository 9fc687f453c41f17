package app

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"

	"sapward/finding"
	"sapward/flow/compare"
)

// The same content is worked out once, however many ask at the same time, and
// one person never works out two things at once.
func TestModels_OnceAndOneAtATime(t *testing.T) {
	var m models
	var works, now, most atomic.Int32
	work := func() (*compare.Document, error) {
		if n := now.Add(1); n > most.Load() {
			most.Store(n)
		}
		defer now.Add(-1)
		return &compare.Document{Draws: int(works.Add(1))}, nil
	}
	gate := make(chan struct{})
	var wg sync.WaitGroup
	for i := range 40 {
		wg.Go(func() {
			<-gate
			if d, err := m.take(t.Context(), "one", fmt.Sprint("key ", i%4), work); err != nil || d == nil {
				t.Error(err)
			}
		})
	}
	close(gate)
	wg.Wait()
	if works.Load() != 4 || most.Load() != 1 {
		t.Errorf("worked out %d times for 4 contents, %d at once", works.Load(), most.Load())
	}
	a, _ := m.take(t.Context(), "two", "key 1", work)
	a.Draws = -1
	if b, _ := m.take(t.Context(), "two", "key 1", work); b.Draws == -1 || works.Load() != 4 {
		t.Error("what one caller does to a document reaches the next")
	}
	for i := range 3 * mostModels { // bounded
		_, _ = m.take(t.Context(), "one", fmt.Sprint("more ", i), work)
	}
	if len(m.kept) != mostModels || len(m.order) != mostModels || len(m.busy) != 0 {
		t.Errorf("%d kept, %d in order, %d busy", len(m.kept), len(m.order), len(m.busy))
	}
}

// Faults are not kept; whoever waits and gives up is told; a panic sets the
// others free.
func TestModels_FaultsWaitersAndPanics(t *testing.T) {
	var m models
	bad := errors.New("bad")
	if _, err := m.take(t.Context(), "one", "k", func() (*compare.Document, error) { return nil, bad }); err != bad {
		t.Error(err)
	}
	inside, leave := make(chan struct{}), make(chan struct{})
	go func() {
		_, _ = m.take(context.Background(), "one", "k", func() (*compare.Document, error) {
			close(inside)
			<-leave
			return &compare.Document{}, nil
		})
	}()
	<-inside
	gone, cancel := context.WithCancel(t.Context())
	cancel()
	for _, key := range []string{"k", "other"} {
		if _, err := m.take(gone, "one", key, nil); len(finding.AsFaults(err)) != 1 || finding.AsFaults(err)[0].ID != "model-waiting" {
			t.Errorf("waiting for %s: %v", key, err)
		}
	}
	if _, err := m.take(t.Context(), "two", "other", func() (*compare.Document, error) { return &compare.Document{}, nil }); err != nil {
		t.Errorf("another person waits: %v", err)
	}
	close(leave)
	func() {
		defer func() { _ = recover() }()
		_, _ = m.take(t.Context(), "one", "p", func() (*compare.Document, error) { panic("x") })
	}()
	if d, err := m.take(t.Context(), "one", "p", func() (*compare.Document, error) { return &compare.Document{}, nil }); err != nil || d == nil {
		t.Error("after a panic nobody gets through")
	}
}
