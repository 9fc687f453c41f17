package api

import (
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"sync"
	"time"

	"golang.org/x/text/language"

	"sapward/finding"
	"sapward/internal/app"
	"sapward/internal/lang"
)

// Problem says what went wrong (RFC 9457).
type Problem struct {
	Type     string  `json:"type"`     // address on this server that explains the code
	Title    string  `json:"title"`    // of the status
	Status   int     `json:"status"`   // HTTP status
	Detail   string  `json:"detail"`   // what went wrong, in the language that was asked for
	Instance string  `json:"instance"` // what was asked for
	Code     string  `json:"code"`     // identifier: the same in every language and version
	Hint     string  `json:"hint,omitempty"`
	Errors   []Wrong `json:"errors"` // every fault, the first among them

	VersionGiven int `json:"version_given,omitempty"` // with 412: the version in If-Match
	VersionKept  int `json:"version_kept,omitempty"`  // with 412 or 409: the version that is kept
}

// Wrong is one fault.
type Wrong struct {
	Code    string     `json:"code"`
	Detail  string     `json:"detail"`
	Hint    string     `json:"hint,omitempty"`
	Pointer *string    `json:"pointer,omitempty"` // where in the JSON body (RFC 6901)
	Field   string     `json:"field,omitempty"`   // what it is about, where the place is not known
	Where   *PlaceFile `json:"where,omitempty"`
}

// PlaceFile is a place in a file that was sent.
type PlaceFile struct {
	File   string `json:"file,omitempty"`
	Line   int    `json:"line,omitempty"`   // from 1
	Column int    `json:"column,omitempty"` // from 1
}

// statuses are those that HTTP has for a fault beside that of its class.
var statuses = map[string]int{
	"token-needed": http.StatusUnauthorized, "token-unknown": http.StatusUnauthorized, "token-expired": http.StatusUnauthorized,
	"request-key-used": http.StatusUnprocessableEntity, "request-under-way": http.StatusConflict, "request-taken-over": http.StatusConflict,
	"api-match-needed": http.StatusPreconditionRequired, "api-match-stale": http.StatusPreconditionFailed,
	"api-media": http.StatusUnsupportedMediaType, "api-method": http.StatusMethodNotAllowed, "api-too-often": http.StatusTooManyRequests, "web-too-big": http.StatusRequestEntityTooLarge, "web-away": http.StatusServiceUnavailable,
}

func statusOf(f *finding.Fault) int {
	if s, ok := statuses[f.ID]; ok {
		return s
	}
	return f.HTTPStatus()
}

var printers sync.Map

// printer speaks the language that a request asks for, in metric units.
func printer(r *http.Request) *lang.Printer {
	tag, _ := language.MatchStrings(matcher, r.Header.Get("Accept-Language"))
	base, _ := tag.Base()
	l := base.String()
	if l != "es" {
		l = "en"
	}
	if p, ok := printers.Load(l); ok {
		return p.(*lang.Printer)
	}
	p, _ := printers.LoadOrStore(l, lang.New(l, "metric"))
	return p.(*lang.Printer)
}

var matcher = language.NewMatcher([]language.Tag{language.English, language.Spanish})

