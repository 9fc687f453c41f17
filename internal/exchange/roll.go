package exchange

import (
	"hash/maphash"

	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
)

// roll is the list of tags met, to find one given twice: a hash table with open
// addressing over entries of 24 bytes, the tags themselves kept as one string a
// block. A million tags take some 50 MB. Tags are compared wherever their hashes
// agree, so that no collision accuses anybody.
type roll struct {
	file    string
	slots   []uint32 // number of an entry plus 1, or 0; a power of two of them
	entries []rollEntry
	blocks  []treeBlock
}

// rollEntry is one tag, or one tag and stem: where it stands.
type rollEntry struct {
	hash             uint64
	block, row, line uint32
}

var rollSeed = maphash.MakeSeed()

func newRoll(file string) *roll { return &roll{file: file, slots: make([]uint32, 1024)} }

// add enters a block's rows.
func (l *roll) add(b *treeBlock, faults *collector) {
	keep := *b
	keep.trees, keep.lines, keep.hashes = nil, nil, nil
	l.blocks = append(l.blocks, keep)
	for i, hash := range b.hashes {
		tag := b.tag(i)
		if tag == "" {
			continue // a fault already
		}
		if 4*len(l.entries) >= 3*len(l.slots) {
			l.grow()
		}
		name := ""
		if b.names != nil {
			name = b.names[i]
		}
		slot, first := l.find(hash, tag, name)
		if first == nil {
			l.entries = append(l.entries, rollEntry{hash, uint32(len(l.blocks) - 1), uint32(i), uint32(b.lines[i])})
			*slot = uint32(len(l.entries))
			continue
		}
		if faults.full() {
			faults.more++
			continue
		}
		id, args := "tree-twice", finding.Args{"tree": finding.Text(tag), "line": finding.Count(int(first.line))}
		if b.names != nil {
			id, args["stem"] = "stem-twice", finding.Text(name)
		}
		faults.add(finding.Bad(id, finding.Where{File: l.file, Line: b.lines[i]}, args))
	}
}

// find returns the slot for a tag and the entry in it, if it is there already.
func (l *roll) find(hash uint64, tag, name string) (*uint32, *rollEntry) {
	mask := uint64(len(l.slots) - 1)
	for k := hash & mask; ; k = (k + 1) & mask {
		slot := &l.slots[k]
		if *slot == 0 {
			return slot, nil
		}
		e := &l.entries[*slot-1]
		if e.hash != hash {
			continue
		}
		if b := &l.blocks[e.block]; b.tag(int(e.row)) == tag && (b.names == nil || b.names[e.row] == name) {
			return slot, e
		}
	}
}

// grow doubles the number of slots.
func (l *roll) grow() {
	l.slots = make([]uint32, 2*len(l.slots))
	mask := uint64(len(l.slots) - 1)
	for i := range l.entries {
		k := l.entries[i].hash & mask
		for l.slots[k] != 0 {
			k = (k + 1) & mask
		}
		l.slots[k] = uint32(i + 1)
	}
}

// stemGroups gathers the rows of a table with a column of stems into trees, in
// the order in which the tags first appear.
type stemGroups struct {
	file  string
	trees []tree.Tree
	at    map[string]int
}

func newStemGroups(file string) *stemGroups { return &stemGroups{file: file, at: map[string]int{}} }

// add enters one block's rows. What is said of the tree as a whole may stand on
// any of its rows, but must be the same wherever it stands; its place is the
// first one given.
func (g *stemGroups) add(rows []tree.Tree, faults *collector) {
	for i := range rows {
		next := &rows[i]
		k, ok := g.at[next.Tag]
		if !ok {
			g.at[next.Tag] = len(g.trees)
			g.trees = append(g.trees, *next)
			continue
		}
		t := &g.trees[k]
		t.Stems = append(t.Stems, next.Stems...)
		var differ []Col
		note := func(same bool, c Col) {
			if !same {
				differ = append(differ, c)
			}
		}
		note(agree(&t.Species, next.Species), treeSpecies)
		note(agree(&t.Wood, next.Wood), treeWood)
		note(agree(&t.AgeClass, next.AgeClass), treeAge)
		note(agree(&t.Status, next.Status), treeStatus)
		note(agreeOpt(&t.Height, next.Height, sameSize[q.LengthKind]), treeHeight)
		note(agreeOpt(&t.Crown, next.Crown, sameSize[q.LengthKind]), treeCrown)
		note(agreeOpt(&t.CrownLoss, next.CrownLoss, sameSize[q.PercentKind]), treeCrownLoss)
		note(agreeOpt(&t.Bearing, next.Bearing, func(a, b bool) bool { return a == b }), treeBearing)
		if !t.Lat.Known && next.Lat.Known {
			t.Lat, t.Lon = next.Lat, next.Lon
		}
		if !t.X.Known && next.X.Known {
			t.X, t.Y = next.X, next.Y
		}
		for _, c := range differ {
			faults.add(finding.Bad("stems-differ", finding.Where{File: g.file, Line: next.Row}, finding.Args{
				"column": finding.Text(treeSpec.Columns[c].full()), "tree": finding.Text(next.Tag), "line": finding.Count(t.Row)}))
		}
	}
}

// agree takes a fact over where none was known, and reports whether two known
// ones are the same.
func agree[T ~string](have *T, next T) bool {
	if *have == "" {
		*have = next
	}
	return next == "" || *have == next
}

func agreeOpt[T any](have *q.Opt[T], next q.Opt[T], same func(a, b T) bool) bool {
	if !have.Known {
		*have = next
	}
	return !next.Known || same(have.Value, next.Value)
}

func sameSize[K q.Kind](a, b q.Quantity[K]) bool { return a.Cmp(b) == 0 }

// pass hands the trees on in blocks.
func (g *stemGroups) pass(visit func([]tree.Tree) error) error {
	const most = 4096
	for from := 0; from < len(g.trees); from += most {
		to := min(from+most, len(g.trees))
		if err := visit(g.trees[from:to:to]); err != nil {
			return err
		}
	}
	return nil
}
