package exchange

import (
	"bytes"
	"encoding/json"
	"errors"
	"strconv"
	"strings"
	"unicode/utf8"

	"sapward/finding"
)

// geoText finds lines and columns in a text that is read from front to back.
type geoText struct {
	data       []byte
	at         int // counted up to here
	line, last int // its line, from 1, and where that line begins
}

// place returns line and column, from 1, of an offset not before the last one.
func (g *geoText) place(off int) (line, col int) {
	off = min(off, len(g.data))
	for {
		k := bytes.IndexByte(g.data[g.at:max(off, g.at)], '\n')
		if k < 0 {
			break
		}
		g.at += k + 1
		g.last = g.at
		g.line++
	}
	g.at = max(g.at, off)
	return g.line, utf8.RuneCount(g.data[g.last:off]) + 1
}

// geoMembers are the members of an object in their order.
type geoMember struct {
	name string
	raw  json.RawMessage
}

// readGeoJSON reads GeoJSON (RFC 7946): a FeatureCollection, a Feature or one
// bare geometry. Positions are longitude and latitude on WGS 84; a crs member
// of the 2008 form is refused unless it names CRS84. Properties are columns in
// the order in which they are first met.
func readGeoJSON(data []byte, t *placeTable) error {
	data = bytes.TrimPrefix(data, []byte("\uFEFF"))
	if f := encoding(t.file, data, 1, '\n'); f != nil {
		return f
	}
	text := geoText{data: data, line: 1}
	bad := func(id string, off int, args finding.Args) *finding.Fault {
		if args == nil {
			args = finding.Args{}
		}
		g := geoText{data: data, line: 1}
		line, col := g.place(off)
		return finding.Bad(id, finding.Where{File: t.file, Line: line, Column: col}, args)
	}
	if !json.Valid(data) { // looked at first without a copy; then again for the place
		var whole json.RawMessage
		err := json.Unmarshal(data, &whole)
		off := len(data)
		var syntax *json.SyntaxError
		if errors.As(err, &syntax) && int(syntax.Offset) < len(data) {
			off = max(int(syntax.Offset)-1, 0)
		}
		id := "gis-json"
		if off >= len(bytes.TrimRight(data, " \t\r\n")) {
			id = "gis-cut"
		}
		return bad(id, off, nil)
	}
	dec := json.NewDecoder(bytes.NewReader(data))
	dec.UseNumber()
	if _, err := dec.Token(); err != nil {
		return bad("gis-json", 0, nil)
	}
	kind, crs, crsAt := "", json.RawMessage(nil), 0
	var single []geoMember
	features := false
	for dec.More() {
		key, err := dec.Token()
		if err != nil {
			return bad("gis-json", int(dec.InputOffset()), nil)
		}
		name, _ := key.(string)
		if name == "features" {
			at := int(dec.InputOffset())
			if open, err := dec.Token(); err != nil || open != json.Delim('[') || features {
				return bad("gis-features", at, nil)
			}
			features = true
			for dec.More() {
				off := int(dec.InputOffset())
				for off < len(data) && strings.IndexByte(" \t\r\n,", data[off]) >= 0 {
					off++
				}
				var raw json.RawMessage
				if err := dec.Decode(&raw); err != nil {
					return bad("gis-json", off, nil)
				}
				if t.count+t.left >= maxFeatures {
					return bad("gis-many", off, finding.Args{"most": finding.Count(maxFeatures)})
				}
				line, col := text.place(off)
				t.feature(members(raw), line, col)
			}
			if _, err := dec.Token(); err != nil {
				return bad("gis-json", int(dec.InputOffset()), nil)
			}
			continue
		}
		var raw json.RawMessage
		at := int(dec.InputOffset())
		if err := dec.Decode(&raw); err != nil {
			return bad("gis-json", at, nil)
		}
		switch name {
		case "type":
			_ = json.Unmarshal(raw, &kind)
		case "crs":
			crs, crsAt = raw, at
		}
		single = append(single, geoMember{name, raw})
	}
	if crs != nil && !isCRS84(crs) {
		return bad("gis-crs", crsAt, finding.Args{"text": finding.Text(crsName(crs))})
	}
	switch kind {
	case "FeatureCollection":
		if !features {
			return bad("gis-features", 0, nil)
		}
	case "Feature":
		t.feature(single, 1, 1)
	case "Point", "MultiPoint", "LineString", "MultiLineString", "Polygon", "MultiPolygon", "GeometryCollection":
		t.feature([]geoMember{{"type", json.RawMessage(`"Feature"`)}, {"geometry", data}}, 1, 1)
	default:
		return bad("gis-not-geojson", 0, finding.Args{"text": finding.Text(show(kind))})
	}
	return nil
}

