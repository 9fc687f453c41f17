package exchange

import (
	"io"

	"sapward/plan"
)

// PortColumns are the columns of plan.csv, one row a port.
var PortColumns = []string{"tree", "stem", "port", "where", "azimuth_deg", "along_girth_cm", "height_cm", "depth_mm", "volume_ml", "product_ml"}

// PortSheetLimit is the number of ports up to which a plan is also written as a
// workbook; larger plans are for programs and stay CSV.
const PortSheetLimit = 100_000

// PortRows writes plan.csv.
type PortRows struct{ *RowWriter }

// NewPortRows writes the header and takes trees.
func NewPortRows(w io.Writer) *PortRows {
	rows := &PortRows{NewRowWriter(w)}
	for _, c := range PortColumns {
		rows.Text(c)
	}
	rows.End()
	return rows
}

// Tree writes the ports of one tree.
func (w *PortRows) Tree(t *plan.Tree) {
	for i := range t.Ports {
		p := &t.Ports[i]
		w.Text(t.Tag)
		w.Text(portStem(t, p))
		w.Int(p.N)
		w.Text(p.Where)
		w.Fixed(tenths(p.AzimuthDeg), 1)
		w.Fixed(tenths(p.AlongCM), 1)
		w.Fixed(tenths(p.HeightCM), 1)
		if p.DepthMM != nil {
			w.Int(*p.DepthMM)
		} else {
			w.Blank()
		}
		w.Fixed(int64(p.Volume), 3)
		w.Fixed(int64(p.Product), 3)
		w.End()
	}
}

// portStem names the stem a port is on.
func portStem(t *plan.Tree, p *plan.Port) string {
	if p.Stem != "" {
		return p.Stem
	}
	return t.Stem
}

// tenths is a figure already rounded to one decimal, in whole tenths.
func tenths(x float64) int64 {
	if x < 0 {
		return int64(x*10 - 0.5)
	}
	return int64(x*10 + 0.5)
}

// PortSheet writes the ports as a workbook, columns as in plan.csv.
type PortSheet struct{ *SheetWriter }

// NewPortSheet opens the workbook.
func NewPortSheet(w io.Writer) (*PortSheet, error) {
	decimals := map[string]int{"azimuth_deg": 1, "along_girth_cm": 1, "height_cm": 1, "volume_ml": -1, "product_ml": -1}
	columns := make([]SheetColumn, len(PortColumns))
	for i, c := range PortColumns {
		columns[i] = SheetColumn{Header: c, Width: float64(max(len(c)+2, 8)), Decimals: decimals[c]}
	}
	s, err := NewSheetWriter(w, "ports", columns)
	if err != nil {
		return nil, err
	}
	return &PortSheet{s}, nil
}

// Tree writes the ports of one tree.
func (s *PortSheet) Tree(t *plan.Tree) error {
	for k := range t.Ports {
		p := &t.Ports[k]
		var depth any
		if p.DepthMM != nil {
			depth = *p.DepthMM
		}
		if err := s.Row(t.Tag, portStem(t, p), p.N, p.Where, p.AzimuthDeg, p.AlongCM, p.HeightCM, depth, p.Volume.ML(), p.Product.ML()); err != nil {
			return err
		}
	}
	return nil
}
