package web_test

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
)

// wait polls the page until an expression is true.
func wait(t *testing.T, ctx context.Context, js string) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(30 * time.Millisecond) {
		limited, cancel := context.WithTimeout(ctx, 10*time.Second)
		ok, err := chromedp.Run(limited, chromedp.Evaluate[bool](`!!(`+js+`)`))
		cancel()
		if ok && err == nil {
			return
		}
		if time.Now().After(end) {
			limited, cancel := context.WithTimeout(ctx, 5*time.Second)
			defer cancel()
			text, _ := chromedp.Run(limited, chromedp.Evaluate[string](`location.href+" "+document.body.innerText+" "+(window.broken||[]).join()`))
			t.Fatalf("%s never came: %v\n%s", js, err, text)
		}
	}
}

const ready = `document.documentElement.dataset.ready==="1"`

// offline takes the network from the page and from its service worker.
func offline(t *testing.T, ctx context.Context, off bool) {
	t.Helper()
	do(t, ctx, chromedp.Func(func(ctx context.Context, tg *chromedp.Target) error {
		p := network.EmulateNetworkConditionsByRuleParams{MatchedNetworkConditions: []*network.Conditions{}, EmulateOfflineServiceWorker: &off}
		if off {
			p.MatchedNetworkConditions = []*network.Conditions{{DownloadThroughput: -1, UploadThroughput: -1, Offline: true}}
		}
		_, err := cdp.Call(ctx, tg, network.EmulateNetworkConditionsByRule, p)
		return err
	}))
}

// tap presses the first button or link that is in sight and says so.
func tap(t *testing.T, ctx context.Context, text string) {
	t.Helper()
	q, _ := json.Marshal(text)
	find := fmt.Sprintf(`[...document.querySelectorAll("dialog[open] button,dialog[open] a,main button,main a,.bar button,.bar a,.tabs a,.head a,.head button,.banners *")].filter(e=>!e.closest("dialog")===!document.querySelector("dialog[open]")&&!e.disabled&&e.offsetParent!==null).find(e=>e.textContent.trim().replace(/\s+/g," ")===%s||e.getAttribute("aria-label")===%s)`, q, q)
	wait(t, ctx, find)
	eval[bool](t, ctx, find+`.click(),true`)
}

// noted waits until the day has so many notes of this phone.
func noted(t *testing.T, ctx context.Context, n int) {
	t.Helper()
	wait(t, ctx, fmt.Sprintf(`sapwardPage.state.own.length===%d && sapwardPage.state.writing===0`, n))
}

// joined is a phone that has joined the fake's day and stands offline-ready.
func joined(t *testing.T, f *fakeDay) context.Context {
	t.Helper()
	ctx := tab(t)
	do(t, ctx, chromedp.EmulateViewport(390, 844), chromedp.Navigate(f.URL+"/join/ABCD"))
	wait(t, ctx, ready)
	wait(t, ctx, `navigator.serviceWorker.controller`)
	return ctx
}

// walkTree takes a tree of n ports from arriving to finished; it makes
// 3 + 8 n notes (start, cleaned, done; mark, drill, set, load, begin, read,
// seal, end).
func walkTree(t *testing.T, ctx context.Context, tag string, n, had int) int {
	t.Helper()
	hash := func(s string) { eval[bool](t, ctx, fmt.Sprintf(`location.hash=%q,true`, s)) }
	hash("#/tree/" + tag)
	tap(t, ctx, "I am at this tree")
	noted(t, ctx, had+1)
	for i, step := range []string{"marked", "drilled", "set", "loaded", "delivering"} {
		if i == 1 {
			tap(t, ctx, "Tools disinfected")
			had++
			noted(t, ctx, had+1+n)
		}
		tap(t, ctx, fmt.Sprintf("All %d %s", n, step))
		if step == "loaded" && eval[bool](t, ctx, `!sapwardPage.state.container.container`) {
			wait(t, ctx, `document.querySelector("dialog[open] input")`)
			eval[bool](t, ctx, `document.querySelectorAll("dialog[open] input").forEach((e,i)=>{e.value=["C-7","L-1"][i]}),true`)
			tap(t, ctx, "Use this container")
		}
		noted(t, ctx, had+1+n*(i+1))
	}
	had += 1 + 5*n
	for k := 1; k <= n; k++ {
		hash(fmt.Sprintf("#/tree/%s/port/%d", tag, k))
		tap(t, ctx, "What remains?")
		switch {
		case k == 1:
			tap(t, ctx, "Not read")
		case k == 2:
			tap(t, ctx, "0")
			tap(t, ctx, "Decimal point")
			tap(t, ctx, "5")
			tap(t, ctx, "0.5 mL remain")
		default:
			tap(t, ctx, "Empty: 0 mL")
		}
		had++
		noted(t, ctx, had)
	}
	hash("#/tree/" + tag)
	tap(t, ctx, fmt.Sprintf("All %d sealed", n))
	had += n
	noted(t, ctx, had)
	tap(t, ctx, fmt.Sprintf("All %d pulled", n))
	had += n
	noted(t, ctx, had)
	tap(t, ctx, "Tree is finished")
	had++
	noted(t, ctx, had)
	return had
}

