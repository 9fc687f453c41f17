package plume

import (
	"math"
	"sort"

	"sapward/flow/sap"
)

// Grid is the points at which a field is asked: every height with every arc.
type Grid struct {
	HeightsM []float64
	ArcsM    []float64
}

// EvenGrid returns a grid of rows heights, the middles of equal steps from low
// to high, and columns arcs, the middles of equal steps round a perimeter.
// Errors: no rows or columns, high not above low, perimeter not above 0.
func EvenGrid(lowM, highM float64, rows int, perimeterM float64, columns int) (Grid, error) {
	err := sap.Check(sap.Finite("low_m", lowM), sap.Need{Field: "high_m", Value: highM, OK: highM > lowM && !math.IsInf(highM, 1), Needs: "above low_m"},
		sap.Positive("perimeter_m", perimeterM), sap.Positive("rows", float64(rows)), sap.Positive("columns", float64(columns)))
	if err != nil {
		return Grid{}, err
	}
	g := Grid{make([]float64, rows), make([]float64, columns)}
	for i := range g.HeightsM {
		g.HeightsM[i] = lowM + (highM-lowM)*(float64(i)+0.5)/float64(rows)
	}
	for j := range g.ArcsM {
		g.ArcsM[j] = perimeterM * (float64(j) + 0.5) / float64(columns)
	}
	return g, nil
}

// Sheet is a model laid on a grid. What lies across the grain depends on height
// and arc only and is computed once; a field at any moment is then one kernel
// along the grain for each height, times stored rows. Use Model.On.
type Sheet struct {
	model   *Model
	grid    Grid
	xi      []float64
	skip    []bool // above the top of the crown
	streams []laid
}

// laid is one stream's tangential rows without the zeros between sources.
type laid struct {
	runs   []run
	values []float64
}

// run is a stretch of columns of one row: values[at : at+n] from column on.
type run struct{ row, column, at, n int }

// On lays the model on a grid, which it copies. Errors: a height or arc that is
// not finite, an empty grid.
func (m *Model) On(g Grid) (*Sheet, error) {
	if err := sap.Check(sap.Positive("heights", float64(len(g.HeightsM))), sap.Positive("arcs", float64(len(g.ArcsM)))); err != nil {
		return nil, err
	}
	s := &Sheet{model: m, grid: Grid{append([]float64(nil), g.HeightsM...), append([]float64(nil), g.ArcsM...)}}
	for _, y := range g.ArcsM {
		if err := sap.Check(sap.Finite("arc_m", y)); err != nil {
			return nil, err
		}
	}
	s.xi, s.skip = make([]float64, len(g.HeightsM)), make([]bool, len(g.HeightsM))
	for i, z := range g.HeightsM {
		if err := sap.Check(sap.Finite("height_m", z)); err != nil {
			return nil, err
		}
		s.xi[i], s.skip[i] = m.taper.at(z), m.aboveTop(z)
	}
	s.streams = make([]laid, len(m.streams))
	ordered := sort.Float64sAreSorted(g.ArcsM) && g.ArcsM[0] >= 0 && g.ArcsM[len(g.ArcsM)-1] <= m.column.PerimeterM
	row := make([]float64, len(g.ArcsM))
	for n := range m.streams {
		for i, z := range g.HeightsM {
			if !s.skip[i] {
				m.row(row, n, z, g.ArcsM, ordered)
				s.streams[n].add(i, row)
			}
		}
	}
	return s, nil
}

// row fills the mass-weighted tangential densities of a stream at a height.
// Ordered arcs in 0..L let it visit only the columns within a source's reach.
func (m *Model) row(row []float64, n int, z float64, arcs []float64, ordered bool) {
	clear(row)
	c := &m.column
	st := &m.streams[n]
	if c.Mixed {
		for j := range row {
			row[j] = st.mass / c.PerimeterM
		}
		return
	}
	up := z - st.heightM
	variance := c.Medium.StartVarianceM2 + 2*c.Medium.LateralDispersivityM*math.Max(0, up)
	turn := float64(c.Medium.GrainTurnsPerM*up) * c.PerimeterM
	far := reach * math.Sqrt(variance)
	b, width, widens := 0.0, -1.0, false
	for _, p := range st.parts {
		src := &m.sources[p.source]
		if src.WidthM != width || src.Widens != widens { // equal ports share their width
			b, width, widens = src.halfWidth(up, c.Medium.Anisotropy), src.WidthM, src.Widens
		}
		middle := wrapped(src.ArcM+turn, c.PerimeterM)
		if !ordered || b+far >= c.PerimeterM/2 {
			for j, y := range arcs {
				row[j] += p.mass * Around(y-middle, b, variance, c.PerimeterM)
			}
			continue
		}
		for turns := -1.0; turns <= 2; turns++ {
			at := middle + turns*c.PerimeterM
			if at+b+far < 0 || at-b-far > c.PerimeterM {
				continue
			}
			for j := sort.SearchFloat64s(arcs, at-b-far); j < len(arcs) && arcs[j] <= at+b+far; j++ {
				row[j] += p.mass * Around(arcs[j]-at, b, variance, c.PerimeterM)
			}
		}
	}
}

