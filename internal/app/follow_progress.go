package app

import (
	"math"
	"slices"
	"strings"

	"sapward/finding"
	"sapward/follow/health"
	"sapward/measure/civil"
)

// ratedVisit is a visit with its day and where each tree's row stands.
type ratedVisit struct {
	on    civil.Date
	visit VisitFacts
	at    map[string]int
}

// seasonsOf splits the visits with ratings into seasons; top is the highest
// class of their scale.
func (f *FollowResult) seasonsOf() (seasons [][]ratedVisit, top float64) {
	for _, v := range f.Visits {
		on, err := civil.Parse(v.Facts.On)
		if err != nil || !slices.ContainsFunc(v.Facts.Rows, func(r VisitRow) bool { return r.Rating != nil }) {
			continue
		}
		top = math.Max(top, v.Facts.TopClass)
		n := len(seasons)
		if n == 0 || on.DaysSince(seasons[n-1][len(seasons[n-1])-1].on) > SeasonGapD {
			seasons = append(seasons, nil)
			n++
		}
		at := make(map[string]int, len(v.Facts.Rows))
		for i, r := range v.Facts.Rows {
			at[r.Tree] = i
		}
		seasons[n-1] = append(seasons[n-1], ratedVisit{on, v.Facts, at})
	}
	return seasons, top
}

// inOrder are the tags of trees as people count.
func inOrder(trees map[string]*fate) []string {
	type keyed struct{ key, tag string }
	all := make([]keyed, 0, len(trees))
	for tag := range trees {
		all = append(all, keyed{SortKey(tag), tag})
	}
	slices.SortFunc(all, func(x, y keyed) int {
		if c := strings.Compare(x.key, y.key); c != 0 {
			return c
		}
		return strings.Compare(x.tag, y.tag)
	})
	out := make([]string, len(all))
	for i, k := range all {
		out[i] = k.tag
	}
	return out
}

// ratings are a tree's rows of a season, to its end.
func (t *fate) ratings(tag string, base civil.Date, visits []ratedVisit) (rows []health.Rating) {
	begun := false
	for _, v := range visits {
		at := func(x civil.Date) bool { return !x.IsZero() && !v.on.Before(x) }
		row := health.Rating{Tree: tag, Treatment: t.treatment, Day: float64(v.on.DaysSince(base)), Dated: true}
		i, there := v.at[tag]
		over := false
		switch {
		case at(t.dead):
			row.Status, row.Cause, row.CauseNote, over = health.Died, health.Cause(t.death.Cause), t.death.CauseNote, true
		case at(t.gone):
			row.Status, row.Cause, row.CauseNote, over = health.Removed, health.Cause(t.end.Cause), t.end.CauseNote, true
			if t.end.Status == TreeDead {
				row.Status = health.Died
			}
		case !there || v.visit.Rows[i].Rating == nil:
			row.Status = health.Missed
		default:
			r := v.visit.Rows[i]
			row.Cause, row.CauseNote = health.Cause(r.Cause), r.CauseNote
			if row.Pct = r.Rating; v.visit.Scale == ScaleClass {
				row.Class, row.Pct = r.Rating, nil
			}
		}
		if over && !begun && !(row.Status == health.Died && row.Cause.OfDisease()) {
			return nil // gone before anything was seen this season
		}
		begun = true
		if rows = append(rows, row); over {
			return rows
		}
	}
	return rows
}

// progress works out each season's curves.
func (f *FollowResult) progress(trees map[string]*fate) {
	seasons, top := f.seasonsOf()
	tags := inOrder(trees)
	curves := map[string]*FollowCurve{}
	for _, visits := range seasons {
		s := FollowSeason{From: visits[0].on.String(), To: visits[len(visits)-1].on.String(), Base: visits[0].on, Visits: len(visits)}
		rows := make([]health.Rating, 0, len(tags)*len(visits))
		for _, tag := range tags {
			rows = append(rows, trees[tag].ratings(tag, s.Base, visits)...)
		}
		for i := range rows {
			rows[i].Where.Line = i + 1
		}
		r, err := health.Progress(rows, health.ProgressOptions{TopClass: top})
		if err != nil {
			s.Bad = finding.AsFaults(err)
		}
		s.ProgressReport = r
		for _, t := range r.Treatments {
			c := curves[t.Treatment]
			if c == nil {
				c = &FollowCurve{Treatment: t.Treatment}
				curves[t.Treatment] = c
			}
			for _, d := range t.Days {
				c.Days = append(c.Days, d.Day+float64(s.Base.DaysSince(f.Zero)))
				c.Index = append(c.Index, d.Index)
				c.N = append(c.N, d.N)
			}
		}
		f.Seasons = append(f.Seasons, s)
	}
	for _, t := range f.Treatments {
		if c := curves[t]; c != nil {
			f.Curves = append(f.Curves, *c)
		}
	}
}

// wounds works out how wounds close, and counts the causes told.
func (f *FollowResult) wounds() {
	by := f.Follow.Facts.byTree()
	var looks []health.Closure
	var causes []health.Rating
	status := map[string]health.Status{TreeDead: health.Died, TreeRemoved: health.Removed, TreeMissed: health.Missed}
	for _, v := range f.Visits {
		on, err := civil.Parse(v.Facts.On)
		if err != nil {
			continue
		}
		for _, r := range v.Facts.Rows {
			treatment, there := by[r.Tree]
			if !there {
				continue
			}
			if r.Cause != "" {
				causes = append(causes, health.Rating{Tree: r.Tree, Treatment: treatment, Pct: r.Rating, Status: status[r.Status], Cause: health.Cause(r.Cause)})
			}
			if on.Before(f.Zero) { // not holes of this treatment
				continue
			}
			for _, p := range r.Ports {
				looks = append(looks, health.Closure{Tree: r.Tree, Treatment: treatment, Port: p.Port, Day: float64(on.DaysSince(f.Zero)), Pct: p.Pct, Closed: p.Closed, Dated: true, Where: finding.Where{Line: len(looks) + 1}})
			}
		}
	}
	f.Causes = health.TallyCauses(causes)
	if len(looks) == 0 {
		return
	}
	if r, err := health.Wounds(looks, 0); err != nil {
		f.ClosureBad = finding.AsFaults(err)
	} else {
		f.Closure = &r
	}
}
