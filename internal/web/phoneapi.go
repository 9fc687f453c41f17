package web

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"strconv"
	"time"

	"sapward/finding"
	"sapward/internal/app"
	"sapward/internal/draw"
)

// The phone's own addresses. Who a phone is follows from a cookie that it got
// when it joined; nothing else of the app is open to it.

// phoneCookie names the cookie. With TLS the browser binds it to this host.
func (s *Server) phoneCookie() string {
	return pick(s.opt.TLS, "__Host-sapward-phone", "sapward-phone")
}

func (s *Server) phoneToken(r *http.Request) string {
	if c, err := r.Cookie(s.phoneCookie()); err == nil {
		return c.Value
	}
	return ""
}

// phoneFault is a fault as the phone reads it.
type phoneFault struct {
	ID   string       `json:"id"`
	Args finding.Args `json:"args"`
}

func phoneFaults(fs finding.Faults) []phoneFault {
	out := []phoneFault{}
	for _, f := range fs {
		out = append(out, phoneFault{f.ID, f.Args})
	}
	return out
}

// phone wraps an address of the phone: JSON in, JSON out.
func (s *Server) phone(f func(w http.ResponseWriter, r *http.Request, token string) (any, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if r.Method != http.MethodGet && r.Header.Get("X-Sapward") != "1" {
			writeJSON(w, http.StatusForbidden, map[string]any{"reason": "header"})
			return
		}
		v, err := f(w, r, s.phoneToken(r))
		if err == nil {
			if v != nil {
				writeJSON(w, http.StatusOK, v)
			}
			return
		}
		var big *http.MaxBytesError
		if errors.As(err, &big) {
			writeJSON(w, http.StatusRequestEntityTooLarge, map[string]any{"faults": []phoneFault{{ID: "web-too-big", Args: argsOf("mb", int(big.Limit>>20))}}})
			return
		}
		fs := finding.AsFaults(err)
		if away(fs) {
			s.fail(w, r, err)
			return
		}
		status := http.StatusInternalServerError
		for _, f := range fs {
			status = f.HTTPStatus()
			switch f.ID {
			case "phone-unknown", "phone-revoked":
				writeJSON(w, http.StatusUnauthorized, map[string]any{"reason": map[string]string{"phone-unknown": "unknown", "phone-revoked": "revoked"}[f.ID]})
				return
			}
			if f.Class == finding.Internal || f.Class == finding.Storage {
				s.log.Error("phone", slog.String("id", f.ID), slog.Any("cause", f.Cause), about(r))
			}
		}
		writeJSON(w, status, map[string]any{"faults": phoneFaults(fs)})
	}
}

