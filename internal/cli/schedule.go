package cli

import (
	"context"
	"log/slog"
	"os"
	"time"

	"sapward/internal/app"
	"sapward/internal/metrics"
	"sapward/internal/store"
)

// backupRetry is how long after a failure the next try comes (program default).
const backupRetry = 10 * time.Minute

// schedule makes backups: each a verified copy, as many kept as were asked for.
// When the next one is due follows from those that lie in the folder, so that
// one that was missed is made as soon as the server runs again.
type schedule struct {
	dir    string
	every  time.Duration
	keep   int
	now    func() time.Time
	wait   func(ctx context.Context, d time.Duration)
	backup func(ctx context.Context, dir string) (app.BackupReport, error)
	turn   func(ctx context.Context, since time.Time, f func() error) (bool, time.Time, error)
	log    *slog.Logger

	made    *metrics.Counter
	last    *metrics.Gauge
	seconds *metrics.Gauge
}

func newSchedule(o operateOptions, x operating) *schedule {
	return &schedule{
		dir: o.BackupTo, every: o.BackupEvery, keep: o.BackupKeep, now: time.Now, wait: sleep, backup: x.store.Backup, turn: x.store.BackupTurn, log: x.log,
		made:    x.counts.Counter("sapward_backups", "Backups by schedule that this server began, by outcome: made, failed, or elsewhere where another server made it.", "outcome"),
		last:    x.counts.Gauge("sapward_backup_last_seconds", "When the newest backup that this server knows of was made, in seconds since 1970; 0: none."),
		seconds: x.counts.Gauge("sapward_backup_took_seconds", "How long the last backup of this server took."),
	}
}

func sleep(ctx context.Context, d time.Duration) {
	t := time.NewTimer(max(d, 0))
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}

// run makes backups until the context ends.
func (s *schedule) run(ctx context.Context) {
	elsewhere := time.Time{}
	for ctx.Err() == nil {
		newest := elsewhere
		if list, err := store.Backups(s.dir); err == nil && len(list) > 0 && list[len(list)-1].At.After(newest) {
			newest = list[len(list)-1].At
		}
		s.last.Set(max(float64(newest.Unix()), 0))
		now := s.now()
		if newest.After(now) { // a clock that was ahead must not hold backups up
			newest = now.Add(-s.every)
		}
		if due := newest.Add(s.every); now.Before(due) {
			s.wait(ctx, due.Sub(now))
			continue
		}
		// A server that shares its facts may have been quicker: half the time between
		// two backups is near enough.
		ran, last, err := s.turn(ctx, now.Add(-s.every/2), func() error { return s.one(ctx) })
		switch {
		case ctx.Err() != nil:
			return
		case err != nil:
			s.made.Add(1, "failed")
			s.log.Error("backup failed", slog.Any("cause", err), slog.Float64("next_try_s", min(backupRetry, s.every).Seconds()))
			s.wait(ctx, min(backupRetry, s.every))
		case !ran:
			s.made.Add(1, "elsewhere")
			elsewhere = last
			s.wait(ctx, time.Minute)
		}
	}
}

// one makes a backup and lets the oldest go.
func (s *schedule) one(ctx context.Context) error {
	begin := s.now()
	r, err := s.backup(ctx, s.dir)
	if err != nil {
		return err
	}
	took := s.now().Sub(begin)
	s.made.Add(1, "made")
	s.seconds.Set(took.Seconds())
	s.log.Info("backup made", slog.Int64("events", r.Events), slog.String("head", r.Head), slog.Int("files", r.Attachments), slog.Int64("bytes", r.Bytes), slog.Float64("took_s", took.Seconds()))
	list, err := store.Backups(s.dir)
	if err != nil {
		return err
	}
	for len(list) > s.keep {
		if err := store.DropBackup(list[0]); err != nil && !os.IsNotExist(err) {
			s.log.Error("an old backup stays", slog.Any("cause", err))
			break
		}
		list = list[1:]
	}
	return nil
}
