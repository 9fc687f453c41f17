package web

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"log/slog"
	"net"
	"net/http"
	"strconv"
	"strings"
	"time"

	"sapward/finding"
	"sapward/internal/api"
	"sapward/internal/metrics"
)

// seen is what is known of a request while it is answered. It never holds a
// path, a query or a name: the pattern of the route stands for them.
type seen struct {
	id     string
	route  string
	loaded bool // its session could be read
}

type seenKey struct{}

func seenOf(r *http.Request) *seen {
	if s, ok := r.Context().Value(seenKey{}).(*seen); ok {
		return s
	}
	return &seen{}
}

// counts are what a server counts.
type counts struct {
	requests *metrics.Counter
	seconds  *metrics.Histogram
	busy     *metrics.Gauge
	boards   *metrics.Gauge
	notes    *metrics.Counter
	refused  *metrics.Counter
}

func newCounts(r *metrics.Registry) counts {
	return counts{
		requests: r.Counter("sapward_http_requests", "Requests answered, by the pattern of their route and their status.", "route", "status"),
		seconds:  r.Histogram("sapward_http_request_seconds", "Time from a request to the end of its answer, by the pattern of its route; live boards are left out.", []float64{0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10, 30}, "route"),
		busy:     r.Gauge("sapward_http_requests_open", "Requests being answered, live boards among them."),
		boards:   r.Gauge("sapward_boards_open", "Live boards that are open."),
		notes:    r.Counter("sapward_phone_notes", "Notes that phones sent, by what became of them: confirmed or refused.", "outcome"),
		refused:  r.Counter("sapward_tries_refused", "Requests refused because of too many tries, by what was tried.", "what"),
	}
}

// observed gives a request its number, counts it and writes it down.
func (s *Server) observed(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		begin := time.Now()
		var id [8]byte
		_, _ = rand.Read(id[:])
		x := &seen{id: hex.EncodeToString(id[:]), route: "none"}
		w.Header().Set("X-Request-Id", x.id)
		out := &answer{ResponseWriter: w}
		s.counts.busy.Add(1)
		defer func() {
			s.counts.busy.Add(-1)
			status := out.status
			broken := recover()
			if status == 0 {
				status = http.StatusOK
			}
			took := time.Since(begin)
			s.counts.requests.Add(1, x.route, strconv.Itoa(status))
			if x.route != liveRoute {
				s.counts.seconds.Observe(took.Seconds(), x.route)
			}
			level := slog.LevelInfo
			if s.opt.Local || quiet(x.route) {
				level = slog.LevelDebug
			}
			s.log.LogAttrs(r.Context(), level, "request", slog.String("route", x.route), slog.Int("status", status), slog.Int64("bytes", out.bytes), slog.Float64("ms", float64(took.Microseconds())/1000), slog.String("request", x.id))
			if broken != nil {
				panic(broken)
			}
		}()
		next.ServeHTTP(out, r.WithContext(context.WithValue(r.Context(), seenKey{}, x)))
	})
}

// liveRoute stays open as long as somebody looks.
const liveRoute = "GET " + api.Root + "days/{id}/events"

// quiet are routes that a line each says nothing of.
func quiet(route string) bool {
	return strings.HasPrefix(route, "GET /static/") || strings.HasPrefix(route, "GET /phone/{") || route == "GET /healthz" || route == "GET /readyz"
}

// routed notes the pattern of the route and that the session was read.
func routed(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		x := seenOf(r)
		x.loaded = true
		defer func() {
			if r.Pattern != "" {
				x.route = r.Pattern
			}
		}()
		next.ServeHTTP(w, r)
	})
}

// answer counts what is sent.
type answer struct {
	http.ResponseWriter
	status int
	bytes  int64
}

func (a *answer) WriteHeader(status int) {
	if a.status == 0 || a.status < 200 {
		a.status = status
	}
	a.ResponseWriter.WriteHeader(status)
}

func (a *answer) Write(b []byte) (int, error) {
	if a.status == 0 {
		a.status = http.StatusOK
	}
	n, err := a.ResponseWriter.Write(b)
	a.bytes += int64(n)
	return n, err
}

// Unwrap lets http.ResponseController find what is below.
func (a *answer) Unwrap() http.ResponseWriter { return a.ResponseWriter }