// Fail answers with what went wrong. A fault of the program or its store shows no
// cause; that goes to the log.
func (h *Handler) Fail(w http.ResponseWriter, r *http.Request, err error) {
	say := printer(r)
	var big *http.MaxBytesError
	if errors.As(err, &big) {
		err = &finding.Fault{Class: finding.BadInput, ID: "web-too-big", Args: finding.Args{"mb": finding.Count(int(big.Limit >> 20))}}
	}
	var places inBodies
	errors.As(err, &places)
	p := Problem{Status: http.StatusInternalServerError, Instance: r.URL.Path, Errors: []Wrong{}}
	for i, f := range finding.AsFaults(err) {
		switch {
		case errors.Is(err, context.Canceled):
			f = &finding.Fault{Class: finding.Internal, ID: "web-internal"}
		case f.Class == finding.Internal:
			h.log.Error("fault", slog.String("id", f.ID), slog.Any("cause", f.Cause), slog.String("route", r.Pattern))
			f = &finding.Fault{Class: f.Class, ID: "web-internal"}
		case f.ID == "database-away": // the caller comes again in a moment
			h.log.Warn("the database does not answer", slog.Any("cause", f.Cause), slog.String("route", r.Pattern))
			w.Header().Set("Retry-After", "5")
			f = &finding.Fault{Class: f.Class, ID: "web-away"}
		case f.Class == finding.Storage:
			h.log.Error("fault", slog.String("id", f.ID), slog.Any("cause", f.Cause), slog.String("route", r.Pattern))
			if f.ID != "store-full" && f.ID != "store-read-only" {
				f = &finding.Fault{Class: f.Class, ID: "web-storage"}
			}
		case f.Class == finding.Denied:
			h.log.Warn("denied", slog.String("id", f.ID), slog.String("route", r.Pattern))
		}
		x := h.wrong(say, f)
		if len(places) > i {
			x.Pointer = &places[i].pointer
		}
		if i == 0 {
			p.Status, p.Code, p.Detail, p.Hint = statusOf(f), x.Code, x.Detail, x.Hint
		}
		p.Errors = append(p.Errors, x)
	}
	var c *app.Conflict
	if errors.As(err, &c) {
		p.VersionKept = c.Theirs.Version
	}
	var s *stale
	if errors.As(err, &s) {
		p.Status, p.VersionGiven, p.VersionKept = http.StatusPreconditionFailed, s.given, s.kept
		h.etag(w, s.kept)
	}
	var wait *waiting
	if errors.As(err, &wait) {
		w.Header().Set("Retry-After", strconv.Itoa(max(1, int((wait.for_+time.Second-1)/time.Second))))
	}
	p.Type, p.Title = Root+"problems/"+url.PathEscape(p.Code), say.T("api-status-"+strconv.Itoa(p.Status))
	if p.Status == http.StatusUnauthorized {
		w.Header().Set("WWW-Authenticate", `Bearer realm="sapward"`)
	}
	w.Header().Set("Content-Language", say.Lang)
	write(w, p.Status, "application/problem+json", p)
}

func (h *Handler) wrong(say *lang.Printer, f *finding.Fault) Wrong {
	x := Wrong{Code: f.ID}
	x.Detail, x.Hint = say.Sentence(f)
	if say.Has("web-mend-" + f.ID) {
		x.Hint = say.Say("web-mend-"+f.ID, f.Args)
	}
	if say.Has("api-mend-" + f.ID) {
		x.Hint = say.Say("api-mend-"+f.ID, f.Args)
	}
	if v, ok := f.Args["field_by"]; ok && v.IsText {
		x.Field = strings.TrimPrefix(v.Text, "field-")
	}
	if f.Where != (finding.Where{}) {
		x.Where = &PlaceFile{f.Where.File, f.Where.Line, f.Where.Column}
	}
	return x
}

// stale is a conflict with the version that If-Match named.
type stale struct {
	given, kept int
	err         error
}

func (s *stale) Error() string { return s.err.Error() }

// Unwrap gives the fault that says so.
func (s *stale) Unwrap() error {
	return &finding.Fault{Class: finding.Conflict, ID: "api-match-stale", Args: finding.Args{"given": finding.Count(s.given), "kept": finding.Count(s.kept)}}
}

// waiting is a fault that passes.
type waiting struct {
	*finding.Fault
	for_ time.Duration
}

// Unwrap gives the fault.
func (w *waiting) Unwrap() error { return w.Fault }

// write writes JSON.
func write(w http.ResponseWriter, status int, media string, v any) {
	data, err := json.Marshal(v)
	if err != nil {
		http.Error(w, http.StatusText(http.StatusInternalServerError), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", media)
	w.Header().Set("Content-Length", strconv.Itoa(len(data)+1))
	w.WriteHeader(status)
	_, _ = w.Write(append(data, '\n'))
}

// explain tells in words what a code of a problem means.
func (h *Handler) explain(w http.ResponseWriter, r *http.Request) {
	code := r.PathValue("code")
	say := printer(r)
	if _, known := lang.Messages()[code]; !known || strings.HasPrefix(code, "web-") && code != "web-internal" && code != "web-storage" && code != "web-away" && code != "web-too-big" {
		h.Fail(w, r, &finding.Fault{Class: finding.Missing, ID: "web-missing"})
		return
	}
	x := h.wrong(say, &finding.Fault{ID: code})
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Content-Language", say.Lang)
	_, _ = w.Write([]byte(code + "\n\n" + x.Detail + "\n" + x.Hint + "\n"))
}
