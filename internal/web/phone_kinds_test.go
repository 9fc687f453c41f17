package web_test

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	cdpbrowser "github.com/chromedp/cdproto/browser"
	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	cdppage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"sapward/apply/fieldlog"
	"sapward/internal/draw"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
	"sapward/plan"
	"sapward/plan/label"
)

// ports counts the ports planned for a tree of a pack.
func ports(p *fieldlog.Pack, tag string) (n int) {
	for _, t := range p.Trees {
		if t.Tag == tag {
			for _, u := range t.Units {
				n += len(u.Ports)
			}
		}
	}
	return n
}

// A tree with ports on its limbs: they are not on the ring of the trunk, the
// list and the port's own page name the limb, and the tree goes through the day
// like any other.
func TestPhone_LimbPorts(t *testing.T) {
	p := packWith(t, func(c *label.Card, r *plan.Request, trees []tree.Tree) {
		c.Uses[0].Ports.Places = append(c.Uses[0].Ports.Places, label.OnLimb)
		r.LimbShare, r.Climber = exact.Frac(1, 3), true
		for _, name := range []string{"north", "south"} {
			r.Limbs = append(r.Limbs, tree.Limb{Tree: trees[0].Tag, Name: name, Height: q.Cm(exact.Int(320)), Diameter: q.Cm(exact.Int(22))})
		}
	})
	tag, limbs := p.Trees[0].Tag, 0
	for _, u := range p.Trees[0].Units {
		for _, x := range u.Ports {
			if strings.HasPrefix(x.Where, "limb ") {
				limbs++
			}
		}
	}
	n := ports(p, tag)
	if limbs == 0 || limbs == n {
		t.Fatalf("%d of %d ports on limbs", limbs, n)
	}
	f := newFake(t, p)
	ctx := joined(t, f)
	eval[bool](t, ctx, fmt.Sprintf(`location.hash="#/tree/%s",true`, tag))
	wait(t, ctx, fmt.Sprintf(`document.querySelectorAll("main svg.ring .port").length===%d`, n-limbs))
	rows := eval[string](t, ctx, `[...document.querySelectorAll("main ul.rows li")].map(e=>e.textContent).join("\n")`)
	if strings.Count(rows, "limb north") == 0 || strings.Count(rows, "limb north")+strings.Count(rows, "limb south") != limbs {
		t.Errorf("%d ports on limbs; the list says\n%s", limbs, rows)
	}
	last := n // limbs come after the trunk
	eval[bool](t, ctx, fmt.Sprintf(`location.hash="#/tree/%s/port/%d",true`, tag, last))
	wait(t, ctx, `document.querySelector("main dl.facts")?.textContent.includes("south")&&!document.querySelector("main svg.ring")`)
	if text := eval[string](t, ctx, `document.querySelector("main dl.facts").textContent`); !strings.Contains(text, "320") {
		t.Errorf("the height of the limb's port: %s", text)
	}
	had := walkTree(t, ctx, tag, n, 0)
	eval[bool](t, ctx, fmt.Sprintf(`document.querySelector(".lang").click(),location.hash="#/tree/%s",true`, tag))
	wait(t, ctx, `document.querySelector("main ul.rows").textContent.includes("rama north")`)
	sent(t, ctx)
	if all, _ := f.kinds(); all != had {
		t.Errorf("%d notes on the server, %d made", all, had)
	}
	whole(t, ctx, "limbs")
}

