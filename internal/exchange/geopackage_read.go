package exchange

import (
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	_ "modernc.org/sqlite" // the driver "sqlite"

	"sapward/finding"
)

// Marks of a GeoPackage in the header of an SQLite file: application_id
// (OGC 12-128r18, requirement 2).
const (
	gpkgID   = 0x47504B47 // "GPKG", since version 1.2
	gpkgID10 = 0x47503130 // "GP10"
	gpkgID11 = 0x47503131 // "GP11"
)

// gpkgTime bounds the reading of one GeoPackage.
const gpkgTime = 2 * time.Minute

// readGeoPackage reads the layer of points of a GeoPackage (or, where areas are
// wanted, its layers of areas). The file is never opened: its bytes are read
// from memory, in a connection that may only query and whose schema is not
// trusted. Views, triggers, virtual tables and computed columns are passed over.
func readGeoPackage(data []byte, t *placeTable) (err error) {
	damaged := func(cause error) *finding.Fault {
		return &finding.Fault{Class: finding.BadInput, ID: "gis-gpkg-damaged", Where: finding.Where{File: t.file}, Args: finding.Args{}, Cause: cause}
	}
	defer func() {
		if p := recover(); p != nil { // the database met a file it did not expect
			err = damaged(fmt.Errorf("%v", p))
		}
	}()
	if len(data) < 100 {
		return finding.Bad("gis-cut", finding.Where{File: t.file}, finding.Args{})
	}
	switch id, version := binary.BigEndian.Uint32(data[68:]), binary.BigEndian.Uint32(data[60:]); {
	case id == gpkgID && (version < 10200 || version >= 20000):
		return finding.Bad("gis-gpkg-version", finding.Where{File: t.file}, finding.Args{"text": finding.Text(strconv.Itoa(int(version)))})
	case id == gpkgID, id == gpkgID10, id == gpkgID11:
	default:
		return finding.Bad("gis-not-gpkg", finding.Where{File: t.file}, finding.Args{})
	}
	page := int64(binary.BigEndian.Uint16(data[16:]))
	if page == 1 {
		page = 65536
	}
	if pages := int64(binary.BigEndian.Uint32(data[28:])); pages*page > int64(len(data)) {
		return finding.Bad("gis-cut", finding.Where{File: t.file}, finding.Args{})
	}
	if data[18] == 2 || data[19] == 2 { // a file that kept a log beside it is read as it stands
		data = append([]byte(nil), data...)
		data[18], data[19] = 1, 1
	}
	ctx, cancel := context.WithTimeout(context.Background(), gpkgTime)
	defer cancel()
	db, err := sql.Open("sqlite", ":memory:")
	if err != nil {
		return damaged(err)
	}
	defer db.Close()
	c, err := db.Conn(ctx)
	if err != nil {
		return damaged(err)
	}
	defer c.Close()
	for _, p := range []string{"PRAGMA trusted_schema=OFF", "PRAGMA cell_size_check=ON", "PRAGMA temp_store=MEMORY"} {
		if _, err := c.ExecContext(ctx, p); err != nil {
			return damaged(err)
		}
	}
	if err := c.Raw(func(driver any) error {
		d, ok := driver.(interface{ Deserialize([]byte) error })
		if !ok {
			return errors.ErrUnsupported
		}
		return d.Deserialize(data)
	}); err != nil {
		return damaged(err)
	}
	if _, err := c.ExecContext(ctx, "PRAGMA query_only=ON"); err != nil {
		return damaged(err)
	}
	p := gpkg{ctx: ctx, c: c, t: t}
	if err := p.read(); err != nil {
		var f *finding.Fault
		if errors.As(err, &f) {
			return f
		}
		return damaged(err)
	}
	return nil
}

// gpkg reads one GeoPackage.
type gpkg struct {
	ctx context.Context
	c   *sql.Conn
	t   *placeTable
}

// gpkgLayer is a table with a geometry.
type gpkgLayer struct {
	table, column, kind string
	organisation        string
	srs, code           int64
	name                string // of the reference system
}

const maxLayers = 1000

func (g *gpkg) read() error {
	rows, err := g.c.QueryContext(g.ctx, `SELECT c.table_name, g.column_name, upper(g.geometry_type_name), g.srs_id, upper(coalesce(s.organization, '')), coalesce(s.organization_coordsys_id, 0), coalesce(s.srs_name, '')
 FROM gpkg_contents c JOIN gpkg_geometry_columns g ON g.table_name = c.table_name LEFT JOIN gpkg_spatial_ref_sys s ON s.srs_id = g.srs_id
 WHERE c.data_type = 'features' AND EXISTS (SELECT 1 FROM sqlite_master m WHERE m.type = 'table' AND m.rootpage > 0 AND lower(m.name) = lower(c.table_name) AND upper(m.sql) NOT LIKE 'CREATE VIRTUAL%')
 ORDER BY c.table_name LIMIT ?`, maxLayers)
	if err != nil {
		return err
	}
	var layers []gpkgLayer
	for rows.Next() {
		var l gpkgLayer
		if err := rows.Scan(&l.table, &l.column, &l.kind, &l.srs, &l.organisation, &l.code, &l.name); err != nil {
			rows.Close()
			return err
		}
		layers = append(layers, l)
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return err
	}
	wanted := func(l gpkgLayer) bool {
		area := strings.Contains(l.kind, "POLYGON") || strings.Contains(l.kind, "SURFACE")
		if g.t.only {
			return area || strings.HasPrefix(l.kind, "GEOMETRY")
		}
		return !area && !strings.Contains(l.kind, "LINE") && !strings.Contains(l.kind, "CURVE")
	}
	var use []gpkgLayer
	for _, l := range layers {
		if wanted(l) {
			use = append(use, l)
		}
	}
	if len(use) == 0 {
		var names []string
		for _, l := range layers {
			names = append(names, l.table+" ("+l.kind+")")
		}
		return finding.Bad("gis-no-layer", finding.Where{File: g.t.file}, finding.Args{"names": finding.Text(show(clipList(names)))})
	}
	if !g.t.only {
		pick := use[0]
		var names []string
		for _, l := range use {
			if strings.EqualFold(l.table, "trees") {
				pick = l
			}
			names = append(names, l.table)
		}
		if len(use) > 1 {
			g.t.note("gis-layers", finding.Note, finding.Args{"name": finding.Text(show(pick.table)), "names": finding.Text(show(clipList(names)))})
		}
		use = []gpkgLayer{pick}
	}
	for _, l := range use {
		if err := g.system(l); err != nil {
			return err
		}
		if err := g.layer(l); err != nil {
			return err
		}
	}
	return nil
}

