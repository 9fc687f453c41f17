package store

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"sapward/internal/app"
	"sapward/internal/store/storetest"
)

// A backup of a database is a data folder as of one moment, made while others
// write; it goes into a folder and into another database. Of several servers one
// makes it.
func backedUp(t *testing.T, server *storetest.Postgres) {
	ctx := context.Background()
	dir, hash := filled(t)
	address := server.Database(t)
	a, b := openAt(t, dir, nil), openOn(t, address, nil)
	if _, err := Move(ctx, a, b, nil); err != nil {
		t.Fatal(err)
	}
	a.Close()
	c := openOn(t, address, nil)
	stop := make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() {
		for i := 0; ; i++ {
			select {
			case <-stop:
				return
			default:
			}
			x := estate(1, "x")
			x.ID = fmt.Sprintf("new-%d", i)
			x.Estate = x.ID
			if err := put(ctx, c, x); err != nil {
				t.Error(err)
			}
		}
	})
	into := t.TempDir()
	var made app.BackupReport
	ran, _, err := b.BackupTurn(ctx, time.Now().Add(-time.Hour), func() (err error) {
		if ran, _, err := c.BackupTurn(ctx, time.Now().Add(-time.Hour), func() error { return errors.New("two at once") }); ran || err != nil {
			t.Errorf("the other server meanwhile: %v %v", ran, err)
		}
		made, err = b.Backup(ctx, into)
		return err
	})
	if !ran || err != nil {
		t.Fatal(ran, err)
	}
	if ran, last, err := c.BackupTurn(ctx, time.Now().Add(-time.Hour), func() error { return errors.New("again") }); ran || err != nil || time.Since(last) > time.Minute {
		t.Errorf("the other server afterwards: %v %v %v", ran, last, err)
	}
	close(stop)
	wg.Wait()
	list, err := Backups(into)
	if err != nil || len(list) != 1 || list[0].Folder != made.Folder || list[0].Head != made.Head || made.Attachments != 1 || made.Events < 7 {
		t.Fatalf("%+v %+v %v", list, made, err)
	}
	back := filepath.Join(t.TempDir(), "back")
	r, _, err := Restore(ctx, made.Folder, back, false)
	if err != nil || r.Head != made.Head || r.Events != made.Events {
		t.Fatalf("%+v %v", r, err)
	}
	if f, err := openAt(t, back, nil).OpenFile(ctx, hash); err != nil {
		t.Error(err)
	} else {
		f.Close()
	}
	again := openOn(t, server.Database(t), nil)
	if m, err := RestoreInto(ctx, made.Folder, again, nil); err != nil || m.Head != made.Head || m.Files != 1 {
		t.Errorf("%+v %v", m, err)
	}
	sound(t, again)
	if _, err := RestoreInto(ctx, made.Folder, b, nil); fault(err) != "move-not-empty" {
		t.Errorf("into a database that holds facts: %v", err)
	}
	if err := DropBackup(list[0]); err != nil {
		t.Error(err)
	}
	if list, err := Backups(into); err != nil || len(list) != 0 {
		t.Errorf("%+v %v", list, err)
	}
}

