// Package web is Sapward in the browser: pages rendered on the server, sign-in,
// and the rules of the web that keep them to their owner. It holds no rule of
// the domain; internal/app decides, internal/draw draws, internal/lang speaks.
package web

//go:generate go test . -run TestBundle_IsFresh -update

import (
	"context"
	"crypto/rand"
	"errors"
	"html/template"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"sync"
	"time"

	"github.com/alexedwards/scs/v2"

	"sapward/finding"
	"sapward/internal/api"
	"sapward/internal/app"
	"sapward/internal/lang"
	"sapward/internal/metrics"
)

// Options say how the pages are served.
type Options struct {
	Local     bool   // loopback only: no sign-in, whoever is at the machine is owner
	TLS       bool   // served over HTTPS: cookies are marked secure
	Version   string // of the program
	BackupDir string // where backups go; empty: none from the pages
	Tables    app.ExportWriter
	Log       *slog.Logger
	Trust     http.Handler // the page at /trust that leads through trusting a local authority; nil: there is none

	Metrics      *metrics.Registry               // counts go here; nil: nothing is counted
	LogAddresses bool                            // network addresses may stand in the log
	ProxyHeader  string                          // header in which the proxy in front names the address of whoever asks; empty: none
	Ready        func(ctx context.Context) error // whether the store can be worked with; nil: it can
	Stopping     <-chan struct{}                 // closed when the server is to stop: live boards end and connect anew
}

// Server answers the browser.
type Server struct {
	opt      Options
	app      *app.App
	log      *slog.Logger
	sessions *scs.SessionManager
	kept     *keptSessions
	byName   map[string]*asset
	byURL    map[string]*asset
	pages    map[string]*template.Template
	last     lastLaid
	drafts   knownDrafts
	uploads  uploads
	job      job
	api      *api.Handler
	counts   counts
	ready    sync.Mutex
	readyAt  time.Time
	readyErr error
	power    powerJobs
}

// New returns the handler of all pages over the use cases.
func New(a *app.App, o Options) (http.Handler, error) {
	k := &keptSessions{begun: map[string]bool{}}
	if a != nil { // without, only what is the same for everybody is served
		k.to, k.now = a.Sessions, a.Now
	}
	if o.Local || k.to == nil {
		k.to, k.now = &memorySessions{now: time.Now, by: map[string]app.Session{}}, time.Now
	}
	s := &Server{opt: o, app: a, log: o.Log, sessions: sessions(o, k), kept: k, counts: newCounts(o.Metrics)}
	s.sessions.ErrorFunc = s.lost
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	s.byName, s.byURL = assets()
	var err error
	if s.pages, err = pages(); err != nil {
		return nil, err
	}
	cross := http.NewCrossOriginProtection()
	cross.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.fail(w, r, &finding.Fault{Class: finding.Denied, ID: "web-cross-site"})
	}))
	inner := cross.Handler(bounded(s.besideSessions(s.sessions.LoadAndSave(routed(s.routes())))))
	if a != nil {
		if inner, err = s.withPrograms(inner, cross); err != nil {
			return nil, err
		}
	}
	return s.behind(s.observed(s.secure(s.caught(s.ownHost(inner))))), nil
}

// besideSessions answers what asks for no session before one is looked up.
func (s *Server) besideSessions(next http.Handler) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /healthz", s.healthz)
	mux.HandleFunc("GET /readyz", s.readyz)
	own := routed(mux)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/healthz" || r.URL.Path == "/readyz" {
			own.ServeHTTP(w, r)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// routes are the addresses of the app in plain words.