func writeJSON(w http.ResponseWriter, status int, v any) {
	data, err := json.Marshal(v)
	if err != nil {
		http.Error(w, "500", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	_, _ = w.Write(data)
}

func (s *Server) phoneMe(_ http.ResponseWriter, r *http.Request, token string) (any, error) {
	return s.app.Phone(r.Context(), app.Actor{}, token)
}

func (s *Server) phonePack(w http.ResponseWriter, r *http.Request, token string) (any, error) {
	data, version, err := s.app.PhonePack(r.Context(), app.Actor{}, token)
	if err != nil {
		return nil, err
	}
	tag := `"` + strconv.Itoa(version) + `"`
	w.Header().Set("ETag", tag)
	if r.Header.Get("If-None-Match") == tag {
		w.WriteHeader(http.StatusNotModified)
		return nil, nil
	}
	w.Header().Set("Content-Type", "application/json")
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(data))
	return nil, nil
}

func (s *Server) phoneEvents(_ http.ResponseWriter, r *http.Request, token string) (any, error) {
	var in app.Exchange
	if err := json.NewDecoder(r.Body).Decode(&in); err != nil {
		var big *http.MaxBytesError
		if errors.As(err, &big) {
			return nil, err
		}
		return nil, &finding.Fault{Class: finding.BadInput, ID: "note-unread", Args: argsOf("reason", err.Error())}
	}
	x, err := s.app.PhoneExchange(r.Context(), app.Actor{}, token, in)
	if err != nil {
		return nil, err
	}
	s.counts.notes.Add(float64(len(x.Confirmed)), "confirmed")
	s.counts.notes.Add(float64(len(x.Refused)), "refused")
	type refused struct {
		ID     string       `json:"id"`
		Faults []phoneFault `json:"faults"`
	}
	out := struct {
		Confirmed []app.Confirmed   `json:"confirmed"`
		Refused   []refused         `json:"refused"`
		Events    []json.RawMessage `json:"events"`
		Cursor    int64             `json:"cursor"`
		More      bool              `json:"more"`
		Now       time.Time         `json:"now"`
		Pack      int               `json:"pack"`
	}{x.Confirmed, []refused{}, x.Events, x.Cursor, x.More, x.Phone.Now, x.Phone.Pack}
	for _, f := range x.Refused {
		out.Refused = append(out.Refused, refused{f.ID, phoneFaults(f.Faults)})
	}
	return out, nil
}

func (s *Server) phonePhoto(_ http.ResponseWriter, r *http.Request, token string) (any, error) {
	return s.app.PhotoState(r.Context(), app.Actor{}, token, r.PathValue("hash"))
}

func (s *Server) phonePutPhoto(w http.ResponseWriter, r *http.Request, token string) (any, error) {
	var from, to, total int64
	if n, err := fmt.Sscanf(r.Header.Get("Content-Range"), "bytes %d-%d/%d", &from, &to, &total); n != 3 || err != nil || to < from || to >= total {
		return nil, &finding.Fault{Class: finding.BadInput, ID: "photo-range"}
	}
	state, ok, err := s.app.PutPhoto(r.Context(), app.Actor{}, token, r.PathValue("hash"), r.Header.Get("Content-Type"), from, total, io.LimitReader(r.Body, to-from+1))
	if err != nil {
		return nil, err
	}
	if !ok {
		writeJSON(w, http.StatusConflict, state)
		return nil, nil
	}
	return state, nil
}

// joinPage shows whose phone a code makes, and the one button that does it.
type joinPage struct {
	Code string
	app.Joining
	Problem string
}

func (s *Server) joinForm(w http.ResponseWriter, r *http.Request) {
	v := s.view(r, "", "")
	v.SignedIn = false
	v.Title = v.T("web-join")
	code := r.PathValue("code")
	j, err := s.app.Joinable(r.Context(), app.Actor{}, code)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	v.D = joinPage{Code: code, Joining: j}
	s.show(w, r, http.StatusOK, "join", v)
}

func (s *Server) join(w http.ResponseWriter, r *http.Request) {
	_, token, err := s.app.Join(r.Context(), app.Actor{}, r.PathValue("code"))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	http.SetCookie(w, &http.Cookie{Name: s.phoneCookie(), Value: token, Path: "/", MaxAge: 92 * 86400, HttpOnly: true, Secure: s.opt.TLS, SameSite: http.SameSiteStrictMode})
	http.Redirect(w, r, "/phone/", http.StatusSeeOther)
}

// invite is a code to scan.
type invite struct {
	dayHead
	Name, URL string
	QR        any
	Plain     bool // not over HTTPS: a phone's page needs it, but on this machine
}

// addPhone makes a code for one person's phone and shows it once.
func (s *Server) addPhone(c *call) error {
	p, code, err := s.app.AddPhone(c.r.Context(), c.actor, c.id(), c.field("person"))
	if err != nil {
		return err
	}
	v, err := c.theDay()
	if err != nil {
		return err
	}
	url := pick(s.opt.TLS, "https://", "http://") + c.r.Host + "/join/" + code
	q, err := draw.NewQR(url, draw.QRMedium)
	if err != nil {
		return err
	}
	d := invite{dayHead: c.head(v), Name: p.Facts.Name, URL: url, QR: safeSVG(q.SVG(c.T("web-day-qr"))), Plain: !s.opt.TLS && !loopback(c.r.Host)}
	return c.show("invite", c.S("web-day-invite", "name", p.Facts.Name), d, c.dayTrail(v)...)
}
