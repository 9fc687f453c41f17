package web

import (
	"encoding/json"
	"net/http"
	"time"

	"github.com/alexedwards/scs/v2"

	"sapward/internal/app"
)

// Lifetimes of a session (program defaults): 12 hours in all covers a long
// working day, 2 hours without a request end it.
const (
	sessionLife = 12 * time.Hour
	sessionIdle = 2 * time.Hour
)

// sessions keeps sessions in memory: a restart signs everybody out, and no
// token is ever on the disk.
func sessions(o Options) *scs.SessionManager {
	m := scs.New()
	m.Lifetime, m.IdleTimeout = sessionLife, sessionIdle
	m.Cookie.Name = pick(o.TLS, "__Host-sapward", "sapward")
	m.Cookie.HttpOnly, m.Cookie.Secure, m.Cookie.SameSite, m.Cookie.Path = true, o.TLS, http.SameSiteLaxMode, "/"
	m.Cookie.Persist = false
	return m
}

// actor is who asks. The second value is false for nobody.
func (s *Server) actor(r *http.Request) (app.Actor, bool) {
	if s.opt.Local {
		return app.Local(), true
	}
	id := s.sessions.GetString(r.Context(), "person")
	if id == "" {
		return app.Actor{}, false
	}
	return app.Actor{Person: id}, true
}

func (s *Server) putToast(r *http.Request, t toast) {
	if b, err := json.Marshal(t); err == nil {
		s.sessions.Put(r.Context(), "toast", string(b))
	}
}

func (s *Server) takeToast(r *http.Request) *toast {
	var t toast
	if err := json.Unmarshal([]byte(s.sessions.PopString(r.Context(), "toast")), &t); err != nil {
		return nil
	}
	return &t
}
