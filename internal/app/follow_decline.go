package app

import (
	"context"
	"math"
	"slices"
	"time"

	"sapward/finding"
	"sapward/follow/decline"
	"sapward/measure/civil"
)

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
	why := FromNothing
	switch {
	case o.NotBeforeD > 0 && o.NotBeforeD >= o.MinIntervalD:
		why = FromRecord
	case o.MinIntervalD > 0:
		why = FromCard
	}
	for i, s := range r.Series {
		g := s.Again
		if g == nil {
			continue
		}
		w := AgainWindow{Series: i, FromWhy: why, Tissue: s.Tissue, HeightM: s.HeightM, From: d.Zero.AddDays(int(math.Ceil(g.FromDay))).String(), GapD: int(math.Ceil(g.GapD)), Done: latest > d.Zero.String() && d.ByRecord}
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
	kept, err := a.follow(ctx, a.Store, b.ID)
	if err != nil {
		return nil, err
	}
	var out []DueItem
	level := kept.Facts.EffectiveMgKg != nil
	if kept.Facts.NextVisit == "" && !level {
		return nil, nil
	}
	first, last, err := a.visitDays(ctx, b.ID)
	if err != nil {
		return nil, err
	}
	if next := kept.Facts.NextVisit; next != "" && last < next {
		out = append(out, DueItem{Kind: "rate", On: next, Block: b.ID, Name: b.Facts.Name})
	}
	if !level {
		return out, nil
	}
	f := FollowResult{Follow: kept}
	if f.Block, err = get[BlockFacts](ctx, a.Store, TypeBlock, b.ID); err != nil {
		return nil, err
	}
	if f.Assays, err = list[AssayFacts](ctx, a.Store, Query{Type: TypeAssay, Parent: b.ID}); err != nil || len(f.Assays) == 0 {
		return out, err
	}
	f.order(first)
	windows, err := a.againWindows(ctx, &f)
	if err != nil {
		return nil, err
	}
	for _, w := range windows {
		out = append(out, DueItem{Kind: "treat-residue", On: w.From, By: w.By, Treatment: w.Tissue, Block: b.ID, Name: b.Facts.Name})
	}
	return out, nil
}

// visitDays are the days of a block's first and last visit, without what was
// seen on them.
func (a *App) visitDays(ctx context.Context, block string) (first, last string, err error) {
	q := Query{Type: TypeVisit, Parent: block}
	for {
		states, err := a.Store.States(ctx, q)
		if err != nil || len(states) == 0 {
			return first, last, err
		}
		for _, s := range states { // a visit is sorted by its day
			if first == "" {
				first = s.Sort
			}
			last = s.Sort
		}
		q.After = Key{states[len(states)-1].Sort, states[len(states)-1].ID}
	}
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
