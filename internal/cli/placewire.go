package cli

import (
	"fmt"
	"io"
	"slices"
	"strconv"

	"sapward/finding"
	"sapward/internal/app"
	"sapward/internal/exchange"
)

// placeFormats are the formats that trees are written in beside CSV.
var placeFormats = []string{"geojson", "gpkg", "gpx", "xlsx"}

// PlaceFormats are the formats asked for.
func (t tablesOut) PlaceFormats() []string { return t.formats }

// With returns a writer that also writes trees in a format; an unknown one adds
// nothing.
func (t tablesOut) With(format string) app.ExportWriter {
	if !slices.Contains(placeFormats, format) {
		return t
	}
	return tablesOut{formats: []string{format}}
}

// textColumns are columns whose cells are no numbers, whatever they look like.
var textColumns = map[string]bool{"tree": true, "stem": true, "species": true, "wood": true, "age_class": true, "status": true, "bearing": true}

// Places writes the trees of a block in one format.
func (tablesOut) Places(format string, w io.Writer, block app.Block, trees []app.TreeFacts) error {
	columns, rows := treeTable(trees)
	if format == "xlsx" {
		return treeSheet(w, columns, rows)
	}
	p := exchange.Places{Name: "trees", Title: block.Facts.Name, At: block.At}
	lat, lon := slices.Index(columns, "lat"), slices.Index(columns, "lon")
	var keep []int
	for i, c := range columns {
		full := slices.ContainsFunc(rows, func(r []string) bool { return r[i] != "" })
		if i != lat && i != lon && (i == 0 || full) { // a column that no tree fills is left out
			keep = append(keep, i)
			p.Columns = append(p.Columns, exchange.PlaceColumn{Name: c, Number: !textColumns[c]})
		}
	}
	for _, r := range rows {
		row := exchange.PlaceRow{Placed: r[lat] != "" && r[lon] != ""}
		if row.Placed {
			row.Lat, _ = strconv.ParseFloat(r[lat], 64)
			row.Lon, _ = strconv.ParseFloat(r[lon], 64)
		}
		for _, i := range keep {
			row.Cells = append(row.Cells, r[i])
		}
		p.Rows = append(p.Rows, row)
	}
	if f := block.Facts; f.Globe && len(f.Boundary) > 2 {
		b := exchange.Boundary{Name: f.Name}
		for _, q := range f.Boundary {
			b.Ring = append(b.Ring, [2]float64{q.X, q.Y})
		}
		p.Boundaries = append(p.Boundaries, b)
	}
	switch format {
	case "geojson":
		return exchange.WriteGeoJSON(w, p)
	case "gpkg":
		return exchange.WriteGeoPackage(w, p)
	case "gpx":
		_, err := exchange.WriteGPX(w, p)
		return err
	}
	return fmt.Errorf("cli: no format %q", format)
}

// treeSheet writes the table as a workbook. Tags stay texts; numbers are numbers.
func treeSheet(w io.Writer, columns []string, rows [][]string) error {
	list := make([]exchange.SheetColumn, len(columns))
	for i, c := range columns {
		list[i] = exchange.SheetColumn{Header: c, Width: float64(max(len(c)+2, 10)), Decimals: -1}
	}
	s, err := exchange.NewSheetWriter(w, "trees", list)
	if err != nil {
		return err
	}
	cells := make([]any, len(columns))
	for _, r := range rows {
		for i, v := range r {
			cells[i] = nil
			if v == "" {
				continue
			}
			cells[i] = v
			if x, err := strconv.ParseFloat(v, 64); err == nil && !textColumns[columns[i]] {
				cells[i] = x
			}
		}
		if err := s.Row(cells...); err != nil {
			return err
		}
	}
	return s.Close()
}

// Boundaries reads the outlines of a file of places.
func (readers) Boundaries(r io.Reader, name string) ([]app.NamedBoundary, []finding.Finding, error) {
	list, notes, err := exchange.ReadBoundaries(r, name)
	var out []app.NamedBoundary
	for _, b := range list {
		x := app.NamedBoundary{Name: b.Name, Globe: !b.Grid, Line: b.Line}
		for _, p := range b.Ring {
			x.Points = append(x.Points, app.Point{X: p[0], Y: p[1]})
		}
		out = append(out, x)
	}
	return out, notes, err
}
