package app

import (
	"context"
	"slices"
	"strings"

	"sapward/finding"
)

// GroupWords are the words that treatments are named by where the program names
// them: that of the untreated, and that of each method.
type GroupWords struct {
	Untreated string
	Method    map[string]string
}

// GroupChoices are the ways the treatments of a block's follow-up may be told.
type GroupChoices struct {
	Block   Block
	Estate  Estate
	Follow  Follow
	Applied []TreatmentGroup // by the applications on record
	Since   string           // day of the first of those applications
	Trials  []Trial          // of the block, newest first
}

// Sources of treatments.
const (
	GroupsApplied = "applied" // from the applications on record
	GroupsTrial   = "trial"   // from a trial's layout
	GroupsTyped   = "typed"   // typed in
)

// GroupOrder says where the treatments of a follow-up are taken from.
type GroupOrder struct {
	From  string
	Trial string       // identifier
	Words GroupWords   // for the applications
	Typed []TypedGroup // typed in
	Since string       // only applications from this day on
}

// TypedGroup is a treatment with its trees as a person types them: tags, a..b,
// A*.
type TypedGroup struct{ Treatment, Trees string }

// FollowGroups returns the ways the treatments of a block may be told.
func (a *App) FollowGroups(ctx context.Context, actor Actor, block string, w GroupWords) (c GroupChoices, err error) {
	if err := a.mayOn(ctx, actor, "FollowGroups", TypeBlock, block); err != nil {
		return c, err
	}
	if c.Block, err = get[BlockFacts](ctx, a.Store, TypeBlock, block); err != nil {
		return c, err
	}
	if c.Estate, err = get[EstateFacts](ctx, a.Store, TypeEstate, c.Block.Parent); err != nil {
		return c, err
	}
	if c.Follow, err = a.follow(ctx, a.Store, block); err != nil {
		return c, err
	}
	if c.Applied, c.Since, err = a.applied(ctx, a.Store, block, w, c.Follow.Facts.DayZero); err != nil {
		return c, err
	}
	c.Trials, err = list[TrialFacts](ctx, a.Store, Query{Type: TypeTrial, Parent: block})
	slices.Reverse(c.Trials)
	return c, err
}

// applied puts the trees of a block into treatments by what was applied from a
// day on: product and how, as far as they differ, and untreated for the rest.
func (a *App) applied(ctx context.Context, r Reader, block string, w GroupWords, from string) ([]TreatmentGroup, string, error) {
	apps, err := list[ApplicationFacts](ctx, r, Query{Type: TypeApplication, Parent: block})
	if err != nil {
		return nil, "", err
	}
	apps = slices.DeleteFunc(apps, func(x Application) bool { return x.Facts.DateEnd < from })
	if len(apps) == 0 {
		return nil, "", nil
	}
	tags, err := a.followable(ctx, r, block)
	if err != nil {
		return nil, "", err
	}
	products, methods := map[string]bool{}, map[string]bool{}
	since := apps[0].Facts.DateEnd
	for _, x := range apps {
		products[x.Facts.Product], methods[x.Facts.Method] = true, true
		since = min(since, x.Facts.DateEnd)
	}
	name := func(f ApplicationFacts) string {
		method := orElse(w.Method[f.Method], f.Method)
		switch {
		case method == "" || len(products) > 1 && len(methods) == 1:
			return clipName(f.Product)
		case len(products) == 1:
			return clipName(method)
		}
		return clipName(f.Product + ", " + method)
	}
	by := map[string]string{}
	for _, tag := range tags {
		var got []string
		for _, x := range apps {
			if n := name(x.Facts); x.Facts.covers(tag) && !slices.Contains(got, n) {
				got = append(got, n)
			}
		}
		by[tag] = clipName(orElse(strings.Join(got, " + "), orElse(w.Untreated, "untreated")))
	}
	return grouped(by), since, nil
}

// clipName keeps a treatment's name within its bound.
func clipName(s string) string {
	if r := []rune(s); len(r) > maxTreatment {
		return string(r[:maxTreatment-1]) + "…"
	}
	return s
}

