package web_test

import (
	"net/http"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"testing"

	"sapward/internal/app"
	"sapward/internal/web"
)

// The lines that the documentation gives are run as they stand, with sh and curl,
// twice: they make what they say, once.
func TestTenLines_RunAsTheyStand(t *testing.T) {
	for _, program := range []string{"sh", "curl", "sed"} {
		if _, err := exec.LookPath(program); err != nil {
			t.Skipf("%s is not here: %v", program, err)
		}
	}
	data, err := os.ReadFile("../../docs/api.md")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(data), "## Ten lines")
	m := regexp.MustCompile("(?s)```sh\n(.*?)```").FindStringSubmatch(rest)
	if m == nil {
		t.Fatal("no lines")
	}
	lines := m[1]
	if n := strings.Count(lines, "\n"); n != 10 {
		t.Errorf("%d lines", n)
	}
	h := empty(t, web.Options{})
	ctx := t.Context()
	p, err := h.app.AddPerson(ctx, app.Local(), app.PersonFacts{Name: "owner"}, "")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := h.app.Grant(ctx, app.Local(), "", p.ID, app.Owner); err != nil {
		t.Fatal(err)
	}
	_, token, err := h.app.AddToken(ctx, app.Actor{Person: p.ID}, app.TokenOrder{Name: "ten lines", Role: app.Owner})
	if err != nil {
		t.Fatal(err)
	}
	run := func() (string, string) {
		c := exec.Command("sh", "-c", lines)
		c.Env = append(os.Environ(), "SAPWARD="+h.url, "TOKEN="+token)
		var out, bad strings.Builder
		c.Stdout, c.Stderr = &out, &bad
		if err := c.Run(); err != nil {
			t.Fatalf("%v\n%s\n%s", err, out.String(), bad.String())
		}
		return out.String(), bad.String()
	}
	out, bad := run()
	if bad != "" || !strings.Contains(out, `"status":"suspect"`) || !strings.Contains(out, `"add":1`) || !strings.Contains(out, `"tag":"E001"`) {
		t.Errorf("%s\n%s", out, bad)
	}
	if _, bad := run(); !strings.Contains(bad, "412") { // the version that was looked at has gone by
		t.Errorf("a second time: %s", bad)
	}
	es, err := h.app.Estates(ctx, app.Local())
	if err != nil || len(es) != 1 || es[0].Trees != 2 || es[0].Blocks != 1 {
		t.Errorf("%+v %v", es, err)
	}
}

// A request with a token gets no cookie and needs none; one of a browser needs
// its session, the header of its own and no other site; the document is for
// everybody, and answers carry the headers of every page.
func TestPrograms_BesideBrowsers(t *testing.T) {
	h := filled(t, web.Options{})
	ctx := t.Context()
	people, err := h.app.People(ctx, app.Local())
	if err != nil {
		t.Fatal(err)
	}
	owner := app.Actor{}
	for _, p := range people {
		if p.Facts.Name == "owner" {
			owner.Person = p.ID
		}
	}
	_, token, err := h.app.AddToken(ctx, owner, app.TokenOrder{Name: "x", Role: app.Owner})
	if err != nil {
		t.Fatal(err)
	}
	ask := func(method, path string, c *http.Client, header ...string) *http.Response {
		t.Helper()
		req, err := http.NewRequest(method, h.url+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		for i := 0; i+1 < len(header); i += 2 {
			req.Header.Set(header[i], header[i+1])
		}
		res, err := c.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		res.Body.Close()
		return res
	}
	bare := &http.Client{}
	if r := ask("GET", "/api/v1/openapi.json", bare); r.StatusCode != 200 || r.Header.Get("Content-Type") != "application/json" {
		t.Errorf("%d %v", r.StatusCode, r.Header)
	}
	if r := ask("GET", "/api/v1/estates", bare); r.StatusCode != 401 || r.Header.Get("Content-Type") != "application/problem+json" {
		t.Errorf("%d %v", r.StatusCode, r.Header)
	}
	r := ask("GET", "/api/v1/estates", bare, "Authorization", "Bearer "+token)
	if r.StatusCode != 200 || len(r.Cookies()) > 0 || r.Header.Get("X-Content-Type-Options") != "nosniff" || r.Header.Get("Content-Security-Policy") == "" {
		t.Errorf("%d %v", r.StatusCode, r.Header)
	}
	p := browse(t, h.url)
	if res, _ := p.post("/signin", values("name", "owner", "passphrase", h.passphrase)); res.StatusCode != 200 {
		t.Fatal(res.StatusCode)
	}
	if r := ask("GET", "/api/v1/me", p.c); r.StatusCode != 200 {
		t.Errorf("a browser reads: %d", r.StatusCode)
	}
	if r := ask("GET", "/api/v1/me", p.c, "Authorization", "Bearer wrong"); r.StatusCode != 401 || len(r.Cookies()) > 0 {
		t.Errorf("a wrong token beside a good cookie: %d %v", r.StatusCode, r.Cookies())
	}
	path := "/api/v1/trees/" + h.tree
	if r := ask("DELETE", path, p.c, "If-Match", `"999"`); r.StatusCode != 403 {
		t.Errorf("without the header of its own: %d", r.StatusCode)
	}
	if r := ask("DELETE", path, p.c, "If-Match", `"999"`, "X-Sapward", "1", "Sec-Fetch-Site", "cross-site"); r.StatusCode != 403 || r.Header.Get("Content-Type") != "application/problem+json" {
		t.Errorf("from another site: %d %v", r.StatusCode, r.Header)
	}
	if r := ask("DELETE", path, p.c, "If-Match", `"999"`, "X-Sapward", "1"); r.StatusCode != 412 {
		t.Errorf("a browser writes: %d", r.StatusCode)
	}
}

// A person makes a token on the page, sees it once, and withdraws it.
func TestPrograms_FromThePage(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	p := browse(t, h.url)
	if _, body := p.get("/settings"); !strings.Contains(body, `href="/programs"`) {
		t.Error("the settings do not lead there")
	}
	if res, body := p.post("/programs", values("name", "", "role", "viewer", "days", "900")); res.StatusCode != 422 || !strings.Contains(body, "1 to 366") {
		t.Errorf("%d", res.StatusCode)
	}
	_, body := p.post("/programs", values("name", "invented program", "role", "viewer", "days", "90"))
	token := regexp.MustCompile(`sapward_[0-9a-f-]+\.[0-9a-f]{40}`).FindString(body)
	if token == "" {
		t.Fatalf("no token in %s", body)
	}
	try := func(want int) {
		t.Helper()
		req, err := http.NewRequest("GET", h.url+"/api/v1/me", nil)
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Authorization", "Bearer "+token)
		res, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		res.Body.Close()
		if res.StatusCode != want {
			t.Errorf("%d, want %d", res.StatusCode, want)
		}
	}
	try(200)
	_, body = p.get("/programs")
	if strings.Contains(body, token) || !strings.Contains(body, "invented program") {
		t.Error("the token is shown again, or its name is not")
	}
	withdraw := regexp.MustCompile(`/programs/[^"]+/withdraw`).FindString(body)
	if res, body := p.post(withdraw, values("x", "y")); res.StatusCode != 200 || !strings.Contains(body, "The token is withdrawn") {
		t.Errorf("%d", res.StatusCode)
	}
	try(401)
}
