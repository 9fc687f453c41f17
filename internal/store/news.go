package store

import (
	"context"
	"sync"
	"sync/atomic"
	"time"

	"github.com/jackc/pgx/v5"

	"sapward/internal/app"
)

var _ app.News = (*Store)(nil)

// newsChannel is the channel of NOTIFY. What is said on it is the day that
// something was noted of.
const newsChannel = "sapward_days"

// newsPause is how long a listener waits before it connects again.
const newsPause = 2 * time.Second

// news listens to what servers on the same database have kept. It has a
// connection of its own. News may be lost while that is away; then everybody is
// told once it is back, and whoever has to know looks by itself now and then.
type news struct {
	end  context.CancelFunc
	done chan struct{}
	up   atomic.Bool
	mu   sync.Mutex
	tell []func(day string)
}

// listen begins to listen.
func listen(config *pgx.ConnConfig) *news {
	ctx, cancel := context.WithCancel(context.Background())
	n := &news{end: cancel, done: make(chan struct{})}
	go func() {
		defer close(n.done)
		for ctx.Err() == nil {
			n.hear(ctx, config)
			n.up.Store(false)
			select {
			case <-ctx.Done():
			case <-time.After(newsPause):
			}
		}
	}()
	return n
}

// hear listens until the connection ends.
func (n *news) hear(ctx context.Context, config *pgx.ConnConfig) {
	conn, err := pgx.ConnectConfig(ctx, config.Copy())
	if err != nil {
		return
	}
	defer func() {
		closing, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
		defer cancel()
		_ = conn.Close(closing)
	}()
	if _, err := conn.Exec(ctx, "LISTEN "+newsChannel); err != nil {
		return
	}
	n.up.Store(true)
	n.pass("")
	for {
		got, err := conn.WaitForNotification(ctx)
		if err != nil {
			return
		}
		n.pass(got.Payload)
	}
}

func (n *news) pass(day string) {
	n.mu.Lock()
	defer n.mu.Unlock()
	for _, f := range n.tell {
		f(day)
	}
}

func (n *news) close() error {
	if n != nil {
		n.end()
		<-n.done
	}
	return nil
}

// Hear calls f with the day that something was noted of on any server of the
// database, and with nothing when news may have been missed. It reports whether
// there can be such news at all.
func (s *Store) Hear(f func(day string)) bool {
	if s.news == nil {
		return false
	}
	s.news.mu.Lock()
	defer s.news.mu.Unlock()
	s.news.tell = append(s.news.tell, f)
	return true
}

// Hearing reports whether news arrive at this moment.
func (s *Store) Hearing() bool { return s.news != nil && s.news.up.Load() }

// heard marks the day that an event tells of, for announce.
func (t *tx) heard(c *app.Change) {
	day := ""
	switch c.Type {
	case app.TypeNote, app.TypePhone, app.TypeAttachment:
		day = c.Parent
	case app.TypeDay:
		day = c.ID
	}
	if day == "" || !t.s.shared {
		return
	}
	if t.days == nil {
		t.days = map[string]bool{}
	}
	t.days[day] = true
}

// announce tells the other servers, once the transaction is committed, of what
// it noted: NOTIFY is part of the transaction and travels with COMMIT. Whoever
// imports thousands of pictures at once is left to those that look by themselves.
func (t *tx) announce(ctx context.Context) error {
	if len(t.days) > 100 {
		return nil
	}
	for day := range t.days {
		if _, err := t.tx.ExecContext(ctx, later+"SELECT pg_notify(?, ?)", newsChannel, day); err != nil {
			return err
		}
	}
	return nil
}
