package app

import (
	"cmp"
	"context"
	"math"
	"slices"
	"strings"
	"time"

	"sapward/finding"
	"sapward/follow/decline"
	"sapward/follow/health"
	"sapward/measure/civil"
)

// FollowResult is what the follow-up of a block says. Every part that the data
// cannot give is left out and its reason stands in the faults beside it.
type FollowResult struct {
	Block  Block
	Estate Estate
	Follow Follow
	Visits []Visit
	Assays []KeptAssay
	Today  civil.Date

	Zero       civil.Date // day 0: the treatment, else the first visit
	ZeroGiven  bool
	Treatments []string // the reference first
	Versus     string
	Trees      map[string]int // trees of each treatment
	Ungrouped  []string       // rated trees that are in no treatment

	Seasons     []FollowSeason
	Curves      []FollowCurve
	Survival    *health.SurvivalReport
	SurvivalBad finding.Faults
	Watched     int // trees in the survival
	Unwatched   int // trees of the treatments that were never looked at after day 0
	Efficacy    []FollowEfficacy
	Counts      *health.EfficacyReport
	CountsBad   finding.Faults
	Declines    []FollowDecline
}

// FollowSeason is one season's disease progress. A new season begins where
// nobody looked for more than SeasonGapD days.
type FollowSeason struct {
	From, To string
	Base     civil.Date // days of the report are counted from it
	Visits   int
	health.ProgressReport
	Bad finding.Faults
}

// SeasonGapD is the gap between two visits that begins a new season (program
// default).
const SeasonGapD = 100

// FollowCurve is the mean severity of one treatment, by visit.
type FollowCurve struct {
	Treatment string
	Days      []float64 // from Zero
	Index     []float64 // percent
	N         []int
}

// FollowEfficacy is one treatment against the reference: shares of dead trees.
type FollowEfficacy struct {
	Treatment string
	Unknown   int // trees left out: removed, or not seen at the last visit
	health.EfficacyReport
	Bad finding.Faults
}

// FollowDecline is the residue in the trees of one treatment.
type FollowDecline struct {
	Treatment string // empty: trees in no treatment
	Zero      civil.Date
	ByRecord  bool // Zero is the day of an application on record
	Samples   int
	Trees     int
	Before    int // samples taken before Zero, left out
	decline.Report
	Bad       finding.Faults
	Windows   []AgainWindow
	IntervalD float64 // the card's, 0: not given
	NotBefore string  // first day that the record of the treatment allows
}

// AgainWindow says when to treat again by the residue of one tissue at one
// height: between From and By. Late says that the card allows it only after the
// level is lost.
type AgainWindow struct {
	Tissue   string
	HeightM  *float64
	From, By string // By empty: the level is not lost as far as can be told
	Late     bool
	GapD     int
	Done     bool // the trees were treated again since
}

// FollowUp works out what the follow-up of a block says.
func (a *App) FollowUp(ctx context.Context, actor Actor, block string) (FollowResult, error) {
	if err := a.mayOn(ctx, actor, "FollowUp", TypeBlock, block); err != nil {
		return FollowResult{}, err
	}
	f, err := a.followFacts(ctx, block)
	if err != nil {
		return f, err
	}
	f.fates()
	return f, a.declines(ctx, &f)
}

func (a *App) followFacts(ctx context.Context, block string) (f FollowResult, err error) {
	if f.Block, err = get[BlockFacts](ctx, a.Store, TypeBlock, block); err != nil {
		return f, err
	}
	if f.Estate, err = get[EstateFacts](ctx, a.Store, TypeEstate, f.Block.Parent); err != nil {
		return f, err
	}
	if f.Follow, err = a.follow(ctx, a.Store, block); err != nil {
		return f, err
	}
	if f.Visits, err = list[VisitFacts](ctx, a.Store, Query{Type: TypeVisit, Parent: block}); err != nil {
		return f, err
	}
	if f.Assays, err = list[AssayFacts](ctx, a.Store, Query{Type: TypeAssay, Parent: block}); err != nil {
		return f, err
	}
	f.Today = civil.Of(a.Now().In(f.Estate.Facts.Location()))
	f.Zero, err = civil.Parse(f.Follow.Facts.DayZero)
	if f.ZeroGiven = err == nil && f.Follow.Facts.DayZero != ""; !f.ZeroGiven && len(f.Visits) > 0 {
		f.Zero, _ = civil.Parse(f.Visits[0].Facts.On)
	}
	f.Trees = map[string]int{}
	for _, g := range f.Follow.Facts.Groups {
		f.Trees[g.Treatment] = len(g.Trees)
		f.Treatments = append(f.Treatments, g.Treatment)
	}
	if len(f.Treatments) > 0 {
		f.Versus = health.Reference(f.Treatments)
		slices.SortStableFunc(f.Treatments, func(x, y string) int {
			switch {
			case x == y:
				return 0
			case x == f.Versus:
				return -1
			case y == f.Versus:
				return 1
			}
			return strings.Compare(x, y)
		})
	}
	return f, nil
}

