package web_test

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"sapward/internal/demo"
	"sapward/internal/web"
)

// words a person reads on the way, by language.
type tongue struct {
	lang                                                         string
	addEstate, addBlock, importDo, preview, newCard, keepCard    string
	agrees, newPlan, answer, allowed, approve, approved, yesSave string
}

var tongues = []tongue{
	{"en", "Add an estate", "Add a block", "Import", "Preview", "New card", "Keep the card", "It agrees with the label", "New plan", "Answer", "Allowed by the card", "Approve", "Approved", "Save"},
	{"es", "Añadir una finca", "Añadir un bloque", "Importar", "Vista previa", "Ficha nueva", "Guardar la ficha", "Coincide con la etiqueta", "Plan nuevo", "Responder", "Permitido por la ficha", "Aprobar", "Aprobado", "Guardar"},
}

// press clicks the button or link in the content that says a text, and waits
// for the page to be ready again.
func press(t *testing.T, ctx context.Context, text string) {
	t.Helper()
	waitFor(t, ctx, `!!find(`+quote(text)+`)`)
	mark(t, ctx)
	eval[bool](t, ctx, finder+`find(`+quote(text)+`).click(); true`)
	settled(t, ctx)
}

const finder = `function find(text){return [...document.querySelectorAll("main a.button, main button, main summary, .toast button")].find(e=>e.textContent.trim().startsWith(text)&&e.getClientRects().length)};`

func quote(s string) string { return "`" + s + "`" }

// mark remembers the page, settled waits until another has taken its place.
func mark(t *testing.T, ctx context.Context) {
	t.Helper()
	eval[bool](t, ctx, `window.stays=true`)
}

func settled(t *testing.T, ctx context.Context) {
	t.Helper()
	waitFor(t, ctx, `!window.stays && document.readyState==="complete"`)
}

// waitFor waits until a condition holds on the page.
func waitFor(t *testing.T, ctx context.Context, js string) {
	t.Helper()
	end := time.Now().Add(25 * time.Second)
	for {
		ok, err := chromedp.Run(ctx, chromedp.Evaluate[bool](finder+js))
		if err == nil && ok {
			return
		}
		if time.Now().After(end) {
			text, _ := chromedp.Run(ctx, chromedp.Evaluate[string](`location.pathname+": "+document.querySelector("main").innerText.slice(0,900)`))
			t.Fatalf("waited in vain for %s (%v) on %s", js, err, text)
		}
		time.Sleep(40 * time.Millisecond)
	}
}

// put types into a field, or chooses in it, as a person does.
func put(t *testing.T, ctx context.Context, id, value string) {
	t.Helper()
	waitFor(t, ctx, `!!document.getElementById(`+quote(id)+`)`)
	eval[bool](t, ctx, `(()=>{const e=document.getElementById(`+quote(id)+`);e.focus();e.value=`+quote(value)+`;e.dispatchEvent(new Event("input",{bubbles:true}));e.dispatchEvent(new Event("change",{bubbles:true}));return true})()`)
}

func says(t *testing.T, ctx context.Context, text string) {
	t.Helper()
	waitFor(t, ctx, `document.body.innerText.includes(`+quote(text)+`)`)
}

