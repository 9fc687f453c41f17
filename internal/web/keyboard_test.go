package web_test

import (
	"context"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"sapward/internal/demo"
	"sapward/internal/web"
)

// hands is a person without a mouse: Tab, Enter, Space, letters and arrows.
type hands struct {
	t   *testing.T
	ctx context.Context
}

func (h hands) keys(s string) {
	h.t.Helper()
	do(h.t, h.ctx, chromedp.KeyEvent(s))
}

// to goes on by Tab until the focus is on what is looked for. The focus is
// always to be seen.
func (h hands) to(js, what string) {
	h.t.Helper()
	for range 220 {
		h.keys(kb.Tab)
		if !eval[bool](h.t, h.ctx, `(()=>{const e=document.activeElement;return `+js+`})()`) {
			continue
		}
		if out := eval[string](h.t, h.ctx, `(()=>{const e=document.activeElement,s=getComputedStyle(e),l=e.closest("label"),r=e.getBoundingClientRect();if(r.bottom<0||r.top>innerHeight)return "out of sight";const o=l?getComputedStyle(l):s;return s.outlineStyle!=="none"||o.outlineStyle!=="none"?"":"no outline"})()`); out != "" {
			h.t.Errorf("%s: focus %s", what, out)
		}
		return
	}
	h.t.Fatalf("no way to %s by Tab; at %s on %s", what, eval[string](h.t, h.ctx, `document.activeElement.outerHTML.slice(0,200)`), eval[string](h.t, h.ctx, `location.pathname`))
}

// into types into the field of a name.
func (h hands) into(id, text string) {
	h.t.Helper()
	h.to(`e.id===`+quote(id), id)
	h.keys(text)
}

// press goes to the link or button that says a text and presses Enter; the page
// that follows must be there.
func (h hands) press(text string) {
	h.t.Helper()
	h.to(`(e.tagName==="A"||e.tagName==="BUTTON")&&!!e.closest("main,.toast")&&e.textContent.trim().startsWith(`+quote(text)+`)`, text)
	mark(h.t, h.ctx)
	h.keys(kb.Enter)
	settled(h.t, h.ctx)
}

// open presses the link whose address begins so.
func (h hands) open(prefix string) {
	h.t.Helper()
	h.to(`e.tagName==="A"&&!!e.closest("main")&&/^`+prefix+`[0-9a-f-]{36}$/.test(e.getAttribute("href"))`, prefix)
	mark(h.t, h.ctx)
	h.keys(kb.Enter)
	settled(h.t, h.ctx)
}

