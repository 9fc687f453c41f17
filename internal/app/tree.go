package app

import (
	"context"

	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
)

// Tree is a tree as it is kept. Its parent is the block.
type Tree = Kept[TreeFacts]

// WoundFacts are an old port or other hole: where it really is, how deep, and
// which planned port it was, if any.
type WoundFacts struct {
	Stem       string  `json:"stem,omitempty"`
	AzimuthDeg float64 `json:"azimuth_deg"`
	HeightCM   string  `json:"height_cm"`
	DepthMM    string  `json:"depth_mm,omitempty"`
	HoleMM     string  `json:"hole_mm"`
	Year       int     `json:"year"`
	On         string  `json:"on,omitempty"` // day it was made
	Closed     bool    `json:"closed,omitempty"`
	ClosedOn   string  `json:"closed_on,omitempty"` // day it was seen closed
	Plan       string  `json:"plan,omitempty"`      // plan and port it was planned by
	Port       int     `json:"port,omitempty"`
	Note       string  `json:"note,omitempty"`
}

// Wound is a wound as it is kept. Its parent is the tree.
type Wound = Kept[WoundFacts]

func (f *WoundFacts) tidy() error {
	var faults finding.Faults
	words(&faults, "stem", &f.Stem, maxTag)
	words(&faults, "note", &f.Note, 2000)
	azimuth(&faults, "azimuth", f.AzimuthDeg, false)
	figure(&faults, "height", &f.HeightCM, "cm", -100, 13_000)
	need(&faults, "height", f.HeightCM)
	figure(&faults, "depth", &f.DepthMM, "mm", 0, 1000)
	figure(&faults, "hole", &f.HoleMM, "mm", 0, 500)
	need(&faults, "hole", f.HoleMM)
	day(&faults, "made-on", &f.On)
	day(&faults, "closed-on", &f.ClosedOn)
	if f.ClosedOn != "" {
		f.Closed = true
	}
	if f.Year == 0 && len(f.On) >= 4 {
		for _, c := range f.On[:4] {
			f.Year = 10*f.Year + int(c-'0')
		}
	}
	if f.Year < 1900 || f.Year > 2200 {
		faults = append(faults, usage("field-year", nil))
	}
	return faults.OrNil()
}

func (f WoundFacts) wound(tag string) tree.Wound {
	return tree.Wound{Tree: tag, Stem: f.Stem, AzimuthDeg: f.AzimuthDeg, Height: lengthOf(f.HeightCM, "cm").Value, Year: f.Year, Closed: f.Closed, Hole: lengthOf(f.HoleMM, "mm").Value}
}

func woundFacts(w tree.Wound) WoundFacts {
	return WoundFacts{Stem: w.Stem, AzimuthDeg: w.AzimuthDeg, HeightCM: w.Height.Base().String(), HoleMM: textOf(q.Known(w.Hole), "mm"), Year: w.Year, Closed: w.Closed}
}

// TreePage is a page of a block's trees. Next is the key to ask the next page
// with; the zero Key ends the list.
type TreePage struct {
	Trees []Tree
	Next  Key
}

// TreeView is a tree with what pages show of it.
type TreeView struct {
	Tree
	Block        Block
	Estate       Estate
	Role         Role
	Wounds       []Wound // retired ones left out
	Readings     []Reading
	Applications []Application // that name this tree or its whole block
	History      []Event       // newest first, of the tree and its wounds
	Attachments  []Attachment
}

// Trees returns a page of a block's trees by tag.
func (a *App) Trees(ctx context.Context, actor Actor, query TreeQuery) (TreePage, error) {
	if err := a.mayOn(ctx, actor, "Trees", TypeBlock, query.Block); err != nil {
		return TreePage{}, err
	}
	if query.Limit <= 0 || query.Limit > 1000 {
		query.Limit = 100
	}
	states, err := a.Store.Trees(ctx, query)
	if err != nil {
		return TreePage{}, err
	}
	var page TreePage
	for _, s := range states {
		t, err := kept[TreeFacts](s)
		if err != nil {
			return page, err
		}
		page.Trees = append(page.Trees, t)
	}
	if len(states) == query.Limit {
		last := states[len(states)-1]
		page.Next = Key{last.Sort, last.ID}
	}
	return page, nil
}

