// Package api is the documented HTTP interface of the app for programs: one table
// of operations from which the router and the OpenAPI document are made. It holds
// no rule of the domain and none of who may do what; internal/app decides.
package api

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"mime"
	"net"
	"net/http"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/go-chi/httprate"

	"sapward/finding"
	"sapward/internal/app"
)

// Root is where the interface lies.
const Root = "/api/v1/"

// Limits of asking (program defaults).
const (
	AskingsByToken = 600 // a minute, by token; by person for a browser
	WrongByAddress = 30  // tokens that are none, in five minutes, by network address
)

// Options say how the interface is served.
type Options struct {
	App     *app.App
	Local   bool                                    // loopback only: whoever is at the machine is owner
	Session func(r *http.Request) (app.Actor, bool) // who is signed in with a browser; nil: nobody
	Address func(r *http.Request) string            // where a request came from; nil: its peer
	Tables  app.ExportWriter                        // nil: no export
	Log     *slog.Logger                            // nil: none
	Version string                                  // of the program
	Askings int                                     // 0: AskingsByToken

	// Counter counts askings where every server counts; nil, or one that returns
	// nil: each server counts its own.
	Counter   func(what string) httprate.LimitCounter
	Stopping  <-chan struct{} // closed when the server is to stop: streams of news end
	Listening func(n int)     // told of streams of news that begin (1) and end (-1); nil: nobody
}

// Handler answers programs.
type Handler struct {
	opt      Options
	app      *app.App
	log      *slog.Logger
	mux      *http.ServeMux
	document []byte
	often    *httprate.RateLimiter
	wrongs   *httprate.RateLimiter
}

// New returns the interface over the use cases.
func New(o Options) (*Handler, error) {
	h := &Handler{opt: o, app: o.App, log: o.Log, mux: http.NewServeMux()}
	if h.log == nil {
		h.log = slog.New(slog.DiscardHandler)
	}
	if h.opt.Address == nil {
		h.opt.Address = func(r *http.Request) string {
			if host, _, err := net.SplitHostPort(r.RemoteAddr); err == nil {
				return host
			}
			return r.RemoteAddr
		}
	}
	if o.Askings == 0 {
		o.Askings = AskingsByToken
	}
	h.often = h.limiter("api", o.Askings, time.Minute)
	h.wrongs = h.limiter("api token", WrongByAddress, 5*time.Minute)
	var err error
	if h.document, err = Document(o.Version); err != nil {
		return nil, err
	}
	for _, op := range operations() {
		h.mux.HandleFunc(op.method+" "+Root+op.path, h.answer(op))
	}
	h.mux.HandleFunc("/", h.nowhere)
	return h, nil
}

// nowhere answers at an address, or with a method, that there is not.
func (h *Handler) nowhere(w http.ResponseWriter, r *http.Request) {
	var methods []string
	for _, m := range []string{http.MethodGet, http.MethodPost, http.MethodPut, http.MethodDelete} {
		other := r.Clone(r.Context())
		other.Method = m
		if _, pattern := h.mux.Handler(other); pattern != "/" {
			methods = append(methods, m)
		}
	}
	if methods == nil {
		h.Fail(w, r, &finding.Fault{Class: finding.Missing, ID: "api-address"})
		return
	}
	list := strings.Join(methods, ", ")
	w.Header().Set("Allow", list)
	h.Fail(w, r, &finding.Fault{Class: finding.Usage, ID: "api-method", Args: finding.Args{"methods": finding.Text(list)}})
}

// limiter bounds how often something is asked.
func (h *Handler) limiter(what string, most int, in time.Duration) *httprate.RateLimiter {
	o := []httprate.Option{httprate.WithResponseHeaders(httprate.ResponseHeaders{RetryAfter: "Retry-After"})}
	if h.opt.Counter != nil {
		if c := h.opt.Counter(what); c != nil {
			o = append(o, httprate.WithLimitCounter(c))
		}
	}
	return httprate.NewRateLimiter(most, in, o...)
}

// IsBearer reports that a request brings a token of its own, so that no cookie
// speaks for it.
func IsBearer(r *http.Request) bool { return r.Header.Get("Authorization") != "" }

