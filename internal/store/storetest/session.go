package storetest

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"sapward/internal/app"
)

// RunSessions tests who keeps sessions. open returns an empty keeper that reads
// the given clock.
func RunSessions(t *testing.T, open func(t *testing.T, now func() time.Time) app.Sessions) {
	ctx := context.Background()
	start := time.Date(2026, 6, 3, 7, 0, 0, 0, time.UTC)
	clock := NewClock(start)
	s := open(t, clock.Now)
	hash := func(n int) string { return fmt.Sprintf("%064x", n) }
	begin := func(n int, person string, life time.Duration) app.Session {
		t.Helper()
		x := app.Session{Hash: hash(n), Person: person, Created: clock.Now(), Seen: clock.Now(), Expires: clock.Now().Add(life), Data: `{"a":"b' ? ñ"}`}
		if err := s.BeginSession(ctx, x); err != nil {
			t.Fatal(err)
		}
		return x
	}
	live := func(want ...int) {
		t.Helper()
		var got []int
		for n := range 10 {
			if _, ok, err := s.Session(ctx, hash(n)); err != nil {
				t.Fatal(err)
			} else if ok {
				got = append(got, n)
			}
		}
		if fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("live are %v, want %v", got, want)
		}
	}
	do := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	live()
	one := begin(1, "p", time.Hour)
	begin(2, "p", 3*time.Hour)
	begin(3, "p", 3*time.Hour)
	begin(4, "q", 3*time.Hour)
	live(1, 2, 3, 4)
	if got, _, _ := s.Session(ctx, hash(1)); got.Person != "p" || got.Data != one.Data || !got.Created.Equal(start) || !got.Seen.Equal(start) || !got.Expires.Equal(start.Add(time.Hour)) {
		t.Errorf("came back as %+v", got)
	}

	clock.Set(start.Add(30 * time.Minute))
	one.Created, one.Person, one.Seen, one.Expires, one.Data = clock.Now(), "q", clock.Now(), start.Add(2*time.Hour), "{}"
	do(s.ChangeSession(ctx, one))
	got, _, _ := s.Session(ctx, hash(1))
	if got.Person != "p" || !got.Created.Equal(start) {
		t.Errorf("a change moves neither who it is nor since when: %+v", got)
	}
	if got.Data != "{}" || !got.Seen.Equal(clock.Now()) || !got.Expires.Equal(start.Add(2*time.Hour)) {
		t.Errorf("changed to %+v", got)
	}

	do(s.EndSession(ctx, hash(2)))
	do(s.EndSession(ctx, hash(2)))
	do(s.EndSession(ctx, strings.Repeat("f", 64)))
	two := one
	two.Hash = hash(2)
	do(s.ChangeSession(ctx, two)) // a request that was under way at the sign-out
	live(1, 3, 4)

	do(s.EndSessions(ctx, "p", hash(3)))
	live(3, 4)
	do(s.EndSessions(ctx, "p", ""))
	live(4)
	do(s.EndSessions(ctx, "nobody", ""))
	live(4)

	clock.Set(start.Add(3 * time.Hour)) // the moment it expires
	live()
	begin(5, "r", time.Hour) // and here it is dropped
	clock.Set(start)
	live(5)
}
