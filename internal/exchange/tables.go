package exchange

import (
	"io"

	"sapward/finding"
	"sapward/measure/civil"
	q "sapward/measure/quantity"
	"sapward/measure/tree"
)

// ReadTable reads a table from a stream, CSV or XLSX, calling build on every
// row. With any fault it returns no rows. build may be called on several
// goroutines at once, each with its own Row, and must keep nothing between
// calls; the result has the order of the file.
func ReadTable[T any](r io.Reader, name string, spec *Spec, build func(*Row) T) ([]T, Summary, error) {
	src, err := openStream(r, name)
	if err != nil {
		return nil, Summary{File: name}, finding.AsFaults(err)
	}
	return readAll(src, spec, build)
}

// ReadTableFile is ReadTable on a file.
func ReadTableFile[T any](path string, spec *Spec, build func(*Row) T) ([]T, Summary, error) {
	src, err := openPath(path)
	if err != nil {
		return nil, Summary{File: path}, finding.AsFaults(err)
	}
	return readAll(src, spec, build)
}

// list is the builder of a plain table.
type list[T any] struct {
	build func(*Row) T
	rows  []T
}

func (l *list[T]) row(r *Row) { l.rows = append(l.rows, l.build(r)) }

func (l *list[T]) take() []T {
	out := l.rows
	l.rows = nil
	return out
}

func readAll[T any](src *source, spec *Spec, build func(*Row) T) ([]T, Summary, error) {
	var all []T
	sum, err := run(src, spec, func() builder[[]T] { return &list[T]{build: build} }, func(rows []T, faults *collector) error {
		all = append(all, rows...)
		return nil
	})
	if err != nil {
		return nil, sum, err
	}
	return all, sum, nil
}

// tagColumn is the column that names the tree in every other table.
func tagColumn(need bool) Column {
	return Column{Name: "tree", Need: need, Also: treeSpec.Columns[treeTag].Also}
}

var (
	stemColumn    = Column{Name: "stem", Also: treeSpec.Columns[treeStem].Also}
	azimuthColumn = Column{Name: "azimuth_deg", Need: true, Also: []string{"azimuth", "bearing_deg", "direction_deg", "azimut", "azimut_grados", "rumbo"}}
)

// Columns of WOUNDS.
const (
	woundTree Col = iota
	woundStem
	woundAzimuth
	woundHeight
	woundYear
	woundClosed
	woundHole
)

var woundSpec = Spec{What: "wounds", Columns: []Column{
	woundTree: tagColumn(true), woundStem: stemColumn, woundAzimuth: azimuthColumn,
	woundHeight: {Name: "height", Kind: Length, Unit: "cm", Need: true, Also: []string{"altura"}},
	woundYear:   {Name: "year", Need: true, Also: []string{"season", "ano"}},
	woundClosed: {Name: "closed", Also: []string{"cerrada", "cerrado"}},
	woundHole:   {Name: "hole", Kind: Length, Unit: "mm", Need: true, Also: []string{"hole_diameter", "agujero", "orificio"}},
}}

// ReadWounds reads old ports and other holes: tree, azimuth_deg, height_cm,
// year and hole_mm; closed and stem are optional. A wound that is not said to
// be closed counts as open, the side on which more room is kept.
func ReadWounds(r io.Reader, name string) ([]tree.Wound, Summary, error) {
	return ReadTable(r, name, &woundSpec, wound)
}

// ReadWoundsFile is ReadWounds on a file.
func ReadWoundsFile(path string) ([]tree.Wound, Summary, error) {
	return ReadTableFile(path, &woundSpec, wound)
}

func wound(r *Row) tree.Wound {
	w := tree.Wound{Tree: r.Tag(woundTree), Stem: r.Tag(woundStem), Row: r.Line}
	w.AzimuthDeg, _ = r.Azimuth(woundAzimuth)
	if v, ok := r.sized(woundHeight, -100, maxHeightCM, false, "cm"); ok {
		w.Height = q.Cm(v)
	}
	w.Year, _ = r.Int(woundYear, 1900, 2200)
	w.Closed, _ = r.YesNo(woundClosed)
	w.Hole, _ = r.LengthCm(woundHole, 50)
	return w
}

// Columns of LIMBS.
const (
	limbTree Col = iota
	limbName
	limbAzimuth
	limbHeight
	limbDiameter
)

var limbSpec = Spec{What: "limbs", Columns: []Column{
	limbTree: tagColumn(true), limbName: {Name: "limb", Need: true, Also: []string{"limb_no", "branch", "rama"}}, limbAzimuth: azimuthColumn,
	limbHeight:   {Name: "height", Kind: Length, Unit: "m", Need: true, Also: []string{"altura"}},
	limbDiameter: {Name: "diameter", Kind: Length, Unit: "cm", Need: true, Also: []string{"diam", "diametro"}},
}}