// members splits an object of sound JSON, as json.Valid found it, without
// copying; nil if it is none.
func members(raw json.RawMessage) []geoMember {
	i := blanks(raw, 0)
	if i >= len(raw) || raw[i] != '{' {
		return nil
	}
	out := make([]geoMember, 0, 8)
	for i = blanks(raw, i+1); i < len(raw) && raw[i] == '"'; i = blanks(raw, i) {
		end := valueEnd(raw, i)
		m := geoMember{}
		if key := raw[i:end]; bytes.IndexByte(key, '\\') < 0 && len(key) >= 2 {
			m.name = string(key[1 : len(key)-1])
		} else if json.Unmarshal(key, &m.name) != nil {
			return nil
		}
		i = blanks(raw, end)
		if i >= len(raw) || raw[i] != ':' {
			return nil
		}
		i = blanks(raw, i+1)
		end = valueEnd(raw, i)
		m.raw = raw[i:end:end]
		out = append(out, m)
		if i = blanks(raw, end); i < len(raw) && raw[i] == ',' {
			i++
		}
	}
	return out
}

func blanks(b []byte, i int) int {
	for i < len(b) && (b[i] == ' ' || b[i] == '\t' || b[i] == '\n' || b[i] == '\r') {
		i++
	}
	return i
}

// valueEnd is the place behind the value that begins at i of sound JSON.
func valueEnd(b []byte, i int) int {
	depth := 0
	for i < len(b) {
		switch c := b[i]; c {
		case '"':
			for i++; i < len(b) && b[i] != '"'; i++ {
				if b[i] == '\\' {
					i++
				}
			}
			i++
		case '{', '[':
			depth++
			i++
		case '}', ']':
			if depth == 0 {
				return i
			}
			depth--
			i++
		default:
			i++
			if depth > 0 {
				continue
			}
			for i < len(b) && strings.IndexByte(",}] \t\r\n", b[i]) < 0 {
				i++
			}
		}
		if depth == 0 {
			break
		}
	}
	return min(i, len(b))
}

// isCRS84 reports a crs member that names longitude and latitude on WGS 84, or
// none.
func isCRS84(raw json.RawMessage) bool {
	if string(raw) == "null" {
		return true
	}
	n := strings.ToUpper(crsName(raw))
	return strings.HasSuffix(n, ":CRS84") || strings.HasSuffix(n, "/CRS84")
}

func crsName(raw json.RawMessage) string {
	var c struct {
		Type       string `json:"type"`
		Properties struct {
			Name json.RawMessage `json:"name"`
			Href string          `json:"href"`
		} `json:"properties"`
	}
	_ = json.Unmarshal(raw, &c)
	name := ""
	if json.Unmarshal(c.Properties.Name, &name) == nil && name != "" {
		return show(name)
	}
	if c.Properties.Href != "" {
		return show(c.Properties.Href)
	}
	return show(string(raw))
}

