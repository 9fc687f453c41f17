package app

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"sync"

	"sapward/finding"
	"sapward/flow/compare"
	"sapward/flow/sap"
	"sapward/plan/label"
)

// models keeps the comparisons last worked out, by what they were worked out
// from, and lets one person work out one at a time: whoever asks for the same
// again, or for another meanwhile, waits for it.
type models struct {
	mu    sync.Mutex
	kept  map[string]*compare.Document
	order []string
	busy  map[string]chan struct{} // by person, and by what is worked out
}

// mostModels bounds the comparisons kept.
const mostModels = 24

// modelInputs is everything a comparison depends on.
type modelInputs struct {
	Engine, Card, Check string
	Inputs              Inputs
	Settings            SettingsFacts
	Tree, Active        string
	HorizonD, StartH    float64
	Target, CrownBaseM  float64
	HeadKPa             float64
	Draws               int
	Facts               compare.Facts
	Days                []sap.Day
	Assays              []compare.Assay
	AssayMethod         label.Method
}

// key is the hash of the content; empty where it cannot be written.
func (m modelInputs) key() string {
	data, err := json.Marshal(m)
	if err != nil {
		return ""
	}
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

// take returns a kept comparison, or works it out. The document is the caller's
// own as far as its first level goes; what it points to is shared and not to be
// changed.
func (m *models) take(ctx context.Context, person, key string, work func() (*compare.Document, error)) (*compare.Document, error) {
	who := "person " + person
	for {
		m.mu.Lock()
		if d, ok := m.kept[key]; ok && key != "" {
			m.mu.Unlock()
			own := *d
			return &own, nil
		}
		wait, busy := m.busy[who]
		if !busy && key != "" {
			wait, busy = m.busy[key]
		}
		if !busy {
			break // with the lock
		}
		m.mu.Unlock()
		select {
		case <-wait:
		case <-ctx.Done():
			return nil, usage("model-waiting", finding.Args{})
		}
	}
	done := make(chan struct{})
	if m.busy == nil {
		m.busy, m.kept = map[string]chan struct{}{}, map[string]*compare.Document{}
	}
	m.busy[who] = done
	if key != "" {
		m.busy[key] = done
	}
	m.mu.Unlock()
	var d *compare.Document
	var err error
	defer func() { // also when the work panics: the others must not wait for ever
		m.mu.Lock()
		defer m.mu.Unlock()
		delete(m.busy, who)
		delete(m.busy, key)
		if err == nil && d != nil && key != "" {
			if len(m.order) == mostModels {
				delete(m.kept, m.order[0])
				m.order = m.order[1:]
			}
			own := *d
			m.kept[key], m.order = &own, append(m.order, key)
		}
		close(done)
	}()
	d, err = work()
	return d, err
}
