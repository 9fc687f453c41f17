package cli

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"sapward/internal/app"
	"sapward/internal/demo"
	"sapward/internal/metrics"
	"sapward/internal/store"
)

// Backups come when they are due, the oldest go, a failure is tried again and
// counted, one that was missed is made at once, and a clock that ran ahead
// holds nothing up. The times are worked out by hand.
func TestSchedule_ByHand(t *testing.T) {
	dir := t.TempDir()
	begin := time.Date(2026, 6, 3, 7, 0, 0, 0, time.UTC)
	now := begin
	var happened []string
	fail := 0
	counts := metrics.New()
	var log bytes.Buffer
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	s := newSchedule(operateOptions{BackupTo: dir, BackupEvery: 24 * time.Hour, BackupKeep: 2}, operating{store: &store.Store{}, counts: counts, log: slog.New(slog.NewTextHandler(&log, nil))})
	s.now = func() time.Time { return now }
	s.turn = func(_ context.Context, _ time.Time, f func() error) (bool, time.Time, error) { return true, now, f() }
	s.backup = func(_ context.Context, dir string) (app.BackupReport, error) {
		if fail > 0 {
			fail--
			happened = append(happened, "failed "+now.Sub(begin).String())
			return app.BackupReport{}, errors.New("no space")
		}
		happened = append(happened, "made "+now.Sub(begin).String())
		folder := filepath.Join(dir, "sapward-"+now.Format("20060102T150405Z"))
		if err := os.MkdirAll(folder, 0o700); err != nil {
			t.Fatal(err)
		}
		return app.BackupReport{Folder: folder}, os.WriteFile(filepath.Join(folder, "manifest.json"), []byte(fmt.Sprintf(`{"schema":"sapward/backup/1","at":%q}`, now.Format(app.TimeForm))), 0o600)
	}
	s.wait = func(_ context.Context, d time.Duration) {
		now = now.Add(d)
		if now.Sub(begin) > 20*24*time.Hour {
			cancel()
		}
		switch {
		case now.Equal(begin.Add(48 * time.Hour)):
			fail = 2
		case now.Equal(begin.Add(120*time.Hour + 20*time.Minute)): // the machine slept for three days and a half
			now = now.Add(84 * time.Hour)
		}
	}
	s.run(ctx)
	got := strings.Join(happened[:8], "; ")
	if want := "made 0s; made 24h0m0s; failed 48h0m0s; failed 48h10m0s; made 48h20m0s; made 72h20m0s; made 96h20m0s; made 204h20m0s"; got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	list, err := store.Backups(dir)
	if err != nil || len(list) != 2 {
		t.Errorf("%d stay, %v", len(list), err)
	}
	var b strings.Builder
	_ = counts.Write(&b)
	if !strings.Contains(b.String(), `sapward_backups_total{outcome="failed"} 2`) || !strings.Contains(b.String(), fmt.Sprintf("sapward_backup_last_seconds %g\n", float64(list[1].At.Unix()))) || strings.Count(log.String(), "backup failed") != 2 {
		t.Errorf("%s%s", b.String(), log.String())
	}
	// The newest is of tomorrow: the clock was ahead.
	ctx, cancel = context.WithCancel(context.Background())
	defer cancel()
	now, happened = list[1].At.Add(-24*time.Hour), nil
	s.wait = func(context.Context, time.Duration) { cancel() }
	s.backup = func(context.Context, string) (app.BackupReport, error) {
		happened = append(happened, "made")
		cancel()
		return app.BackupReport{}, nil
	}
	if s.run(ctx); len(happened) != 1 {
		t.Error("a clock that was ahead holds backups up")
	}
}

// A server makes a backup at its start, keeps as many as asked for, and leaves
// what is no backup alone; the copy is whole.
func TestServe_BackupSchedule(t *testing.T) {
	dir, into := filepath.Join(t.TempDir(), "data"), t.TempDir()
	a, s, err := openApp(t.Context(), dir, false)
	if err != nil {
		t.Fatal(err)
	}
	if err := a.FillDemo(t.Context(), app.Local(), demo.Files()); err != nil {
		t.Fatal(err)
	}
	s.Close()
	if err := os.MkdirAll(filepath.Join(into, "letters"), 0o700); err != nil {
		t.Fatal(err)
	}
	n := startNode(t, "--data", dir, "--backup-to", into, "--backup-every", "1h", "--backup-keep", "1")
	within(t, "a backup", func() bool { list, _ := store.Backups(into); return len(list) == 1 })
	within(t, "its line", func() bool { return strings.Contains(n.said(), `"msg":"backup made"`) })
	n.kill()
	<-n.ended
	list, err := store.Backups(into)
	if err != nil || len(list) != 1 {
		t.Fatal(list, err)
	}
	if r, _, err := store.Restore(t.Context(), list[0].Folder, filepath.Join(t.TempDir(), "back"), false); err != nil || r.Events == 0 || r.Head != list[0].Head {
		t.Errorf("%+v %v", r, err)
	}
	if _, err := os.Stat(filepath.Join(into, "letters")); err != nil {
		t.Error(err)
	}
}

// A person's desk notes on two servers at once are numbered without gap or
// double.
func TestServers_DeskNotes(t *testing.T) {
	database := startDatabase(t)
	a, s, err := openApp(t.Context(), database, false)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	b, s2, err := openApp(t.Context(), database, false)
	if err != nil {
		t.Fatal(err)
	}
	defer s2.Close()
	day, err := a.OpenDay(t.Context(), app.Local(), owned(t, a), app.DayOrder{People: []string{"crew one"}})
	if err != nil {
		t.Fatal(err)
	}
	// The desk itself is made once, before both write.
	note := func(x *app.App) error {
		_, err := x.Note(t.Context(), app.Local(), day.ID, noteEvent(), false)
		return err
	}
	if err := note(a); err != nil {
		t.Fatal(err)
	}
	var group sync.WaitGroup
	for _, x := range []*app.App{a, b} {
		group.Go(func() {
			for range 25 {
				if err := note(x); err != nil {
					t.Error(err)
				}
			}
		})
	}
	group.Wait()
	v, err := b.Day(t.Context(), app.Local(), day.ID)
	if err != nil || v.State.Events != 51 || len(v.State.Gaps)+len(v.State.Clashes) > 0 {
		t.Errorf("%d notes, gaps %v, clashes %v (%v)", v.State.Events, v.State.Gaps, v.State.Clashes, err)
	}
}
