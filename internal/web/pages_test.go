package web_test

import (
	"os"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"sapward/apply/fieldlog"
	"sapward/internal/app"
	"sapward/internal/web"
)

// site is a page by a short name for screenshots.
type site struct{ name, path string }

// everyPage lists the pages of a filled and of an empty server, by base.
func everyPage(t *testing.T) map[string][]site {
	h, none, door := filled(t, web.Options{Local: true}), empty(t, web.Options{Local: true}), empty(t, web.Options{})
	globe, model := onTheGlobe(t, h), modelled(t, h)
	day := workedDay(t, h)
	v, err := h.app.Day(t.Context(), app.Local(), day.ID)
	if err != nil {
		t.Fatal(err)
	}
	// A second day, closed, with its record.
	p2, err := h.app.OpenDay(t.Context(), app.Local(), day.Parent, app.DayOrder{People: []string{"crew one"}, Trees: v.Facts.Trees[:4]})
	if err != nil {
		t.Fatal(err)
	}
	hand := newHandset(t, h, p2, 0)
	for _, x := range hand.pack.Trees[:2] {
		for _, q := range hand.log.Tree(x.Tag).Ports {
			hand.note(fieldlog.Event{Kind: fieldlog.Load, Tree: x.Tag, Port: q.N, VolumeUL: micro(q.PlannedUL)})
			hand.note(fieldlog.Event{Kind: fieldlog.Read, Tree: x.Tag, Port: q.N, LeftUL: micro(0)})
		}
	}
	if n, _ := hand.send(); n == 0 {
		t.Fatal("nothing was confirmed")
	}
	if _, err := h.app.CloseDay(t.Context(), app.Local(), p2.ID, p2.Version); err != nil {
		t.Fatal(err)
	}
	rec, err := h.app.RecordDay(t.Context(), app.Local(), p2.ID, []string{"us-40cfr171", "eu-2023-564"})
	if err != nil {
		t.Fatal(err)
	}
	_, code, err := h.app.AddPhone(t.Context(), app.Local(), day.ID, day.Facts.People[0].ID)
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"invented farm office", "invented weather station"} {
		if _, _, err := h.app.AddToken(t.Context(), app.Local(), app.TokenOrder{Name: name, Role: app.Viewer}); err != nil {
			t.Fatal(err)
		}
	}
	return map[string][]site{
		h.url: {
			{"estate-globe", "/estates/" + globe},
			{"estates", "/estates"}, {"estate", "/estates/" + h.estate}, {"estate-form", "/estates/" + h.estate + "/edit"}, {"estate-history", "/estates/" + h.estate + "/history"},
			{"block", "/blocks/" + h.avenue}, {"block-chestnut", "/blocks/" + h.chestnut}, {"block-form", "/blocks/" + h.avenue + "/edit"},
			{"follow", "/blocks/" + h.chestnut + "/follow"}, {"follow-method", "/about/follow-up"}, {"follow-empty", "/blocks/" + h.avenue + "/follow"}, {"follow-visit", "/blocks/" + h.chestnut + "/follow/visit"},
			{"trials", "/blocks/" + h.chestnut + "/trials"}, {"trials-empty", "/blocks/" + h.avenue + "/trials"}, {"trials-estate", "/estates/" + h.estate + "/trials"}, {"trial-new", "/blocks/" + h.avenue + "/trials/new"}, {"trial-power", "/blocks/" + h.chestnut + "/trials/power"},
			{"trial", "/trials/" + theTrial(t, h)}, {"trial-analysis", "/trials/" + theTrial(t, h) + "/analysis"}, {"trial-rate", "/trials/" + theTrial(t, h) + "/rate"}, {"trial-figures", "/trials/" + theTrial(t, h) + "/rate?what=other"}, {"follow-groups", "/blocks/" + h.chestnut + "/follow/groups"},
			{"trees", "/blocks/" + h.avenue + "/trees"}, {"tree", "/trees/" + h.tree}, {"tree-form", "/trees/" + h.tree + "/edit"},
			{"cards", "/cards"}, {"card", "/cards/" + h.card}, {"card-new", "/cards/new"},
			{"draft", "/drafts/" + h.draft}, {"plan", "/plans/" + h.plan}, {"compare", "/drafts/" + h.draft + "/compare"}, {"movement", "/drafts/" + model + "/movement"}, {"movement-form", "/drafts/" + h.draft + "/movement"}, {"approve", "/drafts/" + h.draft + "/approve"},
			{"day", "/days/" + day.ID}, {"day-tree", "/days/" + day.ID + "/trees/" + v.Pack.Trees[4].Tag}, {"plan-days", "/plans/" + day.Parent}, {"join", "/join/" + code}, {"record", "/records/" + rec.ID}, {"records", "/estates/" + h.estate + "/records"}, {"day-closed", "/days/" + p2.ID},
			{"data", "/data"}, {"people", "/people"}, {"settings", "/settings"}, {"programs", "/programs"}, {"about", "/about"}, {"search", "/search?q=E01"}, {"error", "/nowhere"},
		},
		none.url: {{"empty-estates", "/estates"}, {"empty-cards", "/cards"}, {"empty-data", "/data"}, {"empty-people", "/people"}},
		door.url: {{"signin", "/signin"}, {"first-owner", "/first-owner"}},
	}
}

