package web

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"sapward/internal/app"
	"sapward/internal/draw"
	"sapward/measure/tree"
	"sapward/plan"
	"sapward/plan/crew"
)

// dayOf is one working day: a line and its bars.
func (v *view) dayOf(day *crew.Day, i int) dayView {
	out := dayView{
		Title: v.S("report-day-n", "day", day.Number, "date", day.Start.Format(time.DateOnly)),
		Line: v.S("day-line", "day", day.Number, "date", day.Start.Format(time.DateOnly), "trees", day.Trees, "ports", day.Ports, "people", len(day.People),
			"dry", day.LastPortDry.Format("15:04"), "finish", day.Finish.Format("15:04"), "signs", day.SignsDown.Format("2006-01-02 15:04")),
	}
	start := float64(day.Start.Hour()*60 + day.Start.Minute())
	b := draw.Day{
		TwelveHour: v.US && v.Lang == "en",
		Kinds:      []string{v.T("report-bar-treat"), v.T("report-bar-return"), v.T("report-bar-watch"), v.T("report-bar-wait"), v.T("crew-walk")},
	}
	for _, p := range day.People {
		b.Rows = append(b.Rows, draw.DayRow{Person: v.person(p.Person), Bars: barsOf(p, start)})
	}
	at := func(t time.Time) float64 { return start + t.Sub(day.Start).Minutes() }
	b.Markers = append(b.Markers, draw.DayMarker{AtMin: at(day.LastPortDry), Label: v.T("report-last-dry")})
	out.Picture = v.Pair("day"+strconv.Itoa(i), func(id string, width float64) (draw.Scene, error) {
		b.Frame = v.frame(draw.KindDayBars, id, width, out.Title, out.Line)
		return draw.DrawDay(b)
	})
	return out
}

func (v *view) person(id string) string {
	if strings.Trim(id, "0123456789") == "" {
		return v.S("report-person", "id", id)
	}
	return id
}

// barsOf joins the small steps at one tree, so that a day can be read.
func barsOf(p crew.PersonDay, start float64) (out []draw.DayBar) {
	kind := func(step string) int {
		switch step {
		case crew.StepBreak:
			return -1
		case crew.StepWalk:
			return 4
		case crew.StepWait:
			return 3
		case crew.StepWatch:
			return 2
		}
		if strings.Contains(step, "seal") || strings.Contains(step, "rinse") || strings.Contains(step, "collect") {
			return 1
		}
		return 0
	}
	for _, bar := range p.Bars {
		k, from, to := kind(bar.Step), start+float64(bar.StartS)/60, start+float64(bar.EndS)/60
		if n := len(out); n > 0 && out[n-1].Kind == k && from-out[n-1].ToMin < 0.01 {
			out[n-1].ToMin = to
			continue
		}
		if k == 4 && to-from < 3 && len(out) > 0 && out[len(out)-1].Kind == 0 { // the few steps to the next tree belong to the work
			out[len(out)-1].ToMin = to
			continue
		}
		out = append(out, draw.DayBar{FromMin: from, ToMin: to, Kind: k})
	}
	return out
}

