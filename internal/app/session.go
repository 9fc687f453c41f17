package app

import (
	"context"
	"time"
)

// Session is a browser that a person signed in with. It is no fact: it stands in
// no event, no export and no backup.
type Session struct {
	Hash    string // SHA-256 of the browser's token, hexadecimal; the token itself is kept nowhere
	Person  string
	Created time.Time
	Seen    time.Time // of a request, to about a minute
	Expires time.Time
	Data    string // what pages keep with it, such as a message for the next page
}

// Sessions keeps sessions where every server on the same facts finds them, and
// over a restart.
type Sessions interface {
	// BeginSession keeps a new session, and drops those that have expired.
	BeginSession(ctx context.Context, s Session) error
	// Session finds a session that has not expired.
	Session(ctx context.Context, hash string) (Session, bool, error)
	// ChangeSession keeps Seen, Expires and Data of a session that is there. One
	// that was ended meanwhile stays ended.
	ChangeSession(ctx context.Context, s Session) error
	// EndSession ends a session; one that is not there is no fault.
	EndSession(ctx context.Context, hash string) error
	// EndSessions ends all sessions of a person but the one with hash keep.
	EndSessions(ctx context.Context, person, keep string) error
}
