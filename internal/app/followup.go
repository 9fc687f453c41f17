package app

import (
	"context"
	"crypto/sha256"
	"slices"
	"strings"

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

	Causes     []health.CauseTally // told at the visits
	Closure    *health.ClosureReport
	ClosureBad finding.Faults
	Photos     map[string][]Attachment // by visit
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
	Done     bool   // the trees were treated again since
	Series   int    // of the decline
	FromWhy  string // what sets From: FromCard, FromRecord, or FromNothing
}

// What sets the first day of a window.
const (
	FromNothing = "none"   // no interval was given
	FromCard    = "card"   // the card's least interval
	FromRecord  = "record" // the record of the last treatment
)

// FollowUp works out what the follow-up of a block says.
func (a *App) FollowUp(ctx context.Context, actor Actor, block string) (FollowResult, error) {
	if err := a.mayOn(ctx, actor, "FollowUp", TypeBlock, block); err != nil {
		return FollowResult{}, err
	}
	key, err := a.followKey(ctx, block)
	if err != nil {
		return FollowResult{}, err
	}
	f, err := a.follows.get(ctx, key, mostFollowRows, func() (FollowResult, int, error) {
		f, err := a.followFacts(ctx, block)
		if err != nil {
			return f, 0, err
		}
		f.fates()
		rows := 1 + len(f.Assays)
		for _, v := range f.Visits {
			rows += len(v.Facts.Rows)
		}
		return f, rows, a.declines(ctx, &f)
	})
	if err != nil {
		return f, err
	}
	f.Photos = map[string][]Attachment{}
	for _, v := range f.Visits {
		kept, err := list[AttachmentFacts](ctx, a.Store, Query{Type: TypeAttachment, Parent: v.ID})
		if err != nil {
			return f, err
		}
		if len(kept) > 0 {
			f.Photos[v.ID] = kept
		}
	}
	return f, nil
}

// mostFollowRows is how many rows of visits may be kept worked out (program
// default).
const mostFollowRows = 3_000_000

// followKey names what the follow-up of a block is worked out from: the day, and
// each thing with its version.
func (a *App) followKey(ctx context.Context, block string) (key [sha256.Size]byte, err error) {
	b, err := a.Store.State(ctx, TypeBlock, block)
	if err != nil {
		return key, err
	}
	e, err := get[EstateFacts](ctx, a.Store, TypeEstate, b.Parent)
	if err != nil {
		return key, err
	}
	told := []any{block, b.Version, e.Version, civil.Of(a.Now().In(e.Facts.Location())).String()}
	for _, t := range []Type{TypeFollow, TypeVisit, TypeAssay, TypeApplication} {
		q := Query{Type: t, Parent: block}
		for {
			states, err := a.Store.States(ctx, q)
			if err != nil {
				return key, err
			}
			if len(states) == 0 {
				break
			}
			for _, s := range states {
				told = append(told, s.ID, s.Version)
			}
			last := states[len(states)-1]
			q.After = Key{last.Sort, last.ID}
		}
	}
	return keyOf(told...)
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
	first := ""
	if len(f.Visits) > 0 {
		first = f.Visits[0].Facts.On
	}
	f.order(first)
	return f, nil
}

// order settles day 0, the first visit where none is given, and the treatments,
// the reference first.
func (f *FollowResult) order(first string) {
	var err error
	f.Zero, err = civil.Parse(f.Follow.Facts.DayZero)
	if f.ZeroGiven = err == nil && f.Follow.Facts.DayZero != ""; !f.ZeroGiven && first != "" {
		f.Zero, _ = civil.Parse(first)
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
}

// fate is how a tree's story goes on.
type fate struct {
	treatment  string
	looks      []civil.Date // looked at and alive
	dead, gone civil.Date   // found dead; removed for another reason, or dead of another cause
	death      VisitRow     // as it was found dead
	end        VisitRow     // as it was found gone
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
				if r.died() {
					if t.dead.IsZero() {
						t.dead, t.death = on, r
					}
				} else if t.gone.IsZero() {
					t.gone, t.end = on, r
				}
			case TreeRemoved:
				if t.gone.IsZero() {
					t.gone, t.end = on, r
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
	f.wounds()
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
