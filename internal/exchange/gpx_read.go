package exchange

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"strconv"
	"strings"

	"sapward/finding"
)

// maxGPXText bounds the text of one element of a waypoint.
const maxGPXText = 16 << 10

// readGPX reads the waypoints of a GPX file (version 1.0 or 1.1) as trees: name
// is the tag, lat and lon the place. Columns stand in cmt or desc as pairs such
// as "girth_cm=123.8; species=Ulmus minor"; any other text there is no column.
// Routes, tracks and extensions are passed over. A document type, which could
// name outer files or entities, is refused.
func readGPX(data []byte, t *placeTable) error {
	data = bytes.TrimPrefix(data, []byte("\uFEFF"))
	where := func(line, col int) finding.Where { return finding.Where{File: t.file, Line: line, Column: col} }
	d := xml.NewDecoder(bytes.NewReader(data))
	d.Strict = true
	d.CharsetReader = func(charset string, _ io.Reader) (io.Reader, error) {
		return nil, finding.Bad("gis-charset", where(1, 1), finding.Args{"text": finding.Text(show(charset))})
	}
	text := geoText{data: data, line: 1}
	wrong := func(err error) error {
		var f *finding.Fault
		if errors.As(err, &f) {
			return f
		}
		var syntax *xml.SyntaxError
		line, col := d.InputPos()
		if errors.As(err, &syntax) {
			line = syntax.Line
			if strings.Contains(syntax.Msg, "unexpected EOF") {
				return finding.Bad("gis-cut", where(line, col), finding.Args{})
			}
		}
		return finding.Bad("gis-xml", where(line, col), finding.Args{})
	}
	root, passed := false, 0
	for {
		off := int(d.InputOffset())
		tok, err := d.Token()
		if err == io.EOF {
			break
		}
		if err != nil {
			return wrong(err)
		}
		switch x := tok.(type) {
		case xml.Directive:
			line, col := text.place(off)
			return finding.Bad("gis-doctype", where(line, col), finding.Args{})
		case xml.StartElement:
			line, col := text.place(off)
			switch {
			case !root && x.Name.Local != "gpx":
				return finding.Bad("gis-not-gpx", where(line, col), finding.Args{"text": finding.Text(show(x.Name.Local))})
			case !root:
				root = true
			case x.Name.Local == "wpt":
				if t.count >= maxFeatures {
					return finding.Bad("gis-many", where(line, col), finding.Args{"most": finding.Count(maxFeatures)})
				}
				if err := t.waypoint(d, x, line, col); err != nil {
					return wrong(err)
				}
			default:
				if x.Name.Local == "rte" || x.Name.Local == "trk" {
					passed++
				}
				if err := d.Skip(); err != nil {
					return wrong(err)
				}
			}
		}
	}
	if !root {
		return finding.Bad("gis-not-gpx", where(1, 1), finding.Args{"text": finding.Text("")})
	}
	if passed > 0 {
		t.note("gis-tracks", finding.Note, finding.Args{"count": finding.Count(passed)})
	}
	return nil
}

// waypoint reads one waypoint as a row.
func (t *placeTable) waypoint(d *xml.Decoder, x xml.StartElement, line, col int) error {
	var at [2]string
	for _, a := range x.Attr {
		switch a.Name.Local {
		case "lon":
			at[0] = strings.TrimSpace(a.Value)
		case "lat":
			at[1] = strings.TrimSpace(a.Value)
		}
	}
	lon, err1 := strconv.ParseFloat(at[0], 64)
	lat, err2 := strconv.ParseFloat(at[1], 64)
	if err1 != nil || err2 != nil {
		t.fault(line, col, "gis-position", finding.Args{"text": finding.Text(show(at[0] + ", " + at[1]))})
	} else {
		t.point(lon, lat, line, col)
	}
	if _, there := t.index["tree"]; !there {
		t.set("tree", nil)
	}
	for {
		tok, err := d.Token()
		if err != nil {
			if err == io.EOF {
				return io.ErrUnexpectedEOF
			}
			return err
		}
		switch e := tok.(type) {
		case xml.EndElement:
			t.end(line, col)
			return nil
		case xml.Directive:
			return finding.Bad("gis-doctype", finding.Where{File: t.file, Line: line, Column: col}, finding.Args{})
		case xml.StartElement:
			switch e.Name.Local {
			case "name", "cmt", "desc":
				s, err := innerText(d)
				if err != nil {
					return err
				}
				if len(s) > maxGPXText {
					t.fault(line, col, "field-long", nil)
					continue
				}
				if e.Name.Local == "name" {
					t.set("tree", []byte(s))
					continue
				}
				for _, p := range pairs(s) {
					t.set(p[0], []byte(p[1]))
				}
			default:
				if err := d.Skip(); err != nil {
					return err
				}
			}
		}
	}
}

// innerText is the text of an element, without that of elements inside it.
func innerText(d *xml.Decoder) (string, error) {
	var b strings.Builder
	for {
		tok, err := d.Token()
		if err != nil {
			if err == io.EOF {
				err = io.ErrUnexpectedEOF
			}
			return "", err
		}
		switch x := tok.(type) {
		case xml.CharData:
			if b.Len() <= maxGPXText {
				b.Write(x)
			}
		case xml.StartElement:
			if err := d.Skip(); err != nil {
				return "", err
			}
		case xml.EndElement:
			return strings.TrimSpace(b.String()), nil
		}
	}
}

// pairs reads "girth_cm=123.8; species=Ulmus minor"; nil where the text is not
// made of such pairs alone, or names what is no column of a table of trees.
func pairs(s string) [][2]string {
	var out [][2]string
	for _, part := range strings.FieldsFunc(s, func(r rune) bool { return r == ';' || r == '\n' }) {
		part = strings.TrimSpace(part)
		if part == "" {
			continue
		}
		k, v, ok := strings.Cut(part, "=")
		k, v = strings.TrimSpace(k), strings.TrimSpace(v)
		if !ok || len(k) > MaxTag || strings.Contains(v, "=") {
			return nil
		}
		c, _, _, known := treeSpec.match(k)
		if !known || c == treeTag || c == treeLat || c == treeLon {
			return nil
		}
		out = append(out, [2]string{k, v})
	}
	return out
}
