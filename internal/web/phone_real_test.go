package web_test

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/chromedp/chromedp"

	"sapward/apply/fieldlog"
	"sapward/internal/app"
	"sapward/internal/web"
)

// realPhone joins a day of the real server in the browser.
func realPhone(t *testing.T, ctx context.Context, h *stage, day app.FieldDay, person int) {
	t.Helper()
	_, code, err := h.app.AddPhone(t.Context(), app.Local(), day.ID, day.Facts.People[person].ID)
	if err != nil {
		t.Fatal(err)
	}
	do(t, ctx, chromedp.EmulateViewport(390, 844), chromedp.Navigate(h.url+"/join/"+code), chromedp.WaitReady(chromedp.CSS("main form")))
	eval[bool](t, ctx, `document.querySelector("main form").requestSubmit(),true`)
	wait(t, ctx, ready)
	wait(t, ctx, `navigator.serviceWorker.controller`)
}

// A demo day with the real server: the lead opens it, one phone in the browser
// goes without signal, a second works at the same time, both come back, the
// board shows it, the day is closed and its log says what was done.
func TestPhone_RealServer(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	day := openedDay(t, h)
	ctx := tab(t)
	realPhone(t, ctx, h, day, 0)
	other := newHandset(t, h, day, 1)
	offline(t, ctx, true)
	v, err := h.app.Day(t.Context(), app.Local(), day.ID)
	if err != nil {
		t.Fatal(err)
	}
	had := 0
	for _, x := range v.Pack.Trees[:2] {
		had = walkTree(t, ctx, x.Tag, len(v.Log.Tree(x.Tag).Ports), had)
	}
	last := v.Pack.Trees[5]
	other.note(fieldlog.Event{Kind: fieldlog.Start, Tree: last.Tag})
	other.note(fieldlog.Event{Kind: fieldlog.Drill, Tree: last.Tag, Port: 1})
	if n, _ := other.send(); n != 2 {
		t.Errorf("the second phone: %d notes confirmed", n)
	}
	offline(t, ctx, false)
	sent(t, ctx)
	if v, err = h.app.Day(t.Context(), app.Local(), day.ID); err != nil {
		t.Fatal(err)
	}
	if v.State.Events != had+2 || v.State.ByStage[fieldlog.Finished] != 2 || len(v.State.Gaps) != 0 {
		t.Errorf("%d notes on the server, %d made; %v", v.State.Events, had+2, v.State.ByStage)
	}
	for _, x := range v.Pack.Trees[:2] {
		s := v.Log.Tree(x.Tag)
		if s.Port(1).Read || !s.Port(2).Read || s.Port(2).LeftUL != 500 || s.Port(3).GoneUL != s.Port(3).LoadedUL {
			t.Errorf("%s as it was noted: %+v", x.Tag, s.Ports[:3])
		}
	}
	wait(t, ctx, `sapwardPage.state.own.length>0`)
	do(t, ctx, chromedp.EmulateViewport(1280, 900), chromedp.Navigate(h.url+"/days/"+day.ID), chromedp.WaitReady(chromedp.CSS("#board .tile")))
	if n := eval[int](t, ctx, `document.querySelectorAll(".tile.done").length`); n != 2 {
		t.Errorf("%d tiles of the board say done", n)
	}
	// The board follows without being asked.
	other.note(fieldlog.Event{Kind: fieldlog.Incident, Tree: last.Tag, Reason: "spill", Text: "seen on the board"})
	other.send()
	wait(t, ctx, `document.body.innerText.includes("seen on the board")`)
	if _, err := h.app.CloseDay(t.Context(), app.Local(), day.ID, v.Version); err != nil {
		t.Error(err)
	}
}

// The core on the phone and the core of the server are the same code; this
// says that they also give the same answer, byte by byte, for tape readings at
// random on trees with old holes, limbs and obstacles.
func TestPhone_CoreAgreesWithTheServer(t *testing.T) {
	n := 10_000
	if testing.Short() {
		n = 1000
	}
	h := filled(t, web.Options{Local: true})
	day := openedDay(t, h)
	ctx := tab(t)
	realPhone(t, ctx, h, day, 0)
	v, err := h.app.Day(t.Context(), app.Local(), day.ID)
	if err != nil {
		t.Fatal(err)
	}
	data, err := json.Marshal(v.Pack)
	if err != nil {
		t.Fatal(err)
	}
	pack := &fieldlog.Pack{}
	if err := json.Unmarshal(data, pack); err != nil {
		t.Fatal(err)
	}
	log := fieldlog.NewLog(pack)
	wait(t, ctx, `window.sapwardCore`)
	eval[bool](t, ctx, `(async()=>{const p=await (await fetch("/phone/pack")).json();const a=JSON.parse(sapwardCore("open",JSON.stringify({pack:p,events:[]})));return a.trees>0})()`)
	seed := uint64(20260615)
	r := rand.New(rand.NewPCG(seed, 1))
	planned, refused := 0, 0
	for done := 0; done < n; {
		var asked []string
		sum := sha256.New()
		var answers []string
		for range min(500, n-done) {
			tree := pack.Trees[r.IntN(len(pack.Trees))]
			stem := tree.Taped.Stems[r.IntN(len(tree.Taped.Stems))]
			e := fieldlog.Event{Kind: fieldlog.Tape, Tree: tree.Tag, Stem: stem.Name, Taped: "girth"}
			switch r.IntN(3) {
			case 0:
				e.Reading = fmt.Sprintf("%d.%d cm", 20+r.IntN(380), r.IntN(10))
			case 1:
				e.Taped, e.Reading = "diameter", fmt.Sprintf("%d.%d cm", 5+r.IntN(125), r.IntN(10))
			case 2:
				e.Reading = fmt.Sprintf("%d.%03d in", 8+r.IntN(140), 125*r.IntN(8))
			}
			arg, _ := json.Marshal(map[string]any{"event": e})
			asked = append(asked, string(arg))
			j := log.Judge(e)
			if len(j.Units) > 0 {
				planned++
			} else {
				refused++
			}
			answer, err := json.Marshal(j)
			if err != nil {
				t.Fatal(err)
			}
			answers = append(answers, string(answer))
			sum.Write(answer)
		}
		list, _ := json.Marshal(asked)
		got := eval[string](t, ctx, `(async()=>{const out=`+string(list)+`.map(a=>sapwardCore("judge",a)).join("");const h=await crypto.subtle.digest("SHA-256",new TextEncoder().encode(out));return [...new Uint8Array(h)].map(b=>b.toString(16).padStart(2,"0")).join("")})()`)
		if got != hex.EncodeToString(sum.Sum(nil)) {
			for i, a := range asked {
				q, _ := json.Marshal(a)
				if got := eval[string](t, ctx, `sapwardCore("judge",`+string(q)+`)`); got != answers[i] {
					t.Fatalf("seed %d, %s\n phone  %s\n server %s", seed, a, got, answers[i])
				}
			}
			t.Fatal("the answers differ together but not one by one")
		}
		done += len(asked)
	}
	t.Logf("%d readings, seed %d: %d planned, %d without a dose, the same bytes", n, seed, planned, refused)
	if planned == 0 || refused == 0 {
		t.Error("nothing of interest was compared")
	}
}
