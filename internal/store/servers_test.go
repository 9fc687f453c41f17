package store

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"sapward/internal/app"
	"sapward/internal/store/storetest"
)

func sound(t *testing.T, s *Store) app.CheckReport {
	t.Helper()
	r, err := s.Check(context.Background(), nil)
	if err != nil || len(r.Findings) > 0 {
		t.Fatalf("check: %+v %v", r, err)
	}
	return r
}

// A server of the test's own, for all that two of ours do on one database.
func TestPostgres_Servers(t *testing.T) {
	server := storetest.StartPostgres(t)
	for _, c := range []struct {
		name string
		test func(*testing.T, *storetest.Postgres)
	}{
		{"opened at once", openedAtOnce}, {"two servers write at once", writeAtOnce}, {"files are shared", sharedFiles},
		{"one of two processes is killed", killedProcess}, {"the database restarts under load", restarted},
		{"moved there and back", movedBack}, {"backed up while others write", backedUp}, {"what servers share for minutes", sharedForMinutes}, {"news of other servers", heardNews},
		{"tampering is found", tampered}, {"what goes wrong is said", saidFaults},
	} {
		t.Run(c.name, func(t *testing.T) { c.test(t, server) })
	}
}

// Six servers opened on an empty database at once make its tables once.
func openedAtOnce(t *testing.T, server *storetest.Postgres) {
	address := server.Database(t)
	var wg sync.WaitGroup
	for range 6 {
		wg.Go(func() {
			s, err := Open(context.Background(), Options{Database: address})
			if err != nil {
				t.Error(err)
				return
			}
			s.Close()
		})
	}
	wg.Wait()
	got, err := server.SQL(server.Name(address), "SELECT max(version_id), count(DISTINCT version_id) = count(*) FROM goose_db_version")
	if err != nil || got != fmt.Sprintf("%d|t", lastStep()) {
		t.Errorf("steps: %q %v", got, err)
	}
}

// Two servers, four writers each, on things of their own and on one they share:
// one unbroken chain, nothing lost, and who lost the race is told.
func writeAtOnce(t *testing.T, server *storetest.Postgres) {
	ctx := context.Background()
	address := server.Database(t)
	servers := []*Store{openOn(t, address, nil), openOn(t, address, nil)}
	if err := put(ctx, servers[0], estate(1, "0")); err != nil {
		t.Fatal(err)
	}
	const writers, each = 4, 20
	var wg sync.WaitGroup
	var mu sync.Mutex
	won, lost, own := 0, 0, 0
	for n, s := range servers {
		for w := range writers {
			wg.Go(func() {
				for i := range each {
					at, err := s.State(ctx, app.TypeEstate, estateID)
					if err != nil {
						t.Error(err)
						return
					}
					err = put(ctx, s, estate(at.Version+1, fmt.Sprint(n, w, i)))
					mine := estate(1, "mine")
					mine.ID = fmt.Sprintf("estate-%d-%d-%d", n, w, i)
					mine.Estate = mine.ID
					ownErr := put(ctx, s, mine)
					mu.Lock()
					var c *app.Conflict
					switch {
					case err == nil:
						won++
					case errors.As(err, &c) && c.Theirs.Version > at.Version && strings.Contains(string(c.Yours), fmt.Sprint(n, w, i)):
						lost++
					default:
						t.Errorf("neither written nor a conflict: %v", err)
					}
					if ownErr != nil {
						t.Errorf("a thing nobody else writes: %v", ownErr)
					} else {
						own++
					}
					mu.Unlock()
				}
			})
		}
	}
	wg.Wait()
	for _, s := range servers {
		at, err := s.State(ctx, app.TypeEstate, estateID)
		if err != nil || at.Version != 1+won || won+lost != 2*writers*each {
			t.Errorf("version %d after %d writes and %d conflicts, %v", at.Version, won, lost, err)
		}
	}
	if lost == 0 {
		t.Error("nobody met anybody: the test shows nothing")
	}
	if r := sound(t, servers[1]); r.Events != int64(1+won+own) {
		t.Errorf("%d events after %d and %d writes", r.Events, won, own)
	}
}