// ServeHTTP answers a request.
func (h *Handler) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Cache-Control", "private, no-cache")
	w.Header().Set("Vary", "Authorization, Accept-Language, Cookie")
	defer func() {
		if v := recover(); v != nil {
			if v == http.ErrAbortHandler {
				panic(v)
			}
			h.log.Error("panic", slog.Any("value", v), slog.String("route", r.Pattern), slog.String("stack", string(debug.Stack())))
			h.Fail(w, r, &finding.Fault{Class: finding.Internal, ID: "internal"})
		}
	}()
	h.mux.ServeHTTP(w, r)
}

// who tells who asks.
func (h *Handler) who(w http.ResponseWriter, r *http.Request) (app.Actor, error) {
	if !IsBearer(r) {
		if h.opt.Local {
			return app.Local(), h.ownHeader(r)
		}
		if h.opt.Session != nil {
			if a, ok := h.opt.Session(r); ok {
				return a, h.ownHeader(r)
			}
		}
		return app.Actor{}, &finding.Fault{Class: finding.Denied, ID: "token-needed"}
	}
	from := h.opt.Address(r)
	scheme, token, _ := strings.Cut(r.Header.Get("Authorization"), " ")
	a, err := app.Actor{}, error(&finding.Fault{Class: finding.Denied, ID: "token-unknown"})
	if strings.EqualFold(scheme, "Bearer") {
		a, err = h.app.Bearer(r.Context(), app.Actor{}, strings.TrimSpace(token))
	}
	if err == nil && a.Local && !h.opt.Local { // made alone on a laptop: no person here answers for it
		err = &finding.Fault{Class: finding.Denied, ID: "token-unknown"}
	}
	if err != nil && finding.AsFaults(err)[0].Class == finding.Denied && h.wrongs.OnLimit(quiet{w}, r, from) {
		return app.Actor{}, h.tooOften(w)
	}
	return a, err
}

// quiet takes the headers of a limiter and nothing else.
type quiet struct{ http.ResponseWriter }

func (quiet) WriteHeader(int)             {}
func (quiet) Write(p []byte) (int, error) { return len(p), nil }

func (h *Handler) tooOften(w http.ResponseWriter) error {
	wait := 60
	if n, err := strconv.Atoi(w.Header().Get("Retry-After")); err == nil {
		wait = n
	}
	return &waiting{&finding.Fault{Class: finding.Denied, ID: "api-too-often", Args: finding.Args{"seconds": finding.Count(wait)}}, time.Duration(wait) * time.Second}
}

// ownHeader asks a browser's write for a header that no page of another site can
// send unasked.
func (h *Handler) ownHeader(r *http.Request) error {
	if r.Method == http.MethodGet || r.Method == http.MethodHead || r.Header.Get("X-Sapward") == "1" {
		return nil
	}
	return &finding.Fault{Class: finding.Denied, ID: "api-own-header"}
}

// answer runs one operation.
func (h *Handler) answer(o *op) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if err := h.run(o, w, r); err != nil {
			h.Fail(w, r, err)
		}
	}
}

func (h *Handler) run(o *op, w http.ResponseWriter, r *http.Request) error {
	c := &call{h: h, op: o, r: r, ctx: r.Context(), query: r.URL.Query(), say: printer(r)}
	if !o.open {
		var err error
		if c.actor, err = h.who(w, r); err != nil {
			return err
		}
		if h.often.OnLimit(quiet{w}, r, orElse(c.actor.Token, c.actor.Person)) {
			return h.tooOften(w)
		}
	}
	if err := c.checkQuery(); err != nil {
		return err
	}
	if o.match {
		if err := c.readMatch(); err != nil {
			return err
		}
	}
	if o.method != http.MethodGet {
		if err := c.readBody(w); err != nil {
			return err
		}
	}
	key := r.Header.Get("Idempotency-Key")
	if o.method != http.MethodPost || key == "" {
		if o.makes {
			return &finding.Fault{Class: finding.Usage, ID: "request-key-needed"}
		}
		out, err := c.run()
		if err != nil {
			return err
		}
		return h.give(o, w, r, out)
	}
	return h.once(c, w, key)
}

// run runs the operation; a conflict with the version that was named is told as
// such.
func (c *call) run() (*reply, error) {
	out, err := c.op.run(c)
	var x *app.Conflict
	if c.op.match && errors.As(err, &x) && x.Theirs.Version != c.version {
		return nil, &stale{c.version, x.Theirs.Version, err}
	}
	return out, err
}