// From an empty folder to an approved plan by keyboard alone, in both languages.
// The system's own dialog for choosing a file is stepped over.
func TestJourney_ByKeyboardFromEmptyToApproved(t *testing.T) {
	for _, w := range tongues {
		t.Run(w.lang, func(t *testing.T) {
			s := empty(t, web.Options{Local: true})
			ctx := tab(t)
			h := hands{t, ctx}
			wear(t, ctx, s.url, look{width: 1280, lang: w.lang, units: "metric"})
			do(t, ctx, chromedp.Navigate(s.url+"/"), chromedp.WaitReady(chromedp.CSS("main")))
			h.press(w.addEstate)
			h.into("f-name", "Oak Hill")
			h.to(`e.id==="f-zone"`, "the zone")
			selectAll(t, ctx)
			h.keys("Europe/Madrid")
			h.into("f-territory", "DEMO")
			h.press(w.yesSave)
			h.press(w.addBlock)
			h.into("f-name", "Avenue")
			h.into("f-site", "elm")
			h.into("f-area", "1.2")
			h.press(w.yesSave)
			h.press(w.importDo)
			h.to(`e.id==="file"`, "the file")
			do(t, ctx, chromedp.SetUploadFiles(chromedp.CSS("#file"), []string{table(t)}))
			h.press(w.preview)
			says(t, ctx, "164")
			h.press(w.importDo)
			says(t, ctx, "38.2 cm")

			// the card: its text is pasted, then one thing is typed on the form
			h.to(`e.getAttribute("href")==="/cards"&&!!e.closest("nav")`, "the cards")
			mark(t, ctx)
			h.keys(kb.Enter)
			settled(t, ctx)
			h.press(w.newCard)
			h.to(`e.id==="text"`, "the text of the card")
			selectAll(t, ctx)
			paste(t, ctx, string(demo.Files()["avenue/card.yaml"]))
			waitFor(t, ctx, `document.getElementById("p-product-name").value==="Invented Product A"`)
			h.to(`e.id==="p-product-name"`, "the product's name")
			h.keys(kb.End)
			h.keys("B")
			h.keys(kb.Tab)
			waitFor(t, ctx, `document.getElementById("text").value.includes("name: Invented Product AB\n")`)
			h.press(w.keepCard)
			h.press(w.agrees)
			h.to(`e.getAttribute("href")==="/estates"&&!!e.closest("nav")`, "the estates")
			mark(t, ctx)
			h.keys(kb.Enter)
			settled(t, ctx)
			h.open("\\/estates\\/")
			h.open("\\/blocks\\/")
			h.press(w.newPlan)
			for _, a := range []struct{ field, keys string }{
				{"method", "i"}, {"site", "elm"}, {"target", "vas"}, {"on", "06172027"}, {"bloom", "n"}, {"certificate", "12312028"}, {"area", "1.2"}, {"territory", "DEMO"},
			} {
				waitFor(t, ctx, `!!document.querySelector("#answer .verdict") && !document.querySelector(".htmx-request")`)
				id := "answer-" + a.field
				if !eval[bool](t, ctx, `!!document.getElementById("`+id+`")`) {
					continue
				}
				h.into(id, a.keys)
				if a.field == "method" && eval[bool](t, ctx, `document.getElementById("answer-method").value!=="injection"`) {
					h.keys(kb.ArrowDown)
				}
				if eval[bool](t, ctx, `document.getElementById("`+id+`").value===""`) {
					t.Errorf("%s: nothing was typed", id)
				}
				h.to(`e.tagName==="BUTTON"&&e.form===document.getElementById("`+id+`").form`, "the button of "+id)
				h.keys(kb.Enter)
				waitFor(t, ctx, `!document.getElementById("`+id+`")`)
			}
			says(t, ctx, w.allowed)
			waitFor(t, ctx, `!document.querySelector(".htmx-request")`)
			h.press(w.approve)
			h.to(`e.id==="read"`, "the confirmation")
			h.keys(" ")
			h.to(`e.tagName==="BUTTON"&&e.textContent.trim()===`+quote(w.approve), "the signature")
			h.keys(kb.Enter)
			waitFor(t, ctx, `location.pathname.startsWith("/plans/")`)
			says(t, ctx, w.approved)
			whole(t, ctx, "the approved plan")
		})
	}
}

// selectAll presses Ctrl and A.
func selectAll(t *testing.T, ctx context.Context) {
	t.Helper()
	do(t, ctx, chromedp.Func(func(ctx context.Context, tg *chromedp.Target) error {
		for _, kind := range []input.DispatchKeyEventType{input.DispatchKeyEventTypeRawKeyDown, input.DispatchKeyEventTypeKeyUp} {
			p := input.DispatchKeyEventParams{Type: kind, Modifiers: 2, Key: "a", Code: "KeyA", WindowsVirtualKeyCode: 65}
			if kind == input.DispatchKeyEventTypeRawKeyDown {
				p.Commands = []string{"selectAll"}
			}
			if _, err := cdp.Call(ctx, tg, input.DispatchKeyEvent, p); err != nil {
				return err
			}
		}
		return nil
	}))
}

// paste puts a text where the cursor is, as from the clipboard.
func paste(t *testing.T, ctx context.Context, text string) {
	t.Helper()
	do(t, ctx, chromedp.Func(func(ctx context.Context, tg *chromedp.Target) error {
		_, err := cdp.Call(ctx, tg, input.InsertText, input.InsertTextParams{Text: text})
		return err
	}))
}
