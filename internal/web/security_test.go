package web_test

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"sapward/internal/app"
	"sapward/internal/web"
)

// A strict policy and its companions stand on every answer, errors included.
func TestHeaders_OnEveryAnswer(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	for _, path := range []string{"/estates", "/drafts/" + h.draft, "/nowhere", "/drafts/" + h.draft + "/plan.csv", "/cards/" + h.card} {
		res, _ := ask(t, "GET", h.url+path, "")
		csp := res.Header.Get("Content-Security-Policy")
		for _, part := range []string{"default-src 'none'", "script-src 'self'", "style-src 'self'", "frame-ancestors 'none'", "base-uri 'none'", "form-action 'self'"} {
			if !strings.Contains(csp, part) {
				t.Errorf("%s: the policy lacks %s: %q", path, part, csp)
			}
		}
		if strings.Contains(csp, "unsafe") {
			t.Errorf("%s: the policy allows something unsafe: %q", path, csp)
		}
		for name, want := range map[string]string{"X-Content-Type-Options": "nosniff", "Referrer-Policy": "same-origin", "Cross-Origin-Opener-Policy": "same-origin", "Cache-Control": "no-store"} {
			if got := res.Header.Get(name); got != want {
				t.Errorf("%s: %s is %q, want %q", path, name, got, want)
			}
		}
	}
}

// A loopback server answers to its own names alone.
func TestHost_MustBeOwn(t *testing.T) {
	h := empty(t, web.Options{Local: true})
	for host, want := range map[string]int{"127.0.0.1:80": 200, "localhost": 200, "[::1]:8080": 200, "estate.example": 403, "127.0.0.1.example": 403, "": 200} {
		res, _ := ask(t, "GET", h.url+"/estates", "", "Host", host)
		if res.StatusCode != want {
			t.Errorf("Host %q: status %d, want %d", host, res.StatusCode, want)
		}
	}
}

// What another site sends is not carried out.
func TestCrossSite_IsRefused(t *testing.T) {
	h := empty(t, web.Options{Local: true})
	body := "name=Elsewhere&zone=UTC"
	for _, header := range [][]string{{"Sec-Fetch-Site", "cross-site"}, {"Origin", "https://estate.example"}} {
		res, _ := ask(t, "POST", h.url+"/estates/new", body, header...)
		if res.StatusCode != 403 {
			t.Errorf("%v: status %d, want 403", header, res.StatusCode)
		}
	}
	if _, page := ask(t, "GET", h.url+"/estates", ""); strings.Contains(page, "Elsewhere") {
		t.Error("the estate was added all the same")
	}
	if res, _ := ask(t, "POST", h.url+"/estates/new", body, "Sec-Fetch-Site", "same-origin"); res.StatusCode != 303 {
		t.Errorf("from here: status %d, want 303", res.StatusCode)
	}
}

func TestTrace_IsNotAnswered(t *testing.T) {
	h := empty(t, web.Options{Local: true})
	if res, _ := ask(t, "TRACE", h.url+"/estates", ""); res.StatusCode < 400 {
		t.Errorf("status %d", res.StatusCode)
	}
}

// What people type comes out as text.
func TestPages_EscapeWhatPeopleType(t *testing.T) {
	h := empty(t, web.Options{Local: true})
	evil := `"><script>alert(1)</script>{{.}}`
	p := browse(t, h.url)
	_, body := p.post("/estates/new", values("name", evil, "zone", "UTC", "note", evil))
	if strings.Contains(body, "<script>alert") {
		t.Error("the script came out as a script")
	}
	if !strings.Contains(body, "&lt;script&gt;alert(1)&lt;/script&gt;{{.}}") {
		t.Error("the name is not shown as typed")
	}
	// in drawings, which go into the page as markup, too
	es, err := h.app.Estates(t.Context(), app.Local())
	if err != nil || len(es) != 1 {
		t.Fatal(err, len(es))
	}
	b, err := h.app.AddBlock(t.Context(), app.Local(), es[0].ID, app.BlockFacts{Name: evil})
	if err != nil {
		t.Fatal(err)
	}
	x := 3.0
	for _, tag := range []string{"<i>T1</i>", "T2\"><g onload=1>"} {
		if _, err := h.app.AddTree(t.Context(), app.Local(), b.ID, app.TreeFacts{Tag: tag, XM: &x, YM: &x, Stems: []app.StemFacts{{DiameterCM: "40"}}}); err != nil {
			t.Fatal(err)
		}
		x += 8
	}
	for _, path := range []string{"/blocks/" + b.ID, "/estates/" + es[0].ID, "/blocks/" + b.ID + "/trees"} {
		_, page := p.get(path)
		for _, raw := range []string{"<i>T1", "<g onload", "<script>alert"} {
			if strings.Contains(page, raw) {
				t.Errorf("%s holds %s", path, raw)
			}
		}
		if path != "/estates/"+es[0].ID && !strings.Contains(page, "&lt;i&gt;T1") {
			t.Errorf("%s does not show the tag", path)
		}
	}
}

