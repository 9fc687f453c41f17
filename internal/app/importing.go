package app

import (
	"context"
	"fmt"
	"io"
	"reflect"
	"sort"

	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
)

// Kinds of table that can be imported into a block.
const (
	TableTrees     = "trees"
	TableWounds    = "wounds"
	TableLimbs     = "limbs"
	TableObstacles = "obstacles"
	TableHistory   = "history"
	TableBoundary  = "boundary" // the outline of the block itself
)

// ImportPreview says what an import would do. Nothing is kept yet.
type ImportPreview struct {
	Kind      string
	Table     Table    // headers and how they were read; for trees
	Names     []string // columns that a header can be matched to; for trees
	Add       int      // things that are new
	Change    int      // trees whose facts differ
	Same      int      // things that are kept already
	Strangers []string // tags the table names that the block does not hold, at most finding.MaxTrees
	Examples  []ImportExample
}

// ImportExample is one tree that would be added or changed.
type ImportExample struct {
	Tag     string
	New     bool
	Changes []FieldChange
}

// ImportResult says what an import did.
type ImportResult struct {
	ImportPreview
	Act string // of the import; Undo takes it
}

// imported is what a table asks for. The changes go to keep, some thousands at a
// time, as soon as they are known.
type imported struct {
	preview ImportPreview
	keep    func([]Change) error
}

// PreviewImport reads a table of a block and says what it would do, or
// everything that is wrong with it at once.
func (a *App) PreviewImport(ctx context.Context, actor Actor, block, kind, name string, r io.Reader, match Columns) (ImportPreview, error) {
	if err := a.mayOn(ctx, actor, "PreviewImport", TypeBlock, block); err != nil {
		return ImportPreview{}, err
	}
	if err := a.mayOutline(ctx, actor, block, kind); err != nil {
		return ImportPreview{}, err
	}
	in, err := a.readRows(kind, name, r, match)
	if err != nil {
		return a.shown(kind, in).preview, err
	}
	return a.importing(ctx, a.Store, block, kind, in, func([]Change) error { return nil })
}

// Import reads a table of a block and keeps it in one transaction. It is
// idempotent: a tree is found by its tag, a wound by its place, an earlier
// treatment by product and day; the same file twice changes nothing. A column
// the file does not have leaves what is kept as it is. Progress (see Watched)
// counts the trees kept.
func (a *App) Import(ctx context.Context, actor Actor, block, kind, name string, r io.Reader, match Columns) (ImportResult, error) {
	if err := a.mayOn(ctx, actor, "Import", TypeBlock, block); err != nil {
		return ImportResult{}, err
	}
	var out ImportResult
	if err := a.mayOutline(ctx, actor, block, kind); err != nil {
		return out, err
	}
	in, err := a.readRows(kind, name, r, match)
	if err != nil {
		out.ImportPreview = a.shown(kind, in).preview
		return out, err
	}
	err = a.Store.InTx(ctx, func(tx Tx) error {
		var err error
		out.ImportPreview, err = a.importing(ctx, tx, block, kind, in, func(changes []Change) error {
			for i := range changes {
				if changes[i].ID == "" {
					changes[i].ID = a.NewID()
				}
			}
			es, err := tx.Append(ctx, actor.Person, changes...)
			if err == nil && out.Act == "" {
				out.Act = es[0].Act
			}
			return err
		})
		return err
	})
	return out, err
}

// standing are trees of a block by tag: those of the tags asked for that are in
// use.
type standing struct {
	estate string
	trees  map[string]State
	facts  map[string]TreeFacts
}

func (a *App) standing(ctx context.Context, r Reader, block string, tags []string) (standing, error) {
	s := standing{trees: map[string]State{}, facts: map[string]TreeFacts{}}
	b, err := r.State(ctx, TypeBlock, block)
	if err != nil {
		return s, err
	}
	s.estate = b.Estate
	return s, s.add(ctx, r, block, tags)
}

// add looks up trees by their tags.
func (s *standing) add(ctx context.Context, r Reader, block string, tags []string) error {
	states, err := r.TreesTagged(ctx, block, tags)
	if err != nil {
		return err
	}
	facts, err := decodeAll[TreeFacts](states)
	for i, f := range facts {
		s.trees[f.Tag], s.facts[f.Tag] = states[i], f
	}
	return err
}

// rows are what a table of one kind holds.
type rows struct {
	trees     []treeRows
	count     int   // of trees
	table     Table // of trees
	wounds    []tree.Wound
	limbs     []tree.Limb
	obstacles []tree.Obstacle
	history   []tree.Treatment
	outlines  []NamedBoundary
}

