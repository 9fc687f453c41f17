package app

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"strings"
	"time"

	"sapward/finding"
)

// Request is one request of a program that named a key, so that it can ask again
// when no answer came. It is no fact: it stands in no event, no export and no
// backup.
type Request struct {
	Key     string // SHA-256 of who asked and the key, hexadecimal
	Request string // SHA-256 of what was asked, hexadecimal
	Holder  string // of the try that works on it
	Until   time.Time
	Expires time.Time
	Act     string // of what it kept; empty: nothing yet
	Answer  string // as it was given; empty: not yet
}

// Beside keeps what is no fact where every server on the same facts finds it,
// and over a restart.
type Beside interface {
	KeepSecret(ctx context.Context, token, hash string) error
	// Secret finds the hash of a token's secret; empty where there is none.
	Secret(ctx context.Context, token string) (string, error)
	DropSecret(ctx context.Context, token string) error

	// BeginRequest keeps a request and drops those that have expired. Where the
	// key is there it takes over what nobody holds any longer and has kept
	// nothing yet, if it is the same request; else mine is false and the request
	// is as it is kept.
	BeginRequest(ctx context.Context, r Request) (kept Request, mine bool, err error)
	// KeepAnswer keeps the answer of a request that the holder still holds.
	KeepAnswer(ctx context.Context, key, holder, answer string) error
	// FreeRequest forgets a request that has kept nothing.
	FreeRequest(ctx context.Context, key, holder string) error
}

// Mark makes a transaction keep, in itself, which act it was for a request. A
// transaction whose request was taken over fails.
type Mark struct{ Key, Holder string }

type markKey struct{}

// Marked returns a context whose transactions that append anything carry a mark.
func Marked(ctx context.Context, m Mark) context.Context {
	return context.WithValue(ctx, markKey{}, m)
}

func unmarked(ctx context.Context) context.Context {
	return context.WithValue(ctx, markKey{}, nil)
}

// MarkOf returns the mark of a context.
func MarkOf(ctx context.Context) (Mark, bool) {
	m, ok := ctx.Value(markKey{}).(Mark)
	return m, ok
}

// Times of requests with a key (program defaults): an answer is kept for a day; a
// try that is not heard of for a minute is taken over by the next, and can then
// keep nothing itself.
const (
	RequestKept  = 24 * time.Hour
	RequestLease = time.Minute
)

// maxRequestKey bounds a key as a program writes it.
const maxRequestKey = 200

// Begun is how a request with a key stands.
type Begun struct {
	Mark    Mark
	Mine    bool          // to be worked on now, under Mark
	Answer  string        // as it was given, where it was
	Act     string        // of what was kept although no answer was
	Waiting time.Duration // another try may still be at work
}

// Began begins a request of the actor that names a key, or says what became of
// it. The key is the actor's own: the same one of somebody else is another. A key
// that was used for another request is a fault.
func (a *App) Began(ctx context.Context, actor Actor, key, request string) (Begun, error) {
	if actor.Person == "" {
		return Begun{}, denied(Viewer)
	}
	if a.Beside == nil {
		return Begun{}, usage("request-key-here", nil)
	}
	if strings.TrimSpace(key) == "" || len(key) > maxRequestKey || strings.ContainsFunc(key, func(r rune) bool { return r < ' ' || r > '~' }) {
		return Begun{}, usage("request-key-unusable", finding.Args{"most": finding.Count(maxRequestKey)})
	}
	sum := sha256.Sum256([]byte(actor.Person + "\x00" + actor.Token + "\x00" + key))
	now := a.Now()
	r := Request{Key: hex.EncodeToString(sum[:]), Request: request, Holder: a.NewID(), Until: now.Add(RequestLease), Expires: now.Add(RequestKept)}
	had, mine, err := a.Beside.BeginRequest(ctx, r)
	switch {
	case err != nil:
		return Begun{}, err
	case mine:
		return Begun{Mark: Mark{r.Key, r.Holder}, Mine: true}, nil
	case had.Request != request:
		return Begun{}, usage("request-key-used", nil)
	}
	out := Begun{Mark: Mark{had.Key, had.Holder}, Answer: had.Answer, Act: had.Act}
	if out.Answer == "" && out.Act == "" {
		out.Waiting = max(time.Second, had.Until.Sub(now))
	}
	return out, nil
}

// Answered keeps the answer of a request.
func (a *App) Answered(ctx context.Context, _ Actor, m Mark, answer string) error {
	return a.Beside.KeepAnswer(ctx, m.Key, m.Holder, answer)
}

// Freed forgets a request that kept nothing, so that its key can be used again.
func (a *App) Freed(ctx context.Context, _ Actor, m Mark) error {
	return a.Beside.FreeRequest(ctx, m.Key, m.Holder)
}

// Kept returns what an act of the actor's own kept, oldest first: what a request
// did whose answer was lost. What the actor may no longer see is left out.
func (a *App) Kept(ctx context.Context, actor Actor, act string) ([]Event, error) {
	events, err := a.Store.Events(ctx, EventQuery{Act: act, Limit: 1000})
	if err != nil {
		return nil, err
	}
	var out []Event
	for i := len(events) - 1; i >= 0; i-- {
		e := events[i]
		if e.By != orElse(actor.Person, LocalPerson) {
			continue
		}
		if role, err := a.role(ctx, a.Store, actor, e.Estate); err != nil {
			return nil, err
		} else if role != Nobody {
			out = append(out, secret(e))
		}
	}
	return out, nil
}

// AsKept is the thing that an event kept, as the use case returned it.
func AsKept[F any](e Event) (Kept[F], error) {
	return kept[F](State{Type: e.Type, ID: e.Entity, Estate: e.Estate, Parent: e.Parent, Sort: e.Sort, Version: e.Version, At: e.At, By: e.By, Act: e.Act, Body: e.Body})
}