// ReadLimbs reads limbs: tree, limb, azimuth_deg, height_m and diameter_cm. A
// limb of one tree given twice is a fault.
func ReadLimbs(r io.Reader, name string) ([]tree.Limb, Summary, error) {
	limbs, sum, err := ReadTable(r, name, &limbSpec, limb)
	return uniqueLimbs(limbs, sum, err)
}

// ReadLimbsFile is ReadLimbs on a file.
func ReadLimbsFile(path string) ([]tree.Limb, Summary, error) {
	limbs, sum, err := ReadTableFile(path, &limbSpec, limb)
	return uniqueLimbs(limbs, sum, err)
}

func limb(r *Row) tree.Limb {
	l := tree.Limb{Tree: r.Tag(limbTree), Name: r.Tag(limbName), Row: r.Line}
	l.AzimuthDeg, _ = r.Azimuth(limbAzimuth)
	l.Height, _ = r.LengthCm(limbHeight, maxHeightCM)
	d, ok := r.LengthCm(limbDiameter, 1e9)
	if ok && (d.Less(tree.MinDiameter) || tree.MaxDiameter.Less(d)) {
		r.Fault(limbDiameter, "diameter-range", rangeArgs(d.Float()))
	}
	l.Diameter = d
	return l
}

func uniqueLimbs(limbs []tree.Limb, sum Summary, err error) ([]tree.Limb, Summary, error) {
	if err != nil {
		return nil, sum, err
	}
	var faults collector
	lines := map[[2]string]int{}
	for _, l := range limbs {
		key := [2]string{l.Tree, l.Name}
		if first, ok := lines[key]; ok {
			faults.add(finding.Bad("limb-twice", finding.Where{File: sum.File, Line: l.Row}, finding.Args{
				"tree": finding.Text(l.Tree), "limb": finding.Text(l.Name), "line": finding.Count(first)}))
			continue
		}
		lines[key] = l.Row
	}
	if err := faults.err(sum.File); err != nil {
		return nil, sum, err
	}
	return limbs, sum, nil
}

// Columns of OBSTACLES.
const (
	obstacleTree Col = iota
	obstacleStem
	obstacleFrom
	obstacleTo
	obstacleKind
)

var obstacleSpec = Spec{What: "obstacles", Columns: []Column{
	obstacleTree: tagColumn(true), obstacleStem: stemColumn,
	obstacleFrom: {Name: "from_deg", Need: true, Also: []string{"from", "start_deg", "desde", "desde_grados"}},
	obstacleTo:   {Name: "to_deg", Need: true, Also: []string{"to", "end_deg", "hasta", "hasta_grados"}},
	obstacleKind: {Name: "kind", Need: true, Also: []string{"type", "obstacle", "tipo", "obstaculo"}},
}}

// ReadObstacles reads arcs where no port may go: tree, from_deg, to_deg and
// kind; stem is optional. An arc runs clockwise from from_deg to to_deg, through
// north where from_deg is the larger; 0 to 360 is all round.
func ReadObstacles(r io.Reader, name string) ([]tree.Obstacle, Summary, error) {
	return ReadTable(r, name, &obstacleSpec, obstacle)
}

// ReadObstaclesFile is ReadObstacles on a file.
func ReadObstaclesFile(path string) ([]tree.Obstacle, Summary, error) {
	return ReadTableFile(path, &obstacleSpec, obstacle)
}

func obstacle(r *Row) tree.Obstacle {
	o := tree.Obstacle{Tree: r.Tag(obstacleTree), Stem: r.Tag(obstacleStem), Kind: r.Text(obstacleKind), Row: r.Line}
	var okFrom, okTo bool
	o.FromDeg, okFrom = r.Azimuth(obstacleFrom)
	o.ToDeg, okTo = r.Float(obstacleTo, 0, 360)
	if okFrom && okTo && o.FromDeg == o.ToDeg {
		r.Fault(obstacleTo, "arc-empty", nil)
	}
	return o
}

// Columns of HISTORY.
const (
	historyTree Col = iota
	historyProduct
	historyActive
	historyMass
	historyVolume
	historyDate
	historyBlock
	historyArea
	historyMethod
)

var historySpec = Spec{What: "history", Columns: []Column{
	historyTree:    tagColumn(false),
	historyProduct: {Name: "product", Need: true, Also: []string{"producto"}},
	historyActive:  {Name: "active", Also: []string{"active_ingredient", "activo", "ingrediente_activo", "materia_activa"}},
	historyMass:    {Name: "active", Kind: Mass, Unit: "g", Also: []string{"active_ingredient", "activo", "ingrediente_activo"}},
	historyVolume:  {Name: "product", Kind: Volume, Unit: "ml", Also: []string{"producto"}},
	historyDate:    {Name: "date_end", Need: true, Also: []string{"date", "end_date", "fecha", "fecha_fin"}},
	historyBlock:   {Name: "block", Also: []string{"lote", "bloque", "parcela"}},
	historyArea:    {Name: "area", Kind: Area, Unit: "ha", Also: []string{"superficie"}},
	historyMethod:  {Name: "method", Also: []string{"metodo"}},
}, OneOf: [][]int{{historyTree, historyBlock}}}

