package crew

// hilbertBits is the number of bits an axis is cut into: 65,536 cells a side, under a metre on a 60 km block.
const hilbertBits = 16

// hilbertKey returns the place of cell (x, y), each below 2^hilbertBits, on Hilbert's curve (Hilbert 1891; the usual
// bit-wise walk from the largest quadrant down, rotating the frame at each level).
func hilbertKey(x, y uint32) uint64 {
	var key uint64
	for s := uint32(1) << (hilbertBits - 1); s > 0; s >>= 1 {
		var rx, ry uint32
		if x&s != 0 {
			rx = 1
		}
		if y&s != 0 {
			ry = 1
		}
		key = key<<2 | uint64((3*rx)^ry)
		x &= s - 1
		y &= s - 1
		if ry == 0 {
			if rx == 1 {
				x, y = s-1-x, s-1-y
			}
			x, y = y, x
		}
	}
	return key
}

// hilbertKeys returns the key of every point, scaled so that the bounding square fills the curve. The coordinates
// must be finite and non-negative with the smallest at 0.
func hilbertKeys(x, y []float64, extent float64) []uint64 {
	keys := make([]uint64, len(x))
	scale := 0.0
	if extent > 0 {
		scale = float64(uint32(1)<<hilbertBits-1) / extent
	}
	for i := range x {
		keys[i] = hilbertKey(uint32(x[i]*scale), uint32(y[i]*scale))
	}
	return keys
}