// followable are the tags of a block's trees: those in use, and those out of use
// that a visit has looked at.
func (a *App) followable(ctx context.Context, r Reader, block string) ([]string, error) {
	seen := map[string]bool{}
	visits, err := list[VisitFacts](ctx, r, Query{Type: TypeVisit, Parent: block})
	if err != nil {
		return nil, err
	}
	for _, v := range visits {
		for _, x := range v.Facts.Rows {
			seen[x.Tree] = true
		}
	}
	trees, err := list[TreeFacts](ctx, r, Query{Type: TypeTree, Parent: block, Retired: true})
	if err != nil {
		return nil, err
	}
	var out []string
	for _, t := range trees {
		if !t.Retired || seen[t.Facts.Tag] {
			out = append(out, t.Facts.Tag)
		}
	}
	return out, nil
}

// GroupFollow tells which tree got what in a block's follow-up: from the
// applications on record, from a trial, or typed in. Day 0 follows where it is
// not given.
func (a *App) GroupFollow(ctx context.Context, actor Actor, block string, version int, o GroupOrder) (Follow, error) {
	if err := a.mayOn(ctx, actor, "GroupFollow", TypeBlock, block); err != nil {
		return Follow{}, err
	}
	var out Follow
	err := a.Store.InTx(ctx, func(tx Tx) error {
		b, err := tx.State(ctx, TypeBlock, block)
		if err != nil {
			return err
		}
		had, err := a.follow(ctx, tx, block)
		if err != nil {
			return err
		}
		f := had.Facts
		zero := ""
		switch o.From {
		case GroupsApplied:
			if f.Groups, zero, err = a.applied(ctx, tx, block, o.Words, orElse(o.Since, f.DayZero)); err != nil {
				return err
			}
			if len(f.Groups) == 0 {
				return usage("groups-no-application", nil)
			}
		case GroupsTrial:
			t, err := get[TrialFacts](ctx, tx, TypeTrial, o.Trial)
			if err != nil || t.Parent != block {
				return usage("groups-no-trial", nil)
			}
			f.Groups, zero = groupsOfLayout(t.Facts.Layout), t.Facts.On
		case GroupsTyped:
			tags, err := a.followable(ctx, tx, block)
			if err != nil {
				return err
			}
			if f.Groups, err = typedGroups(o.Typed, tags); err != nil {
				return err
			}
		default:
			return usage("groups-from", nil)
		}
		f.DayZero = orElse(f.DayZero, zero)
		if err := f.tidy(); err != nil {
			return err
		}
		out, err = write(ctx, tx, actor, followChange(b, version, Changed), f)
		return err
	})
	return out, err
}

func typedGroups(typed []TypedGroup, tags []string) ([]TreatmentGroup, error) {
	by := map[string]string{}
	var faults finding.Faults
	for _, g := range typed {
		g.Treatment = strings.TrimSpace(g.Treatment)
		if g.Treatment == "" && strings.TrimSpace(g.Trees) == "" {
			continue
		}
		if g.Treatment == "" || strings.TrimSpace(g.Trees) == "" {
			faults = append(faults, usage("groups-half", finding.Args{"text": finding.Text(clip(orElse(g.Treatment, g.Trees)))}))
			continue
		}
		pick, err := picked(g.Trees, func(visit func(string)) {
			for _, t := range tags {
				visit(t)
			}
		})
		if err != nil {
			faults = append(faults, finding.AsFaults(err)...)
			continue
		}
		for _, t := range sorted(pick) {
			if was, there := by[t]; there && was != g.Treatment {
				faults = append(faults, usage("follow-tree-twice", finding.Args{"tree": finding.Text(t), "treatment": finding.Text(g.Treatment), "other": finding.Text(was)}))
				continue
			}
			by[t] = g.Treatment
		}
	}
	if len(faults) == 0 && len(by) == 0 {
		faults = append(faults, usage("groups-none", nil))
	}
	return grouped(by), faults.OrNil()
}