// A file that one server takes in pieces the other goes on with, keeps and
// opens, in any place of it.
func sharedFiles(t *testing.T, server *storetest.Postgres) {
	ctx := context.Background()
	address := server.Database(t)
	a, b := openOn(t, address, nil), openOn(t, address, nil)
	text := strings.Repeat("0123456789abcdef", 50_000) // 800,000 bytes: four pieces
	half := int64(300_001)
	if n, ok, err := a.AddPart(ctx, "abc-1", 0, strings.NewReader(text[:half]), 1<<20); n != half || !ok || err != nil {
		t.Fatal(n, ok, err)
	}
	if n, ok, err := b.AddPart(ctx, "abc-1", 5, strings.NewReader("x"), 1<<20); n != half || ok || err != nil {
		t.Errorf("another place: %d %v %v", n, ok, err)
	}
	if _, _, err := b.AddPart(ctx, "abc-1", half, &brokenLine{text[half:600_000]}, 1<<20); err == nil {
		t.Error("a line that broke was taken as whole")
	}
	if _, _, err := b.AddPart(ctx, "abc-1", half, strings.NewReader(text[half:]), 1000); fault(err) != "file-too-big" {
		t.Errorf("too big: %v", err)
	}
	var wg sync.WaitGroup
	took := make([]bool, 2)
	for i, s := range []*Store{a, b} { // the same piece comes twice at once
		wg.Go(func() {
			_, ok, err := s.AddPart(ctx, "abc-1", half, strings.NewReader(text[half:]), 1<<20)
			if took[i] = ok; err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if took[0] == took[1] {
		t.Errorf("taken: %v", took)
	}
	if n, size, err := a.Parts(ctx, "abc-", "abc-2"); n != 1 || size != int64(len(text)) || err != nil {
		t.Errorf("%d files of %d bytes have begun: %v", n, size, err)
	}
	if n, size, err := a.Parts(ctx, "abc-", "abc-1"); n != 0 || size != 0 || err != nil {
		t.Errorf("%d files of %d bytes have begun but for the one: %v", n, size, err)
	}
	if n, err := a.PartSize(ctx, "abc-1"); n != int64(len(text)) || err != nil {
		t.Fatal(n, err)
	}
	direct, err := a.PutFile(ctx, strings.NewReader(text), 1<<20)
	if err != nil {
		t.Fatal(err)
	}
	f, ok, err := b.TakePart(ctx, "abc-1", direct.Hash)
	if err != nil || !ok || f != direct {
		t.Fatal(f, ok, err)
	}
	if n, _ := a.PartSize(ctx, "abc-1"); n != 0 {
		t.Errorf("%d bytes of pieces stay", n)
	}
	r, err := b.OpenFile(ctx, f.Hash)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if got, err := io.ReadAll(r); err != nil || string(got) != text {
		t.Errorf("%d bytes, %v", len(got), err)
	}
	for _, at := range []int64{0, 262_143, 262_144, 799_990} {
		if _, err := r.Seek(at, io.SeekStart); err != nil {
			t.Fatal(err)
		}
		got := make([]byte, 10)
		if _, err := io.ReadFull(r, got); err != nil || string(got) != text[at:at+10] {
			t.Errorf("at %d: %q %v", at, got, err)
		}
	}
	if n, err := server.SQL(server.Name(address), "SELECT count(*) FROM kept_pieces"); err != nil || n != "4" {
		t.Errorf("%s pieces for one file kept twice, %v", n, err)
	}
	// A damaged file is mended by the same bytes.
	if _, err := server.SQL(server.Name(address), "UPDATE kept_pieces SET data = 'x' WHERE n = 1"); err != nil {
		t.Fatal(err)
	}
	if _, err := a.PutFile(ctx, strings.NewReader(text), 1<<20); err != nil {
		t.Fatal(err)
	}
	if r, err := b.OpenFile(ctx, f.Hash); err != nil {
		t.Error(err)
	} else if got, err := io.ReadAll(r); err != nil || string(got) != text {
		t.Errorf("after mending: %d bytes, %v", len(got), err)
	}
}

// brokenLine is a line that breaks after its text.
type brokenLine struct{ text string }

func (b *brokenLine) Read(p []byte) (int, error) {
	if b.text == "" {
		return 0, io.ErrUnexpectedEOF
	}
	n := copy(p, b.text)
	b.text = b.text[n:]
	return n, nil
}

// writeOn is what a child process does: it writes things of its own until it is
// killed, and says what was acknowledged.
func writeOn(address, name string) {
	ctx := context.Background()
	s, err := Open(ctx, Options{Database: address})
	if err != nil {
		fmt.Println("error", err)
		os.Exit(1)
	}
	for version := 1; ; version++ {
		c := estate(version, fmt.Sprint("v", version))
		c.ID, c.Estate = name, name
		if err := put(ctx, s, c); err != nil {
			fmt.Println("error", err)
			os.Exit(1)
		}
		fmt.Println(version)
	}
}

// Two processes write to one database while this one does too. One is killed
// at a moment of no choice: the others go on, and all that was acknowledged is
// there, in one chain.
func killedProcess(t *testing.T, server *storetest.Postgres) {
	ctx := context.Background()
	address := server.Database(t)
	s := openOn(t, address, nil)
	rounds := 3
	if os.Getenv("SAPWARD_SOAK") != "" {
		rounds = 60
	}
	version := 0
	for round := range rounds {
		said := map[string]int{}
		var mu sync.Mutex
		var wg sync.WaitGroup
		var children []*exec.Cmd
		for n := range 2 {
			name := fmt.Sprintf("child-%d-%d", round, n)
			c := exec.Command(os.Args[0])
			c.Env = append(os.Environ(), "SAPWARD_POSTGRES_CHILD="+address, "SAPWARD_CHILD_NAME="+name)
			out, err := c.StdoutPipe()
			if err != nil {
				t.Fatal(err)
			}
			if err := c.Start(); err != nil {
				t.Fatal(err)
			}
			children = append(children, c)
			wg.Go(func() {
				for lines := bufio.NewScanner(out); lines.Scan(); {
					var v int
					if _, err := fmt.Sscan(lines.Text(), &v); err != nil {
						t.Errorf("the child said %q", lines.Text())
						continue
					}
					mu.Lock()
					said[name] = v
					mu.Unlock()
				}
			})
		}
		reached := func(child, more int) {
			name := fmt.Sprintf("child-%d-%d", round, child)
			mu.Lock()
			from := said[name]
			mu.Unlock()
			for wait := time.Now(); ; {
				mu.Lock()
				at := said[name]
				mu.Unlock()
				if at >= from+more {
					return
				}
				if time.Since(wait) > time.Minute {
					t.Errorf("round %d: child %d stands still at %d", round, child, at)
					return
				}
				version++
				if err := put(ctx, s, estate(version, fmt.Sprint(version))); err != nil {
					t.Fatal(err)
				}
			}
		}
		reached(0, 5+7*round)
		reached(1, 1)
		_ = children[0].Process.Kill()
		reached(1, 20) // the other goes on
		_ = children[1].Process.Kill()
		for _, c := range children {
			_ = c.Wait()
		}
		wg.Wait()
		for name, n := range said {
			if at, err := s.State(ctx, app.TypeEstate, name); err != nil || at.Version < n {
				t.Errorf("%s: %d acknowledged, %d kept, %v", name, n, at.Version, err)
			}
		}
	}
	sound(t, s)
}

// The database server is stopped and started again while two servers write:
// what fails says that the database is away, then all goes on.
func restarted(t *testing.T, server *storetest.Postgres) {
	ctx := context.Background()
	address := server.Database(t)
	servers := []*Store{openOn(t, address, nil), openOn(t, address, nil)}
	var wg sync.WaitGroup
	stop := make(chan struct{})
	var mu sync.Mutex
	kept, away, after := map[string]bool{}, 0, make([]int, 2)
	up := false
	for n, s := range servers {
		wg.Go(func() {
			for i := 0; ; i++ {
				select {
				case <-stop:
					return
				default:
				}
				mu.Lock()
				was := up
				mu.Unlock()
				c := estate(1, "x")
				c.ID = fmt.Sprintf("estate-%d-%d", n, i)
				c.Estate = c.ID
				err := put(ctx, s, c)
				mu.Lock()
				switch {
				case err == nil:
					kept[c.ID] = true
					if was {
						after[n]++
					}
				case fault(err) == "database-away":
					away++
				default:
					t.Errorf("%v (%s)", err, fault(err))
				}
				mu.Unlock()
				if err != nil {
					time.Sleep(5 * time.Millisecond)
				}
			}
		})
	}
	wait := func(what string, ok func() bool) {
		t.Helper()
		for begin := time.Now(); ; time.Sleep(5 * time.Millisecond) {
			mu.Lock()
			is := ok()
			mu.Unlock()
			if is {
				return
			}
			if time.Since(begin) > time.Minute {
				t.Errorf("waited a minute: %s", what)
				return
			}
		}
	}
	wait("writes before", func() bool { return len(kept) > 20 })
	if _, err := server.SQL("postgres", "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE application_name = 'sapward'"); err != nil {
		t.Error(err)
	}
	server.Stop()
	wait("writes fail", func() bool { return away > 2 })
	if err := server.Start(); err != nil {
		t.Fatal(err)
	}
	mu.Lock()
	up = true
	mu.Unlock()
	wait("both go on", func() bool { return after[0] > 10 && after[1] > 10 })
	close(stop)
	wg.Wait()
	for id := range kept {
		_, err := servers[0].State(ctx, app.TypeEstate, id)
		for try := 0; err != nil && try < 5; try++ {
			_, err = servers[0].State(ctx, app.TypeEstate, id)
		}
		if err != nil {
			t.Errorf("acknowledged and gone: %s %v", id, err)
		}
	}
	// A connection that idled through the restart fails once, cleanly.
	for begin := time.Now(); ; time.Sleep(50 * time.Millisecond) {
		if _, err := servers[1].Check(ctx, nil); err == nil || time.Since(begin) > time.Minute {
			break
		}
	}
	sound(t, servers[1])
}

// A folder goes into PostgreSQL and back: the same events with the same hashes,
// the same rows, the same files. A place that holds something is refused.
func movedBack(t *testing.T, server *storetest.Postgres) {
	ctx := context.Background()
	dir, hash := filled(t)
	a := openAt(t, dir, nil)
	var many []app.Change
	many = append(many, killChanges(1)[1:]...)
	for v := 3; v <= 30; v += 3 {
		many = append(many, killChanges(v)[1:]...)
	}
	if err := put(ctx, a, many...); err != nil {
		t.Fatal(err)
	}
	want := dump(t, a)
	address := server.Database(t)
	b := openOn(t, address, nil)
	there, err := Move(ctx, a, b, nil)
	if err != nil || there.Files != 1 || there.Events != int64(7+1000) {
		t.Fatalf("%+v %v", there, err)
	}
	if r := sound(t, b); r.Head != there.Head || r.Events != there.Events || r.Rows != there.Rows || r.Attachments != 1 {
		t.Errorf("%+v after %+v", r, there)
	}
	if _, err := Move(ctx, a, b, nil); fault(err) != "move-not-empty" {
		t.Errorf("moved twice: %v", err)
	}
	// Both go on by themselves.
	if err := put(ctx, b, estate(6, "goes on")); err != nil {
		t.Error(err)
	}
	back := filepath.Join(t.TempDir(), "back")
	c := openAt(t, back, nil)
	if _, err := Move(ctx, c, openOn(t, server.Database(t), nil), nil); fault(err) != "move-nothing" {
		t.Errorf("nothing to move: %v", err)
	}
	if err := put(ctx, a, estate(6, "other")); err != nil {
		t.Error(err)
	}
	again, err := Move(ctx, b, c, nil)
	if err != nil || again.Events != there.Events+1 {
		t.Fatalf("%+v %v", again, err)
	}
	got := dump(t, c)
	if diff := cmp.Diff(want["events"], got["events"][:len(got["events"])-1]); diff != "" && len(got["events"]) == len(want["events"])+1 {
		for _, line := range want["events"] { // the new event may sort anywhere among the lines
			if !strings.Contains(strings.Join(got["events"], "\n"), line) {
				t.Errorf("gone: %s", line)
			}
		}
	}
	for _, table := range []string{"trees", "readings", "attachments", "files", "blocks"} {
		if diff := cmp.Diff(want[table], got[table]); diff != "" {
			t.Errorf("%s: %s", table, diff)
		}
	}
	if r, err := c.OpenFile(ctx, hash); err != nil {
		t.Error(err)
	} else {
		text, err := io.ReadAll(r)
		if r.Close(); err != nil || string(text) != "a picture" {
			t.Errorf("%q %v", text, err)
		}
	}
	sound(t, c)
	// A source with a fault in it is not moved.
	if _, err := server.SQL(server.Name(address), "UPDATE estates SET sort = 'z'"); err != nil {
		t.Fatal(err)
	}
	if _, err := Move(ctx, b, openAt(t, filepath.Join(t.TempDir(), "n"), nil), nil); fault(err) != "move-unclean" {
		t.Errorf("damaged: %v", err)
	}
}

// Whatever is changed behind the servers' back, check says so.
func tampered(t *testing.T, server *storetest.Postgres) {
	ctx := context.Background()
	for _, c := range []struct{ text, want string }{
		{"UPDATE events SET body = replace(body, 'name 2', 'name X') WHERE seq = 3", "check-event-changed"},
		{"UPDATE events SET prev = repeat('0', 64) WHERE seq = 3", "check-chain-broken check-event-changed"},
		{"UPDATE events SET seq = seq + 10 WHERE seq > 4", "check-event-gone"},
		{"UPDATE estates SET body = '{}'", "check-row-changed"},
		{"DELETE FROM attachments", "check-row-gone"},
		{"INSERT INTO names VALUES ('estate', 'k', 'e', '', '', 'x')", "check-row-extra"},
		{"UPDATE kept_pieces SET data = 'other'", "check-file-changed"},
		{"DELETE FROM kept_files", "check-file-gone"},
		{"UPDATE files SET size = 3", "check-row-changed"},
	} {
		dir, _ := filled(t)
		address := server.Database(t)
		a, b := openAt(t, dir, nil), openOn(t, address, nil)
		if _, err := Move(ctx, a, b, nil); err != nil {
			t.Fatal(err)
		}
		if _, err := server.SQL(server.Name(address), c.text); err != nil {
			t.Fatal(err)
		}
		r, err := b.Check(ctx, nil)
		if err != nil {
			t.Fatal(err)
		}
		var ids []string
		for _, f := range r.Findings {
			ids = append(ids, f.ID)
		}
		for _, want := range strings.Fields(c.want) {
			if !strings.Contains(strings.Join(ids, " "), want) {
				t.Errorf("%s: %v, want %s", c.text, ids, c.want)
			}
		}
		a.Close()
		b.Close()
	}
}

// What cannot be opened or done is said in one line, never with a password.
func saidFaults(t *testing.T, server *storetest.Postgres) {
	ctx := context.Background()
	address := server.Database(t)
	if _, err := Open(ctx, Options{Database: address, ReadOnly: true}); fault(err) != "store-older" {
		t.Errorf("only looked at, and empty: %v", err)
	}
	openOn(t, address, nil)
	only, err := Open(ctx, Options{Database: address, ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer only.Close()
	if err := put(ctx, only, estate(1, "x")); fault(err) != "store-read-only" {
		t.Errorf("%v", err)
	}
	if _, err := only.PutFile(ctx, strings.NewReader("x"), 10); fault(err) != "store-read-only" {
		t.Errorf("%v", err)
	}
	if _, err := server.SQL(server.Name(address), fmt.Sprintf("INSERT INTO goose_db_version (version_id, is_applied) VALUES (%d, true)", lastStep()+1)); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(ctx, Options{Database: address}); fault(err) != "store-newer" {
		t.Errorf("of a later version: %v", err)
	}
	if _, err := server.SQL("postgres", "CREATE DATABASE latin ENCODING 'LATIN1' LOCALE_PROVIDER libc LOCALE 'C' TEMPLATE template0"); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ from, to, want string }{
		{"/" + server.Name(address) + "?", "/nobody?", "database-refused"},
		{"/" + server.Name(address) + "?", "/latin?", "database-encoding"},
		{"host=", "host=%2Fnowhere", "database-away"},
		{"postgres://", "postgres://u:se%20cret@h:port", "database-url"},
	} {
		_, err := Open(ctx, Options{Database: strings.Replace(address, c.from, c.to, 1)})
		if fault(err) != c.want {
			t.Errorf("%s: %v (%s)", c.to, err, fault(err))
		}
		if strings.Contains(fmt.Sprint(err), "cret") {
			t.Errorf("a password is shown: %v", err)
		}
	}
	if got := Shown("postgres://u:secret@h:5432/name?sslkey=x"); got != "postgres://u@h:5432/name" {
		t.Error(got)
	}
}