// blockMap draws the block with what each tree gets.
func (pp *planPage) blockMap(v *view, p *plan.Plan, places []app.Place) {
	if len(places) == 0 || len(places) > mostDrawn || p.Totals.Planned == 0 {
		return
	}
	m := draw.BlockMap{MetresPerUnit: pick(v.US, 0.3048, 1.0)}
	ports := map[string]int{}
	for i := range p.Trees {
		ports[p.Trees[i].Tag] += len(p.Trees[i].Ports)
	}
	low, high := math.MaxInt, 0
	for _, n := range ports {
		low, high = min(low, n), max(high, n)
	}
	step := max(1, (high-low+4)/4)
	for a := low; a <= high; a += step {
		b := min(a+step-1, high)
		n := strconv.Itoa(a)
		if b > a {
			n += "–" + strconv.Itoa(b)
		}
		m.Classes = append(m.Classes, v.S("report-n-ports", "n", n))
	}
	if len(m.Classes) == 0 {
		m.Classes = []string{v.T("report-no-dose")}
	}
	at := v.placesXY(places)
	m.Outline = v.outlineXY(pp.Block, places)
	index := map[string]int{}
	for i, pl := range places {
		xy, ok := at[i]
		if !ok {
			continue
		}
		t := draw.MapTree{Tag: pl.Tag, XM: xy[0], YM: xy[1]}
		n, planned := ports[pl.Tag]
		switch {
		case !planned:
			t.Status = draw.Refused
		case pl.Status == string(tree.Suspect) || pl.Status == string(tree.Symptomatic):
			t.Status = draw.Suspect
		}
		if planned {
			t.Class = min(max((n-low)/step, 0), len(m.Classes)-1)
		}
		t.Href, t.Marked = pp.treeAt(pl.Tag, len(places)), pl.Tag == pp.PilotTree
		index[pl.Tag] = len(m.Trees)
		m.Trees = append(m.Trees, t)
	}
	if len(m.Trees) == 0 {
		return
	}
	if p.Outfit != nil && len(p.Schedule.Days) == 1 && len(p.Schedule.Days[0].People) <= 6 {
		for _, pd := range p.Schedule.Days[0].People {
			w := draw.Walk{Person: v.person(pd.Person)}
			for _, tag := range pd.Trees {
				if k, ok := index[tag]; ok {
					w.Trees = append(w.Trees, k)
				}
			}
			if len(w.Trees) > 1 {
				m.Walks = append(m.Walks, w)
			}
		}
	}
	m.HideTags = len(m.Trees) > 800
	pp.Map = v.Pair("planmap", func(id string, width float64) (draw.Scene, error) {
		m.Frame = v.frame(draw.KindBlockMap, id, width, v.T("report-map"), v.T("web-map-desc"))
		return draw.DrawBlockMap(m)
	})
}

// Trees of a map on a page: how many are drawn at most, and up to how many the
// dots are links. In larger blocks the dots are too small for a finger, and the
// list of trees leads on.
const (
	mostDrawn  = 4000
	mostLinked = 1500
)

// treeAt is the address of a tree by its tag, or nothing in a large block.
func treeAt(block, tag string, trees int) string {
	if block == "" || trees > mostLinked {
		return ""
	}
	return "/blocks/" + block + "?tag=" + queryEscape(tag)
}

func (pp *planPage) treeAt(tag string, trees int) string { return treeAt(pp.BlockID, tag, trees) }

// outlineXY is a block's boundary in the metres of placesXY; nothing where the
// two are not given in the same way.
func (v *view) outlineXY(b app.BlockFacts, places []app.Place) (out []draw.Point) {
	grid := slices.ContainsFunc(places, func(p app.Place) bool { return p.XM != nil && p.YM != nil })
	if len(b.Boundary) < 3 || b.Globe == grid && len(places) > 0 {
		return nil
	}
	if !b.Globe {
		for _, p := range b.Boundary {
			out = append(out, draw.Point{X: p.X, Y: p.Y})
		}
		return out
	}
	first := slices.IndexFunc(places, func(p app.Place) bool { return p.Lat != nil && p.Lon != nil })
	if first < 0 {
		return nil
	}
	all := []app.Place{places[first]}
	for i := range b.Boundary {
		all = append(all, app.Place{Lat: &b.Boundary[i].Y, Lon: &b.Boundary[i].X})
	}
	at := v.placesXY(all)
	for i := range b.Boundary {
		out = append(out, draw.Point{X: at[i+1][0], Y: at[i+1][1]})
	}
	return out
}

// placesXY are the places in metres east and north: a grid of the block's own
// where the trees have one, else from latitude and longitude on a sphere of
// 6371008.8 m (mean radius R1 of the GRS80 ellipsoid, from memory).
func (v *view) placesXY(places []app.Place) map[int][2]float64 {
	out := map[int][2]float64{}
	grid := slices.ContainsFunc(places, func(p app.Place) bool { return p.XM != nil && p.YM != nil })
	var first *app.Place
	for i := range places {
		p := &places[i]
		switch {
		case grid && p.XM != nil && p.YM != nil:
			out[i] = [2]float64{*p.XM, *p.YM}
		case !grid && p.Lat != nil && p.Lon != nil:
			if first == nil {
				first = p
			}
			rad := math.Pi / 180
			out[i] = [2]float64{6371008.8 * (*p.Lon - *first.Lon) * rad * math.Cos(*first.Lat*rad), 6371008.8 * (*p.Lat - *first.Lat) * rad}
		}
	}
	return out
}