// A file larger than the limit is refused, and the page says how to go on.
func TestUpload_IsBounded(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	var b strings.Builder
	b.WriteString("--x\r\nContent-Disposition: form-data; name=\"file\"; filename=\"trees.csv\"\r\n\r\n")
	b.WriteString(strings.Repeat("0123456789abcdef", (web.MostUpload+1000)/16))
	b.WriteString("\r\n--x--\r\n")
	res, body := ask(t, "POST", h.url+"/data/preview", b.String(), "Content-Type", "multipart/form-data; boundary=x")
	if res.StatusCode != 413 || !strings.Contains(body, "larger than 32 MB") {
		t.Errorf("status %d: %.200s", res.StatusCode, body)
	}
}

// Whoever is not signed in sees the door and nothing else.
func TestDoor(t *testing.T) {
	h := filled(t, web.Options{})
	for _, path := range []string{"/estates", "/blocks/" + h.avenue, "/drafts/" + h.draft + "/plan.pdf", "/data", "/people", "/settings", "/about"} {
		res, body := ask(t, "GET", h.url+path, "")
		if res.StatusCode != 303 || !strings.HasPrefix(res.Header.Get("Location"), "/signin") {
			t.Errorf("%s: status %d to %q", path, res.StatusCode, res.Header.Get("Location"))
		}
		if strings.Contains(body, "Demo estate") {
			t.Errorf("%s shows something", path)
		}
	}
	if res, _ := ask(t, "POST", h.url+"/estates/new", "name=x", "Sec-Fetch-Site", "same-origin"); res.StatusCode != 303 {
		t.Errorf("a form: status %d", res.StatusCode)
	}
}

func TestSession_IsNewAfterSignIn_AndEndsWithSignOut(t *testing.T) {
	h := filled(t, web.Options{})
	p := browse(t, h.url)
	at, _ := url.Parse(h.url)
	token := func() string {
		for _, c := range p.c.Jar.Cookies(at) {
			if c.Name == "sapward" {
				return c.Value
			}
		}
		return ""
	}
	if res, body := p.post("/signin", values("name", "owner", "passphrase", "wrong passphrase here")); res.StatusCode != 403 || strings.Contains(body, "Demo estate") {
		t.Fatalf("a wrong passphrase: status %d", res.StatusCode)
	}
	before := token()
	if res, body := p.post("/signin", values("name", "owner", "passphrase", h.passphrase, "to", "//elsewhere.example/x")); res.Request.URL.Path != "/estates" || !strings.Contains(body, "Demo estate") {
		t.Fatalf("sign-in led to %s: %.300s", res.Request.URL, body)
	}
	after := token()
	if after == "" || after == before {
		t.Error("the session token is not new after sign-in")
	}
	if _, body := p.get("/estates"); !strings.Contains(body, "Demo estate") {
		t.Error("the session does not last")
	}
	res, _ := p.post("/signout", nil)
	if res.Request.URL.Path != "/signin" {
		t.Errorf("sign-out led to %s", res.Request.URL)
	}
	stale, _ := ask(t, "GET", h.url+"/estates", "", "Cookie", "sapward="+after)
	if stale.StatusCode != 303 {
		t.Error("the old token still opens the pages")
	}
}

