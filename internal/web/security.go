package web

import (
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"runtime/debug"
	"strings"

	"sapward/finding"
)

// policy allows what the program serves itself and nothing else: no script or
// style inside a page, no frame, no other host.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; font-src 'self'; connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"

// Limits of what a browser may send, in bytes.
const (
	MostForm   = 2 << 20  // a form, a card's text among them
	MostUpload = 32 << 20 // a table of trees; 100,000 rows of CSV are about 8 MB
)

// secure sets the headers of every answer.
func (s *Server) secure(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=(), payment=(), usb=()")
		if s.opt.TLS && s.opt.Trust == nil { // a local authority may have to be trusted anew, by a page without HTTPS on the same name
			h.Set("Strict-Transport-Security", "max-age=31536000")
		}
		if !strings.HasPrefix(r.URL.Path, "/static/") {
			h.Set("Cache-Control", "no-store")
		}
		next.ServeHTTP(w, r)
	})
}

// ownHost refuses a request that came to a loopback server under another name:
// a page elsewhere could point its own name at this machine (DNS rebinding).
func (s *Server) ownHost(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if s.opt.Local && !loopback(r.Host) {
			s.fail(w, r, &finding.Fault{Class: finding.Denied, ID: "web-host", Args: finding.Args{"host": finding.Text(r.Host)}})
			return
		}
		next.ServeHTTP(w, r)
	})
}

// loopback reports whether a Host header names this machine itself.
func loopback(host string) bool {
	name := host
	if h, _, err := net.SplitHostPort(host); err == nil {
		name = h
	}
	name = strings.TrimSuffix(strings.TrimPrefix(name, "["), "]")
	if strings.EqualFold(name, "localhost") {
		return true
	}
	ip := net.ParseIP(name)
	return ip != nil && ip.IsLoopback()
}

// bounded caps the body: a form by MostForm, an upload by MostUpload.
func bounded(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		most := int64(MostForm)
		if strings.HasPrefix(r.Header.Get("Content-Type"), "multipart/form-data") {
			most = MostUpload
		}
		r.Body = http.MaxBytesReader(w, r.Body, most)
		next.ServeHTTP(w, r)
	})
}

// caught turns a panic into an error page and a log line; the process goes on.
func (s *Server) caught(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		defer func() {
			if v := recover(); v != nil {
				if v == http.ErrAbortHandler {
					panic(v)
				}
				s.log.Error("panic", slog.Any("value", v), about(r), slog.String("stack", string(debug.Stack())))
				s.fail(w, r, &finding.Fault{Class: finding.Internal, ID: "internal"})
			}
		}()
		next.ServeHTTP(w, r)
	})
}

// home is a path of this program to go back to; anything else becomes /estates,
// so that nobody can be sent elsewhere.
func home(p string) string {
	u, err := url.Parse(p)
	if err != nil || u.IsAbs() || u.Host != "" || !strings.HasPrefix(p, "/") || strings.HasPrefix(p, "//") || strings.ContainsAny(p, "\\\r\n\t") {
		return "/estates"
	}
	return p
}
