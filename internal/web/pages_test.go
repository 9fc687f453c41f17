package web

import (
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// serve starts the pages on loopback.
func serve(t *testing.T, o Options) *httptest.Server {
	t.Helper()
	o.Version = "test"
	h, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	s := httptest.NewServer(h)
	t.Cleanup(s.Close)
	return s
}

// site is a page by a short name for screenshots.
type site struct{ name, path string }

func everyPage(t *testing.T) (base string, pages []site) {
	s := serve(t, Options{Local: true})
	return s.URL, []site{{"about", "/about"}, {"error", "/nowhere"}}
}

// Every page, at both widths, in both schemes and languages: no violation that
// axe-core finds, and no sideways scrolling. With SAPWARD_SCREENS=folder every
// page is also photographed into that folder (make screens).
func TestPages_AreAccessible(t *testing.T) {
	ctx := tab(t)
	base, pages := everyPage(t)
	shots := os.Getenv("SAPWARD_SCREENS")
	only := os.Getenv("SAPWARD_SCREENS_ONLY")
	for _, l := range []look{{390, false, "en", "metric"}, {390, true, "es", "metric"}, {1280, false, "es", "metric"}, {1280, true, "en", "us"}, {390, false, "es", "us"}, {390, true, "en", "metric"}, {1280, false, "en", "metric"}, {1280, true, "es", "metric"}} {
		if shots == "" && l.units == "us" && l.width == 390 {
			break // the first four cover each value; the rest are for the photographs
		}
		wear(t, ctx, base, l)
		for _, p := range pages {
			if only != "" && !strings.Contains(","+only+",", ","+p.name+",") {
				continue
			}
			what := p.name + " " + l.name()
			do(t, ctx, chromedp.Navigate(base+p.path), chromedp.WaitReady(chromedp.CSS("main")))
			eval[bool](t, ctx, `document.fonts.ready.then(()=>true)`)
			narrow(t, ctx, what)
			if shots != "" {
				png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
				if err != nil {
					t.Fatal(err)
				}
				if err := os.MkdirAll(shots, 0o755); err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(filepath.Join(shots, p.name+"-"+l.name()+".png"), png, 0o644); err != nil {
					t.Fatal(err)
				}
			}
			clean(t, ctx, what)
		}
	}
}

// get asks for a page as a browser on this machine would.
func get(t *testing.T, base, path string, header ...string) (*http.Response, string) {
	t.Helper()
	return ask(t, http.MethodGet, base+path, "", header...)
}

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
