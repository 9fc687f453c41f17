package store

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
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

func TestSessions_Contract(t *testing.T) {
	storetest.RunSessions(t, func(t *testing.T, now func() time.Time) app.Sessions { return openAt(t, t.TempDir(), now) })
}

// Sessions outlive the process, stand in no event and do not trouble a check;
// a backup holds none, not even in its free pages.
func TestSessions_AreNoFacts(t *testing.T) {
	ctx := context.Background()
	dir, to := t.TempDir(), t.TempDir()
	s := openAt(t, dir, nil)
	if err := put(ctx, s, estate(1, "one")); err != nil {
		t.Fatal(err)
	}
	hash := strings.Repeat("5e", 32)
	if err := s.BeginSession(ctx, app.Session{Hash: hash, Person: "somebody-signed-in", Created: time.Now(), Seen: time.Now(), Expires: time.Now().Add(time.Hour), Data: "{}"}); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = openAt(t, dir, nil)
	if x, ok, err := s.Session(ctx, hash); err != nil || !ok || x.Person != "somebody-signed-in" {
		t.Errorf("after a restart: %+v %v %v", x, ok, err)
	}
	if r, err := s.Check(ctx, nil); err != nil || len(r.Findings) > 0 || r.Events != 1 {
		t.Errorf("%+v %v", r, err)
	}
	b, err := s.Backup(ctx, to)
	if err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(filepath.Join(b.Folder, dbName))
	if err != nil {
		t.Fatal(err)
	}
	if bytes.Contains(data, []byte(hash)) || bytes.Contains(data, []byte("somebody-signed-in")) {
		t.Error("the backup holds who was signed in")
	}
	if live, err := os.ReadFile(filepath.Join(dir, dbName)); err != nil || !bytes.Contains(live, []byte("somebody-signed-in")) {
		t.Errorf("the search above finds nothing where it must: %v", err)
	}
	if _, ok, err := s.Session(ctx, hash); err != nil || !ok {
		t.Errorf("a backup ends no session: %v %v", ok, err)
	}
}