// once runs a request that names a key at most once, whatever happens between.
func (h *Handler) once(c *call, w http.ResponseWriter, key string) error {
	sum := sha256.New()
	for _, s := range []string{c.r.Method, c.r.URL.Path, c.query.Encode(), c.r.Header.Get("Content-Type"), c.r.Header.Get("If-Match"), string(c.body)} {
		sum.Write([]byte(strconv.Itoa(len(s)) + ":" + s))
	}
	b, err := h.app.Began(c.ctx, c.actor, key, hex.EncodeToString(sum.Sum(nil)))
	if err != nil {
		return err
	}
	switch {
	case b.Answer != "":
		return again(w, b.Answer)
	case b.Act != "" && c.op.again != nil: // kept, and the answer was lost
		events, err := h.app.Kept(c.ctx, c.actor, b.Act)
		if err != nil {
			return err
		}
		if len(events) == 0 {
			return &finding.Fault{Class: finding.Missing, ID: "app-missing", Args: finding.Args{"what_by": finding.Text("kind-act")}}
		}
		out, err := c.op.again(c, events)
		if err != nil {
			return err
		}
		return h.keep(c, w, b.Mark, out)
	case b.Act != "":
		return &finding.Fault{Class: finding.Conflict, ID: "request-kept", Args: finding.Args{"act": finding.Text(b.Act)}}
	case !b.Mine:
		return &waiting{&finding.Fault{Class: finding.Conflict, ID: "request-under-way"}, b.Waiting}
	}
	done := false
	defer func() { // after a panic too; what was kept stays kept
		if !done {
			_ = h.app.Freed(context.WithoutCancel(c.ctx), c.actor, b.Mark)
		}
	}()
	c.ctx = app.Marked(c.ctx, b.Mark)
	out, err := c.run()
	if err != nil {
		return err
	}
	done = true
	return h.keep(c, w, b.Mark, out)
}

// given is an answer as it is kept for the next try.
type given struct {
	Status   int             `json:"status"`
	ETag     string          `json:"etag,omitempty"`
	Location string          `json:"location,omitempty"`
	Body     json.RawMessage `json:"body"`
}

// keep keeps an answer and gives it.
func (h *Handler) keep(c *call, w http.ResponseWriter, m app.Mark, out *reply) error {
	body, err := json.Marshal(out.body)
	if err != nil {
		return err
	}
	g := given{c.op.status, tagOf(out.version), out.location, body}
	data, err := json.Marshal(g)
	if err != nil {
		return err
	}
	if err := h.app.Answered(context.WithoutCancel(c.ctx), c.actor, m, string(data)); err != nil {
		h.log.Error("answer", slog.Any("err", err)) // it can be made again from what was kept
	}
	g.write(w)
	return nil
}

func (g given) write(w http.ResponseWriter) {
	if g.ETag != "" {
		w.Header().Set("ETag", g.ETag)
	}
	if g.Location != "" {
		w.Header().Set("Location", g.Location)
	}
	write(w, g.Status, "application/json", g.Body)
}

// again gives a kept answer once more.
func again(w http.ResponseWriter, kept string) error {
	var g given
	if err := json.Unmarshal([]byte(kept), &g); err != nil {
		return err
	}
	w.Header().Set("Idempotent-Replayed", "true")
	g.write(w)
	return nil
}

// checkQuery refuses what the operation does not take.
func (c *call) checkQuery() error {
	var faults finding.Faults
	for name, values := range c.query {
		i := slices.IndexFunc(c.op.query, func(p param) bool { return p.name == name })
		wrong := func(id string, args finding.Args) {
			args["name"] = finding.Text(name)
			faults = append(faults, &finding.Fault{Class: finding.Usage, ID: id, Args: args})
		}
		switch {
		case i < 0:
			var names []string
			for _, p := range c.op.query {
				names = append(names, p.name)
			}
			wrong("api-query-unknown", finding.Args{"names": finding.Text(orElse(strings.Join(names, ", "), "-"))})
			continue
		case len(values) > 1 && !c.op.query[i].many:
			wrong("api-query-twice", finding.Args{})
			continue
		}
		p := c.op.query[i]
		for _, v := range values {
			n, err := strconv.Atoi(v)
			switch {
			case p.kind == "integer" && (err != nil || n < 0 || n > 1_000_000_000):
				wrong("api-query-number", finding.Args{"text": finding.Text(clip(v))})
			case p.kind == "boolean" && v != "true" && v != "false":
				wrong("api-query-word", finding.Args{"words": finding.Text("true, false")})
			case p.words != nil && v != "" && !slices.Contains(p.words, v):
				wrong("api-query-word", finding.Args{"words": finding.Text(strings.Join(p.words, ", "))})
			}
		}
	}
	for _, p := range c.op.query {
		if p.needed && c.text(p.name) == "" {
			faults = append(faults, &finding.Fault{Class: finding.Usage, ID: "api-query-needed", Args: finding.Args{"name": finding.Text(p.name)}})
		}
	}
	return faults.OrNil()
}

