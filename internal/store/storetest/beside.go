package storetest

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"time"

	"sapward/finding"
	"sapward/internal/app"
)

// RunBeside tests who keeps secrets of tokens and answers to requests. open
// returns an empty store that reads the given clock.
func RunBeside(t *testing.T, open func(t *testing.T, now func() time.Time) interface {
	app.Store
	app.Beside
}) {
	ctx := context.Background()
	start := time.Date(2026, 6, 3, 7, 0, 0, 0, time.UTC)
	clock := NewClock(start)
	s := open(t, clock.Now)
	do := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	hash := func(n int) string { return fmt.Sprintf("%064x", n) }

	do(s.KeepSecret(ctx, "one", hash(1)))
	if got, err := s.Secret(ctx, "one"); err != nil || got != hash(1) {
		t.Errorf("%q %v", got, err)
	}
	do(s.DropSecret(ctx, "one"))
	do(s.DropSecret(ctx, "one"))
	if got, err := s.Secret(ctx, "one"); err != nil || got != "" {
		t.Errorf("dropped: %q %v", got, err)
	}

	begin := func(key, request int, holder string) (app.Request, bool) {
		t.Helper()
		r, mine, err := s.BeginRequest(ctx, app.Request{Key: hash(key), Request: hash(request), Holder: holder, Until: clock.Now().Add(time.Minute), Expires: clock.Now().Add(24 * time.Hour)})
		do(err)
		return r, mine
	}
	estate := 0
	keep := func(key int, holder string) error {
		estate++
		id := fmt.Sprintf("e%d", estate)
		return s.InTx(app.Marked(ctx, app.Mark{Key: hash(key), Holder: holder}), func(tx app.Tx) error {
			_, err := tx.Append(ctx, "p", app.Change{Type: app.TypeEstate, Verb: app.Added, ID: id, Estate: id, Sort: id, Version: 1, Body: []byte(`{"name":"` + id + `","zone":"UTC"}`)})
			return err
		})
	}
	takenOver := func(err error) bool {
		var f *finding.Fault
		return errors.As(err, &f) && f.ID == "request-taken-over"
	}
	if _, mine := begin(1, 1, "a"); !mine {
		t.Error("the first does not hold it")
	}
	if r, mine := begin(1, 1, "b"); mine || r.Holder != "a" || r.Act != "" || r.Answer != "" {
		t.Errorf("%+v", r)
	}
	if r, mine := begin(1, 2, "b"); mine || r.Request != hash(1) {
		t.Errorf("another request: %+v", r)
	}
	if !takenOver(keep(1, "b")) {
		t.Error("who does not hold it kept something")
	}
	clock.Set(start.Add(time.Minute))
	if _, mine := begin(1, 2, "c"); mine {
		t.Error("another request took it over")
	}
	if _, mine := begin(1, 1, "b"); !mine {
		t.Error("what nobody holds any longer is not taken over")
	}
	if !takenOver(keep(1, "a")) {
		t.Error("who was taken over kept something")
	}
	do(keep(1, "b"))
	if !takenOver(keep(1, "b")) {
		t.Error("kept twice")
	}
	es, err := s.States(ctx, app.Query{Type: app.TypeEstate})
	if err != nil || len(es) != 1 {
		t.Errorf("%d estates, %v", len(es), err)
	}
	do(s.FreeRequest(ctx, hash(1), "b")) // too late: something was kept
	clock.Set(start.Add(time.Hour))
	r, mine := begin(1, 1, "d")
	if mine || r.Act == "" || r.Answer != "" {
		t.Errorf("what was kept is taken over: %+v", r)
	}
	do(s.KeepAnswer(ctx, hash(1), "x", "not the holder's"))
	do(s.KeepAnswer(ctx, hash(1), "b", "the answer ' ? ñ"))
	if r, _ := begin(1, 1, "d"); r.Answer != "the answer ' ? ñ" {
		t.Errorf("%+v", r)
	}
	begin(2, 1, "a")
	do(s.FreeRequest(ctx, hash(2), "a"))
	if _, mine := begin(2, 3, "b"); !mine {
		t.Error("a freed key is not free")
	}
	clock.Set(start.Add(24 * time.Hour))
	if _, mine := begin(1, 9, "e"); !mine {
		t.Error("an expired key is not free")
	}
	// A transaction that appends nothing asks for no mark, and one without any
	// is not stopped.
	do(s.InTx(app.Marked(ctx, app.Mark{Key: hash(77), Holder: "z"}), func(app.Tx) error { return nil }))
}
