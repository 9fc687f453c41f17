package web_test

import (
	"archive/zip"
	"bytes"
	"io"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"sapward/internal/app"
	"sapward/internal/web"
)

var noFigureAtAll = regexp.MustCompile(`\bNaN\b|[+-]Inf\b`)

// A trial is laid out on the pages, rated blind, read, its papers taken along and
// its key opened; what is wrong stands beside the form.
func TestTrials_FromFormToReport(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	p := browse(t, h.url)
	at := "/blocks/" + h.avenue + "/trials"
	if _, page := p.get(at); !strings.Contains(page, "No trial yet") {
		t.Error("the empty page does not teach")
	}
	form := func(pairs ...string) map[string][]string {
		v := values("name", "Elm trial", "control", "untreated", "treatments", "injection\ninfusion", "design", "rcbd", "replicates", "5", "block-by", "size", "trees-per-plot", "1", "buffer", "1", "seed", "42", "blinded", "yes")
		for i := 0; i < len(pairs); i += 2 {
			v.Set(pairs[i], pairs[i+1])
		}
		return v
	}
	for _, bad := range [][]string{{"name", ""}, {"treatments", ""}, {"replicates", "1"}, {"replicates", "many"}, {"replicates", "400"}, {"trial-trees", "Z1"}, {"trial-trees", "E001"}, {"design", "split-plot"}, {"graft", "far"}, {"seed", "x"}} {
		res, page := p.post(at+"/new", form(bad...))
		if res.StatusCode != 422 || !strings.Contains(page, `role="alert"`) || !strings.Contains(page, "Elm trial") && bad[0] != "name" || strings.Contains(page, "--") && strings.Contains(page, "--replicates") {
			t.Errorf("%v: %d", bad, res.StatusCode)
		}
	}
	res, page := p.post(at+"/new", form())
	here := res.Request.URL.Path
	if res.StatusCode != 200 || !strings.HasPrefix(here, "/trials/") || !strings.Contains(page, "seed 42") || !strings.Contains(page, "Laid out: 15 plots") {
		t.Fatalf("a new trial: %d at %s", res.StatusCode, here)
	}
	if _, page := p.get(here + "/analysis"); !strings.Contains(page, "Nothing to analyse yet") || noFigureAtAll.MatchString(page) {
		t.Error("an unrated trial is analysed")
	}
	_, rate := p.get(here + "/rate")
	if strings.Contains(rate, "injection") || strings.Contains(rate, "infusion") || strings.Contains(rate, "untreated") || !strings.Contains(rate, "Plot 1 ·") {
		t.Error("the rating form tells who got what, or no plot")
	}
	// One tree, then all: the crown in percent is a visit of the block.
	tags := regexp.MustCompile(`name="o-([^"]+)"`).FindAllStringSubmatch(rate, -1)
	if len(tags) != 15 {
		t.Fatalf("%d trees to rate", len(tags))
	}
	on := time.Now().UTC().AddDate(0, 0, -1).Format("2006-01-02")
	if res, _ := p.post(here+"/rate", values("on", on)); res.StatusCode != 422 {
		t.Errorf("nothing rated: %d", res.StatusCode)
	}
	if res, _ := p.post(here+"/rate", values("on", on, "o-"+tags[0][1], "7.5")); res.StatusCode != 200 {
		t.Errorf("one tree: %d", res.StatusCode)
	}
	if res, page := p.get(here + "/analysis"); res.StatusCode != 422 || strings.Count(page, "<li>") < 1 || noFigureAtAll.MatchString(page) {
		t.Errorf("one tree analysed: %d", res.StatusCode)
	}
	all := []string{"on", on}
	_, key := p.get(here + "/plots.csv")
	for _, x := range tags[1:] {
		line := regexp.MustCompile(`(?m)^.*\b` + x[1] + `\b.*$`).FindString(key)
		value := "62.5"
		if strings.Contains(line, "injection") {
			value = "12"
		} else if strings.Contains(line, "infusion") {
			value = "31"
		}
		if len(all)%4 == 0 {
			value += "." // a number as people leave it
			value = strings.TrimSuffix(value, ".")
		}
		all = append(all, "o-"+x[1], value)
	}
	all[len(all)-1] = "17.25"
	if res, _ := p.post(here+"/rate", values(all...)); res.StatusCode != 200 {
		t.Fatalf("all rated: %d", res.StatusCode)
	}
	// Another figure, by form and by file.
	if res, _ := p.post(here+"/rate", values("what", "other", "variable", "shoots", "on", on, "o-"+tags[0][1], "11", "c-"+tags[1][1], "felled")); res.StatusCode != 200 {
		t.Errorf("another figure: %d", res.StatusCode)
	}
	send := func(table string) (*http.Response, string) {
		body := ""
		for name, v := range map[string]string{"column": "value", "variable": "girth", "scale": "number", "on": on} {
			body += "--x\r\nContent-Disposition: form-data; name=\"" + name + "\"\r\n\r\n" + v + "\r\n"
		}
		body += "--x\r\nContent-Disposition: form-data; name=\"file\"; filename=\"t.csv\"\r\n\r\n" + table + "\r\n--x--\r\n"
		req, _ := http.NewRequest("POST", h.url+here+"/import", strings.NewReader(body))
		req.Header.Set("Content-Type", "multipart/form-data; boundary=x")
		return read(t, p.c, req)
	}
	if res, page := send("plot,value\n99,3\n1,much\n"); res.StatusCode != 422 || !strings.Contains(page, "t.csv:3:") {
		t.Errorf("a bad file: %d", res.StatusCode)
	}
	if res, page := send("plot,value\n99,3\n"); res.StatusCode != 422 || !strings.Contains(page, "99") {
		t.Errorf("a plot that is none: %d", res.StatusCode)
	}
	if res, page := send("plot,value\n1,3\n2,4\n"); res.StatusCode != 200 || !strings.Contains(page, "2 rows kept") {
		t.Errorf("a file: %d", res.StatusCode)
	}
	// The analysis: verdict, picture, table, test, residuals, what it rests on.
	res, page = p.get(here + "/analysis?of=visit:" + on)
	for _, want := range []string{"Told apart from untreated", `id="means"`, `id="differences"`, `id="anova"`, `id="residuals"`, "This rests on 15 plots", "Permutation test"} {
		if !strings.Contains(page, want) && !(want == "Told apart from untreated" && strings.Contains(page, "All are told apart from untreated")) {
			t.Errorf("the analysis has no %q (%d)", want, res.StatusCode)
		}
	}
	if noFigureAtAll.MatchString(page) || strings.Contains(page, "--transform") {
		t.Error("a figure that is none, or words of the command line")
	}
	for _, q := range []string{"of=nothing", "of=visit:" + on + "&transform=cube", "of=visit:" + on + "&compare=all", "of=visit:" + on + "&covariate=x"} {
		if res, page := p.get(here + "/analysis?" + q); res.StatusCode != 422 || !strings.Contains(page, `role="alert"`) {
			t.Errorf("%s: %d", q, res.StatusCode)
		}
	}
	// Papers.
	for _, file := range []string{"map.pdf", "labels.pdf", "assessor.pdf", "report.pdf"} {
		if res, body := p.get(here + "/" + file); res.StatusCode != 200 || res.Header.Get("Content-Type") != "application/pdf" || !strings.HasPrefix(body, "%PDF") {
			t.Errorf("%s: %d", file, res.StatusCode)
		}
	}
	_, body := p.get(here + "/assessor.csv")
	if strings.Contains(body, "injection") || !strings.Contains(body, "plot,tree") {
		t.Error("the assessor's table tells who got what")
	}
	_, body = p.get(here + "/package.zip")
	z, err := zip.NewReader(bytes.NewReader([]byte(body)), int64(len(body)))
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, f := range z.File {
		names = append(names, f.Name)
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		if data, err := io.ReadAll(r); err != nil || len(data) == 0 {
			t.Errorf("%s: %d bytes, %v", f.Name, len(data), err)
		}
	}
	for _, want := range []string{"layout.json", "observations.csv", "analysis.json", "means.csv", "report.pdf", "map.pdf"} {
		if !slices.Contains(names, want) {
			t.Errorf("the package has no %s: %v", want, names)
		}
	}
	if res, _ := p.get(here + "/nothing.pdf"); res.StatusCode != 404 {
		t.Errorf("a paper that is none: %d", res.StatusCode)
	}
	// What the report tells, the key, out of use and back.
	_, page = p.get(here)
	version := func() string {
		return between(page[strings.Index(page, `id="trial-edit"`):], `name="version" value="`, `"`)
	}
	if res, _ := p.post(here, values("version", version(), "name", "", "treated-on", "")); res.StatusCode != 422 {
		t.Errorf("no name: %d", res.StatusCode)
	}
	if res, page = p.post(here, values("version", version(), "name", "Elm trial, renamed", "treated-on", on, "about-purpose", "Which way?")); res.StatusCode != 200 || !strings.Contains(page, "Elm trial, renamed") {
		t.Errorf("renamed: %d", res.StatusCode)
	}
	_, page = p.get(here)
	if !strings.Contains(page, `value="Which way?"`) {
		t.Error("what the report tells is not kept")
	}
	if res, page = p.post(here+"/open", values("version", version())); res.StatusCode != 200 || !strings.Contains(page, "The key is open") {
		t.Errorf("opened: %d", res.StatusCode)
	}
	if _, page := p.get("/search?q=elm+trial"); !strings.Contains(page, here) {
		t.Error("search does not find the trial")
	}
	_, page = p.get(here)
	if res, page = p.post(here+"/retire", values("version", between(page[strings.Index(page, here+"/retire"):], `name="version" value="`, `"`), "reason", "an invented one")); res.StatusCode != 200 || strings.Contains(page, `href="`+here+`"`) {
		t.Errorf("retired: %d", res.StatusCode)
	}
}