// feature reads one feature as a row.
func (t *placeTable) feature(list []geoMember, line, col int) {
	var kind string
	var geometry, properties, id json.RawMessage
	for _, m := range list {
		switch m.name {
		case "type":
			_ = json.Unmarshal(m.raw, &kind)
		case "geometry":
			geometry = m.raw
		case "properties":
			properties = m.raw
		case "id":
			id = m.raw
		}
	}
	if kind != "Feature" {
		t.fault(line, col, "gis-not-feature", finding.Args{"text": finding.Text(show(kind))})
		return
	}
	s, ok := geoShape(geometry)
	if !ok {
		t.fault(line, col, "gis-geometry", nil)
		return
	}
	props := members(properties)
	if t.only {
		if s.kind == shapeArea {
			name := ""
			for _, p := range props {
				switch plain(p.name) {
				case "name", "block", "title", "nombre", "bloque":
					if v := geoValue(p.raw); name == "" || plain(p.name) == "block" {
						name = string(v)
					}
				}
			}
			t.area(s, name, line, col)
		}
		return
	}
	if !t.shape(s, line, col) {
		return
	}
	if v := geoValue(id); len(v) > 0 {
		if t.idCol < 0 {
			t.idCol = t.add("feature_id")
		}
		t.put(t.idCol, v)
	}
	for _, p := range props {
		if v := geoValue(p.raw); len(v) > 0 {
			t.set(p.name, v)
		} else if _, there := t.index[p.name]; !there {
			t.set(p.name, nil)
		}
	}
	t.end(line, col)
}

// geoValue is a property as a cell: a text, a number, true or false. Lists and
// objects are cut as they stand.
func geoValue(raw json.RawMessage) []byte {
	if len(raw) == 0 || string(raw) == "null" {
		return nil
	}
	if raw[0] == '"' {
		var s string
		if json.Unmarshal(raw, &s) != nil {
			return nil
		}
		return []byte(s)
	}
	if bytes.ContainsAny(raw, "eE") && raw[0] != 't' && raw[0] != 'f' && raw[0] != '{' && raw[0] != '[' {
		if x, err := strconv.ParseFloat(string(raw), 64); err == nil && x < 1e15 && x > -1e15 {
			return strconv.AppendFloat(nil, x, 'f', -1, 64)
		}
	}
	return raw
}

// geoShape reads a geometry; false where it is none.
func geoShape(raw json.RawMessage) (shape, bool) {
	if len(raw) == 0 || string(raw) == "null" {
		return shape{}, true
	}
	var g struct {
		Type        string
		Coordinates json.RawMessage
	}
	for _, m := range members(raw) {
		switch m.name {
		case "type":
			_ = json.Unmarshal(m.raw, &g.Type)
		case "coordinates":
			g.Coordinates = m.raw
		}
	}
	s := shape{name: g.Type}
	pos := func(p []float64) ([2]float64, bool) {
		if len(p) < 2 {
			return [2]float64{}, false
		}
		return [2]float64{p[0], p[1]}, true
	}
	polygon := func(rings [][][]float64) bool {
		if len(rings) == 0 {
			return true
		}
		ring := make([][2]float64, 0, len(rings[0]))
		for _, p := range rings[0] {
			q, ok := pos(p)
			if !ok || len(ring) > maxVertices {
				return false
			}
			ring = append(ring, q)
		}
		s.rings, s.holes = append(s.rings, ring), s.holes+len(rings)-1
		return true
	}
	ok := true
	switch g.Type {
	case "Point":
		var p []float64
		if json.Unmarshal(g.Coordinates, &p) != nil {
			return s, false
		}
		if len(p) == 0 {
			return s, true // an empty point: no place
		}
		s.kind = shapePoint
		s.at, ok = pos(p)
	case "MultiPoint":
		var list [][]float64
		if json.Unmarshal(g.Coordinates, &list) != nil {
			return s, false
		}
		switch len(list) {
		case 0:
		case 1:
			s.kind = shapePoint
			s.at, ok = pos(list[0])
		default:
			s.kind = shapeNested
		}
	case "Polygon":
		var rings [][][]float64
		s.kind = shapeArea
		ok = json.Unmarshal(g.Coordinates, &rings) == nil && polygon(rings)
	case "MultiPolygon":
		var list [][][][]float64
		s.kind = shapeArea
		ok = json.Unmarshal(g.Coordinates, &list) == nil
		for _, rings := range list {
			ok = ok && polygon(rings)
		}
	case "LineString", "MultiLineString":
		s.kind = shapeOther
	case "GeometryCollection":
		s.kind = shapeNested
	default:
		return s, false
	}
	return s, ok
}
