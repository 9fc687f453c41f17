package report

import (
	"fmt"
	"math"
	"strings"

	"sapward/finding"
	"sapward/flow/compare"
	"sapward/flow/plume"
	"sapward/internal/draw"
	"sapward/internal/lang"
)

// Picture is a drawing with the name of its file.
type Picture struct {
	Name  string
	Scene draw.Scene
}

// ComparisonPictures draws a comparison, width pixels wide: coverage of crown
// and trunk, a map a method and day, arrival by height. Errors: of the drawings.
func ComparisonPictures(in ComparisonInput, width float64) ([]Picture, error) {
	var out []Picture
	add := func(name string, s draw.Scene, ok bool, err error) error {
		if err != nil {
			return fmt.Errorf("report: %s: %w", name, err)
		}
		if ok {
			out = append(out, Picture{name, s})
		}
		return nil
	}
	for _, trunk := range []bool{false, true} {
		name := "coverage-crown"
		if trunk {
			name = "coverage-trunk"
		}
		s, ok, err := in.coverage(width, trunk)
		if err := add(name, s, ok, err); err != nil {
			return nil, err
		}
	}
	for i, m := range in.Document.Maps {
		s, err := in.sapMap(width, i)
		if err := add(fmt.Sprintf("map-%s-day-%g", m.Method, m.DayD), s, true, err); err != nil {
			return nil, err
		}
	}
	for _, m := range in.methods() {
		s, ok, err := in.arrivals(width, m)
		if err := add("arrival-"+m, s, ok, err); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// methods are the methods that were modelled.
func (in ComparisonInput) methods() (out []string) {
	for _, m := range in.Document.Methods {
		if m.Line != nil {
			out = append(out, m.Method)
		}
	}
	return out
}

// frame is the frame of a drawing.
func (in ComparisonInput) frame(k draw.Kind, id string, width float64, heading, desc string) draw.Frame {
	w := draw.Words{Lang: in.Say.Lang, DecimalMark: ".", Label: map[string]string{}}
	for _, key := range draw.Keys(k) {
		w.Label[key] = in.Say.T("draw-" + strings.ReplaceAll(key, "_", "-"))
	}
	switch k {
	case draw.KindHeatMap:
		w.Label["height_unit"] = in.heightUnit()
		w.Label["effective"] = in.Say.T("movement-effective")
		for _, q := range []string{"north", "east", "south", "west", "height"} {
			w.Label[q] = in.Say.T("movement-" + q)
		}
	case draw.KindBandChart:
		w.Label["median"], w.Label["band"] = in.Say.T("compare-chart-median"), in.Say.T("compare-chart-band")
	}
	return draw.Frame{WidthPx: width, ID: "cmp-" + id, Title: heading, Desc: desc, Heading: heading, Words: w}
}

func (in ComparisonInput) heightUnit() string {
	if in.Say.US {
		return "ft"
	}
	return "m"
}

// inHeights turns metres into the unit shown.
func (in ComparisonInput) inHeights(m float64) float64 {
	if in.Say.US {
		return m / 0.3048
	}
	return m
}

// coverage draws the share of crown or trunk above the level over time.
func (in ComparisonInput) coverage(width float64, trunk bool) (draw.Scene, bool, error) {
	say, d := in.Say, in.Document
	id := "crown"
	if trunk {
		id = "trunk"
	}
	c := draw.BandChart{
		Frame:  in.frame(draw.KindBandChart, "coverage-"+id, width, say.T("compare-chart-"+id), in.coverageWords(trunk)),
		XLabel: say.T("compare-chart-days"), YLabel: say.T("compare-chart-share"), YLow: 0, YHigh: 100,
	}
	if !trunk {
		c.Level, c.LevelLabel = d.TargetPct, say.T("compare-chart-target")
	}
	for _, m := range in.methods() {
		s := draw.Series{Name: say.T("method-" + m)}
		prior := draw.Series{Name: say.Say("compare-chart-prior", finding.Args{"method": finding.Text(s.Name)})}
		for _, l := range d.Coverage {
			if l.Method != m {
				continue
			}
			b := l.Crown
			if trunk && l.Trunk == nil {
				continue
			}
			if trunk {
				b = *l.Trunk
			}
			s.X = append(s.X, l.DayD)
			s.P10, s.P50, s.P90 = append(s.P10, b.P10), append(s.P50, b.P50), append(s.P90, b.P90)
			if l.Prior != nil && !trunk {
				prior.X, prior.P50 = append(prior.X, l.DayD), append(prior.P50, l.Prior.P50)
			}
		}
		if len(s.X) > 0 {
			c.Series = append(c.Series, s)
		}
		if len(prior.X) > 0 {
			c.Series = append(c.Series, prior)
		}
	}
	if len(c.Series) == 0 || len(c.Series[0].X) < 2 {
		return draw.Scene{}, false, nil
	}
	s, err := draw.DrawBandChart(c)
	return s, true, err
}

// coverageWords says what the chart shows, for those who cannot see it.
func (in ComparisonInput) coverageWords(trunk bool) string {
	var parts []string
	for _, m := range in.Document.Methods {
		if m.Line == nil {
			continue
		}
		b := m.PeakCoveragePct
		if trunk && m.TrunkPeakPct != nil {
			b = *m.TrunkPeakPct
		}
		parts = append(parts, in.Say.T("method-"+m.Method)+": "+in.Say.Say("compare-chart-peak", finding.Args{"band": finding.Text(BandText(in.Say, b, 0) + " %")}))
	}
	return strings.Join(parts, "; ")
}

// sapMap draws one map.
func (in ComparisonInput) sapMap(width float64, i int) (draw.Scene, error) {
	say, d := in.Say, in.Document
	m := d.Maps[i]
	unit, name := "mg/L", "movement-map-sap"
	if m.Metric == plume.InWood {
		unit, name = "mg/kg", "movement-map-residue"
	}
	top := d.Tree.HeightM
	heading := say.Say("compare-map", finding.Args{"method": finding.Text(say.T("method-" + m.Method)), "day": finding.Text(lang.Figure(m.DayD, 1))})
	level := d.Level.Value
	effective := level
	if d.Level.Metric == plume.InLeaf { // the map shows what feeds the leaves
		effective = 0
	}
	return draw.DrawHeatMap(draw.HeatMap{
		Frame:  in.frame(draw.KindHeatMap, fmt.Sprintf("map-%s-%g", m.Method, m.DayD), width, heading, say.T("compare-map-middle")),
		Values: m.Values, TopM: in.inHeights(top), LeftDeg: 315, Low: level / 100, High: level * 100, Effective: effective, Unit: unit, ValueName: say.T(name),
	})
}

// arrivals draws when each height is first above the level, in line with a port
// and between two. A height that is never reached ends the line.
func (in ComparisonInput) arrivals(width float64, method string) (draw.Scene, bool, error) {
	say, d := in.Say, in.Document
	c := draw.BandChart{
		Frame:  in.frame(draw.KindBandChart, "arrival-"+method, width, say.Say("compare-arrival", finding.Args{"method": finding.Text(say.T("method-" + method))}), ""),
		XLabel: say.T("movement-height") + " (" + in.heightUnit() + ")", YLabel: say.T("compare-arrival-days"), LogY: true, YLow: 0.5, YHigh: d.Days,
	}
	for _, between := range []bool{false, true} {
		s := draw.Series{Name: say.T("compare-in-line")}
		if between {
			s.Name = say.T("compare-between")
		}
		for _, a := range d.Arrival {
			b := a.InLine
			if between {
				b = a.Between
			}
			if a.Method != method || math.IsInf(b.P50, 1) {
				continue
			}
			s.X = append(s.X, in.inHeights(a.HeightM))
			s.P10, s.P50, s.P90 = append(s.P10, b.P10), append(s.P50, b.P50), append(s.P90, math.Min(b.P90, d.Days))
		}
		if len(s.X) > 1 {
			c.Series = append(c.Series, s)
		}
	}
	if len(c.Series) == 0 {
		return draw.Scene{}, false, nil
	}
	c.Desc = say.T("compare-arrival-meaning")
	s, err := draw.DrawBandChart(c)
	return s, true, err
}

// hasArrival tells whether a method has an arrival picture.
func hasArrival(d *compare.Document, method string) bool {
	n := 0
	for _, a := range d.Arrival {
		if a.Method == method && !math.IsInf(a.InLine.P50, 1) {
			n++
		}
	}
	return n > 1
}