// sent waits until nothing is on the phone only.
func sent(t *testing.T, ctx context.Context) {
	t.Helper()
	for end := time.Now().Add(40 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		if left := eval[int](t, ctx, `sapwardPage.sync().then(()=>sapwardPage.state.waiting+sapwardPage.state.photosLeft)`); left == 0 {
			return
		} else if time.Now().After(end) {
			t.Fatalf("%d still on the phone", left)
		}
	}
}

// Join, lose the signal, note a tree port by port, be killed and opened again,
// come back on a bad line: everything is on the server exactly once.
func TestPhone_DayWithoutSignal(t *testing.T) {
	p := demoPack(t)
	f := newFake(t, p)
	ctx := joined(t, f)
	offline(t, ctx, true)
	had := 0
	for i, x := range p.Trees[:3] {
		n := 0
		for _, u := range x.Units {
			n += len(u.Ports)
		}
		had = walkTree(t, ctx, x.Tag, n, had)
		do(t, ctx, chromedp.Navigate("about:blank"), chromedp.Navigate(f.URL+"/phone/#/walk")) // killed and opened again
		wait(t, ctx, ready)
		noted(t, ctx, had)
		if all, _ := f.kinds(); all != 0 {
			t.Fatalf("tree %d: %d events reached the server without signal", i, all)
		}
	}
	eval[bool](t, ctx, `(async()=>{const c=document.createElement("canvas");c.width=2200;c.height=1500;const g=c.getContext("2d");for(let i=0;i<4000;i++){g.fillStyle="hsl("+(i*37%360)+" 60% 50%)";g.fillRect(Math.random()*2200,Math.random()*1500,60,60)}
		const b=await new Promise(r=>c.toBlob(r,"image/png"));await sapwardPage.keepPhoto("E001",b);return true})()`)
	had++
	noted(t, ctx, had)
	whole(t, ctx, "offline")
	f.set(func(f *fakeDay) { f.drop, f.fail, f.lose = 0.4, 0.3, 2 })
	offline(t, ctx, false)
	sent(t, ctx)
	all, by := f.kinds()
	if all != had {
		t.Errorf("%d events on the server, %d noted: %v", all, had, by)
	}
	if f.received < 2*all { // the first two answers were lost: the phone had to send again
		t.Errorf("%d events came", f.received)
	}
	if len(f.photos) != 1 {
		t.Errorf("%d photos came", len(f.photos))
	}
	var unread int
	for _, text := range f.texts {
		if strings.Contains(text, `"kind":"read"`) && !strings.Contains(text, "left_ul") {
			unread++
		}
	}
	if unread != 3 {
		t.Errorf("%d readings say not read, want one of each tree", unread)
	}
	if got := eval[int](t, ctx, `new Promise((ok,bad)=>{const r=indexedDB.open("sapward-phone");r.onsuccess=()=>{const q=r.result.transaction("events").objectStore("events").index("state").count("confirmed");q.onsuccess=()=>ok(q.result)};r.onerror=()=>bad(r.error)})`); got != had {
		t.Errorf("%d events confirmed on the phone, want %d", got, had)
	}
	t.Logf("%d notes, %d messages of events came, photo of %d bytes", had, f.received, func() int {
		for _, b := range f.photos {
			return len(b)
		}
		return 0
	}())
}
