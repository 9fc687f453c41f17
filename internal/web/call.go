package web

import (
	"errors"
	"net/http"
	"strings"

	"sapward/finding"
	"sapward/internal/app"
)

// call is one request to a page with who asks.
type call struct {
	*view
	w     http.ResponseWriter
	r     *http.Request
	actor app.Actor
}

// page wraps a page that asks for a person: whoever is not signed in is sent to
// the door and comes back here afterwards.
func (s *Server) page(here string, f func(c *call) error) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		actor, ok := s.actor(r)
		if !ok {
			if r.Header.Get("HX-Request") == "true" {
				w.Header().Set("HX-Redirect", "/signin")
				w.WriteHeader(http.StatusUnauthorized)
				return
			}
			to := "/signin"
			if r.Method == http.MethodGet && r.URL.Path != "/" {
				to += "?to=" + queryEscape(r.URL.RequestURI())
			}
			http.Redirect(w, r, to, http.StatusSeeOther)
			return
		}
		c := &call{view: s.view(r, here, ""), w: w, r: r, actor: actor}
		if r.Method == http.MethodGet {
			c.Toast = s.takeToast(r)
		} else if err := c.read(); err != nil {
			s.fail(w, r, err)
			return
		}
		if err := f(c); err != nil {
			s.fail(w, r, err)
		}
	}
}

// read parses the form; one that is too large or unreadable is a fault.
func (c *call) read() error {
	var err error
	if strings.HasPrefix(c.r.Header.Get("Content-Type"), "multipart/form-data") {
		err = c.r.ParseMultipartForm(4 << 20)
	} else {
		err = c.r.ParseForm()
	}
	var big *http.MaxBytesError
	if errors.As(err, &big) {
		return err
	}
	if err != nil {
		return &finding.Fault{Class: finding.Usage, ID: "web-form-unreadable", Cause: err}
	}
	return nil
}

func (c *call) id() string { return c.r.PathValue("id") }

// field is a form value without the spaces round it.
func (c *call) field(name string) string { return strings.TrimSpace(c.r.FormValue(name)) }

func (c *call) number(name string) int {
	n := 0
	for _, d := range c.field(name) {
		if d < '0' || d > '9' || n > 100_000_000 {
			return -1
		}
		n = 10*n + int(d-'0')
	}
	return n
}

func (c *call) may(method, estate string) bool {
	return c.s.app.MayDo(c.r.Context(), c.actor, method, estate)
}

// show writes the page.
func (c *call) show(page, title string, d any, trail ...crumb) error {
	c.Title, c.Trail, c.D = title, trail, d
	c.s.show(c.w, c.r, http.StatusOK, page, c.view)
	return nil
}

// again writes the page once more with what was wrong with a form.
func (c *call) again(page, title string, d any, trail ...crumb) error {
	c.Title, c.Trail, c.D = title, trail, d
	c.s.show(c.w, c.r, http.StatusUnprocessableEntity, page, c.view)
	return nil
}

// gone sends the browser on after something was done, with a toast.
func (c *call) gone(to, text, undo string) error {
	c.s.putToast(c.r, toast{Text: text, Undo: undo, Back: to})
	if c.r.Header.Get("HX-Request") == "true" {
		c.w.Header().Set("HX-Redirect", to)
		c.w.WriteHeader(http.StatusOK)
		return nil
	}
	http.Redirect(c.w, c.r, to, http.StatusSeeOther)
	return nil
}

// usable reports whether a fault is the person's to put right on the form.
func usable(err error) (finding.Faults, bool) {
	if err == nil {
		return nil, false
	}
	fs := finding.AsFaults(err)
	for _, f := range fs {
		if f.Class != finding.BadInput && f.Class != finding.Usage {
			return nil, false
		}
	}
	return fs, len(fs) > 0
}

// conflict returns what another person kept, where that is what went wrong.
func conflict(err error) *app.Conflict {
	var c *app.Conflict
	if errors.As(err, &c) {
		return c
	}
	return nil
}

// lines puts faults into words.
func (v *view) lines(fs finding.Faults) (out []string) {
	for _, f := range fs {
		if id := "web-mend-" + f.ID; v.Has(id) {
			out = append(out, strings.TrimSpace(v.Say(f.ID, f.Args)+" "+v.Say(id, f.Args)))
			continue
		}
		out = append(out, v.Fault(f))
	}
	return out
}