// readRows reads a table, before anything that is kept is looked at: a large one
// takes a while, and others write meanwhile.
func (a *App) readRows(kind, name string, in io.Reader, match Columns) (r rows, err error) {
	switch kind {
	case TableTrees:
		r.table, err = a.Tables.Trees(in, name, match, r.addTrees)
	case TableWounds:
		r.wounds, err = a.Tables.Wounds(in, name)
	case TableLimbs:
		r.limbs, err = a.Tables.Limbs(in, name)
	case TableObstacles:
		r.obstacles, err = a.Tables.Obstacles(in, name)
	case TableHistory:
		r.history, err = a.Tables.History(in, name)
	case TableBoundary:
		more, ok := a.Tables.(BoundaryReader)
		if !ok {
			return r, usage("import-kind", finding.Args{"text": finding.Text(clip(kind))})
		}
		r.outlines, r.table.Notes, err = more.Boundaries(in, name)
	default:
		err = usage("import-kind", finding.Args{"text": finding.Text(clip(kind))})
	}
	return r, err
}

// importing compares what a table holds with what stands in the block, and
// hands the changes to keep.
func (a *App) importing(ctx context.Context, r Reader, block, kind string, in rows, keep func([]Change) error) (ImportPreview, error) {
	im := a.shown(kind, in)
	im.keep = keep
	err := a.compared(ctx, r, block, kind, in, &im)
	return im.preview, err
}

func (a *App) compared(ctx context.Context, r Reader, block, kind string, in rows, im *imported) error {
	if kind == TableBoundary {
		return im.outline(ctx, r, block, in.outlines)
	}
	s, err := a.standing(ctx, r, block, in.tags())
	if err != nil {
		return err
	}
	switch kind {
	case TableTrees:
		return im.trees(ctx, r, s.estate, block, in)
	case TableWounds:
		have, err := r.BlockWounds(ctx, block)
		if err != nil {
			return err
		}
		return im.wounds(s, in.wounds, have)
	case TableLimbs:
		return im.limbs(s, in.limbs)
	case TableObstacles:
		return im.obstacles(s, in.obstacles)
	}
	have, err := list[ApplicationFacts](ctx, r, Query{Type: TypeApplication, Parent: block})
	if err != nil {
		return err
	}
	return im.history(s, block, in.history, have)
}

// tags are the trees that a table of something else speaks of, each once.
func (r *rows) tags() []string {
	named := map[string]bool{}
	for _, x := range r.wounds {
		named[x.Tree] = true
	}
	for _, x := range r.limbs {
		named[x.Tree] = true
	}
	for _, x := range r.obstacles {
		named[x.Tree] = true
	}
	for _, x := range r.history {
		named[x.Tree] = true
	}
	delete(named, "") // the whole block
	return sorted(named)
}

// shown is what a preview says of the file itself.
func (a *App) shown(kind string, in rows) imported {
	im := imported{preview: ImportPreview{Kind: kind, Table: in.table}}
	if kind == TableTrees {
		im.preview.Names = a.Tables.Names()
	}
	return im
}

// kept hands changes on, if there are any.
func (im *imported) kept(changes []Change) error {
	if len(changes) == 0 {
		return nil
	}
	return im.keep(changes)
}

func (im *imported) stranger(tag string) {
	for _, t := range im.preview.Strangers {
		if t == tag {
			return
		}
	}
	if len(im.preview.Strangers) < finding.MaxTrees {
		im.preview.Strangers = append(im.preview.Strangers, tag)
	}
}

func (im *imported) wounds(s standing, rows []tree.Wound, have []State) error {
	kept := map[string]bool{}
	key := func(treeID string, f WoundFacts) string {
		return fmt.Sprintf("%s|%s|%g|%s|%d", treeID, f.Stem, f.AzimuthDeg, f.HeightCM, f.Year)
	}
	facts, err := decodeAll[WoundFacts](have)
	if err != nil {
		return err
	}
	for i, f := range facts {
		kept[key(have[i].Parent, f)] = true
	}
	var changes []Change
	for _, w := range rows {
		t, there := s.trees[w.Tree]
		if !there {
			im.stranger(w.Tree)
			continue
		}
		f := woundFacts(w)
		if err := f.tidy(); err != nil {
			return err
		}
		k := key(t.ID, f)
		if kept[k] {
			im.preview.Same++
			continue
		}
		kept[k] = true
		body, err := encode(f)
		if err != nil {
			return err
		}
		im.preview.Add++
		changes = append(changes, Change{Type: TypeWound, Verb: Imported, Estate: s.estate, Parent: t.ID, Sort: woundSort(f), Version: 1, Body: body})
	}
	return im.kept(changes)
}