// A tree with two stems: a ring for each, each port on its own, a tape reading
// for the stem that was taped alone.
func TestPhone_SeveralStems(t *testing.T) {
	p := packWith(t, func(c *label.Card, r *plan.Request, trees []tree.Tree) {
		c.Uses[0].Measure.Stems = label.StemsEach
		s := trees[0].Stems[0]
		a, b := s, tree.FromDiameter(q.Cm(exact.Int(24)))
		a.Name, b.Name = "west", "east"
		b.MeasuredAt, b.Bark = s.MeasuredAt, s.Bark
		trees[0].Stems = []tree.Stem{a, b}
	})
	tag := p.Trees[0].Tag
	if len(p.Trees[0].Units) != 2 {
		t.Fatalf("%d dose units for two stems", len(p.Trees[0].Units))
	}
	west, east := len(p.Trees[0].Units[0].Ports), len(p.Trees[0].Units[1].Ports)
	f := newFake(t, p)
	ctx := joined(t, f)
	show := func() { eval[bool](t, ctx, fmt.Sprintf(`location.hash="#/walk",location.hash="#/tree/%s",true`, tag)) }
	rings := func() string {
		return eval[string](t, ctx, `[...document.querySelectorAll("main figure.ring-box")].map(e=>e.querySelector("figcaption").textContent+" "+e.querySelectorAll(".port").length).join(", ")`)
	}
	show()
	// The rings come after the screen's first picture.
	wait(t, ctx, `[...document.querySelectorAll("main figure.ring-box")].filter(e=>e.querySelector(".port")).length===2`)
	if got, want := rings(), fmt.Sprintf("Stem west %d, Stem east %d", west, east); got != want {
		t.Errorf("rings %q, want %q", got, want)
	}
	// A new reading of the east stem changes that stem alone.
	tap(t, ctx, "Read the tape")
	wait(t, ctx, `document.querySelector("dialog[open]")`)
	tap(t, ctx, "east")
	for _, k := range strings.Split("9 8", " ") {
		tap(t, ctx, k)
	}
	eval[bool](t, ctx, `[...document.querySelectorAll("dialog[open] .main")].at(-1).click(),true`)
	noted(t, ctx, 1)
	e := eval[string](t, ctx, `(e=>e.stem+" "+e.taped+" "+e.reading+" "+e.volumes_ul.length)(sapwardPage.state.own[0])`)
	n := eval[int](t, ctx, `sapwardPage.state.own[0].volumes_ul.length`)
	if !strings.HasPrefix(e, "east girth 98 cm ") || n <= west {
		t.Errorf("the reading is kept as %q", e)
	}
	show()
	wait(t, ctx, fmt.Sprintf(`document.querySelectorAll("main ul.rows li").length===%d&&document.querySelectorAll("main figure.ring-box .port").length===%d`, n, n))
	if got, want := rings(), fmt.Sprintf("Stem west %d, Stem east %d", west, n-west); got != want {
		t.Errorf("after the reading: rings %q, want %q", got, want)
	}
	// The list says which stem a port is on: two ports of one distance are two.
	rows := eval[string](t, ctx, `[...document.querySelectorAll("main ul.rows li")].map(e=>e.textContent).join("\n")`)
	if strings.Count(rows, "west") != west || strings.Count(rows, "east") != n-west {
		t.Errorf("the list of ports does not tell the stems apart:\n%s", rows)
	}
	had := walkTree(t, ctx, tag, n, 1)
	sent(t, ctx)
	if all, _ := f.kinds(); all != had {
		t.Errorf("%d notes on the server, %d made", all, had)
	}
	whole(t, ctx, "stems")
}

// place tells the browser where it is, how well, or that it does not know.
func place(t *testing.T, ctx context.Context, lat, lon, accuracy float64) {
	t.Helper()
	do(t, ctx, chromedp.Func(func(ctx context.Context, tg *chromedp.Target) error {
		_, err := cdp.Call(ctx, tg, emulation.SetGeolocationOverride, emulation.SetGeolocationOverrideParams{Latitude: &lat, Longitude: &lon, Accuracy: &accuracy})
		return err
	}))
}

