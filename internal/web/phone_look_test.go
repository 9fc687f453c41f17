package web_test

import (
	"context"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// phoneScreens are the screens to look at: where, and what to open there.
var phoneScreens = []struct{ name, hash, js string }{
	{"walk", "#/walk", ""},
	{"find", "#/find", `document.querySelector("#find").value="E01",document.querySelector("#find").dispatchEvent(new Event("input"))`},
	{"map", "#/map", ""},
	{"tree-to-do", "#/tree/E003", ""},
	{"tree-tape", "#/tree/E003", `document.querySelector("main button.wide").click(),[9,8,".",5].forEach(k=>[...document.querySelectorAll("dialog .key")].find(e=>e.textContent.trim()===String(k)).click())`},
	{"tree-under-way", "#/tree/E002", ""},
	{"tree-notes", "#/tree/E002/notes", ""},
	{"port-to-mark", "#/tree/E004/port/1", ""},
	{"port-load", "#/tree/E004/port/2", ""},
	{"port-delivering", "#/tree/E002/port/1", ""},
	{"port-read", "#/tree/E002/port/1", `document.querySelector(".bar .main").click(),[...document.querySelectorAll("dialog .key")].slice(0,2).forEach(e=>e.click())`},
	{"port-move", "#/tree/E002/port/2", ""},
	{"port-more", "#/tree/E002/port/3", `[...document.querySelectorAll("main button.wide")].at(-1).click()`},
	{"port-hole", "#/tree/E002/port/4", `[...document.querySelectorAll("main button.wide")].at(-1).click(),[...document.querySelectorAll("dialog .wide")].find(e=>/Another|Otro agujero/.test(e.textContent)).click(),document.querySelector("dialog[open] input").value="20",document.querySelector("dialog[open] input").dispatchEvent(new Event("input"))`},
	{"timers", "#/timers", ""},
	{"product", "#/product", ""},
	{"product-take", "#/product", `document.querySelector(".bar .main").click()`},
	{"incident", "#/incident", ""},
	{"day", "#/day", ""},
	{"here", "#/here", ""},
}

// halfway is a phone in the middle of a day: one tree finished, one that
// delivers with a leak, a remainder and a hole given up, one begun.
func halfway(t *testing.T, ctx context.Context) {
	t.Helper()
	eval[bool](t, ctx, `(async()=>{const n=sapwardPage.note;const s=sapwardPage.state;s.container={container:"C-7",lot:"L-1"};
		await n([{kind:"draw",container:"C-7",lot:"L-1",volume_ul:250000}]);
		const ports=t=>{const p=s.pack.trees.find(x=>x.tree===t);let k=0;return p.units.flatMap(u=>u.ports.map(q=>({n:++k,v:Math.round(q.volume_ml*1000)})))};
		const all=(t,kinds)=>kinds.flatMap(kind=>ports(t).map(p=>({kind,tree:t,port:p.n,...(kind==="load"?{volume_ul:p.v,container:"C-7",lot:"L-1"}:{}),...(kind==="read"?{left_ul:0}:{})})));
		await n([{kind:"start",tree:"E001"},{kind:"cleaned",tree:"E001"},...all("E001",["mark","drill","set","load","begin","read","seal","pull"]),{kind:"done",tree:"E001"}]);
		await n([{kind:"start",tree:"E002"},{kind:"cleaned",tree:"E002"},...all("E002",["mark","drill","set","load","begin"])]);
		await n([{kind:"read",tree:"E002",port:2,left_ul:2000},{kind:"leak",tree:"E002",port:3},{kind:"read",tree:"E002",port:4,left_ul:1500},{kind:"give-up",tree:"E002",port:4,reason:"decayed wood"}]);
		await n([{kind:"start",tree:"E004"},{kind:"mark",tree:"E004",port:2},{kind:"drill",tree:"E004",port:2},{kind:"set",tree:"E004",port:2}]);
		await n([{kind:"skip",tree:"E005",reason:"cannot get to it"},{kind:"incident",reason:"spill",text:"a few drops on the path",tree:"E002"}]);
		return true})()`)
}

// Every screen in both languages and both schemes at 320 and 390 px: no
// violation by axe-core, nothing sideways, targets of 48 px. With
// SAPWARD_SCREENS set the pictures are kept.
func TestPhone_ScreensAreAccessible(t *testing.T) {
	p := demoPack(t)
	f := newFake(t, p)
	ctx := joined(t, f)
	halfway(t, ctx)
	wait(t, ctx, `sapwardPage.state.day.trees[1].drilled===8&&document.querySelector(".tabs .count")`) // notes that were kept while others came are there
	dir := os.Getenv("SAPWARD_SCREENS")
	looks := []look{{width: 320, lang: "en"}, {width: 390, dark: true, lang: "es"}}
	if dir != "" || os.Getenv("SAPWARD_SOAK") != "" {
		looks = append(looks, look{width: 390, lang: "es"}, look{width: 320, dark: true, lang: "en"}, look{width: 320, dark: true, lang: "es"}, look{width: 390, lang: "en"}, look{width: 320, lang: "es"})
	}
	only := os.Getenv("SAPWARD_SCREENS_ONLY")
	for _, l := range looks {
		height := int64(844)
		if l.width == 320 {
			height = 568
		}
		do(t, ctx, chromedp.EmulateViewport(l.width, height))
		scheme := map[bool]string{false: "light", true: "dark"}[l.dark]
		eval[bool](t, ctx, fmt.Sprintf(`(async()=>{if(document.documentElement.lang!==%q)document.querySelector(".lang").click();return true})()`, l.lang))
		wait(t, ctx, fmt.Sprintf(`document.documentElement.lang===%q`, l.lang))
		eval[bool](t, ctx, fmt.Sprintf(`document.documentElement.dataset.theme=%q,true`, scheme))
		for _, s := range phoneScreens {
			if only != "" && !slices.Contains(strings.Split(only, ","), s.name) {
				continue
			}
			what := fmt.Sprintf("%s-%d-%s-%s", s.name, l.width, scheme, l.lang)
			eval[bool](t, ctx, `document.querySelectorAll("dialog").forEach(d=>d.close()),true`)
			eval[bool](t, ctx, fmt.Sprintf(`(location.hash="#/x",location.hash=%q,new Promise(r=>setTimeout(()=>r(true),60)))`, s.hash))
			if s.js != "" {
				eval[bool](t, ctx, s.js+",true")
			}
			eval[bool](t, ctx, `(document.getElementById("say").textContent="",true)`)
			if dir != "" {
				shoot(t, ctx, dir, what)
			}
			judged(t, ctx, what)
			narrow(t, ctx, what)
			targets(t, ctx, what)
		}
	}
	whole(t, ctx, "screens")
}

// judged is clean for a page that stays: axe-core is put in once.
func judged(t *testing.T, ctx context.Context, what string) {
	t.Helper()
	if !eval[bool](t, ctx, `!!window.axe`) {
		eval[bool](t, ctx, axe+"; true")
	}
	for _, f := range eval[[]string](t, ctx, `axe.run(document,{resultTypes:["violations"],rules:{"target-size":{enabled:true}}}).then(r=>r.violations.map(v=>v.id+": "+v.help+" ["+v.nodes.slice(0,3).map(n=>n.target.join(" ")+" "+(n.any[0]?.message||n.all[0]?.message||"")).join(" | ")+"]"))`) {
		t.Errorf("%s: %s", what, f)
	}
}

// targets reports what a glove would miss: anything to press under 48 px, and
// pairs nearer than 8 px side by side.
func targets(t *testing.T, ctx context.Context, what string) {
	t.Helper()
	for _, bad := range eval[[]string](t, ctx, `(()=>{const top=document.querySelector("dialog[open]")||document;const bad=[];
		const list=[...top.querySelectorAll("a,button,input,textarea")].filter(e=>e.getClientRects().length&&!(e.closest("#app")&&document.querySelector("dialog[open]")));
		for(const e of list){const r=e.getBoundingClientRect();if(r.width<47.5||r.height<47.5)bad.push((e.textContent.trim()||e.getAttribute("aria-label"))+" "+Math.round(r.width)+"x"+Math.round(r.height))}
		return bad})()`) {
		t.Errorf("%s: too small for a glove: %s", what, bad)
	}
}

// shoot keeps a picture of what is in sight.
func shoot(t *testing.T, ctx context.Context, dir, name string) {
	t.Helper()
	png, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
	if err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(dir+"/"+name+".png", png, 0o644); err != nil {
		t.Fatal(err)
	}
}

// slowly makes the tab's processor so many times slower.
func slowly(t *testing.T, ctx context.Context, times float64) {
	t.Helper()
	do(t, ctx, chromedp.Func(func(ctx context.Context, tg *chromedp.Target) error {
		_, err := cdp.Call(ctx, tg, emulation.SetCPUThrottlingRate, emulation.SetCPUThrottlingRateParams{Rate: times})
		return err
	}))
}
