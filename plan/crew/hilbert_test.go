package crew

import (
	"slices"
	"testing"
)

// Successive cells of Hilbert's curve touch along a side (Hilbert 1891): checked on the lowest 64 by 64 cells, which the
// curve fills without leaving them.
func TestHilbertKey_SuccessiveCellsTouch(t *testing.T) {
	type cell struct {
		key  uint64
		x, y uint32
	}
	var cells []cell
	for x := range uint32(64) {
		for y := range uint32(64) {
			cells = append(cells, cell{hilbertKey(x, y), x, y})
		}
	}
	slices.SortFunc(cells, func(a, b cell) int { return sign(int(a.key) - int(b.key)) })
	for i := 1; i < len(cells); i++ {
		a, b := cells[i-1], cells[i]
		dx, dy := int(a.x)-int(b.x), int(a.y)-int(b.y)
		if b.key != a.key+1 || dx*dx+dy*dy != 1 {
			t.Fatalf("%+v is followed by %+v", a, b)
		}
	}
}
