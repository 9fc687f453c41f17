package web

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"log/slog"
	"net/http"
	"sync"
	"time"

	"github.com/alexedwards/scs/v2"

	"sapward/internal/app"
)

// Lifetimes of a session (program defaults): 12 hours in all covers a long
// working day, 2 hours without a request end it. When somebody was last seen is
// written at most once a minute, so that looking at pages writes nothing.
const (
	sessionLife = 12 * time.Hour
	sessionIdle = 2 * time.Hour
	sessionSeen = time.Minute
)

// sessions hands cookies out; the sessions themselves lie in the keeper.
func sessions(o Options, k *keptSessions) *scs.SessionManager {
	m := scs.New()
	m.Store, m.Codec = k, jsonCodec{}
	m.Lifetime, m.IdleTimeout = sessionLife, sessionIdle
	m.Cookie.Name = pick(o.TLS, "__Host-sapward", "sapward")
	m.Cookie.HttpOnly, m.Cookie.Secure, m.Cookie.SameSite, m.Cookie.Path = true, o.TLS, http.SameSiteLaxMode, "/"
	m.Cookie.Persist = false
	return m
}

// jsonCodec writes a session's values as JSON: they are all text.
type jsonCodec struct{}

type sessionValues struct {
	Deadline time.Time      `json:"deadline"`
	Values   map[string]any `json:"values"`
}

func (jsonCodec) Encode(deadline time.Time, values map[string]any) ([]byte, error) {
	return json.Marshal(sessionValues{deadline, values})
}

func (jsonCodec) Decode(b []byte) (time.Time, map[string]any, error) {
	var v sessionValues
	if err := json.Unmarshal(b, &v); err != nil {
		return time.Time{}, nil, err
	}
	if v.Values == nil {
		v.Values = map[string]any{}
	}
	return v.Deadline, v.Values, nil
}

// keptSessions lets scs keep its sessions in an app.Sessions. A session is only
// begun for a token that was announced by begin; any other commit changes what
// is there, so that a request that ends after a sign-out brings nothing back.
type keptSessions struct {
	to    app.Sessions
	now   func() time.Time
	mu    sync.Mutex
	begun map[string]bool
}

func tokenHash(token string) string {
	sum := sha256.Sum256([]byte(token))
	return hex.EncodeToString(sum[:])
}

// begin announces the token of a new session.
func (k *keptSessions) begin(token string) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.begun[tokenHash(token)] = true
}

func (k *keptSessions) beginning(hash string) bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	defer delete(k.begun, hash)
	return k.begun[hash]
}

// FindCtx is scs's way to read a session.
func (k *keptSessions) FindCtx(ctx context.Context, token string) ([]byte, bool, error) {
	s, ok, err := k.to.Session(ctx, tokenHash(token))
	return []byte(s.Data), ok, err
}

// CommitCtx is scs's way to keep one: at the end of every request.
func (k *keptSessions) CommitCtx(ctx context.Context, token string, b []byte, expiry time.Time) error {
	hash := tokenHash(token)
	s := app.Session{Hash: hash, Seen: k.now(), Expires: expiry, Data: string(b)}
	if k.beginning(hash) {
		_, values, err := jsonCodec{}.Decode(b)
		if err != nil {
			return err
		}
		s.Person, _ = values["person"].(string)
		s.Created = s.Seen
		return k.to.BeginSession(ctx, s)
	}
	was, ok, err := k.to.Session(ctx, hash)
	if err == nil && ok && (was.Data != s.Data || s.Expires.Sub(was.Expires) >= sessionSeen) {
		err = k.to.ChangeSession(ctx, s)
	}
	if errors.Is(err, context.Canceled) {
		return nil // the browser has left; it was seen a moment ago
	}
	return err
}

// DeleteCtx is scs's way to end one.
func (k *keptSessions) DeleteCtx(ctx context.Context, token string) error {
	return k.to.EndSession(ctx, tokenHash(token))
}

// Find, Commit and Delete complete scs's interface.
func (k *keptSessions) Find(token string) ([]byte, bool, error) {
	return k.FindCtx(context.Background(), token)
}

// Commit is CommitCtx without a context.
func (k *keptSessions) Commit(token string, b []byte, expiry time.Time) error {
	return k.CommitCtx(context.Background(), token, b, expiry)
}

// Delete is DeleteCtx without a context.
func (k *keptSessions) Delete(token string) error {
	return k.DeleteCtx(context.Background(), token)
}

// memorySessions keeps sessions as long as the process runs: alone on a laptop,
// where they only carry messages.
type memorySessions struct {
	now func() time.Time
	mu  sync.Mutex
	by  map[string]app.Session
}

func (m *memorySessions) BeginSession(_ context.Context, s app.Session) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	for h, x := range m.by {
		if !x.Expires.After(m.now()) {
			delete(m.by, h)
		}
	}
	m.by[s.Hash] = s
	return nil
}

func (m *memorySessions) Session(_ context.Context, hash string) (app.Session, bool, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	s, ok := m.by[hash]
	return s, ok && s.Expires.After(m.now()), nil
}

func (m *memorySessions) ChangeSession(_ context.Context, s app.Session) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if was, ok := m.by[s.Hash]; ok {
		was.Seen, was.Expires, was.Data = s.Seen, s.Expires, s.Data
		m.by[s.Hash] = was
	}
	return nil
}

func (m *memorySessions) EndSession(_ context.Context, hash string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	delete(m.by, hash)
	return nil
}

func (m *memorySessions) EndSessions(_ context.Context, person, keep string) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	for h, x := range m.by {
		if x.Person == person && h != keep {
			delete(m.by, h)
		}
	}
	return nil
}

// begin gives the browser a new token; what was kept under the old one goes on
// under it.
func (s *Server) begin(ctx context.Context) error {
	if err := s.sessions.RenewToken(ctx); err != nil {
		return err
	}
	s.kept.begin(s.sessions.Token(ctx))
	return nil
}

// signOutPerson ends a person's sessions but the one whose token is kept.
func (s *Server) signOutPerson(ctx context.Context, person, keep string) error {
	if keep != "" {
		keep = tokenHash(keep)
	}
	return s.kept.to.EndSessions(ctx, person, keep)
}

// lost answers a request whose session could not be read or kept.
func (s *Server) lost(w http.ResponseWriter, r *http.Request, err error) {
	s.log.Error("sessions", slog.Any("err", err), about(r))
	s.down(w, r)
}

// actor is who asks. The second value is false for nobody.
func (s *Server) actor(r *http.Request) (app.Actor, bool) {
	if s.opt.Local {
		return app.Local(), true
	}
	if !seenOf(r).loaded { // before sessions are read, or because they could not be
		return app.Actor{}, false
	}
	id := s.sessions.GetString(r.Context(), "person")
	if id == "" {
		return app.Actor{}, false
	}
	return app.Actor{Person: id}, true
}

func (s *Server) putToast(r *http.Request, t toast) {
	b, err := json.Marshal(t)
	if err != nil {
		return
	}
	if s.sessions.Token(r.Context()) == "" {
		if err := s.begin(r.Context()); err != nil {
			return
		}
	}
	s.sessions.Put(r.Context(), "toast", string(b))
}

func (s *Server) takeToast(r *http.Request) *toast {
	var t toast
	if err := json.Unmarshal([]byte(s.sessions.PopString(r.Context(), "toast")), &t); err != nil {
		return nil
	}
	return &t
}
