package app

import (
	"context"
	"time"
)

// Shared keeps for minutes what is no fact but has to be known by every server
// on the same facts. Where there is one server it is not needed: the like is
// then kept in memory.
type Shared interface {
	// CountTry adds n to what was counted for a key in the window that begins at
	// an instant.
	CountTry(ctx context.Context, key string, window time.Time, n int) error
	// Tries returns what was counted for a key in two windows.
	Tries(ctx context.Context, key string, current, previous time.Time) (now, before int, err error)
	// KeepWaiting keeps bytes until an instant. Of its kind an owner has at most
	// mostOwn, and all together most; the oldest go.
	KeepWaiting(ctx context.Context, w Waiting, mostOwn, most int) error
	// Waiting finds what waits under a key and has not expired.
	Waiting(ctx context.Context, kind, key string) (Waiting, bool, error)
	// DropWaiting ends what waits under a key; an empty key is all of the kind.
	DropWaiting(ctx context.Context, kind, key string) error
}

// Waiting is something that waits for a person's next step.
type Waiting struct {
	Kind, Key, Owner string
	Until            time.Time
	Data             []byte
}

// News tells what other servers on the same facts have kept.
type News interface {
	// Hear calls f with a day that something was noted of, on this server or
	// another, and with nothing when some may have been missed. It reports
	// whether there are other servers to hear from.
	Hear(f func(day string)) bool
	// Hearing reports whether news arrive at this moment.
	Hearing() bool
}

// waitingOwner is the kind of the first owner's tokens, by hash.
const waitingOwner = "first-owner"

// ownerTokenLife is how long a first owner's token that servers share is good
// (program default). One that a single server keeps ends with its process.
const ownerTokenLife = 24 * time.Hour

// mostOwnerTokens bounds them: each server prints one when it starts.
const mostOwnerTokens = 16
