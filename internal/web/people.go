package web

import (
	"log/slog"
	"net/http"

	"sapward/finding"
	"sapward/internal/app"
)

type personRow struct {
	app.PersonView
	Roles []roleRow
	Self  bool
}

type roleRow struct{ Estate, EstateID, Role string }

type peoplePage struct {
	Rows    []personRow
	Estates []option
	Roles   []option
	MayAdd  bool
	Add     form
	Faults  []string
}

func (c *call) personForm() form {
	return form{Action: "/people", Submit: c.T("web-person-add"), Name: "person", Once: true, Inputs: []input{
		{Name: "name", Label: c.L("field-name"), Needed: true, Complete: "off", Hint: c.T("web-person-name-hint")},
		{Name: "passphrase", Label: c.L("field-passphrase"), Kind: "password", Complete: "new-password", Hint: c.T("web-passphrase-hint")},
	}}
}

func (c *call) peoplePage() (peoplePage, error) {
	ctx := c.r.Context()
	p := peoplePage{MayAdd: c.may("AddPerson", ""), Add: c.personForm()}
	people, err := c.s.app.People(ctx, c.actor)
	if err != nil {
		return p, err
	}
	estates, err := c.s.app.Estates(ctx, c.actor)
	if err != nil {
		return p, err
	}
	names := map[string]string{"": c.T("web-all-estates")}
	p.Estates = []option{{"", c.T("web-all-estates")}}
	for _, e := range estates {
		names[e.ID] = e.Facts.Name
		p.Estates = append(p.Estates, option{e.ID, e.Facts.Name})
	}
	for _, r := range app.Roles {
		p.Roles = append(p.Roles, option{string(r), c.L("role-" + string(r))})
	}
	for _, x := range people {
		row := personRow{PersonView: x, Self: x.ID == c.actor.Person}
		for _, m := range x.Memberships {
			if name, ok := names[m.Estate]; ok {
				row.Roles = append(row.Roles, roleRow{name, m.Estate, string(m.Facts.Role)})
			}
		}
		p.Rows = append(p.Rows, row)
	}
	return p, nil
}

func (s *Server) people(c *call) error {
	p, err := c.peoplePage()
	if err != nil {
		return err
	}
	return c.show("people", c.T("web-nav-people"), p)
}

func (s *Server) addPerson(c *call) error {
	x, err := s.app.AddPerson(c.r.Context(), c.actor, app.PersonFacts{Name: c.field("name")}, c.r.FormValue("passphrase"))
	if err != nil {
		fs := finding.AsFaults(err)
		if _, ok := usable(err); !ok && (len(fs) != 1 || fs[0].ID != "person-name-taken") {
			return err
		}
		p, pErr := c.peoplePage()
		if pErr != nil {
			return pErr
		}
		p.Add.Inputs[0].Value = c.field("name")
		c.wrong(&p.Add, fs)
		return c.again("people", c.T("web-nav-people"), p)
	}
	return c.gone("/people", c.S("web-done-added", "what", x.Facts.Name), "")
}

func (s *Server) grant(c *call) error {
	if _, err := s.app.Grant(c.r.Context(), c.actor, c.field("estate"), c.id(), app.Role(c.field("role"))); err != nil {
		return err
	}
	return c.gone("/people", c.T("web-done-saved"), "")
}

func (s *Server) revoke(c *call) error {
	if _, err := s.app.Revoke(c.r.Context(), c.actor, c.field("estate"), c.id()); err != nil {
		return err
	}
	return c.gone("/people", c.T("web-done-saved"), "")
}

func (s *Server) retirePerson(c *call) error {
	if _, err := s.app.RetirePerson(c.r.Context(), c.actor, c.id(), c.number("version"), c.field("reason")); err != nil {
		return err
	}
	if err := s.signOutPerson(c.r.Context(), c.id(), ""); err != nil {
		return err
	}
	return c.gone("/people", c.T("web-done-retired"), "")
}

