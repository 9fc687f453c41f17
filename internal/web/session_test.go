package web

import (
	"context"
	"testing"
	"time"

	"sapward/internal/app"
	"sapward/internal/store/storetest"
)

func TestMemorySessions_Contract(t *testing.T) {
	storetest.RunSessions(t, func(_ *testing.T, now func() time.Time) app.Sessions {
		return &memorySessions{now: now, by: map[string]app.Session{}}
	})
}

// counted counts what is written.
type counted struct {
	app.Sessions
	changes int
}

func (c *counted) ChangeSession(ctx context.Context, s app.Session) error {
	c.changes++
	return c.Sessions.ChangeSession(ctx, s)
}

// A request is written down at most once a minute, and one that was under way
// at a sign-out does not bring the session back.
func TestKeptSessions_CommitSparingly(t *testing.T) {
	ctx := context.Background()
	clock := storetest.NewClock(time.Date(2026, 6, 3, 7, 0, 0, 0, time.UTC))
	c := &counted{Sessions: &memorySessions{now: clock.Now, by: map[string]app.Session{}}}
	k := &keptSessions{to: c, now: clock.Now, begun: map[string]bool{}}
	commit := func(toast string) {
		t.Helper()
		b, err := jsonCodec{}.Encode(clock.Now(), map[string]any{"person": "p", "toast": toast})
		if err != nil {
			t.Fatal(err)
		}
		if err := k.CommitCtx(ctx, "token", b, clock.Now().Add(sessionIdle)); err != nil {
			t.Fatal(err)
		}
	}
	there := func() bool { _, ok, _ := k.FindCtx(ctx, "token"); return ok }
	if commit(""); there() {
		t.Error("a token nobody began was kept")
	}
	k.begin("token")
	if commit(""); !there() {
		t.Error("a session was not begun")
	}
	if x, _, _ := c.Session(ctx, tokenHash("token")); x.Person != "p" {
		t.Errorf("begun for %q", x.Person)
	}
	deadline := clock.Now()
	for range 5 { // five pages within a minute; the data stay as they are
		clock.Set(clock.Now().Add(10 * time.Second))
		b, _ := jsonCodec{}.Encode(deadline, map[string]any{"person": "p", "toast": ""})
		if err := k.CommitCtx(ctx, "token", b, clock.Now().Add(sessionIdle)); err != nil {
			t.Fatal(err)
		}
	}
	if c.changes != 0 {
		t.Errorf("%d writes for pages looked at within a minute", c.changes)
	}
	if commit("done"); c.changes != 1 {
		t.Errorf("%d writes for a message", c.changes)
	}
	clock.Set(clock.Now().Add(2 * time.Minute))
	if commit("done"); c.changes != 2 {
		t.Errorf("%d writes after two minutes", c.changes)
	}
	if err := k.DeleteCtx(ctx, "token"); err != nil {
		t.Fatal(err)
	}
	if commit("late"); there() {
		t.Error("a request under way brought an ended session back")
	}
}
