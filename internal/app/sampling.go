package app

import (
	"context"
	"errors"

	"sapward/finding"
	"sapward/measure/sample"
	"sapward/plan"
	"sapward/plan/dose"
	"sapward/plan/label"
)

// SampleView is what the taped trunks of a block tell.
type SampleView struct {
	Tags      []string  // of trees with one stem, in the order of Diameters
	Diameters []float64 // cm
	Unusable  bool      // too few readings for an interval: Summary is empty
	Summary   sample.Summary
	Slips     []sample.Slip
	Doses     *sample.DoseSummary // with a card: what one dose for all would do
	Method    string
	Fills     []plan.ClassRow // with a draft: diameters at which ports or fill change
}

// SampleOptions ask for an interval. The zero value takes 95 % and 10 %.
type SampleOptions struct {
	Confidence   float64
	TolerancePct float64
	Card         string // a card, to see what a mean dose does
	Method       string
}

// SampleBlock describes the taped trunks of a block: mean, interval, whether
// they are enough, slips of the pen.
func (a *App) SampleBlock(ctx context.Context, actor Actor, block string, o SampleOptions) (SampleView, error) {
	var v SampleView
	if err := a.mayOn(ctx, actor, "SampleBlock", TypeBlock, block); err != nil {
		return v, err
	}
	b, err := get[BlockFacts](ctx, a.Store, TypeBlock, block)
	if err != nil {
		return v, err
	}
	places, mark, err := a.places(ctx, block)
	if err != nil {
		return v, err
	}
	so := sample.Options{BlockTrees: max(b.Facts.Trees, len(places)), Confidence: o.Confidence, TolerancePct: o.TolerancePct}
	if so.Confidence == 0 {
		so.Confidence = 0.95
	}
	if so.TolerancePct == 0 {
		so.TolerancePct = 10
	}
	if v, err = a.cache.sampled(block, mark, so, places); err != nil || v.Unusable {
		return v, err
	}
	if o.Card == "" {
		return v, nil
	}
	c, err := get[CardFacts](ctx, a.Store, TypeCard, o.Card)
	if err != nil {
		return v, err
	}
	r, err := a.read(c.Facts.Text)
	if err != nil || !r.Usable || len(r.Card.Uses) == 0 {
		return v, err
	}
	v.Method = o.Method
	if v.Method == "" {
		v.Method = string(r.Card.Uses[0].Method)
	}
	if rule, ok := plan.DoseRule(plan.Request{Card: r.Card, Method: label.Method(v.Method), Level: dose.Target}); ok {
		if d, err := sample.DoseBias(v.Diameters, rule, so); err == nil {
			v.Doses = &d
		}
	}
	return v, nil
}

// sampleOf describes the taped trunks among places.
func sampleOf(places []Place, so sample.Options) (v SampleView, err error) {
	for _, p := range places {
		if p.Stems == 1 {
			v.Tags, v.Diameters = append(v.Tags, p.Tag), append(v.Diameters, p.DiameterCM)
		}
	}
	v.Summary, err = sample.Summarise(v.Diameters, so)
	if errors.Is(err, sample.ErrTooFew) {
		v.Unusable = true
		return v, nil
	}
	if err != nil {
		return v, usage("sample-unusable", finding.Args{"reason": finding.Text(err.Error()), "count": finding.Count(len(v.Diameters)), "block": finding.Count(so.BlockTrees)})
	}
	if v.Slips, err = sample.Slips(v.Diameters); err != nil {
		v.Slips = nil
	}
	return v, nil
}

// PickTrees draws which trees to tape next, at random among those without a
// reading; with all of them taped, among all. The same seed gives the same trees.
func (a *App) PickTrees(ctx context.Context, actor Actor, block string, n int, seed uint64) (sample.PickedTags, error) {
	if err := a.mayOn(ctx, actor, "PickTrees", TypeBlock, block); err != nil {
		return sample.PickedTags{}, err
	}
	places, _, err := a.places(ctx, block)
	if err != nil {
		return sample.PickedTags{}, err
	}
	var all, bare []string
	for _, p := range places {
		all = append(all, p.Tag)
		if p.Stems == 0 {
			bare = append(bare, p.Tag)
		}
	}
	if len(bare) == 0 {
		bare = all
	}
	p, err := sample.PickTags(min(n, len(bare)), bare, seed)
	if err != nil {
		return p, usage("pick-range", finding.Args{"reason": finding.Text(err.Error()), "count": finding.Count(n)})
	}
	return p, nil
}
