package web_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"mime/multipart"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	cdpbrowser "github.com/chromedp/cdproto/browser"
	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/dom"
	"github.com/chromedp/chromedp"

	"sapward/apply/fieldlog"
	"sapward/internal/app"
	"sapward/internal/web"
)

// postFile posts a file to a page.
func postFile(t *testing.T, to, name string, data []byte) (int, string) {
	t.Helper()
	var b bytes.Buffer
	m := multipart.NewWriter(&b)
	if data != nil {
		w, err := m.CreateFormFile("file", name)
		if err != nil {
			t.Fatal(err)
		}
		_, _ = w.Write(data)
	}
	_ = m.Close()
	r, err := http.Post(to, m.FormDataContentType(), &b)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	page, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	return r.StatusCode, string(page)
}

var fileToken = regexp.MustCompile(`name="token" value="([^"]+)"`)

// A phone's file over HTTP: previewed, taken, taken again; bad files get one
// line.
func TestPhoneFile_AtTheDesk(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	day := openedDay(t, h)
	p := newHandset(t, h, day, 0)
	tag := p.pack.Trees[0].Tag
	p.note(fieldlog.Event{Kind: fieldlog.Start, Tree: tag})
	p.note(fieldlog.Event{Kind: fieldlog.Drill, Tree: tag, Port: 1})
	p.note(fieldlog.Event{Kind: fieldlog.Photo, Tree: tag, Photo: strings.Repeat("ab", 32), Bytes: micro(5)})
	list, _ := json.Marshal(p.kept)
	file := []byte(`{"schema":"sapward/phone-export/1","device":"` + p.me.Device + `","made_at":"2026-06-17T18:00:00Z","events":` + string(list) + `,"photos":[]}`)
	to := h.url + "/days/" + day.ID + "/file"
	for what, x := range map[string]struct {
		data []byte
		says string
	}{
		"no file":  {nil, "Choose a file first."},
		"a table":  {[]byte("tag,girth\nE001,98\n"), "This is not a file that a phone saved."},
		"half":     {file[:len(file)/2], "The file ends in the middle"},
		"no notes": {[]byte(`{"schema":"sapward/phone-export/1","events":[]}`), "There is no note in this file."},
	} {
		code, page := postFile(t, to, "x.json", x.data)
		if code != http.StatusUnprocessableEntity || strings.Count(page, "<li>"+x.says) != 1 {
			t.Errorf("%s: %d", what, code)
		}
	}
	code, page := postFile(t, to, "sapward-day.json", file)
	token := fileToken.FindStringSubmatch(page)
	if code != http.StatusOK || token == nil || !strings.Contains(page, "crew one: 3 notes, 3 new") || !strings.Contains(page, "1 pictures are named but neither here nor in the file") {
		t.Fatalf("preview: %d %s", code, page)
	}
	if v, _ := h.app.Day(t.Context(), app.Local(), day.ID); v.State.Events != 0 {
		t.Errorf("a preview kept %d notes", v.State.Events)
	}
	take := func() (int, string) {
		r, err := http.PostForm(to+"/take", url.Values{"token": {token[1]}})
		if err != nil {
			t.Fatal(err)
		}
		defer r.Body.Close()
		b, _ := io.ReadAll(r.Body)
		return r.StatusCode, string(b)
	}
	if code, page := take(); code != http.StatusOK || !strings.Contains(page, "3 notes came by a phone&#39;s file.") && !strings.Contains(page, "3 notes came by a phone's file.") {
		t.Errorf("taken: %d", code)
	}
	if code, page := take(); code != http.StatusUnprocessableEntity || !strings.Contains(page, "The preview is too old") {
		t.Errorf("a preview that is gone: %d", code)
	}
	if _, page := postFile(t, to, "sapward-day.json", file); !strings.Contains(page, "There is nothing new in this file.") {
		t.Error("the same file again has something new")
	}
	if n, _ := p.send(); n != 3 {
		t.Errorf("the phone could send after all: %d confirmed", n)
	}
	if v, err := h.app.Day(t.Context(), app.Local(), day.ID); err != nil || v.State.Events != 3 || len(v.ByFile) != 3 {
		t.Errorf("%d notes, %d by file (%v)", v.State.Events, len(v.ByFile), err)
	}
	r, err := http.Get(h.url + "/days/" + day.ID + "/trees/" + tag)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	if b, _ := io.ReadAll(r.Body); strings.Count(string(b), "came by file") != 3 {
		t.Errorf("the tree's page marks %d notes as come by file", strings.Count(string(b), "came by file"))
	}
}