// Places returns where the trees of a block stand, for its map. What it returns
// must not be changed: others are given the same.
func (a *App) Places(ctx context.Context, actor Actor, block string) ([]Place, error) {
	if err := a.mayOn(ctx, actor, "Places", TypeBlock, block); err != nil {
		return nil, err
	}
	places, _, err := a.places(ctx, block)
	return places, err
}

// Tree returns a tree with its wounds, readings and history.
func (a *App) Tree(ctx context.Context, actor Actor, id string) (TreeView, error) {
	var v TreeView
	if err := a.mayOn(ctx, actor, "Tree", TypeTree, id); err != nil {
		return v, err
	}
	var err error
	if v.Tree, err = get[TreeFacts](ctx, a.Store, TypeTree, id); err != nil {
		return v, err
	}
	if v.Block, err = get[BlockFacts](ctx, a.Store, TypeBlock, v.Parent); err != nil {
		return v, err
	}
	if v.Estate, err = get[EstateFacts](ctx, a.Store, TypeEstate, v.Block.Parent); err != nil {
		return v, err
	}
	if v.Role, err = a.role(ctx, a.Store, actor, v.Block.Parent); err != nil {
		return v, err
	}
	if v.Wounds, err = list[WoundFacts](ctx, a.Store, Query{Type: TypeWound, Parent: id}); err != nil {
		return v, err
	}
	if v.Readings, err = a.Store.Readings(ctx, id); err != nil {
		return v, err
	}
	apps, err := list[ApplicationFacts](ctx, a.Store, Query{Type: TypeApplication, Parent: v.Parent})
	if err != nil {
		return v, err
	}
	for _, x := range apps {
		if x.Facts.covers(v.Facts.Tag) {
			v.Applications = append(v.Applications, x)
		}
	}
	if v.History, err = a.Store.Events(ctx, EventQuery{Entity: id, Limit: 200}); err != nil {
		return v, err
	}
	v.Attachments, err = list[AttachmentFacts](ctx, a.Store, Query{Type: TypeAttachment, Parent: id})
	return v, err
}

// AddTree keeps a new tree of a block. A tag stands once in a block.
func (a *App) AddTree(ctx context.Context, actor Actor, block string, f TreeFacts) (Tree, error) {
	if err := a.mayOn(ctx, actor, "AddTree", TypeBlock, block); err != nil {
		return Tree{}, err
	}
	if err := f.tidy(); err != nil {
		return Tree{}, err
	}
	estate, err := a.estateOf(ctx, TypeBlock, block)
	if err != nil {
		return Tree{}, err
	}
	return add(ctx, a, actor, Change{Type: TypeTree, Estate: estate, Parent: block, Sort: SortKey(f.Tag)}, f)
}

// ChangeTree keeps new facts of a tree.
func (a *App) ChangeTree(ctx context.Context, actor Actor, id string, version int, f TreeFacts, reason string) (Tree, error) {
	if err := a.mayOn(ctx, actor, "ChangeTree", TypeTree, id); err != nil {
		return Tree{}, err
	}
	if err := f.tidy(); err != nil {
		return Tree{}, err
	}
	return change(ctx, a, actor, TypeTree, Changed, id, version, SortKey(f.Tag), reason, f)
}

