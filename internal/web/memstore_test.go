package web_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"sort"
	"strings"
	"sync"
	"time"

	"sapward/finding"
	"sapward/internal/app"
)

// mem keeps facts in memory: what the pages need of a store, for tests of the
// pages alone. The real store has tests of its own.
type mem struct {
	mu     sync.Mutex
	events []app.Event
	states map[string]app.State
	files  map[string][]byte
	n      int
	down   bool
}

func newMem() *mem { return &mem{states: map[string]app.State{}, files: map[string][]byte{}} }

func (m *mem) State(_ context.Context, t app.Type, id string) (app.State, error) {
	if m.down {
		return app.State{}, &finding.Fault{Class: finding.Storage, ID: "internal", Cause: fmt.Errorf("sql: database is closed")}
	}
	s, ok := m.states[string(t)+"/"+id]
	if !ok {
		return s, &finding.Fault{Class: finding.Missing, ID: "app-missing", Args: finding.Args{"what_by": finding.Text("kind-" + string(t))}}
	}
	return s, nil
}
func (m *mem) States(_ context.Context, q app.Query) ([]app.State, error) {
	if m.down {
		return nil, &finding.Fault{Class: finding.Storage, ID: "internal", Cause: fmt.Errorf("sql: database is closed")}
	}
	var out []app.State
	for _, s := range m.states {
		if s.Type != q.Type || q.Estate != "" && s.Estate != q.Estate || q.Parent != "" && s.Parent != q.Parent || s.Retired != "" && !q.Retired {
			continue
		}
		if q.After.ID != "" && (s.Sort < q.After.Sort || s.Sort == q.After.Sort && s.ID <= q.After.ID) {
			continue
		}
		out = append(out, s)
	}
	sort.Slice(out, func(i, k int) bool { return out[i].Sort+"\x00"+out[i].ID < out[k].Sort+"\x00"+out[k].ID })
	n := q.Limit
	if n == 0 {
		n = 1000
	}
	return out[:min(n, len(out))], nil
}
func (m *mem) Trees(ctx context.Context, q app.TreeQuery) ([]app.State, error) {
	all, _ := m.States(ctx, app.Query{Type: app.TypeTree, Parent: q.Block, After: q.After, Limit: 1 << 30})
	var out []app.State
	for _, s := range all {
		var f app.TreeFacts
		_ = json.Unmarshal(s.Body, &f)
		if q.Text != "" && !strings.Contains(strings.ToLower(f.Tag+" "+f.Species), strings.ToLower(q.Text)) {
			continue
		}
		if q.Status != "" && f.Status != q.Status && !(q.Status == "unmeasured" && f.Diameter() == 0) {
			continue
		}
		out = append(out, s)
		if len(out) == q.Limit {
			break
		}
	}
	return out, nil
}
func (m *mem) EachTree(ctx context.Context, block string, visit func([]app.State) error) error {
	all, _ := m.States(ctx, app.Query{Type: app.TypeTree, Parent: block, Limit: 1 << 30})
	return visit(all)
}
func (m *mem) Places(ctx context.Context, block string) (out []app.Place, _ error) {
	_ = m.EachTree(ctx, block, func(ss []app.State) error {
		for _, s := range ss {
			var f app.TreeFacts
			_ = json.Unmarshal(s.Body, &f)
			out = append(out, app.Place{ID: s.ID, Tag: f.Tag, Status: f.Status, DiameterCM: f.Diameter(), XM: f.XM, YM: f.YM, Lat: f.Lat, Lon: f.Lon})
		}
		return nil
	})
	return out, nil
}
func (m *mem) Readings(_ context.Context, tree string) (out []app.Reading, _ error) {
	for _, e := range m.events {
		if e.Type == app.TypeTree && e.Entity == tree {
			var f app.TreeFacts
			_ = json.Unmarshal(e.Body, &f)
			for _, s := range f.Stems {
				out = append(out, app.Reading{Event: e.ID, Tree: tree, Stem: s.Name, On: s.On, By: e.By, Taker: s.Taker, Instrument: s.Instrument, DiameterCM: s.Diameter(), AtM: s.MeasuredAtM, EnteredAt: e.At, Reason: e.Reason})
			}
		}
	}
	return out, nil
}
func (m *mem) BlockCounts(ctx context.Context, blocks []string) (map[string]app.BlockCount, error) {
	out := map[string]app.BlockCount{}
	for _, b := range blocks {
		c := app.BlockCount{ByStatus: map[string]int{}}
		ps, _ := m.Places(ctx, b)
		for _, p := range ps {
			c.Trees++
			if p.DiameterCM > 0 {
				c.Measured++
			}
			c.ByStatus[p.Status]++
		}
		ws, _ := m.BlockWounds(ctx, b)
		for _, w := range ws {
			var f app.WoundFacts
			_ = json.Unmarshal(w.Body, &f)
			if !f.Closed {
				c.OpenWounds++
			}
		}
		out[b] = c
	}
	return out, nil
}
func (m *mem) BlockWounds(_ context.Context, block string) (out []app.State, _ error) {
	for _, s := range m.states {
		if s.Type == app.TypeWound && s.Retired == "" && m.states[string(app.TypeTree)+"/"+s.Parent].Parent == block {
			out = append(out, s)
		}
	}
	sort.Slice(out, func(i, k int) bool { return out[i].ID < out[k].ID })
	return out, nil
}
func (m *mem) BlockMark(context.Context, string) (int64, error) { return int64(len(m.events)), nil }
func (m *mem) Events(_ context.Context, q app.EventQuery) (out []app.Event, _ error) {
	n := q.Limit
	if n == 0 {
		n = 100
	}
	for i := len(m.events) - 1; i >= 0 && len(out) < n; i-- {
		e := m.events[i]
		if q.Estate != "" && e.Estate != q.Estate || q.Entity != "" && e.Entity != q.Entity && e.Parent != q.Entity || q.By != "" && e.By != q.By || q.Act != "" && e.Act != q.Act || q.Type != "" && e.Type != q.Type || q.Before > 0 && e.Seq >= q.Before {
			continue
		}
		out = append(out, e)
	}
	return out, nil
}
func (m *mem) EachEvent(_ context.Context, visit func(app.Event) error) error {
	for _, e := range m.events {
		if err := visit(e); err != nil {
			return err
		}
	}
	return nil
}
func (m *mem) Search(_ context.Context, text string, limit int) (out []app.Hit, _ error) {
	for _, s := range m.states {
		var f struct{ Name, Tag, Product string }
		_ = json.Unmarshal(s.Body, &f)
		if n := f.Name + f.Tag + f.Product; strings.Contains(strings.ToLower(n), strings.ToLower(text)) {
			out = append(out, app.Hit{Type: s.Type, ID: s.ID, Estate: s.Estate, Parent: s.Parent, Text: n})
		}
	}
	sort.Slice(out, func(i, k int) bool { return out[i].Text < out[k].Text })
	return out[:min(limit, len(out))], nil
}
func (m *mem) Append(_ context.Context, by string, cs ...app.Change) (out []app.Event, err error) {
	act := ""
	for _, c := range cs {
		k := string(c.Type) + "/" + c.ID
		if s := m.states[k]; s.Version != c.Version-1 {
			return nil, &app.Conflict{Type: c.Type, ID: c.ID, Theirs: s, Yours: c.Body}
		}
		m.n++
		e := app.Event{Seq: int64(m.n), ID: fmt.Sprintf("ev%06d", m.n), At: time.Now().UTC().Format(app.TimeForm), By: by, Type: c.Type, Verb: c.Verb, Estate: c.Estate, Entity: c.ID, Parent: c.Parent, Sort: c.Sort, Version: c.Version, Reason: c.Reason, Body: c.Body}
		if act == "" {
			act = e.ID
		}
		e.Act = act
		m.events = append(m.events, e)
		s := app.State{Type: c.Type, ID: c.ID, Estate: c.Estate, Parent: c.Parent, Sort: c.Sort, Version: c.Version, At: e.At, By: by, Act: act, Body: c.Body}
		if c.Verb == app.Retired {
			s.Retired = e.At
		}
		m.states[k] = s
		out = append(out, e)
	}
	return out, nil
}
func (m *mem) InTx(_ context.Context, f func(app.Tx) error) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.down {
		return fmt.Errorf("sql: database is closed")
	}
	return f(m)
}
func (m *mem) PutFile(_ context.Context, r io.Reader, limit int64) (app.File, error) {
	data, err := io.ReadAll(r)
	sum := sha256.Sum256(data)
	h := hex.EncodeToString(sum[:])
	m.files[h] = data
	return app.File{Hash: h, Size: int64(len(data))}, err
}

type nopSeek struct{ *bytes.Reader }

func (nopSeek) Close() error { return nil }
func (m *mem) OpenFile(_ context.Context, h string) (io.ReadSeekCloser, error) {
	return nopSeek{bytes.NewReader(m.files[h])}, nil
}
