package web_test

import (
	"context"
	_ "embed"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
)

//go:embed testdata/axe.min.js
var axe string

var browser struct {
	sync.Once
	ctx    context.Context
	cancel context.CancelFunc
	why    string
}

func TestMain(m *testing.M) {
	code := m.Run()
	if browser.cancel != nil {
		browser.cancel()
	}
	os.Exit(code)
}

// tab opens a tab of Chromium; a test without Chromium skips and says so.
func tab(t *testing.T) context.Context {
	t.Helper()
	if testing.Short() {
		t.Skip("skipped: -short leaves the browser out")
	}
	browser.Do(func() {
		path := ""
		for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
			if p, err := exec.LookPath(name); err == nil {
				path = p
				break
			}
		}
		if path == "" {
			browser.why = "skipped: no Chromium on this machine (apt install chromium)"
			return
		}
		opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.Flag("disable-gpu", true), chromedp.Flag("disable-dev-shm-usage", true), chromedp.Flag("lang", "en"))
		alloc, cancel := chromedp.NewExecAllocator(context.Background(), opts...)
		ctx, stop := chromedp.NewContext(alloc)
		browser.ctx, browser.cancel = ctx, func() { stop(); cancel() }
		if err := chromedp.Do(ctx); err != nil {
			browser.why = "skipped: Chromium does not start: " + err.Error()
		}
	})
	if browser.why != "" {
		t.Skip(browser.why)
	}
	ctx, cancel := chromedp.NewContext(browser.ctx, chromedp.WithNewBrowserContext()) // cookies of its own
	t.Cleanup(cancel)
	watch := chromedp.Func(func(ctx context.Context, tg *chromedp.Target) error {
		_, err := cdp.Call(ctx, tg, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{
			Source: `window.broken=[];document.addEventListener("securitypolicyviolation",e=>window.broken.push(e.violatedDirective+" "+e.blockedURI+" "+e.sourceFile+":"+e.lineNumber));window.addEventListener("error",e=>window.broken.push("script: "+e.message))`,
		})
		return err
	})
	if err := chromedp.Do(ctx, watch); err != nil {
		t.Fatal(err)
	}
	return ctx
}

// whole reports what the policy of the page blocked and what its scripts threw.
func whole(t *testing.T, ctx context.Context, what string) {
	t.Helper()
	for _, b := range eval[[]string](t, ctx, `window.broken||[]`) {
		t.Errorf("%s: %s", what, b)
	}
}

// do runs steps with a deadline of their own.
func do(t *testing.T, ctx context.Context, steps ...chromedp.Action[chromedp.Void]) {
	t.Helper()
	limited, cancel := context.WithTimeout(ctx, 40*time.Second)
	defer cancel()
	if err := chromedp.Do(limited, steps...); err != nil {
		var at string
		at, _ = chromedp.Run(ctx, chromedp.Location())
		t.Fatalf("at %s: %v", at, err)
	}
}

func eval[T any](t *testing.T, ctx context.Context, js string) T {
	t.Helper()
	limited, cancel := context.WithTimeout(ctx, 40*time.Second)
	defer cancel()
	v, err := chromedp.Run(limited, chromedp.Evaluate[T](js, chromedp.EvalAwaitPromise))
	if err != nil {
		t.Fatalf("%s: %v", short(js), err)
	}
	return v
}

func short(s string) string {
	if len(s) > 160 {
		return s[:160] + "..."
	}
	return s
}

// look is how a page is looked at.
type look struct {
	width       int64
	dark        bool
	lang, units string
}

func (l look) name() string {
	name := "390"
	if l.width > 500 {
		name = "1280"
	}
	name += map[bool]string{false: "-light-", true: "-dark-"}[l.dark] + l.lang
	return name
}

// wear gives a tab the width, scheme and language of a look.
func wear(t *testing.T, ctx context.Context, base string, l look) {
	t.Helper()
	height := int64(844)
	if l.width > 500 {
		height = 800
	}
	scheme := "light"
	if l.dark {
		scheme = "dark"
	}
	do(t, ctx,
		chromedp.EmulateViewport(l.width, height),
		chromedp.Func(func(ctx context.Context, tg *chromedp.Target) error {
			_, err := cdp.Call(ctx, tg, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
			for name, value := range map[string]string{"lang": l.lang, "units": l.units} {
				if value != "" && err == nil {
					_, err = cdp.Call(ctx, tg, network.SetCookie, network.SetCookieParams{Name: name, Value: value, URL: base})
				}
			}
			return err
		}))
}

// clean runs axe-core on the page and reports every violation (WCAG 2.2 A and
// AA and axe's best practices).
func clean(t *testing.T, ctx context.Context, what string) {
	t.Helper()
	eval[bool](t, ctx, axe+"; true")
	found := eval[[]string](t, ctx, `axe.run(document,{resultTypes:["violations"],rules:{"target-size":{enabled:true}}}).then(r=>r.violations.map(v=>v.id+": "+v.help+" ["+v.nodes.slice(0,3).map(n=>n.target.join(" ")+" "+(n.any[0]?.message||n.all[0]?.message||"")).join(" | ")+"]"))`)
	for _, f := range found {
		t.Errorf("%s: %s", what, strings.TrimSpace(f))
	}
}

// narrow reports when a page scrolls sideways, and what sticks out.
func narrow(t *testing.T, ctx context.Context, what string) {
	t.Helper()
	if out := eval[string](t, ctx, `(()=>{const w=document.documentElement.clientWidth;if(document.documentElement.scrollWidth<=w)return "";
		const bad=[...document.querySelectorAll("body *")].filter(e=>e.getBoundingClientRect().right>w+1&&!e.parentElement.closest(".scroll")).slice(-4).map(e=>e.tagName+"."+e.getAttribute("class")+" "+Math.round(e.getBoundingClientRect().right));
		const it=document.createTreeWalker(document.body,NodeFilter.SHOW_TEXT);for(let n;n=it.nextNode();){const r=document.createRange();r.selectNodeContents(n);if(r.getBoundingClientRect().right>w+1&&!n.parentElement.closest(".scroll"))bad.push("text: "+n.data.slice(0,40))}
		return document.documentElement.scrollWidth+" px wide: "+bad.join(", ")})()`); out != "" {
		t.Errorf("%s scrolls sideways: %s", what, out)
	}
}

// photograph keeps a picture of the whole page.
func photograph(t *testing.T, ctx context.Context, dir, name string) {
	t.Helper()
	png, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, name+".png"), png, 0o644); err != nil {
		t.Fatal(err)
	}
}