// Two servers on the same facts know the same people: one signed in at the first
// is signed in at the second, as after a restart, and signed out at both.
func TestSession_IsSharedAndOutlivesAServer(t *testing.T) {
	h := filled(t, web.Options{})
	again, err := web.New(h.app, web.Options{Version: "test", Tables: sheets{}})
	if err != nil {
		t.Fatal(err)
	}
	second := httptest.NewServer(again)
	t.Cleanup(second.Close)
	enter := func(name, passphrase string) string {
		t.Helper()
		p := browse(t, h.url)
		p.post("/signin", values("name", name, "passphrase", passphrase))
		at, _ := url.Parse(h.url)
		for _, c := range p.c.Jar.Cookies(at) {
			if c.Name == "sapward" {
				return c.Value
			}
		}
		t.Fatalf("%s is not let in", name)
		return ""
	}
	opens := func(server, token string) bool {
		t.Helper()
		res, _ := ask(t, "GET", server+"/estates", "", "Cookie", "sapward="+token)
		return res.StatusCode == 200
	}
	token := enter("owner", h.passphrase)
	if !opens(h.url, token) || !opens(second.URL, token) {
		t.Fatal("signed in at one server, not known at the other")
	}
	ask(t, "POST", second.URL+"/signout", "", "Cookie", "sapward="+token, "Sec-Fetch-Site", "same-origin")
	if opens(h.url, token) || opens(second.URL, token) {
		t.Error("signed out at one server, still known")
	}

	crew, err := h.app.AddPerson(t.Context(), app.Local(), app.PersonFacts{Name: "crew"}, "four words of ash")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := h.app.Grant(t.Context(), app.Local(), "", crew.ID, app.Crew); err != nil {
		t.Fatal(err)
	}
	token = enter("crew", "four words of ash")
	if !opens(second.URL, token) {
		t.Fatal("the crew is not let in")
	}
	if _, err := h.app.RetirePerson(t.Context(), app.Local(), crew.ID, crew.Version, "left"); err != nil {
		t.Fatal(err)
	}
	if opens(h.url, token) || opens(second.URL, token) {
		t.Error("a retired person is still known")
	}
	sum := sha256.Sum256([]byte(token))
	if _, there, err := h.app.Sessions.Session(t.Context(), hex.EncodeToString(sum[:])); err != nil || there {
		t.Errorf("the session of a retired person is kept: %v", err)
	}
}

func TestSignIn_IsLimited(t *testing.T) {
	h := filled(t, web.Options{})
	last := 0
	for range 12 {
		res, _ := ask(t, "POST", h.url+"/signin", "name=owner&passphrase=not-the-right-one", "Sec-Fetch-Site", "same-origin")
		last = res.StatusCode
	}
	if last != 429 {
		t.Errorf("the twelfth wrong try gave %d, want 429", last)
	}
}

// The first owner comes in with the token that was printed once.
func TestFirstOwner(t *testing.T) {
	h := empty(t, web.Options{})
	token, err := h.app.FirstOwnerToken(t.Context(), app.Local())
	if err != nil {
		t.Fatal(err)
	}
	p := browse(t, h.url)
	if res, _ := p.post("/first-owner", values("token", "0000", "name", "owner", "passphrase", "one two three four")); res.StatusCode != 403 {
		t.Errorf("a wrong token: status %d", res.StatusCode)
	}
	if res, body := p.post("/first-owner", values("token", token, "name", "owner", "passphrase", "short")); res.StatusCode < 400 || !strings.Contains(body, "12") {
		t.Errorf("a short passphrase: status %d", res.StatusCode)
	}
	if res, _ := p.post("/first-owner", values("token", token, "name", "owner", "passphrase", "one two three four")); res.Request.URL.Path != "/estates" {
		t.Errorf("led to %s", res.Request.URL)
	}
	if res, _ := browse(t, h.url).post("/first-owner", values("token", token, "name", "second", "passphrase", "one two three four")); res.StatusCode != 403 {
		t.Errorf("the token let a second person in: status %d", res.StatusCode)
	}
}