func clip(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:39]) + "…"
	}
	return s
}

// readMatch reads the version that If-Match names: one, as it was given.
func (c *call) readMatch() error {
	text := strings.TrimSpace(c.r.Header.Get("If-Match"))
	if text == "" {
		return &finding.Fault{Class: finding.Usage, ID: "api-match-needed"}
	}
	n, err := strconv.Atoi(strings.Trim(text, `"`))
	if err != nil || n < 0 || text != tag(n) {
		return &finding.Fault{Class: finding.Usage, ID: "api-match-form", Args: finding.Args{"text": finding.Text(clip(text))}}
	}
	c.version = n
	return nil
}

// readBody reads a body within its bounds.
func (c *call) readBody(w http.ResponseWriter) error {
	most := int64(MostJSON)
	if c.op.upload != nil {
		most = MostFile
	}
	var err error
	if c.body, err = io.ReadAll(http.MaxBytesReader(w, c.r.Body, most)); err != nil {
		var big *http.MaxBytesError
		if errors.As(err, &big) {
			return err
		}
		return &finding.Fault{Class: finding.Usage, ID: "api-cut-off", Cause: err}
	}
	media, _, _ := mime.ParseMediaType(c.r.Header.Get("Content-Type"))
	want := c.op.upload
	switch {
	case c.op.in == nil && c.op.upload == nil:
		if len(bytes.TrimSpace(c.body)) > 0 {
			return &finding.Fault{Class: finding.Usage, ID: "api-no-body"}
		}
		return nil
	case c.op.in != nil:
		want = []string{"application/json"}
	}
	if !slices.Contains(want, media) {
		return &finding.Fault{Class: finding.BadInput, ID: "api-media", Args: finding.Args{"text": finding.Text(orElse(clip(media), "-")), "words": finding.Text(strings.Join(want, ", "))}}
	}
	return nil
}

func tag(version int) string { return `"` + strconv.Itoa(version) + `"` }

func tagOf(version int) string {
	if version == 0 {
		return ""
	}
	return tag(version)
}

func (h *Handler) etag(w http.ResponseWriter, version int) {
	if version > 0 {
		w.Header().Set("ETag", tag(version))
	}
}

// give writes an answer, or says that the caller has it already.
func (h *Handler) give(o *op, w http.ResponseWriter, r *http.Request, out *reply) error {
	if out.stream != nil {
		return out.stream(w)
	}
	data := out.raw
	if data == nil {
		var err error
		if data, err = json.Marshal(out.body); err != nil {
			return err
		}
		data = append(data, '\n')
	}
	tag := ""
	if o.version {
		tag = tagOf(out.version)
	} else if o.method == http.MethodGet {
		sum := sha256.Sum256(data)
		tag = `"` + hex.EncodeToString(sum[:16]) + `"`
	}
	if tag != "" {
		w.Header().Set("ETag", tag)
	}
	if out.location != "" {
		w.Header().Set("Location", out.location)
	}
	if o.method == http.MethodGet && tag != "" && matches(r.Header.Get("If-None-Match"), tag) {
		w.WriteHeader(http.StatusNotModified)
		return nil
	}
	w.Header().Set("Content-Type", orElse(o.media, "application/json"))
	w.Header().Set("Content-Length", strconv.Itoa(len(data)))
	w.WriteHeader(o.status)
	_, _ = w.Write(data)
	return nil
}

// matches compares by RFC 9110, 13.1.2: weakly, a list, or any.
func matches(list, tag string) bool {
	if strings.TrimSpace(list) == "*" {
		return true
	}
	for _, t := range strings.Split(list, ",") {
		if strings.TrimPrefix(strings.TrimSpace(t), "W/") == tag {
			return true
		}
	}
	return false
}
