package web_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"sapward/internal/app"
	"sapward/internal/web"
)

// planted adds an invented block of n trees in rows of forty, with a boundary.
func planted(t *testing.T, h *stage, n int) string {
	t.Helper()
	ctx := t.Context()
	b, err := h.app.AddBlock(ctx, app.Local(), h.estate, app.BlockFacts{Name: fmt.Sprintf("Planted %d", n), Site: "elm", AreaHa: "9",
		Boundary: []app.Point{{X: -5, Y: -5}, {X: 405, Y: -5}, {X: 405, Y: 10*float64(n/40) + 5}, {X: -5, Y: 10*float64(n/40) + 5}}})
	if err != nil {
		t.Fatal(err)
	}
	var table strings.Builder
	table.WriteString("tree,girth_cm,x_m,y_m\n")
	for i := range n {
		fmt.Fprintf(&table, "P%04d,120,%d,%d\n", i+1, 10*(i%40), 10*(i/40))
	}
	if _, err := h.app.Import(ctx, app.Local(), b.ID, "trees", "t.csv", strings.NewReader(table.String()), nil); err != nil {
		t.Fatal(err)
	}
	return b.ID
}

// Every dot of a block's map leads to its tree; the boundary is drawn; a large
// block is drawn without links and stays small.
func TestMap_LeadsToTreesAndShowsTheBoundary(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	p := browse(t, h.url)
	small, large := planted(t, h, 200), planted(t, h, 3000)
	_, page := p.get("/blocks/" + small)
	if got := strings.Count(page, `<a href="/blocks/`+small+`?tag=`); got != 400 { // a map for the desk, one for the phone
		t.Errorf("%d dots lead on, want 2 x 200", got)
	}
	if got := strings.Count(page, `tabindex="0"`); got > 8 {
		t.Errorf("%d stops for Tab", got)
	}
	if !strings.Contains(page, "Edge of the block") {
		t.Error("the boundary is not drawn")
	}
	res, body := p.get("/blocks/" + small + "?tag=P0007")
	if !strings.HasPrefix(res.Request.URL.Path, "/trees/") || !strings.Contains(body, "<h1>Tree P0007") {
		t.Errorf("a dot leads to %s", res.Request.URL.Path)
	}
	if res, _ = p.get("/blocks/" + small + "?tag=nobody"); res.Request.URL.Path != "/blocks/"+small+"/trees" {
		t.Errorf("a tag that is none leads to %s", res.Request.URL.Path)
	}
	_, page = p.get("/blocks/" + large)
	if strings.Contains(page, "?tag=") || !strings.Contains(page, "Edge of the block") {
		t.Error("the large block")
	}
	if len(page) > 1_200_000 {
		t.Errorf("the page of 3000 trees has %d bytes", len(page))
	}
	// the estate's page: the sketch shows the boundary, the map's blocks lead on
	if _, page = p.get("/estates/" + h.estate); !strings.Contains(page, "stroke-dasharray") {
		t.Error("the sketch lacks the boundary")
	}
	globe := onTheGlobe(t, h)
	if _, page = p.get("/estates/" + globe); strings.Count(page, `<a href="/blocks/`) < 6 || !strings.Contains(page, "<title>River row</title>") {
		t.Error("the blocks of the map lead nowhere")
	}
	if _, page = p.get("/drafts/" + h.draft); !strings.Contains(page, "/blocks/"+h.avenue+"?tag=") && !strings.Contains(page, "/blocks/"+h.chestnut+"?tag=") {
		t.Error("the dots of a plan's map lead nowhere")
	}
}

// By keyboard: Tab to the dots, arrows from one to the next, Enter opens; by
// mouse: a click opens, a drag does not.
func TestMap_ByKeyboardAndHand(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	small := planted(t, h, 200)
	ctx := tab(t)
	wear(t, ctx, h.url, look{width: 1280, lang: "en", units: "metric"})
	do(t, ctx, chromedp.Navigate(h.url+"/blocks/"+small), chromedp.WaitReady(chromedp.CSS("#stage-block")))
	eval[bool](t, ctx, `document.getElementById("stage-block").focus(); true`)
	do(t, ctx, chromedp.KeyEvent(kb.Tab))
	tag := func() string {
		return eval[string](t, ctx, `document.activeElement.querySelector("title")?.textContent??document.activeElement.tagName`)
	}
	first := tag()
	if !strings.HasPrefix(first, "P") {
		t.Fatalf("Tab leads to %q", first)
	}
	do(t, ctx, chromedp.KeyEvent(kb.ArrowRight))
	second := tag()
	do(t, ctx, chromedp.KeyEvent(kb.ArrowLeft))
	if second == first || tag() != first {
		t.Errorf("right of %s is %s, and back left is %s", first, second, tag())
	}
	do(t, ctx, chromedp.KeyEvent(kb.ArrowRight), chromedp.KeyEvent(kb.Tab))
	if out := eval[bool](t, ctx, `!!document.activeElement.closest("#stage-block")`); out {
		t.Error("a second Tab stays inside the map")
	}
	clean(t, ctx, "a map of links")
	at := eval[[]float64](t, ctx, `(()=>{const a=[...document.querySelectorAll("#stage-block svg a")].filter(a=>a.getClientRects().length)[5];a.scrollIntoView({block:"center"});const r=a.getBoundingClientRect();return [r.x+r.width/2,r.y+r.height/2]})()`)
	do(t, ctx, chromedp.DragAndDropXY(at[0], at[1], at[0]+60, at[1]+10, 6))
	if got := eval[string](t, ctx, `location.pathname`); got != "/blocks/"+small {
		t.Errorf("a drag opened %s", got)
	}
	eval[bool](t, ctx, `document.querySelector('[data-stage-for="stage-block"][data-stage-do="whole"]').click(); document.querySelector("#stage-block").focus(); true`)
	do(t, ctx, chromedp.KeyEvent(kb.Tab))
	want := tag()
	do(t, ctx, chromedp.KeyEvent(kb.Enter))
	waitFor(t, ctx, `location.pathname.startsWith("/trees/")&&document.querySelector("h1").textContent.includes(`+quote(want)+`)`)
}
