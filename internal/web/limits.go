package web

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"log/slog"
	"net/http"
	"strings"
	"time"

	"github.com/go-chi/httprate"

	"sapward/internal/app"
)

// Limits of tries (program defaults), all in triesIn. Behind a proxy that names
// no addresses (--proxy-header) everybody has the proxy's.
const (
	triesIn          = 5 * time.Minute
	triesByAddress   = 20 // to sign in
	triesByName      = 10 // to sign in
	joinsByAddress   = 60 // of phones
	askingsByAddress = 60 // of calendar addresses
)

// limit lets a key try so often and no more. Servers that share their facts
// share the counts: each of two that ask at the same moment may let one more
// through. What is counted under is a hash; neither names nor addresses are
// kept.
func (s *Server) limit(what string, most int, key httprate.KeyFunc, refuse http.HandlerFunc) func(http.Handler) http.Handler {
	o := []httprate.Option{
		httprate.WithLimitHandler(func(w http.ResponseWriter, r *http.Request) {
			s.counts.refused.Add(1, what)
			s.log.Warn("too many tries", slog.String("what", what), about(r), s.from(r))
			if refuse != nil {
				refuse(w, r)
				return
			}
			http.Error(w, http.StatusText(http.StatusTooManyRequests), http.StatusTooManyRequests)
		}),
		httprate.WithErrorHandler(func(w http.ResponseWriter, r *http.Request, err error) { s.fail(w, r, err) }),
		httprate.WithResponseHeaders(httprate.ResponseHeaders{RetryAfter: "Retry-After"}),
	}
	if s.app != nil && s.app.Shared != nil && !s.opt.Local {
		o = append(o, httprate.WithLimitCounter(&sharedTries{to: s.app.Shared, what: what}))
	}
	return httprate.LimitBy(most, triesIn, key, o...)
}

// byAddress counts by the address of a request; of IPv6 by the network that one
// customer has.
func byAddress(r *http.Request) (string, error) { return httprate.CanonicalizeIP(clientOf(r)), nil }

// byName counts by the name somebody signs in with.
func byName(r *http.Request) (string, error) {
	return strings.ToLower(strings.TrimSpace(r.PostFormValue("name"))), nil
}

// sharedTries lets httprate count where every server counts.
type sharedTries struct {
	to   app.Shared
	what string
}

// triesWait bounds how long a count may take: httprate lets one request count
// at a time and hands no context on.
const triesWait = 5 * time.Second

func (c *sharedTries) key(key string) string {
	sum := sha256.Sum256([]byte(c.what + "\x00" + key))
	return hex.EncodeToString(sum[:])
}

// Config is part of httprate's interface.
func (c *sharedTries) Config(int, time.Duration) {}

// Increment is part of httprate's interface.
func (c *sharedTries) Increment(key string, window time.Time) error {
	return c.IncrementBy(key, window, 1)
}

// IncrementBy counts.
func (c *sharedTries) IncrementBy(key string, window time.Time, n int) error {
	ctx, cancel := context.WithTimeout(context.Background(), triesWait)
	defer cancel()
	return c.to.CountTry(ctx, c.key(key), window, n)
}

// Get returns the counts of two windows.
func (c *sharedTries) Get(key string, current, previous time.Time) (int, int, error) {
	ctx, cancel := context.WithTimeout(context.Background(), triesWait)
	defer cancel()
	return c.to.Tries(ctx, c.key(key), current, previous)
}