// downloads makes a browser save into a folder.
func downloads(t *testing.T, ctx context.Context, dir string) {
	t.Helper()
	do(t, ctx, chromedp.Func(func(ctx context.Context, tg *chromedp.Target) error {
		_, err := cdp.Call(ctx, tg, cdpbrowser.SetDownloadBehavior, cdpbrowser.SetDownloadBehaviorParams{Behavior: "allow", BrowserContextID: chromedp.FromContext(ctx).BrowserContextID, DownloadPath: dir})
		return err
	}))
}

// came waits for a whole file in a folder.
func came(t *testing.T, dir string, n int) []string {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		list, _ := filepath.Glob(filepath.Join(dir, "sapward-*.json"))
		if len(list) >= n {
			time.Sleep(200 * time.Millisecond)
			return list
		}
		if time.Now().After(end) {
			all, _ := os.ReadDir(dir)
			t.Fatalf("%d files saved, want %d: %v", len(list), n, all)
		}
	}
}

// A phone without signal saves its file; the lead reads it at the desk. All of
// it in the browser: nothing was ever sent by the phone.
func TestPhoneFile_FromPhoneToDesk(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	day := openedDay(t, h)
	ctx := tab(t)
	realPhone(t, ctx, h, day, 0)
	dir := t.TempDir()
	downloads(t, ctx, dir)
	offline(t, ctx, true)
	v, err := h.app.Day(t.Context(), app.Local(), day.ID)
	if err != nil {
		t.Fatal(err)
	}
	tag := v.Pack.Trees[0].Tag
	had := walkTree(t, ctx, tag, len(v.Log.Tree(tag).Ports), 0)
	eval[bool](t, ctx, picture(1))
	had++
	noted(t, ctx, had)
	eval[bool](t, ctx, `location.hash="#/here",true`)
	tap(t, ctx, "Notes and photos")
	file := came(t, dir, 1)[0]
	whole(t, ctx, "saving")
	if v, _ = h.app.Day(t.Context(), app.Local(), day.ID); v.State.Events != 0 {
		t.Fatalf("%d notes were sent without signal", v.State.Events)
	}

	desk := tab(t)
	do(t, desk, chromedp.EmulateViewport(390, 844), chromedp.Navigate(h.url+"/days/"+day.ID), chromedp.WaitReady(chromedp.CSS("#board .tile")))
	eval[bool](t, desk, `[...document.querySelectorAll("a.button")].find(e=>e.textContent.includes("Read a phone's file")).click(),true`)
	wait(t, desk, `document.querySelector("#file")`)
	narrow(t, desk, "file form")
	clean(t, desk, "file form")
	choose(t, desk, "#file", file)
	eval[bool](t, desk, `document.querySelector("#file").form.requestSubmit(),true`)
	wait(t, desk, fmt.Sprintf(`document.body.innerText.includes("crew one: %d notes, %d new")`, had, had))
	wait(t, desk, `document.body.innerText.includes("1 / 1")`)
	narrow(t, desk, "file preview")
	clean(t, desk, "file preview")
	if dir := os.Getenv("SAPWARD_SCREENS"); dir != "" {
		photograph(t, desk, dir, "phonefile-390-light-en")
	}
	eval[bool](t, desk, `[...document.querySelectorAll("button")].find(e=>e.textContent==="Take it in").click(),true`)
	wait(t, desk, fmt.Sprintf(`document.body.innerText.includes("%d notes came by a phone's file.")`, had))
	if v, err = h.app.Day(t.Context(), app.Local(), day.ID); err != nil || v.State.Events != had || len(v.Photos) != 1 || v.State.ByStage[fieldlog.Finished] != 1 || len(v.State.Gaps) != 0 {
		t.Errorf("%d notes of %d, %d pictures, gaps %+v (%v)", v.State.Events, had, len(v.Photos), v.State.Gaps, err)
	}
	// The phone finds a signal after all: everything is confirmed, nothing doubled.
	offline(t, ctx, false)
	sent(t, ctx)
	if v, err = h.app.Day(t.Context(), app.Local(), day.ID); err != nil || v.State.Events != had || len(v.Photos) != 1 {
		t.Errorf("after the phone sent too: %d notes of %d, %d pictures (%v)", v.State.Events, had, len(v.Photos), err)
	}
}

// picture keeps a picture of random patches on the phone.
func picture(n int) string {
	return fmt.Sprintf(`(async()=>{const c=document.createElement("canvas");c.width=320;c.height=240;const g=c.getContext("2d");for(let i=0;i<400;i++){g.fillStyle="hsl("+((i*37+%d*91)%%360)+" 60%% 50%%)";g.fillRect(Math.random()*320,Math.random()*240,30,30)}const b=await new Promise(r=>c.toBlob(r,"image/png"));await sapwardPage.keepPhoto("",b);return true})()`, n)
}

