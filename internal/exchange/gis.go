package exchange

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"strconv"

	"sapward/finding"
)

// Bounds of files of places. Program defaults.
const (
	maxPlaces    = 512 << 20 // bytes of a GeoJSON, GeoPackage or GPX file
	maxFeatures  = 5_000_000 // features of one file
	maxVertices  = 1_000_000 // positions of one geometry
	maxGisBlocks = 512 << 10 // bytes handed to one worker at a time
)

// fileKind is what a file's first bytes say it is.
type fileKind uint8

const (
	kindText fileKind = iota
	kindWorkbook
	kindGeoJSON
	kindXML
	kindSQLite
)

var magicSQLite = []byte("SQLite format 3\x00")

// kindOf tells a file by its first bytes, never by its name.
func kindOf(head []byte) fileKind {
	switch {
	case bytes.HasPrefix(head, magicZip):
		return kindWorkbook
	case bytes.HasPrefix(head, magicSQLite):
		return kindSQLite
	}
	head = bytes.TrimLeft(bytes.TrimPrefix(head, []byte("\uFEFF")), " \t\r\n")
	switch {
	case bytes.HasPrefix(head, []byte("{")):
		return kindGeoJSON
	case bytes.HasPrefix(head, []byte("<")):
		return kindXML
	}
	return kindText
}

// openPlaces reads a file of places and lays it out as a table.
func openPlaces(r io.Reader, kind fileKind, name string) (*source, error) {
	data, err := readCapped(r, name)
	if err != nil {
		return nil, err
	}
	t := newPlaceTable(name)
	if err := readPlaces(data, kind, t); err != nil {
		return nil, err
	}
	if t.count == 0 {
		if t.faults.any() {
			return nil, t.faults.err(name)
		}
		id := "gis-none"
		if t.left > 0 {
			id = "gis-no-points"
		}
		return nil, finding.Bad(id, finding.Where{File: name}, finding.Args{"count": finding.Count(t.left), "kind": finding.Text(show(t.first))})
	}
	return t.source(), nil
}

// readPlaces reads a file of places into a table, or only its areas.
func readPlaces(data []byte, kind fileKind, t *placeTable) error {
	switch kind {
	case kindGeoJSON:
		return readGeoJSON(data, t)
	case kindXML:
		return readGPX(data, t)
	}
	return readGeoPackage(data, t)
}

func readCapped(r io.Reader, name string) ([]byte, error) {
	data, err := io.ReadAll(io.LimitReader(r, maxPlaces+1))
	if err != nil {
		return nil, readFault(name, err)
	}
	if len(data) > maxPlaces {
		return nil, finding.Bad("gis-large", finding.Where{File: name}, finding.Args{"mb": finding.Count(maxPlaces >> 20)})
	}
	return data, nil
}

// shapeKind is what a geometry is.
type shapeKind uint8

const (
	shapeNone shapeKind = iota
	shapePoint
	shapeArea
	shapeOther  // lines and the like: never a tree
	shapeNested // a collection, or several points
)

// shape is a geometry: a point, or the outer rings of areas. Positions are x
// (longitude) and y (latitude).
type shape struct {
	kind  shapeKind
	name  string // as the file writes it: "LineString"
	at    [2]float64
	rings [][][2]float64
	holes int
}

// Boundary is an area of a file of places: a boundary of a block.
type Boundary struct {
	Name string       // the property name, block or title; empty if there is none
	Ring [][2]float64 // longitude and latitude, or x and y in metres; not closed by a repeated position
	Grid bool         // x and y in metres of a grid of its own
	Line int          // line of the file, or number of the feature
}

// placeTable gathers features as rows of a table whose header grows with them.
type placeTable struct {
	file    string
	cols    []string
	index   map[string]int
	cells   [][]byte
	blocks  []*block
	cur     *block
	count   int
	lines   map[int]int // line -> features that begin on it, while they may share one
	shared  bool        // two features begin on one line: they are counted instead
	faults  collector
	notes   []finding.Finding
	left    int // features that are no points
	first   string
	latCol  int // places of the columns, -1 until there is one
	lonCol  int
	idCol   int
	grid    bool // x and y instead of longitude and latitude
	swapped int  // positions that the file's own columns show the other way round
	areas   []Boundary
	only    bool // areas alone are wanted
	whole   int  // areas that have a hole or several parts
	lastRow int  // line of the last row
	looked  int  // columns looked at for a place of their own
	ownLat  int
	ownLon  int
}

func newPlaceTable(name string) *placeTable {
	return &placeTable{file: name, index: map[string]int{}, latCol: -1, lonCol: -1, idCol: -1, ownLat: -1, ownLon: -1, cur: &block{sheet: true}}
}

// set puts a value into a column of the row being built.
func (t *placeTable) set(col string, v []byte) {
	k, ok := t.index[col]
	if !ok {
		if len(t.cols) > MaxColumns {
			return // reported when the header is read
		}
		k = t.add(col)
		t.index[col] = k
	}
	t.put(k, v)
}

