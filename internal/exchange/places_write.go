package exchange

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"errors"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"sapward/numeric/exact"
)

// PlaceColumn is a column of places that are written.
type PlaceColumn struct {
	Name   string
	Number bool // cells are plain decimal numbers, or empty
}

// PlaceRow is one place: its first cell is its name. A place that nobody
// recorded has no position.
type PlaceRow struct {
	Lat, Lon float64 // degrees, WGS 84
	Placed   bool
	Cells    []string // as many as columns
}

// Places are places that are written as GeoJSON, GeoPackage or GPX: points with
// columns and, where there are any, boundaries in degrees.
type Places struct {
	Name       string // of the layer: "trees"
	Title      string // of the file, for people
	Columns    []PlaceColumn
	Rows       []PlaceRow
	Boundaries []Boundary
	At         time.Time // when the facts were so; passed in, so that the bytes repeat
}

// errPlaces names what cannot be written as places.
var errPlaces = errors.New("exchange: rows and columns of places do not fit")

func (p *Places) sound() error {
	for i := range p.Rows {
		r := &p.Rows[i]
		if len(r.Cells) != len(p.Columns) || len(r.Cells) == 0 {
			return errPlaces
		}
		if r.Placed && !(math.Abs(r.Lat) <= 90 && math.Abs(r.Lon) <= 180) {
			return errPlaces
		}
	}
	for _, b := range p.Boundaries {
		if len(b.Ring) < 3 || b.Grid {
			return errPlaces
		}
	}
	return nil
}

// Round7 rounds degrees to 7 decimals, about a centimetre on the ground.
func Round7(x float64) float64 { return math.Round(x*1e7) / 1e7 }

// degrees7 writes degrees with at most 7 decimals.
func degrees7(b []byte, x float64) []byte {
	if x = Round7(x); x == 0 {
		x = 0 // no minus before zero
		return append(b, '0')
	}
	from := len(b)
	b = strconv.AppendFloat(b, x, 'f', 7, 64)
	for b[len(b)-1] == '0' {
		b = b[:len(b)-1]
	}
	if b[len(b)-1] == '.' {
		b = b[:len(b)-1]
	}
	if string(b[from:]) == "-0" {
		b = append(b[:from], '0')
	}
	return b
}

// counterClockwise returns a ring turned so that the area lies to its left, as
// RFC 7946, section 3.1.6, asks of an outer ring.
func counterClockwise(ring [][2]float64) [][2]float64 {
	twice := 0.0
	for i, p := range ring {
		q := ring[(i+1)%len(ring)]
		twice += (p[0]-ring[0][0])*(q[1]-ring[0][1]) - (q[0]-ring[0][0])*(p[1]-ring[0][1])
	}
	out := make([][2]float64, len(ring))
	for i, p := range ring {
		if twice < 0 {
			i = len(ring) - 1 - i
		}
		out[i] = p
	}
	return out
}

// WriteGeoJSON writes places as a FeatureCollection (RFC 7946): a feature a
// line, positions as longitude and latitude with at most 7 decimals, a null
// geometry where the place is not known, boundaries as counter-clockwise
// polygons behind the points, empty cells left out.
func WriteGeoJSON(w io.Writer, p Places) error {
	if err := p.sound(); err != nil {
		return err
	}
	out := &flushed{w: w}
	out.b = append(out.b, `{"type":"FeatureCollection"`...)
	if x0, x1, y0, y1, some := p.box(); some {
		out.b = append(out.b, `,"bbox":[`...)
		for i, v := range []float64{x0, y0, x1, y1} {
			if i > 0 {
				out.b = append(out.b, ',')
			}
			out.b = degrees7(out.b, v)
		}
		out.b = append(out.b, ']')
	}
	out.b = append(out.b, `,"features":[`...)
	n := 0
	begin := func() {
		if n++; n > 1 {
			out.b = append(out.b, ',')
		}
		out.b = append(out.b, "\n{\"type\":\"Feature\",\"geometry\":"...)
	}
	position := func(x, y float64) {
		out.b = append(out.b, '[')
		out.b = append(degrees7(out.b, x), ',')
		out.b = append(degrees7(out.b, y), ']')
	}
	for i := range p.Rows {
		r := &p.Rows[i]
		begin()
		if r.Placed {
			out.b = append(out.b, `{"type":"Point","coordinates":`...)
			position(r.Lon, r.Lat)
			out.b = append(out.b, '}')
		} else {
			out.b = append(out.b, "null"...)
		}
		out.b = append(out.b, `,"properties":{`...)
		first := true
		for k, c := range p.Columns {
			if r.Cells[k] == "" {
				continue
			}
			if !first {
				out.b = append(out.b, ',')
			}
			first = false
			out.text(c.Name)
			out.b = append(out.b, ':')
			if _, ok := exact.Decimal(r.Cells[k]); c.Number && ok && json.Valid([]byte(r.Cells[k])) {
				out.b = append(out.b, r.Cells[k]...)
			} else {
				out.text(r.Cells[k])
			}
		}
		out.b = append(out.b, "}}"...)
		out.flush(rowBuffer)
	}
	for _, b := range p.Boundaries {
		begin()
		out.b = append(out.b, `{"type":"Polygon","coordinates":[[`...)
		ring := counterClockwise(b.Ring)
		for _, q := range ring {
			position(q[0], q[1])
			out.b = append(out.b, ',')
		}
		position(ring[0][0], ring[0][1])
		out.b = append(out.b, `]]},"properties":{"block":`...)
		out.text(b.Name)
		out.b = append(out.b, "}}"...)
		out.flush(rowBuffer)
	}
	out.b = append(out.b, "\n]}\n"...)
	out.flush(0)
	return out.err
}

