package web

import (
	"bytes"
	"compress/gzip"
	"embed"
	"errors"
	"fmt"
	"html/template"
	"log/slog"
	"net/http"
	"slices"
	"strings"
	"time"
	"unicode"

	"golang.org/x/text/language"

	"sapward/finding"
	"sapward/internal/app"
	"sapward/internal/draw"
	"sapward/internal/lang"
)

//go:embed templates
var templateFiles embed.FS

// crumb is one step of the trail above a page's title.
type crumb struct{ Text, Href string }

// toast says what has just been done; Undo, where not empty, is the event that
// one press takes back.
type toast struct{ Text, Undo, Back string }

// view is what every template sees. D is the page's own part.
type view struct {
	*lang.Printer
	Title, Sub string
	Here       string // of the navigation
	Trail      []crumb
	Units      string
	Theme      string
	Path       string
	Who        string
	Local      bool
	SignedIn   bool
	Toast      *toast
	Zone       *time.Location
	D          any
	s          *Server
	r          *http.Request
	actor      app.Actor
	names      map[string]string
}

// S says a message with arguments given as name, value, name, value.
func (v *view) S(id string, pairs ...any) string { return v.Say(id, argsOf(pairs...)) }

// L is T as a label: with a capital first letter.
func (v *view) L(id string) string {
	r := []rune(v.T(id))
	if len(r) > 0 {
		r[0] = unicode.ToUpper(r[0])
	}
	return string(r)
}

func argsOf(pairs ...any) finding.Args {
	args := finding.Args{}
	for i := 0; i+1 < len(pairs); i += 2 {
		name, _ := pairs[i].(string)
		switch x := pairs[i+1].(type) {
		case finding.Value:
			args[name] = x
		case int:
			args[name] = finding.Count(x)
		case int64:
			args[name] = finding.Number(float64(x), "")
		case float64:
			args[name] = finding.Number(x, "")
		default:
			args[name] = finding.Text(fmt.Sprint(x))
		}
	}
	return args
}

// Asset is the address of a static file.
func (v *view) Asset(name string) string {
	if a := v.s.byName[name]; a != nil {
		return a.url
	}
	return "/static/" + name
}

// Time writes an instant in the estate's zone.
func (v *view) Time(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	if v.Zone != nil {
		t = t.In(v.Zone)
	}
	return t.Format("2006-01-02 15:04 MST")
}

// Day writes the date of an instant in the estate's zone.
func (v *view) Day(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	if v.Zone != nil {
		t = t.In(v.Zone)
	}
	return t.Format("2006-01-02")
}

// Fig writes a figure with at most so many decimals.
func (v *view) Fig(x float64, decimals int) string { return lang.Figure(x, decimals) }

// Picture is a drawing inside the page; a drawing that cannot be made says so.
func (v *view) Picture(sc draw.Scene, err error) template.HTML {
	if err != nil {
		return template.HTML(`<p class="hint">` + template.HTMLEscapeString(v.T("web-no-picture")) + `</p>`) //nolint:gosec // escaped
	}
	return template.HTML(sc.SVGInline()) //nolint:gosec // the drawing escapes its own texts
}

// Two widths of a drawing, in px: for a desk and for a phone.
const (
	wideDrawing   = 860
	narrowDrawing = 330
)

// Pair is a drawing in two widths; the style sheet shows the one that fits, so
// that its letters keep their size on a phone.
func (v *view) Pair(id string, make func(id string, width float64) (draw.Scene, error)) template.HTML {
	wide, err := make(id, wideDrawing)
	narrow, narrowErr := make(id+"n", narrowDrawing)
	if err != nil || narrowErr != nil {
		v.s.log.Error("drawing", slog.String("id", id), slog.Any("err", err), slog.Any("narrow", narrowErr))
		return v.Picture(wide, errors.Join(err, narrowErr))
	}
	return `<div class="at-desk">` + v.Picture(wide, nil) + `</div><div class="on-phone">` + v.Picture(narrow, nil) + `</div>`
}

// On reports whether two values print the same: which choice is on.
func (v *view) On(a, b any) bool { return fmt.Sprint(a) == fmt.Sprint(b) }

// With gives a part of a page its own data.
func (v *view) With(d any) *view {
	w := *v
	w.D = d
	return &w
}

