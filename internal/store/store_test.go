package store

import (
	"context"
	"encoding/json"
	"testing"
	"time"

	"github.com/gowebpki/jcs"
	"pgregory.net/rapid"

	"sapward/internal/app"
	"sapward/internal/store/storetest"
)

func openAt(t testing.TB, dir string, now func() time.Time) *Store {
	t.Helper()
	s, err := Open(context.Background(), Options{Dir: dir, Now: now})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func TestContract(t *testing.T) {
	storetest.Run(t, func(t *testing.T, now func() time.Time) app.Store { return openAt(t, t.TempDir(), now) })
}

// The envelope is written by hand for speed; the JCS library is the oracle.
func TestEnvelope_IsCanonical(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := func(name string) string { return rapid.String().Draw(t, name) }
		e := app.Event{Seq: rapid.Int64Range(1, 1<<40).Draw(t, "seq"), ID: s("id"), Act: s("act"), At: s("at"), ClockAt: s("clock"), By: s("by"), Type: app.Type(s("type")),
			Verb: s("verb"), Estate: s("estate"), Entity: s("entity"), Parent: s("parent"), Sort: s("sort"), Version: rapid.IntRange(1, 1<<30).Draw(t, "version"), Reason: s("reason")}
		var err error
		if e.Body, err = canonical(json.RawMessage(`{"b":1.50,"a":"x"}`)); err != nil {
			t.Fatal(err)
		}
		plain, err := json.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		var m map[string]json.RawMessage
		if err := json.Unmarshal(plain, &m); err != nil {
			t.Fatal(err)
		}
		delete(m, "prev")
		delete(m, "hash")
		plain, _ = json.Marshal(m)
		want, err := jcs.Transform(plain)
		if err != nil {
			t.Fatal(err)
		}
		if got := envelope(nil, &e); string(got) != string(want) {
			t.Fatalf("got  %s\nwant %s", got, want)
		}
	})
}