func (s *Server) routes() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /static/", s.serveStatic)
	mux.HandleFunc("GET /phone/{$}", s.phoneFile)
	mux.HandleFunc("GET /phone/{file}", s.phoneFile)
	mux.HandleFunc("POST /prefs", s.prefs)
	if s.opt.Trust != nil { // for everybody: a device trusts the server before anybody signs in
		mux.Handle("GET /trust", s.opt.Trust)
		mux.Handle("GET /trust/", s.opt.Trust)
	}
	mux.HandleFunc("/", s.root)
	page := func(here string, f func(*call) error, patterns ...string) {
		for _, p := range patterns {
			mux.Handle(p, s.page(here, f))
		}
	}
	page("estates", s.estates, "GET /estates")
	page("estates", s.newEstate, "GET /estates/new", "POST /estates/new")
	page("estates", s.estate, "GET /estates/{id}")
	page("estates", s.editEstate, "GET /estates/{id}/edit", "POST /estates/{id}/edit")
	page("estates", s.retireEstate, "POST /estates/{id}/retire")
	page("estates", s.audit, "GET /estates/{id}/history")
	page("estates", s.addFeed, "POST /estates/{id}/feeds")
	page("estates", s.revokeFeed, "POST /estates/{id}/feeds/{feed}/revoke")
	mux.Handle("GET /calendar/{file}", s.feeds())
	page("data", s.export, "GET /estates/{id}/export.zip")
	page("estates", s.newBlock, "GET /estates/{id}/blocks/new", "POST /estates/{id}/blocks/new")
	page("estates", s.search, "GET /search")
	page("estates", s.undo, "POST /undo")

	page("estates", s.block, "GET /blocks/{id}")
	page("estates", s.editBlock, "GET /blocks/{id}/edit", "POST /blocks/{id}/edit")
	page("estates", s.retireBlock, "POST /blocks/{id}/retire")
	page("estates", s.trees, "GET /blocks/{id}/trees")
	page("estates", s.newTree, "GET /blocks/{id}/trees/new", "POST /blocks/{id}/trees/new")
	page("estates", s.record, "POST /blocks/{id}/applications")
	page("estates", s.addDraft, "POST /blocks/{id}/drafts")
	page("estates", s.follow, "GET /blocks/{id}/follow")
	page("estates", s.saveFollow, "POST /blocks/{id}/follow")
	page("estates", s.visit, "GET /blocks/{id}/follow/visit", "POST /blocks/{id}/follow/visit")
	page("estates", s.retireVisit, "POST /blocks/{id}/follow/visits/{visit}/retire")
	page("estates", s.importFollow, "POST /blocks/{id}/follow/import")
	page("estates", s.season, "GET /blocks/{id}/season.pdf")
	page("estates", s.followGroups, "GET /blocks/{id}/follow/groups", "POST /blocks/{id}/follow/groups")

	page("estates", s.estateTrials, "GET /estates/{id}/trials")
	page("estates", s.trials, "GET /blocks/{id}/trials")
	page("estates", s.newTrial, "GET /blocks/{id}/trials/new", "POST /blocks/{id}/trials/new")
	page("estates", s.trialPower, "GET /blocks/{id}/trials/power")
	page("estates", s.startPower, "POST /blocks/{id}/trials/power")
	page("estates", s.powerState, "GET /blocks/{id}/trials/power/state")
	page("estates", s.stopPower, "POST /blocks/{id}/trials/power/stop")
	page("estates", s.showTrial, "GET /trials/{id}")
	page("estates", s.saveTrial, "POST /trials/{id}")
	page("estates", s.rateTrial, "GET /trials/{id}/rate", "POST /trials/{id}/rate")
	page("estates", s.importTrial, "POST /trials/{id}/import")
	page("estates", s.trialAnalysis, "GET /trials/{id}/analysis")
	page("estates", s.openTrialKey, "POST /trials/{id}/open")
	page("estates", s.retireTrial, "POST /trials/{id}/retire")
	page("estates", s.retireAssessment, "POST /trials/{id}/assessments/{assessment}/retire")
	page("estates", s.trialFile, "GET /trials/{id}/{file}")

	page("estates", s.tree, "GET /trees/{id}")
	page("estates", s.editTree, "GET /trees/{id}/edit", "POST /trees/{id}/edit")
	for _, what := range []string{"measure", "rate", "wounds"} {
		page("estates", s.treeDo(what), "POST /trees/{id}/"+what)
	}
	page("estates", s.attach, "POST /trees/{id}/files")
	page("estates", s.file, "GET /files/{id}")
	page("estates", s.retireTree, "POST /trees/{id}/retire")
	page("estates", s.retireWound, "POST /trees/{id}/wounds/{wound}/retire")
	page("estates", s.closeWound, "POST /trees/{id}/wounds/{wound}/close")

	page("cards", s.cards, "GET /cards")
	page("cards", s.newCard, "GET /cards/new", "POST /cards/new")
	page("cards", s.tryCard, "POST /cards/try")
	page("cards", s.card, "GET /cards/{id}")
	page("cards", s.changeCard, "POST /cards/{id}")
	page("cards", s.retireCard, "POST /cards/{id}/retire")
	page("cards", s.checkCard, "POST /cards/{id}/check")

	page("estates", s.showDraft, "GET /drafts/{id}")
	page("estates", s.saveDraft, "POST /drafts/{id}")
	page("estates", s.answerDraft, "POST /drafts/{id}/answer")
	page("estates", s.compare, "GET /drafts/{id}/compare")
	page("estates", s.movement, "GET /drafts/{id}/movement", "POST /drafts/{id}/movement")
	page("estates", s.keepWeather, "POST /drafts/{id}/weather")
	page("estates", s.setAside, "POST /drafts/{id}/aside")
	page("estates", s.approve, "GET /drafts/{id}/approve", "POST /drafts/{id}/approve")
	page("estates", s.retireDraft, "POST /drafts/{id}/retire")
	page("estates", s.showPlan, "GET /plans/{id}")
	page("estates", s.withdraw, "POST /plans/{id}/withdraw")
	page("estates", s.keepGate, "POST /plans/{id}/gate")
	for _, kind := range []string{"drafts", "plans"} {
		page("estates", s.planTrunk(kind, false), "GET /"+kind+"/{id}/trunk")
		page("estates", s.planTrunk(kind, true), "GET /"+kind+"/{id}/turn")
		for _, ext := range []string{"pdf", "csv", "json", "ics"} {
			page("estates", s.paper(kind, ext), "GET /"+kind+"/{id}/plan."+ext)
		}
	}

	page("estates", s.openDay, "POST /plans/{id}/days")
	page("estates", s.showDay, "GET /days/{id}")
	page("estates", s.changeDay, "POST /days/{id}")
	page("estates", s.dayBoard, "GET /days/{id}/board")
	page("estates", s.closeDay, "POST /days/{id}/close")
	page("estates", s.decide, "POST /days/{id}/decide")
	page("estates", s.dayTags, "GET /days/{id}/tags.pdf")
	page("estates", s.phoneFileForm, "GET /days/{id}/file")
	page("estates", s.phoneFilePreview, "POST /days/{id}/file")
	page("estates", s.takePhoneFile, "POST /days/{id}/file/take")
	page("estates", s.addPhone, "POST /days/{id}/phones")
	page("estates", s.revokePhone, "POST /days/{id}/phones/{phone}/revoke")
	page("estates", s.showDayTree, "GET /days/{id}/trees/{tag}")
	page("estates", s.typeIn, "POST /days/{id}/trees/{tag}")
	page("estates", s.takeBack, "POST /days/{id}/trees/{tag}/void")

	tries := s.limit("join", joinsByAddress, byAddress, nil)
	mux.HandleFunc("GET /join/{code}", s.joinForm)
	mux.Handle("POST /join/{code}", tries(http.HandlerFunc(s.join)))
	mux.HandleFunc("GET /phone/me", s.phone(s.phoneMe))
	mux.HandleFunc("GET /phone/pack", s.phone(s.phonePack))
	mux.HandleFunc("POST /phone/events", s.phone(s.phoneEvents))
	mux.HandleFunc("GET /phone/photos/{hash}", s.phone(s.phonePhoto))
	mux.HandleFunc("PUT /phone/photos/{hash}", s.phone(s.phonePutPhoto))

	page("estates", s.writeRecord, "POST /days/{id}/record")
	page("estates", s.records, "GET /estates/{id}/records")
	page("estates", s.newRecord, "POST /estates/{id}/records")
	page("estates", s.showRecord, "GET /records/{id}")
	page("estates", s.amendRecord, "POST /records/{id}")
	page("estates", s.signRecord, "POST /records/{id}/sign")
	page("estates", s.recordFile, "GET /records/{id}/{file}")

	page("data", s.data, "GET /data")
	page("data", s.preview, "POST /data/preview")
	page("data", s.importFile, "POST /data/import")
	page("data", s.backup, "POST /data/backup")
	page("data", s.startCheck, "POST /data/check")
	page("data", s.checkState, "GET /data/check")
	page("data", s.stopCheck, "POST /data/check/stop")

	page("people", s.people, "GET /people")
	page("people", s.addPerson, "POST /people")
	page("people", s.grant, "POST /people/{id}/grant")
	page("people", s.revoke, "POST /people/{id}/revoke")
	page("people", s.retirePerson, "POST /people/{id}/retire")
	page("people", s.signOutAll, "POST /people/{id}/signout")
	page("people", s.setPassphrase, "POST /people/{id}/passphrase")
	page("settings", s.settings, "GET /settings")
	page("settings", s.saveSettings, "POST /settings")
	page("settings", s.programList, "GET /programs")
	page("settings", s.addToken, "POST /programs")
	page("settings", s.withdrawToken, "POST /programs/{id}/withdraw")
	page("about", s.about, "GET /about")
	page("about", s.followMethod, "GET /about/follow-up")

	if !s.opt.Local {
		slow := s.slowly()
		mux.HandleFunc("GET /signin", s.signInForm)
		mux.Handle("POST /signin", slow(http.HandlerFunc(s.signIn)))
		mux.HandleFunc("GET /first-owner", s.firstOwnerForm)
		mux.Handle("POST /first-owner", slow(http.HandlerFunc(s.firstOwner)))
		mux.HandleFunc("POST /signout", s.signOut)
	}
	return mux
}