// Counts of tries are those of all servers; what waits is bounded and expires.
func sharedForMinutes(t *testing.T, server *storetest.Postgres) {
	ctx := context.Background()
	address := server.Database(t)
	clock := storetest.NewClock(time.Date(2026, 6, 3, 7, 0, 0, 0, time.UTC))
	a, b := openOn(t, address, clock.Now), openOn(t, address, clock.Now)
	var wg sync.WaitGroup
	now := clock.Now()
	before := now.Add(-5 * time.Minute)
	if err := a.CountTry(ctx, "k", before, 3); err != nil {
		t.Fatal(err)
	}
	for _, s := range []*Store{a, b} {
		wg.Go(func() {
			for range 50 {
				if err := s.CountTry(ctx, "k", now, 1); err != nil {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
	for _, s := range []*Store{a, b} {
		if n, p, err := s.Tries(ctx, "k", now, before); n != 100 || p != 3 || err != nil {
			t.Errorf("%d and %d, %v", n, p, err)
		}
		if n, p, err := s.Tries(ctx, "other", now, before); n != 0 || p != 0 || err != nil {
			t.Errorf("%d and %d, %v", n, p, err)
		}
	}
	if err := b.CountTry(ctx, "later", now.Add(3*time.Hour), 1); err != nil { // a new window tidies
		t.Fatal(err)
	}
	if n, err := server.SQL(server.Name(address), "SELECT count(*) FROM tries"); n != "1" || err != nil {
		t.Errorf("%s counts stay, %v", n, err)
	}
	keep := func(s *Store, key, owner, data string) {
		t.Helper()
		clock.Set(clock.Now().Add(time.Second))
		if err := s.KeepWaiting(ctx, app.Waiting{Kind: "x", Key: key, Owner: owner, Until: clock.Now().Add(time.Hour), Data: []byte(data)}, 2, 4); err != nil {
			t.Fatal(err)
		}
	}
	live := func(want string) {
		t.Helper()
		got := ""
		for _, k := range strings.Split("abcdefg", "") {
			if w, ok, err := b.Waiting(ctx, "x", k); err != nil {
				t.Fatal(err)
			} else if ok {
				got += k + string(w.Data)
			}
		}
		if got != want {
			t.Errorf("%q wait, want %q", got, want)
		}
	}
	keep(a, "a", "p", "1")
	keep(a, "b", "p", "1")
	keep(b, "a", "p", "2") // in place of the first
	live("a2b1")
	keep(b, "c", "p", "3") // the oldest of the owner goes
	live("a2c3")
	keep(a, "d", "q", "4")
	keep(a, "e", "q", "5")
	keep(a, "f", "r", "6") // the oldest of all goes
	live("c3d4e5f6")
	if err := a.DropWaiting(ctx, "x", "d"); err != nil {
		t.Error(err)
	}
	live("c3e5f6")
	if _, ok, _ := a.Waiting(ctx, "y", "c"); ok {
		t.Error("of another kind")
	}
	clock.Set(clock.Now().Add(time.Hour))
	live("")
	keep(a, "g", "p", "7")
	if n, err := server.SQL(server.Name(address), "SELECT count(*) FROM waiting"); n != "1" || err != nil {
		t.Errorf("%s wait, %v", n, err)
	}
	if err := b.DropWaiting(ctx, "x", ""); err != nil {
		t.Error(err)
	}
	live("")
	if err := a.Ready(ctx); err != nil {
		t.Error(err)
	}
}

// What one server notes of a day the other hears, also after its listener was
// cut off; of other facts it hears nothing.
func heardNews(t *testing.T, server *storetest.Postgres) {
	ctx := context.Background()
	address := server.Database(t)
	a, b := openOn(t, address, nil), openOn(t, address, nil)
	heard := make(chan string, 100)
	if !b.Hear(func(day string) { heard <- day }) {
		t.Fatal("nothing to hear")
	}
	wait := func(want string) {
		t.Helper()
		for end := time.After(time.Minute); ; {
			select {
			case day := <-heard:
				if day == want {
					return
				}
				if day != "" {
					t.Errorf("heard %q", day)
				}
			case <-end:
				t.Fatalf("%q was not heard", want)
			}
		}
	}
	up := func() {
		t.Helper()
		for begin := time.Now(); !b.Hearing(); time.Sleep(5 * time.Millisecond) {
			if time.Since(begin) > time.Minute {
				t.Fatal("no news arrive")
			}
		}
	}
	up()
	if err := put(ctx, a, estate(1, "x")); err != nil {
		t.Fatal(err)
	}
	day := func(n int) {
		t.Helper()
		err := a.InTx(ctx, func(x app.Tx) error {
			x.(*tx).heard(&app.Change{Type: app.TypeNote, Parent: fmt.Sprint("day-", n)})
			_, err := x.Append(ctx, "p", estate(n+1, fmt.Sprint(n)))
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	day(1)
	wait("day-1")
	if _, err := server.SQL("postgres", "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE query LIKE 'LISTEN%'"); err != nil {
		t.Fatal(err)
	}
	wait("") // everybody looks once it is back
	up()
	day(2)
	wait("day-2")
}