// onTrees keeps rows that belong to trees' own facts.
func (im *imported) onTrees(s standing, tags []string, set func(f *TreeFacts, tag string)) error {
	var changes []Change
	for _, tag := range tags {
		old, there := s.trees[tag]
		if !there {
			im.stranger(tag)
			continue
		}
		f := s.facts[tag]
		set(&f, tag)
		if err := f.tidy(); err != nil {
			return err
		}
		if reflect.DeepEqual(f, s.facts[tag]) {
			im.preview.Same++
			continue
		}
		body, err := encode(f)
		if err != nil {
			return err
		}
		im.preview.Change++
		changes = append(changes, Change{Type: TypeTree, Verb: Imported, ID: old.ID, Estate: s.estate, Parent: old.Parent, Sort: old.Sort, Version: old.Version + 1, Body: body})
	}
	return im.kept(changes)
}

func (im *imported) limbs(s standing, rows []tree.Limb) error {
	by := map[string][]LimbFacts{}
	for _, l := range rows {
		by[l.Tree] = append(by[l.Tree], LimbFacts{Name: l.Name, AzimuthDeg: l.AzimuthDeg, HeightM: textOf(q.Known(l.Height), "m"), DiameterCM: textOf(q.Known(l.Diameter), "cm")})
	}
	return im.onTrees(s, sorted(by), func(f *TreeFacts, tag string) { f.Limbs = by[tag] })
}

func (im *imported) obstacles(s standing, rows []tree.Obstacle) error {
	by := map[string][]ObstacleFacts{}
	for _, o := range rows {
		by[o.Tree] = append(by[o.Tree], ObstacleFacts{Stem: o.Stem, FromDeg: o.FromDeg, ToDeg: o.ToDeg, Kind: o.Kind})
	}
	return im.onTrees(s, sorted(by), func(f *TreeFacts, tag string) { f.Obstacles = by[tag] })
}

func sorted[V any](m map[string]V) []string {
	out := make([]string, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	sort.Slice(out, func(i, j int) bool { return SortKey(out[i]) < SortKey(out[j]) })
	return out
}

// history gathers rows of one product, active, method and day into one
// application.
func (im *imported) history(s standing, block string, rows []tree.Treatment, have []Application) error {
	group := map[string]*ApplicationFacts{}
	var order []string
	key := func(f ApplicationFacts) string {
		whole := ""
		if len(f.Trees) == 0 {
			whole = "block"
		}
		return f.Product + "|" + f.Active + "|" + f.Method + "|" + f.DateEnd + "|" + whole
	}
	kept := map[string]map[string]bool{}
	for _, h := range have {
		k := key(h.Facts)
		if kept[k] == nil {
			kept[k] = map[string]bool{}
		}
		for _, t := range h.Facts.Trees {
			kept[k][t.Tag] = true
		}
		kept[k][""] = kept[k][""] || len(h.Facts.Trees) == 0
	}
	text := func(known bool, s string) string {
		if known {
			return s
		}
		return ""
	}
	for _, r := range rows {
		mass, volume := text(r.ActiveMass.Known, r.ActiveMass.Value.Base().String()), text(r.ProductVolume.Known, r.ProductVolume.Value.Base().String())
		f := ApplicationFacts{Product: r.Product, Active: r.Active, Method: r.Method, DateEnd: r.DateEnd.String(), AreaHa: text(r.Area.Known, r.Area.Value.In("ha").String())}
		if r.Tree != "" {
			if _, there := s.trees[r.Tree]; !there {
				im.stranger(r.Tree)
				continue
			}
			f.Trees = []Treated{{r.Tree, mass, volume}}
		} else {
			f.ActiveG, f.ProductML = mass, volume
		}
		k := key(f)
		if kept[k][r.Tree] {
			im.preview.Same++
			continue
		}
		im.preview.Add++
		if g := group[k]; g != nil && r.Tree != "" {
			g.Trees = append(g.Trees, f.Trees...)
			continue
		}
		group[k] = &f
		order = append(order, k)
	}
	var changes []Change
	for _, k := range order {
		f := group[k]
		if err := f.tidy(); err != nil {
			return err
		}
		body, err := encode(f)
		if err != nil {
			return err
		}
		changes = append(changes, Change{Type: TypeApplication, Verb: Imported, Estate: s.estate, Parent: block, Sort: f.DateEnd, Version: 1, Body: body})
	}
	return im.kept(changes)
}