// member adds a person with a role and signs in.
func member(t *testing.T, h *stage, name string, role app.Role, estate string) person {
	t.Helper()
	p, err := h.app.AddPerson(t.Context(), app.Local(), app.PersonFacts{Name: name}, "a passphrase of "+name)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := h.app.Grant(t.Context(), app.Local(), estate, p.ID, role); err != nil {
		t.Fatal(err)
	}
	b := browse(t, h.url)
	if res, _ := b.post("/signin", values("name", name, "passphrase", "a passphrase of "+name)); res.Request.URL.Path != "/estates" {
		t.Fatalf("%s is not let in: %s", name, res.Request.URL)
	}
	return b
}

// Each role sees what it may do and is refused the rest; people of another
// estate find nothing.
func TestRoles_OnThePages(t *testing.T) {
	h := filled(t, web.Options{})
	other, err := h.app.AddEstate(t.Context(), app.Local(), app.EstateFacts{Name: "Other estate"})
	if err != nil {
		t.Fatal(err)
	}
	viewer, crew := member(t, h, "looker", app.Viewer, h.estate), member(t, h, "hand", app.Crew, h.estate)
	stranger := member(t, h, "neighbour", app.Owner, other.ID)

	_, page := viewer.get("/blocks/" + h.avenue)
	if !strings.Contains(page, "Diameters of the block") {
		t.Error("a viewer does not see the block")
	}
	for _, button := range []string{"New plan", ">Import<", "Take out of use", "Record a treatment"} {
		if strings.Contains(page, button) {
			t.Errorf("a viewer is offered %s", button)
		}
	}
	if res, _ := viewer.post("/blocks/"+h.avenue+"/drafts", values("card", h.card)); res.StatusCode != 403 {
		t.Errorf("a viewer began a plan: %d", res.StatusCode)
	}
	if res, _ := viewer.post("/trees/"+h.tree+"/measure", values("version", "1", "kind", "girth", "reading", "120")); res.StatusCode != 403 {
		t.Errorf("a viewer taped a tree: %d", res.StatusCode)
	}
	_, page = crew.get("/trees/" + h.tree)
	version := between(page, `name="version" value="`, `"`)
	if res, body := crew.post("/trees/"+h.tree+"/measure", values("version", version, "kind", "girth", "reading", "121.5", "at", "1.37")); res.StatusCode != 200 || !strings.Contains(body, "The reading was kept") {
		t.Errorf("crew could not tape a tree: %d", res.StatusCode)
	}
	if res, _ := crew.post("/drafts/"+h.draft+"/approve", values("version", "1", "read", "yes")); res.StatusCode < 400 {
		t.Errorf("crew approved a plan: %d", res.StatusCode)
	}
	for _, path := range []string{"/estates/" + h.estate, "/blocks/" + h.avenue, "/trees/" + h.tree, "/drafts/" + h.draft, "/plans/" + h.plan, "/plans/" + h.plan + "/plan.pdf", "/plans/" + h.plan + "/turn?stand=90&v=1", "/estates/" + h.estate + "/export.zip", "/estates/" + h.estate + "/history"} {
		if res, body := stranger.get(path); res.StatusCode != 403 && res.StatusCode != 404 || strings.Contains(body, "Demo estate") {
			t.Errorf("%s answers a stranger with %d", path, res.StatusCode)
		}
	}
	for _, path := range []string{"/estates", "/search?q=E01", "/data"} {
		if _, body := stranger.get(path); strings.Contains(body, "Demo estate") || strings.Contains(body, "E010") {
			t.Errorf("%s shows a stranger another estate", path)
		}
	}
}

// A fault of the program shows no cause.
func TestFault_ShowsNoCause(t *testing.T) {
	h := empty(t, web.Options{Local: true})
	h.close()
	res, body := ask(t, "GET", h.url+"/estates", "")
	if res.StatusCode < 500 {
		t.Fatalf("status %d", res.StatusCode)
	}
	for _, bad := range []string{"sql", "database", "goroutine", ".go:"} {
		if strings.Contains(strings.ToLower(textOf(body)), bad) {
			t.Errorf("the page shows %q: %s", bad, short(fmt.Sprint(textOf(body))))
		}
	}
}