// box is the extent of all that has a place.
func (p *Places) box() (x0, x1, y0, y1 float64, some bool) {
	add := func(x, y float64) {
		x, y = Round7(x), Round7(y)
		if !some {
			x0, x1, y0, y1, some = x, x, y, y, true
		}
		x0, x1, y0, y1 = min(x0, x), max(x1, x), min(y0, y), max(y1, y)
	}
	for i := range p.Rows {
		if r := &p.Rows[i]; r.Placed {
			add(r.Lon, r.Lat)
		}
	}
	for _, b := range p.Boundaries {
		for _, q := range b.Ring {
			add(q[0], q[1])
		}
	}
	return x0, x1, y0, y1, some
}

// flushed gathers bytes and hands them on; the first error stays.
type flushed struct {
	w   io.Writer
	b   []byte
	err error
}

func (f *flushed) flush(least int) {
	if len(f.b) < least {
		return
	}
	if f.err == nil {
		_, f.err = f.w.Write(f.b)
	}
	f.b = f.b[:0]
}

// text writes a JSON string.
func (f *flushed) text(s string) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(s); err != nil && f.err == nil {
		f.err = err
	}
	f.b = append(f.b, bytes.TrimRight(b.Bytes(), "\n")...)
}

// WriteGPX writes the places as waypoints (GPX 1.1): name is the first cell, desc
// holds the others as "girth_cm=123.8; species=Ulmus minor". A waypoint must have
// a position, so places without one are left out: left says how many. A cell
// that would not read back, with a semicolon, an equals sign or a line end in
// it, is left out too. Boundaries are no waypoints.
func WriteGPX(w io.Writer, p Places) (left int, err error) {
	if err := p.sound(); err != nil {
		return 0, err
	}
	out := &flushed{w: w}
	escape := func(s string) {
		var b bytes.Buffer
		if err := xml.EscapeText(&b, []byte(s)); err != nil && out.err == nil {
			out.err = err
		}
		out.b = append(out.b, b.Bytes()...)
	}
	out.b = append(out.b, xml.Header+`<gpx version="1.1" creator="Sapward" xmlns="http://www.topografix.com/GPX/1/1" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" xsi:schemaLocation="http://www.topografix.com/GPX/1/1 http://www.topografix.com/GPX/1/1/gpx.xsd">`+"\n<metadata><name>"...)
	escape(p.Title)
	out.b = append(out.b, "</name>"...)
	if !p.At.IsZero() {
		out.b = append(out.b, "<time>"+p.At.UTC().Format("2006-01-02T15:04:05Z")+"</time>"...)
	}
	out.b = append(out.b, "</metadata>\n"...)
	for i := range p.Rows {
		r := &p.Rows[i]
		if !r.Placed {
			left++
			continue
		}
		out.b = append(out.b, `<wpt lat="`...)
		out.b = append(degrees7(out.b, r.Lat), `" lon="`...)
		out.b = append(degrees7(out.b, r.Lon), `"><name>`...)
		escape(r.Cells[0])
		out.b = append(out.b, "</name>"...)
		first := true
		for k := 1; k < len(r.Cells); k++ {
			v := r.Cells[k]
			if v == "" || strings.ContainsAny(v, ";=\r\n") {
				continue
			}
			if first {
				out.b = append(out.b, "<desc>"...)
			} else {
				out.b = append(out.b, "; "...)
			}
			first = false
			escape(p.Columns[k].Name + "=" + v)
		}
		if !first {
			out.b = append(out.b, "</desc>"...)
		}
		out.b = append(out.b, "</wpt>\n"...)
		out.flush(rowBuffer)
	}
	out.b = append(out.b, "</gpx>\n"...)
	out.flush(0)
	return left, out.err
}