func (t *placeTable) add(col string) int {
	t.cols = append(t.cols, col)
	t.cells = append(t.cells, nil)
	return len(t.cols) - 1
}

func (t *placeTable) put(k int, v []byte) { t.cells[k] = append(t.cells[k][:0], v...) }

func (t *placeTable) fault(line, col int, id string, args finding.Args) {
	if args == nil {
		args = finding.Args{}
	}
	t.faults.add(finding.Bad(id, finding.Where{File: t.file, Line: line, Column: col}, args))
}

// shape puts a geometry into the row. It reports false where the feature is no
// row of the table.
func (t *placeTable) shape(s shape, line, col int) bool {
	switch s.kind {
	case shapeNested:
		t.fault(line, col, "gis-nested", finding.Args{"kind": finding.Text(show(s.name))})
		return false
	case shapeArea, shapeOther:
		if t.left == 0 {
			t.first = s.name
		}
		t.left++
		return false
	case shapePoint:
		t.point(s.at[0], s.at[1], line, col)
	}
	return true
}

// point puts a position into the row, or says what is wrong with it.
func (t *placeTable) point(x, y float64, line, col int) {
	if t.latCol < 0 {
		names := [2]string{"lon", "lat"}
		if t.grid {
			names = [2]string{"x_m", "y_m"}
		}
		t.lonCol, t.latCol = t.add(names[0]), t.add(names[1])
	}
	if !t.sound(x, y, line, col) {
		return
	}
	t.cells[t.lonCol] = strconv.AppendFloat(t.cells[t.lonCol][:0], x, 'f', -1, 64)
	t.cells[t.latCol] = strconv.AppendFloat(t.cells[t.latCol][:0], y, 'f', -1, 64)
}

// sound reports whether a position can be one.
func (t *placeTable) sound(x, y float64, line, col int) bool {
	text := finding.Text(show(fmt.Sprintf("%v, %v", x, y)))
	switch {
	case math.IsNaN(x) || math.IsNaN(y) || math.IsInf(x, 0) || math.IsInf(y, 0) || t.grid && max(math.Abs(x), math.Abs(y)) > maxGridCM/100:
		t.fault(line, col, "gis-position", finding.Args{"text": text})
	case t.grid:
		return true
	case math.Abs(y) > 90 && math.Abs(y) <= 180 && math.Abs(x) <= 90:
		t.fault(line, col, "gis-swapped", finding.Args{"text": text})
	case math.Abs(y) > 90 || math.Abs(x) > 180:
		id := "gis-position"
		if math.Abs(x) > 360 || math.Abs(y) > 360 {
			id = "gis-metres"
		}
		t.fault(line, col, id, finding.Args{"text": text})
	default:
		return true
	}
	return false
}

// area keeps the outer rings of an area.
func (t *placeTable) area(s shape, name string, line, col int) {
	if s.holes > 0 || len(s.rings) != 1 {
		t.whole++
	}
	for _, r := range s.rings {
		if n := len(r); n > 1 && r[0] == r[n-1] {
			r = r[:n-1]
		}
		if len(r) < 3 {
			t.fault(line, col, "gis-ring", finding.Args{"count": finding.Count(len(r))})
			continue
		}
		ok := true
		for _, p := range r {
			if ok = t.sound(p[0], p[1], line, col); !ok {
				break
			}
		}
		if ok {
			t.areas = append(t.areas, Boundary{Name: name, Ring: r, Grid: t.grid, Line: line})
		}
	}
}

// drop clears the row being built.
func (t *placeTable) drop() {
	for k := range t.cells {
		t.cells[k] = t.cells[k][:0]
	}
}

// end ends the row: it begins at a line and a column of the file.
func (t *placeTable) end(line, col int) {
	t.compare()
	n := len(t.cells)
	for n > 0 && len(t.cells[n-1]) == 0 {
		n--
	}
	if n == 0 { // a feature that says nothing is still a row: its tag is missing
		n = min(1, len(t.cells))
	}
	for _, c := range t.cells[:n] {
		t.cur.data = append(t.cur.data, c...)
		t.cur.ends = append(t.cur.ends, len(t.cur.data))
	}
	t.count++
	if line == t.lastRow {
		t.shared = true
	}
	t.lastRow = line
	t.cur.rows = append(t.cur.rows, sheetRow{number: line, cells: n, col: col})
	if len(t.cur.data) >= maxGisBlocks || len(t.cur.rows) >= sheetRows {
		t.blocks = append(t.blocks, t.cur)
		t.cur = &block{sheet: true}
	}
	t.drop()
}