// choose puts a file into a file field.
func choose(t *testing.T, ctx context.Context, css, file string) {
	t.Helper()
	do(t, ctx, chromedp.Func(func(ctx context.Context, tg *chromedp.Target) error {
		doc, err := cdp.Call(ctx, tg, dom.GetDocument, dom.GetDocumentParams{})
		if err != nil {
			return err
		}
		n, err := cdp.Call(ctx, tg, dom.QuerySelector, dom.QuerySelectorParams{NodeID: doc.Root.NodeID, Selector: css})
		if err != nil {
			return err
		}
		_, err = cdp.Call(ctx, tg, dom.SetFileInputFiles, dom.SetFileInputFilesParams{Files: []string{file}, NodeID: n.NodeID})
		return err
	}))
}

// More pictures than a phone may send: those that are too many stay on the
// phone, counted, with the reason; they leave by file.
func TestPhone_PicturesBounded(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	h.app.Photos = app.PhotoLimits{PhoneCount: 2, PhoneBytes: 1 << 30, DayCount: 9, DayBytes: 1 << 30}
	day := openedDay(t, h)
	ctx := tab(t)
	realPhone(t, ctx, h, day, 0)
	for n := range 3 {
		eval[bool](t, ctx, picture(n))
	}
	noted(t, ctx, 3)
	eval[bool](t, ctx, `sapwardPage.sync()`)
	wait(t, ctx, `document.querySelector(".banners").textContent.includes("1 pictures were not taken by the server. They stay here.")&&document.querySelector(".status").textContent.includes("1 of 3 photos")`)
	eval[bool](t, ctx, `location.hash="#/here",true`)
	wait(t, ctx, `document.querySelector("main").textContent.includes("as many pictures as one phone may for a day: 2")`)
	if got := eval[int](t, ctx, `sapwardPage.state.waiting`); got != 0 {
		t.Errorf("%d notes wait because of a picture", got)
	}
	do(t, ctx, chromedp.Navigate("about:blank"), chromedp.Navigate(h.url+"/phone/#/walk"))
	wait(t, ctx, ready)
	wait(t, ctx, `sapwardPage.state.photosLeft===1&&sapwardPage.state.picsRefused.length===1`)
	// There is room again: asked for, it goes.
	h.app.Photos = app.PhotoLimits{}
	eval[bool](t, ctx, `location.hash="#/here",true`)
	tap(t, ctx, "Send now")
	wait(t, ctx, `sapwardPage.state.photosLeft===0&&!document.querySelector(".banners").textContent.includes("pictures were not taken")`)
	if v, err := h.app.Day(t.Context(), app.Local(), day.ID); err != nil || len(v.Photos) != 3 {
		t.Errorf("%d pictures (%v)", len(v.Photos), err)
	}
}

// More pictures than one file holds go into several, one a touch, and each can
// be read by itself.
func TestPhone_PicturesInSeveralFiles(t *testing.T) {
	f := newFake(t, demoPack(t))
	ctx := joined(t, f)
	dir := t.TempDir()
	downloads(t, ctx, dir)
	offline(t, ctx, true)
	eval[bool](t, ctx, `(async()=>{for(let n=0;n<3;n++){const b=new Uint8Array(8e6);for(let i=0;i<b.length;i+=65536)crypto.getRandomValues(b.subarray(i,i+65536));await sapwardPage.keepPhoto("",new Blob([b],{type:"image/jpeg"}))}return true})()`)
	noted(t, ctx, 3)
	eval[bool](t, ctx, `location.hash="#/here",true`)
	tap(t, ctx, "Notes and photos")
	came(t, dir, 1)
	wait(t, ctx, `document.getElementById("say").textContent.includes("File 1 of 2 saved")`)
	tap(t, ctx, "Notes and photos")
	pictures := 0
	for _, name := range came(t, dir, 2) {
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		var x struct {
			Events []json.RawMessage
			Photos []struct{ Base64 string }
		}
		if err := json.Unmarshal(data, &x); err != nil || len(x.Events) != 3 || len(x.Photos) != 3 || len(data) > web.MostUpload {
			t.Fatalf("%s: %d notes, %d bytes (%v)", name, len(x.Events), len(data), err)
		}
		for _, p := range x.Photos {
			if p.Base64 != "" {
				pictures++
			}
		}
	}
	if pictures != 3 {
		t.Errorf("%d pictures in all files", pictures)
	}
}