// Position: the nearest tree first, the accuracy shown, a poor one warned of and
// stopping nothing; without leave everything else works.
func TestPhone_Position(t *testing.T) {
	p := demoPack(t)
	f := newFake(t, p)
	ctx := joined(t, f)
	eval[bool](t, ctx, `location.hash="#/find",true`)
	wait(t, ctx, `document.querySelector("#find")`)
	grant(t, ctx, f.URL, "geolocation", false)
	tap(t, ctx, "Nearest")
	wait(t, ctx, `document.getElementById("say").textContent.includes("No position")`)
	grant(t, ctx, f.URL, "geolocation", true)
	x := p.Trees[17]
	place(t, ctx, *x.Lat+2/111_320.0, *x.Lon, 4)
	tap(t, ctx, "Nearest")
	wait(t, ctx, fmt.Sprintf(`document.querySelector("main ul.rows li b")?.textContent===%q`, x.Tag))
	if text := eval[string](t, ctx, `document.querySelector("main").textContent`); !strings.Contains(text, "4 m") || strings.Contains(text, "too wide") {
		t.Errorf("a position good to 4 m: %s", text)
	}
	if far := eval[string](t, ctx, `document.querySelector("main ul.rows li .end").textContent`); !strings.HasPrefix(far, "2") {
		t.Errorf("2 m north of %s: %s", x.Tag, far)
	}
	y := p.Trees[40]
	place(t, ctx, *y.Lat, *y.Lon, 80)
	tap(t, ctx, "Nearest") // asked again: a new fix, not the old one
	wait(t, ctx, fmt.Sprintf(`document.querySelector("main ul.rows li b")?.textContent===%q&&document.querySelector("main .note.warn")?.textContent.includes("80 m")`, y.Tag))
	eval[bool](t, ctx, `document.querySelector("main ul.rows li a").click(),true`)
	wait(t, ctx, fmt.Sprintf(`location.hash==="#/tree/%s"`, y.Tag))
	tap(t, ctx, "I am at this tree") // a poor position stops nothing
	noted(t, ctx, 1)
	eval[bool](t, ctx, `location.hash="#/map",true`)
	wait(t, ctx, `document.querySelector("main svg.map .you")&&document.querySelector("main .note.warn")`)
	whole(t, ctx, "position")
}

// grant gives or takes a permission of an origin in the tab's own browser
// context.
func grant(t *testing.T, ctx context.Context, origin, name string, yes bool) {
	t.Helper()
	setting := cdpbrowser.PermissionSettingDenied
	if yes {
		setting = cdpbrowser.PermissionSettingGranted
	}
	do(t, ctx, chromedp.Func(func(ctx context.Context, tg *chromedp.Target) error {
		_, err := cdp.Call(ctx, tg, cdpbrowser.SetPermission, cdpbrowser.SetPermissionParams{Permission: &cdpbrowser.PermissionDescriptor{Name: name}, Setting: setting, Origin: origin, BrowserContextID: chromedp.FromContext(ctx).BrowserContextID})
		return err
	}))
}

// film writes a short film of a QR code for a camera that is none: 640 by 480,
// modules of 10 px in the middle.
func film(t *testing.T, file string, code draw.QR) {
	t.Helper()
	const w, h, px = 640, 480, 10
	y := make([]byte, w*h)
	for i := range y {
		y[i] = 235
	}
	x0, y0 := (w-code.Modules*px)/2, (h-code.Modules*px)/2
	for r := range code.Modules {
		for c := range code.Modules {
			if !code.Dark(c, r) {
				continue
			}
			for k := range px * px {
				y[(y0+r*px+k/px)*w+x0+c*px+k%px] = 16
			}
		}
	}
	grey := make([]byte, w*h/2)
	for i := range grey {
		grey[i] = 128
	}
	out := []byte("YUV4MPEG2 W640 H480 F10:1 Ip A1:1 C420jpeg\n")
	for range 5 {
		out = append(append(append(out, "FRAME\n"...), y...), grey...)
	}
	if err := os.WriteFile(file, out, 0o600); err != nil {
		t.Fatal(err)
	}
}

