package web_test

import (
	"net/url"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"sapward/internal/demo"
	"sapward/internal/web"
)

// textIn is the text of the card on a page.
func textIn(body string) string {
	_, rest, _ := strings.Cut(body, `<textarea id="text"`)
	_, rest, _ = strings.Cut(rest, ">")
	out, _, _ := strings.Cut(rest, "</textarea>")
	return strings.NewReplacer("&#34;", `"`, "&#39;", "'", "&lt;", "<", "&gt;", ">", "&#43;", "+", "&amp;", "&").Replace(strings.TrimPrefix(out, "\n"))
}

// A field of the form is written into its place of the text; comments and the
// rest of the text stay. Works without a script.
func TestCardForm_WritesIntoTheText(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	p := browse(t, h.url)
	card := string(demo.Files()["avenue/card.yaml"])
	send := func(pairs ...string) (int, string) {
		t.Helper()
		form := url.Values{"text": {card}, "formtext": {card}}
		for i := 0; i < len(pairs); i += 2 {
			form[pairs[i]] = append(form[pairs[i]], pairs[i+1])
		}
		res, body := p.post("/cards/new", form)
		return res.StatusCode, body
	}
	for _, c := range []struct{ name, old, new string }{
		{"p:product.name", "Invented Product A", "Invented Product Z"},
		{"p:uses[0].rei", "rei: 12 h", "rei: until dry"},
	} {
		value := strings.TrimPrefix(c.new, "rei: ")
		status, body := send("do", "apply", c.name, value)
		if want := strings.Replace(card, c.old, c.new, 1); status != 200 || textIn(body) != want {
			t.Errorf("%s: %d\n%s\nwant\n%s", c.name, status, textIn(body), want)
		}
	}
	// a range, months, a list, a choice at once
	status, body := send("do", "apply", "p:uses[0].ports.spacing", "11 cm", "p:uses[0].ports.spacing", "16 cm", "p:uses[0].timing.months", "", "p:uses[0].timing.months", "5", "p:uses[0].timing.months", "6",
		"p:uses[0].targets", "vascular wilt\r\nleaf miner", "p:product.restricted_use", "false")
	for _, want := range []string{"spacing: [11 cm, 16 cm]", "months: [5, 6]", "targets: [vascular wilt, leaf miner]", "restricted_use: false"} {
		if status != 200 || !strings.Contains(textIn(body), want) {
			t.Errorf("%d, the text lacks %q:\n%s", status, want, textIn(body))
		}
	}
	if strings.Count(textIn(body), "#") != strings.Count(card, "#") {
		t.Error("a comment was lost")
	}
	// what is wrong stands beside its field, with its line
	_, body = send("do", "apply", "p:uses[0].ports.hole", "6")
	field := between(body, `data-path="uses[0].ports.hole"`, `data-path=`)
	if !strings.Contains(field, "error") || !strings.Contains(field, `aria-invalid="true"`) || !strings.Contains(field, "data-line=") || !strings.Contains(field, `value="6"`) {
		t.Errorf("no problem beside the field: %s", field)
	}
	// entries come and go
	_, body = send("do", "add:uses[0].sites")
	if !strings.Contains(textIn(body), "{name: elm, code: 1ULMG, food: false}, {name: }") || !strings.Contains(body, `data-path="uses[0].sites[1].name"`) {
		t.Errorf("no second site: %s", textIn(body))
	}
	_, body = send("do", "remove:uses[1]")
	if strings.Contains(textIn(body), "infusion") || strings.Contains(body, `data-path="uses[1].method"`) {
		t.Error("the second use is still there")
	}
	// what is no list of a card is not touched
	for _, do := range []string{"remove:product", "add:product", "remove:uses[9]", "add:uses[0].rate.bands[0]", "remove:uses[0].sites[0].name"} {
		if _, body := send("do", do); textIn(body) != card {
			t.Errorf("%s changed the text", do)
		}
	}
	// a text that cannot be read keeps what was typed on the form, and says so
	res, body := p.post("/cards/new", url.Values{"text": {"product: [\n"}, "formtext": {card}, "p:product.name": {"Y"}, "do": {"apply"}})
	if res.StatusCode != 200 || textIn(body) != "product: [\n" || !strings.Contains(body, "The text cannot be read") || !strings.Contains(body, "<fieldset disabled") {
		t.Errorf("a broken text: %d %s", res.StatusCode, textIn(body))
	}
	// kept with what the form says
	res, body = p.post("/cards/new", url.Values{"text": {card}, "formtext": {card}, "p:product.name": {"Invented Product Q"}})
	if res.StatusCode != 200 || !strings.Contains(body, "<h1>Invented Product Q</h1>") {
		t.Errorf("kept: %d", res.StatusCode)
	}
}

// In the browser form and text follow each other while a person types, by
// keyboard; what is typed meanwhile is not taken away.
func TestCardForm_FollowsTheText(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	ctx := tab(t)
	wear(t, ctx, h.url, look{width: 390, lang: "es", units: "metric"})
	do(t, ctx, chromedp.Navigate(h.url+"/cards/"+h.card), chromedp.WaitReady(chromedp.CSS("#card-form")))
	text := `document.getElementById("text").value`
	put(t, ctx, "p-product-name", "Producto inventado Z")
	waitFor(t, ctx, text+`.includes("name: Producto inventado Z\n")`)
	// a wrong amount: the error stands by the field and marks the line
	eval[bool](t, ctx, `document.querySelectorAll("details.card-part").forEach(d=>d.open=true); true`)
	put(t, ctx, "p-uses-0-ports-hole", "6")
	waitFor(t, ctx, `!!document.querySelector('[data-path="uses[0].ports.hole"][data-bad] .error')&&!!document.querySelector(".lined pre .bad")`)
	put(t, ctx, "p-uses-0-ports-hole", "6 mm")
	waitFor(t, ctx, `!document.querySelector('[data-path="uses[0].ports.hole"] .error')`)
	// the text changes: the form follows
	eval[bool](t, ctx, `(()=>{const a=document.getElementById("text");a.value=a.value.replace("rei: 12 h","rei: 24 h");a.dispatchEvent(new Event("input",{bubbles:true}));return true})()`)
	waitFor(t, ctx, `document.getElementById("p-uses-0-rei").value==="24 h"`)
	// an entry more: its first field has the focus, what was open stays open
	eval[bool](t, ctx, `document.querySelector('button[value="add:product.active"]').click(); true`)
	waitFor(t, ctx, `document.activeElement.id==="p-product-active-1-name"&&document.querySelector("details.card-part").open`)
	eval[bool](t, ctx, `document.querySelector('button[value="remove:product.active[1]"]').click(); true`)
	waitFor(t, ctx, `!document.getElementById("p-product-active-1-name")`)
	// what is typed while an answer is on its way stays
	eval[bool](t, ctx, `(()=>{const a=document.getElementById("p-product-density"),b=document.getElementById("p-product-holder");a.value="1.05 g/mL";a.dispatchEvent(new Event("change",{bubbles:true}));b.focus();b.value="someone";return true})()`)
	waitFor(t, ctx, text+`.includes("density: 1.05 g/mL")`)
	if got := eval[string](t, ctx, `document.getElementById("p-product-holder").value`); got != "someone" {
		t.Errorf("what was being typed became %q", got)
	}
	put(t, ctx, "p-product-holder", "someone")
	waitFor(t, ctx, text+`.includes("holder: someone")`)
	clean(t, ctx, "the card's form")
	narrow(t, ctx, "the card's form")
	whole(t, ctx, "the card's form")
}
