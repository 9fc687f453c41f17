package authority_test

import (
	"crypto/x509"
	"io"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"

	"sapward/internal/authority"
)

// The port without HTTPS serves the page, its style sheet and the certificate,
// to reading alone, and nothing else.
func TestPage_ServesNothingElse(t *testing.T) {
	a := open(t, options(filepath.Join(t.TempDir(), "a"), here()))
	h := a.Page("8443")
	ask := func(method, path string, header ...string) (*http.Response, string) {
		r := httptest.NewRequest(method, path, nil)
		for i := 0; i+1 < len(header); i += 2 {
			r.Header.Set(header[i], header[i+1])
		}
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		b, err := io.ReadAll(w.Result().Body)
		if err != nil {
			t.Fatal(err)
		}
		return w.Result(), string(b)
	}
	r, body := ask("GET", authority.CertificatePath)
	c, err := x509.ParseCertificate([]byte(body))
	if err != nil || !c.IsCA || r.Header.Get("Content-Type") != "application/x-x509-ca-cert" || string(c.Raw) != string(a.Certificate()) {
		t.Errorf("certificate: %v, %v", err, r.Header)
	}
	if r, _ := ask("GET", "/"); r.StatusCode != http.StatusSeeOther || r.Header.Get("Location") != authority.PagePath {
		t.Errorf("/ goes to %q, %d", r.Header.Get("Location"), r.StatusCode)
	}
	for _, path := range []string{"/authority.pem", "/trust/authority.pem", "/trust/", "/trust/..", "/estates", "/trust.html", "/trust/../authority.pem"} {
		if r, _ := ask("GET", path); r.StatusCode != http.StatusNotFound && r.StatusCode != http.StatusTemporaryRedirect && r.StatusCode != http.StatusMovedPermanently {
			t.Errorf("%s: %d", path, r.StatusCode)
		}
	}
	for _, method := range []string{"POST", "PUT", "DELETE"} {
		if r, _ := ask(method, authority.PagePath); r.StatusCode != http.StatusMethodNotAllowed {
			t.Errorf("%s: %d", method, r.StatusCode)
		}
	}
	for _, language := range []string{"en", "es"} {
		for how, header := range map[string][]string{"?lang=" + language: nil, "": {"Accept-Language", language}, "?": {"Cookie", "lang=" + language}} {
			r, body := ask("GET", authority.PagePath+how, header...)
			if r.StatusCode != 200 || !strings.Contains(body, `<html lang="`+language+`">`) || strings.Contains(body, "trust-") || strings.Contains(body, "<no value>") {
				t.Errorf("%s %q: %d, or a text is missing", language, how, r.StatusCode)
			}
			for _, group := range a.Fingerprint() {
				if !strings.Contains(body, "<span>"+group+"</span>") {
					t.Errorf("%s: the fingerprint lacks %s", language, group)
				}
			}
			for _, url := range []string{"https://192.168.7.20:8443/", "https://[fd00::20]:8443/", "https://trees.example:8443/"} {
				if !strings.Contains(body, `<a href="`+url+`">`) {
					t.Errorf("%s: no link to %s", language, url)
				}
			}
			if strings.Contains(body, "203.0.113.9") || strings.Contains(body, "PRIVATE") || !strings.Contains(r.Header.Get("Content-Security-Policy"), "default-src 'none'") {
				t.Errorf("%s: the page says too much or has no policy", language)
			}
		}
	}
	for agent, device := range map[string]string{"Mozilla/5.0 (Linux; Android 15)": "Android", "Mozilla/5.0 (iPhone; CPU iPhone OS 18_1 like Mac OS X)": "iPhone and iPad", "Mozilla/5.0 (Macintosh; Intel Mac OS X)": "Mac", "Mozilla/5.0 (X11; Linux x86_64)": "Linux", "Mozilla/5.0 (Windows NT 10.0)": "Windows"} {
		if _, body := ask("GET", authority.PagePath+"?lang=en", "User-Agent", agent); strings.Count(body, "<details open>") != 1 || !strings.Contains(body, "<details open><summary>"+device+"</summary>") {
			t.Errorf("%s: its steps are not open", agent)
		}
	}
}
