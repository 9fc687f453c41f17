package store

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
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

// Whatever the contract leaves in a folder, check finds nothing wrong with it.
func TestContract(t *testing.T) {
	storetest.Run(t, func(t *testing.T, now func() time.Time) app.Store {
		s := openAt(t, t.TempDir(), now)
		t.Cleanup(func() {
			if r, err := s.Check(context.Background(), nil); err != nil || len(r.Findings) > 0 {
				t.Errorf("check: %+v %v", r, err)
			}
		})
		return s
	})
}

// dump is every row of every table as text.
func dump(t *testing.T, s *Store) map[string][]string {
	t.Helper()
	out := map[string][]string{}
	for _, table := range append([]string{"events"}, projected...) {
		columns, err := texts(t.Context(), s.read, "SELECT name FROM pragma_table_info('"+table+"')")
		if err != nil {
			t.Fatal(err)
		}
		out[table], err = texts(t.Context(), s.read, "SELECT quote("+strings.Join(columns, ")||' '||quote(")+") AS line FROM "+table+" ORDER BY line")
		if err != nil {
			t.Fatal(err)
		}
	}
	return out
}

// Written together or one by one, the same changes at the same time with the
// same dice give the same rows and the same chain; so does a folder whose rows
// are made anew when it is opened.
func TestMany_IsAsOneByOne(t *testing.T) {
	ctx := context.Background()
	block := app.Change{Type: app.TypeBlock, Verb: app.Added, ID: "b", Estate: estateID, Parent: estateID, Version: 1, Body: json.RawMessage(`{"name":"North side","species":"Ulmus minor"}`)}
	changes := []app.Change{estate(1, "one"), block}
	for i := range 333 {
		f := app.TreeFacts{Tag: fmt.Sprintf("Ñ %d", i), Species: "Ulmus  MINOR"}
		if i%3 > 0 {
			x := float64(i) / 8
			f.Stems, f.XM, f.YM = []app.StemFacts{{Name: "a", GirthCM: "100.5"}, {Name: "b"}}, &x, &x
		}
		b, _ := json.Marshal(f)
		changes = append(changes, app.Change{Type: app.TypeTree, Verb: app.Imported, ID: fmt.Sprint("t", i), Estate: estateID, Parent: "b", Sort: app.SortKey(f.Tag), Version: 1, Reason: "so", Body: b})
	}
	for i := range 120 {
		changes = append(changes, app.Change{Type: app.TypeWound, Verb: app.Imported, ID: fmt.Sprint("w", i), Estate: estateID, Parent: fmt.Sprint("t", i), Version: 1, Body: json.RawMessage(`{"height_cm":"10","hole_mm":"6","year":2026,"closed":true}`)})
	}
	now := func() time.Time { return time.Date(2026, 6, 3, 7, 0, 0, 0, time.UTC) }
	dir := t.TempDir()
	dumps := make([]map[string][]string, 2)
	for i, each := range []int{len(changes), 1} {
		at := filepath.Join(dir, fmt.Sprint(i))
		s, err := Open(ctx, Options{Dir: at, Now: now, Random: rand.NewChaCha8([32]byte{})})
		if err != nil {
			t.Fatal(err)
		}
		if err := s.InTx(ctx, func(tx app.Tx) error {
			for part := range slices.Chunk(changes, each) {
				if _, err := tx.Append(ctx, "p", part...); err != nil {
					return err
				}
			}
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		dumps[i] = dump(t, s)
		s.Close()
	}
	if len(dumps[0]["trees"]) != 333 || len(dumps[0]["readings"]) != 222 || len(dumps[0]["names"]) != 5 {
		t.Errorf("%d trees, %d readings, %q", len(dumps[0]["trees"]), len(dumps[0]["readings"]), dumps[0]["names"])
	}
	if diff := cmp.Diff(dumps[1], dumps[0]); diff != "" {
		t.Errorf("one by one, then together: %s", diff)
	}

	// As an earlier version of the program left it.
	at := filepath.Join(dir, "0")
	db, err := sql.Open("sqlite", filepath.Join(at, dbName))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec("DELETE FROM projection; DELETE FROM names; UPDATE trees SET tag_key = '', stems = 0"); err != nil {
		t.Fatal(err)
	}
	db.Close()
	if _, err := Open(ctx, Options{Dir: at, ReadOnly: true}); fault(err) != "store-older" {
		t.Errorf("only looked at: %v", err)
	}
	s := openAt(t, at, nil)
	if diff := cmp.Diff(dumps[1], dump(t, s)); diff != "" {
		t.Errorf("made anew: %s", diff)
	}
	s.Close()
	if db, err = sql.Open("sqlite", filepath.Join(at, dbName)); err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec("INSERT INTO goose_db_version (version_id, is_applied) VALUES (?, 1)", lastStep()+1); err != nil {
		t.Fatal(err)
	}
	db.Close()
	for _, only := range []bool{false, true} {
		if _, err := Open(ctx, Options{Dir: at, ReadOnly: only}); fault(err) != "store-newer" {
			t.Errorf("of a later version, read-only %v: %v", only, err)
		}
	}
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

func TestBeside_Contract(t *testing.T) {
	storetest.RunBeside(t, func(t *testing.T, now func() time.Time) interface {
		app.Store
		app.Beside
	} {
		return openAt(t, t.TempDir(), now)
	})
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
	if err := s.KeepSecret(ctx, "a-token", strings.Repeat("7c", 32)); err != nil {
		t.Fatal(err)
	}
	if _, _, err := s.BeginRequest(ctx, app.Request{Key: hash, Request: hash, Holder: "somebody-asking", Until: time.Now(), Expires: time.Now().Add(time.Hour)}); err != nil {
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
	if bytes.Contains(data, []byte("somebody-asking")) || bytes.Contains(data, []byte(strings.Repeat("7c", 32))) {
		t.Error("the backup lets a program in, or holds what one asked")
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

// The short way to canonical JSON gives what the library gives, or gives up.
func TestCanonical_IsAsTheLibrary(t *testing.T) {
	short := 0
	check := func(t interface {
		Helper()
		Fatalf(string, ...any)
	}, body []byte) {
		t.Helper()
		p := plainJSON{in: body}
		got, ok := p.value(nil, 0)
		if !ok || p.at != len(body) {
			return
		}
		short++
		want, err := jcs.Transform(body)
		if err != nil || string(got) != string(want) {
			t.Fatalf("%s\n got %s\nwant %s, %v", body, got, want, err)
		}
	}
	var value func(t *rapid.T, depth int) string
	value = func(t *rapid.T, depth int) string {
		kind := rapid.IntRange(0, 9).Draw(t, "kind")
		if depth > 3 && kind > 6 {
			kind = 0
		}
		switch kind {
		case 0:
			return rapid.SampledFrom([]string{"true", "false", "null", "0", "-0", "7", "-12", "1.5", "-0.5", "1.50", "0.000001", "0.0000001", "0.00012", "1e3", "123456789012345", "1234567890123456", "12345678901234.5", "01", "1.", ".5", "0.1", "-"}).Draw(t, "word")
		case 1, 2:
			b, _ := json.Marshal(rapid.Float64().Draw(t, "float"))
			return string(b)
		case 3:
			return fmt.Sprint(rapid.Int().Draw(t, "int"))
		case 4:
			return rapid.StringMatching(`-?[0-9]{1,8}\.[0-9]{1,8}`).Draw(t, "decimal")
		case 5, 6:
			b, _ := json.Marshal(rapid.StringMatching(`[a-z !_"ñ]{0,4}`).Draw(t, "text"))
			return string(b)
		case 7:
			var parts []string
			for range rapid.IntRange(0, 4).Draw(t, "n") {
				parts = append(parts, value(t, depth+1))
			}
			return "[" + strings.Join(parts, ",") + "]"
		}
		var parts []string
		for range rapid.IntRange(0, 5).Draw(t, "n") {
			b, _ := json.Marshal(rapid.StringMatching(`[ab !_]{0,3}`).Draw(t, "name"))
			parts = append(parts, string(b)+":"+value(t, depth+1))
		}
		return "{" + strings.Join(parts, ",") + "}"
	}
	rapid.Check(t, func(t *rapid.T) { check(t, []byte("{\"a\":"+value(t, 0)+"}")) })
	lat := 51.2345
	for _, f := range []any{app.TreeFacts{Tag: "T 1", Species: "Ulmus minor", Lat: &lat, Stems: []app.StemFacts{{Name: "a", GirthCM: "100.5"}}, HeightM: "12"}, app.EstateFacts{Name: "x", Zone: "UTC"}, app.WoundFacts{AzimuthDeg: 123.25, Year: 2026}} {
		b, _ := json.Marshal(f)
		before := short
		if check(t, b); short == before {
			t.Errorf("the app's own facts go the long way: %s", b)
		}
	}
	if short < 20 {
		t.Errorf("%d bodies went the short way", short)
	}
	for _, bad := range []string{"", "{", "[1,", `{"a"}`, `{"a":1,}`, "tru", `{"a":1,"a":2}`, `"\u0041"`, "[1]x"} {
		if p := (plainJSON{in: []byte(bad)}); true {
			if _, ok := p.value(nil, 0); ok && p.at == len(bad) {
				t.Errorf("%q went the short way", bad)
			}
		}
	}
}
