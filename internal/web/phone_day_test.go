package web_test

import (
	"context"
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"sapward/apply/fieldlog"
	"sapward/internal/app"
	"sapward/internal/web"
)

// A store with little room left is said before it hurts, on every screen; notes
// still go in, and with room again the warning goes.
func TestPhone_LittleRoomIsSaid(t *testing.T) {
	f := newFake(t, demoPack(t))
	ctx := joined(t, f)
	sent(t, ctx)
	if text := eval[string](t, ctx, `document.querySelector(".banners").textContent`); strings.Contains(text, "Little room") {
		t.Fatalf("with room: %s", text)
	}
	// Browsers round what they report, and some report a bound that never comes
	// near: the page is told here what a phone with a full disk would report.
	eval[bool](t, ctx, `(window.old=navigator.storage.estimate.bind(navigator.storage),navigator.storage.estimate=async()=>({usage:90e6,quota:105e6}),true)`)
	sent(t, ctx)
	wait(t, ctx, `document.querySelector(".banners").textContent.includes("Little room left on this phone.")`)
	some(t, ctx, 2)
	noted(t, ctx, 2)
	eval[bool](t, ctx, `(navigator.storage.estimate=window.old,true)`)
	sent(t, ctx)
	wait(t, ctx, `!document.querySelector(".banners").textContent.includes("Little room")`)
}

// looked keeps pictures of what a page shows now in both languages and schemes,
// where pictures are asked for, and says when it scrolls sideways.
func looked(t *testing.T, ctx context.Context, base, name string, phone bool) {
	t.Helper()
	narrow(t, ctx, name)
	whole(t, ctx, name)
	dir := os.Getenv("SAPWARD_SCREENS")
	if dir == "" {
		return
	}
	at := eval[string](t, ctx, `location.href`)
	for _, lang := range []string{"es", "en"} {
		for _, dark := range []bool{true, false} {
			l := look{width: 390, dark: dark, lang: lang}
			if phone {
				eval[bool](t, ctx, fmt.Sprintf(`(document.documentElement.lang!==%q&&document.querySelector(".lang").click(),document.documentElement.dataset.theme=%q,new Promise(r=>setTimeout(()=>r(true),300)))`, lang, map[bool]string{true: "dark", false: "light"}[dark]))
				shoot(t, ctx, dir, name+"-"+l.name())
			} else {
				wear(t, ctx, base, l)
				do(t, ctx, chromedp.Navigate(at), chromedp.WaitReady(chromedp.CSS("main")))
				photograph(t, ctx, dir, name+"-"+l.name())
			}
			narrow(t, ctx, name+"-"+l.name())
		}
	}
}