// Somebody who only rates sees a map without treatments, no analysis and no
// paper that names one.
func TestTrials_BlindForTheCrew(t *testing.T) {
	h := filled(t, web.Options{})
	crew := member(t, h, "invented assessor", app.Crew, h.estate)
	here := "/trials/" + theTrial(t, h)
	_, page := crew.get(here)
	// The names of the treatments are said once, of the whole; no plot has one.
	if n := strings.Count(page, "injection"); n != 1 || !strings.Contains(page, "names no treatment") || strings.Contains(page, "trial-key") || regexp.MustCompile(`<td[^>]*>\s*(injection|infusion|untreated|[ABC])\s*</td>`).MatchString(page) {
		t.Error("the page tells the crew who got what")
	}
	for _, path := range []string{"/map.pdf", "/plots.csv", "/layout.json", "/report.pdf", "/package.zip", "/analysis"} {
		if res, body := crew.get(here + path); res.StatusCode != 403 || strings.Contains(body, "injection") {
			t.Errorf("%s: %d", path, res.StatusCode)
		}
	}
	for _, path := range []string{"/assessor.pdf", "/assessor.csv", "/labels.pdf", "/trees.csv", "/rate"} {
		if res, body := crew.get(here + path); res.StatusCode != 200 || strings.Contains(body, "injection") {
			t.Errorf("%s: %d", path, res.StatusCode)
		}
	}
	for _, path := range []string{"/blocks/" + h.chestnut + "/trials/new", "/blocks/" + h.chestnut + "/trials/power", "/blocks/" + h.chestnut + "/follow/groups"} {
		if res, _ := crew.get(path); res.StatusCode != 403 {
			t.Errorf("%s: %d", path, res.StatusCode)
		}
	}
}

