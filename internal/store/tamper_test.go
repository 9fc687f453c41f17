package store

import (
	"bufio"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"sapward/finding"
	"sapward/internal/app"
)

const estateID = "estate-1"

func estate(version int, name string) app.Change {
	b, _ := json.Marshal(app.EstateFacts{Name: name, Zone: "UTC"})
	return app.Change{Type: app.TypeEstate, Verb: app.Changed, ID: estateID, Estate: estateID, Sort: name, Version: version, Body: b}
}

func put(ctx context.Context, s *Store, changes ...app.Change) error {
	return s.InTx(ctx, func(tx app.Tx) error { _, err := tx.Append(ctx, "p", changes...); return err })
}

// filled is a folder with six events and one attached file, closed.
func filled(t *testing.T) (dir, hash string) {
	t.Helper()
	ctx := context.Background()
	dir = t.TempDir()
	s := openAt(t, dir, nil)
	f, err := s.PutFile(ctx, strings.NewReader("a picture"), 100)
	if err != nil {
		t.Fatal(err)
	}
	b, _ := json.Marshal(app.AttachmentFacts{File: f, Name: "x.png", Type: "image/png", Of: app.TypeEstate})
	for v := range 5 {
		if err := put(ctx, s, estate(v+1, fmt.Sprint("name ", v))); err != nil {
			t.Fatal(err)
		}
	}
	if err := put(ctx, s, app.Change{Type: app.TypeAttachment, Verb: app.Added, ID: "a", Estate: estateID, Parent: estateID, Version: 1, Body: b}); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return dir, f.Hash
}