// about says in a log which request it was.
func about(r *http.Request) slog.Attr {
	x := seenOf(r)
	route := x.route
	if r.Pattern != "" {
		route = r.Pattern
	}
	return slog.Group("", slog.String("route", route), slog.String("request", x.id))
}

// from is the address of a request for a log, or nothing where addresses are
// not written down.
func (s *Server) from(r *http.Request) slog.Attr {
	if !s.opt.LogAddresses {
		return slog.Attr{}
	}
	return slog.String("address", clientOf(r))
}

// behind takes the address of a request from the last entry of a header, which
// is the one that the proxy in front has written itself.
func (s *Server) behind(next http.Handler) http.Handler {
	if s.opt.ProxyHeader == "" {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		list := strings.Split(strings.Join(r.Header.Values(s.opt.ProxyHeader), ","), ",")
		if ip := net.ParseIP(strings.Trim(strings.TrimSpace(list[len(list)-1]), "[]")); ip != nil {
			r = r.Clone(r.Context())
			r.RemoteAddr = net.JoinHostPort(ip.String(), "0")
		}
		next.ServeHTTP(w, r)
	})
}

// healthz says that the process answers; readyz that it can work: the database
// answers, its tables are up to date, and it takes writing. What is wrong stands
// in the log only.
func (s *Server) healthz(w http.ResponseWriter, _ *http.Request) { plain(w, http.StatusOK, "ok") }

func (s *Server) readyz(w http.ResponseWriter, r *http.Request) {
	if s.isReady(r.Context()) {
		plain(w, http.StatusOK, "ready")
		return
	}
	w.Header().Set("Retry-After", retryAfter)
	plain(w, http.StatusServiceUnavailable, "not ready")
}

func plain(w http.ResponseWriter, status int, text string) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.WriteHeader(status)
	_, _ = w.Write([]byte(text + "\n"))
}

// readyKept is how long an answer of readyz is kept, so that asking is cheap.
const readyKept = time.Second

// isReady reports whether the server can work. It is false from the moment that
// it is to stop.
func (s *Server) isReady(ctx context.Context) bool {
	if s.stopping() {
		return false
	}
	if s.opt.Ready == nil {
		return true
	}
	s.ready.Lock()
	defer s.ready.Unlock()
	if time.Since(s.readyAt) < readyKept {
		return s.readyErr == nil
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	err := s.opt.Ready(ctx)
	if err != nil && s.readyErr == nil {
		s.log.Error("not ready", slog.Any("cause", err))
	} else if err == nil && s.readyErr != nil {
		s.log.Info("ready again")
	}
	s.readyErr, s.readyAt = err, time.Now()
	return err == nil
}

func (s *Server) stopping() bool {
	select {
	case <-s.opt.Stopping:
		return true
	default:
		return false
	}
}

// retryAfter is how many seconds a browser or phone is asked to wait.
const retryAfter = "5"

// away reports that the database did not answer.
func away(fs finding.Faults) bool {
	for _, f := range fs {
		if f.ID == "database-away" {
			return true
		}
	}
	return false
}

// down answers a request that could not be worked on because the database does
// not answer: in JSON where that is what was asked for, else as a page.
func (s *Server) down(w http.ResponseWriter, r *http.Request) {
	if s.api != nil && strings.HasPrefix(r.URL.Path, api.Root) {
		s.api.Fail(w, r, &finding.Fault{Class: finding.Storage, ID: "database-away"})
		return
	}
	h := w.Header()
	h.Set("Retry-After", retryAfter)
	v := s.view(r, "", "")
	lines := []string{v.Fault(&finding.Fault{Class: finding.Storage, ID: "web-away"})}
	if strings.HasPrefix(r.URL.Path, "/phone/") && r.URL.Path != "/phone/" || strings.Contains(r.Header.Get("Accept"), "json") {
		data, _ := json.Marshal(map[string]any{"type": "about:blank", "title": v.T("web-error-away"), "status": http.StatusServiceUnavailable, "detail": lines[0], "faults": []phoneFault{{ID: "web-away"}}})
		h.Set("Content-Type", "application/problem+json")
		w.WriteHeader(http.StatusServiceUnavailable)
		_, _ = w.Write(data)
		return
	}
	v.Title, v.D = v.T("web-error-away"), problem{Status: http.StatusServiceUnavailable, Lines: lines, Next: home(v.Path)}
	s.write(w, r, http.StatusServiceUnavailable, "error", pick(r.Header.Get("HX-Request") == "true", "problem", "layout"), v)
}