// table writes the demo's trees to a file of their own.
func table(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "trees.csv")
	if err := os.WriteFile(path, demo.Files()["avenue/trees.csv"], 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// A person who never saw the app goes from an empty folder to an approved plan,
// in both languages.
func TestJourney_FromEmptyToApproved(t *testing.T) {
	for _, w := range tongues {
		t.Run(w.lang, func(t *testing.T) {
			h := empty(t, web.Options{Local: true})
			ctx := tab(t)
			wear(t, ctx, h.url, look{width: 390, lang: w.lang, units: "metric"})
			do(t, ctx, chromedp.Navigate(h.url+"/"), chromedp.WaitReady(chromedp.CSS("main")))
			press(t, ctx, w.addEstate)
			put(t, ctx, "f-name", "Oak Hill")
			put(t, ctx, "f-zone", "Europe/Madrid")
			put(t, ctx, "f-territory", "DEMO")
			press(t, ctx, w.yesSave)
			says(t, ctx, "Oak Hill")
			press(t, ctx, w.addBlock)
			put(t, ctx, "f-name", "Avenue")
			put(t, ctx, "f-site", "elm")
			put(t, ctx, "f-area", "1.2")
			press(t, ctx, w.yesSave)
			press(t, ctx, w.importDo)
			do(t, ctx, chromedp.SetUploadFiles(chromedp.CSS("#file"), []string{table(t)}))
			press(t, ctx, w.preview)
			says(t, ctx, "164")
			press(t, ctx, w.importDo)
			says(t, ctx, "38.2 cm")
			do(t, ctx, chromedp.Navigate(h.url+"/cards"))
			press(t, ctx, w.newCard)
			put(t, ctx, "text", string(demo.Files()["avenue/card.yaml"]))
			waitFor(t, ctx, `document.getElementById("p-product-name").value==="Invented Product A"`) // the form follows the text
			press(t, ctx, w.keepCard)
			press(t, ctx, w.agrees)
			do(t, ctx, chromedp.Navigate(h.url+"/estates"))
			eval[bool](t, ctx, `document.querySelector("main li a").click(); true`)
			waitFor(t, ctx, `location.pathname.startsWith("/estates/")&&document.readyState==="complete"`)
			eval[bool](t, ctx, `document.querySelector("main h3 a").click(); true`)
			waitFor(t, ctx, `location.pathname.startsWith("/blocks/")&&document.readyState==="complete"`)
			press(t, ctx, w.newPlan)
			for _, a := range []struct{ field, value string }{
				{"method", "injection"}, {"site", "elm"}, {"target", "vascular wilt"}, {"on", "2027-06-17"}, {"bloom", "no"}, {"certificate", "2028-12-31"}, {"area", "1.2"}, {"territory", "DEMO"},
			} {
				answerOpen(t, ctx, a.field, a.value, w.answer)
			}
			says(t, ctx, w.allowed)
			narrow(t, ctx, "the plan")
			whole(t, ctx, "the plan, after its answers")
			press(t, ctx, w.approve)
			eval[bool](t, ctx, `document.getElementById("read").click(); true`)
			press(t, ctx, w.approve)
			waitFor(t, ctx, `location.pathname.startsWith("/plans/")`)
			says(t, ctx, w.approved)
			whole(t, ctx, "the approved plan")
			clean(t, ctx, "the approved plan")
		})
	}
}

// answerOpen answers an open fact in place, if the plan asks for it.
func answerOpen(t *testing.T, ctx context.Context, field, value, word string) {
	t.Helper()
	waitFor(t, ctx, `!!document.querySelector("#answer .verdict") && !document.querySelector(".htmx-request")`)
	if !eval[bool](t, ctx, `!!document.getElementById("answer-`+field+`")`) {
		return
	}
	put(t, ctx, "answer-"+field, value)
	eval[bool](t, ctx, `document.getElementById("answer-`+field+`").form.requestSubmit(); true`)
	waitFor(t, ctx, `!document.getElementById("answer-`+field+`")`)
}

// The same by keyboard alone: Tab, Enter, Space, letters and arrows; no mouse
// and no script that clicks. Focus is always to be seen.
func TestJourney_ByKeyboardAlone(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	ctx := tab(t)
	wear(t, ctx, h.url, look{width: 1280, lang: "en", units: "metric"})
	do(t, ctx, chromedp.Navigate(h.url+"/drafts/"+h.draft), chromedp.WaitReady(chromedp.CSS("#answer")))

	keys := func(s string) { t.Helper(); do(t, ctx, chromedp.KeyEvent(s)) }
	// the first stop leads past the navigation
	keys(kb.Tab)
	if got := eval[string](t, ctx, `document.activeElement.className`); got != "skip" {
		t.Fatalf("the first stop is %q", got)
	}
	keys(kb.Enter)
	if got := eval[string](t, ctx, `document.activeElement.id`); got != "main" {
		t.Errorf("the skip link leads to %q", got)
	}
	tabTo := func(js, what string) {
		t.Helper()
		for range 120 {
			keys(kb.Tab)
			if eval[bool](t, ctx, `(()=>{const e=document.activeElement;return `+js+`})()`) {
				if out := eval[string](t, ctx, `(()=>{const e=document.activeElement,s=getComputedStyle(e),l=e.closest("label"),r=e.getBoundingClientRect();if(r.bottom<0||r.top>innerHeight)return "out of sight";const o=l?getComputedStyle(l):s;return s.outlineStyle!=="none"||o.outlineStyle!=="none"?"":"no outline"})()`); out != "" {
					t.Errorf("%s: focus %s", what, out)
				}
				return
			}
		}
		t.Fatalf("no way to %s by Tab; at %s", what, eval[string](t, ctx, `document.activeElement.outerHTML.slice(0,200)`))
	}
	tabTo(`e.name==="method"`, "the method")
	tabTo(`e.id==="answer-certificate"`, "the open fact")
	keys("12312028")
	tabTo(`e.tagName==="BUTTON"&&e.textContent.includes("Answer")`, "its button")
	keys(kb.Enter)
	says(t, ctx, "Allowed by the card")
	waitFor(t, ctx, `!document.querySelector(".htmx-request")`)
	tabTo(`e.id==="stand"`, "the slider round the trunk")
	before := eval[string](t, ctx, `document.getElementById("turn-picture").innerHTML`)
	keys(kb.ArrowRight)
	waitFor(t, ctx, `document.getElementById("turn-picture").innerHTML!==`+quoteJS(before))
	tabTo(`e.id==="stage-plan"`, "the map")
	box := eval[string](t, ctx, `[...document.querySelectorAll("#stage-plan svg")].find(s=>s.getClientRects().length).getAttribute("viewBox")`)
	keys("+")
	if now := eval[string](t, ctx, `[...document.querySelectorAll("#stage-plan svg")].find(s=>s.getClientRects().length).getAttribute("viewBox")`); now == box {
		t.Error("the map does not come nearer with +")
	}
	eval[bool](t, ctx, `document.activeElement.blur(); window.scrollTo(0,0); true`)
	tabTo(`e.tagName==="A"&&e.textContent.trim()==="Approve"`, "approval")
	mark(t, ctx)
	keys(kb.Enter)
	settled(t, ctx)
	tabTo(`e.id==="read"`, "the confirmation")
	keys(" ")
	tabTo(`e.tagName==="BUTTON"&&e.textContent.trim()==="Approve"`, "the signature")
	keys(kb.Enter)
	waitFor(t, ctx, `location.pathname.startsWith("/plans/")`)
	says(t, ctx, "Nothing on this page changes any more")
}

func quoteJS(s string) string {
	return "`" + strings.NewReplacer("\\", "\\\\", "`", "\\`", "${", "\\${").Replace(s) + "`"
}

// Dragging turns the trunk and moves the map; two people on one draft: the
// later one is told and loses nothing.
func TestJourney_HandsAndConflict(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	one, two := tab(t), tab(t)
	for _, ctx := range []context.Context{one, two} {
		wear(t, ctx, h.url, look{width: 1280, lang: "en", units: "metric"})
		do(t, ctx, chromedp.Navigate(h.url+"/drafts/"+h.draft), chromedp.WaitReady(chromedp.CSS("#answer")))
	}
	drag := func(sel string, dx float64) {
		t.Helper()
		eval[bool](t, one, `document.querySelector("`+sel+`").scrollIntoView({block:"center"}); true`)
		at := eval[[]float64](t, one, `(()=>{const r=document.querySelector("`+sel+`").getBoundingClientRect();return [r.x+r.width/2,r.y+r.height/2]})()`)
		do(t, one, chromedp.DragAndDropXY(at[0], at[1], at[0]+dx, at[1], 8))
	}
	drag("#turn-picture", 90)
	waitFor(t, one, `document.getElementById("stand").value!=="180"`)
	waitFor(t, one, `document.querySelector("#turn-picture figcaption").innerText.includes(document.getElementById("stand").value)`)
	eval[bool](t, one, `document.querySelector('[data-stage-for="stage-plan"][data-stage-do="in"]').click(); true`)
	svg := `[...document.querySelectorAll("#stage-plan svg")].find(s=>s.getClientRects().length).getAttribute("viewBox")`
	before := eval[string](t, one, svg)
	drag("#stage-plan", -120)
	if now := eval[string](t, one, svg); now == before {
		t.Error("the map does not follow the hand")
	}

	put(t, one, "crew", "4")
	waitFor(t, one, `document.getElementById("draft-version").value==="2"&&!document.querySelector(".htmx-request")`)
	put(t, two, "crew", "5")
	says(t, two, "Somebody else changed this draft")
	if got := eval[string](t, two, `document.getElementById("crew").value`); got != "5" {
		t.Errorf("what the second person typed became %q", got)
	}
	do(t, two, chromedp.Navigate(h.url+"/drafts/"+h.draft))
	waitFor(t, two, `document.getElementById("crew").value==="4"`)
}
