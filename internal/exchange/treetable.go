package exchange

import (
	"hash/maphash"

	"sapward/finding"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
	"sapward/numeric/exact"
)

// Columns of a table of trees.
const (
	treeTag Col = iota
	treeStem
	treeDiameter
	treeGirth
	treeSpecies
	treeWood
	treeAge
	treeHeight
	treeCrown
	treeCrownLoss
	treeStatus
	treeBearing
	treeLat
	treeLon
	treeX
	treeY
	treeMeasuredAt
	treeBark
	treeFlare
)

// treeSpec is the table TREES of the design: a tag and a tape reading are
// required, all else is optional. Spanish names and common short forms (DBH,
// DAP) are common practice, no source.
var treeSpec = Spec{
	What: "trees",
	Columns: []Column{
		treeTag: {Name: "tree", Need: true, Also: []string{"tag", "tree_id", "tree_no", "tree_number", "tree_tag", "treeid", "tree_nr", "tag_no", "tag_number", "id",
			"arbol", "n_arbol", "no_arbol", "id_arbol", "arbol_id", "arbol_no", "numero_de_arbol", "etiqueta"}},
		treeStem: {Name: "stem", Also: []string{"stem_no", "stem_id", "stem_number", "trunk", "tallo", "tronco", "fuste"}},
		treeDiameter: {Name: "diameter", Kind: Length, Unit: "cm", Also: []string{"dbh", "diam", "dia", "trunk_diameter", "stem_diameter", "diameter_at_breast_height", "diametro",
			"dap", "diametro_del_tronco", "diametro_tronco"}},
		treeGirth: {Name: "girth", Kind: Length, Unit: "cm", Also: []string{"circumference", "circ", "gbh", "cbh", "trunk_girth", "trunk_circumference", "circunferencia",
			"perimetro", "perimetro_del_tronco", "cap"}},
		treeSpecies:   {Name: "species", Also: []string{"sp", "tree_species", "especie"}},
		treeWood:      {Name: "wood", Also: []string{"wood_type", "wood_group", "madera", "tipo_de_madera"}},
		treeAge:       {Name: "age_class", Also: []string{"age", "clase_de_edad", "edad"}},
		treeHeight:    {Name: "height", Kind: Length, Unit: "m", Also: []string{"tree_height", "ht", "altura", "alto"}},
		treeCrown:     {Name: "crown", Kind: Length, Unit: "m", Also: []string{"crown_diameter", "crown_spread", "crown_width", "canopy", "canopy_diameter", "copa", "diametro_de_copa"}},
		treeCrownLoss: {Name: "rating_pct", Also: []string{"crown_loss_pct", "rating", "crown_loss", "perdida_de_copa", "perdida_de_copa_pct"}},
		treeStatus:    {Name: "status", Also: []string{"health", "health_status", "estado", "sanidad"}},
		treeBearing:   {Name: "bearing", Also: []string{"bears_fruit", "fruiting", "en_produccion", "con_fruta"}},
		treeLat:       {Name: "lat", Also: []string{"latitude", "latitud"}},
		treeLon:       {Name: "lon", Also: []string{"lng", "long", "longitude", "longitud"}},
		treeX:         {Name: "x", Kind: Length, Unit: "m", Also: []string{"easting", "este"}},
		treeY:         {Name: "y", Kind: Length, Unit: "m", Also: []string{"northing", "norte"}},
		treeMeasuredAt: {Name: "measured_at", Kind: Length, Unit: "m", Also: []string{"measuring_height", "measurement_height", "tape_height", "medido_a",
			"altura_de_medicion"}},
		treeBark:  {Name: "bark", Kind: Length, Unit: "mm", Also: []string{"bark_thickness", "corteza", "espesor_de_corteza"}},
		treeFlare: {Name: "flare_girth", Kind: Length, Unit: "cm", Also: []string{"girth_at_flare", "flare_circumference", "root_flare_girth", "perimetro_de_la_base"}},
	},
	OneOf: [][]int{{treeDiameter, treeGirth}},
}

// Words of the status and wood columns, plain forms, English and Spanish.
var (
	statusWords = map[string]tree.Status{
		"healthy": tree.Healthy, "sano": tree.Healthy, "sana": tree.Healthy,
		"suspect": tree.Suspect, "sospechoso": tree.Suspect, "sospechosa": tree.Suspect,
		"symptomatic": tree.Symptomatic, "sintomatico": tree.Symptomatic, "sintomatica": tree.Symptomatic, "con_sintomas": tree.Symptomatic,
		"dead": tree.Dead, "muerto": tree.Dead, "muerta": tree.Dead,
	}
	woodWords = map[string]tree.Wood{
		"ring_porous": tree.RingPorous, "anillo_poroso": tree.RingPorous, "porosidad_anular": tree.RingPorous,
		"diffuse_porous": tree.DiffusePorous, "poroso_difuso": tree.DiffusePorous, "porosidad_difusa": tree.DiffusePorous,
		"conifer": tree.Conifer, "conifera": tree.Conifer,
		"palm": tree.Palm, "palma": tree.Palm, "palmera": tree.Palm,
	}
)

