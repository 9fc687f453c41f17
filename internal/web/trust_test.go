package web_test

import (
	"io"
	"net/http"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"sapward/internal/authority"
	"sapward/internal/web"
)

// The page of trust in the app: for everybody, before signing in, accessible,
// at 320 px, in both languages and schemes; without a local authority there is
// none. An app whose authority may be replaced does not bind browsers to HTTPS.
func TestTrust_IsThereForEverybody(t *testing.T) {
	a, err := authority.Open(authority.Options{Dir: filepath.Join(t.TempDir(), "a"), Machine: "a-rather-long-name-of-a-machine-in-an-office.local", Addresses: func() []netip.Addr {
		return []netip.Addr{netip.MustParseAddr("192.168.7.20"), netip.MustParseAddr("fd12:3456:789a:1:aaaa:bbbb:cccc:dddd")}
	}})
	if err != nil {
		t.Fatal(err)
	}
	h := empty(t, web.Options{TLS: true, Trust: a.Page("8443")})
	r, err := http.Get(h.url + authority.CertificatePath)
	if err != nil {
		t.Fatal(err)
	}
	body, _ := io.ReadAll(r.Body)
	r.Body.Close()
	if string(body) != string(a.Certificate()) || r.Header.Get("Strict-Transport-Security") != "" {
		t.Errorf("certificate of %d bytes, %v", len(body), r.Header)
	}
	without := empty(t, web.Options{TLS: true})
	if r, err := http.Get(without.url + authority.PagePath); err != nil || r.StatusCode != http.StatusNotFound && !strings.HasSuffix(r.Request.URL.Path, "/signin") || r.Header.Get("Strict-Transport-Security") == "" {
		t.Errorf("without an authority: %v, %v", r, err)
	}
	ctx := tab(t)
	for _, l := range []look{{320, false, "es", ""}, {390, false, "en", ""}, {390, true, "es", ""}, {1280, true, "en", ""}, {1280, false, "es", ""}} {
		wear(t, ctx, h.url, l)
		do(t, ctx, chromedp.Navigate(h.url+authority.PagePath), chromedp.WaitReady(chromedp.CSS("main")))
		eval[bool](t, ctx, `document.querySelectorAll("details").forEach(d=>d.open=true); true`)
		what := "trust " + l.name()
		narrow(t, ctx, what)
		clean(t, ctx, what)
		if shots := os.Getenv("SAPWARD_SCREENS"); shots != "" {
			photograph(t, ctx, shots, "trust-"+l.name())
		}
	}
}