// theTrial is the demo's trial.
func theTrial(t *testing.T, h *stage) string {
	t.Helper()
	all, err := h.app.Trials(t.Context(), app.Local(), h.estate, h.chestnut)
	if err != nil || len(all) == 0 {
		t.Fatal(err)
	}
	return all[len(all)-1].ID
}

// onTheGlobe adds an estate whose blocks have a place in degrees. It is
// invented.
func onTheGlobe(t *testing.T, h *stage) string {
	t.Helper()
	ctx := t.Context()
	e, err := h.app.AddEstate(ctx, app.Local(), app.EstateFacts{Name: "Invented valley", Zone: "Europe/Madrid"})
	if err != nil {
		t.Fatal(err)
	}
	for i, name := range []string{"Upper terrace", "River row", "Chapel orchard"} {
		x, y := -3.70+0.0022*float64(i), 40.40+0.0011*float64(i*i%3)
		if _, err := h.app.AddBlock(ctx, app.Local(), e.ID, app.BlockFacts{Name: name, Globe: true, AreaHa: "1", Boundary: []app.Point{{X: x, Y: y}, {X: x + 0.0016, Y: y + 0.0002}, {X: x + 0.0014, Y: y + 0.0011}, {X: x + 0.0001, Y: y + 0.0009}}}); err != nil {
			t.Fatal(err)
		}
	}
	return e.ID
}

// Every page, at both widths, in both schemes and languages: no violation that
// axe-core finds, nothing blocked by the policy, no sideways scrolling, also at
// 320 px. With SAPWARD_SCREENS=folder every
// page is also photographed into that folder (make screens); with
// SAPWARD_SCREENS_ONLY=draft,plan only those.
func TestPages_AreAccessible(t *testing.T) {
	ctx := tab(t)
	shots, only := os.Getenv("SAPWARD_SCREENS"), os.Getenv("SAPWARD_SCREENS_ONLY")
	every := shots != "" || only != "" || os.Getenv("SAPWARD_SOAK") == "1"
	looks := []look{{390, false, "en", "metric"}, {1280, true, "es", "us"}}
	if shots != "" {
		looks = []look{{390, false, "en", "metric"}, {390, true, "es", "metric"}, {1280, false, "es", "metric"}, {1280, true, "en", "us"}, {390, false, "es", "us"}, {390, true, "en", "metric"}, {1280, false, "en", "metric"}, {1280, true, "es", "metric"}}
	}
	for base, pages := range everyPage(t) {
		wear(t, ctx, base, look{320, false, "es", "metric"}) // WCAG 2.2, 1.4.10: reflow at 320 px
		for _, p := range pages {
			if only != "" && !strings.Contains(","+only+",", ","+p.name+",") {
				continue
			}
			do(t, ctx, chromedp.Navigate(base+p.path), chromedp.WaitReady(chromedp.CSS("main")))
			narrow(t, ctx, p.name+" at 320 px")
		}
		for k, l := range looks {
			wear(t, ctx, base, l)
			for i, p := range pages {
				if only != "" && !strings.Contains(","+only+",", ","+p.name+",") {
					continue
				}
				if !every && i%len(looks) != k {
					continue // each page in one look; all of them with SAPWARD_SOAK=1 or for the photographs
				}
				what := p.name + " " + l.name()
				do(t, ctx, chromedp.Navigate(base+p.path), chromedp.WaitReady(chromedp.CSS("main")))
				eval[bool](t, ctx, `document.fonts.ready.then(()=>true)`)
				narrow(t, ctx, what)
				whole(t, ctx, what)
				if shots != "" {
					photograph(t, ctx, shots, p.name+"-"+l.name())
				}
				clean(t, ctx, what)
			}
		}
	}
}

// Signed in, the pages carry a name and a way out; they are as accessible as
// those of a person alone.
func TestPages_SignedIn(t *testing.T) {
	h := filled(t, web.Options{})
	ctx := tab(t)
	wear(t, ctx, h.url, look{1280, false, "en", "metric"})
	do(t, ctx, chromedp.Navigate(h.url+"/people"), chromedp.WaitReady(chromedp.CSS("#passphrase")))
	put(t, ctx, "name", "owner")
	put(t, ctx, "passphrase", h.passphrase)
	mark(t, ctx)
	eval[bool](t, ctx, `document.querySelector("main form").requestSubmit(); true`)
	settled(t, ctx)
	waitFor(t, ctx, `location.pathname==="/people"`) // where the person wanted to go
	says(t, ctx, "Sign out")
	for _, path := range []string{"/people", "/settings", "/drafts/" + h.draft} {
		do(t, ctx, chromedp.Navigate(h.url+path), chromedp.WaitReady(chromedp.CSS("main")))
		whole(t, ctx, path)
		clean(t, ctx, path)
		if shots := os.Getenv("SAPWARD_SCREENS"); shots != "" {
			photograph(t, ctx, shots, "signed-in"+strings.ReplaceAll(strings.Split(path[1:], "/")[0], "/", "-"))
		}
	}
	press(t, ctx, "Put this draft away")
	press(t, ctx, "Undo")
	says(t, ctx, "Taken back")
}