// compare looks whether the row's own columns lat and lon hold the position the
// other way round.
func (t *placeTable) compare() {
	if t.latCol < 0 || t.grid || len(t.cells[t.latCol]) == 0 {
		return
	}
	for ; t.looked < len(t.cols); t.looked++ {
		if t.looked == t.latCol || t.looked == t.lonCol {
			continue
		}
		switch plain(t.cols[t.looked]) {
		case "lat", "latitude", "latitud":
			t.ownLat = t.looked
		case "lon", "lng", "long", "longitude", "longitud":
			t.ownLon = t.looked
		}
	}
	lat, lon := t.ownLat, t.ownLon
	if lat < 0 || lon < 0 {
		return
	}
	num := func(k int) float64 {
		x, err := strconv.ParseFloat(string(trim(t.cells[k])), 64)
		if err != nil {
			return math.NaN()
		}
		return x
	}
	const near = 1e-4 // degrees, some ten metres: a rounding, not another place
	x, y, la, lo := num(t.lonCol), num(t.latCol), num(lat), num(lon)
	if math.Abs(x-la) < near && math.Abs(y-lo) < near && math.Abs(x-lo) > near {
		t.swapped++
	}
}

// note adds a remark on the whole file.
func (t *placeTable) note(id string, severity finding.Severity, args finding.Args) {
	t.notes = append(t.notes, finding.Finding{ID: id, Severity: severity, Authority: finding.ByEstimate, Args: args})
}

// header names the columns: the position's own, the tag, and the properties.
func (t *placeTable) header() {
	tag := false
	for k := range t.cols {
		c, _, _, ok := treeSpec.match(t.cols[k])
		own := k == t.latCol || k == t.lonCol
		if ok && !own && k != t.idCol {
			tag = tag || c == treeTag
			if t.latCol >= 0 && (!t.grid && (c == treeLat || c == treeLon) || t.grid && (c == treeX || c == treeY)) {
				t.note("gis-place-twice", finding.Note, finding.Args{"column": finding.Text(show(t.cols[k]))})
				t.cols[k] += " (property)"
			}
		}
	}
	if t.idCol >= 0 && !tag {
		t.cols[t.idCol] = "tree_id"
	}
	if t.left > 0 {
		t.note("gis-left-out", finding.Note, finding.Args{"count": finding.Count(t.left), "kind": finding.Text(t.first)})
	}
	if t.swapped > 0 {
		t.note("gis-perhaps-swapped", finding.Warning, finding.Args{"count": finding.Count(t.swapped)})
	}
}

// source hands the rows to the reading of tables. Where two features begin on
// one line, rows are counted instead.
func (t *placeTable) source() *source {
	t.header()
	if len(t.cur.rows) > 0 {
		t.blocks = append(t.blocks, t.cur)
	}
	n := 0
	if t.shared {
		for _, b := range t.blocks {
			for i := range b.rows {
				n++
				b.rows[i].number, b.rows[i].col = n, 0
			}
		}
	}
	head := &block{sheet: true, rows: []sheetRow{{number: 1, cells: len(t.cols)}}}
	for _, c := range t.cols {
		head.data = append(head.data, c...)
		head.ends = append(head.ends, len(head.data))
	}
	if len(t.cols) == 0 {
		head.rows = nil
	}
	return &source{file: t.file, sheet: true, blocks: &laidBlocks{rest: t.blocks}, first: head, early: &t.faults, notes: t.notes, close: func() {}}
}

// laidBlocks hands out blocks that are in memory.
type laidBlocks struct{ rest []*block }

func (l *laidBlocks) next() (*block, error) {
	if len(l.rest) == 0 {
		return nil, io.EOF
	}
	b := l.rest[0]
	l.rest[0], l.rest = nil, l.rest[1:]
	return b, nil
}

// ReadBoundaries reads the areas of a file of places: boundaries of blocks. Points
// and lines are passed over. The notes say what of an area could not be kept.
func ReadBoundaries(r io.Reader, name string) ([]Boundary, []finding.Finding, error) {
	data, err := readCapped(r, name)
	if err != nil {
		return nil, nil, finding.AsFaults(err)
	}
	kind := kindOf(data[:min(len(data), 512)])
	if kind == kindText || kind == kindWorkbook || kind == kindXML {
		return nil, nil, finding.Faults{finding.Bad("gis-no-areas-kind", finding.Where{File: name}, finding.Args{})}
	}
	t := newPlaceTable(name)
	t.only = true
	if err := readPlaces(data, kind, t); err != nil {
		return nil, nil, finding.AsFaults(err)
	}
	if err := t.faults.err(name); err != nil {
		return nil, nil, err
	}
	if len(t.areas) == 0 {
		return nil, nil, finding.Faults{finding.Bad("gis-no-areas", finding.Where{File: name}, finding.Args{})}
	}
	if t.whole > 0 {
		t.note("gis-area-parts", finding.Note, finding.Args{"count": finding.Count(t.whole)})
	}
	return t.areas, t.notes, nil
}