// A tag's QR code before the camera opens its tree. Chromium on Linux has no
// BarcodeDetector: a stand-in reads the frames that the page's own video shows,
// module by module, and knows the codes of all tags of the day.
func TestPhone_CodeByCamera(t *testing.T) {
	if testing.Short() {
		t.Skip("skipped: -short leaves the browser out")
	}
	path := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if found, err := exec.LookPath(name); err == nil && path == "" {
			path = found
		}
	}
	if path == "" {
		t.Skip("skipped: no Chromium on this machine (apt install chromium)")
	}
	p := demoPack(t)
	x := p.Trees[23]
	codes := map[string]string{} // modules, row by row, to text
	side := 0
	for _, y := range p.Trees {
		code, err := draw.NewQR(y.Key, draw.QRQuartile)
		if err != nil {
			t.Fatal(err)
		}
		var bits strings.Builder
		for r := range code.Modules {
			for c := range code.Modules {
				bits.WriteByte("01"[map[bool]int{true: 1}[code.Dark(c, r)]])
			}
		}
		codes[bits.String()] = y.Key
		side = code.Modules
	}
	code, _ := draw.NewQR(x.Key, draw.QRQuartile)
	file := filepath.Join(t.TempDir(), "code.y4m")
	film(t, file, code)
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.Flag("disable-gpu", true), chromedp.Flag("disable-dev-shm-usage", true), chromedp.Flag("lang", "en"),
		chromedp.Flag("use-fake-device-for-media-stream", true), chromedp.Flag("use-fake-ui-for-media-stream", true), chromedp.Flag("use-file-for-fake-video-capture", file))
	alloc, stop := chromedp.NewExecAllocator(context.Background(), opts...)
	t.Cleanup(stop)
	ctx, cancel := chromedp.NewContext(alloc)
	t.Cleanup(cancel)
	if err := chromedp.Do(ctx); err != nil {
		t.Skip("skipped: Chromium does not start: " + err.Error())
	}
	known, _ := json.Marshal(codes)
	f := newFake(t, p)
	do(t, ctx, chromedp.EmulateViewport(390, 844), onNewPage(fmt.Sprintf(`window.broken=[];window.frames0=0;window.BarcodeDetector=class{constructor(o){this.formats=o.formats}async detect(v){window.frames0++;
		const c=document.createElement("canvas");c.width=640;c.height=480;const g=c.getContext("2d");g.drawImage(v,0,0,640,480);const d=g.getImageData(0,0,640,480).data;const n=%d,x0=(640-n*10)/2,y0=(480-n*10)/2;let s="";
		for(let r=0;r<n;r++)for(let k=0;k<n;k++)s+=d[4*((y0+r*10+5)*640+x0+k*10+5)]<128?"1":"0";
		const t=%s[s];return t?[{rawValue:t}]:[]}}`, side, known)), chromedp.Navigate(f.URL+"/join/ABCD"))
	wait(t, ctx, ready)
	eval[bool](t, ctx, `location.hash="#/find",true`)
	tap(t, ctx, "Scan the tag")
	wait(t, ctx, fmt.Sprintf(`location.hash==="#/tree/%s"&&!document.querySelector("dialog[open]")`, x.Tag))
	if n := eval[int](t, ctx, `window.frames0`); n == 0 {
		t.Error("no frame was looked at")
	}
	// The camera is let go, and a code of another day stops nothing.
	time.Sleep(300 * time.Millisecond)
	before := eval[int](t, ctx, `window.frames0`)
	time.Sleep(700 * time.Millisecond)
	if after := eval[int](t, ctx, `window.frames0`); after != before {
		t.Errorf("the camera is still looked at: %d frames, then %d", before, after)
	}
	whole(t, ctx, "camera")
}

// onNewPage runs a script before those of every page.
func onNewPage(js string) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, tg *chromedp.Target) error {
		_, err := cdp.Call(ctx, tg, cdppage.AddScriptToEvaluateOnNewDocument, cdppage.AddScriptToEvaluateOnNewDocumentParams{Source: js})
		return err
	})
}
