package plan

import (
	"sync"
	"sync/atomic"

	"sapward/finding"
	"sapward/measure/tree"
	"sapward/numeric/exact"
)

// Trees that are alike in everything the plan looks at get the same ports. A
// tape reads to a millimetre, so a block of any size holds a few thousand
// different trunks at most; each is worked out once.

// stemKey is all that decides the dose and ports of a tree with one stem, no
// holes, obstacles, limbs or history.
type stemKey struct {
	diameter, girth, flare, bark exact.Rat
	girthTaped, flared, gauged   bool
	species                      string
	wood                         tree.Wood
}

// prototype is one such trunk, worked out.
type prototype struct {
	unit unit
	why  []finding.Finding

	once sync.Once
	laid Tree
}

// prototypes keeps up to maxPrototypes of them; beyond that trees are worked
// out one by one, so that memory stays bounded whatever the file holds.
type prototypes struct {
	m sync.Map // stemKey -> *prototype
	n atomic.Int64
}

const maxPrototypes = 1 << 16

// alike returns the prototype of a tree, or nil when the tree must be worked
// out on its own.
func (j *Job) alike(t *tree.Tree) *prototype {
	if len(t.Stems) != 1 || t.Stems[0].Name != "" || !j.trunkAlone || j.wounds[t.Tag] != nil || j.limbs[t.Tag] != nil || j.obstacles[t.Tag] != nil {
		return nil
	}
	s := &t.Stems[0]
	key := stemKey{
		diameter: s.Diameter.Low.Base(), girth: s.Girth.Low.Base(), flare: s.Flare.Value.Base(), bark: s.Bark.Value.Base(),
		girthTaped: s.FromGirth, flared: s.Flare.Known, gauged: s.Bark.Known,
		species: t.Species, wood: t.Wood,
	}
	if p, ok := j.known.m.Load(key); ok {
		return p.(*prototype)
	}
	if j.known.n.Load() >= maxPrototypes {
		return nil
	}
	p := &prototype{}
	bare := *t
	bare.Tag = ""
	p.unit, p.why = j.unit(&bare, t.Stems)
	if p.why == nil {
		units := []unit{p.unit}
		if p.why = j.capTree(&bare, units); p.why == nil {
			p.unit = units[0]
			p.why = j.settle(&p.unit)
		}
	}
	j.known.n.Add(1)
	if had, loaded := j.known.m.LoadOrStore(key, p); loaded {
		return had.(*prototype)
	}
	return p
}

// layAlike returns the planned tree of a prototype under a tree's own tag. The
// ports are shared and must not be changed.
func (j *Job) layAlike(p *prototype, t *tree.Tree) Tree {
	p.once.Do(func() {
		bare := *t
		p.laid = j.lay(&bare, &p.unit)
	})
	out := p.laid
	out.Tag = t.Tag
	return out
}