// Bounds of belief for a tree's other measures; outside them a reading is a
// typing error. Common practice, no source: the tallest trees known are near
// 116 m and the widest crowns near 60 m (from memory).
const (
	maxHeightCM     = 13_000
	maxCrownCM      = 8_000
	maxBarkCM       = 20
	maxMeasuredAtCM = 1_000
	maxFlareCM      = 2_600
	maxGridCM       = 1e10 // 100,000 km: projected grids count from far away
)

// Girths that are certainly a trunk of 1 to 400 cm diameter, so that the exact
// bounds of pi are asked only at the edges.
const surelyThick, surelyThin = 3.2, 1256.0

// treeBuilder makes trees of rows. Tags of one block share one string, stems
// and trees one slice each.
type treeBuilder struct {
	checkOnly bool // values are checked and only the tags kept
	untaped   bool // a trunk may be without a reading
	bare      int  // trunks that are
	trees     []tree.Tree
	stems     []tree.Stem
	one       tree.Tree // scratch of a row that is only checked
	oneStem   tree.Stem
	tags      []byte
	ends      []int // end of each tree's tag in tags
	lines     []int
	hashes    []uint64
	names     []string // stem names, if there is a column of stems
	fractions bool     // a crown loss above 0 and not above 1
	percents  bool     // a crown loss above 1
}

// treeBlock is what one block of the file held.
type treeBlock struct {
	trees     []tree.Tree // nil when only checked
	tags      string
	ends      []int
	lines     []int
	hashes    []uint64 // of tag, or of tag and stem
	names     []string
	fractions bool
	percents  bool
	bare      int
}

// tag returns the tag of row i of the block.
func (b *treeBlock) tag(i int) string {
	from := 0
	if i > 0 {
		from = b.ends[i-1]
	}
	return b.tags[from:b.ends[i]]
}

func (b *treeBuilder) row(r *Row) {
	tag, ok := r.label(treeTag, MaxTag)
	if !ok {
		tag = nil
	}
	b.tags = append(b.tags, tag...)
	b.ends = append(b.ends, len(b.tags))
	b.lines = append(b.lines, r.Line)
	if r.at[treeStem] >= 0 {
		b.checkOnly = false // facts of one tree are compared across its rows
		name := r.Tag(treeStem)
		b.names = append(b.names, name)
		b.hashes = append(b.hashes, maphash.Bytes(rollSeed, tag)*3+maphash.String(rollSeed, name))
	} else {
		b.hashes = append(b.hashes, maphash.Bytes(rollSeed, tag))
	}
	r.skim = b.checkOnly
	t, stem := &b.one, &b.oneStem
	if b.checkOnly {
		*t, *stem = tree.Tree{}, tree.Stem{}
	} else {
		b.trees, b.stems = append(b.trees, tree.Tree{}), append(b.stems, tree.Stem{})
		t, stem = &b.trees[len(b.trees)-1], &b.stems[len(b.stems)-1]
	}
	b.stem(r, stem)
	b.fill(r, t)
}

// fill reads what is said of the tree as a whole.
func (b *treeBuilder) fill(r *Row, t *tree.Tree) {
	t.Row, t.Species, t.AgeClass = r.Line, r.Text(treeSpecies), r.Text(treeAge)
	t.Height, t.Crown = length(r, treeHeight, maxHeightCM), length(r, treeCrown, maxCrownCM)
	t.Wood, _ = Choice(r, treeWood, woodWords)
	t.Status, _ = Choice(r, treeStatus, statusWords)
	t.Bearing.Value, t.Bearing.Known = r.YesNo(treeBearing)
	t.Lat.Value, t.Lat.Known = r.Float(treeLat, -90, 90)
	t.Lon.Value, t.Lon.Known = r.Float(treeLon, -180, 180)
	t.X, t.Y = grid(r, treeX), grid(r, treeY)
	if t.Lat.Known != t.Lon.Known && r.Has(treeLat) != r.Has(treeLon) {
		r.Fault(-1, "place-half", finding.Args{"names": finding.Text("lat, lon")})
	}
	if t.X.Known != t.Y.Known && r.Has(treeX) != r.Has(treeY) {
		r.Fault(-1, "place-half", finding.Args{"names": finding.Text("x, y")})
	}
	if x, ok := r.Float(treeCrownLoss, 0, 100); ok {
		b.percents, b.fractions = b.percents || x > 1, b.fractions || x > 0 && x <= 1
		v, _ := r.Decimal(treeCrownLoss)
		t.CrownLoss = q.Known(q.Of[q.PercentKind](v))
	}
}