// A whole demo day as lead, applicator and crew, each in a browser at 390 px:
// the lead opens the day and makes codes; two phones join by them, go without
// signal, work, contradict each other, come back; the lead decides, closes the
// day and writes its record.
func TestDay_WholeInTheBrowser(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	plan := approved(t, h)
	lead := tab(t)
	wear(t, lead, h.url, look{width: 390, lang: "en", units: "metric"})
	do(t, lead, chromedp.Navigate(h.url+"/plans/"+plan), chromedp.WaitReady(chromedp.CSS("textarea[name=people]")))
	eval[bool](t, lead, `(e=>{e.value="applicator\ncrew";e.form.closest("details").open=true;e.form.requestSubmit();return true})(document.querySelector("textarea[name=people]"))`)
	wait(t, lead, `location.pathname.startsWith("/days/")&&document.querySelector("#board .tile")`)
	board := eval[string](t, lead, `location.href`)
	id := board[strings.LastIndex(board, "/")+1:]
	day := func() app.DayView {
		t.Helper()
		v, err := h.app.Day(t.Context(), app.Local(), id)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	looked(t, lead, h.url, "day1-opened", false)

	phones := map[string]context.Context{}
	for i, who := range []string{"applicator", "crew"} {
		do(t, lead, chromedp.Navigate(board), chromedp.WaitReady(chromedp.CSS("#board .tile")))
		eval[bool](t, lead, fmt.Sprintf(`[...document.querySelectorAll("form[action$='/phones'] button")][%d].click(),true`, i))
		wait(t, lead, `document.querySelector(".invite-qr svg")`)
		code := eval[string](t, lead, `document.querySelector(".invite a").href`)
		narrow(t, lead, "invite")
		p := tab(t)
		do(t, p, chromedp.EmulateViewport(390, 844), chromedp.Navigate(code), chromedp.WaitReady(chromedp.CSS("main form")))
		if text := eval[string](t, p, `document.querySelector(".join-who").textContent`); text != who {
			t.Errorf("the code makes the phone of %q, want %s", text, who)
		}
		looked(t, p, h.url, "day2-join", false)
		eval[bool](t, p, `document.querySelector("main form").requestSubmit(),true`)
		wait(t, p, ready)
		wait(t, p, `navigator.serviceWorker.controller`)
		eval[bool](t, p, `(document.documentElement.lang==="en"||document.querySelector(".lang").click(),true)`)
		phones[who] = p
	}
	one, two := phones["applicator"], phones["crew"]
	looked(t, one, h.url, "day3-walk", true)
	offline(t, one, true)
	offline(t, two, true)

	v := day()
	pilot := v.Pack.Trees[0]
	eval[bool](t, one, `(async()=>{await sapwardPage.note([{kind:"draw",container:"C-7",lot:"L-1",volume_ul:500000}]);return true})()`)
	had := walkTree(t, one, pilot.Tag, len(v.Log.Tree(pilot.Tag).Ports), 1)
	looked(t, one, h.url, "day4-next", true)
	shared := v.Pack.Trees[3].Tag
	eval[bool](t, one, fmt.Sprintf(`location.hash="#/tree/%s",true`, shared))
	tap(t, one, "I am at this tree")
	looked(t, one, h.url, "day5-tree", true)
	for i, p := range []context.Context{one, two} {
		eval[bool](t, p, fmt.Sprintf(`(async()=>{await sapwardPage.note([{kind:"drill",tree:%q,port:1},{kind:"load",tree:%q,port:1,volume_ul:%d}]);return true})()`, shared, shared, 4000+500*i))
	}
	had += 3
	noted(t, one, had)
	eval[bool](t, one, fmt.Sprintf(`location.hash="#/tree/%s/port/1",true`, shared))
	looked(t, one, h.url, "day6-port", true)
	other := v.Pack.Trees[1].Tag
	eval[bool](t, two, fmt.Sprintf(`location.hash="#/tree/%s",true`, other))
	tap(t, two, "Skip this tree")
	wait(t, two, `document.querySelector("dialog[open]")`)
	looked(t, two, h.url, "day7-skip", true)
	eval[bool](t, two, fmt.Sprintf(`location.hash="#/walk",location.hash="#/tree/%s",true`, other))
	tap(t, two, "Skip this tree")
	eval[bool](t, two, `document.querySelector("dialog[open] button.wide").click(),true`)
	wait(t, two, `sapwardPage.state.own.at(-1).kind==="skip"`)
	eval[bool](t, two, `document.querySelector(".head .sos").click(),true`)
	wait(t, two, `location.hash==="#/incident"`)
	looked(t, two, h.url, "day8-incident", true)
	eval[bool](t, two, `(async()=>{await sapwardPage.note([{kind:"incident",reason:"spill",text:"a cup on the path"}]);return true})()`)
	eval[bool](t, two, `location.hash="#/here",true`)
	wait(t, two, `document.querySelector(".status").textContent.includes("4 notes still here")`)
	looked(t, two, h.url, "day9-here", true)
	if n := day().State.Events; n != 0 {
		t.Fatalf("%d notes came without signal", n)
	}

	for _, p := range []context.Context{one, two} {
		offline(t, p, false)
		sent(t, p)
	}
	eval[bool](t, one, `location.hash="#/day",true`)
	looked(t, one, h.url, "day10-end", true)
	do(t, lead, chromedp.Navigate(board), chromedp.WaitReady(chromedp.CSS("#board .tile")))
	wait(t, lead, `document.body.innerText.includes("a cup on the path")&&document.querySelectorAll(".tile.done").length===1`)
	looked(t, lead, h.url, "day11-board", false)
	v = day()
	if v.State.Events != had+4 || len(v.State.Conflicts) != 1 || v.State.Conflicts[0].Kind != fieldlog.Load || len(v.State.Incidents) != 1 || len(v.State.Gaps) != 0 {
		t.Fatalf("%d notes of %d, conflicts %+v", v.State.Events, had+4, v.State.Conflicts)
	}
	eval[bool](t, lead, `(f=>{f.querySelector("input[name=reason]").value="asked both";f.requestSubmit();return true})(document.querySelector("form[action$='/decide']"))`)
	wait(t, lead, `!document.querySelector("form[action$='/decide']")&&document.querySelector("#board .tile")`)
	if v = day(); len(v.State.Conflicts) != 0 || v.Log.Tree(shared).Port(1).LoadedUL > 4500 {
		t.Errorf("decided: %+v, loaded %d", v.State.Conflicts, v.Log.Tree(shared).Port(1).LoadedUL)
	}
	// The phones hear of it.
	for _, p := range []context.Context{one, two} {
		sent(t, p)
		wait(t, p, `sapwardPage.state.day.conflicts.length===0`)
	}
	do(t, lead, chromedp.Navigate(board), chromedp.WaitReady(chromedp.CSS("#board .tile")))
	eval[bool](t, lead, `document.querySelector("form[action$='/close']").requestSubmit(),true`)
	wait(t, lead, `document.querySelector("form[action$='/record']")`)
	looked(t, lead, h.url, "day12-closed", false)
	eval[bool](t, lead, `document.querySelector("form[action$='/record']").requestSubmit(),true`)
	wait(t, lead, `location.pathname.startsWith("/records/")`)
	looked(t, lead, h.url, "day13-record", false)
	if v = day(); v.Record == "" || v.Facts.ClosedAt == "" {
		t.Error("no record of the day")
	}
}
