package app

import (
	"context"
	"encoding/json"
	"reflect"

	"sapward/measure/tree"
)

// treeRows are some thousands of trees of a table as they are kept, checked one
// by one. A block of a million trees is held so: its tags and its bodies, a
// hundred bytes a tree, where the core's trees would take ten times that.
type treeRows struct {
	tags   []string
	bodies []byte // one behind the other
	ends   []int
}

// body is the facts of row i.
func (c *treeRows) body(i int) json.RawMessage {
	from := 0
	if i > 0 {
		from = c.ends[i-1]
	}
	return json.RawMessage(c.bodies[from:c.ends[i]:c.ends[i]])
}

// addTrees packs trees that a table holds.
func (r *rows) addTrees(trees []tree.Tree) error {
	c := treeRows{tags: make([]string, len(trees)), ends: make([]int, len(trees))}
	encoded := make([][]byte, len(trees))
	errs := make([]error, len(trees))
	parallel(len(trees), func(from, to int) {
		for i := from; i < to; i++ {
			f := FactsOf(trees[i])
			if errs[i] = f.tidy(); errs[i] == nil {
				encoded[i], errs[i] = encode(f)
			}
			c.tags[i] = f.Tag
		}
	})
	size := 0
	for i, err := range errs {
		if err != nil {
			return err
		}
		size += len(encoded[i])
	}
	c.bodies = make([]byte, 0, size)
	for i, b := range encoded {
		c.bodies = append(c.bodies, b...)
		c.ends[i] = len(c.bodies)
	}
	r.trees = append(r.trees, c)
	r.count += len(trees)
	return nil
}

// maxExamples bounds the trees a preview shows.
const maxExamples = 20

// trees compares a table with what stands in the block.
func (im *imported) trees(ctx context.Context, r Reader, estate, block string, in rows) error {
	done := 0
	for k := range in.trees {
		c := &in.trees[k]
		s := standing{estate: estate, trees: map[string]State{}, facts: map[string]TreeFacts{}}
		if err := s.add(ctx, r, block, c.tags); err != nil {
			return err
		}
		if err := im.chunk(s, block, c); err != nil {
			return err
		}
		done += len(c.tags)
		watched(ctx, int64(done), int64(in.count))
	}
	return nil
}

func (im *imported) chunk(s standing, block string, c *treeRows) error {
	changes := make([]Change, 0, len(c.tags))
	for i, tag := range c.tags {
		change := Change{Type: TypeTree, Verb: Imported, Estate: s.estate, Parent: block, Sort: SortKey(tag), Version: 1, Body: c.body(i)}
		old, there := s.trees[tag]
		if there {
			var f TreeFacts
			if err := json.Unmarshal(change.Body, &f); err != nil {
				return err
			}
			f = merge(s.facts[tag], f)
			if reflect.DeepEqual(s.facts[tag], f) {
				im.preview.Same++
				continue
			}
			var err error
			if err = f.tidy(); err != nil {
				return err
			}
			if change.Body, err = encode(f); err != nil {
				return err
			}
			change.ID, change.Version = old.ID, old.Version+1
			im.preview.Change++
		} else {
			im.preview.Add++
		}
		changes = append(changes, change)
		if len(im.preview.Examples) < maxExamples {
			var f TreeFacts
			if err := json.Unmarshal(change.Body, &f); err != nil {
				return err
			}
			im.preview.Examples = append(im.preview.Examples, ImportExample{tag, !there, differ(leaves(s.facts[tag]), leaves(f))})
		}
	}
	return im.kept(changes)
}

// merge lays what a table says over what is kept; what it does not say stays.
func merge(old, f TreeFacts) TreeFacts {
	out := old
	or := func(to *string, s string) {
		if s != "" {
			*to = s
		}
	}
	or(&out.Species, f.Species)
	or(&out.Wood, f.Wood)
	or(&out.AgeClass, f.AgeClass)
	or(&out.HeightM, f.HeightM)
	or(&out.CrownM, f.CrownM)
	or(&out.Status, f.Status)
	or(&out.CrownLossPct, f.CrownLossPct)
	if f.Bearing != nil {
		out.Bearing = f.Bearing
	}
	if f.XM != nil {
		out.XM, out.YM = f.XM, f.YM
	}
	if f.Lat != nil && !(samePlace(old.Lat, f.Lat) && samePlace(old.Lon, f.Lon)) {
		out.Lat, out.Lon = f.Lat, f.Lon
	}
	out.Stems = append([]StemFacts(nil), old.Stems...)
	for _, s := range f.Stems {
		at := -1
		for i := range out.Stems {
			if out.Stems[i].Name == s.Name {
				at = i
			}
		}
		if at < 0 {
			out.Stems = append(out.Stems, s)
			continue
		}
		o := &out.Stems[at]
		if !s.Measured() { // an empty cell leaves the reading that is kept
			s.DiameterCM, s.GirthCM = o.DiameterCM, o.GirthCM
		}
		if s.DiameterCM != o.DiameterCM || s.GirthCM != o.GirthCM { // another reading: who and when are not known
			o.On, o.Taker, o.Instrument = "", "", ""
		}
		o.DiameterCM, o.GirthCM = s.DiameterCM, s.GirthCM
		or(&o.MeasuredAtM, s.MeasuredAtM)
		or(&o.BarkMM, s.BarkMM)
		or(&o.FlareGirthCM, s.FlareGirthCM)
	}
	return out
}
