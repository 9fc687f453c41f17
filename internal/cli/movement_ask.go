package cli

import (
	"math"
	"slices"

	"sapward/flow/plume"
	"sapward/flow/sap"
)

// mapRows is the number of heights of a heat map.
const mapRows = 48

// read is the metric of the effective level.
func (x *setting) read(r plume.Reading) float64 {
	if x.a.Metric == plume.InWood {
		return r.ResidueMgPerKg
	}
	return r.DissolvedGPerM3
}

// ask puts the questions to the model: arrival, shares, balance, maps.
func (x *setting) ask(days []float64) error {
	longest := days[len(days)-1]
	paths := make([][]sap.Moment, len(days))
	for i, d := range days {
		p, err := dayPath(x.clock, x.from, d)
		if err != nil {
			return err
		}
		paths[i] = p
	}
	whole := paths[len(paths)-1]
	x.doc.Water.DistanceM = whole[len(whole)-1].DistanceM
	if err := x.arrivals(longest); err != nil {
		return err
	}
	columns := min(max(32*len(x.ports), 96), 1440)
	arcs := make([]float64, columns)
	for j := range arcs {
		arcs[j] = float64(j) / float64(columns) * x.column.PerimeterM
	}
	const rows = 40
	trunk := plume.Grid{ArcsM: arcs}
	for i := range rows {
		trunk.HeightsM = append(trunk.HeightsM, x.portM+(float64(i)+0.5)/rows*(x.crown-x.portM))
	}
	crown := plume.Grid{ArcsM: arcs}
	for _, l := range x.column.Crown {
		crown.HeightsM = append(crown.HeightsM, l.HeightM)
	}
	picture := plume.Grid{}
	const pictureColumns = 180
	for j := range pictureColumns {
		picture.ArcsM = append(picture.ArcsM, float64(j)/pictureColumns*x.column.PerimeterM)
	}
	// Above the highest level of the crown the model has no wood.
	x.doc.topM = x.column.Crown[len(x.column.Crown)-1].HeightM
	for i := range mapRows {
		picture.HeightsM = append(picture.HeightsM, (float64(i)+0.5)/mapRows*x.doc.topM)
	}
	lowSheet, err := x.model.On(trunk)
	if err != nil {
		return err
	}
	highSheet, err := x.model.On(crown)
	if err != nil {
		return err
	}
	share := func(sheet *plume.Sheet, g plume.Grid, at sap.Moment) (float64, error) {
		values := make([]float64, len(g.HeightsM)*len(g.ArcsM))
		fill := sheet.Dissolved
		if x.a.Metric == plume.InWood {
			fill = sheet.Residue
		}
		if err := fill(values, at); err != nil {
			return 0, err
		}
		n := 0
		for _, v := range values {
			if v >= x.a.Level {
				n++
			}
		}
		return 100 * float64(n) / float64(len(values)), nil
	}
	for i, d := range days {
		at := paths[i][len(paths[i])-1]
		low, err := share(lowSheet, trunk, at)
		if err != nil {
			return err
		}
		high, err := share(highSheet, crown, at)
		if err != nil {
			return err
		}
		x.doc.Coverage = append(x.doc.Coverage, coverageLine{d, low, high})
		f, err := x.model.Field(picture, paths[i])
		if err != nil {
			return err
		}
		b := f.Balance
		pct := func(g float64) float64 { return 100 * g / b.DoseG }
		x.doc.Balance = append(x.doc.Balance, balanceLine{d, pct(b.DepotG), pct(b.WoodG), pct(b.BelowG), pct(b.LeavesG), pct(b.DecayedG), pct(b.RetiredG), b.RelativeError})
		source := f.DissolvedGPerM3
		if x.a.Metric == plume.InWood {
			source = f.ResidueMgPerKg
		}
		values := make([][]float64, mapRows)
		for r := range values {
			values[r] = source[r*pictureColumns : (r+1)*pictureColumns]
		}
		x.doc.maps = append(x.doc.maps, values)
	}
	return nil
}

// arrivalHeights are the heights above the ports that are asked.
var arrivalHeights = []float64{0.5, 2, 5, 10, 15, 20, 30, 40}

// arrivals finds, straight above a port and midway to its next neighbour, the
// first time at which the metric passes the effective level: day by day, then
// to a hundredth of a day by halving.
func (x *setting) arrivals(longest float64) error {
	az := make([]float64, len(x.ports))
	for i, p := range x.ports {
		az[i] = p.AzimuthDeg
	}
	slices.Sort(az)
	next := az[0] + 360
	if len(az) > 1 {
		next = az[1]
	}
	perDeg := x.column.PerimeterM / 360
	start, err := x.clock.At(x.from)
	if err != nil {
		return err
	}
	at := func(t float64) (sap.Moment, error) {
		m, err := x.clock.At(x.from + t)
		return m.Since(start), err
	}
	find := func(p plume.Point) (first *float64, top float64, err error) {
		before := 0.0
		for t := 0.0; ; {
			t = math.Min(t+0.25, longest)
			m, err := at(t)
			if err != nil {
				return nil, 0, err
			}
			v := x.read(x.model.At(p, m))
			top = math.Max(top, v)
			if first == nil && v >= x.a.Level {
				lo, hi := before, t
				for hi-lo > 0.005 {
					mid := (lo + hi) / 2
					m, err := at(mid)
					if err != nil {
						return nil, 0, err
					}
					if x.read(x.model.At(p, m)) >= x.a.Level {
						hi = mid
					} else {
						lo = mid
					}
				}
				first = new(math.Round(hi*100) / 100)
			}
			before = t
			if t >= longest {
				return first, top, nil
			}
		}
	}
	grain := x.column.Medium.GrainTurnsPerM * 360
	for _, h := range arrivalHeights {
		z := x.portM + h
		if z >= x.top {
			break
		}
		l := arrivalLine{AbovePortsM: h, HeightM: z}
		if l.InLineD, l.InLineTop, err = find(plume.Point{HeightM: z, ArcM: (az[0] + grain*h) * perDeg}); err != nil {
			return err
		}
		if l.BetweenD, l.BetweenTop, err = find(plume.Point{HeightM: z, ArcM: ((az[0]+next)/2 + grain*h) * perDeg}); err != nil {
			return err
		}
		x.doc.Arrival = append(x.doc.Arrival, l)
	}
	return nil
}
