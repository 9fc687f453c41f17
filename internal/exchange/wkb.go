package exchange

import (
	"encoding/binary"
	"math"
)

// wkb reads well-known binary (OGC 06-103r4, section 8.2), of two to four
// dimensions in the numbering of ISO, or with the high bits that some programs
// set. Counts are believed only as far as bytes follow.
type wkb struct {
	b     []byte
	order binary.ByteOrder
}

func (w *wkb) uint32() (uint32, bool) {
	if len(w.b) < 4 {
		return 0, false
	}
	v := w.order.Uint32(w.b)
	w.b = w.b[4:]
	return v, true
}

// head reads byte order and type: the plain type, 1 to 7, and how many numbers
// a position has.
func (w *wkb) head() (kind uint32, dims int, ok bool) {
	if len(w.b) < 5 || w.b[0] > 1 {
		return 0, 0, false
	}
	w.order = binary.BigEndian
	if w.b[0] == 1 {
		w.order = binary.LittleEndian
	}
	w.b = w.b[1:]
	v, _ := w.uint32()
	dims = 2
	if v&0x8000_0000 != 0 {
		dims++
	}
	if v&0x4000_0000 != 0 {
		dims++
	}
	srid := v&0x2000_0000 != 0
	v &= 0x0FFF_FFFF
	switch v / 1000 {
	case 0:
	case 1, 2:
		dims = 3
	case 3:
		dims = 4
	default:
		return 0, 0, false
	}
	if srid {
		if _, ok := w.uint32(); !ok {
			return 0, 0, false
		}
	}
	return v % 1000, dims, true
}

func (w *wkb) position(dims int) ([2]float64, bool) {
	if len(w.b) < 8*dims {
		return [2]float64{}, false
	}
	p := [2]float64{math.Float64frombits(w.order.Uint64(w.b)), math.Float64frombits(w.order.Uint64(w.b[8:]))}
	w.b = w.b[8*dims:]
	return p, true
}

// ring reads a ring; keep is false for a hole.
func (w *wkb) ring(dims int, keep bool) ([][2]float64, bool) {
	n, ok := w.uint32()
	if !ok || uint64(n)*uint64(8*dims) > uint64(len(w.b)) || n > maxVertices {
		return nil, false
	}
	if !keep {
		w.b = w.b[int(n)*8*dims:]
		return nil, true
	}
	out := make([][2]float64, n)
	for i := range out {
		out[i], _ = w.position(dims)
	}
	return out, true
}

func (w *wkb) polygon(dims int, s *shape) bool {
	n, ok := w.uint32()
	if !ok || uint64(n)*4 > uint64(len(w.b)) {
		return false
	}
	for i := range n {
		r, ok := w.ring(dims, i == 0)
		if !ok {
			return false
		}
		if i == 0 {
			s.rings = append(s.rings, r)
		} else {
			s.holes++
		}
	}
	return true
}

var wkbNames = []string{"Geometry", "Point", "LineString", "Polygon", "MultiPoint", "MultiLineString", "MultiPolygon", "GeometryCollection"}

// readWKB reads a geometry; false where the bytes are none.
func readWKB(b []byte) (shape, bool) {
	w := wkb{b: b}
	kind, dims, ok := w.head()
	if !ok {
		return shape{}, false
	}
	var s shape
	if int(kind) < len(wkbNames) {
		s.name = wkbNames[kind]
	}
	point := func(dims int) bool {
		p, ok := w.position(dims)
		if ok && !(math.IsNaN(p[0]) && math.IsNaN(p[1])) { // both not a number: an empty point
			s.kind, s.at = shapePoint, p
		}
		return ok
	}
	switch kind {
	case 1:
		return s, point(dims)
	case 3:
		s.kind = shapeArea
		return s, w.polygon(dims, &s)
	case 2, 5:
		s.kind = shapeOther
		return s, true
	case 4:
		n, ok := w.uint32()
		if !ok || n > 1 {
			s.kind = shapeNested
			return s, ok
		}
		if n == 0 {
			return s, true
		}
		inner, dims, ok := w.head()
		return s, ok && inner == 1 && point(dims)
	case 6:
		s.kind = shapeArea
		n, ok := w.uint32()
		if !ok || uint64(n)*9 > uint64(len(w.b)) {
			return s, false
		}
		for range n {
			inner, dims, ok := w.head()
			if !ok || inner != 3 || !w.polygon(dims, &s) {
				return s, false
			}
		}
		return s, true
	case 7:
		s.kind = shapeNested
		return s, true
	}
	return s, false
}

// readGP reads a GeoPackage geometry: the header GP (OGC 12-128r18, table 5) and
// well-known binary.
func readGP(b []byte) (shape, bool) {
	if len(b) < 8 || b[0] != 'G' || b[1] != 'P' || b[2] != 0 {
		return shape{}, false
	}
	flags := b[3]
	if flags&0x20 != 0 { // an extended geometry, of a program's own
		return shape{}, false
	}
	code := int(flags >> 1 & 7)
	if code > 4 {
		return shape{}, false
	}
	skip := 8 + [...]int{0, 32, 48, 48, 64}[code]
	if len(b) < skip {
		return shape{}, false
	}
	s, ok := readWKB(b[skip:])
	if ok && flags&0x10 != 0 && s.kind == shapePoint {
		s.kind = shapeNone
	}
	return s, ok
}

// gpPoint is a GeoPackage point, little endian, without envelope.
func gpPoint(srs int32, x, y float64) []byte {
	b := gpHead(nil, srs, 0)
	b = append(b, 1, 1, 0, 0, 0)
	b = binary.LittleEndian.AppendUint64(b, math.Float64bits(x))
	return binary.LittleEndian.AppendUint64(b, math.Float64bits(y))
}

func gpHead(b []byte, srs int32, envelope byte) []byte {
	b = append(b, 'G', 'P', 0, 1|envelope<<1)
	return binary.LittleEndian.AppendUint32(b, uint32(srs))
}

// gpPolygon is a GeoPackage polygon of one ring, closed here, with its envelope.
func gpPolygon(srs int32, ring [][2]float64) []byte {
	x0, x1, y0, y1 := extent(ring)
	b := gpHead(nil, srs, 1)
	for _, v := range []float64{x0, x1, y0, y1} {
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(v))
	}
	b = append(b, 1, 3, 0, 0, 0, 1, 0, 0, 0)
	b = binary.LittleEndian.AppendUint32(b, uint32(len(ring)+1))
	for i := range len(ring) + 1 {
		p := ring[i%len(ring)]
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(p[0]))
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(p[1]))
	}
	return b
}

// extent is the box around positions.
func extent(ring [][2]float64) (x0, x1, y0, y1 float64) {
	for i, p := range ring {
		if i == 0 {
			x0, x1, y0, y1 = p[0], p[0], p[1], p[1]
		}
		x0, x1, y0, y1 = min(x0, p[0]), max(x1, p[0]), min(y0, p[1]), max(y1, p[1])
	}
	return x0, x1, y0, y1
}
