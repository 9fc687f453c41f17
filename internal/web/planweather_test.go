package web_test

import (
	"net/http"
	"strings"
	"testing"

	"sapward/internal/app"
	"sapward/internal/web"
)

// A table of weather is kept with the draft, its treatable hours are shown and
// narrow the day; what cannot be read is refused beside the form.
func TestDraft_TakesWeather(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	p := browse(t, h.url)
	at := "/drafts/" + h.draft
	finish := func() string {
		t.Helper()
		_, o, err := h.app.Draft(t.Context(), app.Local(), h.draft)
		if err != nil {
			t.Fatal(err)
		}
		return o.Plan.Schedule.Days[0].LastPortDry.Format("15:04")
	}
	before := finish()
	send := func(table, latitude string) (*http.Response, string) {
		d, _, err := h.app.Draft(t.Context(), app.Local(), h.draft)
		if err != nil {
			t.Fatal(err)
		}
		body := ""
		for _, f := range [][2]string{{"version", string(rune('0' + d.Version))}, {"latitude", latitude}, {"longitude", "-3.7"}, {"elevation", "660"}} {
			body += "--x\r\nContent-Disposition: form-data; name=\"" + f[0] + "\"\r\n\r\n" + f[1] + "\r\n"
		}
		body += "--x\r\nContent-Disposition: form-data; name=\"file\"; filename=\"../wx.csv\"\r\n\r\n" + table + "\r\n--x--\r\n"
		req, _ := http.NewRequest("POST", h.url+at+"/weather", strings.NewReader(body))
		req.Header.Set("Content-Type", "multipart/form-data; boundary=x")
		return read(t, p.c, req)
	}
	if res, body := send("when,temp\n", "40.4"); res.StatusCode != 422 || !strings.Contains(body, "wx.csv:1") {
		t.Errorf("a table that is none: %d %.200s", res.StatusCode, textOf(body))
	}
	if res, body := send("time,temp_c\n", "404"); res.StatusCode != 422 || !strings.Contains(body, "latitude &#34;404&#34; is not a number") {
		t.Errorf("a latitude that is none: %d", res.StatusCode)
	}
	res, body := send("time,temp_c\n", "40.4")
	if res.StatusCode != 200 {
		t.Fatalf("kept: %d %.400s", res.StatusCode, textOf(body))
	}
	for _, want := range []string{"From wx.csv", "Treatable hours: 08:00–14:00", "Reference evapotranspiration 5", "planhours"} {
		if !strings.Contains(body, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if got := finish(); got > "14:00" {
		t.Errorf("the last port is dry at %s (before: %s); treatable until 14:00", got, before)
	}
	_, o, _ := h.app.Draft(t.Context(), app.Local(), h.draft)
	if d := o.Plan.Schedule.Days[0]; d.BeginS < 3600-900 || d.Visits[0].DeliverS < 3600 {
		t.Errorf("the day begins at %d s, the first delivery at %d s; treatable from 08:00, an hour after the start", d.BeginS, d.Visits[0].DeliverS)
	}
	if o.Inputs.Weather == nil || len(o.Inputs.Weather.Hash) != 64 {
		t.Error("the inputs do not name the table")
	}
	// the options are played with: the weather stays
	d, _, _ := h.app.Draft(t.Context(), app.Local(), h.draft)
	if d.Facts.Weather == nil {
		t.Fatal("the weather is lost")
	}
	if _, body = p.post(at+"/weather", values("version", string(rune('0'+d.Version)), "drop", "yes")); strings.Contains(body, "From wx.csv") || finish() != before {
		t.Error("planned without weather, it is still there")
	}
}

// The crew is named by role, the pilot tree is the first of the walk or the one
// named, and what was clocked on it changes the day.
func TestDraft_NamesCrewAndPilotTree(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	p := browse(t, h.url)
	at := "/drafts/" + h.draft
	save := func(pairs ...string) string {
		t.Helper()
		_, page := p.get(at)
		form := formOf(page)
		for i := 0; i < len(pairs); i += 2 {
			form.Set(pairs[i], pairs[i+1])
		}
		res, body := p.post(at, form)
		if res.StatusCode != 200 {
			t.Fatalf("%v: %d %.300s", pairs, res.StatusCode, textOf(body))
		}
		return body
	}
	outcome := func() app.Outcome {
		t.Helper()
		_, o, err := h.app.Draft(t.Context(), app.Local(), h.draft)
		if err != nil {
			t.Fatal(err)
		}
		return o
	}
	first := outcome()
	tag := first.Plan.Schedule.Days[0].Visits[0].Tree
	if first.PilotTree != tag {
		t.Errorf("pilot tree %q, the walk begins with %q", first.PilotTree, tag)
	}
	body := save("people", "Lead\nDriller\nLoader")
	for _, want := range []string{tag + " comes first", `value="Driller"`} {
		if !strings.Contains(body, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	if got := outcome().Plan.Schedule.Days[0].People; len(got) != 3 || got[0].Person != "Lead" {
		t.Errorf("the day has %d people, first %q", len(got), got[0].Person)
	}
	save("climber", "Lead", "second", "Loader")
	if d := outcome().Inputs.Crew; !d.Aloft() || !d.People[0].Climber || !d.People[2].Second || d.People[1].Climber {
		t.Errorf("%+v", d.People)
	}
	if !outcome().Request.Climber {
		t.Error("the plan does not know of the climber")
	}
	all := func(o app.Outcome) (s int64) {
		for _, d := range o.Plan.Schedule.Days {
			s += d.PersonS
		}
		return s
	}
	before := all(outcome())
	save("clocked-drill", "6000")
	o := outcome()
	if o.Plan.Pilot == nil || o.PilotTree == "" || all(o) <= before {
		t.Errorf("clocked slowly, the work takes %d person seconds, before %d", all(o), before)
	}
	if body := save("people", "Lead\nlead"); !strings.Contains(body, "named twice") {
		t.Error("a role named twice is not refused")
	}
	if body := save("people", "Lead", "pilot", "no such tree"); !strings.Contains(body, "no such tree") {
		t.Error("a pilot tree that is not planned is not refused")
	}
}
