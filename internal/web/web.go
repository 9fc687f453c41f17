// Package web is Sapward in the browser: pages rendered on the server, sign-in,
// and the rules of the web that keep them to their owner. It holds no rule of
// the domain; internal/app decides, internal/draw draws, internal/lang speaks.
package web

//go:generate go test . -run TestBundle_IsFresh -update

import (
	"errors"
	"html/template"
	"log/slog"
	"net/http"
	"strings"

	"sapward/finding"
)

// Options say how the pages are served.
type Options struct {
	Local   bool   // loopback only: no sign-in, whoever is at the machine is owner
	TLS     bool   // served over HTTPS: cookies are marked secure
	Version string // of the program
	Log     *slog.Logger
}

// Server answers the browser.
type Server struct {
	opt    Options
	log    *slog.Logger
	byName map[string]*asset
	byURL  map[string]*asset
	pages  map[string]*template.Template
}

// New returns the handler of all pages.
func New(o Options) (http.Handler, error) {
	s := &Server{opt: o, log: o.Log}
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	s.byName, s.byURL = assets()
	var err error
	if s.pages, err = pages(); err != nil {
		return nil, err
	}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /static/", s.serveStatic)
	mux.HandleFunc("POST /prefs", s.prefs)
	mux.HandleFunc("GET /about", s.about)
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) { s.fail(w, r, missingPage()) })
	cross := http.NewCrossOriginProtection()
	cross.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.fail(w, r, &finding.Fault{Class: finding.Denied, ID: "web-cross-site"})
	}))
	return s.secure(s.caught(s.ownHost(cross.Handler(bounded(mux))))), nil
}

func missingPage() *finding.Fault {
	return &finding.Fault{Class: finding.Missing, ID: "web-missing"}
}

// problem is what the error page shows.
type problem struct {
	Status int
	Lines  []string
	Next   string
	Word   string
}

// fail answers with what went wrong, in the reader's words, and where to go on.
func (s *Server) fail(w http.ResponseWriter, r *http.Request, err error) {
	v := s.view(r, "", "")
	var big *http.MaxBytesError
	if errors.As(err, &big) {
		err = &finding.Fault{Class: finding.BadInput, ID: "web-too-big", Args: argsOf("mb", int(big.Limit>>20))}
	}
	fs := finding.AsFaults(err)
	p := problem{Status: http.StatusInternalServerError, Next: "/estates"}
	for _, f := range fs {
		if f.Class == finding.Internal || f.Class == finding.Storage {
			s.log.Error("fault", slog.String("id", f.ID), slog.Any("cause", f.Cause), slog.String("path", r.URL.Path))
		}
		if f.Class == finding.Internal {
			f = &finding.Fault{Class: f.Class, ID: "web-internal"}
		}
		p.Status = f.HTTPStatus()
		p.Lines = append(p.Lines, v.Fault(f))
	}
	if big != nil {
		p.Status = http.StatusRequestEntityTooLarge
	}
	v.Title = v.T("web-error-" + statusWord(p.Status))
	v.D = p
	name := "layout"
	if r.Header.Get("HX-Request") == "true" {
		name = "problem"
	}
	s.write(w, r, p.Status, "error", name, v)
}

func statusWord(status int) string {
	switch status {
	case http.StatusNotFound:
		return "missing"
	case http.StatusForbidden, http.StatusUnauthorized:
		return "denied"
	case http.StatusConflict:
		return "conflict"
	case http.StatusTooManyRequests:
		return "busy"
	}
	if status < 500 {
		return "input"
	}
	return "internal"
}

// view gathers what every page needs of a request.
func (s *Server) view(r *http.Request, here, title string) *view {
	units := choice(r, "units", "metric", "us")
	v := &view{
		Printer: printer(languageOf(r), units), Units: units, Theme: choice(r, "theme", "auto", "light", "dark"),
		Here: here, Title: title, Path: r.URL.RequestURI(), Local: s.opt.Local, SignedIn: s.opt.Local, s: s,
	}
	if r.Method != http.MethodGet || strings.HasPrefix(v.Path, "/static/") {
		v.Path = "/estates"
	}
	return v
}

// Version is the program's version.
func (v *view) Version() string { return v.s.opt.Version }