// system accepts longitude and latitude on WGS 84, an undefined geographic
// system, which is taken for it with a note, and a plane grid of the block's
// own.
func (g *gpkg) system(l gpkgLayer) error {
	g.t.grid = false
	switch {
	case l.organisation == "EPSG" && (l.code == 4326 || l.code == 4979), l.organisation == "OGC" && l.code == 84, l.organisation == "" && l.srs == 4326:
	case l.srs == 0:
		g.t.note("gis-srs-unknown", finding.Warning, finding.Args{"name": finding.Text(show(l.table))})
	case l.srs == -1:
		g.t.grid = true
	default:
		name := l.name
		if l.organisation != "" {
			name += " (" + l.organisation + ":" + strconv.FormatInt(l.code, 10) + ")"
		}
		return finding.Bad("gis-srs", finding.Where{File: g.t.file}, finding.Args{"name": finding.Text(show(l.table)), "text": finding.Text(show(strings.TrimSpace(name)))})
	}
	return nil
}

func quoted(name string) string { return `"` + strings.ReplaceAll(name, `"`, `""`) + `"` }

// layer reads the rows of one table.
func (g *gpkg) layer(l gpkgLayer) error {
	if strings.ContainsRune(l.table, 0) || strings.ContainsRune(l.column, 0) {
		return finding.Bad("gis-gpkg-damaged", finding.Where{File: g.t.file}, finding.Args{})
	}
	info, err := g.c.QueryContext(g.ctx, "PRAGMA table_info("+quoted(l.table)+")") // leaves computed columns out
	if err != nil {
		return err
	}
	cols := []string{quoted(l.column)}
	names := []string{l.column}
	found := false
	for info.Next() {
		var cid, notnull, pk int
		var name, kind string
		var dflt any
		if err := info.Scan(&cid, &name, &kind, &notnull, &dflt, &pk); err != nil {
			info.Close()
			return err
		}
		if strings.EqualFold(name, l.column) {
			found = true
			continue
		}
		if len(cols) > MaxColumns {
			info.Close()
			return finding.Bad("columns-many", finding.Where{File: g.t.file}, finding.Args{"most": finding.Count(MaxColumns)})
		}
		cols, names = append(cols, quoted(name)), append(names, name)
	}
	if err := errors.Join(info.Err(), info.Close()); err != nil {
		return err
	}
	if !found {
		return finding.Bad("gis-gpkg-damaged", finding.Where{File: g.t.file}, finding.Args{})
	}
	rows, err := g.c.QueryContext(g.ctx, "SELECT "+strings.Join(cols, ", ")+" FROM "+quoted(l.table)+" NOT INDEXED")
	if err != nil {
		return err
	}
	defer rows.Close()
	values := make([]any, len(cols))
	into := make([]any, len(cols))
	for i := range into {
		into[i] = &values[i]
	}
	label := -1
	for i, n := range names {
		switch plain(n) {
		case "block", "bloque":
			label = i
		case "name", "title", "nombre":
			if label < 0 {
				label = i
			}
		}
	}
	for n := 1; rows.Next(); n++ {
		if n > maxFeatures {
			return finding.Bad("gis-many", finding.Where{File: g.t.file}, finding.Args{"most": finding.Count(maxFeatures)})
		}
		if err := rows.Scan(into...); err != nil {
			return err
		}
		var s shape
		if blob, ok := values[0].([]byte); ok {
			if s, ok = readGP(blob); !ok {
				g.t.fault(n, 0, "gis-geometry", nil)
				continue
			}
		} else if values[0] != nil {
			g.t.fault(n, 0, "gis-geometry", nil)
			continue
		}
		if g.t.only {
			if s.kind == shapeArea {
				name := ""
				if label >= 0 {
					name = string(sqlCell(values[label]))
				}
				g.t.area(s, name, n, 0)
			}
			continue
		}
		if !g.t.shape(s, n, 0) {
			continue
		}
		for i, v := range values[1:] {
			g.t.set(names[i+1], sqlCell(v))
		}
		g.t.end(n, 0)
	}
	return rows.Err()
}

// sqlCell is a value as a cell; bytes are left out.
func sqlCell(v any) []byte {
	switch x := v.(type) {
	case int64:
		return strconv.AppendInt(nil, x, 10)
	case float64:
		return strconv.AppendFloat(nil, x, 'f', -1, 64)
	case bool:
		return strconv.AppendBool(nil, x)
	case string:
		return []byte(x)
	case time.Time:
		if x.Hour() == 0 && x.Minute() == 0 && x.Second() == 0 && x.Nanosecond() == 0 {
			return x.AppendFormat(nil, time.DateOnly)
		}
		return x.AppendFormat(nil, time.RFC3339)
	}
	return nil
}
