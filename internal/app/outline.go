package app

import (
	"context"
	"math"
	"reflect"
	"strings"

	"sapward/finding"
)

// samePlace reports degrees that differ by the rounding to 7 decimals only, which
// files of places are written with: about a centimetre, and no change.
func samePlace(a, b *float64) bool {
	return a != nil && b != nil && math.Abs(*a-*b) <= 5.1e-8
}

// mayOutline asks for the role that changes a block where its outline is to be
// imported.
func (a *App) mayOutline(ctx context.Context, actor Actor, block, kind string) error {
	if kind != TableBoundary {
		return nil
	}
	return a.mayOn(ctx, actor, "ChangeBlock", TypeBlock, block)
}

// outline lays the outline of a file over the block's: the only one, or the one
// with the block's name.
func (im *imported) outline(ctx context.Context, r Reader, block string, list []NamedBoundary) error {
	b, err := get[BlockFacts](ctx, r, TypeBlock, block)
	if err != nil {
		return err
	}
	pick, named := -1, 0
	var names []string
	for i, x := range list {
		if strings.EqualFold(strings.TrimSpace(x.Name), b.Facts.Name) {
			pick = i
			named++
		}
		if x.Name != "" && len(names) < 8 {
			names = append(names, clip(x.Name))
		}
	}
	if len(list) == 1 {
		pick, named = 0, 1
	}
	if named != 1 {
		if len(names) == 0 {
			names = []string{"-"}
		}
		return usage("gis-boundary-many", finding.Args{"count": finding.Count(len(list)), "block": finding.Text(b.Facts.Name), "names": finding.Text(strings.Join(names, ", "))})
	}
	f := b.Facts
	f.Boundary, f.Globe = list[pick].Points, list[pick].Globe
	if err := f.tidy(); err != nil {
		return err
	}
	same := f.Globe == b.Facts.Globe && len(f.Boundary) == len(b.Facts.Boundary)
	for i := 0; same && f.Globe && i < len(f.Boundary); i++ {
		p, q := f.Boundary[i], b.Facts.Boundary[i]
		same = samePlace(&p.X, &q.X) && samePlace(&p.Y, &q.Y)
	}
	if same && (f.Globe || reflect.DeepEqual(f.Boundary, b.Facts.Boundary)) {
		im.preview.Same++
		return nil
	}
	body, err := encode(f)
	if err != nil {
		return err
	}
	im.preview.Change++
	return im.keep([]Change{{Type: TypeBlock, Verb: Imported, ID: b.ID, Estate: b.Estate, Parent: b.Parent, Sort: SortKey(f.Name), Version: b.Version + 1, Body: body}})
}
