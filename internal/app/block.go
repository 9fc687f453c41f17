package app

import (
	"context"
	"math"

	"sapward/finding"
	q "sapward/measure/quantity"
)

// Point is a place on the block's own grid in metres, or on the globe in
// degrees; a boundary uses one of the two throughout.
type Point struct {
	X float64 `json:"x"` // m east, or longitude
	Y float64 `json:"y"` // m north, or latitude
}

// BlockFacts are the facts of a block.
type BlockFacts struct {
	Name     string  `json:"name"`
	AreaHa   string  `json:"area_ha,omitempty"` // treated area, hectares
	Trees    int     `json:"trees,omitempty"`   // trees that stand in it, where not all are entered; 0: as entered
	Site     string  `json:"site,omitempty"`    // as cards name it: elm
	Species  string  `json:"species,omitempty"`
	Boundary []Point `json:"boundary,omitempty"`
	Globe    bool    `json:"globe,omitempty"` // the boundary is in degrees
	Note     string  `json:"note,omitempty"`
}

// Block is a block as it is kept. Its parent is the estate.
type Block = Kept[BlockFacts]

const (
	maxBoundary = 5000
	maxTrees    = 100_000_000
)

func (f *BlockFacts) tidy() error {
	var faults finding.Faults
	words(&faults, "name", &f.Name, 80)
	need(&faults, "name", f.Name)
	words(&faults, "site", &f.Site, 80)
	words(&faults, "species", &f.Species, 120)
	words(&faults, "note", &f.Note, 4000)
	tidyArea(&faults, "area", &f.AreaHa)
	if f.Trees < 0 || f.Trees > maxTrees {
		faults = append(faults, usage("block-trees-range", finding.Args{"count": finding.Count(f.Trees)}))
	}
	bad := len(f.Boundary) > maxBoundary || len(f.Boundary) == 1 || len(f.Boundary) == 2
	for _, p := range f.Boundary {
		bad = bad || math.IsNaN(p.X) || math.IsNaN(p.Y) || math.Abs(p.X) > 1e8 || math.Abs(p.Y) > 1e8 || f.Globe && (math.Abs(p.X) > 180 || math.Abs(p.Y) > 90)
	}
	if bad {
		faults = append(faults, usage("boundary-unusable", finding.Args{"most": finding.Count(maxBoundary)}))
	}
	return faults.OrNil()
}

// tidyArea reads hectares, or an area with its unit such as 3 ac.
func tidyArea(faults *finding.Faults, field string, text *string) {
	words(faults, field, text, 40)
	if *text == "" {
		return
	}
	v, fault := q.Number(*text)
	if fault != nil {
		var a q.Area
		if a, fault = q.Parse[q.AreaKind](*text); fault == nil {
			v = a.In("ha")
		}
	}
	if fault != nil || v.Sign() <= 0 || v.Float() > 1e6 {
		*faults = append(*faults, usage("field-number", finding.Args{"field_by": finding.Text("field-" + field), "text": finding.Text(*text), "example": finding.Text("1.2")}))
		return
	}
	*text = v.String()
}

// BlockLine is one block of a list.
type BlockLine struct {
	Block
	Count BlockCount
}

// BlockView is a block with what pages show of it.
type BlockView struct {
	Block
	Estate Estate
	Role   Role
	Count  BlockCount
	Plans  []PlanLine
	Cards  []CardLine // cards that serve the block's site
}

func (a *App) blockLines(ctx context.Context, estate string) ([]BlockLine, error) {
	blocks, err := list[BlockFacts](ctx, a.Store, Query{Type: TypeBlock, Parent: estate})
	if err != nil {
		return nil, err
	}
	ids := make([]string, len(blocks))
	for i, b := range blocks {
		ids[i] = b.ID
	}
	counts, err := a.Store.BlockCounts(ctx, ids)
	if err != nil {
		return nil, err
	}
	out := make([]BlockLine, len(blocks))
	for i, b := range blocks {
		out[i] = BlockLine{b, counts[b.ID]}
	}
	return out, nil
}

// Block returns a block.
func (a *App) Block(ctx context.Context, actor Actor, id string) (BlockView, error) {
	var v BlockView
	if err := a.mayOn(ctx, actor, "Block", TypeBlock, id); err != nil {
		return v, err
	}
	var err error
	if v.Block, err = get[BlockFacts](ctx, a.Store, TypeBlock, id); err != nil {
		return v, err
	}
	if v.Estate, err = get[EstateFacts](ctx, a.Store, TypeEstate, v.Parent); err != nil {
		return v, err
	}
	if v.Role, err = a.role(ctx, a.Store, actor, v.Parent); err != nil {
		return v, err
	}
	counts, err := a.Store.BlockCounts(ctx, []string{id})
	if err != nil {
		return v, err
	}
	v.Count = counts[id]
	if v.Plans, err = a.plans(ctx, id); err != nil {
		return v, err
	}
	cards, err := a.cards(ctx, false)
	if err != nil {
		return v, err
	}
	for _, c := range cards {
		if c.serves(v.Facts.Site) {
			v.Cards = append(v.Cards, c)
		}
	}
	return v, nil
}

// AddBlock keeps a new block of an estate.
func (a *App) AddBlock(ctx context.Context, actor Actor, estate string, f BlockFacts) (Block, error) {
	if err := a.mayOn(ctx, actor, "AddBlock", TypeEstate, estate); err != nil {
		return Block{}, err
	}
	if err := f.tidy(); err != nil {
		return Block{}, err
	}
	return add(ctx, a, actor, Change{Type: TypeBlock, Estate: estate, Parent: estate, Sort: SortKey(f.Name)}, f)
}

// ChangeBlock keeps new facts of a block.
func (a *App) ChangeBlock(ctx context.Context, actor Actor, id string, version int, f BlockFacts, reason string) (Block, error) {
	if err := a.mayOn(ctx, actor, "ChangeBlock", TypeBlock, id); err != nil {
		return Block{}, err
	}
	if err := f.tidy(); err != nil {
		return Block{}, err
	}
	return change(ctx, a, actor, TypeBlock, Changed, id, version, SortKey(f.Name), reason, f)
}

// RetireBlock takes a block out of the lists; its facts stay.
func (a *App) RetireBlock(ctx context.Context, actor Actor, id string, version int, reason string) (Stamp, error) {
	if err := a.mayOn(ctx, actor, "RetireBlock", TypeBlock, id); err != nil {
		return Stamp{}, err
	}
	return a.retire(ctx, actor, TypeBlock, id, version, reason)
}

// RestoreBlock brings a retired block back.
func (a *App) RestoreBlock(ctx context.Context, actor Actor, id string, version int) (Stamp, error) {
	if err := a.mayOn(ctx, actor, "RestoreBlock", TypeBlock, id); err != nil {
		return Stamp{}, err
	}
	return a.turn(ctx, actor, TypeBlock, Restored, id, version, "")
}
