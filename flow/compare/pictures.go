package compare

import (
	"math"

	"sapward/flow/plume"
	"sapward/flow/protect"
)

// The grid of a map and of the arrivals.
const (
	mapRows       = 30
	mapColumns    = 72
	arrivalLevels = 8
)

// pictures fills in maps and arrivals.
func (x *setting) pictures(d *Document, q Question, draws []protect.Draw) error {
	middle, err := q.Case.Middle()
	if err != nil {
		return err
	}
	metric := q.Case.Active.EffectiveMetric
	if metric == plume.InLeaf { // what feeds the leaves
		metric = plume.InSap
	}
	top := q.Case.Tree.Crown[len(q.Case.Tree.Crown)-1].HeightM
	for _, t := range q.ways() {
		for _, day := range mapDays(q.horizon()) {
			m := MapLine{Method: string(t.Method()), DayD: day, Metric: metric, Columns: mapColumns}
			var places []protect.Place
			for i := range mapRows {
				z := top * (float64(i) + 0.5) / mapRows
				m.HeightsM = append(m.HeightsM, round(z))
				for j := range mapColumns {
					places = append(places, protect.Place{DayD: day, HeightM: z, AzimuthDeg: 360 * (float64(j) + 0.5) / mapColumns, Metric: metric})
				}
			}
			got, err := protect.Probe(q.Case, t, places, []protect.Draw{middle}, true, 1)
			if err != nil {
				return err
			}
			for i := range mapRows {
				row := got[0][i*mapColumns : (i+1)*mapColumns]
				for j := range row {
					row[j] = round(row[j])
				}
				m.Values = append(m.Values, row)
			}
			d.Maps = append(d.Maps, m)
		}
		if q.Case.Active.EffectiveMetric == plume.InLeaf {
			continue
		}
		lines, err := q.arrival(t, metric, top, draws)
		if err != nil {
			return err
		}
		d.Arrival = append(d.Arrival, lines...)
	}
	return nil
}

// mapDays are the days pictured: soon after, and when the crown is mostly
// judged.
func mapDays(horizon float64) []float64 {
	if horizon < 30 {
		return []float64{horizon}
	}
	if horizon < 90 {
		return []float64{7, 30}
	}
	return []float64{7, 90}
}

// round keeps three significant figures.
func round(x float64) float64 {
	if x == 0 || math.IsInf(x, 0) || math.IsNaN(x) {
		return 0
	}
	p := math.Pow(10, 2-math.Floor(math.Log10(math.Abs(x))))
	if math.IsInf(p, 0) {
		return 0
	}
	return math.Round(x*p) / p
}

// arrival works out when each height is first above the level, in line with a
// port and midway to the next, over the draws.
func (q Question) arrival(t protect.Treatment, metric plume.Metric, top float64, draws []protect.Draw) ([]ArrivalLine, error) {
	var days []float64
	for d := 0.5; d < q.horizon(); d *= 1.25 {
		days = append(days, d)
	}
	days = append(days, q.horizon())
	first := t.Ports[0].AzimuthDeg
	half := nearestGap(t) / 2
	var places []protect.Place
	var heights []float64
	for i := range arrivalLevels {
		z := top * (float64(i) + 0.5) / arrivalLevels
		heights = append(heights, z)
		for _, az := range []float64{first, first + half} {
			for _, day := range days {
				places = append(places, protect.Place{DayD: day, HeightM: z, AzimuthDeg: math.Mod(az, 360), Metric: metric})
			}
		}
	}
	found, err := protect.Probe(q.Case, t, places, draws, true, q.Workers)
	if err != nil {
		return nil, err
	}
	level := make([]float64, len(draws))
	for i, d := range draws {
		level[i], _ = d.Value("effective_level")
	}
	var out []ArrivalLine
	for i, z := range heights {
		l := ArrivalLine{Method: string(t.Method()), HeightM: round(z)}
		for k, to := range []*protect.Band{&l.InLine, &l.Between} {
			base := (i*2 + k) * len(days)
			values := make([]float64, len(draws))
			for n := range draws {
				values[n] = crossing(days, found[n][base:base+len(days)], level[n])
			}
			*to = protect.BandOf(values)
		}
		out = append(out, l)
	}
	return out, nil
}

// crossing is the first day at which values reach a level, straight between the
// days; +Inf: never.
func crossing(days, values []float64, level float64) float64 {
	for i, v := range values {
		if v < level {
			continue
		}
		if i == 0 {
			return days[0]
		}
		return days[i-1] + (days[i]-days[i-1])*(level-values[i-1])/(v-values[i-1])
	}
	return math.Inf(1)
}

// nearestGap is the angle from the first port to the next one clockwise.
func nearestGap(t protect.Treatment) float64 {
	gap := 360.0
	for _, p := range t.Ports[1:] {
		if off := math.Mod(p.AzimuthDeg-t.Ports[0].AzimuthDeg+360, 360); off > 0 {
			gap = math.Min(gap, off)
		}
	}
	return gap
}
