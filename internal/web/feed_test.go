package web_test

import (
	"bytes"
	"io"
	"mime/multipart"
	"net/http"
	"regexp"
	"strings"
	"testing"

	ics "github.com/arran4/golang-ical"

	"sapward/finding"
	"sapward/internal/app"
	"sapward/internal/exchange"
	"sapward/internal/web"
)

// A calendar program reads the dates without signing in; it learns of no person,
// a wrong or revoked address is told nothing, and asking often is slowed down.
func TestFeed_ByAddressAlone(t *testing.T) {
	h := filled(t, web.Options{})
	ctx, me := t.Context(), app.Local()
	f, token, err := h.app.AddFeed(ctx, me, h.estate, "en")
	if err != nil {
		t.Fatal(err)
	}
	path := h.url + "/calendar/" + token + ".ics"
	res, body := ask(t, http.MethodGet, path, "")
	if res.StatusCode != 200 || res.Header.Get("Content-Type") != "text/calendar; charset=utf-8" || !strings.Contains(res.Header.Get("Cache-Control"), "private") || len(res.Cookies()) > 0 {
		t.Fatalf("%d %v", res.StatusCode, res.Header)
	}
	if _, again := ask(t, http.MethodGet, path, ""); again != body {
		t.Error("the same dates give other bytes")
	}
	cal, err := ics.ParseCalendar(strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	due, err := h.app.Due(ctx, me, h.estate)
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	for _, e := range cal.Events() {
		seen[e.Id()] = true
	}
	if len(due) == 0 || len(seen) != len(due) {
		t.Errorf("%d different entries for %d due dates", len(seen), len(due))
	}
	for _, line := range strings.Split(strings.TrimSuffix(body, "\r\n"), "\r\n") {
		if len(line) > 75 || strings.ContainsAny(line, "\r\n") {
			t.Errorf("line %q", line)
		}
	}
	people, err := h.app.People(ctx, me)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range people {
		if n := p.Facts.Name; len(n) > 3 && strings.Contains(body, n) {
			t.Errorf("the calendar names %q", n)
		}
	}
	for _, wrong := range []string{token, token[:len(token)-1] + "?.ics", strings.Repeat("a", 77) + ".ics", ".ics"} {
		if res, said := ask(t, http.MethodGet, h.url+"/calendar/"+wrong, ""); res.StatusCode != 404 || strings.Contains(said, "VCALENDAR") {
			t.Errorf("%q: %d", wrong, res.StatusCode)
		}
	}
	if res, _ := ask(t, http.MethodPost, h.url+"/estates/"+h.estate+"/feeds", "x=y"); res.StatusCode == 200 {
		t.Error("an address was made without signing in")
	}
	if _, err := h.app.RevokeFeed(ctx, me, f.ID, ""); err != nil {
		t.Fatal(err)
	}
	if res, _ := ask(t, http.MethodGet, path, ""); res.StatusCode != 404 {
		t.Errorf("revoked: %d", res.StatusCode)
	}
	slowed := false
	for range 80 {
		res, _ := ask(t, http.MethodGet, path, "")
		slowed = slowed || res.StatusCode == http.StatusTooManyRequests
	}
	if !slowed {
		t.Error("eighty askings and none was refused")
	}
}

// The estate's page makes an address, shows it once, and revokes it.
func TestFeed_FromTheEstatePage(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	p := browse(t, h.url)
	if _, body := p.get("/estates/" + h.estate); !strings.Contains(body, "New calendar address") {
		t.Fatal("the estate's page offers no address")
	}
	_, body := p.post("/estates/"+h.estate+"/feeds", values("x", "y"))
	url := regexp.MustCompile(`http://[^"]+/calendar/[^"]+\.ics`).FindString(body)
	if url == "" {
		t.Fatalf("no address in %s", body)
	}
	if res, _ := ask(t, http.MethodGet, url, ""); res.StatusCode != 200 {
		t.Errorf("the address answers %d", res.StatusCode)
	}
	_, body = p.get("/estates/" + h.estate)
	if strings.Contains(body, url) {
		t.Error("the address is shown again")
	}
	revoke := regexp.MustCompile(`/estates/[^"]+/feeds/[^"]+/revoke`).FindString(body)
	if res, body := p.post(revoke, values("x", "y")); res.StatusCode != 200 || !strings.Contains(body, "is revoked") {
		t.Errorf("revoking: %d", res.StatusCode)
	}
	if res, _ := ask(t, http.MethodGet, url, ""); res.StatusCode != 404 {
		t.Errorf("revoked, the address answers %d", res.StatusCode)
	}
}

func (p person) upload(path, name string, data []byte, fields ...string) (*http.Response, string) {
	p.t.Helper()
	var b bytes.Buffer
	m := multipart.NewWriter(&b)
	for i := 0; i+1 < len(fields); i += 2 {
		if err := m.WriteField(fields[i], fields[i+1]); err != nil {
			p.t.Fatal(err)
		}
	}
	f, err := m.CreateFormFile("file", name)
	if err != nil {
		p.t.Fatal(err)
	}
	if _, err := f.Write(data); err != nil {
		p.t.Fatal(err)
	}
	if err := m.Close(); err != nil {
		p.t.Fatal(err)
	}
	req, err := http.NewRequest(http.MethodPost, p.base+path, &b)
	if err != nil {
		p.t.Fatal(err)
	}
	req.Header.Set("Content-Type", m.FormDataContentType())
	return read(p.t, p.c, req)
}

// A file of places has the same preview as a table.
func TestPreview_FilesOfPlaces(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	p := browse(t, h.url)
	good := `{"type":"FeatureCollection","features":[{"type":"Feature","geometry":{"type":"Point","coordinates":[-3.7,40.4]},"properties":{"tree":"Z900","girth_cm":100}}]}`
	if res, body := p.upload("/data/preview", "trees.geojson", []byte(good), "block", h.avenue, "kind", "trees"); res.StatusCode != 200 || !strings.Contains(body, "Z900") || !strings.Contains(body, "Import") {
		t.Errorf("%d %s", res.StatusCode, body)
	}
	swapped := strings.Replace(good, "-3.7,40.4", "40.4,-103.7", 1)
	if res, body := p.upload("/data/preview", "trees.geojson", []byte(swapped), "block", h.avenue, "kind", "trees"); res.StatusCode == 200 || !strings.Contains(body, "look swapped") {
		t.Errorf("%d %s", res.StatusCode, body)
	}
	outline := `{"type":"Polygon","coordinates":[[[-3.7,40.4],[-3.69,40.4],[-3.69,40.41],[-3.7,40.4]]]}`
	if res, body := p.upload("/data/preview", "b.geojson", []byte(outline), "block", h.avenue, "kind", "boundary"); res.StatusCode != 200 || !strings.Contains(body, "Boundary of the block") {
		t.Errorf("%d %s", res.StatusCode, body)
	}
}

// Boundaries reads outlines of blocks.
func (reader) Boundaries(r io.Reader, name string) ([]app.NamedBoundary, []finding.Finding, error) {
	list, notes, err := exchange.ReadBoundaries(r, name)
	var out []app.NamedBoundary
	for _, b := range list {
		x := app.NamedBoundary{Name: b.Name, Globe: !b.Grid}
		for _, p := range b.Ring {
			x.Points = append(x.Points, app.Point{X: p[0], Y: p[1]})
		}
		out = append(out, x)
	}
	return out, notes, err
}