// fate is how a tree's story goes on.
type fate struct {
	treatment  string
	looks      []civil.Date // looked at and alive
	dead, gone civil.Date   // found dead of the disease; removed for another reason
}

func (f *FollowResult) tree(tags map[string]*fate) {
	by := f.Follow.Facts.byTree()
	strangers := map[string]bool{}
	for _, v := range f.Visits {
		on, err := civil.Parse(v.Facts.On)
		if err != nil {
			continue
		}
		for _, r := range v.Facts.Rows {
			treatment, there := by[r.Tree]
			if !there {
				strangers[r.Tree] = true
				continue
			}
			t := tags[r.Tree]
			if t == nil {
				t = &fate{treatment: treatment}
				tags[r.Tree] = t
			}
			switch r.Status {
			case TreeSeen, TreeAlive:
				t.looks = append(t.looks, on)
			case TreeDead:
				if t.dead.IsZero() {
					t.dead = on
				}
			case TreeRemoved:
				if t.gone.IsZero() {
					t.gone = on
				}
			}
		}
	}
	f.Ungrouped = sorted(strangers)
}

// fates works out progress, survival and efficacy.
func (f *FollowResult) fates() {
	trees := map[string]*fate{}
	f.tree(trees)
	f.progress(trees)
	if len(trees) == 0 {
		return
	}
	f.survival(trees)
	f.efficacy(trees)
	if len(f.Follow.Facts.Counts) > 0 {
		var rows []health.Count
		for i, c := range f.Follow.Facts.Counts {
			rows = append(rows, health.Count{Role: c.Role, Block: c.Block, Before: c.Before, After: c.After, Dead: c.Dead, Total: c.Total, Where: finding.Where{Line: i + 2}})
		}
		if r, err := health.Efficacy(rows, health.EfficacyOptions{Seed: 1}); err != nil {
			f.CountsBad = finding.AsFaults(err)
		} else {
			f.Counts = &r
		}
	}
}