func found(t *testing.T, dir string) []string {
	t.Helper()
	s, err := Open(context.Background(), Options{Dir: dir, ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	r, err := s.Check(context.Background(), nil)
	if err != nil {
		t.Fatal(err)
	}
	var ids []string
	for _, f := range r.Findings {
		if !slices.Contains(ids, f.ID) {
			ids = append(ids, f.ID)
		}
	}
	slices.Sort(ids)
	return ids
}

// Whatever somebody changes behind the program's back is found and named.
func TestCheck_FindsTampering(t *testing.T) {
	for _, c := range []struct {
		name, sql string
		file      func(path string) error
		want      string
	}{
		{name: "nothing", want: ""},
		{name: "a row", sql: "UPDATE estates SET sort = 'other'", want: "check-row-changed"},
		{name: "a row's body", sql: `UPDATE estates SET body = '{"name":"other","zone":"UTC"}'`, want: "check-row-changed"},
		{name: "an event's body", sql: `UPDATE events SET body = '{"name":"other","zone":"UTC"}' WHERE seq = 2`, want: "check-event-changed"},
		{name: "an event's author", sql: "UPDATE events SET by_id = 'q' WHERE seq = 3", want: "check-event-changed"},
		{name: "an event's reason", sql: "UPDATE events SET reason = 'so' WHERE seq = 3", want: "check-event-changed"},
		{name: "an event in the middle gone", sql: "DELETE FROM events WHERE seq = 3", want: "check-event-gone"},
		{name: "the last event gone", sql: "DELETE FROM events WHERE seq = 6", want: "check-row-extra"},
		{name: "a chain cut", sql: "UPDATE events SET prev = hash WHERE seq = 4", want: "check-chain-broken"},
		{name: "a row gone", sql: "DELETE FROM attachments", want: "check-row-gone"},
		{name: "a file changed", file: func(p string) error { return os.WriteFile(p, []byte("another!!"), 0o600) }, want: "check-file-changed"},
		{name: "a file gone", file: os.Remove, want: "check-file-gone"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir, hash := filled(t)
			if c.sql != "" {
				db, err := sql.Open("sqlite", filepath.Join(dir, dbName))
				if err != nil {
					t.Fatal(err)
				}
				if _, err := db.Exec(c.sql); err != nil {
					t.Fatal(err)
				}
				db.Close()
			}
			if c.file != nil {
				if err := c.file(pathOf(dir, hash)); err != nil {
					t.Fatal(err)
				}
			}
			got := found(t, dir)
			if c.want == "" && len(got) > 0 || c.want != "" && !slices.Contains(got, c.want) {
				t.Errorf("found %v, want %q", got, c.want)
			}
		})
	}
}

func fault(err error) string {
	var f *finding.Fault
	if errors.As(err, &f) {
		return f.ID
	}
	return fmt.Sprint(err)
}

func TestOpen_OneServerAFolder(t *testing.T) {
	dir := t.TempDir()
	s := openAt(t, dir, nil)
	if _, err := Open(context.Background(), Options{Dir: dir}); fault(err) != "store-in-use" {
		t.Errorf("a second server: %v", err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	openAt(t, dir, nil)
}

// A full database refuses the write whole and goes on once there is room.
func TestDisk_Full(t *testing.T) {
	ctx := context.Background()
	dir := t.TempDir()
	s := openAt(t, dir, nil)
	if err := put(ctx, s, estate(1, "one")); err != nil {
		t.Fatal(err)
	}
	var pages int
	if err := s.write.QueryRow("PRAGMA page_count").Scan(&pages); err != nil {
		t.Fatal(err)
	}
	if _, err := s.write.Exec(fmt.Sprintf("PRAGMA max_page_count = %d", pages)); err != nil {
		t.Fatal(err)
	}
	if err := put(ctx, s, estate(2, strings.Repeat("long ", 20_000))); fault(err) != "store-full" {
		t.Fatalf("%v", err)
	}
	if got, err := s.State(ctx, app.TypeEstate, estateID); err != nil || got.Version != 1 {
		t.Errorf("half written: %+v %v", got, err)
	}
	if _, err := s.write.Exec("PRAGMA max_page_count = 1000000"); err != nil {
		t.Fatal(err)
	}
	if err := put(ctx, s, estate(2, "two")); err != nil {
		t.Fatal(err)
	}
	if ids := found(t, dir); len(ids) > 0 {
		t.Errorf("%v", ids)
	}
}

// A disk that fills while a file is kept leaves no file behind.
func TestPutFile_DiskFull(t *testing.T) {
	ctx := context.Background()
	for _, c := range []struct {
		name string
		d    disk
	}{
		{"no room for the name", disk{temp: realDisk.temp, rename: func(_, _ string) error { return syscall.ENOSPC }, sync: syncDir}},
		{"no room for the bytes", disk{temp: func(dir string) (tempFile, error) {
			f, err := os.CreateTemp(dir, ".new-*")
			return fullFile{f}, err
		}, rename: os.Rename, sync: syncDir}},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := t.TempDir()
			s, err := Open(ctx, Options{Dir: dir, disk: &c.d})
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			if _, err := s.PutFile(ctx, strings.NewReader("x"), 10); fault(err) != "store-full" {
				t.Errorf("%v", err)
			}
			left, _ := filepath.Glob(filepath.Join(dir, filesName, ".new-*"))
			if len(left) > 0 {
				t.Errorf("left behind: %v", left)
			}
		})
	}
}

type fullFile struct{ *os.File }

func (fullFile) Write([]byte) (int, error) { return 0, syscall.ENOSPC }

func TestOpen_ReadOnlyWritesNothing(t *testing.T) {
	ctx := context.Background()
	dir, _ := filled(t)
	s, err := Open(ctx, Options{Dir: dir, ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if err := put(ctx, s, estate(6, "x")); fault(err) != "store-read-only" {
		t.Errorf("%v", err)
	}
	if _, err := s.PutFile(ctx, strings.NewReader("x"), 9); fault(err) != "store-read-only" {
		t.Errorf("%v", err)
	}
}

func TestBackup_WhileServing_AndRestore(t *testing.T) {
	ctx := context.Background()
	dir, hash := filled(t)
	s := openAt(t, dir, nil)
	into := t.TempDir()
	stop, done := make(chan struct{}), make(chan error, 1)
	go func() { // somebody keeps writing
		for v := 6; ; v++ {
			select {
			case <-stop:
				done <- nil
				return
			default:
			}
			if err := put(ctx, s, estate(v, fmt.Sprint(v))); err != nil {
				done <- err
				return
			}
		}
	}()
	time.Sleep(20 * time.Millisecond)
	b, err := s.Backup(ctx, into)
	close(stop)
	if err := errors.Join(err, <-done); err != nil {
		t.Fatal(err)
	}
	if ids := found(t, b.Folder); len(ids) > 0 || b.Attachments != 1 {
		t.Errorf("%v %+v", ids, b)
	}
	if _, _, err := Restore(ctx, b.Folder, dir, true); fault(err) != "store-in-use" {
		t.Errorf("restored under a server: %v", err)
	}
	last, _ := s.Events(ctx, app.EventQuery{Limit: 1})
	if err := put(ctx, s, estate(int(last[0].Version)+1, "newer")); err != nil {
		t.Fatal(err)
	}
	s.Close()
	if _, _, err := Restore(ctx, b.Folder, dir, false); fault(err) != "restore-newer" {
		t.Errorf("newer facts were overwritten: %v", err)
	}
	r, aside, err := Restore(ctx, b.Folder, dir, true)
	if err != nil || aside == "" || r.Head != b.Head {
		t.Fatalf("%+v %q %v", r, aside, err)
	}
	if ids := found(t, dir); len(ids) > 0 {
		t.Error(ids)
	}
	if ids := found(t, aside); len(ids) > 0 {
		t.Errorf("what was there is kept whole: %v", ids)
	}
	if err := os.WriteFile(pathOf(b.Folder, hash), []byte("bad"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, _, err := Restore(ctx, b.Folder, filepath.Join(t.TempDir(), "new"), false); fault(err) != "restore-damaged" {
		t.Errorf("a damaged backup was restored: %v", err)
	}
}

// The child of TestKill writes until it is killed, and says what was
// acknowledged.
func TestMain(m *testing.M) {
	if address := os.Getenv("SAPWARD_POSTGRES_CHILD"); address != "" {
		writeOn(address, os.Getenv("SAPWARD_CHILD_NAME"))
	}
	if dir := os.Getenv("SAPWARD_KILL_CHILD"); dir != "" {
		ctx := context.Background()
		s, err := Open(ctx, Options{Dir: dir})
		if err != nil {
			fmt.Println("error", err)
			os.Exit(1)
		}
		version := 0
		if at, err := s.State(ctx, app.TypeEstate, estateID); err == nil {
			version = at.Version
		}
		for {
			version++
			err := put(ctx, s, killChanges(version)...)
			if err == nil && version%5 == 0 { // what is no fact, in between
				err = s.BeginSession(ctx, app.Session{Hash: fmt.Sprintf("%064d", version), Person: "p", Created: time.Now(), Seen: time.Now(), Expires: time.Now().Add(time.Hour)})
			}
			if err != nil {
				fmt.Println("error", err)
				os.Exit(1)
			}
			fmt.Println(version)
		}
	}
	os.Exit(m.Run())
}

// manyTrees come with every third write of TestKill's child.
const manyTrees = 100

// killChanges are what the child of TestKill writes in one transaction.
func killChanges(version int) []app.Change {
	out := []app.Change{estate(version, fmt.Sprint("v", version))}
	if version == 1 {
		out = append(out, app.Change{Type: app.TypeBlock, Verb: app.Added, ID: "b", Estate: estateID, Parent: estateID, Version: 1, Body: json.RawMessage(`{"name":"b"}`)})
	}
	for i := range manyTrees {
		if version%3 != 0 {
			break
		}
		tag := fmt.Sprintf("%d-%d", version, i)
		out = append(out, app.Change{Type: app.TypeTree, Verb: app.Imported, ID: "tree-" + tag, Estate: estateID, Parent: "b", Sort: tag, Version: 1, Body: json.RawMessage(`{"tag":"` + tag + `","stems":[{"girth_cm":"100"}]}`)})
	}
	return out
}

// Killed at any moment, every acknowledged write is there and the data check
// clean. 30 rounds; 1,000 with SAPWARD_SOAK=1.
func TestKill(t *testing.T) {
	rounds := 30
	if os.Getenv("SAPWARD_SOAK") != "" {
		rounds = 1000
	}
	if testing.Short() {
		t.Skip("killing a child 30 times takes some seconds; run without -short")
	}
	rng := rand.New(rand.NewPCG(6, 3))
	dir := t.TempDir()
	total := 0
	for round := range rounds {
		if round%50 == 0 { // a check reads everything: keep the chain of one folder short
			dir = t.TempDir()
			total = 0
		}
		child := exec.Command(os.Args[0])
		child.Env = append(os.Environ(), "SAPWARD_KILL_CHILD="+dir)
		out, err := child.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := child.Start(); err != nil {
			t.Fatal(err)
		}
		timer := time.AfterFunc(time.Duration(20+rng.IntN(120))*time.Millisecond, func() { _ = child.Process.Kill() })
		acknowledged := total
		for lines := bufio.NewScanner(out); lines.Scan(); {
			var n int
			if _, err := fmt.Sscan(lines.Text(), &n); err != nil {
				t.Fatalf("the child said %q", lines.Text())
			}
			acknowledged = n
		}
		_ = child.Wait()
		timer.Stop()
		s := openAt(t, dir, nil)
		if got, err := s.State(context.Background(), app.TypeEstate, estateID); acknowledged > 0 && (err != nil || got.Version < acknowledged) {
			t.Fatalf("round %d: %d acknowledged, %d kept, %v", round, acknowledged, got.Version, err)
		} else if err == nil {
			total = got.Version
			if c, err := s.BlockCounts(context.Background(), []string{"b"}); err != nil || c["b"].Trees != total/3*manyTrees {
				t.Fatalf("round %d: %d trees after %d writes, %v", round, c["b"].Trees, total, err)
			}
		}
		s.Close()
		if ids := found(t, dir); len(ids) > 0 {
			t.Fatalf("round %d: %v", round, ids)
		}
	}
}

// The newest events cut off together with their rows are seen by the file that
// names the last one, which stays as it is until somebody looks into it. A file
// that lags behind, is torn or missing is no finding.
func TestCheck_NewestGone(t *testing.T) {
	ctx := context.Background()
	newest := func(dir string) (string, []string) {
		t.Helper()
		s, err := Open(ctx, Options{Dir: dir, ReadOnly: true})
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		r, err := s.Check(ctx, nil)
		if err != nil {
			t.Fatal(err)
		}
		ids := []string{}
		for _, f := range r.Findings {
			ids = append(ids, f.ID)
		}
		return r.Newest, ids
	}
	dir, _ := filled(t)
	file := filepath.Join(dir, lastName)
	if n, ids := newest(dir); n != "confirmed" || len(ids) > 0 {
		t.Errorf("%q %v", n, ids)
	}
	whole, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	db, err := sql.Open("sqlite", filepath.Join(dir, dbName))
	if err != nil {
		t.Fatal(err)
	}
	var hash string
	if err := db.QueryRow("SELECT hash FROM events WHERE seq = 5").Scan(&hash); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name, text, want string
		ids              []string
	}{
		{"it lags behind", fmt.Sprintf(lastForm, 5, hash), "confirmed", nil},
		{"torn", string(whole[:40]), "unreadable", nil},
		{"zeros", string(make([]byte, 86)), "unreadable", nil},
		{"another event", fmt.Sprintf(lastForm, 6, hash), "other", []string{"check-newest-other"}},
	} {
		if err := os.WriteFile(file, []byte(c.text), 0o600); err != nil {
			t.Fatal(err)
		}
		if n, ids := newest(dir); n != c.want || strings.Join(ids, " ") != strings.Join(c.ids, " ") {
			t.Errorf("%s: %q %v", c.name, n, ids)
		}
	}
	if err := os.Remove(file); err != nil {
		t.Fatal(err)
	}
	if n, ids := newest(dir); n != "" || len(ids) > 0 {
		t.Errorf("without it: %q %v", n, ids)
	}

	if err := os.WriteFile(file, whole, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec("DELETE FROM attachments; DELETE FROM files; DELETE FROM events WHERE seq = 6"); err != nil {
		t.Fatal(err)
	}
	db.Close()
	if n, ids := newest(dir); n != "gone" || strings.Join(ids, " ") != "check-newest-gone" {
		t.Errorf("the newest event is gone: %q %v", n, ids)
	}
	s := openAt(t, dir, nil) // work goes on
	if err := put(ctx, s, estate(6, "on"), estate(7, "and on")); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if n, ids := newest(dir); n != "other" || strings.Join(ids, " ") != "check-newest-other" {
		t.Errorf("the file was written over: %q %v", n, ids)
	}
}

// A check says how far it is and can be stopped.
func TestCheck_TellsProgressAndStops(t *testing.T) {
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	s := openAt(t, t.TempDir(), nil)
	var changes []app.Change
	for v := range 3500 {
		changes = append(changes, estate(v+1, "name"))
	}
	if err := put(ctx, s, changes...); err != nil {
		t.Fatal(err)
	}
	var told []int64
	if _, err := s.Check(ctx, func(done, of int64) {
		if of != 3500 {
			t.Errorf("of %d", of)
		}
		told = append(told, done)
	}); err != nil || len(told) < 4 || !slices.IsSorted(told) || told[len(told)-1] != 3500 {
		t.Errorf("told %v, %v", told, err)
	}
	_, err := s.Check(ctx, func(done, _ int64) { stop() })
	if !errors.Is(err, context.Canceled) {
		t.Errorf("stopped: %v", err)
	}
	if r, err := s.Check(context.Background(), nil); err != nil || r.Events != 3500 {
		t.Errorf("after it: %+v %v", r, err)
	}
}