// maxMassG and maxVolumeML are 10 t and 1,000 m3: more in one treatment is a
// typing error (common practice, no source).
const (
	maxMassG    = 1e7
	maxVolumeML = 1e9
	maxAreaHa   = 1e6
)

// ReadHistory reads earlier treatments: product and date_end, and tree or
// block; active, active_g, product_ml, area_ha and method are optional. A row
// without a tree stands for its whole block.
func ReadHistory(r io.Reader, name string) ([]tree.Treatment, Summary, error) {
	return ReadTable(r, name, &historySpec, treatment)
}

// ReadHistoryFile is ReadHistory on a file.
func ReadHistoryFile(path string) ([]tree.Treatment, Summary, error) {
	return ReadTableFile(path, &historySpec, treatment)
}

func treatment(r *Row) tree.Treatment {
	t := tree.Treatment{Tree: r.Tag(historyTree), Product: r.Text(historyProduct), Active: r.Text(historyActive),
		Block: r.Text(historyBlock), Method: r.Text(historyMethod), Row: r.Line}
	t.ActiveMass.Value, t.ActiveMass.Known = r.Mass(historyMass, maxMassG)
	t.ProductVolume.Value, t.ProductVolume.Known = r.Volume(historyVolume, maxVolumeML)
	t.DateEnd, _ = r.Date(historyDate)
	t.Area.Value, t.Area.Known = r.AreaHa(historyArea, maxAreaHa)
	if !r.Has(historyTree) && !r.Has(historyBlock) {
		c := historyTree
		if r.at[c] < 0 {
			c = historyBlock
		}
		r.Fault(c, "cell-empty", nil)
	}
	return t
}

// Member is one person of a crew.
type Member struct {
	Person        string // how the crew list names the person
	Role          string
	Climber       bool // may climb to limb ports
	TrainedSecond bool // trained as the second person under a climber
	Row           int
}

// Columns of CREW.
const (
	crewPerson Col = iota
	crewRole
	crewClimber
	crewSecond
)

var crewSpec = Spec{What: "crew", Columns: []Column{
	crewPerson:  {Name: "person", Need: true, Also: []string{"name", "worker", "persona", "nombre"}},
	crewRole:    {Name: "role", Also: []string{"rol", "funcion", "puesto"}},
	crewClimber: {Name: "climber", Also: []string{"trepador", "trepadora"}},
	crewSecond:  {Name: "trained_second", Also: []string{"second", "segundo", "segunda_persona"}},
}}

// ReadCrew reads a crew list: person; role, climber and trained_second are
// optional, and what is not said is no. A person given twice is a fault.
func ReadCrew(r io.Reader, name string) ([]Member, Summary, error) {
	crew, sum, err := ReadTable(r, name, &crewSpec, member)
	return uniqueCrew(crew, sum, err)
}

// ReadCrewFile is ReadCrew on a file.
func ReadCrewFile(path string) ([]Member, Summary, error) {
	crew, sum, err := ReadTableFile(path, &crewSpec, member)
	return uniqueCrew(crew, sum, err)
}

func member(r *Row) Member {
	m := Member{Person: r.Text(crewPerson), Role: r.Text(crewRole), Row: r.Line}
	m.Climber, _ = r.YesNo(crewClimber)
	m.TrainedSecond, _ = r.YesNo(crewSecond)
	return m
}

func uniqueCrew(crew []Member, sum Summary, err error) ([]Member, Summary, error) {
	if err != nil {
		return nil, sum, err
	}
	var faults collector
	lines := map[string]int{}
	for _, m := range crew {
		if first, ok := lines[m.Person]; ok {
			faults.add(finding.Bad("person-twice", finding.Where{File: sum.File, Line: m.Row}, finding.Args{
				"person": finding.Text(m.Person), "line": finding.Count(first)}))
			continue
		}
		lines[m.Person] = m.Row
	}
	if err := faults.err(sum.File); err != nil {
		return nil, sum, err
	}
	return crew, sum, nil
}

// Day is a column of days that may instead be dates: the design lets a date
// column stand for a day column.
type Day struct {
	Number  float64    // days, where the file numbers them
	Date    civil.Date // else the date
	Numbers bool
}

// DayOrDate reads a day number between 0 and 100,000 from column day, or a date
// from column date; whichever the file has.
func (r *Row) DayOrDate(day, date Col) (Day, bool) {
	if r.Has(day) {
		x, ok := r.Float(day, 0, 100_000)
		return Day{Number: x, Numbers: true}, ok
	}
	d, ok := r.Date(date)
	return Day{Date: d}, ok
}
