package web_test

import (
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"strings"
	"testing"

	"sapward/internal/app"
	"sapward/internal/web"
)

// ask sends one request as a browser without cookies would.
func ask(t *testing.T, method, url, body string, header ...string) (*http.Response, string) {
	t.Helper()
	req, err := http.NewRequest(method, url, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if body != "" {
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	for i := 0; i+1 < len(header); i += 2 {
		if header[i] == "Host" {
			req.Host = header[i+1]
		}
		req.Header.Set(header[i], header[i+1])
	}
	c := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	return read(t, c, req)
}

func read(t *testing.T, c *http.Client, req *http.Request) (*http.Response, string) {
	t.Helper()
	res, err := c.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	data, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return res, string(data)
}

// person is a browser with its own cookies.
type person struct {
	t    *testing.T
	base string
	c    *http.Client
}

func browse(t *testing.T, base string) person {
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	return person{t, base, &http.Client{Jar: jar}}
}

func (p person) get(path string) (*http.Response, string) {
	p.t.Helper()
	req, err := http.NewRequest(http.MethodGet, p.base+path, nil)
	if err != nil {
		p.t.Fatal(err)
	}
	return read(p.t, p.c, req)
}

func (p person) post(path string, form url.Values) (*http.Response, string) {
	p.t.Helper()
	req, err := http.NewRequest(http.MethodPost, p.base+path, strings.NewReader(form.Encode()))
	if err != nil {
		p.t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	return read(p.t, p.c, req)
}

func values(pairs ...string) url.Values {
	v := url.Values{}
	for i := 0; i+1 < len(pairs); i += 2 {
		v.Set(pairs[i], pairs[i+1])
	}
	return v
}

// Every page of the demo in both languages: status, what it must say, what it
// must never show.
func TestPages_Say(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	never := []string{"<no value>", "%!", "web-", "field-", "{{", "ZgotmplZ", "style=\"", "<style", "onclick"}
	for _, c := range []struct {
		path   string
		status int
		en, es string
	}{
		{"/estates", 200, "Demo estate", "Fincas"},
		{"/estates/new", 200, "Add an estate", "Añadir una finca"},
		{"/estates/" + h.estate, 200, "What is due", "Qué toca hacer"},
		{"/estates/" + h.estate + "/history", 200, "Nothing is deleted", "Nada se borra"},
		{"/blocks/" + h.avenue, 200, "Are they enough?", "¿Son bastantes?"},
		{"/blocks/" + h.avenue + "/trees", 200, "E001", "E001"},
		{"/blocks/" + h.avenue + "/trees?q=E00", 200, "E009", "E009"},
		{"/blocks/" + h.avenue + "/trees?q=nothing", 200, "No tree matches", "Ningún árbol coincide"},
		{"/blocks/" + h.avenue + "/edit", 200, "Change the block", "Cambiar el bloque"},
		{"/trees/" + h.tree, 200, "Tape readings", "Lecturas de cinta"},
		{"/cards", 200, "Invented Product A", "Invented Product A"},
		{"/cards/new", 200, "What to put right", "Qué corregir"},
		{"/cards/" + h.card, 200, "As understood", "Como se entendió"},
		{"/drafts/" + h.draft, 200, "Facts open", "Faltan datos"},
		{"/plans/" + h.plan, 200, "Nothing on this page changes any more", "Nada de esta página cambia ya"},
		{"/data", 200, "Preview", "Vista previa"},
		{"/people", 200, "adviser", "adviser"},
		{"/settings", 200, "Step times", "Tiempos de cada paso"},
		{"/about", 200, "Each port is a permanent wound", "Cada puerto es una herida permanente"},
		{"/search?q=E01", 200, "E010", "E010"},
		{"/nowhere", 404, "nothing at this address", "No hay nada"},
		{"/estates/none", 404, "This page is not here", "Esta página no está aquí"},
	} {
		for lang, want := range map[string]string{"en": c.en, "es": c.es} {
			for _, units := range []string{"metric", "us"} {
				res, body := ask(t, "GET", h.url+c.path, "", "Cookie", "lang="+lang+"; units="+units)
				if res.StatusCode != c.status {
					t.Errorf("%s %s: status %d, want %d: %.300s", c.path, lang, res.StatusCode, c.status, body)
					continue
				}
				if !strings.Contains(body, want) {
					t.Errorf("%s %s lacks %q", c.path, lang, want)
				}
				if !strings.Contains(body, `<html lang="`+lang+`"`) {
					t.Errorf("%s is not in %s", c.path, lang)
				}
				for _, bad := range never {
					if i := strings.Index(textOf(body), bad); i >= 0 {
						t.Errorf("%s %s shows %q: ...%s", c.path, lang, bad, short(textOf(body)[max(0, i-40):]))
					}
				}
			}
		}
	}
}

// textOf leaves out what a page names things by: addresses, identifiers and
// the text of a card.
func textOf(body string) string {
	var out strings.Builder
	for _, part := range strings.Split(body, "<") {
		tag, text, ok := strings.Cut(part, ">")
		if ok && !strings.HasPrefix(tag, "textarea") && !strings.HasPrefix(tag, "script") {
			for _, attribute := range []string{" style=", " onclick="} {
				if strings.Contains(tag, attribute) {
					out.WriteString(attribute[1:] + "\"")
				}
			}
			out.WriteString(text)
			out.WriteByte('\n')
		}
		if strings.HasPrefix(tag, "style") {
			out.WriteString("<style")
		}
	}
	return out.String()
}

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

// First load: page, styles, script and font together.
func TestFirstLoad_IsLight(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	total := 0
	count := func(path string) string {
		req, _ := http.NewRequest("GET", h.url+path, nil)
		req.Header.Set("Accept-Encoding", "gzip, br")
		res, err := http.DefaultTransport.RoundTrip(req)
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		data, _ := io.ReadAll(res.Body)
		total += len(data)
		return res.Header.Get("Cache-Control")
	}
	_, page := ask(t, "GET", h.url+"/estates", "")
	count("/estates")
	assets := 0
	for _, part := range strings.Split(page, `"/static/`)[1:] {
		name, _, _ := strings.Cut(part, `"`)
		if cache := count("/static/" + name); !strings.Contains(cache, "immutable") {
			t.Errorf("%s may not be kept: %q", name, cache)
		}
		assets++
	}
	t.Logf("first load %d bytes in %d files", total, assets+1)
	if total > 150_000 || assets < 5 {
		t.Errorf("first load is %d bytes in %d files; the bound is 150 kB", total, assets+1)
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

// Two people change one block: the second is told, sees both, loses nothing.
func TestConflict_ShowsBothAndLosesNothing(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	one, two := browse(t, h.url), browse(t, h.url)
	_, form := one.get("/blocks/" + h.avenue + "/edit")
	version := between(form, `name="version" value="`, `"`)
	if version == "" {
		t.Fatal("the form has no version")
	}
	save := func(p person, note string, version string) (*http.Response, string) {
		return p.post("/blocks/"+h.avenue+"/edit", values("version", version, "name", "Avenue", "site", "elm", "species", "Ulmus minor", "area", "1.2", "note", note))
	}
	if res, _ := save(one, "first note", version); res.StatusCode != 200 {
		t.Fatalf("the first save: %d", res.StatusCode)
	}
	res, body := save(two, "second note", version)
	if res.StatusCode != 409 {
		t.Fatalf("the second save: %d, want 409", res.StatusCode)
	}
	for _, want := range []string{"first note", "second note", "Nothing was overwritten"} {
		if !strings.Contains(body, want) {
			t.Errorf("the conflict does not show %q", want)
		}
	}
	newer := between(body, `name="version" value="`, `"`)
	if res, body := save(two, "second note", newer); res.StatusCode != 200 || !strings.Contains(body, "Saved") {
		t.Errorf("saving again: %d", res.StatusCode)
	}
	_, history := one.get("/estates/" + h.estate + "/history")
	if !strings.Contains(history, "first note") || !strings.Contains(history, "second note") {
		t.Error("the history lost one of the notes")
	}
}

func between(s, from, to string) string {
	_, rest, ok := strings.Cut(s, from)
	if !ok {
		return ""
	}
	out, _, _ := strings.Cut(rest, to)
	return out
}

// Undo takes the last change back.
func TestUndo(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	p := browse(t, h.url)
	_, form := p.get("/blocks/" + h.avenue + "/edit")
	_, body := p.post("/blocks/"+h.avenue+"/edit", values("version", between(form, `name="version" value="`, `"`), "name", "Avenue of undo", "site", "elm", "area", "1.2"))
	event := between(body, `name="event" value="`, `"`)
	if event == "" || !strings.Contains(body, "Avenue of undo") {
		t.Fatalf("no undo is offered: %.400s", body)
	}
	_, body = p.post("/undo", values("event", event, "back", "/blocks/"+h.avenue))
	if strings.Contains(body, "Avenue of undo") || !strings.Contains(body, "Taken back") {
		t.Error("the change is still there")
	}
}

// Papers: the right kind, a name, and something in them.
func TestPapers(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	for _, at := range []string{"/drafts/" + h.draft, "/plans/" + h.plan} {
		for ext, want := range map[string]string{"pdf": "%PDF-", "csv": "tree,", "ics": "BEGIN:VCALENDAR", "json": "{"} {
			res, body := ask(t, "GET", h.url+at+"/plan."+ext, "")
			if res.StatusCode != 200 || !strings.HasPrefix(strings.TrimPrefix(body, "\ufeff"), want) {
				t.Errorf("%s.%s: %d %.60q", at, ext, res.StatusCode, body)
			}
			if d := res.Header.Get("Content-Disposition"); !strings.HasPrefix(d, "attachment; filename=") {
				t.Errorf("%s.%s: %q", at, ext, d)
			}
		}
	}
	res, body := ask(t, "GET", h.url+"/estates/"+h.estate+"/export.zip", "")
	if res.StatusCode != 200 || !strings.HasPrefix(body, "PK") {
		t.Errorf("export: %d %.20q", res.StatusCode, body)
	}
}

// A table comes in with a preview; the same table again changes nothing.
func TestImport_PreviewsAndIsIdempotent(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	p := browse(t, h.url)
	send := func(table string) (*http.Response, string) {
		body := "--x\r\nContent-Disposition: form-data; name=\"block\"\r\n\r\n" + h.avenue + "\r\n--x\r\nContent-Disposition: form-data; name=\"kind\"\r\n\r\ntrees\r\n" +
			"--x\r\nContent-Disposition: form-data; name=\"file\"; filename=\"t.csv\"\r\n\r\n" + table + "\r\n--x--\r\n"
		req, _ := http.NewRequest("POST", h.url+"/data/preview", strings.NewReader(body))
		req.Header.Set("Content-Type", "multipart/form-data; boundary=x")
		return read(t, p.c, req)
	}
	table := "tree,girth_cm,measured_at_m\nN001,120,1.37\nN002,131.5,1.37\n"
	res, body := send(table)
	token := between(body, `name="token" value="`, `"`)
	if res.StatusCode != 200 || token == "" || !strings.Contains(body, "N001") {
		t.Fatalf("preview: %d %.500s", res.StatusCode, body)
	}
	if _, list := p.get("/blocks/" + h.avenue + "/trees?q=N00"); strings.Contains(list, "N001") {
		t.Error("the preview kept something")
	}
	if _, body = p.post("/data/import", values("token", token)); !strings.Contains(body, "2 added") {
		t.Errorf("import: %.300s", textOf(body))
	}
	if _, body = send(table); !strings.Contains(body, "Everything in the file is kept already") {
		t.Error("the same table again is not seen as the same")
	}
	// headers in other words are matched by hand
	_, body = send("Nr,Contorno (cm)\nN005,120\n")
	token = between(body, `name="token" value="`, `"`)
	if !strings.Contains(body, "Contorno (cm)") || token == "" {
		t.Fatalf("the headers are not offered: %.600s", textOf(body))
	}
	match := values("token", token, "matched", "yes", "h0", "Nr", "m0", "tree", "h1", "Contorno (cm)", "m1", "girth_cm")
	if res, body = p.post("/data/preview", match); res.StatusCode != 200 || !strings.Contains(body, "N005") {
		t.Errorf("matched by hand: %d %.400s", res.StatusCode, textOf(body))
	}
	if _, body = p.post("/data/import", match); !strings.Contains(body, "1 added") {
		t.Errorf("imported as matched: %.300s", textOf(body))
	}
	res, body = send("tree,girth_cm\nN003,a lot\n,50\nN004,-3\n")
	if res.StatusCode != 422 {
		t.Errorf("a bad table: %d", res.StatusCode)
	}
	for _, line := range []string{"t.csv:2", "t.csv:3", "t.csv:4"} {
		if !strings.Contains(body, line) {
			t.Errorf("the problem at %s is not named", line)
		}
	}
}

// A file kept beside a tree comes back as a download with the same bytes; what
// is no picture or document is refused whatever it calls itself.
func TestFiles_AreDownloads(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	p := browse(t, h.url)
	send := func(name, bytes string) (*http.Response, string) {
		body := "--x\r\nContent-Disposition: form-data; name=\"file\"; filename=\"" + name + "\"\r\nContent-Type: image/png\r\n\r\n" + bytes + "\r\n--x--\r\n"
		req, _ := http.NewRequest("POST", h.url+"/trees/"+h.tree+"/files", strings.NewReader(body))
		req.Header.Set("Content-Type", "multipart/form-data; boundary=x")
		return read(t, p.c, req)
	}
	png := "\x89PNG\r\n\x1a\n" + strings.Repeat("p", 700)
	_, body := send("../../trunk \u00e9.png", png)
	at := between(body, `href="/files/`, `"`)
	if at == "" {
		t.Fatalf("the file is not listed: %.300s", textOf(body))
	}
	res, got := p.get("/files/" + at)
	if got != png || !strings.HasPrefix(res.Header.Get("Content-Disposition"), `attachment; filename="trunk`) || res.Header.Get("Content-Type") != "image/png" {
		t.Errorf("came back as %d bytes, %q, %q", len(got), res.Header.Get("Content-Disposition"), res.Header.Get("Content-Type"))
	}
	for name, bytes := range map[string]string{"x.png": "<html><script>1</script></html>", "x.svg": "<svg xmlns='http://www.w3.org/2000/svg'/>", "x.exe": "MZ\x90\x00\x03\x00\x00\x00\x04"} {
		if res, _ := send(name, bytes); res.StatusCode < 400 {
			t.Errorf("%s: status %d", name, res.StatusCode)
		}
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