// The simulation of power begins from the ratings on record, is watched, stopped
// and answers; bad input is said before it runs.
func TestTrials_PowerIsWatchedAndStopped(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	p := browse(t, h.url)
	at := "/blocks/" + h.chestnut + "/trials/power"
	_, page := p.get(at)
	if !strings.Contains(page, "Blocks and plots are those of the trial") || !strings.Contains(page, "untreated ") {
		t.Error("the page does not tell what the ratings say")
	}
	if _, page := p.get("/blocks/" + h.avenue + "/trials/power"); !strings.Contains(page, "No ratings of this block") {
		t.Error("a block without ratings says nothing of it")
	}
	form := func(pairs ...string) map[string][]string {
		v := values("means", "untreated 60\ninfusion 30", "outcome", "percent", "tree-sd", "25", "plot-sd", "0", "block-sd", "8", "trees-per-plot", "1", "loss", "5", "target", "80", "from", "3", "to", "4")
		for i := 0; i < len(pairs); i += 2 {
			v.Set(pairs[i], pairs[i+1])
		}
		return v
	}
	for _, bad := range [][]string{{"means", "60"}, {"means", "a 60\nb 60"}, {"means", "many\nfew"}, {"means", "a 60\nb 130"}, {"to", "41"}, {"to", "1"}, {"loss", "95"}, {"tree-sd", "wide"}, {"outcome", "luck"}} {
		if res, page := p.post(at, form(bad...)); res.StatusCode != 422 || !strings.Contains(page, `role="alert"`) || strings.Contains(page, "--means") {
			t.Errorf("%v: %d", bad, res.StatusCode)
		}
	}
	if res, _ := p.post(at, form()); res.StatusCode != 200 {
		t.Fatalf("started: %d", res.StatusCode)
	}
	for range 400 {
		if _, page = p.get(at); !strings.Contains(page, "power-bar") {
			break
		}
		time.Sleep(50 * time.Millisecond)
	}
	if !strings.Contains(page, "of trials or more") && !strings.Contains(page, "No number of replicates") || noFigureAtAll.MatchString(page) {
		t.Error("there is no answer")
	}
	if res, _ := p.post(at, form("from", "2", "to", "40")); res.StatusCode != 200 {
		t.Fatalf("started again: %d", res.StatusCode)
	}
	if _, page = p.post(at+"/stop", values()); strings.Contains(page, "of trials or more") {
		t.Error("what was stopped answers")
	}
	for range 400 {
		if _, page = p.get(at); strings.Contains(page, "Stopped.") {
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	t.Error("it does not stop")
}

// The treatments of a follow-up are taken from the records, from the trial and
// typed in.
func TestFollowGroups_AreTaken(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	p := browse(t, h.url)
	at := "/blocks/" + h.chestnut + "/follow/groups"
	_, page := p.get(at)
	version := between(page, `name="version" value="`, `"`)
	if res, page := p.post(at, values("version", version, "from", "typed", "treatment-0", "x", "trees-0", "Z9")); res.StatusCode != 422 || !strings.Contains(page, "Z9") {
		t.Errorf("a tree that is none: %d", res.StatusCode)
	}
	if res, page := p.post(at, values("version", version, "from", "applied")); res.StatusCode != 200 || !strings.Contains(page, "3 treatments kept") {
		t.Errorf("by record: %d", res.StatusCode)
	}
	if res, page := p.post(at, values("version", version, "from", "trial", "trial", theTrial(t, h))); res.StatusCode != 422 || !strings.Contains(page, "meanwhile") {
		t.Errorf("a stale version: %d", res.StatusCode)
	}
	_, page = p.get(at)
	if res, page := p.post(at, values("version", between(page, `name="version" value="`, `"`), "from", "trial", "trial", theTrial(t, h))); res.StatusCode != 200 || noFigureAtAll.MatchString(page) {
		t.Errorf("by trial: %d", res.StatusCode)
	}
}

// On a phone a trial is laid out and rated with taps.
func TestTrials_OnAPhone(t *testing.T) {
	h := filled(t, web.Options{Local: true})
	ctx := tab(t)
	wear(t, ctx, h.url, look{390, true, "es", "metric"})
	do(t, ctx, chromedp.Navigate(h.url+"/blocks/"+h.avenue+"/trials/new"), chromedp.WaitReady(chromedp.CSS("main form")))
	put(t, ctx, "f-name", "Ensayo inventado")
	put(t, ctx, "f-treatments", "infusión")
	mark(t, ctx)
	eval[bool](t, ctx, `document.querySelector("main form").requestSubmit(); true`)
	settled(t, ctx)
	waitFor(t, ctx, `location.pathname.startsWith("/trials/")`)
	says(t, ctx, "Repartido: 8 parcelas")
	whole(t, ctx, "new trial")
	clean(t, ctx, "new trial")
	press(t, ctx, "Evaluar a ciegas")
	waitFor(t, ctx, `location.pathname.endsWith("/rate")`)
	eval[bool](t, ctx, `document.querySelector(".taps input[value='25']").click(); document.querySelector("main form").requestSubmit(); true`)
	waitFor(t, ctx, `!location.pathname.endsWith("/rate")`)
	says(t, ctx, "1 con valor")
	clean(t, ctx, "rated")
}
