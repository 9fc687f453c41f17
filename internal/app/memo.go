package app

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"sync"

	"sapward/plan"
)

// memo keeps what was last worked out from the same facts. Whoever asks while it is
// being worked out waits for it. What is in it is never changed.
type memo[T any] struct {
	mu    sync.Mutex
	by    map[[sha256.Size]byte]*memoed[T]
	order [][sha256.Size]byte
}

type memoed[T any] struct {
	done   chan struct{}
	it     T
	err    error
	weight int
}

// keyOf is a key of facts.
func keyOf(facts ...any) (key [sha256.Size]byte, err error) {
	h := sha256.New()
	enc := json.NewEncoder(h)
	for _, f := range facts {
		if err := enc.Encode(f); err != nil {
			return key, err
		}
	}
	return [sha256.Size]byte(h.Sum(nil)), nil
}

// get returns what is kept under the key, or what work makes. The weight that
// work returns counts towards most; the oldest go first, and a single one that
// is heavier is not kept. A fault is not kept.
func (m *memo[T]) get(ctx context.Context, key [sha256.Size]byte, most int, work func() (it T, weight int, err error)) (T, error) {
	for {
		m.mu.Lock()
		e := m.by[key]
		if e == nil {
			break
		}
		m.mu.Unlock()
		select {
		case <-e.done:
			if e.err == nil {
				return e.it, nil
			}
			// Who worked it out may have left: work it out oneself.
		case <-ctx.Done():
			var none T
			return none, ctx.Err()
		}
		m.forget(key, e)
	}
	e := &memoed[T]{done: make(chan struct{})}
	if m.by == nil {
		m.by = map[[sha256.Size]byte]*memoed[T]{}
	}
	m.by[key] = e
	m.order = append(m.order, key)
	m.mu.Unlock()
	finished := false
	defer func() {
		if !finished { // a panic passes through
			e.err = context.Canceled
			m.forget(key, e)
			close(e.done)
		}
	}()
	e.it, e.weight, e.err = work()
	finished = true
	if e.err != nil || e.weight > most {
		m.forget(key, e)
	}
	close(e.done)
	m.bound(most)
	return e.it, e.err
}

func (m *memo[T]) forget(key [sha256.Size]byte, e *memoed[T]) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.by[key] != e {
		return
	}
	delete(m.by, key)
	for i, k := range m.order {
		if k == key {
			m.order = append(m.order[:i:i], m.order[i+1:]...)
			return
		}
	}
}

// bound lets the oldest go until the rest weighs no more than most.
func (m *memo[T]) bound(most int) {
	m.mu.Lock()
	defer m.mu.Unlock()
	sum := 0
	for i := len(m.order) - 1; i >= 0; i-- {
		e := m.by[m.order[i]]
		select {
		case <-e.done:
			sum += e.weight
		default: // being worked out
			continue
		}
		if sum > most {
			for _, k := range m.order[:i+1] {
				if x := m.by[k]; x != nil {
					select {
					case <-x.done:
						delete(m.by, k)
					default:
					}
				}
			}
			break
		}
	}
	kept := m.order[:0:0]
	for _, k := range m.order {
		if m.by[k] != nil {
			kept = append(kept, k)
		}
	}
	m.order = kept
}

// Weights that are kept in memory: trees of plans worked out, bytes of signed
// documents, cards read (program defaults; a tree with its ports takes about
// 2 kB, a document about four times its bytes).
const (
	maxWorkedTrees = 50_000
	maxSignedBytes = 32 << 20
	maxReadCards   = 64
)

// signed is a plan's documents, read.
type signedPlan struct {
	document []byte
	doc      plan.Plan
	inputs   Inputs
}

// signedBy reads the documents of a plan: bytes that never change.
func (a *App) signedBy(ctx context.Context, f PlanFacts) (signedPlan, error) {
	key, err := keyOf(f.Document, f.Inputs)
	if err != nil {
		return signedPlan{}, err
	}
	return a.cache.signed.get(ctx, key, maxSignedBytes, func() (s signedPlan, weight int, err error) {
		if s.document, err = a.file(ctx, f.Document.Hash); err != nil {
			return s, 0, err
		}
		if err := json.Unmarshal(s.document, &s.doc); err != nil {
			return s, 0, damaged(err)
		}
		inputs, err := a.file(ctx, f.Inputs.Hash)
		if err != nil {
			return s, 0, err
		}
		if err := json.Unmarshal(inputs, &s.inputs); err != nil {
			return s, 0, damaged(err)
		}
		return s, len(s.document) + len(inputs), nil
	})
}

// read reads a card's text; the same text is read once.
func (a *App) read(text string) (CardReading, error) {
	return a.cache.cards.get(context.Background(), sha256.Sum256([]byte(text)), maxReadCards, func() (CardReading, int, error) {
		r, err := a.readAnew(text)
		return r, 1, err
	})
}
