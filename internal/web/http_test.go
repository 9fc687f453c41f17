package web_test

import (
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"strings"
	"sync"
	"testing"

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
		{"/cards/" + h.card, 200, "Card as a form", "Ficha como formulario"},
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

// Pages that share what was worked out once are the same for everybody who asks
// at the same time, in either unit (run with -race).
func TestPages_AtOnce(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	paths := []string{"/drafts/" + h.draft, "/plans/" + h.plan, "/blocks/" + h.avenue, "/cards/" + h.card, "/drafts/" + h.draft + "/plan.csv"}
	var wg sync.WaitGroup
	bodies := make([][]string, 2*len(paths))
	var mu sync.Mutex
	for i, path := range paths {
		for k, units := range []string{"metric", "us"} {
			for range 3 {
				wg.Go(func() {
					res, err := http.DefaultClient.Do(cookied(t, h.url+path, "units="+units))
					if err != nil {
						t.Error(err)
						return
					}
					defer res.Body.Close()
					b, err := io.ReadAll(res.Body)
					if err != nil || res.StatusCode != 200 {
						t.Errorf("%s: status %d, %v", path, res.StatusCode, err)
					}
					mu.Lock()
					bodies[2*i+k] = append(bodies[2*i+k], string(b))
					mu.Unlock()
				})
			}
		}
	}
	wg.Wait()
	for i, same := range bodies {
		for _, b := range same[1:] {
			if b != same[0] {
				t.Errorf("%s differs between two who asked at once", paths[i/2])
			}
		}
	}
}

func cookied(t *testing.T, url, cookie string) *http.Request {
	req, err := http.NewRequest(http.MethodGet, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Cookie", cookie)
	return req
}

// formOf reads the fields of a draft's choices from its page, as a browser would
// send them.
func formOf(page string) url.Values {
	form := url.Values{}
	part := between(page, `<form id="choices"`, "</form>")
	for _, tag := range strings.Split(part, "<")[1:] {
		name := between(tag, ` name="`, `"`)
		switch {
		case strings.HasPrefix(tag, "input") && (!strings.Contains(tag, `type="radio"`) && !strings.Contains(tag, `type="checkbox"`) || strings.Contains(tag, " checked")):
			form.Add(name, between(tag, ` value="`, `"`))
		case strings.HasPrefix(tag, "textarea"):
			_, text, _ := strings.Cut(tag, ">")
			form.Add(name, strings.TrimPrefix(text, "\n"))
		case strings.HasPrefix(tag, "select"):
			rest := part[strings.Index(part, "<"+tag)+1:]
			rest, _, _ = strings.Cut(rest, "</select>")
			value := ""
			for _, o := range strings.Split(rest, "<option")[1:] {
				if head, text, _ := strings.Cut(o, ">"); strings.Contains(head, " selected") {
					if value = between(head, ` value="`, `"`); !strings.Contains(head, "value=") {
						value, _, _ = strings.Cut(text, "<")
					}
				}
			}
			form.Add(name, value)
		}
	}
	return form
}