// progress splits the visits into seasons and works out each one's curves.
func (f *FollowResult) progress(trees map[string]*fate) {
	type rated struct {
		on    civil.Date
		visit VisitFacts
	}
	var seasons [][]rated
	top := 0.0
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
		seasons[n-1] = append(seasons[n-1], rated{on, v.Facts})
	}
	curves := map[string]*FollowCurve{}
	for _, visits := range seasons {
		s := FollowSeason{From: visits[0].on.String(), To: visits[len(visits)-1].on.String(), Base: visits[0].on, Visits: len(visits)}
		var rows []health.Rating
		for tag, t := range trees {
			ended := false
			begun := false
			for _, v := range visits {
				if ended {
					break
				}
				at := func(x civil.Date) bool { return !x.IsZero() && !v.on.Before(x) }
				row := health.Rating{Tree: tag, Treatment: t.treatment, Day: float64(v.on.DaysSince(s.Base)), Dated: true}
				i := slices.IndexFunc(v.visit.Rows, func(r VisitRow) bool { return r.Tree == tag })
				switch {
				case at(t.dead):
					row.Status, ended = health.Died, true
				case at(t.gone):
					row.Status, ended = health.Removed, true
					if !begun { // gone before anything was seen this season
						continue
					}
				case i < 0 || v.visit.Rows[i].Rating == nil:
					row.Status = health.Missed
				case v.visit.Scale == ScaleClass:
					row.Class = v.visit.Rows[i].Rating
				default:
					row.Pct = v.visit.Rows[i].Rating
				}
				begun = true
				rows = append(rows, row)
			}
		}
		slices.SortFunc(rows, func(x, y health.Rating) int {
			if c := strings.Compare(SortKey(x.Tree), SortKey(y.Tree)); c != 0 {
				return c
			}
			return cmp.Compare(x.Day, y.Day)
		})
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

// survival follows each tree from day 0 to its death, its removal or the last
// look.
func (f *FollowResult) survival(trees map[string]*fate) {
	var rows []health.Death
	for _, tag := range sorted(trees) {
		t := trees[tag]
		row := health.Death{Tree: tag, Treatment: t.treatment, Dated: true, Where: finding.Where{Line: len(rows) + 1}}
		end := t.dead
		row.Died = !end.IsZero()
		if !row.Died {
			if end = t.gone; end.IsZero() && len(t.looks) > 0 {
				end = slices.MaxFunc(t.looks, func(x, y civil.Date) int { return x.DaysSince(y) })
			}
		}
		if end.IsZero() || end.Before(f.Zero) {
			continue
		}
		row.Days = float64(end.DaysSince(f.Zero))
		rows = append(rows, row)
	}
	total := 0
	for _, n := range f.Trees {
		total += n
	}
	f.Watched, f.Unwatched = len(rows), total-len(rows)
	if len(rows) == 0 {
		return
	}
	r, err := health.Survival(rows, health.SurvivalOptions{Versus: f.Versus})
	if err != nil { // the reference may have no tree under watch
		if r, err = health.Survival(rows, health.SurvivalOptions{}); err != nil {
			f.SurvivalBad = finding.AsFaults(err)
			return
		}
	}
	f.Survival = &r
}

// lastWhole is the newest day on which at least half as many trees were looked
// at as on the day with the most: a look at a few trees afterwards does not
// push the others out (program default). A tree seen alive on it or later was
// alive at the end.
func lastWhole(trees map[string]*fate) (last civil.Date) {
	seen := map[civil.Date]int{}
	most := 0
	for _, t := range trees {
		for _, on := range t.looks {
			seen[on]++
			most = max(most, seen[on])
		}
	}
	for on, n := range seen {
		if 2*n >= most && (last.IsZero() || on.After(last)) {
			last = on
		}
	}
	return last
}

// efficacy compares the shares of dead trees at the last whole visit.
func (f *FollowResult) efficacy(trees map[string]*fate) {
	if len(f.Treatments) < 2 {
		return
	}
	last := lastWhole(trees)
	count := func(treatment string) (dead, total, unknown float64) {
		known := 0
		for _, t := range trees {
			if t.treatment != treatment {
				continue
			}
			switch {
			case !t.dead.IsZero():
				dead, known = dead+1, known+1
			case slices.ContainsFunc(t.looks, func(on civil.Date) bool { return !on.Before(last) }):
				known++
			}
		}
		return dead, float64(known), float64(f.Trees[treatment] - known)
	}
	ud, un, uu := count(f.Versus)
	for _, name := range f.Treatments {
		if name == f.Versus {
			continue
		}
		d, n, u := count(name)
		e := FollowEfficacy{Treatment: name, Unknown: int(u + uu)}
		r, err := health.Efficacy([]health.Count{
			{Role: "treated", Dead: &d, Total: &n, Where: finding.Where{Line: 1}}, {Role: "untreated", Dead: &ud, Total: &un, Where: finding.Where{Line: 2}},
		}, health.EfficacyOptions{Formula: health.FormulaRiskRatio, Seed: 1})
		if err != nil {
			e.Bad = finding.AsFaults(err)
		}
		e.EfficacyReport = r
		f.Efficacy = append(f.Efficacy, e)
	}
}

// declines works out the residue of each treatment's trees.
func (a *App) declines(ctx context.Context, f *FollowResult) error {
	if len(f.Assays) == 0 {
		return nil
	}
	apps, err := list[ApplicationFacts](ctx, a.Store, Query{Type: TypeApplication, Parent: f.Block.ID})
	if err != nil {
		return err
	}
	by := f.Follow.Facts.byTree()
	samples := map[string][]AssayFacts{}
	for _, x := range f.Assays {
		samples[by[x.Facts.Tree]] = append(samples[by[x.Facts.Tree]], x.Facts)
	}
	names := slices.Clone(f.Treatments)
	for _, name := range append(names, "") {
		if len(samples[name]) > 0 {
			f.Declines = append(f.Declines, f.decline(name, samples[name], apps))
		}
	}
	return nil
}

// decline fits the residue of one treatment. Day 0 is the last application that
// its trees had before the last sample, else the block's day 0.
func (f *FollowResult) decline(name string, samples []AssayFacts, apps []Application) FollowDecline {
	d := FollowDecline{Treatment: name, Zero: f.Zero}
	sampled := map[string]bool{}
	lastSample, firstSample := "", ""
	for _, s := range samples {
		sampled[s.Tree] = true
		lastSample = max(lastSample, s.On)
		if firstSample == "" || s.On < firstSample {
			firstSample = s.On
		}
	}
	latest := ""
	for _, x := range apps {
		touches := len(x.Facts.Trees) == 0 || slices.ContainsFunc(x.Facts.Trees, func(t Treated) bool { return sampled[t.Tag] })
		if !touches {
			continue
		}
		latest = max(latest, x.Facts.DateEnd)
		if on, err := civil.Parse(x.Facts.DateEnd); err == nil && x.Facts.DateEnd <= lastSample && (!d.ByRecord || on.After(d.Zero)) {
			d.Zero, d.ByRecord, d.NotBefore = on, true, x.Facts.NextEarliest
		}
	}
	known := d.ByRecord || f.ZeroGiven
	if d.Zero.IsZero() {
		d.Zero, _ = civil.Parse(firstSample)
	}
	var rows []decline.Assay
	trees := map[string]bool{}
	for _, s := range samples {
		on, err := civil.Parse(s.On)
		if err != nil {
			continue
		}
		if on.Before(d.Zero) {
			d.Before++
			continue
		}
		trees[s.Tree] = true
		r := decline.Assay{Tree: s.Tree, Day: float64(on.DaysSince(d.Zero)), Tissue: s.Tissue, HeightM: s.HeightM, AzimuthDeg: s.AzimuthDeg, Limb: s.Limb, Dated: true, Where: finding.Where{Line: len(rows) + 1}}
		if s.MgKg != nil {
			r.MgKg, r.Detected = *s.MgKg, true
		}
		if s.LimitMgKg != nil {
			r.DetectionLimit = *s.LimitMgKg
		}
		rows = append(rows, r)
	}
	d.Samples, d.Trees = len(rows), len(trees)
	o := decline.Options{}
	if f.Follow.Facts.EffectiveMgKg != nil && known {
		o.EffectiveMgKg = *f.Follow.Facts.EffectiveMgKg
	}
	if f.Follow.Facts.IntervalD != nil {
		o.MinIntervalD = *f.Follow.Facts.IntervalD
		d.IntervalD = o.MinIntervalD
	}
	if next, err := civil.Parse(d.NotBefore); err == nil && d.NotBefore != "" {
		o.NotBeforeD = math.Max(0, float64(next.DaysSince(d.Zero)))
	}
	if len(rows) == 0 {
		return d
	}
	r, err := decline.Decline(rows, o)
	if err != nil {
		d.Bad = finding.AsFaults(err)
		return d
	}
	d.Report = r
	for _, s := range r.Series {
		g := s.Again
		if g == nil {
			continue
		}
		w := AgainWindow{Tissue: s.Tissue, HeightM: s.HeightM, From: d.Zero.AddDays(int(math.Ceil(g.FromDay))).String(), GapD: int(math.Ceil(g.GapD)), Done: latest > d.Zero.String() && d.ByRecord}
		if g.ByDay != nil && *g.ByDay < 36_525 {
			w.By = d.Zero.AddDays(int(math.Floor(*g.ByDay))).String()
			w.Late = w.By < w.From
		}
		d.Windows = append(d.Windows, w)
	}
	return d
}

// dueFollow are the next visit, and the treatment that the residue asks for.
func (a *App) dueFollow(ctx context.Context, b BlockLine) ([]DueItem, error) {
	f, err := a.followFacts(ctx, b.ID)
	if err != nil {
		return nil, err
	}
	var out []DueItem
	if next := f.Follow.Facts.NextVisit; next != "" {
		if n := len(f.Visits); n == 0 || f.Visits[n-1].Facts.On < next {
			out = append(out, DueItem{Kind: "rate", On: next, Block: b.ID, Name: b.Facts.Name})
		}
	}
	if len(f.Assays) == 0 || f.Follow.Facts.EffectiveMgKg == nil {
		return out, nil
	}
	windows, err := a.againWindows(ctx, &f)
	if err != nil {
		return nil, err
	}
	for _, w := range windows {
		out = append(out, DueItem{Kind: "treat-residue", On: w.From, By: w.By, Treatment: w.Tissue, Block: b.ID, Name: b.Facts.Name})
	}
	return out, nil
}

// againKey says what the windows of a block were worked out from.
type againKey struct {
	follow, assays, apps int
	newest               time.Time
}

type againKept struct {
	key     againKey
	windows []AgainWindow
}

// againWindows returns, for each treatment, the earliest window still ahead of a
// second treatment; its Tissue is the name of the treatment. They are kept until
// a fact changes: a fit takes a while.
func (a *App) againWindows(ctx context.Context, f *FollowResult) ([]AgainWindow, error) {
	apps, err := list[ApplicationFacts](ctx, a.Store, Query{Type: TypeApplication, Parent: f.Block.ID})
	if err != nil {
		return nil, err
	}
	key := againKey{follow: f.Follow.Version, assays: len(f.Assays), apps: len(apps)}
	for _, x := range f.Assays {
		if x.At.After(key.newest) {
			key.newest = x.At
		}
	}
	for _, x := range apps {
		if x.At.After(key.newest) {
			key.newest = x.At
		}
	}
	if had, ok := a.again.Load(f.Block.ID); ok && had.(againKept).key == key {
		return had.(againKept).windows, nil
	}
	if err := a.declines(ctx, f); err != nil {
		return nil, err
	}
	var out []AgainWindow
	for _, d := range f.Declines {
		var first *AgainWindow
		for i := range d.Windows {
			w := d.Windows[i]
			if w.By != "" && !w.Done && (first == nil || w.By < first.By) {
				first = &w
			}
		}
		if first != nil {
			first.Tissue = d.Treatment
			out = append(out, *first)
		}
	}
	a.again.Store(f.Block.ID, againKept{key, out})
	return out, nil
}
