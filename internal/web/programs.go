package web

import (
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/go-chi/httprate"

	"sapward/internal/api"
	"sapward/internal/app"
)

// withPrograms leads requests of programs to the interface for them. One with a
// token of its own needs no cookie and gets none; one of a browser passes the
// same checks as the pages.
func (s *Server) withPrograms(pages http.Handler, cross *http.CrossOriginProtection) (http.Handler, error) {
	var err error
	s.api, err = api.New(api.Options{
		App: s.app, Local: s.opt.Local, Session: s.actor, Tables: s.opt.Tables, Log: s.log, Version: s.opt.Version, Stopping: s.opt.Stopping,
		Address: func(r *http.Request) string { return httprate.CanonicalizeIP(clientOf(r)) },
		Counter: s.sharedCounter, Listening: func(n int) { s.counts.boards.Add(float64(n)) },
	})
	if err != nil {
		return nil, err
	}
	program := routed(s.api)
	browser := cross.Handler(s.sessions.LoadAndSave(program))
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch {
		case !strings.HasPrefix(r.URL.Path, api.Root):
			pages.ServeHTTP(w, r)
		case api.IsBearer(r):
			program.ServeHTTP(w, r)
		default:
			browser.ServeHTTP(w, r)
		}
	}), nil
}

// sharedCounter counts where every server counts; nil where there is one server.
func (s *Server) sharedCounter(what string) httprate.LimitCounter {
	if s.app == nil || s.app.Shared == nil || s.opt.Local {
		return nil
	}
	return &sharedTries{to: s.app.Shared, what: what}
}

// programsPage lists the tokens of programs.
type programsPage struct {
	Rows []programRow
	Add  form
	Doc  string
	Base string // of this server
}

type programRow struct {
	ID, Name, Role, Estate, Owner, Until string
	State                                string // works, expired, withdrawn, void
}

// newToken is a token as it is shown, once.
type newToken struct {
	Name, Text string
	Plain      bool // not encrypted on its way
}

func (c *call) programsPage() (programsPage, error) {
	ctx := c.r.Context()
	p := programsPage{Doc: api.Root + "openapi.json", Base: pick(c.s.opt.TLS, "https://", "http://") + c.r.Host}
	tokens, err := c.s.app.Tokens(ctx, c.actor)
	if err != nil {
		return p, err
	}
	estates, err := c.s.app.Estates(ctx, c.actor)
	if err != nil {
		return p, err
	}
	names := map[string]string{"": c.T("web-all-estates")}
	options := []option{{"", c.T("web-all-estates")}}
	best := app.Nobody
	for _, e := range estates {
		names[e.ID] = e.Facts.Name
		options = append(options, option{e.ID, e.Facts.Name})
		if e.Role.Allows(best) {
			best = e.Role
		}
	}
	if c.actor.Local {
		best = app.Owner
	}
	var roles []option
	for _, r := range app.Roles {
		if best.Allows(r) {
			roles = append(roles, option{string(r), c.L("role-" + string(r))})
		}
	}
	for _, t := range tokens {
		row := programRow{ID: t.ID, Name: t.Facts.Name, Role: c.L("role-" + string(t.Facts.Role)), Estate: orElse(names[t.Facts.Only], t.Facts.Only), State: "works"}
		if t.Facts.Person != c.actor.Person {
			row.Owner = t.Owner
		}
		if until, err := time.Parse(app.TimeForm, t.Facts.ExpiresAt); err == nil {
			row.Until = until.Format(time.DateOnly)
		}
		switch {
		case t.Facts.WithdrawnAt != "":
			row.State = "withdrawn"
		case t.Expired:
			row.State = "expired"
		case t.Void:
			row.State = "void"
		}
		p.Rows = append(p.Rows, row)
	}
	p.Add = form{Action: "/programs", Submit: c.T("web-token-add"), Name: "token", Once: true, Inputs: []input{
		{Name: "name", Label: c.T("web-token-name"), Needed: true, Complete: "off"},
		{Name: "role", Label: c.T("web-token-role"), Kind: "select", Value: string(app.Viewer), Options: roles},
		{Name: "estate", Label: c.T("web-token-estate"), Kind: "select", Options: options},
		{Name: "days", Label: c.T("web-token-days"), Kind: "number", Value: strconv.Itoa(app.TokenDays), Hint: c.T("web-token-days-hint")},
	}}
	return p, nil
}

func (s *Server) programList(c *call) error {
	p, err := c.programsPage()
	if err != nil {
		return err
	}
	return c.show("programs", c.T("web-tokens"), p, crumb{c.T("web-nav-settings"), "/settings"})
}

// addToken makes a token and shows it once.
func (s *Server) addToken(c *call) error {
	t, text, err := s.app.AddToken(c.r.Context(), c.actor, app.TokenOrder{Name: c.field("name"), Role: app.Role(c.field("role")), Estate: c.field("estate"), Days: c.number("days")})
	if fs, ok := usable(err); ok {
		p, pErr := c.programsPage()
		if pErr != nil {
			return pErr
		}
		for i := range p.Add.Inputs {
			p.Add.Inputs[i].Value = c.field(p.Add.Inputs[i].Name)
		}
		c.wrong(&p.Add, fs)
		return c.again("programs", c.T("web-tokens"), p, crumb{c.T("web-nav-settings"), "/settings"})
	}
	if err != nil {
		return err
	}
	d := newToken{Name: t.Facts.Name, Text: text, Plain: !s.opt.TLS && !loopback(c.r.Host)}
	return c.show("token", c.T("web-token-new"), d, crumb{c.T("web-nav-settings"), "/settings"}, crumb{c.T("web-tokens"), "/programs"})
}

func (s *Server) withdrawToken(c *call) error {
	if _, err := s.app.WithdrawToken(c.r.Context(), c.actor, c.id()); err != nil {
		return err
	}
	return c.gone("/programs", c.T("web-done-token-withdrawn"), "")
}