// add stores the stretches of a row that are not zero.
func (l *laid) add(row int, values []float64) {
	for j := 0; j < len(values); j++ {
		if values[j] == 0 {
			continue
		}
		start := j
		for j < len(values) && values[j] != 0 {
			j++
		}
		l.runs = append(l.runs, run{row, start, len(l.values), j - start})
		l.values = append(l.values, values[start:j]...)
	}
}

// Mass fills dst (rows of arcs, by height) with m in g/m2 at a moment.
// Error: a dst of the wrong length.
func (s *Sheet) Mass(dst []float64, at sap.Moment) error {
	return s.fill(dst, at, 1, s.model.tube.Density)
}

// Residue fills dst with the total residue in mg per kg dry wood.
func (s *Sheet) Residue(dst []float64, at sap.Moment) error {
	c := &s.model.column
	return s.fill(dst, at, 1000/(c.Medium.DryDensityKgPerM3*c.DepthM), s.model.tube.Density)
}

// Dissolved fills dst with the concentration in the moving sap in g/m3.
func (s *Sheet) Dissolved(dst []float64, at sap.Moment) error {
	c := &s.model.column
	return s.fill(dst, at, 1/(c.Medium.WaterFraction*c.Medium.Retardation*c.DepthM), s.model.tube.Flux)
}

func (s *Sheet) fill(dst []float64, at sap.Moment, unit float64, kernel func(Emission, float64, float64) float64) error {
	columns := len(s.grid.ArcsM)
	if want := len(s.grid.HeightsM) * columns; len(dst) != want {
		return &sap.InputError{Field: "dst_length", Value: float64(len(dst)), Needs: "one place for each height and arc"}
	}
	clear(dst)
	unit *= s.model.Remaining(at)
	for n := range s.streams {
		st, l := &s.model.streams[n], &s.streams[n]
		last, along := -1, 0.0
		for _, r := range l.runs {
			if r.row != last {
				last, along = r.row, unit*kernel(st.emission, s.xi[r.row]-st.xi, at.DistanceM)
			}
			if along == 0 {
				continue
			}
			from := r.row*columns + r.column
			out := dst[from : from+r.n]
			for j, v := range l.values[r.at : r.at+r.n] {
				out[j] += along * v
			}
		}
	}
	return nil
}

// Field is the state of the sapwood on a grid at the end of a path, with the
// account of the mass up to then. Values lie by height, then arc.
type Field struct {
	Grid            Grid
	At              sap.Moment
	ResidueMgPerKg  []float64
	DissolvedGPerM3 []float64
	Balance         Balance
}

// Index returns the place of height i and arc j in the values of the field.
func (f Field) Index(i, j int) int { return i*len(f.Grid.ArcsM) + j }

// Field returns residue and dissolved concentration on the grid at the last
// moment of a path that begins at application, and balances the mass along the
// path. Errors: see Model.Account; an impossible grid.
func (m *Model) Field(g Grid, path []sap.Moment) (Field, error) {
	balances, err := m.account(path, true)
	if err != nil {
		return Field{}, err
	}
	s, err := m.On(g)
	if err != nil {
		return Field{}, err
	}
	at := path[len(path)-1]
	size := len(g.HeightsM) * len(g.ArcsM)
	f := Field{Grid: s.grid, At: at, ResidueMgPerKg: make([]float64, size), DissolvedGPerM3: make([]float64, size), Balance: balances[len(balances)-1]}
	if err := s.Residue(f.ResidueMgPerKg, at); err != nil {
		return Field{}, err
	}
	return f, s.Dissolved(f.DissolvedGPerM3, at)
}