// stem reads the tape reading and what belongs to the stem.
func (b *treeBuilder) stem(r *Row, s *tree.Stem) {
	hasD, hasG := r.Has(treeDiameter), r.Has(treeGirth)
	switch {
	case hasD && hasG:
		r.Fault(treeGirth, "reading-twice", finding.Args{"other": finding.Text(r.names[r.at[treeDiameter]])})
	case hasD:
		if r.skim && r.surely(treeDiameter, 1.001, 399.9) {
			break
		}
		if v, ok := r.Decimal(treeDiameter); ok {
			d := q.Cm(v.Mul(r.size[treeDiameter]))
			if d.Less(tree.MinDiameter) || tree.MaxDiameter.Less(d) {
				r.Fault(treeDiameter, "diameter-range", rangeArgs(d.Float()))
			} else if !b.checkOnly {
				*s = tree.FromDiameter(d)
			}
		}
	case hasG:
		if r.skim && r.surely(treeGirth, surelyThick, surelyThin) {
			break
		}
		if v, ok := r.Decimal(treeGirth); ok {
			g := q.Cm(v.Mul(r.size[treeGirth]))
			x := g.Float()
			sure := x > surelyThick && x < surelyThin
			if x <= 0 || !sure && outside(tree.FromGirth(g).Diameter) {
				r.Fault(treeGirth, "girth-range", rangeArgs(x/3.141592653589793))
			} else if !b.checkOnly {
				*s = tree.FromGirth(g)
			}
		}
	case b.untaped:
		b.bare++
	default:
		c := treeDiameter
		if r.at[c] < 0 {
			c = treeGirth
		}
		r.Fault(c, "reading-missing", nil)
	}
	s.MeasuredAt = length(r, treeMeasuredAt, maxMeasuredAtCM)
	if v, ok := r.sized(treeBark, 0, maxBarkCM, false, "cm"); ok {
		s.Bark = q.Known(q.Cm(v))
	}
	s.Flare = length(r, treeFlare, maxFlareCM)
}

// surely reports that a plain number lies between low and high centimetres,
// both far enough inside the bounds that no rounding matters.
func (r *Row) surely(c Col, low, high float64) bool {
	n, d, ok := r.small(c)
	x := float64(n) / float64(d) * r.size[c].Float()
	return ok && x > low && x < high
}

// outside reports that no diameter in the span is a believable trunk's.
func outside(d q.LengthSpan) bool {
	return d.High.Less(tree.MinDiameter) || tree.MaxDiameter.Less(d.Low)
}

func rangeArgs(cm float64) finding.Args {
	return finding.Args{"value": finding.Number(cm, "cm"), "low": finding.Number(tree.MinDiameter.Float(), "cm"), "high": finding.Number(tree.MaxDiameter.Float(), "cm")}
}

// length reads an optional length.
func length(r *Row, c Col, high float64) q.Opt[q.Length] {
	if r.at[c] < 0 {
		return q.Opt[q.Length]{}
	}
	v, ok := r.LengthCm(c, high)
	if !ok {
		return q.Opt[q.Length]{}
	}
	return q.Known(v)
}

// grid reads a coordinate of the local grid in metres.
func grid(r *Row, c Col) q.Opt[float64] {
	if r.at[c] < 0 {
		return q.Opt[float64]{}
	}
	if r.unit[c] == "m" {
		x, ok := r.Float(c, -maxGridCM/100, maxGridCM/100)
		return q.Opt[float64]{Value: x, Known: ok}
	}
	v, ok := r.sized(c, -maxGridCM, maxGridCM, false, "cm")
	return q.Opt[float64]{Value: v.Quo(exact.Int(100)).Float(), Known: ok}
}

func (b *treeBuilder) take() treeBlock {
	out := treeBlock{tags: string(b.tags), ends: b.ends, lines: b.lines, hashes: b.hashes, names: b.names, trees: b.trees, fractions: b.fractions, percents: b.percents, bare: b.bare}
	for i := range out.trees {
		out.trees[i].Tag = out.tag(i)
		if b.names != nil {
			b.stems[i].Name = b.names[i]
		}
		out.trees[i].Stems = b.stems[i : i+1 : i+1]
	}
	n := len(b.ends)
	*b = treeBuilder{checkOnly: b.checkOnly, untaped: b.untaped, tags: b.tags[:0], ends: make([]int, 0, n), lines: make([]int, 0, n), hashes: make([]uint64, 0, n)}
	if out.trees != nil {
		b.trees, b.stems = make([]tree.Tree, 0, n+n/16), make([]tree.Stem, 0, n+n/16)
	}
	return out
}