// signOutAll ends every session of a person: one's own, or as owner anybody's.
func (s *Server) signOutAll(c *call) error {
	if c.id() != c.actor.Person && !c.may("AddPerson", "") {
		return &finding.Fault{Class: finding.Denied, ID: "web-denied"}
	}
	s.log.Info("signed out everywhere", "person", c.id(), "by", c.actor.Person)
	if err := s.signOutPerson(c.r.Context(), c.id(), s.sessions.Token(c.r.Context())); err != nil {
		return err
	}
	return c.gone("/people", c.T("web-done-signed-out"), "")
}

// setPassphrase changes a passphrase and ends that person's other sessions.
func (s *Server) setPassphrase(c *call) error {
	x, err := s.app.SetPassphrase(c.r.Context(), c.actor, c.id(), c.number("version"), c.r.FormValue("old"), c.r.FormValue("passphrase"))
	if fs, ok := usable(err); ok {
		p, pErr := c.peoplePage()
		if pErr != nil {
			return pErr
		}
		p.Faults = c.lines(fs)
		return c.again("people", c.T("web-nav-people"), p)
	}
	if err != nil {
		return err
	}
	if x.ID == c.actor.Person {
		if err := s.begin(c.r.Context()); err != nil {
			return err
		}
	}
	if err := s.signOutPerson(c.r.Context(), c.id(), s.sessions.Token(c.r.Context())); err != nil {
		return err
	}
	return c.gone("/people", c.T("web-done-passphrase"), "")
}

// signInPage is the door.
type signInPage struct {
	To     string
	Name   string
	Faults []string
	First  bool
}

func (s *Server) signInForm(w http.ResponseWriter, r *http.Request) {
	if _, ok := s.actor(r); ok {
		http.Redirect(w, r, "/estates", http.StatusSeeOther)
		return
	}
	v := s.view(r, "", "")
	v.Title, v.D = v.T("web-signin"), signInPage{To: home(r.FormValue("to"))}
	s.show(w, r, http.StatusOK, "signin", v)
}

func (s *Server) signIn(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		s.fail(w, r, err)
		return
	}
	actor, err := s.app.SignIn(r.Context(), app.Actor{}, r.PostFormValue("name"), r.PostFormValue("passphrase"))
	s.enter(w, r, "signin", actor, err)
}

func (s *Server) firstOwnerForm(w http.ResponseWriter, r *http.Request) {
	v := s.view(r, "", "")
	v.Title, v.D = v.T("web-first-owner"), signInPage{To: "/estates"}
	s.show(w, r, http.StatusOK, "firstowner", v)
}

func (s *Server) firstOwner(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		s.fail(w, r, err)
		return
	}
	actor, err := s.app.FirstOwner(r.Context(), app.Actor{}, r.PostFormValue("token"), r.PostFormValue("name"), r.PostFormValue("passphrase"))
	s.enter(w, r, "firstowner", actor, err)
}

// enter begins a session with a new token, or shows the door again.
func (s *Server) enter(w http.ResponseWriter, r *http.Request, page string, actor app.Actor, err error) {
	if err != nil {
		fs := finding.AsFaults(err)
		for _, f := range fs {
			if f.Class == finding.Internal || f.Class == finding.Storage {
				s.fail(w, r, err)
				return
			}
		}
		v := s.view(r, "", "")
		v.Title = v.T(pick(page == "signin", "web-signin", "web-first-owner"))
		v.D = signInPage{To: home(r.PostFormValue("to")), Name: r.PostFormValue("name"), Faults: v.lines(fs)}
		s.log.Warn("sign-in refused", about(r), s.from(r))
		s.show(w, r, fs[0].HTTPStatus(), page, v)
		return
	}
	if err := s.begin(r.Context()); err != nil {
		s.fail(w, r, err)
		return
	}
	s.sessions.Put(r.Context(), "person", actor.Person)
	s.log.Info("signed in", slog.String("person", actor.Person), about(r), s.from(r))
	http.Redirect(w, r, home(r.PostFormValue("to")), http.StatusSeeOther)
}

func (s *Server) signOut(w http.ResponseWriter, r *http.Request) {
	if err := s.sessions.Destroy(r.Context()); err != nil {
		s.fail(w, r, err)
		return
	}
	w.Header().Set("Clear-Site-Data", `"cache", "storage"`)
	http.Redirect(w, r, "/signin", http.StatusSeeOther)
}