// Dict gathers named values for a part of a page.
func (v *view) Dict(pairs ...any) map[string]any {
	m := map[string]any{}
	for i := 0; i+1 < len(pairs); i += 2 {
		m[fmt.Sprint(pairs[i])] = pairs[i+1]
	}
	return m
}

// pages holds a template set for each page: the layout, the shared parts and
// the page itself.
func pages() (map[string]*template.Template, error) {
	shared := template.New("").Funcs(template.FuncMap{
		"list":  func(xs ...any) []any { return xs },
		"join":  strings.Join,
		"lower": strings.ToLower,
		"add":   func(a, b int) int { return a + b },
		"pick":  func(on bool, a, b string) string { return pick(on, a, b) },
	})
	shared, err := shared.ParseFS(templateFiles, "templates/layout.html", "templates/parts.html")
	if err != nil {
		return nil, err
	}
	entries, err := templateFiles.ReadDir("templates")
	if err != nil {
		return nil, err
	}
	out := map[string]*template.Template{}
	for _, e := range entries {
		name := e.Name()
		if name == "layout.html" || name == "parts.html" {
			continue
		}
		t, err := shared.Clone()
		if err != nil {
			return nil, err
		}
		if t, err = t.ParseFS(templateFiles, "templates/"+name); err != nil {
			return nil, err
		}
		out[strings.TrimSuffix(name, ".html")] = t
	}
	return out, nil
}

// show writes a whole page.
func (s *Server) show(w http.ResponseWriter, r *http.Request, status int, page string, v *view) {
	s.write(w, r, status, page, "layout", v)
}

// part writes a piece of a page, for htmx to put in place.
func (s *Server) part(w http.ResponseWriter, r *http.Request, status int, page, name string, v *view) {
	s.write(w, r, status, page, name, v)
}

func (s *Server) write(w http.ResponseWriter, r *http.Request, status int, page, name string, v *view) {
	var b bytes.Buffer
	t := s.pages[page]
	if t == nil {
		s.log.Error("no such page", slog.String("page", page))
		http.Error(w, "500", http.StatusInternalServerError)
		return
	}
	if err := t.ExecuteTemplate(&b, name, v); err != nil {
		s.log.Error("page", slog.String("page", page), slog.Any("err", err))
		if page == "error" {
			http.Error(w, "500", http.StatusInternalServerError)
			return
		}
		s.fail(w, r, &finding.Fault{Class: finding.Internal, ID: "internal", Cause: err})
		return
	}
	h := w.Header()
	h.Set("Content-Type", "text/html; charset=utf-8")
	h.Set("Content-Language", v.Lang)
	h.Add("Vary", "Accept-Encoding, Cookie, Accept-Language, HX-Request")
	if b.Len() > 1400 && strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		h.Set("Content-Encoding", "gzip")
		w.WriteHeader(status)
		z, _ := gzip.NewWriterLevel(w, gzip.BestSpeed)
		_, _ = z.Write(b.Bytes())
		_ = z.Close()
		return
	}
	w.WriteHeader(status)
	_, _ = w.Write(b.Bytes())
}

var tongues = language.NewMatcher([]language.Tag{language.English, language.Spanish})

// asked is the language the browser asks for.
func asked(r *http.Request) string {
	tags, _, _ := language.ParseAcceptLanguage(r.Header.Get("Accept-Language"))
	_, i, _ := tongues.Match(tags...)
	return lang.Languages[i]
}

// cookie is what a person chose in this browser, or nothing.
func cookie(r *http.Request, name string, allowed ...string) string {
	if c, err := r.Cookie(name); err == nil && slices.Contains(allowed, c.Value) {
		return c.Value
	}
	return ""
}

func orElse(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

// prefs keeps language, units and scheme of one browser.
func (s *Server) prefs(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		s.fail(w, r, err)
		return
	}
	for name, allowed := range map[string][]string{"lang": lang.Languages, "units": {"metric", "us"}, "theme": {"auto", "light", "dark"}} {
		if value := r.PostFormValue(name); slices.Contains(allowed, value) {
			http.SetCookie(w, &http.Cookie{Name: name, Value: value, Path: "/", MaxAge: 365 * 86400, HttpOnly: true, Secure: s.opt.TLS, SameSite: http.SameSiteLaxMode})
		}
	}
	http.Redirect(w, r, home(r.PostFormValue("back")), http.StatusSeeOther)
}
