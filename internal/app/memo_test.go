package app

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
)

func TestMemo_WorksOnce(t *testing.T) {
	ctx := context.Background()
	var m memo[string]
	var worked atomic.Int32
	go1 := make(chan struct{})
	key := func(n int) [sha256.Size]byte { return sha256.Sum256([]byte(fmt.Sprint(n))) }
	ask := func(n, weight int) string {
		t.Helper()
		s, err := m.get(ctx, key(n), 10, func() (string, int, error) {
			worked.Add(1)
			return fmt.Sprint("it ", n), weight, nil
		})
		if err != nil || s != fmt.Sprint("it ", n) {
			t.Errorf("%q %v", s, err)
		}
		return s
	}
	var wg sync.WaitGroup
	for range 20 { // many at once
		wg.Go(func() {
			s, err := m.get(ctx, key(0), 10, func() (string, int, error) { worked.Add(1); <-go1; return "slow", 1, nil })
			if err != nil || s != "slow" {
				t.Errorf("%q %v", s, err)
			}
		})
	}
	close(go1)
	if wg.Wait(); worked.Load() != 1 {
		t.Errorf("worked %d times for many at once", worked.Load())
	}
	worked.Store(0)
	ask(1, 4)
	ask(2, 4)
	if ask(1, 4); worked.Load() != 2 {
		t.Errorf("worked %d times for two things", worked.Load())
	}
	ask(3, 4) // the first goes: 4+4+4 > 10
	if ask(2, 4); worked.Load() != 3 {
		t.Errorf("worked %d times, the second should be kept", worked.Load())
	}
	if ask(1, 4); worked.Load() != 4 {
		t.Errorf("worked %d times, the first should have gone", worked.Load())
	}
	ask(9, 11)
	if ask(9, 11); worked.Load() != 6 {
		t.Errorf("worked %d times, what is too heavy is not kept", worked.Load())
	}
	if len(m.by) != len(m.order) || len(m.by) > 2 {
		t.Errorf("%d kept, %d in order", len(m.by), len(m.order))
	}

	// A fault is not kept, and one who waits does not inherit that another left.
	fault := errors.New("fault")
	if _, err := m.get(ctx, key(5), 10, func() (string, int, error) { return "", 1, fault }); !errors.Is(err, fault) {
		t.Error(err)
	}
	ask(5, 1)
	left, leave := context.WithCancel(ctx)
	begun := make(chan struct{})
	wg.Go(func() {
		_, err := m.get(left, key(6), 10, func() (string, int, error) { close(begun); <-left.Done(); return "", 1, left.Err() })
		if !errors.Is(err, context.Canceled) {
			t.Error(err)
		}
	})
	<-begun
	wg.Go(func() { ask(6, 1) })
	leave()
	wg.Wait()
	func() {
		defer func() { _ = recover() }()
		_, _ = m.get(ctx, key(7), 10, func() (string, int, error) { panic("so") })
	}()
	ask(7, 1)
}
