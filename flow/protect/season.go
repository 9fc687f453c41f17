package protect

import (
	"math"

	"sapward/flow/sap"
)

// DormantShare is the flux of a leafless tree as a share of its season's peak
// (MODEL 1.1).
const DormantShare = 0.03

// peakDays is the length of the running mean whose maximum is the season's
// peak. Our choice: the wood table's flux is a mean "at the season's peak".
const peakDays = 30

// Season is what a tree lives through after the treatment, in the two clocks of
// the model per unit of flux and of loss: days at the peak flux, and days at 20
// degrees Celsius. It holds no parameter of tree or active, so that one season
// serves every draw.
type Season struct {
	flow, heat     []float64 // at the start of each day, and at the end of the last
	springs, falls []int     // leaf-outs and leaf falls passed at the start of each day
	peakMm         float64
}

// NewSeason makes a season from consecutive days, the first being that of the
// treatment. The flux of a day relative to the peak is its ET0 times stress
// over the largest 30-day mean of that product (of all days when there are
// fewer); on a leafless day it is DormantShare. Losses run with Q10 (0: the
// default). Errors: no day, an impossible value, no flow at all.
func NewSeason(days []sap.Day, q10 float64) (*Season, error) {
	if q10 == 0 {
		q10 = sap.DefaultQ10
	}
	if err := sap.Check(sap.Positive("q10", q10), sap.Need{Field: "days", Value: float64(len(days)), OK: len(days) > 0, Needs: "at least one day"}); err != nil {
		return nil, err
	}
	rate := make([]float64, len(days))
	for i, d := range days {
		if err := sap.Check(sap.NotNegative("et0_mm", d.ET0Mm), sap.Fraction("stress", d.Stress), sap.Finite("mean_c", d.MeanC)); err != nil {
			return nil, err
		}
		if !d.Leafless {
			rate[i] = d.ET0Mm * d.Stress
		}
	}
	peak, sum := 0.0, 0.0
	window := min(peakDays, len(days))
	for i, r := range rate {
		sum += r
		if i >= window {
			sum -= rate[i-window]
		}
		if i >= window-1 {
			peak = math.Max(peak, sum/float64(window))
		}
	}
	if err := sap.Check(sap.Positive("et0_peak_mm", peak)); err != nil {
		return nil, err
	}
	n := len(days)
	s := &Season{make([]float64, n+1), make([]float64, n+1), make([]int, n+1), make([]int, n+1), peak}
	for i, d := range days {
		relative := rate[i] / peak
		if d.Leafless {
			relative = DormantShare
		}
		s.flow[i+1] = s.flow[i] + relative
		s.heat[i+1] = s.heat[i] + math.Pow(q10, (d.MeanC-20)/10)
		if i > 0 { // a leaf-out on the day of treatment is before it
			s.springs[i], s.falls[i] = s.springs[i-1], s.falls[i-1]
			if d.LeafOut {
				s.springs[i]++
			}
			if d.LeafFall {
				s.falls[i]++
			}
		}
	}
	s.springs[n], s.falls[n] = s.springs[n-1], s.falls[n-1]
	return s, nil
}

// PeakMm returns the season's peak: the largest mean of ET0 times stress over 30
// days, mm/d.
func (s *Season) PeakMm() float64 { return s.peakMm }

// LengthD returns the number of days.
func (s *Season) LengthD() float64 { return float64(len(s.flow) - 1) }

// relative returns the flux of the day of treatment as a share of the peak.
func (s *Season) relative() float64 { return s.flow[1] - s.flow[0] }

// at returns both clocks at a time within the season.
func (s *Season) at(t float64) (flow, heat float64) {
	i := min(int(t), len(s.flow)-2)
	u := t - float64(i)
	return s.flow[i] + u*(s.flow[i+1]-s.flow[i]), s.heat[i] + u*(s.heat[i+1]-s.heat[i])
}

// node is a moment at which coverage is computed.
type node struct {
	time, flow, logFlow, heat float64
	springs, falls            int
	fell                      bool // the leaves fell at this moment
}

// nodes lays moments up to a horizon: close at first, every 25 days later, and
// two, before and after, at each leaf-out and leaf fall. Stretches in which the
// sap hardly moves get their ends only.
func (s *Season) nodes(horizon float64) []node {
	var times []float64
	for t, step := 0.25, 0.25; t < horizon; t += step {
		times = append(times, t)
		step = math.Min(25, math.Max(0.25, 0.25*t))
	}
	times = append(times, horizon)
	n := int(math.Min(horizon, s.LengthD()-1))
	type edge struct {
		day  float64
		fell bool
	}
	var edges []edge
	for i := 1; i <= n; i++ {
		if s.springs[i] > s.springs[i-1] || s.falls[i] > s.falls[i-1] {
			edges = append(edges, edge{float64(i), s.falls[i] > s.falls[i-1]})
		}
	}
	var out []node
	add := func(t float64, day int, fell bool) {
		flow, heat := s.at(t)
		out = append(out, node{t, flow, math.Log(math.Max(flow, 1e-12)), heat, s.springs[day], s.falls[day], fell})
	}
	add(0, 0, false)
	for _, t := range times {
		for len(edges) > 0 && edges[0].day <= t {
			e := edges[0]
			edges = edges[1:]
			add(e.day, int(e.day)-1, false)
			add(e.day, int(e.day), e.fell)
		}
		if last := out[len(out)-1]; last.time < t {
			add(t, min(int(t), len(s.springs)-1), false)
		}
	}
	kept := out[:1]
	for i := 1; i < len(out); i++ {
		o := out[i]
		quiet := i+1 < len(out) && out[i+1].springs == o.springs && out[i+1].falls == o.falls && kept[len(kept)-1].springs == o.springs && kept[len(kept)-1].falls == o.falls &&
			out[i+1].time-kept[len(kept)-1].time <= 60 && out[i+1].flow-kept[len(kept)-1].flow < 0.04*(out[i+1].time-kept[len(kept)-1].time) && o.time > 5
		if !quiet {
			kept = append(kept, o)
		}
	}
	return kept
}

// Temperate returns an invented season of a temperate climate for examples and
// checks: daily mean temperature 10 + 10 cos(2 pi (d-200)/365) degrees Celsius,
// ET0 2.5 + 2 cos(2 pi (d-182)/365) mm/d, no drought, new wood each year on day
// 110; deciduous trees are leafless from day 300 to 110. It begins on a day of
// the year (1 to 365) and lasts some days. Errors: a value out of range.
func Temperate(dayOfYear, lengthD int, deciduous bool) (*Season, error) {
	if err := sap.Check(sap.Need{Field: "day_of_year", Value: float64(dayOfYear), OK: dayOfYear >= 1 && dayOfYear <= 365, Needs: "1 to 365"},
		sap.Need{Field: "length_d", Value: float64(lengthD), OK: lengthD >= 1 && lengthD <= 20000, Needs: "1 to 20000"}); err != nil {
		return nil, err
	}
	const out, fall = 110, 300
	days := make([]sap.Day, lengthD)
	for i := range days {
		d := (dayOfYear-1+i)%365 + 1
		wave := func(peak int) float64 { return math.Cos(2 * math.Pi * float64(d-peak) / 365) }
		days[i] = sap.Day{ET0Mm: 2.5 + 2*wave(182), Stress: 1, MeanC: 10 + 10*wave(200),
			Leafless: deciduous && (d < out || d >= fall), LeafOut: d == out, LeafFall: deciduous && d == fall}
	}
	return NewSeason(days, 0)
}
