package web_test

import (
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"sapward/internal/web"
)

// A visit is typed in and read back, a table comes in or says what is wrong with
// it, the level is changed, and the season prints on one page.
func TestFollow_IsTypedInAndRead(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	p := browse(t, h.url)
	at := "/blocks/" + h.chestnut + "/follow"
	_, page := p.get(at)
	for _, id := range []string{`id="progress"`, `id="survival"`, `id="efficacy"`, `id="residue0-0"`, `id="residue1-0"`, "treat again between"} {
		if !strings.Contains(page, id) {
			t.Errorf("the page has no %s", id)
		}
	}
	if regexp.MustCompile(`\bNaN\b|[+-]Inf\b`).MatchString(page) {
		t.Error("a figure on the page is none")
	}
	on := time.Now().UTC().AddDate(0, 0, -1).Format("2006-01-02")
	if res, _ := p.post(at+"/visit", values("on", on, "v-T01", "25", "v-T04", "dead", "o-T02", "12.5", "v-T02", "50")); res.StatusCode != 200 {
		t.Fatalf("a visit: %d", res.StatusCode)
	}
	if _, page = p.get(at); !strings.Contains(page, on) || !strings.Contains(page, "2 rated, 1 dead") {
		t.Error("the visit is not listed")
	}
	for _, form := range []map[string]string{{"on": on}, {"on": on, "v-T01": "75"}, {"on": on, "o-T05": "much"}, {"on": on, "o-T05": "101"}, {"on": "2999-01-01", "v-T05": "0"}} {
		var pairs []string
		for k, v := range form {
			pairs = append(pairs, k, v)
		}
		if res, body := p.post(at+"/visit", values(pairs...)); res.StatusCode != 422 || !strings.Contains(body, `role="alert"`) {
			t.Errorf("%v: %d", form, res.StatusCode)
		}
	}
	send := func(kind, table string) (*http.Response, string) {
		body := "--x\r\nContent-Disposition: form-data; name=\"kind\"\r\n\r\n" + kind + "\r\n--x\r\nContent-Disposition: form-data; name=\"file\"; filename=\"t.csv\"\r\n\r\n" + table + "\r\n--x--\r\n"
		req, _ := http.NewRequest("POST", h.url+at+"/import", strings.NewReader(body))
		req.Header.Set("Content-Type", "multipart/form-data; boundary=x")
		return read(t, p.c, req)
	}
	if res, body := send("assays", "tree,date,mg_kg\nT01,2026-09-01,0.6\nT04,2026-09-01,<0.05\n"); res.StatusCode != 200 || !strings.Contains(body, "2 added") {
		t.Errorf("assays: %d", res.StatusCode)
	}
	if res, body := send("assays", "tree,date,mg_kg\nT01,2026-09-02,nd\nT99,2026-09-02,much\n"); res.StatusCode != 422 || !strings.Contains(body, "t.csv:2:") || !strings.Contains(body, "t.csv:3:") {
		t.Errorf("bad assays: %d", res.StatusCode)
	}
	version := between(page[strings.LastIndex(page, `name="version"`):], `name="version" value="`, `"`)
	if res, _ := p.post(at, values("version", version, "day-zero", "2025-06-10", "effective-mg-kg", "x")); res.StatusCode != 422 {
		t.Errorf("a level that is none: %d", res.StatusCode)
	}
	if res, _ := p.post(at, values("version", version, "day-zero", "", "effective-mg-kg", "0.3", "interval-d", "60", "next-visit", "")); res.StatusCode != 200 {
		t.Errorf("a level: %d", res.StatusCode)
	}
	if !strings.Contains(page, `id="wounds"`) || !strings.Contains(page, `id="again"`) || !strings.Contains(page, `id="causes"`) || !strings.Contains(page, "felled for a track") {
		t.Error("wounds, windows or causes are not shown")
	}
	// A visit with a cause, ports and a photo; then it is taken out of use, which must be confirmed.
	picture := "\x89PNG\r\n\x1a\n" + strings.Repeat("invented", 8)
	var form strings.Builder
	for _, f := range [][2]string{{"on", time.Now().UTC().Format("2006-01-02")}, {"v-T01", "25"}, {"c-T01", "drought"}, {"hc-T01", "2"}, {"ho-T01", "1"}, {"hc-T05", "x"}} {
		form.WriteString("--x\r\nContent-Disposition: form-data; name=\"" + f[0] + "\"\r\n\r\n" + f[1] + "\r\n")
	}
	form.WriteString("--x\r\nContent-Disposition: form-data; name=\"p-T01\"; filename=\"crown.png\"\r\n\r\n" + picture + "\r\n--x--\r\n")
	visit := func(body string) (*http.Response, string) {
		req, _ := http.NewRequest("POST", h.url+at+"/visit", strings.NewReader(body))
		req.Header.Set("Content-Type", "multipart/form-data; boundary=x")
		return read(t, p.c, req)
	}
	if res, body := visit(form.String()); res.StatusCode != 422 || !strings.Contains(body, "is not a count of ports") {
		t.Errorf("ports that are none: %d", res.StatusCode)
	}
	if res, _ := visit(strings.Replace(form.String(), "\r\n\r\nx\r\n", "\r\n\r\n\r\n", 1)); res.StatusCode != 200 {
		t.Errorf("a visit with a photo: %d", res.StatusCode)
	}
	if _, page = p.get(at); !strings.Contains(page, "T01 crown.png") || !strings.Contains(page, "drought: T01") || !strings.Contains(page, "3 ports looked at") {
		t.Error("photo, cause or ports of the visit are not shown")
	}
	if got := between(page, `href="/files/`, `"`); got != "" {
		if res, body := p.get("/files/" + got); res.StatusCode != 200 || body != picture {
			t.Errorf("the photo: %d", res.StatusCode)
		}
	}
	retire := at + "/visits/" + between(page, at+"/visits/", "/retire") + "/retire"
	version = between(page[strings.Index(page, retire):], `name="version" value="`, `"`)
	if res, _ := p.post(retire, values("version", version)); res.StatusCode == 200 {
		t.Error("a visit went without a confirmation")
	}
	if res, _ := p.post(retire, values("version", version, "sure", "yes", "reason", "twice")); res.StatusCode != 200 {
		t.Errorf("a visit out of use: %d", res.StatusCode)
	}
	if _, page = p.get(at); strings.Contains(page, "crown.png") {
		t.Error("the visit still shows")
	}
	res, paper := p.get("/blocks/" + h.chestnut + "/season.pdf")
	if n := len(regexp.MustCompile(`/Type /Page\b[^s]`).FindAllString(paper, -1)); res.Header.Get("Content-Type") != "application/pdf" || n != 1 {
		t.Errorf("the season: %s, %d pages", res.Header.Get("Content-Type"), n)
	}
	if _, page = p.get("/blocks/" + h.avenue + "/follow"); !strings.Contains(page, "Nothing was looked at yet") {
		t.Error("the empty page does not teach")
	}
}
