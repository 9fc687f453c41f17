package app

import (
	"context"
	"encoding/json"
	"runtime"
	"sync"

	"sapward/finding"
	"sapward/follow/trial"
	"sapward/measure/sample"
	"sapward/measure/tree"
)

// cache keeps the blocks last planned, so that playing with a draft does not
// read ten thousand trees at every key, and what pages show of the blocks last
// looked at. What is in it is never changed.
type cache struct {
	blocks  recent[gathered]
	places  recent[[]Place]
	samples recent[sampled]
	worked  memo[Outcome]
	signed  memo[signedPlan]
	cards   memo[CardReading]
	trials  memo[trial.Analysis]
}

// sampled is what a block's taped trunks tell, for the options it was asked with.
type sampled struct {
	options sample.Options
	view    SampleView
}

// recent keeps one thing of each of the blocks last asked for, as it stood at a
// mark.
type recent[T any] struct {
	mu    sync.Mutex
	by    map[string]marked[T]
	order []string
}

type marked[T any] struct {
	mark int64
	it   T
}

// Bounds of the cache.
const (
	maxCachedBlocks = 4
	maxCachedTrees  = 200_000
)

func (c *recent[T]) get(block string, mark int64) (T, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	m, ok := c.by[block]
	return m.it, ok && m.mark == mark
}

func (c *recent[T]) put(block string, mark int64, it T) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.by == nil {
		c.by = map[string]marked[T]{}
	}
	if _, there := c.by[block]; !there {
		if len(c.order) == maxCachedBlocks {
			delete(c.by, c.order[0])
			c.order = c.order[1:]
		}
		c.order = append(c.order, block)
	}
	c.by[block] = marked[T]{mark, it}
}

// places returns a block's trees in narrow rows, and the mark they stood at.
func (a *App) places(ctx context.Context, block string) ([]Place, int64, error) {
	mark, err := a.Store.BlockMark(ctx, block)
	if err != nil {
		return nil, 0, err
	}
	if p, ok := a.cache.places.get(block, mark); ok {
		return p, mark, nil
	}
	p, err := a.Store.Places(ctx, block)
	if err == nil && len(p) <= maxCachedTrees {
		a.cache.places.put(block, mark, p)
	}
	return p, mark, err
}

// sampled is sampleOf for places at a mark, kept for the next who asks.
func (c *cache) sampled(block string, mark int64, so sample.Options, places []Place) (SampleView, error) {
	if s, ok := c.samples.get(block, mark); ok && s.options == so {
		return s.view, nil
	}
	v, err := sampleOf(places, so)
	if err == nil && len(places) <= maxCachedTrees {
		c.samples.put(block, mark, sampled{so, v})
	}
	return v, err
}

// gather reads a block's trees, wounds and earlier treatments.
func (a *App) gather(ctx context.Context, block string) (gathered, error) {
	b, err := get[BlockFacts](ctx, a.Store, TypeBlock, block)
	if err != nil {
		return gathered{}, err
	}
	e, err := get[EstateFacts](ctx, a.Store, TypeEstate, b.Parent)
	if err != nil {
		return gathered{}, err
	}
	mark, err := a.Store.BlockMark(ctx, block)
	if err != nil {
		return gathered{}, err
	}
	g, ok := a.cache.blocks.get(block, mark)
	if !ok {
		if g, err = a.gatherTrees(ctx, block); err != nil {
			return g, err
		}
		if len(g.trees) <= maxCachedTrees {
			a.cache.blocks.put(block, mark, g)
		}
	}
	g.mark, g.inputs.Block, g.inputs.Estate = mark, b.Facts, e.Facts
	apps, err := list[ApplicationFacts](ctx, a.Store, Query{Type: TypeApplication, Parent: block})
	if err != nil {
		return g, err
	}
	g.inputs.Applications = nil
	for _, x := range apps {
		g.inputs.Applications = append(g.inputs.Applications, x.Facts)
	}
	return g, nil
}

func (a *App) gatherTrees(ctx context.Context, block string) (g gathered, err error) {
	tags := map[string]string{} // tree -> tag
	err = a.Store.EachTree(ctx, block, func(states []State) error {
		facts, err := decodeAll[TreeFacts](states)
		if err != nil {
			return err
		}
		for i, f := range facts {
			tags[states[i].ID] = f.Tag
			g.inputs.Trees = append(g.inputs.Trees, f)
			g.limbs = append(g.limbs, f.limbs()...)
			g.obstacles = append(g.obstacles, f.obstacles()...)
		}
		return ctx.Err()
	})
	if err != nil {
		return g, err
	}
	g.trees = coreTrees(g.inputs.Trees)
	wounds, err := a.Store.BlockWounds(ctx, block)
	if err != nil {
		return g, err
	}
	for _, s := range wounds {
		w, err := kept[WoundFacts](s)
		if err != nil {
			return g, err
		}
		tag, known := tags[s.Parent]
		if !known {
			continue // the tree is retired
		}
		g.inputs.Wounds = append(g.inputs.Wounds, TreeWound{tag, w.Facts})
		g.wounds = append(g.wounds, w.Facts.wound(tag))
	}
	return g, nil
}

// parallel runs f over n things on all processors.
func parallel(n int, f func(from, to int)) {
	workers := runtime.GOMAXPROCS(0)
	if n < 256 {
		workers = 1
	}
	var wg sync.WaitGroup
	for w := range workers {
		from, to := n*w/workers, n*(w+1)/workers
		wg.Add(1)
		go func() {
			defer wg.Done()
			f(from, to)
		}()
	}
	wg.Wait()
}

// decodeAll reads the facts of many states.
func decodeAll[F any](states []State) ([]F, error) {
	out := make([]F, len(states))
	errs := make([]error, len(states))
	parallel(len(states), func(from, to int) {
		for i := from; i < to; i++ {
			errs[i] = json.Unmarshal(states[i].Body, &out[i])
		}
	})
	for _, err := range errs {
		if err != nil {
			return nil, &finding.Fault{Class: finding.Internal, ID: "internal", Cause: err, Args: finding.Args{"cause": finding.Text(err.Error())}}
		}
	}
	return out, nil
}

// coreTrees turns facts into the core's trees, those with a reading, in order.
func coreTrees(facts []TreeFacts) []tree.Tree {
	all := make([]tree.Tree, len(facts))
	parallel(len(facts), func(from, to int) {
		for i := from; i < to; i++ {
			all[i] = facts[i].Tree()
		}
	})
	out := all[:0]
	for _, t := range all {
		if len(t.Stems) > 0 {
			out = append(out, t)
		}
	}
	return out
}
