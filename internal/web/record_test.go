package web_test

import (
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"testing"

	"sapward/apply/fieldlog"
	"sapward/internal/app"
	"sapward/internal/web"
)

// A day's record in the app: written, filled in through the page, refused while
// nobody is named, signed with what is missing named, amended, and every file
// of it comes out.
func TestRecord_InTheApp(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	day := openedDay(t, h)
	p := newHandset(t, h, day, 0)
	tag := p.pack.Trees[0].Tag
	for _, q := range p.log.Tree(tag).Ports {
		p.note(fieldlog.Event{Kind: fieldlog.Load, Tree: tag, Port: q.N, VolumeUL: micro(q.PlannedUL)})
		p.note(fieldlog.Event{Kind: fieldlog.Read, Tree: tag, Port: q.N, LeftUL: micro(0)})
	}
	p.send()
	post := func(path string, form url.Values) (int, string, string) {
		t.Helper()
		r, err := http.PostForm(h.url+path, form)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Body.Close()
		b, _ := io.ReadAll(r.Body)
		return r.StatusCode, r.Request.URL.Path, string(b)
	}
	if code, _, _ := post("/days/"+day.ID+"/record", url.Values{"regime": {"us-40cfr171"}}); code < 400 {
		t.Errorf("the record of an open day: %d", code)
	}
	if _, err := h.app.CloseDay(t.Context(), app.Local(), day.ID, day.Version); err != nil {
		t.Fatal(err)
	}
	code, at, body := post("/days/"+day.ID+"/record", url.Values{"regime": {"us-40cfr171", "eu-2023-564"}})
	if code != 200 || !strings.HasPrefix(at, "/records/") || !strings.Contains(body, `name="set:people.applicator.name"`) {
		t.Fatalf("%d %s: the page does not ask for the applicator", code, at)
	}
	id := strings.TrimPrefix(at, "/records/")
	version := func() string {
		v, err := h.app.Record(t.Context(), app.Local(), id)
		if err != nil {
			t.Fatal(err)
		}
		return strconv.Itoa(v.Version)
	}
	if code, _, body := post(at+"/sign", url.Values{"version": {version()}, "read": {"yes"}}); code != 422 || !strings.Contains(body, "notice bad") {
		t.Errorf("signed by nobody: %d", code)
	}
	if code, _, body := post(at, url.Values{"version": {version()}, "set:weather.wind_speed": {"fast"}}); code != 422 || !strings.Contains(body, "fast") {
		t.Errorf("a wind that is no speed: %d, what was typed must stay", code)
	}
	if code, _, _ := post(at, url.Values{"version": {version()}, "set:people.applicator.name": {"invented: applicator"}, "set:people.applicator.number": {"X-1"}, "path": {"people.applicator.expires"}, "value": {"2040-12-31"}, "set:people.customer.name": {"invented owner"}, "set:people.customer.address": {"1 Invented Road"}}); code != 200 {
		t.Errorf("filled in: %d", code)
	}
	v, err := h.app.Record(t.Context(), app.Local(), id)
	if err != nil {
		t.Fatal(err)
	}
	if a, ok := v.Record.Last().Content.People.Applicator.Known(); !ok || a.Name != "invented: applicator" || a.Expires.Year != 2040 {
		t.Errorf("the applicator as typed: %+v", a)
	}
	if code, _, body := post(at+"/sign", url.Values{"version": {version()}, "read": {"yes"}, "incomplete": {"the rest follows"}}); code != 200 || !strings.Contains(body, "the rest follows") {
		at := strings.Index(body, `id="faults"`)
		t.Errorf("signed: %d %s", code, body[max(at, 0):min(len(body), max(at, 0)+700)])
	}
	for name, head := range map[string]string{"record.pdf": "%PDF", "copy.pdf": "%PDF", "posting.pdf": "%PDF", "record.csv": "", "record.json": "{", "record.geojson": "{", "record.ics": "BEGIN:VCALENDAR"} {
		r, err := http.Get(h.url + at + "/" + name)
		if err != nil {
			t.Fatal(err)
		}
		b, _ := io.ReadAll(r.Body)
		r.Body.Close()
		if r.StatusCode != 200 || !strings.HasPrefix(string(b), head) || len(b) < 40 {
			t.Errorf("%s: %d, %d bytes", name, r.StatusCode, len(b))
		}
		if strings.HasSuffix(name, ".ics") && strings.Contains(string(b), "invented owner") {
			t.Error("a person stands in the calendar")
		}
	}
	if r, err := http.Get(h.url + "/estates/" + h.estate + "/records?as=csv&regime=eu-2023-564"); err != nil || r.StatusCode != 200 {
		t.Errorf("all records as CSV: %v", err)
	} else {
		b, _ := io.ReadAll(r.Body)
		if strings.Contains(string(b), "invented owner") || !strings.Contains(string(b), "Invented Product A") {
			t.Errorf("an export for a regime that asks for no owner: %.200s", b)
		}
	}
}
