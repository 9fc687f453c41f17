package exchange

import (
	"context"
	"database/sql"
	"errors"
	"io"
	"strconv"
	"strings"
)

// gpkgVersion is the version written: 1.3.
const gpkgVersion = 10300

// wgs84WKT and the two undefined systems are the rows that every GeoPackage has
// (OGC 12-128r18, requirement 11).
const wgs84WKT = `GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,298.257223563,AUTHORITY["EPSG","7030"]],AUTHORITY["EPSG","6326"]],PRIMEM["Greenwich",0,AUTHORITY["EPSG","8901"]],UNIT["degree",0.0174532925199433,AUTHORITY["EPSG","9122"]],AXIS["Latitude",NORTH],AXIS["Longitude",EAST],AUTHORITY["EPSG","4326"]]`

const gpkgSchema = `CREATE TABLE gpkg_spatial_ref_sys (srs_name TEXT NOT NULL, srs_id INTEGER PRIMARY KEY, organization TEXT NOT NULL, organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT);
CREATE TABLE gpkg_contents (table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE, description TEXT DEFAULT '', last_change DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')), min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE, srs_id INTEGER, CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
CREATE TABLE gpkg_geometry_columns (table_name TEXT NOT NULL, column_name TEXT NOT NULL, geometry_type_name TEXT NOT NULL, srs_id INTEGER NOT NULL, z TINYINT NOT NULL, m TINYINT NOT NULL, CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name), CONSTRAINT uk_gc_table_name UNIQUE (table_name), CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name), CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys (srs_id));`

// WriteGeoPackage writes places as a GeoPackage (OGC 12-128r18, version 1.3): a
// layer of points and, where there are boundaries, a layer of polygons named
// "blocks". Positions are longitude and latitude on WGS 84, rounded to 7
// decimals; an unknown place is NULL.
//
// There is no R-tree index: the extension asks for triggers that call functions
// which only mapping programs have, and an index without them would be stale
// after the first change. Mapping programs read such layers as they are and
// build the index when asked.
func WriteGeoPackage(w io.Writer, p Places) error {
	if err := p.sound(); err != nil {
		return err
	}
	ctx := context.Background()
	db, err := sql.Open("sqlite", ":memory:")
	if err != nil {
		return err
	}
	defer db.Close()
	c, err := db.Conn(ctx)
	if err != nil {
		return err
	}
	defer c.Close()
	for _, s := range []string{"PRAGMA application_id=" + strconv.Itoa(gpkgID), "PRAGMA user_version=" + strconv.Itoa(gpkgVersion), "BEGIN", gpkgSchema} {
		if _, err := c.ExecContext(ctx, s); err != nil {
			return err
		}
	}
	for _, s := range [][]any{
		{"Undefined cartesian SRS", -1, "NONE", -1, "undefined", "undefined cartesian coordinate reference system"},
		{"Undefined geographic SRS", 0, "NONE", 0, "undefined", "undefined geographic coordinate reference system"},
		{"WGS 84 geodetic", 4326, "EPSG", 4326, wgs84WKT, "longitude/latitude coordinates in decimal degrees on the WGS 84 spheroid"},
	} {
		if _, err := c.ExecContext(ctx, "INSERT INTO gpkg_spatial_ref_sys VALUES (?, ?, ?, ?, ?, ?)", s...); err != nil {
			return err
		}
	}
	if err := p.points(ctx, c); err != nil {
		return err
	}
	if err := p.polygons(ctx, c); err != nil {
		return err
	}
	if _, err := c.ExecContext(ctx, "COMMIT"); err != nil {
		return err
	}
	var data []byte
	if err := c.Raw(func(driver any) error {
		d, ok := driver.(interface{ Serialize() ([]byte, error) })
		if !ok {
			return errors.ErrUnsupported
		}
		data, err = d.Serialize()
		return err
	}); err != nil {
		return err
	}
	_, err = w.Write(data)
	return err
}

// layer notes a table of features in the catalogue.
func (p *Places) layer(ctx context.Context, c *sql.Conn, table, kind, what string, x0, x1, y0, y1 float64, some bool) error {
	box := []any{nil, nil, nil, nil}
	if some {
		box = []any{x0, y0, x1, y1}
	}
	args := append([]any{table, table, what, p.At.UTC().Format("2006-01-02T15:04:05.000Z")}, box...)
	if _, err := c.ExecContext(ctx, "INSERT INTO gpkg_contents VALUES (?, 'features', ?, ?, ?, ?, ?, ?, ?, 4326)", args...); err != nil {
		return err
	}
	_, err := c.ExecContext(ctx, "INSERT INTO gpkg_geometry_columns VALUES (?, 'geom', ?, 4326, 0, 0)", table, kind)
	return err
}

func (p *Places) points(ctx context.Context, c *sql.Conn) error {
	create := "CREATE TABLE " + quoted(p.Name) + " (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, geom POINT"
	insert := "INSERT INTO " + quoted(p.Name) + " VALUES (?, ?"
	for _, col := range p.Columns {
		kind := " TEXT"
		if col.Number {
			kind = " DOUBLE"
		}
		create += ", " + quoted(col.Name) + kind
		insert += ", ?"
	}
	if _, err := c.ExecContext(ctx, create+")"); err != nil {
		return err
	}
	only := Places{Rows: p.Rows}
	x0, x1, y0, y1, some := only.box()
	if err := p.layer(ctx, c, p.Name, "POINT", p.Title, x0, x1, y0, y1, some); err != nil {
		return err
	}
	st, err := c.PrepareContext(ctx, insert+")")
	if err != nil {
		return err
	}
	defer st.Close()
	args := make([]any, 2+len(p.Columns))
	for i := range p.Rows {
		r := &p.Rows[i]
		args[0], args[1] = int64(i+1), nil
		if r.Placed {
			args[1] = gpPoint(4326, Round7(r.Lon), Round7(r.Lat))
		}
		for k, v := range r.Cells {
			args[2+k] = nil
			if v == "" {
				continue
			}
			args[2+k] = v
			if p.Columns[k].Number {
				if x, err := strconv.ParseFloat(strings.TrimSpace(v), 64); err == nil {
					args[2+k] = x
				}
			}
		}
		if _, err := st.ExecContext(ctx, args...); err != nil {
			return err
		}
	}
	return nil
}

func (p *Places) polygons(ctx context.Context, c *sql.Conn) error {
	if len(p.Boundaries) == 0 {
		return nil
	}
	const table = "blocks"
	if _, err := c.ExecContext(ctx, "CREATE TABLE blocks (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, geom POLYGON, block TEXT)"); err != nil {
		return err
	}
	only := Places{Boundaries: p.Boundaries}
	x0, x1, y0, y1, some := only.box()
	if err := p.layer(ctx, c, table, "POLYGON", p.Title, x0, x1, y0, y1, some); err != nil {
		return err
	}
	for i, b := range p.Boundaries {
		ring := counterClockwise(b.Ring)
		for k := range ring {
			ring[k] = [2]float64{Round7(ring[k][0]), Round7(ring[k][1])}
		}
		if _, err := c.ExecContext(ctx, "INSERT INTO blocks VALUES (?, ?, ?)", i+1, gpPolygon(4326, ring), b.Name); err != nil {
			return err
		}
	}
	return nil
}
