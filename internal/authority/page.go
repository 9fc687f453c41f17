package authority

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"html/template"
	"net"
	"net/http"
	"slices"
	"strings"
	"sync"

	"golang.org/x/text/language"

	"sapward/finding"
	"sapward/internal/lang"
)

//go:embed trust.html trust.css
var files embed.FS

var trustPage = sync.OnceValues(func() (*template.Template, error) { return template.ParseFS(files, "trust.html") })

// Addresses of the page, the same on its own port and in the app.
const (
	PagePath        = "/trust"
	CertificatePath = "/trust/sapward-authority.crt"
	stylePath       = "/trust/trust.css"
)

// policy allows the page its own style sheet and nothing else.
const policy = "default-src 'none'; style-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// devices are the kinds of device the page leads through, in its order, each
// with what its browsers call it.
var devices = []struct{ ID, sign string }{{"android", "Android"}, {"ios", "iPhone"}, {"windows", "Windows"}, {"macos", "Macintosh"}, {"linux", "Linux"}}

// view is what the page shows.
type view struct {
	*lang.Printer
	Style, Certificate, File string
	Fingerprint              []string
	Name, Until              string
	Permitted                []string
	Apps                     []string
	Devices                  []device
	Plain                    bool
}

type device struct {
	ID    string
	Open  bool
	Steps []string // identifiers
}

// T and Say come from the printer; S says a message with one argument.
func (v view) S(id, name, value string) string {
	return v.Say(id, finding.Args{name: finding.Text(value)})
}

// steps is how many steps a device's list has.
var steps = map[string]int{"android": 4, "ios": 4, "windows": 4, "macos": 3, "linux": 3}

// Page serves the page that leads a person through trusting the authority, its
// style sheet and the authority's certificate, and nothing else. appPort is the
// port of the app, for the links at the end. On a port of its own it is reached
// without HTTPS: it holds nothing secret, and tells the reader to compare the
// fingerprint with the one on the crew lead's screen.
func (a *Authority) Page(appPort string) http.Handler {
	style, _ := files.ReadFile("trust.css")
	sum := sha256.Sum256(style)
	version := "?v=" + hex.EncodeToString(sum[:6])
	headers := func(f http.HandlerFunc) http.HandlerFunc {
		return func(w http.ResponseWriter, r *http.Request) {
			h := w.Header()
			h.Set("Content-Security-Policy", policy)
			h.Set("X-Content-Type-Options", "nosniff")
			h.Set("Referrer-Policy", "no-referrer")
			h.Set("Cache-Control", "no-store")
			f(w, r)
		}
	}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", headers(func(w http.ResponseWriter, r *http.Request) { http.Redirect(w, r, PagePath, http.StatusSeeOther) }))
	mux.HandleFunc("GET "+stylePath, headers(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "text/css; charset=utf-8")
		w.Header().Set("Cache-Control", "public, max-age=86400")
		_, _ = w.Write(style)
	}))
	mux.HandleFunc("GET "+CertificatePath, headers(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "application/x-x509-ca-cert")
		w.Header().Set("Content-Disposition", `attachment; filename="sapward-authority.crt"`)
		_, _ = w.Write(a.cert.Raw)
	}))
	mux.HandleFunc("GET "+PagePath, headers(func(w http.ResponseWriter, r *http.Request) {
		v := view{Printer: lang.New(asked(r), "metric"), Style: stylePath + version, Certificate: CertificatePath, File: "sapward-authority.crt",
			Fingerprint: a.Fingerprint(), Name: a.Name(), Until: a.Until().Format("2006-01-02"), Permitted: a.Permitted(), Plain: r.TLS == nil}
		for _, h := range a.Names() {
			if h != "localhost" && h != "127.0.0.1" && h != "::1" {
				v.Apps = append(v.Apps, "https://"+net.JoinHostPort(h, appPort)+"/")
			}
		}
		mine := ""
		for _, d := range devices {
			if mine == "" && (strings.Contains(r.UserAgent(), d.sign) || d.ID == "ios" && strings.Contains(r.UserAgent(), "iPad")) {
				mine = d.ID
			}
		}
		for _, d := range devices {
			x := device{ID: d.ID, Open: d.ID == mine}
			for i := range steps[d.ID] {
				x.Steps = append(x.Steps, "trust-"+d.ID+"-"+string(rune('1'+i)))
			}
			v.Devices = append(v.Devices, x)
		}
		var b bytes.Buffer
		t, err := trustPage()
		if err == nil {
			err = t.Execute(&b, v)
		}
		if err != nil {
			http.Error(w, "500", http.StatusInternalServerError)
			return
		}
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		w.Header().Set("Content-Language", v.Lang)
		_, _ = w.Write(b.Bytes())
	}))
	return mux
}

var tongues = language.NewMatcher([]language.Tag{language.English, language.Spanish})

// asked is the language of a request: chosen on the page, chosen in the app, or
// what the browser asks for.
func asked(r *http.Request) string {
	if l := r.URL.Query().Get("lang"); slices.Contains(lang.Languages, l) {
		return l
	}
	if c, err := r.Cookie("lang"); err == nil && slices.Contains(lang.Languages, c.Value) {
		return c.Value
	}
	tags, _, _ := language.ParseAcceptLanguage(r.Header.Get("Accept-Language"))
	_, i, _ := tongues.Match(tags...)
	return lang.Languages[i]
}
