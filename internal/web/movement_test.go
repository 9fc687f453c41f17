package web_test

import (
	"strings"
	"testing"
	"time"

	"sapward/internal/app"
	"sapward/internal/demo"
	"sapward/internal/web"
)

// modelled adds a draft that has everything the model of the movement needs.
func modelled(t *testing.T, h *stage) string {
	t.Helper()
	d, _, err := h.app.Draft(t.Context(), app.Local(), h.draft)
	if err != nil {
		t.Fatal(err)
	}
	f := d.Facts
	f.Brief.On = "2026-06-17"
	f.Model = &app.ModelFacts{Climate: string(demo.Files()["avenue/climate.csv"]), Latitude: "45.9", Elevation: "210", Foliage: "4-10", Effective: "0.5 mg/L sap"}
	n, err := h.app.AddDraft(t.Context(), app.Local(), d.Parent, f)
	if err != nil {
		t.Fatal(err)
	}
	return n.ID
}

// The form asks for what the model needs, says what is wrong beside the field,
// keeps what was given with the draft, and then shows the answer in words,
// pictures and figures, in both languages.
func TestMovement_AsksKeepsAndShows(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	p := browse(t, h.url)
	at := "/drafts/" + h.draft + "/movement"
	res, body := p.get(at)
	if res.StatusCode != 200 || !strings.Contains(body, `name="climate"`) || strings.Contains(body, "of 100 cases") {
		t.Fatalf("the form: %d", res.StatusCode)
	}
	res, body = p.post(at, values("climate", "month,tmin_c\n1,2\n", "latitude", "95", "elevation", "x", "foliage", "13", "effective", "5 ppm"))
	if res.StatusCode != 422 {
		t.Fatalf("wrong facts: %d", res.StatusCode)
	}
	for _, want := range []string{"5 ppm", "4-10", "between -66 and 66"} {
		if !strings.Contains(body, want) {
			t.Errorf("%q is not said", want)
		}
	}
	id := modelled(t, h)
	for _, l := range []string{"en", "es"} {
		p.post("/prefs", values("lang", l, "back", "/"))
		res, body = p.get("/drafts/" + id + "/movement")
		if res.StatusCode != 200 || strings.Count(body, "<svg") < 8 {
			t.Fatalf("%s: %d with %d pictures", l, res.StatusCode, strings.Count(body, "<svg"))
		}
		for _, want := range map[string][]string{"en": {"of 100", "None of this says", "Inputs the verdict hangs on"}, "es": {"de 100", "Nada de esto dice", "Datos de los que"}}[l] {
			if !strings.Contains(body, want) {
				t.Errorf("%s: %q is not on the page", l, want)
			}
		}
		if strings.Contains(body, "compare-") && strings.Contains(body, ">compare-") {
			t.Errorf("%s: a message has no words", l)
		}
	}
}

// A model is worked out once: asked again it comes from what is kept, and what
// the draft's trees or options change makes it anew.
func TestMovement_IsWorkedOutOnce(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	p := browse(t, h.url)
	id := modelled(t, h)
	get := func() (string, time.Duration) {
		t.Helper()
		began := time.Now()
		res, body := p.get("/drafts/" + id + "/movement")
		if res.StatusCode != 200 {
			t.Fatalf("status %d", res.StatusCode)
		}
		return body, time.Since(began)
	}
	first, took := get()
	again, tookAgain := get()
	t.Logf("first %v, again %v", took, tookAgain)
	if first != again {
		t.Error("the page differs the second time")
	}
	d, _, err := h.app.Draft(t.Context(), app.Local(), id)
	if err != nil {
		t.Fatal(err)
	}
	f := d.Facts
	f.Brief.Level = "low"
	if _, err := h.app.SaveDraft(t.Context(), app.Local(), id, d.Version, f); err != nil {
		t.Fatal(err)
	}
	if other, _ := get(); other == first {
		t.Error("another dose gives the same page")
	}
}