// slowly limits tries to sign in by address and by name.
func (s *Server) slowly() func(http.Handler) http.Handler {
	tooMany := func(w http.ResponseWriter, r *http.Request) {
		v := s.view(r, "", "")
		v.Title, v.D = v.T("web-error-busy"), problem{Status: http.StatusTooManyRequests, Lines: []string{v.T("web-too-many-tries")}, Next: "/signin"}
		s.show(w, r, http.StatusTooManyRequests, "error", v)
	}
	address, name := s.limit("sign-in by address", triesByAddress, byAddress, tooMany), s.limit("sign-in by name", triesByName, byName, tooMany)
	return func(next http.Handler) http.Handler { return address(name(next)) }
}

// clientOf is the address a request came from; headers that anyone can write
// are not believed.
func clientOf(r *http.Request) string {
	if host, _, err := net.SplitHostPort(r.RemoteAddr); err == nil {
		return host
	}
	return r.RemoteAddr
}

// token is a new random name.
func (s *Server) token() string { return rand.Text() }

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
	if s.api != nil && strings.HasPrefix(r.URL.Path, api.Root) {
		s.api.Fail(w, r, err)
		return
	}
	v := s.view(r, "", "")
	var big *http.MaxBytesError
	if errors.As(err, &big) {
		err = &finding.Fault{Class: finding.BadInput, ID: "web-too-big", Args: argsOf("mb", int(big.Limit>>20))}
	}
	fs := finding.AsFaults(err)
	if away(fs) {
		s.log.Warn("the database does not answer", slog.Any("cause", fs[0].Cause), about(r))
		s.down(w, r)
		return
	}
	p := problem{Status: http.StatusInternalServerError, Next: "/estates"}
	for _, f := range fs {
		if f.Class == finding.Internal || f.Class == finding.Storage {
			s.log.Error("fault", slog.String("id", f.ID), slog.Any("cause", f.Cause), about(r))
		}
		if f.Class == finding.Denied {
			s.log.Warn("denied", slog.String("id", f.ID), slog.String("person", v.actor.Person), about(r), s.from(r))
		}
		if f.Class == finding.Storage && f.ID != "store-full" && f.ID != "store-read-only" { // what the system said is for the log
			f = &finding.Fault{Class: f.Class, ID: "web-storage"}
		}
		if f.Class == finding.Internal {
			f = &finding.Fault{Class: f.Class, ID: "web-internal"}
		}
		p.Status = f.HTTPStatus()
		p.Lines = append(p.Lines, v.lines(finding.Faults{f})...)
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
	v := &view{Here: here, Title: title, Path: r.URL.RequestURI(), Local: s.opt.Local, s: s, r: r}
	v.actor, v.SignedIn = s.actor(r)
	language, units, theme := cookie(r, "lang", lang.Languages...), cookie(r, "units", "metric", "us"), cookie(r, "theme", "auto", "light", "dark")
	if v.SignedIn && s.app != nil {
		if me, err := s.app.Me(r.Context(), v.actor); err == nil {
			v.Who = me.Facts.Name
			language, units, theme = orElse(language, me.Facts.Lang), orElse(units, me.Facts.Units), orElse(theme, me.Facts.Theme)
		} else {
			v.SignedIn = false
		}
		if set, err := s.app.Settings(r.Context(), v.actor); err == nil {
			language, units = orElse(language, set.Facts.Lang), orElse(units, set.Facts.Units)
		}
	}
	if language == "" {
		language = asked(r)
	}
	v.Units, v.Theme = pick(units == "us", "us", "metric"), pick(theme == "", "auto", theme)
	v.Printer = printer(language, v.Units)
	if r.Method != http.MethodGet || strings.HasPrefix(v.Path, "/static/") {
		v.Path = "/estates"
	}
	return v
}

// Version is the program's version.
func (v *view) Version() string { return v.s.opt.Version }