// MeasureTree keeps new tape readings of a tree's stems: a stem of the same
// name gets the new reading, a new name is a further stem. Earlier readings
// stay in its history.
func (a *App) MeasureTree(ctx context.Context, actor Actor, id string, version int, stems []StemFacts, reason string) (Tree, error) {
	return a.amendTree(ctx, actor, "MeasureTree", Measured, id, version, reason, func(f *TreeFacts) {
		for _, s := range stems {
			at := -1
			for i := range f.Stems {
				if f.Stems[i].Name == s.Name {
					at = i
				}
			}
			if at < 0 {
				f.Stems = append(f.Stems, s)
				continue
			}
			// What a new reading does not say again stays as it was gauged.
			if s.BarkMM == "" {
				s.BarkMM = f.Stems[at].BarkMM
			}
			if s.FlareGirthCM == "" {
				s.FlareGirthCM = f.Stems[at].FlareGirthCM
			}
			f.Stems[at] = s
		}
	})
}

// RateTree keeps how a tree was seen: status and crown loss on a day.
func (a *App) RateTree(ctx context.Context, actor Actor, id string, version int, status, crownLossPct, on string) (Tree, error) {
	return a.amendTree(ctx, actor, "RateTree", Rated, id, version, "", func(f *TreeFacts) {
		f.Status, f.CrownLossPct, f.RatedOn = status, crownLossPct, on
	})
}

func (a *App) amendTree(ctx context.Context, actor Actor, method, verb, id string, version int, reason string, amend func(*TreeFacts)) (Tree, error) {
	if err := a.mayOn(ctx, actor, method, TypeTree, id); err != nil {
		return Tree{}, err
	}
	t, err := get[TreeFacts](ctx, a.Store, TypeTree, id)
	if err != nil {
		return t, err
	}
	f := t.Facts
	f.Stems = append([]StemFacts{}, f.Stems...)
	amend(&f)
	if err := f.tidy(); err != nil {
		return t, err
	}
	return change(ctx, a, actor, TypeTree, verb, id, version, "", reason, f)
}

// RetireTree takes a tree out of use: felled, or entered by mistake.
func (a *App) RetireTree(ctx context.Context, actor Actor, id string, version int, reason string) (Stamp, error) {
	if err := a.mayOn(ctx, actor, "RetireTree", TypeTree, id); err != nil {
		return Stamp{}, err
	}
	return a.retire(ctx, actor, TypeTree, id, version, reason)
}

// RestoreTree brings a retired tree back.
func (a *App) RestoreTree(ctx context.Context, actor Actor, id string, version int) (Stamp, error) {
	if err := a.mayOn(ctx, actor, "RestoreTree", TypeTree, id); err != nil {
		return Stamp{}, err
	}
	return a.turn(ctx, actor, TypeTree, Restored, id, version, "")
}

// AddWound keeps a wound of a tree.
func (a *App) AddWound(ctx context.Context, actor Actor, treeID string, f WoundFacts) (Wound, error) {
	if err := a.mayOn(ctx, actor, "AddWound", TypeTree, treeID); err != nil {
		return Wound{}, err
	}
	if err := f.tidy(); err != nil {
		return Wound{}, err
	}
	estate, err := a.estateOf(ctx, TypeTree, treeID)
	if err != nil {
		return Wound{}, err
	}
	return add(ctx, a, actor, Change{Type: TypeWound, Estate: estate, Parent: treeID, Sort: woundSort(f)}, f)
}

func woundSort(f WoundFacts) string {
	return SortKey(f.On + " " + f.Stem)
}

// ChangeWound keeps new facts of a wound, such as that it has closed.
func (a *App) ChangeWound(ctx context.Context, actor Actor, id string, version int, f WoundFacts, reason string) (Wound, error) {
	if err := a.mayOn(ctx, actor, "ChangeWound", TypeWound, id); err != nil {
		return Wound{}, err
	}
	if err := f.tidy(); err != nil {
		return Wound{}, err
	}
	return change(ctx, a, actor, TypeWound, Changed, id, version, woundSort(f), reason, f)
}

// RetireWound takes a wound out of use: entered by mistake.
func (a *App) RetireWound(ctx context.Context, actor Actor, id string, version int, reason string) (Stamp, error) {
	if err := a.mayOn(ctx, actor, "RetireWound", TypeWound, id); err != nil {
		return Stamp{}, err
	}
	return a.retire(ctx, actor, TypeWound, id, version, reason)
}
